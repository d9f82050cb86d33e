"""``powerfault report``: the before-and-after report for the review board."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from powerfault.cli.options import (
    NumberRange,
    Progress,
    file_argument,
    question_options,
    ratings_option,
    unmet_option,
    with_option,
)

if TYPE_CHECKING:
    from powerfault.fitting.outing.study import PlanStudy
    from powerfault.model.elements import Topology
    from powerfault.output.report import Builder


@click.command("report", short_help="write the before-and-after report for the review board")
@file_argument
@with_option
@question_options
@ratings_option
@click.option("--plan", "plan_file", type=click.Path(), help="Add the installation by this plan of outings.")
@click.option("--rank", is_flag=True, help="Add the ranking of the file's proposals and spare ports.")
@click.option("--budget-min", type=NumberRange(min=0), help="Crew minutes for the best set (with --rank).")
@click.option("--drawings", is_flag=True, help="Also write each case drawing as a separate SVG file.")
@click.option("--cap", type=click.IntRange(min=0), default=40, show_default=True, help="Case drawings, at most.")
@click.option("--xlsx", is_flag=True, help="Also write all tables as one workbook (needs the xlsx extra).")
@click.option("--pdf", is_flag=True, help="Also print the page to PDF (needs a Chromium).")
@unmet_option
@click.option("-o", "--output", "folder", required=True, type=click.Path(), help="Folder to write the report to.")
def command(
    file: str,
    proposals: tuple[str, ...],
    order: int,
    modes: tuple[str, ...],
    given: tuple[str, ...],
    yes: bool,
    ratings: bool,
    plan_file: str | None,
    rank: bool,
    budget_min: float | None,
    drawings: bool,
    cap: int,
    xlsx: bool,
    pdf: bool,
    fail_on_unmet: bool,
    folder: str,
) -> int:
    """Write the report on FILE, before and after its proposals, into a folder: report.html and its companions."""
    from powerfault.cli import EXIT_UNMET
    from powerfault.errors import ToolError
    from powerfault.files import check_folder
    from powerfault.model.modify import apply_proposals
    from powerfault.model.reader import load_topology
    from powerfault.output.pictures.browser import find_browser
    from powerfault.output.report import write_report
    from powerfault.output.sections.report_input import ReportInput
    from powerfault.tolerance.comparison.study import compare
    from powerfault.tolerance.study import CASES_WITHOUT_ASKING, study

    if pdf and find_browser() is None:
        raise ToolError(
            "--pdf needs a Chromium and none was found: install one (on Debian 'apt install chromium'), name it in "
            "POWERFAULT_CHROMIUM, or open report.html in any browser and print it to PDF"
        )
    check_folder(folder, mark="report.html")
    limit = None if yes else CASES_WITHOUT_ASKING
    before = load_topology(file)
    after = apply_proposals(before, proposals) if proposals else None
    with Progress() as progress:
        base = study(before, order, modes, given, limit=limit, ratings=ratings, progress=progress)
        comparison = compare(base, after, limit=limit, progress=progress) if after is not None else None
    said = [f"--order {order}"] if order != 2 else []
    said += ["--ratings"] if ratings else []
    said += [f"--plan {Path(plan_file).name}"] if plan_file else []
    said += ["--rank"] if rank else []
    said += [f"--budget-min {budget_min:g}"] if budget_min is not None else []
    said += ["--drawings"] if drawings else []
    said += [f"--cap {cap}"] if cap != 40 else []
    report = ReportInput(
        base, comparison, {"file": Path(file).name, "options": " ".join(said)}, cap,
        "drawings" if drawings else "", pdf, _plan(before, plan_file, order, modes),
    )  # fmt: skip
    extra = _further_sections(before, report.plan, rank or budget_min is not None, budget_min, order, modes)
    names = write_report(report, folder, drawings=drawings, workbook=xlsx, pdf=pdf, extra=extra, told=_Told())
    click.echo(f"{Path(folder) / 'report.html'} and {len(names) - 1} more files in {folder}")
    return EXIT_UNMET if fail_on_unmet and any(v.meets is False for v in report.last.verdicts) else 0


def _further_sections(
    topology: Topology, plan: PlanStudy | None, rank: bool, budget_min: float | None, order: int, modes: tuple[str, ...]
) -> tuple[Builder, ...]:
    """The sections that were asked for by options: candidates, and the installation by a plan."""
    extra: list[Builder] = []
    if rank:
        from powerfault.fitting.ranking.study import rank_candidates
        from powerfault.output.sections.ranking_section import ranking_section

        with Progress("sets") as progress:
            ranking = rank_candidates(topology, order=order, modes=modes, budget_min=budget_min, progress=progress)
        extra.append(ranking_section(ranking))
    if plan is not None:
        from powerfault.output.sections.outing_section import outing_section

        extra.append(outing_section(plan))
    return tuple(extra)


def _plan(topology: Topology, plan_file: str | None, order: int, modes: tuple[str, ...]) -> PlanStudy | None:
    """The plan of outings followed step by step, where one was given."""
    if not plan_file:
        return None
    from powerfault.fitting.outing.reader import load_plan
    from powerfault.fitting.outing.study import study_plan

    plan = load_plan(plan_file, topology)
    with Progress("steps") as progress:
        return study_plan(topology, plan, order=order, modes=modes, progress=progress)


class _Told:
    """Progress lines on standard error: notes always, the rest only where the work takes longer than a second."""

    def __init__(self) -> None:
        self.begun = time.monotonic()

    def __call__(self, line: str) -> None:
        if line.startswith("note:") or (sys.stderr.isatty() and time.monotonic() - self.begun > 1):
            click.echo(line, err=True)
