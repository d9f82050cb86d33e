"""Which events can bear on a consumer at all, and which nodes must be evaluated to know its outcome.

Two layers a node: its power (live or served) and its place in a fault zone. An edge says that the one can change the
other: power along feeds, needs, members, operators and chargers; zones along links that a fault can ever cross; from
zone to power where a fault kills, holds open or keeps tripped. What cannot reach a consumer's power along edges cannot
change its outcome, so two events that reach no consumer in common need no joint evaluation.

The sets are found for all nodes at once, as whole numbers of one bit a node, over the strongly connected components in
topological order; the cost grows with edges x nodes / 64.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from powerfault.failures.plan import Plan
from powerfault.model.elements import MODES, Event
from powerfault.network.graph import strongly_connected


@dataclass(frozen=True, slots=True)
class Influence:
    """The two-layer graph: place v is the power of node v, place n + v its zone.

    ``reaching[x]`` has a bit for each place that can change place x.
    """

    n: int
    successors: list[list[int]]
    reaching: list[int]

    def places(self, node: int, mode: str) -> tuple[int, ...]:
        """The places where an event strikes."""
        if mode == "loss" or len(self.successors) == self.n:
            return (node,)
        return (self.n + node,) if mode in ("short", "leak") else (node, self.n + node)

    def nodes_for(self, consumers: Iterable[int]) -> list[int]:
        """The nodes whose rows must be known for these consumers, ascending."""
        bits = 0
        for v in consumers:
            bits |= self.reaching[v]
        return bit_positions((bits | (bits >> self.n)) & ((1 << self.n) - 1))


def find_influence(plan: Plan, events: Iterable[Event]) -> Influence:
    """Return who can change whom, given the events that can happen (enumerated and standing ones together)."""
    network, barriers = plan.network, plan.barriers
    n = len(network.ids)
    modes: dict[str, set[int]] = {mode: set() for mode in MODES}
    for event in events:
        modes[event.mode].add(network.index[event.id])
    spreads = bool(modes["short"] or modes["leak"])
    successors: list[list[int]] = [list(readers) for readers in network.readers]
    if spreads:
        successors += [[] for _ in range(n)]
    for v, operators in network.operators.items():
        for u in operators:
            successors[u].append(v)
            if spreads:
                successors[u].append(n + v)
    for v, chargers in network.chargers.items():
        for u in chargers:
            successors[u].append(v)
    if spreads:
        may_fail_to_clear = modes["stuck"] | modes["closed"]

        def enters(w: int, never: frozenset[int], clears: frozenset[int]) -> bool:
            if w in never or (w in clears and w not in may_fail_to_clear):
                return False
            return w not in barriers.normally_open or w in modes["closed"]

        converters = frozenset(plan.converters)
        for v, w in network.links:
            if enters(w, barriers.never_forward, barriers.clears_forward):
                successors[n + v].append(n + w)
            if enters(v, barriers.never_backward, barriers.clears_backward):
                successors[n + w].append(n + v)
            successors[n + w].append(v)
            if w in converters:
                successors[n + v].append(w)
        for v in range(n):
            successors[n + v].append(v)
    return Influence(n, successors, _reaching(successors))


def bit_positions(bits: int) -> list[int]:
    """Return the positions of the bits of a whole number, ascending."""
    found: list[int] = []
    for place, byte in enumerate(bits.to_bytes((bits.bit_length() + 7) // 8, "little")):
        if byte:
            found.extend(8 * place + i for i in _BITS_OF_BYTE[byte])
    return found


_BITS_OF_BYTE = [[i for i in range(8) if byte >> i & 1] for byte in range(256)]


def _reaching(successors: list[list[int]]) -> list[int]:
    """For each place, the bits of all places from which it can be reached, its own included."""
    components = strongly_connected(successors)
    of = [0] * len(successors)
    for i, component in enumerate(components):
        for v in component:
            of[v] = i
    bits = [0] * len(components)
    for i, component in enumerate(components):
        own = bits[i]
        for v in component:
            own |= 1 << v
        bits[i] = own
        for j in {of[w] for v in component for w in successors[v]}:
            if j != i:
                bits[j] |= own
    return [bits[of[v]] for v in range(len(successors))]
