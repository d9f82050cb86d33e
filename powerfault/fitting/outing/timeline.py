"""When does each step begin and end, and where does the plan trip over itself?

Jobs are done one after another. Within a job a step begins when what it depends on has ended, and each of its crew
members is free and has come to that step in the order of the list: the earliest start, i.e. the longest path through
dependencies and hands (the precedence method: Kelley and Walker 1959, from memory). A start that the plan fixes
(``at_min``) is kept and checked. Who is where follows from the travels; a travel without minutes takes them from the
plan's table for where its crew then is, so jobs can be put in another order.

Findings: a crew member in two places, a site without room, a fixed start before what it waits for, a limit exceeded.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from powerfault.fitting.isolation.remarks import VIOLATION, Remark
from powerfault.fitting.outing.plan import BY_COMMAND, INSIDE, Job, Outing, OutingPlan, Step, plan_error
from powerfault.model.elements import Topology

_EPSILON = 1e-9


@dataclass(frozen=True, slots=True)
class Slot:
    """One step in time. ``at`` is the site of each crew member during it (of a travel: where it ends)."""

    step: Step
    job: str
    begin: float
    end: float
    at: Mapping[str, str | None]


@dataclass(frozen=True, slots=True)
class Timeline:
    """All steps of one outing in time, the way home, and what is wrong with it."""

    outing: Outing
    jobs: tuple[str, ...]
    slots: tuple[Slot, ...]
    job_spans: Mapping[str, tuple[float, float]]
    home: Mapping[str, tuple[float, float]]
    """By crew member, begin and end of the way to the outing's end site, where it names one."""
    length: float
    findings: tuple[Remark, ...]

    def slot(self, step: str) -> Slot:
        return next(s for s in self.slots if s.step.id == step)


def step_order(job: Job) -> list[Step]:
    """The steps of a job in the order of the list, but none before what it depends on."""
    waiting = list(job.steps)
    own = {s.id for s in waiting}
    done: set[str] = set()
    ordered: list[Step] = []
    while waiting:
        step = next(s for s in waiting if all(a in done or a not in own for a in s.after))
        waiting.remove(step)
        done.add(step.id)
        ordered.append(step)
    return ordered


def site_of(plan: OutingPlan, topology: Topology, step: Step) -> str | None:
    """Where a step is done: its own site, else that of the first of its things that stands at a site of the plan."""
    if step.site is not None:
        return step.site
    for id_ in step.what:
        part = topology.components.get(id_)
        if part is not None and part.site in plan.rooms:
            return part.site
    return None


def build_timeline(plan: OutingPlan, outing: Outing, topology: Topology, jobs: Sequence[str] | None = None) -> Timeline:
    """Return the timeline of ``outing`` with its jobs in the order ``jobs`` (default: as planned).

    ``topology`` says where components stand; give one with the plan's proposals applied. Raises :class:`ModelError`
    where a travel has neither minutes nor an entry in the table.
    """
    by_id = {j.id: j for j in outing.jobs}
    order = tuple(jobs) if jobs is not None else tuple(by_id)
    place: dict[str, str | None] = dict.fromkeys(plan.crew, outing.start_site)
    clock = Clock(plan, topology, outing)
    spans: dict[str, tuple[float, float]] = {}
    begin = 0.0
    for id_ in order:
        end = clock.run(by_id[id_], begin, place)
        spans[id_] = (begin, end)
        begin = end
    home: dict[str, tuple[float, float]] = {}
    length = begin
    if outing.end_site is not None:
        for member in plan.crew:
            minutes = plan.travel(place[member], outing.end_site)
            if minutes is None and place[member] is not None:
                raise plan_error(
                    plan, f"{outing.path}.end_site", f"travel_min does not say how long from {place[member]} to "
                    f"{outing.end_site} takes",
                )  # fmt: skip
            if minutes:
                free = max((s.end for s in clock.slots if member in s.step.who), default=0.0)
                home[member] = (free, free + minutes)
                length = max(length, free + minutes)
    findings = [*clock.findings, *_rooms(plan, clock.slots)]
    if outing.limit_min is not None and length > outing.limit_min + _EPSILON:
        late = [s.step.id for s in clock.slots if s.end > outing.limit_min + _EPSILON]
        findings.append(
            Remark(
                "limit",
                VIOLATION,
                f"{outing.id} takes {length:g} min, {length - outing.limit_min:g} more than its limit of "
                f"{outing.limit_min:g}" + (f"; beyond it: {', '.join(late)}" if late else "; the way home is too long"),
                tuple(late),
                *plan.place(f"{outing.path}.limit_min"),
            )
        )
    return Timeline(outing, order, tuple(clock.slots), spans, home, length, tuple(findings))


