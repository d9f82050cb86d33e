"""The failure worksheet in the report: single points on the page, every row in ``worksheet.csv`` and the workbook."""

from __future__ import annotations

from powerfault.model.elements import SEVERITIES
from powerfault.output.blocks.blocks import Paragraph, Section, TableBlock
from powerfault.output.blocks.tables import CaseCell, Table
from powerfault.output.sections.report_input import ReportInput
from powerfault.tolerance.worksheet import COLUMNS, worksheet_rows

SHOWN = 40
_SHOWN_COLUMNS = ("failed", "mode", "next-higher effect", "end effect after switching", "detection", "compensation",
                  "severity", "remarks")  # fmt: skip


def section(report: ReportInput) -> Section:
    """The worksheet of the system that the report is about, in the modes that it asks for."""
    study = report.last
    rows = worksheet_rows(study.network, study.modes, study.given)
    points = sorted((r for r in rows if r.single_point), key=lambda r: r.severity or len(SEVERITIES) + 1)
    shown = tuple(
        (
            CaseCell((r.event,)),
            r.mode,
            r.next_effect,
            r.end_after,
            r.detection,
            r.compensation,
            f"{r.severity} {SEVERITIES[r.severity - 1]}" if r.severity else "",
            r.remarks,
        )
        for r in points
    )
    words = (
        f"{len(rows)} rows, one per component and mode, are in worksheet.csv with all columns: local, next-higher and "
        "end effect before and after switching, outcome by phase, detection, compensation, severity and its basis, "
        f"waivers. Here stand the {len(points)} single points among them, most severe first."
    )
    table = Table("single_points", "Single points of the failure worksheet", _SHOWN_COLUMNS, shown, SHOWN)
    whole = Table("worksheet", "Failure worksheet", COLUMNS, tuple(r.cells() for r in rows))
    return Section("Failure worksheet", "worksheet", (Paragraph(words), TableBlock(table)), (whole,), True)
