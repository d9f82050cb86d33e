"""Assumptions, cautions, waivers, provenance, and the block to sign."""

from __future__ import annotations

import sys
from collections.abc import Mapping

from powerfault import __version__
from powerfault.model.elements import Topology
from powerfault.model.warnings import topology_warnings, waivers
from powerfault.output.blocks.blocks import Block, Bullets, Heading, Paragraph, Raw, Section, TableBlock
from powerfault.output.blocks.tables import Table
from powerfault.output.sections.board import board_of
from powerfault.output.sections.report_input import ReportInput

CAUTIONS = (
    "This report models what its file says: a wrong file gives a wrong answer.",
    "It supports, and never replaces, the project's own hazard analysis, local codes and licensed practice.",
    "Connectors are mated and demated only de-energised, isolated, tagged and proved dead at both ends.",
    "Batteries and the far end of a jumper are sources.",
)


def assumptions_section(report: ReportInput) -> Section:
    notes = tuple(f"{n[:1].upper()}{n[1:].rstrip('.')}." for n in report.last.notes)
    blocks: list[Block] = [Heading("What this result rests on"), Bullets(notes), Heading("Cautions"), Bullets(CAUTIONS)]
    waived = waivers(report.last.topology)
    blocks.append(Heading("Waivers"))
    if waived:
        blocks.append(TableBlock(Table(
            "waivers", "Consumers that must tolerate fewer failures than is usual for their severity",
            ("consumer", "severity", "must tolerate", "usual", "basis"),
            tuple((w.id, w.severity, w.must_tolerate, w.usual, w.basis or "none given") for w in waived))))  # fmt: skip
    else:
        blocks.append(Paragraph("None: no consumer must tolerate fewer failures than is usual for its severity."))
    if report.last.standing:
        blocks += [Heading("Failed already, in every case"), Bullets(tuple(map(str, report.last.standing)))]
    warnings = topology_warnings(report.last.topology)
    if warnings:
        blocks += [Heading("Warnings of the check of the file"),
                   Bullets(tuple(f"line {w.line}: {w.path}: {w.message}" for w in warnings))]  # fmt: skip
    return Section("Assumptions, cautions and waivers", "assumptions", tuple(blocks))


def provenance_rows(report: ReportInput) -> tuple[tuple[str, str], ...]:
    """What was asked of what, by what; no clock, no machine."""
    import jinja2
    import numpy

    study = report.last
    count = f"{study.case_count:,}" + (f" (before: {report.study.case_count:,})" if report.comparison else "")
    rows = [
        ("topology", report.before.name),
        ("file", report.options.get("file", "")),
        ("SHA-256 of the file", report.before.sha256),
        ("proposals", report.proposals or "none"),
        ("failures at once, at most", str(study.order)),
        ("modes", ", ".join(study.modes)),
        ("given", ", ".join(map(str, study.given)) or "none"),
        ("events", f"{len(study.events):,}"),
        ("cases evaluated", count),
        ("options", report.options.get("options", "") or "none"),
        ("made by", f"powerfault {__version__}, Python {sys.version_info[0]}.{sys.version_info[1]}, "
                    f"numpy {numpy.__version__}, jinja2 {jinja2.__version__}"),
    ]  # fmt: skip
    return tuple(rows)


def provenance_section(report: ReportInput) -> Section:
    table = Table("provenance", "What was computed, from what, by what", ("item", "value"), provenance_rows(report))
    text = "The same file, options and installation give this report again, byte for byte."
    return Section("Provenance", "provenance", (TableBlock(table), Paragraph(text, "note")))


def signoff_section(report: ReportInput) -> Section:
    people = ("Prepared by", "Checked by", "Accepted for the board by")
    lines = "".join(
        f"<tr><th scope=row>{who}</th><td></td><td></td><td></td></tr>" for who in people
    )  # fmt: skip
    html = (
        f'<table class="signoff"><thead><tr><th scope=col>Signed</th><th scope=col>Name and role</th>'
        f"<th scope=col>Signature</th><th scope=col>Date</th></tr></thead><tbody>{lines}</tbody></table>"
    )
    markdown = "| Signed | Name and role | Signature | Date |\n|---|---|---|---|\n" + "\n".join(
        f"| {who} | | | |" for who in people
    )
    text = (
        "A signature accepts the verdict under the assumptions, cautions and waivers above, for this file and no other."
    )
    table = Table("signoff", "What is signed", ("item", "value"), signed_rows(report))
    return Section("Sign-off", "signoff", (TableBlock(table), Paragraph(text), Raw(html, markdown)))


def signed_rows(report: ReportInput) -> tuple[tuple[str, str], ...]:
    """What a signature refers to: the document, the proposal, the verdict, and the file by its whole digest."""
    block = {str(k): "" if v is None else str(v) for k, v in title_block(report.before).items()}
    board = board_of(report)
    before = f"{board.met_before} before, " if board.met_before is not None else ""
    return (
        ("document", block.get("document") or "not stated in the title block"),
        ("revision", block.get("revision") or "not stated in the title block"),
        ("title", report.before.name),
        ("subject", block.get("subject", "")),
        ("proposal", report.proposals or "none"),
        ("recommendation", board.recommendation),
        ("requirements met", f"{before}{board.met_after} after, of {board.required}" if before
         else f"{board.met_after} of {board.required}"),
        ("SHA-256 of the file", report.before.sha256),
    )  # fmt: skip


def title_block(topology: Topology) -> Mapping[str, object]:
    """The title block of the file, or nothing."""
    found = topology.later.get("title_block")
    return found if isinstance(found, Mapping) else {}
