"""Which components share a voltage? Domains joined by links in either direction, parted by converters and regulators.

Two buses of different nominal voltage within one domain would be joined by copper: an error. Loads join nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from powerfault.model.elements import Topology
from powerfault.model.places import Flaw, link_path, shorten

CONVERTING_KINDS = ("converter", "regulator")


def domain_neighbours(topology: Topology) -> dict[str, list[str]]:
    """Return the neighbours of every component that is no converter or regulator, along links in either direction."""
    components = topology.components
    joined: dict[str, list[str]] = {
        id_: [] for id_, component in components.items() if component.kind not in CONVERTING_KINDS
    }
    for before, after in topology.links:
        if before in joined and after in joined:
            joined[before].append(after)
            joined[after].append(before)
    return joined


def voltage_domains(topology: Topology) -> list[list[str]]:
    """Return the ids of each domain, in the order of the file by their first member."""
    return _domains(domain_neighbours(topology))


def _domains(joined: dict[str, list[str]]) -> list[list[str]]:
    domains: list[list[str]] = []
    seen: set[str] = set()
    for start in joined:
        if start in seen:
            continue
        seen.add(start)
        domain = [start]
        for id_ in domain:  # grows while it is walked
            for neighbour in joined[id_]:
                if neighbour not in seen:
                    seen.add(neighbour)
                    domain.append(neighbour)
        domains.append(domain)
    return domains


def bus_voltages(topology: Topology, domain: list[str]) -> dict[float, str]:
    """Return the nominal voltages of the buses of a domain, each with the first bus that gives it."""
    found: dict[float, str] = {}
    for id_ in domain:
        component = topology.components[id_]
        if component.kind == "bus" and component.voltage_v is not None:
            found.setdefault(component.voltage_v, id_)
    return found


def voltage_flaws(topology: Topology) -> Iterator[Flaw]:
    """Yield a flaw for each further voltage in a domain, naming both buses and the shortest way between them."""
    joined = domain_neighbours(topology)
    for domain in _domains(joined):
        voltages = bus_voltages(topology, domain)
        if len(voltages) < 2:
            continue
        reference, first = next(iter(voltages.items()))
        said = {reference}
        came_from: dict[str, str] = {first: first}
        order = [first]
        for id_ in order:  # grows while it is walked: breadth first
            component = topology.components[id_]
            voltage = component.voltage_v
            if component.kind == "bus" and voltage is not None and voltage not in said:
                said.add(voltage)
                way = [id_]
                while way[-1] != first:
                    way.append(came_from[way[-1]])
                yield _joined(topology, way[::-1], reference, voltage)
            for neighbour in joined[id_]:
                if neighbour not in came_from:
                    came_from[neighbour] = id_
                    order.append(neighbour)


def _joined(topology: Topology, way: list[str], first_v: float, last_v: float) -> Flaw:
    shown = " - ".join(way if len(way) <= 12 else [*way[:6], "…", *way[-5:]])
    spelt = [path for pair in pairwise(way) for path in (link_path(pair), link_path(pair[::-1]))
             if path in topology.origins]  # fmt: skip
    # Shown at the link that a proposal added, if one did.
    path = next((path for path in spelt if topology.origins[path].startswith("proposals.")), (spelt or ["feeds"])[-1])
    return Flaw(path, f"joins {way[0]} ({first_v:g} V) and {way[-1]} ({last_v:g} V) without a converter or regulator "
                      f"between them: {shorten(shown, 400)}", None, tuple(way))  # fmt: skip
