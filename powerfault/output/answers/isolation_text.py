"""An isolation as JSON, as text for a terminal, and as a Markdown sheet to print and sign."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from powerfault.fitting.isolation.open_points import WeakestPath
from powerfault.fitting.isolation.remarks import CAUTIONS_SHOWN, Remark
from powerfault.fitting.isolation.result import DarkConsumer, Isolation
from powerfault.fitting.isolation.steps import sheet_steps
from powerfault.fitting.isolation.study import IsolationStudy
from powerfault.output.blocks.screen import Screen

STEADY_NOTE = (
    "Each phase is judged in its steady state: a storage whose charger is held off counts as flat, and where devices "
    "can stand at once is not checked. Dark counts what no switching by command brings back."
)


def isolation_json(study: IsolationStudy) -> dict[str, Any]:
    """Return ``study`` as plain data."""
    chosen = study.chosen
    return {
        "format": 1,
        "topology": study.topology.name,
        "sha256": study.topology.sha256,
        "with": list(study.topology.applied),
        "at": list(study.ends),
        "open_points": study.rules.points,
        "verdict": verdict_line(study),
        "may_work": chosen.may_work,
        "chosen": list(chosen.phases),
        "isolations": [_isolation(x) for x in _all(study)],
        "cautions": [*CAUTIONS_SHOWN, STEADY_NOTE],
    }


def _all(study: IsolationStudy) -> list[Isolation]:
    return [x for x in (study.together, *study.by_phase.values()) if x is not None]


def _isolation(x: Isolation) -> dict[str, Any]:
    return {
        "phases": list(x.phases),
        "holds": x.holds,
        "may_work": x.may_work,
        "window_min": x.window_min,
        "work_min": x.work_min,
        "wait_min": x.wait_min,
        "held": [
            {
                "id": d.id,
                "stood_open": d.stood_open,
                "operated": d.operated,
                "operated_by": list(d.operated_by),
                "lockable": d.lockable,
                "site": d.site,
            }
            for d in x.held
        ],
        "harm": [{"priority": p, "dark_kw": kw, "dark": n} for p, kw, n in x.harm],
        "dark": [_consumer(c) for c in x.dark],
        "moved": [_consumer(c) for c in x.moved],
        "already_dark": list(x.already_dark),
        "weakest_paths": [_path(p) for p in x.paths],
        "not_isolated": [{**_path(w.path), "reasons": list(w.reasons)} for w in x.ways],
        "sources_resting": list(x.resting),
        "dead_section": list(x.section),
        "stored_energy": [{"id": i, "discharge_min": m} for i, m in x.stored],
        "findings": [f.to_json() for f in x.findings],
    }


def _consumer(c: DarkConsumer) -> dict[str, Any]:
    return {
        "id": c.id,
        "severity": c.severity,
        "priority": c.priority,
        "demand_kw": c.demand_kw,
        "outcome": c.stage,
        "bears": c.bears,
        "bears_min": c.bears_min,
    }


def _path(p: WeakestPath) -> dict[str, Any]:
    return {
        "source": p.source,
        "end": p.end,
        "open": p.count,
        "open_devices": list(p.open_devices),
        "path": list(p.nodes),
    }


def verdict_line(study: IsolationStudy) -> str:
    """The answer in a sentence."""
    x = study.chosen
    where = ", ".join(study.ends)
    when = "in every phase" if x.every_phase else f"in {', '.join(x.phases)} alone"
    if not x.holds:
        sources = dict.fromkeys(w.path.source for w in x.ways)
        best = min(w.path.count for w in x.ways)
        at_best = f"; at best {best} can be had on every path" if best else ""
        return (
            f"{where} cannot be made dead: {', '.join(sources)} not parted by {study.rules.points} open "
            f"devices{at_best}."
        )
    opened = sum(not d.stood_open for d in x.held)
    dark = f"{len(x.dark)} consumer{'s' * (len(x.dark) != 1)} dark meanwhile" if x.dark else "nothing dark meanwhile"
    text = f"{where} can be made dead {when}: open {opened}, tag {len(x.held)}, {dark}"
    refused = [f for f in x.findings if f.refuses]
    return f"{text}; BUT work is refused: {refused[0].message}." if refused else f"{text}."


def bears_text(c: DarkConsumer) -> str:
    """How long a consumer bears the dark, in words."""
    return f"{c.bears} ({c.bears_min:g} min)" if c.bears_min is not None else f"{c.bears} (minutes not given)"


def print_isolation(study: IsolationStudy, screen: Screen) -> None:
    """Write the verdict, the steps, what is dark and what was found."""
    x = study.chosen
    screen.line(screen.paint(verdict_line(study), "strong" if x.may_work else "bad"))
    for step in sheet_steps(study.topology, x):
        screen.heading(step.title)
        for line in step.lines:
            screen.line(f"  [ ] {line}")
    screen.heading("Weakest path from each source")
    screen.table(
        ("source", "end", "open", "path (open devices in brackets)"),
        [(p.source, p.end, str(p.count), path_text(p)) for p in x.paths],
    )
    if x.dark or x.moved:
        screen.heading("Dark or switched over meanwhile")
        screen.table(
            ("consumer", "severity", "priority", "kW", "outcome", "bears"),
            [
                (c.id, c.severity or "-", str(c.priority), f"{c.demand_kw:g}", c.stage, bears_text(c))
                for c in (*x.dark, *x.moved)
            ],
        )
    _print_findings(x.findings, screen)
    others = [o for o in _all(study) if o is not x]
    if others:
        screen.heading("Other phases")
        screen.table(
            ("phases", "holds", "opened", "tagged", "dark"),
            [
                (
                    ", ".join(o.phases),
                    "yes" if o.holds else "NO",
                    str(sum(not d.stood_open for d in o.held)),
                    str(len(o.held)),
                    str(len(o.dark)),
                )
                for o in others
            ],
        )
    screen.heading("Cautions")
    for caution in (*CAUTIONS_SHOWN, STEADY_NOTE):
        screen.line(f"  - {caution}")


def _print_findings(findings: Iterable[Remark], screen: Screen) -> None:
    found = list(findings)
    screen.heading(f"Findings: {len(found) or 'none'}")
    for f in found:
        weight = screen.paint("VIOLATION", "bad") if f.refuses else screen.paint("caution", "doubt")
        screen.line(f"  {weight}  {f.rule}: {f.message}")
        screen.line(f"           ({f.practice})")


def path_text(p: WeakestPath) -> str:
    return " - ".join(f"[{v}]" if v in p.open_devices else v for v in p.nodes)


def isolation_markdown(study: IsolationStudy) -> str:
    """Return the sheet of ``study`` in Markdown: to print, tick and sign."""
    x, topology = study.chosen, study.topology
    out = [
        f"# Isolation sheet: {md(', '.join(study.ends))}",
        "",
        f"System: {md(topology.name)}" + (f", with {md(', '.join(topology.applied))}" if topology.applied else ""),
        f"  \nPhases: {md(', '.join(x.phases))}; open points asked on every path: {study.rules.points} (a convention)",
        "",
        f"**{md(verdict_line(study))}**",
        "",
    ]
    for caution in CAUTIONS_SHOWN:
        out.append(f"> {caution}")
    out.append("")
    for number, step in enumerate(sheet_steps(topology, x), 1):
        out += [f"## {number}. {step.title}", "", *(f"- [ ] {md(line)}" for line in step.lines), ""]
    if x.ways:
        out += ["## Cannot be isolated", ""]
        out += [f"- {md(path_text(w.path))}: {md('; '.join(w.reasons))}" for w in x.ways] + [""]
    out += ["## Open devices on the weakest path", "", "| source | end | open | path |", "|---|---|---|---|"]
    out += [f"| {md(p.source)} | {md(p.end)} | {p.count} | {md(path_text(p))} |" for p in x.paths]
    out += ["", "## Dark or switched over meanwhile", ""]
    if x.dark or x.moved:
        out += ["| consumer | severity | priority | kW | outcome | bears |", "|---|---|---|---|---|---|"]
        out += [
            f"| {md(c.id)} | {c.severity or '-'} | {c.priority} | {c.demand_kw:g} | {c.stage} | {bears_text(c)} |"
            for c in (*x.dark, *x.moved)
        ]
    else:
        out.append("Nothing.")
    out += ["", "## Findings", ""]
    out += [f"- **{f.weight}**, {f.rule}: {md(f.message)} ({md(f.practice)})" for f in x.findings] or ["None."]
    out += ["", STEADY_NOTE, "", "## Signatures", ""]
    out += ["| role | name | date, time | signature |", "|---|---|---|---|"]
    out += [f"| {role} | | | |" for role in ("isolated by", "proved dead by", "work accepted by", "given back by")]
    return "\n".join(out) + "\n"


def markdown_text(text: str) -> str:
    """Text of the file as it stands, whatever Markdown or HTML would make of it."""
    clean = "".join(c if c.isprintable() else " " for c in text)
    return "".join(f"\\{c}" if c in "\\`*_{}[]<>#|~" else c for c in clean)


md = markdown_text
