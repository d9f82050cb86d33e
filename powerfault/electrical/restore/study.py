"""Which switching restores service after a failure, in which order, and what each step brings back?

At each stage in turn the best state that can be reached is sought (``served.reach``), as near to the positions that
are as can be; if those serve as well, nothing is done. The way there is a sequence of states, each judged by
``served.states`` as the failure evaluator would judge it: what must be shed goes first, then all openings, then
matings, then closings, of which the one that brings back most comes first. A switch moves only while all that operates
it is served; a controller is shed only after the last switch that it operates.

A closing only follows all openings, so no step joins outputs or closes exclusive switches that the end does not, nor
closes on to a fault; and on to a ``one_feed`` component every switch that it does not use is opened first where it can
be: never two sources on such a point on the way. What fails the check all the same is said with the step.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from powerfault.electrical.restore.plan import (
    CLOSE,
    CONNECT,
    MATE,
    MATE_CAUTION,
    OPEN,
    RECLOSE,
    RETURN,
    SHED,
    Restoration,
    Step,
    SwitchingPlan,
)
from powerfault.electrical.served import way
from powerfault.electrical.served.capacity import Allocator
from powerfault.electrical.served.configuration import Service, crowded_groups, energised, joined_outputs
from powerfault.electrical.served.plant import Plant, build_plant
from powerfault.electrical.served.reach import Reach
from powerfault.electrical.served.served_case import findings
from powerfault.electrical.served.solver import INFINITY
from powerfault.electrical.served.states import Nodes, State, StateEvaluator
from powerfault.electrical.served.surviving import Surviving, survivors_by_stage
from powerfault.electrical.served.unserved import why_dark
from powerfault.errors import RequestError
from powerfault.model.elements import STAGES, Component, Event, Topology
from powerfault.network.failure_modes import merge_given, parse_event
from powerfault.network.graph import build_network

SEVERITIES = ("catastrophic", "critical", "major", "minor")


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
    modes = {plant.network.index[e.id]: e.mode for e in (*standing, *case)}
    plans = tuple(
        _Planner(plant, modes, {s: by_phase[phase] for s, by_phase in stages.items()}, seconds).plan()
        for phase in chosen
    )
    return Restoration(topology, case, standing, plans)


class _Planner:
    """Plans one phase of one case."""

    def __init__(self, plant: Plant, modes: Mapping[int, str], stages: Mapping[int, Surviving], seconds: float) -> None:
        self.plant, self.stages = plant, stages
        self.phase = stages[0].phase
        self.ids = plant.network.ids
        self.states = StateEvaluator(plant, modes, stages, Allocator(plant, seconds))
        self.reach = Reach(self.states, seconds)
        self.steps: list[Step] = []
        self.findings: dict[int, tuple[str, ...]] = {}

    def plan(self) -> SwitchingPlan:
        plant, stages = self.plant, self.stages
        first = state = self.states.start()
        proved = first.proved
        restored: dict[int, int] = dict.fromkeys(self._on(first), 0)
        if first.over:
            state = self.states.evaluate(0, first.closed, first.mated, first.live, first.over)
            self._narrate(0, first, way.Move(way.SHED, tuple(sorted(first.over)), state), None)
        last = 0
        for stage in range(1, len(STAGES)):
            now = self.states.evaluate(stage, state.closed, state.mated, state.live, state.off)
            if now.over:
                held = self.states.evaluate(stage, state.closed, state.mated, state.live, state.off | now.over)
                self._narrate(stage, state, way.Move(way.SHED, tuple(sorted(now.over)), held), None)
                state, now = replace(state, live=held.live & state.live, off=held.off), held
            if self._on(now) - self._on(state):
                self._come_back(stage, state, now)
            found = self.reach.best(stage, now)
            proved &= found.proved
            better = way.worth(self.states, found.end.service.served) > way.worth(self.states, now.service.served)
            if better or stages[stage].pinned & now.closed:
                before = now
                for move in found.moves:
                    self._narrate(stage, before, move, found.service)
                    before = move.state
                now, last = found.end, stage
            state = now
            for v in self._on(state):
                restored.setdefault(v, stage)
        surviving = stages[len(STAGES) - 1]
        on = self._on(state)
        judged = sorted(plant.judged[self.phase])
        consumers = [v for v in plant.network.consumers if self._judged(v)]
        return SwitchingPlan(
            phase=self.phase,
            interrupted=tuple(self.ids[v] for v in consumers if v not in self._on(first)),
            steps=tuple(self.steps),
            dark=tuple(why_dark(plant, surviving, state.service, state.live, v) for v in judged if v not in on),
            restored_at={self.ids[v]: STAGES[s] for v, s in restored.items() if v in on and s > 0},
            served=frozenset(self.ids[v] for v in on),
            served_kw=self._kilowatts(state.service.served),
            demand_kw=self._kilowatts(judged),
            operations=tuple((self.ids[v], to) for v, to in self.reach.departures(last, state.closed)),
            findings=tuple(self._found(state)),
            proved=proved,
        )

    def _narrate(self, stage: int, before: State, move: way.Move, target: Service | None) -> None:
        """Write the step or steps of one move."""
        after = move.state
        dropped, restored = self._on(before) - self._on(after), self._on(after) - self._on(before)
        if move.action in (way.SHED, way.CONNECT):
            changed = dropped if move.action == way.SHED else restored
            for v in move.nodes:
                # Functions that go or come with the loads are named with the last of them.
                own = {v} if v != move.nodes[-1] else {v} | (changed - set(move.nodes))
                named = self._names(frozenset(own & changed))
                shed = move.action == way.SHED
                self._note(
                    stage,
                    SHED if shed else CONNECT,
                    self.ids[v],
                    restores=() if shed else named,
                    drops=named if shed else (),
                    served=after.service.served,
                    remarks=self._reasons_to_shed(v, after, target) if shed else (),
                )
            return
        (v,) = move.nodes
        surviving = self.stages[stage]
        action = {way.OPEN: OPEN, way.MATE: MATE, way.CLOSE: CLOSE}[move.action]
        if action == CLOSE and v in surviving.tripped and v in self.plant.normally_closed:
            action = RECLOSE
        remarks = list(self._reason_to_open(surviving, target, v)) if action == OPEN and target else []
        was = self._found(before)
        remarks += [x for x in self._found(after) if x not in was]
        if action == MATE:
            hot = sorted(self.ids[u] for u in self.plant.neighbours[v] if u in before.live)
            remarks.append(MATE_CAUTION + (f"; {', '.join(hot)} must be de-energised for it first" if hot else ""))
        transfers = tuple(
            (self.ids[c], self.ids[u])
            for c, u in sorted(after.service.fed_from.items())
            if before.service.fed_from.get(c, u) != u and c in after.live
        )
        self._note(
            stage,
            action,
            self.ids[v],
            restores=self._names(restored),
            drops=self._names(dropped),
            served=after.service.served,
            transfers=transfers,
            remarks=tuple(remarks),
        )

    def _come_back(self, stage: int, before: State, after: State) -> None:
        """Note what comes back at a stage with nothing switched, such as from a storage that is charged now."""
        back = self._on(after) - self._on(before)
        by = sorted((after.live - before.live) & self.plant.drivers) or sorted(back)
        self._note(stage, RETURN, self.ids[by[0]], restores=self._names(back), served=after.service.served)

    def _reasons_to_shed(self, v: int, after: State, target: Service | None) -> tuple[str, ...]:
        if target is not None and v in target.served:
            return ("switched off while a switch is operated, and connected again after it",)
        remarks = ["there is not enough power for it"]
        severity = self._severity(v)
        kept = [u for u in after.service.served if u in self.plant.loads and self._severity(u) > severity]
        first = [u for u in kept if self.plant.priority[u] <= self.plant.priority[v]]
        if first:
            names = ", ".join(self.ids[u] for u in sorted(first)[:3])
            remarks.append(f"caution: by priority it is shed before {names}, whose loss is less severe")
        return tuple(remarks)

    def _severity(self, v: int) -> int:
        """The place in :data:`SEVERITIES`, most severe first; no severity comes last."""
        severity = getattr(self.plant.network.elements[v], "severity", None)
        return SEVERITIES.index(severity) if severity in SEVERITIES else len(SEVERITIES)

    def _on(self, state: State) -> Nodes:
        """The loads and functions that are judged in the phase and served."""
        return frozenset(v for v in state.live if v in self.plant.network.consumers and self._judged(v))

    def _found(self, state: State) -> list[str]:
        """What a reader must know of the positions of a state."""
        fixed = self.states.fixed(state)
        return [*findings(self.plant, fixed, state.service), *self._crowded_points(fixed, set(state.live))]

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

    def _kilowatts(self, loads: Iterable[int]) -> dict[int, float]:
        total = dict.fromkeys(self.plant.priorities, 0.0)
        for v in loads:
            total[self.plant.priority[v]] += self.plant.demand_kw[self.phase][v]
        return total

    def _names(self, nodes: frozenset[int]) -> tuple[str, ...]:
        return tuple(self.ids[v] for v in sorted(nodes))

    def _judged(self, v: int) -> bool:
        element = self.plant.network.elements[v]
        return not isinstance(element, Component) and element.judged_in(self.phase)
