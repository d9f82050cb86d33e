"""Where are the hands in a step, and what stands between them and every source? The judgement of one work site.

``isolation.open_points`` says what an open point is and counts them, for ``isolate`` and for a plan alike. Here only
that is credited which the plan makes sure of: open, tagged and (where the site asks for it) seen open.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from powerfault.fitting.isolation.open_points import (
    JOINING_KINDS,
    WeakestPath,
    WorkSite,
    find_work_site,
)
from powerfault.fitting.isolation.study import with_what_was
from powerfault.fitting.outing.facts import Facts
from powerfault.fitting.outing.plan import WORKS, Job, OutingPlan, Step
from powerfault.fitting.outing.state import Course, State, named
from powerfault.model.elements import Topology
from powerfault.model.modify import apply_proposals
from powerfault.model.open_point_rules import OpenPointRules


class Sites:
    """The work sites of one plan, and what is certain at each step."""

    def __init__(self, plan: OutingPlan, course: Course, rules: OpenPointRules, facts: Facts) -> None:
        self.plan, self.course, self.rules, self.facts = plan, course, rules, facts
        self.topology, self.works = course.topology, course.works
        self._systems: dict[tuple[str, ...], Topology] = {}

    # ---- what is there

    def system(self, job: Job) -> Topology:
        """The system around ``job``: with what it fits, and what that takes away. Hands are on both."""
        target = self.works.target(job)
        if target not in self._systems:
            earlier = apply_proposals(self.topology, [p for p in target if p not in job.fits])
            self._systems[target] = with_what_was(earlier, apply_proposals(self.topology, target))
        return self._systems[target]

    def not_fitted(self, step: str) -> frozenset[str]:
        """Parts of proposals that are not certain to be in when ``step`` begins."""
        return frozenset(
            i for i, p in self.works.owner.items() if not self.facts.certain(("done", p, i), step)
        )  # fmt: skip

    def may_be_there(self, id_: str, step: str) -> bool:
        """Whether ``id_`` may be in place; a jumper that no step names may be, as soon as something joins it."""
        owner = self.works.owner.get(id_)
        if owner is None or self.works.fittings[owner].is_open_jumper(id_):
            return True
        return not self.facts.ruled_out(("done", owner, id_), step)

    def ends(self, step: Step, job: Job) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Where hands are in ``step``: the ends, and those things of which only the service (cooling) is changed."""
        if step.do not in WORKS:
            return (), ()
        system = self.system(job)
        service = {i for p in job.fits for i in self.works.fittings[p].service_only}
        hands = [i for i in step.what if i in system.components or i in system.loads]
        if step.do in ("relocate", "work"):
            done = self.works.does(step)
            coming = {t for _, t in done if isinstance(t, str)}
            for fitting, task in done:
                pairs = [task] if not isinstance(task, str) else [p for p in fitting.made if task in p]
                for i in (i for p in sorted(pairs) for i in p):
                    if i in hands or i in coming or fitting.is_open_jumper(i) or self.may_be_there(i, step.id):
                        hands.append(i)
            linked = {i for _, t in done if not isinstance(t, str) for i in t}
            only = tuple(i for i in step.what if i in service and i not in linked)
            hands = [i for i in hands if i not in only]
        else:
            only = ()
            for _, task in self.works.does(step):
                if not isinstance(task, str):
                    hands += task
        return both_ends(system, dict.fromkeys(hands)) if hands else (), only

    # ---- what is open

    def open_points(
        self, step: str, since: str | None = None, *, tagged: bool = True, seen: bool = True
    ) -> frozenset[str]:
        """The devices that are open for certain during ``step`` (and since an earlier one), with tag and seen open."""
        facts, parts = self.facts, self.course.parts
        found = set()
        for kind in ("open", "stop"):
            for fact in facts.of(kind):
                id_ = fact[1]
                if not facts.certain(fact, step, since):
                    continue
                if tagged and not any(facts.certain(t, step, since) for t in facts.of("tag") if t[1] == id_):
                    continue
                must_see = self.plan.practice.see_open and seen and (self.course.is_device(id_) or id_ not in parts)
                if must_see and not facts.certain(("seen", id_), step, since):
                    continue
                found.add(id_)
        return frozenset(found)

    def open_by_clock(self, state: State) -> frozenset[str]:
        """The devices open and tagged in the state by the clock."""
        tagged = {f[1] for f in state if f[0] == "tag"}
        return frozenset(f[1] for f in state if f[0] in ("open", "stop") and f[1] in tagged)

    def site(self, system: Topology, ends: Iterable[str], credited: Collection[str], step: str) -> WorkSite:
        return find_work_site(system, ends, self.rules, credited=credited, not_fitted=self.not_fitted(step))

    def short(self, site: WorkSite, phases: Sequence[str]) -> list[WeakestPath]:
        """The weakest paths with fewer open points than asked."""
        return [p for p in site.weakest_paths((), phases) if p.count < self.rules.points]


