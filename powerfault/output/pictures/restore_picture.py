"""The end of a switching plan as a drawing: the steps as a list, and under it who is restored at which stage."""

from __future__ import annotations

from pathlib import Path

from powerfault.electrical.restore.plan import MATE, OPEN, SHED, Restoration, SwitchingPlan
from powerfault.errors import RequestError
from powerfault.failures.case_state import case_states
from powerfault.files import write_atomically
from powerfault.model.elements import STAGES
from powerfault.network.graph import build_network
from powerfault.output.answers.restore_text import grouped, stage_title, step_text
from powerfault.output.blocks.text_width import shorten
from powerfault.output.pictures import svg_parts
from powerfault.output.pictures.case_pictures import CasePictures
from powerfault.output.pictures.diagrams import Diagram, Drawing
from powerfault.output.pictures.picture_graph import BEFORE
from powerfault.output.pictures.picture_states import BoxState, box_states
from powerfault.output.pictures.png import png_of

LAST = len(STAGES) - 1
SUFFIXES = (".svg", ".png")
_LINE = 19.0
_MARGIN = 10.0


def write_pictures(found: Restoration, output: str) -> list[Path]:
    """Write a drawing for each group of phases with one plan; with several, the phase goes into the name."""
    path = Path(output)
    if path.suffix.lower() not in SUFFIXES:
        raise RequestError(f"-o {output}: the name should end with one of {', '.join(SUFFIXES)}")
    groups = grouped(found)
    diagram = Diagram.of(found.topology)
    written = []
    for phases, plan in groups:
        drawing = draw_plan(found, plan, phases, diagram)
        target = path if len(groups) == 1 else path.with_name(f"{path.stem}-{phases[0]}{path.suffix}")
        if path.suffix.lower() == ".svg":
            written.append(drawing.save(target))
        else:
            plain = CasePictures(found.topology, None, found.standing).dot_text(found.failed, BEFORE, plan.phase, LAST)
            written.append(write_atomically(target, png_of(drawing, plain)[0]))
    return written


def draw_plan(found: Restoration, plan: SwitchingPlan, phases: tuple[str, ...], diagram: Diagram) -> Drawing:
    """Draw the state in which ``plan`` ends, with its steps above."""
    title = f"{found.topology.name}: after {' + '.join(map(str, found.failed))}, {', '.join(phases)}"
    picture = diagram.draw(plan_states(found, plan), BEFORE, title)
    lines = []
    for step in plan.steps:
        lines.append(f"{step.number}. {stage_title(step.stage)}: {step_text(step)}")
    lines += [f"stays dark: {dark.id} ({dark.cause}): {dark.text}" for dark in plan.dark]
    if not lines:
        lines = ["nothing to switch"]
    width, height = svg_parts.size_of(picture.svg)
    shown = [shorten(line, max(40, int((width - 2 * _MARGIN) / 7.2))) for line in lines]
    top = _MARGIN + _LINE * len(shown) + _MARGIN
    parts = [
        f'<g color="#000000">{svg_parts.text(_MARGIN, _MARGIN + _LINE * (i + 0.7), line, 13)}</g>'
        for i, line in enumerate(shown)
    ]
    # Inside the page the picture is measured in the page's units, not in points.
    start = picture.svg.index(">") + 1
    inner = (
        f'<svg y="{svg_parts.num(top)}" width="{svg_parts.num(width)}" height="{svg_parts.num(height)}" '
        f'viewBox="0 0 {svg_parts.num(width)} {svg_parts.num(height)}">{picture.svg[start:].strip()}'
    )
    return Drawing(svg_parts.document(width, height + top, "".join(parts) + inner, title), title)


def plan_states(found: Restoration, plan: SwitchingPlan) -> dict[str, BoxState]:
    """The look of every box at the end of ``plan``: its own loads, and the switches where the plan leaves them."""
    topology = found.topology
    case, rest = case_states(build_network(topology), [found.failed, ()], [*found.standing])
    states = box_states(topology, case, rest, (*found.standing, *found.failed), plan.phase)
    moved = {step.id: step for step in plan.steps if step.action != SHED}
    for id_ in (*topology.loads, *topology.functions):
        if id_ not in states or states[id_].look == "idle":
            continue
        if id_ not in plan.served:
            states[id_] = BoxState("dark", None)
        else:
            stage = STAGES.index(plan.restored_at.get(id_, STAGES[0]))
            states[id_] = BoxState(f"back{stage}" if stage else "live", stage)
    for id_, step in moved.items():
        stage = STAGES.index(step.stage)
        if step.action == OPEN:
            states[id_] = BoxState("open", None)
        elif step.action == MATE or states[id_].look in ("open", "idle", "tripped", "dark"):
            states[id_] = BoxState(f"back{stage}", stage)
    for id_, component in topology.components.items():
        if component.normally_open and id_ not in moved and states[id_].look.startswith("back"):
            states[id_] = BoxState("open", None)
    return states
