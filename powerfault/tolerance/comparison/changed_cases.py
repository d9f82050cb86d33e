"""The cases in which a change does something, from those of the events that matter alone.

For some consumers only some events matter: a case does to them what those of its events do that matter. So a case of
such events that is found changed stands for every case made of it and of events that do not matter, and those are
written out only at the end, in case order.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from powerfault.failures.cases import case_blocks
from powerfault.model.elements import Event

Numbers = NDArray[np.int64]
CaseList = tuple[tuple[Event, ...], ...]


class ChangedCases:
    """The changed cases of some consumers, each with a kind of change."""

    def __init__(self, events: Sequence[Event], matters: NDArray[np.bool_], order: int, own: NDArray[np.bool_]) -> None:
        """``matters`` and ``own`` (those of the change itself) are flags by event number."""
        self._events, self._order, self._own = list(events), order, own
        self._inside, self._outside = np.flatnonzero(matters), np.flatnonzero(~matters)
        component: dict[str, int] = {}
        self._component = np.array([component.setdefault(e.id, len(component)) for e in events], np.int64)
        self._found: list[tuple[Numbers, Numbers, Numbers, Numbers]] = []
        """Distinct cases (m, size); and of each change its place among them, its consumer and its kind."""

    def cases(self, most: int) -> Iterator[Numbers]:
        """Yield the cases of the events that matter, as event numbers (n, size): the empty one, then by size."""
        yield np.zeros((1, 0), np.int64)
        for size in range(1, self._order + 1):
            yield from self._combinations(self._inside, size, most)

    def _combinations(self, numbers: Numbers, size: int, most: int = 1 << 16) -> Iterator[Numbers]:
        if size == 0:
            yield np.zeros((1, 0), np.int64)
        elif len(numbers):
            for block in case_blocks([self._events[i] for i in numbers], size, most):
                yield numbers[block]

    def record(self, cases: Numbers, case: Numbers, consumer: Numbers, kind: Numbers) -> None:
        """Take in changes: of ``cases``, one of the blocks of :meth:`cases`, those numbered ``case``."""
        used, place = np.unique(case, return_inverse=True)
        self._found.append((cases[used], place.reshape(-1), consumer, kind))

    @property
    def consumers(self) -> set[int]:
        """Those for which some case changed, be it the empty one."""
        return {int(i) for _, _, consumers, _ in self._found for i in np.unique(consumers)}

    def written(self) -> dict[tuple[int, int, bool], CaseList]:
        """Return, by (consumer, kind, whether an event of the change itself is in it), the changed cases in order."""
        found: dict[tuple[int, int, bool], list[list[tuple[Event, ...]]]] = {}
        for size in range(1, self._order + 1):
            self._write(size, found)
        return {key: tuple(chain.from_iterable(lists)) for key, lists in found.items()}

    def _write(self, size: int, found: dict[tuple[int, int, bool], list[list[tuple[Event, ...]]]]) -> None:
        all_cases, all_places, all_consumers, all_kinds = [], [], [], []
        start = 0
        more: dict[int, Numbers] = {}
        for cases, place, consumer, kind in self._found:
            left = size - cases.shape[1]
            if left < 0:
                continue
            if left not in more:
                more[left] = np.concatenate([np.zeros((0, left), np.int64), *self._combinations(self._outside, left)])
            added = more[left]
            each = len(added)
            larger = np.hstack([np.repeat(cases, each, axis=0), np.tile(added, (len(cases), 1))])
            all_cases.append(larger)
            all_places.append((start + place[:, None] * each + np.arange(each)).reshape(-1))
            all_consumers.append(np.repeat(consumer, each))
            all_kinds.append(np.repeat(kind, each))
            start += len(larger)
        if not start:
            return
        cases = np.concatenate(all_cases)
        # No case holds two events of one component.
        component = np.sort(self._component[cases], axis=1)
        possible = (component[:, 1:] != component[:, :-1]).all(axis=1)
        cases.sort(axis=1)
        order = np.lexsort(cases.T[::-1])
        order = order[possible[order]]
        rank = np.full(len(cases), -1)
        rank[order] = np.arange(len(order))
        cases = cases[order]
        columns = [[self._events[e] for e in column] for column in cases.T.tolist()]
        written = list(zip(*columns, strict=True))
        own = self._own[cases].any(axis=1)

        case = rank[np.concatenate(all_places)]
        kept = case >= 0
        case = case[kept]
        key = 2 * (4 * np.concatenate(all_consumers)[kept] + np.concatenate(all_kinds)[kept]) + own[case]
        by_key = np.lexsort((case, key))
        case, key = case[by_key], key[by_key]
        ends = np.flatnonzero(np.diff(key, append=-1)) + 1
        begin = 0
        for end in ends.tolist():
            consumer_kind, is_own = divmod(int(key[begin]), 2)
            lists = found.setdefault((*divmod(consumer_kind, 4), bool(is_own)), [])
            lists.append([written[i] for i in case[begin:end].tolist()])
            begin = end
