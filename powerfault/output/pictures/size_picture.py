"""The picture of drop against gauge: a line for each direction, the allowed drop, and what fails, by shape and word."""

from __future__ import annotations

import math
from collections.abc import Sequence

from powerfault.electrical.currents.conductors import gauge_name
from powerfault.electrical.sizing.gauge_choice import ConductorSize, DirectionSize, GaugeRow
from powerfault.output.blocks.text_width import shorten
from powerfault.output.pictures.appearance import BLACK, BLUE, VERMILION
from powerfault.output.pictures.svg_parts import document, num, text

LEFT, TOP, STEP, HEIGHT = 64.0, 54.0, 44.0, 260.0
LOOKS = ((BLUE, ""), (VERMILION, "7 3"), (BLACK, "2 3"))
"""Colour and dash of each direction: never colour alone."""


def gauge_picture(size: ConductorSize) -> str:
    """The drop in percent of the sending voltage over the gauges, thick to thin, as an SVG document.

    A filled disc does, a cross fails, an open disc could not be judged; a line ends where there is no operating point.
    """
    directions = [d for d in size.directions if d.rows]
    gauges = _gauges(directions)
    allowed = size.derating.drop_percent
    drops = [p for d in directions for r in d.rows if (p := _percent(r)) is not None]
    top = _round_up(max([*drops, 1.2 * (allowed or 0.0), 1.0]))
    width = LEFT + STEP * max(1, len(gauges)) + 24
    parts = [text(LEFT, 20, f"Voltage drop of {size.need.conductor.id} by gauge", 13, bold=True)]
    worst = max((d.transfer.power_kw for d in directions), default=0.0)
    length = size.need.conductor.length_m
    under = f"{worst:.3g} kW at the most" + (f", {length:g} m one way" if length is not None else "")
    parts.append(text(LEFT, 36, shorten(under, 90), 10))
    parts += _axes(gauges, top, width)
    if allowed is not None:
        y = _y(allowed, top)
        parts.append(f'<path d="M{num(LEFT)},{num(y)} H{num(width - 10)}" fill="none" stroke="{BLACK}" '
                     f'stroke-width="1.2" stroke-dasharray="10 3 2 3"/>')  # fmt: skip
        parts.append(text(width - 12, y - 4, f"allowed {allowed:g} %", 10, "end"))
    bottom = TOP + HEIGHT + 44
    unnamed = {gauge: _room(directions, gauge, top) for gauge in gauges}
    for number, direction in enumerate(directions):
        colour, dash = LOOKS[number % len(LOOKS)]
        shift = 11 * (number - (len(directions) - 1) / 2)
        parts.append(_line(direction, gauges, top, colour, dash, shift, unnamed))
        y = bottom + 18 * number
        pattern = f' stroke-dasharray="{dash}"' if dash else ""
        parts.append(f'<path d="M{num(LEFT)},{num(y)} h34" stroke="{colour}" stroke-width="2"{pattern}/>')
        t = direction.transfer
        words = f"towards {t.receives}: {t.power_kw:.3g} kW, case {t.case_name}, {t.phase}"
        parts.append(text(LEFT + 42, y + 4, shorten(words, 100), 10))
    y = bottom + 18 * len(directions) + 2
    x = LEFT
    for piece, words in ((_disc, "does"), (_cross, "fails"), (_ring, "not judged"), (_frame, "as it stands")):
        parts.append(piece(x + 6, y, BLACK))
        parts.append(text(x + 18, y + 4, words, 10))
        x += 92
    return document(max(width, LEFT + 380), y + 18, f'<g color="{BLACK}">{"".join(parts)}</g>',
                    f"Voltage drop of {size.need.conductor.id} by gauge")  # fmt: skip


def _room(directions: Sequence[DirectionSize], gauge: int, top: float) -> float:
    """The height at which words across a gauge stay clear of the lines there."""
    drops = [p for d in directions for r in d.rows if r.gauge == gauge and (p := _percent(r)) is not None]
    points = [_y(p, top) for p in drops]
    places = [TOP + HEIGHT * share for share in (0.5, 0.3, 0.72)]
    return next((y for y in places if all(abs(y - p) > 52 for p in points)), places[-1])


