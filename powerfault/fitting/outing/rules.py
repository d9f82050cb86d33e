"""Is each step of a plan safe to begin? The lock-out sequence, checked step by step.

Hands touch something only while every path from every source to it holds enough devices that are open, tagged and seen
open, after the wait for stored energy, after each end was proved dead, earthed and covered, and nothing on which that
rests is closed before it is done. What counts before a step is what the plan itself puts before it, by dependencies,
hands and the turn of jobs; what the clock alone puts before it does not. Sources of the rules: ``isolation.remarks``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from powerfault.errors import PowerfaultError
from powerfault.fitting.isolation.checks import check_connectors
from powerfault.fitting.isolation.open_points import WeakestPath, WorkSite, failed_position
from powerfault.fitting.isolation.remarks import CAUTION, VIOLATION, Remark
from powerfault.fitting.outing.coolant import Coolant
from powerfault.fitting.outing.facts import Fact, Facts
from powerfault.fitting.outing.plan import INSIDE, ON_CONTACTS, ON_DEVICES, WORKS, Job, OutingPlan, Step
from powerfault.fitting.outing.site import Sites, fewest_open, open_ends, reach, solid
from powerfault.fitting.outing.state import Course, State
from powerfault.fitting.outing.timeline import Slot
from powerfault.model.elements import Topology
from powerfault.model.open_point_rules import OpenPointRules


@dataclass(frozen=True, slots=True)
class Moment:
    """A step with what is known when it begins: the state by the clock, the phases it may fall into."""

    outing: str
    job: Job
    slot: Slot
    state: State
    phases: tuple[str, ...]
    start_phases: tuple[str, ...]
    commanded: frozenset[str]
    """What is live or served when it begins (by command), for the check of who can operate what."""

    @property
    def step(self) -> Step:
        return self.slot.step


class RuleCheck:
    """Checks the steps of one plan in one order of its jobs."""

    def __init__(
        self, plan: OutingPlan, course: Course, rules: OpenPointRules, before: Mapping[str, frozenset[str]]
    ) -> None:
        self.plan, self.course, self.rules, self.before = plan, course, rules, before
        self.topology, self.practice = course.topology, plan.practice
        self.steps = {s.id: s for _, _, s in plan.steps()}
        self.outing_of = {s.id: o.id for o, _, s in plan.steps()}
        self.facts = Facts(course.effects, before, course.initial)
        self.sites = Sites(plan, course, rules, self.facts)
        self.coolant = Coolant(self.sites, self.steps)
        self.matings: dict[str, int] = {}

    def check(self, moment: Moment) -> list[Remark]:
        """Return the remarks on one step. Steps are to be given in the order in which they begin."""
        step = moment.step
        if step.do in ON_DEVICES:
            return list(self._device(moment))
        found: list[Remark] = []
        if step.do in ON_CONTACTS:
            found += self._sequence(moment)
        if step.do in ("earth", "unearth"):
            found += self._earthing(moment)
        if step.do in ("depressurise", "drain"):
            found += self._letting_out(moment)
        if step.do == "restart":
            found += self._restart(moment)
        if step.do in WORKS:
            found += self._hands(moment)
        return found

    def _remark(self, step: Step, rule: str, weight: str, message: str, *ids: str) -> Remark:
        return Remark(rule, weight, f"{step.id}: {message}", (step.id, *ids), *self.plan.place(step.path))

    # ---- devices

    def _device(self, moment: Moment) -> Iterator[Remark]:
        step, facts = moment.step, self.facts
        system = self.sites.system(moment.job)
        for id_ in step.what:
            part = system.components.get(id_)
            parked = id_ in self.course.plugs or (part is not None and part.kind == "pump")
            if part is None or not (self.course.is_device(id_) or (parked and step.do in ("tag", "untag", "see-open"))):
                kind = f"a {part.kind}" if part else "not there"
                said = f"{id_} is {kind}; only a switch, breaker, valve or fuse can be opened, closed or tagged"
                yield self._remark(step, "sequence", VIOLATION, said, id_)
                continue
            failed = failed_position(self.topology, id_)
            is_open = facts.certain(("open", id_), step.id) or facts.certain(("stop", id_), step.id)
            if step.do in ("tag", "see-open"):
                if failed or not is_open:
                    word = part.position_name(False) if self.course.is_device(id_) else "stopped or unmated"
                    why = f"stands {failed}" if failed else f"is not known to be {word} then"
                    yield self._remark(step, "sequence", VIOLATION, f"{id_} {why}", id_)
                if step.do == "tag" and step.who == (INSIDE,):
                    said = f"a tag on {id_} set from inside holds the command, not the device"
                    yield self._remark(step, "lock-and-tag", CAUTION, said, id_)
                if step.do == "tag" and part.lockable is False:
                    yield self._remark(step, "lock-and-tag", CAUTION, f"{id_} cannot be locked, only tagged", id_)
            elif step.do == "untag":
                yield from self._untag(step, id_)
                yield from self._energising(moment, id_)
            else:
                yield from self._move(moment, id_, failed)

    def _untag(self, step: Step, id_: str) -> Iterator[Remark]:
        tags = [t for t in self.facts.of("tag") if t[1] == id_]
        if any(t[2] in step.who and self.facts.certain(t, step.id) for t in tags):
            return
        others = [t[2] for t in tags if t[2] not in step.who and not self.facts.ruled_out(t, step.id)]
        if others:
            said = f"the tag on {id_} is that of {', '.join(others)}, who alone may take it off"
            yield self._remark(step, "owner", VIOLATION, said, id_)
        else:
            yield self._remark(step, "sequence", CAUTION, f"{id_} carries no tag of this plan", id_)

    def _move(self, moment: Moment, id_: str, failed: str | None) -> Iterator[Remark]:
        step, part = moment.step, self.course.parts[id_]
        opens = self.course.opens(step, id_)
        word = part.position_name(not opens)
        if failed and failed != "lost":
            said = f"{id_} stands {failed}: it cannot be put {word}, and where it then is cannot be relied upon"
            yield self._remark(step, "operate", VIOLATION, said, id_)
        fact = ("open", id_)
        if self.facts.certain(fact, step.id) if opens else self.facts.ruled_out(fact, step.id):
            yield self._remark(step, "sequence", CAUTION, f"{id_} is {word} already", id_)
        if not opens:
            if any(not self.facts.ruled_out(t, step.id) for t in self.facts.of("tag") if t[1] == id_):
                yield self._remark(step, "release", VIOLATION, f"{id_} is put {word} under its tag", id_)
            yield from self._energising(moment, id_)
            yield from self._coolant_back(moment, id_)
        operated = part.operated or ("commanded" if part.is_switched else "manual")
        if operated == "manual":
            if step.who == (INSIDE,):
                yield self._remark(step, "operate", VIOLATION, f"{id_} is operated by hand, not from inside", id_)
            return
        if INSIDE not in step.who:
            yield self._remark(step, "operate", CAUTION, f"{id_} is operated by command; has it a handle?", id_)
        without = [o for o in part.operated_by if o not in moment.commanded]
        if without and INSIDE in step.who:
            said = f"{id_} cannot be commanded: {', '.join(without)} not served"
            yield self._remark(step, "operate", VIOLATION, said, id_)

    def _energising(self, moment: Moment, id_: str) -> Iterator[Remark]:
        """What stands against closing ``id_``, or freeing it: an earth, a free end, work that may not be done."""
        step, facts = moment.step, self.facts
        verb = "freed" if step.do == "untag" else "put back"
        system = self.sites.system(moment.job)
        is_open = {f[1] for f in facts.of("open") if facts.certain(f, step.id)} - {id_}
        near = reach(system, id_, is_open | (self._surely_absent(step)))
        earthed = [f[1] for f in facts.of("earth") if f[1] in near and not facts.ruled_out(f, step.id)]
        if earthed:
            yield self._remark(step, "earth", VIOLATION, f"{id_} is {verb} onto the earth at {', '.join(earthed)}", id_)
        ends, half = open_ends(self.sites, step.id, system)
        if ends:
            credited = self.sites.open_points(step.id) - {id_}
            site = self.sites.site(half, ends, credited, step.id)
            for end in dict.fromkeys(p.end for p in self.sites.short(site, moment.phases) if id_ in p.nodes):
                said = f"{id_} is {verb} while the end at {end} may be free and is not isolated without it"
                yield self._remark(step, "free-end", VIOLATION, said, id_, end)
        for other in self.steps.values():
            if other.do not in WORKS or other.id in self.before[step.id] or step.id in self.before[other.id]:
                continue
            job = next(j for _, j, s in self.plan.steps() if s.id == other.id)
            hands, _ = self.sites.ends(other, job)
            if not hands or other.id == step.id:
                continue
            there = self.sites.system(job)
            credited = self.sites.open_points(other.id)
            site = self.sites.site(there, hands, credited, other.id)
            if any(id_ in p.nodes for p in self.sites.short(site, moment.phases)):
                yield self._remark(step, "release", VIOLATION, f"{id_} is {verb} while {other.id} may not be done", id_)

    def _surely_absent(self, step: Step) -> frozenset[str]:
        return frozenset(i for i in self.course.works.owner if not self.sites.may_be_there(i, step.id))

    # ---- coolant

    def _coolant_back(self, moment: Moment, id_: str) -> Iterator[Remark]:
        if self.course.parts[id_].is_coolant:
            for said in self.coolant.not_ready(moment.step, self.before):
                yield self._remark(moment.step, "coolant", VIOLATION, said, id_)

    def _letting_out(self, moment: Moment) -> Iterator[Remark]:
        """A coolant line is opened to let its pressure or coolant go, so it is a work site too."""
        step = moment.step
        system = self.sites.system(moment.job)
        for id_ in (i for i in step.what if i in system.components and system.components[i].is_coolant):
            site = self.sites.site(system, (id_,), self.sites.open_points(step.id), step.id)
            for path in self.sites.short(site, moment.phases)[:1]:
                said = f"{id_} is opened though {path.source} may reach it ({' – '.join(path.nodes)})"
                yield self._remark(step, "coolant", VIOLATION, said, id_)

    def _restart(self, moment: Moment) -> Iterator[Remark]:
        for id_ in moment.step.what:
            if any(not self.facts.ruled_out(t, moment.step.id) for t in self.facts.of("tag") if t[1] == id_):
                yield self._remark(moment.step, "release", VIOLATION, f"{id_} is started under its tag", id_)
            yield from self._coolant_back(moment, id_)

    # ---- earths

    def _earthing(self, moment: Moment) -> Iterator[Remark]:
        step = moment.step
        system = self.sites.system(moment.job)
        for id_ in step.what:
            if step.do == "unearth":
                if not self.facts.certain(("earth", id_), step.id):
                    yield self._remark(step, "sequence", CAUTION, f"{id_} carries no earth of this plan", id_)
                continue
            if id_ not in system.components and id_ not in system.loads:
                yield self._remark(step, "sequence", VIOLATION, f"{id_} is not there", id_)
                continue
            site = self.sites.site(system, (id_,), self.sites.open_points(step.id), step.id)
            short = self.sites.short(site, moment.phases)
            if short:
                said = f"{id_} is earthed though {short[0].source} may reach it ({' – '.join(short[0].nodes)})"
                yield self._remark(step, "earth", VIOLATION, said, id_)
            elif not any(
                self._valid(p, step, system, id_, moment) and self.outing_of[p.id] == moment.outing
                for p in self._proofs(step, site, id_)
            ):
                yield self._remark(
                    step, "earth", VIOLATION, f"{id_} is earthed before it is proved dead in this outing", id_
                )

    # ---- hands on something

    def _sequence(self, moment: Moment) -> Iterator[Remark]:
        step, facts, works = moment.step, self.facts, self.course.works
        for id_ in step.what:
            owner = works.owner.get(id_)
            plugged = [f for f in facts.of("plug") if id_ in f[1:]]
            done: list[Fact] = [("done", owner, id_)] if owner else plugged
            apart = ("apart", id_)
            if owner is not None and owner not in works.target(moment.job):
                said = f"{id_} belongs to {owner}, which its job does not fit"
                yield self._remark(step, "sequence", VIOLATION, said, id_)
            elif step.do == "mate":
                mated = (
                    any(not facts.ruled_out(f, step.id) for f in done) if done else not facts.certain(apart, step.id)
                )
                moved = any(i == id_ or (not isinstance(i, str) and id_ in i) for _, i in works.does(step))
                if mated and not (moved and not owner):
                    yield self._remark(step, "sequence", VIOLATION, f"{id_} is mated already", id_)
            elif step.do == "reconnect" and not facts.certain(apart, step.id):
                yield self._remark(step, "sequence", VIOLATION, f"{id_} was not demated in this plan", id_)
            elif step.do == "demate":
                mated = all(facts.certain(f, step.id) for f in done) if done else facts.ruled_out(apart, step.id)
                if not mated:
                    yield self._remark(step, "sequence", VIOLATION, f"{id_} is not mated", id_)

    def _hands(self, moment: Moment) -> Iterator[Remark]:
        """Remarks on hands at the ends of a step."""
        step = moment.step
        system = self.sites.system(moment.job)
        gone = [i for i in step.what if i not in system.components and i not in system.loads]
        if gone:
            yield self._remark(step, "sequence", VIOLATION, f"{', '.join(gone)} not there in this state", *gone)
        ends, service = self.sites.ends(step, moment.job)
        for id_ in service:
            for said in self.coolant.before(step, (id_,), (id_,), self.before, None):
                yield self._remark(step, "coolant", VIOLATION, said, id_)
        if not ends:
            return
        try:
            credited = self.sites.open_points(step.id)
            site = self.sites.site(system, ends, credited, step.id)
            yield from self._paths(moment, system, ends, self.sites.short(site, moment.phases))
            yield from self._end_by_end(moment, system, site)
        except PowerfaultError as error:
            yield self._remark(step, "isolate", VIOLATION, f"cannot be judged: {error}", *ends)
        if step.do in ON_CONTACTS:
            yield from self._matings(moment, system, [i for i in step.what if i in system.components])

    def _paths(
        self, moment: Moment, system: Topology, ends: tuple[str, ...], short: list[WeakestPath]
    ) -> Iterator[Remark]:
        """One violation for each source that is not isolated from the ends, by the rule that is broken first."""
        step, points, sites = moment.step, self.rules.points, self.sites
        worst: dict[str, WeakestPath] = {}
        for p in short:
            if p.source not in worst or p.count < worst[p.source].count:
                worst[p.source] = p
        if not worst:
            return

        def fewest(credited: frozenset[str], phases: Iterable[str]) -> dict[str, int]:
            return fewest_open(sites.site(system, ends, credited, step.id), phases)

        certain = sites.open_points(step.id)
        bare = sites.open_points(step.id, tagged=False, seen=False)
        tagged = sites.open_points(step.id, seen=False)
        counts = {
            "order": fewest(sites.open_by_clock(moment.state), moment.phases),
            "see-open": fewest(tagged, moment.phases),
            "lock-and-tag": fewest(bare, moment.phases),
            "window": fewest(certain, moment.start_phases),
        }
        later = ", ".join(p for p in moment.phases if p not in moment.start_phases)
        for source, path in worst.items():
            way = " – ".join(path.nodes)
            rule = next((r for r, c in counts.items() if c.get(source, points) >= points), "isolate")
            if rule == "order" and counts["see-open"].get(source, points) >= points:
                rule = "see-open"
            ids: tuple[str, ...] = (source,)
            if rule == "order":
                said = f"{source} is isolated from it by the clock alone; put what opens and tags {way} in its 'after'"
            elif rule in ("lock-and-tag", "see-open"):
                lacking = [
                    i for i in path.nodes if i in (bare if rule == "lock-and-tag" else tagged) and i not in certain
                ]
                ids = (source, *lacking)
                verb = "tagged" if rule == "lock-and-tag" else "seen open"
                said = f"{', '.join(lacking) or 'what is open'} not {verb} before it, on the way from {source} ({way})"
            elif rule == "window":
                said = f"{source} comes alive before it is done: it may last into {later}"
            else:
                devices = f"{path.count} open and tagged device{'s' * (path.count != 1)}"
                said = f"{source} reaches {path.end} through {devices}, {points} asked ({way})"
            yield self._remark(step, rule, VIOLATION, said, *ids)

    def _end_by_end(self, moment: Moment, system: Topology, site: WorkSite) -> Iterator[Remark]:
        step = moment.step
        for end in site.ends:
            part = system.components.get(end)
            if part is not None and part.is_coolant:
                names = solid(site, end)
                proofs = [p for p in self._proofs(step, site, end, names) if p.by == "meter"]
                dry = any(self._valid(p, step, system, end, moment) for p in proofs)

                def holds(since: str, end: str = end) -> bool:
                    return self._isolated_since(since, step, system, end, moment)

                for said in self.coolant.before(step, names, (end,), self.before, holds, proved=dry):
                    yield self._remark(step, "coolant", VIOLATION, said, end)
            else:
                yield from self._dead_end(moment, system, site, end)

    def _dead_end(self, moment: Moment, system: Topology, site: WorkSite, end: str) -> Iterator[Remark]:
        """Whether an electrical end is proved dead in time, earthed and covered."""
        step = moment.step
        proofs = self._proofs(step, site, end)
        measured = [p for p in proofs if p.by == "meter"]
        valid = [p for p in measured if self._valid(p, step, system, end, moment)]
        wait_min, holding = self._discharge(site)
        if wait_min and not any(self._waited(wait_min, step, step, system, end, moment)):
            said = f"no wait of {wait_min:g} min (for {', '.join(holding)}) between the last opening and it"
            yield self._remark(step, "stored-energy", VIOLATION, said, *holding)
        near = (system.components.get(i) for i in site.section((), self.rules.points))
        unknown = [c.id for c in near if c is not None and c.discharge_min is None and c.capacitance_mf]
        if unknown:
            said = f"{', '.join(unknown)} hold charge; not judged: the file gives no discharge_min"
            yield self._remark(step, "stored-energy", CAUTION, said, *unknown)
        if proofs and not measured:
            yield self._remark(step, "position", VIOLATION, f"{end} is called dead by telemetry alone", end)
        elif not measured:
            yield self._remark(step, "prove-dead", VIOLATION, f"{end} is not proved dead before it", end)
        elif not valid:
            said = f"{end} is proved dead too early: before everything is open, tagged, seen open and discharged"
            yield self._remark(step, "prove-dead", VIOLATION, said, end)
        elif all(self.outing_of[p.id] != moment.outing for p in valid):
            said = f"{end} was proved dead in an earlier outing; prove it again"
            yield self._remark(step, "prove-dead", VIOLATION, said, end)
        if self.practice.earth and not self._earthed(step, site, end, moment):
            said = f"{end} is not earthed during it (practice: earth)"
            yield self._remark(step, "earth", VIOLATION, said, end)
        if self.practice.cover and not self._covered(step, system, end):
            said = f"live parts beside {end} are not covered during it (practice: cover)"
            yield self._remark(step, "cover", VIOLATION, said, end)

    def _proofs(self, step: Step, site: WorkSite, end: str, names: Iterable[str] = ()) -> list[Step]:
        """The steps before ``step`` that prove ``end`` dead, or what is joined to it by metal alone."""
        absent = self.sites.not_fitted(step.id)
        same = {end, *solid(site, end, absent), *names}
        return [
            s
            for i, s in self.steps.items()
            if i in self.before[step.id] and s.do == "prove-dead" and same & set(s.what)
        ]

    def _isolated_since(
        self, since: str, step: Step, system: Topology, end: str, moment: Moment, bare: bool = False
    ) -> bool:
        credited = self.sites.open_points(step.id, since, tagged=not bare, seen=not bare)
        return not self.sites.short(self.sites.site(system, (end,), credited, step.id), moment.phases)

    def _discharge(self, site: WorkSite) -> tuple[float, list[str]]:
        """The minutes that what the open points leave joined to the work takes to discharge, and what takes them."""
        parts = [site.topology.components.get(i) for i in site.section((), self.rules.points)]
        minutes = {c.id: c.discharge_min for c in parts if c is not None and c.discharge_min}
        most = max(minutes.values(), default=0.0)
        return most, [i for i, m in minutes.items() if m == most]

    def _waited(
        self, minutes: float, by: Step, step: Step, system: Topology, end: str, moment: Moment
    ) -> Iterator[bool]:
        """For each long enough wait before ``by``, whether everything was open from then on until ``step`` is done."""
        for other in self.steps.values():
            if other.do == "wait" and other.id in self.before[by.id] and (other.minutes or 0.0) >= minutes - 1e-9:
                yield self._isolated_since(other.id, step, system, end, moment, bare=True)

    def _valid(self, proof: Step, step: Step, system: Topology, end: str, moment: Moment) -> bool:
        """Whether ``proof`` still holds at ``step``: what isolates was open, tagged and discharged, and stayed so."""
        if proof.by != "meter" or not self._isolated_since(proof.id, step, system, end, moment):
            return False
        site = self.sites.site(system, (end,), self.sites.open_points(step.id), step.id)
        minutes, _ = self._discharge(site)
        return not minutes or any(self._waited(minutes, proof, step, system, end, moment))

    def _earthed(self, step: Step, site: WorkSite, end: str, moment: Moment) -> bool:
        """Whether ``end`` is joined to an earth, or every path from every source passes one."""
        facts = self.facts
        earths = {f[1] for f in facts.of("earth") if facts.certain(f, step.id)}
        if earths & {end, *solid(site, end, self.sites.not_fitted(step.id))}:
            return True
        if not earths:
            return False
        sources = set(site.sources(moment.phases))
        found, waiting = {end}, [end]
        while waiting:
            v = waiting.pop()
            if v in sources:
                return False
            for u in site.into[v]:
                if u not in found and u not in earths:
                    found.add(u)
                    waiting.append(u)
        return True

    def _covered(self, step: Step, system: Topology, end: str) -> bool:
        """Whether a cover is on at ``end``: named by it, by what is linked to it, or by what stands at its site."""
        parts = system.components
        place = parts[end].site if end in parts else None
        beside = {end} | {a for a, b in system.links if b == end} | {b for a, b in system.links if a == end}
        return any(
            f[1] in beside or (place is not None and f[1] in parts and parts[f[1]].site == place)
            for f in self.facts.of("cover")
            if self.facts.certain(f, step.id)
        )

    def _matings(self, moment: Moment, system: Topology, contacts: Iterable[str]) -> Iterator[Remark]:
        step = moment.step
        for id_ in contacts:
            part = system.components[id_]
            for f in check_connectors(system, (id_,)):
                yield self._remark(step, f.rule, f.weight, f.message, *f.ids)
            if step.do == "demate":
                continue
            self.matings[id_] = self.matings.get(id_, 0) + 1
            left = part.mate_cycles_left
            if left is not None and left >= 1 and self.matings[id_] > left:
                said = f"{id_} has {left} mating cycles left, and this is mating {self.matings[id_]} of the plan"
                yield self._remark(step, "connector", VIOLATION, said, id_)
