"""``powerfault starter``: write a small commented first topology file."""

from __future__ import annotations

import os

import click

from powerfault.errors import OutputError


@click.command(short_help="write a small commented first topology file")
@click.argument("file", type=click.Path())
@click.option("--force", is_flag=True, help="Overwrite FILE if it exists.")
@click.option("--lists", is_flag=True, help="Write the description of lists that 'powerfault gather' reads instead.")
def command(file: str, force: bool, lists: bool) -> None:
    """Write a small valid topology with comments to FILE (- for standard output), to be changed into your own."""
    if lists:
        from powerfault.model.tables.description import STARTER as TEXT
    else:
        from powerfault.model.starter import STARTER as TEXT

    if file == "-":
        click.echo(TEXT, nl=False)
        return
    from powerfault.files import write_atomically

    if os.path.lexists(file) and not force:
        raise OutputError(f"{file} is there already; choose another name, or --force to overwrite it")
    write_atomically(file, TEXT)
    then = f"gather {file} -o system.yaml" if lists else f"validate {file}"
    click.echo(f"wrote {file}; {'then' if lists else 'check it with'}: powerfault {then}")