def _gauges(directions: Sequence[DirectionSize]) -> list[int]:
    """The gauges with an operating point, and one beyond."""
    rows = sorted({r.gauge for d in directions for r in d.rows})
    shown = [g for g in rows if any(r.gauge == g and r.state.voltage_v is not None for d in directions for r in d.rows)]
    beyond = [g for g in rows if g not in shown][:1]
    return [*shown, *beyond]


def _axes(gauges: Sequence[int], top: float, width: float) -> list[str]:
    parts = []
    step = _round_up(top / 5)
    value = 0.0
    while value <= top + 1e-9:
        y = _y(value, top)
        parts.append(f'<path d="M{num(LEFT)},{num(y)} H{num(width - 10)}" stroke="#C8C8C0" stroke-width="0.6"/>')
        parts.append(text(LEFT - 6, y + 4, f"{value:g} %", 10, "end"))
        value += step
    for i, gauge in enumerate(gauges):
        parts.append(text(_x(i), TOP + HEIGHT + 16, gauge_name(gauge).removeprefix("AWG "), 10, "middle"))
    parts.append(text(LEFT + STEP * len(gauges) / 2, TOP + HEIGHT + 30, "AWG, thick to thin", 10, "middle"))
    return parts


def _line(
    direction: DirectionSize,
    gauges: Sequence[int],
    top: float,
    colour: str,
    dash: str,
    shift: float,
    unnamed: dict[int, float],
) -> str:
    """One direction, moved aside by ``shift``.

    ``unnamed`` holds the gauges not yet called without operating point, each with the height where there is room for
    it.
    """
    place = {g: i for i, g in enumerate(gauges)}
    points, marks, ended = [], [], False
    for row in direction.rows:
        if row.gauge not in place or ended:
            continue
        percent = _percent(row)
        x = _x(place[row.gauge]) + shift
        if percent is None:
            ended = True
            if row.gauge not in unnamed:
                continue
            y = unnamed.pop(row.gauge)
            x -= shift
            marks.append(f'<g transform="rotate(-90 {num(x)} {num(y)})">'
                         f'{text(x, y + 4, "no operating point", 10, "middle")}</g>')  # fmt: skip
            continue
        y = _y(percent, top)
        points.append(f"{num(x)},{num(y)}")
        piece = _disc if row.fits else _cross if row.fits is False else _ring
        marks.append(piece(x, y, colour))
        if row.present:
            marks.append(_frame(x, y, colour))
    pattern = f' stroke-dasharray="{dash}"' if dash else ""
    path = f'<polyline points="{" ".join(points)}" fill="none" stroke="{colour}" stroke-width="2"{pattern}/>'
    return path + "".join(marks)


def _percent(row: GaugeRow) -> float | None:
    return None if row.state.drop_fraction is None else 100 * row.state.drop_fraction


def _x(i: int) -> float:
    return LEFT + STEP * (i + 0.5)


def _y(percent: float, top: float) -> float:
    return TOP + HEIGHT * (1 - percent / top)


def _round_up(value: float) -> float:
    """1, 2 or 5 times a power of ten, not below ``value``."""
    power = 10.0 ** math.floor(math.log10(value)) if value > 0 else 1.0
    return next(f * power for f in (1, 2, 5, 10) if f * power >= value - 1e-12)


def _disc(x: float, y: float, colour: str) -> str:
    return f'<circle cx="{num(x)}" cy="{num(y)}" r="4.5" fill="{colour}"/>'


def _ring(x: float, y: float, colour: str) -> str:
    return f'<circle cx="{num(x)}" cy="{num(y)}" r="4.5" fill="#FFFFFF" stroke="{colour}" stroke-width="1.6"/>'


def _cross(x: float, y: float, colour: str) -> str:
    return f'<path d="M{num(x - 4)},{num(y - 4)} l8,8 m0,-8 l-8,8" fill="none" stroke="{colour}" stroke-width="2"/>'


def _frame(x: float, y: float, colour: str) -> str:
    return (f'<rect x="{num(x - 8)}" y="{num(y - 8)}" width="16" height="16" fill="none" stroke="{colour}" '
            f'stroke-width="1.2"/>')  # fmt: skip
