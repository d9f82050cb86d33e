"""A plan of outings as JSON, as text for a terminal and as Markdown."""

from __future__ import annotations

from typing import Any

from powerfault.fitting.isolation.remarks import CAUTIONS_SHOWN
from powerfault.fitting.outing.exposure import Judgement
from powerfault.fitting.outing.study import OutingResult, PlanStudy, StepState, unmet_text
from powerfault.output.answers.isolation_text import markdown_text as md
from powerfault.output.blocks.screen import Screen
from powerfault.tolerance.comparison.harm import Harm

STOP_WORDS = {"yes": "can stop", "care": "can stop with care", "no": "CANNOT STOP"}
NOTES = (
    "Shortfall: the sum over consumers of the failures that they tolerate fewer than asked. Exposure: shortfall times "
    "minutes, from the beginning of the outing to its limit.",
    "An open device passes nothing. One that is open without a tag may be reclosed by who operates it; exposure counts "
    "the worse of the two.",
    "Jobs are done one after another; within a job the two crew members work side by side.",
)


def outing_json(study: PlanStudy) -> dict[str, Any]:
    """Return ``study`` as plain data."""
    return {
        "format": 1,
        "topology": study.topology.name,
        "sha256": study.topology.sha256,
        "plan": study.plan.name,
        "plan_sha256": study.plan.sha256,
        "order": study.order,
        "modes": list(study.modes),
        "open_points": study.rules.points,
        "verdict": verdict_line(study),
        "refused": study.refused,
        "before": _judgement(study.start),
        "findings": [f.to_json() for f in study.findings],
        "outings": [_outing(r) for r in study.results],
        "notes": [*NOTES, *CAUTIONS_SHOWN],
    }


def _judgement(j: Judgement) -> dict[str, Any]:
    return {
        "shortfall": j.shortfall,
        "unmet": list(j.unmet),
        "outcomes": dict(j.outcomes),
        "failing": list(j.failing),
        "tolerates": {i: j.tolerates[i] for i in j.required},
        "at_least": [i for i in j.required if i in j.bounded],
        "worst_next": j.worst
        and {
            "failed": str(j.worst.event),
            "fails": list(j.worst.failing),
            "severest": j.worst.severest,
            "demand_kw": j.worst.demand_kw,
        },
    }


def _outing(r: OutingResult) -> dict[str, Any]:
    return {
        "id": r.outing.id,
        "minutes": r.timeline.length,
        "limit_min": r.outing.limit_min,
        "jobs": list(r.timeline.jobs),
        "exposure": r.exposure,
        "horizon_min": r.horizon,
        "profile": [{"from": a, "to": b, "shortfall": s} for a, b, s in r.profile],
        "least_exposed_order": r.best
        and {
            "jobs": list(r.best.jobs),
            "exposure": r.best.exposure,
            "minutes": r.best.minutes,
            "within_limit": r.best.within_limit,
        },
        "order_note": r.order_note,
        "way_home": {m: list(span) for m, span in r.timeline.home.items()},
        "steps": [
            {
                "id": s.slot.step.id,
                "job": s.job,
                "do": s.slot.step.do,
                "what": list(s.slot.step.what),
                "who": list(s.slot.step.who),
                "from_min": s.slot.begin,
                "to_min": s.slot.end,
                "site": next(iter(s.slot.at.values()), None),
                "refused": s.refused,
                "stop": s.stop,
                "reasons": list(s.reasons),
                "findings": [f.to_json() for f in s.findings],
                "fitted": list(s.fitted),
                "tagged": sorted({f[1] for f in s.state if f[0] == "tag"}),
                "earthed": sorted(f[1] for f in s.state if f[0] == "earth"),
                "after": _judgement(s.judgement),
                "not_served_if_reclosed": list(s.if_reclosed.failing),
            }
            for s in r.steps
        ],
    }


def verdict_line(study: PlanStudy) -> str:
    """The answer in a sentence."""
    refusing = [f for f in study.findings if f.refuses]
    if refusing:
        count = len(refusing)
        return (
            f"{study.plan.name}: REFUSED, {count} violation{'s' * (count != 1)}; the first: "
            f"{refusing[0].message}. No state after a violation is safe."
        )
    last, start = study.last.judgement, study.start
    applied = ", ".join(study.topology.applied)
    fits = ", ".join(dict.fromkeys(p for _, job in study.plan.jobs() for p in job.fits)) or "no proposal"
    return (
        f"{study.plan.name}: no rule is broken. Requirements not met: {len(start.unmet)} before the first step "
        f"({f'with {applied}' if applied else 'without any proposal'}), {len(last.unmet)} after the last "
        f"(with {fits}); "
        f"tolerance deficit {start.shortfall} before, {last.shortfall} after."
    )


