"""What a topology's energised part looks like to the DC flow: merged nodes, resistances and feeders, by area.

A galvanic area is what is joined by links and not parted by a converter or regulator. A source, storage or such an
output is a feeder of its area; a cable or jumper with a resistance is a star with half of
it to each neighbour; a diode, a converter's or load's several inputs let power in one way only; all else is wire.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from powerfault.electrical.currents.conductors import loop_resistance_ohm
from powerfault.electrical.currents.dc_flow import Branch, DcFlow
from powerfault.electrical.currents.derating import Derating
from powerfault.electrical.currents.layout import Layout, Merge
from powerfault.electrical.currents.quantity import NOTE, UNKNOWN, Finding
from powerfault.model.elements import CONDUCTOR_KINDS, in_phase

CONTACT_OHM = 1e-6
"""Resistance put where a current is asked for and none is given: diodes, joined inputs, conductors without gauge."""


@dataclass(slots=True)
class Area:
    branches: list[Branch] = field(default_factory=list)
    held: dict[str, float] = field(default_factory=dict)
    feeders: dict[str, list[str]] = field(default_factory=dict)
    loads_w: dict[str, float] = field(default_factory=dict)
    nodes: set[str] = field(default_factory=set)
    solved_for: dict[str, float] | None = None
    output_w: dict[str, float] = field(default_factory=dict)
    """Power out of its feeders, for the loads it was solved for."""
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
        self.layout, self.topology, self.phase = layout, layout.topology, phase
        self.live = layout.energised(conducting)
        self.findings: list[Finding] = []
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
        self._roots: dict[str, str] = {}
        self.areas = self._areas()
        self._roots = {node: self._merge.find(node) for node in self._merge.parent}

    def root(self, node: str) -> str:
        """The name under which the flow knows ``node``."""
        return self._roots.get(node) or self._merge.find(node)

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
        for a, b in self.layout.links:
            if a not in self.live or b not in self.live:
                continue
            target = self.topology.components[b]
            if target.one_feed and not target.is_source and b in inputs:
                continue
            inputs.setdefault(b, []).append(a)
            if b not in self.layout.splitting and frozenset((a, b)) not in joined:
                joined.add(frozenset((a, b)))
                self._join(a, b)
        for b, sources in inputs.items():
            target = self.topology.components[b]
            if b not in self.layout.splitting:
                continue
            if len(sources) == 1:
                self._join(sources[0], b)
                continue
            for a in sources:
                self._one_way(self._arm(a, b), f"{b}<", f"{a}->{b}")
        for id_, c in self.topology.components.items():
            if c.kind == "diode" and id_ in self.live:
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
        near, far = self._arm(a, b), self.layout.input_node(b)
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
            whole = galvanic.find(root)
            made = found.get(whole)
            if made is None:
                made = found[whole] = Area()
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
            area(self.layout.input_node(id_))
            if id_ in self.layout.sources or id_ in self.layout.splitting:
                root, volts = self.root(id_), component.voltage_v or self.layout.nominal[id_]
                here.feeders.setdefault(root, []).append(id_)
                if volts is not None:
                    here.held[root] = max(volts, here.held.get(root, 0.0))
        return list(found.values())
