"""The pieces of a drawing as SVG text: a box, a line, a cluster, a mark, the legend.

A piece says nothing of its state: it takes fill, stroke, dash and colour from the group around it. So the page can
hold every piece once and repaint it by a class, and a separate file can carry the same pieces with plain attributes.
"""

from __future__ import annotations

import re
from html import escape

from powerfault.output.blocks.text_width import shorten, text_width
from powerfault.output.pictures import appearance
from powerfault.output.pictures.appearance import FONT, Look
from powerfault.output.pictures.layout import FRAME, Rect, Route
from powerfault.output.pictures.node_shapes import detail, outline
from powerfault.output.pictures.picture_graph import ID_SIZE, LINE_SIZE, Box, Line


def num(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def text(x: float, y: float, words: str, size: float, anchor: str = "start", bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return (f'<text x="{num(x)}" y="{num(y)}" font-size="{num(size)}" text-anchor="{anchor}"{weight} '
            f'fill="currentColor" stroke="none">{escape(words)}</text>')  # fmt: skip


def box_piece(box: Box, rect: Rect) -> str:
    """Outline, inner strokes and words of a box."""
    out = [f"<title>{escape(box.tip)}</title>", f'<path d="{outline(box.kind, rect)}"/>']
    if inner := detail(box.kind, rect):
        out.append(f'<path d="{inner}" fill="none" stroke-dasharray="none" stroke-width="1"/>')
    middle = rect.x + rect.width / 2 - (1 if box.kind == "storage" else 0)
    if box.compact:
        wide = text_width(box.lines[0], ID_SIZE, bold=True)
        start = middle - (wide + 5 + text_width(box.lines[1], LINE_SIZE)) / 2
        y = rect.y + rect.height / 2 + ID_SIZE * 0.36
        out.append(text(start, y, box.lines[0], ID_SIZE, bold=True))
        out.append(text(start + wide + 5, y, box.lines[1], LINE_SIZE))
        return "".join(out)
    y = rect.y + 4 + ID_SIZE
    for number, words in enumerate(box.lines):
        out.append(text(middle, y, words, ID_SIZE if number == 0 else LINE_SIZE, "middle", number == 0))
        y += LINE_SIZE * 1.2 + (1 if number == 0 else 0)
    return "".join(out)


def line_piece(route: Route) -> str:
    heads = "".join(f'<polygon points="{p}" stroke-dasharray="none" stroke-width="0.5"/>' for p in route.heads)
    return f'<path d="{route.path}" fill="none"/>{heads}'


def halo(box: Box, rect: Rect, colour: str, border: str) -> str:
    """A frame behind a box that a proposal adds, removes or changes."""
    pad = FRAME
    return (f'<rect x="{num(rect.x - pad)}" y="{num(rect.y - pad)}" width="{num(rect.width + 2 * pad)}" '
            f'height="{num(rect.height + 2 * pad)}" rx="4" fill="{colour}" stroke="{border}" '
            f'stroke-width="1.6"/>')  # fmt: skip


def line_halo(route: Route, colour: str) -> str:
    return f'<path d="{route.path}" fill="none" stroke="{colour}" stroke-width="6" stroke-linecap="round"/>'


def mark(name: str, x: float, y: float, ring: str = appearance.BLACK) -> str:
    """The mark ``name`` in a white disc about (x, y)."""
    return f'<g transform="translate({num(x)},{num(y)})">{mark_piece(name, ring)}</g>'


def mark_piece(name: str, ring: str = appearance.BLACK) -> str:
    return (f'<circle r="6" fill="#FFFFFF" stroke="{ring}" stroke-width="1"/>'
            f'<path d="{appearance.MARK_PATHS[name]}" fill="none" stroke="{ring}" stroke-width="1.5"/>')  # fmt: skip


def mark_place(rect: Rect) -> tuple[float, float]:
    return rect.right - 3, rect.y + 1


def look_attributes(look: Look) -> str:
    dash = f' stroke-dasharray="{look.dash}"' if look.dash else ""
    return f'fill="{look.fill}" stroke="{look.border}" stroke-width="{look.width:g}"{dash} color="{look.text}"'


def line_attributes(look: Look) -> str:
    dash = f' stroke-dasharray="{look.dash}"' if look.dash else ""
    return f'fill="{look.border}" stroke="{look.border}" stroke-width="{look.width:g}"{dash}'


def role_attributes(line: Line) -> str:
    return (f'fill="{appearance.GREY}" stroke="{appearance.GREY}" stroke-width="0.9" '
            f'stroke-dasharray="{appearance.ROLE_DASHES[line.role]}"')  # fmt: skip


def cluster_piece(label: str, rect: Rect) -> str:
    return (f'<rect x="{num(rect.x)}" y="{num(rect.y)}" width="{num(rect.width)}" height="{num(rect.height)}" rx="6" '
            f'fill="#F6F6F2" stroke="#9C9C90" stroke-width="1"/>'
            f'<g color="#3C3C34">{text(rect.x + 8, rect.y + 15, label, 12, bold=True)}</g>')  # fmt: skip


class Legend:
    """Entries that flow into rows of a given width."""

    ROW = 22.0

    def __init__(self, width: float) -> None:
        self.width, self.x, self.y = width, 4.0, 0.0
        self.parts: list[str] = []

    @property
    def height(self) -> float:
        return self.y + self.ROW + 4

    def add(self, sample: str, words: str) -> None:
        """``sample`` is drawn about the middle line of a 34 by 14 place at the origin."""
        needed = 44 + text_width(words, 10) + 16
        if self.x + needed > self.width and self.x > 4:
            self.x, self.y = 4.0, self.y + self.ROW
        self.parts.append(f'<g transform="translate({num(self.x)},{num(self.y + 4)})">{sample}'
                          f'<g color="#000000">{text(42, 11, words, 10)}</g></g>')  # fmt: skip
        self.x += needed

    def add_box(self, name: str) -> None:
        look = appearance.NODE_LOOKS[name]
        sample = f'<g {look_attributes(look)}><rect width="30" height="14"/></g>'
        if look.mark:
            sample += mark(look.mark, 29, 1)
        self.add(sample, look.word)

    def add_line(self, name: str) -> None:
        look = appearance.EDGE_LOOKS[name]
        self.add(f'<g {line_attributes(look)}><path d="M0,7 H32" fill="none"/></g>', look.word)

    def svg(self, y: float) -> str:
        return f'<g transform="translate(0,{num(y)})">{"".join(self.parts)}</g>'


def document(width: float, height: float, body: str, title: str, root_class: str = "") -> str:
    """A whole SVG file. The size is in points; the title is read by screen readers."""
    cls = f' class="{root_class}"' if root_class else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg"{cls} role="img" aria-label="{escape(shorten(title, 200))}" '
        f'width="{num(width)}pt" height="{num(height)}pt" viewBox="0 0 {num(width)} {num(height)}" '
        f'font-family="{escape(FONT)}"><rect width="100%" height="100%" fill="#FFFFFF"/>{body}</svg>\n'
    )


def size_of(svg: str) -> tuple[float, float]:
    """Width and height, in points, of a drawing made by :func:`document`."""
    match = re.search(r'width="([\d.]+)pt" height="([\d.]+)pt"', svg)
    if match is None:
        raise ValueError("not a drawing made here")
    return float(match[1]), float(match[2])
