"""Decision diagrams: Boolean functions of many events, held exactly and small enough to compute with.

The question: what is the exact probability that a function of independent variables is true, whatever the function
looks like? The method is the reduced ordered decision diagram: every node asks one variable and has a low and a high
successor; equal nodes are stored once, so equal functions are equal node numbers. The probability follows from the
Shannon expansion ``P(f) = p P(f | x) + (1 - p) P(f | not x)``, one term a node, which only adds and multiplies numbers
between 0 and 1: nothing cancels, so it is as exact as the floats are.

Why a diagram of our own: the fixpoints of the failure semantics run on rows that know ``&``, ``|``, ``~`` and ``==``
(:mod:`powerfault.failures`), and :class:`Row` gives them a diagram for a row. The tests hold it against a decision
diagram library.

References: R. E. Bryant, Graph-Based Algorithms for Boolean Function Manipulation, IEEE Trans. Computers 35 (1986);
A. Rauzy, New Algorithms for Fault Trees Analysis, Reliability Engineering and System Safety 40 (1993), for the minimal
solutions of a monotone function.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import combinations, pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from powerfault.errors import TooLargeError

FALSE, TRUE = 0, 1
_TERMINAL_LEVEL = 1 << 30
_SHIFT = 32
Floats = npt.NDArray[np.float64]


class DiagramTooLargeError(TooLargeError):
    """The diagram passed its limit of nodes or steps; bounds must do."""


class Diagram:
    """A store of nodes over variables 0, 1, ... asked in that order.

    A function is a node number: 0 is false, 1 is true. ``node_limit`` bounds the memory and ``step_limit`` the work;
    both count operations (of each kind) and not seconds, so that a result never depends on the speed of the machine.

    >>> d = Diagram()
    >>> a, b, c = (d.variable(i) for i in range(3))
    >>> f = d.disj(a, d.conj(b, c))
    >>> round(float(d.probability(f, [0.1, 0.2, 0.3])), 9)
    0.154
    >>> sorted(d.minimal_solutions(f))
    [(0,), (1, 2)]
    """

    def __init__(self, node_limit: int = 1_000_000, step_limit: int = 3_000_000) -> None:
        self.level: list[int] = [_TERMINAL_LEVEL, _TERMINAL_LEVEL]
        self.low: list[int] = [FALSE, TRUE]
        self.high: list[int] = [FALSE, TRUE]
        self.node_limit = node_limit
        self.step_limit = step_limit
        self._unique: dict[int, dict[int, int]] = {}
        self._conj: dict[int, int] = {}
        self._disj: dict[int, int] = {}
        self._neg: dict[int, int] = {FALSE: TRUE, TRUE: FALSE}
        self.conj = self._operation(self._conj, FALSE, TRUE)
        """``conj(f, g)`` returns "f and g"."""
        self.disj = self._operation(self._disj, TRUE, FALSE)
        """``disj(f, g)`` returns "f or g"."""

    def __len__(self) -> int:
        return len(self.level)

    @property
    def steps(self) -> int:
        """Operations on pairs of nodes done so far."""
        return len(self._conj) + len(self._disj) + len(self._neg) // 2

    def node(self, level: int, low: int, high: int) -> int:
        """Return the node that asks variable ``level``; both successors must ask later ones."""
        if low == high:
            return low
        unique = self._unique.get(level)
        if unique is None:
            unique = self._unique[level] = {}
        key = low << _SHIFT | high
        found = unique.get(key)
        if found is None:
            found = len(self.level)
            if found >= self.node_limit:
                raise DiagramTooLargeError(f"the decision diagram passed {self.node_limit} nodes")
            unique[key] = found
            self.level.append(level)
            self.low.append(low)
            self.high.append(high)
        return found

    def variable(self, level: int) -> int:
        return self.node(level, FALSE, TRUE)

    def _operation(self, memo: dict[int, int], absorbing: int, neutral: int) -> Callable[[int, int], int]:
        """``and`` or ``or`` of two nodes; the inner loop of everything, so its names are local to it."""
        levels, lows, highs, node, limit = self.level, self.low, self.high, self.node, self.step_limit

        def apply(f: int, g: int) -> int:
            if f == g or g == neutral:
                return f
            if f == neutral:
                return g
            if f == absorbing or g == absorbing:
                return absorbing
            key = f << _SHIFT | g if f < g else g << _SHIFT | f
            found = memo.get(key)
            if found is None:
                lf, lg = levels[f], levels[g]
                if lf == lg:
                    found = node(lf, apply(lows[f], lows[g]), apply(highs[f], highs[g]))
                elif lf < lg:
                    found = node(lf, apply(lows[f], g), apply(highs[f], g))
                else:
                    found = node(lg, apply(f, lows[g]), apply(f, highs[g]))
                memo[key] = found
                if len(memo) > limit:
                    raise DiagramTooLargeError(f"the decision diagram took more than {limit} steps")
            return found

        return apply

    def neg(self, f: int) -> int:
        """Return ``not f``."""
        found = self._neg.get(f)
        if found is None:
            found = self.node(self.level[f], self.neg(self.low[f]), self.neg(self.high[f]))
            self._neg[f] = found
            self._neg[found] = f
        return found

    def conj_all(self, nodes: Iterable[int]) -> int:
        result = TRUE
        for node in nodes:
            result = self.conj(result, node)
        return result

    def disj_all(self, nodes: Iterable[int]) -> int:
        result = FALSE
        for node in nodes:
            result = self.disj(result, node)
        return result

    def at_least(self, count: int, nodes: Sequence[int]) -> int:
        """Return "at least ``count`` of ``nodes`` are true"."""
        row = [TRUE] + [FALSE] * count
        for node in nodes:
            for k in range(count, 0, -1):
                row[k] = self.disj(row[k], self.conj(node, row[k - 1]))
        return row[count]

    def below(self, *roots: int) -> set[int]:
        """All nodes that the roots lead to, themselves included, terminals too."""
        seen = set(roots)
        stack = list(seen)
        while stack:
            node = stack.pop()
            if node > TRUE:
                for child in (self.low[node], self.high[node]):
                    if child not in seen:
                        seen.add(child)
                        stack.append(child)
        return seen

    def support(self, root: int) -> list[int]:
        """The variables that the function depends on, in order."""
        return sorted({self.level[n] for n in self.below(root) if n > TRUE})

    def value(self, root: int, true: Iterable[int]) -> bool:
        """The function where the variables in ``true`` are true and all others are false."""
        chosen = set(true)
        while root > TRUE:
            root = self.high[root] if self.level[root] in chosen else self.low[root]
        return root == TRUE

    def restrict(self, root: int, values: Mapping[int, bool]) -> int:
        """The function with some variables fixed."""
        memo: dict[int, int] = {FALSE: FALSE, TRUE: TRUE}
        order = sorted(self.below(root), key=lambda n: -self.level[n])
        for n in order:
            if n > TRUE:
                level = self.level[n]
                low, high = memo[self.low[n]], memo[self.high[n]]
                if level in values:
                    memo[n] = high if values[level] else low
                else:
                    memo[n] = self.node(level, low, high)
        return memo[root]

    def probability(self, root: int, p: Any) -> Any:
        """The exact probability of one function; ``p`` holds one probability a variable, or a row of them.

        Cost grows with nodes times columns. See :class:`Evaluator` for many functions and columns.
        """
        return Evaluator(self, [root])(p)[0]

    def compacted(self, *roots: int) -> tuple[Diagram, tuple[int, ...]]:
        """A new diagram with only what the roots lead to, and the roots in it: frees nodes no longer wanted."""
        fresh = Diagram(self.node_limit, self.step_limit)
        place = {FALSE: FALSE, TRUE: TRUE}
        for n in sorted(self.below(*roots), key=lambda n: self.level[n], reverse=True):
            if n > TRUE:
                place[n] = fresh.node(self.level[n], place[self.low[n]], place[self.high[n]])
        return fresh, tuple(place[r] for r in roots)

    def minimal_solutions(
        self, root: int, order: int | None = None, chains: Mapping[int, int] | None = None, limit: int = 200_000
    ) -> list[tuple[int, ...]]:
        """The minimal sets of variables whose truth makes a monotone function true, up to ``order`` variables.

        See :class:`Solutions`, which shares the work of several functions.
        """
        return Solutions(self, chains, limit)(root, order)


class Solutions:
    """Minimal solutions of monotone functions of one diagram; what functions share is found once.

    ``chains`` maps a variable to its component where several variables are the exclusive modes of one component (each
    asked only when the earlier ones are false); then "one less" means the component is whole, and a component stands
    in a solution once.

    Proof of completeness (Rauzy 1993): a minimal solution either leaves the first variable out, and is then one of
    the low successor; or holds it, and is then one of the high successor no part of which is already a solution with
    that component whole. Both hold for every budget of variables left.
    """

    def __init__(self, diagram: Diagram, chains: Mapping[int, int] | None = None, limit: int = 200_000) -> None:
        self.diagram = diagram
        self.owner = chains or {}
        self.limit = limit
        self._known: dict[tuple[int, int], list[tuple[int, ...]]] = {}

    def __call__(self, root: int, order: int | None = None) -> list[tuple[int, ...]]:
        """Solutions of ``root`` up to ``order`` variables; :class:`DiagramTooLargeError` above the limit of them."""
        budget = len(self.diagram.support(root)) if order is None else order
        with deep_recursion():
            return self._solve(root, budget)

    def _solve(self, node: int, left: int) -> list[tuple[int, ...]]:
        if node == FALSE:
            return []
        if node == TRUE:
            return [()]
        found = self._known.get((node, left))
        if found is None:
            d = self.diagram
            found = list(self._solve(d.low[node], left))
            if left > 0:
                level = d.level[node]
                alone = set(self._solve(self._whole(node), left - 1))
                found += [(level, *s) for s in self._solve(d.high[node], left - 1) if not self._part_of(s, node, alone)]
            if len(found) > self.limit:
                raise DiagramTooLargeError(f"more than {self.limit} minimal cut sets")
            self._known[node, left] = found
        return found

    def _part_of(self, s: tuple[int, ...], node: int, alone: set[tuple[int, ...]]) -> bool:
        """Whether part of ``s`` is a solution without the variable of ``node``; ``alone`` holds those small enough."""
        if len(s) > 4:
            return self.diagram.value(self._whole(node), s)
        if s in alone or () in alone:
            return True
        return any(part in alone for k in range(1, len(s)) for part in combinations(s, k))

    def _whole(self, node: int) -> int:
        """The function where the component of a node's variable has none of its modes."""
        levels, lows, owner = self.diagram.level, self.diagram.low, self.owner
        component = owner.get(levels[node])
        rest = lows[node]
        if component is not None:
            while rest > TRUE and owner.get(levels[rest]) == component:
                rest = lows[rest]
        return rest


