"""The tables of a size study, and its JSON."""

from __future__ import annotations

import math
from typing import Any

from powerfault.electrical.currents.quantity import NOTE, UNKNOWN, UNMET, Finding, Quantity
from powerfault.electrical.protection.checks import Infeed, Protection, lacks_text
from powerfault.electrical.sizing.gauge_choice import ConductorSize, DirectionSize, GaugeRow
from powerfault.electrical.sizing.study import SizeStudy
from powerfault.electrical.sizing.transfer import Transfer
from powerfault.output.blocks.tables import CaseCell, Cell, Table, ToneCell

NUMBERS = frozenset({
    "wanted kW", "supply kW", "size for kW", "charging kW", "value", "ohm", "A", "drop V", "drop %", "loss W",
    "greatest kW", "rating A", "V", "min V", "max V", "lets through A", "wire may carry A", "rating_a", "trips at A",
    "least A", "most A", "through upper A", "upper s", "lower s", "mF", "charged in ms", "something trips after ms",
    "limits allow kW", "run already kW", "start all kW", "start in turn kW", "kW out", "can give kW", "kW in",
    "usable kWh", "flat after h", "kWh a cycle", "must last h", "drops after h",
})  # fmt: skip
"""Titles of columns that hold numbers."""
GRAVE_WORDS = {UNMET: ("not met", "bad"), UNKNOWN: ("not judged", "doubt"), NOTE: ("note", "")}


def figure(value: float | None, digits: int = 4) -> str:
    """A number for a reader: ``digits`` that count, no exponent where it can be helped, words for the rest.

    >>> figure(1234.5678), figure(0.0082083), figure(float("inf")), figure(None)
    ('1235', '0.008208', 'unlimited', '-')
    """
    if value is None:
        return "-"
    if math.isinf(value):
        return "unlimited"
    if value and abs(value) < 1e-4:
        return f"{value:.{digits}g}"
    shown = f"{value:.{max(0, digits - 1 - math.floor(math.log10(abs(value))))}f}" if value else "0"
    return shown.rstrip("0").rstrip(".") if "." in shown else shown


def need_table(size: ConductorSize) -> Table:
    """What is asked of the conductor, by direction and phase."""
    rows: list[tuple[Cell, ...]] = []
    for t in sorted(size.need.greatest.values(), key=lambda t: -t.power_kw):
        rows.append(
            (f"{t.sends} to {t.receives}", t.phase, figure(t.needed_kw), figure(t.supply_kw), figure(t.power_kw),
             figure(t.charging_kw) if t.charging_kw else "-", CaseCell(t.failed), t.stage, ", ".join(t.depends))
        )  # fmt: skip
    return Table(
        f"size-{size.need.conductor.id}-need",
        f"Greatest transfer asked of {size.need.conductor.id}",
        ("direction", "phase", "wanted kW", "supply kW", "size for kW", "charging kW", "case", "stage",
         "depends on it"),
        tuple(rows),
        numeric=NUMBERS,
    )  # fmt: skip


def quantity_table(size: ConductorSize, direction: DirectionSize) -> Table:
    """Every number of the conductor as it stands, with its formula, source and assumption."""
    t = direction.transfer
    return Table(
        f"size-{t.conductor}-numbers-{t.receives}",
        f"{t.conductor} as it stands, towards {t.receives} (case {t.case_name}, {t.stage}, {t.phase})",
        ("quantity", "value", "unit", "formula", "source", "assumption"),
        tuple((q.name, figure(q.value), q.unit, q.formula, q.source, q.assumption) for q in direction.quantities),
        numeric=NUMBERS,
    )


def gauge_table(size: ConductorSize, direction: DirectionSize) -> Table:
    """Every stocked gauge against the criteria, thickest first."""
    t = direction.transfer
    return Table(
        f"size-{t.conductor}-gauges-{t.receives}",
        f"Gauges for {figure(t.power_kw)} kW towards {t.receives}",
        ("gauge", "ohm", "A", "drop V", "drop %", "loss W", "greatest kW", "rating A", "verdict", "why"),
        tuple(_gauge_row(row, direction, size.smallest) for row in direction.rows),
        shown=1 + sum(row.state.voltage_v is not None for row in direction.rows),
        numeric=NUMBERS,
    )


