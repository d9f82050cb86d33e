"""Bus voltages as blocks for the terminal and for Markdown, and as JSON."""

from __future__ import annotations

import math
from typing import Any

from powerfault.electrical.currents.bus_voltages import ASSUMPTIONS, Voltages
from powerfault.electrical.voltages import VoltageStudy
from powerfault.model.elements import Topology
from powerfault.output.answers import size_tables as tables
from powerfault.output.answers.size_tables import figure, finite
from powerfault.output.blocks.blocks import Block, Bullets, Heading, Paragraph, TableBlock
from powerfault.output.blocks.tables import Cell, Table, ToneCell


def voltage_blocks(study: VoltageStudy) -> list[Block]:
    blocks: list[Block] = []
    case = " + ".join(map(str, study.failed)) or "nothing failed"
    served = "loads and positions of the best service under ratings" if study.rated else "every load with a path on"
    blocks.append(Paragraph(f"{study.topology.name}: {case}, stage {study.stage}; {served}."))
    for (phase, positions), solved in zip(study.positions, study.voltages, strict=True):
        blocks.append(Heading(f"Phase {phase}"))
        unmet = sum(f.grave == "unmet" for f in solved.findings)
        if not solved.operates:
            blocks.append(Paragraph("NO OPERATING POINT in a part of the network: see the findings.", "bad"))
        elif unmet:
            blocks.append(Paragraph(f"{unmet} finding{'s' if unmet > 1 else ''}: see below.", "bad"))
        else:
            blocks.append(Paragraph("Every part has an operating point and nothing is outside its window.", "good"))
        blocks.append(
            Paragraph(
                f"Demand {figure(solved.demand_kw)} kW, lost in conductors {figure(solved.loss_kw)} kW"
                + (f"; closed for it: {', '.join(positions.closed)}" if positions.closed else "")
                + (f"; shed: {', '.join(positions.dark)}" if positions.dark and study.rated else "")
                + "."
            )
        )
        for table in (_level_table(study.topology, solved), _conductor_table(solved), _feeder_table(solved),
                      tables.finding_table(f"voltages-findings-{phase}", solved.findings)):  # fmt: skip
            if table.rows:
                blocks.append(TableBlock(table))
    blocks += [Heading("What this rests on"), Bullets(ASSUMPTIONS)]
    return blocks


def _level_table(topology: Topology, solved: Voltages) -> Table:
    """Loads first, by their margin above the least voltage; then buses."""
    rows: list[tuple[float, tuple[Cell, ...]]] = []
    for load in topology.loads.values():
        volts = solved.voltage_v.get(load.id)
        if volts is None:
            continue
        low, high = load.min_voltage_v, load.max_voltage_v
        verdict: Cell = "no window"
        if low is not None or high is not None:
            inside = (low or 0) * (1 - 1e-12) <= volts <= (high or math.inf) * (1 + 1e-12)
            verdict = ToneCell("inside", "good") if inside else ToneCell("OUTSIDE", "bad")
        rows.append((volts - low if low is not None else math.inf,
                     (load.id, "load", figure(volts), figure(low), figure(high), verdict)))  # fmt: skip
    rows.sort(key=lambda r: r[0])
    buses: list[tuple[Cell, ...]] = [
        (c.id, c.kind, figure(solved.voltage_v[c.id]), "-", "-", "-")
        for c in topology.components.values()
        if c.kind == "bus" and c.id in solved.voltage_v
    ]
    columns = ("at", "kind", "V", "min V", "max V", "verdict")
    return Table(f"voltages-{solved.phase}", f"Voltages, {solved.phase}", columns, (*(r for _, r in rows), *buses))


def _conductor_table(solved: Voltages) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (c.id, f"{c.sends} to {c.receives}", figure(c.power_kw), figure(c.current_a), figure(c.drop_v, 3),
         figure(1000 * c.loss_kw, 3), figure(c.resistance_ohm))
        for c in solved.conductors.values()
    ]  # fmt: skip
    columns = ("id", "direction", "kW out", "A", "drop V", "loss W", "ohm")
    return Table(f"conductors-{solved.phase}", f"Conductors, {solved.phase}", columns, tuple(rows))  # fmt: skip


def _feeder_table(solved: Voltages) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for id_, kw in solved.feeder_kw.items():
        limit = solved.limit_kw.get(id_, math.inf)
        over = kw > limit * (1 + 1e-9) + 1e-9
        verdict: Cell = ToneCell("ABOVE", "bad") if over else "-" if math.isinf(limit) else ToneCell("within", "good")
        rows.append((id_, figure(kw), figure(limit), figure(solved.input_kw.get(id_)), verdict))
    columns = ("id", "kW out", "can give kW", "kW in", "verdict")
    return Table(f"feeders-{solved.phase}", f"Feeders, {solved.phase}", columns, tuple(rows))


def voltage_json(study: VoltageStudy) -> dict[str, Any]:
    return {
        "format": 1,
        "topology": study.topology.name,
        "sha256": study.topology.sha256,
        "with": list(study.topology.applied),
        "failed": [str(e) for e in study.failed],
        "stage": study.stage,
        "rated": study.rated,
        "phases": {
            phase: {
                "operates": solved.operates,
                "closed": list(positions.closed),
                "shed": list(positions.dark),
                "voltage_v": dict(solved.voltage_v),
                "feeders": {
                    k: {"out_kw": kw, "limit_kw": finite(solved.limit_kw.get(k)), "in_kw": solved.input_kw.get(k)}
                    for k, kw in solved.feeder_kw.items()
                },
                "conductors": {
                    c.id: {"from": c.sends, "to": c.receives, "power_kw": c.power_kw, "current_a": c.current_a,
                           "drop_v": c.drop_v, "loss_kw": c.loss_kw, "resistance_ohm": c.resistance_ohm}
                    for c in solved.conductors.values()
                },
                "demand_kw": solved.demand_kw,
                "loss_kw": solved.loss_kw,
                "findings": [f.to_json() for f in solved.findings],
            }
            for (phase, positions), solved in zip(study.positions, study.voltages, strict=True)
        },
        "assumptions": list(ASSUMPTIONS),
    }  # fmt: skip
