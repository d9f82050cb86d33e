"""The files of a plan of outings: results, findings, timelines, isolation sheets, and a card for each person."""

from __future__ import annotations

import re

from powerfault.files import json_text
from powerfault.fitting.isolation.study import IsolationStudy, study_isolation, with_what_was
from powerfault.fitting.outing.plan import ON_CONTACTS, Job
from powerfault.fitting.outing.study import PlanStudy
from powerfault.model.modify import apply_proposals
from powerfault.output.answers.outing_cards import TEMPLATE, cards_csv, cards_data, cards_markdown, cards_of
from powerfault.output.answers.outing_text import outing_json, outing_markdown
from powerfault.output.blocks.typeset import pdf_of
from powerfault.output.pictures.isolation_picture import isolation_svg
from powerfault.output.pictures.outing_picture import outing_svg


def outing_files(study: PlanStudy) -> dict[str, str]:
    """Return the content of each file by its name, but for the cards as PDF."""
    cards = cards_of(study)
    files = {
        "plan.json": json_text(outing_json(study), indent=1) + "\n",
        "plan.md": outing_markdown(study),
        "cards.md": cards_markdown(study, cards),
        "cards.csv": cards_csv(cards),
    }
    for result in study.results:
        files[f"timeline-{_name(result.outing.id)}.svg"] = outing_svg(study, result)
    for job, isolation in job_isolations(study):
        files[f"isolation-{_name(job.id)}.svg"] = isolation_svg(isolation)
    return files


def cards_pdf(study: PlanStudy) -> bytes:
    """The cards as PDF, one page each. Raises :class:`ToolError` where typst is not installed."""
    return pdf_of(TEMPLATE, cards_data(study, cards_of(study)))


def job_isolations(study: PlanStudy) -> list[tuple[Job, IsolationStudy]]:
    """The least harmful isolation for each job that mates or demates something, whatever the plan itself opens."""
    found = []
    fitted: list[str] = []
    for _, job in study.plan.jobs():
        earlier = apply_proposals(study.topology, fitted)
        fitted += [p for p in job.fits if p not in fitted]
        system = with_what_was(earlier, apply_proposals(study.topology, fitted))
        contacts = [i for s in job.steps if s.do in ON_CONTACTS for i in s.what if i in system.components]
        if contacts:
            minutes = sum(s.minutes or 0.0 for s in job.steps)
            isolation = study_isolation(system, contacts, points=study.rules.points, minutes=minutes)
            found.append((job, isolation))
    return found


def _name(id_: str) -> str:
    """A file name from an id of the plan: nothing but letters, digits, dots and dashes."""
    return re.sub(r"[^A-Za-z0-9.-]+", "-", id_).strip(".-")[:60] or "unnamed"
