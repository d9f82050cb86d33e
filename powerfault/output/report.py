"""The report: sections in order, written as one self-contained page, Markdown, JSON, CSV and separate drawings.

All files are made in a folder beside the target, which takes its place by one rename, so a reader never finds
half a report. Nothing in them depends on the clock or the machine.
"""

from __future__ import annotations

import base64
import hashlib
import os
from collections.abc import Callable
from pathlib import Path

from powerfault import __version__
from powerfault.files import MANIFEST, folder_opened, json_text
from powerfault.output.blocks.blocks import Section, environment, section_html, section_markdown
from powerfault.output.blocks.tables import Table, csv_text, escape_markdown, write_workbook
from powerfault.output.blocks.text_width import shorten
from powerfault.output.page.data import page_data, script_json
from powerfault.output.page.script import page_engine, page_script
from powerfault.output.page.style import page_css
from powerfault.output.sections import (
    board_section,
    cases_section,
    drawings_section,
    endurance_section,
    explorer_section,
    isolation_section,
    likelihood_section,
    ratings_section,
    size_section,
    verdict_section,
    worksheet_section,
)
from powerfault.output.sections.board import board_of
from powerfault.output.sections.change_sections import cures_section, harms_section
from powerfault.output.sections.closing_sections import (
    CAUTIONS,
    assumptions_section,
    provenance_section,
    signoff_section,
    title_block,
)
from powerfault.output.sections.failures_sections import pairs_section, singles_section
from powerfault.output.sections.report_input import ReportInput

Builder = Callable[[ReportInput], Section | None]
Told = Callable[[str], None]

OPENING: tuple[Builder, ...] = (
    board_section.section, verdict_section.section, cures_section, harms_section, singles_section, pairs_section,
    explorer_section.section,
    drawings_section.section,
)  # fmt: skip
MEASURES: tuple[Builder, ...] = (
    ratings_section.section, worksheet_section.section, likelihood_section.section, size_section.section,
    endurance_section.section, isolation_section.section,
)  # fmt: skip
"""Sections of further measures, between the drawings and the assumptions; each may return ``None``."""
CLOSING: tuple[Builder, ...] = (assumptions_section, provenance_section, signoff_section)
LARGE_PAGE_MB = 20


def build_sections(
    report: ReportInput, cases: cases_section.PageCases, extra: tuple[Builder, ...] = (), told: Told = lambda _: None
) -> list[Section]:
    """All sections of the report in their order; ``told`` hears which is being made."""
    found = []
    for build in (*OPENING, *MEASURES, *extra):
        name = build.__name__ if build.__name__ != "section" else build.__module__.rpartition(".")[2]
        told(f"working out {name.removesuffix('_section').replace('_', ' ')}")
        found.append(build(report))
    found.append(cases_section.section(report, cases))
    found += [build(report) for build in CLOSING]
    return [s for s in found if s is not None]


def write_report(
    report: ReportInput,
    folder: str | os.PathLike[str],
    *,
    drawings: bool = False,
    workbook: bool = False,
    pdf: bool = False,
    extra: tuple[Builder, ...] = (),
    told: Told = lambda _: None,
) -> list[str]:
    """Write the report into ``folder`` and return the names of its files.

    ``told`` is called with a line on what is being done and with notes for the user. Raises :class:`OutputError` where
    the folder cannot be written and :class:`ToolError` where a tool that was asked for is absent; then nothing of the
    target is changed.
    """
    with folder_opened(folder, mark="report.html") as stage:
        _write_all(report, stage, drawings, workbook, pdf, extra, told)
        names = [str(p.relative_to(stage)) for p in stage.rglob("*") if p.is_file()]
    return sorted([*names, MANIFEST])


def _write_all(
    report: ReportInput, stage: Path, drawings: bool, workbook: bool, pdf: bool, extra: tuple[Builder, ...], told: Told
) -> None:
    told("laying out the drawings")
    data, cases = page_data(report)
    told("writing the page")
    sections = build_sections(report, cases, extra, told)
    page = page_html(report, sections, script_json(data))
    megabytes = len(page.encode()) / 1e6
    if megabytes > LARGE_PAGE_MB:
        told(f"note: the page is {megabytes:.0f} MB; browsers may be slow with it. cases.csv holds all cases")
    _write(stage / "report.html", page)
    _write(stage / "report.md", page_markdown(report, sections))
    result = report.comparison.to_json() if report.comparison else report.study.to_json()
    _write(stage / "results.json", json_text(result) + "\n")
    _write(stage / "board.json", json_text(board_of(report).to_json()) + "\n")
    tables: list[Table] = [t for s in sections for t in s.tables() if t.rows]
    for table in tables:
        _write(stage / f"{table.name}.csv", csv_text(table.columns, table.rows))
    told("writing the cases")
    with open(stage / "cases.csv", "w", encoding="utf-8", newline="") as stream:
        cases_section.write_cases(stream, report)
    if drawings:
        _write_drawings(report, stage / (report.drawings_folder or "drawings"), told)
    if workbook:
        told("writing the workbook")
        write_workbook(stage / "tables.xlsx", tables)
    if pdf:
        from powerfault.output.pictures.browser import page_to_pdf

        told("printing the page to PDF")
        page_to_pdf(stage / "report.html", stage / "report.pdf")


def page_html(report: ReportInput, sections: list[Section], data: str) -> str:
    """The self-contained page."""
    given = {str(k): "" if v is None else str(v) for k, v in title_block(report.before).items()}
    number = " ".join(f"{k} {given[k]}" for k in ("document", "revision") if given.get(k))
    style, engine, script = page_css(number), page_engine(), page_script()
    rows = [(k.replace("_", " "), v) for k, v in given.items()]
    rows += [("file", report.options.get("file", "")), ("SHA-256", report.before.sha256)]
    return (
        environment()
        .get_template("page.html.j2")
        .render(
            title=shorten(f"{report.before.name}: {report.proposals or 'fault tolerance'}", 160),
            name=shorten(report.before.name, 300),
            proposals=report.proposals,
            about=shorten(report.before.about or "", 2000),
            title_block=rows,
            document=shorten(number or "Document", 120),
            sections=sections,
            fragments=[section_html(s) for s in sections],
            footer=f"powerfault {__version__}. {CAUTIONS[0]} {CAUTIONS[1]}",
            layout=explorer_section.layout_svg(report),
            style=style,
            style_hash=_hash(style),
            engine=engine,
            script=script,
            script_hashes=f"{_hash(engine)} {_hash(script)}",
            data=data,
        )
    )


def page_markdown(report: ReportInput, sections: list[Section]) -> str:
    head = f"# {escape_markdown(report.before.name)}"
    if report.proposals:
        head += f": before and after {escape_markdown(report.proposals)}"
    shown = [s for s in sections if s.anchor != "explore"]
    return head + "\n\n" + "\n".join(section_markdown(s) for s in shown)


def _write_drawings(report: ReportInput, folder: Path, told: Told) -> None:
    cases, _, _ = report.drawn
    pictures = report.pictures
    for side in pictures.sides:
        _write(folder / f"000-nothing-failed-{side}.svg", pictures.draw((), side).svg)
    for number, case in enumerate(cases):
        told(f"drawing case {number + 1} of {len(cases)}")
        for side in pictures.sides:
            _write(folder / f"{drawings_section.file_stem(number, case)}-{side}.svg", pictures.draw(case, side).svg)


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode("utf-8"))


def _hash(text: str) -> str:
    """The text as a hash source of a content security policy."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode('utf-8')).digest()).decode()}'"