class Row:
    """A function of a diagram as the failure semantics want a row: ``&``, ``|``, ``~``, ``==`` and truth.

    A row is true (in an ``if``) where the function is not false everywhere.
    """

    __slots__ = ("diagram", "node")

    def __init__(self, diagram: Diagram, node: int) -> None:
        self.diagram = diagram
        self.node = node

    def __and__(self, other: Row) -> Row:
        return Row(self.diagram, self.diagram.conj(self.node, other.node))

    def __or__(self, other: Row) -> Row:
        return Row(self.diagram, self.diagram.disj(self.node, other.node))

    def __xor__(self, other: Row) -> Row:
        d = self.diagram
        return Row(d, d.disj(d.conj(self.node, d.neg(other.node)), d.conj(d.neg(self.node), other.node)))

    def __invert__(self) -> Row:
        return Row(self.diagram, self.diagram.neg(self.node))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Row) and self.node == other.node

    def __hash__(self) -> int:
        return hash(self.node)

    def __bool__(self) -> bool:
        return self.node != FALSE


class Evaluator:
    """The nodes of some functions laid out level by level, to evaluate them for many columns of probabilities.

    Called with ``p`` of shape (variables,) or (variables, columns), it returns an array of shape (functions,) or
    (functions, columns). The work is nodes times columns, in slices that keep the table of values below ``memory``
    bytes.
    """

    def __init__(self, diagram: Diagram, roots: Sequence[int], memory: int = 1 << 27) -> None:
        nodes = sorted(diagram.below(*roots, FALSE, TRUE), key=lambda n: (diagram.level[n], n), reverse=True)
        place = {n: i for i, n in enumerate(nodes)}
        self.size = len(nodes)
        self.memory = memory
        self.roots = np.array([place[r] for r in roots], dtype=np.int64)
        self.true_place, self.false_place = place[TRUE], place[FALSE]
        low = np.array([place[diagram.low[n]] for n in nodes], dtype=np.int64)
        high = np.array([place[diagram.high[n]] for n in nodes], dtype=np.int64)
        levels = np.array([diagram.level[n] for n in nodes], dtype=np.int64)
        cuts = np.flatnonzero(np.diff(levels)) + 1
        bounds = [0, *cuts.tolist(), self.size]
        self.slices = [
            (int(levels[a]), a, b, low[a:b], high[a:b]) for a, b in pairwise(bounds) if levels[a] != _TERMINAL_LEVEL
        ]

    def gradient(self, p: Any) -> tuple[Floats, Floats]:
        """Return probability and its partial derivatives by the variables, for one function.

        ``p`` has shape (variables, columns); the results have shapes (columns,) and (variables, columns). The
        derivative by a variable is P(true | it is true) - P(true | it is false): Birnbaum's importance. Computed in
        one walk up (values) and one walk down (the probability of reaching each node).
        """
        table: Floats = np.asarray(p, dtype=np.float64)
        columns = table.shape[1]
        width = max(1, min(columns, self.memory // (16 * self.size)))
        value, slope = np.empty(columns), np.zeros(table.shape)
        for start in range(0, columns, width):
            here = slice(start, start + width)
            part = table[:, here]
            values = self._values(part)
            reach = np.zeros_like(values)
            reach[self.roots[0]] = 1.0
            for level, a, b, low, high in reversed(self.slices):
                own, chance = reach[a:b], part[level]
                slope[level, here] = (own * (values[high] - values[low])).sum(axis=0)
                np.add.at(reach, high, own * chance)
                np.add.at(reach, low, own * (1.0 - chance))
            value[here] = values[self.roots[0]]
        return value, slope

    def _values(self, part: Floats) -> Floats:
        values: Floats = np.zeros((self.size, part.shape[1]))
        values[self.true_place] = 1.0
        for level, a, b, low, high in self.slices:
            chance = part[level]
            values[a:b] = values[high] * chance + values[low] * (1.0 - chance)
        return values

    def __call__(self, p: Any) -> Floats:
        table: Floats = np.asarray(p, dtype=np.float64)
        single = table.ndim == 1
        if single:
            table = table[:, None]
        columns = table.shape[1]
        width = max(1, min(columns, self.memory // (8 * self.size)))
        out = np.empty((len(self.roots), columns))
        for start in range(0, columns, width):
            out[:, start : start + width] = self._values(table[:, start : start + width])[self.roots]
        return out[:, 0] if single else out


@contextmanager
def deep_recursion(depth: int = 60_000) -> Iterator[None]:
    """Allow recursion as deep as a diagram of many variables needs (plain Python calls, no C stack)."""
    before = sys.getrecursionlimit()
    sys.setrecursionlimit(max(before, depth))
    try:
        yield
    finally:
        sys.setrecursionlimit(before)
