"""What the failures of the candidates' own components do: further cases of each set, besides those that all share.

They are all own single events, and in the modes asked own events with each other and with shared cases, up to the
order. Those of one candidate are evaluated with it alone; a larger set takes them over where the others of the set
change nothing (``ranking.lanes``), and evaluates the rest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from powerfault.fitting.ranking.baseline import Baseline
from powerfault.fitting.ranking.lanes import Flags, Numbers, bits_by_lane
from powerfault.fitting.ranking.rows import RowBook, Rows
from powerfault.model.elements import Event

NEVER = 1 << 20
GROUND = -1
Owner = int | tuple[Event, ...]
"""A candidate, or the ground as the events of what it brings."""
Part = tuple[tuple[int, ...], tuple[Event, ...]]
"""The numbers of the candidates of a set, and the own events of the ground."""


@dataclass(slots=True)
class OwnFound:
    """What own events do, by (set, consumer): the smallest failing case asked, and the single events that fail it.

    ``other_harm`` are the single ones in modes not asked; ``spread``, by set, own shorts that reach two channels.
    """

    smallest: Numbers
    single_harm: Numbers
    other_harm: Numbers
    spread: Numbers

    @classmethod
    def nothing(cls, sets: int, consumers: int) -> OwnFound:
        none = np.zeros((sets, consumers), np.int64)
        return cls(np.full_like(none, NEVER), none, none.copy(), np.zeros(sets, np.int64))


@dataclass(frozen=True, slots=True)
class _Cases:
    """Own cases: numbers of events, the shared case within each, sizes, and whether asked, single, a single short."""

    events: Numbers
    lane: Numbers
    size: Numbers
    asked: Flags
    single: Flags
    short: Flags

    def __getitem__(self, which: Flags) -> _Cases:
        return _Cases(*(getattr(self, name)[which] for name in self.__slots__))


class OwnCases:
    """The own cases of sets over the shared cases of ``book``.

    ``events`` are those of each candidate; ``others`` the shared cases to combine with own events, each with the most
    own events.
    """

    def __init__(
        self, book: RowBook, events: Sequence[Sequence[Event]], baseline: Baseline, others: Sequence[tuple[int, int]]
    ) -> None:
        self.book, self.evaluator, self.modes = book, book.evaluator, baseline.modes
        self.order, self.consumers = baseline.order, len(baseline.consumers)
        self._events = events
        lanes, most = (np.array([o[k] for o in others], np.int64) for k in range(2))
        self._size = (self.evaluator.events >= 0).sum(axis=1)
        # The empty case adds nothing to a single own event, which is looked at in any case.
        self._others = [lanes[(most >= k) & ((self._size[lanes] > 0) | (k > 1))] for k in range(self.order + 1)]
        self._alone: dict[Owner, tuple[_Cases, Rows]] = {}

    def _owners(self, part: Part) -> list[Owner]:
        """Whose events are own ones in a set: candidates, and the ground with its events."""
        chosen, ground = part
        return [*(j for j in chosen if self._events[j]), *([ground] if ground else [])]

    def prepare(self, sets: Sequence[Part]) -> None:
        """Evaluate the own cases of each candidate alone, as far as that was not done."""
        missing = [o for o in dict.fromkeys(o for s in sets for o in self._owners(s)) if o not in self._alone]
        if not missing:
            return
        found = [self._cases_of(o if isinstance(o, tuple) else self._events[o]) for o in missing]
        cases = _join(found)
        lengths = [len(c.lane) for c in found]
        alone: list[tuple[int, ...]] = [() if isinstance(o, tuple) else (o,) for o in missing]
        set_of = np.repeat(np.arange(len(found)), lengths)
        run = self.evaluator.run(cases.events, alone, set_of, cases.lane if self.book.tracks else None)
        rows = np.split(self.book.add(cases.lane, run, keep=True), np.cumsum(lengths)[:-1])
        self._alone.update(zip(missing, zip(found, rows, strict=True), strict=True))

    def of_sets(self, sets: Sequence[Part]) -> OwnFound:
        """What own events do in each of ``sets``: the numbers of its candidates and the events of the ground."""
        found: list[tuple[_Cases, Rows, Numbers]] = []
        waiting: list[_Cases] = []
        set_of: list[Numbers] = []
        listed = [(n, o) for n, part in enumerate(sets) for o in self._owners(part)]
        if listed:
            own = [self._alone[o] for _, o in listed]
            cases, rows = _join([c for c, _ in own]), np.concatenate([r for _, r in own])
            lengths = [len(r) for _, r in own]
            at = np.repeat(np.array([n for n, _ in listed], np.int64), lengths)
            owner = np.repeat(np.array([GROUND if isinstance(o, tuple) else o for _, o in listed], np.int64), lengths)
            holds = self._holds(cases.lane, rows, at, owner, [chosen for chosen, _ in sets])
            found.append((cases[holds], rows[holds], at[holds]))
            waiting.append(cases[~holds])
            set_of.append(at[~holds])
        if any(len(others) for others in self._others[2:]):
            for n, part in enumerate(sets):
                across = self._across(self._owners(part))
                waiting += across
                set_of += [np.full(len(c.lane), n, np.int64) for c in across]
        if waiting:
            cases, at = _join(waiting), np.concatenate(set_of)
            if len(at):
                rows = self.book.run_others(cases.events, [chosen for chosen, _ in sets], at, cases.lane)
                found.append((cases, rows, at))
        return self._sum_up(found, len(sets))

    def _holds(self, lane: Numbers, rows: Rows, at: Numbers, owner: Numbers, sets: Sequence[tuple[int, ...]]) -> Flags:
        """Whether what is so with the owner alone is so in the whole set."""
        holds = np.ones(len(rows), bool)
        for k in range(max(map(len, sets), default=0)):
            other = np.array([s[k] if k < len(s) else GROUND for s in sets], np.int64)[at]
            further = np.flatnonzero(holds & (other != owner) & (other != GROUND))
            holds[further] = self.book.changes_nothing(lane[further], rows[further], other[further])
        return holds

    def _across(self, owners: Sequence[Owner]) -> list[_Cases]:
        """Own events of several owners with each other and with shared cases."""
        own = [(o, e) for o in owners for e in (o if isinstance(o, tuple) else self._events[o]) if e.mode in self.modes]
        found = []
        for k in range(2, self.order + 1):
            if len(self._others[k]):
                chosen = [
                    tuple(e for _, e in c)
                    for c in combinations(own, k)
                    if len({e.id for _, e in c}) == k and len({o for o, _ in c}) > 1
                ]
                found += self._combined(chosen, k)
        return found

    def _cases_of(self, own: Sequence[Event]) -> _Cases:
        asked = [e for e in own if e.mode in self.modes]
        numbers = self.evaluator.numbered([(e,) for e in own])
        count = len(own)
        singles = _Cases(
            numbers,
            np.zeros(count, np.int64),
            np.ones(count, np.int64),
            np.array([e.mode in self.modes for e in own], bool),
            np.ones(count, bool),
            np.array([e.mode == "short" for e in own], bool),
        )
        found = [singles]
        for k in range(1, self.order + 1):
            if len(self._others[k]):
                found += self._combined([c for c in combinations(asked, k) if len({e.id for e in c}) == k], k)
        return _join(found)

    def _combined(self, chosen: Sequence[tuple[Event, ...]], size: int) -> list[_Cases]:
        """Sets of ``size`` own events, each with all shared cases that it may be combined with."""
        others = self._others[size]
        if not chosen:
            return []
        own = np.repeat(self.evaluator.numbered(chosen), len(others), axis=0)
        lane = np.tile(others, len(chosen))
        none = np.zeros(len(lane), bool)
        events = np.hstack([own, self.evaluator.events[lane]])
        return [_Cases(events, lane, size + self._size[lane], ~none, none, none)]

    def _sum_up(self, parts: Sequence[tuple[_Cases, Rows, Numbers]], sets: int) -> OwnFound:
        result = OwnFound.nothing(sets, self.consumers)
        for cases, rows, at in parts:
            shorts = np.flatnonzero(cases.short)
            reach = self.book.reach[rows[shorts]]
            reached = bits_by_lane(reach, 64 * reach.shape[1]).sum(axis=1)
            np.add.at(result.spread, at[shorts[reached >= 2]], 1)
            # Most own events do no harm.
            failing = self.book.fails[rows]
            harm = np.flatnonzero(failing.any(axis=1))
            single = harm[cases.single[harm]]
            for which, table in ((single, result.single_harm), (single[~cases.asked[single]], result.other_harm)):
                np.add.at(table, at[which], bits_by_lane(failing[which], self.consumers).astype(np.int64))
            asked = cases.asked[harm]
            for k in range(self.order, 0, -1):
                which = harm[asked & (cases.size[harm] == k)]
                if len(which):
                    words = np.zeros((sets, failing.shape[1]), np.uint64)
                    np.bitwise_or.at(words, at[which], failing[which])
                    least = bits_by_lane(words, self.consumers)
                    result.smallest[least] = np.minimum(result.smallest[least], k)
        return result


def _stack(tables: Sequence[Numbers]) -> Numbers:
    """Tables of event numbers below each other, filled up with -1."""
    stacked = np.full((sum(len(t) for t in tables), max(t.shape[1] for t in tables)), -1, np.int64)
    start = 0
    for table in tables:
        stacked[start : start + len(table), : table.shape[1]] = table
        start += len(table)
    return stacked


def _join(cases: Sequence[_Cases]) -> _Cases:
    columns: list[NDArray[np.generic]] = [np.concatenate([getattr(c, n) for c in cases]) for n in _Cases.__slots__[1:]]
    return _Cases(_stack([c.events for c in cases]), *columns)  # type: ignore[arg-type]