class Clock:
    """Lays the steps of jobs out in time, one job after the other."""

    def __init__(self, plan: OutingPlan, topology: Topology, outing: Outing) -> None:
        self.plan, self.topology, self.outing = plan, topology, outing
        self.slots: list[Slot] = []
        self.findings: list[Remark] = []
        self.ends: dict[str, float] = {}

    def run(self, job: Job, begin: float, place: dict[str, str | None]) -> float:
        """Lay out ``job`` from ``begin`` on, move ``place``, and return when the job is done."""
        free = dict.fromkeys(self.plan.crew, begin)
        last = begin
        for step in step_order(job):
            members = [m for m in step.who if m != INSIDE]
            minutes = self._minutes(step, members, place)
            ready = max([begin, *(self.ends.get(a, 0.0) for a in step.after)])
            start = max([ready, *(free[m] for m in members)])
            if step.at_min is not None:
                self._fixed(step, members, ready, free)
                start = step.at_min
            where = step.to if step.do == "travel" else site_of(self.plan, self.topology, step)
            for member in members:
                if step.do != "travel" and where is not None and place[member] is not None and place[member] != where:
                    self._finding(
                        "two-places",
                        f"{member} is at {place[member]} and {step.id} is done at {where}: a travel is missing",
                        step,
                    )
                if where is not None and (step.do == "travel" or place[member] is None):
                    place[member] = where
                free[member] = max(free[member], start + minutes)
            if step.do != "travel":
                self._items(step, members, place)
            at = {m: place[m] for m in members}
            self.slots.append(Slot(step, job.id, start, start + minutes, at))
            self.ends[step.id] = start + minutes
            last = max(last, start + minutes)
        return last

    def _items(self, step: Step, members: Sequence[str], place: Mapping[str, str | None]) -> None:
        """Everything that a step is done to is where one of its people is."""
        if INSIDE in step.who and step.do in BY_COMMAND:
            return
        for id_ in step.what:
            part = self.topology.components.get(id_) or self.topology.loads.get(id_)
            where = part.site if part is not None else None
            if where not in self.plan.rooms or any(place[m] in (where, None) for m in members):
                continue
            if not members and step.do == "prove-dead" and step.by == "telemetry":
                continue  # refused as no proof, where it is relied upon
            people = ", ".join(f"{m} is at {place[m]}" for m in members) or "nobody outside does it"
            self._finding("two-places", f"{step.id} is done to {id_} at {where}, but {people}", step)

    def _minutes(self, step: Step, members: Iterable[str], place: Mapping[str, str | None]) -> float:
        if step.minutes is not None:
            return step.minutes
        longest = 0.0
        for member in members:
            minutes = self.plan.travel(place[member], step.to)
            if minutes is None:
                start = place[member] or "where the outing begins (no start_site)"
                raise plan_error(
                    self.plan,
                    step.path,
                    f"{step.id}: travel_min does not say how long from {start} to {step.to} takes; give minutes",
                )
            longest = max(longest, minutes)
        return longest

    def _fixed(self, step: Step, members: Iterable[str], ready: float, free: Mapping[str, float]) -> None:
        assert step.at_min is not None
        if step.at_min < ready - _EPSILON:
            waits = [a for a in step.after if self.ends.get(a, 0.0) > step.at_min + _EPSILON]
            what = f"{', '.join(waits)} ends at {ready:g}" if waits else f"its job begins at {ready:g}"
            self._finding("order", f"{step.id} is fixed at minute {step.at_min:g}, but {what}", step)
        for member in members:
            if free[member] > step.at_min + _EPSILON:
                later = [s.step.id for s in self.slots if member in s.step.who and s.end > step.at_min + _EPSILON]
                busy = later[-1] if later else "an earlier step"
                until = f"until minute {free[member]:g} when {step.id} begins at {step.at_min:g}"
                self._finding("two-places", f"{member} is still at {busy} {until}", step)

    def _finding(self, rule: str, message: str, step: Step) -> None:
        self.findings.append(Remark(rule, VIOLATION, message, (step.id,), *self.plan.place(step.path)))


def _rooms(plan: OutingPlan, slots: Sequence[Slot]) -> list[Remark]:
    """A site with more crew members in it at once than it has room for, each pair of steps named once."""
    findings = []
    for n, slot in enumerate(slots):
        for other in slots[:n]:
            if slot.begin >= other.end - _EPSILON or other.begin >= slot.end - _EPSILON:
                continue
            if "travel" in (slot.step.do, other.step.do):
                continue
            for site in sorted({w for w in slot.at.values() if w} & {w for w in other.at.values() if w}):
                here = {m for m, w in (*slot.at.items(), *other.at.items()) if w == site}
                if len(here) > plan.rooms[site]:
                    findings.append(
                        Remark(
                            "room",
                            VIOLATION,
                            f"{site} has room for {plan.rooms[site]}, but {', '.join(sorted(here))} are there for "
                            f"{other.step.id} and {slot.step.id} from minute {max(slot.begin, other.begin):g}",
                            (other.step.id, slot.step.id),
                            *plan.place(slot.step.path),
                        )
                    )
        alone: dict[str, int] = {}
        for where in slot.at.values():
            if where is not None and slot.step.do != "travel":
                alone[where] = alone.get(where, 0) + 1
        for site, count in alone.items():
            if count > plan.rooms[site]:
                findings.append(
                    Remark(
                        "room",
                        VIOLATION,
                        f"{site} has room for {plan.rooms[site]}, but {count} do {slot.step.id} there",
                        (slot.step.id,),
                        *plan.place(slot.step.path),
                    )
                )
    return findings


def precedence(plan: OutingPlan, orders: Mapping[str, Sequence[str]]) -> dict[str, frozenset[str]]:
    """By step, the steps that have ended before it begins by the plan itself and not only by the clock.

    Those it depends on, those that one of its crew members does before it, all steps of earlier jobs and outings, and
    whatever precedes these. ``orders`` gives the jobs of each outing in turn.
    """
    before: dict[str, frozenset[str]] = {}
    earlier: frozenset[str] = frozenset()
    for outing in plan.outings:
        by_id = {j.id: j for j in outing.jobs}
        for id_ in orders[outing.id]:
            hands: dict[str, str] = {}
            own: list[str] = []
            for step in step_order(by_id[id_]):
                members = [m for m in step.who if m != INSIDE]
                direct = {a for a in step.after if a in before} | {hands[m] for m in members if m in hands}
                before[step.id] = earlier.union(direct, *(before[a] for a in direct))
                hands.update(dict.fromkeys(members, step.id))
                own.append(step.id)
            earlier = earlier.union(own)
    return before
