"""``powerfault voltages``: the voltage at every bus and load in one case."""

from __future__ import annotations

import click

from powerfault.cli import EXIT_UNMET
from powerfault.cli.options import (
    file_argument,
    given_option,
    json_option,
    load_applied,
    print_json,
    rated_option,
    show_blocks,
    stage_option,
    unmet_option,
    with_option,
)


@click.command("voltages")
@file_argument
@with_option
@click.option("--fail", "failed", multiple=True, metavar="EVENT", help="What fails: ID or ID:mode (repeatable).")
@given_option
@stage_option
@click.option("--phase", "phases", multiple=True, help="Only this phase (repeatable; default: all).")
@rated_option
@json_option
@unmet_option
def command(
    file: str,
    proposals: tuple[str, ...],
    failed: tuple[str, ...],
    given: tuple[str, ...],
    stage: str,
    phases: tuple[str, ...],
    rated: bool,
    as_json: bool,
    fail_on_unmet: bool,
) -> int:
    """Solve the DC network of one case: voltages, currents in conductors, power out of every feeder.

    Loads draw constant power. Where more is asked than the conductors can transfer there is no operating point.
    """
    from powerfault.errors import RequestError, nearest

    topology = load_applied(file, proposals)
    for phase in phases:
        if phase not in topology.phase_names:
            known = ", ".join(topology.phase_names)
            raise RequestError(f"no phase {phase!r}{nearest(phase, topology.phase_names)}; known: {known}")
    from powerfault.electrical.voltages import study_voltages

    study = study_voltages(topology, failed, stage, given, rated=rated, phases=phases)
    if as_json:
        from powerfault.output.answers.voltage_text import voltage_json

        print_json(voltage_json(study))
    else:
        from powerfault.output.answers.voltage_text import voltage_blocks

        show_blocks(voltage_blocks(study))
    return EXIT_UNMET if fail_on_unmet and not study.sound else 0
