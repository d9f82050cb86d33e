"""``powerfault show``: the files and patterns of a system, or one file with all of them put in."""

from __future__ import annotations

import click

from powerfault.cli.options import file_argument
from powerfault.errors import Line


@click.command(short_help="show the files and patterns of a system, or one file with all of them put in")
@file_argument
@click.option("--expanded", is_flag=True, help="Print one file with what FILE includes and uses put in.")
def command(file: str, expanded: bool) -> None:
    """Show where the parts of the system in FILE are written.

    With --expanded, print a single file that says the same, each copy of a pattern and each part of an included file
    marked with where it was written.
    """
    from powerfault.model.reader import expanded_data
    from powerfault.model.yaml_text import yaml_text

    data, document = expanded_data(file)
    origins = {
        path: f"{line.file}:{line}" + (f", {line.note}" if line.note else "")
        for path, (line, _) in document.values.items()
        if isinstance(line, Line)
    }
    if expanded:
        click.echo(yaml_text(data, origins), nl=False)
        return
    counts: dict[str, dict[str, int]] = {}
    for section in ("components", "loads", "functions", "feeds", "proposals"):
        part = data.get(section) or {}
        listed = isinstance(part, list)
        paths = [f"{section}[{n}]" if listed else f"{section}.{id_}" for n, id_ in enumerate(part)]
        for path in paths:
            line = document.values[path][0]
            where = getattr(line, "note", "") or getattr(line, "file", document.file)
            counts.setdefault(where, {}).setdefault(section, 0)
            counts[where][section] += 1
    for where, found in counts.items():
        click.echo(
            f"{where}: "
            + ", ".join(f"{number} {section if number > 1 else section[:-1]}" for section, number in found.items())
        )
