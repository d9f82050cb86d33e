"""The section of the report on candidate jumpers: the table, the picture of the efficient set, the best set."""

from __future__ import annotations

from collections.abc import Callable

from powerfault.fitting.ranking.study import Ranking
from powerfault.output.answers.ranking_text import (
    HEADER,
    NOTES,
    best_sentences,
    interaction_text,
    ranking_rows,
    summary,
)
from powerfault.output.blocks.blocks import Block, Bullets, Figure, Heading, Paragraph, Section, TableBlock
from powerfault.output.blocks.tables import Table
from powerfault.output.pictures.ranking_picture import ranking_svg
from powerfault.output.sections.report_input import ReportInput

SHOWN = 25
INTERACTIONS_SHOWN = 12
TITLE, ANCHOR = "Candidate jumpers", "candidates"


def ranking_section(ranking: Ranking) -> Callable[[ReportInput], Section | None]:
    """Return the builder of the section of ``ranking``, for a report's further sections."""
    return lambda _report: Section(TITLE, ANCHOR, tuple(ranking_blocks(ranking)))


def ranking_blocks(ranking: Ranking) -> list[Block]:
    """All that is said of a ranking, in order."""
    proved = all(best is None or best.proved for best in (ranking.best, ranking.best_harmless))
    blocks: list[Block] = [
        Paragraph(summary(ranking), "lead"),
        *(Paragraph(sentence, "" if proved else "doubt") for sentence in best_sentences(ranking)),
        Figure(ranking_svg(ranking), "What each candidate cures against what it costs", wide=True),
        TableBlock(
            Table(
                name="candidates",
                title=f"Candidates, best first ({ranking.evaluations:,} sets evaluated)",
                columns=tuple(h.capitalize() for h in HEADER),
                rows=tuple(ranking_rows(ranking.ranked)),
                shown=SHOWN,
                numeric=frozenset(("Min", "M", "Cured", "Broken", "Own", "Spread")),
            )
        ),
    ]
    named = [x for kind in ("together", "repeats", "harm") for x in ranking.interactions if x.kind == kind]
    if named:
        table = Table(
            name="candidate-pairs",
            title="Pairs of candidates that are worth more together, duplicate, or do harm only together",
            columns=("Candidate", "Candidate ", "What", "In words"),
            rows=tuple((x.first, x.second, x.kind, interaction_text(x)) for x in named),
            shown=INTERACTIONS_SHOWN,
        )
        blocks += [Heading("Candidates that act on each other"), TableBlock(table)]
    blocks += [Heading("What this ranking rests on"), Bullets(NOTES)]
    return blocks
