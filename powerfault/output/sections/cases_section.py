"""All cases in which some consumer is interrupted, as a table of the page that filters and sorts, and as CSV.

The page holds a stated number of them, worst first; ``cases.csv`` always holds all.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from typing import IO, Any

from powerfault.model.elements import OUTCOMES, SEVERITIES, Event
from powerfault.output.blocks.blocks import Paragraph, Raw, Section
from powerfault.output.blocks.case_files import guarded
from powerfault.output.sections.report_input import Case, ReportInput
from powerfault.tolerance.study import Study

IN_PAGE = 20_000
CASES_COLUMNS = ("system", "failed", "failures", "consumer", "outcome", "fails")


def section(report: ReportInput, kept: int, total: int) -> Section:
    words = f"{total:,} cases of up to {report.last.order} failures interrupt some consumer"
    words += ", before or after the change" if report.comparison else ""
    words += f"; the {kept:,} worst are in this page, all in cases.csv." if kept < total else "; all are in cases.csv."
    html = """<div id="cases-table" class="screen" hidden><div class="controls">
<label>Filter <input id="case-filter" type="search" placeholder="component or consumer" autocomplete="off"></label>
<label>Show <select id="case-kind"><option value="all">all cases</option><option value="better">better after</option>
<option value="worse">worse after</option><option value="fails">failing after</option></select></label>
<output id="case-count" aria-live="polite"></output></div>
<div class="window" id="case-window" tabindex="0" role="region" aria-label="Cases"><table><thead></thead><tbody></tbody>
</table></div></div>"""
    return Section("All cases", "cases", (Paragraph(words), Raw(html, "All cases are in cases.csv.")))


def write_cases(stream: IO[str], report: ReportInput) -> None:
    """Write every case and consumer that is not uninterrupted, one system after the other, a row at a time."""
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(CASES_COLUMNS)
    studies = [("before", report.study), ("after", report.last)] if report.comparison else [("", report.study)]
    for name, study in studies:
        rides = _rides(study)
        for failed, outcomes in study.iter_cases():
            case = guarded(" + ".join(map(str, failed)))
            for consumer, outcome in outcomes.items():
                fails = "yes" if OUTCOMES.index(outcome) > rides[consumer] else "no"
                writer.writerow((name, case, len(failed), consumer, outcome, fails))


def _rides(study: Study) -> dict[str, int]:
    return {v.id: OUTCOMES.index(v.rides_through) for v in study.verdicts}


def _failing(study: Study) -> Iterator[tuple[Case, list[int], list[int]]]:
    """Each case: numbers of the consumers (of that study) that fail, and of those merely interrupted."""
    rides = _rides(study)
    place = {v.id: i for i, v in enumerate(study.verdicts)}
    for failed, outcomes in study.iter_cases():
        fails: list[int] = []
        drops: list[int] = []
        for consumer, outcome in outcomes.items():
            (fails if OUTCOMES.index(outcome) > rides[consumer] else drops).append(place[consumer])
        yield failed, fails, drops


def page_cases(report: ReportInput, most: int = IN_PAGE) -> tuple[list[list[Any]], int]:
    """Rows for the page: [events, fails before, fails after, interrupted before, interrupted after], and their total.

    Events and consumers are numbers into the page's own lists. Where there are more than ``most`` cases, single
    failures and the most severe ones are kept.
    """
    events = page_events(report)
    place = {e: i for i, e in enumerate(events)}
    consumers = {id_: i for i, id_ in enumerate(report.consumers)}
    found: dict[tuple[int, ...], list[list[int]]] = {}
    studies = [report.study, report.comparison.after] if report.comparison else [report.study]
    for side, study in enumerate(studies):
        ids = [consumers[v.id] for v in study.verdicts]
        for failed, fails, drops in _failing(study):
            key = tuple(place[e] for e in failed)
            row = found.setdefault(key, [[], [], [], []])
            row[side] = [ids[i] for i in fails]
            row[side + 2] = [ids[i] for i in drops]
    rank = [report.rank(id_) for id_ in report.consumers]
    none = len(SEVERITIES) + 1

    def harm(item: tuple[tuple[int, ...], list[list[int]]]) -> tuple[int, int, int, tuple[int, ...]]:
        key, (was, now, _, _) = item
        worst = min((rank[i] for i in (*was, *now)), default=none)
        return (len(key), worst, -len(was) - len(now), key)

    ordered = sorted(found.items(), key=harm)
    if len(ordered) > most:
        # All single failures, then the worst of the rest.
        singles = sum(len(key) == 1 for key, _ in ordered)
        rest = sorted(ordered[singles:], key=lambda item: harm(item)[1:])
        ordered = [*ordered[:singles], *rest[: max(0, most - singles)]]
    return [[list(key), *row] for key, row in ordered], len(found)


def page_events(report: ReportInput) -> tuple[Event, ...]:
    """All events of both systems, those before first."""
    return tuple(dict.fromkeys([*report.study.events, *report.last.events]))
