"""The protection study as blocks for the terminal and for Markdown."""

from __future__ import annotations

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
