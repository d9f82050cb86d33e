"""The efficient set as a picture: what each candidate cures against what it costs.

Across: crew minutes where every drawn candidate gives them, else length, else the harm that the candidate does. Up:
weighted cases cured. A circle does no harm, a triangle breaks something or lets a short spread; filled is efficient,
hollow is not; the members of the best set carry a ring. So no meaning rests on colour alone.
"""

from __future__ import annotations

from collections.abc import Callable
from html import escape

from powerfault.fitting.ranking.study import Ranked, Ranking
from powerfault.output.answers.ranking_text import best_sentences, summary
from powerfault.output.blocks.text_width import shorten, text_width
from powerfault.output.pictures import appearance
from powerfault.output.pictures.sheet_parts import MARGIN, wrap
from powerfault.output.pictures.svg_parts import document, num, text

WIDTH, PLOT_HEIGHT = 760.0, 380.0
LEFT, RIGHT = 70.0, 24.0
TICKS = 5

_Axis = Callable[[Ranked], float]


def ranking_svg(ranking: Ranking) -> str:
    """Return the picture of ``ranking``."""
    drawn = [r for r in ranking.ranked if r.worth is not None]
    axis, unit = _across(drawn)
    points = [(axis(r), r.worth.cured, r) for r in drawn if r.worth is not None]
    most_x = round_up(max((x for x, _, _ in points), default=1.0))
    most_y = round_up(max((y for _, y, _ in points), default=1.0))
    body = []
    y = MARGIN
    for words, size, bold in (
        (f"Candidate jumpers of {ranking.topology.name}", 16.0, True),
        (summary(ranking), 10.0, False),
        *((sentence, 10.0, False) for sentence in best_sentences(ranking)),
    ):
        for line in wrap(words, size, WIDTH - 2 * MARGIN, bold):
            y += size * 1.3
            body.append(text(MARGIN, y, line, size, bold=bold))
    top = y + 24
    bottom = top + PLOT_HEIGHT

    def place(px: float, py: float) -> tuple[float, float]:
        return LEFT + (WIDTH - LEFT - RIGHT) * px / most_x, bottom - PLOT_HEIGHT * py / most_y

    body.append(_axes(top, bottom, most_x, most_y, unit))
    members = set(ranking.best.members) if ranking.best else set()
    taken: list[tuple[float, float, float, float]] = []
    labels = []
    for px, py, r in sorted(points, key=lambda p: (p[2].efficient, p[2].candidate.id in members)):
        cx, cy = place(px, py)
        body.append(_point(r, cx, cy, r.candidate.id in members))
        taken.append((cx - 6, cy - 6, cx + 6, cy + 6))
    for px, py, r in points:
        if r.efficient or r.candidate.id in members:
            cx, cy = place(px, py)
            labels.append(_label(shorten(r.candidate.id, 22), cx, cy, taken, 4 if r.candidate.id in members else 0))
    body += labels
    body.append(_legend(bottom + 52))
    return document(WIDTH, bottom + 120, "".join(body), f"Candidate jumpers of {ranking.topology.name}")


def _across(drawn: list[Ranked]) -> tuple[_Axis, str]:
    if drawn and all(r.candidate.crew_minutes is not None for r in drawn):
        return (lambda r: r.candidate.crew_minutes or 0.0), "crew minutes"
    if drawn and all(r.candidate.length_m is not None for r in drawn):
        return (lambda r: r.candidate.length_m or 0.0), "length, m"
    return (lambda r: r.worth.broken + r.worth.own_harm if r.worth else 0.0), "harm: weighted cases broken and own harm"


def round_up(value: float) -> float:
    """The least round number not below ``value`` that :data:`TICKS` steps divide into round ones."""
    step = 1e-3
    while True:
        for factor in (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0):
            if step * factor * TICKS >= value:
                return step * factor * TICKS
        step *= 10


