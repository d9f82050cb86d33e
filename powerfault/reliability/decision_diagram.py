"""Decision diagrams: Boolean functions of many events, held exactly and small enough to compute with.

The question: how can a function of hundreds of variables be known in all their states at once? The method is the
reduced ordered decision diagram: every node asks one variable and has a low and a high successor; equal nodes are
stored once, so equal functions are equal node numbers. Probabilities (``likelihood.diagram_values``) and
minimal solutions (``likelihood.minimal_solutions``) follow in one walk over the nodes.

Why a diagram of our own: the fixpoints of the failure semantics run on rows that know ``&``, ``|``, ``~`` and ``==``
(:mod:`powerfault.failures`), and :class:`Row` gives them a diagram for a row. The tests hold it against a decision
diagram library.

Reference: R. E. Bryant, Graph-Based Algorithms for Boolean Function Manipulation, IEEE Trans. Computers 35 (1986).
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager

from powerfault.errors import TooLargeError

FALSE, TRUE = 0, 1
TERMINAL_LEVEL = 1 << 30
_SHIFT = 32


class DiagramTooLargeError(TooLargeError):
    """The diagram passed its limit of nodes or steps; bounds must do."""


class Diagram:
    """A store of nodes over variables 0, 1, ... asked in that order.

    A function is a node number: 0 is false, 1 is true. ``node_limit`` bounds the memory and ``step_limit`` the work;
    both count operations (of each kind) and not seconds, so that a result never depends on the speed of the machine.

    >>> d = Diagram()
    >>> a, b, c = (d.variable(i) for i in range(3))
    >>> f = d.disj(a, d.conj(b, c))
    >>> d.value(f, {1, 2}), d.value(f, {2})
    (True, False)
    """

    def __init__(self, node_limit: int = 1_000_000, step_limit: int = 3_000_000) -> None:
        self.level: list[int] = [TERMINAL_LEVEL, TERMINAL_LEVEL]
        self.low: list[int] = [FALSE, TRUE]
        self.high: list[int] = [FALSE, TRUE]
        self.node_limit = node_limit
        self.step_limit = step_limit
        self._unique: dict[int, dict[int, int]] = {}
        self._conj: dict[int, int] = {}
        self._disj: dict[int, int] = {}
        self._neg: dict[int, int] = {FALSE: TRUE, TRUE: FALSE}
        self.conj = self._operation(self._conj, FALSE)
        """``conj(f, g)`` returns "f and g"."""
        self.disj = self._operation(self._disj, TRUE)
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
                raise _too_many(self.node_limit)
            unique[key] = found
            self.level.append(level)
            self.low.append(low)
            self.high.append(high)
        return found

    def variable(self, level: int) -> int:
        return self.node(level, FALSE, TRUE)

    def _operation(self, memo: dict[int, int], absorbing: int) -> Callable[[int, int], int]:
        """``and`` or ``or`` of two nodes; the inner loop of everything, so it makes nodes itself and its names are
        local to it."""
        levels, lows, highs, uniques, limit = self.level, self.low, self.high, self._unique, self.step_limit
        known, nodes = memo.get, self.node_limit

        def apply(f: int, g: int) -> int:
            if f > g:
                f, g = g, f
            if f <= TRUE:
                return absorbing if f == absorbing else g
            if f == g:
                return f
            key = f << _SHIFT | g
            found = known(key)
            if found is not None:
                return found
            level, other = levels[f], levels[g]
            if level == other:
                low, high = apply(lows[f], lows[g]), apply(highs[f], highs[g])
            elif level < other:
                low, high = apply(lows[f], g), apply(highs[f], g)
            else:
                level = other
                low, high = apply(f, lows[g]), apply(f, highs[g])
            if low == high:
                found = low
            else:
                unique = uniques[level]
                child = low << _SHIFT | high
                found = unique.get(child)
                if found is None:
                    found = len(levels)
                    if found >= nodes:
                        raise _too_many(nodes)
                    unique[child] = found
                    levels.append(level)
                    lows.append(low)
                    highs.append(high)
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

    def supports(self, roots: Iterable[int]) -> dict[int, int]:
        """For each root the variables that it depends on, as bits by their numbers; what roots share is walked once."""
        wanted = set(roots)
        bits = {FALSE: 0, TRUE: 0}
        for n in sorted(self.below(*wanted), key=self.level.__getitem__, reverse=True):
            if n > TRUE:
                bits[n] = bits[self.low[n]] | bits[self.high[n]] | 1 << self.level[n]
        return {root: bits[root] for root in wanted}

    def value(self, root: int, true: Iterable[int]) -> bool:
        """The function where the variables in ``true`` are true and all others are false."""
        chosen = set(true)
        while root > TRUE:
            root = self.high[root] if self.level[root] in chosen else self.low[root]
        return root == TRUE

    def compacted(self, *roots: int) -> tuple[Diagram, tuple[int, ...]]:
        """A new diagram with only what the roots lead to, and the roots in it: frees nodes no longer wanted."""
        fresh = Diagram(self.node_limit, self.step_limit)
        place = {FALSE: FALSE, TRUE: TRUE}
        for n in sorted(self.below(*roots), key=lambda n: self.level[n], reverse=True):
            if n > TRUE:
                place[n] = fresh.node(self.level[n], place[self.low[n]], place[self.high[n]])
        return fresh, tuple(place[r] for r in roots)


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


@contextmanager
def deep_recursion(depth: int = 60_000) -> Iterator[None]:
    """Allow recursion as deep as a diagram of many variables needs (plain Python calls, no C stack)."""
    before = sys.getrecursionlimit()
    sys.setrecursionlimit(max(before, depth))
    try:
        yield
    finally:
        sys.setrecursionlimit(before)


def _too_many(nodes: int) -> DiagramTooLargeError:
    return DiagramTooLargeError(f"the decision diagram passed {nodes} nodes")
