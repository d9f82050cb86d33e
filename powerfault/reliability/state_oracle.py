"""Does a state of all components fail a consumer? Many states and consumers judged at once, and what serves them.

A state is a whole number with a bit for each variable of a structure. It is judged by the same evaluation that judges
cases, on the part of the network that bears on the consumers wanted. More than one mode of a component may be so in a
state: it is then as bad as all of them together, which is what "whatever else happens" asks for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from powerfault.failures.energise import energise
from powerfault.failures.influence import find_influence
from powerfault.failures.lanes import WholeNumberLanes
from powerfault.failures.plan import Plan, make_plan
from powerfault.model.elements import STAGES, Component
from powerfault.network.graph import Network, restrict
from powerfault.reliability.supply_paths import supply_path
from powerfault.reliability.variables import Variable

States = Sequence[int]
"""States as whole numbers: bit i says that variable i has happened."""


class StateOracle:
    """Judges states of all variables for the consumers wanted, many at once.

    Consumers count from 0 among those wanted; only the part of the network that bears on them is evaluated, and only
    the stages that the most patient of them waits for.
    """

    def __init__(self, network: Network, variables: Sequence[Variable], wanted: Sequence[int]) -> None:
        topology = network.topology
        self.variables = tuple(variables)
        self.owners = [v.component for v in variables]
        events = [e for v in variables for e in v.events]
        influence = find_influence(make_plan(network), [*events, *topology.standing])
        nodes = influence.nodes_for(network.consumers[i] for i in wanted)
        part = restrict(network, nodes)
        self.keys = [[(part.index[e.id], e.mode) for e in v.events if e.id in part.index] for v in variables]
        self.standing = [(part.index[e.id], e.mode) for e in topology.standing if e.id in part.index]
        rides = {c.id: STAGES.index(topology.rides_through(c)) for c in topology.consumers()}
        place = {part.ids[v]: i for i, v in enumerate(part.consumers)}
        ids = [network.ids[network.consumers[i]] for i in wanted]
        self.rows = [(rides[id_], place[id_]) for id_ in ids]
        # Which events a path rules out where it leads through a node: all that can harm it there.
        self.harming: dict[int, list[int]] = {}
        for i, v in enumerate(variables):
            for e in v.events:
                node = part.index.get(e.id)
                if node is not None and (e.mode != "stuck" or _must_move(part, node)):
                    self.harming.setdefault(node, []).append(i)
        self.nodes = [part.index[id_] for id_ in ids]
        plan = make_plan(part)
        last = len(STAGES) - 1 if plan.bearing else max((rides[id_] for id_ in ids), default=0)
        self.size = len(part.ids) * len(plan.phases)
        self.plan: Plan = replace(plan, active_stages=frozenset(s for s in plan.active_stages if s <= last))

    def fails(self, states: States, consumers: Sequence[int]) -> list[bool]:
        """Whether each state fails the consumer beside it."""
        rows = self.failing_rows(states)
        wanted: dict[int, int] = {}
        for lane, consumer in enumerate(consumers):
            wanted[consumer] = wanted.get(consumer, 0) | 1 << lane
        failing = 0
        for consumer, mask in wanted.items():
            failing |= rows[consumer] & mask
        text = bin(failing)[:1:-1]
        return [x == "1" for x in text] + [False] * (len(states) - len(text))

    def failing_rows(self, states: States) -> list[int]:
        """For each consumer the states that fail it, as bits by their numbers."""
        lanes = WholeNumberLanes(len(states))
        unserved = energise(self.plan, lanes, self._failed(states, lanes)).unserved
        return [unserved[ride][i] for ride, i in self.rows]

    def _failed(self, states: States, lanes: WholeNumberLanes) -> dict[tuple[int, str], int]:
        rows: dict[tuple[int, str], int] = dict.fromkeys(self.standing, lanes.full)
        for i, row in enumerate(transpose(states, len(self.keys))):
            if row:
                for key in self.keys[i]:
                    rows[key] = rows.get(key, 0) | row
        return rows

    def guesses(
        self, states: States, consumers: Sequence[int], costs: Sequence[Callable[[int], float]]
    ) -> list[list[int] | None]:
        """For each state in which the consumer beside it is served, events whose absence may be all that is needed.

        ``costs`` gives the cost of an event, for each state.
        """
        lanes = WholeNumberLanes(len(states))
        stages = energise(self.plan, lanes, self._failed(states, lanes), keep_rows=True).stages
        found: list[list[int] | None] = []
        for lane, (number, cost) in enumerate(zip(consumers, costs, strict=True)):

            def node_cost(v: int, cost: Callable[[int], float] = cost) -> float:
                return sum(map(cost, self.harming.get(v, ())), 0.05)

            ride, _ = self.rows[number]
            way = supply_path(self.plan, stages[ride], lane, self.nodes[number], node_cost)
            found.append(None if way is None else sorted({i for v in way for i in self.harming.get(v, ())}))
        return found


def _must_move(network: Network, node: int) -> bool:
    """Whether a component gives nothing as it stands normally: an open switch, a jumper not mated."""
    element = network.elements[node]
    return isinstance(element, Component) and (element.normally_open or (element.is_jumper and not element.mated))


def transpose(states: States, width: int) -> list[int]:
    """Turn states with a bit for each variable into rows with a bit for each state.

    >>> transpose([0b01, 0b11], 3)
    [3, 2, 0]
    """
    size = -(-width // 8) or 1
    table = np.frombuffer(b"".join(s.to_bytes(size, "little") for s in states), np.uint8).reshape(len(states), size)
    bits = np.unpackbits(table, axis=1, bitorder="little")[:, :width]
    packed = np.packbits(np.ascontiguousarray(bits.T), axis=1, bitorder="little")
    return [int.from_bytes(row.tobytes(), "little") for row in packed]


def bits(state: int) -> Iterator[int]:
    """The numbers of the bits set, ascending."""
    while state:
        low = state & -state
        yield low.bit_length() - 1
        state ^= low


def cones_of(network: Network, variables: Sequence[Variable], wanted: Sequence[int]) -> list[list[int]]:
    """For each consumer wanted the variables that may matter to it, those farthest from it first."""
    events = [e for v in variables for e in v.events]
    influence = find_influence(make_plan(network), [*events, *network.topology.standing])
    before: list[list[int]] = [[] for _ in influence.successors]
    for place, successors in enumerate(influence.successors):
        for successor in successors:
            before[successor].append(place)
    by_place: dict[int, list[int]] = {}
    for i, v in enumerate(variables):
        for e in v.events:
            for place in influence.places(network.index[e.id], e.mode):
                by_place.setdefault(place, []).append(i)
    chains: dict[str, list[int]] = {}
    for i, v in enumerate(variables):
        chains.setdefault(v.component, []).append(i)
    cones = []
    for number in wanted:
        order = [network.consumers[number]]
        seen = set(order)
        for place in order:
            for earlier in before[place]:
                if earlier not in seen:
                    seen.add(earlier)
                    order.append(earlier)
        # All modes of a component or none, as the diagram wants them.
        found = dict.fromkeys(j for p in order for i in by_place.get(p, ()) for j in chains[variables[i].component])
        cones.append(list(found)[::-1])
    return cones
