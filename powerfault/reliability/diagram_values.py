"""Probabilities of many functions of a diagram at once, for many columns of probabilities of its variables.

The method is one walk over the nodes from the last variable to the first, each level at once: the Shannon expansion
``P(f) = p P(f | x) + (1 - p) P(f | not x)`` adds and multiplies numbers between 0 and 1 only, so nothing cancels. What
functions share is computed once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from powerfault.reliability.decision_diagram import FALSE, TERMINAL_LEVEL, TRUE, Diagram

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


def probability(diagram: Diagram, root: int, p: Any) -> Any:
    """The exact probability of one function; ``p`` holds one probability a variable, or a row of them.

    >>> d = Diagram()
    >>> a, b, c = (d.variable(i) for i in range(3))
    >>> round(float(probability(d, d.disj(a, d.conj(b, c)), [0.1, 0.2, 0.3])), 9)
    0.154
    """
    return Evaluator(diagram, [root])(p)[0]


class Evaluator:
    """The nodes of some functions laid out level by level, to evaluate them for many columns of probabilities.

    Called with ``p`` of shape (variables,) or (variables, columns), it returns an array of shape (functions,) or
    (functions, columns). The work is nodes times columns, in slices that keep the table of values below ``memory``
    bytes.
    """

    def __init__(self, diagram: Diagram, roots: Sequence[int], memory: int = 1 << 26) -> None:
        levels, lows, highs = diagram.level, diagram.low, diagram.high
        nodes = sorted(diagram.below(*roots, FALSE, TRUE), key=lambda n: (levels[n], n), reverse=True)
        place = {n: i for i, n in enumerate(nodes)}
        self.size = len(nodes)
        self.memory = memory
        self.roots = np.array([place[r] for r in roots], dtype=np.int64)
        self.true_place, self.false_place = place[TRUE], place[FALSE]
        low = np.array([place[lows[n]] for n in nodes], dtype=np.int64)
        high = np.array([place[highs[n]] for n in nodes], dtype=np.int64)
        level = np.array([levels[n] for n in nodes], dtype=np.int64)
        cuts = np.flatnonzero(np.diff(level)) + 1
        bounds = [0, *cuts.tolist(), self.size]
        self.slices = [
            (int(level[a]), a, b, low[a:b], high[a:b]) for a, b in pairwise(bounds) if level[a] != TERMINAL_LEVEL
        ]

    def __call__(self, p: Any) -> Floats:
        table: Floats = np.asarray(p, dtype=np.float64)
        if table.ndim == 1:
            single: Floats = self._values(table[:, None])[self.roots, 0]
            return single
        out = np.empty((len(self.roots), table.shape[1]))
        for here in self._columns(table.shape[1], 1):
            out[:, here] = self._values(table[:, here])[self.roots]
        return out

    def flow(self, p: Any, drift: Any) -> Floats:
        """The derivative of each function in the direction ``drift``, both of shape (variables, columns).

        That is the sum over variables of their drift times P(true | it is true) - P(true | it is false), in one walk.
        """
        table: Floats = np.asarray(p, dtype=np.float64)
        moving: Floats = np.asarray(drift, dtype=np.float64)
        out = np.empty((len(self.roots), table.shape[1]))
        for here in self._columns(table.shape[1], 2):
            values = self._values(table[:, here])
            slope = np.zeros_like(values)
            for level, a, b, low, high in self.slices:
                chance = table[level, here]
                slope[a:b] = slope[low]
                slope[a:b] += chance * (slope[high] - slope[a:b])
                slope[a:b] += moving[level, here] * (values[high] - values[low])
            out[:, here] = slope[self.roots]
        return out

    def gradient(self, p: Any) -> tuple[Floats, Floats]:
        """Return probability and its partial derivatives by the variables, for one function.

        ``p`` has shape (variables, columns); the results have shapes (columns,) and (variables, columns). The
        derivative by a variable is P(true | it is true) - P(true | it is false): Birnbaum's importance. Computed in
        one walk up (values) and one walk down (the probability of reaching each node).
        """
        table: Floats = np.asarray(p, dtype=np.float64)
        value, slope = np.empty(table.shape[1]), np.zeros(table.shape)
        for here in self._columns(table.shape[1], 2):
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

    def never(self, may: Flags) -> Flags:
        """Whether each function is false in all states in which only variables that ``may`` be true are."""
        return ~self._reaching(self.true_place, np.ones_like(may), may)

    def always(self, must: Flags) -> Flags:
        """Whether each function is true in all states in which all variables that ``must`` be true are."""
        return ~self._reaching(self.false_place, ~must, np.ones_like(must))

    def _reaching(self, terminal: int, by_low: Flags, by_high: Flags) -> Flags:
        """Whether each function has a way to ``terminal`` by the branches open at each variable."""
        reaching: Flags = np.zeros(self.size, dtype=np.bool_)
        reaching[terminal] = True
        for level, a, b, low, high in self.slices:
            if by_low[level]:
                reaching[a:b] |= reaching[low]
            if by_high[level]:
                reaching[a:b] |= reaching[high]
        return reaching[self.roots]

    def _columns(self, columns: int, tables: int) -> Iterator[slice]:
        """Slices of columns of which so many tables fit the memory."""
        width = max(1, min(columns, self.memory // (8 * tables * self.size)))
        for start in range(0, columns, width):
            yield slice(start, min(start + width, columns))

    def _values(self, part: Floats) -> Floats:
        values: Floats = np.zeros((self.size, part.shape[1]))
        values[self.true_place] = 1.0
        for level, a, b, low, high in self.slices:
            chance = part[level]
            values[a:b] = values[high] * chance + values[low] * (1.0 - chance)
        return values
