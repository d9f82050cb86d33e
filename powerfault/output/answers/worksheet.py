"""The failure worksheet as CSV, Markdown and XLSX."""

from __future__ import annotations

import csv
import datetime
import io
from collections.abc import Iterable, Sequence

from powerfault.errors import ToolError
from powerfault.output.blocks.case_files import guarded
from powerfault.tolerance.worksheet import COLUMNS, WorksheetRow

CAUTION = (
    "Effects are computed from the topology file: a wrong file gives a wrong answer. This worksheet supports, and "
    "never replaces, the project's own hazard analysis, local codes and licensed practice."
)


def worksheet_csv(rows: Iterable[WorksheetRow]) -> str:
    """Return the worksheet as CSV, cells guarded against formulas."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow([guarded(c) for c in row.cells()])
    return stream.getvalue()


def worksheet_markdown(title: str, rows: Sequence[WorksheetRow], notes: Sequence[str] = ()) -> str:
    """Return the worksheet as a Markdown document."""
    lines = [f"# Failure worksheet: {_cell(title)}", "", *(f"- {_cell(n)}" for n in notes), f"- {CAUTION}", ""]
    lines.append("| " + " | ".join(COLUMNS) + " |")
    lines.append("|" + " --- |" * len(COLUMNS))
    lines += ["| " + " | ".join(_cell(c) for c in row.cells()) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def _cell(text: str) -> str:
    flat = " ".join(text.split())
    for mark in "\\|`*_<>[]":
        flat = (
            flat.replace(mark, "\\" + mark)
            if mark in "\\|`*_[]"
            else flat.replace(mark, {"<": "&lt;", ">": "&gt;"}[mark])
        )
    return flat


def worksheet_xlsx(title: str, rows: Sequence[WorksheetRow]) -> bytes:
    """Return the worksheet as an XLSX file. Raises :class:`ToolError` where the ``xlsx`` extra is not installed."""
    try:
        import xlsxwriter
    except ImportError as error:
        raise ToolError("XLSX needs the xlsx extra: pip install 'powerfault[xlsx]', or use --csv") from error
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(
        buffer, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    )
    # A fixed date, so that the same rows give the same bytes.
    created = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)
    book.set_properties({"title": f"Failure worksheet: {title[:200]}", "created": created})
    sheet = book.add_worksheet("worksheet")
    wrap = book.add_format({"text_wrap": True, "valign": "top"})
    head = book.add_format({"bold": True, "text_wrap": True, "bottom": 1})
    for i, name in enumerate(COLUMNS):
        sheet.write_string(0, i, name, head)
    for r, row in enumerate(rows, 1):
        for i, cell in enumerate(row.cells()):
            sheet.write_string(r, i, cell[:32_000], wrap)
    sheet.set_column(0, 0, 7)
    sheet.set_column(1, len(COLUMNS) - 1, 22)
    sheet.freeze_panes(1, 2)
    sheet.autofilter(0, 0, max(1, len(rows)), len(COLUMNS) - 1)
    sheet.write_string(len(rows) + 2, 1, CAUTION)
    book.close()
    return buffer.getvalue()
