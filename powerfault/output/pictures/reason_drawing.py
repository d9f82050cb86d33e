"""The part of the system that explains why a consumer dropped, drawn by itself."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from powerfault.failures.case_state import CaseState, case_states
from powerfault.files import write_atomically
from powerfault.model.elements import Topology
from powerfault.network.graph import Network, build_network
from powerfault.output.pictures.diagrams import Diagram, Drawing
from powerfault.output.pictures.dot_text import dot_text
from powerfault.output.pictures.picture_graph import BEFORE
from powerfault.output.pictures.picture_states import box_states
from powerfault.output.pictures.png import png_of
from powerfault.tolerance.explain.reasons import Explanation


def part_of(topology: Topology, ids: frozenset[str]) -> Topology:
    """Return the things of ``topology`` in ``ids`` alone, with the links, needs and members between them."""

    def kept(names: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(n for n in names if n in ids)

    return replace(
        topology,
        components={
            i: replace(
                c, needs=tuple(n for n in c.needs if n.id in ids), operated_by=kept(c.operated_by), charged_by=None
            )
            for i, c in topology.components.items()
            if i in ids
        },
        loads={
            i: replace(x, fed_by=kept(x.fed_by), needs=tuple(n for n in x.needs if n.id in ids))
            for i, x in topology.loads.items()
            if i in ids
        },
        functions={i: replace(f, of=kept(f.of)) for i, f in topology.functions.items() if i in ids},
        links=tuple((a, b) for a, b in topology.links if a in ids and b in ids),
    )


def draw_reasons(network: Network, state: CaseState, explanation: Explanation) -> tuple[Drawing, str]:
    """Return the drawing of what ``explanation`` names, in the state of its case, and the same as Graphviz source."""
    topology = network.topology
    rest = case_states(build_network(replace(topology, standing=())), [()])[0]
    states = box_states(topology, state, rest, (*state.standing, *state.failed), explanation.phase)
    diagram = Diagram.of(part_of(topology, explanation.involved), needs=True, functions=True)
    failed = " and ".join(map(str, explanation.failed)) or "nothing"
    title = f"{explanation.consumer} with {failed} failed ({explanation.phase}): {explanation.outcome}"
    return diagram.draw(states, BEFORE, title), dot_text(diagram.graph, states, BEFORE, title)


def save_reasons(network: Network, state: CaseState, explanation: Explanation, path: str | Path) -> str | None:
    """Write that drawing as .svg, .png or .dot; return a note on how the PNG was made, if there is one."""
    drawing, dot = draw_reasons(network, state, explanation)
    suffix = Path(path).suffix.lower()
    if suffix == ".dot":
        write_atomically(path, dot)
        return None
    if suffix == ".png":
        picture, note = png_of(drawing, dot)
        write_atomically(path, picture)
        return note
    drawing.save(path)
    return None
