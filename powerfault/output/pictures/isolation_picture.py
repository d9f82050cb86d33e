"""The isolation sheet of one work site as a page: what parts each source from the work, steps to tick, signatures."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from html import escape

from powerfault.fitting.isolation.open_points import WeakestPath
from powerfault.fitting.isolation.remarks import CAUTIONS_SHOWN
from powerfault.fitting.isolation.result import Isolation
from powerfault.fitting.isolation.steps import SheetStep, sheet_steps
from powerfault.fitting.isolation.study import IsolationStudy
from powerfault.output.answers.isolation_text import STEADY_NOTE, bears_text, verdict_line
from powerfault.output.blocks.text_width import shorten, text_width
from powerfault.output.pictures import appearance
from powerfault.output.pictures.sheet_parts import MARGIN, Page, wrap
from powerfault.output.pictures.svg_parts import document, num, text

GROUPS_SHOWN = 24
ROW = 26.0
ROLES = ("isolated by", "proved dead by", "work accepted by", "given back by")


def isolation_svg(study: IsolationStudy) -> str:
    """Return the sheet of ``study`` as one page of SVG, A4 wide and as long as it needs to be."""
    x, topology = study.chosen, study.topology
    page = Page()
    page.words(f"Isolation sheet: {', '.join(study.ends)}", 16, bold=True)
    applied = f", with {', '.join(topology.applied)}" if topology.applied else ""
    page.words(f"{topology.name}{applied}. Phases: {', '.join(x.phases)}. File sha256 {topology.sha256[:12]}.", 8.5)
    page.y += 4
    page.words(verdict_line(study), 11, bold=True, colour="#000000" if x.may_work else "#8A2F00")
    page.y += 4
    for caution in CAUTIONS_SHOWN:
        page.words(f"!  {caution}", 8)
    page.heading(f"What parts each source from the work ({study.rules.points} open devices asked on every path)")
    page.y += 6
    groups = _groups(x.paths, study.rules.points)
    for group in groups[:GROUPS_SHOWN]:
        piece, height = _row(group, page.inner, study.rules.points)
        page.raw(piece, height)
    if len(groups) > GROUPS_SHOWN:
        page.words(f"{len(groups) - GROUPS_SHOWN} more: see the table of the Markdown sheet", 8)
    if not x.paths:
        page.words("No source reaches the work.", 9)
    if x.ways:
        page.heading("Cannot be isolated: do not work here")
        for way in x.ways:
            page.words(f"{way.path.source} to {way.path.end}: {'; '.join(way.reasons)}", 9, bold=True)
    steps = enumerate(sheet_steps(topology, x), 1)
    page.columns([*(partial(_step, number, step) for number, step in steps), partial(_dark, x)])
    if x.findings:
        page.heading("Findings")
        for f in x.findings:
            page.words(f"{f.weight.upper() if f.refuses else f.weight}  {f.rule}: {f.message}", 8.5, bold=f.refuses)
            page.words(f.practice, 7, indent=12, colour="#6B6B6B")
    page.heading("Signatures")
    page.signatures(ROLES)
    page.y += 10
    page.words(STEADY_NOTE, 7.5)
    return document(page.width, page.y + MARGIN, "".join(page.parts), f"Isolation sheet: {', '.join(study.ends)}")


def _step(number: int, step: SheetStep, page: Page) -> None:
    page.heading(f"{number}. {step.title}")
    for line in step.lines:
        page.tick(line, 8)


def _dark(x: Isolation, page: Page) -> None:
    page.heading("Dark or switched over meanwhile")
    if not (x.dark or x.moved):
        page.words("Nothing.", 9)
    for c in (*x.dark, *x.moved):
        kw = f", {c.demand_kw:g} kW" if c.demand_kw else ""
        rank = f"{c.severity or 'no severity'}, priority {c.priority}{kw}"
        page.words(f"{c.id}: {c.stage}; {rank}; bears {bears_text(c)}", 8.5)


def _groups(paths: Sequence[WeakestPath], points: int) -> list[list[WeakestPath]]:
    """Paths to one end through the same open devices together; each path with too few by itself, and first."""
    groups: dict[tuple[str, ...], list[WeakestPath]] = {}
    for n, path in enumerate(paths):
        key = (path.end, *path.open_devices) if path.count >= points else (str(n), path.end)
        groups.setdefault(key, []).append(path)
    return sorted(groups.values(), key=lambda g: g[0].count >= points)


def _row(group: Sequence[WeakestPath], width: float, points: int) -> tuple[str, float]:
    """Some sources, a line with a gap for each open device, and the end of the work; with its height."""
    path = group[0]
    enough = path.count >= points
    colour = appearance.BLACK if enough else appearance.VERMILION
    left, right = 170.0, width - 118.0
    names = wrap(", ".join(p.source for p in group), 8, left - 12, bold=True)
    out = [f"<title>{escape(' - '.join(path.nodes))}</title>"]
    out += [text(0, 14 + 10 * n, line, 8, bold=True) for n, line in enumerate(names)]
    out.append(text(right + 6, 14, shorten(path.end, 14), 8.5, bold=True))
    word = f"{path.count} open" if enough else f"only {path.count} open"
    out.append(f'<g color="{colour}">{text(width, 14, word, 8.5, "end", bold=not enough)}</g>')
    shown = path.open_devices if enough else path.nodes[1:-1]
    step = (right - left) / (len(shown) + 1)
    start = left
    for i, v in enumerate(shown, 1):
        x = left + i * step
        if v in path.open_devices:
            out.append(_line(start, x - 7, colour, enough))
            # A blade that does not meet its contact: the mark of an open switch in any drawing.
            out.append(
                f'<circle cx="{num(x - 7)}" cy="11" r="1.6" fill="{colour}"/><circle cx="{num(x + 7)}" cy="11" r="1.6" '
                f'fill="{colour}"/><path d="M{num(x - 7)},11 l11,-7" stroke="{colour}" stroke-width="1.4" fill="none"/>'
            )
            out.append(text(x, 22, _fitting(v, step, 7.5, bold=True), 7.5, "middle", bold=True))
            start = x + 7
        elif len(shown) <= 14:
            out.append(f'<rect x="{num(x - 2)}" y="9" width="4" height="4" fill="{colour}"/>')
            out.append(f'<g color="#6B6B6B">{text(x, 22, _fitting(v, step, 6.5), 6.5, "middle")}</g>')
    out.append(_line(start, right, colour, enough))
    return "".join(out), max(ROW, 10.0 * len(names) + 8)


def _fitting(name: str, width: float, size: float, bold: bool = False) -> str:
    most = len(name)
    while most > 3 and text_width(shorten(name, most), size, bold) > width - 2:
        most -= 1
    return shorten(name, most)


def _line(a: float, b: float, colour: str, enough: bool) -> str:
    dash = "" if enough else ' stroke-dasharray="6 2"'
    return f'<path d="M{num(a)},11 H{num(b)}" stroke="{colour}" stroke-width="1.4" fill="none"{dash}/>'
