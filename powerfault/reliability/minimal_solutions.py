"""Minimal cut sets from a decision diagram: all of them at once, counted and ranked without being listed.

The question: which smallest sets of events make a monotone function true? The method is Rauzy's: a minimal solution
either leaves the first variable out, and is then one of the low successor; or holds it, and is then one of the high
successor no part of which is already a solution without that variable. Both hold for every budget of variables left.
Families of sets are diagrams too (zero-suppressed ones: a node is a variable, the sets without it, and the rest of the
sets with it), so what many functions and budgets share is found once, and a million sets may take a thousand nodes.

References: A. Rauzy, New Algorithms for Fault Trees Analysis, Reliability Engineering and System Safety 40 (1993);
S. Minato, Zero-Suppressed BDDs for Set Manipulation in Combinatorial Problems, Design Automation Conference (1993).
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator, Mapping, Sequence

from powerfault.reliability.decision_diagram import (
    TERMINAL_LEVEL,
    TRUE,
    Diagram,
    DiagramTooLargeError,
    deep_recursion,
)

NONE, EMPTY = 0, 1
"""The family without a set, and the one that holds only the empty set."""
_SHIFT = 32
_ROUNDING = 1e-9


class Solutions:
    """Minimal solutions of monotone functions of one diagram.

    ``chains`` maps a variable to its component where several variables are the exclusive modes of one component (each
    asked only when the earlier ones are false); then "without" means that the component is whole, and a component
    stands in a solution once. ``limit`` bounds the solutions listed of one function and ``step_limit`` the work.

    >>> d = Diagram()
    >>> a, b, c = (d.variable(i) for i in range(3))
    >>> sorted(Solutions(d)(d.disj(a, d.conj(b, c))))
    [(0,), (1, 2)]
    """

    def __init__(
        self,
        diagram: Diagram,
        chains: Mapping[int, int] | None = None,
        limit: int = 200_000,
        step_limit: int = 3_000_000,
    ) -> None:
        self.diagram = diagram
        self.owner = chains or {}
        self.limit, self.step_limit = limit, step_limit
        self._level = [TERMINAL_LEVEL, TERMINAL_LEVEL]
        self._low, self._high = [NONE, EMPTY], [NONE, NONE]
        self._unique: dict[tuple[int, int, int], int] = {}
        self._solved: dict[tuple[int, int], int] = {}
        self._pruned: dict[int, int] = {}
        self._counts = {NONE: 0, EMPTY: 1}

    def __call__(self, root: int, order: int | None = None) -> list[tuple[int, ...]]:
        """Solutions of ``root`` up to ``order`` variables; :class:`DiagramTooLargeError` above the limit of them."""
        with deep_recursion():
            return list(self._sets(self._within_limit(root, order)))

    def count(self, root: int, order: int | None = None) -> int:
        """How many solutions ``root`` has up to ``order`` variables, above the limit too."""
        with deep_recursion():
            return self._count(self._solve(root, -1 if order is None else order))

    def likeliest(self, root: int, order: int | None, chance: Sequence[float], number: int) -> list[tuple[int, ...]]:
        """The ``number`` solutions with the greatest products of ``chance``, and all that come equal to the last.

        Best first: a family is opened when the best set that it holds is the best of all that is left. Raises
        :class:`DiagramTooLargeError` where there are more solutions than the limit.
        """
        with deep_recursion():
            family = self._within_limit(root, order)
        best = {NONE: -1.0, EMPTY: 1.0}
        for f in self._below(family):
            if f > EMPTY:
                best[f] = max(best[self._low[f]], chance[self._level[f]] * best[self._high[f]])
        found: list[tuple[int, ...]] = []
        least = 0.0
        heap: list[tuple[float, int, float, tuple[int, ...]]] = [(-best[family], family, 1.0, ())]
        while heap and (len(found) < number or -heap[0][0] >= least):
            _, f, product, taken = heapq.heappop(heap)
            if f == EMPTY:
                found.append(taken)
                if len(found) == number:
                    least = product * (1.0 - _ROUNDING)
            elif f != NONE:
                low, high, level = self._low[f], self._high[f], self._level[f]
                heapq.heappush(heap, (-product * best[low], low, product, taken))
                longer = product * chance[level]
                heapq.heappush(heap, (-longer * best[high], high, longer, (*taken, level)))
        return found

    # ---- from functions to families of sets

    def _within_limit(self, root: int, order: int | None) -> int:
        family = self._solve(root, -1 if order is None else order)
        if self._count(family) > self.limit:
            raise DiagramTooLargeError(f"more than {self.limit} minimal cut sets")
        return family

    def _solve(self, node: int, left: int) -> int:
        """The family of a function with sets of at most ``left`` variables, of any size for -1."""
        if node <= TRUE:
            return EMPTY if node == TRUE else NONE
        found = self._solved.get((node, left))
        if found is None:
            d = self.diagram
            found = self._solve(d.low[node], left)
            if left:
                less = max(left - 1, -1)
                alone = self._solve(self._whole(node), less)
                found = self._node(d.level[node], found, self._without(self._solve(d.high[node], less), alone))
            self._solved[node, left] = found
        return found

    def _whole(self, node: int) -> int:
        """The function where the component of a node's variable has none of its modes."""
        levels, lows, owner = self.diagram.level, self.diagram.low, self.owner
        component = owner.get(levels[node])
        rest = lows[node]
        if component is not None:
            while rest > TRUE and owner.get(levels[rest]) == component:
                rest = lows[rest]
        return rest

    # ---- families

    def _node(self, level: int, low: int, high: int) -> int:
        if high == NONE:
            return low
        key = (level, low, high)
        found = self._unique.get(key)
        if found is None:
            found = self._unique[key] = len(self._level)
            self._level.append(level)
            self._low.append(low)
            self._high.append(high)
        return found

    def _without(self, a: int, b: int) -> int:
        """The sets of ``a`` that hold no set of ``b``; no set of either holds another of the same family."""
        if a == NONE or b == NONE:
            return a
        if b == EMPTY or a == b:
            return NONE
        if a == EMPTY:
            return a
        key = a << _SHIFT | b
        found = self._pruned.get(key)
        if found is None:
            level, other = self._level[a], self._level[b]
            low, high = self._low[a], self._high[a]
            if level > other:
                found = self._without(a, self._low[b])
            elif level < other:
                found = self._node(level, self._without(low, b), self._without(high, b))
            else:
                rest = self._low[b]
                high = self._without(self._without(high, self._high[b]), rest)
                found = self._node(level, self._without(low, rest), high)
            self._pruned[key] = found
            if len(self._pruned) > self.step_limit:
                raise DiagramTooLargeError(f"minimal cut sets took more than {self.step_limit} steps")
        return found

    def _below(self, family: int) -> list[int]:
        """All families that make up one, parts before the whole."""
        seen = {family}
        stack = [family]
        while stack:
            f = stack.pop()
            if f > EMPTY:
                for part in (self._low[f], self._high[f]):
                    if part not in seen:
                        seen.add(part)
                        stack.append(part)
        return sorted(seen)

    def _count(self, family: int) -> int:
        counts = self._counts
        for f in self._below(family):
            if f not in counts:
                counts[f] = counts[self._low[f]] + counts[self._high[f]]
        return counts[family]

    def _sets(self, family: int) -> Iterator[tuple[int, ...]]:
        stack: list[tuple[int, tuple[int, ...]]] = [(family, ())]
        while stack:
            f, taken = stack.pop()
            if f == EMPTY:
                yield taken
            elif f != NONE:
                stack.append((self._low[f], taken))
                stack.append((self._high[f], (*taken, self._level[f])))
