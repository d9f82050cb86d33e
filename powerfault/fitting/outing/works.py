"""What does each step part or put in? Parts and links of the proposals, by comparing the system before and after.

A step with hands on something (mate, demate, reconnect, relocate, work) puts in the parts of its job's proposals that
it names, and with each of them its assembly: the parts between it and the existing system that no step names, but
never through a jumper, which has two ends. A link is made once the parts at both its ends are in; one between parts
that are there already is made, and one that the proposal removes is parted, by a step that names an end of it. What
a job's relocations leave unnamed is theirs. Whatever no step puts in leaves its proposal incomplete.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from powerfault.fitting.outing.plan import WORKS, Job, OutingPlan, Step
from powerfault.model.elements import Topology
from powerfault.model.modify import apply_proposals

Pair = tuple[str, str]
"""A link in either direction, its ends in alphabetical order."""


def pairs_of(topology: Topology) -> frozenset[Pair]:
    """Every link of the system, those into loads too."""
    return frozenset((min(a, b), max(a, b)) for a, b in (*topology.links, *topology.load_links()))


@dataclass(slots=True)
class Fitting:
    """One proposal being fitted: what it brings and takes away, and which steps do it. ``done_by`` is by part or link.

    ``service_only`` are components of which the proposal sets nothing but what they need (their cooling, say).
    """

    id: str
    before: Topology
    after: Topology
    added: tuple[str, ...]
    made: frozenset[Pair]
    parted: frozenset[Pair]
    mated: tuple[str, ...]
    """Jumpers of the file that the proposal sets to mated."""
    service_only: frozenset[str]
    done_by: dict[str | Pair, list[str]] = field(default_factory=dict)
    named: frozenset[str] = frozenset()

    def is_open_jumper(self, id_: str) -> bool:
        """Whether ``id_`` is a jumper that no step names: it is in when its ends are."""
        return id_ in self.added and id_ not in self.done_by and self.after.components[id_].is_jumper

    def conditions(self, pair: Pair) -> list[str | Pair]:
        """What has to be done for the link ``pair``: parts put in, or the link itself where both its ends are there."""
        parts: list[str | Pair] = [i for i in pair if i in self.added and not self.is_open_jumper(i)]
        return parts or [pair]

    @property
    def tasks(self) -> list[str | Pair]:
        """All that has to be done for the proposal to hold."""
        parts = [i for i in self.added if not self.is_open_jumper(i)]
        links = [p for p in sorted(self.made) if self.conditions(p) == [p]]
        return list(dict.fromkeys([*parts, *links, *sorted(self.parted), *self.mated]))

    @property
    def changed(self) -> tuple[str, ...]:
        """What stays and is given other values, needs among them."""
        old = {**self.before.components, **self.before.loads}
        new = {**self.after.components, **self.after.loads}
        return tuple(i for i, part in new.items() if i in old and part != old[i])

    @property
    def left_out(self) -> tuple[str, ...]:
        """What no step does."""
        return tuple(t if isinstance(t, str) else " - ".join(t) for t in self.tasks if not self.done_by.get(t))


class Works:
    """Which step does what, for all proposals of a plan."""

    def __init__(self, plan: OutingPlan, topology: Topology) -> None:
        self.plan, self.topology = plan, topology
        self.fittings: dict[str, Fitting] = {}
        jobs = [job for _, job in plan.jobs()]
        earlier: list[str] = []
        for job in jobs:
            for id_ in job.fits:
                if id_ not in self.fittings:
                    self.fittings[id_] = self._fitting(earlier, id_, [j for j in jobs if id_ in j.fits])
                    earlier.append(id_)
        self.owner = {i: f.id for f in self.fittings.values() for i in f.added}
        self.order = tuple(earlier)

    def does(self, step: Step) -> list[tuple[Fitting, str | Pair]]:
        """The parts put in and links made or parted by ``step``."""
        return [(f, t) for f in self.fittings.values() for t, steps in f.done_by.items() if step.id in steps]

    def target(self, job: Job) -> tuple[str, ...]:
        """The proposals that are being fitted, or are fitted, once ``job`` is done."""
        last = max((self.order.index(p) for p in job.fits), default=-1)
        turn = [j.id for _, j in self.plan.jobs()]
        earlier = {p for _, j in self.plan.jobs() if turn.index(j.id) <= turn.index(job.id) for p in j.fits}
        return tuple(p for n, p in enumerate(self.order) if p in earlier or n <= last)

    def _fitting(self, earlier: list[str], id_: str, jobs: list[Job]) -> Fitting:
        before = apply_proposals(self.topology, earlier)
        after = apply_proposals(before, [id_])
        old, new = pairs_of(before), pairs_of(after)
        added = tuple(i for i in after.components if i not in before.components)
        removed = {i for i in before.components if i not in after.components}
        service = frozenset(
            i
            for i, c in after.components.items()
            if i in before.components and c.needs != before.components[i].needs and not any(i in p for p in old ^ new)
        )
        fitting = Fitting(
            id_,
            before,
            after,
            added,
            new - old,
            frozenset(p for p in old - new if not removed.issuperset(p)),
            tuple(
                i for i, c in after.components.items()
                if i in before.components and c.is_jumper and c.mated and not before.components[i].mated
            ),
            service,
        )  # fmt: skip
        steps = [s for j in jobs for s in j.steps if s.do in WORKS and (s.what or s.do == "relocate")]
        self._assign(fitting, steps)
        return fitting

    def _assign(self, fitting: Fitting, steps: list[Step]) -> None:
        done_by = fitting.done_by
        putting = [s for s in steps if s.do != "demate"]
        for part in (*fitting.added, *fitting.mated):
            named = [s.id for s in putting if part in s.what]
            if named:
                done_by[part] = named
        fitting.named = frozenset(i for s in putting for i in s.what)
        for start in [i for i in dict.fromkeys(i for s in putting for i in s.what) if i in fitting.after.components]:
            own = [s.id for s in putting if start in s.what]
            for part in self._assembly(fitting, start):
                done_by.setdefault(part, own)
        for pair in sorted(fitting.made | fitting.parted):
            if pair in fitting.made and fitting.conditions(pair) != [pair]:
                continue
            able = putting if pair in fitting.made else [s for s in steps if s.do not in ("mate", "reconnect")]
            named = [s.id for s in able if set(pair) & set(s.what)]
            if named:
                done_by[pair] = named
        rest = [s.id for s in steps if s.do == "relocate"]
        if rest:
            for task in (*fitting.added, *fitting.tasks):
                done_by.setdefault(task, rest)

    def _assembly(self, fitting: Fitting, start: str) -> list[str]:
        """The parts of the proposal that come with ``start``."""
        found: list[str] = []
        waiting = [start]
        while waiting:
            here = waiting.pop()
            for a, b in sorted(fitting.made):
                if here not in (a, b):
                    continue
                other = b if here == a else a
                part = fitting.after.components.get(other)
                if part is None or other not in fitting.added or part.is_jumper:
                    continue
                if other not in fitting.named and other not in found:
                    found.append(other)
                    waiting.append(other)
        return found


def neighbours_of(topology: Topology, ids: Iterable[str]) -> set[str]:
    """What is linked directly to any of ``ids``."""
    wanted = set(ids)
    return {j for p in pairs_of(topology) for i, j in (p, p[::-1]) if i in wanted} - wanted
