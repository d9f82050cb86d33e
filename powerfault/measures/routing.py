"""A greedy routing of power: from the loads up to the sources, one load after another, within what is left.

A routing that is found proves that the loads can be served together; one that is not found proves nothing. Where a
component has one feed only, power runs straight through it, so such runs are walked in one go; a choice is made only
where there are several: what is nearer to a source before what is not, then what has most to spare.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from operator import itemgetter, mul

from powerfault.measures.configuration import TOLERANCE_KW
from powerfault.measures.plant import Plant
from powerfault.measures.surviving import Surviving


class Routing:
    """One attempt in positions in which ``live`` is energised."""

    def __init__(self, plant: Plant, surviving: Surviving, live: Collection[int]) -> None:
        self.plant, self.live, self.phase = plant, live, surviving.phase
        self.left = list(plant.leaving_kw[surviving.phase])
        self.level, self.nearest = self._levels()
        self.flow: dict[tuple[int, int], float] = {}
        self.fed_from: dict[int, int] = {}
        self.exhausted: set[int] = set()
        self.feeds: dict[int, list[int]] = {}
        self.ways: dict[int, tuple[Callable[[list[float]], tuple[float, ...]] | None, list[float]]] = {}

    def _levels(self) -> tuple[dict[int, int], dict[int, int]]:
        """Links from the nearest source, by component, and the neighbour on the way to it."""
        live, downstream = self.live, self.plant.network.downstream
        level = dict.fromkeys(sorted(self.plant.sources.intersection(live)), 0)
        nearest: dict[int, int] = {}
        front = list(level)
        for u in front:
            for w in downstream[u]:
                if w in live and w not in level:
                    level[w] = level[u] + 1
                    nearest[w] = u
                    front.append(w)
        return level, nearest

    def route(self, wanted: Collection[int]) -> tuple[dict[tuple[int, int], float], dict[int, int]] | None:
        """Return flows in kW by link and the feed of each component with ``one_feed``, or ``None``."""
        plant, flow = self.plant, self.flow
        demand = plant.demand_kw[self.phase]
        for v in sorted(wanted, key=lambda v: (len(self._feeds(v)), -demand[v], v)):
            needed = demand[v]
            if needed <= 0:
                continue
            for u in self._order(v):
                got = self._supply(u, needed, set())
                if got > 0:
                    flow[u, v] = flow.get((u, v), 0.0) + got
                    needed -= got
                    if needed <= TOLERANCE_KW / 100:
                        needed = 0.0
                        break
            if needed > 0:
                return None
        for v in plant.one_feed:
            if v in self.live and v not in self.fed_from and v not in plant.sources:
                self.fed_from[v] = self.nearest[v]
        return flow, self.fed_from

    def _supply(self, v: int, asked: float, visiting: set[int]) -> float:
        """Push up to ``asked`` kW out of v; return what could be had."""
        left, exhausted, sources = self.left, self.exhausted, self.plant.sources
        efficiency, flow = self.plant.efficiency, self.flow
        run: list[tuple[int, float, float]] = []
        while True:
            asked = min(asked, left[v])
            if asked <= 0 or v in exhausted:
                got = 0.0
                break
            if v in sources:
                left[v] -= asked
                got = asked
                break
            visiting.add(v)
            entering = asked / efficiency[v]
            feeds = self._feeds(v)
            if len(feeds) > 1:
                got = self._gather(v, asked, entering, visiting)
                break
            run.append((v, asked, entering))
            if not feeds or feeds[0] in visiting:
                got = 0.0
                break
            v, asked = feeds[0], entering
        # Back down the run: what each takes from the one above it, and gives to the one below.
        above = v
        for v, asked, entering in reversed(run):
            visiting.discard(v)
            needed = entering
            if got > 0:
                flow[above, v] = flow.get((above, v), 0.0) + got
                needed -= got
                if v in self.plant.one_feed:
                    self.fed_from[v] = above
                if needed <= entering * 1e-12:
                    needed = 0.0
            if needed > 0:
                exhausted.add(v)
                got = (entering - needed) * efficiency[v]
            else:
                got = asked
            left[v] -= got
            above = v
        return got

    def _gather(self, v: int, asked: float, entering: float, visiting: set[int]) -> float:
        """As :meth:`_supply`, for what has several feeds."""
        flow, one_feed = self.flow, v in self.plant.one_feed
        needed = entering
        for u in self._order(v):
            if u in visiting:
                continue
            got = self._supply(u, needed, visiting)
            if got > 0:
                flow[u, v] = flow.get((u, v), 0.0) + got
                needed -= got
                if one_feed:
                    self.fed_from[v] = u
                if needed <= entering * 1e-12:
                    needed = 0.0
                    break
        visiting.discard(v)
        if needed > 0:
            self.exhausted.add(v)
        given = asked if needed == 0 else (entering - needed) * self.plant.efficiency[v]
        self.left[v] -= given
        return given

    def _feeds(self, v: int) -> list[int]:
        found = self.feeds.get(v)
        if found is None:
            level = self.level
            found = self.feeds[v] = [u for u in self.plant.network.upstream[v] if u in level]
        return found

    def _order(self, v: int) -> list[int]:
        """Upstream neighbours of v: those nearer to a source first, then those with most to spare."""
        if v in self.fed_from:
            return [self.fed_from[v]]
        found = self._feeds(v)
        if len(found) < 2:
            return found
        own, level, jumpers = self.level[v], self.level, self.plant.jumpers
        ranked = sorted((u in jumpers, level[u] >= own, -self._spare(u), u) for u in found)
        if v in self.plant.one_feed:
            del ranked[1:]
        return [u for *_, u in ranked]

    def _spare(self, v: int) -> float:
        """What is left along the shortest way from a source to v."""
        way = self.ways.get(v)
        if way is None:
            nodes, gains, gain, u = [v], [1.0], 1.0, v
            while self.level[u]:
                gain *= self.plant.efficiency[u]
                u = self.nearest[u]
                nodes.append(u)
                gains.append(gain)
            way = self.ways[v] = itemgetter(*nodes) if len(nodes) > 1 else None, gains
        get, gains = way
        return self.left[v] if get is None else min(map(mul, get(self.left), gains))
