"""The system as it stands once failures have been answered, one after another, by the switching plan of ``restore``.

The answered state is a topology again: closed ties are normally closed, opened devices (those that tripped and stay
open among them) normally open, what the crew mated is mated. What the answer sheds stays off, and what is out of
service for the case (a blown fuse, a storage in the fault, equipment that needs itself to start and stopped) stays so.
The events so far belong to every case of it, as given events.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from powerfault.electrical.restore.plan import CLOSE, CONNECT, MATE, OPEN, RECLOSE, SHED, Restoration, SwitchingPlan
from powerfault.electrical.restore.study import plan_restoration
from powerfault.electrical.served.capacity import Allocator
from powerfault.electrical.served.plant import build_plant
from powerfault.electrical.served.surviving import survivors
from powerfault.errors import RequestError, nearest
from powerfault.failures.case_state import CaseState, case_states
from powerfault.model.elements import STAGES, Component, Event, Load, Topology
from powerfault.network.failure_modes import merge_given, parse_event
from powerfault.network.graph import build_network

NEVER = 1_000_000
"""As many live feeds as nothing has: what asks for them stays out of service."""


@dataclass(frozen=True)
class Answered:
    """A system after ``events``, each answered before the next."""

    file: Topology
    """The system as the file has it."""
    topology: Topology
    """The system in the positions that the answers leave; evaluate it with :attr:`given`."""
    events: tuple[Event, ...]
    given: tuple[Event, ...]
    """All that has failed and does not stand in the file: what was given, then the events."""
    answered: str
    """The stage up to which each answer goes."""
    positions: Mapping[str, str]
    """``open`` or ``closed`` of each switched device that is otherwise than in the file."""
    shed: tuple[str, ...]
    """Loads that the answers leave switched off."""
    out_of_service: tuple[str, ...]
    """Components that no switching brings back."""
    plans: tuple[Restoration, ...] = field(repr=False, default=())

    def sentence(self) -> str:
        """The state in one line."""
        moved = ", ".join(f"{id_} {to}" for id_, to in self.positions.items()) or "no device otherwise than in the file"
        shed = f"; shed: {', '.join(self.shed)}" if self.shed else ""
        return f"After {', then '.join(map(str, self.events))}, answered up to {self.answered}: {moved}{shed}."

    def to_json(self) -> dict[str, object]:
        return {
            "after": [str(e) for e in self.events],
            "answered": self.answered,
            "positions": dict(self.positions),
            "shed": list(self.shed),
            "out_of_service": list(self.out_of_service),
        }


def answer_in_turn(
    topology: Topology,
    events: Iterable[str | Event],
    answered: str = "commanded",
    given: Iterable[str | Event] = (),
) -> Answered:
    """Return the system after ``events``, each answered up to the stage ``answered`` before the next happens.

    ``given`` events happened before the first and are not answered. Raises :class:`RequestError` for an unknown event
    or stage, and where one component fails twice.
    """
    if answered not in STAGES:
        raise RequestError(f"no stage {answered!r}{nearest(answered, STAGES)}; expected {', '.join(STAGES)}")
    before = tuple(e if isinstance(e, Event) else parse_event(topology, e) for e in given)
    state = Answered(topology, topology, (), before, answered, {}, (), ())
    for event in events:
        state = answer_next(state, event if isinstance(event, Event) else parse_event(topology, event))
    return state


def answer_next(state: Answered, event: Event) -> Answered:
    """Return the system after one further event and its answer."""
    topology = state.topology
    taken = {e.id for e in merge_given(topology, state.given)}
    if event.id in taken:
        raise RequestError(f"{event.id} has failed already: a component fails once")
    network = build_network(topology)
    case = case_states(network, [(event,)], state.given)[0]
    closed = _closed_after_protection(topology, case, {e.id: e.mode for e in (*state.given, event)})
    mated: set[str] = set()
    shed = set(state.shed)
    plans: list[Restoration] = []
    if _calls_for_an_answer(state, case, event):
        # One phase after another, in the order of the file: each begins with the positions that the last one left.
        for phase in topology.phase_names:
            now = _positioned(topology, closed, mated, shed, frozenset())
            found = plan_restoration(now, (event,), state.given, phases=[phase])
            plans.append(found)
            _carry_out(found.plans[0], STAGES.index(state.answered), closed, mated, shed)
    down = {*state.out_of_service, *_out_for_the_case(topology, case)}
    # A device that would trip again in the answered state trips; one that would not must be open by its position.
    tripped = {i for i in case.tripped - closed if topology.components[i].is_switched}
    tripped = {i for i in tripped if not topology.components[i].normally_open}
    if tripped:
        again = _positioned(topology, closed | tripped, mated, shed, frozenset(down))
        closed |= tripped & case_states(build_network(again), [()], (*state.given, event))[0].tripped
    answered = _positioned(topology, closed, mated, shed, frozenset(down))
    stopped = _stopped_circles(topology, answered, case, (*state.given, event))
    if stopped:
        down |= stopped
        answered = _positioned(topology, closed, mated, shed, frozenset(down))
    return replace(
        state,
        topology=answered,
        events=(*state.events, event),
        given=(*state.given, event),
        positions=_moved(state.file, closed),
        shed=tuple(i for i in topology.loads if i in shed),
        out_of_service=tuple(i for i in topology.components if i in down),
        plans=(*state.plans, *plans),
    )


def with_positions(state: Answered, change: Mapping[str, str]) -> Answered:
    """The same state with some devices ``open`` or ``closed`` otherwise than the answer left them."""
    components = dict(state.topology.components)
    positions = dict(state.positions)
    for id_, to in change.items():
        components[id_] = replace(components[id_], normally="closed" if to == "closed" else "open")
        positions[id_] = to
        if (to == "open") == state.file.components[id_].normally_open:
            del positions[id_]
    return replace(state, topology=replace(state.topology, components=components), positions=positions)


def _calls_for_an_answer(state: Answered, case: CaseState, event: Event) -> bool:
    """Whether the event interrupts anything, trips a device or leaves more load than can be carried."""
    if STAGES.index(state.answered) == 0:
        return False
    if case.tripped or any(o != STAGES[0] for o in case.outcomes.values()):
        return True
    topology = state.topology
    rated = any(c.rating_kw is not None or c.rating_a is not None for c in topology.components.values())
    if not rated and not any(c.is_source and c.capacity_kw is not None for c in topology.components.values()):
        return False
    plant = build_plant(build_network(topology))
    allocator = Allocator(plant)
    for phase, first in survivors(plant, [(event,)], 0, state.given)[0].items():
        served = frozenset().union(*(best.service.served for _, best in allocator.serve(first)))
        if not plant.judged[phase] & first.live <= served:
            return True
    return False


def _closed_after_protection(topology: Topology, case: CaseState, modes: Mapping[str, str]) -> set[str]:
    """The switched components that are closed once protection has cleared."""
    return {
        c.id
        for c in topology.components.values()
        if c.is_switched and (modes.get(c.id) == "closed" or (not c.normally_open and c.id not in case.tripped))
    }


def _carry_out(plan: SwitchingPlan, until: int, closed: set[str], mated: set[str], shed: set[str]) -> None:
    for step in plan.steps:
        if STAGES.index(step.stage) > until:
            return
        if step.action == OPEN:
            closed.discard(step.id)
        elif step.action in (CLOSE, RECLOSE):
            closed.add(step.id)
        elif step.action == MATE:
            mated.add(step.id)
        elif step.action == SHED:
            shed.add(step.id)
        elif step.action == CONNECT:
            shed.discard(step.id)
    # What is served again was connected, though it came back by a switch and not by a step of its own.
    shed -= {i for i in plan.served if STAGES.index(plan.restored_at.get(i, STAGES[0])) <= until}


def _positioned(
    topology: Topology, closed: set[str], mated: set[str], shed: set[str], down: frozenset[str]
) -> Topology:
    """``topology`` with these positions as the normal ones; ``shed`` loads and ``down`` components out of service."""
    components: dict[str, Component] = {}
    for id_, c in topology.components.items():
        if c.is_switched and c.normally_open == (id_ in closed):
            c = replace(c, normally="closed" if id_ in closed else "open")
        if id_ in mated:
            c = replace(c, mated=True)
        if id_ in down:
            c = replace(c, capacity_kw=0.0) if c.is_source else replace(c, feeds_needed=NEVER)
        components[id_] = c
    loads: dict[str, Load] = {
        id_: replace(load, feeds_needed=NEVER) if id_ in shed else load for id_, load in topology.loads.items()
    }
    if components == topology.components and loads == topology.loads:
        return topology
    return replace(topology, components=components, loads=loads)


def _moved(topology: Topology, closed: set[str]) -> dict[str, str]:
    return {
        id_: "closed" if id_ in closed else "open"
        for id_, c in topology.components.items()
        if c.is_switched and c.normally_open == (id_ in closed)
    }


def _out_for_the_case(topology: Topology, case: CaseState) -> set[str]:
    """Fuses that have blown and storages in the zone of the fault: dead for the case, whatever is switched."""
    in_zone = {i for zone in case.zone[0].values() for i in zone}
    return {
        i
        for i, c in topology.components.items()
        if (c.kind == "fuse" and i in case.tripped) or (c.kind == "storage" and i in in_zone)
    }


def _stopped_circles(topology: Topology, answered: Topology, case: CaseState, given: tuple[Event, ...]) -> set[str]:
    """Equipment that needs itself to start and has stopped: it must not count as running in the answered state.

    The state is evaluated as if everything in it ran; what then runs, and ran at no stage of the event that was
    answered, holds itself up only.
    """
    if not any(c.needs for c in topology.components.values()) and not any(x.needs for x in topology.loads.values()):
        return set()
    running = case_states(build_network(answered), [()], given)[0]
    stopped: set[str] = set()
    for phase in topology.phase_names:
        ever = frozenset().union(*(stage[phase] for stage in case.live))
        stopped |= {i for i in running.live[0][phase] - ever if i in topology.components}
    return {i for i in stopped if topology.components[i].needs}
