"""A greedy routing of power: from the loads up to the sources, one load after another, within what is left.

A routing that is found proves that the loads can be served together; one that is not found proves nothing. Where a
component has one feed only, power runs straight through it, so such runs are walked in one go; a choice is made only
where there are several: what is nearer to a source before what is not, then what has most to spare.

With a :data:`Pattern`, the flows of each load where nothing has failed, only the loads are routed whose flows there run
through what is down now; the others keep theirs, which together were within all limits and so still are.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from operator import itemgetter, mul

from powerfault.electrical.served.configuration import TOLERANCE_KW
from powerfault.electrical.served.plant import Plant
from powerfault.electrical.served.surviving import Surviving

Run = tuple[tuple[tuple[int, tuple[int, int], float], ...], int]
"""Components with one feed each, upwards, as (component, its feeding link, efficiency); and what stands above them: a
source, a component with several feeds, or one with none (of number -1)."""

Pattern = Mapping[int, Mapping[tuple[int, int], float]]
"""For each load what it alone makes run on each link, in kW; all together within the limits of the phase."""


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
        self.runs: dict[int, Run] = {}
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

    def route(
        self, wanted: Collection[int], pattern: Pattern | None = None
    ) -> tuple[dict[tuple[int, int], float], dict[int, int]] | None:
        """Return flows in kW by link and the feed of each component with ``one_feed``, or ``None``."""
        plant, demand = self.plant, self.plant.demand_kw[self.phase]
        asking = [v for v in wanted if demand[v] > 0]
        if pattern:
            asking = self._follow(asking, pattern)
        for v in sorted(asking, key=lambda v: (len(self._feeds(v)), -demand[v], v)):
            if not self._serve(v):
                return None
        for v in plant.one_feed:
            if v in self.live and v not in self.fed_from and v not in plant.sources:
                self.fed_from[v] = self.nearest[v]
        return self.flow, self.fed_from

    def pattern(self, wanted: Collection[int]) -> Pattern:
        """Return the flows of each of ``wanted`` that can be served after those before it."""
        found: dict[int, dict[tuple[int, int], float]] = {}
        demand = self.plant.demand_kw[self.phase]
        for v in sorted(wanted, key=lambda v: (len(self._feeds(v)), -demand[v], v)):
            self.flow = {}
            if demand[v] > 0 and self._serve(v):
                found[v] = self.flow
        return found

    def _follow(self, asking: Collection[int], pattern: Pattern) -> list[int]:
        """Take over the flows of the pattern that can still run, and return the loads of the others."""
        live, left, flow, one_feed = self.live, self.left, self.flow, self.plant.one_feed
        others = []
        for load in asking:
            own = pattern.get(load)
            if own is None or not all(u in live for u, _ in own):
                others.append(load)
                continue
            for link, kw in own.items():
                flow[link] = flow.get(link, 0.0) + kw
                u, v = link
                left[u] -= kw
                if v in one_feed:
                    self.fed_from[v] = u
        return others

    def _serve(self, load: int) -> bool:
        flow, needed = self.flow, self.plant.demand_kw[self.phase][load]
        for u in self._order(load):
            got = self._supply(u, needed, set())
            if got > 0:
                flow[u, load] = flow.get((u, load), 0.0) + got
                needed -= got
                if needed <= TOLERANCE_KW / 100:
                    return True
        return False

    def _supply(self, v: int, asked: float, visiting: set[int]) -> float:
        """Push up to ``asked`` kW out of v; return what could be had."""
        left, exhausted = self.left, self.exhausted
        run, top = self.runs.get(v) or self._run(v)
        passed = []
        for v, _, gain in run:
            if v in visiting:
                top = -1
                break
            if left[v] < asked:
                asked = left[v]
            if asked <= 0 or v in exhausted:
                top = -1
                break
            visiting.add(v)
            passed.append(asked)
            asked /= gain
        got = self._give(top, asked, visiting) if top >= 0 else 0.0
        flow = self.flow
        for i in range(len(passed) - 1, -1, -1):
            v, link, gain = run[i]
            visiting.discard(v)
            asked = passed[i]
            needed = entering = asked / gain
            if got > 0:
                flow[link] = flow.get(link, 0.0) + got
                needed -= got
                if needed <= entering * 1e-12:
                    needed = 0.0
                if v in self.plant.one_feed:
                    self.fed_from[v] = link[0]
            if needed > 0:
                exhausted.add(v)
                got = (entering - needed) * gain
            else:
                got = asked
            left[v] -= got
        return got

    def _give(self, v: int, asked: float, visiting: set[int]) -> float:
        """As :meth:`_supply`, for a source or what has several feeds."""
        asked = min(asked, self.left[v])
        if asked <= 0 or v in self.exhausted or v in visiting:
            return 0.0
        if v in self.plant.sources:
            self.left[v] -= asked
            return asked
        visiting.add(v)
        flow, one_feed, gain = self.flow, v in self.plant.one_feed, self.plant.efficiency[v]
        needed = entering = asked / gain
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
        given = asked if needed == 0 else (entering - needed) * gain
        self.left[v] -= given
        return given

    def _run(self, start: int) -> Run:
        """The run that begins at ``start``, upwards."""
        sources, efficiency = self.plant.sources, self.plant.efficiency
        run: dict[int, tuple[int, tuple[int, int], float]] = {}
        v = start
        while v >= 0 and v not in sources and v not in run:
            feeds = self._feeds(v)
            if len(feeds) > 1:
                break
            above = feeds[0] if feeds else -1
            run[v] = v, (above, v), efficiency[v]
            v = above
        # A run that comes back to itself has nothing above it.
        found = self.runs[start] = tuple(run.values()), -1 if v in run else v
        return found

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
        ranked = [(u in jumpers, level[u] >= own, -self._spare(u), u) for u in found]
        ranked.sort()
        if v in self.plant.one_feed:
            del ranked[1:]
        return [rank[3] for rank in ranked]

    def _spare(self, v: int) -> float:
        """What is left along the shortest way from a source to v."""
        get, gains = self.ways.get(v) or self._way(v)
        return self.left[v] if get is None else min(map(mul, get(self.left), gains))

    def _way(self, start: int) -> tuple[Callable[[list[float]], tuple[float, ...]] | None, list[float]]:
        """What fetches the values of the components on the shortest way to ``start``, and the gains from each."""
        level, nearest, efficiency = self.level, self.nearest, self.plant.efficiency
        nodes, gains, gain, v = [start], [1.0], 1.0, start
        while level[v]:
            gain *= efficiency[v]
            v = nearest[v]
            nodes.append(v)
            gains.append(gain)
        found = self.ways[start] = itemgetter(*nodes) if len(nodes) > 1 else None, gains
        return found
