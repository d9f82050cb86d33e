"""The combinations of a cluster evaluated, a piece of them at a time.

A few are evaluated on whole numbers, more on words. A large cluster is recorded once on a sample of its combinations
(``failures.recording``), and every piece is a run of the schedule made of that. Lanes do not depend on
each other, so the run is right in all lanes but those in which a check of the schedule failed: these are evaluated
again by themselves, and some join the sample, of which a new schedule is made now and then.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from powerfault.failures.clusters import ClusterPlan
from powerfault.failures.energise import energise
from powerfault.failures.lane_order import as_numbers, class_numbers, class_rows, rank, rows_holding, sizes
from powerfault.failures.lanes import Lanes, Row, WholeNumberLanes, WordLanes
from powerfault.failures.recording import RecordingLanes
from powerfault.failures.schedule import Schedule
from powerfault.model.elements import STAGES

Rows = Sequence[Row] | NDArray[np.uint64]
LANES_AS_NUMBERS = 1 << 14
"""Up to here whole numbers are the faster rows: an operation costs a tenth of a microsecond and not one."""
LANES_INTERPRETED = 1 << 16
"""Up to here an evaluation costs less than to record one."""
SAMPLE_LANES = 1 << 13
SAMPLE_MORE = 1 << 10
STARTS = 256


class ClusterEvaluator:
    """Evaluates pieces of one cluster; ``by_phase`` also by phase. Keeps the schedule from piece to piece."""

    def __init__(self, cluster: ClusterPlan, by_phase: bool = False) -> None:
        self.cluster, self.by_phase = cluster, by_phase
        self.layers = 1 + len(cluster.plan.phases) * by_phase
        self.schedule: Schedule | None = None
        self._sample: NDArray[np.int64] | None = None
        self._troubled = 0

    def rows(self, begin: int, end: int, out: NDArray[np.uint64] | None = None) -> NDArray[np.uint64]:
        """Evaluate the lanes ``begin`` to ``end``: the rows not yet served.

        Returns shape (1, 4, consumers, words), or (1 + phases, 4, consumers, words) by phase: over all phases in
        which the consumer is judged first, then by phase. Fills ``out`` if given.
        """
        count = end - begin
        if out is None:
            out = np.empty((self.layers, len(STAGES), len(self.cluster.rows), -(-count // 64)), np.uint64)
        targets = [out[layer, s, i] for i in range(out.shape[2]) for layer in range(self.layers) for s in range(4)]
        if self.cluster.lane_count > LANES_INTERPRETED:
            self._run_schedule(begin, end, targets)
            if count % 64:
                out[..., -1] &= np.uint64((1 << (count % 64)) - 1)
        else:
            given = class_numbers if count <= LANES_AS_NUMBERS else class_rows
            self._interpret(count, given(*self._space, begin, end), targets)
        return out

    @property
    def _space(self) -> tuple[int, int]:
        return len(self.cluster.classes), self.cluster.order

    def _interpret(self, count: int, struck: Rows, targets: Sequence[NDArray[np.uint64]]) -> None:
        """Evaluate ``count`` lanes, given the row of each class."""
        lanes: Lanes = WholeNumberLanes(count) if isinstance(struck, list) else WordLanes(count)
        for target, row in zip(targets, self._outputs(lanes, struck), strict=True):
            target[:] = np.frombuffer(row.to_bytes(target.nbytes, "little"), "<u8") if isinstance(row, int) else row

    def _outputs(self, lanes: Lanes, struck: Rows) -> list[Row]:
        """Return the rows not yet served, by consumer, then layer, then stage."""
        cluster = self.cluster
        failed: dict[tuple[int, str], Row] = dict.fromkeys(cluster.always, lanes.full)
        failed.update(zip(cluster.strikes, struck, strict=True))
        found = energise(cluster.plan, lanes, failed, keep_phases=self.by_phase)
        layers = [found.unserved, *found.phase_unserved]
        return [stage[c] for c in cluster.rows for stages in layers for stage in stages]

    def _run_schedule(self, begin: int, end: int, targets: Sequence[NDArray[np.uint64]]) -> None:
        if self.schedule is None:
            self.schedule = self._record()
        given = self.schedule.rows_given(-(-(end - begin) // 64))
        class_rows(*self._space, begin, end, given)
        differing = self.schedule.run()
        self.schedule.copy_outputs(targets)
        differing = differing[differing < end - begin]
        if not len(differing):
            return
        anew = np.empty((len(targets), -(-len(differing) // 64)), np.uint64)
        self._interpret(len(differing), as_numbers(rows_holding(*self._space, begin + differing)), list(anew))
        _replace(targets, differing, anew)
        more = np.random.default_rng(begin).permutation(differing)[:SAMPLE_MORE]
        self._sample = np.union1d(self._recorded_on(), begin + more)
        self._troubled += 1
        if self._troubled.bit_count() == 1:  # after 1, 2, 4, 8 ... pieces, so that schedules stay few
            self.schedule = None

    def _recorded_on(self) -> NDArray[np.int64]:
        if self._sample is None:
            self._sample = sample_lanes(self.cluster)
        return self._sample

    def _record(self) -> Schedule:
        sample = self._recorded_on()
        lanes = RecordingLanes(len(sample))
        inputs = [lanes.tape.add_input(x) for x in as_numbers(rows_holding(*self._space, sample))]
        return Schedule(lanes.tape, [row.node for row in inputs], [row.node for row in self._outputs(lanes, inputs)])


def sample_lanes(cluster: ClusterPlan) -> NDArray[np.int64]:
    """Return lanes to record on: nothing failed, every class alone, some of all, and some of classes that are near.

    Events that are near each other in the network are likely to meet, which is where decisions differ.
    """
    q, order = len(cluster.classes), cluster.order
    draw = np.random.default_rng(1)
    total = cluster.lane_count
    lanes = [np.arange(min(1 + q, total)), draw.integers(0, total, SAMPLE_LANES)]
    near = _near(cluster, draw) if SAMPLE_LANES else []
    for k in range(2, order + 1):
        chosen = [own[draw.random((SAMPLE_LANES // STARTS, len(own))).argsort(axis=1)[:, :k]] for own in near]
        combinations = np.sort(np.concatenate([own for own in chosen if own.shape[1] == k] or [np.empty((0, k), int)]))
        lanes.append(sum(sizes(q, k - 1)) + rank(combinations, q))
    return np.unique(np.concatenate(lanes))


def _near(cluster: ClusterPlan, draw: np.random.Generator) -> list[NDArray[np.int64]]:
    """Return, for some nodes drawn, the classes that strike the nodes around each."""
    network = cluster.plan.network
    striking: dict[int, list[int]] = {}
    for c, (node, _) in enumerate(cluster.strikes):
        striking.setdefault(node, []).append(c)
    around = [
        (*network.fault_next[v], *network.fault_previous[v], *network.readers[v]) for v in range(len(network.ids))
    ]
    found = []
    for start, limit in zip(draw.integers(0, len(around), STARTS), draw.choice((8, 32, 128), STARTS), strict=True):
        nodes = dict.fromkeys([int(start)])
        for v in (waiting := [int(start)]):
            fresh = [w for w in around[v] if w not in nodes]
            nodes.update(dict.fromkeys(fresh))
            waiting += fresh
            if len(nodes) >= limit:
                break
        found.append(np.array([c for v in nodes for c in striking.get(v, ())], np.int64))
    return found


def _replace(rows: Sequence[NDArray[np.uint64]], places: NDArray[np.int64], bits: NDArray[np.uint64]) -> None:
    """Put the first bits of each row of ``bits`` at ``places``, ascending, of the same row of ``rows``."""
    word, bit = places >> 6, np.uint64(1) << (places & 63).astype(np.uint64)
    used, first = np.unique(word, return_index=True)
    mask = ~np.bitwise_or.reduceat(bit, first)
    for row, own in zip(rows, bits, strict=True):
        held = np.unpackbits(own.astype("<u8", copy=False).view(np.uint8), bitorder="little")[: len(places)]
        row[used] = row[used] & mask | np.bitwise_or.reduceat(bit * held, first)
