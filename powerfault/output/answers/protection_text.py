"""The protection study as blocks for the terminal and for Markdown."""

from __future__ import annotations

from typing import Any

from powerfault.electrical.currents.quantity import UNMET
from powerfault.electrical.protection.checks import Protection
from powerfault.electrical.protection.study import ASSUMPTIONS
from powerfault.model.elements import Topology
from powerfault.model.places import any_of
from powerfault.output.answers import size_tables as tables
from powerfault.output.blocks.blocks import Block, Bullets, Heading, Paragraph, TableBlock


def protection_blocks(topology: Topology, found: Protection) -> list[Block]:
    blocks: list[Block] = [Paragraph(f"{topology.name}: {headline(found)}", tone(found))]
    for table in (
        tables.finding_table("protection-findings", found.findings), tables.guard_table(found),
        tables.infeed_table(found), tables.order_table(found), tables.inrush_table(found),
    ):  # fmt: skip
        if table.rows:
            blocks.append(TableBlock(table))
    blocks += [Heading("Assumptions"), Bullets(ASSUMPTIONS)]
    return blocks


def headline(found: Protection) -> str:
    """The verdict in a sentence; what is not judged is never left out of it."""
    unmet = sum(f.grave == UNMET for f in found.findings)
    open_, fields = found.not_judged, ("trip_a", "trip_s", "limits_at_a", "rating_a", "voltage_v")
    lacking = [f for f in fields if any(f == field for x in open_ for _, field in x.lacks)]
    checks = len(found.checks)
    said = f"{unmet} finding{'s' if unmet != 1 else ''} against the protection" if unmet else ""
    if open_:
        left = f"not judged: {len(open_)} of {checks} checks lack {any_of(lacking)}"
        return f"{said}; {left}." if said else f"{left}; nothing found against the other {checks - len(open_)}."
    if not checks:
        return "nothing to judge: no protective device stands below a supply, and no conductor is named."
    return f"{said}." if said else f"nothing found against the protection in {checks} checks."


def tone(found: Protection) -> str:
    if any(f.grave == UNMET for f in found.findings):
        return "bad"
    return "doubt" if found.not_judged or not found.checks else "good"


def protection_answer(topology: Topology, found: Protection) -> dict[str, Any]:
    """The whole study as JSON."""
    return {
        "format": 1,
        "topology": topology.name,
        "sha256": topology.sha256,
        "with": list(topology.applied),
        **tables.protection_json(found),
        "findings": [f.to_json() for f in found.findings],
    }
