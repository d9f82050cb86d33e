"""``powerfault outing``: check an installation plan step by step."""

from __future__ import annotations

import click

from powerfault.cli import EXIT_UNMET
from powerfault.cli.options import (
    Progress,
    file_argument,
    json_option,
    modes_option,
    order_option,
    print_json,
    unmet_option,
)


@click.command("outing")
@file_argument
@click.argument("plan_file", metavar="PLAN", type=click.Path())
@order_option
@modes_option
@click.option("--no-order", is_flag=True, help="Do not look for the least exposed order of jobs.")
@json_option
@click.option("-o", "folder", type=click.Path(), help="Write plan, timelines, isolation sheets, cards into this.")
@unmet_option
def command(
    file: str,
    plan_file: str,
    order: int,
    modes: tuple[str, ...],
    no_order: bool,
    as_json: bool,
    folder: str | None,
    fail_on_unmet: bool,
) -> int:
    """Check the plan of outings in PLAN against the lock-out sequence, and show the system after each step."""
    from powerfault.fitting.outing.reader import load_plan
    from powerfault.fitting.outing.study import study_plan
    from powerfault.model.reader import load_topology
    from powerfault.output.answers.outing_text import outing_json, print_plan, verdict_line
    from powerfault.output.blocks.screen import Screen

    if folder:
        from powerfault.files import check_folder

        check_folder(folder, mark="plan.json")
    topology = load_topology(file)
    plan = load_plan(plan_file, topology)
    with Progress("steps") as progress:
        study = study_plan(topology, plan, order=order, modes=modes, find_order=not no_order, progress=progress)
    if folder:
        from powerfault.errors import ToolError
        from powerfault.files import folder_opened
        from powerfault.output.sections.outing_files import cards_pdf, outing_files

        with folder_opened(folder, mark="plan.json") as stage:
            for name, content in outing_files(study).items():
                (stage / name).write_bytes(content.encode("utf-8"))
            try:
                (stage / "cards.pdf").write_bytes(cards_pdf(study))
            except ToolError as error:
                click.echo(f"note: cards.md and cards.csv are written, cards.pdf is not: {error}", err=True)
    if as_json:
        print_json(outing_json(study))
    elif folder:
        click.echo(verdict_line(study))
    else:
        print_plan(study, Screen())
    return EXIT_UNMET if fail_on_unmet and study.refused else 0
