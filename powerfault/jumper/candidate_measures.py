"""What is each set of candidates worth? Thousands of sets in one pass of the failure evaluator.

A set of candidates is a *segment* of lanes: one lane a case, the same cases for every set, with the candidates that
are not in the set absent. Which cases? All single events in every mode, and of the larger cases in the modes asked
those that could matter: in mode ``loss`` adding never harms, so only today's minimal cut sets, and failing cases that
a requirement asks about; in other modes all. The events of the candidates' own components are further cases, in
segments of their own.

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

from powerfault.failures.energise import Energised, energise
from powerfault.failures.lanes import WordLanes
from powerfault.failures.plan import make_plan
from powerfault.failures.verdicts import rides_through_stages
from powerfault.jumper.candidate_baseline import (
    LANES_AT_ONCE,
    ORDER_SHARE,
    Baseline,
    Words,
    Worth,
    event_rows,
    placed_rows,
)
from powerfault.jumper.candidate_union import Union
from powerfault.model.elements import MODES, Event, Topology
from powerfault.network.failure_modes import list_events
from powerfault.network.graph import build_network

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Segment:
    """A set of candidates: the numbers of those present, and the events of their own components."""

    present: tuple[int, ...]
    own_events: tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class _Group:
    """Cases evaluated together, the same for each segment: singles (with the empty case) or larger ones."""

    cases: tuple[tuple[Event, ...], ...]
    sizes: NDArray[np.int64]
    asked: NDArray[np.bool_]
    before: list[NDArray[np.bool_]]
    """By consumer, which cases fail it in the system as it is."""
    cuts: list[tuple[NDArray[np.int64], NDArray[np.float64]]]
    """By consumer, the lanes of its minimal cut sets here and the share that each weighs."""

    @property
    def words(self) -> int:
        return -(-len(self.cases) // 64)


class Evaluator:
    """Evaluates segments on one topology (the union, or one with a set applied) against the baseline."""

    def __init__(
        self,
        baseline: Baseline,
        topology: Topology,
        cases: Sequence[tuple[Event, ...]],
        *,
        brought: Sequence[Sequence[str]] = (),
        own_stays: bool = False,
    ) -> None:
        """``brought`` are the nodes that each candidate brings into ``topology``, absent where it is not in a set.

        Without them the topology is taken as it stands, with the set applied, and nothing is absent. ``own_stays``:
        events of components that are never absent belong to the segments' own events.
        """
        self.baseline, self.topology = baseline, topology
        self.network = build_network(topology)
        self.plan = make_plan(self.network)
        self.owner = {self.network.index[node]: number for number, nodes in enumerate(brought) for node in nodes}
        self.candidate_count = len(brought)
        self.only_adds = bool(brought) and not own_stays
        place = {self.network.ids[v]: i for i, v in enumerate(self.network.consumers)}
        rides = dict(zip(place, rides_through_stages(topology), strict=True))
        consumers = {c.id: c for c in topology.consumers()}
        self.columns = [(rides[i], place[i]) if i in place else None for i in baseline.consumers]
        self.required = [consumers[i].required_tolerance if i in consumers else None for i in baseline.consumers]
        there = {*topology.components, *topology.loads}
        common = [c for c in cases if all(e.id in there for e in c)]
        self.singles = self._group([c for c in common if len(c) <= 1])
        self.larger = self._group([c for c in common if len(c) > 1])
        self.pair_lanes = self._pair_lanes()
        self.others = self._others()
        self.channels = {
            channel: [
                self.network.index[c.id]
                for c in topology.components.values()
                if c.channel == channel and c.id in baseline.topology.components
            ]
            for channel in topology.channels
        }
        self.shorts = np.array([len(c) == 1 and c[0].mode == "short" for c in self.singles.cases], bool)
        self.reached_today = self._reached_today()

    def _group(self, cases: Sequence[tuple[Event, ...]]) -> _Group:
        baseline = self.baseline
        network = build_network(baseline.topology)
        lanes = WordLanes(len(cases))
        rows = event_rows(network.index, cases, baseline.topology.standing, lanes)
        found = energise(make_plan(network), lanes, rows)
        index = {c: n for n, c in enumerate(cases)}
        cuts = []
        for own in baseline.cuts:
            here = [(index[c], ORDER_SHARE ** max(0, len(c) - 1)) for c in own if c in index]
            cuts.append((np.array([n for n, _ in here], np.int64), np.array([w for _, w in here], float)))
        return _Group(
            tuple(cases),
            np.array([len(c) for c in cases], np.int64),
            np.array([all(e.mode in baseline.modes for e in c) for c in cases], bool),
            [_bits(found.unserved[ride][i], len(cases)) for i, ride in enumerate(baseline.rides)],
            cuts,
        )

    def _pair_lanes(self) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
        """For each case of two events: the lanes of both alone among the singles, and its own among the larger."""
        single = {c[0]: n for n, c in enumerate(self.singles.cases) if c}
        found = [(single[c[0]], single[c[1]], n) for n, c in enumerate(self.larger.cases) if len(c) == 2]
        table = np.array(found, np.int64).reshape(-1, 3)
        return table[:, 0], table[:, 1], table[:, 2]

    def _others(self) -> list[tuple[tuple[Event, ...], int]]:
        """Cases to combine with own events, each with the most own events that are worth adding.

        A case with own losses fails a consumer only if the rest of it does with no candidate there (what a candidate
        keeps is not less than nothing), which matters up to the tolerance required. In other modes all is combined.
        """
        baseline, found = self.baseline, []
        for group in (self.singles, self.larger):
            bare = self._run(group, [Segment((), ())])[0] if group.cases else []
            for n, case in enumerate(group.cases):
                if not group.asked[n] or len(case) >= baseline.order:
                    continue
                most = baseline.order - len(case)
                if baseline.modes == ("loss",) and self.only_adds:
                    needs = [r for r, f in zip(self.required, bare, strict=True) if r and f is not None and f[0, n]]
                    most = min(most, max(needs, default=0) - len(case))
                if most > 0:
                    found.append((case, most))
        return found

    # ---- many segments

    def measure(self, segments: Sequence[Segment], progress: Progress | None = None) -> list[Worth]:
        """Return the worth of each segment. Work grows with segments x cases x nodes / 64."""
        per_block = max(1, LANES_AT_ONCE // (64 * max(1, self.singles.words + self.larger.words)))
        result: list[Worth] = []
        for start in range(0, len(segments), per_block):
            result += self._block(segments[start : start + per_block])
            if progress is not None:
                progress(len(result), len(segments))
        return result

    def newly_failing(self) -> tuple[tuple[Event, ...], ...]:
        """The larger cases that fail some consumer with no candidate there and do not in the system as it is."""
        if not self.larger.cases:
            return ()
        bare = self._run(self.larger, [Segment((), ())])[0]
        new = np.zeros(len(self.larger.cases), bool)
        for fails, before in zip(bare, self.larger.before, strict=True):
            if fails is not None:
                new |= fails[0] & ~before
        return tuple(self.larger.cases[n] for n in np.flatnonzero(new).tolist())

    def _block(self, segments: Sequence[Segment]) -> list[Worth]:
        count = len(segments)
        singles, found = self._run(self.singles, segments, keep_rows=True)
        spread = self._spread(found, count)
        larger = self._run(self.larger, segments)[0] if self.larger.cases else None
        own = self._own(segments)
        gained: list[list[str]] = [[] for _ in segments]
        lost: list[list[str]] = [[] for _ in segments]
        harmed: list[list[str]] = [[] for _ in segments]
        cured, broken, own_harm, gained_weight, lost_weight = (np.zeros(count) for _ in range(5))
        for i, id_ in enumerate(self.baseline.consumers):
            weight, met = self.baseline.weights[i], self.baseline.meets[i]
            fails = singles[i]
            if fails is None:
                meets = np.zeros(count, bool)
            else:
                pairs = [(self.singles, fails)]
                if larger is not None and (more := larger[i]) is not None:
                    pairs.append((self.larger, more))
                meets = self._meets(i, pairs, own)
                for group, bits in pairs:
                    lanes, share = group.cuts[i]
                    cured += weight * ((~bits[:, lanes]) @ share)
                broken += weight * self._broken(i, pairs)
                own_harm += weight * np.where(fails[:, 0], 0, own.single_harm[i])
                if met and (self.required[i] or 0) >= 1:
                    other = fails[:, ~self.singles.asked] & ~self.singles.before[i][~self.singles.asked]
                    newly = meets & (other.any(axis=1) | (own.other_harm[i] > 0))
                    for s in np.flatnonzero(newly).tolist():
                        harmed[s].append(id_)
                        lost_weight[s] += weight
            for s in np.flatnonzero(meets != (met is True)).tolist():
                if meets[s]:
                    gained[s].append(id_)
                    gained_weight[s] += weight
                elif met:
                    lost[s].append(id_)
                    lost_weight[s] += weight
        return [
            Worth(
                tuple(gained[s]),
                tuple(lost[s]),
                tuple(harmed[s]),
                round(float(cured[s]), 9),
                round(float(broken[s]), 9),
                float(own_harm[s]),
                int(spread[s] + own.spread[s]),
                float(gained_weight[s]),
                float(lost_weight[s]),
            )
            for s in range(count)
        ]

    def _run(
        self, group: _Group, segments: Sequence[Segment], *, keep_rows: bool = False
    ) -> tuple[list[NDArray[np.bool_] | None], Energised]:
        """By consumer of the baseline, (segments, cases) of whether it fails; ``None`` where it is not there."""
        count, words = len(segments), group.words
        lanes = WordLanes(count * words * 64)
        pattern = event_rows(self.network.index, group.cases, self.topology.standing, WordLanes(words * 64))
        rows = {key: np.tile(row, count) for key, row in pattern.items()}
        absent = self._absent(segments, np.full(count, words))
        found = energise(self.plan, lanes, rows, absent, keep_rows=keep_rows)
        return [
            None if column is None else _table(found.unserved[column[0]][column[1]], count, words, len(group.cases))
            for column in self.columns
        ], found

    def _absent(self, segments: Sequence[Segment], words: NDArray[np.int64]) -> dict[int, Words]:
        """By node of a candidate, the lanes in which it is not there; ``words`` are those of each segment."""
        if not self.owner:
            return {}
        missing = np.full((self.candidate_count, len(segments)), ~np.uint64(0))
        for s, segment in enumerate(segments):
            missing[list(segment.present), s] = 0
        by_candidate = [np.repeat(row, words) for row in missing]
        return {node: by_candidate[number] for node, number in self.owner.items()}

    def _meets(self, i: int, pairs: list[tuple[_Group, NDArray[np.bool_]]], own: _OwnFound) -> NDArray[np.bool_]:
        """By segment, whether consumer i is known to meet its requirement."""
        required = self.required[i]
        count = len(own.spread)
        if required is None or required > self.baseline.order:
            return np.zeros(count, bool)
        unmet: NDArray[np.bool_] = own.smallest[i] <= required
        for group, bits in pairs:
            unmet = unmet | bits[:, group.asked & (group.sizes <= required)].any(axis=1)
        return ~unmet

    def _broken(self, i: int, pairs: list[tuple[_Group, NDArray[np.bool_]]]) -> NDArray[np.float64]:
        """By segment, the share of the cases that fail consumer i and did not, none counted beside one within it."""
        new = [bits & ~group.before[i] for group, bits in pairs]
        # The empty case comes first and lies within every other one.
        total = np.where(new[0][:, 0], 1, new[0][:, 1:].sum(axis=1)).astype(float)
        if len(new) == 1 or not new[1].any():
            return total
        first, second, lanes = self.pair_lanes
        fresh = new[1][:, lanes] & ~(new[0][:, first] | new[0][:, second] | new[0][:, :1])
        total += ORDER_SHARE * fresh.sum(axis=1)
        if len(lanes) == len(pairs[1][0].cases):
            return total
        for s in np.flatnonzero(new[1].any(axis=1)).tolist():
            cases = {
                frozenset(group.cases[n])
                for (group, _), bits in zip(pairs, new, strict=True)
                for n in np.flatnonzero(bits[s]).tolist()
            }
            for case in cases:
                parts = (frozenset(p) for k in range(len(case)) for p in combinations(case, k))
                if len(case) > 2 and not any(p in cases for p in parts):
                    total[s] += ORDER_SHARE ** (len(case) - 1)
        return total

    # ---- own events

    def _own(self, segments: Sequence[Segment]) -> _OwnFound:
        baseline, count = self.baseline, len(segments)
        result = _OwnFound.nothing(len(baseline.consumers), count)
        books = [self._own_cases(s.own_events) for s in segments]
        for with_shorts in (True, False):
            chosen = [[c for c in b if any(e.mode == "short" for e in c) is with_shorts] for b in books]
            widths = [-(-len(cases) // 64) for cases in chosen]
            starts = [0, *np.cumsum(widths).tolist()]
            if not starts[-1]:
                continue
            lanes = WordLanes(starts[-1] * 64)
            placed = [
                (case, start * 64 + n)
                for cases, start in zip(chosen, starts, strict=False)
                for n, case in enumerate(cases)
            ]
            rows = placed_rows(self.network.index, placed, self.topology.standing, lanes)
            absent = self._absent(segments, np.array(widths))
            found = energise(self.plan, lanes, rows, absent, keep_rows=with_shorts)
            lane = np.array([n for _, n in placed], np.int64)
            segment_of = np.repeat(np.arange(count), [len(c) for c in chosen])
            sizes = np.array([len(c) for c, _ in placed], np.int64)
            asked = np.array([all(e.mode in baseline.modes for e in c) for c, _ in placed], bool)
            for i, column in enumerate(self.columns):
                if column is None:
                    continue
                fails = _bits(found.unserved[column[0]][column[1]], starts[-1] * 64)[lane]
                np.minimum.at(result.smallest[i], segment_of[fails & asked], sizes[fails & asked])
                np.add.at(result.single_harm[i], segment_of[fails & (sizes == 1)], 1)
                np.add.at(result.other_harm[i], segment_of[fails & (sizes == 1) & ~asked], 1)
            if with_shorts:
                reached = np.zeros(len(placed), np.int64)
                for row in self._reached(found).values():
                    reached += _bits(row, starts[-1] * 64)[lane]
                np.add.at(result.spread, segment_of[(reached >= 2) & (sizes == 1)], 1)
        return result

    def _own_cases(self, own: Sequence[Event]) -> list[tuple[Event, ...]]:
        """All own single events, and in the modes asked own sets alone or with other events, up to the order."""
        modes, order = self.baseline.modes, self.baseline.order
        cases: list[tuple[Event, ...]] = [(e,) for e in own]
        asked = [e for e in own if e.mode in modes]
        for k in range(1, order + 1):
            others = [c for c, most in self.others if k <= most and (c or k > 1)]
            if not others:
                continue
            for chosen in combinations(asked, k):
                if len({e.id for e in chosen}) == k:
                    cases += [(*chosen, *other) for other in others]
        return cases

    # ---- spread

    def _reached(self, found: Energised) -> dict[str, Words]:
        """By channel, the lanes in which the zone of a short takes in one of its components at stage 0."""
        return _zone_by_channel(found, self.channels)

    def _reached_today(self) -> dict[str, NDArray[np.bool_]]:
        """By channel, which of the single cases reach it in the system as it is."""
        topology = self.baseline.topology
        network = build_network(topology)
        lanes = WordLanes(len(self.singles.cases))
        rows = event_rows(network.index, self.singles.cases, topology.standing, lanes)
        found = energise(make_plan(network), lanes, rows, keep_rows=True)
        channels = {
            channel: [network.index[c.id] for c in topology.components.values() if c.channel == channel]
            for channel in topology.channels
        }
        return {c: _bits(row, len(self.singles.cases)) for c, row in _zone_by_channel(found, channels).items()}

    def _spread(self, found: Energised, count: int) -> NDArray[np.int64]:
        """By segment, the shorts of what was there before that reach a channel which they did not reach."""
        cases = len(self.singles.cases)
        further = np.zeros((count, cases), bool)
        for channel, row in self._reached(found).items():
            bits = _table(row, count, self.singles.words, cases)
            today = self.reached_today.get(channel)
            further |= bits if today is None else bits & ~today
        return np.asarray((further & self.shorts).sum(axis=1), np.int64)


@dataclass(slots=True)
class _OwnFound:
    """What own events do, by (consumer, segment): the smallest failing case asked, and the single events that fail."""

    smallest: NDArray[np.int64]
    single_harm: NDArray[np.int64]
    other_harm: NDArray[np.int64]
    """Of the single ones, those in modes not asked."""
    spread: NDArray[np.int64]

    @classmethod
    def nothing(cls, consumers: int, segments: int) -> _OwnFound:
        shape = (consumers, segments)
        first, second = np.zeros(shape, np.int64), np.zeros(shape, np.int64)
        return cls(np.full(shape, 1 << 20, np.int64), first, second, np.zeros(segments, np.int64))


def _zone_by_channel(found: Energised, channels: dict[str, list[int]]) -> dict[str, Words]:
    zone = found.stages[0][0].zone
    reached: dict[str, Words] = {}
    for channel, nodes in channels.items():
        rows = [zone[v] for v in nodes if v in zone]
        if rows:
            reached[channel] = np.bitwise_or.reduce(rows)
    return reached


def _table(row: Words, segments: int, words: int, cases: int) -> NDArray[np.bool_]:
    """The bits of a row of ``segments`` x ``words`` words, shape (segments, cases)."""
    shaped = row.reshape(segments, words).astype("<u8", copy=False)
    bits = np.unpackbits(shaped.view(np.uint8), axis=1, bitorder="little")
    return bits[:, :cases].view(bool)


def _bits(row: Words, count: int) -> NDArray[np.bool_]:
    return np.unpackbits(row.astype("<u8", copy=False).view(np.uint8), bitorder="little")[:count].astype(bool)


def union_evaluator(baseline: Baseline, union: Union) -> Evaluator:
    """The evaluator of all sets of the candidates in ``union``."""
    brought = [a.nodes for a in union.additions.values()]
    return Evaluator(baseline, union.topology, baseline.cases, brought=brought)


def union_segments(union: Union, sets: Iterable[Sequence[str]]) -> Iterator[Segment]:
    """The segment of each set of candidates in the lanes of their union."""
    number = {id_: n for n, id_ in enumerate(union.additions)}
    for chosen in sets:
        events = tuple(e for c in chosen for e in union.additions[c].events)
        yield Segment(tuple(number[c] for c in chosen), events)


def applied_evaluator(baseline: Baseline, after: Topology) -> Evaluator:
    """The evaluator of ``after`` as it stands, over every case: for candidates that do more than add."""
    return Evaluator(baseline, after, baseline.every_case)


def own_events(baseline: Baseline, after: Topology) -> tuple[Event, ...]:
    """The events, in every mode, of the components that ``after`` has and the system as it is has not."""
    before = baseline.topology
    return tuple(e for e in list_events(after, MODES) if e.id not in before.components and e.id not in before.loads)
