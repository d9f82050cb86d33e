"""Likelihoods as pictures: mission curves before and after, and the components that matter most.

A curve before is dashed and hollow-marked, one after solid and filled, each with its word; so nothing rests on colour
alone. Where only bounds are known the band between them is shaded.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from powerfault.output.blocks.chances import share_text, span_text
from powerfault.output.blocks.text_width import shorten, text_width
from powerfault.output.pictures.appearance import BLACK, BLUE, VERMILION
from powerfault.output.pictures.svg_parts import document, num, text
from powerfault.reliability.change import ImportancePair, LikelihoodChange
from powerfault.reliability.study import Likelihood

PANEL_WIDTH, PANEL_HEIGHT = 300.0, 170.0
LEFT, TOP, GAP = 66.0, 60.0, 96.0
POINTS = 41
BAR_LEFT, BAR_WIDTH, BAR_STEP = 190.0, 360.0, 30.0
GRID = "#C8C8C0"
LOOKS = {"before": (VERMILION, "6 3"), "after": (BLUE, ""), "as it is": (BLUE, "")}


def likelihood_picture(change: LikelihoodChange, consumers: Sequence[str]) -> str:
    """Mission curves of ``consumers`` and the importance of the first of them, one below the other."""
    shown = [id_ for id_ in consumers if change.last.by_id.get(id_) and change.last.by_id[id_].over_mission]
    curves, width, height = _curves(change, shown)
    bars, bar_width, bar_height = _importance(change, shown[0], height + 30) if shown else ("", 0.0, 0.0)
    total = height + (30 + bar_height if bars else 0)
    return document(max(width, bar_width), total, f'<g color="{BLACK}">{curves}{bars}</g>', "Likelihoods")


def curve_picture(change: LikelihoodChange, consumers: Sequence[str]) -> str:
    """Unavailability over the mission, a panel for each of ``consumers``."""
    body, width, height = _curves(change, consumers)
    return document(width, height, f'<g color="{BLACK}">{body}</g>', "Unavailability over the mission")


def importance_picture(change: LikelihoodChange, consumer: str) -> str:
    """The Fussell-Vesely shares of what matters most to ``consumer``, before and after."""
    body, width, height = _importance(change, consumer, 0)
    return document(width, height, f'<g color="{BLACK}">{body}</g>', f"What matters most to {consumer}")


def _sides(change: LikelihoodChange) -> list[tuple[str, Likelihood]]:
    return [("before", change.before), ("after", change.after)] if change.after else [("as it is", change.before)]


def _curves(change: LikelihoodChange, consumers: Sequence[str]) -> tuple[str, float, float]:
    hours = change.last.settings.hours
    columns = min(2, max(1, len(consumers)))
    title = f"{change.before.topology.name}: unavailability over {hours:g} h"
    parts = [text(12, 20, shorten(title, 90), 13, bold=True)]
    x = 12.0
    for name, _ in _sides(change):
        colour, dash = LOOKS[name]
        parts.append(f'<path d="M{num(x)},36 h34" fill="none" stroke="{colour}" stroke-width="2"{_dash(dash)}/>')
        parts.append(_point(x + 17, 36, colour, name))
        parts.append(text(x + 40, 40, name, 10))
        x += 60 + text_width(name, 10)
    for number, id_ in enumerate(consumers):
        left = LEFT + (number % columns) * (PANEL_WIDTH + GAP)
        top = TOP + 14 + (number // columns) * (PANEL_HEIGHT + 62)
        parts.append(_panel(change, id_, left, top, hours))
    rows = -(-len(consumers) // columns)
    width = LEFT + columns * (PANEL_WIDTH + GAP)
    return "".join(parts), width, TOP + rows * (PANEL_HEIGHT + 62) + 8


def _panel(change: LikelihoodChange, id_: str, left: float, top: float, hours: float) -> str:
    times = [hours * k / (POINTS - 1) for k in range(POINTS)]
    curves = {
        name: found
        for name, side in _sides(change)
        if id_ in side.by_id and (found := side.curve(id_, times)) is not None
    }
    values = [v for curve in curves.values() for s in curve[1:] for v in (s.low, s.high) if v > 0]
    label = change.last.topology.title(id_)
    named = id_ if label == id_ else f"{id_}: {label}"
    parts = [text(left, top - 6, shorten(named, 52), 11, bold=True)]
    if not values:
        return "".join([*parts, text(left, top + 20, "cannot fail, or has no number", 10)])
    high = math.ceil(math.log10(max(values)) + 1e-9)
    low = max(math.floor(math.log10(min(values))), high - 6)
    if low == high:
        low -= 1

    def place(t: float, v: float) -> tuple[float, float]:
        level = (math.log10(v) if v > 0 else low) - low
        return left + PANEL_WIDTH * t / hours, top + PANEL_HEIGHT * (1 - max(0.0, level) / (high - low))

    for power in range(low, high + 1):
        y = place(0, 10.0**power)[1]
        parts.append(f'<path d="M{num(left)},{num(y)} h{num(PANEL_WIDTH)}" stroke="{GRID}" stroke-width="0.6"/>')
        parts.append(text(left - 6, y + 4, "1" if power == 0 else f"1e{power}", 10, "end"))
    for k in range(5):
        x = left + PANEL_WIDTH * k / 4
        parts.append(text(x, top + PANEL_HEIGHT + 14, f"{hours * k / 4:g}", 10, "middle"))
    parts.append(text(left + PANEL_WIDTH / 2, top + PANEL_HEIGHT + 28, "hours into the mission", 10, "middle"))
    ends = []
    for name, curve in curves.items():
        colour, dash = LOOKS[name]
        points = [(t, s) for t, s in zip(times, curve, strict=True) if s.high > 0]
        if any(not s.exact for _, s in points):
            edge = [place(t, s.high) for t, s in points] + [place(t, s.low) for t, s in reversed(points)]
            parts.append(f'<polygon points="{_points(edge)}" fill="{colour}" fill-opacity="0.25"/>')
        line = [place(t, s.middle) for t, s in points]
        parts.append(f'<polyline points="{_points(line)}" fill="none" stroke="{colour}" '
                     f'stroke-width="2"{_dash(dash)}/>')  # fmt: skip
        parts += [_point(x, y, colour, name) for x, y in line[:: (POINTS - 1) // 4] if y <= top + PANEL_HEIGHT]
        own = change_side(change, name).by_id[id_]
        ends.append((line[-1][1], span_text(curve[-1], never=own.never, always=own.always), name))
    used = -math.inf
    for y, words, name in sorted(ends):
        used = max(y + 3, used + 12)
        parts.append(text(left + PANEL_WIDTH + 6, used, shorten(f"{words} {name if len(ends) > 1 else ''}", 24), 9))
    return "".join(parts)


def change_side(change: LikelihoodChange, name: str) -> Likelihood:
    """The side of a change by the name that pictures give it."""
    return change.last if name == "after" else change.before


def _importance(change: LikelihoodChange, consumer: str, top: float) -> tuple[str, float, float]:
    pairs = [p for p in change.importance(consumer) if p.greater > 0][:12]
    names = [name for name, _ in _sides(change)]
    parts = [
        text(12, top + 20, f"What matters most to {shorten(consumer, 60)}", 13, bold=True),
        text(12, top + 36, "Fussell-Vesely: the share of the unavailability that goes if it never fails", 10),
    ]
    x = 12.0
    for name in names:
        parts.append(_bar(x, top + 46, 22, name))
        parts.append(text(x + 28, top + 54, name, 10))
        x += 48 + text_width(name, 10)
    y = top + 70
    for tick in range(0, 101, 25):
        tx = BAR_LEFT + BAR_WIDTH * tick / 100
        parts.append(f'<path d="M{num(tx)},{num(y)} V{num(y + BAR_STEP * len(pairs))}" stroke="{GRID}" '
                     f'stroke-width="0.6"/>')  # fmt: skip
        parts.append(text(tx, y + BAR_STEP * len(pairs) + 14, f"{tick} %", 10, "middle"))
    for number, pair in enumerate(pairs):
        row = y + BAR_STEP * number
        parts.append(text(BAR_LEFT - 8, row + 18, shorten(pair.id, 30), 10, "end"))
        parts.append(_bars(pair, names, row))
    return "".join(parts), BAR_LEFT + BAR_WIDTH + 110, y - top + BAR_STEP * len(pairs) + 26


def _bars(pair: ImportancePair, names: Sequence[str], row: float) -> str:
    parts = []
    for number, name in enumerate(names):
        found = pair.after if name == "after" else pair.before
        y = row + 4 + 12 * number + (6 if len(names) == 1 else 0)
        share = max(0.0, found.fussell_vesely) if found is not None else 0.0
        words = share_text(share) if found is not None else "does not matter"
        parts.append(_bar(BAR_LEFT, y, BAR_WIDTH * share, name))
        parts.append(text(BAR_LEFT + BAR_WIDTH * share + 6, y + 9, words, 9))
    return "".join(parts)


def _bar(x: float, y: float, width: float, name: str) -> str:
    colour, _ = LOOKS[name]
    fill = "#FFFFFF" if name == "before" else colour
    return (f'<rect x="{num(x)}" y="{num(y)}" width="{num(max(width, 0.8))}" height="10" fill="{fill}" '
            f'stroke="{colour}" stroke-width="1.4"/>')  # fmt: skip


def _point(x: float, y: float, colour: str, name: str) -> str:
    fill = "#FFFFFF" if name == "before" else colour
    return f'<circle cx="{num(x)}" cy="{num(y)}" r="3" fill="{fill}" stroke="{colour}" stroke-width="1.4"/>'


def _points(places: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{num(x)},{num(y)}" for x, y in places)


def _dash(pattern: str) -> str:
    return f' stroke-dasharray="{pattern}"' if pattern else ""
