"""``powerfault gather``: make a topology file from wiring lists, load lists and equipment lists."""

from __future__ import annotations

import os

import click

from powerfault.errors import ModelError, OutputError


@click.command(short_help="make a topology file from wiring, load and equipment lists")
@click.argument("lists", type=click.Path())
@click.option("-o", "--output", required=True, metavar="FILE.yaml", help="Where the topology goes (- standard output).")
@click.option("--draft", is_flag=True, help="Write it also where lists disagree, without what they disagree about.")
@click.option("--force", is_flag=True, help="Overwrite a file that was not made by this command.")
def command(lists: str, output: str, draft: bool, force: bool) -> None:
    """Make a topology file from the CSV, Excel and Parquet lists that LISTS describes.

    Each element of the result names the file, sheet and row it came from. Where lists disagree, a wire leads to nowhere
    or the whole is no valid system, everything is named at once and nothing is written; --draft writes the file
    without what is not decided, and lists it at the end. Begin with 'powerfault starter --lists LISTS.yaml'.
    """
    from powerfault.files import check_output, write_atomically
    from powerfault.model.tables.gather import MADE_BY, gather

    if output != "-":
        if os.path.isfile(output) and not force:
            with open(output, encoding="utf-8", errors="replace") as stream:
                if not stream.readline().startswith(MADE_BY):
                    raise OutputError(
                        f"{output} was not made by gather; choose another name, or --force to overwrite it"
                    )
        check_output(output)
    found = gather(lists, "" if output == "-" else output)
    for note in found.notes:
        click.echo(f"note: {note}", err=True)
    wrong = [*found.disagreements, *found.problems]
    if wrong and not draft:
        raise ModelError(dict.fromkeys(wrong))
    for problem in dict.fromkeys(wrong):
        click.echo(f"not decided: {problem}", err=True)
    if output == "-":
        click.echo(found.text, nl=False)
        return
    write_atomically(output, found.text)
    counts = ", ".join(f"{number} {what}" for what, number in found.counts.items())
    click.echo(f"wrote {output}: {counts}; check it with: powerfault validate {output}")
