"""``powerfault capacity``: what the surviving equipment can carry in each case."""

from __future__ import annotations

import click

from powerfault.cli.options import (
    NumberRange,
    Progress,
    after_options,
    answer,
    case_option,
    file_argument,
    json_option,
    load_applied,
    singles_options,
    with_option,
)
from powerfault.model.elements import STAGES


@click.command("capacity")
@file_argument
@singles_options
@with_option
@after_options
@click.option(
    "--stage",
    type=click.Choice(STAGES),
    default="commanded",
    show_default=True,
    help="How far switching has got: nothing, automatic, by the crew at a panel, by hand.",
)
@case_option
@click.option("--seconds", type=NumberRange(min=0.01), help="Time allowed to each call of the solver.")
@click.option("--jobs", type=click.IntRange(1, 1024), help="Processes to use (default: one a core).")
@json_option
def command(
    file: str,
    order: int,
    modes: tuple[str, ...],
    given: tuple[str, ...],
    earlier: tuple[str, ...],
    answered: str,
    proposals: tuple[str, ...],
    stage: str,
    failed: tuple[str, ...],
    seconds: float | None,
    jobs: int | None,
    yes: bool,
    as_json: bool,
) -> int:
    """Find the best service that ratings, capacities and batteries allow in every case of one to ORDER failures.

    Loads are served whole or not at all, by priority; among equals with the fewest switching operations.
    """
    topology = load_applied(file, proposals)
    topology, given, _ = answer(topology, earlier, answered, given)
    from powerfault.electrical.served.study import CASES_WITHOUT_ASKING, capacity_study

    with Progress("cases") as progress:
        found = capacity_study(
            topology,
            order,
            modes,
            given,
            stage=stage,
            failed=failed or None,
            seconds=seconds or float("inf"),
            jobs=jobs,
            limit=None if yes else CASES_WITHOUT_ASKING,
            progress=progress,
        )
    if as_json:
        from powerfault.output.answers.capacity_text import capacity_json

        for piece in capacity_json(found):
            click.echo(piece, nl=False)
    else:
        from powerfault.output.answers.capacity_text import print_capacity
        from powerfault.output.blocks.screen import Screen

        print_capacity(found, Screen())
    return 0
