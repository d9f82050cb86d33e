"""All cases in which some consumer is interrupted, as a table of the page that filters and sorts, and as CSV.

Each case stands once, with what it does before and after. Every case that changes is in the page; only of the others,
in a very large system, does the page hold the worst alone, and then the table says so. ``cases.csv`` holds all.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from typing import IO, Any

from powerfault.model.elements import SEVERITIES, Event
from powerfault.output.blocks.blocks import Paragraph, Raw, Section
from powerfault.output.blocks.case_files import guarded
from powerfault.output.sections.report_input import ReportInput
from powerfault.tolerance.comparison.all_cases import CHANGE_WORDS, Effect, all_events

IN_PAGE = 60_000
"""Cases in the page; more of them only where they change."""
OWN_PARTS = (
    "A case with a part that a system does not have is compared, for that system, with the same case less that part."
)
ONE_SYSTEM = ("failed", "failures", "consumer", "outcome", "fails")
TWO_SYSTEMS = ("failed", "failures", "not in the system before", "not in the system after", "consumer", "before",
               "after", "fails before", "fails after", "change")  # fmt: skip
CHANGES_SHOWN = {"better": "better after", "worse": "worse after", "differs": "changed in any way"}


@dataclass(frozen=True)
class PageCases:
    """The cases that the page holds, in its own numbers, and how many there are in all."""

    data: dict[str, Any]
    kept: int
    total: int
    changes: dict[str, int]


def section(report: ReportInput, cases: PageCases) -> Section:
    words = f"{cases.total:,} cases of up to {report.last.order} failures interrupt some load or function"
    words += ", before or after the change" if report.comparison else ""
    if cases.kept < cases.total:
        words += f". This page holds {cases.kept:,} of them: all that the change alters, and the worst of the others"
    words += ". cases.csv holds all."
    blocks = [Paragraph(words)]
    options = ["all cases", "failing after" if report.comparison else "failing"]
    values = ["all", "fails"]
    if report.comparison:
        worse = sum(n for word, n in cases.changes.items() if "worse" in word)
        better = sum(n for word, n in cases.changes.items() if "better" in word)
        blocks.append(Paragraph(f"{better:,} cases are better after the change for some load or function, {worse:,} "
                                f"worse. {OWN_PARTS}"))  # fmt: skip
        values, options = [*values, *CHANGES_SHOWN], [*options, *CHANGES_SHOWN.values()]
    chosen = "".join(f'<option value="{v}">{o}</option>' for v, o in zip(values, options, strict=True))
    html = f"""<div id="cases-table" class="screen" hidden><div class="controls">
