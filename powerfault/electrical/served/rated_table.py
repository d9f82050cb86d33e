"""The table of all cases when ratings count: a load that must be shed is lost, and is known to be lost for that.

Ratings tie consumers together (what one takes another cannot have), so the table is one cluster of all consumers and
every event is a class of its own. A further failure may then help a consumer, where it takes away one that is served
before it; a minimal cut set is still a failing case none of whose proper subsets fails.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from powerfault.electrical.served.study import rated_cases
from powerfault.failures.cases import case_blocks
from powerfault.failures.clusters import ClusterPlan, SystemPlan
from powerfault.failures.outcomes import CaseTable, Cluster, Progress
from powerfault.failures.plan import make_plan
from powerfault.model.elements import OUTCOMES, STAGES, Event

Case = tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class RatedTable:
    """``table`` counts ratings; ``no_capacity`` names, by case, the consumers that fare worse for want of capacity.

    ``unproved`` are the cases whose best service a solver did not prove.
    """

    table: CaseTable
    no_capacity: Mapping[Case, frozenset[str]]
    unproved: tuple[Case, ...]


def rated_table(system: SystemPlan, given: tuple[Event, ...], progress: Progress | None = None) -> RatedTable:
    """Evaluate every case of a planned system with ratings. Cost: up to four optima a case and phase."""
    network, events, order = system.network, system.events, system.order
    consumers = tuple(network.ids[v] for v in network.consumers)
    column = {id_: i for i, id_ in enumerate(consumers)}
    numbers: list[tuple[int, ...]] = [()]
    for k in range(1, order + 1):
        numbers += [tuple(row) for block in case_blocks(events, k) for row in block.tolist()]
    cases = [tuple(events[e] for e in case) for case in numbers]
    plan = ClusterPlan(
        consumers=np.arange(len(consumers)),
        rows=tuple(range(len(consumers))),
        classes=[[e] for e in range(len(events))],
        class_of=np.arange(1, len(events) + 1, dtype=np.int32),
        plan=make_plan(network),
        strikes=tuple((network.index[e.id], e.mode) for e in events),
        always=tuple((network.index[e.id], e.mode) for e in system.standing),
        order=order,
    )
    # A combination of two events of one component is no case: it stays served and so never counts as failing.
    outcomes = np.zeros((plan.lane_count, len(consumers)), np.uint8)
    lanes = np.zeros(len(cases), np.int64)
    for k in range(1, order + 1):
        own = [i for i, case in enumerate(numbers) if len(case) == k]
        if own:
            lanes[own] = plan.lanes_of(np.array([numbers[i] for i in own], np.int32))
    short: dict[Case, frozenset[str]] = {}
    unproved = []
    for lane, case, rated in zip(
        lanes, cases, rated_cases(network.topology, cases, given, progress=progress), strict=True
    ):
        for id_, outcome in rated.outcomes.items():
            outcomes[lane, column[id_]] = OUTCOMES.index(outcome)
        if rated.no_capacity:
            short[case] = rated.no_capacity
        if not rated.proved:
            unproved.append(case)
    unserved = np.zeros((len(STAGES), len(consumers), -(-plan.lane_count // 64)), np.uint64)
    for stage in range(len(STAGES)):
        packed = np.packbits(np.ascontiguousarray((outcomes > stage).T), axis=1, bitorder="little")
        padded = np.zeros((len(consumers), 8 * unserved.shape[2]), np.uint8)
        padded[:, : packed.shape[1]] = packed
        unserved[stage] = padded.view("<u8")
    table = CaseTable(
        events=events,
        standing=system.standing,
        consumers=consumers,
        order=order,
        baseline=outcomes[0],
        clusters=[Cluster(plan, unserved)],
        phases=network.topology.phase_names,
    )
    return RatedTable(table, short, tuple(unproved))
