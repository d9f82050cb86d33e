"""Minimal cut sets up to an order without visiting all cases, for systems where enumeration is out of reach.

Method: a tree whose root is the empty set. A set that fails the consumer is a cut and a leaf. For any other set S a
*path set* P is found: events outside S such that the consumer is served whenever all of P are absent, whatever else
has happened. The children of S are S + {e} for each e in P.

**None is missed.** Let C be a cut set with at most K events. Suppose S is in the tree, S is part of C and S does not
fail. If C had no event of P, then C would be some of "whatever else has happened" while all of P is absent, so the
consumer would be served: but C fails it. Hence C holds some e of P, and S + {e} is a child of S and part of C. The
root is part of every C; so by induction a growing chain of subsets of C lies in the tree, and it ends, after at most K
steps, at a set that fails. For a minimal C that set is C itself. What is found and not minimal contains a smaller set
that is found, and is dropped.

P comes from failing as much as can be without failing the consumer: events are added one after another (first in
chunks) and kept where the consumer stays served; P is what is left over, and since outcomes never improve by further
events it has the property above. All sets of a level are lanes of one evaluation, so a level costs a run of the engine
per chunk and per event of the chunks that some path runs through, whatever the number of sets; the number of sets is
at most |P| to the power K, and not the number of events to the power K.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from powerfault.failures.clusters import ClusterPlan, SystemPlan
from powerfault.failures.energise import energise
from powerfault.failures.lanes import Row, WholeNumberLanes
from powerfault.tolerance.cutsets.enumerated import CutSets

CHUNK = 16
SETS_AT_ONCE = 1 << 13
EventSet = frozenset[int]


def direct_cut_sets(system: SystemPlan, rides: Sequence[int]) -> list[CutSets]:
    """Return the minimal cut sets of every consumer up to the system's order, as :func:`minimal_cut_sets` would.

    ``rides[i]`` is the number of the stage that the i-th consumer rides through. Memory grows with the sets of one
    level of the tree of one cluster.
    """
    found = [CutSets(system.events, (), [])] * len(rides)
    for cluster in system.clusters:
        search = _Search(cluster, [rides[int(c)] for c in cluster.consumers])
        for consumer, cuts in zip(cluster.consumers, search.cuts(), strict=True):
            by_size = []
            for k in range(cluster.order + 1):
                own = sorted(tuple(sorted(c)) for c in cuts if len(c) == k)
                if own:
                    by_size.append(np.array(own, np.int64).reshape(len(own), k))
            found[int(consumer)] = CutSets(system.events, cluster.classes, by_size)
    return found


class _Search:
    """The trees of all consumers of one cluster, level by level. A set is one of class numbers from 0."""

    def __init__(self, cluster: ClusterPlan, rides: Sequence[int]) -> None:
        self.cluster, self.rides = cluster, rides
        self.q = len(cluster.classes)

    def cuts(self) -> list[list[EventSet]]:
        """Return the minimal cut sets of each consumer, as sets of classes."""
        cuts: list[list[EventSet]] = [[] for _ in self.rides]
        level: list[tuple[int, EventSet]] = [(i, frozenset()) for i in range(len(self.rides))]
        for size in range(self.cluster.order + 1):
            children: dict[tuple[int, EventSet], None] = {}
            fresh: list[list[EventSet]] = [[] for _ in self.rides]
            for start in range(0, len(level), SETS_AT_ONCE):
                sets = level[start : start + SETS_AT_ONCE]
                fails = self._evaluate(sets)[1]
                for lane, (i, own) in enumerate(sets):
                    if fails >> lane & 1:
                        fresh[i].append(own)
                if size == self.cluster.order:
                    continue
                for (i, own), path in self._paths(sets, fails):
                    for e in path:
                        children[i, own | {e}] = None
            for i, own_cuts in enumerate(fresh):
                cuts[i].extend(own_cuts)
            level = [(i, own) for i, own in children if not any(cut <= own for cut in cuts[i])]
        return cuts

    def _evaluate(self, sets: Sequence[tuple[int, EventSet]]) -> tuple[list[int], int]:
        """Return the row of each class and the lanes in which the set of the lane fails its consumer."""
        rows = [0] * self.q
        for lane, (_, own) in enumerate(sets):
            for e in own:
                rows[e] |= 1 << lane
        own_lanes = self._own_lanes(sets)
        return rows, self._fails(rows, own_lanes, len(sets))

    def _own_lanes(self, sets: Sequence[tuple[int, EventSet]]) -> list[int]:
        lanes = [0] * len(self.rides)
        for lane, (i, _) in enumerate(sets):
            lanes[i] |= 1 << lane
        return lanes

    def _fails(self, rows: Sequence[int], own_lanes: Sequence[int], count: int) -> int:
        lanes = WholeNumberLanes(count)
        failed: dict[tuple[int, str], Row] = dict.fromkeys(self.cluster.always, lanes.full)
        failed.update((strike, row) for strike, row in zip(self.cluster.strikes, rows, strict=True) if row)
        found = energise(self.cluster.plan, lanes, failed)
        fails = 0
        for i, ride in enumerate(self.rides):
            fails |= int(found.unserved[ride][self.cluster.rows[i]]) & own_lanes[i]
        return fails

    def _paths(self, sets: Sequence[tuple[int, EventSet]], fails: int) -> list[tuple[tuple[int, EventSet], list[int]]]:
        """Return each set that does not fail with a path set beside it."""
        kept = [s for lane, s in enumerate(sets) if not fails >> lane & 1]
        if not kept:
            return []
        rows, _ = self._evaluate(kept)
        own_lanes, count = self._own_lanes(kept), len(kept)
        full = (1 << count) - 1
        for start in range(0, self.q, CHUNK):
            chunk = range(start, min(self.q, start + CHUNK))
            refused = self._try(rows, chunk, full, own_lanes, count)
            if refused and len(chunk) > 1:
                for e in chunk:
                    self._try(rows, [e], refused, own_lanes, count)
        paths: list[list[int]] = [[] for _ in kept]
        for e in range(self.q):
            absent = full & ~rows[e]
            for lane in range(count):
                if absent >> lane & 1:
                    paths[lane].append(e)
        return list(zip(kept, paths, strict=True))

    def _try(self, rows: list[int], events: Sequence[int], where: int, own_lanes: Sequence[int], count: int) -> int:
        """Fail ``events`` too in the lanes ``where``; keep that where the consumer stays served, else take it back.

        Returns the lanes in which it was taken back.
        """
        tried = list(rows)
        for e in events:
            tried[e] |= where
        refused = self._fails(tried, own_lanes, count) & where
        for e in events:
            rows[e] |= where & ~refused
        return refused
