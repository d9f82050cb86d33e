"""What a topology's energised part looks like to the DC flow: merged nodes, resistances and feeders, by area.

A galvanic area is what is joined by links and not parted by a converter (or a regulator that states its voltage). A
source, storage or such an output is a feeder of its area; a cable or jumper with a resistance is a star with half of
it to each neighbour; a diode, a converter's or load's several inputs let power in one way only; all else is wire.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from powerfault.measures.conductors import loop_resistance_ohm
from powerfault.measures.dc_flow import Branch, DcFlow
from powerfault.measures.derating import Derating
from powerfault.measures.quantity import NOTE, UNKNOWN, Finding
from powerfault.model.elements import CONDUCTOR_KINDS, Component, Load, Topology, in_phase

CONTACT_OHM = 1e-6
"""Resistance put where a current is asked for and none is given: diodes, joined inputs, conductors without gauge."""


def nominal_voltages(topology: Topology) -> dict[str, float | None]:
    """The nominal voltage of every component's output side and of every load's first feed.

    It is that of a bus of the same domain, else any ``voltage_v`` in it; ``None`` where nothing says.
    """
    domain = Merge()
    for a, b in topology.links:
        domain.join(a, input_node(topology, b))
    known: dict[str, float] = {}
    for component in sorted(topology.components.values(), key=lambda c: c.kind != "bus"):
        if component.voltage_v is not None:
            known.setdefault(domain.find(component.id), component.voltage_v)
    found = {id_: known.get(domain.find(id_)) for id_ in topology.components}
    return found | {load.id: found.get(load.fed_by[0]) for load in topology.loads.values()}


@dataclass(frozen=True, slots=True)
class Layout:
    """What of a topology does not depend on the case: power links by their ends, sources, nominal voltages."""

    topology: Topology
    upstream: Mapping[str, tuple[str, ...]]
    downstream: Mapping[str, tuple[str, ...]]
    sources: frozenset[str]
    several: Mapping[str, int]
    """``feeds_needed`` where it is more than 1."""
    nominal: Mapping[str, float | None]

    def energised(self, conducting: Collection[str]) -> frozenset[str]:
        """What has power, of ``conducting`` (components and loads), when only these conduct. The least fixpoint."""
        allowed = conducting if isinstance(conducting, (set, frozenset)) else set(conducting)
        found = set(self.sources & allowed)
        waiting = list(found)
        while waiting:
            for b in self.downstream.get(waiting.pop(), ()):
                if b in found or b not in allowed:
                    continue
                if b in self.several and sum(a in found for a in self.upstream[b]) < self.several[b]:
                    continue
                found.add(b)
                waiting.append(b)
        return frozenset(found)


def lay_out(topology: Topology) -> Layout:
    """Return the layout of ``topology``; links into sources carry no power and are left out."""
    upstream: dict[str, list[str]] = {}
    downstream: dict[str, list[str]] = {}
    sources = frozenset(c.id for c in topology.components.values() if c.is_source)
    for a, b in dict.fromkeys((*topology.links, *topology.load_links())):
        if b not in sources:
            upstream.setdefault(b, []).append(a)
            downstream.setdefault(a, []).append(b)
    elements: list[Component | Load] = [*topology.components.values(), *topology.loads.values()]
    return Layout(
        topology,
        {k: tuple(v) for k, v in upstream.items()},
        {k: tuple(v) for k, v in downstream.items()},
        sources,
        {e.id: e.feeds_needed for e in elements if e.feeds_needed > 1},
        nominal_voltages(topology),
    )


def splits(component: Component | None) -> bool:
    """Whether input and output of it lie in different areas."""
    if component is None:
        return False
    return component.kind == "converter" or (component.kind == "regulator" and component.voltage_v is not None)


def input_node(topology: Topology, id_: str) -> str:
    """The node on the input side of ``id_``; a diode has one of its own too."""
    component = topology.components.get(id_)
    return f"{id_}<" if splits(component) or (component is not None and component.kind == "diode") else id_


class Merge:
    """Sets that are joined (union-find)."""

    def __init__(self) -> None:
        self.parent: dict[str, str] = {}

    def find(self, a: str) -> str:
        root = a
        while self.parent.setdefault(root, root) != root:
            root = self.parent[root]
        while self.parent[a] != root:
            self.parent[a], a = root, self.parent[a]
        return root

    def join(self, a: str, b: str) -> None:
        self.parent[self.find(b)] = self.find(a)


@dataclass(slots=True)
class Area:
    branches: list[Branch] = field(default_factory=list)
    held: dict[str, float] = field(default_factory=dict)
    feeders: dict[str, list[str]] = field(default_factory=dict)
    loads_w: dict[str, float] = field(default_factory=dict)
    nodes: set[str] = field(default_factory=set)
    solved_for: dict[str, float] | None = None
    flow: DcFlow | None = None
    stuck: Finding | None = None
    """Why it has no flow, where it should have one."""


class Wiring:
    """The part of ``topology`` that has power with only ``conducting`` in circuit, as areas.

    ``fixed_w`` holds the power drawn at nodes, ``areas`` all areas, ``findings`` what could not be taken from the
    file. ``extra_kw`` is power drawn at components beside the loads' demand. A conductor in ``ideal``, or whose length
    or gauge is not given, is ``assumed`` to have next to no resistance, yet its current is found.
    """

    def __init__(
        self, layout: Layout, conducting: Collection[str], phase: str, derating: Derating,
        extra_kw: Mapping[str, float], ideal: Collection[str] = (),
    ) -> None:  # fmt: skip
        self.topology, self.phase = layout.topology, phase
        self.live = layout.energised(conducting)
        self.findings: list[Finding] = []
        self.nominal = layout.nominal
        self.assumed: set[str] = set()
        self.resistance = self._resistances(derating, ideal)
        self.arms: dict[str, list[tuple[str, str]]] = {}
        """By conductor: the node at each end, and the neighbour there."""
        self.load_nodes: dict[str, list[str]] = {}
        self.fixed_w: dict[str, float] = {}
        self._merge = Merge()
        self._branches: list[Branch] = []
        self._wire()
        self._loads()
        for id_, kw in extra_kw.items():
            if id_ in self.live:
                self._draw(id_, 1000 * kw)
        self._area_of: dict[str, Area] = {}
        self.areas = self._areas()

    def root(self, node: str) -> str:
        """The name under which the flow knows ``node``."""
        return self._merge.find(node)

    def area(self, node: str) -> Area:
        return self._area_of[self.root(node)]

    def voltage(self, node: str) -> float | None:
        flow = self.area(node).flow
        return None if flow is None else flow.voltage_v.get(self.root(node))

    def members(self, node: str) -> str:
        """The component or load by which to call a node of the flow."""
        ids = (*self.topology.components, *self.topology.loads)
        return next((i for i in ids if self.root(i) == node), node.partition("|")[0].rstrip("<"))

    def _resistances(self, derating: Derating, ideal: Collection[str]) -> dict[str, float]:
        found = {}
        for id_ in self.topology.components:
            c = self.topology.components[id_]
            if id_ not in self.live or c.kind not in CONDUCTOR_KINDS:
                continue
            found[id_] = CONTACT_OHM
            if id_ in ideal:
                self.assumed.add(id_)
                continue
            if c.length_m is None or c.gauge_awg is None:
                lacks = " and ".join(n for n in ("length_m", "gauge_awg") if getattr(c, n) is None)
                self.findings.append(Finding(UNKNOWN, id_, f"no resistance taken: {lacks} not given"))
                self.assumed.add(id_)
                continue
            ohm = loop_resistance_ohm(
                c.gauge_awg, c.length_m, c.conductors, derating.temperature_c(c), derating.resistance
            )
            found[id_] = max(ohm, CONTACT_OHM)
        return found

    def _wire(self) -> None:
        """Turn links into merged nodes and branches. A conductor is a star: half its resistance to each neighbour."""
        inputs: dict[str, list[str]] = {}
        joined: set[frozenset[str]] = set()
        for a, b in self.topology.links:
            if a not in self.live or b not in self.live:
                continue
            target = self.topology.components[b]
            if target.one_feed and not target.is_source and b in inputs:
                continue
            inputs.setdefault(b, []).append(a)
            if not splits(target) and frozenset((a, b)) not in joined:
                joined.add(frozenset((a, b)))
                self._join(a, b)
        for b, sources in inputs.items():
            target = self.topology.components[b]
            if not splits(target):
                continue
            if len(sources) == 1:
                self._join(sources[0], b)
                continue
            for a in sources:
                self._one_way(self._arm(a, b), f"{b}<", f"{a}->{b}")
        for id_ in self.live:
            if id_ in self.topology.components and self.topology.components[id_].kind == "diode":
                self._one_way(f"{id_}<", id_, id_)

    def _one_way(self, a: str, b: str, name: str) -> None:
        self._branches.append(Branch(name, a, b, CONTACT_OHM, one_way=True))

    def _arm(self, a: str, b: str) -> str:
        """The node of ``a`` as its neighbour ``b`` sees it: behind half the resistance where ``a`` is a conductor."""
        if a not in self.resistance:
            return a
        end = f"{a}|{b}"
        if all(end != arm for arm, _ in self.arms.setdefault(a, [])):
            self.arms[a].append((end, b))
            self._branches.append(Branch(end, a, end, self.resistance[a] / 2))
        return end

    def _join(self, a: str, b: str) -> None:
        near, far = self._arm(a, b), input_node(self.topology, b)
        if b in self.resistance:
            far = self._arm(b, a)
        self._merge.join(near, far)

    def _loads(self) -> None:
        for load in self.topology.loads.values():
            if load.id not in self.live:
                continue
            demand = in_phase(load.demand_kw, self.phase)
            if demand is None:
                self.findings.append(Finding(UNKNOWN, load.id, "demand_kw not given: taken to draw no power"))
                demand = 0.0
            feeds = [f for f in load.fed_by if f in self.live]
            if load.feeds_needed > 1:
                # It needs several supplies at once, so each gives its share.
                self.load_nodes[load.id] = [self._arm(f, load.id) for f in feeds]
                for node in self.load_nodes[load.id]:
                    self._draw(node, 1000 * demand / len(feeds))
                continue
            self.load_nodes[load.id] = [load.id]
            for feed in feeds:
                arm = self._arm(feed, load.id)
                if len(feeds) == 1:
                    self._merge.join(arm, load.id)
                else:
                    # Common inputs too: no power is credited with passing through a load from feed to feed.
                    self._one_way(arm, load.id, f"{feed}->{load.id}")
            if len(feeds) > 1 and load.common_inputs:
                self.findings.append(
                    Finding(NOTE, load.id, "common inputs: what passes through it from feed to feed is not shown")
                )
            self._draw(load.id, 1000 * demand)

    def _draw(self, node: str, watts: float) -> None:
        self.fixed_w[node] = self.fixed_w.get(node, 0.0) + watts

    def _areas(self) -> list[Area]:
        galvanic = Merge()
        for branch in self._branches:
            galvanic.join(self.root(branch.start), self.root(branch.end))
        found: dict[str, Area] = {}

        def area(node: str) -> Area:
            root = self.root(node)
            made = found.setdefault(galvanic.find(root), Area())
            made.nodes.add(root)
            self._area_of[root] = made
            return made

        for branch in self._branches:
            start, end = self.root(branch.start), self.root(branch.end)
            area(end)
            area(start).branches.append(Branch(branch.id, start, end, branch.resistance_ohm, branch.one_way))
        for node in self.fixed_w:
            area(node)
        for id_ in (*self.topology.components, *self.topology.loads):
            if id_ not in self.live:
                continue
            here, component = area(id_), self.topology.components.get(id_)
            if component is None:
                continue
            area(input_node(self.topology, id_))
            if component.is_source or splits(component):
                root, volts = self.root(id_), component.voltage_v or self.nominal[id_]
                here.feeders.setdefault(root, []).append(id_)
                if volts is not None:
                    here.held[root] = max(volts, here.held.get(root, 0.0))
        return list(found.values())
