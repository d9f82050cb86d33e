"""Which voltage every bus and load of a topology has, with given equipment conducting in one phase.

The topology is laid out in areas (``currents.wiring``), each solved by the DC flow. A converter takes
output / efficiency from its input area as a constant power, whatever the voltage there, so the areas are solved again
until the powers stand still; they only grow, so the least consistent powers are found, losses included.

What holds for the result, and is printed with it, stands in :data:`ASSUMPTIONS`.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import lru_cache

from powerfault.electrical.currents.dc_flow import Branch, DcFlow, solve_dc
from powerfault.electrical.currents.derating import Derating
from powerfault.electrical.currents.layout import Layout, lay_out
from powerfault.electrical.currents.quantity import NOTE, UNKNOWN, UNMET, Finding
from powerfault.electrical.currents.wiring import Area, Wiring
from powerfault.model.elements import Load, Topology, in_phase

MAX_ROUNDS = 200
ASSUMPTIONS = (
    "loads draw constant power; sources, storages and regulated outputs hold their voltage up to what they can give, "
    "then it sags and other feeders on the way take over",
    "only cables and jumpers with length_m and gauge_awg have resistance; buses, switches and diodes have none",
    "feeders on one bus share its power up to their ratings: sources first, then converters, then storages and what "
    "storages alone feed; storages elsewhere give nothing while the other feeders suffice",
    "a converter takes output power / efficiency; without the field, efficiency is taken as 1",
)


@dataclass(frozen=True, slots=True)
class ConductorState:
    """One cable or jumper: power enters at ``sends`` and leaves at ``receives``; ``None`` where not known."""

    id: str
    sends: str
    receives: str
    power_kw: float
    """Power that leaves it."""
    current_a: float | None
    loss_kw: float
    drop_v: float | None
    sending_v: float | None
    resistance_ohm: float | None
    supply_kw: float = math.inf
    """The most that the feeders on its sending side can give together, other consumers there aside."""
    against_arrow: bool = False


@dataclass(frozen=True, slots=True)
class Voltages:
    """The state of the whole network. ``voltage_v`` holds only what is energised at a known voltage.

    Where a part has no operating point, ``operates`` is false, a finding says where, and that part has no voltages.
    """

    phase: str
    operates: bool
    voltage_v: Mapping[str, float] = field(default_factory=dict)
    energised: frozenset[str] = frozenset()
    feeder_kw: Mapping[str, float] = field(default_factory=dict)
    """Power out of each source, storage, converter and regulator that feeds."""
    limit_kw: Mapping[str, float] = field(default_factory=dict)
    """The most that each of these can give, what is behind it included."""
    input_kw: Mapping[str, float] = field(default_factory=dict)
    conductors: Mapping[str, ConductorState] = field(default_factory=dict)
    demand_kw: float = 0.0
    loss_kw: float = 0.0
    findings: tuple[Finding, ...] = ()


def solve_voltages(
    topology: Topology | Layout,
    conducting: Collection[str],
    phase: str,
    derating: Derating,
    extra_kw: Mapping[str, float] | None = None,
    ideal: Collection[str] = (),
) -> Voltages:
    """Solve the network in ``phase`` with only ``conducting`` (component and load ids) in circuit.

    ``extra_kw`` adds power drawn at components (charging, say). A load whose ``demand_kw`` is not given draws none,
    and a finding says so. Conductors in ``ideal`` are taken without resistance. A layout made once serves many calls.
    """
    layout = topology if isinstance(topology, Layout) else lay_out(topology)
    return _Solver(Wiring(layout, conducting, phase, derating, extra_kw or {}, ideal)).solve()


def _solve_known(area: Area, held: Mapping[str, float], most_a: Mapping[str, float]) -> DcFlow:
    """Solve an area, or remember it: cases and phases share most of theirs."""
    return _remembered(
        tuple(area.branches), tuple(held.items()), tuple(sorted(area.loads_w.items())), tuple(most_a.items())
    )


@lru_cache(maxsize=4096)
def _remembered(
    branches: tuple[Branch, ...],
    held: tuple[tuple[str, float], ...],
    loads_w: tuple[tuple[str, float], ...],
    most_a: tuple[tuple[str, float], ...],
) -> DcFlow:
    return solve_dc(branches, dict(held), dict(loads_w), dict(most_a))


class _Solver:
    """Solves the areas of one wiring in turn until the converters' powers stand still."""

    def __init__(self, wiring: Wiring) -> None:
        self.wiring, self.topology, self.phase = wiring, wiring.topology, wiring.phase
        self.findings = list(wiring.findings)
        self._behind: dict[str, frozenset[str]] = {}
        self._limits: dict[str, float] = {}

    def solve(self) -> Voltages:
        inputs_w: dict[str, float] = {}
        for _ in range(MAX_ROUNDS):
            self._place_loads(inputs_w)
            output_w: dict[str, float] = {}
            for area in self.wiring.areas:
                self._solve_area(area)
                output_w.update(area.output_w)
            wanted = {
                id_: watts / (self.topology.components[id_].efficiency or 1.0)
                for id_, watts in output_w.items()
                if id_ in self.wiring.layout.splitting
            }
            if all(abs(wanted[k] - inputs_w.get(k, 0.0)) <= 1e-9 * (1 + wanted[k]) for k in wanted):
                return self._result(output_w, inputs_w)
            inputs_w = wanted
        ring = ", ".join(sorted(inputs_w))[:200]
        why = Finding(UNMET, "", f"no operating point: powers of converters feeding each other keep growing ({ring})")
        return Voltages(self.phase, False, energised=self.wiring.live, findings=(*self.findings, why))

    def _place_loads(self, inputs_w: Mapping[str, float]) -> None:
        for area in self.wiring.areas:
            area.loads_w = dict.fromkeys(area.nodes, 0.0)
        for node, watts in (*self.wiring.fixed_w.items(), *((f"{k}<", w) for k, w in inputs_w.items())):
            self.wiring.area(node).loads_w[self.wiring.root(node)] += watts

    def _solve_area(self, area: Area) -> None:
        """Bring the flow of ``area`` up to date; note where it has no operating point."""
        if area.solved_for == area.loads_w:
            return
        area.solved_for = dict(area.loads_w)
        area.flow, area.stuck = None, None
        others = {root: volts for root, volts in area.held.items() if not all(map(self._stored, area.feeders[root]))}
        if others and len(others) < len(area.held):
            # Storages wait while the other feeders suffice; else they hold their buses too.
            flow = _solve_known(area, others, self._most_a(area, others))
            if flow.operates and not any(area.loads_w.get(n) for n in flow.dead):
                area.flow = flow
        if area.held and area.flow is None:
            flow = _solve_known(area, area.held, self._most_a(area, area.held))
            if not flow.operates:
                # More is asked than the feeders can give: show what that would mean, as a finding on the feeders.
                flow = _solve_known(area, area.held, {})
            if flow.operates:
                area.flow = flow
            else:
                area.stuck = self._stuck(area, flow)
        area.output_w = self._share(area)

    def _most_a(self, area: Area, held: Mapping[str, float]) -> dict[str, float]:
        """The greatest current of all feeders on each held node: their limit, or what they can give at its voltage."""
        found = {}
        for root, volts in held.items():
            found[root] = 0.0
            for id_ in area.feeders[root]:
                limit = self.topology.components[id_].limits_at_a
                found[root] += min(math.inf if limit is None else limit, 1000 * self._limit_kw(id_) / volts)
        return found

    def _stuck(self, area: Area, flow: DcFlow) -> Finding:
        where = ", ".join(dict.fromkeys(map(self.wiring.members, flow.stressed))) or "an unnamed node"
        return Finding(
            UNMET,
            where,
            f"{flow.status} at {where} in {self.phase}: the {sum(area.loads_w.values()) / 1000:.4g} kW asked of "
            "this part of the network are above the greatest power that its conductors transfer",
        )

    def _share(self, area: Area) -> dict[str, float]:
        """Power out of each feeder of ``area``, in W."""
        if area.flow is None:
            return self._tiers([f for group in area.feeders.values() for f in group], sum(area.loads_w.values()))
        found: dict[str, float] = {}
        for root, feeders in area.feeders.items():
            found |= self._tiers(feeders, max(0.0, area.flow.given_w.get(root, 0.0)))
        return found

    def _tiers(self, feeders: list[str], watts: float) -> dict[str, float]:
        found = dict.fromkeys(feeders, 0.0)
        order: dict[str, list[str]] = {"source": [], "converter": [], "storage": []}
        for id_ in feeders:
            kind = self.topology.components[id_].kind
            order["storage" if self._stored(id_) else "source" if kind == "source" else "converter"].append(id_)
        tiers = [t for t in order.values() if t]
        for number, tier in enumerate(tiers):
            limits = {id_: 1000 * self._limit_kw(id_) for id_ in tier}
            total = sum(limits.values())
            takes = watts if number == len(tiers) - 1 else min(watts, total)
            unlimited = [id_ for id_ in tier if limits[id_] == math.inf]
            for id_ in tier:
                if unlimited:
                    found[id_] = takes / len(unlimited) if id_ in unlimited else 0.0
                else:
                    found[id_] = takes * limits[id_] / total if total else takes / len(tier)
            watts -= takes
        return found

    def _stored(self, id_: str) -> bool:
        """Whether all that a feeder gives comes from storages."""
        behind = self._sources_behind(id_)
        return bool(behind) and all(self.topology.components[x].kind == "storage" for x in behind)

    def _sources_behind(self, id_: str) -> frozenset[str]:
        """The sources and storages from which a feeder has its power."""
        if id_ not in self._behind:
            found: set[str] = set()
            seen, waiting = {id_}, [id_]
            while waiting:
                here = waiting.pop()
                if here not in self.wiring.layout.splitting:
                    found.add(here)
                    continue
                for group in self.wiring.area(f"{here}<").feeders.values():
                    waiting += [x for x in group if x not in seen]
                    seen.update(group)
            self._behind[id_] = frozenset(found)
        return self._behind[id_]

    def _limit_kw(self, id_: str, above: frozenset[str] = frozenset()) -> float:
        """The most it can give: its rating, its capacity in the phase, and what its own feeders can give."""
        if not above and id_ in self._limits:
            return self._limits[id_]
        limit = self._find_limit_kw(id_, above)
        if not above:
            self._limits[id_] = limit
        return limit

    def _find_limit_kw(self, id_: str, above: frozenset[str]) -> float:
        c = self.topology.components[id_]
        limit = math.inf if c.rating_kw is None else c.rating_kw
        if c.is_source:
            capacity = in_phase(c.capacity_kw, self.phase)
            return limit if capacity is None else min(limit, capacity)
        if id_ in above:
            return limit
        behind = self._supply_kw(self.wiring.area(f"{id_}<"), above | {id_})
        return min(limit, (c.efficiency or 1.0) * behind)

    def _supply_kw(self, area: Area, above: frozenset[str] = frozenset()) -> float:
        return sum(self._limit_kw(f, above) for group in area.feeders.values() for f in group)

    def _result(self, output_w: Mapping[str, float], inputs_w: Mapping[str, float]) -> Voltages:
        wiring, volts = self.wiring, dict[str, float]()
        stuck = [area.stuck for area in wiring.areas if area.stuck is not None]
        for id_ in (*self.topology.components, *self.topology.loads):
            if id_ not in wiring.live or id_ in wiring.resistance:
                continue
            levels = [v for v in map(wiring.voltage, wiring.load_nodes.get(id_, [id_])) if v is not None]
            if levels:
                volts[id_] = min(levels)
        conductors = {id_: self._conductor(id_) for id_ in wiring.resistance}
        self._judge(volts, output_w, conductors)
        return Voltages(
            phase=self.phase,
            operates=not stuck,
            voltage_v=volts,
            energised=wiring.live,
            feeder_kw={k: w / 1000 for k, w in output_w.items()},
            limit_kw={k: self._limit_kw(k) for k in output_w},
            input_kw={k: w / 1000 for k, w in inputs_w.items()},
            conductors=conductors,
            demand_kw=sum(wiring.fixed_w.values()) / 1000,
            loss_kw=sum(c.loss_kw for c in conductors.values()),
            findings=(*self.findings, *stuck),
        )

    def _conductor(self, id_: str) -> ConductorState:
        wiring, ohm = self.wiring, self.wiring.resistance[id_]
        known = None if id_ in wiring.assumed else ohm
        flow = wiring.area(id_).flow
        leaving: dict[str, float] = {}
        at: dict[str, float] = {}
        for end, neighbour in wiring.arms.get(id_, []):
            volts = wiring.voltage(end)
            if flow is not None and volts is not None:
                leaving[neighbour], at[neighbour] = flow.current_a[end], volts
        if not at:
            return ConductorState(id_, "", "", 0.0, None, 0.0, None, None, known)
        sends, receives = max(at, key=lambda b: at[b]), max(leaving, key=lambda b: leaving[b])
        if receives == sends and len(at) > 1:
            receives = next(b for b in at if b != sends)
        current = sum(i for i in leaving.values() if i > 0)
        return ConductorState(
            id=id_,
            sends=sends,
            receives=receives,
            power_kw=sum(i * at[b] for b, i in leaving.items() if i > 0) / 1000,
            current_a=current,
            loss_kw=sum(i * i * ohm / 2 for i in leaving.values()) / 1000,
            drop_v=at[sends] - at[receives],
            sending_v=at[sends],
            resistance_ohm=known,
            supply_kw=self._behind_kw(id_, f"{id_}|{sends}"),
            against_arrow=current > 1e-4 and (sends, id_) not in self.topology.links,
        )

    def _behind_kw(self, id_: str, start: str) -> float:
        """The most that feeders from which current can reach ``start`` without passing ``id_`` give together."""
        wiring, area = self.wiring, self.wiring.area(id_)
        before: dict[str, list[str]] = {}
        own = {end for end, _ in wiring.arms[id_]}
        for branch in area.branches:
            if branch.id in own:
                continue
            before.setdefault(branch.end, []).append(branch.start)
            if not branch.one_way:
                before.setdefault(branch.start, []).append(branch.end)
        found, waiting = {wiring.root(start)}, [wiring.root(start)]
        while waiting:
            for a in before.get(waiting.pop(), ()):
                if a not in found:
                    found.add(a)
                    waiting.append(a)
        return sum(self._limit_kw(f) for root, group in area.feeders.items() if root in found for f in group)

    def _judge(
        self, volts: Mapping[str, float], output_w: Mapping[str, float], conductors: Mapping[str, ConductorState]
    ) -> None:
        wiring = self.wiring
        for id_, nodes in wiring.load_nodes.items():
            for node in nodes:
                flow = wiring.area(node).flow
                if flow is not None and wiring.root(node) in flow.dead:
                    self.findings.append(Finding(UNMET, id_, f"no current path reaches it in {self.phase}"))
            if not any(wiring.area(node).stuck for node in nodes):
                self.findings.extend(window_findings(self.topology.loads[id_], volts.get(id_), self.phase))
        for id_, watts in output_w.items():
            limit = self._limit_kw(id_)
            if watts / 1000 > limit * (1 + 1e-9) + 1e-9:
                self.findings.append(
                    Finding(UNMET, id_, f"gives {watts / 1000:.4g} kW in {self.phase}, above the {limit:.4g} kW it can")
                )
        for id_, state in conductors.items():
            if state.against_arrow:
                self.findings.append(
                    Finding(UNMET, id_, f"power runs against its arrow, from {state.sends} to {state.receives}")
                )
        if any(c.kind == "diode" and c.id in wiring.live for c in self.topology.components.values()):
            self.findings.append(Finding(NOTE, "", "the forward voltage of diodes is taken as 0"))


def window_findings(load: Load, volts: float | None, phase: str) -> list[Finding]:
    """What the voltage at ``load`` says against its window."""
    if load.min_voltage_v is None and load.max_voltage_v is None:
        return []
    low, high = load.min_voltage_v or 0.0, load.max_voltage_v or math.inf
    window = f"{low:g} to {high:g} V" if high < math.inf else f"{low:g} V or more"
    if volts is None:
        return [Finding(UNKNOWN, load.id, f"needs {window}; its voltage is not known: no voltage_v in its domain")]
    if volts < low * (1 - 1e-12) or volts > high * (1 + 1e-12):
        return [Finding(UNMET, load.id, f"{volts:.4g} V at its input in {phase}, outside its window of {window}")]
    return []
