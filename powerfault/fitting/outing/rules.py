"""Is each step of a plan safe to begin? The lock-out sequence, checked step by step.

A contact is mated or demated only while every path from every source to both its ends holds enough open and tagged
devices, after the wait for stored energy, after each end was proved dead, and nothing on which that rests is closed
before it is done (29 CFR 1910.147(d), NFPA 70E-2018 120.5, EN 50110-1). What counts as done before a step is what the
plan itself puts before it, by dependencies, hands and the turn of jobs; what the clock alone puts before it does not.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from powerfault.errors import PowerfaultError
from powerfault.fitting.isolation.checks import check_connectors
from powerfault.fitting.isolation.findings import CAUTIONS, REFUSES, Finding
from powerfault.fitting.isolation.open_points import JOINING_KINDS, WeakestPath, WorkSite, find_work_site
from powerfault.fitting.outing.certain import Certain, both_ends, fewest_open
from powerfault.fitting.outing.plan import INSIDE, ON_CONTACTS, ON_DEVICES, Job, Plan, Step
from powerfault.fitting.outing.state import Course, SystemState, state_topology
from powerfault.fitting.outing.timeline import Slot
from powerfault.model.elements import Topology
from powerfault.model.modify import apply_proposals
from powerfault.model.open_point_rules import OpenPointRules


@dataclass(frozen=True, slots=True)
class Moment:
    """A step with what is known when it begins: the state by the clock, the phases it may fall into."""

    outing: str
    job: Job
    slot: Slot
    state: SystemState
    phases: tuple[str, ...]
    start_phases: tuple[str, ...]
    commanded: frozenset[str]
    """What is live or served when it begins (by command), for the check of who can operate what."""

    @property
    def step(self) -> Step:
        return self.slot.step


class RuleCheck:
    """Checks the steps of one plan in one order of its jobs."""

    def __init__(self, plan: Plan, course: Course, rules: OpenPointRules, before: Mapping[str, frozenset[str]]) -> None:
        self.plan, self.course, self.rules, self.before = plan, course, rules, before
        self.topology = course.topology
        self.steps = {s.id: s for _, _, s in plan.steps()}
        self.outing_of = {s.id: o.id for o, _, s in plan.steps()}
        self.matings: dict[str, int] = {}

    def check(self, moment: Moment) -> list[Finding]:
        """Return the findings on one step. Steps are to be given in the order in which they begin."""
        step = moment.step
        if step.do in ON_DEVICES:
            return list(self._device(moment))
        found: list[Finding] = []
        contacts = [i for i in step.what if self._is_contact(moment, i)]
        if step.do in ON_CONTACTS:
            found += self._sequence(moment)
            contacts = list(step.what)
        if step.do in (*ON_CONTACTS, "relocate") and contacts:
            found += self._contact(moment, contacts)
        return found

    def _finding(self, step: Step, rule: str, weight: str, message: str, *ids: str) -> Finding:
        return Finding(rule, weight, f"{step.id}: {message}", (step.id, *ids), *self.plan.place(step.path))

    # ---- devices

    def _device(self, moment: Moment) -> Iterator[Finding]:
        step, state = moment.step, moment.state
        system = self._surroundings(moment)
        for id_ in step.what:
            part = system.components.get(id_)
            if part is None or not (part.is_switched or part.kind == "fuse"):
                kind = f"a {part.kind}" if part else "not there"
                said = f"{id_} is {kind}; only a switch, breaker, valve or fuse can be opened, closed or tagged"
                yield self._finding(step, "sequence", REFUSES, said, id_)
                continue
            position = state.position(id_)
            parted = part.normally_open if position is None else not position
            if step.do == "tag":
                if not parted:
                    said = f"{id_} does not stand {part.position_name(False)} when it is tagged"
                    yield self._finding(step, "sequence", REFUSES, said, id_)
                if step.who == (INSIDE,):
                    said = f"a tag on {id_} set from inside holds the command, not the device"
                    yield self._finding(step, "lock-and-tag", CAUTIONS, said, id_)
                if part.lockable is False:
                    yield self._finding(step, "lock-and-tag", CAUTIONS, f"{id_} cannot be locked, only tagged", id_)
                continue
            if step.do == "untag":
                if id_ not in state.tagged:
                    yield self._finding(step, "sequence", CAUTIONS, f"{id_} carries no tag of this plan", id_)
                yield from self._relied(moment, id_)
                continue
            if self.course.parts(step, id_) == parted:
                stands = part.position_name(not parted)
                yield self._finding(step, "sequence", CAUTIONS, f"{id_} stands {stands} already", id_)
            if self.course.joins(step, id_):
                if id_ in state.tagged:
                    word = part.position_name(True)
                    yield self._finding(step, "release", REFUSES, f"{id_} is put {word} under its tag", id_)
                yield from self._relied(moment, id_)
            operated = part.operated or ("commanded" if part.is_switched else "manual")
            yield from self._operator(moment, id_, operated, part.operated_by)

    def _operator(self, moment: Moment, id_: str, operated: str, by: tuple[str, ...]) -> Iterator[Finding]:
        step = moment.step
        if operated == "manual":
            if step.who == (INSIDE,):
                yield self._finding(step, "operate", REFUSES, f"{id_} is operated by hand, not from inside", id_)
            return
        if INSIDE not in step.who:
            yield self._finding(step, "operate", CAUTIONS, f"{id_} is operated by command; has it a handle?", id_)
        dead = [o for o in by if o not in moment.commanded]
        if dead and INSIDE in step.who:
            said = f"{id_} cannot be commanded: {', '.join(dead)} not served"
            yield self._finding(step, "operate", REFUSES, said, id_)

    def _relied(self, moment: Moment, id_: str) -> Iterator[Finding]:
        """Contacts whose work may not be done when ``id_`` is closed or its tag taken off."""
        step = moment.step
        for _, job, other in self.plan.steps():
            if other.do not in (*ON_CONTACTS, "relocate") or other.id in self.before[step.id]:
                continue
            if step.id in self.before[other.id] and self._parted_again(id_, step.id, other.id):
                continue
            if step.id not in self.before[other.id] and id_ in self._parts(job, other):
                verb = "freed" if step.do == "untag" else "put back"
                yield self._finding(step, "release", REFUSES, f"{id_} is {verb} while {other.id} may not be done", id_)

    def _parted_again(self, id_: str, after: str, until: str) -> bool:
        return any(
            (s.do == "tag" or self.course.parts(s, id_))
            and id_ in s.what
            and after in self.before[s.id]
            and s.id in self.before[until]
            for s in self.steps.values()
        )

    def _parts(self, job: Job, contact: Step) -> frozenset[str]:
        """The devices that the plan opens or tags before ``contact``."""
        return frozenset(
            i
            for s in self.steps.values()
            if s.id in self.before[contact.id]
            for i in s.what
            if s.do == "tag" or self.course.parts(s, i)
        )

    # ---- contacts

    def _is_contact(self, moment: Moment, id_: str) -> bool:
        part = self._surroundings(moment).components.get(id_)
        return part is not None and part.kind in (*JOINING_KINDS, "connector")

    def _surroundings(self, moment: Moment) -> Topology:
        """The system with the job's own proposals in it: what is half mated may be live from its far end."""
        fitted = (*moment.state.fitted, *(p for p in moment.job.fits if p not in moment.state.fitted))
        return apply_proposals(self.topology, fitted)

    def _sequence(self, moment: Moment) -> Iterator[Finding]:
        step, state = moment.step, moment.state
        for id_ in step.what:
            owner = self.course.owner.get(id_)
            new = owner is not None and owner not in state.fitted
            if owner is not None and new and owner not in moment.job.fits:
                said = f"{id_} belongs to {owner}, which its job does not fit"
                yield self._finding(step, "sequence", REFUSES, said, id_)
            elif step.do == "mate" and ((not new and id_ not in state.apart) or id_ in state.half):
                yield self._finding(step, "sequence", REFUSES, f"{id_} is mated already", id_)
            elif step.do == "reconnect" and id_ not in state.apart:
                yield self._finding(step, "sequence", REFUSES, f"{id_} was not demated in this plan", id_)
            elif step.do == "demate" and (id_ in state.apart or (new and id_ not in state.half)):
                yield self._finding(step, "sequence", REFUSES, f"{id_} is not mated", id_)

    def _contact(self, moment: Moment, contacts: list[str]) -> Iterator[Finding]:
        """Findings on work at ``contacts``, in the system as it is and in the one that the job makes."""
        step = moment.step
        certain = Certain(self.steps, self.course, self.before, step)
        seen: set[tuple[str, str, tuple[str, ...]]] = set()
        anywhere = False
        for number, system in enumerate(self._systems(moment)):
            there = [i for i in contacts if i in system.components]
            if not there:
                continue
            anywhere = True
            try:
                ends = both_ends(system, there)
                tagged = self._site(system, ends, certain.tagged)
                short = [p for p in tagged.weakest_paths((), moment.phases) if p.count < self.rules.points]
                found = [
                    *self._paths(moment, system, ends, certain, short),
                    *self._stored_and_proved(moment, tagged, ends, certain),
                    *(self._matings(moment, system, there) if not number else ()),
                ]
            except PowerfaultError as error:
                found = [self._finding(step, "isolate", REFUSES, f"cannot be judged: {error}", *contacts)]
            for f in found:
                if (f.rule, f.weight, f.ids) not in seen:
                    seen.add((f.rule, f.weight, f.ids))
                    yield f
        if not anywhere:
            said = f"{', '.join(contacts)} not there in this state"
            yield self._finding(step, "sequence", REFUSES, said, *contacts)

    def _systems(self, moment: Moment) -> list[Topology]:
        """The system with the job's proposals in it, and, where they take something away, the one before them too.

        What is half mated may be live from its far end; what is about to be taken off is live from where it hangs.
        """
        fresh = [p for p in moment.job.fits if p not in moment.state.fitted]
        systems = [self._surroundings(moment)]
        if any(self.topology.proposals[p].remove or self.topology.proposals[p].set for p in fresh):
            systems.append(apply_proposals(self.topology, moment.state.fitted))
        return systems

    def _site(self, system: Topology, ends: tuple[str, ...], parted: frozenset[str]) -> WorkSite:
        held = {c.id: c.id in parted for c in system.components.values() if c.is_switched or c.kind == "fuse"}
        return find_work_site(system, ends, self.rules, held=held)

    def _paths(
        self, moment: Moment, system: Topology, ends: tuple[str, ...], certain: Certain, short: list[WeakestPath]
    ) -> Iterator[Finding]:
        """One finding for each source that is not parted from the ends, by the rule that is broken first."""
        step, points = moment.step, self.rules.points
        if not short:
            return
        worst: dict[str, WeakestPath] = {}
        for p in short:
            if p.source not in worst or p.count < worst[p.source].count:
                worst[p.source] = p
        opened = fewest_open(self._site(system, ends, certain.opened), moment.phases)
        now = state_topology(system, moment.state)
        by_clock = frozenset(
            c.id for c in now.components.values() if c.normally_open and c.id in moment.state.tagged
        ) | {i for i in moment.state.tagged if moment.state.position(i) is False}
        clock = fewest_open(self._site(system, ends, by_clock), moment.phases)
        at_start = {
            p.source
            for p in self._site(system, ends, certain.tagged).weakest_paths((), moment.start_phases)
            if p.count < points
        }
        later = ", ".join(p for p in moment.phases if p not in moment.start_phases)
        for source, path in worst.items():
            way = " – ".join(path.nodes)
            ids: tuple[str, ...] = (source,)
            if clock.get(source, points) >= points:
                rule = "order"
                said = f"{source} is parted from it by the clock alone; put what opens and tags {way} in its 'after'"
            elif opened.get(source, points) >= points:
                rule = "lock-and-tag"
                bare = [i for i in path.nodes if i in certain.opened and i not in certain.tagged]
                ids = (source, *bare)
                said = f"{', '.join(bare) or 'what is open'} not tagged before it, on the way from {source} ({way})"
            elif source not in at_start:
                rule = "window"
                said = f"{source} comes alive before it is done: it may last into {later}"
            else:
                rule = "isolate"
                devices = f"{path.count} open and tagged device{'s' * (path.count != 1)}"
                said = f"{source} reaches {path.end} through {devices}, {points} asked ({way})"
            yield self._finding(step, rule, REFUSES, said, *ids)

    def _stored_and_proved(
        self, moment: Moment, site: WorkSite, ends: tuple[str, ...], certain: Certain
    ) -> Iterator[Finding]:
        step, before = moment.step, self.before
        system = site.topology
        section = [system.components[i] for i in site.section((), self.rules.points) if i in system.components]
        opens, tags = self._relevant(site, certain)
        wait_min = max((c.discharge_min for c in section if c.discharge_min), default=0.0)
        earlier = [self.steps[i] for i in before[step.id]]
        waited: set[str] = set()
        if wait_min:
            waits = [s for s in earlier if s.do == "wait" and (s.minutes or 0.0) >= wait_min]
            waited = {w.id for w in waits if opens <= before[w.id]}
            if not waited:
                holding = [c.id for c in section if c.discharge_min == wait_min]
                said = f"no wait of {wait_min:g} min (for {', '.join(holding)}) between the last opening and it"
                yield self._finding(step, "stored-energy", REFUSES, said, *holding)
        unknown = [c.id for c in section if c.discharge_min is None and c.capacitance_mf]
        if unknown:
            said = f"{', '.join(unknown)} hold charge; the file gives no discharge_min"
            yield self._finding(step, "stored-energy", CAUTIONS, said, *unknown)
        for end in ends:
            proofs = [s for s in earlier if s.do == "prove-dead" and end in s.what]
            measured = [p for p in proofs if p.by == "meter"]
            in_time = [p for p in measured if tags <= before[p.id] and (not waited or waited & before[p.id])]
            if proofs and not measured:
                yield self._finding(step, "position", REFUSES, f"{end} is called dead by telemetry alone", end)
            elif not measured:
                yield self._finding(step, "prove-dead", REFUSES, f"{end} is not proved dead before it", end)
            elif not in_time:
                said = f"{end} is proved dead too early: before everything is open, tagged and discharged"
                yield self._finding(step, "prove-dead", REFUSES, said, end)
            elif all(self.outing_of[p.id] != moment.outing for p in in_time):
                said = f"{end} was proved dead in an earlier outing; prove it again"
                yield self._finding(step, "prove-dead", CAUTIONS, said, end)

    def _relevant(self, site: WorkSite, certain: Certain) -> tuple[frozenset[str], frozenset[str]]:
        """The steps that open and tag the devices which part this site: those at most the asked count away."""
        near: set[str] = set()
        for end in site.ends:
            near |= {v for v, count in site.counts((), end).items() if count <= self.rules.points}
        opens = frozenset(s for i, s in certain.opening.items() if i in near)
        return opens, opens | frozenset(s for i, s in certain.tagging.items() if i in near)

    def _matings(self, moment: Moment, system: Topology, contacts: Iterable[str]) -> Iterator[Finding]:
        step = moment.step
        for id_ in contacts:
            part = system.components[id_]
            for f in check_connectors(system, (id_,)):
                yield self._finding(step, f.rule, f.weight, f.message, *f.ids)
            if step.do == "demate":
                continue
            self.matings[id_] = self.matings.get(id_, 0) + 1
            left = part.mate_cycles_left
            if left is not None and left >= 1 and self.matings[id_] > left:
                said = f"{id_} has {left} mating cycles left, and this is mating {self.matings[id_]} of the plan"
                yield self._finding(step, "connector", REFUSES, said, id_)
