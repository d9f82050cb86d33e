"""``powerfault starter``: write a small commented first topology file."""

from __future__ import annotations

import os

import click

from powerfault.errors import OutputError


@click.command(short_help="write a small commented first topology file")
@click.argument("file", type=click.Path())
@click.option("--force", is_flag=True, help="Overwrite FILE if it exists.")
def command(file: str, force: bool) -> None:
    """Write a small valid topology with comments to FILE (- for standard output), to be changed into your own."""
    from powerfault.model.starter import STARTER

    if file == "-":
        click.echo(STARTER, nl=False)
        return
    from powerfault.files import write_atomically

    if os.path.lexists(file) and not force:
        raise OutputError(f"{file} is there already; choose another name, or --force to overwrite it")
    write_atomically(file, STARTER)
    click.echo(f"wrote {file}; check it with: powerfault validate {file}")
