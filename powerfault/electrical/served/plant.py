"""What may every component carry, and what does every load ask? The numbers behind served load, by node.

Limits in kW are on what leaves a component: ``rating_kw`` and ``rating_a`` x voltage / 1000, the voltage its own or,
where it states none, that of its voltage domain. A source gives at most ``capacity_kw`` of the phase; a storage also at
most ``energy_kwh`` x ``depth_limit`` / ``duration_h`` (``depth_limit`` 1 where the file does not say: it has no more
than it holds). A term whose numbers are absent sets no limit, and :attr:`Plant.notes` says so where that may surprise.

Also here: which outputs must not be paralleled (``may_parallel: false``), which switches exclude each other,
and the terminals along which a closed path may run.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from powerfault.electrical.currents.layout import nominal_voltages
from powerfault.errors import ModelError, Problem
from powerfault.model.elements import DEFAULT_PHASE, Component, Load, Topology, in_phase
from powerfault.model.exclusive import exclusive_groups
from powerfault.network.graph import Network

UNLIMITED = float("inf")
CONVERTING = ("converter", "regulator")


@dataclass(frozen=True, slots=True)
class Plant:
    """The static numbers of one network, by node number (see ``graph.Network``).

    ``limit_kw[v]`` bounds what leaves component v, its capacity in the phase aside; ``capacity_kw[phase][v]`` that of
    a source; both infinite where nothing limits. ``demand_kw[phase][v]`` is a load's demand. ``need_readers[v]`` are
    the nodes that need v.
    """

    network: Network
    limit_kw: tuple[float, ...]
    capacity_kw: dict[str, dict[int, float]]
    efficiency: tuple[float, ...]
    demand_kw: dict[str, dict[int, float]]
    judged: dict[str, frozenset[int]]
    undemanded: frozenset[int]
    priority: dict[int, int]
    sources: frozenset[int]
    loads: frozenset[int]
    one_feed: frozenset[int]
    protected: tuple[int, ...]
    """Sources and converters with ``may_parallel: false``, in the order of the file."""
    rivals: tuple[int, ...]
    """Those of them that some closed path could join to another, with every switch closed and nothing failed."""
    between: frozenset[int]
    """Components on which a closed path between rivals may run, rivals included."""
    behind_rivals: frozenset[int]
    """All on which the liveness of rivals can depend, through feeds, needs and functions; themselves included."""
    bridging: frozenset[int]
    """Those of ``between`` that are on the way from one rival to another, no dead ends."""
    drivers: frozenset[int]
    """Sources and whatever converts: what can drive an output along a closed path."""
    drivable: tuple[int, ...]
    """Those of the protected that some closed path could let another driver reach, rivals among them."""
    meeting: tuple[int, ...]
    """Loads with common inputs in which two protected outputs could meet along closed paths."""
    exclusive: tuple[tuple[int, ...], ...]
    switched: frozenset[int]
    normally_closed: frozenset[int]
    jumpers: frozenset[int]
    rests_on: tuple[tuple[int, ...], ...] = field(repr=False)
    """What each node depends on directly: feeds, needs, members."""
    need_nodes: tuple[tuple[int, ...], ...]
    need_readers: tuple[tuple[int, ...], ...]
    onward: tuple[tuple[int, ...], ...] = field(repr=False)
    """The nodes that each feeds, and the functions of which it is a member."""
    needing: frozenset[int]
    """Nodes that need something."""
    needed: frozenset[int]
    """Nodes that something needs, directly or as a member of a needed function."""
    related: tuple[tuple[int, ...], ...] = field(repr=False)
    """Nodes that depend on each other in any way, both ways round: links, needs, members, exclusions."""
    neighbours: tuple[tuple[int, ...], ...] = field(repr=False)
    """Power neighbours of each node, above and below."""
    leaving_kw: dict[str, tuple[float, ...]] = field(repr=False)
    """By phase and node, the most that may leave it, capacity included."""
    limited: dict[str, tuple[tuple[int, float], ...]] = field(repr=False)
    """By phase, the components with a finite limit on what leaves them, capacity included."""
    wires: tuple[tuple[int, int, bool], ...] = field(repr=False)
    """Links between terminals as (a, b, both ways). A terminal is the number of a node, its output; the input of
    converter v is v plus the number of nodes."""
    forwards: dict[int, tuple[int, ...]] = field(repr=False)
    """The terminals to which each can pass current, from ``wires``."""
    backwards: dict[int, tuple[int, ...]] = field(repr=False)
    notes: tuple[str, ...] = ()

    @property
    def priorities(self) -> tuple[int, ...]:
        return tuple(sorted(set(self.priority.values())))


def build_plant(network: Network) -> Plant:
    """Return the numbers of ``network``; raise :class:`ModelError` where they contradict each other."""
    topology = network.topology
    problems: list[Problem] = []
    notes: list[str] = []
    voltage = nominal_voltages(topology)
    _check_voltages(topology, voltage, problems)
    limits, efficiency = [], []
    unknown: list[str] = []
    for element in network.elements:
        limit, gain = UNLIMITED, 1.0
        if isinstance(element, Component):
            limit = _limit_kw(element, voltage.get(element.id), unknown)
            if element.kind in CONVERTING and element.efficiency is not None:
                gain = element.efficiency
        limits.append(limit)
        efficiency.append(gain)
    if unknown:
        notes.append(f"rating_a sets no limit where nothing in the voltage domain states voltage_v: {_some(unknown)}")
    capacity = _capacities(network, problems, notes)
    exclusive = _exclusive_groups(network, problems)
    if problems:
        raise ModelError(problems)
    need_nodes = tuple(tuple(dict.fromkeys(n.node for n in needs)) for needs in network.needs)
    rests_on = tuple((*network.upstream[v], *need_nodes[v], *network.members[v]) for v in range(len(network.ids)))
    readers: list[list[int]] = [[] for _ in network.ids]
    functions_of: list[list[int]] = [[] for _ in network.ids]
    for v, nodes in enumerate(need_nodes):
        for n in nodes:
            readers[n].append(v)
    for v, members in enumerate(network.members):
        for m in members:
            functions_of[m].append(v)
    loads = {network.index[x.id]: x for x in topology.loads.values()}
    components = {network.index[c.id]: c for c in topology.components.values()}
    undemanded = frozenset(v for v, x in loads.items() if x.demand_kw is None)
    if undemanded:
        names = [network.ids[v] for v in sorted(undemanded)]
        notes.append(f"loads without demand_kw are taken at 0 kW: {_some(names)}")
    wires = _wires(network)
    forwards, backwards = _adjacent(wires), _adjacent((b, a, both) for a, b, both in wires)
    drivers = frozenset(v for v, c in components.items() if c.is_source or c.kind in CONVERTING)
    protected = tuple(v for v, c in components.items() if c.may_parallel is False and v in drivers)
    rivals, between = _rivals(protected, forwards, backwards, len(network.ids))
    leaving = {
        p: tuple(min(limit, capacity[p].get(v, UNLIMITED)) for v, limit in enumerate(limits))
        for p in topology.phase_names
    }
    return Plant(
        network=network,
        limit_kw=tuple(limits),
        capacity_kw=capacity,
        efficiency=tuple(efficiency),
        demand_kw={
            p: {v: in_phase(x.demand_kw, p, 0.0) or 0.0 for v, x in loads.items()} for p in topology.phase_names
        },
        judged={p: frozenset(v for v, x in loads.items() if x.judged_in(p)) for p in topology.phase_names},
        undemanded=undemanded,
        priority={v: x.service_priority for v, x in loads.items()},
        sources=frozenset(v for v, c in components.items() if c.is_source),
        loads=frozenset(loads),
        one_feed=frozenset(v for v, c in components.items() if c.one_feed),
        protected=protected,
        rivals=rivals,
        between=between,
        behind_rivals=_dependencies(rests_on, rivals),
        bridging=_bridging(wires, rivals, between, len(network.ids)),
        drivers=drivers,
        drivable=tuple(v for v in protected if not drivers.isdisjoint(_reached(backwards, v) - {v})),
        meeting=_meeting(network, [_reached(forwards, v) for v in protected]),
        exclusive=exclusive,
        switched=frozenset(v for v, c in components.items() if c.is_switched),
        normally_closed=frozenset(v for v, c in components.items() if c.is_switched and not c.normally_open),
        jumpers=frozenset(v for v, c in components.items() if c.kind == "jumper"),
        rests_on=rests_on,
        need_nodes=need_nodes,
        need_readers=tuple(map(tuple, readers)),
        onward=tuple((*(network.downstream[v] if v not in loads else ()), *own) for v, own in enumerate(functions_of)),
        needing=frozenset(v for v, nodes in enumerate(need_nodes) if nodes),
        needed=_needed(need_nodes, network.members),
        related=_related(network, need_nodes, exclusive),
        neighbours=tuple(
            tuple(dict.fromkeys((*network.upstream[v], *network.downstream[v]))) for v in range(len(network.ids))
        ),
        leaving_kw=leaving,
        limited={
            p: tuple((v, most) for v, most in enumerate(own[: network.n_components]) if most < UNLIMITED)
            for p, own in leaving.items()
        },
        wires=wires,
        forwards=forwards,
        backwards=backwards,
        notes=tuple(dict.fromkeys(notes)),
    )


def _limit_kw(component: Component, voltage: float | None, unknown: list[str]) -> float:
    limit = UNLIMITED if component.rating_kw is None else component.rating_kw
    if component.rating_a is not None:
        volts = component.voltage_v if component.voltage_v is not None else voltage
        if volts is None:
            unknown.append(component.id)
        else:
            limit = min(limit, component.rating_a * volts / 1000.0)
    return limit


def _capacities(network: Network, problems: list[Problem], notes: list[str]) -> dict[str, dict[int, float]]:
    topology = network.topology
    stated = tuple(p.name for p in topology.phases) != (DEFAULT_PHASE,) or topology.phases[0].duration_h is not None
    capacity: dict[str, dict[int, float]] = {}
    asked: set[str] = set()
    for phase in topology.phases:
        own = capacity[phase.name] = {}
        for component in topology.components.values():
            if not component.is_source:
                continue
            most = in_phase(component.capacity_kw, phase.name, UNLIMITED)
            assert most is not None
            if component.kind == "storage" and component.energy_kwh is not None:
                depth = 1.0 if component.depth_limit is None else component.depth_limit
                if phase.duration_h is not None:
                    most = min(most, component.energy_kwh * depth / phase.duration_h)
                elif not stated:
                    notes.append(f"energy_kwh of {component.id} sets no limit: the file states no phases")
                elif phase.name not in asked:
                    asked.add(phase.name)
                    line, column = _place(topology, f"phases.{phase.name}", "phases")
                    problems.append(
                        Problem(
                            topology.file,
                            line,
                            column,
                            f"phases.{phase.name}",
                            f"expected duration_h, since the energy of storage {component.id} counts "
                            "(energy_kwh x depth_limit / duration_h); found none; add it to the phase",
                        )
                    )
            own[network.index[component.id]] = most
    return capacity


def _check_voltages(topology: Topology, voltage: dict[str, float | None], problems: list[Problem]) -> None:
    for component in topology.components.values():
        domain = voltage.get(component.id)
        if component.voltage_v is not None and domain is not None and component.voltage_v != domain:
            path = f"components.{component.id}.voltage_v"
            line, column = _place(topology, path, f"components.{component.id}")
            problems.append(
                Problem(
                    topology.file,
                    line,
                    column,
                    path,
                    f"expected {domain:g} V, the voltage of the rest of its domain (what is linked to it without a "
                    f"converter or regulator between); found {component.voltage_v:g} V",
                )
            )


def _exclusive_groups(network: Network, problems: list[Problem]) -> tuple[tuple[int, ...], ...]:
    """The groups of ``exclusive`` by node number."""
    try:
        groups = exclusive_groups(network.topology)
    except ModelError as error:
        problems.extend(error.problems)
        return ()
    return tuple(tuple(network.index[id_] for id_ in group) for group in groups)


def _place(topology: Topology, *paths: str) -> tuple[int, int]:
    for path in paths:
        if path in topology.positions:
            return topology.positions[path]
    return 0, 0


def _needed(need_nodes: Iterable[tuple[int, ...]], members: tuple[tuple[int, ...], ...]) -> frozenset[int]:
    found: set[int] = set()
    waiting = [n for nodes in need_nodes for n in nodes]
    while waiting:
        v = waiting.pop()
        if v not in found:
            found.add(v)
            waiting += members[v]
    return frozenset(found)


def _related(
    network: Network, need_nodes: tuple[tuple[int, ...], ...], exclusive: tuple[tuple[int, ...], ...]
) -> tuple[tuple[int, ...], ...]:
    near: list[set[int]] = [set() for _ in network.ids]
    for v in range(len(network.ids)):
        for u in (*network.fault_previous[v], *need_nodes[v], *network.members[v]):
            near[v].add(u)
            near[u].add(v)
    for group in exclusive:
        for v in group[1:]:
            near[v].add(group[0])
            near[group[0]].add(v)
    return tuple(tuple(sorted(found)) for found in near)


def _rivals(
    protected: tuple[int, ...], forwards: dict[int, tuple[int, ...]], backwards: dict[int, tuple[int, ...]], n: int
) -> tuple[tuple[int, ...], frozenset[int]]:
    ahead = {v: _reached(forwards, v) for v in protected}
    behind = {v: _reached(backwards, v) for v in protected}
    between: set[int] = set()
    rivals = set()
    for a in protected:
        for b in protected:
            if a != b and b in ahead[a]:
                rivals |= {a, b}
                between |= {t % n for t in ahead[a] & behind[b]}
    return tuple(v for v in protected if v in rivals), frozenset(between)


def _meeting(network: Network, reached: list[set[int]]) -> tuple[int, ...]:
    """Loads with common inputs whose feeds two outputs reach, given what each output reaches at most."""
    return tuple(
        v
        for v, element in enumerate(network.elements)
        if isinstance(element, Load)
        and element.common_inputs
        and len(network.upstream[v]) > 1
        and sum(not own.isdisjoint(network.upstream[v]) for own in reached) > 1
    )


def _bridging(
    wires: tuple[tuple[int, int, bool], ...], rivals: tuple[int, ...], between: frozenset[int], n: int
) -> frozenset[int]:
    near: dict[int, set[int]] = {}
    for a, b, _ in wires:
        if a % n in between and b % n in between:
            near.setdefault(a, set()).add(b)
            near.setdefault(b, set()).add(a)
    waiting = [t for t, own in near.items() if len(own) < 2 and t not in rivals]
    for t in waiting:
        for u in near.pop(t):
            near[u].discard(t)
            if len(near[u]) == 1 and u not in rivals:
                waiting.append(u)
    return frozenset(t % n for t in near) | frozenset(rivals)


def _dependencies(rests_on: tuple[tuple[int, ...], ...], nodes: Iterable[int]) -> frozenset[int]:
    waiting = list(nodes)
    found = set(waiting)
    while waiting:
        for u in rests_on[waiting.pop()]:
            if u not in found:
                found.add(u)
                waiting.append(u)
    return frozenset(found)


def _reached(paths: dict[int, tuple[int, ...]], start: int) -> set[int]:
    found, waiting = {start}, [start]
    while waiting:
        for b in paths.get(waiting.pop(), ()):
            if b not in found:
                found.add(b)
                waiting.append(b)
    return found


def _adjacent(wires: Iterable[tuple[int, int, bool]]) -> dict[int, tuple[int, ...]]:
    found: dict[int, list[int]] = {}
    for a, b, both in wires:
        found.setdefault(a, []).append(b)
        if both:
            found.setdefault(b, []).append(a)
    return {a: tuple(near) for a, near in found.items()}


def _wires(network: Network) -> tuple[tuple[int, int, bool], ...]:
    """The terminals that links join, and which pieces of equipment pass current one way only.

    Nodes stand for output terminals; a converter has an input terminal of its own. A link joins both ways, except
    that nothing flows backwards through a diode. A converter that is not isolated passes from input to output. Loads
    join nothing here, even with common inputs: that is reported, not forbidden.
    """
    n = len(network.ids)
    wires: dict[tuple[int, int], bool] = {}
    for u, v in network.links:
        a, b = network.elements[u], network.elements[v]
        if not isinstance(a, Component) or not isinstance(b, Component):
            continue
        one_way = "diode" in (a.kind, b.kind)
        target = v + n if b.kind == "converter" else v
        if one_way or (target, u) not in wires:
            wires[u, target] = not one_way
    for v, element in enumerate(network.elements):
        if isinstance(element, Component) and element.kind == "converter" and not element.isolated:
            wires[v + n, v] = False
    return tuple((a, b, both) for (a, b), both in wires.items())


def _some(names: list[str], most: int = 8) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")