def order_sentence(r: OutingResult) -> str:
    """The least exposed order of the jobs, in a sentence."""
    if r.best is None:
        return f"Order of jobs: {r.order_note or 'not looked for'}."
    if r.best.jobs == r.timeline.jobs:
        return f"The planned order is the least exposed one ({r.exposure:g} requirement-minutes)."
    late = "" if r.best.within_limit else ", but beyond the limit like every order"
    return (
        f"Least exposed order: {', then '.join(r.best.jobs)} ({r.best.exposure:g} requirement-minutes{late}), planned "
        f"{', then '.join(r.timeline.jobs)} ({r.exposure:g})."
    )


def worst_text(worst: Harm | None) -> str:
    """The worst next failure in a few words."""
    if worst is None:
        return "none fails a consumer"
    names = ", ".join(worst.failing[:4]) + (f" and {len(worst.failing) - 4} more" if len(worst.failing) > 4 else "")
    return f"{worst.event}: {names}"


def stop_text(s: StepState) -> str:
    return STOP_WORDS[s.stop] + (f": {'; '.join(s.reasons)}" if s.reasons else "")


def print_plan(study: PlanStudy, screen: Screen) -> None:
    """Write the verdict, findings, timelines and the state after each step."""
    screen.line(screen.paint(verdict_line(study), "bad" if study.refused else "strong"))
    screen.heading(f"Findings: {len(study.findings) or 'none'}")
    for f in study.findings:
        weight = screen.paint("VIOLATION", "bad") if f.refuses else screen.paint("caution", "doubt")
        place = f"{study.plan.file}:{f.line}:{f.column}: " if f.line else ""
        screen.line(f"  {weight}  {place}{f.rule}: {f.message}")
        screen.line(f"           ({f.practice})")
    for r in study.results:
        limit = f" of {r.outing.limit_min:g}" if r.outing.limit_min is not None else ""
        length = f"{r.timeline.length:g}{limit} min"
        screen.heading(f"{r.outing.title}: {length}, exposure {r.exposure:g} requirement-minutes")
        screen.line(f"  {order_sentence(r)}")
        screen.table(
            ("from", "to", "step", "who", "what", "shortfall", "down", "stop"),
            [
                (
                    f"{s.slot.begin:g}", f"{s.slot.end:g}", s.slot.step.id, ", ".join(s.slot.step.who),
                    s.slot.step.title, str(s.judgement.shortfall), str(len(s.judgement.failing)), STOP_WORDS[s.stop],
                )
                for s in r.steps
            ],
            {"CANNOT STOP": "bad", "can stop": "good", "can stop with care": "doubt"},
        )  # fmt: skip
        screen.heading("If it ends early")
        for s in changes(r):
            screen.line(f"  after {s.slot.step.id}: {stop_text(s)}")
            screen.line(f"      unmet: {unmet_text(s.judgement)}")
            screen.line(f"      worst next: {worst_text(s.judgement.worst)}")
    screen.heading("Cautions")
    for caution in (*CAUTIONS_SHOWN, *NOTES):
        screen.line(f"  - {caution}")


def changes(r: OutingResult) -> list[StepState]:
    """The steps after which something differs from the step before: state, stop verdict or judgement."""
    kept: list[StepState] = []
    for s in r.steps:
        if not kept or (s.stop, s.reasons, s.judgement) != (kept[-1].stop, kept[-1].reasons, kept[-1].judgement):
            kept.append(s)
    return kept


def outing_markdown(study: PlanStudy) -> str:
    """Return ``study`` in Markdown, with room for signatures."""
    out = [f"# Plan of outings: {md(study.plan.name)}", "", f"**{md(verdict_line(study))}**", ""]
    out += [f"> {c}" for c in CAUTIONS_SHOWN]
    out += ["", "## Findings", ""]
    out += [
        f"- **{f.weight}**, {f.rule}{f' (line {f.line})' if f.line else ''}: {md(f.message)} ({md(f.practice)})"
        for f in study.findings
    ] or ["None."]
    for r in study.results:
        out += ["", f"## {md(r.outing.title)}", "", md(order_sentence(r)), ""]
        out += [
            f"{r.timeline.length:g} min; exposure {r.exposure:g} requirement-minutes up to minute {r.horizon:g}.", "",
            "| from | to | step | who | what | shortfall | down | stop | worst next failure |", "|" + "---|" * 9,
        ]  # fmt: skip
        for s in r.steps:
            cells = (
                f"{s.slot.begin:g}", f"{s.slot.end:g}", s.slot.step.id, ", ".join(s.slot.step.who), s.slot.step.title,
                str(s.judgement.shortfall), ", ".join(s.judgement.failing) or "-", STOP_WORDS[s.stop],
                worst_text(s.judgement.worst),
            )  # fmt: skip
            out.append("| " + " | ".join(md(c) for c in cells) + " |")
        out += ["", "### If it ends early", ""]
        out += [
            f"- after {md(s.slot.step.id)}: {md(stop_text(s))}. Unmet: {md(unmet_text(s.judgement, 99))}."
            for s in changes(r)
        ]
    out += ["", *NOTES, "", "## Signatures", "", "| role | name | date, time | signature |", "|---|---|---|---|"]
    out += [f"| {role} | | | |" for role in ("prepared by", "checked by", "approved by")]
    return "\n".join(out) + "\n"
