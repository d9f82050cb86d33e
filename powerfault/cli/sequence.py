"""``powerfault sequence``: what the next failure does once the one before has been answered."""

from __future__ import annotations

import click

from powerfault.cli import EXIT_UNMET
from powerfault.cli.options import (
    Progress,
    answered_option,
    file_argument,
    given_option,
    json_option,
    modes_option,
    print_json,
    show_blocks,
    unmet_option,
    with_option,
)


@click.command("sequence")
@file_argument
@with_option
@modes_option
@given_option
@answered_option
@json_option
@click.option("-o", "output", type=click.Path(), help="Write the picture (.svg) or the tables (.md) to this file.")
@unmet_option
def command(
    file: str,
    proposals: tuple[str, ...],
    modes: tuple[str, ...],
    given: tuple[str, ...],
    answered: str,
    as_json: bool,
    output: str | None,
    fail_on_unmet: bool,
) -> int:
    """Find what fails under every ordered pair of failures, the first answered before the next happens.

    A tie that the answer closes can carry the next fault to both sides: what is worse in sequence than at once, the
    first failures after which the system is most exposed, and answers that leave it less so.
    """
    from powerfault.cli.options import check_sheet_name
    from powerfault.model.modify import apply_proposals
    from powerfault.model.reader import load_topology
    from powerfault.tolerance.sequence.study import study_sequence

    check_sheet_name(output)
    topology = load_topology(file)
    with Progress("first failures") as progress:
        before = study_sequence(topology, modes, given, answered=answered, progress=progress)
        after = None
        if proposals:
            changed = apply_proposals(topology, proposals)
            after = study_sequence(changed, modes, given, answered=answered, progress=progress)
    from powerfault.output.answers.sequence_text import headline, sequence_blocks, sequence_json

    if output:
        from powerfault.files import write_atomically
        from powerfault.output.blocks.blocks import Section, section_markdown
        from powerfault.output.pictures.sequence_picture import sequence_svg

        if output.endswith(".svg"):
            write_atomically(output, sequence_svg(before, after))
        else:
            blocks = tuple(sequence_blocks(before, after))
            write_atomically(
                output, section_markdown(Section(f"{topology.name}: in sequence", "sequence", blocks)) + "\n"
            )
    last = after or before
    if as_json:
        print_json(sequence_json(before, after))
    elif output:
        click.echo(headline(last))
    else:
        show_blocks(sequence_blocks(before, after), 12)
    return EXIT_UNMET if fail_on_unmet and any(v.meets is False for v in last.verdicts) else 0
