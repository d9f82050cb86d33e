"""What ratings take away: the consumers that have a path but no capacity, before and after."""

from __future__ import annotations

from powerfault.output.blocks.blocks import Block, Paragraph, Section, TableBlock
from powerfault.output.blocks.tables import CaseCell, Cell, Table
from powerfault.output.sections.report_input import Case, ReportInput, grouped, minimal
from powerfault.tolerance.study import Study

SHOWN = 30


def section(report: ReportInput) -> Section | None:
    """The section, where the studies count ratings."""
    if report.last.rated is None:
        return None
    before, after = _smallest(report.study), _smallest(report.last)
    cases = sorted({**before, **after}, key=lambda c: (len(c), tuple(map(str, c))))
    both = report.comparison is not None
    header = (
        ("failed", "failures", "no capacity before", "no capacity after")
        if both
        else ("failed", "failures", "no capacity")
    )
    rows: list[tuple[Cell, ...]] = []
    for case in cases:
        sides = [before.get(case, []), after.get(case, [])] if both else [after.get(case, [])]
        rows.append((CaseCell(case), len(case), *(", ".join(report.by_severity(ids)) or "nothing" for ids in sides)))
    blocks: list[Block] = []
    if not rows:
        blocks.append(Paragraph("In every case whatever has a path has capacity too.", "good"))
    else:
        blocks.append(
            Paragraph(
                "The verdicts of this report count ratings: a load that the surviving equipment cannot carry is lost, "
                "by priority. Below stand the smallest cases in which a consumer has a path but no capacity; all other "
                "losses of this report are for want of a path.",
                "note",
            )
        )
        title = "A path but no capacity: smallest cases"
        blocks.append(TableBlock(Table("no_capacity", title, header, tuple(rows), SHOWN).joined()))
    return Section("What ratings take away", "ratings", tuple(blocks))


def _smallest(study: Study) -> dict[Case, list[str]]:
    """By case, the consumers without capacity in it but in no part of it."""
    assert study.rated is not None
    by_consumer: dict[str, list[Case]] = {}
    for case, ids in study.rated.no_capacity.items():
        for id_ in sorted(ids):
            by_consumer.setdefault(id_, []).append(case)
    return grouped((id_, minimal(own)) for id_, own in by_consumer.items())
