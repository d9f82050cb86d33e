"""Before and after, case by case: what a proposal cures and what it breaks.

Cases are compared on the events that both systems have. A case with events that only the system after has (those of
the proposal's own components) is compared with the same case without them, and is listed apart and nowhere else.
Cases that name removed components are left out, since only cases of the system after are walked.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from powerfault.failures.outcomes import CaseBlock
from powerfault.failures.verdicts import Verdict
from powerfault.model.elements import STAGES, Event

CHANGES = ("cured", "eased", "worsened", "broken")


class WrittenCases(Protocol):
    """Cases that can be written out a block at a time: those of a study, or of a saved result."""

    @property
    def events(self) -> tuple[Event, ...]: ...
    @property
    def consumers(self) -> tuple[str, ...]: ...
    @property
    def order(self) -> int: ...
    @property
    def baseline(self) -> NDArray[np.uint8]: ...
    @property
    def blocks(self) -> Iterable[CaseBlock]: ...
    def of_order(self, k: int) -> Iterable[CaseBlock]: ...


CaseList = tuple[tuple[Event, ...], ...]


@dataclass(frozen=True, slots=True)
class Judged:
    """One side of a comparison: the cases and the verdicts drawn from them."""

    table: WrittenCases
    verdicts: tuple[Verdict, ...]


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
    cases, own_cases = _classify(before, after)
    changes = []
    for id_, verdict in new.items():
        earlier = old.get(id_)
        # Without order: two files may list the same components in different places.
        was = {frozenset(c) for c in earlier.minimal_cut_sets} if earlier else set()
        now = {frozenset(c) for c in verdict.minimal_cut_sets}
        changes.append(
            ConsumerChange(
                id_,
                earlier,
                verdict,
                gone=tuple(c for c in earlier.minimal_cut_sets if frozenset(c) not in now) if earlier else (),
                new=tuple(c for c in verdict.minimal_cut_sets if frozenset(c) not in was) if earlier else (),
                cases=cases.get(id_, {}),
                own_cases=own_cases.get(id_, {}),
            )
        )
    changes += [ConsumerChange(id_, verdict, None) for id_, verdict in old.items() if id_ not in new]
    return changes


def _classify(before: Judged, after: Judged) -> tuple[dict[str, dict[str, CaseList]], dict[str, dict[str, CaseList]]]:
    lookup = _OutcomesBefore(before.table)
    number = {e: i for i, e in enumerate(before.table.events)}
    to_before = np.array([number.get(e, -1) for e in after.table.events], np.int64)
    column = {id_: i for i, id_ in enumerate(before.table.consumers)}
    shared = [(i, column[id_], id_) for i, id_ in enumerate(after.table.consumers) if id_ in column]
    if not shared:
        return {}, {}
    after_columns = np.array([i for i, _, _ in shared])
    before_columns = np.array([j for _, j, _ in shared])
    rides_before = np.array([STAGES.index(v.rides_through) for v in before.verdicts])[before_columns]
    rides_after = np.array([STAGES.index(v.rides_through) for v in after.verdicts])[after_columns]

    common: dict[str, dict[str, list[tuple[Event, ...]]]] = {id_: {n: [] for n in CHANGES} for _, _, id_ in shared}
    own: dict[str, dict[str, list[tuple[Event, ...]]]] = {id_: {n: [] for n in CHANGES} for _, _, id_ in shared}
    for block in after.table.blocks:
        translated = to_before[block.cases]
        was = lookup.outcomes(translated)[:, before_columns]
        now = block.outcomes[:, after_columns]
        failed: NDArray[np.bool_] = was > rides_before
        fails: NDArray[np.bool_] = now > rides_after
        masks: dict[str, NDArray[np.bool_]] = {
            "cured": failed & ~fails,
            "eased": (now < was) & (failed == fails),
            "worsened": (now > was) & (failed == fails),
            "broken": fails & ~failed,
        }
        for name, mask in masks.items():
            for case, consumer in np.argwhere(mask).tolist():
                events = tuple(after.table.events[e] for e in block.cases[case])
                (own if -1 in translated[case] else common)[shared[consumer][2]][name].append(events)
    return _frozen(common), _frozen(own)


def _frozen(found: dict[str, dict[str, list[tuple[Event, ...]]]]) -> dict[str, dict[str, CaseList]]:
    return {id_: {name: tuple(cases) for name, cases in own.items()} for id_, own in found.items()}


class _OutcomesBefore:
    """Outcomes before, by case: one sorted table of keys an order."""

    def __init__(self, table: WrittenCases) -> None:
        self._base = max(1, len(table.events))
        self._empty = table.baseline
        self._keys: dict[int, NDArray[np.int64]] = {}
        self._outcomes: dict[int, NDArray[np.uint8]] = {}
        for k in range(1, table.order + 1):
            blocks = list(table.of_order(k))
            if blocks:
                # Lexicographic order of the cases makes the keys ascend.
                self._keys[k] = np.concatenate([self._key(b.cases.astype(np.int64)) for b in blocks])
                self._outcomes[k] = np.concatenate([b.outcomes for b in blocks])

    def _key(self, cases: NDArray[np.int64]) -> NDArray[np.int64]:
        key = np.zeros(len(cases), np.int64)
        for column in cases.T:
            key = key * self._base + column
        return key

    def outcomes(self, translated: NDArray[np.int64]) -> NDArray[np.uint8]:
        """Return the outcomes before, shape (cases, consumers); -1 marks an event that did not exist."""
        result = np.empty((len(translated), len(self._empty)), np.uint8)
        known = (translated >= 0).sum(axis=1)
        ordered = np.sort(translated, axis=1)
        for k in np.unique(known):
            lanes = np.flatnonzero(known == k)
            if k == 0:
                result[lanes] = self._empty
                continue
            keys = self._key(ordered[lanes][:, translated.shape[1] - k :])
            place = np.searchsorted(self._keys[int(k)], keys)
            result[lanes] = self._outcomes[int(k)][place]
        return result
