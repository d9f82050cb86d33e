"""In which order are the jobs of an outing done with the least exposure?

Jobs may be put in another order as far as their ``after`` and their priorities allow: a job of priority 1 comes before
one of priority 2. What a job leaves behind is taken to be the same whatever was done before it; where two jobs leave
one device in different positions that does not hold, and no order is proposed.
"""

from __future__ import annotations

from powerfault.errors import PowerfaultError
from powerfault.fitting.outing.exposure import BestOrder, JobCost, StateJudge, Where, best_order
from powerfault.fitting.outing.plan import Job, Outing, OutingPlan
from powerfault.fitting.outing.state import Course, State
from powerfault.fitting.outing.timeline import Clock, Slot
from powerfault.model.elements import Topology


class Planner:
    """Orders the jobs of one outing that begins in ``begun``."""

    def __init__(
        self, plan: OutingPlan, outing: Outing, course: Course, places: Topology, judge: StateJudge, begun: State
    ) -> None:
        self.plan, self.outing, self.course = plan, outing, course
        self.places, self.judge, self.begun = places, judge, begun
        self.jobs = {j.id: j for j in outing.jobs}
        self._after: dict[frozenset[str], State] = {}

    def best(self, horizon: float) -> tuple[BestOrder | None, str | None]:
        """Return the best order, or ``None`` and why there is none to propose."""
        if len(self.jobs) < 2:
            return None, "one job: nothing to put in order"
        if any(s.at_min is not None for j in self.jobs.values() for s in j.steps):
            return None, "steps with a fixed start (at_min) keep the order of the plan"
        across = [
            (s.id, a) for j in self.jobs.values() for s in j.steps for a in s.after if a not in {x.id for x in j.steps}
        ]
        owner = {s.id: j.id for j in self.jobs.values() for s in j.steps}
        self._earlier = {i: set(j.after) & set(self.jobs) for i, j in self.jobs.items()}
        for step, earlier in across:
            if earlier in owner:
                self._earlier[owner[step]].add(owner[earlier])
        clash = self._clash()
        if clash:
            return None, clash
        every = frozenset(self.jobs)
        start: Where = tuple(self.outing.start_site for _ in self.plan.crew)
        try:
            final = self._shortfall(self._state(every))
            found = best_order(
                list(self.jobs), start, self._may_follow, self._cost, final, horizon, self.outing.limit_min, self._home
            )
        except PowerfaultError as error:
            return None, str(error)
        return found, None

    def _clash(self) -> str | None:
        left: dict[str, tuple[str, bool]] = {}
        for job in self.jobs.values():
            state = self.course.initial
            for slot in self._slots(job, tuple(self.outing.start_site for _ in self.plan.crew))[0]:
                state = self.course.at_end(state, slot.step, job)
            for id_, passes in ((f[1], ("open", f[1]) not in state) for f in state if f[0] == "moved"):
                if id_ in left and left[id_][1] != passes:
                    return f"{left[id_][0]} and {job.id} leave {id_} in different positions"
                left[id_] = (job.id, passes)
        return None

    def _may_follow(self, done: frozenset[str], job: str) -> bool:
        own = self.jobs[job]
        urgent = any(j.priority < own.priority and i not in done for i, j in self.jobs.items())
        return not urgent and self._earlier[job] <= done

    def _state(self, done: frozenset[str]) -> State:
        if done not in self._after:
            state = self.begun
            for id_, job in self.jobs.items():
                if id_ in done:
                    for slot in self._slots(job, tuple(self.outing.start_site for _ in self.plan.crew))[0]:
                        state = self.course.at_end(state, slot.step, job)
                    state = self.course.job_done(state, job)
            self._after[done] = state
        return self._after[done]

    def _slots(self, job: Job, where: Where) -> tuple[list[Slot], float, Where]:
        """The steps of ``job`` in the order in which they end, its length, and where it leaves the crew."""
        clock = Clock(self.plan, self.places, self.outing)
        place = dict(zip(self.plan.crew, where, strict=True))
        length = clock.run(job, 0.0, place)
        number = {s.step.id: n for n, s in enumerate(clock.slots)}
        slots = sorted(clock.slots, key=lambda s: (s.end, number[s.step.id]))
        return slots, length, tuple(place[m] for m in self.plan.crew)

    def _shortfall(self, state: State) -> int:
        both = (self.judge.judge(self.course.system(state, reclosed=r)).shortfall for r in (False, True))
        return max(both)

    def _cost(self, done: frozenset[str], where: Where, job_id: str) -> tuple[JobCost, Where]:
        job = self.jobs[job_id]
        slots, length, after = self._slots(job, where)
        state = self._state(done)
        changes: list[tuple[float, int, Slot, bool]] = []
        for n, slot in enumerate(slots):
            if slot.step.do == "relocate":
                changes.append((slot.begin, n, slot, False))
            changes.append((slot.end, n, slot, True))
        changes.sort(key=lambda c: (c[0], c[1], c[3]))
        exposure, minute = 0.0, 0.0
        left = len(slots)
        for at, _, slot, ended in changes:
            if at > minute:
                exposure += (at - minute) * self._shortfall(state)
                minute = at
            if ended:
                state = self.course.at_end(state, slot.step, job)
                left -= 1
                if not left:
                    state = self.course.job_done(state, job)
            else:
                state = self.course.at_begin(state, slot.step)
        return JobCost(length, exposure), after

    def _home(self, where: Where) -> float:
        if self.outing.end_site is None:
            return 0.0
        return max(self.plan.travel(w, self.outing.end_site) or 0.0 for w in where)
