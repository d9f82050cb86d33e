"""``powerfault protection``: whether the device nearest to a fault clears it."""

from __future__ import annotations

import click

from powerfault.cli import EXIT_UNMET
from powerfault.cli.options import (
    file_argument,
    json_option,
    load_applied,
    print_json,
    show_blocks,
    unmet_option,
    with_option,
)


@click.command("protection")
@file_argument
@with_option
@json_option
@unmet_option
def command(file: str, proposals: tuple[str, ...], as_json: bool, fail_on_unmet: bool) -> int:
    """Compare current limits with trips: what never trips, what opens first, which conductor is unprotected.

    Also closing onto a dead part: its capacitance and the starting power of its loads against the feeders' limits.
    """
    topology = load_applied(file, proposals)
    from powerfault.electrical.currents.derating import read_derating
    from powerfault.electrical.protection.study import study_protection

    found = study_protection(topology, read_derating(topology))
    if as_json:
        from powerfault.output.answers.protection_text import protection_answer

        print_json(protection_answer(topology, found))
    else:
        from powerfault.output.answers.protection_text import protection_blocks

        show_blocks(protection_blocks(topology, found), 40)
    return EXIT_UNMET if fail_on_unmet and any(f.grave == "unmet" for f in found.findings) else 0
