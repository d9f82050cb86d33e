"""What do the rows of a list hold, and where? CSV, Excel workbooks and Parquet; the door to openpyxl and pandas.

Only what a person would read as the value is taken. What a spreadsheet hides (merged cells, a formula that was never
calculated, an error such as #REF!) is a problem with the name of its cell.
"""

from __future__ import annotations

import csv
import io
import os
from dataclasses import dataclass, field
from typing import Any

from powerfault.errors import ModelError, Problem, ToolError, nearest
from powerfault.model.places import printable, shorten
from powerfault.model.tables.description import ListDescription
from powerfault.model.yaml_lines import decode, read_bytes

MAX_ROWS = 1_000_000
MAX_COLUMNS = 2_000


@dataclass(frozen=True)
class Wrong:
    """A cell that holds no value that could be taken, and why."""

    message: str


@dataclass
class Sheet:
    """``rows`` gives each row its number in the file and its cells by title."""

    shown: str
    titles: list[str] = field(default_factory=list)
    letters: dict[str, str] = field(default_factory=dict)
    rows: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def problem(self, row: int, title: str, message: str) -> Problem:
        """A problem in a cell: file, sheet and row, then the cell (or column)."""
        where = f"{self.shown}, row {row}" if row else self.shown
        letter = self.letters.get(title)
        cell = (f"cell {letter}{row} ({title})" if letter else f"column {title}") if title else ""
        return Problem(where, 0, 0, printable(shorten(cell, 200)), printable(message))


def read_sheet(of: ListDescription) -> Sheet:
    """Read the list ``of``.

    Raises :class:`ModelError` where it cannot be read, :class:`ToolError` where a library is not installed.
    """
    ending = os.path.splitext(of.path)[1].lower()
    sheet = Sheet(of.shown)
    if ending in (".csv", ".tsv", ".txt"):
        grid = _csv(of)
    elif ending in (".xlsx", ".xlsm"):
        grid = _workbook(of, sheet)
    elif ending == ".parquet":
        grid = _parquet(of)
    else:
        raise ModelError([Problem(of.path, 0, 0, "", "expected a file that ends in .csv, .xlsx or .parquet; "
                                  "save the list in one of these forms")])  # fmt: skip
    _fill(sheet, grid, of, lettered=ending.startswith(".xls"))
    return sheet


def _fill(sheet: Sheet, grid: list[list[Any]], of: ListDescription, lettered: bool) -> None:
    header = 0 if of.path.lower().endswith(".parquet") else of.header_row
    top = grid[max(0, header - 1)] if len(grid) >= max(1, header) else []
    if not any(cell not in (None, "") for cell in top):
        sheet.problems.append(sheet.problem(header, "", "expected the titles of the columns here, found nothing"))
        return
    at: dict[str, int] = {}
    for number, cell in enumerate(top):
        title = " ".join(str("" if cell is None else cell).split())  # no-break spaces and line breaks are usual here
        if not title:
            continue
        if lettered:
            sheet.letters.setdefault(title, _letter(number))
        if title in at:
            message = f"the title {shorten(title)!r} stands over two columns; give each column its own"
            sheet.problems.append(sheet.problem(header, title, message))
        at.setdefault(title, number)
    sheet.titles = list(at)
    for title in dict.fromkeys([*of.columns.values(), *of.skip]):
        if title not in at:
            message = (
                f"no column is called {shorten(title)!r}{nearest(title, at)}; there are: {', '.join(list(at)[:20])}"
            )
            sheet.problems.append(sheet.problem(header, "", message))
    if sheet.problems:
        return
    first = 1 if header == 0 else header + 1
    for number, row in enumerate(grid[max(1, header) :], first):
        cells = {title: row[column] for title, column in at.items() if column < len(row)}
        beyond = [cell for column, cell in enumerate(row) if column not in at.values() and cell not in (None, "")]
        if beyond:
            message = f"holds {shorten(str(beyond[0]))!r} in a column without a title; a separator inside a cell?"
            sheet.problems.append(sheet.problem(number, "", message))
        if any(cell not in (None, "") and not (isinstance(cell, str) and not cell.strip()) for cell in cells.values()):
            sheet.rows.append((number, cells))


