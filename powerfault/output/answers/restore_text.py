"""A switching plan as text: numbered steps by stage, what each brings back, what stays not served and why."""

from __future__ import annotations

from collections.abc import Sequence

from powerfault.electrical.restore.plan import RETURN, SHED, Restoration, Step, SwitchingPlan
from powerfault.output.answers.verdicts_text import case_text
from powerfault.output.blocks.screen import Screen

CAUTION = (
    "A plan from this model supports, and never replaces, the site's own procedures, local codes and licensed practice."
)


def print_restoration(found: Restoration, screen: Screen) -> None:
    """Write every phase's plan; phases with the same plan are written once."""
    topology = found.topology
    applied = f", with {', '.join(topology.applied)}" if topology.applied else ""
    screen.line(screen.paint(f"{topology.name}{applied}: restoring service after {case_text(found.failed)}", "strong"))
    for phases, plan in grouped(found):
        _print_plan(phases, plan, screen)
    screen.line()
    screen.line(CAUTION)


def grouped(found: Restoration) -> list[tuple[tuple[str, ...], SwitchingPlan]]:
    """Phases whose steps are the same in every word, with one plan each."""
    groups: list[tuple[list[str], SwitchingPlan]] = []
    for plan in found.plans:
        for phases, other in groups:
            if plan.steps == other.steps and plan.dark == other.dark and plan.interrupted == other.interrupted:
                phases.append(plan.phase)
                break
        else:
            groups.append(([plan.phase], plan))
    return [(tuple(phases), plan) for phases, plan in groups]


def _print_plan(phases: tuple[str, ...], plan: SwitchingPlan, screen: Screen) -> None:
    screen.heading(f"Phase {', '.join(phases)}")
    screen.line(f"  not served at first: {', '.join(plan.interrupted) or 'nothing'}")
    if not plan.steps:
        screen.line("  no switching brings anything back" if plan.interrupted else "  nothing to do")
    stage = ""
    for steps in _runs(plan.steps):
        if steps[0].stage != stage:
            stage = steps[0].stage
            screen.line("  " + screen.paint(stage_title(stage), "strong"))
        number = str(steps[0].number) if len(steps) == 1 else f"{steps[0].number}-{steps[-1].number}"
        words = step_text(steps[0]) if len(steps) == 1 else f"{SHED} {', '.join(s.id for s in steps)}"
        screen.line(f"  {number:>5}. {words}")
        for text in dict.fromkeys(text for step in steps for text in step.remarks):
            screen.line(f"         ! {text}")
    served, demand = sum(plan.served_kw.values()), sum(plan.demand_kw.values())
    screen.line(f"  served in the end: {served:.4g} of {demand:.4g} kW")
    for dark in plan.dark:
        screen.line("  " + screen.paint("stays not served", "bad") + f" {dark.id} ({dark.cause}): {dark.text}")
    for text in plan.findings:
        screen.line("  " + screen.paint("finding", "doubt") + f" {text}")
    if not plan.proved:
        screen.line("  " + screen.paint("NOT PROVED: a better plan may exist", "bad"))


def _runs(steps: Sequence[Step]) -> list[list[Step]]:
    """Steps, those that shed loads one after another taken together."""
    runs: list[list[Step]] = []
    for step in steps:
        if runs and step.action == SHED == runs[-1][-1].action and step.stage == runs[-1][-1].stage:
            runs[-1].append(step)
        else:
            runs.append([step])
    return runs


def stage_title(stage: str) -> str:
    """What is done at a stage, as a heading."""
    return {"uninterrupted": "at once"}.get(stage, stage)


def step_text(step: Step) -> str:
    """One step as a line."""
    said = f"with {step.id}, nothing switched" if step.action == RETURN else f"{step.action} {step.id}"
    if step.restores:
        said += f": brings back {', '.join(step.restores)}"
    if step.drops:
        said += f"{';' if step.restores else ':'} drops {', '.join(step.drops)}"
    for id_, source in step.transfers:
        said += f"; {id_} takes power from {source}"
    return said
