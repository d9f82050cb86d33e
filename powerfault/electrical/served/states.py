"""What is live and served in one exact state of a case: given positions, given loads connected, what ran before?

A state is judged as the failure evaluator would judge it: the fault zone is spread anew over the positions as they are
(a switch that only could be opened keeps no fault out), what borders the zone carries nothing, and needs hold in the
state itself, except in a circle that was running in the state before.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

from powerfault.electrical.served.capacity import UNPROVED, Allocator
from powerfault.electrical.served.configuration import Service, energised, joined_outputs
from powerfault.electrical.served.plant import Plant
from powerfault.electrical.served.served_case import merge
from powerfault.electrical.served.surviving import Surviving
from powerfault.network.zones import blocking, find_barriers, spread

Nodes = frozenset[int]


@dataclass(frozen=True, slots=True)
class State:
    """One state: positions, the loads switched off, and what is live and served with them."""

    stage: int
    closed: Nodes
    """Switches that are closed, those that cannot be moved included."""
    mated: Nodes
    off: Nodes
    """Loads that are switched off."""
    service: Service
    live: Nodes
    """Components, loads and functions that are live or served."""
    over: Nodes
    """Loads that are connected and have a path, and that cannot be carried: they have to be shed."""
    zone: Nodes
    proved: bool


def allocator_as_it_is(plant: Plant, allocator: Allocator) -> Allocator:
    """Best services of positions as they are: outputs that they join are a finding, nothing is shed to part them.

    To seek the best positions is another matter: there the fewest joined outputs come first.
    """
    return Allocator(replace(plant, rivals=()), allocator.seconds) if plant.rivals else allocator


class StateEvaluator:
    """Judges the states of one case in one phase. ``modes`` are the failed components by node number."""

    def __init__(
        self,
        plant: Plant,
        modes: Mapping[int, str],
        stages: Mapping[int, Surviving],
        allocator: Allocator,
        as_it_is: Allocator | None = None,
    ) -> None:
        self.plant, self.modes, self.stages, self.allocator = plant, modes, stages, allocator
        self.as_it_is = as_it_is or allocator_as_it_is(plant, allocator)
        """What serves the loads of a state whose outputs may be joined by the positions as they are."""
        self.phase = next(iter(stages.values())).phase
        self.idle = frozenset(plant.loads - plant.judged[self.phase])
        self.shorts = {v: 1 for v, mode in modes.items() if mode == "short"}
        self.circular = circular_needs(plant)
        """What is needed in a circle, and so may run on though it could not start."""
        self.judged = 0
        """States judged so far."""
        self._known: dict[tuple[int, Nodes, Nodes, Nodes, Nodes, Nodes | None], State] = {}
        self._zones: dict[Nodes, tuple[Nodes, Nodes]] = {}
        if self.shorts:
            self._barriers = find_barriers(plant.network)

    def start(self) -> State:
        """The state once protection has cleared: nothing is switched, and what cannot be carried is off."""
        surviving = self.stages[0]
        return self.evaluate(0, surviving.closed, frozenset(), surviving.live)

    def evaluate(
        self,
        stage: int,
        closed: Nodes,
        mated: Nodes,
        kept: Nodes,
        off: Nodes = frozenset(),
        only: Nodes | None = None,
    ) -> State:
        """Judge the state with ``closed`` and ``mated`` at ``stage``, after one in which ``kept`` was live.

        Of the loads that are not ``off`` (and are in ``only``) those are served that ratings allow, by priority.
        """
        kept &= self.circular
        key = stage, closed, mated, kept, off, only
        found = self._known.get(key)
        if found is None:
            found = self._known[key] = self._judge(stage, closed, mated, kept, off, only)
        return found

    def _judge(self, stage: int, closed: Nodes, mated: Nodes, kept: Nodes, off: Nodes, only: Nodes | None) -> State:
        self.judged += 1
        plant, idle = self.plant, self.idle
        fixed = self._fixed(stage, closed, mated, kept, off, only)
        parts = self.as_it_is.serve(fixed)
        service = merge(plant, fixed, parts)
        live = energised(plant, fixed, (), (), service.served | (idle & fixed.live), service.fed_from)
        over: Nodes = frozenset()
        if not plant.loads & fixed.live <= live:
            reached = energised(plant, fixed, (), (), None, service.fed_from)
            over = (plant.loads & reached) - live - idle
        proved = all(best.proof != UNPROVED for _, best in parts)
        return State(stage, closed, mated, off, service, frozenset(live), over, self.zone(closed)[0], proved)

    def fixed(self, state: State) -> Surviving:
        """What survives of the case with nothing to be moved from the positions of ``state``."""
        return self._fixed(state.stage, state.closed, state.mated, state.live, state.off, None)

    def _fixed(self, stage: int, closed: Nodes, mated: Nodes, kept: Nodes, off: Nodes, only: Nodes | None) -> Surviving:
        surviving, plant = self.stages[stage], self.plant
        shut = (surviving.closed - surviving.operable) | (closed & surviving.operable)
        standing_open = (surviving.operable - shut) | (surviving.mateable - mated)
        zone, bordering = self.zone(closed)
        live = surviving.live - standing_open - zone - bordering - off
        if zone:
            # A converter that tripped gives nothing while it has a neighbour in the zone.
            live -= {u for z in zone for u in plant.neighbours[z] if u in plant.drivers} - self.stages[0].live
        if only is not None:
            live -= plant.loads - only
        return replace(
            surviving,
            live=live,
            kept=kept,
            operable=frozenset(),
            mateable=frozenset(),
            closed=shut,
            pinned=frozenset(),
            opened=frozenset(),
            through=surviving.through - (surviving.mateable - mated),
        )

    def joined(self, state: State) -> int:
        """How many pairs of outputs that must not be paralleled are joined in ``state``."""
        if not self.plant.rivals:
            return 0
        return len(joined_outputs(self.plant, self.fixed(state), (), (), state.live, state.service.fed_from))

    def zone(self, closed: Nodes) -> tuple[Nodes, Nodes]:
        """Return the fault zone with exactly ``closed`` of the switches closed, and what feeds into it from outside."""
        if not self.shorts:
            return frozenset(), frozenset()
        found = self._zones.get(closed)
        if found is None:
            plant, modes = self.plant, self.modes
            surviving = self.stages[0]
            # A device that tripped stands open by itself; where it is stuck it keeps no fault out all the same.
            by_itself = surviving.tripped | {v for v, mode in modes.items() if mode == "loss"}
            stands_open = (plant.switched - closed) - (by_itself & plant.normally_closed)
            barriers = replace(self._barriers, normally_open=frozenset(stands_open))
            not_clearing = {v: 1 for v, mode in modes.items() if mode in ("stuck", "closed")}
            shut_by_failure = {v: 1 for v, mode in modes.items() if mode == "closed"}
            zone = spread(plant.network, barriers, 0, self.shorts, not_clearing, shut_by_failure, {}, {})
            found = frozenset(v for v, row in zone.items() if row), frozenset(blocking(plant.network, zone))
            self._zones[closed] = found
        return found

    def control_loads(self, operators: Collection[int]) -> Nodes:
        """The loads that must be on for ``operators`` to be live or served: themselves, members, and what is needed."""
        return depends_on(self.plant, operators) & self.plant.loads


def circular_needs(plant: Plant) -> Nodes:
    """What is needed in a circle, and so may run on though it could not start."""
    return frozenset(v for part in plant.network.parts if part.cyclic for v in part.needed)


def depends_on(plant: Plant, nodes: Collection[int]) -> Nodes:
    """All that ``nodes`` depend on through feeds, needs and members, themselves included."""
    found, waiting = set(nodes), list(nodes)
    while waiting:
        for u in plant.rests_on[waiting.pop()]:
            if u not in found:
                found.add(u)
                waiting.append(u)
    return frozenset(found)
