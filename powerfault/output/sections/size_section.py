"""The section of the report on what a jumper must carry, and the same blocks for the terminal and for Markdown."""

from __future__ import annotations

from powerfault.electrical.protection.study import ASSUMPTIONS as PROTECTION_ASSUMPTIONS
from powerfault.electrical.sizing.gauge_choice import ConductorSize
from powerfault.electrical.sizing.study import SizeStudy
from powerfault.errors import PowerfaultError
from powerfault.output.answers import size_tables as tables
from powerfault.output.blocks.blocks import Block, Bullets, Figure, Heading, Paragraph, Section, TableBlock
from powerfault.output.pictures.size_picture import gauge_picture
from powerfault.output.sections.report_input import ReportInput

CAUTION = (
    "A size found here supports, and never replaces, the project's own wiring rules, local codes and licensed "
    "practice. It rests on the file's figures and on the assumptions named below."
)


def section(report: ReportInput) -> Section | None:
    """The sizes of the jumpers that the proposals bring; ``None`` without any."""
    study = report.size
    if study is None:
        return None
    if isinstance(study, PowerfaultError):
        return Section("What the jumper must carry", "size", (Paragraph(f"Not computed: {study}", "doubt"),))
    return Section("What the jumper must carry", "size", tuple(size_blocks(study)))


def size_blocks(study: SizeStudy) -> list[Block]:
    """All that is said of a size study, in order."""
    blocks: list[Block] = []
    for size in study.sizes:
        blocks += _conductor_blocks(size)
    for table in (
        tables.finding_table("size-findings", study.findings),
        tables.guard_table(study.protection), tables.infeed_table(study.protection),
        tables.order_table(study.protection), tables.inrush_table(study.protection),
    ):  # fmt: skip
        if table.rows:
            blocks.append(TableBlock(table))
    sound = [v.phase for v in study.healthy.voltages if v.operates and not any(f.grave == "unmet" for f in v.findings)]
    if sound:
        words = "every part of the network has an operating point and no load is outside its voltage window."
        blocks.append(Paragraph(f"With nothing failed, in {', '.join(sound)}: {words}", "good"))
    assumed = dict.fromkeys([*(a for s in study.sizes for a in s.assumptions), *PROTECTION_ASSUMPTIONS])
    blocks += [Heading("What these sizes rest on"), Bullets(tuple(assumed)), Paragraph(CAUTION, "note")]
    return blocks


def _conductor_blocks(size: ConductorSize) -> list[Block]:
    c, need = size.need.conductor, size.need
    tone = {True: "good", False: "bad", None: "doubt"}[size.fits]
    blocks: list[Block] = [Heading(c.id), Paragraph(tables.verdict_sentence(size), tone)]
    noun = "failure" if need.order == 1 else "failures"
    modes = f"mode{'s' * (len(need.modes) > 1)} {', '.join(need.modes)}"
    blocks.append(
        Paragraph(
            f"{need.case_count:,} cases of up to {need.order} {noun} ({modes}) were evaluated; "
            f"{need.cases_needing:,} of them depend on it."
        )
    )
    if need.greatest:
        blocks.append(TableBlock(tables.need_table(size)))
    if any(d.rows for d in size.directions):
        blocks.append(Figure(gauge_picture(size), f"Voltage drop of {c.id} by gauge"))
    for direction in size.directions:
        blocks.append(TableBlock(tables.quantity_table(size, direction)))
        blocks += [TableBlock(t) for t in (tables.gauge_table(size, direction), tables.load_table(direction)) if t.rows]
    if size.not_judged:
        blocks += [Heading(f"Not judged for {c.id}"), Bullets(size.not_judged)]
    return blocks
