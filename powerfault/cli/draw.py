"""``powerfault draw``: a drawing of the system, whole or in one failure case."""

from __future__ import annotations

from pathlib import Path

import click

from powerfault.cli.options import after_options, answer
from powerfault.model.elements import STAGES, Event

_SUFFIXES = (".svg", ".png", ".dot")


@click.command("draw", short_help="draw the system, whole or in one failure case")
@click.argument("file", type=click.Path())
@click.option("--with", "proposals", multiple=True, metavar="PROPOSAL", help="Apply a proposal (may be repeated).")
@click.option("--fail", "events", multiple=True, metavar="ID[:MODE]", help="Fail a component (may be repeated).")
@after_options
@click.option("--given", multiple=True, metavar="ID[:MODE]", help="Failed beforehand, beside the standing failures.")
@click.option("--phase", help="Show this phase; without it the worst over the phases.")
@click.option("--stage", type=click.Choice(STAGES), default=STAGES[-1], show_default=True,
              help="Show the system as it stands when this stage is done.")  # fmt: skip
@click.option("--side", type=click.Choice(["before", "after", "both"]),
              help="Which system to draw where there are proposals. Default: after.")  # fmt: skip
@click.option("--needs", is_flag=True, help="Also draw what is needed, charges or operates, as dotted lines.")
@click.option("--functions", is_flag=True, help="Also draw the functions and their members.")
@click.option("--part", is_flag=True, help="Cut the drawing to what is not live and its surroundings.")
@click.option("--touched", is_flag=True,
              help="Draw what the case touches and its neighbours, the rest of each channel as one box.")  # fmt: skip
@click.option("--collapse", multiple=True, metavar="CHANNEL", help="Draw a channel as one box ('all' for every one).")
@click.option("--around", multiple=True, metavar="ID", help="Draw only what is near this component (repeatable).")
@click.option(
    "--within", type=click.IntRange(min=0), default=2, show_default=True, help="Links from --around, at most."
)
@click.option("-o", "--output", required=True, type=click.Path(),
              help="File to write: .svg, .png or .dot (Graphviz source).")  # fmt: skip
def command(
    file: str,
    proposals: tuple[str, ...],
    events: tuple[str, ...],
    given: tuple[str, ...],
    earlier: tuple[str, ...],
    answered: str,
    phase: str | None,
    stage: str,
    side: str | None,
    needs: bool,
    functions: bool,
    part: bool,
    touched: bool,
    collapse: tuple[str, ...],
    around: tuple[str, ...],
    within: int,
    output: str,
) -> None:
    """Draw the power system of FILE: channels as groups, power from left to right.

    Before and after share one layout, so two drawings made with the same --with can be laid over each other.
    """
    from powerfault.errors import RequestError, nearest
    from powerfault.files import write_atomically
    from powerfault.model.modify import apply_proposals
    from powerfault.model.reader import load_topology
    from powerfault.network.failure_modes import parse_event
    from powerfault.output.pictures.case_pictures import CasePictures
    from powerfault.output.pictures.picture_graph import AFTER, BEFORE
    from powerfault.output.pictures.png import png_of

    suffix = Path(output).suffix.lower()
    if suffix not in _SUFFIXES:
        raise click.UsageError(f"-o {output}: the name should end with one of {', '.join(_SUFFIXES)}")
    if side is not None and not proposals:
        raise click.UsageError("--side needs a proposal (--with) to compare with")
    before = load_topology(file)
    after = apply_proposals(before, proposals) if proposals else None
    if after is not None:
        after = answer(after, earlier, answered, given)[0]
    before, given, _ = answer(before, earlier, answered, given)
    known = after if after is not None else before
    for change in known.question_changes:
        click.echo(f"the question was changed: {change}", err=True)
    if phase is not None and phase not in known.phase_names:
        raise RequestError(f"no phase {phase!r}{nearest(phase, known.phase_names)}; the file has "
                           f"{', '.join(known.phase_names)}")  # fmt: skip

    def parse(text: str) -> Event:
        id_ = text.partition(":")[0]
        return parse_event(before if id_ in before.components or id_ in before.loads else known, text)

    pictures = CasePictures(before, after, tuple(map(parse, given)), needs=needs, functions=functions)
    case = tuple(map(parse, events))
    number = STAGES.index(stage)
    if touched or collapse or around:
        from powerfault.output.pictures.picture_choice import within_reach, without_channels

        shown = set(known.components) | set(known.loads) | set(before.components) | set(before.loads)
        if touched:
            shown &= pictures.touched(case, phase, number)
        if collapse:
            shown &= without_channels(before, after, collapse)
        if around:
            shown &= within_reach(known, around, within)
        pictures = pictures.narrowed(frozenset(shown | set(known.functions)), near_only=not collapse)
    chosen = side or (AFTER if proposals else BEFORE)
    if suffix == ".dot":
        if chosen == "both":
            raise click.UsageError("a .dot file holds one side; choose --side before or --side after")
        write_atomically(output, pictures.dot_text(case, chosen, phase, number))
        return
    if chosen == "both":
        drawing = pictures.draw_both(case, phase, number)
    else:
        drawing = pictures.draw(case, chosen, phase, number, whole=not part)
    if suffix == ".svg":
        drawing.save(output)
        return
    plain = pictures.dot_text(case, AFTER if chosen == "both" else chosen, phase, number)
    picture, note = png_of(drawing, plain)
    write_atomically(output, picture)
    if note:
        click.echo(note, err=True)
