"""Minimal cut sets of a consumer from an enumeration: failing cases none of whose proper subsets fails.

Method: within a cluster a combination of classes fails or not; the minimal failing combinations are found first, by
size, each size against the smaller ones found. They are written out in events only when asked for: any one event of
each class of a minimal combination makes a minimal cut set, as long as no two belong to one component. That is all of
them, since the outcome of a case is that of the set of its classes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations, product
from typing import overload

import numpy as np

from powerfault.failures.lane_order import sizes, unrank
from powerfault.failures.lanes import positions
from powerfault.failures.outcomes import CaseTable, Cluster
from powerfault.model.elements import Event

CutSet = tuple[Event, ...]


class CutSets(Sequence[CutSet]):
    """The minimal cut sets of one consumer, smallest first, then in case order; written out when first looked at.

    ``smallest`` is the size of the smallest one, ``None`` where there is none.
    """

    def __init__(self, events: Sequence[Event], by_classes: Sequence[Sequence[Sequence[int]]]) -> None:
        """``by_classes``: for each minimal combination, the event numbers of each of its classes."""
        self._events = events
        self._by_classes = by_classes
        self._all: list[CutSet] | None = None
        self.smallest = self._smallest()

    def _numbers(self, combination: Sequence[Sequence[int]]) -> Iterator[tuple[int, ...]]:
        for chosen in product(*combination):
            if len({self._events[e].id for e in chosen}) == len(chosen):
                yield tuple(sorted(chosen))

    def _smallest(self) -> int | None:
        for combination in sorted(self._by_classes, key=len):
            if next(self._numbers(combination), None) is not None:
                return len(combination)
        return None

    def _written(self) -> list[CutSet]:
        if self._all is None:
            numbers = [case for combination in self._by_classes for case in self._numbers(combination)]
            numbers.sort(key=lambda case: (len(case), case))
            self._all = [tuple(self._events[e] for e in case) for case in numbers]
        return self._all

    @overload
    def __getitem__(self, index: int) -> CutSet: ...
    @overload
    def __getitem__(self, index: slice) -> list[CutSet]: ...
    def __getitem__(self, index: int | slice) -> CutSet | list[CutSet]:
        return self._written()[index]

    def __len__(self) -> int:
        return len(self._written())

    def __iter__(self) -> Iterator[CutSet]:
        return iter(self._written())

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and list(self) == list(other)

    def __hash__(self) -> int:
        return hash(tuple(self._written()))

    def __repr__(self) -> str:
        return f"CutSets({self._written()!r})"


def minimal_cut_sets(table: CaseTable, rides: Sequence[int]) -> list[CutSets]:
    """Return the minimal cut sets of every consumer up to the table's order.

    ``rides[i]`` is the number of the stage that the i-th consumer rides through; it fails in a case whose outcome is
    greater. A consumer that fails with nothing failed has the one cut set ``()``.
    """
    found: list[CutSets | None] = [None] * len(table.consumers)
    for cluster in table.clusters:
        combinations_of = _Combinations(cluster)
        for i, consumer in enumerate(cluster.consumers):
            row = cluster.unserved[rides[int(consumer)], i]
            minimal = combinations_of.minimal(row)
            found[int(consumer)] = CutSets(
                table.events, [[cluster.classes[c] for c in combination] for combination in minimal]
            )
    return [f if f is not None else CutSets(table.events, []) for f in found]


class _Combinations:
    """The minimal failing combinations of a cluster's classes."""

    def __init__(self, cluster: Cluster) -> None:
        self.cluster = cluster
        self.q = len(cluster.classes)
        self.counts = sizes(self.q, cluster.order)

    def minimal(self, row: np.ndarray) -> list[tuple[int, ...]]:
        failing = positions(row, self.cluster.lane_count)
        if len(failing) and failing[0] == 0:
            return [()]
        found: list[tuple[int, ...]] = []
        singles = np.zeros(self.q, bool)
        larger: dict[int, set[tuple[int, ...]]] = {}
        start = 1
        for k in range(1, self.cluster.order + 1):
            stop = start + self.counts[k]
            own = failing[np.searchsorted(failing, start) : np.searchsorted(failing, stop)] - start
            start = stop
            if not len(own):
                continue
            chosen = unrank(own, self.q, k)
            if k > 1:
                chosen = chosen[~singles[chosen].any(axis=1)]
            fresh = [
                case
                for case in map(tuple, chosen.tolist())
                if not any(part in larger[size] for size in larger for part in combinations(case, size))
            ]
            if k == 1:
                singles[[case[0] for case in fresh]] = True
            elif fresh:
                larger[k] = set(fresh)
            found.extend(fresh)
        return found
