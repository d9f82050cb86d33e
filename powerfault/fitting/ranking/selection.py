"""Which set of jumpers is the best for the crew's minutes?

Exact by trying every set that fits, as long as at most :data:`MOST_SETS` do. Beyond that, branch and bound, best first:
a node has candidates chosen and candidates still open; with all open ones that fit alone added at once, whatever the
budget and exclusions, no set below the node can be worth more (adding never harms in mode ``loss``, so no requirement
met by fewer is lost and no cure undone; what other modes break only lowers the worth). Candidates that remove or set
something are decided first, every choice of them a root of its own. When the node with the highest
bound is no better than the best set found, that set is proved best; when the evaluations run out first, the highest
bound left is stated beside it.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import count

from powerfault.fitting.ranking.baseline import Worth

MOST_SETS = 10_000
MOST_EVALUATIONS = 50_000
RUNNERS_UP = 5
NODES_AT_ONCE = 192
MOST_ROOTS = 32

Key = tuple[float, float, float]
Judge = Callable[[Sequence[tuple[str, ...]]], list[Worth | None]]
Bound = Callable[[Sequence[tuple[str, ...]]], list[Key]]


@dataclass(frozen=True, slots=True)
class Item:
    """A candidate as the selection sees it. ``excludes`` are the candidates that cannot be fitted beside it.

    ``only_adds`` is false for one that removes or sets something: adding it to a set may do harm.
    """

    id: str
    minutes: float
    length_m: float
    excludes: frozenset[str]
    only_adds: bool = True


@dataclass(frozen=True, slots=True)
class BestSet:
    """The best set found. ``proved``: no set within the budget has a greater key; else ``bound`` is the highest key
    that another set could still have. ``feasible`` counts the sets that fit, ``None`` where they were not counted out.
    """

    members: tuple[str, ...]
    worth: Worth
    minutes: float
    proved: bool
    bound: Key | None
    feasible: int | None
    evaluations: int
    runners_up: tuple[tuple[tuple[str, ...], Worth, float], ...] = ()


def fitting_sets(items: Sequence[Item], budget: float, most: int | None = None) -> Iterator[tuple[str, ...]]:
    """Yield the sets of items that fit the budget and do not exclude each other, the empty one first.

    Stops after ``most`` + 1 of them.
    """
    yielded = 0
    stack: list[tuple[int, tuple[str, ...], float, frozenset[str]]] = [(0, (), 0.0, frozenset())]
    while stack:
        start, chosen, spent, barred = stack.pop()
        yield chosen
        yielded += 1
        if most is not None and yielded > most:
            return
        for i in range(len(items) - 1, start - 1, -1):
            item = items[i]
            if item.id not in barred and spent + item.minutes <= budget + 1e-9:
                stack.append((i + 1, (*chosen, item.id), spent + item.minutes, barred | item.excludes))


def choose_set(items: Sequence[Item], budget: float, judge: Judge, bound: Bound | None = None) -> BestSet:
    """Return the best set within ``budget`` minutes: greatest key, then fewest minutes, shortest, fewest, first."""
    sets = list(fitting_sets(items, budget, MOST_SETS))
    if len(sets) <= MOST_SETS:
        return _try_all(items, sets, judge)
    return _branch_and_bound(items, budget, judge, bound)


def _try_all(items: Sequence[Item], sets: Sequence[tuple[str, ...]], judge: Judge) -> BestSet:
    found = [(s, w) for s, w in zip(sets, judge(sets), strict=True) if w is not None]
    totals = _Totals(items)
    found.sort(key=lambda pair: totals.order(*pair))
    members, worth = found[0]
    return BestSet(
        members=members,
        worth=worth,
        minutes=totals.minutes(members),
        proved=True,
        bound=None,
        feasible=len(found),
        evaluations=len(sets),
        runners_up=tuple((s, w, totals.minutes(s)) for s, w in found[1 : 1 + RUNNERS_UP]),
    )


class _Totals:
    def __init__(self, items: Sequence[Item]) -> None:
        self.by_id = {item.id: item for item in items}
        self.place = {item.id: i for i, item in enumerate(items)}

    def minutes(self, members: Sequence[str]) -> float:
        return sum(self.by_id[i].minutes for i in members)

    def order(self, members: tuple[str, ...], worth: Worth) -> tuple[object, ...]:
        """Smaller comes first."""
        length = sum(self.by_id[i].length_m for i in members)
        key = tuple(-k for k in worth.key)
        return (*key, self.minutes(members), length, len(members), tuple(self.place[i] for i in members))


@dataclass(slots=True)
class _Node:
    """Sets with ``chosen`` in them and further candidates from the ``start``-th on, as far as they fit."""

    chosen: tuple[str, ...]
    start: int
    minutes: float
    barred: frozenset[str]


class _Search:
    """The best sets found so far. A set is judged only if its bound leaves it a place among them."""

    def __init__(self, items: Sequence[Item], judge: Judge, bound: Bound | None) -> None:
        self.totals = _Totals(items)
        self.judge, self.bound = judge, bound
        self.evaluations = 0
        self.best: list[tuple[tuple[object, ...], tuple[str, ...], Worth]] = []

    def highest(self, sets: Sequence[tuple[str, ...]]) -> list[Key]:
        """The highest keys that subsets of ``sets`` could have."""
        assert self.bound is not None
        self.evaluations += len(sets)
        return self.bound(sets)

    def offer(self, sets: Sequence[tuple[str, ...]]) -> list[Worth | None]:
        """Judge ``sets`` and keep the best, each with its members in the order of the items."""
        self.evaluations += len(sets)
        sets = [tuple(sorted(s, key=self.totals.place.__getitem__)) for s in sets]
        worths = self.judge(sets)
        known = {chosen for _, chosen, _ in self.best}
        for chosen, worth in zip(sets, worths, strict=True):
            if worth is not None and chosen not in known:
                self.best.append((self.totals.order(chosen, worth), chosen, worth))
        self.best = sorted(self.best, key=lambda b: b[0])[: 1 + RUNNERS_UP]
        return worths

    def offer_promising(self, sets: Sequence[tuple[str, ...]]) -> None:
        """As :meth:`offer`, of those that may be among the best."""
        if len(self.best) > RUNNERS_UP:
            least = self.best[-1][2].key
            sets = [s for s, high in zip(sets, self.highest(sets), strict=True) if high >= least]
        self.offer(sets)

    def hopeless(self, high: Key, minutes: float) -> bool:
        """Whether no set of that key or less and of that many minutes or more can come first."""
        return (*(-k for k in high), minutes) > self.best[0][0][:4]


def _branch_and_bound(items: Sequence[Item], budget: float, judge: Judge, bound: Bound | None) -> BestSet:
    search = _Search(items, judge, bound)
    # Those worth most alone are decided first, so that good sets and low bounds come early.
    affordable = [i for i in items if i.minutes <= budget + 1e-9]
    worths = search.offer([(), *((i.id,) for i in affordable)])[1:]
    alone = dict(zip([i.id for i in affordable], worths, strict=True))
    affordable.sort(key=lambda i: search.totals.order((i.id,), w) if (w := alone[i.id]) else (float("inf"),))
    _add_greedily(search, affordable, budget)

    roots = list(fitting_sets([i for i in affordable if not i.only_adds], budget, MOST_ROOTS))
    proved, top = False, None
    if bound is not None and len(roots) <= MOST_ROOTS:
        search.offer(roots)
        top = _descend(search, roots, [i for i in affordable if i.only_adds], budget)
        proved = top is None or top <= search.best[0][2].key
    _, members, worth = search.best[0]
    return BestSet(
        members=members,
        worth=worth,
        minutes=search.totals.minutes(members),
        proved=proved,
        bound=None if proved else top,
        feasible=None,
        evaluations=search.evaluations,
        runners_up=tuple((s, w, search.totals.minutes(s)) for _, s, w in search.best[1:]),
    )


def _add_greedily(search: _Search, affordable: Sequence[Item], budget: float) -> None:
    """Offer the sets that come from adding, again and again, what makes the best set."""
    greedy: tuple[str, ...] = ()
    totals = search.totals
    while True:
        fits = [
            (*greedy, i.id)
            for i in affordable
            if i.id not in greedy
            and totals.minutes(greedy) + i.minutes <= budget + 1e-9
            and not any(i.id in totals.by_id[g].excludes for g in greedy)
        ]
        worths = search.offer(fits) if fits else []
        ranked = [(totals.order(s, w), s) for s, w in zip(fits, worths, strict=True) if w is not None]
        if not ranked:
            return
        greedy = min(ranked)[1]


def _descend(
    search: _Search, roots: Sequence[tuple[str, ...]], affordable: Sequence[Item], budget: float
) -> Key | None:
    """Search below each of ``roots``, highest bound first; return the highest bound left, ``None`` if none is."""
    totals = search.totals

    def fits(node: _Node, item: Item) -> bool:
        return item.id not in node.barred and node.minutes + item.minutes <= budget + 1e-9

    def widest(node: _Node) -> tuple[str, ...]:
        return (*node.chosen, *(i.id for i in affordable[node.start :] if fits(node, i)))

    heap: list[tuple[Key, int, _Node]] = []
    number = count()

    def push(nodes: Sequence[_Node]) -> None:
        for node, high in zip(nodes, search.highest([widest(n) for n in nodes]), strict=True):
            if not search.hopeless(high, node.minutes):
                heapq.heappush(heap, ((-high[0], -high[1], -high[2]), next(number), node))

    push(
        [
            _Node(root, 0, totals.minutes(root), frozenset().union(*(totals.by_id[i].excludes for i in root)))
            for root in roots
        ]
    )
    while heap:
        high = (-heap[0][0][0], -heap[0][0][1], -heap[0][0][2])
        if search.evaluations >= MOST_EVALUATIONS:
            return high
        children: list[_Node] = []
        while heap and len(children) < 2 * NODES_AT_ONCE:
            negated, _, node = heapq.heappop(heap)
            if search.hopeless((-negated[0], -negated[1], -negated[2]), node.minutes):
                continue
            k = next((k for k in range(node.start, len(affordable)) if fits(node, affordable[k])), None)
            if k is None:
                continue
            item = affordable[k]
            barred = node.barred | item.excludes
            children.append(_Node((*node.chosen, item.id), k + 1, node.minutes + item.minutes, barred))
            children.append(_Node(node.chosen, k + 1, node.minutes, node.barred))
        if children:
            search.offer_promising([c.chosen for c in children[::2]])
            push(children)
    return None
