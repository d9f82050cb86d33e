"""``powerfault worksheet``: a row per component and failure mode."""

from __future__ import annotations

import click

from powerfault.cli.options import file_argument, given_option, load_applied, with_option
from powerfault.model.elements import MODES


@click.command("worksheet")
@file_argument
@click.option(
    "--modes", default=",".join(MODES), show_default=True, metavar="MODE,...", help="Failure modes, a row each."
)
@given_option
@with_option
@click.option("--csv", "form", flag_value="csv", help="CSV (the default with -o x.csv).")
@click.option("--xlsx", "form", flag_value="xlsx", help="XLSX; needs -o.")
@click.option("--md", "form", flag_value="md", help="Markdown (the default on a terminal).")
@click.option("-o", "--output", type=click.Path(), help="Write to this file.")
def command(
    file: str, modes: str, given: tuple[str, ...], proposals: tuple[str, ...], form: str | None, output: str | None
) -> None:
    """Write the failure worksheet of FILE: local, next-higher and end effect of each component and mode."""
    from powerfault.files import write_atomically
    from powerfault.network.failure_modes import check_modes, merge_given, parse_event
    from powerfault.network.graph import build_network
    from powerfault.output.answers.worksheet import worksheet_csv, worksheet_markdown, worksheet_xlsx
    from powerfault.tolerance.worksheet import worksheet_rows

    topology = load_applied(file, proposals)
    asked = check_modes(m.strip() for m in modes.split(","))
    events = [parse_event(topology, e) for e in given]
    form = form or (output.rsplit(".", 1)[-1] if output and "." in output else "md")
    ending = output.rsplit(".", 1)[-1].lower() if output and "." in output else ""
    if ending in ("csv", "xlsx", "md") and form != ending:
        raise click.UsageError(
            f"--{form} and -o {output} contradict each other: leave one, or let the name end in .{form}"
        )
    if form not in ("csv", "xlsx", "md"):
        raise click.UsageError(
            f"-o {output}: expected a name ending in .csv, .xlsx or .md, or one of --csv, --xlsx, --md"
        )
    if form == "xlsx" and not output:
        raise click.UsageError("--xlsx needs -o FILE.xlsx")
    rows = worksheet_rows(build_network(topology), asked, events)
    content: str | bytes
    if form == "xlsx":
        content = worksheet_xlsx(topology.name, rows)
    elif form == "csv":
        content = worksheet_csv(rows)
    else:
        standing = [f"standing in every case: {e}" for e in merge_given(topology, events)]
        content = worksheet_markdown(topology.name, rows, [*standing, f"modes: {', '.join(asked)}"])
    if output:
        write_atomically(output, content)
        click.echo(f"{output}: {len(rows)} rows", err=True)
    else:
        assert isinstance(content, str)
        click.echo(content, nl=False)
