"""All that a report is written from: the studies before and after, and the readings of them that sections share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from powerfault.model.elements import SEVERITIES, Event, Topology
from powerfault.output.pictures.case_pictures import CasePictures
from powerfault.tolerance.comparison.all_cases import SideBySide, iter_side_by_side
from powerfault.tolerance.comparison.study import Comparison
from powerfault.tolerance.study import Study
from powerfault.tolerance.verdicts import Verdict

Case = tuple[Event, ...]


@dataclass(frozen=True)
class ReportInput:
    """One report: a study, or with proposals a comparison; ``options`` is what was asked, for the provenance."""

    study: Study
    comparison: Comparison | None = None
    options: Mapping[str, str] = field(default_factory=dict)
    drawn_at_most: int = 40
    drawings_folder: str = ""
    """Name of the folder of separate drawings, empty where none are written."""
    pdf: bool = False

    @property
    def before(self) -> Topology:
        return self.study.topology

    @property
    def after(self) -> Topology | None:
        return self.comparison.after.topology if self.comparison else None

    @property
    def last(self) -> Study:
        """The study whose system the report is about: after the proposals, where there are any."""
        return self.comparison.after if self.comparison else self.study

    @property
    def proposals(self) -> str:
        return ", ".join(self.after.applied) if self.after is not None else ""

    @cached_property
    def pictures(self) -> CasePictures:
        return CasePictures(self.before, self.after, self.study.given)

    def verdict_before(self, id_: str) -> Verdict | None:
        return self._verdicts[0].get(id_)

    def verdict_after(self, id_: str) -> Verdict | None:
        return self._verdicts[1].get(id_)

    @cached_property
    def _verdicts(self) -> tuple[dict[str, Verdict], dict[str, Verdict]]:
        before = {v.id: v for v in self.study.verdicts}
        return before, ({v.id: v for v in self.comparison.after.verdicts} if self.comparison else {})

    @cached_property
    def consumers(self) -> tuple[str, ...]:
        """Consumers of both systems, those after first."""
        return tuple(dict.fromkeys([*(v.id for v in self.last.verdicts), *(v.id for v in self.study.verdicts)]))

    def severity(self, id_: str) -> str | None:
        verdict = self.verdict_after(id_) or self.verdict_before(id_)
        return verdict.severity if verdict else None

    def rank(self, id_: str) -> int:
        """0 for the most severe consumers; those without severity come last."""
        severity = self.severity(id_)
        return SEVERITIES.index(severity) if severity else len(SEVERITIES)

    def by_severity(self, ids: Iterable[str]) -> list[str]:
        return sorted(dict.fromkeys(ids), key=self._severity_order.__getitem__)

    @cached_property
    def _severity_order(self) -> dict[str, int]:
        ranked = sorted(self.consumers, key=self.rank)
        return {id_: i for i, id_ in enumerate(ranked)}

    @cached_property
    def side_by_side(self) -> list[SideBySide]:
        """Every case that interrupts a consumer on either side, each with what it does before and after."""
        return list(iter_side_by_side(self.study, self.comparison.after if self.comparison else None))

    def cut_sets(self, side: str) -> dict[Case, list[str]]:
        """The minimal cut sets of ``before`` or ``after``, with the consumers that each fails, most severe first."""
        return self._cut_sets[0 if side == "before" or self.comparison is None else 1]

    @cached_property
    def _cut_sets(self) -> list[dict[Case, list[str]]]:
        sides = []
        for study in [self.study, *([self.comparison.after] if self.comparison else [])]:
            found: dict[Case, list[str]] = {}
            for verdict in study.verdicts:
                for cut in verdict.minimal_cut_sets:
                    found.setdefault(cut, []).append(verdict.id)
            sides.append({cut: self.by_severity(ids) for cut, ids in found.items()})
        return sides

    @cached_property
    def failing_cases(self) -> list[tuple[Case, list[str], list[str]]]:
        """Minimal failing cases of one or two events on either side: (case, fails before, fails after).

        A case is listed with every consumer that it fails on each side through a minimal cut set of its own or, for
        a pair, of one of its members. Singles come first, then by severity, number and change.
        """
        before = self.cut_sets("before")
        after = self.cut_sets("after") if self.comparison else {}
        cases = [c for c in dict.fromkeys([*before, *after]) if c and len(c) <= 2]

        def failing(case: Case, sets: Mapping[Case, list[str]]) -> list[str]:
            parts = [(e,) for e in case] if len(case) > 1 else []
            return self.by_severity([i for part in (case, *parts) for i in sets.get(part, ())])

        rows = [(case, failing(case, before), failing(case, after)) for case in cases]
        order = {e: i for i, e in enumerate(dict.fromkeys([*self.study.events, *self.last.events]))}

        def key(row: tuple[Case, list[str], list[str]]) -> tuple[int, int, int, int, int, list[int]]:
            case, was, now = row
            own = [*before.get(case, ()), *after.get(case, ())]
            return (len(case), min(map(self.rank, own), default=9), 0 if was != now or not self.comparison else 1,
                    -len(set(own)), sum(e.mode != "loss" for e in case), [order[e] for e in case])  # fmt: skip

        return sorted(rows, key=key)

    @cached_property
    def drawn(self) -> tuple[list[Case], int, dict[Case, list[Case]]]:
        """The cases that get a drawing, how many more there are, and to each the others with the same effect.

        One case of each effect comes first, single failures before pairs, so that a cap leaves out repetitions.
        """
        alike: dict[tuple[int, tuple[str, ...], tuple[str, ...]], list[Case]] = {}
        for case, was, now in self.failing_cases:
            alike.setdefault((len(case), tuple(was), tuple(now)), []).append(case)
        first = [group[0] for group in alike.values()]
        rest = [case for group in alike.values() for case in group[1:]]
        cases = [*first, *sorted(rest, key=len)][: self.drawn_at_most]
        of_case = {case: group for group in alike.values() for case in group}
        others = {case: [c for c in of_case[case] if c != case] for case in cases}
        return cases, len(of_case) - len(cases), others


def minimal(cases: Sequence[Case]) -> list[Case]:
    """Those of ``cases`` that hold no other of them: a pair is left out where one of its members stands alone."""
    sets = [frozenset(c) for c in cases]
    known = set(sets)
    smaller: dict[frozenset[Event], bool] = {}

    def holds_another(case: frozenset[Event]) -> bool:
        if case not in smaller:
            rest = [case - {e} for e in case]
            smaller[case] = any(r in known or (len(r) > 1 and holds_another(r)) for r in rest if r)
        return smaller[case]

    return [c for c, s in zip(cases, sets, strict=True) if not holds_another(s)]


def grouped(found: Iterable[tuple[str, Sequence[Case]]]) -> dict[Case, list[str]]:
    """(consumer, cases) turned round: case to consumers."""
    rows: dict[Case, list[str]] = {}
    for id_, cases in found:
        for case in cases:
            rows.setdefault(case, []).append(id_)
    return dict(sorted(rows.items(), key=lambda item: len(item[0])))


def listed(names: Sequence[str], most: int = 12) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")
