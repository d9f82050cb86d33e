"""Minimal cut sets of a consumer from an enumeration: failing cases none of whose proper subsets fails.

Method: within a cluster a combination of classes fails or not; the minimal failing combinations are found first, in the
order of the lanes, so that all smaller ones are known when a combination is looked at. Those that hold a smaller one
are struck out as words of lanes where that is cheap (a single, often a pair), and one by one where few are left. The
minimal ones are written out in events only when asked for: any one event of each class of a minimal combination makes a
minimal cut set, as long as no two belong to one component. That is all of them, since the outcome of a case is that of
the set of its classes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import combinations, product
from typing import overload

import numpy as np
from numpy.typing import NDArray

from powerfault.failures.clusters import ClusterPlan, SystemPlan
from powerfault.failures.evaluation import cluster_rows
from powerfault.failures.lane_order import piece_rows, rank, sizes, unrank
from powerfault.failures.lanes import positions
from powerfault.failures.outcomes import CaseTable, Progress
from powerfault.model.elements import Event

CutSet = tuple[Event, ...]
Words = NDArray[np.uint64]
Chosen = NDArray[np.int64]
"""Combinations of classes, (n, size), each ascending."""
Combinations = list[Chosen]
"""Minimal failing combinations, an array for each size."""
UNRANKED_NS, COVERED_NS = 200, 2
"""About what it costs to look at a lane by itself, and to strike out a combination in a word of lanes."""


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

    def of_size(self, size: int) -> list[CutSet]:
        """Return the cut sets of so many events alone, without writing out the others."""
        numbers = [
            case for chosen in self._minimal if chosen.shape[1] == size for row in chosen for case in self._numbers(row)
        ]
        numbers.sort()
        return [tuple(self._events[e] for e in case) for case in numbers]

    def _written(self) -> list[CutSet]:
        if self._all is None:
            sizes_held = sorted({chosen.shape[1] for chosen in self._minimal})
            self._all = [cut for size in sizes_held for cut in self.of_size(size)]
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
        rows = ((begin, end, cluster.unserved[..., begin // 64 : -(-end // 64)]) for begin, end in cluster.plan.pieces)
        _fill(found, table.events, cluster.plan, rides, rows)
    return found


def cut_sets_of_system(system: SystemPlan, rides: Sequence[int], progress: Progress | None = None) -> list[CutSets]:
    """As :func:`minimal_cut_sets`, evaluating the system a piece at a time and keeping none."""
    found = [CutSets(system.events, (), [])] * len(rides)
    done = 0

    def rows(cluster: ClusterPlan) -> Iterator[tuple[int, int, Words]]:
        nonlocal done
        for begin, end in cluster.pieces:
            yield begin, end, cluster_rows(cluster, begin, end)[0]
            done += end - begin
            if progress is not None:
                progress(done, system.lane_count)

    for cluster in system.clusters:
        _fill(found, system.events, cluster, rides, rows(cluster))
    return found


def _fill(
    found: list[CutSets],
    events: Sequence[Event],
    cluster: ClusterPlan,
    rides: Sequence[int],
    pieces: Iterable[tuple[int, int, Words]],
) -> None:
    """Find the cut sets of a cluster's consumers from its ``pieces``: (first lane, lane after the last, unserved).

    Consumers that have failed in the same lanes so far are looked at together.
    """
    q, order = len(cluster.classes), cluster.order
    groups = [(list(range(len(cluster.consumers))), _Minimal(q, order))]
    for begin, end, unserved in pieces:
        rows = piece_rows(q, order, begin, end)
        refined: list[tuple[list[int], _Minimal]] = []
        for members, minimal in groups:
            alike: dict[bytes, list[int]] = {}
            for i in members:
                failing = unserved[rides[int(cluster.consumers[i])], i]
                alike.setdefault(failing.tobytes(), []).append(i)
            for bits, own in alike.items():
                extended = minimal.copy()
                extended.add(np.frombuffer(bits, np.uint64), rows, begin, end)
                refined.append((own, extended))
        groups = refined
    for members, minimal in groups:
        for i in members:
            found[int(cluster.consumers[i])] = CutSets(events, cluster.classes, minimal.combinations())


class _Minimal:
    """The minimal failing combinations of q classes, found from ascending lanes."""

    def __init__(self, q: int, order: int) -> None:
        self.q, self.order = q, order
        self._of_size: dict[int, list[Chosen]] = {}

    def copy(self) -> _Minimal:
        other = _Minimal(self.q, self.order)
        other._of_size = {k: list(own) for k, own in self._of_size.items()}
        return other

    def combinations(self) -> Combinations:
        return [np.concatenate(own) for _, own in sorted(self._of_size.items())]

    def add(self, failing: Words, rows: Words, begin: int, end: int) -> None:
        """Add what is minimal among the lanes ``begin`` to ``end``; ``rows`` (q, words) are those of the classes."""
        if begin == 0 and failing[0] & 1:
            self._of_size[0] = [np.zeros((1, 0), np.int64)]
        start = 1
        for k, count in enumerate(sizes(self.q, self.order)[1:], 1):
            low, high = max(begin, start), min(end, start + count)
            if low < high and 0 not in self._of_size:
                first, last = (low - begin) >> 6, -(-(high - begin) // 64)
                left = failing[first:last] & ~self._covered(rows[:, first:last], 1)
                lanes = self._lanes(left, begin + 64 * first, low, high)
                if k > 2 and len(lanes) * UNRANKED_NS > self._count(2) * len(left) * COVERED_NS:
                    left &= ~self._covered(rows[:, first:last], 2)
                    lanes = self._lanes(left, begin + 64 * first, low, high)
                if len(lanes):
                    chosen = self._unmet(unrank(lanes - start, self.q, k))
                    if len(chosen):
                        self._of_size.setdefault(k, []).append(chosen)
            start += count

    def _count(self, k: int) -> int:
        return sum(map(len, self._of_size.get(k, ())))

    @staticmethod
    def _lanes(row: Words, at: int, low: int, high: int) -> NDArray[np.int64]:
        lanes = positions(row, 64 * len(row)) + at
        if len(lanes) and (lanes[0] < low or lanes[-1] >= high):
            lanes = lanes[(lanes >= low) & (lanes < high)]
        return lanes

    def _covered(self, rows: Words, k: int) -> Words:
        """Return the lanes that hold a minimal combination of one or two classes."""
        covered = np.zeros(rows.shape[1], np.uint64)
        for chosen in self._of_size.get(k, ()):
            if k == 1:
                covered |= np.bitwise_or.reduce(rows[chosen[:, 0]], axis=0)
                continue
            for first in np.unique(chosen[:, 0]):
                covered |= rows[first] & np.bitwise_or.reduce(rows[chosen[chosen[:, 0] == first, 1]], axis=0)
        return covered

    def _unmet(self, chosen: Chosen) -> Chosen:
        """Return those of ``chosen`` that hold no smaller minimal combination of two or more classes."""
        for k in range(2, chosen.shape[1]):
            if k not in self._of_size:
                continue
            known = rank(np.concatenate(self._of_size[k]), self.q)
            for part in combinations(range(chosen.shape[1]), k):
                own = rank(chosen[:, part], self.q)
                at = np.minimum(np.searchsorted(known, own), len(known) - 1)
                chosen = chosen[known[at] != own]
        return chosen
