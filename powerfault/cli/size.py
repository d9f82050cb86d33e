"""``powerfault size``: what a jumper must carry and the conductor it needs."""

from __future__ import annotations

import click

from powerfault.cli import EXIT_UNMET
from powerfault.cli.options import (
    NumberRange,
    Progress,
    check_sheet_name,
    file_argument,
    json_option,
    load_applied,
    print_json,
    show_blocks,
    singles_options,
    unmet_option,
    with_option,
)
from powerfault.electrical.currents.derating import RULES
from powerfault.model.elements import STAGES


@click.command("size")
@file_argument
@with_option
@singles_options
@click.option(
    "--of",
    "conductors",
    multiple=True,
    metavar="ID",
    help="Size this cable or jumper (repeatable; default: the jumpers that the proposals bring, else all jumpers).",
)
@click.option(
    "--stage",
    "stages",
    multiple=True,
    type=click.Choice(STAGES),
    help="Look at this stage only (repeatable; default: all four, the greatest counts).",
)
@click.option("--derating", "rule", type=click.Choice(RULES), help="Take this rule instead of the file's.")
@click.option("--conductor-c", type=NumberRange(-200, 300), help="Conductor temperature (default: the file's).")
@click.option("--max-drop", "drop", type=NumberRange(min=0, min_open=True, max=50), help="Allowed drop in percent.")
@click.option(
    "--ratings", is_flag=True, help="Also what it carries where its own side has a path but too little power."
)
@json_option
@click.option("-o", "output", type=click.Path(), help="Write the picture (.svg) or the whole sheet (.md) to this file.")
@unmet_option
def command(
    file: str,
    proposals: tuple[str, ...],
    order: int,
    modes: tuple[str, ...],
    given: tuple[str, ...],
    conductors: tuple[str, ...],
    stages: tuple[str, ...],
    rule: str | None,
    conductor_c: float | None,
    drop: float | None,
    ratings: bool,
    yes: bool,
    as_json: bool,
    output: str | None,
    fail_on_unmet: bool,
) -> int:
    """Find the greatest transfer any case needs of a jumper, and the smallest gauge that carries it.

    Current, drop, loss, rating, the voltage at every load and the protection ahead, each with formula and source.
    """
    from powerfault.errors import RequestError

    check_sheet_name(output)
    topology = load_applied(file, proposals)
    from powerfault.electrical.sizing.study import study_size
    from powerfault.electrical.sizing.transfer import CASES_WITHOUT_ASKING

    with Progress() as progress:
        study = study_size(
            topology,
            conductors,
            order,
            modes,
            given,
            rule=rule,
            conductor_c=conductor_c,
            drop_percent=drop,
            stages=stages or STAGES,
            ratings=ratings,
            progress=progress,
            limit=None if yes else CASES_WITHOUT_ASKING,
        )
    if output:
        from powerfault.files import write_atomically

        if output.endswith(".svg"):
            from powerfault.output.pictures.size_picture import gauge_picture

            if len(study.sizes) > 1:
                raise RequestError("one picture shows one conductor: name it with --of, or write a sheet (.md)")
            if not any(d.rows for d in study.sizes[0].directions):
                named = study.sizes[0].need.conductor.id
                raise RequestError(f"nothing to draw: {named} carries no power in any case, or has no length_m")
            write_atomically(output, gauge_picture(study.sizes[0]))
        else:
            from powerfault.output.blocks.blocks import Section, section_markdown
            from powerfault.output.sections.size_section import size_blocks

            sheet = Section(f"{topology.name}: what the jumper must carry", "size", tuple(size_blocks(study)))
            write_atomically(output, section_markdown(sheet) + "\n")
    if as_json:
        from powerfault.output.answers.size_tables import size_json

        print_json(size_json(study))
    elif output:
        from powerfault.output.answers.size_tables import verdict_sentence

        for size in study.sizes:
            click.echo(verdict_sentence(size))
    else:
        from powerfault.output.sections.size_section import size_blocks

        show_blocks(size_blocks(study), 16)
    return EXIT_UNMET if fail_on_unmet and study.fits is False else 0
