"""Where each box, line and cluster of a picture stands: one run of the layout program, read back from its SVG.

The program sees sizes and synthetic names only. Its SVG is parsed, every name is looked for, and only numbers are
taken from it; the drawing itself is ours. Coordinates are in points, y downwards, origin at the top left.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

from powerfault.errors import ToolError
from powerfault.model.elements import SOURCE_KINDS
from powerfault.output.pictures.dot_program import run_dot
from powerfault.output.pictures.picture_graph import BOTH, Box, PictureGraph

FRAME = 5.0
_SVG = "{http://www.w3.org/2000/svg}"
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")
_PATH = re.compile(r"[MCL]|-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")


@dataclass(frozen=True, slots=True)
class Rect:
    x: float
    y: float
    width: float
    height: float

    @property
    def right(self) -> float:
        return self.x + self.width

    @property
    def bottom(self) -> float:
        return self.y + self.height


@dataclass(frozen=True, slots=True)
class Route:
    """A line: the SVG path, and the points of each arrowhead."""

    path: str
    heads: tuple[str, ...]
    middle: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Layout:
    width: float
    height: float
    boxes: Mapping[str, Rect]
    routes: Mapping[str, Route]
    clusters: Mapping[str, Rect]


def layout_source(graph: PictureGraph) -> str:
    """The DOT text that fixes the layout: sizes and synthetic names, no text of the file."""
    out = [
        "digraph {",
        "graph [rankdir=LR, ranksep=0.42, nodesep=0.11, splines=true, outputorder=edgesfirst, margin=0, pad=0.15,"
        ' fontname="Helvetica", fontsize=13, remincross=true, newrank=true]',
        'node [shape=box, fixedsize=true, label=""]',
        "edge [arrowsize=0.55]",
    ]
    inside: dict[str, list[str]] = {}
    first: dict[str, str] = {}
    channel_of = {b.name: b.channel for b in graph.boxes}
    for box in graph.boxes:
        if box.channel is not None and box.kind in SOURCE_KINDS:
            first.setdefault(box.channel, box.name)
        room = _room(box)
        size = f"width={(box.width + room) / 72:.4f}, height={(box.height + room) / 72:.4f}"
        text = f"{box.name} [id={box.name}, {size}]"
        if box.channel is None:
            out.append(text)
        else:
            inside.setdefault(box.channel, []).append(text)
    for number, (channel, _) in enumerate(graph.channels):
        out.append(f'subgraph cluster_c{number} {{ id=c{number}; label=" "; labeljust=l; margin=9;')
        out.extend(inside.get(channel, ()))
        out.append("}")
    # Channels stand one below the other, their first sources at the left.
    anchors = [first[c] for c, _ in graph.channels if c in first]
    if len(anchors) > 1:
        out.append(f"{{ rank=same; {'; '.join(anchors)} }}")
    for line in graph.lines:
        options = [f"id={line.name}"]
        if line.two_way:
            options.append("dir=both")
        # A tie from one channel into another must not push the other one to the right.
        into = channel_of[line.head]
        crosses = into is not None and channel_of[line.tail] != into
        if line.role in ("need", "charge", "command") or crosses:
            options.append("constraint=false")
        elif line.role == "power":
            options.append("weight=3")
        out.append(f"{line.tail} -> {line.head} [{', '.join(options)}]")
    out.append("}\n")
    return "\n".join(out)


def _room(box: Box) -> float:
    """Room for the frame around what a proposal adds, removes or changes, both sides together."""
    return 2 * FRAME if box.side != BOTH or box.changed else 0.0


def lay_out(graph: PictureGraph) -> Layout:
    """Run the layout program on ``graph`` (once per process for equal graphs). Raises :class:`ToolError`."""
    found = _lay_out(
        layout_source(graph), tuple(b.name for b in graph.boxes), tuple(li.name for li in graph.lines),
        tuple(f"c{n}" for n in range(len(graph.channels))),
    )  # fmt: skip
    boxes = dict(found.boxes)
    for box in graph.boxes:
        if room := _room(box):
            r = boxes[box.name]
            boxes[box.name] = Rect(r.x + room / 2, r.y + room / 2, r.width - room, r.height - room)
    return replace(found, boxes=boxes)


@lru_cache(maxsize=16)
def _lay_out(source: str, boxes: tuple[str, ...], lines: tuple[str, ...], clusters: tuple[str, ...]) -> Layout:
    try:
        root = ET.fromstring(run_dot(source, "svg"))
    except ET.ParseError as error:
        raise ToolError(f"the layout program wrote SVG that cannot be read: {error}") from error
    shift_x, shift_y = _shift(root)
    groups = {g.get("id"): g for g in root.iter(f"{_SVG}g") if g.get("id")}
    absent = [n for n in (*boxes, *lines, *clusters) if n not in groups]
    if absent:
        raise ToolError(
            f"the layout program left out {len(absent)} of {len(boxes) + len(lines) + len(clusters)} elements "
            f"(first: {absent[0]}); the drawing would be incomplete, so none was made"
        )
    _, _, width, height = (float(v) for v in (root.get("viewBox") or "0 0 0 0").split())
    return Layout(
        width, height,
        {n: _rect(groups[n], shift_x, shift_y) for n in boxes},
        {n: _route(groups[n], shift_x, shift_y) for n in lines},
        {n: _rect(groups[n], shift_x, shift_y) for n in clusters},
    )  # fmt: skip


def _shift(root: ET.Element) -> tuple[float, float]:
    for group in root.iter(f"{_SVG}g"):
        if match := re.search(r"translate\(([-\d.]+)[ ,]+([-\d.]+)\)", group.get("transform") or ""):
            return float(match[1]), float(match[2])
    return 0.0, 0.0


def _points(polygon: ET.Element, dx: float, dy: float) -> list[tuple[float, float]]:
    values = [float(v) for v in _NUMBER.findall(polygon.get("points") or "")]
    return [(x + dx, y + dy) for x, y in zip(values[::2], values[1::2], strict=True)]


def _rect(group: ET.Element, dx: float, dy: float) -> Rect:
    points = [p for polygon in group.iter(f"{_SVG}polygon") for p in _points(polygon, dx, dy)]
    if not points:
        raise ToolError(f"the layout program drew no outline for {group.get('id')}")
    xs, ys = [x for x, _ in points], [y for _, y in points]
    return Rect(min(xs), min(ys), max(xs) - min(xs), max(ys) - min(ys))


def _f(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _route(group: ET.Element, dx: float, dy: float) -> Route:
    paths, ends = [], []
    for path in group.iter(f"{_SVG}path"):
        text: list[str] = []
        values: list[float] = []
        for token in _PATH.findall(path.get("d") or ""):
            if token.isalpha():
                text.append(token)
            else:
                number = float(token) + (dx if len(values) % 2 == 0 else dy)
                values.append(number)
                text.append(_f(number))
        paths.append(" ".join(text))
        points = list(zip(values[::2], values[1::2], strict=True))
        ends.append(points[len(points) // 2] if points else (0.0, 0.0))
    if not paths:
        raise ToolError(f"the layout program drew no line for {group.get('id')}")
    heads = tuple(
        " ".join(f"{_f(x)},{_f(y)}" for x, y in _points(p, dx, dy)) for p in group.iter(f"{_SVG}polygon")
    )  # fmt: skip
    return Route(" ".join(paths), heads, ends[0])
