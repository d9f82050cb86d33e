"""Which cases does a load bear because a storage carries it long enough? The instant at once, and ``must_last_h``.

A storage that nothing charges any more counts as flat: that is the long run, by which verdicts go. At once it is not
flat yet. A load with ``must_last_h`` that is then served within the interruption it bears, and stays so for that many
hours (``electrical.endurance``), does not fail in the case. Where the hours are not known it does.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from powerfault.electrical.endurance.study import study_endurance
from powerfault.errors import PowerfaultError
from powerfault.failures.clusters import ClusterPlan
from powerfault.failures.lane_order import sizes, unrank
from powerfault.failures.lanes import positions
from powerfault.failures.outcomes import CaseTable, Cluster
from powerfault.model.elements import STAGES, Event, Topology

STATEMENT = (
    "At once: storages that are charged with nothing failed carry what they reach until they are flat; verdicts go by "
    "the long run, in which a storage that nothing charges is flat, unless must_last_h is met."
)
CASES_TIMED = 500
"""More cases of one load than this are not timed: its verdict then goes by the long run."""


@dataclass(frozen=True)
class AtOnce:
    """All cases before a storage is flat, and what a reader must know of how they are counted."""

    table: CaseTable
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Lasting:
    """The long run with the cases taken out that loads bear since they last for their ``must_last_h``."""

    judged: CaseTable
    notes: tuple[str, ...]


def count_lasting(
    topology: Topology, long_run: CaseTable, at_once: CaseTable, rides: Sequence[int], given: Sequence[Event]
) -> Lasting:
    """Return the table by which verdicts go. ``rides[i]`` is the stage that the i-th consumer rides through."""
    notes = [STATEMENT]
    clusters = list(long_run.clusters)
    for id_, load in topology.loads.items():
        if load.must_last_h is None:
            continue
        consumer = long_run.consumers.index(id_)
        c, i = _place(clusters, consumer)
        own, stage = clusters[c], rides[consumer]
        carried = own.unserved[stage, i] & ~at_once.clusters[c].unserved[stage, i]
        lanes = positions(carried, own.plan.lane_count)
        if not len(lanes):
            continue
        cases = [_case(own.plan, int(lane), long_run.events) for lane in lanes[: CASES_TIMED + 1]]
        hours, why = _hours(topology, cases, id_, stage, given)
        if why:
            notes.append(f"{id_} is served until a storage is flat in {len(lanes)} combinations, {why}")
            continue
        met = [lane for lane, lasts in zip(lanes, hours, strict=True) if lasts >= load.must_last_h * (1 - 1e-9)]
        unserved = own.unserved.copy()
        for lane in met:
            unserved[stage, i, lane >> 6] &= ~(np.uint64(1) << np.uint64(lane & 63))
        clusters[c] = replace(own, unserved=unserved)
        notes.append(
            f"{id_} lasts for its must_last_h of {load.must_last_h:g} h in {len(met)} of the {len(lanes)} "
            "combinations in which a storage alone carries it; these are not counted as failing it"
        )
    return Lasting(replace(long_run, clusters=clusters), tuple(notes))


def _place(clusters: Sequence[Cluster], consumer: int) -> tuple[int, int]:
    for c, cluster in enumerate(clusters):
        found = np.flatnonzero(cluster.plan.consumers == consumer)
        if len(found):
            return c, int(found[0])
    raise AssertionError(consumer)


def _case(plan: ClusterPlan, lane: int, events: Sequence[Event]) -> tuple[Event, ...]:
    """One case of a lane: an event of each of its classes."""
    for k, count in enumerate(sizes(len(plan.classes), plan.order)):
        if lane < count:
            (chosen,) = unrank(np.array([lane]), len(plan.classes), k)
            return tuple(events[plan.classes[c][0]] for c in chosen)
        lane -= count
    raise AssertionError(lane)


def _hours(
    topology: Topology, cases: Sequence[tuple[Event, ...]], id_: str, stage: int, given: Sequence[Event]
) -> tuple[list[float], str]:
    """Return the hours until ``id_`` drops in each case, and why they are not known where they are not."""
    if len(cases) > CASES_TIMED:
        return [], f"more than the {CASES_TIMED} of which the hours are computed: its verdict goes by the long run"
    try:
        found = study_endurance(topology, cases, STAGES[stage], given, spare=False)
    except PowerfaultError:
        return [], "hours not known: its verdict goes by the long run"
    lives: list[Mapping[str, float]] = [{x.id: x.hours for x in case.loads} for case in found.cases]
    return [own.get(id_, 0.0) for own in lives], ""
