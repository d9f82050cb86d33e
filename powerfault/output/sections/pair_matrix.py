"""The picture of all pairs: components against components, before and after, filled by what the pair fails.

A filled cell is a pair that fails a consumer which neither of the two fails alone; its colour and size tell the
severity of the worst such consumer. On the diagonal stand single failures, and their rows and columns are shaded,
since every pair with them fails that consumer too. Components in no failing case are left out and counted.
"""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

from powerfault.output.blocks.blocks import Block, Paragraph, Raw, environment
from powerfault.output.blocks.text_width import shorten
from powerfault.output.pictures.appearance import FONT, ORANGE, SKY, VERMILION, YELLOW
from powerfault.output.pictures.picture_graph import channels_of
from powerfault.output.pictures.svg_parts import num
from powerfault.output.sections.report_input import ReportInput

CELL = 10.0
LABEL = 92.0
SEVERITY_LOOKS: tuple[tuple[str, str, float], ...] = (
    ("catastrophic", VERMILION, 1.0), ("critical", ORANGE, 0.82), ("major", SKY, 0.64), ("minor", YELLOW, 0.5),
    ("no severity stated", "#BBBBBB", 0.4),
)  # fmt: skip
"""(severity, fill, share of the cell's width): the worst is the fullest, so that the order shows without colour."""


def matrix_components(report: ReportInput) -> list[str]:
    """The components that take part in a failing case of one or two events, by channel and then in file order."""
    seen: set[str] = set()
    for side in ("before", "after"):
        for cut in report.cut_sets(side):
            if 0 < len(cut) <= 2:
                seen |= {e.id for e in cut}
    after = report.after or report.before
    order = list(dict.fromkeys([*report.before.components, *report.before.loads, *after.components, *after.loads]))
    channel = {**channels_of(after), **channels_of(report.before)}
    names = list(dict.fromkeys([*report.before.channels, *after.channels, *channel.values()]))
    place = {c: i for i, c in enumerate(names)}
    return sorted((i for i in order if i in seen), key=lambda i: place.get(channel.get(i, ""), len(place)))


def matrix_svg(report: ReportInput, side: str, ids: list[str]) -> str:
    """The matrix of one side; ``data-side`` lets the page sort it and answer to the pointer."""
    place = {id_: i for i, id_ in enumerate(ids)}
    worst: dict[tuple[int, int], int] = {}
    single: dict[int, int] = {}
    for cut, consumers in report.cut_sets(side).items():
        rank = min(map(report.rank, consumers))
        if len(cut) == 1:
            i = place[cut[0].id]
            single[i] = min(rank, single.get(i, 9))
        elif len(cut) == 2:
            i, j = sorted((place[cut[0].id], place[cut[1].id]))
            worst[i, j] = min(rank, worst.get((i, j), 9))
    size = LABEL + CELL * len(ids)
    parts = [f'<path class="stripes" fill="#E4E4DC" d="{_stripes(single, len(ids))}"/>',
             f'<path class="grid" fill="none" stroke="#D0D0C8" stroke-width="0.4" d="{_grid(len(ids))}"/>']  # fmt: skip
    for rank, (severity, fill, share) in enumerate(SEVERITY_LOOKS):
        cells = [(i, j) for (i, j), r in worst.items() if r == rank]
        cells += [(j, i) for i, j in cells] + [(i, i) for i, r in single.items() if r == rank]
        parts.append(f'<path class="cells" data-rank="{rank}" fill="{fill}" stroke="#000000" stroke-width="0.5" '
                     f'd="{_cells(sorted(cells), share)}"><title>{escape(severity)}</title></path>')  # fmt: skip
    labels = []
    for i, id_ in enumerate(ids):
        middle = LABEL + CELL * (i + 0.5)
        words = escape(shorten(id_, 15))
        labels.append(f'<text x="{num(LABEL - 3)}" y="{num(middle + 2.6)}" text-anchor="end">{words}</text>')
        labels.append(f'<text transform="translate({num(middle + 2.6)},{num(LABEL - 3)}) rotate(-90)">{words}</text>')
    title = f"Pairs of failures, {side}" if report.comparison else "Pairs of failures"
    return (
        f'<svg class="matrix" data-side="{side}" xmlns="http://www.w3.org/2000/svg" role="img" '
        f'aria-label="{title}" viewBox="0 0 {num(size)} {num(size)}" font-family="{escape(FONT)}">'
        f'<rect width="100%" height="100%" fill="#FFFFFF"/>{"".join(parts)}'
        f'<g class="labels" font-size="7.5" fill="#000000">{"".join(labels)}</g></svg>'
    )


def _at(i: int) -> str:
    return num(LABEL + CELL * i)


def _stripes(single: Mapping[int, int], n: int) -> str:
    whole = num(CELL * n)
    c = num(CELL)
    return "".join(f"M{_at(0)},{_at(i)}h{whole}v{c}h-{whole}zM{_at(i)},{_at(0)}v{whole}h{c}v-{whole}z" for i in single)


def _grid(n: int) -> str:
    end = _at(n)
    return "".join(f"M{_at(0)},{_at(i)}H{end}M{_at(i)},{_at(0)}V{end}" for i in range(n + 1))


def _cells(cells: list[tuple[int, int]], share: float) -> str:
    side = CELL * share
    gap = (CELL - side) / 2
    s = num(side)
    start = LABEL + gap
    return "".join(f"M{num(start + CELL * j)},{num(start + CELL * i)}h{s}v{s}h-{s}z" for i, j in cells)


def matrix_blocks(report: ReportInput) -> list[Block]:
    ids = matrix_components(report)
    if not ids:
        return [Paragraph("No single failure and no pair fails a consumer, so there is no matrix to show.", "good")]
    total = len(report.last.topology.components)
    left = total - sum(i in report.last.topology.components for i in ids)
    sides = ("before", "after") if report.comparison else ("before",)
    figures = [(side.capitalize() if report.comparison else "Pairs", matrix_svg(report, side, ids)) for side in sides]
    html = environment().get_template("matrix.html.j2").render(figures=figures, looks=SEVERITY_LOOKS)
    note = (
        "Each cell is a pair of components. Filled: together they fail a consumer that neither fails alone, by the "
        "severity of the worst such consumer. On the diagonal: a single failure that fails a consumer. "
        + (f"{left} of {total} components take part in no such case and are left out." if left else "")
    )
    return [Raw(html, "The matrix of pairs is in report.html."), Paragraph(note.strip(), "note")]
