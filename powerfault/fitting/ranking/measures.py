"""What is each set of candidates worth? Thousands of sets in one pass of the failure evaluator.

A set of candidates is a *segment* of lanes: one lane a case, the same cases for every set, with the candidates that
are not in the set absent. Which cases? All single events in every mode, and of the larger cases in the modes asked
those that could matter: in mode ``loss``, where nothing stands shorted, adding never harms, so only today's minimal cut
sets, and failing cases that a requirement asks about; otherwise all. Cases of identical effect share a lane, and a lane
in which the candidates of a set do not act on each other is not evaluated again
(``ranking.rows``). The events of the candidates' own components are further cases
(``ranking.own_failures``).

What is measured, for a set:

* requirements newly met, and no longer met, at the order and in the modes asked, own events included; and those that
  still hold there, but that a single event of another mode (a short, say) newly breaks;
* *cured*: minimal cut sets of today that no longer fail their consumer, weighted by severity, a set of k events a
  tenth of one of k-1;
* *broken*: cases that fail a consumer and did not today, weighted alike (a case is not counted beside a smaller one
  within it);
* *own harm*: single events of the candidates' own components that fail a consumer which bears the system as it is;
* *spread*: single shorts whose zone takes in a component of a channel that it did not reach today, and own shorts
  that reach two channels; the candidates' own components do not count as reached.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from powerfault.failures.plan import make_plan
from powerfault.fitting.ranking.baseline import ORDER_SHARE, Baseline, Worth, adding_never_harms
from powerfault.fitting.ranking.lanes import (
    Case,
    Flags,
    Found,
    LaneEvaluator,
    Numbers,
    Words,
    bits_by_lane,
    group_cases,
    group_rows,
    number_events,
    words_for,
)
from powerfault.fitting.ranking.own_failures import OwnCases, OwnFound
from powerfault.fitting.ranking.rows import RowBook, Rows
from powerfault.fitting.ranking.union import Addition, Union
from powerfault.model.elements import MODES, Event, Topology
from powerfault.network.failure_modes import list_events
from powerfault.network.graph import Network, build_network
from powerfault.tolerance.verdicts import rides_through_stages

Progress = Callable[[int, int], None]
Floats = NDArray[np.float64]
ROWS_AT_ONCE = 1 << 21
CURED, SPREAD, NEW = range(3)
"""Columns of what is derived from a row: weight cured, shorts spread, whether any consumer newly fails."""


@dataclass(frozen=True, slots=True)
class Segment:
    """A set of candidates: the numbers of those present, and the events of what the ground brings and never lacks."""

    present: tuple[int, ...]
    own_events: tuple[Event, ...]


class Evaluator:
    """Evaluates segments on one topology (the union, or one with a set applied) against the baseline."""

    def __init__(
        self,
        baseline: Baseline,
        topology: Topology,
        cases: Sequence[Case],
        *,
        ground: Topology | None = None,
        brought: Sequence[Addition] = (),
        own_stays: bool = False,
        tracks: bool = True,
    ) -> None:
        """``brought`` is what each candidate brings into ``topology``, absent where it is not in a set.

        ``ground`` is the topology without them. Without candidates the topology is taken as it stands, with the set
        applied, and nothing is absent. ``own_stays``: the segments will have own events of the ground.
        Without ``tracks`` every set is evaluated by itself.
        """
        self.baseline, self.topology = baseline, topology
        self.network = build_network(topology)
        plan = make_plan(self.network)
        self.columns = _columns(self.network, baseline.consumers)
        self.there = _mask(c is not None for c in self.columns)
        self.there_bits = np.array([c is not None for c in self.columns], bool)
        consumers = {c.id: c for c in topology.consumers()}
        self.required = [consumers[i].required_tolerance if i in consumers else None for i in baseline.consumers]
        self.weights = np.array(baseline.weights)
        bits = np.unpackbits(np.arange(256, dtype=np.uint8)[:, None], axis=1, bitorder="little")
        padded = np.pad(self.weights, (0, -len(self.weights) % 8)).reshape(-1, 8)
        self._weight_tables = [bits @ own for own in padded]
        there = {*topology.components, *topology.loads}
        self.cases = sorted((c for c in cases if all(e.id in there for e in c)), key=len)
        known_before = [c.id for c in topology.components.values() if c.id in baseline.topology.components]
        channels = {
            name: [self.network.index[i] for i in known_before if topology.components[i].channel == name]
            for name in topology.channels
        }
        events, numbers = number_events(self.cases)
        before = _before(baseline, self.cases, events, numbers, list(channels))
        lane, _ = group_cases(ground or topology, plan, events, numbers)
        # Cases of one effect share a lane if they were alike before as well.
        past = np.hstack([before.fails, before.reach])
        self.lane, first = group_rows(np.column_stack([lane.astype(np.uint64), past]))
        self._describe(first, before, events, numbers)
        nodes = [[self.network.index[i] for i in own.nodes] for own in brought]
        shared = [self.cases[n] for n in first.tolist()]
        evaluator = LaneEvaluator(plan, shared, self.columns, list(channels.values()), nodes)
        self.book = RowBook(evaluator, self._derive, tracks=tracks)
        others = self._others(bool(brought) and not own_stays)
        self.own = OwnCases(self.book, [a.events for a in brought], baseline, others)

    # ---- the shared cases

    def _describe(self, first: Numbers, before: Found, events: Sequence[Event], numbers: Numbers) -> None:
        """What the measures ask of each lane: a lane stands for a group of cases of identical effect."""
        baseline, cases, lane = self.baseline, self.cases, self.lane
        self.before, self.today = before.fails[first], before.reach[first]
        size = (numbers >= 0).sum(axis=1)
        self.size = size[first]
        asked = np.array([*(e.mode in baseline.modes for e in events), True], bool)
        self.asked = np.all(asked[numbers[first]], axis=1)
        single = np.flatnonzero(size <= 1)
        self.single_count = np.bincount(lane[single], minlength=len(first)).astype(float)
        short = np.array([*(e.mode == "short" for e in events), False], bool)
        shorts = single[np.any(short[numbers[single]], axis=1)]
        self.shorts = np.bincount(lane[shorts], minlength=len(first)).astype(float)
        number = {e: n for n, e in enumerate(events)}
        at = {tuple(row): n for n, row in enumerate(numbers.tolist())}
        cuts = []
        for i, own in enumerate(baseline.cuts):
            for cut in own if self.columns[i] is not None else ():
                key = [number.get(e, -2) for e in cut] + [-1] * (numbers.shape[1] - len(cut))
                if tuple(key) in at:
                    cuts.append((lane[at[tuple(key)]], i, self.weights[i] * ORDER_SHARE ** max(0, len(cut) - 1)))
        self.cuts = _ByLane(cuts, len(first))
        alone = np.zeros(len(events) + 1, np.int64)
        alone[numbers[single, 0]] = lane[single]
        pair = np.flatnonzero(size == 2)
        pairs = np.column_stack([*alone[numbers[pair, :2]].T, lane[pair]]) if len(pair) else np.zeros((0, 3), np.int64)
        found, count = np.unique(pairs, axis=0, return_counts=True)
        # Two events of one class do together what one does.
        apart = (found[:, 2] != found[:, 0]) & (found[:, 2] != found[:, 1])
        self.pairs, self.pair_count = found[apart], count[apart].astype(float)
        self.more = [(n, c) for n, c in zip(lane.tolist(), cases, strict=True) if len(c) > 2]
        self.lane_of = {frozenset(c): int(lane[n]) for n, c in enumerate(cases)} if self.more else {}
        self.asked_by_size = [np.flatnonzero(self.asked & (self.size == k)) for k in range(baseline.order + 1)]

    def _derive(self, lane: Numbers, found: Found) -> Floats:
        derived = np.zeros((len(lane), 3))
        row, consumer, weight = self.cuts.of(lane)
        failing = found.fails[row, consumer >> 6] >> (consumer & 63).astype(np.uint64) & np.uint64(1)
        derived[:, CURED] = np.bincount(row, weight * (failing == 0), len(lane))
        further = (found.reach & ~self.today[lane]).any(axis=1)
        derived[:, SPREAD] = self.shorts[lane] * further
        derived[:, NEW] = (found.fails & ~self.before[lane]).any(axis=1)
        return derived

    def _others(self, only_adds: bool) -> list[tuple[int, int]]:
        """Lanes to combine with own events, each with the most own events that are worth adding.

        A case with own losses fails a consumer only if the rest of it does with no candidate there (what a candidate
        keeps is not less than nothing), which matters up to the tolerance required. Where adding may harm, all is
        combined.
        """
        baseline, found = self.baseline, []
        bare = bits_by_lane(self.book.fails[: len(self.size)], len(self.columns))
        required = np.array([r or 0 for r in self.required], np.int64)
        for n in np.flatnonzero(self.asked & (self.size < baseline.order)).tolist():
            most = baseline.order - int(self.size[n])
            if only_adds and adding_never_harms(baseline.topology, baseline.modes):
                most = min(most, int((required * bare[n]).max(initial=0)) - int(self.size[n]))
            if most > 0:
                found.append((n, most))
        return found

    def newly_failing(self) -> tuple[Case, ...]:
        """The cases of two and more that with no candidate there fail a consumer and did not before."""
        new = self.book.derived[: len(self.size), NEW] > 0
        return tuple(c for c, n in zip(self.cases, self.lane, strict=True) if len(c) > 1 and new[n])

    # ---- many segments

    def measure(
        self,
        segments: Sequence[Segment],
        progress: Progress | None = None,
        *,
        own_events: bool = True,
        further: bool = False,
    ) -> list[Worth]:
        """Return the worth of each segment; ``further`` says that sets larger than these will be asked for.

        Without ``own_events`` those are left out. Work grows with the lanes in which the candidates of a segment act on
        each other, times nodes / 64.
        """
        self.own.prepare([(s.present, s.own_events) for s in segments] if own_events else [])
        result: dict[int, Worth] = {}
        at_once = max(1, ROWS_AT_ONCE // len(self.size))
        for which, held in self.book.of_sets([s.present for s in segments], further=further):
            for start in range(0, len(which), at_once):
                part = which[start : start + at_once]
                sets = [(segments[n].present, segments[n].own_events) for n in part]
                own = self.own.of_sets(sets) if own_events else OwnFound.nothing(len(part), len(self.columns))
                result.update(zip(part, self._worths(np.stack(held[start : start + at_once]), own), strict=True))
            if progress is not None:
                progress(len(result), len(segments))
        return [result[n] for n in range(len(segments))]

    def _worths(self, rows: Rows, own: OwnFound) -> list[Worth]:
        """The worth of some sets, by the rows of their lanes: shape (sets, lanes)."""
        baseline, derived, count = self.baseline, self.book.derived, len(self.columns)
        meets = self._meets(rows, own)
        new = derived[:, NEW][rows] > 0
        broken, newly = self._broken(rows, new)
        newly |= own.other_harm > 0
        always = bits_by_lane(self.book.fails[rows[:, 0]], count)
        # Losing again what the set itself mended leaves the consumer where it is today: no new harm.
        today = bits_by_lane(self.before[:1], count)
        own_harm = (own.single_harm * (~always & ~today & self.there_bits)) @ self.weights
        cured = derived[:, CURED][rows].sum(axis=1)
        spread = derived[:, SPREAD][rows].sum(axis=1) + own.spread
        met = np.array([m is True for m in baseline.meets], bool)
        asks = np.array([(r or 0) >= 1 for r in self.required], bool)
        gained, lost, harmed = meets & ~met, ~meets & met, meets & met & newly & asks
        names = np.array(baseline.consumers, object)
        gained_weight, lost_weight = gained @ self.weights, (lost | harmed) @ self.weights
        return [
            Worth(
                tuple(names[gained[s]]),
                tuple(names[lost[s]]),
                tuple(names[harmed[s]]),
                round(float(cured[s]), 9),
                round(float(broken[s]), 9),
                float(own_harm[s]),
                int(spread[s]),
                float(gained_weight[s]),
                float(lost_weight[s]),
            )
            for s in range(len(rows))
        ]

    def _new(self, rows: Rows, lanes: Numbers) -> Words:
        """The consumers that fail in ``rows`` and did not in their ``lanes``."""
        found: Words = self.book.fails[rows] & ~self.before[lanes] & self.there
        return found

    def _meets(self, rows: Rows, own: OwnFound) -> Flags:
        """By set and consumer, whether it is known to meet its requirement."""
        baseline, count = self.baseline, len(self.columns)
        required = np.array([baseline.order + 1 if r is None else r for r in self.required], np.int64)
        meets = np.zeros((len(rows), count), bool)
        fails = np.zeros((len(rows), len(self.there)), np.uint64)
        for k, here in enumerate(self.asked_by_size):
            if len(here):
                fails |= np.bitwise_or.reduce(self.book.fails[rows[:, here]], axis=1)
            met = ~bits_by_lane(fails, count) & (own.smallest > k)
            meets |= met & (required == k) & self.there_bits
        return meets

    def _broken(self, rows: Rows, new: Flags) -> tuple[Floats, Flags]:
        """By set, the weighted cases that fail a consumer and did not, none counted beside one within it; and by
        consumer too, whether a single event in a mode not asked newly fails it."""
        count, sets = len(self.columns), len(rows)
        # The empty case comes first and lies within every other one.
        always = self._new(rows[:, 0], np.zeros(sets, np.int64))
        total = self.weight_of(always)
        single = np.flatnonzero(self.size <= 1)
        s, at = np.nonzero(new[:, single])
        lane = single[at]
        words = self._new(rows[s, lane], lane)
        total += np.bincount(s, self.single_count[lane] * self.weight_of(words & ~always[s]), sets)
        newly = np.zeros_like(always)
        other = ~self.asked[lane]
        np.bitwise_or.at(newly, s[other], words[other])
        s, at = np.nonzero(new[:, self.pairs[:, 2]])
        if len(s):
            first, second, both = (self._new(rows[s, lane], lane) for lane in self.pairs[at].T)
            fresh = self.weight_of(both & ~(first | second | always[s]))
            total += ORDER_SHARE * np.bincount(s, self.pair_count[at] * fresh, sets)
        if self.more:
            for n in np.flatnonzero(new.any(axis=1)).tolist():
                total[n] += self.weights @ self._broken_by_more(rows[n], set(np.flatnonzero(new[n]).tolist()))
        return total, bits_by_lane(newly, count)

    def weight_of(self, words: Words) -> Floats:
        """By lane, the weight of all its consumers together."""
        octets = np.ascontiguousarray(words).astype("<u8", copy=False).view(np.uint8)
        total = np.zeros(len(words))
        for k, table in enumerate(self._weight_tables):
            total += table[octets[:, k]]
        return total

    def _broken_by_more(self, rows: Rows, new: set[int]) -> Floats:
        """By consumer, the share of the cases of three and more events."""
        count = len(self.columns)
        total = np.zeros(count)
        for lane, case in self.more:
            if lane in new:
                parts = [frozenset(p) for k in range(len(case)) for p in combinations(case, k)]
                within = [self.lane_of[p] for p in parts if p in self.lane_of]
                lanes = np.array([lane, *within])
                fails = bits_by_lane(self._new(rows[lanes], lanes), count)
                total += ORDER_SHARE ** (len(case) - 1) * (fails[0] & ~fails[1:].any(axis=0))
        return total


class _ByLane:
    """Some (lane, consumer, weight), to be looked up for many lanes at once."""

    def __init__(self, entries: Sequence[tuple[int, int, float]], lanes: int) -> None:
        ordered = sorted(entries)
        self.consumer = np.array([e[1] for e in ordered], np.int64)
        self.weight = np.array([e[2] for e in ordered], float)
        self.count = np.bincount(np.array([e[0] for e in ordered], np.int64), minlength=lanes)
        self.start = np.cumsum(self.count) - self.count

    def of(self, lanes: Numbers) -> tuple[Numbers, Numbers, Floats]:
        """All entries of ``lanes``: position in ``lanes``, consumer, weight."""
        count = self.count[lanes]
        row = np.repeat(np.arange(len(lanes)), count)
        place = np.arange(len(row)) + np.repeat(self.start[lanes] - (np.cumsum(count) - count), count)
        return row, self.consumer[place], self.weight[place]


def _columns(network: Network, wanted: Sequence[str]) -> list[tuple[int, int] | None]:
    """By consumer, its position in the network and the stage that it rides through; ``None`` if it is not there."""
    rides = dict(zip(network.consumers, rides_through_stages(network.topology), strict=True))
    first = network.n_components
    return [(network.index[i] - first, rides[network.index[i]]) if i in network.index else None for i in wanted]


def _mask(flags: Iterable[bool]) -> Words:
    bits = list(flags)
    found = np.zeros(words_for(len(bits)), np.uint64)
    for n, flag in enumerate(bits):
        if flag:
            found[n >> 6] |= np.uint64(1 << (n & 63))
    return found


def _before(
    baseline: Baseline, cases: Sequence[Case], events: Sequence[Event], numbers: Numbers, channels: Sequence[str]
) -> Found:
    """By case, which consumers fail, and which of ``channels`` a zone reaches, in the system as it is."""
    network = build_network(baseline.topology)
    plan = make_plan(network)
    lane, first = group_cases(baseline.topology, plan, events, numbers)
    parts = baseline.topology.components.values()
    nodes = [[network.index[c.id] for c in parts if c.channel == name] for name in channels]
    shared = [cases[n] for n in first.tolist()]
    return LaneEvaluator(plan, shared, _columns(network, baseline.consumers), nodes).bare()[lane]


def union_segments(
    union: Union, sets: Iterable[Sequence[str]], own_events: tuple[Event, ...] = ()
) -> Iterator[Segment]:
    """The segment of each set of candidates in the lanes of their union; ``own_events`` are those of the ground."""
    number = {id_: n for n, id_ in enumerate(union.additions)}
    for chosen in sets:
        yield Segment(tuple(number[c] for c in chosen), own_events)


def applied_evaluator(baseline: Baseline, after: Topology) -> Evaluator:
    """The evaluator of ``after`` as it stands, over every case: for candidates that do more than add."""
    return Evaluator(baseline, after, baseline.every_case)


def own_events(baseline: Baseline, after: Topology) -> tuple[Event, ...]:
    """The events, in every mode, of the components that ``after`` has and the system as it is has not."""
    before = baseline.topology
    return tuple(e for e in list_events(after, MODES) if e.id not in before.components and e.id not in before.loads)
