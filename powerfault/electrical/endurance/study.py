"""How long do storages last in each case, and which loads drop when they are flat?

The format counts a storage whose charger is gone as no storage at all, since it cannot be relied on for ever. Here the
question is for how long it can: every storage begins with what the settled undisturbed cycle leaves it at the
boundary of phases at which the failure occurs, and the phases then follow each other in file order. Where the
undisturbed system settles at flat, that is said first, and a failure's hours count from the first undisturbed cycle
after a full charge, so that less generation never gives a longer life. Within a phase powers are
constant (from the DC flow, losses included) until a storage is flat or full; a flat one feeds nothing until it is
charged again. The result is the least over all boundaries at which the failure may strike.

A storage is charged while one of its ``charged_by`` has power, at up to ``charge_kw``, and only from what sources can
spare: charging never makes another storage discharge more, nor a feeder give more than it can. Where a charge comes
through a jumper, the jumper's power shows it. ``charge_efficiency`` and ``depth_limit`` count (1 where not given).
Switches take the positions nearest to normal that serve all live loads, or (``rated``) those of the best service
under ratings; needs and priorities are not looked at again when a storage runs flat.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from powerfault.electrical.currents.derating import Derating
from powerfault.electrical.currents.layout import Layout, lay_out
from powerfault.electrical.endurance.charging import Charging, Rates
from powerfault.electrical.endurance.cycles import Cycles, RatesOf
from powerfault.electrical.served.positions import RatedPositions, positions_of
from powerfault.electrical.sizing.transfer import Progress, count_cases
from powerfault.errors import ModelError, Problem, RequestError
from powerfault.failures.case_state import CaseState, case_states
from powerfault.model.elements import STAGES, Component, Event, Topology, in_phase
from powerfault.network.failure_modes import list_events
from powerfault.network.graph import build_network

HORIZON_H = 1000.0
CASES_WITHOUT_ASKING = 20_000
FROM_SETTLED = (
    "hours count from what the settled undisturbed cycle leaves in each storage, at the worst boundary of phases"
)
FROM_FULL = (
    "the undisturbed system settles at flat: hours count from the first undisturbed cycle after all storages were "
    "full, at the worst boundary of phases"
)
ASSUMPTIONS = (
    "a storage begins with what the settled undisturbed cycle leaves it where the failure occurs, or, where that "
    "settles at flat, with what the first cycle after a full charge leaves it; the worst boundary of phases counts",
    "charging takes only what sources can spare; a flat storage feeds nothing until it is charged again",
    "switches take the positions nearest to normal that serve all live loads, or where asked those of the best service "
    "under ratings; needs and priorities are not looked at again when a storage is flat",
)


@dataclass(frozen=True, slots=True)
class StorageLife:
    """One storage in one case. Hours are infinite where it is never flat; energy in kWh, power in kW by phase."""

    id: str
    usable_kwh: float
    hours: float
    struck_at: str
    """The phase at whose beginning the failure does the most harm."""
    discharge_kw: Mapping[str, float]
    charge_kw: Mapping[str, float]
    """What it takes while it is not full."""
    balance_kwh: float | None
    """Stored less drawn over one cycle, before it is full or flat; ``None`` without durations."""
    charger_gone: bool
    above_kw: float | None = None
    """Its ``capacity_kw`` in a phase in which more is drawn: it could not last so long, loads must be shed."""


@dataclass(frozen=True, slots=True)
class LoadLife:
    """A load with ``must_last_h`` in one case: when it drops (infinite: never)."""

    id: str
    must_last_h: float
    hours: float

    @property
    def meets(self) -> bool:
        return self.hours >= self.must_last_h * (1 - 1e-9)


@dataclass(frozen=True, slots=True)
class CaseLife:
    failed: tuple[Event, ...]
    storages: tuple[StorageLife, ...]
    loads: tuple[LoadLife, ...]
    dark: tuple[str, ...]
    """Loads with ``must_last_h`` that have no path at all in this case: not a question of energy."""
    jumper_kw: Mapping[str, float]
    """The greatest power through each jumper, charging included."""


@dataclass(frozen=True, slots=True)
class Sinking:
    """A storage that goes flat with nothing failed, beginning with all storages full as phase ``from_phase`` begins."""

    id: str
    hours: float
    from_phase: str
    loses_kwh: float | None
    """Lost a cycle while neither flat nor full; ``None`` where it is flat before a whole cycle is over."""

    @property
    def words(self) -> str:
        rate = "" if self.loses_kwh is None else f"loses {self.loses_kwh:.3g} kWh a cycle and "
        begun = f"(full as {self.from_phase} begins)"
        return f"with nothing failed {self.id} {rate}is flat after {self.hours:.3g} h {begun}"


@dataclass(frozen=True, slots=True)
class Endurance:
    """All cases asked; ``spared`` counts those left out because they load no storage more than nothing failed."""

    stage: str
    cases: tuple[CaseLife, ...]
    spared: int
    sinking: tuple[Sinking, ...] = ()
    """Storages that are flat with nothing failed; where there is one, hours count from full storages."""

    @property
    def counted_from(self) -> str:
        return FROM_FULL if self.sinking else FROM_SETTLED

    def worst_storage(self, id_: str) -> tuple[CaseLife, StorageLife] | None:
        """The case in which a storage is flat first."""
        found = [(c, s) for c in self.cases for s in c.storages if s.id == id_]
        return min(found, key=lambda x: x[1].hours, default=None)

    def worst_load(self, id_: str) -> tuple[CaseLife, LoadLife] | None:
        found = [(c, x) for c in self.cases for x in c.loads if x.id == id_]
        return min(found, key=lambda x: x[1].hours, default=None)


def list_cases(
    topology: Topology,
    order: int,
    modes: Sequence[str] = ("loss",),
    given: Iterable[Event] = (),
    limit: int | None = CASES_WITHOUT_ASKING,
) -> list[tuple[Event, ...]]:
    """All cases of 0 to ``order`` events, one a component at most; :class:`TooLargeError` for more than ``limit``."""
    events = list_events(topology, modes, given)
    count_cases(events, order, limit)
    return [
        case for k in range(order + 1) for case in combinations(events, k) if len({e.id for e in case}) == len(case)
    ]


def study_endurance(
    topology: Topology,
    cases: Iterable[tuple[Event, ...]],
    stage: str = "commanded",
    given: Iterable[Event] = (),
    derating: Derating | None = None,
    *,
    rated: bool = False,
    spare: bool = True,
    progress: Progress | None = None,
) -> Endurance:
    """Return how long storages last in each of ``cases``.

    With ``rated``, loads and positions are those of the best service under ratings, else every load with a path is on.
    With ``spare``, cases in which the same feeders feed a part of the same loads as with nothing failed are counted,
    not computed: they are no worse. Raises :class:`RequestError` where no storage has ``energy_kwh``, and
    :class:`ModelError` where several phases are given and one has no duration.
    """
    if not any(c.energy_kwh for c in topology.components.values() if c.kind == "storage"):
        raise RequestError(f"no storage of {topology.name} has energy_kwh: there is nothing to run flat")
    _check_durations(topology)
    lives = _Lives(topology, STAGES.index(stage), tuple(given), derating or Derating(), rated)
    asked = list(cases)
    found, spared = [], 0
    for i, state in enumerate(lives.states(asked)):
        if spare and state.failed and lives.no_worse(state):
            spared += 1
        else:
            found.append(lives.case(state))
        if progress is not None:
            progress(i + 1, len(asked))
    return Endurance(stage, tuple(found), spared, lives.sinking)


def hours_until_flat(
    topology: Topology,
    failed: Iterable[Event],
    stage: str = "commanded",
    given: Iterable[Event] = (),
    derating: Derating | None = None,
) -> dict[str, float | None]:
    """Hours until each storage with ``energy_kwh`` that is live in one case is flat, by id; ``None`` where never.

    For the words "served from BAT-A until it is flat, 5.0 h". A storage that gives nothing in the case is ``None``
    too; one without ``energy_kwh`` is absent (hours not known). Raises as :func:`study_endurance`.
    """
    found = study_endurance(topology, [tuple(failed)], stage, given, derating, spare=False)
    return {s.id: None if math.isinf(s.hours) else s.hours for s in found.cases[0].storages}


def _check_durations(topology: Topology) -> None:
    if len(topology.phases) < 2:
        return
    problems = []
    for phase in topology.phases:
        if phase.duration_h is None:
            path = f"phases.{phase.name}"
            line, column = topology.positions.get(path) or topology.positions.get("phases") or (0, 0)
            problems.append(
                Problem(topology.file, line, column, path, "expected duration_h: energy counts here, and it has none")
            )
    if problems:
        raise ModelError(problems)


class _Lives:
    def __init__(
        self, topology: Topology, stage: int, given: tuple[Event, ...], derating: Derating, rated: bool
    ) -> None:
        self.topology, self.stage, self.given = topology, stage, given
        # The engine takes a storage without charged_by as charged: for as long as it lasts, every storage is.
        unlinked = {
            id_: replace(c, charged_by=None) if c.kind == "storage" else c for id_, c in topology.components.items()
        }
        always = replace(topology, components=unlinked)
        self.network = build_network(always)
        self.rated = RatedPositions(always, given) if rated else None
        self.layout: Layout = lay_out(topology)
        self.storages = [c for c in topology.components.values() if c.kind == "storage" and c.energy_kwh]
        self.usable = {c.id: _usable_kwh(c) for c in self.storages}
        self.phases = [(p.name, p.duration_h if p.duration_h is not None else HORIZON_H) for p in topology.phases]
        self.charging = Charging(self.layout, self.storages, derating)
        self._useful_known: dict[tuple[object, ...], frozenset[str]] = {}
        self._lives_known: dict[tuple[object, ...], CaseLife] = {}
        self.chargers = frozenset(x for c in self.storages for x in c.charged_by or ())
        self.nothing = self.states([()])[0]
        self._no_loads: dict[str, frozenset[str]] = {phase: frozenset() for phase, _ in self.phases}
        efficiency = {c.id: c.charge_efficiency or 1.0 for c in self.storages}
        self.cycles = Cycles(self.phases, self.usable, efficiency)
        self.sinking, self.beginnings = self._undisturbed()

    def states(self, cases: Sequence[tuple[Event, ...]]) -> list[CaseState]:
        found: list[CaseState] = []
        for start in range(0, len(cases), 256):
            found += case_states(self.network, cases[start : start + 256], self.given)
        return found

    def no_worse(self, state: CaseState) -> bool:
        """Whether all is as undisturbed but for loads, and what feeds loads alone, that are gone."""
        for phase, _ in self.phases:
            own, whole = self._useful(state, phase), self._useful(self.nothing, phase)
            if not own <= whole or any(self._matters(x, own) for x in whole - own):
                return False
        return True

    def _matters(self, gone: str, left: frozenset[str]) -> bool:
        """Whether something gone fed or charged something that is left."""
        if any(b in left for b in self.layout.downstream.get(gone, ())):
            return True
        return gone in self.chargers and any(c.id in left and gone in (c.charged_by or ()) for c in self.storages)

    def _useful(self, state: CaseState, phase: str) -> frozenset[str]:
        """What has power right after the failure and gives some to a load or a charger."""
        key = state.failed, phase
        if key not in self._useful_known:
            if self.rated is not None:
                positions = self.rated.of(state.failed, STAGES[self.stage], phase)
            else:
                positions = positions_of(self.layout, state, self.stage, phase)
            powered = self.layout.energised(positions.conducting)
            found = {x for x in powered if x in self.topology.loads or x in self.chargers}
            waiting = list(found)
            while waiting:
                for a in self.layout.upstream.get(waiting.pop(), ()):
                    if a in powered and a not in found:
                        found.add(a)
                        waiting.append(a)
            self._useful_known[key] = frozenset(found)
        return self._useful_known[key]

    def case(self, state: CaseState) -> CaseLife:
        """Cases that leave the same useful equipment have the same life."""
        live = tuple(
            c.id for c in self.storages if any(c.id in state.live[self.stage][phase] for phase, _ in self.phases)
        )
        key = (live, *(self._useful(state, phase) for phase, _ in self.phases))
        if key not in self._lives_known:
            self._lives_known[key] = self._case(state)
        return replace(self._lives_known[key], failed=state.failed)

    def _case(self, state: CaseState) -> CaseLife:
        timed = [x for x in self.topology.loads.values() if x.must_last_h is not None]
        flat_at = dict.fromkeys(self.usable, math.inf)
        struck = dict.fromkeys(self.usable, "")
        drops = {x.id: math.inf for x in timed}
        jumper: dict[str, float] = {}
        # Only what has power right after the failure can drop for want of energy.
        begins = [self._useful(state, phase) for phase, _ in self.phases]
        served = {x.id for x in timed if any(x.id in powered for powered in begins)}
        wanted = {
            phase: frozenset(x.id for x in timed if x.judged_in(phase)) & powered
            for (phase, _), powered in zip(self.phases, begins, strict=True)
        }
        for start, level in self._begun(state):
            course = self.cycles.follow(self._of(state), start, level, wanted)
            for id_, hours in course.flat_h.items():
                if hours < flat_at[id_]:
                    flat_at[id_], struck[id_] = hours, self.phases[start][0]
            for id_, hours in course.dropped_h.items():
                drops[id_] = min(drops[id_], hours)
            for id_, kw in course.jumper_kw.items():
                jumper[id_] = max(kw, jumper.get(id_, 0.0))
        storages = tuple(self._storage(state, c, flat_at[c.id], struck[c.id]) for c in self.storages)
        return CaseLife(
            state.failed,
            tuple(s for s in storages if s is not None),
            tuple(LoadLife(x.id, x.must_last_h or 0.0, drops[x.id]) for x in timed if x.id in served),
            tuple(x.id for x in timed if x.id not in served),
            jumper,
        )

    def _begun(self, state: CaseState) -> list[tuple[int, dict[str, float]]]:
        """With nothing failed hours count from full, so that they say when an undisturbed system is flat first."""
        if state.failed or not self.sinking:
            return self.beginnings
        return [(p, dict(self.usable)) for p in range(len(self.phases))]

    def _storage(self, state: CaseState, c: Component, hours: float, struck: str) -> StorageLife | None:
        live = [phase for phase, _ in self.phases if c.id in state.live[self.stage][phase]]
        if not live:
            return None
        drawn, stored = {}, {}
        for phase, _ in self.phases:
            rates = self._rates(state, phase, frozenset(), frozenset())
            drawn[phase], stored[phase] = rates.drawn_kw.get(c.id, 0.0), rates.stored_kw.get(c.id, 0.0)
        balance = None
        if all(p.duration_h is not None for p in self.topology.phases):
            efficiency = c.charge_efficiency or 1.0
            balance = sum(hours_ * (efficiency * stored[p] - drawn[p]) for p, hours_ in self.phases)
        gone = c.charged_by is not None and not any(
            x in self._useful(state, phase) for x in c.charged_by for phase, _ in self.phases
        )
        limits = [in_phase(c.capacity_kw, phase) for phase, kw in drawn.items()]
        above = [x for x, kw in zip(limits, drawn.values(), strict=True) if x is not None and kw > x * (1 + 1e-9)]
        return StorageLife(
            c.id, self.usable[c.id], hours, struck, drawn, stored, balance, gone, min(above, default=None)
        )

    def _undisturbed(self) -> tuple[tuple[Sinking, ...], list[tuple[int, dict[str, float]]]]:
        """Storages that an undisturbed system cannot keep charged, and the beginnings that a failure may find.

        A beginning is (phase, levels). Where the system settles without a flat storage, those of the settled cycle.
        Where it settles at flat there is no such cycle: then every boundary of the first undisturbed cycle after all
        storages were full, whichever boundary that was. No beginning is better than with more generation.
        """
        count = len(self.phases)
        courses = [self.cycles.follow(self._of(self.nothing), p, self.usable, self._no_loads) for p in range(count)]
        sinking = []
        for c in self.storages:
            first = min(range(count), key=lambda p: courses[p].flat_h.get(c.id, math.inf))
            if c.id in courses[first].flat_h:
                course = courses[first]
                lost = course.change_kwh.get(c.id)
                loses = -lost if lost is not None and lost < 0 else None
                sinking.append(Sinking(c.id, course.flat_h[c.id], self.phases[first][0], loses))
        if not sinking:
            return (), list(enumerate(courses[0].settled))
        found = []
        for full_at in range(count):
            level = dict(self.usable)
            for turn in range(count):
                index = (full_at + turn) % count
                found.append((index, level))
                for step in self.cycles.phase(self._of(self.nothing), index, level):
                    level = dict(step.level_kwh)
        return tuple(sinking), found

    def _of(self, state: CaseState) -> RatesOf:
        return lambda phase, flat, full: self._rates(state, phase, flat, full)

    def _rates(self, state: CaseState, phase: str, flat: frozenset[str], full: frozenset[str]) -> Rates:
        return self.charging.rates(self._useful(state, phase), phase, flat, full)


def _usable_kwh(c: Component) -> float:
    return (c.energy_kwh or 0.0) * (1.0 if c.depth_limit is None else c.depth_limit)
