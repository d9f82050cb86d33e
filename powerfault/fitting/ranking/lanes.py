"""Evaluating cases of many sets of candidates at once: a lane is a case with the candidates of one set present.

Besides what fails, a lane can tell which candidates it leaves *alone*, so that they need not be evaluated again:

* A lane leaves a candidate **alone** if all nodes that the candidate touches or watches are at every stage as they are
  in that case with no candidate there.
* A candidate is **quiet** in a case if, with it alone added, it leaves itself alone, no zone takes in any of its own
  nodes, and it offers power only to nodes that are live anyway or cannot be live at all.

In a lane that leaves alone a candidate which is quiet in its case, adding that candidate changes nothing: it would see
the same surroundings, so its own nodes would be as they were, and they add nothing to what is a least fixpoint. Needs
that are a greatest fixpoint (within a loop, and borne interruptions) could yet support each other through what is
added; so a lane where one of those is not served at once leaves no candidate alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from powerfault.failures.classes import effect_classes
from powerfault.failures.energise import Energised, energise
from powerfault.failures.lanes import Lanes, Row, WholeNumberLanes, WordLanes
from powerfault.failures.plan import Plan, make_plan
from powerfault.model.elements import STAGES, Event, Topology
from powerfault.network.graph import build_network

LANES_AT_ONCE = 1 << 17
LANES_AS_NUMBERS = 1 << 17
"""Up to here whole numbers are the faster rows."""
ZONED = ("short", "leak")

Words = NDArray[np.uint64]
Numbers = NDArray[np.int64]
Flags = NDArray[np.bool_]
Case = tuple[Event, ...]
State = tuple[int, int, str]
"""Stage, phase, and whether live or in a zone."""


@dataclass(slots=True)
class Found:
    """By lane, as words: the consumers that fail, the channels that a zone reaches at stage 0, the candidates left
    alone."""

    fails: Words
    reach: Words
    alone: Words

    def __getitem__(self, which: NDArray[np.generic] | slice) -> Found:
        return Found(self.fails[which], self.reach[which], self.alone[which])


class _Evaluated:
    """The rows of an evaluation as words, whichever kind of row it used; the same row gives the same array."""

    def __init__(self, found: Energised, count: int) -> None:
        self._found, self._words = found, words_for(count)
        self.count = count
        self.none = np.zeros(self._words, np.uint64)
        self._known: dict[int, Words] = {0: self.none}

    def _as_words(self, row: Row) -> Words:
        if not isinstance(row, int):
            words: Words = row
            return words
        if row not in self._known:
            self._known[row] = np.frombuffer(row.to_bytes(8 * self._words, "little"), "<u8").astype(np.uint64)
        return self._known[row]

    def live(self, stage: int, phase: int, node: int) -> Words:
        return self._as_words(self._found.stages[stage][phase].live[node])

    def zone(self, stage: int, phase: int, node: int) -> Words:
        row = self._found.stages[stage][phase].zone.get(node)
        return self.none if row is None else self._as_words(row)

    def state(self, of: tuple[int, int, str], node: int) -> Words:
        stage, phase, kind = of
        return self.live(stage, phase, node) if kind == "live" else self.zone(stage, phase, node)

    def unserved(self, stage: int, consumer: int) -> Words:
        return self._as_words(self._found.unserved[stage][consumer])


class LaneEvaluator:
    """Evaluates lanes on ``topology``: a system with all candidates in it, each absent where a set does not hold it.

    ``cases`` are the cases that sets share; ``brought`` the nodes of each candidate; ``consumers`` (position in the
    network, stage ridden through), ``None`` for one that is not there; ``channels`` the nodes of each.
    """

    def __init__(
        self,
        plan: Plan,
        cases: Sequence[Case],
        consumers: Sequence[tuple[int, int] | None],
        channels: Sequence[Sequence[int]] = (),
        brought: Sequence[Sequence[int]] = (),
    ) -> None:
        self.plan, self.network = plan, plan.network
        self.consumers, self.channels, self.brought = consumers, channels, brought
        self.standing = tuple((self.network.index[e.id], e.mode) for e in self.network.topology.standing)
        self.strikes: list[tuple[int, str]] = []
        self._number: dict[Event, int] = {}
        self.lanes = len(cases)
        self.events = self.numbered(cases)
        self.zoned = self.is_zoned(self.events)
        owned = {v for nodes in brought for v in nodes}
        self._borders = [self._border(nodes, owned) for nodes in brought]
        self._watched = sorted(set().union(*self._borders))
        self._bare: list[NDArray[np.uint8]] = []
        self._once = np.zeros(0, bool)
        self._bare_of: dict[tuple[State, int], int] = {}

    def numbered(self, cases: Sequence[Case]) -> Numbers:
        """Cases as numbers of events, -1 where a case has fewer: shape (cases, events in the largest)."""
        events, table = number_events(cases)
        for event in events:
            if event not in self._number:
                self._number[event] = len(self.strikes)
                self.strikes.append((self.network.index[event.id], event.mode))
        return np.array([*(self._number[e] for e in events), -1], np.int64)[table]

    def is_zoned(self, events: Numbers) -> Flags:
        """Which cases have a zone."""
        if any(mode in ZONED for _, mode in self.standing):
            return np.ones(len(events), bool)
        zoned = np.array([*(mode in ZONED for _, mode in self.strikes), False], bool)
        found: Flags = np.any(zoned[events], axis=1)
        return found

    def _border(self, nodes: Sequence[int], owned: set[int]) -> frozenset[int]:
        """The nodes of the system that a candidate's nodes touch or watch."""
        net = self.network
        found: set[int] = set()
        for v in nodes:
            found.update(net.upstream[v], net.downstream[v], net.fault_next[v], net.fault_previous[v])
            found.update(net.operators.get(v, ()), net.chargers.get(v, ()), (x.node for x in net.needs[v]))
        return frozenset(found - owned)

    # ---- lanes of any sets

    def run(
        self, events: Numbers, sets: Sequence[Sequence[int]], set_of: Numbers, lane: Numbers | None = None
    ) -> Found:
        """Evaluate lanes: case ``events[n]`` in the set ``sets[set_of[n]]``.

        ``lane`` is the shared case within each case, to be told which candidates it leaves alone; without it, none.
        """
        found = self._nothing(len(events))
        for part, energised, zoned in self._parts(events, sets, set_of, lane is not None):
            found.fails[part] = self._fails(energised)
            if zoned:
                found.reach[part] = self._reach(energised)
            if lane is not None:
                found.alone[part] = self._left_alone(energised, lane[part], zoned)
        return found

    def _parts(
        self, events: Numbers, sets: Sequence[Sequence[int]], set_of: Numbers, keep_rows: bool
    ) -> Iterator[tuple[Numbers, _Evaluated, bool]]:
        """Evaluate some lanes at a time: yield their positions, the rows, and whether they have zones."""
        zoned = self.is_zoned(events)
        for with_zone in (False, True):
            own = np.flatnonzero(zoned if with_zone else ~zoned)
            for start in range(0, len(own), LANES_AT_ONCE):
                part = own[start : start + LANES_AT_ONCE]
                used, set_at = np.unique(set_of[part], return_inverse=True)
                here = [sets[s] for s in used]
                yield part, self._energise(events[part], here, set_at, keep_rows or with_zone), with_zone

    def _nothing(self, count: int) -> Found:
        return Found(
            *(np.zeros((count, words_for(len(x))), np.uint64) for x in (self.consumers, self.channels, self.brought))
        )

    def _struck(self, events: Numbers) -> Iterator[tuple[tuple[int, str], Words]]:
        """By strike, its lanes as a row."""
        words = words_for(len(events))
        lane, column = np.nonzero(events >= 0)
        used, place = np.unique(events[lane, column], return_inverse=True)
        rows = np.zeros(len(used) * words, np.uint64)
        np.bitwise_or.at(rows, place * words + (lane >> 6), np.uint64(1) << (lane & 63).astype(np.uint64))
        for e, row in zip(used.tolist(), rows.reshape(-1, words), strict=True):
            yield self.strikes[e], row

    def _energise(self, events: Numbers, sets: Sequence[Sequence[int]], set_of: Numbers, keep_rows: bool) -> _Evaluated:
        count = len(events)
        small = count <= LANES_AS_NUMBERS
        lanes: Lanes = WholeNumberLanes(count) if small else WordLanes(count)

        def row_of(words: Words) -> Row:
            return int.from_bytes(words.astype("<u8", copy=False).tobytes(), "little") if small else words

        rows = {strike: row_of(row) for strike, row in self._struck(events)} | dict.fromkeys(self.standing, lanes.full)
        missing = np.ones((len(self.brought), len(sets)), bool)
        for s, present in enumerate(sets):
            missing[list(present), s] = False
        absent = {}
        for nodes, own in zip(self.brought, missing, strict=True):
            row = lanes.full if own.all() else row_of(pack(own[set_of]))
            absent.update(dict.fromkeys(nodes, row))
        return _Evaluated(energise(self.plan, lanes, rows, absent, keep_rows=keep_rows), count)

    def _fails(self, found: _Evaluated) -> Words:
        rows = [found.none if c is None else found.unserved(c[1], c[0]) for c in self.consumers]
        return by_lane(rows, found.count)

    def _reach(self, found: _Evaluated) -> Words:
        rows = []
        for nodes in self.channels:
            row = found.none.copy()
            for v in nodes:
                row |= found.zone(0, 0, v)
            rows.append(row)
        return by_lane(rows, found.count)

    def _served_at_once(self, found: _Evaluated) -> Words:
        """The lanes in which everything that is a greatest fixpoint holds as it is first taken to hold."""
        row = ~found.none
        for p in range(len(self.plan.phases)):
            for part in self.network.parts:
                for v in part.needed:
                    row &= found.live(0, p, v)
            for v, stage in self.plan.bearing:
                row &= found.live(stage, p, v)
        return row

    def _left_alone(self, found: _Evaluated, lane: Numbers, zoned: bool) -> Words:
        bare: dict[int, Words] = {}
        changed = {}
        for v in self._watched:
            row, seen = found.none.copy(), set()
            for state in self._states(zoned):
                now, number = found.state(state, v), self._bare_of[state, v]
                if (id(now), number) not in seen:
                    seen.add((id(now), number))
                    if number not in bare:
                        bare[number] = pack(self._bare[number][lane])
                    row |= now ^ bare[number]
            changed[v] = row
        once = self._served_at_once(found)
        rows = []
        for border in self._borders:
            row = once
            for v in border:
                row = row & ~changed[v]
            rows.append(row)
        return by_lane(rows, found.count)

    def _states(self, zoned: bool = True) -> list[State]:
        kinds = ("live", "zone") if zoned else ("live",)
        return [(s, p, k) for s in range(len(STAGES)) for p in range(len(self.plan.phases)) for k in kinds]

    # ---- the shared cases with none and with one candidate

    def bare(self) -> Found:
        """All shared cases with no candidate there."""
        found = self._energise(self.events, [()], np.zeros(self.lanes, np.int64), True)
        contents: dict[bytes, int] = {}
        for state in self._states():
            for v in self._watched:
                row = found.state(state, v)
                content = row.tobytes()
                if content not in contents:
                    contents[content] = len(self._bare)
                    self._bare.append(bits_of(row, self.lanes).view(np.uint8))
                self._bare_of[state, v] = contents[content]
        once = self._served_at_once(found)
        self._once = bits_of(once, self.lanes)
        return Found(self._fails(found), self._reach(found), by_lane([once] * len(self.brought), self.lanes))

    def each_alone(self, candidates: Sequence[int]) -> Iterator[tuple[int, Flags, Found]]:
        """By candidate: in which of the shared cases it is quiet, and the others with it alone added."""
        if not candidates:
            return
        lanes = [np.flatnonzero(~self._surely_quiet(j)) for j in candidates]
        lane = np.concatenate(lanes)
        set_of = np.repeat(np.arange(len(lanes)), [len(own) for own in lanes])
        events, found, adds = self.events[lane], self._nothing(len(lane)), np.zeros(len(lane), bool)
        for part, energised, zoned in self._parts(events, [(j,) for j in candidates], set_of, True):
            found.fails[part] = self._fails(energised)
            if zoned:
                found.reach[part] = self._reach(energised)
            found.alone[part] = self._left_alone(energised, lane[part], zoned)
            adds[part] = bits_of(self._adds(energised, events[part]), len(part))
        start = 0
        for j, own in zip(candidates, lanes, strict=True):
            mine = slice(start, start + len(own))
            left = bits_by_lane(found.alone[mine], len(self.brought))[:, j]
            loud = ~left | adds[mine]
            quiet = np.ones(self.lanes, bool)
            quiet[own[loud]] = False
            yield j, quiet, found[mine][loud]
            start += len(own)

    def _surely_quiet(self, j: int) -> Flags:
        """The shared cases in which, by those with no candidate there, a candidate is quiet.

        So it is if no zone comes near it, and all that it could feed is live from the first stage on, or lost.
        """

        def bare(kind: str, v: int) -> list[Flags]:
            return [self._bare[self._bare_of[(0, p, kind), v]].view(bool) for p in range(len(self.plan.phases))]

        quiet = self._once.copy()
        for v in self._borders[j]:
            for zone in bare("zone", v):
                quiet &= ~zone
        for v in self._fed_by(j):
            lost = self._lost(v)
            for live in bare("live", v):
                quiet &= live | lost
        return quiet

    def _fed_by(self, j: int) -> set[int]:
        return {v for u in self.brought[j] for v in self.network.downstream[u]} & self._borders[j]

    def _lost(self, v: int) -> Flags:
        """The shared cases in which a node is lost."""
        if (v, "loss") in self.standing:
            return np.ones(self.lanes, bool)
        number = next((n for n, strike in enumerate(self.strikes) if strike == (v, "loss")), -2)
        found: Flags = np.any(self.events == number, axis=1)
        return found

    def _adds(self, found: _Evaluated, events: Numbers) -> Words:
        """The lanes in which a zone takes in a candidate's node, or that offers power where it could be of use."""
        lost = {v: row for (v, mode), row in self._struck(events) if mode == "loss"}
        lost |= {v: ~found.none for v, mode in self.standing if mode == "loss"}
        row = found.none.copy()
        for j, nodes in enumerate(self.brought):
            for u in nodes:
                row |= found.zone(0, 0, u)
                for v in self.network.downstream[u]:
                    if v in self._borders[j]:
                        offered = found.none
                        for s, p, _ in self._states(zoned=False):
                            offered = offered | (found.live(s, p, u) & ~found.live(s, p, v) & ~found.zone(s, p, v))
                        row |= offered & ~lost.get(v, found.none)
        return row


