"""Clusters of consumers that the same events can reach, each evaluated by itself.

Of a cluster only its own events matter (``failures.influence``), one of each class of identical effect
(``failures.classes``). It is evaluated on the part of the network that bears on it: all combinations of
its classes, one a lane, in pieces that fit a cache. Pieces are independent, so that processes can share them and a
stopped run can begin again where it was (``failures.pieces``).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from powerfault.failures.cases import Cases
from powerfault.failures.classes import effect_classes
from powerfault.failures.influence import Influence, bit_positions, find_influence
from powerfault.failures.lane_order import rank, sizes
from powerfault.failures.plan import Plan, make_plan
from powerfault.model.elements import STAGES, Event
from powerfault.network.failure_modes import list_events, merge_given
from powerfault.network.graph import Network, restrict

WORDS_AT_ONCE = 1 << 24
"""Of all rows of a piece together."""
LANES_AT_ONCE = 1 << 19
ROW_COST = 400
"""What a row costs however short it is, in words of work."""


@dataclass(frozen=True, slots=True)
class ClusterPlan:
    """What is to be evaluated for one cluster.

    ``consumers`` are positions in the system's list of consumers, ``rows`` their positions in ``plan``. ``classes``
    groups event numbers of the system by identical effect; ``class_of`` maps an event number to its class from 1, or
    to 0 where the event cannot reach the cluster. ``strikes`` is the (node, mode) of each class, ``always`` those of
    the standing events.
    """

    consumers: NDArray[np.int64]
    rows: tuple[int, ...]
    classes: list[list[int]]
    class_of: NDArray[np.int32]
    plan: Plan
    strikes: tuple[tuple[int, str], ...]
    always: tuple[tuple[int, str], ...]
    order: int

    @property
    def lane_count(self) -> int:
        return sum(sizes(len(self.classes), self.order))

    @property
    def pieces(self) -> list[tuple[int, int]]:
        """The pieces to evaluate, as (first lane, lane after the last)."""
        total, rows = self.lane_count, len(self.classes) + 2 * len(self.plan.network.ids)
        length = max(64, min(LANES_AT_ONCE, WORDS_AT_ONCE // rows * 64))
        return [(begin, min(total, begin + length)) for begin in range(0, total, length)]

    def bytes_needed(self, by_phase: bool = False) -> int:
        """The memory of its results."""
        layers = len(STAGES) * (1 + len(self.plan.phases) * by_phase)
        return layers * len(self.consumers) * (-(-self.lane_count // 64)) * 8

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


@dataclass(frozen=True, slots=True)
class SystemPlan:
    """A system cut into clusters, for one question."""

    network: Network
    events: tuple[Event, ...]
    standing: tuple[Event, ...]
    order: int
    clusters: tuple[ClusterPlan, ...]

    @property
    def lane_count(self) -> int:
        """How many combinations must be evaluated in all."""
        return sum(c.lane_count for c in self.clusters)

    def bytes_needed(self, by_phase: bool = False) -> int:
        return sum(c.bytes_needed(by_phase) for c in self.clusters)


def plan_system(
    network: Network, order: int, modes: Sequence[str] = ("loss",), given: Iterable[Event] = ()
) -> SystemPlan:
    """Cut ``network`` into clusters for all cases of up to ``order`` events."""
    given = tuple(given)
    standing = merge_given(network.topology, given)
    events = list_events(network.topology, modes, given)
    plan = make_plan(network)
    influence = find_influence(plan, (*events, *standing))
    clusters = [
        _plan_cluster(plan, influence, nodes, own, events, standing, order)
        for nodes, own in group_consumers(plan, influence, events, order)
    ]
    return SystemPlan(network, events, standing, order, tuple(clusters))


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

    @cache
    def cost(count: int) -> float:
        return count * (ROW_COST + sum(sizes(count, order)) / 64)

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
    return [
        (sorted(nodes), sorted({e for place in bit_positions(bits) for e in by_place[place]}))
        for bits, _, nodes in groups
    ]


def _plan_cluster(
    plan: Plan,
    influence: Influence,
    nodes: list[int],
    own_events: list[int],
    events: Sequence[Event],
    standing: Sequence[Event],
    order: int,
) -> ClusterPlan:
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
    return ClusterPlan(
        consumers=np.array(nodes, np.int64) - network.n_components,
        rows=tuple(index[network.ids[v]] - part.network.n_components for v in nodes),
        classes=classes,
        class_of=class_of,
        plan=part,
        strikes=tuple(struck[group[0]] for group in groups),
        always=tuple((index[e.id], e.mode) for e in standing if e.id in index),
        order=order,
    )
