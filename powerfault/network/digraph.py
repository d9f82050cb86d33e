"""The system as a networkx graph, for whoever wants to ask it other questions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from powerfault.model.elements import Component, Function, Load, Topology

if TYPE_CHECKING:
    import networkx as nx

_ATTRIBUTES = ("label", "channel", "site", "rating_kw", "rating_a", "voltage_v", "demand_kw", "severity", "priority")


def to_digraph(topology: Topology) -> nx.DiGraph[str]:
    """Return a node for each component, load and function, and an edge for each one-way link.

    Nodes carry ``kind`` (of a component its kind, else ``load`` or ``function``) and what the file gives of label,
    channel, site, ratings, voltage, demand, severity and priority. Edges carry ``relation``: ``feeds`` for power,
    ``member`` from a member to its function, ``needs`` from what is needed to what needs it.
    """
    import networkx as nx

    graph: nx.DiGraph[str] = nx.DiGraph(name=topology.name)
    for id_, element in (*topology.components.items(), *topology.loads.items(), *topology.functions.items()):
        kind = getattr(element, "kind", "function" if isinstance(element, Function) else "load")
        given: dict[str, Any] = {name: getattr(element, name, None) for name in _ATTRIBUTES}
        graph.add_node(id_, kind=kind, **{name: value for name, value in given.items() if value is not None})
    for function in topology.functions.values():
        graph.add_edges_from(((member, function.id) for member in function.of), relation="member")
    equipment: list[Component | Load] = [*topology.components.values(), *topology.loads.values()]
    for needy in equipment:
        graph.add_edges_from(((need.id, needy.id) for need in needy.needs), relation="needs")
    graph.add_edges_from((*topology.links, *topology.load_links()), relation="feeds")
    return graph
