"""The section of the report on likelihoods, and the same blocks for the terminal and for Markdown."""

from __future__ import annotations

from collections.abc import Sequence

from powerfault.errors import ModelError
from powerfault.output.answers import likelihood_tables as tables
from powerfault.output.blocks.blocks import Block, Bullets, Figure, Heading, Paragraph, Section, TableBlock
from powerfault.output.blocks.chances import span_text
from powerfault.output.pictures.likelihood_picture import curve_picture, importance_picture
from powerfault.output.sections.report_input import ReportInput, listed
from powerfault.reliability.change import ConsumerRatio, LikelihoodChange, compare_likelihoods
from powerfault.reliability.importance import CONVENTION
from powerfault.reliability.probability import Span
from powerfault.reliability.rates import rated_modes
from powerfault.reliability.study import Settings, assumptions

TITLE, ANCHOR = "How likely it is", "likelihood"
DETAILED = 2
"""Consumers whose importance and cut sets the report shows; all consumers are in the tables."""
CAUTION = (
    "A probability is no better than the rates behind it. These numbers rank and compare; they support, and never "
    "replace, the project's own reliability analysis, local codes and licensed practice."
)


def section(report: ReportInput) -> Section | None:
    """Likelihoods before and after in the modes of the report that have rates; ``None`` without any failure rate."""
    topologies = [t for t in (report.before, report.after) if t is not None]
    if not any(c.failures_per_million_hours is not None for t in topologies for c in t.components.values()):
        return None
    modes = rated_modes(topologies, report.study.modes)
    left_out = [m for m in report.study.modes if m not in modes]
    try:
        change = compare_likelihoods(
            report.before, report.after, Settings(modes=modes or report.study.modes), report.study.given
        )
    except ModelError as error:
        return Section(TITLE, ANCHOR, (Paragraph(f"Not computed: {error}", "doubt"),))
    blocks = likelihood_blocks(change, change.focus())
    if modes and left_out:
        said = f"Of {', '.join(modes)} alone, unlike the rest of this report: no component has a rate of"
        blocks.insert(0, Paragraph(f"{said} {' or '.join(left_out)}.", "note"))
    return Section(TITLE, ANCHOR, tuple(blocks))


def likelihood_blocks(
    change: LikelihoodChange, focus: Sequence[str], detailed: int = DETAILED, switching: bool = True
) -> list[Block]:
    """All that is said of likelihoods, in order; curves of the consumers in ``focus``, details of the first ones."""
    blocks: list[Block] = [Paragraph(sentence(change), "lead")]
    missing = tables.missing_rates(change)
    if missing:
        without = [c.id for c in change.consumers if c.either.over_mission is None]
        blocks.append(
            Paragraph(
                (f"No number for {listed(without)}: a rate is missing." if without else "Rates are missing.")
                + f" Give failures_per_million_hours for {listed(missing, 40)}.",
                "doubt",
            )
        )
    blocks.append(TableBlock(tables.consumer_table(change)))
    if focus:
        blocks.append(Figure(curve_picture(change, focus), "Unavailability over the mission", wide=True))
    for id_ in focus[:detailed]:
        table = tables.importance_table(change, id_)
        if table.rows:
            blocks.append(TableBlock(table))
            blocks.append(Figure(importance_picture(change, id_), f"What matters most to {id_}"))
        cuts = tables.cut_table(change, id_)
        if cuts.rows:
            blocks.append(TableBlock(cuts))
    found = [tables.cause_table(change), *([tables.switching_table(change)] if switching else [])]
    found.append(tables.uncertainty_table(change))
    blocks += [TableBlock(t) for t in found if t.rows]
    assumed = dict.fromkeys([*assumptions(change.before), *(assumptions(change.after) if change.after else ())])
    said = [*assumed, f"Fussell-Vesely importance is {CONVENTION}."]
    blocks += [Heading("What these numbers rest on"), Bullets(tuple(said)), Paragraph(CAUTION, "note")]
    return blocks


def sentence(change: LikelihoodChange) -> str:
    """The likelihoods in a sentence or two."""
    hours = change.last.settings.hours
    numbered = [c for c in change.consumers if c.either.over_mission]
    if not numbered:
        return "No consumer has a number: the file lacks failure rates that matter."
    if change.after is None:
        worst = max(numbered, key=lambda c: _middle(c))
        return f"The likeliest to fail is {worst.id}: unavailability {_side_text(worst, 'before')} at {hours:g} h."
    name = ", ".join(change.after.topology.applied) or "the second system"
    known = [c for c in numbered if c.ratio is not None]
    better = sorted((c for c in known if c.ratio and c.ratio.low > 1.0005), key=lambda c: -(c.ratio or _ONE).low)
    worse = sorted((c for c in known if c.ratio and c.ratio.high < 0.9995), key=lambda c: (c.ratio or _ONE).high)
    text = f"With {name}, over {hours:g} h: {len(better)} of {len(known)} consumers less likely to be down"
    if better:
        first = better[0]
        assert first.ratio is not None
        text += (
            f", most of all {first.id}, {tables.ratio_text(first.ratio)} times less "
            f"({_side_text(first, 'before')} before, {_side_text(first, 'after')} after)"
        )
        if first.spread is not None:
            text += f", 5 to 95 %: {tables.spread_text(first.spread)}"
    hardly = sum(1 for c in known if c not in worse and c.ratio and c.ratio.high < 1.0 - 1e-9)
    if worse:
        return f"{text}; likelier to be down: {listed([c.id for c in worse])}."
    return f"{text}; none likelier{f' but {hardly} by less than 0.05 %' if hardly else ''}."


def _middle(c: ConsumerRatio) -> float:
    assert c.either.over_mission is not None
    return c.either.over_mission.at_end.middle


def _side_text(c: ConsumerRatio, side: str) -> str:
    own = c.before if side == "before" else c.after
    if own is None or own.over_mission is None:
        return "-"
    return span_text(own.over_mission.at_end, never=own.never, always=own.always)


_ONE = Span(1.0, 1.0)
