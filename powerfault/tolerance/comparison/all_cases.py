"""Every case of two systems side by side: the outcomes before and after, each case compared with the right other one.

A case with a part that one system does not have is compared, on that side, with the same case less that part: what is
not there cannot fail. So the failure of a part that a proposal brings is credited with no more than it does by itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

from powerfault.model.elements import OUTCOMES, Event
from powerfault.tolerance.study import Study

Outcomes = Mapping[str, str]
Numbers = tuple[int, ...]
CHANGE_WORDS = ("as before", "better", "worse", "better and worse", "interruption differs")


@dataclass(frozen=True, slots=True)
class Effect:
    """What a case does on each side, by consumer: ``outcomes`` (those not uninterrupted) and which of them fail."""

    outcomes: tuple[Outcomes, ...]
    fails: tuple[tuple[str, ...], ...]
    change: str
    """One of :data:`CHANGE_WORDS`; empty for a single system."""


@dataclass(frozen=True, slots=True)
class SideBySide:
    """One case: numbers into the list of all events, and of which of them each side has not the part."""

    events: Numbers
    effect: Effect
    absent: tuple[Numbers, ...]


def all_events(before: Study, after: Study | None) -> tuple[Event, ...]:
    """All events of both systems, those before first."""
    return tuple(dict.fromkeys([*before.events, *(after.events if after else ())]))


class _Side:
    """The cases of one study by event numbers, and its consumers."""

    def __init__(self, study: Study, place: Mapping[Event, int]) -> None:
        self.rides = {v.id: OUTCOMES.index(v.rides_through) for v in study.verdicts}
        self.has = frozenset(place[e] for e in study.events)
        known: dict[tuple[tuple[str, str], ...], Outcomes] = {}
        self.cases: dict[Numbers, Outcomes] = {}
        for failed, outcomes in study._iter_cases([place[e] for e in study.table.events]):
            key = tuple(outcomes.items())
            self.cases[tuple(sorted(failed))] = known.setdefault(key, outcomes)
        self.cases[()] = study.baseline

    def outcomes(self, events: Numbers) -> tuple[Outcomes, Numbers]:
        """The outcomes of the case less what this side does not have, and what that is."""
        absent = tuple(e for e in events if e not in self.has)
        common = tuple(e for e in events if e in self.has) if absent else events
        return self.cases.get(common, _NONE), absent

    def fails(self, outcomes: Outcomes) -> tuple[str, ...]:
        return tuple(c for c, o in outcomes.items() if OUTCOMES.index(o) > self.rides[c])


_NONE: Outcomes = {}


def iter_side_by_side(before: Study, after: Study | None = None) -> Iterator[SideBySide]:
    """Yield every case that interrupts some consumer on either side, by number of failures and in file order.

    A case of added parts is yielded too where less them it fails a consumer before and with them nothing after. Equal
    effects are one object, so that a caller may number them by identity.
    """
    place = {e: i for i, e in enumerate(all_events(before, after))}
    sides = [_Side(s, place) for s in (before, after) if s is not None]
    keys = {key for side in sides for key in side.cases if key}
    if len(sides) == 2:
        added = sorted(sides[1].has - sides[0].has)
        events = list(place)
        choices = [_apart(added, n, events) for n in range(1, before.order + 1)]
        for key, outcomes in sides[0].cases.items():
            if added and len(key) < before.order and sides[0].fails(outcomes):
                keys |= {(*key, *own) for some in choices[: before.order - len(key)] for own in some}
    effects: dict[tuple[int, ...], Effect] = {}
    for key in sorted(keys, key=lambda k: (len(k), k)):
        found = [side.outcomes(key) for side in sides]
        identity = tuple(id(outcomes) for outcomes, _ in found)
        if identity not in effects:
            effects[identity] = _effect(sides, [outcomes for outcomes, _ in found])
        yield SideBySide(key, effects[identity], tuple(absent for _, absent in found))


def _apart(numbers: list[int], n: int, events: list[Event]) -> list[Numbers]:
    """All choices of ``n`` events of different components."""
    return [c for c in combinations(numbers, n) if len({events[i].id for i in c}) == n]


def _effect(sides: list[_Side], outcomes: list[Outcomes]) -> Effect:
    fails = tuple(side.fails(own) for side, own in zip(sides, outcomes, strict=True))
    if len(sides) == 1:
        return Effect(tuple(outcomes), fails, "")
    (was, now), (left, right) = (set(f) for f in fails), sides
    # A consumer that only one system has is not better or worse off: it is not judged in the other.
    better = any(c in right.rides for c in was - now)
    worse = any(c in left.rides for c in now - was)
    if better or worse:
        change = CHANGE_WORDS[3] if better and worse else CHANGE_WORDS[1] if better else CHANGE_WORDS[2]
    else:
        both = left.rides.keys() & right.rides.keys()
        same = all(outcomes[0].get(c) == outcomes[1].get(c) for c in both)
        change = CHANGE_WORDS[0] if same else CHANGE_WORDS[4]
    return Effect(tuple(outcomes), fails, change)
