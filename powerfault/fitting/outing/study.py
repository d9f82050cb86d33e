"""Is the installation safe step by step, and how exposed is the system on the way?

A plan of outings is followed in time (``outing.timeline``). Each step is checked against the lock-out
sequence when it begins (``outing.rules``), and the system that it leaves behind is judged when it
ends (``outing.exposure``): what is dark, what each consumer still tolerates, the worst next failure, and
whether the outing can stop there. A step that breaks a rule is *refused*, and no state after it is called safe.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from powerfault.fitting.isolation.checks import interruption
from powerfault.fitting.isolation.choice import SWITCHED_BY
from powerfault.fitting.isolation.not_served import LOST, HeldOpen
from powerfault.fitting.isolation.open_points import find_work_site
from powerfault.fitting.isolation.remarks import CAUTION, Remark
from powerfault.fitting.isolation.study import not_served_consumer
from powerfault.fitting.outing.closing import check_ends, with_ends
from powerfault.fitting.outing.exposure import BestOrder, Judgement, StateJudge
from powerfault.fitting.outing.order import Planner
from powerfault.fitting.outing.plan import Job, Outing, OutingPlan
from powerfault.fitting.outing.rules import Moment, RuleCheck
from powerfault.fitting.outing.site import both_ends
from powerfault.fitting.outing.state import Course, State
from powerfault.fitting.outing.timeline import Slot, Timeline, build_timeline, precedence
from powerfault.model.elements import Topology
from powerfault.model.open_point_rules import OpenPointRules, read_rules


@dataclass(frozen=True, slots=True)
class StepState:
    """The system when a step has ended. ``stop`` is ``yes``, ``care`` or ``no``, with the reasons."""

    outing: str
    job: str
    slot: Slot
    state: State
    judgement: Judgement
    if_reclosed: Judgement
    """With the open devices that carry no tag closed again by who operates them."""
    fitted: tuple[str, ...]
    findings: tuple[Remark, ...]
    refused: bool
    """Whether this step or one before it breaks a rule: then nothing that follows is called safe."""
    stop: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class OutingResult:
    """One outing: its timeline, its steps in the order in which they end, and its exposure up to ``horizon``.

    ``profile`` holds (begin, end, shortfall) pieces. ``best`` is the least exposed order of its jobs, ``None`` where
    there is only one job or ``order_note`` says why not.
    """

    timeline: Timeline
    steps: tuple[StepState, ...]
    profile: tuple[tuple[float, float, int], ...]
    exposure: float
    horizon: float
    best: BestOrder | None
    order_note: str | None

    @property
    def outing(self) -> Outing:
        return self.timeline.outing


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanStudy:
    """The result of :func:`study_plan`. ``start`` is the system before the first step."""

    plan: OutingPlan
    topology: Topology
    rules: OpenPointRules
    order: int
    modes: tuple[str, ...]
    start: Judgement
    results: tuple[OutingResult, ...]
    findings: tuple[Remark, ...]

    @property
    def refused(self) -> bool:
        return any(f.refuses for f in self.findings)

    @property
    def last(self) -> StepState:
        return self.results[-1].steps[-1]


def study_plan(
    topology: Topology,
    plan: OutingPlan,
    *,
    order: int = 2,
    modes: Sequence[str] = ("loss",),
    find_order: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> PlanStudy:
    """Follow ``plan`` on ``topology``.

    States are judged up to ``order`` failures in ``modes``; with ``find_order`` the least exposed order of the jobs of
    each outing is sought. Raises :class:`ModelError` where a proposal of the plan does not apply, or a travel has no
    minutes.
    """
    return _Follower(topology, plan, StateJudge(order, modes), progress).run(find_order)


class _Follower:
    def __init__(
        self, topology: Topology, plan: OutingPlan, judge: StateJudge, progress: Callable[[int, int], None] | None
    ) -> None:
        self.topology, self.plan, self.judge, self.progress = topology, plan, judge, progress
        self.course = Course(plan, topology)
        self.rules = read_rules(topology, plan.open_points)
        # Where things stand, those that the plan brings included.
        self.places = self.course.everything
        self.start = judge.judge(self.course.system(self.course.initial))
        self.done = 0
        self.total = sum(1 for _ in plan.steps())

    def run(self, find_order: bool) -> PlanStudy:
        plan = self.plan
        before = precedence(plan, {o.id: [j.id for j in o.jobs] for o in plan.outings})
        self.check = check = RuleCheck(plan, self.course, self.rules, with_ends(plan, before))
        state, refused_by = self.course.initial, None
        results: list[OutingResult] = []
        found: list[Remark] = []
        for outing in plan.outings:
            timeline = build_timeline(plan, outing, self.places)
            begun = state
            steps, changes, state, refused_by = self._follow(timeline, check, state, refused_by)
            profile = _profile([(m, self._shortfall(x)) for m, x in changes], timeline.length)
            horizon = max(outing.limit_min or 0.0, timeline.length)
            best, note = None, None
            if find_order:
                planner = Planner(plan, outing, self.course, self.places, self.judge, begun)
                best, note = planner.best(horizon)
            exposure = sum((b - a) * s for a, b, s in profile) + (horizon - timeline.length) * profile[-1][2]
            results.append(OutingResult(timeline, tuple(steps), profile, round(exposure, 6), horizon, best, note))
            found += timeline.findings
            found += [f for s in steps for f in s.findings if f not in timeline.findings]
            found += self._interruptions(timeline, changes)
        found += check_ends(plan, check)
        asked = read_rules(self.topology).points
        if self.rules.points < asked:
            said = f"the plan asks {self.rules.points} open points on every path, the file of the system {asked}"
            found.append(Remark("isolate", CAUTION, said, (), *plan.place("open_points")))
        return PlanStudy(
            plan=plan,
            topology=self.topology,
            rules=self.rules,
            order=self.judge.order,
            modes=self.judge.modes,
            start=self.start,
            results=tuple(results),
            findings=tuple(found),
        )

    def _follow(
        self, timeline: Timeline, check: RuleCheck, state: State, refused_by: str | None
    ) -> tuple[list[StepState], list[tuple[float, State]], State, str | None]:
        """Steps in the order in which they end, and (minute, state from then on) of each change."""
        outing = timeline.outing
        jobs = {j.id: j for j in outing.jobs}
        place = {s.step.id: n for n, s in enumerate(timeline.slots)}
        waiting: list[Slot] = []
        left = {j.id: len(j.steps) for j in outing.jobs}
        checked: dict[str, tuple[Remark, ...]] = {}
        steps: list[StepState] = []
        changes = [(0.0, state)]

        def end(slot: Slot) -> None:
            nonlocal state
            job = jobs[slot.job]
            state = self.course.at_end(state, slot.step, job)
            left[job.id] -= 1
            if not left[job.id]:
                state = self.course.job_done(state, job)
            judgement = self.judge.judge(self.course.system(state))
            changes.append((slot.end, state))
            again = self.judge.judge(self.course.system(state, reclosed=True))
            stop, reasons = self._stop(state, judgement, again, refused_by, job)
            own, refused = checked[slot.step.id], refused_by is not None
            fitted = self.course.fitted(state)
            steps.append(
                StepState(outing.id, job.id, slot, state, judgement, again, fitted, own, refused, stop, reasons)
            )
            self.done += 1
            if self.progress is not None:
                self.progress(self.done, self.total)

        def settle(until: float) -> None:
            for slot in sorted(waiting, key=lambda s: (s.end, place[s.step.id])):
                if slot.end <= until + 1e-9:
                    waiting.remove(slot)
                    end(slot)

        for slot in sorted(timeline.slots, key=lambda s: (s.begin, place[s.step.id])):
            settle(slot.begin)
            moment = self._moment(outing, jobs[slot.job], slot, state)
            own = [f for f in timeline.findings if f.ids and f.ids[-1] == slot.step.id and f.rule != "limit"]
            checked[slot.step.id] = (*check.check(moment), *own)
            if refused_by is None and any(f.refuses for f in checked[slot.step.id]):
                refused_by = slot.step.id
            during = self.course.at_begin(state, slot.step)
            if during != state:
                state = during
                changes.append((slot.begin, state))
            waiting.append(slot)
        settle(float("inf"))
        return steps, changes, state, refused_by

    def _moment(self, outing: Outing, job: Job, slot: Slot, state: State) -> Moment:
        commanded: frozenset[str] = frozenset()
        if slot.step.do in ("open", "close"):
            commanded = HeldOpen(self.course.system(state)).live((), SWITCHED_BY)
        return Moment(
            outing.id,
            job,
            slot,
            state,
            phases_between(self.topology, outing, slot.begin, slot.end),
            phases_between(self.topology, outing, slot.begin, slot.begin),
            commanded,
        )

    def _shortfall(self, state: State) -> int:
        """That of the state as it is, or with untagged devices reclosed if that is worse."""
        both = (self.judge.judge(self.course.system(state, reclosed=r)).shortfall for r in (False, True))
        return max(both)

    def _interruptions(self, timeline: Timeline, changes: list[tuple[float, State]]) -> list[Remark]:
        """The longest time in which each consumer is not served, against what it allows: the rule of an isolation."""
        outing, place = timeline.outing, self.plan.place(timeline.outing.path)
        before = HeldOpen(self.course.system(self.course.initial)).judge([()])[0].after(SWITCHED_BY)
        since: dict[str, float] = {}
        longest: dict[str, float] = {}
        for n, (minute, state) in enumerate(changes):
            until = changes[n + 1][0] if n + 1 < len(changes) else timeline.length
            if until <= minute:
                continue
            phases = phases_between(self.topology, outing, minute, until)
            down = HeldOpen(self.course.system(state), phases).judge([()])[0].after(SWITCHED_BY) - before
            since = {i: since.get(i, minute) for i in down}
            longest |= {i: max(longest.get(i, 0.0), until - begun) for i, begun in since.items()}
        found = []
        for id_, minutes in sorted(longest.items()):
            consumer = not_served_consumer(self.places, id_, LOST, self.topology.phase_names)
            for remark in interruption(consumer, round(minutes, 6)):
                found.append(replace(remark, line=place[0], column=place[1]))
        return found

    def _stop(
        self, state: State, judgement: Judgement, again: Judgement, refused_by: str | None, job: Job
    ) -> tuple[str, tuple[str, ...]]:
        """Whether the outing can stop in ``state``: ``yes``, ``care`` or ``no``, and why."""
        no, care = [], []
        if refused_by is not None:
            no.append(f"follows the violation at {refused_by}: this state is not known to be safe")
        half = self.course.half_done(state)
        if half:
            no.append(f"half mated: {', '.join(half)}; the far end is a source")
        apart = sorted(f[1] for f in state if f[0] in ("apart", "moving"))
        exposed = [i for i in apart if not self._isolated(state, i, job)]
        if exposed:
            no.append(f"apart and not isolated: {', '.join(exposed)}")
        elif apart:
            care.append(f"apart, isolated and tagged: {', '.join(apart)}")
        down = [i for i in judgement.failing if i not in self.start.failing]
        worst = [i for i in down if self.severity_of(i) == "catastrophic"]
        if worst:
            no.append(f"fails without any further failure: {', '.join(worst)}")
        if len(down) > len(worst):
            care.append(f"not served: {', '.join(i for i in down if i not in worst)}")
        loose = sorted(f[1] for f in state if f[0] == "open" and ("moved", f[1]) in state)
        tagged = sorted({f[1] for f in state if f[0] == "tag"})
        loose = [i for i in loose if i not in tagged]
        if loose:
            if_so = ", ".join(i for i in again.failing if i not in self.start.failing) or "nothing"
            care.append(f"open without a tag, may be reclosed: {', '.join(loose)} (not served if reclosed: {if_so})")
        more = judgement.shortfall - self.start.shortfall
        if more > 0:
            care.append(f"tolerance deficit {judgement.shortfall}, {more} more than before the first step")
        for kind, words in (("tag", "left open under tag"), ("earth", "left earthed"), ("drain", "left drained")):
            left = sorted({f[1] for f in state if f[0] == kind})
            if left:
                care.append(f"{words}: {', '.join(left)}")
        return ("no" if no else "care" if care else "yes"), (*no, *care)

    def severity_of(self, consumer: str) -> str | None:
        """The severity of a consumer, by the system with all proposals of the plan."""
        found = self.places.loads.get(consumer) or self.places.functions.get(consumer)
        return found.severity if found else None

    def _isolated(self, state: State, id_: str, job: Job) -> bool:
        """Whether what is apart is isolated from every source in every phase, under tags."""
        system = self.check.sites.system(job)
        if id_ not in system.components:
            return True
        credited = self.check.sites.open_by_clock(state)
        site = find_work_site(system, both_ends(system, [id_]), self.rules, credited=credited)
        return all(p.count >= self.rules.points for p in site.weakest_paths((), system.phase_names))


def phases_between(topology: Topology, outing: Outing, begin: float, end: float) -> tuple[str, ...]:
    """The phases into which the minutes from ``begin`` to ``end`` of an outing may fall.

    All of them unless the outing says in which phase it begins and every phase has a duration. Phases follow each
    other in the order of the file, over and over.
    """
    names = topology.phase_names
    lengths = [p.duration_h * 60.0 if p.duration_h else None for p in topology.phases]
    if outing.start_phase is None or any(x is None for x in lengths):
        return names
    known = [x for x in lengths if x is not None]
    at = names.index(outing.start_phase)
    clock = -outing.into_phase_min
    while clock + known[at] <= begin + 1e-9:
        clock += known[at]
        at = (at + 1) % len(names)
    found = {names[at]}
    while clock + known[at] < end - 1e-9 and len(found) < len(names):
        clock += known[at]
        at = (at + 1) % len(names)
        found.add(names[at])
    return tuple(n for n in names if n in found)


def _profile(changes: Sequence[tuple[float, int]], length: float) -> tuple[tuple[float, float, int], ...]:
    """Pieces of equal shortfall from 0 to ``length``."""
    pieces: list[tuple[float, float, int]] = []
    for n, (minute, shortfall) in enumerate(changes):
        until = changes[n + 1][0] if n + 1 < len(changes) else length
        if until <= minute:
            continue
        if pieces and pieces[-1][2] == shortfall and abs(pieces[-1][1] - minute) < 1e-9:
            pieces[-1] = (pieces[-1][0], until, shortfall)
        else:
            pieces.append((minute, until, shortfall))
    return tuple(pieces) or ((0.0, length, changes[-1][1]),)


def unmet_text(judgement: Judgement, most: int = 8) -> str:
    """The consumers whose requirement is not met, in a line."""
    names = judgement.unmet
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more if names else "none"
