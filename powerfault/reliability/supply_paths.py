"""A way by which a consumer is served in one state: a guess at a small path, to be checked by the engine.

From the consumer back along live nodes to a live source, with what each node on the way needs, who operates the
switches on it and what charges its storages. Every choice takes the cheapest, by costs that the caller sets: so that
ways avoid the components that matter most to the states still open. It is a guess since it looks at one stage and at
losses alone; whoever uses it has the engine confirm that nothing else is needed.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence

from powerfault.failures.energise import StageRows
from powerfault.failures.plan import Plan


def supply_path(
    plan: Plan, stage: Sequence[StageRows], lane: int, consumer: int, cost: Callable[[int], float]
) -> set[int] | None:
    """Return the nodes that serve ``consumer`` in the case ``lane``, or ``None`` where it is not served.

    ``stage`` holds the rows of one stage by phase (whole numbers), ``consumer`` is a node and ``cost`` of a node is at
    least 0. Cost: a shortest way for each node that feeds a need, so a few milliseconds for a thousand nodes.
    """
    network = plan.network
    judged = network.consumers.index(consumer)
    bit = 1 << lane
    live = [[bool(row & bit) for row in rows.live] for rows in stage]
    waiting = [(consumer, p) for p in range(len(plan.phases)) if plan.judged[p][judged]]
    if not waiting or not all(live[p][consumer] for _, p in waiting):
        return None
    found: set[tuple[int, int]] = set()
    while waiting:
        node, p = waiting.pop()
        if (node, p) in found:
            continue
        members = network.members[node]
        if members:
            found.add((node, p))
            known = [m for m in members if live[p][m]]
            known.sort(key=lambda m: 0.0 if (m, p) in found else 1.0 + cost(m))
            waiting += [(m, p) for m in known[: network.threshold[node]]]
            continue
        for v in _way(plan, live[p], node, found, p, cost):
            found.add((v, p))
            waiting += _besides(plan, live, v, p, cost)
            if v not in plan.sources and network.threshold[v] > 1:
                feeding = sorted((u for u in network.upstream[v] if live[p][u]), key=cost)
                waiting += [(u, p) for u in feeding[: network.threshold[v]]]
    return {v for v, _ in found}


def _besides(
    plan: Plan, live: Sequence[Sequence[bool]], v: int, p: int, cost: Callable[[int], float]
) -> list[tuple[int, int]]:
    """What a node takes besides a feed: its needs, the operators of an open switch, a charger of a storage."""
    network = plan.network
    wanted = [(x.node, p) for x in network.needs[v] if live[p][x.node]]
    if v in plan.barriers.normally_open:
        wanted += [(u, p) for u in network.operators.get(v, ()) if live[p][u]]
    chargers = [(cost(u), q != p, q, u) for u in network.chargers.get(v, ()) for q in range(len(live)) if live[q][u]]
    if chargers:
        _, _, q, u = min(chargers)
        wanted.append((u, q))
    return wanted


def _way(
    plan: Plan, live: Sequence[bool], node: int, found: set[tuple[int, int]], p: int, cost: Callable[[int], float]
) -> list[int]:
    """The cheapest way from ``node`` back to a live source or to what is found already (Dijkstra)."""
    upstream = plan.network.upstream
    distance = {node: 0.0}
    after: dict[int, int] = {}
    queue = [(0.0, node)]
    while queue:
        far, v = heapq.heappop(queue)
        if far > distance[v]:
            continue
        if v in plan.sources or (v, p) in found:
            way = [v]
            while way[-1] != node:
                way.append(after[way[-1]])
            return way
        for u in upstream[v]:
            if live[u]:
                there = far + cost(u)
                if there < distance.get(u, float("inf")):
                    distance[u], after[u] = there, v
                    heapq.heappush(queue, (there, u))
    return [node]
