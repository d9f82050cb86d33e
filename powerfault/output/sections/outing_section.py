"""The section of the report on the installation: timelines and exposure, the state after each step, findings."""

from __future__ import annotations

from collections.abc import Callable

from powerfault.fitting.outing.study import OutingResult, PlanStudy, unmet_text
from powerfault.output.answers.outing_text import NOTES, order_sentence, verdict_line, worst_text
from powerfault.output.blocks.blocks import Block, Bullets, Figure, Heading, Paragraph, Section, TableBlock
from powerfault.output.blocks.tables import Table, ToneCell
from powerfault.output.pictures.outing_picture import outing_svg
from powerfault.output.sections.isolation_section import isolation_blocks
from powerfault.output.sections.outing_files import job_isolations
from powerfault.output.sections.report_input import ReportInput

TITLE, ANCHOR = "The installation, step by step", "installation"
_TONES = {"yes": "good", "care": "doubt", "no": "bad"}


def outing_section(study: PlanStudy, *, sheets: bool = False) -> Callable[[ReportInput], Section | None]:
    """Return the builder of the section of ``study``; with ``sheets`` the isolation sheet of each job follows."""
    return lambda _report: Section(TITLE, ANCHOR, tuple(outing_blocks(study, sheets)), break_before=True)


def outing_blocks(study: PlanStudy, sheets: bool) -> list[Block]:
    """All that is said of a plan, in order."""
    blocks: list[Block] = [Paragraph(verdict_line(study), "bad" if study.refused else "lead")]
    if study.findings:
        table = Table(
            name="installation-findings",
            title="Findings on the plan, each by its rule",
            columns=("Weight", "Rule", "Finding", "Practice", "Line"),
            rows=tuple(
                (ToneCell(f.weight, "bad" if f.refuses else "doubt"), f.rule, f.message, f.practice, f.line or None)
                for f in study.findings
            ),
        )
        blocks.append(TableBlock(table))
    for number, result in enumerate(study.results, 1):
        blocks += _outing_blocks(study, result, number)
    if sheets:
        for job, isolation in job_isolations(study):
            blocks += [Heading(f"Isolation for {job.title}"), *isolation_blocks(isolation)]
    blocks += [Heading("How to read this"), Bullets(NOTES)]
    return blocks


def _outing_blocks(study: PlanStudy, result: OutingResult, number: int) -> list[Block]:
    limit = f" of {result.outing.limit_min:g}" if result.outing.limit_min is not None else ""
    length = f"{result.timeline.length:g}{limit} min; exposure {result.exposure:g} requirement-minutes."
    steps = Table(
        name=f"installation-steps-{number}",
        title=f"{result.outing.title}: the system after each step",
        columns=("From", "To", "Step", "Who", "What", "Short", "Down", "Can it stop?", "Why"),
        rows=tuple(
            (
                f"{s.slot.begin:g}",
                f"{s.slot.end:g}",
                s.slot.step.id,
                ", ".join(s.slot.step.who),
                s.slot.step.title,
                s.judgement.shortfall,
                ", ".join(s.judgement.failing),
                ToneCell({"yes": "yes", "care": "with care", "no": "NO"}[s.stop], _TONES[s.stop]),
                "; ".join(s.reasons),
            )
            for s in result.steps
        ),
        numeric=frozenset(("From", "To", "Short")),
    )
    early = Table(
        name=f"installation-early-{number}",
        title=f"{result.outing.title}: what stays unmet if it ends early, and the worst next single failure",
        columns=("After", "Unmet", "Worst next"),
        rows=tuple(
            (s.slot.step.id, unmet_text(s.judgement, 99), worst_text(s.judgement.worst))
            for n, s in enumerate(result.steps)
            if not n or s.judgement != result.steps[n - 1].judgement
        ),
    )
    return [
        Heading(result.outing.title),
        Paragraph(f"{length} {order_sentence(result)}"),
        Figure(outing_svg(study, result), "Both crew members in time, and how exposed the system is", wide=True),
        TableBlock(steps),
        TableBlock(early),
    ]
