"""Which switching restores service after a failure, in which order, and what each step brings back?

At each stage in turn the positions that serve best are sought (``served.capacity``), as near to the
positions that stand as can be; if those that stand serve as well, nothing is done. The way there is ordered: what must
be shed goes first, then all openings, then matings, then closings, of which the one that brings back most comes first.
After every step the state that then stands is evaluated with the same model, its positions fixed, and certified; needs
hold in each such state, so equipment that needs itself to start does not come back by being switched through a moment
in which it is dark.

A closing only follows all openings, so no step joins outputs or closes exclusive switches that the end does not; and
on to a ``one_feed`` component every switch that it does not use is opened first where it can be: never two sources on
such a point on the way. Each state is checked for all three anyway, and what fails the check is said with the step.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from powerfault.electrical.restore.plan import (
    CLOSE,
    MATE,
    MATE_CAUTION,
    OPEN,
    RECLOSE,
    SHED,
    Restoration,
    Step,
    SwitchingPlan,
)
from powerfault.electrical.served.capacity import UNPROVED, Allocator, Parts, optimise
from powerfault.electrical.served.configuration import Service, crowded_groups, energised, joined_outputs
from powerfault.electrical.served.plant import Plant, build_plant
from powerfault.electrical.served.served_case import findings, merge, operations
from powerfault.electrical.served.service_bounds import value_of
from powerfault.electrical.served.solver import INFINITY
from powerfault.electrical.served.surviving import Surviving, split, survivors_by_stage
from powerfault.electrical.served.unserved import why_dark
from powerfault.errors import RequestError
from powerfault.model.elements import STAGES, Component, Event, Topology
from powerfault.network.failure_modes import merge_given, parse_event
from powerfault.network.graph import build_network


def plan_restoration(
    topology: Topology,
    failed: Iterable[str | Event],
    given: Iterable[str | Event] = (),
    *,
    phases: Iterable[str] | None = None,
    seconds: float = INFINITY,
) -> Restoration:
    """Plan the switching after ``failed``, in each phase. Raises :class:`RequestError` for unknown events or phases."""
    case = tuple(e if isinstance(e, Event) else parse_event(topology, e) for e in failed)
    added = [e if isinstance(e, Event) else parse_event(topology, e) for e in given]
    standing = merge_given(topology, added)
    chosen = tuple(phases) if phases is not None else topology.phase_names
    for phase in chosen:
        if phase not in topology.phase_names:
            raise RequestError(f"no phase {phase!r}; the file has {', '.join(topology.phase_names)}")
    plant = build_plant(build_network(topology))
    given_events = tuple(e for e in standing if e not in topology.standing)
    stages = survivors_by_stage(plant, [case], given=given_events)[0]
    plans = tuple(
        _Planner(plant, {s: by_phase[phase] for s, by_phase in stages.items()}, seconds).plan() for phase in chosen
    )
    return Restoration(topology, case, standing, plans)


@dataclass(frozen=True, slots=True)
class _State:
    """What stands after a step."""

    service: Service
    live: frozenset[int]
    on: frozenset[int]
    """Consumers that are served."""
    findings: tuple[str, ...]
    proved: bool


class _Planner:
    """Plans one phase of one case."""

    def __init__(self, plant: Plant, stages: Mapping[int, Surviving], seconds: float) -> None:
        self.plant, self.stages, self.seconds = plant, stages, seconds
        self.phase = stages[0].phase
        self.ids = plant.network.ids
        self.allocator = Allocator(plant, seconds)
        self.steps: list[Step] = []
        self.proved = True
        self.held_off: frozenset[int] = frozenset()
        """Loads switched off because there is not enough for them."""

    def plan(self) -> SwitchingPlan:
        plant, stages = self.plant, self.stages
        closed, mated = stages[0].closed, frozenset[int]()
        first = self._evaluate(0, closed, mated, stages[0].live, None)
        state = first
        self.restored: dict[int, int] = dict.fromkeys(state.on, 0)
        overload = self._overload(stages[0], state)
        if overload:
            self._shed(0, overload, state, state)
        last = 0
        for stage in range(1, len(STAGES)):
            surviving = stages[stage]
            target = self._target(surviving, closed & surviving.movable)
            now = self._evaluate(stage, closed, mated, state.live, None)
            if self._value(target.served) <= self._value(now.service.served) and not self._must_move(surviving, closed):
                continue
            closed, mated, state = self._move(stage, target, closed, mated, state)
            last = stage
        surviving = stages[len(STAGES) - 1]
        judged = sorted(plant.judged[self.phase])
        served_kw, demand_kw = self._kilowatts(state.service.served), self._kilowatts(judged)
        consumers = [v for v in plant.network.consumers if self._judged(v)]
        return SwitchingPlan(
            phase=self.phase,
            interrupted=tuple(self.ids[v] for v in consumers if v not in first.on),
            steps=tuple(self.steps),
            dark=tuple(why_dark(plant, surviving, state.service, state.live, v) for v in judged if v not in state.on),
            restored_at={self.ids[v]: STAGES[s] for v, s in self.restored.items() if v in state.on and s > 0},
            served=frozenset(self.ids[v] for v in state.on),
            served_kw=served_kw,
            demand_kw=demand_kw,
            operations=tuple((self.ids[v], to) for v, to in self._departures(last, closed)),
            findings=state.findings,
            proved=self.proved and state.proved,
        )

    # ---- the positions sought

    def _target(self, surviving: Surviving, near: frozenset[int]) -> Service:
        """The best positions as near to those that stand as can be, one-feed points clear if that costs nothing."""
        parts: Parts = []
        for part in split(self.plant, surviving):
            best = optimise(self.plant, part, near=near & part.movable, seconds=self.seconds)
            if self.plant.one_feed & part.live:
                clear = optimise(self.plant, part, near=near & part.movable, apart=True, seconds=self.seconds)
                if clear.proof != UNPROVED and self._value(clear.service.served) >= self._value(best.service.served):
                    best = clear
            self.proved &= best.proof != UNPROVED
            parts.append((part, best))
        target = merge(self.plant, surviving, parts)
        # Switches in no part stay where they stand, whatever is normal for them.
        alone = surviving.movable - frozenset().union(*(part.movable for part, _ in parts))
        return replace(target, closed=(target.closed - alone) | (near & alone))

    def _must_move(self, surviving: Surviving, closed: frozenset[int]) -> bool:
        """Whether a switch bordering the fault has to be opened, the fault's zone having been cut back to it."""
        return bool(surviving.pinned & closed)

    # ---- the way there

    def _move(
        self, stage: int, target: Service, closed: frozenset[int], mated: frozenset[int], state: _State
    ) -> tuple[frozenset[int], frozenset[int], _State]:
        surviving = self.stages[stage]
        opening = (closed & surviving.operable) - target.closed
        closing = target.closed - closed
        mating = target.mated - mated
        wanted, excess = self._wanted(surviving, target)
        if excess:
            before = state
            state = self._evaluate(stage, closed, mated, before.live, wanted)
            self._shed(stage, excess, before, state)
        reasons = {v: self._reason_to_open(surviving, target, v) for v in opening}
        for v in sorted(opening, key=lambda v: (v in state.live, v)):
            closed -= {v}
            state = self._step(stage, OPEN, v, closed, mated, state, wanted, surviving, reasons[v])
        for v in sorted(mating):
            mated |= {v}
            state = self._step(stage, MATE, v, closed, mated, state, wanted, surviving)
        left = set(closing)
        while left:
            v = max(sorted(left), key=lambda v: self._promise(stage, closed | {v}, mated, state, wanted, v))
            left.discard(v)
            closed |= {v}
            action = RECLOSE if v in surviving.tripped and v in self.plant.normally_closed else CLOSE
            state = self._step(stage, action, v, closed, mated, state, wanted, surviving)
        for v in state.on:
            self.restored.setdefault(v, stage)
        return closed, mated, state

    def _promise(
        self, stage: int, closed: frozenset[int], mated: frozenset[int], state: _State, wanted: frozenset[int], v: int
    ) -> tuple[Any, ...]:
        trial = self._evaluate(stage, closed, mated, state.live, wanted)
        return state.on <= trial.on, self._value(trial.service.served), len(trial.live), v in trial.live, -v

    def _step(
        self,
        stage: int,
        action: str,
        v: int,
        closed: frozenset[int],
        mated: frozenset[int],
        before: _State,
        wanted: frozenset[int],
        surviving: Surviving,
        reasons: tuple[str, ...] = (),
    ) -> _State:
        after = self._evaluate(stage, closed, mated, before.live, wanted)
        remarks = [*reasons, *(x for x in after.findings if x not in before.findings)]
        if action == MATE:
            near = {u for a, b in self.plant.network.links for u in (a, b) if v in (a, b)} - {v}
            hot = sorted(self.ids[u] for u in near if u in before.live)
            remarks.append(MATE_CAUTION + (f"; {', '.join(hot)} must be made dead for it first" if hot else ""))
        transfers = tuple(
            (self.ids[c], self.ids[u])
            for c, u in sorted(after.service.fed_from.items())
            if before.service.fed_from.get(c, u) != u and c in after.live
        )
        self._note(
            stage,
            action,
            self.ids[v],
            restores=self._names(after.on - before.on),
            drops=self._names(before.on - after.on),
            served=after.service.served,
            transfers=transfers,
            remarks=tuple(remarks),
        )
        self.proved &= after.proved
        return after

    def _reason_to_open(self, surviving: Surviving, target: Service, v: int) -> tuple[str, ...]:
        """What would be wrong in the end with ``v`` left closed."""
        plant, ids = self.plant, self.ids
        if v in surviving.pinned:
            return ("keeps the fault where it is",)
        closed = target.closed | {v}
        reasons = []
        live = energised(plant, surviving, closed, target.mated, target.served, target.fed_from)
        before = energised(plant, surviving, target.closed, target.mated, target.served, target.fed_from)
        had = set(joined_outputs(plant, surviving, target.closed, target.mated, before, target.fed_from))
        for a, b in joined_outputs(plant, surviving, closed, target.mated, live, target.fed_from):
            if (a, b) not in had:
                reasons.append(f"keeps the outputs of {ids[a]} and {ids[b]} apart")
        for group in crowded_groups(plant, surviving, closed):
            if v in group:
                others = " and ".join(ids[u] for u in group if u != v)
                reasons.append(f"excludes {others}")
        for c, u in target.fed_from.items():
            if v != u and v in plant.network.upstream[c]:
                reasons.append(f"leaves {ids[c]} its one feed, {ids[u]}")
        return tuple(reasons)

    def _shed(self, stage: int, loads: frozenset[int], before: _State, after: _State) -> None:
        """Note that ``loads`` are switched off; functions that go with them are named with the last."""
        self.held_off |= loads
        gone = before.on - after.on
        for v in sorted(loads):
            own = {v} if v != max(loads) else {v} | (gone - loads)
            self._note(
                stage,
                SHED,
                self.ids[v],
                drops=self._names(frozenset(own & gone)),
                served=after.service.served,
                remarks=("there is not enough for it",),
            )

    def _note(
        self,
        stage: int,
        action: str,
        id_: str,
        *,
        restores: tuple[str, ...] = (),
        drops: tuple[str, ...] = (),
        served: Iterable[int] = (),
        transfers: tuple[tuple[str, str], ...] = (),
        remarks: tuple[str, ...] = (),
    ) -> None:
        self.steps.append(
            Step(
                len(self.steps) + 1,
                STAGES[stage],
                action,
                id_,
                restores,
                drops,
                self._kilowatts(served),
                transfers,
                remarks,
            )
        )

    def _wanted(self, surviving: Surviving, target: Service) -> tuple[frozenset[int], frozenset[int]]:
        """Return the loads that may be on, and those to shed now: they would come on, but cannot be carried."""
        idle = {v for v in self.plant.loads if v not in self.plant.judged[self.phase]}
        reached = energised(self.plant, surviving, target.closed, target.mated, None, target.fed_from)
        excess = {v for v in reached & self.plant.judged[self.phase] if v not in target.served}
        excess -= self.held_off
        self.held_off -= target.served
        return frozenset(target.served | idle), frozenset(excess)

    def _overload(self, surviving: Surviving, state: _State) -> frozenset[int]:
        """Loads that stay connected after the failure but cannot be carried."""
        reached = energised(self.plant, surviving, (), (), None, state.service.fed_from)
        return frozenset(v for v in reached & self.plant.judged[self.phase] if v not in state.service.served)

    # ---- one state

    def _evaluate(
        self,
        stage: int,
        closed: frozenset[int],
        mated: frozenset[int],
        kept: frozenset[int],
        wanted: frozenset[int] | None,
    ) -> _State:
        """Evaluate fixed positions at a stage, with what was live before kept where it can be."""
        surviving = self.stages[stage]
        plant = self.plant
        shut = (surviving.closed - surviving.operable) | (closed & surviving.movable)
        off = (surviving.movable - shut) | (surviving.mateable - mated)
        live = surviving.live - off
        if wanted is not None:
            live -= plant.loads - wanted
        fixed = replace(
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
        parts = self.allocator.serve(fixed)
        service = merge(plant, fixed, parts)
        idle = {v for v in plant.loads & live if v not in plant.judged[self.phase]}
        energy = energised(plant, fixed, (), (), service.served | idle, service.fed_from)
        found = [*findings(plant, fixed, service), *self._crowded_points(fixed, energy)]
        return _State(
            service=service,
            live=frozenset(energy),
            on=frozenset(v for v in energy if v in plant.network.consumers and self._judged(v)),
            findings=tuple(found),
            proved=all(best.proof != UNPROVED for _, best in parts),
        )

    def _crowded_points(self, fixed: Surviving, live: set[int]) -> list[str]:
        """``one_feed`` components on which more than one closed and live switch stands."""
        plant, found = self.plant, []
        for c in sorted(plant.one_feed & fixed.live):
            on = [u for u in plant.network.upstream[c] if u in live and u in plant.switched and u in fixed.closed]
            if len(on) > 1:
                names = " and ".join(self.ids[u] for u in on)
                found.append(f"{self.ids[c]} takes one feed at a time, but {names} are closed and live on it together")
        return found

    # ---- words and numbers

    def _value(self, served: Iterable[int]) -> tuple[int, ...]:
        return value_of(self.plant, self.phase, [v for v in served if v in self.plant.judged[self.phase]])

    def _kilowatts(self, loads: Iterable[int]) -> dict[int, float]:
        total = dict.fromkeys(self.plant.priorities, 0.0)
        for v in loads:
            total[self.plant.priority[v]] += self.plant.demand_kw[self.phase][v]
        return total

    def _departures(self, stage: int, closed: frozenset[int]) -> list[tuple[int, str]]:
        surviving = self.stages[stage]
        service = Service(closed & surviving.movable, frozenset(), frozenset())
        return operations(self.plant, surviving, service)

    def _names(self, nodes: frozenset[int]) -> tuple[str, ...]:
        return tuple(self.ids[v] for v in sorted(nodes))

    def _judged(self, v: int) -> bool:
        element = self.plant.network.elements[v]
        return not isinstance(element, Component) and element.judged_in(self.phase)
