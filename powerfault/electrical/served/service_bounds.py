"""Which cases are served as well as can be, proved exactly without a solver?

Every load that has a path at all, less what must be shed behind one overloaded component that is some loads' only way
(:class:`Bottlenecks`), is an upper bound on what can be served. If some positions serve that, within all limits, it is
the optimum of every priority at once; and if the same bound, taken over what fewer operations can bring a path to, is
lower, the count of operations is the least as well. :func:`prove_service` looks for such positions: none moved, then
one switch closed, then two. Power is routed greedily; a routing that is found is a proof by itself (and is certified
again), one that is not found proves nothing and leaves the case to the solver.

A second bound is in ``served.inheritance``.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from itertools import combinations

from powerfault.electrical.served.configuration import (
    TOLERANCE_KW,
    Service,
    crowded_groups,
    energised,
    faults_of,
    joined_outputs,
)
from powerfault.electrical.served.plant import Plant
from powerfault.electrical.served.routing import Pattern, Routing
from powerfault.electrical.served.surviving import Surviving

MICRO = 1_000_000
MOST_TRIED = 12
"""Loads behind one overloaded component of which all subsets are tried."""
MOST_CHOICES = 8
MOST_CLOSERS = 24
"""With more switches to close than this, pairs are left to the solver."""


def prove_service(plant: Plant, surviving: Surviving, pattern: Pattern | None = None) -> Service | None:
    """Return the best service with the fewest operations where both are proved without a solver, else ``None``.

    ``pattern`` are flows to begin a routing with (``served.routing``).
    """
    wanted = surviving.live & (plant.judged[surviving.phase] | plant.needed) & plant.loads
    base = surviving.movable & surviving.closed
    # Everything served with nothing done needs no bound.
    service = serve_loads(plant, surviving, base, frozenset(), wanted, pattern=pattern)
    if service is not None:
        return service
    bottlenecks = Bottlenecks(plant, surviving, wanted)
    goal = bottlenecks.most_served(wanted)
    if goal is None:
        return None
    again = surviving.movable & surviving.tripped & plant.normally_closed
    closers = sorted(surviving.movable - base - again)
    for size in range(3):
        if size == 2 and len(closers) > MOST_CLOSERS:
            return None
        unsettled = False
        for chosen in combinations(closers, size):
            wide = base.union(again, chosen)
            # The most that this count of operations can bring: everything closed that costs nothing.
            live = frozenset(energised(plant, surviving, wide, surviving.mateable))
            if not wanted <= live:
                reach = bottlenecks.most_served(wanted & live)
                if reach is None or reach.kw < goal.kw:
                    continue
                choices = reach.choices
            else:
                choices = goal.choices
            unsettled = True
            for closed, mated in (
                (base.union(chosen), frozenset[int]()),
                (wide, frozenset[int]()),
                (base.union(chosen), surviving.mateable),
                (wide, surviving.mateable),
            ):
                alike = closed == wide and mated == surviving.mateable
                for loads in choices:
                    service = serve_loads(plant, surviving, closed, mated, loads, live if alike else None, pattern)
                    if service is not None:
                        return _without_idle(plant, surviving, service, again)
                if not again and not surviving.mateable:
                    break
        if unsettled:
            return None
    return None


@dataclass(frozen=True, slots=True)
class Bound:
    """No service is better than ``kw``: micro-kilowatts by priority, then loads served that state no demand.

    ``choices`` are some sets of loads that would attain it.
    """

    kw: tuple[int, ...]
    choices: tuple[frozenset[int], ...]


class Bottlenecks:
    """The limits that some loads of a part share on their only way.

    A load with one live feed depends on it, and on the one above it, as far up as there is one only: what leaves each
    of them is at least what the loads behind it take, divided by the efficiencies on the way.
    """

    def __init__(self, plant: Plant, surviving: Surviving, loads: Collection[int]) -> None:
        self.plant, self.surviving = plant, surviving
        self.demand = plant.demand_kw[surviving.phase]
        behind: dict[int, dict[int, float]] = {}
        limits = dict(plant.limited[surviving.phase])
        only: dict[int, int] = {}
        live, upstream = surviving.live, plant.network.upstream
        for load in loads:
            kw = self.demand[load]
            if kw <= 0:
                continue
            v = load
            while True:
                above = only.get(v)
                if above is None:
                    feeds = [u for u in upstream[v] if u in live]
                    above = only[v] = feeds[0] if len(feeds) == 1 else -1
                if above < 0:
                    break
                v = above
                if v in limits:
                    own = behind.setdefault(v, {})
                    if load in own:
                        break
                    own[load] = kw
                kw /= plant.efficiency[v]
        over = [v for v, own in behind.items() if sum(own.values()) > limits[v] + TOLERANCE_KW]
        over.sort(key=lambda v: (-len(behind[v]), v))
        self.over = [(limits[v] + TOLERANCE_KW, behind[v]) for v in over]

    def most_served(self, wanted: frozenset[int]) -> Bound | None:
        """Bound what can be served of ``wanted``; ``None`` where more subsets would have to be tried than is quick."""
        choices: list[frozenset[int]] = [frozenset()]
        settled: set[int] = set()
        for _, own in self.over:
            group = [load for load in own if load in wanted]
            if settled.issuperset(group):
                continue
            if len(group) > MOST_TRIED or not settled.isdisjoint(group):
                return None
            settled.update(group)
            nested = [
                (most, [other.get(load, 0.0) for load in group])
                for most, other in self.over
                if not other.keys().isdisjoint(group)
            ]
            kept = _best_subsets(self.plant, self.demand, group, nested)
            choices = [a | b for a in choices for b in kept][:MOST_CHOICES]
        loose = wanted - settled
        found = tuple(loose | choice for choice in choices)
        return Bound(value_of(self.plant, self.surviving.phase, found[0]), found)


def _best_subsets(
    plant: Plant, demand: Mapping[int, float], group: list[int], limits: list[tuple[float, list[float]]]
) -> list[frozenset[int]]:
    best: tuple[int, ...] | None = None
    kept: list[frozenset[int]] = []
    ranks = sorted({plant.priority[v] for v in group})
    worth = [(ranks.index(plant.priority[v]), round(demand[v] * MICRO)) for v in group]
    for mask in range(1 << len(group)):
        picked = [i for i in range(len(group)) if mask >> i & 1]
        if any(sum(kw[i] for i in picked) > limit for limit, kw in limits):
            continue
        total = [0] * len(ranks)
        for i in picked:
            total[worth[i][0]] += worth[i][1]
        value = tuple(total)
        if best is None or value > best:
            best, kept = value, []
        if value == best:
            kept.append(frozenset(group[i] for i in picked))
    return kept


def value_of(plant: Plant, phase: str, served: Collection[int]) -> tuple[int, ...]:
    """The worth of a service: micro-kilowatts by priority, then judged loads served that take nothing."""
    demand = plant.demand_kw[phase]
    total = dict.fromkeys(plant.priorities, 0)
    silent = 0
    for v in served:
        total[plant.priority[v]] += round(demand[v] * MICRO)
        silent += demand[v] <= 0 and v in plant.judged[phase]
    return (*total.values(), silent)


def _without_idle(plant: Plant, surviving: Surviving, service: Service, again: Collection[int]) -> Service:
    """Leave open (and unmated) again what tripped (or is mated) and is not used."""
    carrying = {v for link in service.flow_kw for v in link}
    for v in sorted((service.closed & frozenset(again)) | service.mated):
        if v not in carrying:
            fewer = replace(service, closed=service.closed - {v}, mated=service.mated - {v})
            if not faults_of(plant, surviving, fewer):
                service = fewer
    return service


def serve_loads(
    plant: Plant,
    surviving: Surviving,
    closed: frozenset[int],
    mated: frozenset[int],
    wanted: Collection[int],
    live: frozenset[int] | None = None,
    pattern: Pattern | None = None,
) -> Service | None:
    """Serve all of ``wanted`` in these positions, or return ``None``. ``live`` is what they energise, where known."""
    if crowded_groups(plant, surviving, closed):
        return None
    if live is None:
        live = frozenset(energised(plant, surviving, closed, mated))
    if not live.issuperset(wanted):
        return None
    if joined_outputs(plant, surviving, closed, mated, live):
        return None
    routed = Routing(plant, surviving, live).route(wanted, pattern) if pattern else None
    routed = routed or Routing(plant, surviving, live).route(wanted)
    if routed is None:
        return None
    flow, fed_from = routed
    service = Service(closed, mated, frozenset(wanted), fed_from, flow)
    # Nothing switched off and no feed chosen between: what is energised then is what was energised before.
    as_it_was = not fed_from and live.isdisjoint(plant.loads - service.served)
    return service if not faults_of(plant, surviving, service, live=live if as_it_was else None) else None
