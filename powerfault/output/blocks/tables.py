"""Tables as values, and their renderings: CSV, Markdown and a workbook.

A table is made once, by a section of the report, and rendered many times. Cells are text, numbers or ``None``; a
:class:`CaseCell` is a failure case, which the page makes a link. String cells and headers that a spreadsheet would
take for a formula are guarded.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from powerfault.errors import OutputError, ToolError
from powerfault.model.elements import Event
from powerfault.output.blocks.case_files import guarded


@dataclass(frozen=True, slots=True)
class CaseCell:
    """A failure case in a table. ``side`` names the system to show first."""

    events: tuple[Event, ...]

    def __str__(self) -> str:
        return " + ".join(map(str, self.events)) or "nothing failed"

    @property
    def address(self) -> str:
        """The fragment under which the page opens this case."""
        return "#case=" + ",".join(map(str, self.events))


@dataclass(frozen=True, slots=True)
class CasesCell:
    """Several cases of one effect in a cell of the page; the first few are named."""

    cases: tuple[CaseCell, ...]
    most: int = 9

    @property
    def named(self) -> tuple[CaseCell, ...]:
        return self.cases[: self.most]

    @property
    def rest(self) -> str:
        """The cases not named, for the page to open in place."""
        return ";".join(",".join(map(str, c.events)) for c in self.cases[self.most :])

    @property
    def more(self) -> int:
        return len(self.cases) - len(self.named)

    def __str__(self) -> str:
        return "; ".join(map(str, self.named)) + (f" and {self.more} more" if self.more else "")


@dataclass(frozen=True, slots=True)
class ToneCell:
    """Words with a tone: ``good``, ``bad`` or ``doubt``; the tone repeats what the words say."""

    text: str
    tone: str = ""

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True)
class LinkCell:
    """Words that lead to the section ``anchor`` of the page."""

    text: str
    anchor: str

    def __str__(self) -> str:
        return self.text

    @property
    def address(self) -> str:
        return f"#{self.anchor}"


UNFOLDED = 1000
"""Rows that a table of the page can unfold beyond those shown."""

Cell = str | int | float | None | CaseCell | CasesCell | ToneCell | LinkCell


@dataclass(frozen=True)
class Table:
    """``name`` is the file name without its ending; ``shown`` limits the rows of the page, never of the files."""

    name: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    shown: int | None = None
    numeric: frozenset[str] = field(default_factory=frozenset)
    """Titles of columns to set as numbers, to the right, whatever their cells are."""
    display: tuple[tuple[Cell, ...], ...] | None = None
    """Rows for the page and Markdown where they differ from those of the files, as where like rows are joined."""

    @property
    def displayed(self) -> tuple[tuple[Cell, ...], ...]:
        return self.rows if self.display is None else self.display

    @property
    def visible(self) -> tuple[tuple[Cell, ...], ...]:
        return self.displayed if self.shown is None else self.displayed[: self.shown]

    @property
    def beyond(self) -> tuple[tuple[Cell, ...], ...]:
        """Rows that the page unfolds when asked to; the files hold all."""
        return self.displayed[len(self.visible) : len(self.visible) + UNFOLDED]

    @property
    def hidden(self) -> int:
        return len(self.displayed) - len(self.visible)

    def joined(self) -> Table:
        """The same table, its page rows joined where they differ in the case of the first column alone."""
        groups: dict[tuple[str, ...], list[tuple[Cell, ...]]] = {}
        for row in self.rows:
            groups.setdefault(tuple(map(str, row[1:])), []).append(row)
        display: list[tuple[Cell, ...]] = []
        for rows in groups.values():
            cases = tuple(r[0] for r in rows if isinstance(r[0], CaseCell))
            display.append((CasesCell(cases), *rows[0][1:]))
        return replace(self, display=tuple(display))


def plain(cell: Cell) -> str | int | float:
    """A cell for a file: numbers stay numbers, ``None`` is empty, text is guarded."""
    if cell is None:
        return ""
    if isinstance(cell, (int, float)) and not isinstance(cell, bool):
        return cell
    return guarded(str(cell))


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """The table as CSV text.

    >>> print(csv_text(["load", "kW"], [["=1+1", 2.5]]), end="")
    load,kW
    '=1+1,2.5
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([guarded(c) for c in columns])
    writer.writerows([plain(c) for c in row] for row in rows)
    return stream.getvalue()


def escape_markdown(text: str) -> str:
    """Text for a cell or line of Markdown: nothing in it is taken for markup.

    >>> escape_markdown("a|b <c>")
    'a\\\\|b &lt;c&gt;'
    """
    out = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    for character in "\\`*_[]|#!":
        out = out.replace(character, "\\" + character)
    return " ".join(out.split())


def markdown_table(table: Table) -> str:
    """The visible rows as a Markdown table, with a line on what is left out."""
    lines = [
        "| " + " | ".join(escape_markdown(c) for c in table.columns) + " |",
        "|" + "---|" * len(table.columns),
    ]
    for row in table.visible:
        lines.append("| " + " | ".join(escape_markdown("" if c is None else str(c)) for c in row) + " |")
    if table.hidden:
        kinds = "kinds " if table.display is not None else ""
        lines += ["", f"{table.hidden:,} more {kinds}in {table.name}.csv."]
    return "\n".join(lines)


def write_workbook(path: Path, tables: Sequence[Table]) -> None:
    """Write all ``tables`` as sheets of one workbook. Raises :class:`ToolError` where xlsxwriter is not installed."""
    try:
        import xlsxwriter
    except ImportError as error:
        raise ToolError("no workbook: xlsxwriter is not installed; 'pip install powerfault[xlsx]' brings it") from error
    import datetime

    try:
        with xlsxwriter.Workbook(str(path), {"strings_to_formulas": False, "strings_to_urls": False}) as book:
            # A fixed date, so that the same tables give the same bytes.
            book.set_properties({"created": datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)})
            head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
            names: set[str] = set()
            for table in tables:
                sheet = book.add_worksheet(_sheet_name(table.name, names))
                sheet.freeze_panes(1, 0)
                for column, title in enumerate(table.columns):
                    sheet.write_string(0, column, guarded(title), head)
                    longest = max([len(title), *(len(str(r[column] or "")) for r in table.rows[:200])])
                    sheet.set_column(column, column, min(60, longest + 2))
                for number, row in enumerate(table.rows[:1_048_000], 1):
                    for column, cell in enumerate(row):
                        value = plain(cell)
                        if isinstance(value, str):
                            sheet.write_string(number, column, value[:32_000])
                        else:
                            sheet.write_number(number, column, value)
                if table.rows:
                    sheet.autofilter(0, 0, min(len(table.rows), 1_048_000), len(table.columns) - 1)
    except OSError as error:
        raise OutputError(f"cannot write {path}: {error.strerror or error}") from error


def _sheet_name(name: str, taken: set[str]) -> str:
    base = "".join(c if c.isalnum() or c in "-_ " else "_" for c in name)[:28] or "table"
    found, number = base, 2
    while found.lower() in taken:
        found, number = f"{base}{number}", number + 1
    taken.add(found.lower())
    return found
