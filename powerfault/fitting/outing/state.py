"""What is the system after each step of a plan? Positions, tags, contacts and proposals, and the topology they make.

A device that the plan opens stands open; tagged, it cannot be closed by anyone but who takes the tag off, so for the
failure study it stands lost. What is demated, or out while a coolant jumper is moved, stands lost as well. A proposal
holds from the moment its last contact is mated; one without contacts to mate from the end of its job.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from powerfault.fitting.outing.plan import Job, Plan, Step
from powerfault.model.elements import Component, Event, Topology
from powerfault.model.modify import apply_proposals


@dataclass(frozen=True, slots=True)
class SystemState:
    """What a plan has changed so far. ``passes`` holds the position of each device that it moved.

    ``apart`` are components demated or out of service, ``half`` contacts mated of proposals that do not hold yet.
    """

    passes: frozenset[tuple[str, bool]] = frozenset()
    tagged: frozenset[str] = frozenset()
    apart: frozenset[str] = frozenset()
    half: frozenset[str] = frozenset()
    fitted: tuple[str, ...] = ()

    def position(self, id_: str) -> bool | None:
        """Whether a device passes by the plan, ``None`` where the plan did not move it."""
        return dict(self.passes).get(id_)

    def moved(self, id_: str, passes: bool) -> SystemState:
        positions = {**dict(self.passes), id_: passes}
        return replace(self, passes=frozenset(positions.items()))


class Course:
    """Follows a plan: which step has which effect on the state."""

    def __init__(self, plan: Plan, topology: Topology) -> None:
        self.plan, self.topology = plan, topology
        self.owner: dict[str, str] = {}
        """By component that a proposal of the plan adds, that proposal."""
        for _, job in plan.jobs():
            for proposal in job.fits:
                for id_ in topology.proposals[proposal].add.get("components") or {}:
                    self.owner[id_] = proposal
        self._added = {
            id_: fields
            for proposal in dict.fromkeys(self.owner.values())
            for id_, fields in (topology.proposals[proposal].add.get("components") or {}).items()
        }
        self._known: dict[SystemState, Topology] = {}

    def is_valve(self, id_: str) -> bool:
        part = self.topology.components.get(id_)
        kind = part.kind if part is not None else (self._added.get(id_) or {}).get("kind")
        return kind == "valve"

    def parts(self, step: Step, id_: str) -> bool:
        """Whether ``step`` puts ``id_`` where it parts: an opened switch, a closed valve."""
        return step.do == ("close" if self.is_valve(id_) else "open")

    def joins(self, step: Step, id_: str) -> bool:
        """Whether ``step`` puts ``id_`` where it passes: a closed switch, an opened valve."""
        return step.do == ("open" if self.is_valve(id_) else "close")

    def stands_parted(self, id_: str) -> bool:
        """Whether ``id_`` parts in its normal position, be it there or brought by a proposal of the plan."""
        part = self.topology.components.get(id_)
        if part is not None:
            return part.normally_open
        return (self._added.get(id_) or {}).get("normally") == ("closed" if self.is_valve(id_) else "open")

    def contacts(self, job: Job, proposal: str) -> frozenset[str]:
        """The components of ``proposal`` that steps of ``job`` mate."""
        return frozenset(i for s in job.steps if s.do == "mate" for i in s.what if self.owner.get(i) == proposal)

    def at_begin(self, state: SystemState, step: Step) -> SystemState:
        """The state while ``step`` is under way: only a relocation takes something out before its end."""
        if step.do == "relocate":
            return replace(state, apart=state.apart | set(step.what))
        return state

    def at_end(self, state: SystemState, step: Step, job: Job) -> SystemState:
        """The state when ``step`` of ``job`` has ended."""
        if step.do in ("open", "close"):
            for id_ in step.what:
                state = state.moved(id_, self.joins(step, id_))
        elif step.do == "tag":
            state = replace(state, tagged=state.tagged | set(step.what))
        elif step.do == "untag":
            state = replace(state, tagged=state.tagged - set(step.what))
        elif step.do == "demate":
            half = state.half - set(step.what)
            gone = {i for i in step.what if i not in self.owner or self.owner[i] in state.fitted}
            state = replace(state, apart=state.apart | gone, half=half)
        elif step.do in ("mate", "reconnect"):
            new = {i for i in step.what if self.owner.get(i) and self.owner[i] not in state.fitted}
            state = replace(state, apart=state.apart - set(step.what), half=state.half | new)
            for proposal in job.fits:
                needed = self.contacts(job, proposal)
                if needed and proposal not in state.fitted and needed <= state.half:
                    state = replace(state, fitted=(*state.fitted, proposal), half=state.half - needed)
        elif step.do == "relocate":
            state = self._fit_rest(replace(state, apart=state.apart - set(step.what)), job)
        return state

    def job_done(self, state: SystemState, job: Job) -> SystemState:
        """The state when all steps of ``job`` have ended."""
        return self._fit_rest(state, job)

    def _fit_rest(self, state: SystemState, job: Job) -> SystemState:
        rest = tuple(p for p in job.fits if p not in state.fitted and not self.contacts(job, p))
        return replace(state, fitted=(*state.fitted, *rest))

    def system(self, state: SystemState) -> Topology:
        """The topology of ``state``, for the failure study. Raises :class:`ModelError` if a proposal does not apply."""
        if state not in self._known:
            self._known[state] = state_topology(apply_proposals(self.topology, state.fitted), state)
        return self._known[state]


def state_topology(fitted: Topology, state: SystemState) -> Topology:
    """``fitted`` with the positions of ``state`` as normal ones, and what is tagged open or apart standing lost."""
    parts: dict[str, Component] = dict(fitted.components)
    positions: Mapping[str, bool] = dict(state.passes)
    for id_, passes in positions.items():
        part = parts.get(id_)
        if part is not None and part.is_switched:
            parts[id_] = replace(part, normally=word(part, passes))
    standing = {e.id: e for e in fitted.standing}
    for id_ in sorted(state.tagged):
        part = parts.get(id_)
        if part is not None and id_ not in standing and (part.normally_open or positions.get(id_) is False):
            standing[id_] = Event(id_)
    for id_ in sorted(state.apart):
        if id_ in parts:
            standing[id_] = Event(id_)
    return replace(fitted, components=parts, standing=tuple(standing.values()))


def word(part: Component, passes: bool) -> Literal["open", "closed"]:
    """The word of the format for a normal position: a switch that passes is closed, a valve that passes is open."""
    return "open" if part.position_name(passes) == "open" else "closed"
