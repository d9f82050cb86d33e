"""Before and after, case by case: what a proposal cures and what it breaks.

Cases are compared on the events that both systems have. A case with events that only the system after has (those of
the proposal's own components) is compared with the same case without them, and is listed apart and nowhere else.
Cases that name removed components are left out, since only cases of the system after are walked.

Consumers that the same events can reach are compared together, on those events alone: what else fails changes nothing,
so the cases with more events are written out of the cases found changed. The work grows with the cases whose events
interact, and with the changes to be written.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from powerfault.failures.outcomes import CaseTable, Cluster, sum_bits
from powerfault.model.elements import STAGES, Event
from powerfault.tolerance.comparison.changed_cases import CaseList, ChangedCases
from powerfault.tolerance.verdicts import Verdict

CHANGES = ("cured", "eased", "worsened", "broken")
CELLS_AT_ONCE = 1 << 23
"""Cases x consumers compared at once."""


class Group(Protocol):
    """Consumers (by position) on which ``events`` (a flag an event number) alone bear."""

    consumers: NDArray[np.int64]
    events: NDArray[np.bool_]

    def lookup(self, consumers: NDArray[np.int64]) -> Lookup:
        """Return what gives the outcomes of some of the consumers, by their positions in the group."""
        ...


class Lookup(Protocol):
    def __call__(self, cases: NDArray[np.int64]) -> NDArray[np.uint8]:
        """The outcomes (cases, consumers) of cases (n, k) given as event numbers; -1 is no event."""
        ...


@dataclass(frozen=True, slots=True)
class Judged:
    """One side of a comparison: all cases up to an order, by groups of consumers, and the verdicts drawn from them."""

    events: tuple[Event, ...]
    order: int
    groups: Sequence[Group]
    verdicts: tuple[Verdict, ...]


class _ClusterGroup:
    """A cluster of an evaluated table as a :class:`Group`."""

    def __init__(self, cluster: Cluster) -> None:
        self.consumers = cluster.plan.consumers
        self.events: NDArray[np.bool_] = cluster.plan.class_of > 0
        self._cluster = cluster

    def lookup(self, consumers: NDArray[np.int64]) -> Lookup:
        plan = self._cluster.plan
        # Number -1 finds class 0, that of the events that cannot reach the cluster.
        plan = replace(plan, class_of=np.append(plan.class_of, np.int32(0)))
        by_lane = sum_bits(self._cluster.unserved[:, consumers], plan.lane_count)
        return lambda cases: by_lane[plan.lanes_of(cases)]


def judged_table(table: CaseTable, verdicts: tuple[Verdict, ...]) -> Judged:
    """Return the side of a comparison that a study makes."""
    return Judged(table.events, table.order, [_ClusterGroup(c) for c in table.clusters], verdicts)


@dataclass(frozen=True, slots=True)
class ConsumerChange:
    """What changes for one consumer. ``before`` or ``after`` is ``None`` where it exists on one side only.

    ``cases`` and ``own_cases`` hold, by each of :data:`CHANGES`, the cases on common events and those with events of
    the proposal's own.
    """

    id: str
    before: Verdict | None
    after: Verdict | None
    gone: CaseList = ()
    new: CaseList = ()
    cases: Mapping[str, CaseList] = field(default_factory=dict)
    own_cases: Mapping[str, CaseList] = field(default_factory=dict)

    @property
    def improves(self) -> bool:
        """Whether it tolerates more failures than before."""
        return bool(self.before and self.after and self.after.tolerates > self.before.tolerates)

    @property
    def worsens(self) -> bool:
        return bool(self.before and self.after and self.after.tolerates < self.before.tolerates)

    def to_json(self) -> dict[str, Any]:
        def side(verdict: Verdict | None, name: str) -> Any:
            return getattr(verdict, name) if verdict else None

        def plain(cases: CaseList) -> list[list[str]]:
            return [[str(e) for e in case] for case in cases]

        return {
            "id": self.id,
            "type": (self.after or self.before).type,  # type: ignore[union-attr]
            "tolerates_before": side(self.before, "tolerates"),
            "tolerates_after": side(self.after, "tolerates"),
            "lower_bound_before": side(self.before, "lower_bound"),
            "lower_bound_after": side(self.after, "lower_bound"),
            "meets_before": side(self.before, "meets"),
            "meets_after": side(self.after, "meets"),
            "gone": plain(self.gone),
            "new": plain(self.new),
            **{name: plain(self.cases.get(name, ())) for name in CHANGES},
            "own_events": {name: plain(self.own_cases.get(name, ())) for name in CHANGES},
        }


def compare_consumers(before: Judged, after: Judged) -> list[ConsumerChange]:
    """Return the change of every consumer of either side, in the order after, then those only before."""
    old = {v.id: v for v in before.verdicts}
    new = {v.id: v for v in after.verdicts}
    cases, own_cases, touched = _classify(before, after)
    # Where no case changed, the empty one with them, the cut sets are the same but for those that name an event gone.
    all_kept = set(before.events) <= set(after.events)
    nothing: Mapping[str, CaseList] = {}
    changes = []
    for id_, verdict in new.items():
        earlier = old.get(id_)
        gone: CaseList = ()
        fresh: CaseList = ()
        if earlier and (id_ in touched or not all_kept):
            # Without order: two files may list the same components in different places.
            was = {frozenset(c) for c in earlier.minimal_cut_sets}
            now = {frozenset(c) for c in verdict.minimal_cut_sets}
            gone = tuple(c for c in earlier.minimal_cut_sets if frozenset(c) not in now)
            fresh = tuple(c for c in verdict.minimal_cut_sets if frozenset(c) not in was)
        changes.append(
            ConsumerChange(id_, earlier, verdict, gone, fresh, cases.get(id_, nothing), own_cases.get(id_, nothing))
        )
    changes += [ConsumerChange(id_, verdict, None) for id_, verdict in old.items() if id_ not in new]
    return changes


ByConsumer = dict[str, dict[str, CaseList]]


def _classify(before: Judged, after: Judged) -> tuple[ByConsumer, ByConsumer, set[str]]:
    """Return, by consumer and one of :data:`CHANGES`, the changed cases on common events, and those with own events.

    The third are the consumers for which any case changed, be it the one in which nothing fails.
    """
    number = {e: i for i, e in enumerate(before.events)}
    to_before = np.array([number.get(e, -1) for e in after.events], np.int64)
    column = {v.id: i for i, v in enumerate(before.verdicts)}
    to_column = np.array([column.get(v.id, -1) for v in after.verdicts], np.int64)
    rides_before, rides_after = (
        np.array([STAGES.index(v.rides_through) for v in side.verdicts], np.uint8) for side in (before, after)
    )
    # The group of each consumer before, and its place there.
    group_of, place_of = np.zeros((2, len(before.verdicts)), np.int64)
    for g, group in enumerate(before.groups):
        group_of[group.consumers] = g
        place_of[group.consumers] = np.arange(len(group.consumers))

    shared_ids = [v.id for v in after.verdicts if v.id in column]
    common: ByConsumer = {id_: dict.fromkeys(CHANGES, ()) for id_ in shared_ids}
    own: ByConsumer = {id_: dict.fromkeys(CHANGES, ()) for id_ in shared_ids}
    touched: set[str] = set()
    for group in after.groups:
        columns = to_column[group.consumers]
        for g in np.unique(group_of[columns[columns >= 0]]):
            shared = np.flatnonzero((columns >= 0) & (group_of[columns] == g))
            there = before.groups[int(g)]
            matters = group.events.copy()
            matters[to_before >= 0] |= there.events[to_before[to_before >= 0]]
            found = _changed(
                (there.lookup(place_of[columns[shared]]), rides_before[columns[shared]]),
                (group.lookup(shared), rides_after[group.consumers[shared]]),
                ChangedCases(after.events, matters, after.order, to_before < 0),
                to_before,
            )
            ids = [after.verdicts[i].id for i in group.consumers[shared]]
            touched.update(ids[i] for i in found.consumers)
            for (i, kind, is_own), cases in found.written().items():
                (own if is_own else common)[ids[i]][CHANGES[kind]] = cases
    return common, own, touched


Side = tuple[Lookup, NDArray[np.uint8]]
"""The outcomes of some consumers, and the stages that they ride through."""


def _changed(before: Side, after: Side, found: ChangedCases, to_before: NDArray[np.int64]) -> ChangedCases:
    """Compare every case of the events that matter, the empty one with them, and record those that changed."""
    (was_in, rides_before), (now_in, rides_after) = before, after
    same_question = bool((rides_before == rides_after).all())
    width = len(rides_after)
    for cases in found.cases(max(1, CELLS_AT_ONCE // width)):
        was, now = was_in(to_before[cases]), now_in(cases)
        differs: NDArray[np.bool_] = was != now
        if not same_question:
            differs |= (was > rides_before) != (now > rides_after)
        place = np.flatnonzero(differs)
        if not len(place):
            continue
        case, consumer = np.divmod(place, width)
        was, now = was.ravel()[place], now.ravel()[place]
        failed, fails = was > rides_before[consumer], now > rides_after[consumer]
        kind = np.where(failed == fails, np.where(now < was, 1, 2), np.where(failed, 0, 3))
        found.record(cases, case, consumer, kind)
    return found
