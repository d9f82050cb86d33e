"""Lines, tables and colour on a terminal."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from typing import IO

CODES = {"good": "32", "bad": "31;1", "doubt": "33", "strong": "1"}


class Screen:
    """Writes lines to a stream, with colour only where it is a terminal and NO_COLOR is not set."""

    def __init__(self, stream: IO[str] | None = None, colour: bool | None = None) -> None:
        import os

        self.stream = stream or sys.stdout
        self.colour = self.stream.isatty() and not os.environ.get("NO_COLOR") if colour is None else colour

    def line(self, text: str = "") -> None:
        self.stream.write(text + "\n")

    def paint(self, text: str, look: str) -> str:
        return f"\x1b[{CODES[look]}m{text}\x1b[0m" if self.colour else text

    def heading(self, text: str) -> None:
        self.line()
        self.line(self.paint(text, "strong"))

    def table(self, header: Sequence[str], rows: Iterable[Sequence[str]], looks: dict[str, str] | None = None) -> None:
        """Write an aligned table; a cell whose text is a key of ``looks`` is painted so."""
        cells = [[plain_text(c) for c in row] for row in rows]
        widths = [
            max(len(header[i]), *(len(row[i]) for row in cells)) if cells else len(header[i])
            for i in range(len(header))
        ]
        self.line("  " + "  ".join(h.ljust(w) for h, w in zip(header, widths, strict=True)).rstrip())
        self.line("  " + "  ".join("-" * w for w in widths))
        for row in cells:
            painted = []
            for cell, width in zip(row, widths, strict=True):
                padded = cell.ljust(width)
                look = (looks or {}).get(cell)
                painted.append(self.paint(padded, look) if look else padded)
            self.line("  " + "  ".join(painted).rstrip())


def plain_text(text: str) -> str:
    """Control characters of a file's labels never reach the terminal."""
    shown = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    return shown if len(shown) <= 60 else shown[:57] + "..."
