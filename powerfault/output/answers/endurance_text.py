"""Endurance as blocks for the terminal and for Markdown, and as JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from powerfault.electrical.currents.bus_voltages import ASSUMPTIONS as FLOW_ASSUMPTIONS
from powerfault.electrical.endurance.study import ASSUMPTIONS, CaseLife, Endurance, StorageLife
from powerfault.model.elements import Topology
from powerfault.output.answers.size_tables import figure, finite
from powerfault.output.blocks.blocks import Block, Bullets, Heading, Paragraph, TableBlock
from powerfault.output.blocks.tables import CaseCell, Cell, Table, ToneCell


def endurance_blocks(topology: Topology, found: Endurance, rows_shown: int | None = None) -> list[Block]:
    """The worst case of every storage and timed load, then the cases in which one is flat or drops too early."""
    failing = [(c, x) for c in found.cases for x in c.loads if not x.meets]
    text = f"{topology.name}: endurance at stage {found.stage}, {len(found.cases) + found.spared:,} cases"
    text += f" ({found.spared:,} of them load no storage more than with nothing failed)." if found.spared else "."
    blocks: list[Block] = [Paragraph(f"{_sentence(x.words)}", "bad") for x in found.sinking]
    blocks.append(Paragraph(f"{text} {_sentence(found.counted_from)}", "doubt" if found.sinking else ""))
    timed = {x.id for c in found.cases for x in c.loads}
    if failing:
        short = ", ".join(dict.fromkeys(x.id for _, x in failing))
        blocks.append(Paragraph(f"must_last_h is NOT MET for {short}.", "bad"))
    elif timed:
        blocks.append(Paragraph("Every load with must_last_h lasts as long as asked in every case.", "good"))
    else:
        blocks.append(Paragraph("No load states must_last_h: hours are shown, nothing is judged.", "doubt"))
    rows: list[tuple[Cell, ...]] = []
    for id_ in dict.fromkeys(s.id for c in found.cases for s in c.storages):
        worst = found.worst_storage(id_)
        if worst is not None:
            rows.append(_storage_row(*worst))
    title = "The case in which each storage is flat first"
    blocks.append(TableBlock(Table("endurance-storages", title, STORAGE_COLUMNS, tuple(rows))))
    rows = []
    for id_ in dict.fromkeys(x.id for c in found.cases for x in c.loads):
        worst_load = found.worst_load(id_)
        if worst_load is not None:
            case, x = worst_load
            verdict = ToneCell("lasts", "good") if x.meets else ToneCell("TOO SHORT", "bad")
            rows.append((x.id, figure(x.must_last_h), _hours(x.hours), CaseCell(case.failed), verdict))
    if rows:
        columns = ("load", "must last h", "drops after h", "worst case", "verdict")
        blocks.append(TableBlock(Table("endurance-loads", "Loads that must last", columns, tuple(rows))))
    flat = sorted(((c, s) for c in found.cases for s in c.storages if s.hours < math.inf), key=lambda x: x[1].hours)
    rows = [_storage_row(c, s) for c, s in flat]
    if rows:
        title = "All cases in which a storage runs flat"
        blocks.append(TableBlock(Table("endurance-cases", title, STORAGE_COLUMNS, tuple(rows), shown=rows_shown)))
    blocks += [Heading("What this rests on"), Bullets((*ASSUMPTIONS, *FLOW_ASSUMPTIONS))]
    return blocks


STORAGE_COLUMNS = ("storage", "case", "usable kWh", "flat after h", "struck at", "drawn kW", "stored kW", "kWh a cycle",
                   "charger", "power")  # fmt: skip


def _storage_row(case: CaseLife, s: StorageLife) -> tuple[Cell, ...]:
    charger: Cell = ToneCell("gone", "bad") if s.charger_gone else "there"
    return (s.id, CaseCell(case.failed), figure(s.usable_kwh), _hours(s.hours), s.struck_at or "-",
            _phases(s.discharge_kw), _phases(s.charge_kw), figure(s.balance_kwh, 3), charger,
            "within" if s.above_kw is None else ToneCell(f"ABOVE {figure(s.above_kw)} kW", "bad"))  # fmt: skip


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}."


def _hours(hours: float) -> str:
    return "never" if math.isinf(hours) else figure(hours, 3)


def _phases(values: Mapping[str, float]) -> str:
    shown = [f"{phase} {figure(kw, 3)}" for phase, kw in values.items()]
    return shown[0].split(" ", 1)[1] if len(shown) == 1 else ", ".join(shown)


def endurance_json(topology: Topology, found: Endurance) -> dict[str, Any]:
    """Hours are ``null`` where a storage is never flat, or a load never drops."""
    return {
        "format": 1,
        "topology": topology.name,
        "sha256": topology.sha256,
        "with": list(topology.applied),
        "stage": found.stage,
        "spared": found.spared,
        "counted_from": found.counted_from,
        "flat_undisturbed": [
            {"id": x.id, "flat_after_h": x.hours, "from_phase": x.from_phase, "loses_kwh_a_cycle": x.loses_kwh}
            for x in found.sinking
        ],
        "cases": [
            {
                "failed": [str(e) for e in c.failed],
                "storages": [
                    {"id": s.id, "usable_kwh": s.usable_kwh, "flat_after_h": finite(s.hours), "struck_at": s.struck_at,
                     "discharge_kw": dict(s.discharge_kw), "charge_kw": dict(s.charge_kw),
                     "balance_kwh": s.balance_kwh, "charger_gone": s.charger_gone, "above_kw": s.above_kw}
                    for s in c.storages
                ],
                "loads": [
                    {"id": x.id, "must_last_h": x.must_last_h, "drops_after_h": finite(x.hours), "meets": x.meets}
                    for x in c.loads
                ],
                "no_path": list(c.dark),
                "jumper_kw": dict(c.jumper_kw),
            }
            for c in found.cases
        ],
        "assumptions": [*ASSUMPTIONS, *FLOW_ASSUMPTIONS],
    }  # fmt: skip
