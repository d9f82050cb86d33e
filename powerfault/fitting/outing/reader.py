"""Is the file a valid plan of outings? All problems at once, each with line, column and path.

What the plan says of the power system (components, proposals, phases) is checked against the topology; whether the
order of steps is safe is not asked here but in ``outing.rules``.
"""

from __future__ import annotations

import hashlib
import math
import os
from collections.abc import Iterable, Mapping
from typing import Any

from powerfault.errors import ModelError, Problem, nearest
from powerfault.fitting.outing.plan import ACTIONS, INSIDE, ON_CONTACTS, ON_DEVICES, Job, Outing, Plan, Step
from powerfault.model.elements import Topology
from powerfault.model.yaml_lines import Document, decode, parse_yaml, read_bytes

PLAN_VERSION = 1
_TOP = ("outing_plan", "name", "about", "crew", "sites", "travel_min", "outings", "open_points")
_OUTING = ("label", "limit_min", "start_site", "end_site", "start_phase", "into_phase_min", "jobs")
_JOB = ("label", "fits", "priority", "after", "steps")
_STEP = ("id", "do", "who", "what", "minutes", "after", "site", "to", "at_min", "by", "label", "notes")
_SITE = ("room", "label")
_PROOFS = ("meter", "telemetry")


def load_plan(path: str | os.PathLike[str], topology: Topology) -> Plan:
    """Return the plan in the file at ``path``. Raises :class:`ModelError` with every problem found."""
    file, content = read_bytes(path)
    return _read(content, decode(content, file), file, topology)


def read_plan_text(text: str, topology: Topology, file: str = "<plan>") -> Plan:
    """Return the plan written in ``text``."""
    return _read(text.encode("utf-8", "surrogatepass"), text, file, topology)


def _read(content: bytes, text: str, file: str, topology: Topology) -> Plan:
    return _Reader(parse_yaml(text, file), topology).plan(hashlib.sha256(content).hexdigest())


