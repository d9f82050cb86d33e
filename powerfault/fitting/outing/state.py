"""What is the system after each step of a plan? The facts that each step leaves, and the topology that they make.

A device that the plan opened is open: it passes nothing, tagged or not, and so it stands lost for the failure study.
Untagged it might be reclosed; a second topology takes it as a normally open device that can be. What is demated, moved
or drained, and a pump that is stopped, stand lost. A proposal holds once everything that it brings is in.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from powerfault.fitting.isolation.open_points import failed_position
from powerfault.fitting.outing.facts import Effect, Fact, after
from powerfault.fitting.outing.plan import Job, OutingPlan, Step
from powerfault.fitting.outing.works import Fitting, Works
from powerfault.model.elements import Component, Event, Topology
from powerfault.model.modify import apply_proposals

State = frozenset[Fact]


def named(task: str | tuple[str, str]) -> str:
    """A part or link as the word of a fact."""
    return task if isinstance(task, str) else " - ".join(task)


class Course:
    """Follows a plan: which step has which effect on the state, and which system a state is."""

    def __init__(self, plan: OutingPlan, topology: Topology) -> None:
        self.plan, self.topology = plan, topology
        self.works = Works(plan, topology)
        self.everything = apply_proposals(topology, self.works.order)
        """The system with every proposal of the plan, whatever it takes away left out."""
        self.parts = {**topology.components, **self.everything.components}
        self.last_job = {p: j.id for _, j in plan.jobs() for p in j.fits}
        self.plugs = {
            c.id: frozenset(a if b == c.id else b for a, b in topology.links if c.id in (a, b))
            for c in topology.components.values()
            if c.is_jumper and not c.mated
        }
        """The places into which each jumper goes that is not mated in the file."""
        self.effects = {s.id: self._effect(s) for _, _, s in plan.steps()}
        is_open = {c.id for c in self.parts.values() if c.normally_open and c.is_switched}
        self.initial: State = frozenset(("open", i) for i in (*is_open, *self.plugs))
        self._known: dict[tuple[State, bool], Topology] = {}

    # ---- devices

    def is_device(self, id_: str) -> bool:
        part = self.parts.get(id_)
        return part is not None and (part.is_switched or part.kind == "fuse")

    def opens(self, step: Step, id_: str) -> bool:
        """Whether ``step`` puts ``id_`` where it passes nothing: an opened switch, a closed valve."""
        return self.is_device(id_) and step.do == ("close" if self.parts[id_].kind == "valve" else "open")

    def joins(self, step: Step, id_: str) -> bool:
        """Whether ``step`` puts ``id_`` where it passes: a closed switch, an opened valve."""
        return self.is_device(id_) and step.do == ("open" if self.parts[id_].kind == "valve" else "close")

    # ---- effects

    def _effect(self, step: Step) -> Effect:
        adds: set[Fact] = set()
        removes: set[Fact] = set()
        pairs = {"earth": "unearth", "cover": "uncover", "cap": "uncap", "drain": "fill", "stop": "restart"}
        for id_ in step.what:
            if step.do in ("open", "close") and self.is_device(id_) and not failed_position(self.topology, id_):
                (adds if self.opens(step, id_) else removes).add(("open", id_))
                removes.add(("seen", id_))
                adds.add(("moved", id_))
            elif step.do == "tag":
                adds |= {("tag", id_, who) for who in step.who}
            elif step.do == "untag":
                removes |= {("tag", id_, who) for who in step.who}
            elif step.do == "see-open":
                adds.add(("seen", id_))
            elif step.do in pairs:
                adds.add((step.do, id_))
            elif step.do in pairs.values():
                removes.add((next(k for k, v in pairs.items() if v == step.do), id_))
            elif step.do == "guard":
                adds.add(("guard", id_))
            elif step.do == "demate" and id_ not in self.works.owner:
                adds.add(("apart", id_))
            if step.do in ("mate", "reconnect", "demate"):
                self._plug(step, id_, adds, removes)
        for fitting, task in self.works.does(step):
            adds.add(("done", fitting.id, named(task)))
        return Effect(frozenset(adds), frozenset(removes - adds))

    def _plug(self, step: Step, id_: str, adds: set[Fact], removes: set[Fact]) -> None:
        jumpers = [j for j, places in self.plugs.items() if id_ == j or id_ in places]
        ends = {("plug", j, n) for j in jumpers for n in (self.plugs[j] if id_ == j else (id_,))}
        if step.do == "demate":
            removes |= ends
            if id_ in self.plugs:
                adds.add(("open", id_))
                adds.discard(("apart", id_))
            owner = self.works.owner.get(id_)
            if owner:
                removes.add(("done", owner, id_))
        else:
            adds |= ends
            removes |= {("apart", id_), ("cap", id_), *(("open", j) for j in jumpers)}

    def at_begin(self, state: State, step: Step) -> State:
        """The state while ``step`` is under way: only a relocation takes something out before its end."""
        return state | {("moving", i) for i in step.what} if step.do == "relocate" else state

    def at_end(self, state: State, step: Step, job: Job) -> State:
        """The state when ``step`` of ``job`` has ended."""
        state = after(state, self.effects[step.id])
        if step.do == "relocate":
            state -= {("moving", i) for i in step.what}
            state |= {("holds", p) for p in job.fits if not self.works.fittings[p].tasks}
        return state

    def job_done(self, state: State, job: Job) -> State:
        """The state when all steps of ``job`` have ended. What no step puts in counts as in for the exposure alone."""
        mine = [p for p in job.fits if self.last_job[p] == job.id]
        untold = [p for p in mine if not self.works.fittings[p].tasks or not self.works.fittings[p].done_by]
        return state | {("holds", p) for p in untold}

    # ---- systems

    def is_done(self, state: State, fitting: Fitting) -> bool:
        tasks = fitting.tasks
        return ("holds", fitting.id) in state or (
            bool(tasks) and all(("done", fitting.id, named(t)) in state for t in tasks)
        )

    def fitted(self, state: State) -> tuple[str, ...]:
        """The proposals that hold in ``state``."""
        return tuple(p for p in self.works.order if self.is_done(state, self.works.fittings[p]))

    def half_done(self, state: State) -> tuple[str, ...]:
        """The parts that are in, of proposals that do not hold yet."""
        holds = set(self.fitted(state))
        return tuple(sorted(f[2] for f in state if f[0] == "done" and f[1] not in holds))

    def system(self, state: State, *, reclosed: bool = False) -> Topology:
        """The topology of ``state``; ``reclosed``: open devices without a tag may be closed again by who operates them.

        Raises :class:`ModelError` if a proposal does not apply.
        """
        if (state, reclosed) not in self._known:
            self._known[state, reclosed] = self._system(state, reclosed)
        return self._known[state, reclosed]

    def _system(self, state: State, reclosed: bool) -> Topology:
        fitted = apply_proposals(self.topology, self.fitted(state))
        parts: dict[str, Component] = dict(fitted.components)
        tagged = {f[1] for f in state if f[0] == "tag"}
        lost = {f[1] for f in state if f[0] in ("apart", "moving", "drain", "stop")}
        for id_, part in parts.items():
            is_open, moved = ("open", id_) in state, ("moved", id_) in state
            if moved and part.is_switched:
                parts[id_] = replace(part, normally=word(part, not is_open))
            if is_open and self.is_device(id_) and (id_ in tagged or (moved and not reclosed)):
                lost.add(id_)
            if id_ in self.plugs and all(("plug", id_, n) in state for n in self.plugs[id_]) and self.plugs[id_]:
                parts[id_] = replace(part, mated=True)
        standing = {e.id: e for e in fitted.standing}
        for id_ in parts:
            if id_ in lost:
                standing.setdefault(id_, Event(id_))
        return replace(fitted, components=parts, standing=tuple(standing.values()))


def word(part: Component, passes: bool) -> Literal["open", "closed"]:
    """The word of the format for a normal position: a switch that passes is closed, a valve that passes is open."""
    return "open" if part.position_name(passes) == "open" else "closed"
