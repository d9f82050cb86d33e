"""The section of the report on making each work site dead: a sheet to print, tick and sign for each proposal."""

from __future__ import annotations

from powerfault.errors import PowerfaultError
from powerfault.fitting.isolation.study import IsolationStudy
from powerfault.output.answers.isolation_text import isolation_markdown, path_text, verdict_line
from powerfault.output.blocks.blocks import Block, Heading, Paragraph, Raw, Section, TableBlock
from powerfault.output.blocks.tables import Table
from powerfault.output.pictures.isolation_picture import isolation_svg
from powerfault.output.sections.report_input import ReportInput

TITLE, ANCHOR = "Making each work site dead", "isolation"
LEAD = (
    "Which devices to hold open so that enough of them stand between every source and the hands of the crew, darkening "
    "least; one sheet a work site, to print, tick and sign."
)


def section(report: ReportInput) -> Section | None:
    """A sheet for each proposal that brings a jumper; ``None`` without any."""
    if report.after is None:
        return None
    blocks: list[Block] = []
    tables: list[Table] = []
    for proposal, ends, study in report.isolations:
        blocks.append(Heading(f"{proposal}: work at {', '.join(ends)}"))
        if isinstance(study, PowerfaultError):
            blocks.append(Paragraph(f"Not computed: {study}", "bad"))
            continue
        blocks += isolation_blocks(study)
        tables.append(paths_table(study, f"isolation-paths-{len(tables) + 1}"))
    if not blocks:
        return None
    return Section(TITLE, ANCHOR, (Paragraph(LEAD), *blocks), tuple(tables))


def isolation_blocks(study: IsolationStudy) -> list[Block]:
    """The verdict, the devices and the sheet of one isolation."""
    chosen = study.chosen
    blocks: list[Block] = [Paragraph(verdict_line(study), "good" if chosen.may_work else "bad")]
    devices = Table(
        name=f"isolation-devices-{'-'.join(study.ends)[:60]}",
        title=f"Devices held open for {', '.join(study.ends)}",
        columns=("Device", "Stood open", "Operated", "By", "Can be locked", "Site"),
        rows=tuple(
            (
                d.id,
                "yes" if d.stood_open else "no",
                d.operated,
                ", ".join(d.operated_by),
                {True: "yes", False: "NO", None: "not said"}[d.lockable],
                d.site or "",
            )
            for d in chosen.held
        ),
    )
    if devices.rows:
        blocks.append(TableBlock(devices))
    sheet = f'<figure class="sheet">{isolation_svg(study)}</figure>'
    blocks.append(Raw(sheet, isolation_markdown(study).replace("\n#", "\n###").replace("# ", "### ", 1)))
    return blocks


def paths_table(study: IsolationStudy, name: str) -> Table:
    """The weakest path from each source to each end, for the files of the report."""
    return Table(
        name=name,
        title=f"Weakest path from each source to {', '.join(study.ends)}",
        columns=("Source", "End", "Open devices", "Path"),
        rows=tuple((p.source, p.end, p.count, path_text(p)) for p in study.chosen.paths),
        numeric=frozenset(("Open devices",)),
    )
