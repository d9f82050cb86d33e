"""The protection study as blocks for the terminal and for Markdown."""

from __future__ import annotations

from typing import Any

from powerfault.electrical.protection.checks import Protection
from powerfault.electrical.protection.study import ASSUMPTIONS
from powerfault.model.elements import Topology
from powerfault.output.answers import size_tables as tables
from powerfault.output.blocks.blocks import Block, Bullets, Heading, Paragraph, TableBlock


def protection_blocks(topology: Topology, found: Protection) -> list[Block]:
    unmet = [f for f in found.findings if f.grave == "unmet"]
    text = f"{topology.name}: " + (
        f"{len(unmet)} finding{'s' if len(unmet) != 1 else ''} against the protection."
        if unmet
        else "nothing found against the protection, as far as the file's figures go."
    )
    blocks: list[Block] = [Paragraph(text, "bad" if unmet else "good")]
    for table in (
        tables.finding_table("protection-findings", found.findings), tables.guard_table(found),
        tables.infeed_table(found), tables.order_table(found), tables.inrush_table(found),
    ):  # fmt: skip
        if table.rows:
            blocks.append(TableBlock(table))
    blocks += [Heading("What this rests on"), Bullets(ASSUMPTIONS)]
    return blocks


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