def solid(site: WorkSite, start: str, without: Collection[str] = ()) -> frozenset[str]:
    """What is joined to ``start`` by metal (or pipe) alone: through no open point, no jumper and no mating face."""
    parts = site.topology.components
    around: dict[str, set[str]] = {}
    for v, sources in site.into.items():
        for u in sources:
            around.setdefault(v, set()).add(u)
            around.setdefault(u, set()).add(v)
    found, waiting = {start}, [start]
    while waiting:
        v = waiting.pop()
        for w in around.get(v, ()):
            part, here = parts.get(w), parts.get(v)
            if w in found or part is None or w in without or part.is_jumper or site.is_open(w):
                continue
            if part.is_coolant and w in site.devices and site.devices[w].stands_open:
                continue  # a valve that is closed parts the pressure on its two sides, though it is worked on itself
            faces = here is not None and not part.is_coolant
            if faces and here is not None and part.kind in JOINING_KINDS and here.kind in JOINING_KINDS:
                continue
            found.add(w)
            waiting.append(w)
    return frozenset(found)


def reach(topology: Topology, start: str, is_open: Collection[str]) -> frozenset[str]:
    """What a closing of ``start`` would join it to: everything up to the next open devices, over links both ways."""
    around: dict[str, set[str]] = {}
    for a, b in topology.links:
        around.setdefault(a, set()).add(b)
        around.setdefault(b, set()).add(a)
    found, waiting = {start}, [start]
    while waiting:
        for w in around.get(waiting.pop(), ()):
            if w not in found and w not in is_open:
                found.add(w)
                waiting.append(w)
    return frozenset(found)


def fewest_open(site: WorkSite, phases: Iterable[str]) -> dict[str, int]:
    """The fewest open devices between each source and any end."""
    found: dict[str, int] = {}
    for p in site.weakest_paths((), phases):
        found[p.source] = min(p.count, found.get(p.source, p.count))
    return found


def both_ends(system: Topology, contacts: Iterable[str]) -> tuple[str, ...]:
    """The places to prove dead for work on ``contacts``: every connector joined to them by jumpers and cables, or
    what a jumper without connectors plugs into (itself, where that is a switch or valve); else the contacts themselves.
    """
    neighbours: dict[str, set[str]] = {}
    for a, b in system.links:
        neighbours.setdefault(a, set()).add(b)
        neighbours.setdefault(b, set()).add(a)
    ends: dict[str, None] = {}
    for contact in contacts:
        part = system.components.get(contact)
        if part is None or part.kind not in JOINING_KINDS:
            ends[contact] = None
            continue
        group, waiting = {contact}, [contact]
        while waiting:
            v = waiting.pop()
            for w in neighbours.get(v, ()):
                part = system.components.get(w)
                if w not in group and part is not None and part.kind in JOINING_KINDS:
                    group.add(w)
                    waiting.append(w)
        joined = [i for i in system.components if i in group]
        connectors = [i for i in joined if system.components[i].kind == "connector"]
        jumpers = [i for i in joined if system.components[i].is_jumper]
        if len(connectors) < 2 and jumpers:
            # At a switch or valve the end is the jumper's own: the device beside it may well be what isolates it.
            beside = {
                j if system.components[w].is_switched else w
                for j in jumpers
                for w in neighbours.get(j, ())
                if w in system.components
            }
            connectors = [i for i in system.components if i in beside] or connectors
        ends.update(dict.fromkeys(connectors or [contact]))
    return tuple(ends)


def open_ends(sites: Sites, step: str, system: Topology) -> tuple[tuple[str, ...], Topology]:
    """Ends that may be free when ``step`` is done: half fitted, demated, or half plugged in; and the system of it."""
    facts, course = sites.facts, sites.course
    ends: dict[str, None] = {}
    not_there: set[tuple[str, str]] = set()
    for fitting in sites.works.fittings.values():
        done = {t: ("done", fitting.id, named(t)) for t in fitting.tasks}
        if not done or all(facts.certain(f, step) for f in done.values()) or not fitting.done_by:
            continue
        sure, may = {}, {}
        for pair in fitting.made:
            conditions = [done[c] for c in fitting.conditions(pair) if c in done]
            sure[pair] = bool(conditions) and all(facts.certain(f, step) for f in conditions)
            may[pair] = bool(conditions) and not any(facts.ruled_out(f, step) for f in conditions)
            if not may[pair]:
                not_there.add(pair)
        for pair in sorted(fitting.made):
            if sure[pair]:
                continue
            for end in pair:
                if end not in fitting.added:
                    continue
                if fitting.is_open_jumper(end):
                    there = any(may[p] for p in fitting.made if end in p)
                else:
                    there = not facts.ruled_out(("done", fitting.id, end), step)
                if there:
                    ends[end] = None
    for fact in facts.of("apart"):
        if not facts.ruled_out(fact, step):
            ends[fact[1]] = None
    for jumper, places in course.plugs.items():
        plugs = [("plug", jumper, n) for n in places]
        some = any(not facts.ruled_out(f, step) for f in plugs)
        if some and not all(facts.certain(f, step) for f in plugs):
            ends[jumper] = None
            not_there |= {
                (min(jumper, n), max(jumper, n)) for n in places if facts.ruled_out(("plug", jumper, n), step)
            }
    if not ends:
        return (), system
    links = tuple(x for x in system.links if (min(x), max(x)) not in not_there)
    return tuple(e for e in ends if e in system.components), replace(system, links=links)
