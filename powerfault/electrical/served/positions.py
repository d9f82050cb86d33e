"""Which switches stand closed when a stage has restored what it can, for the flow to be computed in?

The engine says of each load that a path exists; a flow needs one choice of positions for all of them. Taken here is
the choice nearest to the normal one: everything keeps its normal position, and switches that are operable (and
jumpers that may be mated) are closed one path after another, loads of higher priority first, along the path with the
fewest operations. Ratings are not looked at there; :func:`rated_positions` takes the positions and loads of the
served-load study for one case.
"""

from __future__ import annotations

import heapq
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from itertools import count

from powerfault.electrical.currents.layout import Layout
from powerfault.failures.case_state import CaseState
from powerfault.model.elements import STAGES, Event, Topology
from powerfault.network.failure_modes import merge_given
from powerfault.network.graph import build_network


@dataclass(frozen=True, slots=True)
class Positions:
    """``conducting``: components in circuit and loads connected; ``closed``: what had to be closed, in turn."""

    conducting: frozenset[str]
    closed: tuple[str, ...]
    dark: tuple[str, ...]
    """Live loads that no choice made here reaches."""


def choose_positions(
    layout: Layout,
    live: Collection[str],
    tripped: Collection[str] = (),
    stuck_closed: Collection[str] = (),
    also: Collection[str] = (),
) -> Positions:
    """Return the positions nearest to normal that serve the loads of ``live``, and power the components in ``also``.

    ``live`` holds the components and loads live at the stage, ``tripped`` the devices that cleared a fault (closed
    again only as an operation), ``stuck_closed`` those that stand closed by failure.
    """
    topology = layout.topology
    components = {id_ for id_ in live if id_ in topology.components}
    optional = {
        id_
        for id_ in components
        if ((c := topology.components[id_]).is_switched and (c.normally_open or id_ in tripped))
        or (c.kind == "jumper" and not c.mated)
    }
    optional -= set(stuck_closed)
    loads = sorted((x for x in topology.loads.values() if x.id in live), key=lambda x: x.service_priority)
    wanted = [*(x.id for x in loads), *(x for x in topology.components if x in also and x in live)]
    conducting = (components - optional) | {x.id for x in loads}
    rank = {id_: i for i, id_ in enumerate(topology.components)}
    closed: list[str] = []
    dark: list[str] = []
    powered = layout.energised(conducting)
    for id_ in wanted:
        while id_ not in powered:
            path = _nearest(id_, layout, powered, optional - set(closed), rank, conducting)
            if not path:
                dark.append(id_)
                break
            closed += path
            conducting |= set(path)
            powered = layout.energised(conducting)
    return Positions(frozenset(conducting), tuple(closed), tuple(dark))


def positions_of(layout: Layout, state: CaseState, stage: int, phase: str) -> Positions:
    """As :func:`choose_positions`, for one stage and phase of a case."""
    stuck_closed = [e.id for e in (*state.standing, *state.failed) if e.mode == "closed"]
    return choose_positions(layout, state.live[stage][phase], state.tripped, stuck_closed)


class RatedPositions:
    """Positions and loads of the best service under ratings, case by case, for one topology.

    Raises :class:`ModelError` where the file lacks what ratings need (a phase's duration, say).
    """

    def __init__(self, topology: Topology, given: Iterable[Event] = ()) -> None:
        from powerfault.electrical.served.attainable import Attainable
        from powerfault.electrical.served.capacity import Allocator
        from powerfault.electrical.served.plant import build_plant

        self.given = tuple(given)
        self.plant = build_plant(build_network(topology))
        self.allocator = Allocator(self.plant)
        self.attainable = Attainable(self.plant, self.allocator)

    def of(self, failed: Iterable[Event], stage: str, phase: str) -> Positions:
        """Those of one case; ``dark`` are the live loads that must be shed."""
        from powerfault.electrical.served.served_case import merge, operations
        from powerfault.electrical.served.surviving import survivors_by_stage

        case, plant = tuple(failed), self.plant
        number = STAGES.index(stage)
        stages = survivors_by_stage(plant, [case], (0, number), self.given)[0]
        events = (*merge_given(plant.network.topology, self.given), *case)
        modes = {plant.network.index[e.id]: e.mode for e in events}
        surviving = stages[number][phase]
        parts = self.allocator.serve(surviving)
        surviving, parts = self.attainable.best(modes, stages[0][phase], surviving, parts)
        service = merge(plant, surviving, parts)
        ids = plant.network.ids
        apart = (surviving.movable - service.closed) | (surviving.mateable - service.mated) | plant.loads
        conducting = {ids[v] for v in surviving.live if v not in apart} | {ids[v] for v in service.served}
        closed = [ids[v] for v, to in operations(plant, surviving, service) if to == "closed"]
        closed += [ids[v] for v in sorted(service.closed & surviving.tripped & plant.normally_closed)]
        closed += [ids[v] for v in sorted(service.mated)]
        shed = [ids[v] for v in sorted(plant.judged[phase] & surviving.live) if v not in service.served]
        return Positions(frozenset(conducting), tuple(closed), tuple(shed))


def rated_positions(
    topology: Topology, failed: Iterable[Event], stage: str, phase: str, given: Iterable[Event] = ()
) -> Positions:
    """As :class:`RatedPositions`, for one case alone."""
    return RatedPositions(topology, given).of(failed, stage, phase)


def _nearest(
    start: str,
    layout: Layout,
    powered: frozenset[str],
    optional: set[str],
    rank: dict[str, int],
    conducting: set[str],
) -> list[str]:
    """The switches to close on the way from ``start`` up to powered equipment with the fewest of them; or none."""
    order = count()
    waiting: list[tuple[int, int, str, tuple[str, ...]]] = [(0, next(order), start, ())]
    best: dict[str, int] = {start: 0}
    while waiting:
        cost, _, here, path = heapq.heappop(waiting)
        if cost > best[here]:
            continue
        if here in powered and here != start and path:
            return list(path)
        # What waits for a further feed is reached through those of its feeds that are still dark.
        for a in sorted(layout.upstream.get(here, ()), key=lambda x: rank.get(x, 0)):
            if a in powered and cost == 0 and a not in optional:
                continue
            step = a in optional
            if not step and a not in conducting:
                continue
            if cost + step < best.get(a, 1 << 30):
                best[a] = cost + step
                heapq.heappush(waiting, (cost + step, next(order), a, (a, *path) if step else path))
    return []
