"""Can the best positions of a case be reached at all, and which are the best that can?

The cheap tests come first, and settle nearly all cases: nothing that something operates is moved, or what operates it
can be served with only the switches closed that are closed both before and after; and all that is live could start
from nothing. Then every order of the moves will do. Otherwise a way is sought, state by state (``served.reach``).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

from powerfault.electrical.served.capacity import SOLVER, UNPROVED, Allocator, Parts, PartService
from powerfault.electrical.served.configuration import Service, energised
from powerfault.electrical.served.plant import Plant
from powerfault.electrical.served.reach import Reach
from powerfault.electrical.served.served_case import merge
from powerfault.electrical.served.solver import INFINITY
from powerfault.electrical.served.states import Nodes, StateEvaluator, allocator_as_it_is, circular_needs, depends_on
from powerfault.electrical.served.surviving import Surviving

RULE = (
    "positions count only where they can be reached: a switch is operated while all that operates it is served, "
    "equipment starts while its needs are served, and every state on the way is within ratings"
)
NOT_REACHED = "the best positions that can be reached were not proved"


class Attainable:
    """Looks at the best services of cases of one plant."""

    def __init__(self, plant: Plant, allocator: Allocator, seconds: float = INFINITY) -> None:
        self.plant, self.allocator, self.seconds = plant, allocator, seconds
        self.as_it_is = allocator_as_it_is(plant, allocator)
        self.asked = bool(any(plant.network.operators.values()) or plant.needing)
        """Whether there can be a question at all."""
        self.circular = circular_needs(plant)
        self.idle = {phase: plant.loads - judged for phase, judged in plant.judged.items()}

    def best(
        self, modes: Mapping[int, str], first: Surviving, surviving: Surviving, parts: Parts
    ) -> tuple[Surviving, Parts]:
        """Return what survives and its best parts if only what can be reached counts.

        ``modes`` are the failed components, ``first`` is what survives once protection has cleared.
        """
        if not self.asked or surviving.stage == 0:
            return surviving, parts
        service = merge(self.plant, surviving, parts)
        if self._plainly(first, surviving, service):
            return surviving, parts
        states = StateEvaluator(
            self.plant, modes, {0: first, surviving.stage: surviving}, self.allocator, self.as_it_is
        )
        reach = Reach(states, self.seconds)
        found = reach.best(surviving.stage, states.start(), near=False)
        if found.parts is not None:
            return found.surviving, found.parts
        end = found.end.service
        own = Service(
            found.end.closed & found.surviving.movable, found.end.mated, end.served, end.fed_from, end.flow_kw
        )
        proof = SOLVER if found.proved else UNPROVED
        return found.surviving, [(found.surviving, PartService(own, proof, "" if found.proved else NOT_REACHED))]

    def _plainly(self, first: Surviving, surviving: Surviving, service: Service) -> bool:
        """Whether every order of moves will do, for certain.

        It will where what operates the moved switches, and what runs on without being able to start, has power and room
        with only the switches closed that are closed before and after, whatever else is on or off meanwhile.
        """
        plant = self.plant
        standing = surviving.closed & surviving.movable
        moved = (standing ^ service.closed) | surviving.opened
        operators = {o for v in moved for o in plant.network.operators.get(v, ())}
        if operators and surviving.opened:
            return False
        running: set[int] = set()
        circular = self.circular & surviving.live
        if circular:
            at = service.closed, service.mated, service.served | (surviving.live & self.idle[surviving.phase])
            running = energised(plant, surviving, *at, service.fed_from)
            circular &= running & first.live
            if energised(plant, replace(surviving, kept=circular), *at, service.fed_from) != running:
                return False
        if circular and not self._hold(first, moved, circular, circular):
            return False
        return not operators or self._hold(surviving, moved, operators, circular)

    def _hold(self, surviving: Surviving, moved: Nodes, held: Collection[int], kept: Nodes) -> bool:
        """Whether ``held`` is live, on the ways of the intact system, with ``moved`` open and all other loads off."""
        plant, phase = self.plant, surviving.phase
        loads = depends_on(plant, held) & plant.loads
        on = loads | self.idle[phase]
        alone = replace(surviving, kept=kept, live=surviving.live - moved)
        live = energised(plant, alone, surviving.movable & surviving.closed, (), on)
        if not live.issuperset(held) or plant.one_feed & live:
            return False
        pattern, demand = self.allocator.pattern(phase), plant.demand_kw[phase]
        return all(
            demand[v] <= 0 or (v in pattern and all(u in live and w in live for u, w in pattern[v]))
            for v in loads & live
        )
