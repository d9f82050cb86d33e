"""Drawings of a power system, whole or in one failure case, before and after proposals on one layout.

:class:`Diagram` is laid out once, for the union of before and after, and recoloured per case. Drawings show
themselves in a notebook.

>>> from powerfault.model.elements import Component, Load, Topology
>>> system = Topology(
...     name="two boxes",
...     components={"PV": Component(id="PV", kind="source")},
...     loads={"FAN": Load(id="FAN", fed_by=("PV",))},
... )
>>> drawing = draw(system)
>>> drawing.svg.startswith("<svg") and ">FAN</text>" in drawing.svg
True
"""

from __future__ import annotations

from collections.abc import Container, Mapping
from dataclasses import dataclass
from pathlib import Path

from powerfault.files import write_atomically
from powerfault.model.elements import Topology
from powerfault.output.blocks.text_width import shorten
from powerfault.output.pictures import appearance, svg_parts
from powerfault.output.pictures.appearance import EDGE_LOOKS, NODE_LOOKS
from powerfault.output.pictures.layout import Layout, Rect, lay_out
from powerfault.output.pictures.picture_graph import AFTER, BEFORE, BOTH, Box, PictureGraph, picture_graph
from powerfault.output.pictures.picture_states import BoxState, line_look, with_groups

_MARGIN = 10.0


@dataclass(frozen=True, slots=True)
class Drawing:
    """One finished picture as SVG text."""

    svg: str
    title: str = ""

    def _repr_svg_(self) -> str:
        return self.svg

    def save(self, path: str | Path) -> Path:
        return write_atomically(path, self.svg)


