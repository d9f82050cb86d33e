"""First failures down, exposure after the answer across, before and after: which first failure leaves most at stake."""

from __future__ import annotations

from powerfault.model.elements import SEVERITIES
from powerfault.output.pictures import svg_parts
from powerfault.tolerance.sequence.study import First, SequenceStudy

ROWS = 30
_ROW, _LEFT, _WIDTH, _TOP = 26.0, 190.0, 460.0, 64.0
_FILLS = ("#D55E00", "#E69F00", "#F0E442", "#56B4E9", "#CCCCCC")
"""By severity, most severe first, those without one last; the letter on each part says it as well."""
_LETTERS = ("C", "K", "M", "N", "-")


def sequence_svg(before: SequenceStudy, after: SequenceStudy | None) -> str:
    """Return the picture as a whole SVG document: a bar for each first failure and side, split by severity."""
    sides = [("before", before)] + ([("after", after)] if after is not None else [])
    found = {name: {first.event: first for first in side.firsts} for name, side in sides}
    last = sides[-1][1]
    order = [first.event for first in last.most_exposed]
    order += [f.event for f in before.most_exposed if f.event not in order]
    order = order[:ROWS]
    most = max((sum(f.exposure) for own in found.values() for f in own.values()), default=0) or 1
    parts = [
        _text(10, 24, f"{last.topology.name}: exposure after the first failure was answered", 15),
        _text(10, 44, "next failures x loads and functions that they newly fail; "
                      "C catastrophic, K critical, M major, N minor, - none", 12),
    ]  # fmt: skip
    y = _TOP
    for event in order:
        parts.append(_text(10, y + 14 + (_ROW / 2 if len(sides) > 1 else 0), str(event), 12))
        for name, _ in sides:
            first = found[name].get(event)
            parts.append(_text(_LEFT - 46, y + 15, name, 11))
            if first is None:
                parts.append(_text(_LEFT + 4, y + 15, "not in this system", 11))
            else:
                parts.append(_bar(first, y, most))
            y += _ROW
        y += 6
    if not order:
        parts.append(_text(10, y + 14, "no next failure fails more than the first one did", 12))
        y += _ROW
    title = f"{last.topology.name}: exposure in sequence"
    return svg_parts.document(_LEFT + _WIDTH + 70, y + 14, f'<g color="#000000">{"".join(parts)}</g>', title)


def _bar(first: First, y: float, most: int) -> str:
    x, parts = _LEFT, []
    for count, fill, letter in zip(first.exposure or [0] * (len(SEVERITIES) + 1), _FILLS, _LETTERS, strict=True):
        if not count:
            continue
        width = max(2.0, _WIDTH * count / most)
        parts.append(
            f'<rect x="{svg_parts.num(x)}" y="{svg_parts.num(y)}" width="{svg_parts.num(width)}" '
            f'height="{svg_parts.num(_ROW - 6)}" fill="{fill}" stroke="#000000" stroke-width="0.8"/>'
        )
        if width > 14:
            parts.append(_text(x + 3, y + 15, letter, 11))
        x += width
    parts.append(_text(x + 6, y + 15, f"{sum(first.exposure):,}", 12))
    return "".join(parts)


def _text(x: float, y: float, words: str, size: float) -> str:
    return svg_parts.text(x, y, words, size)