def _csv(of: ListDescription) -> list[list[Any]]:
    file, content = read_bytes(of.path)
    text = decode(content, file)
    separator = "\t" if of.separator == "tab" else of.separator
    if of.path.lower().endswith(".tsv"):
        separator = "\t"
    try:
        grid: list[list[Any]] = []
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
        for row in reader:
            # A cell may hold line breaks; rows are counted as a spreadsheet counts them.
            grid.append(list(row))
            if len(grid) > MAX_ROWS or len(row) > MAX_COLUMNS:
                raise ModelError(
                    [Problem(file, 0, 0, "", f"has more than {MAX_ROWS:,} rows or {MAX_COLUMNS:,} columns")]
                )
    except csv.Error as error:
        raise ModelError([Problem(f"{file}, row {len(grid) + 1}", 0, 0, "", f"is not valid CSV: {error}")]) from error
    return grid


def _workbook(of: ListDescription, sheet: Sheet) -> list[list[Any]]:
    try:
        import openpyxl
    except ImportError as error:
        raise ToolError(
            "no workbook is read: openpyxl is not installed; 'pip install powerfault[xlsx]' brings it"
        ) from error
    import warnings

    file, content = read_bytes(of.path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of styles and extensions that nobody asked to keep
            book = openpyxl.load_workbook(io.BytesIO(content), data_only=True)
            formulas = openpyxl.load_workbook(io.BytesIO(content))
    except Exception as error:  # openpyxl raises whatever the broken part of the archive led to
        message = f"cannot be read as an .xlsx workbook ({type(error).__name__}: {shorten(str(error))}); save it anew"
        raise ModelError([Problem(file, 0, 0, "", message)]) from error
    name = of.sheet if of.sheet is not None else book.sheetnames[0]
    if name not in book.sheetnames:
        message = (
            f"has no sheet {shorten(name)!r}{nearest(name, book.sheetnames)}; it has: {', '.join(book.sheetnames)}"
        )
        raise ModelError([Problem(file, 0, 0, "", message)])
    values, written = book[name], formulas[name]
    sheet.shown = f"{of.file}, sheet {name}"
    if not hasattr(values, "iter_rows") or (values.max_row or 0) > MAX_ROWS or (values.max_column or 0) > MAX_COLUMNS:
        message = f"sheet {name} holds no table, or more than {MAX_ROWS:,} rows or {MAX_COLUMNS:,} columns"
        raise ModelError([Problem(file, 0, 0, "", message)])
    for merged in values.merged_cells.ranges:
        if merged.max_row >= of.header_row:
            message = f"the cells {merged.coord} are merged, so that rows miss their values; unmerge and fill them"
            sheet.problems.append(sheet.problem(merged.min_row, "", message))
    grid = []
    for row, formula_row in zip(values.iter_rows(), written.iter_rows(), strict=False):
        grid.append([_cell(cell, formula) for cell, formula in zip(row, formula_row, strict=False)])
    return grid


def _cell(cell: Any, written: Any) -> Any:
    if cell.data_type == "e" or (
        isinstance(cell.value, str) and cell.value.startswith("#") and cell.value.endswith("!")
    ):
        return Wrong(f"holds the error {cell.value}; mend the formula")
    if cell.value is None and written.data_type == "f":
        return Wrong("holds a formula whose value was not saved; open the file in a spreadsheet, calculate and save it")
    return cell.value


def _parquet(of: ListDescription) -> list[list[Any]]:
    try:
        import pandas as pd
        import pyarrow  # noqa: F401  (pandas names it only when it reads)
    except ImportError as error:
        raise ToolError(
            "no Parquet is read: pyarrow is not installed; 'pip install powerfault[parquet]' brings it"
        ) from error
    _, content = read_bytes(of.path)
    try:
        frame = pd.read_parquet(io.BytesIO(content))
    except Exception as error:
        message = f"cannot be read as Parquet ({type(error).__name__}: {shorten(str(error))})"
        raise ModelError([Problem(of.path, 0, 0, "", message)]) from error
    rows = [
        [None if pd.isna(v) else getattr(v, "item", lambda v=v: v)() for v in row]
        for row in frame.to_numpy(dtype=object)
    ]
    return [list(map(str, frame.columns)), *rows]


def _letter(column: int) -> str:
    """The letters of a spreadsheet's column, from 0.

    >>> _letter(0), _letter(25), _letter(26)
    ('A', 'Z', 'AA')
    """
    out = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        out = chr(65 + rest) + out
    return out
