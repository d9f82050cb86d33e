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

from powerfault.jumper.candidate_baseline import Worth

MOST_SETS = 10_000
MOST_EVALUATIONS = 10_000
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
    count = 0
    stack: list[tuple[int, tuple[str, ...], float, frozenset[str]]] = [(0, (), 0.0, frozenset())]
    while stack:
        start, chosen, spent, barred = stack.pop()
        yield chosen
        count += 1
        if most is not None and count > most:
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
        runners_up=tuple((s, w, totals.minutes(s)) for s, w in found[1:6]),
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


def _branch_and_bound(items: Sequence[Item], budget: float, judge: Judge, bound: Bound | None) -> BestSet:
    totals = _Totals(items)
    evaluations = 0
    best: list[tuple[tuple[object, ...], tuple[str, ...], Worth]] = []

    def offer(sets: Sequence[tuple[str, ...]]) -> None:
        nonlocal evaluations, best
        evaluations += len(sets)
        for chosen, worth in zip(sets, judge(sets), strict=True):
            if worth is not None and all(chosen != b[1] for b in best):
                best.append((totals.order(chosen, worth), chosen, worth))
        best = sorted(best, key=lambda b: b[0])[:6]

    # Those worth most alone are decided first, so that good sets and low bounds come early.
    affordable = [i for i in items if i.minutes <= budget + 1e-9]
    offer([(), *((i.id,) for i in affordable)])
    alone = dict(zip([i.id for i in affordable], judge([(i.id,) for i in affordable]), strict=True))
    affordable.sort(key=lambda i: totals.order((i.id,), w) if (w := alone[i.id]) else (float("inf"),))
    greedy: tuple[str, ...] = ()
    while True:
        fits = [
            (*greedy, i.id)
            for i in affordable
            if i.id not in greedy
            and totals.minutes(greedy) + i.minutes <= budget + 1e-9
            and not any(i.id in totals.by_id[g].excludes for g in greedy)
        ]
        if not fits:
            break
        offer(fits)
        ranked = [(totals.order(s, w), s) for s, w in zip(fits, judge(fits), strict=True) if w is not None]
        if not ranked:
            break
        greedy = min(ranked)[1]

    # Nodes: (negated bound, number, chosen, next candidate, minutes spent, barred).
    heap: list[tuple[Key, int, tuple[str, ...], int, float, frozenset[str]]] = []
    number = 0
    top: Key = (float("-inf"), 0.0, 0.0)
    roots = list(fitting_sets([i for i in affordable if not i.only_adds], budget, MOST_ROOTS))
    affordable = [i for i in affordable if i.only_adds]
    if len(roots) > MOST_ROOTS:
        bound = None
    if bound is not None:
        offer(roots)
        for root in roots:
            spent = totals.minutes(root)
            barred = frozenset().union(*(totals.by_id[i].excludes for i in root))
            open_ = (i.id for i in affordable if i.id not in barred and spent + i.minutes <= budget + 1e-9)
            high = bound([(*root, *open_)])[0]
            evaluations += 1
            number += 1
            heapq.heappush(heap, ((-high[0], -high[1], -high[2]), number, root, 0, spent, barred))
    while heap:
        limit = best[0][2].key
        top = (-heap[0][0][0], -heap[0][0][1], -heap[0][0][2])
        if top <= limit or evaluations >= MOST_EVALUATIONS:
            break
        nodes: list[tuple[Key, int, tuple[str, ...], int, float, frozenset[str]]] = []
        while heap and len(nodes) < NODES_AT_ONCE:
            node = heapq.heappop(heap)
            if tuple(-k for k in node[0]) > limit:
                nodes.append(node)
        children: list[tuple[tuple[str, ...], int, float, frozenset[str]]] = []
        for _, _, chosen, k, spent, barred in nodes:
            while k < len(affordable) and (affordable[k].id in barred or spent + affordable[k].minutes > budget + 1e-9):
                k += 1
            if k == len(affordable):
                continue
            item = affordable[k]
            children.append(((*chosen, item.id), k + 1, spent + item.minutes, barred | item.excludes))
            children.append((chosen, k + 1, spent, barred))
        offer([c[0] for c in children[::2]])
        widest = [
            (*chosen, *(i.id for i in affordable[k:] if i.id not in barred and spent + i.minutes <= budget + 1e-9))
            for chosen, k, spent, barred in children
        ]
        evaluations += len(widest)
        assert bound is not None
        for (chosen, k, spent, barred), high in zip(children, bound(widest), strict=True):
            number += 1
            heapq.heappush(heap, ((-high[0], -high[1], -high[2]), number, chosen, k, spent, barred))
    _, members, worth = best[0]
    proved = bound is not None and (not heap or top <= worth.key)
    return BestSet(
        members=members,
        worth=worth,
        minutes=totals.minutes(members),
        proved=proved,
        bound=None if proved or bound is None else top,
        feasible=None,
        evaluations=evaluations,
        runners_up=tuple((s, w, totals.minutes(s)) for _, s, w in best[1:6]),
    )
