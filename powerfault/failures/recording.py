"""One evaluation recorded as word operations, to be repeated on other cases without deciding anything again.

An evaluation combines rows with AND, OR and NOT, and now and then asks whether two rows are equal: there it decides
whether to go on. Run on :class:`RecordedRow`, it writes each operation on a tape while a sample of the cases answers
the questions. On another case the tape alone gives the same rows, provided that every pair found equal on the sample is
equal there too: those pairs are the *checks* of the tape. For then an evaluation of the sample with that case added to
it would find the same pairs equal, and those that differ on the sample differ still: it would go the way of the tape.
What it finds in a case does not depend on the cases beside it, since it stops at fixpoints that are those of each case
by itself (``failures.energise``).

Equal operations on equal rows are one node of the tape, and what is plain without knowing the cases (``x & x``,
``x | (x & y)``) is no operation at all.
"""

from __future__ import annotations

from typing import Final

INPUT, AND, OR, NOT = range(4)
ZERO, FULL = 0, 1
"""The nodes of the empty and the full row."""


class Tape:
    """The nodes of an evaluation in order: ``ops[i]`` with operands ``left[i]`` and ``right[i]``, nodes before i.

    ``checks`` are the pairs of nodes that must be equal for the tape to be right.
    """

    def __init__(self, full: int) -> None:
        self.full = full
        self.ops: list[int] = []
        self.left: list[int] = []
        self.right: list[int] = []
        self.checks: dict[tuple[int, int], None] = {}
        self._rows: list[RecordedRow] = []
        self._known: dict[tuple[int, int, int], RecordedRow] = {}
        self.zero_row, self.full_row = self.add_input(0), self.add_input(full)

    def add_input(self, value: int) -> RecordedRow:
        """Return a new row that is given, with its bits on the sample."""
        return self._append(INPUT, -1, -1, value)

    def _append(self, op: int, a: int, b: int, value: int) -> RecordedRow:
        row = RecordedRow(self, len(self.ops), value)
        self.ops.append(op)
        self.left.append(a)
        self.right.append(b)
        self._rows.append(row)
        return row

    def combine(self, op: int, x: RecordedRow, y: RecordedRow) -> RecordedRow:
        """Return ``x & y`` or ``x | y``."""
        a, b = (x, y) if x.node <= y.node else (y, x)
        if a is b or self._holds(b, op, a.node):
            # x | x, x & x, and where b = a | z or a & z: a | b or a & b is b
            return b
        if a.node <= FULL:
            return a if a.node == (ZERO if op == AND else FULL) else b
        if self._holds(b, NOT, a.node):
            return self.zero_row if op == AND else self.full_row
        if self._holds(b, OR if op == AND else AND, a.node):
            return a
        key = op, a.node, b.node
        found = self._known.get(key)
        if found is None:
            value = a.value & b.value if op == AND else a.value | b.value
            found = self._known[key] = self._append(op, a.node, b.node, value)
        return found

    def complement(self, x: RecordedRow) -> RecordedRow:
        """Return ``~x``."""
        if x.node <= FULL:
            return self.zero_row if x.node == FULL else self.full_row
        if self.ops[x.node] == NOT:
            return self._rows[self.left[x.node]]
        key = NOT, x.node, x.node
        found = self._known.get(key)
        if found is None:
            found = self._known[key] = self._append(NOT, x.node, x.node, self.full & ~x.value)
        return found

    def _holds(self, row: RecordedRow, op: int, node: int) -> bool:
        """Whether ``row`` is ``op`` of ``node`` and something."""
        return self.ops[row.node] == op and node in (self.left[row.node], self.right[row.node])

    def same(self, x: RecordedRow, y: RecordedRow) -> bool:
        """Whether two rows are equal on the sample; if so, they must be wherever the tape is used."""
        if x is y:
            return True
        if x.value != y.value:
            return False
        self.checks[min(x.node, y.node), max(x.node, y.node)] = None
        return True


class RecordedRow:
    """A row on a tape, and its bits on the sample."""

    __slots__ = ("node", "tape", "value")
    __hash__ = object.__hash__

    def __init__(self, tape: Tape, node: int, value: int) -> None:
        self.tape: Final = tape
        self.node: Final = node
        self.value: Final = value

    def __and__(self, other: RecordedRow) -> RecordedRow:
        return self.tape.combine(AND, self, other)

    def __or__(self, other: RecordedRow) -> RecordedRow:
        return self.tape.combine(OR, self, other)

    def __invert__(self) -> RecordedRow:
        return self.tape.complement(self)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, RecordedRow) and self.tape.same(self, other)


class RecordingLanes:
    """Lanes whose rows write themselves on a tape; a kind of ``lanes.Lanes``."""

    def __init__(self, count: int) -> None:
        self.tape = Tape((1 << count) - 1)
        self.zero, self.full = self.tape.zero_row, self.tape.full_row

    def same(self, a: RecordedRow, b: RecordedRow) -> bool:
        return self.tape.same(a, b)
