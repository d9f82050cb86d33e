"""The numbered directed graph of a topology: who feeds, needs and operates whom.

Nodes are the components, then the loads, then the functions, each in the order of the file. Power runs along the
links without those into a source or storage; faults run along all of them. The *parts* are the strongly connected
components of the dependency graph (feeds, needs, members of functions) in topological order, so that an evaluator
visits each acyclic node once and iterates only inside a cyclic part.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from powerfault.model.elements import STAGES, Component, Function, Load, Topology


@dataclass(frozen=True, slots=True)
class NeedOf:
    """A need of a node: the node that must be served, and the number of the stage whose interruption is borne."""

    node: int
    bears: int


@dataclass(frozen=True, slots=True)
class Part:
    """Nodes that depend on each other (or one node that does not depend on itself).

    ``nodes`` are ordered so that a sweep meets most nodes after what they depend on. ``needed`` are those nodes of a
    cyclic part that others in the part need: the ones for which the greatest fixpoint of stage 0 must be sought.
    """

    nodes: tuple[int, ...]
    cyclic: bool
    needed: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Network:
    """A topology as numbers. ``upstream[v]`` and ``downstream[v]`` hold the power neighbours of node v."""

    topology: Topology
    ids: tuple[str, ...]
    index: dict[str, int]
    n_components: int
    n_loads: int
    upstream: tuple[tuple[int, ...], ...]
    downstream: tuple[tuple[int, ...], ...]
    links: tuple[tuple[int, int], ...]
    fault_next: tuple[tuple[int, ...], ...]
    fault_previous: tuple[tuple[int, ...], ...]
    needs: tuple[tuple[NeedOf, ...], ...]
    members: tuple[tuple[int, ...], ...]
    threshold: tuple[int, ...]
    operators: dict[int, tuple[int, ...]]
    chargers: dict[int, tuple[int, ...]]
    readers: tuple[tuple[int, ...], ...]
    parts: tuple[Part, ...]
    part_of: tuple[int, ...]
    """By node, its position in ``parts``."""
    elements: tuple[Component | Load | Function, ...] = field(repr=False)

    @property
    def consumers(self) -> range:
        """The numbers of loads and functions."""
        return range(self.n_components, len(self.ids))

    def component(self, node: int) -> Component:
        found = self.elements[node]
        assert isinstance(found, Component)
        return found


def build_network(topology: Topology) -> Network:
    """Return the numbered graph of ``topology``. Time and memory grow with nodes and links."""
    elements: list[Component | Load | Function] = [
        *topology.components.values(),
        *topology.loads.values(),
        *topology.functions.values(),
    ]
    ids = tuple(e.id for e in elements)
    index = {id_: i for i, id_ in enumerate(ids)}
    n_components, n_loads, n = len(topology.components), len(topology.loads), len(ids)

    links = tuple(dict.fromkeys((index[a], index[b]) for a, b in (*topology.links, *topology.load_links())))
    upstream: list[list[int]] = [[] for _ in range(n)]
    downstream: list[list[int]] = [[] for _ in range(n)]
    fault_next: list[list[int]] = [[] for _ in range(n)]
    fault_previous: list[list[int]] = [[] for _ in range(n)]
    for a, b in links:
        fault_next[a].append(b)
        fault_previous[b].append(a)
        target = elements[b]
        if not (isinstance(target, Component) and target.is_source):
            upstream[b].append(a)
            downstream[a].append(b)

    needs: list[tuple[NeedOf, ...]] = []
    members: list[tuple[int, ...]] = []
    threshold: list[int] = []
    for element in elements:
        if isinstance(element, Function):
            needs.append(())
            members.append(tuple(index[m] for m in element.of))
            threshold.append(element.at_least)
        else:
            needs.append(tuple(NeedOf(index[x.id], STAGES.index(x.bears)) for x in element.needs))
            members.append(())
            threshold.append(element.feeds_needed)
    operators = {
        i: tuple(index[o] for o in c.operated_by)
        for i, c in enumerate(topology.components.values())
        if c.is_switched and c.operated_by
    }
    chargers = {
        i: tuple(index[o] for o in c.charged_by)
        for i, c in enumerate(topology.components.values())
        if c.kind == "storage" and c.charged_by is not None
    }

    depends = [tuple(dict.fromkeys((*upstream[v], *members[v], *(x.node for x in needs[v])))) for v in range(n)]
    readers: list[list[int]] = [[] for _ in range(n)]
    for v, sources in enumerate(depends):
        for u in sources:
            readers[u].append(v)
    parts = _parts(depends, readers, needs)
    return Network(
        topology=topology,
        ids=ids,
        index=index,
        n_components=n_components,
        n_loads=n_loads,
        upstream=tuple(map(tuple, upstream)),
        downstream=tuple(map(tuple, downstream)),
        links=links,
        fault_next=tuple(map(tuple, fault_next)),
        fault_previous=tuple(map(tuple, fault_previous)),
        needs=tuple(needs),
        members=tuple(members),
        threshold=tuple(threshold),
        operators=operators,
        chargers=chargers,
        readers=tuple(map(tuple, readers)),
        parts=parts,
        part_of=_part_of(parts, n),
        elements=tuple(elements),
    )


def _parts(
    depends: list[tuple[int, ...]], readers: list[list[int]], needs: list[tuple[NeedOf, ...]]
) -> tuple[Part, ...]:
    parts = []
    for nodes in strongly_connected(readers):
        inside = set(nodes)
        cyclic = len(nodes) > 1 or nodes[0] in depends[nodes[0]]
        ordered = _sweep_order(nodes, inside, depends, readers) if len(nodes) > 1 else tuple(nodes)
        needed = dict.fromkeys(x.node for v in ordered for x in needs[v] if x.node in inside) if cyclic else {}
        parts.append(Part(ordered, cyclic, tuple(needed)))
    return tuple(parts)


def _part_of(parts: tuple[Part, ...], n: int) -> tuple[int, ...]:
    part_of = [0] * n
    for i, part in enumerate(parts):
        for v in part.nodes:
            part_of[v] = i
    return tuple(part_of)


def strongly_connected(successors: list[list[int]]) -> list[list[int]]:
    """Strongly connected components in topological order (Tarjan 1972), iterative.

    Written out because networkx costs more at start-up than ``validate`` may take in all.
    """
    n = len(successors)
    number, low = [-1] * n, [0] * n
    on_stack = bytearray(n)
    stack: list[int] = []
    found: list[list[int]] = []
    count = 0
    for root in range(n):
        if number[root] >= 0:
            continue
        work = [(root, 0)]
        while work:
            v, position = work.pop()
            if position == 0:
                number[v] = low[v] = count
                count += 1
                stack.append(v)
                on_stack[v] = 1
            descended = False
            for i in range(position, len(successors[v])):
                w = successors[v][i]
                if number[w] < 0:
                    work.append((v, i + 1))
                    work.append((w, 0))
                    descended = True
                    break
                if on_stack[w]:
                    low[v] = min(low[v], number[w])
            if descended:
                continue
            if low[v] == number[v]:
                component = []
                while True:
                    w = stack.pop()
                    on_stack[w] = 0
                    component.append(w)
                    if w == v:
                        break
                found.append(sorted(component))
            if work:
                parent = work[-1][0]
                low[parent] = min(low[parent], low[v])
    found.reverse()  # Tarjan closes a component after all that it reaches
    return found


def _sweep_order(
    nodes: Iterable[int], inside: set[int], depends: list[tuple[int, ...]], readers: list[list[int]]
) -> tuple[int, ...]:
    """Breadth-first from the nodes that take something from outside the part."""
    order = [v for v in nodes if any(u not in inside for u in depends[v]) or not depends[v]]
    seen = set(order)
    for v in order:
        for w in readers[v]:
            if w in inside and w not in seen:
                seen.add(w)
                order.append(w)
    order.extend(v for v in nodes if v not in seen)
    return tuple(order)


def restrict(network: Network, nodes: list[int]) -> Network:
    """Return ``network`` with ``nodes`` (ascending) alone, numbered anew.

    For evaluating some consumers of a large system: ``nodes`` must hold whatever bears on them (what a kept node
    depends on besides is taken as gone). The result shares elements and topology with the whole.
    """
    new = {v: i for i, v in enumerate(nodes)}
    kept = [v for v in nodes if v < network.n_components]

    def own(rows: tuple[tuple[int, ...], ...]) -> tuple[tuple[int, ...], ...]:
        return tuple(tuple(new[u] for u in rows[v] if u in new) for v in nodes)

    def own_map(rows: dict[int, tuple[int, ...]]) -> dict[int, tuple[int, ...]]:
        return {new[v]: tuple(new[u] for u in us if u in new) for v, us in rows.items() if v in new}

    parts = tuple(
        Part(tuple(new[v] for v in part.nodes if v in new), part.cyclic, tuple(new[v] for v in part.needed if v in new))
        for part in (network.parts[i] for i in sorted({network.part_of[v] for v in nodes}))
    )
    return Network(
        topology=network.topology,
        ids=tuple(network.ids[v] for v in nodes),
        index={network.ids[v]: i for v, i in new.items()},
        n_components=len(kept),
        n_loads=sum(network.n_components <= v < network.n_components + network.n_loads for v in nodes),
        upstream=own(network.upstream),
        downstream=own(network.downstream),
        links=(),
        fault_next=own(network.fault_next),
        fault_previous=own(network.fault_previous),
        needs=tuple(tuple(NeedOf(new[x.node], x.bears) for x in network.needs[v] if x.node in new) for v in nodes),
        members=own(network.members),
        threshold=tuple(network.threshold[v] for v in nodes),
        operators=own_map(network.operators),
        chargers=own_map(network.chargers),
        readers=own(network.readers),
        parts=parts,
        part_of=_part_of(parts, len(nodes)),
        elements=tuple(network.elements[v] for v in nodes),
    )