<label>Filter <input id="case-filter" type="search" placeholder="component, load or function" autocomplete="off">
</label>
<label>Show <select id="case-kind">{chosen}</select></label>
<output id="case-count" aria-live="polite"></output></div>
<div class="window" id="case-window" tabindex="0" role="region" aria-label="Cases"><table><thead></thead><tbody></tbody>
</table></div></div>"""
    return Section("All cases", "cases", (*blocks, Raw(html, "All cases are in cases.csv.")))


def write_cases(stream: IO[str], report: ReportInput) -> None:
    """Write a row a case and consumer that is interrupted on some side, in case order."""
    writer = csv.writer(stream, lineterminator="\n")
    both = report.comparison is not None
    writer.writerow(TWO_SYSTEMS if both else ONE_SYSTEM)
    names = [str(e) for e in page_events(report)]
    has = [{v.id for v in s.verdicts} for s in ([report.study, report.last] if both else [report.study])]
    written: dict[int, list[tuple[str, ...]]] = {}
    for case in report.side_by_side:
        effect = case.effect
        if id(effect) not in written:
            written[id(effect)] = _effect_rows(effect, has)
        failed = guarded(" + ".join(names[e] for e in case.events))
        start: tuple[str | int, ...] = (failed, len(case.events))
        if both:
            start += tuple(guarded(" + ".join(names[e] for e in absent)) for absent in case.absent)
        writer.writerows(start + row for row in written[id(effect)])


def _effect_rows(effect: Effect, has: list[set[str]]) -> list[tuple[str, ...]]:
    consumers = dict.fromkeys(c for outcomes in effect.outcomes for c in outcomes)
    rows = []
    for consumer in consumers:
        outcomes, fails = [], []
        for side, ids in enumerate(has):
            there = consumer in ids
            outcomes.append(effect.outcomes[side].get(consumer, "uninterrupted") if there else "not in this system")
            fails.append(("yes" if consumer in effect.fails[side] else "no") if there else "")
        change = (_change(fails, outcomes),) if len(has) == 2 else ()
        rows.append((consumer, *outcomes, *fails, *change))
    return rows


def _change(fails: list[str], outcomes: list[str]) -> str:
    if "" in fails:
        return ""
    if fails[0] != fails[1]:
        return "worse" if fails[1] == "yes" else "better"
    return CHANGE_WORDS[0] if outcomes[0] == outcomes[1] else CHANGE_WORDS[4]


def page_cases(report: ReportInput, most: int = IN_PAGE) -> PageCases:
    """The cases for the page, packed: effects once, and under all events but the last, (last event, effect) pairs."""
    consumers = {id_: i for i, id_ in enumerate(report.consumers)}
    found = report.side_by_side
    rank = [report.rank(id_) for id_ in report.consumers]
    none = len(SEVERITIES) + 1
    place: dict[int, int] = {}
    effects: list[list[Any]] = []
    worst: list[tuple[int, int]] = []
    counts: list[int] = []

    def number(effect: Effect) -> int:
        if id(effect) not in place:
            place[id(effect)] = len(effects)
            fails = [report.by_severity(f) for f in effect.fails]
            rides = [report.by_severity(c for c in o if c not in set(f))
                     for o, f in zip(effect.outcomes, effect.fails, strict=True)]  # fmt: skip
            own = [[consumers[c] for c in ids] for ids in (*fails, *rides)]
            failing = [i for ids in own[: len(fails)] for i in ids]
            worst.append((min((rank[i] for i in failing), default=none), -len(failing)))
            effects.append([CHANGE_WORDS.index(effect.change) if effect.change else 0, *own])
            counts.append(0)
        counts[place[id(effect)]] += 1
        return place[id(effect)]

    rows = [(case, number(case.effect)) for case in found]
    changes: dict[str, int] = {}
    for own, n in zip(effects, counts, strict=True):
        changes[CHANGE_WORDS[own[0]]] = changes.get(CHANGE_WORDS[own[0]], 0) + n
    total = len(rows)
    if total > most:
        changed = {i for i, (case, fx) in enumerate(rows) if effects[fx][0] or len(case.events) == 1}
        rest = sorted((i for i in range(total) if i not in changed), key=lambda i: (worst[rows[i][1]], i))
        kept = changed | set(rest[: max(0, most - len(changed))])
        rows = [row for i, row in enumerate(rows) if i in kept]
    groups: dict[tuple[int, ...], list[int]] = {}
    for case, fx in rows:
        groups.setdefault(case.events[:-1], []).extend((case.events[-1], fx))
    absent: list[list[int]] = [[], []]
    for side, study in enumerate((report.study, report.last)):
        there = set(study.events)
        absent[side] = [i for i, e in enumerate(page_events(report)) if e not in there]
    data = {"effects": effects, "groups": [[list(k), v] for k, v in groups.items()], "absent": absent,
            "words": list(CHANGE_WORDS), "total": total}  # fmt: skip
    return PageCases(data, len(rows), total, changes)


def page_events(report: ReportInput) -> tuple[Event, ...]:
    """All events of both systems, those before first."""
    return all_events(report.study, report.comparison.after if report.comparison else None)
