"""What can be reached after a failure, by visiting every state: the other side of the plans and of served load.

Written from the words of the contract: a state is a set of positions and of loads connected. It is judged by the
reference evaluator on a copy of the file in which the positions are the normal ones, so nothing counts as opened that
is not open. A switch moves only while all of its ``operated_by`` are served in the state in which it moves; equipment
with ``needs`` runs only while they are served and starts only from a state in which they are; what ran may go on
running; nothing is closed on to a fault; each state is within ratings. Slow and obvious.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations

from powerfault.model.elements import STAGES, Event, Function, Topology
from tests.reference import System, _Case
from tests.served_load import Trial, random_rated_system

Ids = frozenset[str]


class SlowStates:
    """All states of one case at one stage of one phase."""

    def __init__(self, t: Topology, case: tuple[Event, ...], stage: int, phase: str) -> None:
        self.t, self.case, self.stage, self.phase = t, case, stage, phase
        self.found = System(t).evaluate(case)
        self.trial = Trial(t, case, stage, phase)
        self.modes = {e.id: e.mode for e in (*t.standing, *case)}
        self.switches = [i for i, c in t.components.items() if c.is_switched]
        self.jumpers = [i for i, c in t.components.items() if c.kind == "jumper" and not c.mated and c.crew_may_mate]
        self.loads = [i for i, x in t.loads.items() if x.judged_in(phase)]
        self.idle = frozenset(i for i, x in t.loads.items() if not x.judged_in(phase))
        self.circular = bool(t.functions) or any(c.needs for c in t.components.values())
        self._judged: dict[tuple[Ids, Ids, Ids, Ids], Ids] = {}

    def standing(self) -> Ids:
        """The switches that are closed once protection has cleared."""
        return frozenset(
            i
            for i in self.switches
            if self.modes.get(i) == "closed"
            or (self.t.components[i].normally != "open" and i not in self.found.tripped and self.modes.get(i) != "loss")
        )

    def copy(self, closed: Ids, mated: Ids) -> _Case:
        """The case on a copy of the file in which these positions are the normal ones."""
        parts = dict(self.t.components)
        for i in self.switches:
            if self.modes.get(i) == "loss" or (i in self.found.tripped and i not in closed):
                continue  # as it is in the file: a device that tripped stands open by itself
            parts[i] = replace(parts[i], normally="closed" if i in closed else "open")
        for i in self.jumpers:
            parts[i] = replace(parts[i], mated=i in mated, crew_may_mate=False)
        case = _Case(System(replace(self.t, components=parts)), self.case, ())
        case.borne = set()
        case.tripped = frozenset(self.found.tripped - (closed & frozenset(self.switches)))
        case.dead_for_good = {i for i, mode in self.modes.items() if mode == "loss"}
        case.dead_for_good |= {i for i in self.found.tripped if self.t.components[i].kind == "fuse"}
        zone = System(self.t).evaluate(self.case).zone[0][self.phase]
        case.dead_for_good |= {i for i in zone if i in self.t.components and self.t.components[i].kind == "storage"}
        return case

    def zone(self, closed: Ids, mated: Ids) -> Ids:
        return self.copy(closed, mated).fault_zone(frozenset())

    def live(self, closed: Ids, mated: Ids, held: Ids, on: Ids) -> Ids:
        """What is live or served with the loads ``on`` connected, after a state in which ``held`` was."""
        key = closed, mated, held if self.circular else frozenset(), on
        if key not in self._judged:
            case = self.copy(closed, mated)
            zone = case.fault_zone(frozenset())
            off = frozenset(self.t.loads) - on
            charged = self.found.charged[self.stage]
            while True:
                live: Ids = frozenset()
                while True:
                    more = case.power(0, self.phase, zone, frozenset(), charged, live | held) - off
                    more = case.with_functions(more)
                    if more == live:
                        break
                    live = more
                if held <= live:
                    break
                held &= live
            self._judged[key] = live
        return self._judged[key]

    def services(self, closed: Ids, mated: Ids, held: Ids) -> Iterator[tuple[Ids, Ids]]:
        """(Loads served, all that is live) for each set of loads that the positions can carry."""
        for count in range(len(self.loads), -1, -1):
            for chosen in combinations(self.loads, count):
                on = frozenset(chosen)
                live = self.live(closed, mated, held, on | self.idle)
                if on <= live and self.trial.carries(set(live), set(on), {}):
                    yield on, live

    def reachable(self) -> Iterator[tuple[Ids, Ids, Ids]]:
        """(Closed, mated, live before) of every state that can be reached."""
        begin = self.standing(), frozenset[str](), self.found.live[0][self.phase]
        waiting, seen = [begin], set()
        for closed, mated, held in waiting:
            yield closed, mated, held
            zone = self.zone(closed, mated)
            for _, live in self.services(closed, mated, held):
                for i in self.switches:
                    part = self.t.components[i]
                    if self.modes.get(i) in ("stuck", "closed", "loss", "short"):
                        continue
                    if part.operated_stage is None or part.operated_stage > self.stage:
                        continue
                    if not all(o in live for o in part.operated_by):
                        continue
                    beside = {a for a, b in self.t.links if b == i} | {b for a, b in self.t.links if a == i}
                    beside |= {x.id for x in self.t.loads.values() if i in x.fed_by}
                    if i not in closed and beside & (zone | self.zone(closed | {i}, mated)):
                        continue
                    self._add(waiting, seen, (closed ^ {i}, mated, live))
                if STAGES[self.stage] == "manual":
                    for j in self.jumpers:
                        if j not in mated and self.modes.get(j) not in ("loss", "short"):
                            self._add(waiting, seen, (closed, mated | {j}, live))

    def _add(self, waiting: list[tuple[Ids, Ids, Ids]], seen: set[object], state: tuple[Ids, Ids, Ids]) -> None:
        closed, mated, live = state
        key = closed, mated, live if self.circular else None
        if key not in seen:
            seen.add(key)
            waiting.append(state)

    def best(self) -> tuple[tuple[int, ...], int]:
        """The greatest value served and the fewest operations with which a state that can be reached has it."""
        best: tuple[tuple[int, ...], int] | None = None
        for closed, mated, held in self.reachable():
            if any(i in closed for i in self.trial.must_open):
                continue
            operations = 0
            for i in self.switches:
                closed_normally = self.t.components[i].normally != "open"
                moved = (i in closed) != closed_normally and self.modes.get(i) not in ("loss", "closed")
                operations += moved and not (closed_normally and i in self.found.tripped)
            for on, _ in self.services(closed, mated, held):
                rank = self.trial.value(set(on)), -operations
                if best is None or rank > best:
                    best = rank
        assert best is not None
        return best[0], -best[1]


def random_controlled_system(seed: int) -> Topology:
    """A small random system with ratings whose switches are operated by loads, components and functions of it."""
    t = random_rated_system(seed)
    rng = random.Random(seed + 77)
    parts = {i: replace(c, may_parallel=None, one_feed=False) for i, c in t.components.items()}
    functions = dict(t.functions)
    if rng.random() < 0.3:
        functions["control"] = Function(
            id="control", of=tuple(rng.sample(sorted(t.loads), 2)), at_least=rng.choice([1, 2])
        )
    choices = [*t.loads, *t.loads, *[i for i, c in parts.items() if c.kind == "bus"], *functions]
    for i, c in parts.items():
        if c.is_switched and rng.random() < 0.7:
            parts[i] = replace(c, operated_by=tuple(rng.sample(choices, rng.choice([1, 1, 2]))))
    later = {k: v for k, v in t.later.items() if k != "exclusive"}
    return replace(t, name=f"controlled {seed}", components=parts, functions=functions, later=later)