def group_cases(ground: Topology, whole: Plan, events: Sequence[Event], cases: Numbers) -> tuple[Numbers, Numbers]:
    """Group ``cases``, as numbers of ``events``, by identical effect whatever candidates are there.

    Returns the group of each case, and the first case of each group.

    A fault that always passes between two nodes of ``ground`` does so whatever is added; a series there may get
    readers or feeds by what is added, so it must be one in the ``whole`` too.
    """
    plan = make_plan(build_network(ground))
    first, second = _classes(plan, events), None if whole.network.ids == plan.network.ids else _classes(whole, events)
    if second is not None:
        zoned = np.array([e.mode in ZONED for e in events], bool)
        second[zoned] = 0
        _, first = np.unique(np.column_stack([first, second]), axis=0, return_inverse=True)
    effect = np.sort(np.append(first.ravel(), -1)[cases], axis=1)
    # Two events of one class do what one does.
    again = np.zeros(effect.shape, bool)
    again[:, 1:] = effect[:, 1:] == effect[:, :-1]
    effect[again] = -1
    effect.sort(axis=1)
    return group_rows(effect)


def group_rows(table: Numbers | Words) -> tuple[Numbers, Numbers]:
    """Group equal rows: the group of each row, and the first row of each group, groups in the order of those."""
    _, start, inverse = np.unique(table, axis=0, return_index=True, return_inverse=True)
    order = np.argsort(start)
    number = np.empty(len(order), np.int64)
    number[order] = np.arange(len(order))
    return number[inverse.ravel()], start[order]


