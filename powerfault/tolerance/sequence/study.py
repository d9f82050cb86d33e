"""What does a second failure do after the first was answered, compared with both at once?

For every first event the answer is found (``answered``), and every next event is evaluated in the state that it leaves.
A load or function fails *in sequence* if either event interrupts it longer than it rides through, in the state in which
that event finds the system. Firsts that leave the same positions are evaluated together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Any

from powerfault.failures.case_state import case_states
from powerfault.failures.influence import bit_positions
from powerfault.model.elements import SEVERITIES, STAGES, Event, Topology
from powerfault.network.failure_modes import check_modes, parse_event
from powerfault.network.graph import build_network
from powerfault.tolerance.comparison.harm import Harm, harm_of
from powerfault.tolerance.comparison.single_failures import SingleFailures, single_failures
from powerfault.tolerance.sequence.answered import Answered, answer_in_turn, answer_next, with_positions
from powerfault.tolerance.verdicts import rides_through_stages

Progress = Callable[[int, int], None]
ALTERNATIVES = 24
"""Other answers tried for a first event, at most."""
LOOKED_INTO = 10
"""First events for which other answers are looked for: those after which the system is most exposed."""


@dataclass(frozen=True)
class First:
    """One first event, its answer, and what follows."""

    event: Event
    state: Answered = field(repr=False)
    fails: tuple[str, ...]
    """Loads and functions that the first event itself fails."""
    in_sequence: Mapping[Event, frozenset[str]] = field(repr=False)
    """By next event, what fails in sequence: by the first event or by the next."""
    at_once: Mapping[Event, frozenset[str]] = field(repr=False)
    """By next event, what fails if both happen at once."""
    worst: Harm | None
    """The next event that newly fails the most severe, then the most, in the answered state."""

    exposure: tuple[int, ...] = ()
    """Pairs of a next event and what it newly fails: by severity, most severe first, those without one last."""

    @property
    def worse(self) -> int:
        """Next events that fail something in sequence that does not fail with both at once."""
        return sum(bool(found - self.at_once[e]) for e, found in self.in_sequence.items())

    @property
    def better(self) -> int:
        """Next events that fail less in sequence than with both at once."""
        return sum(bool(self.at_once[e] - found) for e, found in self.in_sequence.items())


@dataclass(frozen=True, slots=True)
class SequenceVerdict:
    """How many failures one after another a load or function tolerates, beside how many at once."""

    id: str
    severity: str | None
    must_tolerate: int | None
    at_once: int
    in_sequence: int
    worse: tuple[tuple[Event, Event], ...]
    """Ordered pairs that fail it in sequence and not at once."""
    better: tuple[tuple[Event, Event], ...]

    @property
    def meets(self) -> bool | None:
        """Whether both, at once and in sequence, are at least what is required; up to 2 failures are looked at."""
        if self.must_tolerate is None:
            return None
        least = min(self.at_once, self.in_sequence)
        if least >= self.must_tolerate:
            return True
        return None if least >= 2 else False

    def to_json(self) -> dict[str, Any]:
        return {
            "id": self.id,
            "severity": self.severity,
            "must_tolerate": self.must_tolerate,
            "tolerates_at_once": self.at_once,
            "tolerates_in_sequence": self.in_sequence,
            "meets": self.meets,
            "worse_in_sequence": [[str(e) for e in pair] for pair in self.worse],
            "better_in_sequence": [[str(e) for e in pair] for pair in self.better],
        }


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another answer that serves the same loads and leaves the system less exposed."""

    first: Event
    positions: Mapping[str, str]
    exposure: tuple[int, ...]
    worst: Harm | None


@dataclass(frozen=True)
class SequenceStudy:
    """Every ordered pair (first, next) of one system, the first answered before the next."""

    topology: Topology
    modes: tuple[str, ...]
    given: tuple[Event, ...]
    answered: str
    firsts: tuple[First, ...] = field(repr=False)
    verdicts: tuple[SequenceVerdict, ...] = field(repr=False)
    alternatives: tuple[Alternative, ...] = field(repr=False)

    @property
    def events(self) -> tuple[Event, ...]:
        return tuple(first.event for first in self.firsts)

    @property
    def most_exposed(self) -> tuple[First, ...]:
        """First events after which further failures fail more, most exposed first."""
        answered = [first for first in self.firsts if any(first.exposure)]
        return tuple(sorted(answered, key=lambda first: first.exposure, reverse=True))

    def verdict(self, id_: str) -> SequenceVerdict:
        return next(v for v in self.verdicts if v.id == id_)


def study_sequence(
    topology: Topology,
    modes: Sequence[str] = ("loss",),
    given: Iterable[str | Event] = (),
    *,
    answered: str = "commanded",
    alternatives: bool = True,
    progress: Progress | None = None,
) -> SequenceStudy:
    """Evaluate every ordered pair of events in ``modes``, the first answered up to the stage ``answered``.

    Cost: a switching plan for each first event that interrupts something, and one evaluation of all next events for
    each; ``alternatives`` looks for less exposed answers after the most exposed first events.
    """
    modes = tuple(check_modes(modes))
    before = tuple(e if isinstance(e, Event) else parse_event(topology, e) for e in given)
    base = single_failures(build_network(topology), modes, before)
    begin = answer_in_turn(topology, (), answered, before)
    firsts = []
    for number, event in enumerate(base.events):
        state = answer_next(begin, event)
        firsts.append(_follow(base, topology, modes, state))
        if progress:
            progress(number + 1, len(base.events))
    found = SequenceStudy(topology, modes, before, answered, tuple(firsts), _verdicts(topology, base, firsts), ())
    if not alternatives:
        return found
    better = [_least_exposed(base, modes, first) for first in found.most_exposed[:LOOKED_INTO]]
    return replace(found, alternatives=tuple(a for a in better if a is not None))


