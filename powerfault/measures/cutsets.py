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
from numpy.typing import NDArray

from powerfault.failures.lane_order import sizes, unrank
from powerfault.failures.lanes import positions
from powerfault.failures.outcomes import CaseTable, Cluster
from powerfault.model.elements import Event

CutSet = tuple[Event, ...]
Combinations = list[NDArray[np.int64]]
"""Minimal failing combinations of classes, an array (n, size) for each size."""


class CutSets(Sequence[CutSet]):
    """The minimal cut sets of one consumer, smallest first, then in case order; written out when first looked at.

    ``smallest`` is the size of the smallest one, ``None`` where there is none.
    """

    def __init__(self, events: Sequence[Event], classes: Sequence[Sequence[int]], minimal: Combinations) -> None:
        """``classes`` are the event numbers of each class, ``minimal`` the combinations of them."""
        self._events, self._classes, self._minimal = events, classes, minimal
        self._all: list[CutSet] | None = None

    @property
    def smallest(self) -> int | None:
        for chosen in self._minimal:
            # Only classes of one component alone can keep each other from happening together.
            if any(True for row in chosen if next(self._numbers(row), None) is not None):
                return int(chosen.shape[1])
        return None

    def _numbers(self, combination: NDArray[np.int64]) -> Iterator[tuple[int, ...]]:
        for chosen in product(*(self._classes[c] for c in combination)):
            if len({self._events[e].id for e in chosen}) == len(chosen):
                yield tuple(sorted(chosen))

    def _written(self) -> list[CutSet]:
        if self._all is None:
            numbers = [case for chosen in self._minimal for row in chosen for case in self._numbers(row)]
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
    found = [CutSets(table.events, (), [])] * len(table.consumers)
    for cluster in table.clusters:
        known: dict[bytes, Combinations] = {}
        for i, consumer in enumerate(cluster.plan.consumers):
            row = cluster.unserved[rides[int(consumer)], i]
            key = row.tobytes()
            if key not in known:
                known[key] = minimal_combinations(cluster, row)
            found[int(consumer)] = CutSets(table.events, cluster.plan.classes, known[key])
    return found


def minimal_combinations(cluster: Cluster, row: NDArray[np.uint64]) -> Combinations:
    """Return the minimal failing combinations of a cluster's classes from the row of failing lanes."""
    q, order = len(cluster.plan.classes), cluster.plan.order
    failing = positions(row, cluster.plan.lane_count)
    if len(failing) and failing[0] == 0:
        return [np.zeros((1, 0), np.int64)]
    found: Combinations = []
    singles = np.zeros(q, bool)
    larger: dict[int, set[tuple[int, ...]]] = {}
    start = 1
    for k, count in enumerate(sizes(q, order)[1:], 1):
        own = failing[np.searchsorted(failing, start) : np.searchsorted(failing, start + count)] - start
        start += count
        if not len(own):
            continue
        chosen = unrank(own, q, k)
        if k == 1:
            singles[chosen[:, 0]] = True
        else:
            chosen = chosen[~singles[chosen].any(axis=1)]
        if larger and len(chosen):
            fresh = [
                not any(part in larger[size] for size in larger for part in combinations(case, size))
                for case in map(tuple, chosen.tolist())
            ]
            chosen = chosen[np.array(fresh)]
        if 1 < k < order and len(chosen):
            larger[k] = set(map(tuple, chosen.tolist()))
        if len(chosen):
            found.append(chosen)
    return found
