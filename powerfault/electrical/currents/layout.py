"""What of a topology bears on its currents and does not depend on the case: power links, areas' borders, voltages.

Converters and regulators part galvanic areas: an output holds its voltage, an input takes output / efficiency. A
regulator with two-way links that has only storages behind one side (a battery's charger and discharger) is laid out
in the direction of discharge; charging is added as a load where it is studied. Another two-way regulator without a
``voltage_v`` of its own is wire.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from powerfault.model.elements import Component, Link, Load, Topology


@dataclass(frozen=True, slots=True)
class Layout:
    """Power links by their ends (without those into sources, charging links, and coolant), and what parts areas."""

    topology: Topology
    links: tuple[Link, ...]
    upstream: Mapping[str, tuple[str, ...]]
    downstream: Mapping[str, tuple[str, ...]]
    sources: frozenset[str]
    splitting: frozenset[str]
    """Converters and regulators whose input and output lie in different areas."""
    several: Mapping[str, int]
    """``feeds_needed`` where it is more than 1."""
    nominal: Mapping[str, float | None]
    """Nominal voltage of every component's output side and of every load's first feed."""

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

    def input_node(self, id_: str) -> str:
        """The node on the input side of ``id_``: one of its own where it parts areas or is a diode."""
        component = self.topology.components.get(id_)
        apart = id_ in self.splitting or (component is not None and component.kind == "diode")
        return f"{id_}<" if apart else id_


def lay_out(topology: Topology) -> Layout:
    """Return the layout of ``topology``."""
    input_sides = _input_sides(topology)
    dropped = {
        (a, b)
        for a, b in topology.links
        if (b in input_sides and a not in input_sides[b]) or (a in input_sides and b in input_sides[a])
    }
    links = tuple(link for link in dict.fromkeys(topology.links) if link not in dropped)
    wet = {c.id for c in topology.components.values() if c.is_coolant}
    links = tuple(link for link in links if wet.isdisjoint(link))
    sources = frozenset(c.id for c in topology.components.values() if c.is_source and not c.is_coolant)
    upstream: dict[str, list[str]] = {}
    downstream: dict[str, list[str]] = {}
    for a, b in (*links, *dict.fromkeys(topology.load_links())):
        if b not in sources:
            upstream.setdefault(b, []).append(a)
            downstream.setdefault(a, []).append(b)
    elements: list[Component | Load] = [*topology.components.values(), *topology.loads.values()]
    splitting = frozenset(input_sides)
    return Layout(
        topology,
        links,
        {k: tuple(v) for k, v in upstream.items()},
        {k: tuple(v) for k, v in downstream.items()},
        sources,
        splitting,
        {e.id: e.feeds_needed for e in elements if e.feeds_needed > 1},
        _nominal(topology, links, splitting),
    )


def nominal_voltages(topology: Topology) -> dict[str, float | None]:
    """The nominal voltage of every component's output side and of every load's first feed.

    It is that of a bus of the same domain, else any ``voltage_v`` in it; ``None`` where nothing says.
    """
    return dict(lay_out(topology).nominal)


def _nominal(topology: Topology, links: Iterable[Link], splitting: frozenset[str]) -> dict[str, float | None]:
    domain = Merge()
    for a, b in links:
        domain.join(a, f"{b}<" if b in splitting else b)
    known: dict[str, float] = {}
    for component in sorted(topology.components.values(), key=lambda c: c.kind != "bus"):
        if component.voltage_v is not None:
            known.setdefault(domain.find(component.id), component.voltage_v)
    found = {id_: known.get(domain.find(id_)) for id_ in topology.components}
    return found | {load.id: found.get(load.fed_by[0]) if load.fed_by else None for load in topology.loads.values()}


def _input_sides(topology: Topology) -> dict[str, frozenset[str]]:
    """For each component that parts areas, its neighbours on the input side."""
    before: dict[str, list[str]] = {}
    joined: dict[str, list[str]] = {}
    for a, b in topology.links:
        before.setdefault(b, []).append(a)
        joined.setdefault(a, []).append(b)
        joined.setdefault(b, []).append(a)
    loads = {feed for load in topology.loads.values() for feed in load.fed_by}
    both = set(topology.links)
    found: dict[str, frozenset[str]] = {}
    for c in topology.components.values():
        if c.kind not in ("converter", "regulator"):
            continue
        upstream = before.get(c.id, [])
        if not any((c.id, a) in both for a in upstream):
            found[c.id] = frozenset(upstream)
            continue
        stored = frozenset(a for a in upstream if _only_storage(topology, a, c.id, joined, loads))
        if stored and len(stored) < len(set(joined[c.id])):
            found[c.id] = stored
        elif c.voltage_v is not None:
            found[c.id] = frozenset(upstream[:1])
    return found


def _only_storage(
    topology: Topology, start: str, without: str, joined: Mapping[str, Sequence[str]], loads: set[str]
) -> bool:
    """Whether what hangs on ``start``, ``without`` one component, holds a storage and no other source or load."""
    found, waiting = {start, without}, [start]
    while waiting:
        for b in joined.get(waiting.pop(), ()):
            if b not in found:
                found.add(b)
                waiting.append(b)
    found.discard(without)
    kinds = {topology.components[x].kind for x in found}
    return "storage" in kinds and "source" not in kinds and loads.isdisjoint(found)


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
