"""How long do storages last in each case, and which loads drop when they are flat?

The format counts a storage whose charger is gone as no storage at all, since it cannot be relied on for ever. Here the
question is for how long it can: every storage begins with what an undisturbed cycle leaves it at the boundary of
phases at which the failure strikes, and the phases then follow each other in file order. Within a phase powers are
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
from powerfault.electrical.served.positions import RatedPositions, positions_of
from powerfault.electrical.sizing.transfer import Progress, count_cases
from powerfault.errors import ModelError, Problem, RequestError
from powerfault.failures.case_state import CaseState, case_states
from powerfault.model.elements import STAGES, Component, Event, Topology, in_phase
from powerfault.network.failure_modes import list_events
from powerfault.network.graph import build_network

HORIZON_H = 1000.0
CASES_WITHOUT_ASKING = 20_000
EMPTY_KWH = 1e-9
ASSUMPTIONS = (
    "a storage begins with what an undisturbed cycle leaves it where the failure strikes: the worst boundary of phases",
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
    """A load with ``must_last_h`` in one case: when it drops (infinite: within the horizon, never)."""

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
class Endurance:
    """All cases asked; ``spared`` counts those left out because they load no storage more than nothing failed."""

    stage: str
    cases: tuple[CaseLife, ...]
    spared: int

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
    return Endurance(stage, tuple(found), spared)


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
        self.sinking: set[str] = set()
        self.level_at = self._undisturbed()

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
        for start in range(len(self.phases)):
            flat, lost, through = self._run(state, start)
            for id_, hours in flat.items():
                if hours < flat_at[id_]:
                    flat_at[id_], struck[id_] = hours, self.phases[start][0]
            for id_, hours in lost.items():
                if id_ in drops:
                    drops[id_] = min(drops[id_], hours)
            for id_, kw in through.items():
                jumper[id_] = max(kw, jumper.get(id_, 0.0))
        storages = tuple(self._storage(state, c, flat_at[c.id], struck[c.id]) for c in self.storages)
        return CaseLife(
            state.failed,
            tuple(s for s in storages if s is not None),
            tuple(LoadLife(x.id, x.must_last_h or 0.0, drops[x.id]) for x in timed if x.id in served),
            tuple(x.id for x in timed if x.id not in served),
            jumper,
        )

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

    def _undisturbed(self) -> list[dict[str, float]]:
        """What is stored at the beginning of each phase of a settled undisturbed cycle.

        A storage that does not get through it (flat, or less at the end than at the beginning) counts as full.
        """
        level = dict(self.usable)
        found: list[dict[str, float]] = []
        flat: set[str] = set()
        for _ in range(20):
            before = dict(level)
            found = []
            for phase, hours in self.phases:
                found.append(dict(level))
                level, emptied, *_ = self._phase(self.nothing, phase, hours, level)
                flat |= set(emptied)
            self.sinking = {k for k in level if level[k] < before[k] - 1e-6} | flat
            if all(abs(level[k] - before[k]) < 1e-6 for k in level):
                break
        return [{k: self.usable[k] if k in self.sinking else v for k, v in levels.items()} for levels in found]

    def _run(self, state: CaseState, start: int) -> tuple[dict[str, float], dict[str, float], dict[str, float]]:
        """Hours until each storage is flat and each load drops, the failure striking as phase ``start`` begins."""
        level = dict(self.level_at[start])
        clock, turn = 0.0, start
        flat: dict[str, float] = {}
        lost: dict[str, float] = {}
        jumper: dict[str, float] = {}
        at_start: dict[str, float] | None = None
        while clock < HORIZON_H:
            if turn % len(self.phases) == start:
                if at_start is not None and all(abs(level[k] - at_start[k]) < 1e-6 for k in level):
                    break  # from here on every cycle is like the last
                at_start = dict(level)
            phase, hours = self.phases[turn % len(self.phases)]
            level, emptied, dropped, through = self._phase(state, phase, hours, level)
            for id_, after in emptied.items():
                flat.setdefault(id_, clock + after)
            for id_, after in dropped.items():
                lost.setdefault(id_, clock + after)
            for id_, kw in through.items():
                jumper[id_] = max(kw, jumper.get(id_, 0.0))
            clock += hours
            turn += 1
        return flat, lost, jumper

    def _phase(
        self, state: CaseState, phase: str, hours: float, level: Mapping[str, float]
    ) -> tuple[dict[str, float], dict[str, float], dict[str, float], dict[str, float]]:
        """One phase: levels at its end, and the hours into it at which storages are flat and loads drop."""
        now, clock = dict(level), 0.0
        emptied: dict[str, float] = {}
        dropped: dict[str, float] = {}
        jumper: dict[str, float] = {}
        wanted = [x for x in self.topology.loads.values() if x.judged_in(phase) and x.id in self._useful(state, phase)]
        for _ in range(4 * len(now) + 4):
            flat = frozenset(k for k, v in now.items() if v <= EMPTY_KWH)
            full = frozenset(k for k, v in now.items() if v >= self.usable[k] - EMPTY_KWH)
            rates = self._rates(state, phase, flat, full)
            for load in wanted:
                if load.id not in rates.powered:
                    dropped.setdefault(load.id, clock)
            for id_, kw in rates.jumper_kw.items():
                jumper[id_] = max(kw, jumper.get(id_, 0.0))
            slope = {}
            for c in self.storages:
                stored = 0.0 if c.id in full else rates.stored_kw.get(c.id, 0.0)
                drawn = 0.0 if c.id in flat else rates.drawn_kw.get(c.id, 0.0)
                slope[c.id] = (c.charge_efficiency or 1.0) * stored - drawn
            step = hours - clock
            for id_, rate in slope.items():
                if rate < 0:
                    step = min(step, now[id_] / -rate)
                elif rate > 0:
                    step = min(step, (self.usable[id_] - now[id_]) / rate)
            clock += step
            for id_, rate in slope.items():
                now[id_] = min(self.usable[id_], max(0.0, now[id_] + rate * step))
                if rate < 0 and now[id_] <= EMPTY_KWH:
                    now[id_] = 0.0
                    emptied.setdefault(id_, clock)
            if clock >= hours - 1e-12:
                break
        return now, emptied, dropped, jumper

    def _rates(self, state: CaseState, phase: str, flat: frozenset[str], full: frozenset[str]) -> Rates:
        return self.charging.rates(self._useful(state, phase), phase, flat, full)


def _usable_kwh(c: Component) -> float:
    return (c.energy_kwh or 0.0) * (1.0 if c.depth_limit is None else c.depth_limit)