def _gauge_row(row: GaugeRow, direction: DirectionSize, of_all: int | None) -> tuple[Cell, ...]:
    s = row.state
    drop = None if s.drop_fraction is None else 100 * s.drop_fraction
    # One way may do with less than the conductor needs for both, or be the only one that could be judged.
    smallest = "smallest" if direction.smallest == of_all else "smallest this way"
    marks = [word for word, on in (("as it stands", row.present), (smallest, row.gauge == direction.smallest)) if on]
    return (
        row.name + (f" ({', '.join(marks)})" if marks else ""),
        figure(row.resistance_ohm), figure(s.current_a), figure(s.drop_v, 3), figure(drop, 3), figure(s.loss_w, 3),
        figure(s.greatest_w / 1000, 3), figure(row.rating_a), fits_cell(row.fits), "; ".join(row.fails),
    )  # fmt: skip


def fits_cell(fits: bool | None) -> ToneCell:
    return _toned(fits, "does", "fails", "not judged")


def _toned(value: bool | None, yes: str, no: str, open_: str) -> ToneCell:
    """A verdict in words, with its tone."""
    if value is None:
        return ToneCell(open_, "doubt")
    return ToneCell(yes, "good") if value else ToneCell(no, "bad")


def load_table(direction: DirectionSize) -> Table:
    """The voltage at every load in the governing case, the lowest against its window first."""
    t = direction.transfer

    def margin(low: float | None, volts: float | None) -> float:
        return math.inf if low is None or volts is None else volts - low

    rows: list[tuple[Cell, ...]] = []
    for x in sorted(direction.loads, key=lambda x: margin(x.min_voltage_v, x.voltage_v)):
        verdict: Cell = "no window" if x.ok is None else _toned(x.ok, "inside", "OUTSIDE", "")
        rows.append((x.id, figure(x.voltage_v), figure(x.min_voltage_v), figure(x.max_voltage_v), verdict))
    return Table(
        f"size-{t.conductor}-loads-{t.receives}",
        f"Voltage at every load (case {t.case_name}, {t.stage}, {t.phase})",
        ("load", "V", "min V", "max V", "verdict"),
        tuple(rows),
        shown=max(10, sum(x.ok is False for x in direction.loads)),
        numeric=NUMBERS,
    )


def guard_table(protection: Protection) -> Table:
    """What limits the current into each conductor from each side."""
    return Table(
        "protection-conductors",
        "Does the device ahead protect the conductor?",
        ("conductor", "side", "device ahead", "lets through A", "wire may carry A", "rating_a", "verdict"),
        tuple(
            (g.conductor, g.side, g.name, figure(g.lets_a), figure(g.wire_a), figure(g.rating_a),
             _toned(g.protects, "protects", "DOES NOT PROTECT",
                    f"not judged: {lacks_text(g.lacks)}" if g.lacks else "not judged"))
            for g in protection.guards
        ),
        numeric=NUMBERS,
    )  # fmt: skip


def infeed_table(protection: Protection) -> Table:
    """Whether each device trips at the greatest and at the least fault current beyond it."""
    return Table(
        "protection-infeed",
        "Does the device trip at the greatest and at the least fault current?",
        ("device", "short towards", "trips at A", "greatest A", "from", "at greatest", "least A", "from alone", "at",
         "at least"),
        tuple(
            (x.device, x.toward, figure(x.trip_a), figure(x.most_a), " + ".join(x.supplies),
             trips_cell(x, x.trips_at_most), figure(x.least_a), x.weakest or "-", x.far_end or "its limit",
             trips_cell(x, x.trips_at_least))
            for x in protection.infeeds
        ),
        numeric=NUMBERS,
    )  # fmt: skip


def trips_cell(x: Infeed, trips: bool | None) -> ToneCell:
    return _toned(trips, "trips", "DOES NOT TRIP", f"not judged: {lacks_text(x.lacks)}" if x.lacks else "not judged")


