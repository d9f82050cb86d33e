"""Which positions can be had after a failure, one operation after another, each state within ratings?

The best positions of a stage are found as if every operable switch could be moved at once and all that could run did;
that bounds what can be reached. Then a way there is sought, state by state (``served.way``): a switch moves only while
everything in its ``operated_by`` is served in the state in which it moves, equipment starts only where its needs are
served, and what ran may go on running. A way that is found proves the bound. Where none is, the switches that no state
within ratings can operate are taken out and the best positions are sought again; at last all states that can be reached
are visited, where they are few. What is not proved says so and is never better than what a way leads to.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from powerfault.electrical.served.capacity import UNPROVED, Parts, optimise
from powerfault.electrical.served.configuration import Service, joined_outputs
from powerfault.electrical.served.served_case import merge, operations
from powerfault.electrical.served.solver import INFINITY
from powerfault.electrical.served.states import Nodes, State, StateEvaluator
from powerfault.electrical.served.surviving import Surviving, split
from powerfault.electrical.served.way import MOST_CONTROL_LOADS, Move, Way, choices_of, operated, worth

MOST_JUDGED = 4_000
"""States judged at most where no way is found directly."""


@dataclass(frozen=True, slots=True)
class Reached:
    """The best state that a stage can reach, the way there, and whether nothing better can be reached for certain."""

    service: Service
    moves: tuple[Move, ...]
    end: State
    proved: bool
    surviving: Surviving
    """What survives with only those switches movable that can be operated."""
    parts: Parts | None
    """The best services that made up ``service``; ``None`` where it came from visiting the states."""


class Reach:
    """Finds what the stages of one case and phase can reach, beginning from the state after protection cleared."""

    def __init__(self, states: StateEvaluator, seconds: float = INFINITY) -> None:
        self.states, self.plant, self.seconds = states, states.plant, seconds

    def best(self, stage: int, begin: State, near: bool = True) -> Reached:
        """Return the best that ``stage`` can reach from ``begin``; with ``near`` by the fewest moves from there."""
        surviving = self.states.stages[stage]
        allowed = surviving.operable
        while True:
            restricted = self._restricted(surviving, allowed, begin)
            parts = self._best_parts(restricted, begin if near else None)
            solved = all(best.proof != UNPROVED for _, best in parts)
            target = self._whole(restricted, parts, begin)
            way = self.way(stage, begin, target, near)
            if way is not None:
                return Reached(target, tuple(way.moves), way.state, solved and way.state.proved, restricted, parts)
            fewer = self._can_move(stage, begin, allowed)
            if fewer == allowed:
                return self._visit(stage, begin, restricted)
            allowed = fewer

    # ---- the positions sought

    def _restricted(self, surviving: Surviving, allowed: Nodes, begin: State) -> Surviving:
        """What survives if only ``allowed`` can be moved and the rest stays as it is."""
        if allowed == surviving.operable:
            return surviving
        held = surviving.operable - allowed
        still_closed = begin.closed & held
        zone, bordering = self.states.zone(
            frozenset((begin.closed - allowed) | (surviving.closed - surviving.operable))
        )
        return replace(
            surviving,
            operable=allowed,
            closed=(surviving.closed - held) | still_closed,
            pinned=surviving.pinned & allowed,
            opened=surviving.opened & allowed,
            live=surviving.live - (held - still_closed) - zone - bordering,
        )

    def _best_parts(self, surviving: Surviving, begin: State | None) -> Parts:
        if begin is None:
            return self.states.allocator.serve(surviving)
        parts: Parts = []
        plant = self.plant
        for part in split(plant, surviving):
            near = begin.closed & part.movable
            best = optimise(plant, part, near=near, seconds=self.seconds)
            if plant.one_feed & part.live:
                clear = optimise(plant, part, near=near, apart=True, seconds=self.seconds)
                if clear.proof != UNPROVED and worth(self.states, clear.service.served) >= worth(
                    self.states, best.service.served
                ):
                    best = clear
            parts.append((part, best))
        return parts

    def _whole(self, surviving: Surviving, parts: Parts, begin: State) -> Service:
        target = merge(self.plant, surviving, parts)
        # Switches in no part stay where they are, whatever is normal for them.
        alone = surviving.movable - frozenset().union(*(part.movable for part, _ in parts))
        return replace(target, closed=(target.closed - alone) | (begin.closed & alone))

    # ---- the way there

    def way(self, stage: int, begin: State, target: Service, gentle: bool) -> Way | None:
        """A way that leads from ``begin`` to the positions of ``target`` and serves as much, or ``None``.

        One that sheds first what is not to be served is found faster; ``gentle`` tries the others before it.
        """
        joined = 0
        if self.plant.rivals:
            surviving = self.states.stages[stage]
            live = surviving.live
            joined = len(joined_outputs(self.plant, surviving, target.closed, target.mated, live, target.fed_from))
        for careful in (not gentle, gentle):
            way = Way(self.states, stage, begin, target.served, careful=careful)
            if way.lead(target.closed, target.mated, joined):
                return way
        return None

    def _can_move(self, stage: int, begin: State, allowed: Nodes) -> Nodes:
        """The switches of ``allowed`` that some state within ratings can operate: too many rather than too few."""
        plant, surviving = self.plant, self.states.stages[stage]
        found = frozenset(v for v in allowed if not plant.network.operators.get(v))
        kept = begin.live | surviving.live
        while True:
            closed = (begin.closed | found) - (surviving.pinned & found)
            most = replace(begin, stage=stage, closed=closed, mated=begin.mated | surviving.mateable)
            more = {v for v in allowed - found if operated(self.states, most, v, kept) is not None}
            if not more:
                return found
            found |= more

    # ---- all states

    def _visit(self, stage: int, begin: State, surviving: Surviving) -> Reached:
        """Visit every state that can be reached, up to a limit, and return the best."""
        states = self.states
        limit = states.judged + MOST_JUDGED
        visited: dict[tuple[Nodes, Nodes, Nodes], tuple[State, tuple[int, ...]]] = {}
        first = replace(begin, stage=stage)
        visited[begin.closed, begin.mated, begin.live & states.circular] = first, ()
        waiting = [(first, tuple[int, ...]())]
        ranked: list[tuple[bool, int, tuple[int, ...], int, int, tuple[int, ...], State]] = []
        whole = True
        for number, (state, way) in enumerate(waiting):
            if states.judged > limit:
                whole = False
                break
            full = states.evaluate(stage, state.closed, state.mated, state.live)
            safe = surviving.pinned.isdisjoint(state.closed)
            departures = len(self.departures(stage, state.closed))
            value = worth(states, full.service.served)
            ranked.append((safe, -states.joined(full), value, -departures, -number, way, full))
            for v in sorted(surviving.operable | (surviving.mateable - state.mated)):
                for after in self._after(stage, state, surviving, v):
                    key = after.closed, after.mated, after.live & states.circular
                    if key not in visited:
                        visited[key] = after, (*way, v)
                        waiting.append(visited[key])
        ranked.sort(key=lambda r: r[:5], reverse=True)
        whole &= len(states.control_loads(states.circular)) <= MOST_CONTROL_LOADS
        for place, (_, _, value, _, _, order, full) in enumerate(ranked):
            for careful in (False, True):
                found = Way(states, stage, begin, full.service.served, careful=careful)
                if found.follow(order) and worth(states, found.state.service.served) >= value:
                    proved = whole and not place and found.state.proved
                    return Reached(found.state.service, tuple(found.moves), found.state, proved, surviving, None)
        return Reached(begin.service, (), begin, False, surviving, None)

    def _after(self, stage: int, state: State, surviving: Surviving, v: int) -> Iterator[State]:
        """The states in which moving ``v`` may end; more than one where it matters what ran on."""
        plant, states = self.plant, self.states
        if v in plant.switched:
            closed, mated = state.closed ^ {v}, state.mated
            if v not in state.closed:
                if v in surviving.pinned or not state.zone.isdisjoint(plant.neighbours[v]):
                    return
                if any(v in g and state.closed.intersection(g) for g in plant.exclusive):
                    return
            operators = plant.network.operators.get(v, ())
        else:
            closed, mated, operators = state.closed, state.mated | {v}, ()
        if not states.circular & surviving.live:
            held = operated(states, state, v) if operators else state
            if held is not None:
                yield states.evaluate(stage, closed, mated, held.live)
            return
        control = states.control_loads({*operators, *(states.circular & surviving.live)})
        for before in choices_of(control):
            held = states.evaluate(stage, state.closed, state.mated, state.live, only=before | states.idle)
            if held.live.issuperset(operators):
                for after in choices_of(control):
                    yield states.evaluate(stage, closed, mated, held.live, only=after | states.idle)

    def departures(self, stage: int, closed: Nodes) -> list[tuple[int, str]]:
        """Switched components that differ from their normal position."""
        surviving = self.states.stages[stage]
        return operations(self.plant, surviving, Service(closed & surviving.movable, frozenset(), frozenset()))
