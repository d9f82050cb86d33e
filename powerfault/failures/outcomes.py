"""Outcomes of many cases: blocks of rows, one bit a case, for every consumer and stage.

A consumer's outcome is the number of stages that do not serve it: 0 ``uninterrupted`` to 4 ``lost``. A block keeps,
for each stage and consumer, the row of the cases not yet served: shape (4, consumers, words), so that "fails" is one
row and an outcome is a sum of four bits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from powerfault.failures.cases import Cases, case_blocks, count_cases
from powerfault.failures.energise import Plan, energise, make_plan
from powerfault.failures.lanes import Row, WordLanes
from powerfault.model.elements import STAGES, Event
from powerfault.network.failure_modes import list_events, merge_given
from powerfault.network.graph import Network

LOST = len(STAGES)
Progress = Callable[[int, int], None]
"""Called with cases done and cases in all."""


@dataclass(slots=True)
class CaseBlock:
    """Some cases of one order: ``cases`` (n, order) event numbers and ``unserved`` (4, consumers, words) bits.

    ``phase_unserved`` is the same by phase, (phases, 4, consumers, words), where it was asked for.
    """

    cases: Cases
    unserved: NDArray[np.uint64]
    phase_unserved: NDArray[np.uint64] | None = None

    @classmethod
    def from_outcomes(cls, cases: Cases, outcomes: NDArray[np.uint8]) -> CaseBlock:
        """Pack outcomes, shape (cases, consumers), into a block."""
        words = -(-len(cases) // 64)
        unserved = np.zeros((len(STAGES), outcomes.shape[1], words), np.uint64)
        for stage in range(len(STAGES)):
            packed = np.packbits(outcomes.T > stage, axis=1, bitorder="little")
            unserved[stage].view(np.uint8)[:, : packed.shape[1]] = packed
        return cls(cases, unserved)

    def outcomes(self) -> NDArray[np.uint8]:
        """Return the outcomes, shape (cases, consumers), values 0 to 4."""
        return _sum_bits(self.unserved, len(self.cases))

    def phase_outcomes(self) -> NDArray[np.uint8]:
        """Return the outcomes by phase, shape (phases, cases, consumers)."""
        assert self.phase_unserved is not None
        return np.stack([_sum_bits(rows, len(self.cases)) for rows in self.phase_unserved])


@dataclass(slots=True)
class CaseTable:
    """All cases of a study up to an order. ``baseline`` (consumers,) are the outcomes with nothing more failed."""

    events: tuple[Event, ...]
    standing: tuple[Event, ...]
    consumers: tuple[str, ...]
    order: int
    baseline: NDArray[np.uint8]
    blocks: list[CaseBlock]
    phases: tuple[str, ...] = ()
    phase_baseline: NDArray[np.uint8] | None = None

    @property
    def case_count(self) -> int:
        return sum(count_cases(self.events, self.order)[1:])

    def of_order(self, k: int) -> Iterator[CaseBlock]:
        """The blocks whose cases have exactly ``k`` events."""
        return (b for b in self.blocks if b.cases.shape[1] == k)


def evaluate_table(
    network: Network,
    order: int,
    modes: Sequence[str] = ("loss",),
    given: Iterable[Event] = (),
    *,
    by_phase: bool = False,
    progress: Progress | None = None,
    block: int = 1 << 15,
) -> CaseTable:
    """Evaluate every case of 1 to ``order`` events. Work grows with cases x (nodes + links) / 64."""
    given = tuple(given)
    standing = merge_given(network.topology, given)
    events = list_events(network.topology, modes, given)
    plan = make_plan(network)
    consumers = tuple(network.ids[v] for v in network.consumers)
    nothing = evaluate_block(plan, events, np.zeros((1, 0), np.int32), standing, by_phase=by_phase)
    table = CaseTable(
        events=events,
        standing=standing,
        consumers=consumers,
        order=order,
        baseline=nothing.outcomes()[0],
        blocks=[],
        phases=plan.phases,
        phase_baseline=nothing.phase_outcomes()[:, 0] if by_phase else None,
    )
    total, done = sum(count_cases(events, order)[1:]), 0
    for k in range(1, order + 1):
        for cases in case_blocks(events, k, block):
            table.blocks.append(evaluate_block(plan, events, cases, standing, by_phase=by_phase))
            done += len(cases)
            if progress is not None:
                progress(done, total)
    return table


def evaluate_block(
    plan: Plan, events: Sequence[Event], cases: Cases, standing: Iterable[Event] = (), *, by_phase: bool = False
) -> CaseBlock:
    """Evaluate some cases given as event numbers, shape (n, events in each)."""
    lanes = WordLanes(len(cases))
    failed = event_rows(plan.network, events, cases, standing, lanes)
    result = energise(plan, lanes, failed, keep_phases=by_phase)
    shape = (len(STAGES), len(plan.network.consumers), lanes.words)
    return CaseBlock(
        cases=cases,
        unserved=np.array(result.unserved, np.uint64).reshape(shape),
        phase_unserved=np.array(result.phase_unserved, np.uint64).reshape(-1, *shape) if by_phase else None,
    )


def event_rows(
    network: Network, events: Sequence[Event], cases: Cases, standing: Iterable[Event], lanes: WordLanes
) -> dict[tuple[int, str], Row]:
    """Return the row of each (node, mode) that happens in some of ``cases``."""
    rows: dict[tuple[int, str], Row] = {(network.index[e.id], e.mode): lanes.full for e in standing}
    if cases.shape[1] == 0 or len(cases) == 0:
        return rows
    flat = cases.ravel()
    lane = np.repeat(np.arange(len(cases), dtype=np.int64), cases.shape[1])
    used, inverse = np.unique(flat, return_inverse=True)
    bits = np.zeros((len(used), lanes.words), np.uint64)
    np.bitwise_or.at(
        bits.reshape(-1), inverse.ravel() * lanes.words + (lane >> 6), np.uint64(1) << (lane & 63).astype(np.uint64)
    )
    for i, e in enumerate(used):
        event = events[int(e)]
        rows[network.index[event.id], event.mode] = bits[i]
    return rows


def _sum_bits(rows: NDArray[np.uint64], count: int) -> NDArray[np.uint8]:
    """Sum bits over the first axis: (stages, consumers, words) to (count, consumers)."""
    total = np.zeros((rows.shape[1], count), np.uint8)
    for stage in rows:
        bits = np.unpackbits(stage.astype("<u8", copy=False).view(np.uint8), axis=1, bitorder="little")
        total += bits[:, :count]
    return total.T