def order_table(protection: Protection) -> Table:
    return Table(
        "protection-order",
        "Which of two devices in series clears first?",
        ("upstream", "downstream", "short towards", "fault current", "assumes", "through upstream A", "upstream s",
         "downstream s", "margin s", "clears first"),
        tuple(
            (x.upper, x.lower, x.toward, x.at, x.assumes, figure(x.upper_a), figure(x.upper_s), figure(x.lower_s),
             figure(x.margin_s),
             _toned(x.selective, "the downstream one", "THE UPSTREAM ONE",
                    f"not judged: {lacks_text(x.lacks)}" if x.lacks else "not judged"))
            for x in protection.orders
        ),
        numeric=NUMBERS,
    )  # fmt: skip


def inrush_table(protection: Protection) -> Table:
    return Table(
        "protection-closing",
        "Closing onto a dead part",
        ("switch", "from", "mF", "charged in ms", "something trips after ms", "limits allow kW", "run already kW",
         "start all kW", "start in turn kW"),
        tuple(
            (x.device, x.live, figure(x.capacitance_mf), figure(None if x.charge_s is None else 1000 * x.charge_s),
             figure(None if x.holds_s is None else 1000 * x.holds_s), figure(x.gives_kw), figure(x.live_kw),
             figure(x.start_kw), figure(x.largest_start_kw))
            for x in protection.inrushes
        ),
        numeric=NUMBERS,
    )  # fmt: skip


