"""What the change cures and what it makes worse: minimal cases, never counts of the cases that contain them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from powerfault.output.blocks.blocks import Block, Bullets, Heading, Paragraph, Section, TableBlock
from powerfault.output.blocks.tables import CaseCell, Table
from powerfault.output.sections.report_input import Case, ReportInput, grouped, listed
from powerfault.tolerance.comparison.spread import Spread
from powerfault.tolerance.comparison.study import Comparison

SHOWN = 25


def _table(report: ReportInput, name: str, title: str, rows: Mapping[Case, Sequence[str]], word: str) -> Table:
    return Table(
        name, title, ("failed", "failures", word, "most severe"),
        tuple(
            (CaseCell(case), len(case), ", ".join(report.by_severity(ids)),
             report.severity(report.by_severity(ids)[0]) or "")
            for case, ids in sorted(
                rows.items(), key=lambda r: (len(r[0]), min(map(report.rank, r[1])), -len(r[1]))
            )
        ),
        SHOWN,
    ).joined()  # fmt: skip


def cures_section(report: ReportInput) -> Section | None:
    if not report.comparison:
        return None
    changes = report.comparison.changes
    cured, eased = report.changed_cases("cured"), report.changed_cases("eased")
    higher = [c for c in changes if c.improves and c.before and c.after]
    blocks: list[Block] = []
    if not cured and not eased:
        blocks.append(Paragraph("Nothing: no case of the order enumerated ends better than before.", "bad"))
        return Section("What it cures", "cures", tuple(blocks))
    singles = [case for case in cured if len(case) == 1]
    gone = sum(len(c.gone) for c in changes)
    names = f": {listed(report.by_severity(c.id for c in higher))}" if higher else ""
    words = (
        f"Single failures that no longer fail some consumer: {len(singles)}. Minimal cut sets gone: {gone:,}. "
        f"Consumers that tolerate more failures than before: {len(higher)}{names}."
    )
    blocks.append(Paragraph(words, "good"))
    if cured:
        blocks.append(TableBlock(_table(report, "cured", "Cured: failed a consumer before and no longer do; smallest "
                                        "cases only, larger ones that hold them are cured with them", cured,
                                        "no longer fails")))  # fmt: skip
    if eased:
        blocks.append(TableBlock(_table(report, "eased", "Eased: a better outcome, with the same verdict", eased,
                                        "better outcome for")))  # fmt: skip
    return Section("What it cures", "cures", tuple(blocks))


def harms_section(report: ReportInput) -> Section | None:
    if not report.comparison:
        return None
    comparison = report.comparison
    changes = comparison.changes
    broken, worsened = report.changed_cases("broken"), report.changed_cases("worsened")
    own_broken, own_worsened = report.changed_cases("broken", own=True), report.changed_cases("worsened", own=True)
    lower = [c.id for c in changes if c.worsens]
    gone = [c.id for c in changes if c.after is None]
    blocks: list[Block] = []
    modes = f"mode{'s' * (len(comparison.after.modes) > 1)} {', '.join(comparison.after.modes)}"
    if not (broken or worsened or own_broken or own_worsened or lower or gone or comparison.spread):
        blocks.append(Paragraph(
            f"Nothing: in no case of up to {comparison.after.order} failures in {modes} does any consumer end "
            "worse than before, and no single short reaches a further channel.", "good"))  # fmt: skip
    elif not (broken or worsened or own_broken or own_worsened or lower or gone):
        blocks.append(Paragraph("In the modes enumerated, nothing: no consumer ends worse than before in any case. "
                                "But shorts now spread further; see below.", "doubt"))  # fmt: skip
    elif not (broken or worsened or lower or gone):
        words = (
            f"On the parts that both systems have, nothing: in no case of up to {comparison.after.order} failures in "
            f"{modes} does any consumer end worse than before. What the proposal's own parts can do stands below."
        )
        blocks.append(Paragraph(words, "doubt"))
    if lower:
        names = listed(report.by_severity(lower), 30)
        blocks.append(Paragraph(f"Tolerates fewer failures than before: {names}.", "bad"))
    if gone:
        blocks.append(Paragraph(f"No longer in the system, so not judged: {listed(gone, 30)}.", "bad"))
    if broken:
        blocks.append(TableBlock(_table(report, "broken", "Broken: fail a consumer now and did not before", broken,
                                        "now fails")))  # fmt: skip
    if worsened:
        title = "Worsened: a worse outcome, with the same verdict"
        blocks.append(TableBlock(_table(report, "worsened", title, worsened, "worse outcome for")))
    if own_broken or own_worsened:
        both = grouped([
            *((i, [case]) for case, ids in own_broken.items() for i in ids),
            *((i, [case]) for case, ids in own_worsened.items() for i in ids),
        ])  # fmt: skip
        blocks.append(TableBlock(_table(
            report, "own_harms", "Failures of the proposal's own parts that do harm beyond the same case without them",
            both, "worse for")))  # fmt: skip
    elif comparison.after.topology.added:
        blocks.append(Paragraph("Failures of the proposal's own parts do no harm beyond the same case without them.",
                                "good"))  # fmt: skip
    blocks += _spread(report, comparison)
    return Section("What it makes worse", "harms", tuple(blocks))


def _spread(report: ReportInput, comparison: Comparison) -> list[Block]:
    """Faults that now reach further, where a device would stop them, earthing, and the worst single failure."""
    blocks: list[Block] = [Heading("Faults that now reach further (shorts always asked)")]
    if comparison.spread:
        alike: dict[tuple[object, ...], list[Spread]] = {}
        for spread in comparison.spread:
            key = (spread.channels_before, spread.channels_after, spread.consumers, spread.own)
            alike.setdefault(key, []).append(spread)
        shown = []
        for group in list(alike.values())[:12]:
            same = [str(s.event) for s in group[1:]]
            also = f" The same holds for {listed(same, 20)}." if same else ""
            shown.append(group[0].sentence(comparison.after.topology) + also)
        if len(alike) > 12:
            shown.append(f"{len(alike) - 12} more kinds in results.json.")
        blocks.append(Bullets(tuple(shown)))
        if comparison.variants:
            blocks.append(Paragraph("With a protective device there, computed like everything else:"))
            blocks.append(Bullets(tuple(
                f"{v.variant.about}: {v.requirements_met} requirements met; "
                + (f"still spreads: {listed([str(s.event) for s in v.still_spread], 6)}" if v.still_spread
                   else "no fault reaches a further channel")
                for v in comparison.variants)))  # fmt: skip
    else:
        blocks.append(Paragraph("No single failure reaches a channel that it did not reach before.", "good"))
    if comparison.ground:
        blocks += [Heading("Earthing"), Bullets(tuple(map(str, comparison.ground)))]
    worst = []
    for side, pair in zip(("before", "after"), comparison.worst, strict=True):
        if pair is None:
            continue
        severe, demand = pair
        for kind, harm in (("by severity", severe), ("by demand", demand)):
            worst.append((side, kind, CaseCell((harm.event,)), harm.severest or "", round(harm.demand_kw, 3),
                          listed(report.by_severity(harm.failing), 10)))  # fmt: skip
    if worst:
        blocks += [Heading("The worst single failure"), TableBlock(Table(
            "worst_single", "Worst single failure before and after, most severe consumer and most demand lost",
            ("system", "ranked", "failed", "most severe", "demand lost kW", "fails"), tuple(worst)))]  # fmt: skip
    return blocks
