"""A topology as the plain arrays that the page's own evaluator reads.

Nodes are numbered components, loads, functions, in the order of the file. Nothing is computed here beyond looking
fields up: one flag a node and rule of the format.
"""

from __future__ import annotations

from typing import Any

from powerfault.model.elements import STAGES, Component, Event, Load, Topology, in_phase
from powerfault.network.failure_modes import merge_given
from powerfault.network.graph import Network, build_network


def page_network(topology: Topology, given: tuple[Event, ...] = ()) -> dict[str, Any]:
    """The object that ``PowerfaultEngine.prepare`` takes, ready for JSON."""
    network = build_network(topology)
    elements = network.elements
    components = list(topology.components.values())
    n = len(elements)

    def flags(test: Any) -> list[int]:
        return [int(isinstance(e, Component) and test(e)) for e in elements]

    return {
        "name": topology.name,
        "ids": list(network.ids),
        "components": network.n_components,
        "loads": network.n_loads,
        "phases": list(topology.phase_names),
        "links": [list(link) for link in network.links],
        "source": flags(lambda c: c.is_source),
        "storage": flags(lambda c: c.kind == "storage"),
        "switched": flags(lambda c: c.is_switched),
        "normallyOpen": flags(lambda c: c.normally_open),
        "operated": [e.operated_stage or 0 if isinstance(e, Component) else 0 for e in elements],
        "operators": [list(network.operators.get(v, ())) for v in range(n)],
        "clears": flags(lambda c: c.clears),
        "through": flags(lambda c: c.kind == "converter" and not c.isolated),
        "diode": flags(lambda c: c.kind == "diode"),
        "fuse": flags(lambda c: c.kind == "fuse"),
        "converter": flags(lambda c: c.kind == "converter"),
        "valve": flags(lambda c: c.kind == "valve"),
        "unmated": flags(lambda c: c.is_jumper and not c.mated),
        "crewMates": flags(lambda c: c.is_jumper and c.crew_may_mate),
        "common": [int(isinstance(e, Load) and e.common_inputs) for e in elements],
        "threshold": list(network.threshold),
        "needs": [[[x.node, x.bears] for x in own] for own in network.needs],
        "members": [list(m) for m in network.members],
        "functionOrder": _function_order(network),
        "chargers": [list(network.chargers[v]) if v in network.chargers else 0 for v in range(n)],
        "dry": [
            [int(c.is_source and in_phase(c.capacity_kw, phase, 1.0) == 0.0) for c in components]
            for phase in topology.phase_names
        ],
        "judged": [[int(c.judged_in(phase)) for c in topology.consumers()] for phase in topology.phase_names],
        "rides": [STAGES.index(topology.rides_through(c)) for c in topology.consumers()],
        "standing": [[network.index[e.id], e.mode] for e in merge_given(topology, given)],
        "modes": [
            list(e.possible_modes) if isinstance(e, Component) else list(e.modes) if isinstance(e, Load) else []
            for e in elements
        ],
    }


def _function_order(network: Network) -> list[int]:
    """The functions, each after the functions that are members of it."""
    first = network.n_components + network.n_loads
    ordered: list[int] = []
    done: set[int] = set()
    for start in range(first, len(network.ids)):
        waiting = [start]
        while waiting:
            v = waiting[-1]
            inner = [m for m in network.members[v] if m >= first and m not in done]
            if inner and v not in done:
                waiting.extend(inner)
                continue
            waiting.pop()
            if v not in done:
                done.add(v)
                ordered.append(v)
    return ordered
