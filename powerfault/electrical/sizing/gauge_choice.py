"""What does a conductor do at the greatest transfer asked of it, and which is the smallest gauge that would do?

For each direction the greatest transfer is put on the conductor as a constant power at its far end: current, drop,
loss, greatest transferable power, and the current rating under the derating rule. The whole network is then solved
in that case for the voltage at every load. The same is done for every stocked gauge from AWG 4/0 to 30, so that the
smallest one that meets all criteria can be named. Criteria that the file does not give (no allowed drop, no rule for
amperes, no voltage window) are named as not judged, and never count as met.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from powerfault.electrical.currents.bus_voltages import ASSUMPTIONS, Voltages, solve_voltages
from powerfault.electrical.currents.conductors import (
    COPPER_OHM_MM2_PER_M,
    COPPER_PER_K,
    SOURCE_COPPER,
    SOURCE_GAUGE,
    SOURCE_STRANDED,
    TRADE_GAUGES,
    LineState,
    area_mm2,
    gauge_name,
    line_state,
    loop_resistance_ohm,
)
from powerfault.electrical.currents.derating import Derating
from powerfault.electrical.currents.quantity import NOTE, UNKNOWN, UNMET, Finding, Quantity
from powerfault.electrical.served.positions import RatedPositions
from powerfault.electrical.sizing.transfer import METHOD, Need, Transfer, charging_positions, with_gauge
from powerfault.errors import RequestError
from powerfault.model.elements import Component, Event, Topology, in_phase


@dataclass(frozen=True, slots=True)
class GaugeRow:
    """One gauge against the criteria. ``fits`` is ``None`` where nothing could be judged."""

    gauge: int
    resistance_ohm: float
    state: LineState
    rating_a: float | None
    low_loads: tuple[str, ...]
    """Loads outside their window in this case with this gauge."""
    fails: tuple[str, ...]
    fits: bool | None
    present: bool = False

    @property
    def name(self) -> str:
        return gauge_name(self.gauge)


@dataclass(frozen=True, slots=True)
class LoadVoltage:
    """Voltage at one load in the governing case, against its window; ``ok`` is ``None`` where it has none."""

    id: str
    voltage_v: float | None
    min_voltage_v: float | None
    max_voltage_v: float | None
    ok: bool | None


@dataclass(frozen=True, slots=True)
class DirectionSize:
    """The conductor in one direction, at the greatest transfer of all phases."""

    transfer: Transfer
    quantities: tuple[Quantity, ...]
    rows: tuple[GaugeRow, ...]
    smallest: int | None
    loads: tuple[LoadVoltage, ...]
    voltages: Voltages | None
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class ConductorSize:
    """All that is said of one conductor."""

    need: Need
    derating: Derating
    directions: tuple[DirectionSize, ...]
    smallest: int | None
    not_judged: tuple[str, ...]
    findings: tuple[Finding, ...]
    assumptions: tuple[str, ...]

    @property
    def fits(self) -> bool | None:
        """Whether the conductor as it stands meets every criterion that could be judged."""
        rows = [row for d in self.directions for row in d.rows if row.present]
        own = [*self.findings, *(f for d in self.directions for f in d.findings if f.id == self.need.conductor.id)]
        if any(f.grave == UNMET for f in own) or any(row.fits is False for row in rows):
            return False
        return True if rows and all(row.fits for row in rows) else None


def size_conductor(
    topology: Topology,
    need: Need,
    derating: Derating,
    given: Iterable[Event] = (),
    gauges: Iterable[int] = TRADE_GAUGES,
) -> ConductorSize:
    """Judge ``need.conductor`` as it stands and in every one of ``gauges``. Solves the network once for each."""
    component = need.conductor
    findings: list[Finding] = []
    if not need.greatest:
        findings.append(Finding(NOTE, component.id, "no case within the order puts any power through it"))
    for text in need.unsolved[:5]:
        findings.append(Finding(UNMET, component.id, text))
    if component.gauge_awg is None:
        findings.append(Finding(UNKNOWN, component.id, "gauge_awg not given: the conductor as it stands is not judged"))
    if component.length_m is None:
        findings.append(Finding(UNKNOWN, component.id, "length_m not given: no drop can be computed for any gauge"))
    wanted = sorted({*gauges, *(() if component.gauge_awg is None else (component.gauge_awg,))})
    cases = _Cases(topology, tuple(given))
    directions = tuple(_direction(cases, component, t, derating, wanted) for t in need.governing())
    smallest: int | None = None
    if directions and all(d.smallest is not None for d in directions):
        smallest = min(d.smallest for d in directions if d.smallest is not None)
    return ConductorSize(
        need, derating, directions, smallest, _not_judged(topology, component, derating), tuple(findings),
        (*ASSUMPTIONS, METHOD, _resistance_basis(component, derating)),
    )  # fmt: skip


class _Cases:
    """Solves governing cases with one gauge after another, the positions of each found once."""

    def __init__(self, topology: Topology, given: tuple[Event, ...]) -> None:
        self.topology, self.given = topology, given
        self.rated = RatedPositions(topology, given)
        self.known: dict[tuple[object, ...], tuple[frozenset[str], bool]] = {}

    def solve(
        self, topology: Topology, transfer: Transfer, derating: Derating, ideal: tuple[str, ...] = ()
    ) -> Voltages:
        conducting, _ = self.positions(transfer)
        return solve_voltages(topology, conducting, transfer.phase, derating, dict(transfer.extra_kw), ideal)

    def positions(self, transfer: Transfer) -> tuple[frozenset[str], bool]:
        """What conducts in the case, and whether loads had to be shed for ratings."""
        key = transfer.failed, transfer.stage, transfer.phase
        if key not in self.known and transfer.resting:
            self.known[key] = charging_positions(self.topology, transfer, self.given).conducting, False
        if key not in self.known:
            rated = self.rated.of(transfer.failed, transfer.stage, transfer.phase)
            self.known[key] = rated.conducting, bool(rated.dark)
        return self.known[key]


def _direction(
    cases: _Cases, component: Component, transfer: Transfer, derating: Derating, gauges: list[int]
) -> DirectionSize:
    topology, id_ = cases.topology, component.id
    findings: list[Finding] = []
    ideal = cases.solve(topology, transfer, derating, (id_,))
    hopeless = {f.id for f in ideal.findings if f.grave == UNMET and f.id in topology.loads}
    for f in ideal.findings:
        if f.grave == UNMET and f.id in topology.loads:
            findings.append(Finding(UNMET, f.id, f"{f.text}, whatever the gauge of {id_}"))
    conducting, shed = cases.positions(transfer)
    if shed or transfer.needed_kw > transfer.supply_kw * (1 + 1e-9):
        findings.append(
            Finding(
                NOTE,
                id_,
                f"in this case loads must be shed: {transfer.needed_kw:.4g} kW are wanted through it, its feeders give "
                f"{transfer.supply_kw:.4g} kW at most; voltages are those with the loads served that ratings allow",
            )
        )
    sending_v = _sending_v(ideal, id_, transfer)
    rows: list[GaugeRow] = []
    if component.length_m is not None and sending_v is not None:
        rows = [_row(cases, component, transfer, derating, gauge, hopeless) for gauge in gauges]
    present = cases.solve(topology, transfer, derating) if component.gauge_awg is not None else ideal
    if component.rating_a is not None and sending_v is not None:
        row = next((r for r in rows if r.present), None)
        current = row.state.current_a if row is not None else 1000 * transfer.power_kw / sending_v
        if current is not None and current > component.rating_a * (1 + 1e-9):
            findings.append(Finding(UNMET, id_, f"{current:.4g} A, above its own rating_a of {component.rating_a:g} A"))
    fitting = [row.gauge for row in rows if row.fits]
    return DirectionSize(
        transfer,
        (*_quantities(component, transfer, derating, sending_v), *_as_served(present, id_, transfer, shed)),
        tuple(rows),
        max(fitting) if fitting else None,
        _loads(topology, present, conducting),
        present,
        tuple(findings),
    )


def _sending_v(voltages: Voltages, id_: str, transfer: Transfer) -> float | None:
    state = voltages.conductors.get(id_)
    if state is not None and state.sending_v is not None and state.sends == transfer.sends:
        return state.sending_v
    return transfer.sending_v


def _row(
    cases: _Cases, component: Component, transfer: Transfer, derating: Derating, gauge: int, hopeless: set[str]
) -> GaugeRow:
    changed = replace(component, gauge_awg=gauge)
    topology = with_gauge(cases.topology, component.id, gauge)
    fails: list[str] = []
    judged = False
    basis = derating
    try:
        solved = cases.solve(topology, transfer, basis)
    except RequestError:  # a gauge that the table of stranded wire does not list
        basis = replace(derating, resistance="solid")
        solved = cases.solve(topology, transfer, basis)
        fails.append("not in the table of stranded wire")
    ohm = _ohm(changed, basis)
    sending_v = _sending_v(solved, component.id, transfer) or 1.0
    state = line_state(sending_v, ohm, 1000 * transfer.power_kw)
    if state.voltage_v is None or not solved.operates:
        fails.append("no operating point")
    rating = derating.ampacity(gauge, component.conductors, component.rating_a)
    if derating.rule != "none":
        judged = True
        if rating.value is None:
            fails.append("no figure in the rule")
        elif state.current_a is not None and state.current_a > rating.value * (1 + 1e-9):
            fails.append(f"{state.current_a:.4g} A above {rating.value:.4g} A")
    if derating.drop_percent is not None:
        judged = True
        if state.drop_fraction is not None and 100 * state.drop_fraction > derating.drop_percent * (1 + 1e-9):
            fails.append(f"drop {100 * state.drop_fraction:.3g} % above {derating.drop_percent:g} %")
    low = tuple(f.id for f in solved.findings if f.grave == UNMET and f.id in topology.loads and f.id not in hopeless)
    judged = judged or any(topology.loads[x].min_voltage_v is not None for x in transfer.depends if x in topology.loads)
    if low:
        fails.append(f"{len(low)} load{'s' if len(low) > 1 else ''} outside the voltage window")
    fits = False if fails else (True if judged else None)
    return GaugeRow(gauge, ohm, state, rating.value, low, tuple(fails), fits, gauge == component.gauge_awg)


def _ohm(component: Component, derating: Derating) -> float:
    assert component.gauge_awg is not None
    assert component.length_m is not None
    temperature = derating.temperature_c(component)
    return loop_resistance_ohm(
        component.gauge_awg, component.length_m, component.conductors, temperature, derating.resistance
    )


def _quantities(
    component: Component, transfer: Transfer, derating: Derating, sending_v: float | None
) -> tuple[Quantity, ...]:
    """The numbers of the conductor as it stands, each with what stands behind it."""
    found = [
        Quantity("transfer asked for", transfer.needed_kw, "kW", "demand behind it / efficiencies on the way",
                 f"DC flow in case {transfer.case_name}", "all live loads on; the conductor itself without resistance"),
        Quantity("greatest supply", transfer.supply_kw if transfer.supply_kw < math.inf else None, "kW",
                 "sum over feeders of min(rating, capacity in the phase, efficiency x what is behind)", "the file",
                 "other consumers on the sending side take nothing" if transfer.supply_kw < math.inf
                 else "no feeder states a rating or capacity"),
        Quantity("transfer to size for", transfer.power_kw, "kW", "min(asked for, greatest supply)"),
    ]  # fmt: skip
    if component.gauge_awg is None or component.length_m is None or sending_v is None:
        if sending_v is not None:
            found.append(Quantity("current without drop", 1000 * transfer.power_kw / sending_v, "A", "P / Vs"))
        return tuple(found)
    gauge, n, length = component.gauge_awg, component.conductors, component.length_m
    temperature = derating.temperature_c(component)
    given_c = "conductor_c of the file" if component.conductor_c is not None else "conductor_c of the derating rule"
    source = f"{SOURCE_GAUGE}; {SOURCE_COPPER}" if derating.resistance == "solid" else SOURCE_STRANDED
    try:
        ohm = _ohm(component, derating)
    except RequestError as error:
        found.append(Quantity("resistance there and back", None, "ohm", "", source, str(error)))
        return tuple(found)
    law = (
        f"2 x {length:g} m x (1/{1 / COPPER_OHM_MM2_PER_M:.0f} ohm mm2/m) x (1 + {COPPER_PER_K:g} x "
        f"({temperature:g} - 20)) / ({n} x {area_mm2(gauge):.4g} mm2)"
        if derating.resistance == "solid"
        else f"2 x {length:g} m x table maximum x (1 + {COPPER_PER_K:g} x ({temperature:g} - 20)) / {n}"
    )
    state = line_state(sending_v, ohm, 1000 * transfer.power_kw)
    none = "" if state.voltage_v is not None else "no operating point: more is asked than the line can transfer"
    closed_form = "constant-power load at the far end; of the two roots the higher, at which equipment works"
    found += [
        Quantity("sending voltage", sending_v, "V", "nominal less the drop before it in this case", "the DC flow"),
        Quantity("resistance there and back", ohm, "ohm", law, source,
                 f"conductor at {temperature:g} C ({given_c}); contacts and connectors add nothing"),
        Quantity("receiving voltage", state.voltage_v, "V", "V = (Vs + sqrt(Vs^2 - 4 R P)) / 2", closed_form, none),
        Quantity("current", state.current_a, "A", "I = P / V", "", none),
        Quantity("voltage drop", state.drop_v, "V", "Vs - V", "", none),
        Quantity("voltage drop", None if state.drop_fraction is None else 100 * state.drop_fraction, "%",
                 "100 (Vs - V) / Vs", "", none),
        Quantity("loss", state.loss_w, "W", "I^2 R", "", none),
        Quantity("greatest transferable power", state.greatest_w / 1000, "kW", "Vs^2 / 4 R at Vs / 2",
                 "maximum power transfer", "a limit of physics, not a rating: half of it would be lost on the way"),
        derating.ampacity(gauge, n, component.rating_a),
    ]  # fmt: skip
    if component.rating_a is not None:
        found.append(Quantity("its own current rating", component.rating_a, "A", "rating_a", "the file"))
    return tuple(found)


def _as_served(present: Voltages, id_: str, transfer: Transfer, shed: bool) -> list[Quantity]:
    """What the conductor carries in the solved network of this case, beside the bound that it is sized for."""
    state = present.conductors.get(id_)
    if state is None or state.current_a is None or state.sends != transfer.sends:
        return []
    loads = "loads shed by priority until ratings hold" if shed else "all live loads on"
    if transfer.resting:
        loads = "storages charging at their full rate"
    return [
        Quantity("carried in this case", state.power_kw, "kW", "DC flow of the whole network", "", loads),
        Quantity("current in this case", state.current_a, "A", "DC flow of the whole network", "", loads),
    ]


def _loads(topology: Topology, voltages: Voltages, conducting: frozenset[str]) -> tuple[LoadVoltage, ...]:
    found = []
    for load in topology.loads.values():
        if load.id not in conducting or not in_phase(load.demand_kw, voltages.phase, 0.0):
            continue
        volts = voltages.voltage_v.get(load.id)
        low, high = load.min_voltage_v, load.max_voltage_v
        ok = None
        if volts is not None and (low is not None or high is not None):
            ok = volts >= (low or 0.0) * (1 - 1e-12) and volts <= (high or math.inf) * (1 + 1e-12)
        found.append(LoadVoltage(load.id, volts, low, high, ok))
    return tuple(found)


def _not_judged(topology: Topology, component: Component, derating: Derating) -> tuple[str, ...]:
    found = []
    if derating.rule == "none":
        found.append("amperes of the wire: no derating rule chosen (derating.rule)")
    if derating.drop_percent is None:
        found.append("drop: no allowed drop given (derating.drop_percent)")
    silent = [x.id for x in topology.loads.values() if x.min_voltage_v is None and x.max_voltage_v is None]
    if silent:
        shown = ", ".join(silent[:8]) + (f" and {len(silent) - 8} more" if len(silent) > 8 else "")
        found.append(f"voltage at loads without a window: {shown}")
    if component.rating_a is None:
        found.append(f"the rating of {component.id} as a whole: no rating_a")
    return tuple(found)


def _resistance_basis(component: Component, derating: Derating) -> str:
    kind = "solid copper" if derating.resistance == "solid" else "stranded tinned copper, table maxima"
    extra = (
        "; stranded and tinned wire of AWG 16 and thicker has 1.1 to 1.3 times as much (derating.resistance: stranded)"
        if derating.resistance == "solid"
        else ""
    )
    return f"resistance of {kind} at {derating.temperature_c(component):g} C, there and back{extra}"
