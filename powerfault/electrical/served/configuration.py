"""What is energised in one exact choice of switch positions, and does a claimed service hold in it?

The model of served load is a relaxation until its answer is looked at exactly. :func:`energised` computes the live set
of chosen positions as the format does (the least fixpoint from the sources), :func:`joined_outputs` the outputs that a
closed path joins, and :func:`faults_of` re-checks a whole answer, flows included, with nothing taken from the solver
but the numbers to be checked. An answer that is not certified here is never reported.

Needs hold in the chosen positions themselves. They may hold in a circle only through what ran at the stage before
(``kept``): equipment that needs itself to start stays down once it is down.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

from powerfault.electrical.served.plant import CONVERTING, UNLIMITED, Plant
from powerfault.electrical.served.surviving import Surviving
from powerfault.model.elements import Component

TOLERANCE_KW = 1e-6
"""Differences below a milliwatt are rounding, not power."""


@dataclass(frozen=True, slots=True)
class Service:
    """A choice of positions and loads with the flows that serve them.

    ``closed`` are the movable switches that stand closed, ``mated`` the jumpers mated by the crew, ``fed_from`` the
    neighbour from which each component with ``one_feed`` takes power. ``flow_kw[(u, v)]`` leaves u and enters v.
    """

    closed: frozenset[int]
    mated: frozenset[int]
    served: frozenset[int]
    fed_from: Mapping[int, int] = field(default_factory=dict)
    flow_kw: Mapping[tuple[int, int], float] = field(default_factory=dict)


def energised(
    plant: Plant,
    surviving: Surviving,
    closed: Collection[int],
    mated: Collection[int],
    served: Collection[int] | None = None,
    fed_from: Mapping[int, int] | None = None,
) -> set[int]:
    """Return the nodes live or served with ``closed`` of the movable switches closed and ``mated`` jumpers mated.

    Only loads in ``served`` are kept connected (all, for ``None``). Time grows with nodes and links.
    """
    candidates = set(surviving.live)
    candidates -= {v for v in surviving.movable if v not in closed}
    candidates -= {v for v in surviving.mateable if v not in mated}
    if served is not None:
        candidates -= {v for v in plant.loads if v not in served}
    assumed = surviving.kept & candidates & plant.needed
    while True:
        live = _least(plant, surviving, candidates, assumed, fed_from or {})
        still = assumed & live
        if still == assumed:
            return live
        assumed = still


def _least(
    plant: Plant,
    surviving: Surviving,
    candidates: set[int],
    assumed: Collection[int],
    fed_from: Mapping[int, int],
) -> set[int]:
    onward, need_readers = plant.onward, plant.need_readers
    missing = list(plant.network.threshold)
    unmet: dict[int, set[int]] = {}
    for v in plant.needing & candidates:
        open_needs = {
            n
            for n in plant.need_nodes[v]
            if n not in assumed and (v, n) not in surviving.waived and (v, n) not in surviving.borne
        }
        if open_needs:
            unmet[v] = open_needs
    found = [v for v in plant.sources & candidates if v not in unmet]
    dark = bytearray(len(missing))
    for v in candidates:
        dark[v] = 1
    for v in found:
        dark[v] = 0
    for v in plant.sources:
        missing[v] = 0
    for u in found:
        for w in onward[u]:
            if dark[w] and (w not in fed_from or fed_from[w] == u):
                missing[w] -= 1
                if missing[w] <= 0 and w not in unmet:
                    dark[w] = 0
                    found.append(w)
        for w in need_readers[u]:
            if w in unmet:
                unmet[w].discard(u)
                if not unmet[w]:
                    del unmet[w]
                    if missing[w] <= 0 and dark[w]:
                        dark[w] = 0
                        found.append(w)
    live = set(found)
    # Borne needs ask no start, but at the stage that bears them they must hold.
    failing = {v for v, n in surviving.borne if v in live and n not in live}
    if failing:
        return _least(plant, surviving, candidates - failing, assumed, fed_from)
    return live


def always_live(plant: Plant, surviving: Surviving) -> frozenset[int]:
    """Components live whatever is chosen: no movable switch, one-feed choice or load stands behind them."""
    reduced = replace(surviving, live=surviving.live - plant.one_feed)
    return frozenset(energised(plant, reduced, (), (), ()))


def conducting(plant: Plant, surviving: Surviving, closed: Collection[int], mated: Collection[int]) -> set[int]:
    """Return the components through which a path may run in these positions, live or not."""
    switched = surviving.through & plant.switched
    fixed = switched - surviving.movable
    found = set(surviving.through - plant.switched)
    found |= fixed & surviving.closed
    found.update(v for v in switched - fixed if v in closed)
    found -= {v for v in surviving.mateable if v not in mated}
    return found


def reached_outputs(
    plant: Plant,
    through: Collection[int],
    start: int,
    fed_from: Mapping[int, int] | None = None,
    *,
    upwards: bool = False,
) -> set[int]:
    """Return the terminals that the output of ``start`` can drive along closed paths (``upwards``: that drive it).

    A component with ``one_feed`` is joined to the neighbour that it takes power from, as ``fed_from`` says (none, where
    it is not named there), and never to two; without ``fed_from`` it counts as joined to all.
    """
    n = len(plant.network.ids)
    one_feed = plant.one_feed if fed_from is not None else ()
    chosen = fed_from or {}
    paths = plant.backwards if upwards else plant.forwards
    found, waiting = {start}, [start]
    while waiting:
        a = waiting.pop()
        for b in paths.get(a, ()):
            if b in found or b % n not in through:
                continue
            if one_feed:
                u, w = a % n, b % n
                if (w in one_feed and chosen.get(w) != u and _only_feeds(plant, u, w)) or (
                    u in one_feed and chosen.get(u) != w and _only_feeds(plant, w, u)
                ):
                    continue
            found.add(b)
            waiting.append(b)
    return found


def _only_feeds(plant: Plant, u: int, w: int) -> bool:
    return w in plant.network.downstream[u] and u not in plant.network.downstream[w]


def joined_outputs(
    plant: Plant,
    surviving: Surviving,
    closed: Collection[int],
    mated: Collection[int],
    live: Collection[int],
    fed_from: Mapping[int, int] | None = None,
) -> list[tuple[int, int]]:
    """Return the pairs of live outputs with ``may_parallel: false`` that a closed path joins."""
    watched = [v for v in plant.rivals if v in live]
    if len(watched) < 2:
        return []
    through = conducting(plant, surviving, closed, mated)
    reached = {v: reached_outputs(plant, through, v, fed_from) for v in watched}
    return [(a, b) for i, a in enumerate(watched) for b in watched[i + 1 :] if b in reached[a] or a in reached[b]]


def driven_backwards(
    plant: Plant,
    surviving: Surviving,
    closed: Collection[int],
    mated: Collection[int],
    live: Collection[int],
    fed_from: Mapping[int, int] | None = None,
) -> list[tuple[int, int]]:
    """Return (driven, driving): dead outputs with ``may_parallel: false`` on a closed path from a live output."""
    dark = [v for v in plant.protected if v not in live and v in surviving.through]
    if not dark:
        return []
    through = conducting(plant, surviving, closed, mated)
    found = []
    for d in dark:
        driving = sorted(
            v
            for v in reached_outputs(plant, through, d, fed_from, upwards=True)
            if v in live and v != d and _drives(plant.network.elements[v])
        )
        if driving:
            found.append((d, driving[0]))
    return found


def _drives(element: object) -> bool:
    return isinstance(element, Component) and (element.is_source or element.kind in CONVERTING)


def crowded_groups(plant: Plant, surviving: Surviving, closed: Collection[int]) -> list[tuple[int, ...]]:
    """Return the exclusive groups of which more than one switch stands closed, as those closed."""
    movable = surviving.movable
    crowded = []
    for group in plant.exclusive:
        shut = tuple(v for v in group if v in (closed if v in movable else surviving.closed))
        if len(shut) > 1:
            crowded.append(shut)
    return crowded


def fixed_groups(plant: Plant, surviving: Surviving) -> list[tuple[int, ...]]:
    """Return the exclusive groups that are crowded whatever is done: too many stand closed and cannot be opened."""
    return crowded_groups(plant, surviving, ())


def faults_of(
    plant: Plant, surviving: Surviving, service: Service, excused: int = 0, live: Collection[int] | None = None
) -> list[str]:
    """Return what is wrong with ``service``; an empty list certifies it.

    Checked: every served load and every component that carries is live in these positions; power in x efficiency
    equals power out at every component; no limit or capacity is exceeded; each load takes exactly its demand, all or
    nothing; one feed at a time; exclusions, and joined outputs beyond ``excused`` (those that no position avoids).
    ``live`` is what :func:`energised` finds for the service, where the caller has it.
    """
    network, phase = plant.network, surviving.phase
    wrong: list[str] = []
    if live is None:
        live = energised(plant, surviving, service.closed, service.mated, service.served, service.fed_from)
    name = network.ids
    if not service.closed <= surviving.movable:
        wrong.append("a switch is closed that cannot be moved")
    if not service.mated <= surviving.mateable:
        wrong.append("a jumper is mated that cannot be")
    wrong += [f"{name[v]} is served but not live" for v in service.served if v not in live]
    into: dict[int, float] = {}
    out: dict[int, float] = {}
    for (u, v), kw in service.flow_kw.items():
        if kw < -TOLERANCE_KW:
            wrong.append(f"power runs backwards from {name[v]} to {name[u]}")
        if kw > TOLERANCE_KW:
            if v not in network.downstream[u]:
                wrong.append(f"no link from {name[u]} to {name[v]}")
            if service.fed_from.get(v, u) != u:
                wrong.append(f"{name[v]} takes power from {name[u]} beside its one feed")
            if u not in live or v not in live:
                wrong += [f"{name[w]} carries power but is not live" for w in (u, v) if w not in live]
        into[v] = into.get(v, 0.0) + kw
        out[u] = out.get(u, 0.0) + kw
    for v in {*into, *out, *service.served}:
        leaves = out.get(v, 0.0)
        if v in plant.loads:
            asks = plant.demand_kw[phase][v] if v in service.served else 0.0
            if abs(into.get(v, 0.0) - asks) > TOLERANCE_KW:
                wrong.append(f"{name[v]} takes {into.get(v, 0.0):g} kW of {asks:g} kW")
            continue
        slack = TOLERANCE_KW * max(1.0, leaves)
        if v in plant.sources:
            if leaves > plant.capacity_kw[phase].get(v, UNLIMITED) + slack:
                wrong.append(f"{name[v]} gives {leaves:g} kW of {plant.capacity_kw[phase][v]:g} kW")
        elif abs(plant.efficiency[v] * into.get(v, 0.0) - leaves) > slack:
            wrong.append(f"{name[v]} takes {into.get(v, 0.0):g} kW and gives {leaves:g} kW")
        if leaves > plant.limit_kw[v] + slack:
            wrong.append(f"{name[v]} carries {leaves:g} kW of {plant.limit_kw[v]:g} kW")
    if len(crowded_groups(plant, surviving, service.closed)) > len(fixed_groups(plant, surviving)):
        wrong.append("switches that exclude each other stand closed together")
    joined = joined_outputs(plant, surviving, service.closed, service.mated, live, service.fed_from)
    if len(joined) > excused:
        pairs = ", ".join(f"{name[a]} and {name[b]}" for a, b in joined)
        wrong.append(f"outputs that must not be paralleled are joined: {pairs}")
    return wrong
