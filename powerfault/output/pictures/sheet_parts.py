"""Words on a page of fixed width: wrapped paragraphs, headings, tick boxes, lines to sign on, as SVG text."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from powerfault.output.blocks.text_width import text_width
from powerfault.output.pictures.svg_parts import num, text

PAGE_WIDTH = 595.0
"""A4 across, in points."""
MARGIN = 36.0
LEADING = 1.32


def wrap(words: str, size: float, width: float, bold: bool = False) -> list[str]:
    """Break ``words`` into lines no wider than ``width``; a word wider than that is cut.

    >>> wrap("open BRK-1 by hand", 10, 60)
    ['open BRK-1', 'by hand']
    """
    lines: list[str] = []
    line = ""
    clean = "".join(c if c.isprintable() else " " for c in words)
    for word in clean.split(" "):
        while word and text_width(word, size, bold) > width:
            cut = len(word)
            while cut > 1 and text_width(word[:cut], size, bold) > width:
                cut -= 1
            if line:
                lines.append(line)
                line = ""
            lines.append(word[:cut])
            word = word[cut:]
        longer = f"{line} {word}" if line else word
        if text_width(longer, size, bold) <= width:
            line = longer
        else:
            lines.append(line)
            line = word
    if line or not lines:
        lines.append(line)
    return lines


class Page:
    """A page, or a column of one, filled from the top; ``y`` is where the next thing goes."""

    def __init__(
        self, width: float = PAGE_WIDTH, *, left: float = MARGIN, inner: float | None = None, y: float = MARGIN
    ) -> None:
        self.width, self.left, self.y = width, left, y
        self.inner = width - 2 * MARGIN if inner is None else inner
        self.parts: list[str] = []

    def columns(self, pieces: Sequence[Callable[[Page], None]], gap: float = 20.0) -> None:
        """Set ``pieces`` in two columns of about the same height, in order."""
        half = (self.inner - gap) / 2
        heights = []
        for piece in pieces:
            trial = Page(self.width, inner=half, y=0.0)
            piece(trial)
            heights.append(trial.y)
        best = min(range(len(pieces) + 1), key=lambda n: max(sum(heights[:n]), sum(heights[n:])))
        bottoms = []
        for left, chosen in ((self.left, pieces[:best]), (self.left + half + gap, pieces[best:])):
            column = Page(self.width, left=left, inner=half, y=self.y)
            for piece in chosen:
                piece(column)
            self.parts += column.parts
            bottoms.append(column.y)
        self.y = max(bottoms)

    def words(
        self, words: str, size: float = 9, *, bold: bool = False, indent: float = 0.0, colour: str = "#000000"
    ) -> None:
        """Add a paragraph."""
        for line in wrap(words, size, self.inner - indent, bold):
            self.y += size * LEADING
            self.parts.append(f'<g color="{colour}">{text(self.left + indent, self.y, line, size, bold=bold)}</g>')

    def heading(self, words: str) -> None:
        """Add a heading with a rule below it."""
        self.y += 8
        self.words(words, 11, bold=True)
        self.y += 3
        self.rule()

    def rule(self, colour: str = "#000000", width: float = 0.6) -> None:
        self.parts.append(
            f'<path d="M{num(self.left)},{num(self.y)} h{num(self.inner)}" fill="none" stroke="{colour}" '
            f'stroke-width="{width:g}"/>'
        )

    def tick(self, words: str, size: float = 8.5, indent: float = 0.0) -> None:
        """Add a box to tick and what it stands for."""
        top = self.y + size * LEADING - size * 0.8
        self.parts.append(
            f'<rect x="{num(self.left + indent)}" y="{num(top)}" width="{num(size)}" height="{num(size)}" '
            'fill="none" stroke="#000000" stroke-width="0.8"/>'
        )
        self.words(words, size, indent=indent + size + 5)
        self.y += 1.5

    def signatures(self, roles: tuple[str, ...]) -> None:
        """Add a line to sign on for each role."""
        for role in roles:
            self.y += 24
            self.parts.append(text(self.left, self.y, role, 9))
            left = self.left + 120
            thirds = (self.left + self.inner - left) / 3
            for i, word in enumerate(("name", "date, time", "signature")):
                x = left + i * thirds
                self.parts.append(
                    f'<path d="M{num(x)},{num(self.y)} h{num(thirds - 10)}" stroke="#000000" stroke-width="0.6"/>'
                )
                self.parts.append(f'<g color="#6B6B6B">{text(x, self.y + 9, word, 7)}</g>')
            self.y += 8

    def raw(self, piece: str, height: float) -> None:
        """Add a piece drawn about its own origin, and move below it."""
        self.parts.append(f'<g transform="translate({num(self.left)},{num(self.y)})">{piece}</g>')
        self.y += height
