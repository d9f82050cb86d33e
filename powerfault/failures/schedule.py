"""A static schedule of word operations: a tape made ready to run on block after block of cases.

Only nodes that an output or a check depends on are kept, in the order of a depth-first walk back from the outputs, so
that a row is read soon after it is made. The rows live in a few places of one workspace that is made once: a place is
free again after the last reader of its row, and the place freed last is taken first, so that the places in use stay in
the cache. An operation is then one call of NumPy without any allocation.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from powerfault.failures.lanes import positions
from powerfault.failures.recording import AND, FULL, INPUT, NOT, OR, ZERO, Tape

Words = NDArray[np.uint64]
CHECK = -1
PAD_WORDS = 24
"""Between rows, so that rows of a power of two do not compete for the same lines of the cache."""


class Schedule:
    """The operations of a tape that ``outputs`` need; ``inputs`` are the nodes of its given rows, in their order.

    ``operations`` counts the row operations, ``checks`` the comparisons of two rows, ``places`` the rows that are held
    at once besides the empty and full row, inputs and outputs.
    """

    def __init__(self, tape: Tape, inputs: Sequence[int], outputs: Sequence[int]) -> None:
        fixed = dict.fromkeys((ZERO, FULL, *inputs, *outputs))
        place = {node: i for i, node in enumerate(fixed)}
        self._inputs = slice(2, 2 + len(inputs))
        self._outputs = [place[node] for node in outputs]
        order = list(_ordered(tape, outputs))
        last: dict[int, int] = {}
        for when, (_, *nodes) in enumerate(order):
            last.update(dict.fromkeys(nodes, when))
        self._steps: list[tuple[int, int, int, int]] = []
        """Operation, places of both operands, place of the result."""
        self._row_count = len(place)
        free: list[int] = []
        for when, (op, a, b, node) in enumerate(order):
            operands = place[a], place[b]
            free += [place[x] for x in {a, b} if last[x] == when and x not in fixed]
            if op != CHECK and node not in fixed:
                if not free:
                    free.append(self._row_count)
                    self._row_count += 1
                place[node] = free.pop()
            self._steps.append((op, *operands, place[node]))
        self.operations = sum(1 for op, *_ in order if op != CHECK)
        self.checks = len(order) - self.operations
        self.places = self._row_count - len(fixed)
        self._bound: _Bound | None = None

    def rows_given(self, words: int) -> Words:
        """Return the rows of the inputs, (inputs, words), to be set before :meth:`run` is called for so many words."""
        if self._bound is None or self._bound.words != words:
            self._bound = None  # its memory is free before the next is made
            self._bound = _Bound(self._steps, self._row_count, words)
        return self._bound.rows[self._inputs]

    def run(self) -> NDArray[np.int64]:
        """Run on the rows given last; return the lanes in which a check failed: there no output is to be used.

        Bits beyond the last case are those of a case in which nothing is given.
        """
        assert self._bound is not None
        return self._bound.run()

    def copy_outputs(self, targets: Sequence[Words]) -> None:
        """Copy each output of the last run to its target, (words,)."""
        assert self._bound is not None
        for target, place in zip(targets, self._outputs, strict=True):
            target[:] = self._bound.rows[place]


def _ordered(tape: Tape, outputs: Sequence[int]) -> Iterator[tuple[int, int, int, int]]:
    """Yield (operation, operands, result) of all nodes that are needed, and checks (two nodes, the second again).

    A check comes as soon as both of its nodes are there. A node that only checks need comes right after the other.
    """
    partners: dict[int, list[int]] = {}
    for a, b in tape.checks:
        partners.setdefault(a, []).append(b)
        partners.setdefault(b, []).append(a)
    needed, waiting = set(outputs), list(outputs)
    while waiting:
        node = waiting.pop()
        fresh = {x for x in (tape.left[node], tape.right[node]) if x >= 0} - needed
        needed |= fresh
        waiting += fresh
    done = {node for node, op in enumerate(tape.ops) if op == INPUT}
    for a, b in tape.checks:
        if a in done and b in done:
            yield CHECK, a, b, b
    stack = [*reversed(partners), *reversed(outputs)]
    while stack:
        node = stack[-1]
        if node in done:
            stack.pop()
            continue
        a, b = tape.left[node], tape.right[node]
        missing = [x for x in (b, a) if x not in done]
        if missing:
            stack += missing
            continue
        stack.pop()
        done.add(node)
        yield tape.ops[node], a, FULL if tape.ops[node] == NOT else b, node
        for other in partners.get(node, ()):
            if other in done:
                yield CHECK, other, node, node
            elif other not in needed:
                stack.append(other)


class _Bound:
    """The steps on rows of one length."""

    def __init__(self, steps: list[tuple[int, int, int, int]], row_count: int, words: int) -> None:
        self.words = words
        self.rows: Words = np.empty((row_count, words + PAD_WORDS), np.uint64)[:, :words]
        self.rows[0], self.rows[1] = 0, ~np.uint64(0)
        self._found: list[NDArray[np.int64]] = []
        call: dict[int, Callable[..., Any]] = {
            AND: np.bitwise_and,
            OR: np.bitwise_or,
            NOT: np.bitwise_xor,
            CHECK: self._check,
        }
        views = list(self.rows)
        self._calls = [(call[op], views[a], views[b], views[c]) for op, a, b, c in steps]

    def run(self) -> NDArray[np.int64]:
        self._found.clear()
        for call, a, b, c in self._calls:
            call(a, b, c)
        return np.unique(np.concatenate(self._found)) if self._found else np.zeros(0, np.int64)

    def _check(self, a: Words, b: Words, _: Words) -> None:
        # A comparison of bytes is several times faster than one of arrays.
        if a.tobytes() != b.tobytes():
            self._found.append(positions(a ^ b, 64 * self.words))