def finding_table(name: str, findings: tuple[Finding, ...]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for f in findings:
        word, tone = GRAVE_WORDS[f.grave]
        rows.append((ToneCell(word, tone) if tone else word, f.id, f.text))
    return Table(name, "Findings", ("gravity", "at", "finding"), tuple(rows))


def verdict_sentence(size: ConductorSize) -> str:
    """The verdict on one conductor in a sentence or two."""
    c, need = size.need.conductor, size.need
    if not need.greatest:
        return f"{c.id}: no case of up to {need.order} failures puts power through it."
    worst = need.governing()[0]
    text = (
        f"{c.id} must carry {figure(worst.power_kw)} kW towards {worst.receives} in {worst.phase} (case "
        f"{worst.case_name}, {worst.stage}). "
    )
    text += {
        True: "As it stands it meets all that could be judged. ",
        False: "As it stands it does NOT meet all criteria. ",
        None: "As it stands it could not be judged. ",
    }[size.fits]
    if size.smallest is not None:
        row = next(r for d in size.directions for r in d.rows if r.gauge == size.smallest)
        text += f"Smallest stocked gauge that would do: {row.name}."
    elif any(d.rows and all(r.fits is False for r in d.rows) for d in size.directions):
        text += "No stocked gauge meets all criteria; more conductors in parallel, a shorter run or less load would."
    else:
        ways = ", ".join(d.transfer.receives for d in size.directions if d.smallest is None)
        text += (
            f"No smallest gauge can be named{f' for power towards {ways}' if ways else ''}: see what was not judged."
        )
    return text


def size_json(study: SizeStudy) -> dict[str, Any]:
    """The whole study as plain data; infinite numbers are ``null``."""
    d = study.derating
    return {
        "format": 1,
        "topology": study.topology.name,
        "sha256": study.topology.sha256,
        "with": list(study.topology.applied),
        "order": study.order,
        "modes": list(study.modes),
        "derating": {
            "rule": d.rule, "source": d.source, "factor": d.factor, "bundle_wires": d.bundle_wires,
            "conductor_c": d.conductor_c, "resistance": d.resistance, "drop_percent": d.drop_percent,
        },
        "fits": study.fits,
        "conductors": [_conductor_json(s) for s in study.sizes],
        "protection": protection_json(study.protection),
        "findings": [f.to_json() for f in study.findings],
    }  # fmt: skip


def _conductor_json(size: ConductorSize) -> dict[str, Any]:
    c = size.need.conductor
    return {
        "id": c.id,
        "gauge_awg": c.gauge_awg,
        "length_m": c.length_m,
        "conductors": c.conductors,
        "fits": size.fits,
        "smallest_gauge_awg": size.smallest,
        "case_count": size.need.case_count,
        "cases_needing": size.need.cases_needing,
        "transfers": [_transfer_json(t) for t in size.need.greatest.values()],
        "directions": [
            {
                "from": d.transfer.sends,
                "to": d.transfer.receives,
                "transfer": _transfer_json(d.transfer),
                "quantities": [_quantity_json(q) for q in d.quantities],
                "smallest_gauge_awg": d.smallest,
                "gauges": [
                    {
                        "gauge_awg": r.gauge, "resistance_ohm": r.resistance_ohm, "current_a": r.state.current_a,
                        "drop_v": r.state.drop_v, "loss_w": r.state.loss_w, "receiving_v": r.state.voltage_v,
                        "greatest_kw": finite(r.state.greatest_w / 1000), "rating_a": r.rating_a, "fits": r.fits,
                        "fails": list(r.fails), "loads_outside": list(r.low_loads), "present": r.present,
                    }
                    for r in d.rows
                ],
                "loads": [
                    {"id": x.id, "voltage_v": x.voltage_v, "min_voltage_v": x.min_voltage_v,
                     "max_voltage_v": x.max_voltage_v, "ok": x.ok}
                    for x in d.loads
                ],
            }
            for d in size.directions
        ],
        "not_judged": list(size.not_judged),
        "assumptions": list(size.assumptions),
    }  # fmt: skip


def _transfer_json(t: Transfer) -> dict[str, Any]:
    return {
        "failed": [str(e) for e in t.failed], "stage": t.stage, "phase": t.phase, "from": t.sends, "to": t.receives,
        "needed_kw": t.needed_kw, "supply_kw": finite(t.supply_kw), "power_kw": t.power_kw,
        "charging_kw": t.charging_kw, "depends": list(t.depends),
    }  # fmt: skip


def _quantity_json(q: Quantity) -> dict[str, Any]:
    return {**q.to_json(), "value": finite(q.value)}


def protection_json(protection: Protection) -> dict[str, Any]:
    return {
        "checks": len(protection.checks),
        "not_judged": len(protection.not_judged),
        "conductors": [
            {"id": g.conductor, "side": g.side, "devices": list(g.devices), "lets_a": finite(g.lets_a),
             "wire_a": g.wire_a, "rating_a": g.rating_a, "protects": g.protects, "lacks": _lacks_json(g.lacks)}
            for g in protection.guards
        ],
        "infeed": [
            {"device": x.device, "toward": x.toward, "trip_a": x.trip_a, "least_a": finite(x.least_a),
             "most_a": finite(x.most_a), "supplies": list(x.supplies), "weakest": x.weakest or None,
             "far_end": x.far_end, "trips_at_greatest": x.trips_at_most, "trips_at_least": x.trips_at_least,
             "lacks": _lacks_json(x.lacks)}
            for x in protection.infeeds
        ],
        "order": [
            {"upper": x.upper, "lower": x.lower, "toward": x.toward, "upper_a": finite(x.upper_a),
             "lower_a": finite(x.lower_a), "upper_s": x.upper_s, "lower_s": x.lower_s,
             "margin_s": x.margin_s, "fault_current": x.at, "assumes": x.assumes, "selective": x.selective,
             "lacks": _lacks_json(x.lacks)}
            for x in protection.orders
        ],
        "closing": [
            {"device": x.device, "from": x.live, "capacitance_mf": x.capacitance_mf, "charge_s": x.charge_s,
             "holds_s": x.holds_s, "gives_kw": finite(x.gives_kw), "live_kw": x.live_kw, "start_kw": x.start_kw,
             "largest_start_kw": x.largest_start_kw, "lacks": _lacks_json(x.lacks)}
            for x in protection.inrushes
        ],
    }  # fmt: skip


def _lacks_json(lacks: tuple[tuple[str, str], ...]) -> list[dict[str, str]]:
    return [{"id": id_, "field": field} for id_, field in lacks]


def finite(value: float | None) -> float | None:
    return None if value is None or math.isinf(value) else value
