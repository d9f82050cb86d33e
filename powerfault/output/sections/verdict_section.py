"""The verdict: one sentence, the question if it was changed, and the table of requirements before and after."""

from __future__ import annotations

from powerfault.output.answers.verdicts_text import tolerance_text
from powerfault.output.blocks.blocks import Block, Paragraph, Section, TableBlock
from powerfault.output.blocks.tables import Cell, Table, ToneCell
from powerfault.output.sections.board import board_of
from powerfault.output.sections.report_input import ReportInput, listed
from powerfault.tolerance.verdicts import Verdict

_WORDS = {True: ("met", "good"), False: ("NOT MET", "bad"), None: ("order too low to tell", "doubt")}


def meets_cell(verdict: Verdict | None) -> ToneCell:
    if verdict is None:
        return ToneCell("not in this system")
    if verdict.must_tolerate is None:
        return ToneCell("none stated")
    return ToneCell(*_WORDS[verdict.meets])


def verdict_sentence(report: ReportInput) -> str:
    """The verdict in a sentence, as it opens the report."""
    asked = [v for v in report.last.verdicts if v.must_tolerate is not None]
    if not asked:
        return "No consumer has a requirement: none names a severity or the failures that it must tolerate."
    met = sum(v.meets is True for v in asked)
    unmet = report.by_severity(v.id for v in asked if v.meets is False)
    unknown = report.by_severity(v.id for v in asked if v.meets is None)
    if report.comparison:
        was, _, _ = report.comparison.met
        text = f"With {report.proposals or 'the change'}, {met} of {len(asked)} requirements are met, {was} without"
    else:
        text = f"{met} of {len(asked)} requirements are met"
    if unmet:
        text += f"; not met: {listed(unmet)}"
    if unknown:
        text += f"; order {report.last.order} is too low to tell for {listed(unknown)}"
    return text + "."


def section(report: ReportInput) -> Section:
    blocks: list[Block] = [Paragraph(verdict_sentence(report), "lead")]
    harms = [p for p in board_of(report).points if p.weight != "open"]
    if report.comparison:
        words = f"Harm: {' '.join(p.text for p in harms[:6])}" if harms else "No harm was found in what was enumerated."
        words += f" And {len(harms) - 6} more, on the board page." if len(harms) > 6 else ""
        blocks.append(Paragraph(words, "bad" if harms else "good"))
    if report.comparison and report.after is not None:
        gained, lost = [], []
        for change in report.comparison.changes:
            was = change.before is not None and change.before.meets is True
            now = change.after is not None and change.after.meets is True
            if now and not was:
                gained.append(change.id)
            if was and not now:
                lost.append(change.id)
        blocks.append(Paragraph(
            f"Newly met: {listed(report.by_severity(gained), 30)}." if gained else "No requirement is newly met.",
            "good" if gained else "doubt"))  # fmt: skip
        blocks.append(Paragraph(
            f"No longer met: {listed(report.by_severity(lost), 30)}." if lost else "No requirement is lost.",
            "bad" if lost else "good"))  # fmt: skip
        blocks += [
            Paragraph(f"The question itself was changed: {change}.", "bad") for change in report.after.question_changes
        ]
        for id_ in report.after.applied:
            proposal = report.before.proposals.get(id_) or report.after.proposals.get(id_)
            if proposal and (proposal.about or proposal.label):
                blocks.append(Paragraph(f"{id_}: {(proposal.about or proposal.label or '').rstrip('.')}."))
    down = report.last.baseline
    if down:
        worst_first = [(id_, down[id_]) for id_ in report.by_severity(down)]
        names = "; ".join(f"{id_} {outcome}" for id_, outcome in worst_first[:20])
        names += f" and {len(down) - 20} more" if len(down) > 20 else ""
        words = f"Not uninterrupted even with nothing failed beyond what stands failed: {names}."
        blocks.append(Paragraph(words, "bad"))
    blocks.append(TableBlock(requirements_table(report)))
    return Section("Verdict", "verdict", tuple(blocks))


def requirements_table(report: ReportInput) -> Table:
    """Every consumer, those with a requirement first, unmet and most severe on top."""

    def key(id_: str) -> tuple[int, int]:
        verdict = report.verdict_after(id_) or report.verdict_before(id_)
        asked = verdict is not None and verdict.must_tolerate is not None
        unmet = asked and verdict is not None and verdict.meets is not True
        return (0 if unmet else 1 if asked else 2, report.rank(id_))

    rows = []
    for id_ in sorted(report.consumers, key=key):
        before, after = report.verdict_before(id_), report.verdict_after(id_)
        verdict = after or before
        assert verdict is not None
        title = (report.after or report.before).title(id_)
        name = id_ if title == id_ else f"{id_}, {title}"
        row: list[Cell] = [name, verdict.type, verdict.severity or "", verdict.must_tolerate, verdict.rides_through]
        if report.comparison:
            row += [tolerance_text(before), tolerance_text(after), meets_cell(before), meets_cell(after)]
        else:
            row += [tolerance_text(before), meets_cell(before)]
        rows.append(tuple(row))
    columns: tuple[str, ...] = ("consumer", "type", "severity", "must tolerate", "rides through")
    if report.comparison:
        columns += ("tolerates before", "tolerates after", "requirement before", "requirement after")
    else:
        columns += ("tolerates", "requirement")
    return Table("consumers", "Requirements: failures that each consumer must tolerate, and does", columns, tuple(rows))