class _Reader:
    def __init__(self, document: Document, topology: Topology) -> None:
        self.document, self.topology = document, topology
        self.problems: list[Problem] = []
        self.crew: tuple[str, ...] = ()
        self.sites: dict[str, int] = {}
        self.ids = {*topology.components, *topology.loads}
        for proposal in topology.proposals.values():
            self.ids |= set(proposal.add.get("components") or {}) | set(proposal.add.get("loads") or {})

    # ---- tools

    def refuse(self, path: str, message: str, *, key: bool = False) -> None:
        places = (self.document.keys, self.document.values) if key else (self.document.values, self.document.keys)
        at = path
        place = (0, 0)
        while at and place == (0, 0):
            place = places[0].get(at) or places[1].get(at) or (0, 0)
            at = at.rpartition("[")[0] if at.endswith("]") else at.rpartition(".")[0]
        line, column = place if place != (0, 0) else (1, 1)
        self.problems.append(Problem(self.document.file, line, column, path, message))

    def mapping(self, path: str, data: Any, fields: Iterable[str] | None, what: str) -> dict[str, Any]:
        if data is None:
            return {}
        if not isinstance(data, Mapping):
            self.refuse(path, f"expected {what} (a mapping), found {_said(data)}")
            return {}
        known = tuple(fields) if fields is not None else None
        for name in data:
            if known is not None and name not in known:
                here = f"{path}.{name}" if path else name
                self.refuse(here, f"unknown field{nearest(name, known)}; {what} has {', '.join(known)}", key=True)
        return dict(data)

    def number(self, path: str, value: Any, least: float = 0.0) -> float | None:
        if value is None:
            return None
        fine = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        if not fine or value < least:
            self.refuse(path, f"expected a number not below {least:g}, found {_said(value)}")
            return None
        return float(value)

    def text(self, path: str, value: Any) -> str | None:
        if value is None or isinstance(value, str):
            return value
        self.refuse(path, f"expected text, found {_said(value)}")
        return None

    def words(self, path: str, value: Any) -> tuple[str, ...]:
        """One word or a list of words."""
        if value is None:
            return ()
        items = [value] if not isinstance(value, list) else value
        for number, item in enumerate(items):
            if not isinstance(item, str):
                where = f"{path}[{number}]" if isinstance(value, list) else path
                self.refuse(where, f"expected an id, found {_said(item)}")
        return tuple(item for item in items if isinstance(item, str))

    def known(self, path: str, value: str | None, names: Iterable[str], what: str) -> str | None:
        names = list(names)
        if value is None or value in names:
            return value
        listed = ", ".join(names[:12]) or "none"
        self.refuse(path, f"unknown {what} {value!r}{nearest(value, names)}; there is {listed}")
        return None

    # ---- the plan

    def plan(self, sha256: str) -> Plan:
        data = self.document.data
        if not isinstance(data, Mapping):
            found = _said(data)
            raise ModelError([Problem(self.document.file, 1, 1, "", f"expected a plan of outings, found {found}")])
        top = self.mapping("", data, _TOP, "a plan")
        if top.get("outing_plan") != PLAN_VERSION:
            found = _said(top.get("outing_plan"))
            self.refuse("outing_plan", f"expected outing_plan: {PLAN_VERSION}, the only version read, found {found}")
        self.crew = self._crew(top.get("crew"))
        self.sites = self._sites(top.get("sites"))
        travel = self._travel(top.get("travel_min"))
        points = top.get("open_points")
        if points is not None and (isinstance(points, bool) or not isinstance(points, int) or not 1 <= points <= 9):
            self.refuse("open_points", f"expected a whole number from 1 to 9, found {_said(points)}")
            points = None
        outings = tuple(
            self._outing(f"outings.{name}", name, fields)
            for name, fields in self.mapping("outings", top.get("outings"), None, "outings by name").items()
        )
        if not outings and not self.problems:
            self.refuse("outings", "a plan has at least one outing")
        plan = Plan(
            name=self.text("name", top.get("name")) or "plan of outings",
            about=self.text("about", top.get("about")),
            crew=self.crew,
            rooms=self.sites,
            travel_min=travel,
            outings=outings,
            open_points=points,
            file=self.document.file,
            sha256=sha256,
            positions={**self.document.keys, **self.document.values},
        )
        self._check_whole(plan)
        if self.problems:
            raise ModelError(sorted(self.problems))
        return plan

    def _crew(self, data: Any) -> tuple[str, ...]:
        names = tuple(data) if isinstance(data, Mapping) else self.words("crew", data)
        if len(names) != 2 or len(set(names)) != 2:
            self.refuse("crew", f"an outing has two crew members of different names, found {_said(data)}")
        for name in names:
            if name == INSIDE:
                self.refuse("crew", f"{INSIDE!r} is who sends commands from inside; call a crew member otherwise")
        return names

    def _sites(self, data: Any) -> dict[str, int]:
        sites = {}
        for name, fields in self.mapping("sites", data, None, "sites by name").items():
            read = self.mapping(f"sites.{name}", fields, _SITE, "a site")
            room = read.get("room", 2)
            if isinstance(room, bool) or not isinstance(room, int) or room < 1:
                self.refuse(f"sites.{name}.room", f"expected a whole number from 1, found {_said(room)}")
                room = 2
            sites[name] = room
        return sites

    def _travel(self, data: Any) -> dict[tuple[str, str], float]:
        travel: dict[tuple[str, str], float] = {}
        for a, row in self.mapping("travel_min", data, None, "minutes by site and site").items():
            self.known(f"travel_min.{a}", a, self.sites, "site")
            for b, value in self.mapping(f"travel_min.{a}", row, None, "minutes by site").items():
                path = f"travel_min.{a}.{b}"
                self.known(path, b, self.sites, "site")
                minutes = self.number(path, value)
                if minutes is None:
                    continue
                if travel.get((b, a), minutes) != minutes:
                    self.refuse(path, f"from {a} to {b} takes {minutes:g} min, but back {travel[b, a]:g}; give one")
                travel[a, b] = travel[b, a] = minutes
        return travel

    def _outing(self, path: str, name: str, data: Any) -> Outing:
        read = self.mapping(path, data, _OUTING, "an outing")
        phase = self.text(f"{path}.start_phase", read.get("start_phase"))
        jobs = tuple(
            self._job(f"{path}.jobs.{job}", job, fields)
            for job, fields in self.mapping(f"{path}.jobs", read.get("jobs"), None, "jobs by name").items()
        )
        if not jobs:
            self.refuse(f"{path}.jobs", "an outing has at least one job")
        sites = {
            field: self.known(f"{path}.{field}", self.text(f"{path}.{field}", read.get(field)), self.sites, "site")
            for field in ("start_site", "end_site")
        }
        return Outing(
            id=name,
            label=self.text(f"{path}.label", read.get("label")),
            jobs=jobs,
            limit_min=self.number(f"{path}.limit_min", read.get("limit_min")),
            start_site=sites["start_site"],
            end_site=sites["end_site"],
            start_phase=self.known(f"{path}.start_phase", phase, self.topology.phase_names, "phase"),
            into_phase_min=self.number(f"{path}.into_phase_min", read.get("into_phase_min")) or 0.0,
            path=path,
        )

    def _job(self, path: str, name: str, data: Any) -> Job:
        read = self.mapping(path, data, _JOB, "a job")
        fits = self.words(f"{path}.fits", read.get("fits"))
        for number, proposal in enumerate(fits):
            self.known(f"{path}.fits[{number}]", proposal, self.topology.proposals, "proposal")
        priority = read.get("priority", 1)
        if isinstance(priority, bool) or not isinstance(priority, int) or priority < 1:
            self.refuse(f"{path}.priority", f"expected a whole number from 1, found {_said(priority)}")
            priority = 1
        steps: list[Step] = []
        listed = read.get("steps")
        if not isinstance(listed, list) or not listed:
            self.refuse(f"{path}.steps", f"expected a list of steps, found {_said(listed)}")
        else:
            for number, fields in enumerate(listed):
                step = self._step(f"{path}.steps[{number}]", fields, steps[-1].id if steps else None)
                if step is not None:
                    steps.append(step)
        return Job(
            id=name,
            label=self.text(f"{path}.label", read.get("label")),
            steps=tuple(steps),
            fits=tuple(p for p in fits if p in self.topology.proposals),
            priority=priority,
            after=self.words(f"{path}.after", read.get("after")),
            path=path,
        )

    def _step(self, path: str, data: Any, before: str | None) -> Step | None:
        read = self.mapping(path, data, _STEP, "a step")
        count = len(self.problems)
        id_ = self.text(f"{path}.id", read.get("id"))
        do = self.known(f"{path}.do", self.text(f"{path}.do", read.get("do")), ACTIONS, "action")
        if id_ is None:
            self.refuse(f"{path}.id", "a step has an id")
        if do is None:
            if len(self.problems) == count:
                self.refuse(f"{path}.do", f"a step says what to do: {', '.join(ACTIONS)}")
            return None
        who = self.words(f"{path}.who", read.get("who"))
        if who == ("both",):
            who = self.crew
        if not who:
            self.refuse(f"{path}.who", f"a step says who does it: {', '.join(self.crew)}, both or {INSIDE}")
        for number, name in enumerate(who):
            where = f"{path}.who[{number}]" if isinstance(read.get("who"), list) else f"{path}.who"
            self.known(where, name, (*self.crew, INSIDE), "crew member")
        what = self.words(f"{path}.what", read.get("what"))
        for number, thing in enumerate(what):
            where = f"{path}.what[{number}]" if isinstance(read.get("what"), list) else f"{path}.what"
            self.known(where, thing, self.ids, "component or load")
        to = self.known(f"{path}.to", self.text(f"{path}.to", read.get("to")), self.sites, "site")
        if do == "travel" and to is None and "to" not in read:
            self.refuse(f"{path}.to", "a travel says where to")
        if do != "travel" and "to" in read:
            self.refuse(f"{path}.to", f"only a travel goes anywhere; a {do} has a site")
        if do in (*ON_DEVICES, *ON_CONTACTS, "prove-dead", "relocate") and not what:
            self.refuse(f"{path}.what", f"a {do} says what it is done to")
        minutes = self.number(f"{path}.minutes", read.get("minutes"))
        if minutes is None and do != "travel":
            self.refuse(f"{path}.minutes", f"a {do} says how many minutes it takes")
        by = self.known(f"{path}.by", self.text(f"{path}.by", read.get("by")) or "meter", _PROOFS, "way of proving")
        after = self.words(f"{path}.after", read.get("after")) if "after" in read else (before,) if before else ()
        if len(self.problems) > count:
            return None
        assert id_ is not None
        return Step(
            id=id_, do=do, who=who, what=what, minutes=minutes, after=tuple(after), to=to, by=by or "meter",
            site=self.known(f"{path}.site", self.text(f"{path}.site", read.get("site")), self.sites, "site"),
            at_min=self.number(f"{path}.at_min", read.get("at_min")),
            label=self.text(f"{path}.label", read.get("label")), path=path,
        )  # fmt: skip

    # ---- the whole

    def _check_whole(self, plan: Plan) -> None:
        seen: dict[str, tuple[int, int]] = {}  # step: (outing, job) by number
        jobs: dict[str, int] = {}
        for n, outing in enumerate(plan.outings):
            for job in outing.jobs:
                if job.id in jobs:
                    self.refuse(job.path, f"the job {job.id} is in two outings; give each its own name", key=True)
                jobs[job.id] = n
        number = 0
        for n, outing in enumerate(plan.outings):
            for job in outing.jobs:
                number += 1
                for step in job.steps:
                    if step.id in seen:
                        self.refuse(f"{step.path}.id", f"the step {step.id} is given twice; ids are unique in a plan")
                    seen[step.id] = (n, number)
                for i, earlier in enumerate(job.after):
                    path = f"{job.path}.after[{i}]"
                    if self.known(path, earlier, jobs, "job") and list(jobs).index(earlier) > list(jobs).index(job.id):
                        self.refuse(path, f"the job {earlier} stands later in the plan; list it before {job.id}")
        number = 0
        for n, outing in enumerate(plan.outings):
            for job in outing.jobs:
                number += 1
                for step in job.steps:
                    for i, earlier in enumerate(step.after):
                        path = f"{step.path}.after[{i}]"
                        if self.known(path, earlier, seen, "step") and seen[earlier] > (n, number):
                            self.refuse(path, f"the step {earlier} belongs to a later job; jobs are done in turn")
        steps = [s for _, _, s in plan.steps()]
        self._circles({s.id: s.after for s in steps}, {s.id: f"{s.path}.after" for s in steps})

    def _circles(self, after: Mapping[str, tuple[str, ...]], paths: Mapping[str, str]) -> None:
        """Refuse what depends on itself: depth first, iterative, each circle shown once."""
        state: dict[str, int] = {}
        for root in after:
            if root in state:
                continue
            stack = [(root, iter(after[root]))]
            state[root] = 1
            while stack:
                name, earlier = stack[-1]
                for other in earlier:
                    if other not in after:
                        continue
                    if state.get(other) == 1:
                        names = [n for n, _ in stack]
                        circle = " after ".join([*names[names.index(other) :], other])
                        self.refuse(paths[name], f"steps in a circle: {circle}")
                    elif other not in state:
                        state[other] = 1
                        stack.append((other, iter(after[other])))
                        break
                else:
                    state[name] = 2
                    stack.pop()


def _said(value: Any) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return f"the boolean {str(value).lower()}"
    if isinstance(value, Mapping):
        return "a mapping"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    return repr(value if not isinstance(value, str) else value[:60])
