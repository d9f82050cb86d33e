"""Which rows hold the outcomes of a set of candidates: its own where they act on each other, else those of a part.

A *row* is an evaluated lane. The shared cases of a set are listed as one row number each. Where a candidate of the set
is quiet in a case and the row of the set without it leaves it alone (``ranking.lanes``), that
row holds for the whole set; only the other lanes are evaluated. Sets of one candidate less are looked for among those
kept, so a set costs least when its parts were asked for before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from powerfault.fitting.ranking.lanes import Flags, Found, LaneEvaluator, Numbers, Words

LANES_HELD, ROWS_HELD = 1 << 19, 1 << 24
"""Lanes that wait to be evaluated together, and row numbers of the sets that they belong to."""
WORTH_SORTING = 400
MOST_KEPT_BYTES = 300_000_000
MOST_TRACKED = 512
"""Candidates up to which it is noted what each of them leaves alone."""

T = TypeVar("T", bound=np.generic)
Chosen = tuple[int, ...]
Rows = NDArray[np.int32]


class RowBook:
    """The rows of sets of candidates, and what they hold.

    ``derive`` is told of new rows (cases, found) and returns what is to be kept of them besides, as numbers. Without
    ``tracks`` nothing is kept, and every set is evaluated by itself.
    """

    def __init__(
        self,
        evaluator: LaneEvaluator,
        derive: Callable[[Numbers, Found], NDArray[np.float64]],
        *,
        tracks: bool = True,
    ) -> None:
        self.evaluator, self._derive = evaluator, derive
        self.candidates = len(evaluator.brought)
        self.tracks = tracks and 0 < self.candidates <= MOST_TRACKED
        self.lanes = np.arange(evaluator.lanes)
        self._quiet = np.zeros((self.candidates if self.tracks else 0, evaluator.lanes), bool)
        self._kept: dict[Chosen, Rows] = {}
        self._used_bytes = 0
        self._found = evaluator.bare()
        self.derived = derive(self.lanes, self._found)
        # Rows up to _size stay; those up to _end are of the sets in hand.
        self._size = self._end = len(self.lanes)
        self._kept[()] = np.arange(self._size, dtype=np.int32)

    @property
    def fails(self) -> Words:
        return self._found.fails

    @property
    def reach(self) -> Words:
        return self._found.reach

    def changes_nothing(self, lane: Numbers, rows: Rows, candidate: Numbers | int) -> Flags:
        """Whether adding a candidate changes nothing: it is quiet in the case, and the row leaves it alone."""
        if not self.tracks:
            return np.zeros(len(rows), bool)
        word, bit = np.asarray(candidate) >> 6, (np.asarray(candidate) & 63).astype(np.uint64)
        alone = (self._found.alone[rows, word] >> bit & np.uint64(1)).astype(bool)
        found: Flags = alone & self._quiet[candidate, lane]
        return found

    def add(self, lane: Numbers, found: Found, *, keep: bool) -> Rows:
        """Note new rows, given the shared case within each; return their numbers. Only those kept stay."""
        begin = self._size if keep else self._end
        end = begin + len(lane)
        if end > len(self.derived):
            size = max(end, 2 * len(self.derived))
            old = self._found
            self._found = Found(_grown(old.fails, size), _grown(old.reach, size), _grown(old.alone, size))
            self.derived = _grown(self.derived, size)
        place = slice(begin, end)
        self._found.fails[place], self._found.reach[place] = found.fails, found.reach
        self._found.alone[place] = found.alone
        self.derived[place] = self._derive(lane, found)
        self._end = end
        if keep:
            self._size = end
        return np.arange(begin, end, dtype=np.int32)

    def take_alone(self, candidates: Sequence[int]) -> None:
        """Evaluate each of ``candidates`` alone, if that was not done."""
        missing = [j for j in dict.fromkeys(candidates) if (j,) not in self._kept]
        for j, quiet, found in self.evaluator.each_alone(missing):
            rows = self._kept[()].copy()
            own = np.flatnonzero(~quiet)
            rows[own] = self.add(own, found, keep=True)
            self._quiet[j] = quiet
            self._kept[j,] = rows

    def of_sets(self, sets: Sequence[Chosen], *, further: bool) -> Iterator[tuple[list[int], list[Rows]]]:
        """Yield, some sets at a time, their positions in ``sets`` and the rows of their shared cases.

        Rows that are not kept are gone when the next are asked for. ``further``: larger sets will be asked for than the
        largest of these.
        """
        if self.tracks:
            self.take_alone([j for s in sets for j in s])
        order = sorted(range(len(sets)), key=lambda n: len(sets[n]))
        most = max(map(len, sets), default=0)
        # The parts of a set are smaller than it, so sets of one size never wait for each other; a few sets are not
        # worth several evaluations.
        by_size = self.tracks and len(sets) >= WORTH_SORTING
        begin = 0
        while begin < len(order):
            self._end = self._size
            held: list[Rows] = []
            waiting, end, size = 0, begin, len(sets[order[begin]])
            most_held = begin + max(1, ROWS_HELD // len(self.lanes))
            while end < min(len(order), most_held) and waiting < LANES_HELD:
                if by_size and len(sets[order[end]]) > size:
                    break
                rows = self._known(sets[order[end]])
                held.append(rows)
                waiting += int((rows < 0).sum())
                end += 1
            yield self._settle(order[begin:end], sets, held, further or size < most)
            begin = end

    def _known(self, chosen: Chosen) -> Rows:
        """The rows of a set as far as they are those of a part of it, -1 elsewhere."""
        if chosen in self._kept:
            return self._kept[chosen]
        rows = np.full(len(self.lanes), -1, np.int32)
        if not self.tracks:
            return rows
        left = self.lanes
        for k, j in enumerate(chosen):
            part = self._kept.get((*chosen[:k], *chosen[k + 1 :]))
            if part is not None and len(left):
                own = part[left]
                holds = self.changes_nothing(left, own, j)
                rows[left[holds]] = own[holds]
                left = left[~holds]
        return rows

    def _settle(
        self, which: list[int], sets: Sequence[Chosen], held: list[Rows], further: bool
    ) -> tuple[list[int], list[Rows]]:
        """Evaluate what is not known of some sets, and keep it if larger sets may use it."""
        gaps = [np.flatnonzero(rows < 0) for rows in held]
        lane = np.concatenate(gaps)
        keep = further and self.tracks and self._used_bytes < MOST_KEPT_BYTES
        if len(lane):
            set_of = np.repeat(np.arange(len(gaps)), [len(g) for g in gaps])
            chosen = [sets[n] for n in which]
            found = self.evaluator.run(self.evaluator.events[lane], chosen, set_of, lane if keep else None)
            numbers = self.add(lane, found, keep=keep)
            start = 0
            for rows, gap in zip(held, gaps, strict=True):
                rows[gap] = numbers[start : start + len(gap)]
                start += len(gap)
        if keep:
            self._used_bytes += len(lane) * self._bytes_per_row
            for n, rows in zip(which, held, strict=True):
                if sets[n] not in self._kept:
                    self._kept[sets[n]] = rows
                    self._used_bytes += rows.nbytes
        return which, held

    @property
    def _bytes_per_row(self) -> int:
        tables = (self._found.fails, self._found.reach, self._found.alone, self.derived)
        return sum(8 * int(t.shape[1]) for t in tables)

    def run_others(self, cases: Numbers, sets: Sequence[Chosen], set_of: Numbers, lane: Numbers) -> Rows:
        """Evaluate cases that are not shared, ``lane`` being the shared case within each; return their rows.

        The rows are gone when the next are asked for.
        """
        return self.add(lane, self.evaluator.run(cases, sets, set_of), keep=False)


def _grown(table: NDArray[T], size: int) -> NDArray[T]:
    grown = np.zeros((size, *table.shape[1:]), table.dtype)
    grown[: len(table)] = table
    return grown