@dataclass(frozen=True, slots=True)
class Diagram:
    """The layout shared by all drawings of one system, or of a pair before and after."""

    before: Topology
    after: Topology | None
    graph: PictureGraph
    layout: Layout

    @classmethod
    def of(
        cls,
        before: Topology,
        after: Topology | None = None,
        needs: bool = False,
        functions: bool = False,
        shown: Container[str] | None = None,
        near_only: bool = False,
    ) -> Diagram:
        """Lay out the union of ``before`` and ``after``; ``needs`` and ``functions`` add their dotted lines.

        With ``shown`` only those ids get a box of their own, the rest of each channel one box together; with
        ``near_only`` that box is left out where nothing shown is linked to it.
        """
        graph = picture_graph(before, after, needs, functions, shown, near_only)
        return cls(before, after, graph, lay_out(graph))

    def shown_on(self, side: str) -> list[Box]:
        return [b for b in self.graph.boxes if b.side in (BOTH, side)]

    def draw(
        self,
        states: Mapping[str, BoxState] | None = None,
        side: str = BEFORE,
        title: str = "",
        legend: bool = True,
        whole: bool = True,
    ) -> Drawing:
        """Paint one side in the given ``states`` (by id; without them all is live).

        With ``whole=False`` the picture is cut to what is not live, what the proposal touches and some margin.
        """
        if states is None:
            states = {b.id: BoxState("live", 0) for b in self.shown_on(side)}
        states = with_groups(self.graph.groups, states)
        body, seen_boxes, seen_lines = self._paint(states, side)
        frame = Rect(0, 0, self.layout.width, self.layout.height) if whole else self.frame_of(states)
        heading = title or self.before.name
        width = max(frame.width + 2 * _MARGIN, 330.0)
        top = 26.0
        y = top + frame.height + _MARGIN
        parts = [
            f'<g color="#000000">{svg_parts.text(_MARGIN, 18, shorten(heading, int(width / 6.4)), 13, bold=True)}</g>',
            f'<svg x="{svg_parts.num(_MARGIN)}" y="{svg_parts.num(top)}" width="{svg_parts.num(frame.width)}" '
            f'height="{svg_parts.num(frame.height)}" viewBox="{" ".join(map(svg_parts.num, _view(frame)))}">'
            f"{body}</svg>",
        ]
        if legend:
            box = self._legend(width, side, seen_boxes, seen_lines)
            parts.append(box.svg(y))
            y += box.height
        return Drawing(svg_parts.document(width, y, "".join(parts), heading), heading)

    def frame_of(self, *several: Mapping[str, BoxState]) -> Rect:
        """The part of the layout that holds all boxes that are not live in any of the given states."""
        rects = [
            self.layout.boxes[b.name]
            for b in self.graph.boxes
            if any(b.id in s and s[b.id].look not in ("live", "idle", "open") for s in several)
        ]
        whole = Rect(0, 0, self.layout.width, self.layout.height)
        if not rects:
            return whole
        pad = 34.0
        x, y = max(0.0, min(r.x for r in rects) - pad), max(0.0, min(r.y for r in rects) - pad)
        right = min(whole.width, max(r.right for r in rects) + pad)
        bottom = min(whole.height, max(r.bottom for r in rects) + pad)
        return Rect(x, y, right - x, bottom - y)

    def _paint(self, states: Mapping[str, BoxState], side: str) -> tuple[str, set[str], set[str]]:
        ids = {b.name: b.id for b in self.graph.boxes}
        out: list[str] = []
        seen_boxes: set[str] = set()
        seen_lines: set[str] = set()
        for number, (_, label) in enumerate(self.graph.channels):
            out.append(svg_parts.cluster_piece(label, self.layout.clusters[f"c{number}"]))
        for line in self.graph.lines:
            route = self.layout.routes[line.name]
            present = line.side in (BOTH, side)
            if line.role != "power":
                if present:
                    out.append(f"<g {svg_parts.role_attributes(line)}>{svg_parts.line_piece(route)}</g>")
                    seen_lines.add(line.role)
                continue
            look = line_look(line, ids, states) if present else "absent"
            seen_lines.add(look)
            if line.side == side and self.after is not None:
                colour = appearance.ADDED_HALO if side == AFTER else appearance.REMOVED_HALO
                out.append(svg_parts.line_halo(route, colour))
            out.append(f"<g {svg_parts.line_attributes(EDGE_LOOKS[look])}>{svg_parts.line_piece(route)}</g>")
        for box in self.graph.boxes:
            rect = self.layout.boxes[box.name]
            present = box.side in (BOTH, side)
            state = states.get(box.id) if present else None
            state = state or BoxState("absent", None)
            seen_boxes.add(state.look)
            out.append(self._painted_box(box, rect, state, side))
        return "".join(out), seen_boxes, seen_lines

    def _painted_box(self, box: Box, rect: Rect, state: BoxState, side: str) -> str:
        look = NODE_LOOKS[state.look]
        out: list[str] = []
        change = self.change_of(box, side)
        if change == "added":
            out.append(svg_parts.halo(box, rect, appearance.ADDED_HALO, appearance.ADDED))
        elif change in ("removed", "changed"):
            out.append(svg_parts.halo(box, rect, appearance.REMOVED_HALO, appearance.VERMILION))
        out.append(f"<g {svg_parts.look_attributes(look)}>{svg_parts.box_piece(box, rect)}</g>")
        x, y = svg_parts.mark_place(rect)
        if look.mark:
            out.append(svg_parts.mark(look.mark, x, y))
        if state.tripped and look.mark != "tripped":
            out.append(svg_parts.mark("tripped", x - 14, y))
        if change:
            out.append(svg_parts.mark(change, rect.x - 1, rect.y - 1, appearance.ADDED))
        return f'<g class="box s-{state.look}">{"".join(out)}</g>'

    def change_of(self, box: Box, side: str) -> str:
        """What the proposal does to ``box``, where this ``side`` shows it: added, removed, changed or nothing."""
        if self.after is None:
            return ""
        if box.side == AFTER:
            return "added" if side == AFTER else ""
        if box.side == BEFORE:
            return "removed" if side == BEFORE else ""
        return "changed" if box.changed and side == AFTER else ""

    def _legend(self, width: float, side: str, boxes: set[str], lines: set[str]) -> svg_parts.Legend:
        legend = svg_parts.Legend(width - 2 * _MARGIN)
        for name in NODE_LOOKS:
            if name in boxes:
                legend.add_box(name)
        for name in EDGE_LOOKS:
            if name in lines and name != "live":
                legend.add_line(name)
        for role, words in appearance.ROLE_WORDS.items():
            if role in lines:
                dash = appearance.ROLE_DASHES[role]
                legend.add(f'<path d="M0,7 H32" fill="none" stroke="{appearance.GREY}" stroke-dasharray="{dash}"/>',
                           words)  # fmt: skip
        for change, words in (("added", "added by the proposal"), ("removed", "removed by the proposal"),
                              ("changed", "changed by the proposal")):  # fmt: skip
            if any(self.change_of(b, side) == change for b in self.graph.boxes):
                legend.add(svg_parts.mark(change, 24, 7, appearance.ADDED), words)
        return legend


def _view(frame: Rect) -> tuple[float, float, float, float]:
    return frame.x, frame.y, frame.width, frame.height


def draw(
    topology: Topology,
    states: Mapping[str, BoxState] | None = None,
    needs: bool = False,
    functions: bool = False,
    title: str = "",
) -> Drawing:
    """Draw one system, in the given ``states`` of its components or with everything live."""
    return Diagram.of(topology, needs=needs, functions=functions).draw(states, title=title)
