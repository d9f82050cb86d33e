"""Single failures, and the pairs that matter, as tables; the matrix picture of the pairs is beside them."""

from __future__ import annotations

from powerfault.output.blocks.blocks import Block, Paragraph, Section, TableBlock
from powerfault.output.blocks.tables import CaseCell, Cell, Table, ToneCell
from powerfault.output.sections.pair_matrix import matrix_blocks
from powerfault.output.sections.report_input import ReportInput

PAIRS_SHOWN = 40
CHANGE_OF_PAIRS = (
    "The change is that of all consumers that fail in the case. A consumer that one of the two failed alone before, "
    "and that now takes both, stands newly under minimal for, after, and is better off."
)


def _change(was: list[str], now: list[str]) -> ToneCell:
    lost, gained = [i for i in was if i not in now], [i for i in now if i not in was]
    if lost and not gained:
        return ToneCell("better", "good")
    if gained and not lost:
        return ToneCell("worse", "bad")
    return ToneCell("differs", "doubt") if lost or gained else ToneCell("as before")


def _rows(report: ReportInput, size: int) -> tuple[tuple[Cell, ...], ...]:
    rows = []
    before = report.cut_sets("before")
    after = report.cut_sets("after") if report.comparison else {}
    for case, fails_before, fails_after in report.failing_cases:
        if len(case) != size:
            continue
        was, now = before.get(case, []), after.get(case, [])
        severe = report.by_severity([*was, *now])
        row: list[Cell] = [CaseCell(case), report.severity(severe[0]) or ""]
        if report.comparison:
            # The change is judged on all that the case fails: a pair may stop being minimal because one of the two
            # now suffices alone.
            row += [", ".join(was) or "nothing", ", ".join(now) or "nothing", _change(fails_before, fails_after)]
        else:
            row.append(", ".join(was))
        rows.append(tuple(row))
    return tuple(rows)


def singles_section(report: ReportInput) -> Section:
    rows = _rows(report, 1)
    blocks: list[Block] = []
    study = report.last
    count = sum(len(c) == 1 for c in report.cut_sets("after" if report.comparison else "before"))
    of = sum(1 for _ in study.events)
    blocks.append(Paragraph(
        f"{count} of {of} single failures fail some consumer" + (" after the change" if report.comparison else "")
        + " (its interruption is longer than it rides through)."))  # fmt: skip
    columns: tuple[str, ...] = ("failed", "most severe")
    columns += ("fails before", "fails after", "change") if report.comparison else ("fails",)
    if rows:
        blocks.append(
            TableBlock(Table("single_failures", "Single failures that fail a consumer", columns, rows, 80).joined())
        )
    return Section("Single failures", "singles", tuple(blocks))


def pairs_section(report: ReportInput) -> Section | None:
    if report.last.order < 2:
        return None
    blocks: list[Block] = []
    rows = _rows(report, 2)
    before = sum(len(c) == 2 for c in report.cut_sets("before"))
    words = f"{before:,} pairs of failures fail a consumer that neither of the two fails alone"
    if report.comparison:
        after = sum(len(c) == 2 for c in report.cut_sets("after"))
        words += f" before the change, {after:,} after it"
    blocks.append(Paragraph(words + "."))
    blocks += matrix_blocks(report)
    columns: tuple[str, ...] = ("failed", "most severe")
    columns += ("minimal for, before", "minimal for, after", "change") if report.comparison else ("fails",)
    if rows:
        blocks.append(TableBlock(Table(
            "pairs", "Minimal pairs: fail a consumer that neither member fails alone; most severe first", columns, rows,
            PAIRS_SHOWN).joined()))  # fmt: skip
        if report.comparison:
            blocks.append(Paragraph(CHANGE_OF_PAIRS, "note"))
    return Section("Pairs of failures", "pairs", tuple(blocks))
