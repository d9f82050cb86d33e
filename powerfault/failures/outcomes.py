"""Outcomes of all cases up to an order, evaluated where they interact and put together where they do not.

A consumer's outcome is the number of stages that do not serve it: 0 ``uninterrupted`` to 4 ``lost``. It is looked up
in the cluster of the consumer (``failures.clusters``): drop the events that cannot reach it, put each
other one's class in its place, find the lane. So the work grows with the cases whose events interact, not with all
cases, and a table of all cases is written out only for who asks, a block at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from powerfault.failures.cases import Cases, case_blocks, count_cases, group_ends
from powerfault.failures.clusters import ClusterPlan, SystemPlan, plan_system
from powerfault.failures.energise import FailedRows, charged_before, energise
from powerfault.failures.lanes import Row, WordLanes
from powerfault.failures.pieces import run_pieces
from powerfault.failures.plan import Plan, make_plan
from powerfault.model.elements import STAGES, Event
from powerfault.network.graph import Network

LOST = len(STAGES)
CASES_AT_ONCE = 1 << 16
Progress = Callable[[int, int], None]
"""Called with cases done and cases in all."""


@dataclass(slots=True)
class CaseBlock:
    """Some cases of one order: event numbers (cases, order), outcomes (cases, consumers), 0 to 4.

    ``phase_outcomes``, (phases, cases, consumers), is there where it was asked for.
    """

    cases: Cases
    outcomes: NDArray[np.uint8]
    phase_outcomes: NDArray[np.uint8] | None = None


@dataclass(slots=True)
class TouchedCases:
    """A run of cases (n, order) and, sorted by case and consumer, each (case, consumer) that is not uninterrupted.

    ``case`` counts within the run; ``outcome`` is 1 to 4.
    """

    cases: Cases
    case: NDArray[np.int64]
    consumer: NDArray[np.int64]
    outcome: NDArray[np.uint8]


@dataclass(slots=True)
class Cluster:
    """A cluster evaluated. ``unserved`` (4, consumers, words) has a bit a combination of classes, in the order of
    ``failures.lane_order``, sizes 0 to the table's order; ``phase_unserved`` has phases before that.
    """

    plan: ClusterPlan
    unserved: NDArray[np.uint64]
    phase_unserved: NDArray[np.uint64] | None = None

    def lane_outcomes(self) -> NDArray[np.uint8]:
        """Return the outcomes by lane, shape (lanes, consumers)."""
        return sum_bits(self.unserved, self.plan.lane_count)

    def lane_phase_outcomes(self) -> NDArray[np.uint8]:
        """Return the outcomes by phase and lane, shape (phases, lanes, consumers)."""
        assert self.phase_unserved is not None
        return np.stack([sum_bits(rows, self.plan.lane_count) for rows in self.phase_unserved])


@dataclass(slots=True)
class CaseTable:
    """All cases of a study up to an order. ``baseline`` (consumers,) are the outcomes with nothing more failed."""

    events: tuple[Event, ...]
    standing: tuple[Event, ...]
    consumers: tuple[str, ...]
    order: int
    baseline: NDArray[np.uint8]
    clusters: list[Cluster]
    phases: tuple[str, ...] = ()
    phase_baseline: NDArray[np.uint8] | None = None

    @property
    def case_count(self) -> int:
        return sum(count_cases(self.events, self.order)[1:])

    @property
    def blocks(self) -> Iterator[CaseBlock]:
        """All cases written out, orders ascending, a block at a time."""
        for k in range(1, self.order + 1):
            yield from self.of_order(k)

    def of_order(self, k: int) -> Iterator[CaseBlock]:
        """All cases of exactly ``k`` events written out, in lexicographic order, a block at a time."""
        by_lane = [c.lane_outcomes() for c in self.clusters]
        by_phase = [c.lane_phase_outcomes() for c in self.clusters] if self.phase_baseline is not None else []
        for cases in case_blocks(self.events, k, CASES_AT_ONCE):
            outcomes = np.empty((len(cases), len(self.consumers)), np.uint8)
            phase_outcomes = None
            if by_phase:
                phase_outcomes = np.empty((len(self.phases), *outcomes.shape), np.uint8)
            for i, cluster in enumerate(self.clusters):
                lanes = cluster.plan.lanes_of(cases)
                outcomes[:, cluster.plan.consumers] = by_lane[i][lanes]
                if phase_outcomes is not None:
                    phase_outcomes[:, :, cluster.plan.consumers] = by_phase[i][:, lanes]
            yield CaseBlock(cases, outcomes, phase_outcomes)

    def touched(self) -> Iterator[TouchedCases]:
        """All cases in order with the consumers that are not uninterrupted in them alone, a run of cases at a time.

        Up to order 2 the work grows with what is written, and not with cases x consumers: of a pair only the clusters
        that its first event reaches are looked up together; elsewhere its second event acts as if alone.
        """
        for k in range(1, self.order + 1):
            yield from self._touched_pairs() if k == 2 else map(_touched_block, self.of_order(k))

    def _touched_pairs(self) -> Iterator[TouchedCases]:
        n, n_consumers = len(self.events), len(self.consumers)
        if n < 2:
            return
        by_lane = [c.lane_outcomes() for c in self.clusters]
        cluster_of = np.zeros(n_consumers, np.int64)
        reach: list[list[int]] = [[] for _ in range(n)]
        always = []
        for c, cluster in enumerate(self.clusters):
            cluster_of[cluster.plan.consumers] = c
            if by_lane[c][0].any():
                always.append(c)
            for e in np.flatnonzero(cluster.plan.class_of):
                reach[e].append(c)
        singles = next(iter(self.of_order(1))) if n <= CASES_AT_ONCE else None
        outcomes = singles.outcomes if singles is not None else np.concatenate([b.outcomes for b in self.of_order(1)])
        alone_event, alone_consumer = np.nonzero(outcomes)
        alone_outcome = outcomes[alone_event, alone_consumer]
        alone_cluster = cluster_of[alone_consumer]
        ends = group_ends(self.events)
        for first in range(n):
            second = np.arange(ends[first], n)
            if not len(second):
                continue
            together = list(dict.fromkeys((*reach[first], *always)))
            cases = np.column_stack([np.full(len(second), first), second]).astype(np.int32)
            begin = np.searchsorted(alone_event, second[0])
            apart = np.ones(len(self.clusters), bool)
            apart[together] = False
            kept = np.flatnonzero(apart[alone_cluster[begin:]]) + begin
            rows = [alone_event[kept] - second[0]]
            columns, values = [alone_consumer[kept]], [alone_outcome[kept]]
            for c in together:
                found = by_lane[c][self.clusters[c].plan.lanes_of(cases)]
                row, column = np.nonzero(found)
                rows.append(row)
                columns.append(self.clusters[c].plan.consumers[column])
                values.append(found[row, column])
            row, column, value = map(np.concatenate, (rows, columns, values))
            order = np.argsort(row * n_consumers + column, kind="stable")
            yield TouchedCases(cases, row[order], column[order], value[order])


def _touched_block(block: CaseBlock) -> TouchedCases:
    row, column = np.nonzero(block.outcomes)
    return TouchedCases(block.cases, row, column, block.outcomes[row, column])


def evaluate_table(
    network: Network,
    order: int,
    modes: Sequence[str] = ("loss",),
    given: Iterable[Event] = (),
    *,
    by_phase: bool = False,
    progress: Progress | None = None,
) -> CaseTable:
    """Evaluate every case of 1 to ``order`` events. Work grows with the cases whose events interact."""
    return evaluate_system(plan_system(network, order, modes, given), by_phase=by_phase, progress=progress)


def evaluate_system(
    system: SystemPlan,
    *,
    by_phase: bool = False,
    jobs: int = 1,
    keep: Path | None = None,
    progress: Progress | None = None,
    at_once: bool = False,
) -> CaseTable:
    """Evaluate a planned system in the long run or ``at_once``; see ``pieces.run_pieces`` for ``jobs`` and ``keep``."""
    network = system.network
    charged = None
    if at_once:
        standing = [(network.index[e.id], e.mode) for e in system.standing]
        charged = frozenset(network.ids[v] for v in charged_before(make_plan(network), standing))
    consumers = tuple(network.ids[v] for v in network.consumers)
    phases = network.topology.phase_names
    rows = run_pieces(system, by_phase=by_phase, jobs=jobs, keep=keep, progress=progress, charged=charged)
    clusters = [
        Cluster(plan, own[0], own[1:] if by_phase else None) for plan, own in zip(system.clusters, rows, strict=True)
    ]
    baseline = np.zeros(len(consumers), np.uint8)
    phase_baseline = np.zeros((len(phases), len(consumers)), np.uint8) if by_phase else None
    for cluster in clusters:
        baseline[cluster.plan.consumers] = sum_bits(cluster.unserved[:, :, :1], 1)[0]
        if phase_baseline is not None and cluster.phase_unserved is not None:
            for p, own in enumerate(cluster.phase_unserved):
                phase_baseline[p, cluster.plan.consumers] = sum_bits(own[:, :, :1], 1)[0]
    return CaseTable(
        system.events, system.standing, consumers, system.order, baseline, clusters, phases, phase_baseline
    )


def sum_bits(rows: NDArray[np.uint64], count: int) -> NDArray[np.uint8]:
    """Sum bits over the first axis: (stages, consumers, words) to (count, consumers)."""
    total = np.zeros((rows.shape[1], count), np.uint8)
    for stage in rows:
        words = np.ascontiguousarray(stage).astype("<u8", copy=False)
        total += np.unpackbits(words.view(np.uint8), axis=1, bitorder="little")[:, :count]
    return np.ascontiguousarray(total.T)


def evaluate_block(
    plan: Plan, events: Sequence[Event], cases: Cases, standing: Iterable[Event] = (), *, by_phase: bool = False
) -> CaseBlock:
    """Evaluate some cases given as event numbers, shape (n, events in each), on the whole network."""
    lanes = WordLanes(len(cases))
    failed = event_rows(plan.network, events, cases, standing, lanes)
    result = energise(plan, lanes, failed, keep_phases=by_phase)
    shape = (len(STAGES), len(plan.network.consumers), lanes.words)
    unserved = np.array(result.unserved, np.uint64).reshape(shape)
    phase_outcomes = None
    if by_phase:
        by_phases = np.array(result.phase_unserved, np.uint64).reshape(-1, *shape)
        phase_outcomes = np.stack([sum_bits(rows, len(cases)) for rows in by_phases])
    return CaseBlock(cases, sum_bits(unserved, len(cases)), phase_outcomes)


def event_rows(
    network: Network, events: Sequence[Event], cases: Cases, standing: Iterable[Event], lanes: WordLanes
) -> FailedRows:
    """Return the row of each (node, mode) that happens in some of ``cases``."""
    rows: dict[tuple[int, str], Row] = {(network.index[e.id], e.mode): lanes.full for e in standing}
    if cases.shape[1] == 0 or len(cases) == 0:
        return rows
    lane = np.repeat(np.arange(len(cases), dtype=np.int64), cases.shape[1])
    used, inverse = np.unique(cases.ravel(), return_inverse=True)
    bits = np.zeros((len(used), lanes.words), np.uint64)
    np.bitwise_or.at(
        bits.reshape(-1), inverse.ravel() * lanes.words + (lane >> 6), np.uint64(1) << (lane & 63).astype(np.uint64)
    )
    for i, e in enumerate(used):
        event = events[int(e)]
        rows[network.index[event.id], event.mode] = bits[i]
    return rows