def number_events(cases: Sequence[Case]) -> tuple[list[Event], Numbers]:
    """The events of ``cases``, and these as numbers of events, -1 where a case has fewer than the largest."""
    events: dict[Event, int] = {}
    known: dict[int, int] = {}
    table = np.full((len(cases), max((1, *map(len, cases)))), -1, np.int64)
    for n, case in enumerate(cases):
        for k, event in enumerate(case):
            # Looked up as an object first: hashing an event takes longer than all the rest.
            number = known.get(id(event))
            if number is None:
                number = known[id(event)] = events.setdefault(event, len(events))
            table[n, k] = number
    return list(events), table


def _classes(plan: Plan, events: Sequence[Event]) -> Numbers:
    found = np.zeros(len(events), np.int64)
    for n, group in enumerate(effect_classes(plan, [(plan.network.index[e.id], e.mode) for e in events])):
        found[group] = n
    return found


# ---- bits


def words_for(count: int) -> int:
    return max(1, -(-count // 64))


def pack(flags: Flags | NDArray[np.uint8]) -> Words:
    """Flags (or bytes 0 and 1) as the bits of a row of words."""
    found = np.zeros(8 * words_for(len(flags)), np.uint8)
    packed = np.packbits(flags, bitorder="little")
    found[: len(packed)] = packed
    return found.view("<u8").astype(np.uint64, copy=False)


def bits_of(row: Words, count: int) -> Flags:
    """The first ``count`` bits of a row."""
    bits = np.unpackbits(np.ascontiguousarray(row).astype("<u8", copy=False).view(np.uint8), bitorder="little")
    return bits[:count].view(bool)


def by_lane(rows: Sequence[Words], count: int) -> Words:
    """Rows of one bit a lane as lanes of one bit a row: shape (lanes, words)."""
    found = np.zeros((8 * words_for(len(rows)), count), np.uint8)
    for n, row in enumerate(rows):
        found[n >> 3] |= bits_of(row, count).view(np.uint8) << (n & 7)
    return np.ascontiguousarray(found.T).view("<u8").astype(np.uint64, copy=False)


def bits_by_lane(lanes: Words, count: int) -> Flags:
    """The first ``count`` bits of each lane: shape (lanes, count)."""
    shaped = np.ascontiguousarray(lanes).astype("<u8", copy=False).view(np.uint8)
    return np.unpackbits(shaped, axis=1, bitorder="little")[:, :count].view(bool)
