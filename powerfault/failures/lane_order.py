"""Where each combination of up to ``order`` of q things stands in a row of lanes, and which lanes hold a thing.

Combinations come by size, and of one size in colexicographic order, in which the combinations of the first things
come first; the place of c1 < c2 < ... < ck among those of size k is then C(c1, 1) + C(c2, 2) + ... + C(ck, k) (the
combinatorial number system). All combinations of size k with the greatest thing t stand together, and without t they
are the first C(t, k - 1) of size k - 1: so the rows of size k are put together from runs of those of pairs.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from math import comb

import numpy as np
from numpy.typing import NDArray

THINGS_IN_PAIR_ROWS = 512
"""Up to here the rows of all pairs are kept, of q x q x q / 16 bytes, for larger combinations to be made of."""

SHORT_RUN = 150
"""Runs of pairs that are shorter on average cost more than their bits set one by one."""

LANES_KEPT = 1 << 14
_ALL = (1 << 64) - 1
_BITS = np.uint64(1) << np.arange(64, dtype=np.uint64)


def sizes(q: int, order: int) -> list[int]:
    """Return how many combinations there are of 0, 1, ... ``order`` of ``q`` things."""
    return [comb(q, k) for k in range(order + 1)]


@lru_cache(maxsize=64)
def _binomials(q: int, k: int) -> NDArray[np.int64]:
    """C(0, k), C(1, k), ... C(q, k)."""
    return np.array([comb(i, k) for i in range(q + 1)], np.int64)


def rank(combinations: NDArray[np.int64], q: int) -> NDArray[np.int64]:
    """Return the places of ascending combinations, shape (n, k), among those of their size."""
    place = np.zeros(len(combinations), np.int64)
    for i in range(combinations.shape[1]):
        place += _binomials(q, i + 1)[combinations[:, i]]
    return place


def unrank(places: NDArray[np.int64], q: int, k: int) -> NDArray[np.int64]:
    """Return the combinations of size k of q things at ``places``, shape (n, k), each ascending."""
    left = np.asarray(places, np.int64)
    found = np.empty((len(left), k), np.int64)
    for i in range(k, 1, -1):
        table = _binomials(q, i)
        chosen = np.searchsorted(table, left, side="right") - 1
        found[:, i - 1] = chosen
        left = left - table[chosen]
    if k:
        found[:, 0] = left
    return found


def class_rows(q: int, order: int, begin: int, end: int) -> NDArray[np.uint64]:
    """Return, by thing, which of the lanes ``begin`` to ``end`` hold it: shape (q, words)."""
    rows = np.zeros((q, -(-(end - begin) // 64)), np.uint64)
    start = 0
    for k, count in enumerate(sizes(q, order)):
        first, last = max(begin, start) - start, min(end, start + count) - start
        at = start + first - begin
        start += count
        if first >= last:
            continue
        if k == 2:
            _set_pairs(rows, first, last, at)
        elif k < 2 or q > THINGS_IN_PAIR_ROWS or count < SHORT_RUN * comb(q, k - 2):
            _set_bits(rows, k, np.arange(first, last), at)
        else:
            for tops, low, high in _runs(q, k, first, last):
                _put(rows[: tops[-1]], at, _taken(_pair_rows(q)[: tops[-1]], low, high))
                for c in tops:
                    _set_run(rows[c], at, at + high - low)
                at += high - low
    return rows


def piece_rows(q: int, order: int, begin: int, end: int) -> NDArray[np.uint64]:
    """As :func:`class_rows`, to be read only: those of small clusters, which are often alike, are kept."""
    return _kept_rows(q, order, begin, end) if end - begin <= LANES_KEPT else class_rows(q, order, begin, end)


@lru_cache(maxsize=64)
def _kept_rows(q: int, order: int, begin: int, end: int) -> NDArray[np.uint64]:
    rows = class_rows(q, order, begin, end)
    rows.flags.writeable = False
    return rows


@lru_cache(maxsize=64)
def class_numbers(q: int, order: int, begin: int, end: int) -> list[int]:
    """As :func:`piece_rows`, as bits of whole numbers."""
    rows = piece_rows(q, order, begin, end)
    return [int.from_bytes(row.astype("<u8", copy=False).tobytes(), "little") for row in rows]


def _set_bits(rows: NDArray[np.uint64], k: int, places: NDArray[np.int64], at: int) -> None:
    """Set the bits of the combinations of size ``k`` at ``places``, from bit ``at`` on."""
    lane = np.arange(at, at + len(places))
    word, bit = lane >> 6, _BITS[lane & 63]
    for column in unrank(places, len(rows), k).T:
        np.bitwise_or.at(rows, (column, word), bit)


def _set_pairs(rows: NDArray[np.uint64], first: int, last: int, at: int) -> None:
    """Set the bits of the pairs from place ``first`` to ``last``, from bit ``at`` on, where none was set so far.

    The pairs of a thing with greater ones t stand t apart, so with t over 65 each has a word for itself.
    """
    table = _binomials(len(rows), 2)
    crowded = min(last, comb(66, 2))
    if first < crowded:
        _set_bits(rows, 2, np.arange(first, crowded), at)
        at += crowded - first
        first = crowded
    if first >= last:
        return
    lowest, highest = (int(np.searchsorted(table, x, side="right")) - 1 for x in (first, last - 1))
    starts, ends = np.maximum(table[lowest : highest + 1], first), np.minimum(table[lowest + 1 : highest + 2], last)
    lane = np.arange(at, at + last - first)
    # Places in the memory of the rows, which is twice as fast as a row and a word.
    stride = rows.strides[0] // rows.itemsize
    flat = np.lib.stride_tricks.as_strided(rows, ((len(rows) - 1) * stride + rows.shape[1],), (rows.itemsize,))
    place = np.arange(first, last)
    place -= np.repeat(table[lowest : highest + 1], ends - starts)
    place *= stride
    place += lane >> 6
    flat[place] = _BITS[lane & 63]
    for t, low, high in zip(range(lowest, highest + 1), starts.tolist(), ends.tolist(), strict=True):
        _set_run(rows[t], at + low - first, at + high - first)


def _set_run(row: NDArray[np.uint64], begin: int, end: int) -> None:
    """Set the bits ``begin`` to ``end`` of a row."""
    low, high = begin >> 6, (end - 1) >> 6
    after_begin, before_end = (_ALL << (begin & 63)) & _ALL, _ALL >> (63 - (end - 1 & 63))
    if low == high:
        row[low] |= np.uint64(after_begin & before_end)
    else:
        row[low] |= np.uint64(after_begin)
        row[low + 1 : high] = np.uint64(_ALL)
        row[high] |= np.uint64(before_end)


@lru_cache(maxsize=4)
def _pair_rows(q: int) -> NDArray[np.uint64]:
    """Return, by thing, which pairs of q things hold it, and an empty word after."""
    count = comb(q, 2)
    rows = np.zeros((q, -(-count // 64) + 1), np.uint64)
    _set_pairs(rows, 0, count, 0)
    return rows


def _taken(rows: NDArray[np.uint64], low: int, high: int) -> NDArray[np.uint64]:
    """Return the bits ``low`` to ``high`` of each row, from the first bit of the first word on."""
    words, shift = -(-(high - low) // 64), low & 63
    found = rows[:, low >> 6 : (low >> 6) + words]
    if shift:
        found = found >> np.uint64(shift)
        more = rows[:, (low >> 6) + 1 : (low >> 6) + 1 + words] << np.uint64(64 - shift)
        found[:, : more.shape[1]] |= more
    else:
        found = found.copy()
    if (high - low) & 63:
        found[:, -1] &= np.uint64((1 << ((high - low) & 63)) - 1)
    return found


def _put(rows: NDArray[np.uint64], at: int, bits: NDArray[np.uint64]) -> None:
    """Set ``bits`` in ``rows`` from bit ``at`` on, where none was set so far."""
    word, shift = at >> 6, at & 63
    if not shift:
        rows[:, word : word + bits.shape[1]] |= bits
        return
    rows[:, word : word + bits.shape[1]] |= bits << np.uint64(shift)
    after = rows[:, word + 1 : word + 1 + bits.shape[1]]
    after |= bits[:, : after.shape[1]] >> np.uint64(64 - shift)


def _runs(q: int, k: int, first: int, last: int) -> Iterator[tuple[tuple[int, ...], int, int]]:
    """Cut the combinations of size k from place ``first`` to ``last`` into runs that share all but their least two.

    Yields the things shared, greatest first, and the places among the pairs of the first and after the last other two.
    """
    if k == 2:
        yield (), first, last
        return
    table = _binomials(q, k)
    t = int(np.searchsorted(table, first, side="right")) - 1
    while first < last:
        start, after = int(table[t]), int(table[t + 1])
        for tops, low, high in _runs(q, k - 1, first - start, min(last, after) - start):
            yield (t, *tops), low, high
        first, t = after, t + 1
