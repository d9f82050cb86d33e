"""An outing in time: what each crew member does, and below it how exposed the system is.

One band a crew member and one for inside; each step a box with its action's letter, a refused one crossed and framed.
Below on the same axis the shortfall as steps, and whether the outing can stop: a word, a fill and a pattern.
"""

from __future__ import annotations

from collections.abc import Callable
from hashlib import sha256
from html import escape

from powerfault.fitting.outing.plan import INSIDE, ON_COOLANT
from powerfault.fitting.outing.study import OutingResult, PlanStudy, StepState
from powerfault.output.answers.outing_text import STOP_WORDS, order_sentence, verdict_line
from powerfault.output.blocks.text_width import shorten, text_width
from powerfault.output.pictures import appearance
from powerfault.output.pictures.ranking_picture import round_up
from powerfault.output.pictures.sheet_parts import MARGIN, wrap
from powerfault.output.pictures.svg_parts import document, num, text

WIDTH = 980.0
LEFT = 96.0
BAND = 34.0
LANE = 15.0
PLOT = 130.0

_Scale = Callable[[float], float]

LOOKS: dict[str, tuple[str, str]] = {
    "travel": (appearance.WHITE, "go"),
    "open": (appearance.ORANGE, "open"),
    "close": (appearance.GREEN, "close"),
    "tag": (appearance.YELLOW, "tag"),
    "untag": (appearance.YELLOW, "untag"),
    "see-open": ("#DDDDD5", "see open"),
    "wait": ("#DDDDD5", "wait"),
    "prove-dead": (appearance.SKY, "prove dead"),
    "earth": (appearance.GREEN, "earth"),
    "unearth": (appearance.GREEN, "unearth"),
    "cover": ("#EDEDE6", "cover"),
    "uncover": ("#EDEDE6", "uncover"),
    "cap": ("#EDEDE6", "cap"),
    "uncap": ("#EDEDE6", "uncap"),
    "stop": (appearance.ORANGE, "stop"),
    "restart": (appearance.GREEN, "restart"),
    **{do: (appearance.SKY, do) for do in ON_COOLANT},
    "demate": (appearance.PURPLE, "demate"),
    "mate": (appearance.PURPLE, "mate"),
    "reconnect": (appearance.PURPLE, "reconnect"),
    "relocate": (appearance.PURPLE, "relocate"),
    "work": ("#EDEDE6", "work"),
}
STOP_FILLS = {"yes": appearance.GREEN, "care": appearance.YELLOW, "no": "url(#{})"}


def outing_svg(study: PlanStudy, result: OutingResult) -> str:
    """Return the picture of one outing."""
    minutes = max(result.horizon if result.horizon < 2 * result.timeline.length else result.timeline.length, 1.0)
    body: list[str] = [
        f'<defs><pattern id="{_pattern(result)}" width="6" height="6" patternUnits="userSpaceOnUse">'
        f'<rect width="6" height="6" '
        f'fill="{appearance.VERMILION}"/><path d="M0,6 L6,0" stroke="#000000" stroke-width="1"/></pattern></defs>'
    ]
    y = MARGIN - 8
    for words, size, bold in (
        (f"{study.plan.name}: {result.outing.title}", 15.0, True),
        (verdict_line(study), 9.5, study.refused),
        (order_sentence(result), 9.5, False),
    ):
        for line in wrap(words, size, WIDTH - 2 * MARGIN, bold):
            y += size * 1.3
            body.append(text(MARGIN, y, line, size, bold=bold))
    y += 18
    top = y
    scale = (WIDTH - LEFT - MARGIN) / minutes

    def at(minute: float) -> float:
        return LEFT + minute * scale

    for member in (*study.plan.crew, INSIDE):
        height = _band(body, result, member, y, at)
        y += height + 6
    y += 4
    y = _stops(body, result, y, at)
    bottom = _profile(body, result, y + 10, at, minutes)
    body.append(_axis(top, bottom, minutes, at, result))
    body.append(_legend(bottom + 48))
    return document(WIDTH, bottom + 88, "".join(body), f"{study.plan.name}: {result.outing.title}")


def _pattern(result: OutingResult) -> str:
    """An id of its own for each outing: several pictures may stand on one page."""
    return "no-" + sha256(result.outing.id.encode()).hexdigest()[:8]


