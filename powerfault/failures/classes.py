"""Events of identical effect, so that one of them is evaluated for all.

Two rules, each exact in every case and mode:

* **Series.** The loss of u and the loss of v are the same where v is u's only reader and u is v's only feed: v is dead
  either way at every stage, and nobody else looks at u. (A loss never changes a zone.)
* **One zone.** The shorts (or leaks) of neighbours u and v are the same where a fault always passes both ways between
  them: then either takes down the same zone, in every case and at every stage.

The rules chain, so a string of breaker, cable, converter and bus is one class of losses, and a run of bus and cables
one class of shorts.
"""

from __future__ import annotations

from collections.abc import Sequence

from powerfault.failures.plan import Plan
from powerfault.model.elements import Component


def effect_classes(plan: Plan, events: Sequence[tuple[int, str]]) -> list[list[int]]:
    """Group ``events``, (node, mode) pairs, by identical effect; each group as positions in ``events``, ascending."""
    network = plan.network
    n = len(network.ids)
    loss, short = list(range(n)), list(range(n))

    def root(parent: list[int], v: int) -> int:
        while parent[v] != v:
            parent[v] = parent[parent[v]]
            v = parent[v]
        return v

    watched = {u for own in (*network.operators.values(), *network.chargers.values()) for u in own}
    for u in range(network.n_components):
        readers = network.readers[u]
        if len(readers) == 1 and u not in watched:
            v = readers[0]
            if v < network.n_components and network.upstream[v] == (u,) and not _needs(plan, v, u):
                loss[root(loss, u)] = root(loss, v)
    if any(mode in ("short", "leak") for _, mode in events):
        for u in range(network.n_components):
            if _open_both_ways(plan, u):
                for v in network.fault_next[u]:
                    if v < network.n_components and _open_both_ways(plan, v):
                        short[root(short, u)] = root(short, v)
    groups: dict[tuple[str, int], list[int]] = {}
    for i, (v, mode) in enumerate(events):
        key = root(loss, v) if mode == "loss" else root(short, v) if mode in ("short", "leak") else v
        groups.setdefault((mode, key), []).append(i)
    return list(groups.values())


def _needs(plan: Plan, v: int, u: int) -> bool:
    return any(x.node == u for x in plan.network.needs[v])


def _open_both_ways(plan: Plan, v: int) -> bool:
    """Whether a fault always enters v, from either side, whatever else has happened."""
    barriers, element = plan.barriers, plan.network.elements[v]
    return (
        isinstance(element, Component)
        and v not in barriers.never_forward
        and v not in barriers.never_backward
        and v not in barriers.clears_forward
        and v not in barriers.clears_backward
        and v not in barriers.switched
    )
