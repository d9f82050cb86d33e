"""Cases as bits: rows of words that know nothing of power.

A *row* holds one bit for each case of a block. Two kinds serve the same evaluator: whole numbers of Python (no
library to import, right for a few hundred cases) and arrays of ``uint64`` (right for millions). Both are combined
with ``&``, ``|`` and ``~``; bits beyond the last case are kept clear by never using ``~x`` but under an ``&``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Row = Any


class Lanes(Protocol):
    """What an evaluator asks of a kind of row."""

    zero: Row
    full: Row

    def same(self, a: Row, b: Row) -> bool:
        """Whether two rows are equal."""


class WholeNumberLanes:
    """``count`` cases as bits 0 to count-1 of a whole number."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.zero = 0
        self.full = (1 << count) - 1

    def same(self, a: int, b: int) -> bool:
        return a == b


class WordLanes:
    """``count`` cases as bits of an array of ceil(count / 64) ``uint64``, lowest bit of the first word first."""

    def __init__(self, count: int) -> None:
        import numpy as np

        self._np = np
        self.count = count
        self.words = -(-count // 64)
        self.zero: NDArray[np.uint64] = np.zeros(self.words, np.uint64)
        self.full: NDArray[np.uint64] = np.full(self.words, ~np.uint64(0))
        if count % 64:
            self.full[-1] = np.uint64((1 << (count % 64)) - 1)
        self.zero.flags.writeable = self.full.flags.writeable = False

    def same(self, a: NDArray[np.uint64], b: NDArray[np.uint64]) -> bool:
        return a is b or bool(self._np.array_equal(a, b))


def positions(row: NDArray[np.uint64], count: int) -> NDArray[np.int64]:
    """Return the positions of the bits of ``row`` among the first ``count``, ascending."""
    import numpy as np

    used = np.flatnonzero(row)
    if len(used) == 0:
        return np.zeros(0, np.int64)
    bits = np.unpackbits(row[used].astype("<u8", copy=False).view(np.uint8), bitorder="little").reshape(len(used), 64)
    word, bit = np.nonzero(bits)
    found: NDArray[np.int64] = used[word] * 64 + bit
    return found[found < count]


def at_least(k: int, rows: Sequence[Row], zero: Row, full: Row) -> Row:
    """Return the lanes in which at least ``k`` of ``rows`` are set; k x len(rows) word operations at most."""
    if k <= 0:
        return full
    if len(rows) < k:
        return zero
    if k == 1:
        result = rows[0]
        for row in rows[1:]:
            result = result | row
        return result
    if k == len(rows):
        result = rows[0]
        for row in rows[1:]:
            result = result & row
        return result
    reached = [full] + [zero] * k
    for row in rows:
        for j in range(k, 0, -1):
            reached[j] = reached[j] | (reached[j - 1] & row)
    return reached[k]
