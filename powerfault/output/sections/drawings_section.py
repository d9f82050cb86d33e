"""The drawing of each case that matters, before and after side by side, recoloured from the one layout of the page."""

from __future__ import annotations

from html import escape

from powerfault.output.blocks.blocks import Block, Paragraph, Raw, Section, unbroken_ids
from powerfault.output.blocks.tables import CaseCell
from powerfault.output.pictures.case_pictures import CasePictures
from powerfault.output.pictures.picture_states import BoxState, line_look
from powerfault.output.sections.report_input import Case, ReportInput, listed

LARGE = 400
"""With more boxes than this a case is drawn on a layout of its own."""


def section(report: ReportInput) -> Section | None:
    cases, more, alike = report.drawn
    if not cases:
        return None
    fails = {case: (was, now) for case, was, now in report.failing_cases}
    words = (
        "Single failures that fail a consumer, then minimal pairs, most severe first; one of each effect comes first."
    )
    if more:
        words += f" {len(cases)} are drawn; {more:,} more in cases.csv."
    words += " Each drawing is cut to what the case touches; the states are the worst over the phases, all stages done."
    blocks: list[Block] = [Paragraph(words), Raw('<div class="legend"></div>')]
    for number, case in enumerate(cases):
        was, now = fails[case]
        blocks.append(_figure(report, number, case, was, now, alike[case]))
    return Section("Drawings of the cases", "drawings", tuple(blocks))


def file_stem(number: int, case: Case) -> str:
    """The name of a separate drawing without side and ending; ids are safe as names, a colon is not everywhere."""
    return f"{number + 1:03d}-" + "+".join(str(e).replace(":", ".") for e in case)[:80]


def _figure(report: ReportInput, number: int, case: Case, was: list[str], now: list[str], alike: list[Case]) -> Raw:
    cell = CaseCell(case)
    if report.comparison:
        words = f"Fails before: {listed(was) or 'nothing'}. Fails after: {listed(now) or 'nothing'}."
    else:
        words = f"Fails: {listed(was) or 'nothing'}."
    if alike:
        words += f" The same consumers fail with {listed([str(CaseCell(c)) for c in alike], 10)}."
    sides = report.pictures.sides
    if len(report.pictures.diagram.graph.boxes) > LARGE:
        return Raw(_narrowed(report, number, case, words), f"**{cell}** failed. {words}")
    slots = "".join(
        f'<div class="slot" data-drawn="{number}" data-side="{side}"><div class="side">'
        f"{side.capitalize() if len(sides) > 1 else ''}</div></div>"
        for side in sides
    )
    html = _captioned(number, cell, words, slots)
    stem = file_stem(number, case)
    folder = report.drawings_folder
    markdown = f"**{cell}** failed. {words}"
    if folder:
        links = " ".join(f"![{side}: {cell}]({folder}/{stem}-{side}.svg)" for side in sides)
        markdown += f"\n\n{links}"
    return Raw(html, markdown)


def _narrowed(report: ReportInput, number: int, case: Case, words: str) -> str:
    """For a large system: a layout of its own for the case, what it does not touch joined into a box a channel."""
    pictures = report.pictures.narrowed(report.pictures.touched(case))
    drawn = "".join(f'<div class="slot">{pictures.draw(case, side, legend=False).svg}</div>' for side in pictures.sides)
    cell = CaseCell(case)
    return _captioned(number, cell, words, drawn)


def _captioned(number: int, cell: CaseCell, words: str, drawings: str) -> str:
    return (
        f'<figure class="case" id="drawn-{number + 1}">'
        f"<figcaption><b>{unbroken_ids(cell)}</b> failed. {unbroken_ids(words)} "
        f'<a class="screen" href="{escape(cell.address)}">open</a></figcaption>'
        f'<div class="pair">{drawings}</div></figure>'
    )


def painted(pictures: CasePictures, side: str, states: dict[str, BoxState]) -> tuple[list[str], list[str]]:
    """The looks of all boxes (with ``*`` where a device tripped) and lines of one side, in the order of the layout."""
    diagram = pictures.diagram
    ids = {b.name: b.id for b in diagram.graph.boxes}
    boxes = []
    for box in diagram.graph.boxes:
        state = states.get(box.id) if box.side in ("both", side) else None
        if state is None:
            boxes.append("absent")
        else:
            boxes.append(state.look + ("*" if state.tripped and state.look != "tripped" else ""))
    lines = []
    for line in diagram.graph.lines:
        if line.side not in ("both", side):
            lines.append("absent")
        else:
            lines.append(line_look(line, ids, states) if line.role == "power" else line.role)
    return boxes, lines