def _band(body: list[str], result: OutingResult, member: str, y: float, at: _Scale) -> float:
    """The steps of one member from ``y`` down; steps at one time (inside) take a lane each. Returns the height."""
    own = [s for s in result.steps if member in s.slot.step.who]
    lanes: list[float] = []
    pieces = []
    for s in sorted(own, key=lambda s: (s.slot.begin, s.slot.end)):
        lane = next((n for n, free in enumerate(lanes) if free <= s.slot.begin + 1e-9), len(lanes))
        if lane == len(lanes):
            lanes.append(0.0)
        lanes[lane] = max(s.slot.end, s.slot.begin)
        pieces.append(_box(s, at(s.slot.begin), y + lane * (LANE + 13), max(2.0, at(s.slot.end) - at(s.slot.begin))))
    home = result.timeline.home.get(member)
    if home:
        x, wide = at(home[0]), at(home[1]) - at(home[0])
        pieces.append(
            f'<rect x="{num(x)}" y="{num(y)}" width="{num(wide)}" height="{num(LANE)}" fill="#FFFFFF" stroke="#6B6B6B" '
            f'stroke-dasharray="3 2"/>{text(x + 2, y + 25, "home", 7.5)}'
        )
    height = max(1, len(lanes)) * (LANE + 13)
    body.append(
        f'<rect x="{num(LEFT)}" y="{num(y - 3)}" width="{num(WIDTH - LEFT - MARGIN)}" height="{num(height + 2)}" '
        f'fill="#FAFAF7" stroke="none"/>{text(MARGIN, y + 11, shorten(member, 12), 10, bold=True)}'
    )
    body += pieces
    return height


def _box(s: StepState, x: float, y: float, wide: float) -> str:
    step = s.slot.step
    fill, word = LOOKS[step.do]
    refuses = any(f.refuses for f in s.findings)
    border = f'stroke="{appearance.VERMILION}" stroke-width="2.4"' if refuses else 'stroke="#000000" stroke-width="0.8"'
    tip = f"{step.id}: {step.title}, minute {s.slot.begin:g} to {s.slot.end:g}"
    if s.findings:
        tip += "; " + "; ".join(f.message for f in s.findings)
    cross = ""
    if refuses:
        cross = (
            f'<path d="M{num(x)},{num(y)} L{num(x + wide)},{num(y + LANE)} M{num(x)},{num(y + LANE)} '
            f'L{num(x + wide)},{num(y)}" stroke="{appearance.VERMILION}" stroke-width="1.4"/>'
        )
    inside = word if text_width(word, 7.5) < wide - 3 else ""
    below = _fit(step.id, wide, 7)
    return (
        f'<g><title>{escape(tip)}</title><rect x="{num(x)}" y="{num(y)}" width="{num(wide)}" height="{num(LANE)}" '
        f'fill="{fill}" {border}/>{cross}{text(x + 2, y + 10.5, inside, 7.5) if inside else ""}'
        f"{text(x + 1, y + LANE + 8, below, 7) if below else ''}</g>"
    )


def _fit(words: str, wide: float, size: float) -> str:
    most = len(words)
    while most > 2 and text_width(shorten(words, most), size) > wide:
        most -= 1
    shown = shorten(words, most)
    return shown if text_width(shown, size) <= wide + 1 else ""


def _stops(body: list[str], result: OutingResult, y: float, at: _Scale) -> float:
    body.append(text(MARGIN, y + 10, "can it stop?", 9))
    pieces: list[tuple[float, float, str]] = []
    moments: list[float] = []
    edge, verdict = 0.0, "yes"
    for end, following in [*((s.slot.end, s.stop) for s in result.steps), (result.timeline.length, "")]:
        if end > edge:
            if pieces and pieces[-1][2] == verdict:
                pieces[-1] = (pieces[-1][0], end, verdict)
            else:
                pieces.append((edge, end, verdict))
            edge = end
        elif verdict == "no":
            moments.append(edge)
        verdict = following
    for begin, end, verdict in pieces:
        x, wide = at(begin), at(end) - at(begin)
        fill = STOP_FILLS[verdict].format(_pattern(result))
        body.append(
            f'<rect x="{num(x)}" y="{num(y)}" width="{num(wide)}" height="12" fill="{fill}" '
            'stroke="#000000" stroke-width="0.6"/>'
        )
        word = "NO" if verdict == "no" else verdict
        if text_width(word, 8) < wide - 2:
            body.append(
                f'<rect x="{num(x + 1.5)}" y="{num(y + 1.5)}" width="{num(text_width(word, 8) + 3)}" height="9" '
                f'fill="#FFFFFF"/>{text(x + 3, y + 9, word, 8, bold=verdict == "no")}'
            )
    for moment in moments:  # of no length, but the plan's table says it too
        x = at(moment)
        body.append(
            f'<rect x="{num(x - 2)}" y="{num(y - 2)}" width="4" height="16" fill="{appearance.VERMILION}" '
            f'stroke="#000000" stroke-width="0.6"/>{text(x + 4, y + 9, "NO", 8, bold=True)}'
        )
    return y + 16


