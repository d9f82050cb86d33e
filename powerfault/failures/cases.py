"""The cases of 1 to K events in a stable order, in blocks of index arrays.

Events are numbered in the order in which they are listed; a case is an ascending tuple of event numbers of which no
two belong to one component. Cases of one order come in lexicographic order.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from powerfault.model.elements import Event

Cases = NDArray[np.int32]
"""Shape (cases, events in each)."""


def group_ends(events: Sequence[Event]) -> NDArray[np.int64]:
    """For each event, the number after the last event of its component (a component's events stand together)."""
    n = len(events)
    ends = np.full(n, n, np.int64)
    for i in range(n - 2, -1, -1):
        ends[i] = ends[i + 1] if events[i + 1].id == events[i].id else i + 1
    return ends


def count_cases(events: Sequence[Event], order: int) -> list[int]:
    """Return the number of cases of exactly 0, 1, ... ``order`` events; exact whole numbers.

    >>> count_cases([Event("A"), Event("B"), Event("B", "short")], 2)
    [1, 3, 2]
    """
    counts = [1] + [0] * order
    sizes: dict[str, int] = {}
    for event in events:
        sizes[event.id] = sizes.get(event.id, 0) + 1
    for size in sizes.values():
        for k in range(order, 0, -1):
            counts[k] += counts[k - 1] * size
    return counts


def case_blocks(events: Sequence[Event], order: int, block: int = 1 << 16) -> Iterator[Cases]:
    """Yield all cases of exactly ``order`` events, at most about ``block`` at a time.

    Memory grows with ``order`` x ``block``, whatever the number of cases.
    """
    ends = group_ends(events)
    yield from _extend(ends, order, block)


def _extend(ends: NDArray[np.int64], order: int, block: int) -> Iterator[Cases]:
    n = len(ends)
    if order == 1:
        for start in range(0, n, block):
            yield np.arange(start, min(n, start + block), dtype=np.int32).reshape(-1, 1)
        return
    held: list[Cases] = []
    size = 0
    for prefixes in _extend(ends, order - 1, block):
        counts = n - ends[prefixes[:, -1]]
        totals = np.cumsum(counts)
        start = 0
        while start < len(prefixes):
            done = totals[start - 1] if start else 0
            stop = int(np.searchsorted(totals, done + max(1, block - size), side="right"))
            stop = max(stop, start + 1)
            chunk, own = prefixes[start:stop], counts[start:stop]
            total = int(own.sum())
            if total:
                first = np.repeat(ends[chunk[:, -1]], own)
                offset = np.arange(total) - np.repeat(np.cumsum(own) - own, own)
                held.append(np.column_stack([np.repeat(chunk, own, axis=0), (first + offset).astype(np.int32)]))
                size += total
            if size >= block:
                yield np.concatenate(held)
                held, size = [], 0
            start = stop
    if held:
        yield np.concatenate(held)