def _follow(base: SingleFailures, topology: Topology, modes: tuple[str, ...], state: Answered) -> First:
    """What every next event does after the first event of ``state``."""
    event = state.events[-1]
    own = failing_sets(base, base.events).get(event, frozenset())
    together = failing_sets(single_failures(base.network, modes, state.given, base), base.events)
    after = together
    if state.topology is not topology:
        after = failing_sets(single_failures(build_network(state.topology), modes, state.given, base), base.events)
    rest = [e for e in base.events if e.id != event.id]
    nothing: frozenset[str] = after.get(None, frozenset())
    in_sequence = {e: after.get(e, nothing) | own for e in rest}
    at_once = {e: together.get(e, together.get(None, frozenset())) for e in rest}
    newly = {e: after.get(e, nothing) - nothing - own for e in rest}
    harms = [harm_of(topology, e, sorted(found)) for e, found in newly.items() if found]
    worst = min(harms, key=lambda h: (h.severity_rank, -len(h.failing), -h.demand_kw), default=None)
    fails = tuple(c.id for c in topology.consumers() if c.id in own | nothing)
    return First(event, state, fails, in_sequence, at_once, worst, _exposure(topology, newly))


def failing_sets(singles: SingleFailures, events: Iterable[Event]) -> dict[Event | None, frozenset[str]]:
    """What fails in each single event of ``events``, and under ``None`` with nothing more failed."""
    topology = singles.topology
    lanes = {lane: event for event, lane in singles.lanes.items()}
    found: dict[Event | None, set[str]] = {None: set()}
    ids = [c.id for c in topology.consumers()]
    for i, stage in enumerate(rides_through_stages(topology)):
        row = singles.unserved[stage][i]
        if row & 1:
            found[None].add(ids[i])
        for lane in bit_positions(row):
            if lane in lanes:
                found.setdefault(lanes[lane], set()).add(ids[i])
    sets: dict[Event | None, frozenset[str]] = {None: frozenset(found[None])}
    for event in events:
        if event in singles.lanes:
            sets[event] = frozenset(found.get(event, ()))
    return sets


def _exposure(topology: Topology, newly: Mapping[Event, frozenset[str]]) -> tuple[int, ...]:
    counts = [0] * (len(SEVERITIES) + 1)
    for found in newly.values():
        for id_ in found:
            severity = topology.consumer(id_).severity
            counts[SEVERITIES.index(severity) if severity else len(SEVERITIES)] += 1
    return tuple(counts)


def _verdicts(topology: Topology, base: SingleFailures, firsts: Sequence[First]) -> tuple[SequenceVerdict, ...]:
    alone = failing_sets(base, base.events)
    found = []
    for consumer in topology.consumers():
        id_ = consumer.id
        worse, better = [], []
        once, sequence = 2, 2
        if id_ in alone[None]:
            once = sequence = -1
        elif any(id_ in alone[e] for e in base.events):
            once = sequence = 0
        for first in firsts:
            for event, failing in first.in_sequence.items():
                now, both = id_ in failing, id_ in first.at_once[event]
                if now and not both:
                    worse.append((first.event, event))
                elif both and not now:
                    better.append((first.event, event))
                if now:
                    sequence = min(sequence, 1)
                if both:
                    once = min(once, 1)
        found.append(
            SequenceVerdict(
                id_, consumer.severity, consumer.required_tolerance, once, sequence, tuple(worse), tuple(better)
            )
        )
    return tuple(found)


def _least_exposed(base: SingleFailures, modes: tuple[str, ...], first: First) -> Alternative | None:
    """Another answer after ``first`` that serves the same loads and leaves fewer or less severe next failures."""
    state = first.state
    served = _served(state)
    ties = [
        c.id
        for c in base.topology.components.values()
        if c.is_switched
        and c.normally_open
        and c.operated_stage is not None
        and c.operated_stage <= STAGES.index(state.answered)
    ]
    closed = [i for i in ties if state.positions.get(i) == "closed"]
    spare = [i for i in ties if i not in closed]
    changes: list[dict[str, str]] = [{i: "open"} for i in closed]
    changes += [{i: "open", j: "closed"} for i in closed for j in spare]
    changes += [{i: "open", j: "open"} for i, j in combinations(closed, 2)]
    best: Alternative | None = None
    for change in changes[:ALTERNATIVES]:
        other = with_positions(state, change)
        if not served <= _served(other):
            continue
        found = _follow(base, base.topology, modes, other)
        if found.exposure < (best.exposure if best else first.exposure):
            best = Alternative(first.event, other.positions, found.exposure, found.worst)
    return best


def _served(state: Answered) -> frozenset[str]:
    case = case_states(build_network(state.topology), [()], state.given)[0]
    return frozenset(i for i, outcome in case.outcomes.items() if outcome == STAGES[0])
