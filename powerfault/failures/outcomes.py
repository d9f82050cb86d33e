"""Outcomes of all cases up to an order, evaluated where they interact and put together where they do not.

A consumer's outcome is the number of stages that do not serve it: 0 ``uninterrupted`` to 4 ``lost``.

Consumers that the same events can reach form a *cluster* (:mod:`powerfault.failures.influence`). Of a cluster only its
own events matter, one of each class of identical effect (:mod:`powerfault.failures.classes`); it is evaluated on the
part of the network that bears on it, all combinations of its classes at once, one a lane. The outcome in any case is
then looked up: drop the events that cannot reach the consumer, put each other one's class in its place, find the lane.
So the work grows with the cases whose events interact, not with all cases, and a table of all cases is written out only
for who asks, a block at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from powerfault.failures.cases import Cases, case_blocks, count_cases
from powerfault.failures.classes import effect_classes
from powerfault.failures.energise import FailedRows, Plan, energise, make_plan
from powerfault.failures.influence import Influence, bit_positions, find_influence
from powerfault.failures.lane_order import rank, sizes, unrank
from powerfault.failures.lanes import Lanes, Row, WholeNumberLanes, WordLanes
from powerfault.model.elements import STAGES, Event
from powerfault.network.failure_modes import list_events, merge_given
from powerfault.network.graph import Network, restrict

LOST = len(STAGES)
LANES_AT_ONCE = 1 << 15
LANES_AS_NUMBERS = 1 << 14
"""Up to here whole numbers are the faster rows: an operation costs a tenth of a microsecond and not five."""
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
class Cluster:
    """Consumers evaluated together. ``consumers`` are positions in the table's list of consumers.

    ``classes`` groups event numbers of the table by identical effect; ``class_of`` maps an event number to its class
    from 1, or 0 where the event cannot reach the cluster. ``unserved`` (4, consumers, words) has a bit a combination of
    classes, combinations in the order of :mod:`powerfault.failures.lane_order`, sizes 0 to the table's order.
    """

    consumers: NDArray[np.int64]
    classes: list[list[int]]
    class_of: NDArray[np.int32]
    order: int
    unserved: NDArray[np.uint64]
    phase_unserved: NDArray[np.uint64] | None = None

    @property
    def lane_count(self) -> int:
        return sum(sizes(len(self.classes), self.order))

    def lanes_of(self, cases: Cases) -> NDArray[np.int64]:
        """Return the lane of each case, given as event numbers (n, order)."""
        q = len(self.classes)
        start = np.cumsum([0, *sizes(q, self.order)])
        found = np.sort(self.class_of[cases].astype(np.int64), axis=1)
        if found.shape[1] > 1:
            repeated = np.zeros(found.shape, bool)
            repeated[:, 1:] = found[:, 1:] == found[:, :-1]
            found[repeated] = 0
            found.sort(axis=1)
        known = (found > 0).sum(axis=1)
        lanes = np.zeros(len(cases), np.int64)
        for k in range(1, found.shape[1] + 1):
            own = np.flatnonzero(known == k)
            if len(own):
                lanes[own] = start[k] + rank(found[own, found.shape[1] - k :] - 1, q)
        return lanes

    def lane_outcomes(self) -> NDArray[np.uint8]:
        """Return the outcomes by lane, shape (lanes, consumers)."""
        return sum_bits(self.unserved, self.lane_count)


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
        by_phase: list[NDArray[np.uint8]] = []
        if self.phase_baseline is not None:
            by_phase = [
                np.stack([sum_bits(rows, c.lane_count) for rows in c.phase_unserved])
                for c in self.clusters
                if c.phase_unserved is not None
            ]
        for cases in case_blocks(self.events, k, CASES_AT_ONCE):
            outcomes = np.empty((len(cases), len(self.consumers)), np.uint8)
            phase_outcomes = None
            if by_phase:
                phase_outcomes = np.empty((len(self.phases), *outcomes.shape), np.uint8)
            for i, cluster in enumerate(self.clusters):
                lanes = cluster.lanes_of(cases)
                outcomes[:, cluster.consumers] = by_lane[i][lanes]
                if phase_outcomes is not None:
                    phase_outcomes[:, :, cluster.consumers] = by_phase[i][:, lanes]
            yield CaseBlock(cases, outcomes, phase_outcomes)


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
    given = tuple(given)
    standing = merge_given(network.topology, given)
    events = list_events(network.topology, modes, given)
    plan = make_plan(network)
    consumers = tuple(network.ids[v] for v in network.consumers)
    influence = find_influence(plan, (*events, *standing))
    groups = group_consumers(plan, influence, events, order)
    total = sum(sum(sizes(len(own), order)) for _, own in groups)
    done = 0
    clusters = []
    for nodes, own_events in groups:
        cluster = _evaluate_cluster(plan, influence, nodes, own_events, events, standing, order, by_phase)
        clusters.append(cluster)
        done += sum(sizes(len(own_events), order))
        if progress is not None:
            progress(done, total)
    baseline = np.zeros(len(consumers), np.uint8)
    phase_baseline = np.zeros((len(plan.phases), len(consumers)), np.uint8) if by_phase else None
    for cluster in clusters:
        baseline[cluster.consumers] = sum_bits(cluster.unserved[:, :, :1], 1)[0]
        if phase_baseline is not None and cluster.phase_unserved is not None:
            for p, rows in enumerate(cluster.phase_unserved):
                phase_baseline[p, cluster.consumers] = sum_bits(rows[:, :, :1], 1)[0]
    return CaseTable(events, standing, consumers, order, baseline, clusters, plan.phases, phase_baseline)


def group_consumers(
    plan: Plan, influence: Influence, events: Sequence[Event], order: int
) -> list[tuple[list[int], list[int]]]:
    """Return groups of consumers to evaluate together, each as (nodes of the consumers, event numbers that reach them).

    Consumers of the same events go together; so do others as long as that costs less than evaluating them apart (the
    cost of a group: its events, as the size of its part of the network, times a fixed cost a row and its words).
    """
    network = plan.network
    by_place: dict[int, list[int]] = {}
    for i, e in enumerate(events):
        for place in influence.places(network.index[e.id], e.mode):
            by_place.setdefault(place, []).append(i)
    sensitive = sum(1 << place for place in by_place)
    same: dict[int, list[int]] = {}
    for v in network.consumers:
        same.setdefault(influence.reaching[v] & sensitive, []).append(v)

    def cost(count: int) -> float:
        return count * (400 + sum(sizes(count, order)) / 64)

    groups: list[tuple[int, int, list[int]]] = []
    for bits, nodes in sorted(same.items(), key=lambda item: -item[0].bit_count()):
        size, best, gain = bits.bit_count(), -1, 0.0
        for g, (other, other_size, _) in enumerate(groups):
            if bits & other == 0 and size:
                continue
            united = (bits | other).bit_count()
            saved = cost(size) + cost(other_size) - cost(united)
            if saved > gain:
                best, gain = g, saved
        if best < 0 and groups and not size:
            best = 0
        if best < 0:
            groups.append((bits, size, list(nodes)))
        else:
            other, _, held = groups[best]
            held.extend(nodes)
            groups[best] = (bits | other, (bits | other).bit_count(), held)
    result = []
    for bits, _, nodes in groups:
        own = {e for place in bit_positions(bits) for e in by_place[place]}
        result.append((sorted(nodes), sorted(own)))
    return result


def _evaluate_cluster(
    plan: Plan,
    influence: Influence,
    nodes: list[int],
    own_events: list[int],
    events: Sequence[Event],
    standing: Sequence[Event],
    order: int,
    by_phase: bool,
) -> Cluster:
    network = plan.network
    kept = influence.nodes_for(nodes)
    part = make_plan(restrict(network, kept)) if len(kept) < len(network.ids) else plan
    index = part.network.index
    struck = [(index[events[e].id], events[e].mode) for e in own_events]
    groups = effect_classes(part, struck)
    classes = [[own_events[i] for i in group] for group in groups]
    class_of = np.zeros(len(events), np.int32)
    for c, members in enumerate(classes, 1):
        class_of[members] = c
    keys = [struck[group[0]] for group in groups]
    always = {(index[e.id], e.mode) for e in standing if e.id in index}

    q = len(classes)
    counts = sizes(q, order)
    total = sum(counts)
    words = -(-total // 64)
    local = [index[network.ids[v]] - part.network.n_components for v in nodes]
    unserved = np.zeros((len(STAGES), len(nodes), words), np.uint64)
    phase_unserved = np.zeros((len(part.phases), *unserved.shape), np.uint64) if by_phase else None
    for begin in range(0, total, LANES_AT_ONCE):
        end = min(total, begin + LANES_AT_ONCE)
        place = slice(begin // 64, -(-end // 64))
        small = end - begin <= LANES_AS_NUMBERS
        lanes: Lanes = WholeNumberLanes(end - begin) if small else WordLanes(end - begin)
        failed: dict[tuple[int, str], Row] = {key: lanes.full for key in always}
        failed.update(zip(keys, (class_numbers if small else class_rows)(q, order, begin, end), strict=True))
        found = energise(part, lanes, failed, keep_phases=by_phase)
        _write(unserved, found.unserved, local, place)
        if phase_unserved is not None:
            for p, stages in enumerate(found.phase_unserved):
                _write(phase_unserved[p], stages, local, place)
    positions = np.array(nodes, np.int64) - network.n_components
    return Cluster(positions, classes, class_of, order, unserved, phase_unserved)


def _write(target: NDArray[np.uint64], stages: list[list[Row]], consumers: list[int], place: slice) -> None:
    """Write the rows of some consumers, arrays or whole numbers, into ``target`` (4, consumers, words)."""
    words = place.stop - place.start
    for s, rows in enumerate(stages):
        for i, c in enumerate(consumers):
            row = rows[c]
            if not isinstance(row, int):
                target[s, i, place] = row
            elif row:
                target[s, i, place] = np.frombuffer(row.to_bytes(8 * words, "little"), "<u8")


@lru_cache(maxsize=64)
def class_numbers(q: int, order: int, begin: int, end: int) -> list[int]:
    """As :func:`class_rows`, as whole numbers."""
    return [
        int.from_bytes(row.astype("<u8", copy=False).tobytes(), "little") for row in class_rows(q, order, begin, end)
    ]


def class_rows(q: int, order: int, begin: int, end: int) -> NDArray[np.uint64]:
    """Return, by class, the lanes ``begin`` to ``end`` whose combination holds it: shape (q, words)."""
    words = -(-(end - begin) // 64)
    bits = np.zeros((q, words), np.uint64)
    flat = bits.reshape(-1)
    start = 0
    for k, count in enumerate(sizes(q, order)):
        low, high = max(begin, start), min(end, start + count)
        if k and low < high:
            chosen = unrank(np.arange(low - start, high - start), q, k)
            lane = np.arange(low - begin, high - begin)
            word, bit = lane >> 6, np.uint64(1) << (lane & 63).astype(np.uint64)
            for column in chosen.T:
                np.bitwise_or.at(flat, column * words + word, bit)
        start += count
    return bits


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
