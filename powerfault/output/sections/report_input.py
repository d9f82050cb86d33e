"""All that a report is written from: the studies before and after, and the readings of them that sections share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

from powerfault.errors import PowerfaultError
from powerfault.model.elements import SEVERITIES, Event, Topology
from powerfault.model.modify import apply_proposals
from powerfault.output.pictures.case_pictures import CasePictures
from powerfault.tolerance.comparison.all_cases import SideBySide, iter_side_by_side
from powerfault.tolerance.comparison.study import Comparison
from powerfault.tolerance.study import Study
from powerfault.tolerance.verdicts import Verdict

if TYPE_CHECKING:
    from powerfault.electrical.endurance.study import Endurance
    from powerfault.electrical.sizing.study import SizeStudy
    from powerfault.fitting.isolation.study import IsolationStudy
    from powerfault.fitting.outing.study import PlanStudy

Case = tuple[Event, ...]
MOST_CASES = 400
"""More single failures than this are left to ``powerfault endurance``, which shows progress."""


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
    plan: PlanStudy | None = None
    kept: dict[str, object] = field(default_factory=dict, compare=False, repr=False)
    """What sections have read out of the studies, so that it is read once."""

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
    def size(self) -> SizeStudy | PowerfaultError | None:
        """The sizes of the jumpers that the proposals bring; ``None`` without any."""
        from powerfault.electrical.sizing.study import study_size

        topology = self.after
        if topology is None or not any(
            topology.components[x].kind == "jumper" for x in topology.added if x in topology.components
        ):
            return None
        try:
            return study_size(topology, order=1, given=self.study.given)
        except PowerfaultError as error:
            return error

    @cached_property
    def endurance(self) -> Endurance | PowerfaultError | str | None:
        """The batteries of the last system; why not computed; ``None`` without a storage of known energy."""
        from powerfault.electrical.endurance.study import list_cases

        topology = self.last.topology
        if not any(c.kind == "storage" and c.energy_kwh for c in topology.components.values()):
            return None
        if len(list_cases(topology, 1, given=self.study.given)) > MOST_CASES:
            return f"not computed here for more than {MOST_CASES} single failures: run powerfault endurance."
        try:
            return _endurance(_Key(topology, tuple(map(str, self.study.given))))
        except PowerfaultError as error:
            return error

    @cached_property
    def isolations(self) -> tuple[tuple[str, tuple[str, ...], IsolationStudy | PowerfaultError], ...]:
        """(proposal, ends, isolation) of each proposal that brings a jumper."""
        from powerfault.fitting.isolation.study import study_isolation, with_what_was

        found: list[tuple[str, tuple[str, ...], IsolationStudy | PowerfaultError]] = []
        applied = self.after.applied if self.after else ()
        for number, proposal in enumerate(applied):
            # The jumper is fitted into the system as the proposals before it leave it.
            system = apply_proposals(self.before, applied[: number + 1])
            ends = work_ends(system, proposal)
            if not ends:
                continue
            minutes = self.before.proposals[proposal].crew_minutes
            try:
                study = study_isolation(with_what_was(self.before, system), ends, minutes=minutes)
                found.append((proposal, ends, study))
            except PowerfaultError as error:
                found.append((proposal, ends, error))
        return tuple(found)

    def changed_cases(self, name: str, own: bool = False) -> dict[Case, list[str]]:
        """Minimal cases of one kind of change with the ids concerned; ``own``: of the proposal's own parts."""
        if (name, own) not in self._changed:
            changes = self.comparison.changes if self.comparison else ()
            lists = ((c.id, (c.own_cases if own else c.cases).get(name, ())) for c in changes)
            self._changed[name, own] = grouped((id_, minimal(cases)) for id_, cases in lists)
        return self._changed[name, own]

    @cached_property
    def _changed(self) -> dict[tuple[str, bool], dict[Case, list[str]]]:
        return {}

    def newly_failing_singles(self, severity: str) -> list[str]:
        """The single failures that newly fail consumers of at most this severity, each with those."""
        found = {}
        for own in (False, True):
            for case, ids in self.changed_cases("broken", own=own).items():
                worst = self.by_severity(ids)
                if len(case) == 1 and (self.severity(worst[0]) or "no severity stated") == severity:
                    found[str(case[0])] = f"{case[0]} ({', '.join(worst[:3])})"
        return list(found.values())

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


class _Key:
    """A topology by what it was made of, so that a report written twice computes this once."""

    def __init__(self, topology: Topology, given: tuple[str, ...]) -> None:
        self.topology, self.given = topology, given

    def __hash__(self) -> int:
        return hash((self.topology.sha256, self.topology.applied, self.given))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Key) and self.given == other.given and self.topology == other.topology


@lru_cache(maxsize=8)
def _endurance(key: _Key) -> Endurance:
    from powerfault.electrical.currents.derating import read_derating
    from powerfault.electrical.endurance.study import list_cases, study_endurance
    from powerfault.network.failure_modes import parse_event

    events = [parse_event(key.topology, e) for e in key.given]
    cases = list_cases(key.topology, 1, given=events)
    return study_endurance(key.topology, cases, given=events, derating=read_derating(key.topology))


def work_ends(system: Topology, proposal: str) -> tuple[str, ...]:
    """Where hands are for a proposal: the connectors that it brings, else its jumpers."""
    own = [i for i in system.proposals[proposal].add.get("components") or {} if i in system.components]
    jumpers = [i for i in own if system.components[i].is_jumper]
    connectors = [i for i in own if system.components[i].kind == "connector"]
    return tuple(connectors or jumpers) if jumpers else ()


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