def _axes(top: float, bottom: float, most_x: float, most_y: float, unit: str) -> str:
    out = []
    for i in range(TICKS + 1):
        x = LEFT + (WIDTH - LEFT - RIGHT) * i / TICKS
        y = bottom - (bottom - top) * i / TICKS
        out.append(f'<path d="M{num(LEFT)},{num(y)} H{num(WIDTH - RIGHT)}" stroke="#E2E2DC" stroke-width="0.8"/>')
        out.append(text(LEFT - 6, y + 3.5, f"{most_y * i / TICKS:g}", 9, "end"))
        out.append(f'<path d="M{num(x)},{num(bottom)} v4" stroke="#000000" stroke-width="0.8"/>')
        out.append(text(x, bottom + 15, f"{most_x * i / TICKS:g}", 9, "middle"))
    out.append(
        f'<path d="M{num(LEFT)},{num(top)} V{num(bottom)} H{num(WIDTH - RIGHT)}" fill="none" stroke="#000000" '
        'stroke-width="1"/>'
    )
    out.append(text((LEFT + WIDTH - RIGHT) / 2, bottom + 32, unit, 10, "middle"))
    out.append(
        f'<g transform="translate({num(18)},{num((top + bottom) / 2)}) rotate(-90)">'
        f"{text(0, 0, 'cured, weighted by severity', 10, 'middle')}</g>"
    )
    return "".join(out)


def _point(r: Ranked, x: float, y: float, chosen: bool) -> str:
    assert r.worth is not None
    harmful = not r.worth.harmless
    fill = (appearance.VERMILION if harmful else appearance.BLUE) if r.efficient else appearance.WHITE
    border = appearance.BLACK if r.efficient else appearance.GREY
    shape = f'<circle cx="{num(x)}" cy="{num(y)}" r="4.6"'
    if harmful:
        shape = f'<path d="M{num(x)},{num(y - 6)} l5.5,10 h-11 Z"'
    ring = (
        f'<circle cx="{num(x)}" cy="{num(y)}" r="9" fill="none" stroke="{appearance.BLACK}" stroke-width="1.4"/>'
        if chosen
        else ""
    )
    tip = (
        f"{r.candidate.id}: {r.candidate.title}; newly met {len(r.worth.gained)}, cured {r.worth.cured:g}, "
        f"broken {r.worth.broken:g}, own harm {r.worth.own_harm:g}, shorts spread {r.worth.spread}"
    )
    return f'<g><title>{escape(tip)}</title>{ring}{shape} fill="{fill}" stroke="{border}" stroke-width="1"/></g>'


def _label(words: str, x: float, y: float, taken: list[tuple[float, float, float, float]], off: float) -> str:
    """Place a label beside its point, ``off`` further out, where it covers no other, or leave it to the tip."""
    wide = text_width(words, 8.5)
    for dx, dy, anchor in ((9, 3, 0.0), (-9, 3, 1.0), (0, -10, 0.5), (0, 15, 0.5), (9, -8, 0.0), (9, 13, 0.0)):
        left = x + dx + off * ((dx > 0) - (dx < 0)) - wide * anchor
        box = (left, y + dy - 8, left + wide, y + dy + 2)
        inside = box[0] >= LEFT and box[2] <= WIDTH
        if inside and not any(box[0] < t[2] and t[0] < box[2] and box[1] < t[3] and t[1] < box[3] for t in taken):
            taken.append(box)
            return text(left, y + dy, words, 8.5)
    return ""


def _legend(y: float) -> str:
    circle = f'<circle r="4.6" fill="{{}}" stroke="{appearance.BLACK}"/>'
    triangle = f'<path d="M0,-6 l5.5,10 h-11 Z" fill="{{}}" stroke="{appearance.BLACK}"/>'
    ring = f'<circle r="9" fill="none" stroke="{appearance.BLACK}" stroke-width="1.4"/>'
    entries = [
        (circle.format(appearance.BLUE), "breaks nothing, spreads no short"),
        (triangle.format(appearance.VERMILION), "breaks something or spreads a short"),
        (circle.format(appearance.WHITE), "hollow: not efficient"),
        (circle.format(appearance.BLUE) + ring, "in the best set"),
    ]
    out = []
    x = LEFT
    for sample, words in entries:
        out.append(f'<g transform="translate({num(x)},{num(y)})">{sample}</g>{text(x + 14, y + 3.5, words, 9)}')
        x += 30 + text_width(words, 9)
    out.append(
        text(
            LEFT,
            y + 24,
            "Efficient: no other candidate is at least as good in every measure and better in one.",
            9,
        )
    )
    return "".join(out)
