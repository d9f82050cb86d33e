"""The section of the report on batteries: after which failure they are flat first, and what then drops."""

from __future__ import annotations

from powerfault.errors import PowerfaultError
from powerfault.output.answers.endurance_text import endurance_blocks
from powerfault.output.blocks.blocks import Paragraph, Section
from powerfault.output.sections.report_input import ReportInput


def section(report: ReportInput) -> Section | None:
    """Batteries of the system after the proposals (or as it stands); ``None`` without a storage of known energy."""
    found = report.endurance
    if found is None:
        return None
    title = "How long batteries last"
    if isinstance(found, (PowerfaultError, str)):
        words = f"{found[:1].upper()}{found[1:]}" if isinstance(found, str) else f"Not computed: {found}"
        return Section(title, "endurance", (Paragraph(words, "doubt"),))
    return Section(title, "endurance", tuple(endurance_blocks(report.last.topology, found, rows_shown=15)))
