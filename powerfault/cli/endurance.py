"""``powerfault endurance``: how long batteries last in each case."""

from __future__ import annotations

import click

from powerfault.cli import EXIT_UNMET
from powerfault.cli.options import (
    Progress,
    after_options,
    answer,
    case_option,
    file_argument,
    json_option,
    load_applied,
    print_json,
    rated_option,
    show_blocks,
    singles_options,
    stage_option,
    unmet_option,
    with_option,
)


@click.command("endurance")
@file_argument
@with_option
@after_options
@singles_options
@case_option
@stage_option
@rated_option
@json_option
@unmet_option
def command(
    file: str,
    proposals: tuple[str, ...],
    order: int,
    modes: tuple[str, ...],
    given: tuple[str, ...],
    earlier: tuple[str, ...],
    answered: str,
    failed: tuple[str, ...],
    stage: str,
    rated: bool,
    yes: bool,
    as_json: bool,
    fail_on_unmet: bool,
) -> int:
    """Find when each storage is flat and which loads then drop, in every case of one to ORDER failures.

    The phases follow each other; a storage is recharged from what sources can spare, through a jumper too.
    """
    topology = load_applied(file, proposals)
    topology, given, _ = answer(topology, earlier, answered, given)
    from powerfault.electrical.currents.derating import read_derating
    from powerfault.electrical.endurance.study import CASES_WITHOUT_ASKING, list_cases, study_endurance
    from powerfault.network.failure_modes import parse_event

    events = tuple(parse_event(topology, e) for e in given)
    limit = None if yes else CASES_WITHOUT_ASKING
    if failed:
        cases = [tuple(parse_event(topology, e) for e in failed)]
    else:
        cases = list_cases(topology, order, modes, events, limit)
    with Progress() as progress:
        found = study_endurance(
            topology, cases, stage, events, read_derating(topology), rated=rated, spare=not failed, progress=progress
        )
    if as_json:
        from powerfault.output.answers.endurance_text import endurance_json

        print_json(endurance_json(topology, found))
    else:
        from powerfault.output.answers.endurance_text import endurance_blocks

        show_blocks(endurance_blocks(topology, found), 20)
    return EXIT_UNMET if fail_on_unmet and any(not x.meets for c in found.cases for x in c.loads) else 0