def _profile(body: list[str], result: OutingResult, y: float, at: _Scale, until: float) -> float:
    top_value = round_up(max((s for _, _, s in result.profile), default=1) or 1)
    bottom = y + PLOT
    for i in range(6):
        line_y = bottom - PLOT * i / 5
        body.append(
            f'<path d="M{num(LEFT)},{num(line_y)} H{num(WIDTH - MARGIN)}" stroke="#E2E2DC" stroke-width="0.8"/>'
            f"{text(LEFT - 6, line_y + 3, f'{top_value * i / 5:g}', 8, 'end')}"
        )
    path = [f"M{num(at(result.profile[0][0]))},{num(bottom)}"]
    for begin, end, shortfall in result.profile:
        height = bottom - PLOT * shortfall / top_value
        path.append(f"L{num(at(begin))},{num(height)} L{num(at(end))},{num(height)}")
        if at(end) - at(begin) > 14:
            body.append(text((at(begin) + at(end)) / 2, height - 4, str(shortfall), 8.5, "middle", bold=True))
    path.append(f"L{num(at(result.profile[-1][1]))},{num(bottom)} Z")
    body.append(
        f'<path d="{" ".join(path)}" fill="{appearance.SKY}" fill-opacity="0.45" stroke="{appearance.BLUE}" '
        'stroke-width="1.6"/>'
    )
    length, last = result.profile[-1][1], result.profile[-1][2]
    if length < until:
        height = bottom - PLOT * last / top_value
        body.append(
            f'<path d="M{num(at(length))},{num(height)} H{num(at(until))}" fill="none" stroke="{appearance.BLUE}" '
            f'stroke-width="1.2" stroke-dasharray="4 3"/>'
        )
    body.append(text(MARGIN, y + 12, "shortfall", 9))
    return bottom


def _axis(top: float, bottom: float, minutes: float, at: _Scale, result: OutingResult) -> str:
    step = next(s for s in (1, 2, 5, 10, 15, 20, 30, 60, 120, 240, 480, 960, 10**6) if minutes / s <= 14)
    out = [f'<path d="M{num(LEFT)},{num(bottom)} H{num(WIDTH - MARGIN)}" stroke="#000000" stroke-width="1"/>']
    minute = 0.0
    while minute <= minutes + 1e-9:
        x = at(minute)
        out.append(
            f'<path d="M{num(x)},{num(bottom)} v4" stroke="#000000" stroke-width="0.8"/>'
            f"{text(x, bottom + 14, f'{minute:g}', 8.5, 'middle')}"
        )
        minute += step
    out.append(text((LEFT + WIDTH - MARGIN) / 2, bottom + 26, "minutes of the outing", 9, "middle"))
    limit = result.outing.limit_min
    if limit is not None and limit <= minutes + 1e-9:
        x = at(limit)
        out.append(
            f'<path d="M{num(x)},{num(top - 6)} V{num(bottom)}" stroke="{appearance.VERMILION}" stroke-width="1.4" '
            f'stroke-dasharray="6 3"/>{text(x - 3, top - 8, f"limit {limit:g}", 8.5, "end")}'
        )
    return "".join(out)


def _legend(y: float) -> str:
    out = []
    x = LEFT
    seen: set[str] = set()
    for fill, _ in LOOKS.values():
        words = ", ".join(w for f, w in LOOKS.values() if f == fill)
        if words in seen:
            continue
        seen.add(words)
        out.append(
            f'<rect x="{num(x)}" y="{num(y - 8)}" width="12" height="10" fill="{fill}" stroke="#000000" '
            f'stroke-width="0.8"/>{text(x + 16, y, words, 8.5)}'
        )
        x += 28 + text_width(words, 8.5)
    crossed = "crossed and framed: refused"
    out.append(
        f'<rect x="{num(x)}" y="{num(y - 8)}" width="12" height="10" fill="#FFFFFF" stroke="{appearance.VERMILION}" '
        f'stroke-width="2.4"/><path d="M{num(x)},{num(y - 8)} l12,10 m0,-10 l-12,10" stroke="{appearance.VERMILION}"/>'
        f"{text(x + 16, y, crossed, 8.5)}"
    )
    stops = "; ".join(f"{k if k != 'no' else 'NO'}: {v.lower()}" for k, v in STOP_WORDS.items())
    out.append(text(LEFT, y + 16, f"Can it stop? {stops}. No state after a refused step is called safe.", 8.5))
    return "".join(out)
