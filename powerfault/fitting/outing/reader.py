"""Is the file a valid plan of outings? All problems at once, each with line, column and path.

Fields are read by the tables of ``outing.fields``. What the plan says of the power system (components, proposals,
phases) is checked against the topology; whether the steps are safe is asked in ``outing.study``.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from graphlib import CycleError, TopologicalSorter
from typing import Any

from powerfault.errors import ModelError
from powerfault.fitting.outing.fields import JOB, OUTING, PLAN, PRACTICE, SITE, STEP
from powerfault.fitting.outing.plan import (
    INSIDE,
    SYNONYMS,
    Job,
    Outing,
    OutingPlan,
    Practice,
    Step,
)
from powerfault.model.elements import Topology
from powerfault.model.fields import Field
from powerfault.model.places import Findings, describe, in_order, shorten
from powerfault.model.values import Values
from powerfault.model.yaml_lines import Document, decode, parse_yaml, read_bytes

PLAN_VERSION = 1


def load_plan(path: str | os.PathLike[str], topology: Topology) -> OutingPlan:
    """Return the plan in the file at ``path``. Raises :class:`ModelError` with every problem found."""
    file, content = read_bytes(path)
    return _read(content, decode(content, file), file, topology)


def read_plan_text(text: str, topology: Topology, file: str = "<plan>") -> OutingPlan:
    """Return the plan written in ``text``."""
    return _read(text.encode("utf-8", "surrogatepass"), text, file, topology)


def _read(content: bytes, text: str, file: str, topology: Topology) -> OutingPlan:
    return _Reader(parse_yaml(text, file), topology).plan(hashlib.sha256(content).hexdigest())


class _Reader:
    def __init__(self, document: Document, topology: Topology) -> None:
        self.document, self.topology = document, topology
        self.findings = Findings(document.file, document.values, document.keys)
        self.values = Values(self.findings, topology.phase_names)
        self.crew: tuple[str, ...] = ()
        self.rooms: dict[str, int] = {}
        self.ids = [*topology.components, *topology.loads]
        for proposal in topology.proposals.values():
            self.ids += [*(proposal.add.get("components") or {}), *(proposal.add.get("loads") or {})]

    # ---- tools

    def refuse(self, path: str, message: str, *, key: bool = False) -> None:
        self.findings.problem(path, message, key=key)

    def words(self, path: str, value: Any) -> tuple[str, ...]:
        """One word or a list of words."""
        if value is None:
            return ()
        items = value if isinstance(value, list) else [value]
        for number, item in enumerate(items):
            if not isinstance(item, str):
                where = f"{path}[{number}]" if isinstance(value, list) else path
                self.refuse(where, f"expected an id, found {describe(item)}")
        return tuple(dict.fromkeys(item for item in items if isinstance(item, str)))

    def known(self, path: str, value: str | None, names: Iterable[str], what: str) -> str | None:
        names = list(names)
        if value is None or value in names:
            return value
        listed = ", ".join(names[:12]) or "none"
        hint = self.findings.suggest(value, names)
        self.refuse(path, f"unknown {what} {shorten(value)!r}{hint}; there is {listed}")
        return None

    def all_known(self, path: str, value: Any, names: Iterable[str], what: str) -> tuple[str, ...]:
        names = list(names)
        found = self.words(path, value)
        for number, name in enumerate(found):
            self.known(f"{path}[{number}]" if isinstance(value, list) else path, name, names, what)
        return found

    def table(self, path: str, data: Any, table: dict[str, Field], what: str) -> dict[str, Any]:
        return self.values.fields(path, data, table, what)

    # ---- the plan

    def plan(self, sha256: str) -> OutingPlan:
        data = self.document.data
        if not isinstance(data, dict):
            problem = self.findings.place("", f"expected a plan of outings (a mapping), found {describe(data)}")
            raise ModelError([problem])
        top = self.table("", data, PLAN, "a plan")
        if top.get("outing_plan", PLAN_VERSION) != PLAN_VERSION:
            found = describe(top["outing_plan"])
            self.refuse("outing_plan", f"expected {PLAN_VERSION}, the only version read, found {found}")
        self.crew = self._crew(top.get("crew"))
        for name, fields in (top.get("sites") or {}).items():
            self.rooms[name] = self.table(f"sites.{name}", fields, SITE, "a site").get("room", 2)
        travel = self._travel(top.get("travel_min"))
        outings = tuple(self._outing(name, fields) for name, fields in (top.get("outings") or {}).items())
        if "outings" in top and not outings:
            self.refuse("outings", "a plan has at least one outing")
        plan = OutingPlan(
            name=top.get("name") or "plan of outings",
            about=top.get("about"),
            crew=self.crew,
            rooms=self.rooms,
            travel_min=travel,
            outings=outings,
            open_points=top.get("open_points"),
            practice=Practice(**self.table("practice", top.get("practice"), PRACTICE, "practice")),
            file=self.document.file,
            sha256=sha256,
            positions={**self.document.keys, **self.document.values},
        )
        self._check_whole(plan)
        if self.findings.problems:
            raise ModelError(in_order(self.findings.problems))
        return plan

    def _crew(self, names: tuple[str, ...] | None) -> tuple[str, ...]:
        if names is None:
            return ()
        if len(names) != 2:
            self.refuse("crew", f"an outing has two crew members of different names, found {len(names)}")
        if INSIDE in names:
            self.refuse("crew", f"{INSIDE!r} is who sends commands from inside; call a crew member otherwise")
        return names

    def _travel(self, data: Any) -> dict[tuple[str, str], float]:
        minutes = Field("minutes", "number", "minutes of travel", least=0)
        travel: dict[tuple[str, str], float] = {}
        for a, row in (data or {}).items():
            self.known(f"travel_min.{a}", a, self.rooms, "site")
            read = self.values.mapping(f"travel_min.{a}", row, "minutes by site")
            for b in read:
                self.known(f"travel_min.{a}.{b}", b, self.rooms, "site")
            for b, value in self.table(f"travel_min.{a}", read, dict.fromkeys(read, minutes), "travel").items():
                if travel.get((b, a), value) != value:
                    back = travel[b, a]
                    self.refuse(
                        f"travel_min.{a}.{b}", f"from {a} to {b} takes {value:g} min, but back {back:g}; give one"
                    )
                travel[a, b] = travel[b, a] = value
        return travel

    def _outing(self, name: str, data: Any) -> Outing:
        path = f"outings.{name}"
        read = self.table(path, data, OUTING, "an outing")
        jobs = tuple(self._job(f"{path}.jobs.{job}", job, fields) for job, fields in (read.get("jobs") or {}).items())
        if "jobs" in read and not jobs:
            self.refuse(f"{path}.jobs", "an outing has at least one job")
        for field in ("start_site", "end_site"):
            self.known(f"{path}.{field}", read.get(field), self.rooms, "site")
        self.known(f"{path}.start_phase", read.get("start_phase"), self.topology.phase_names, "phase")
        return Outing(
            id=name,
            label=read.get("label"),
            jobs=jobs,
            limit_min=read.get("limit_min"),
            start_site=read.get("start_site"),
            end_site=read.get("end_site"),
            start_phase=read.get("start_phase"),
            into_phase_min=read.get("into_phase_min", 0.0),
            path=path,
        )

    def _job(self, path: str, name: str, data: Any) -> Job:
        read = self.table(path, data, JOB, "a job")
        steps: list[Step] = []
        listed = read.get("steps")
        if listed is not None and (not isinstance(listed, list) or not listed):
            self.refuse(f"{path}.steps", f"expected a list of steps, found {describe(listed)}")
        elif listed:
            for number, fields in enumerate(listed):
                step = self._step(f"{path}.steps[{number}]", fields, steps[-1].id if steps else None)
                if step is not None:
                    steps.append(step)
        return Job(
            id=name,
            label=read.get("label"),
            steps=tuple(steps),
            fits=self.all_known(f"{path}.fits", read.get("fits"), self.topology.proposals, "proposal"),
            priority=read.get("priority", 1),
            after=self.words(f"{path}.after", read.get("after")),
            path=path,
        )

    def _step(self, path: str, data: Any, before: str | None) -> Step | None:
        count = len(self.findings.problems)
        if isinstance(data, dict) and isinstance(data.get("do"), str):
            said = data["do"].replace("_", " ")
            data = {**data, "do": SYNONYMS.get(said, SYNONYMS.get(data["do"], data["do"]))}
        read = self.table(path, data, STEP, "a step")
        do = read.get("do")
        who = self.words(f"{path}.who", read.get("who"))
        if who == ("both",):
            who = self.crew
        for number, name in enumerate(who):
            where = f"{path}.who[{number}]" if isinstance(read.get("who"), list) else f"{path}.who"
            self.known(where, name, (*self.crew, INSIDE), "crew member")
        if "who" in read and not who:
            self.refuse(f"{path}.who", f"a step says who does it: {', '.join(self.crew)}, both or {INSIDE}")
        what = self.all_known(f"{path}.what", read.get("what"), self.ids, "component or load")
        to = self.known(f"{path}.to", read.get("to"), self.rooms, "site")
        self.known(f"{path}.site", read.get("site"), self.rooms, "site")
        if do == "travel" and "to" not in read:
            self.refuse(path, "a travel says where to")
        if do not in ("travel", None) and "to" in read:
            self.refuse(f"{path}.to", f"only a travel goes anywhere; a {do} has a site")
        if do not in ("travel", "wait", "work", "relocate", None) and not what:
            self.refuse(path, f"a {do} says what it is done to")
        if read.get("minutes") is None and do not in ("travel", None):
            self.refuse(path, f"a {do} says how many minutes it takes")
        after = self.words(f"{path}.after", read["after"]) if "after" in read else (before,) if before else ()
        if len(self.findings.problems) > count or do is None:
            return None
        return Step(
            id=read["id"], do=do, who=who, what=what, minutes=read.get("minutes"), after=tuple(after), to=to,
            by=read.get("by", "meter"), site=read.get("site"), at_min=read.get("at_min"), label=read.get("label"),
            path=path,
        )  # fmt: skip

    # ---- the whole

    def _check_whole(self, plan: OutingPlan) -> None:
        """Names used once, what comes later in the plan, and circles."""
        turn: dict[str, tuple[int, int]] = {}
        jobs = [j.id for _, j in plan.jobs()]
        for n, (_, job) in enumerate(plan.jobs()):
            if job.id in jobs[:n]:
                self.refuse(job.path, f"the job {job.id} is in two outings; give each its own name", key=True)
            for step in job.steps:
                if step.id in turn:
                    self.refuse(f"{step.path}.id", f"the step {step.id} is given twice; ids are unique in a plan")
                turn[step.id] = (n, 0)
        for n, (_, job) in enumerate(plan.jobs()):
            for i, earlier in enumerate(job.after):
                path = f"{job.path}.after[{i}]"
                if self.known(path, earlier, jobs, "job") and jobs.index(earlier) > n:
                    self.refuse(path, f"the job {earlier} stands later in the plan; list it before {job.id}")
            for step in job.steps:
                for i, earlier in enumerate(step.after):
                    path = f"{step.path}.after[{i}]"
                    if self.known(path, earlier, turn, "step") and turn[earlier][0] > n:
                        self.refuse(path, f"the step {earlier} belongs to a later job; jobs are done in turn")
        steps = {s.id: s for _, _, s in plan.steps()}
        try:
            TopologicalSorter({i: s.after for i, s in steps.items()}).prepare()
        except CycleError as error:
            circle = [str(i) for i in reversed(error.args[1])]
            last = steps.get(circle[0])
            self.refuse(f"{last.path}.after" if last else "outings", f"steps in a circle: {' after '.join(circle)}")
