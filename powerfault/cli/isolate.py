"""``powerfault isolate``: which switches make a work site dead."""

from __future__ import annotations

import click

from powerfault.cli import EXIT_UNMET
from powerfault.cli.options import (
    NumberRange,
    check_sheet_name,
    file_argument,
    json_option,
    print_json,
    unmet_option,
    with_option,
)


@click.command("isolate")
@file_argument
@click.option(
    "--at",
    multiple=True,
    metavar="ID[,ID...]",
    help="A connector, jumper, bus or other component where hands will be (repeatable). "
    "Without it, the jumpers of the proposals applied.",
)
@with_option
@click.option("--phase", "phases", multiple=True, help="Work in this phase (repeatable; default: each and all).")
@click.option("--open-points", type=int, help="Open devices asked on every path (default: the file's, else 2).")
@click.option("--minutes", type=NumberRange(min=0), help="Minutes of work (default: the proposals' crew minutes).")
@json_option
@click.option("-o", "output", type=click.Path(), help="Write the sheet to this file: .md or .svg.")
@unmet_option
def command(
    file: str,
    at: tuple[str, ...],
    proposals: tuple[str, ...],
    phases: tuple[str, ...],
    open_points: int | None,
    minutes: float | None,
    as_json: bool,
    output: str | None,
    fail_on_unmet: bool,
) -> int:
    """Find the switches to open so that enough stand between every source and the work, darkening least."""
    from powerfault.errors import RequestError
    from powerfault.fitting.isolation.study import study_isolation, with_what_was
    from powerfault.model.modify import apply_proposals
    from powerfault.model.reader import load_topology

    check_sheet_name(output)
    before = load_topology(file)
    topology = with_what_was(before, apply_proposals(before, proposals))
    ends = [word.strip() for words in at for word in words.split(",") if word.strip()]
    if not ends:
        ends = [i for i in topology.components if i in topology.added and topology.components[i].is_jumper]
        if not ends:
            raise RequestError("say where the work is with --at, or which proposal is fitted with --with")
    study = study_isolation(topology, ends, points=open_points, phases=phases, minutes=minutes)
    if output:
        from powerfault.files import write_atomically

        if output.endswith(".md"):
            from powerfault.output.answers.isolation_text import isolation_markdown

            write_atomically(output, isolation_markdown(study))
        else:
            from powerfault.output.pictures.isolation_picture import isolation_svg

            write_atomically(output, isolation_svg(study))
    if as_json:
        from powerfault.output.answers.isolation_text import isolation_json

        print_json(isolation_json(study))
    elif not output:
        from powerfault.output.answers.isolation_text import print_isolation
        from powerfault.output.blocks.screen import Screen

        print_isolation(study, Screen())
    else:
        from powerfault.output.answers.isolation_text import verdict_line

        click.echo(verdict_line(study))
    return EXIT_UNMET if fail_on_unmet and not study.chosen.may_work else 0
