"""What a case does, evaluated one case at a time, in the words of the format.

Slow and obvious on purpose: sets of names, loops until nothing changes, no numbering, no sharing between cases. It is
derived from the text of the format alone and imports nothing of the engine, so that the two can be wrong only in
different ways. Quotations in the comments are the sentences that the lines below them carry out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from powerfault.model.elements import MODES, OUTCOMES, STAGES, Component, Event, Load, Need, Topology

PerStage = tuple[dict[str, frozenset[str]], ...]
"""For each stage, the set of names in each phase."""


@dataclass(frozen=True)
class Found:
    """All that the evaluation of one case found."""

    live: PerStage
    zone: PerStage
    blocking: PerStage
    operable: PerStage
    charged: tuple[frozenset[str], ...]
    tripped: frozenset[str]
    by_phase: dict[str, dict[str, str]]
    """Outcomes of the consumers judged in each phase."""
    outcomes: dict[str, str]


class System:
    """A topology with its neighbours looked up once."""

    def __init__(self, topology: Topology) -> None:
        self.topology = topology
        self.parts: dict[str, Component | Load] = {**topology.components, **topology.loads}
        # "`fed_by` adds links to the load"
        self.links = set(topology.links) | set(topology.load_links())
        self.sources_of_link: dict[str, set[str]] = {i: set() for i in self.parts}
        self.targets_of_link: dict[str, set[str]] = {i: set() for i in self.parts}
        for a, b in self.links:
            self.sources_of_link[b].add(a)
            self.targets_of_link[a].add(b)

    def evaluate(self, failed: Iterable[Event], given: Iterable[Event] = ()) -> Found:
        return _Case(self, failed, given).run()

    def at_once(self, failed: Iterable[Event], given: Iterable[Event] = ()) -> dict[str, str]:
        """The outcomes of the second instant of a case."""
        failed, given = tuple(failed), tuple(given)
        # "every storage that is charged when nothing has failed (standing events aside) counted as charged": those
        # charged with every switched component in its normal position, the standing events failed.
        charged = self.evaluate((), given).charged[0]
        # A need that bears an interruption is met up to its stage whatever follows, and after it no longer: what is
        # served at a stage is asked of that stage alone.
        runs = [
            _Case(self, failed, given, charged_before=charged, borne_from=stage).run() for stage in range(len(STAGES))
        ]
        outcomes = {}
        for c in self.topology.consumers():
            by_phase = [
                next((name for s, name in enumerate(STAGES) if c.id in runs[s].live[s][p]), "lost")
                for p in self.topology.phase_names
                if c.judged_in(p)
            ]
            outcomes[c.id] = max(by_phase, key=OUTCOMES.index, default=STAGES[0])
        return outcomes


class _Case:
    def __init__(
        self,
        system: System,
        failed: Iterable[Event],
        given: Iterable[Event],
        charged_before: frozenset[str] = frozenset(),
        borne_from: int = len(STAGES),
    ) -> None:
        self.charged_before, self.borne_from = charged_before, borne_from
        self.system = system
        self.topology = system.topology
        self.mode: dict[str, str] = {}
        # "the standing events belong to every case", "at most one per component"
        for event in (*standing_events(self.topology, given), *failed):
            if event.id in self.mode:
                raise ValueError(f"{event.id} has two events")
            self.mode[event.id] = event.mode

    def run(self) -> Found:
        # A need that bears an interruption is taken as met up to that stage, and withdrawn where it is not served by
        # then: the greatest set of borne needs that holds.
        self.borne = {
            (n.id, STAGES.index(n.bears), p)
            for part in self.system.parts.values()
            for n in part.needs
            for p in self.topology.phase_names
            if n.bears != STAGES[0]
        }
        while True:
            found = self.attempt()
            if found is not None:
                return found

    def attempt(self) -> Found | None:
        """All stages with the needs in ``borne`` taken as borne; ``None`` if one turned out not to be (it is gone)."""
        phases = self.topology.phase_names
        self.valves_in_time: dict[str, frozenset[str]] = {}
        # Stage 0: none is operable, so zone and tripping are the same in every phase.
        zone_0 = self.fault_zone(frozenset())
        boundary_0 = self.feeding_boundaries(zone_0)
        # "A component with `clears_faults` that lies in the zone or is such a boundary at stage 0 has tripped"
        self.tripped = frozenset(
            i for i in zone_0 | boundary_0 if i in self.topology.components and self.topology.components[i].clears
        )
        # "a fuse is dead for the case", "A storage in the zone at stage 0 is dead for the case."
        self.dead_for_good = {i for i, mode in self.mode.items() if mode == "loss"}
        self.dead_for_good |= {i for i in self.tripped if self.topology.components[i].kind == "fuse"}
        self.dead_for_good |= {i for i in zone_0 if self.kind(i) == "storage"}

        live: list[dict[str, frozenset[str]]] = []
        zone: list[dict[str, frozenset[str]]] = []
        operable: list[dict[str, frozenset[str]]] = []
        charged_at: list[frozenset[str]] = []
        # "begin with the storages charged at the stage before (at stage 0 with none)"
        charged = self.charged_before
        for stage in range(len(STAGES)):
            if stage > self.borne_from:  # not asked for: here what was borne is over, and less may be served
                for own in (live, zone, operable, charged_at):
                    own.append(own[-1])  # type: ignore[attr-defined]
                continue
            while True:
                # "compute every phase"
                if stage == 0:
                    now = {p: self.stage_0(p, zone_0, charged) for p in phases}
                else:
                    now = {p: self.later_stage(stage, p, live[stage - 1][p], charged) for p in phases}
                # "add each storage one of whose `charged_by` is live or served in some phase, repeat"
                more = charged | {
                    c.id
                    for c in self.topology.components.values()
                    if c.charged_by and any(i in served for i in c.charged_by for served, _, _ in now.values())
                }
                if more == charged:
                    break
                charged = more
            unborne = {(i, s, p) for i, s, p in self.borne if s == stage < self.borne_from and i not in now[p][0]}
            if unborne:
                self.borne -= unborne
                return None
            if stage <= 1:
                # A leak is held back only by valves that close by themselves; later ones find the line drained.
                self.valves_in_time = {p: frozenset(i for i in now[p][2] if self.kind(i) == "valve") for p in phases}
            live.append({p: now[p][0] for p in phases})
            zone.append({p: now[p][1] for p in phases})
            operable.append({p: now[p][2] for p in phases})
            charged_at.append(charged)
        # "Outcome of a consumer: the first stage that serves it, else `lost`."
        by_phase = {
            p: {
                c.id: next((name for s, name in enumerate(STAGES) if c.id in live[s][p]), "lost")
                for c in self.topology.consumers()
                if c.judged_in(p)
            }
            for p in phases
        }
        # "Over phases the worst counts"
        outcomes = {
            c.id: max((by_phase[p][c.id] for p in phases if c.id in by_phase[p]), key=OUTCOMES.index, default=STAGES[0])
            for c in self.topology.consumers()
        }
        return Found(
            live=tuple(live),
            zone=tuple(zone),
            blocking=tuple({p: self.feeding_boundaries(z[p]) for p in phases} for z in zone),
            operable=tuple(operable),
            charged=tuple(charged_at),
            tripped=self.tripped,
            by_phase=by_phase,
            outcomes=outcomes,
        )

    def kind(self, i: str) -> str:
        part = self.system.parts[i]
        return "load" if isinstance(part, Load) else part.kind

    # Stages

    def stage_0(
        self, phase: str, zone: frozenset[str], charged: frozenset[str]
    ) -> tuple[frozenset[str], frozenset[str], frozenset[str]]:
        # "take every need as met, compute, withdraw the needs that fail, repeat until nothing changes"
        met = frozenset(n.id for part in self.system.parts.values() for n in part.needs)
        while True:
            served = self.with_functions(self.power(0, phase, zone, frozenset(), charged, met))
            if met <= served:
                return served, zone, frozenset()
            met &= served

    def later_stage(
        self, stage: int, phase: str, before: frozenset[str], charged: frozenset[str]
    ) -> tuple[frozenset[str], frozenset[str], frozenset[str]]:
        # "begin with what the stage before served in that phase, compute, add what is newly live or served, repeat,
        # operability included"
        served = before
        while True:
            operable = self.operable(stage, served)
            barring = operable
            if stage > 1:
                barring = frozenset(i for i in operable if self.kind(i) != "valve") | self.valves_in_time[phase]
            zone = self.fault_zone(barring)
            found = self.with_functions(self.power(stage, phase, zone, operable, charged, served))
            # Not a rule but a check of the rules: what is served stays served on its own, not by being remembered.
            assert served <= found, f"stage {stage} gives up {sorted(served - found)}"
            if found == served:
                return served, zone, operable
            served = found

    def operable(self, stage: int, served: frozenset[str]) -> frozenset[str]:
        # "a switched component is operable if it is neither stuck nor closed by failure, its `operated` is at or
        # before s, and everything in its `operated_by` is served"
        return frozenset(
            c.id
            for c in self.topology.components.values()
            if c.operated_stage is not None
            and self.mode.get(c.id) not in ("stuck", "closed")
            and c.operated_stage <= stage
            and all(i in served for i in c.operated_by)
        )

    # Faults

    def fault_zone(self, operable: frozenset[str]) -> frozenset[str]:
        # "start there and spread over links in both directions"
        zone = {i for i, mode in self.mode.items() if mode in ("short", "leak")}
        frontier = list(zone)
        while frontier:
            here = frontier.pop()
            onward = [(there, True) for there in self.system.targets_of_link[here]]
            onward += [(there, False) for there in self.system.sources_of_link[here]]
            for there, from_upstream in onward:
                if there not in zone and not self.stops(there, from_upstream, operable):
                    zone.add(there)
                    frontier.append(there)
        return frozenset(zone)

    def stops(self, i: str, from_upstream: bool, operable: frozenset[str]) -> bool:
        """Whether a zone that comes to ``i`` over a link does not enter it."""
        part = self.system.parts[i]
        if isinstance(part, Load):
            # "Never into a load, unless its `inputs` are `common`."
            return not part.common_inputs
        mode = self.mode.get(i)
        # "a component with `clears_faults` that is not stuck or closed (a converter with `isolated: false` stops
        # nothing when coming from its upstream side)"
        through = part.kind == "converter" and not part.isolated and from_upstream
        if part.clears and mode not in ("stuck", "closed") and not through:
            return True
        # "an operable switched component"
        if i in operable:
            return True
        # "a switched component standing open, unless its event is `closed`"
        if part.normally_open and mode != "closed":
            return True
        # "an unmated jumper"
        if part.kind in ("jumper", "coolant_jumper") and not part.mated:
            return True
        # "a diode, when coming from its upstream side"
        return part.kind == "diode" and from_upstream

    def feeding_boundaries(self, zone: frozenset[str]) -> frozenset[str]:
        # "A boundary with a link into the zone (it could feed the fault)": whatever has a link into the zone was
        # reached against that link, so it is in the zone or is a boundary of it.
        return frozenset(a for b in zone for a in self.system.sources_of_link[b] if a not in zone)

    def borders(self, i: str, zone: frozenset[str]) -> bool:
        neighbours = self.system.sources_of_link[i] | self.system.targets_of_link[i]
        return i in zone or bool(neighbours & zone)

    # Power

    def power(
        self,
        stage: int,
        phase: str,
        zone: frozenset[str],
        operable: frozenset[str],
        charged: frozenset[str],
        met: frozenset[str],
    ) -> frozenset[str]:
        """What is live, with the needs in ``met`` taken as met: the least fixpoint."""
        dead = self.dead_for_good | zone
        boundaries = self.feeding_boundaries(zone)
        able: list[Component | Load] = []
        live: set[str] = set()
        for i, part in self.system.parts.items():
            # "A boundary with a link into the zone conducts nothing at that stage" (and a source gives nothing)
            if i in dead or i in boundaries or not all(self.met(n, stage, phase, met) for n in part.needs):
                continue
            if isinstance(part, Load):
                able.append(part)
            elif part.is_source:
                # "its capacity in the phase is not zero and, with `charged_by`, it is charged"
                if gives(part, phase) and (part.charged_by is None or i in charged):
                    live.add(i)
            elif self.conducts(part, stage, zone, operable):
                able.append(part)
        while True:
            # "at least `feeds_needed` of its upstream neighbours are live"
            more = [x for x in able if len(self.system.sources_of_link[x.id] & live) >= x.feeds_needed]
            if not more:
                return frozenset(live)
            live |= {x.id for x in more}
            able = [x for x in able if x.id not in live]

    def met(self, need: Need, stage: int, phase: str, met: frozenset[str]) -> bool:
        borne = STAGES.index(need.bears)
        return need.id in met or (stage <= borne and (need.id, borne, phase) in self.borne)

    def conducts(self, part: Component, stage: int, zone: frozenset[str], operable: frozenset[str]) -> bool:
        i = part.id
        if part.is_switched:
            # "switched: normally closed and not tripped, or operable, and not `closed` by failure", "conducts again
            # only at a stage at which it is operable"
            closed_still = not part.normally_open and i not in self.tripped
            return (closed_still or i in operable) and self.mode.get(i) != "closed"
        if part.kind in ("jumper", "coolant_jumper"):
            # "jumper: mated, or at stage manual with `crew_may_mate`"
            return part.mated or (part.crew_may_mate and STAGES[stage] == "manual")
        if part.kind == "converter" and i in self.tripped:
            # "a converter returns once it borders no zone"
            return not self.borders(i, zone)
        return True

    def with_functions(self, live: frozenset[str]) -> frozenset[str]:
        # "A function is served if at least `at_least` of its members are."
        def served(i: str) -> bool:
            function = self.topology.functions.get(i)
            if function is None:
                return i in live
            return sum(served(m) for m in function.of) >= function.at_least

        return live | {i for i in self.topology.functions if served(i)}


def gives(part: Component, phase: str) -> bool:
    """Whether the capacity of a source is not zero in ``phase``: absent is unlimited, a phase not named is 0."""
    if part.capacity_kw is None:
        return True
    if isinstance(part.capacity_kw, (int, float)):
        return part.capacity_kw != 0
    return part.capacity_kw.get(phase, 0) != 0


def standing_events(topology: Topology, given: Iterable[Event] = ()) -> tuple[Event, ...]:
    return tuple(dict.fromkeys((*topology.standing, *given)))


# Enumeration


def list_events(topology: Topology, modes: Iterable[str] = ("loss",), given: Iterable[Event] = ()) -> list[Event]:
    """The events to enumerate.

    "Events are listed by component in file order, then loss, short, stuck, closed; the shorts of loads follow all
    components", "a component with a standing event has no other event".
    """
    kinds_of_short = ["bus", "cable", "jumper", "connector", "converter", "regulator", "switch", "breaker", "diode"]
    asked = set(modes)
    taken = {e.id for e in standing_events(topology, given)}
    found: list[Event] = []
    for c in topology.components.values():
        if not c.can_fail or c.id in taken:
            continue
        applies = {
            "loss": True,
            "short": c.kind in kinds_of_short,
            "stuck": c.kind in ("switch", "breaker", "valve"),
            "closed": c.kind in ("switch", "breaker") and c.normally == "open",
            "leak": c.kind in ("pump", "line", "valve", "radiator", "coolant_jumper"),
        }
        # "A component's own `modes` replaces which modes apply to it; `--modes` still selects among them."
        found += [
            Event(c.id, mode)
            for mode in ("loss", "short", "stuck", "closed", "leak")
            if applies[mode] and mode in asked and (c.modes is None or mode in c.modes)
        ]
    if "short" in asked:
        found += [
            Event(load.id, "short")
            for load in topology.loads.values()
            if "short" in load.modes and load.id not in taken
        ]
    return found


def list_cases(events: Sequence[Event], order: int) -> Iterator[tuple[Event, ...]]:
    """All cases of 1 to ``order`` events, at most one per component, by size and then in the order of the events."""
    for size in range(1, order + 1):
        for case in combinations(events, size):
            if len({e.id for e in case}) == size:
                yield case


def fails(topology: Topology, consumer: str, outcome: str) -> bool:
    bears = topology.rides_through(topology.consumer(consumer))
    return OUTCOMES.index(outcome) > OUTCOMES.index(bears)


# Results


@dataclass(frozen=True)
class Enumerated:
    """All cases of a topology up to an order with what they do; the empty case comes first."""

    topology: Topology
    order: int
    modes: tuple[str, ...]
    given: tuple[Event, ...]
    events: list[Event]
    found: dict[frozenset[Event], Found]

    def written(self, case: Iterable[Event]) -> list[str]:
        """A case as the results write it: in the order of the events."""
        place = {e: n for n, e in enumerate(self.events)}
        return [str(e) for e in sorted(case, key=place.__getitem__)]

    def failing(self, consumer: str) -> list[frozenset[Event]]:
        return [case for case, f in self.found.items() if fails(self.topology, consumer, f.outcomes[consumer])]

    def minimal_cut_sets(self, consumer: str) -> list[frozenset[Event]]:
        # "a failing case none of whose proper subsets fails"
        failing = self.failing(consumer)
        return [case for case in failing if not any(other < case for other in failing)]


def enumerate_cases(
    topology: Topology, order: int = 2, modes: Iterable[str] = ("loss",), given: Iterable[Event] = ()
) -> Enumerated:
    modes, given = tuple(m for m in MODES if m in set(modes)), tuple(given)
    system = System(topology)
    events = list_events(topology, modes, given)
    found = {frozenset(case): system.evaluate(case, given) for case in [(), *list_cases(events, order)]}
    return Enumerated(topology, order, modes, given, events, found)


def verdict(all_cases: Enumerated, consumer: str) -> dict[str, Any]:
    topology = all_cases.topology
    c = topology.consumer(consumer)
    cut_sets = all_cases.minimal_cut_sets(consumer)
    # "A consumer tolerates n failures if its smallest one has n+1 events; with none up to the order enumerated, it
    # tolerates at least that order; one that fails with nothing failed has the cut set [] and tolerates -1."
    tolerates = min((len(cut) - 1 for cut in cut_sets), default=all_cases.order)
    required = c.must_tolerate
    if required is None and c.severity is not None:
        required = {"catastrophic": 2, "critical": 1, "major": 0, "minor": 0}[c.severity]
    meets: bool | None
    if required is None:
        meets = None
    elif tolerates >= required:
        meets = True
    else:
        # "where the order enumerated is too low to tell, `meets` is null"
        meets = False if cut_sets else None
    return {
        "id": consumer,
        "type": "load" if consumer in topology.loads else "function",
        "severity": c.severity,
        "must_tolerate": required,
        "rides_through": topology.rides_through(c),
        "tolerates": tolerates,
        "lower_bound": not cut_sets,
        "meets": meets,
        "minimal_cut_sets": [all_cases.written(cut) for cut in cut_sets],
    }


def results_of(all_cases: Enumerated, by_phase: bool = False) -> dict[str, Any]:
    """The results object of the format."""
    topology = all_cases.topology
    cases = []
    for case, found in all_cases.found.items():
        outcomes = {i: o for i, o in found.outcomes.items() if o != STAGES[0]}
        if not case or not outcomes:
            continue
        entry: dict[str, Any] = {"failed": all_cases.written(case), "outcomes": outcomes}
        if by_phase:
            entry["by_phase"] = {
                p: worse
                for p, of_phase in found.by_phase.items()
                if (worse := {i: o for i, o in of_phase.items() if o != STAGES[0]})
            }
        cases.append(entry)
    return {
        "format": 1,
        "topology": topology.name,
        "sha256": topology.sha256,
        "order": all_cases.order,
        "modes": list(all_cases.modes),
        "with": list(topology.applied),
        "standing": [str(e) for e in standing_events(topology, all_cases.given)],
        "events": [str(e) for e in all_cases.events],
        "case_count": len(all_cases.found) - 1,
        "consumers": [verdict(all_cases, c.id) for c in topology.consumers()],
        "cases": cases,
    }


def reference_results(
    topology: Topology,
    order: int = 2,
    modes: Iterable[str] = ("loss",),
    given: Iterable[Event] = (),
    by_phase: bool = False,
) -> dict[str, Any]:
    return results_of(enumerate_cases(topology, order, modes, given), by_phase)


# Comparison

CHANGES = ("cured", "eased", "worsened", "broken")


def reference_compare(
    before: Topology,
    after: Topology,
    order: int = 2,
    modes: Iterable[str] = ("loss",),
    given: Iterable[Event] = (),
) -> dict[str, dict[str, Any]]:
    """The changes of each consumer that both topologies have, by id.

    ``cured``, ``eased``, ``worsened``, ``broken`` hold the cases on events that both sides list. Cases with an event
    that only ``after`` lists stand apart in ``own_events`` under the same headings, compared with the same case without
    those events. ``gone`` and ``new`` are the minimal cut sets of one side only.
    """
    a, b = enumerate_cases(before, order, modes, given), enumerate_cases(after, order, modes, given)
    common = set(a.events)
    changes: dict[str, dict[str, Any]] = {}
    for c in after.consumers():
        i = c.id
        if i not in before.loads and i not in before.functions:
            continue
        change: dict[str, Any] = {name: [] for name in CHANGES} | {"own_events": {name: [] for name in CHANGES}}
        for case, found in b.found.items():
            if not case:
                continue
            without = case & common
            was, now = a.found[without].outcomes[i], found.outcomes[i]
            name = kind_of_change(fails(before, i, was), fails(after, i, now), was, now)
            if name:
                (change if without == case else change["own_events"])[name].append(b.written(case))
        cuts_a, cuts_b = a.minimal_cut_sets(i), b.minimal_cut_sets(i)
        change["tolerates_before"], change["tolerates_after"] = verdict(a, i)["tolerates"], verdict(b, i)["tolerates"]
        change["gone"] = [a.written(cut) for cut in cuts_a if cut not in cuts_b]
        change["new"] = [b.written(cut) for cut in cuts_b if cut not in cuts_a]
        changes[i] = change
    return changes


def kind_of_change(failed: bool, fails_now: bool, was: str, now: str) -> str | None:
    if failed and not fails_now:
        return "cured"
    if fails_now and not failed:
        return "broken"
    step = OUTCOMES.index(now) - OUTCOMES.index(was)
    return "eased" if step < 0 else "worsened" if step > 0 else None
