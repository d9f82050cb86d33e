"""A picture as a DOT file with labels, for those who lay it out or edit it with their own tools.

Unlike the file that fixes our own layout, this one carries the words of the topology, so all of them pass through
the escaping of the graphviz library: a label such as ``<b>`` or a name with ``:`` would mean something to it.
"""

from __future__ import annotations

from collections.abc import Mapping

import graphviz

from powerfault.output.blocks.text_width import shorten
from powerfault.output.pictures import appearance
from powerfault.output.pictures.appearance import EDGE_LOOKS, NODE_LOOKS, Look
from powerfault.output.pictures.picture_graph import AFTER, BEFORE, BOTH, PictureGraph
from powerfault.output.pictures.picture_states import BoxState, line_look, with_groups

_SHAPES = {
    "source": "oval", "storage": "cylinder", "regulator": "trapezium", "bus": "box", "converter": "box",
    "switch": "hexagon", "breaker": "hexagon", "fuse": "box", "diode": "cds", "cable": "parallelogram",
    "jumper": "parallelogram", "connector": "rarrow",
    "pump": "oval", "line": "parallelogram", "valve": "hexagon", "radiator": "box3d",
    "coolant_jumper": "parallelogram",
    "load": "box", "function": "doubleoctagon", "group": "folder",
}  # fmt: skip


def _style(look: Look, extra: str = "") -> str:
    parts = ["filled"]
    if look.dash:
        parts.append("dotted" if look.dash in ("1 3", "2 2") else "dashed")
    if extra:
        parts.append(extra)
    return ",".join(parts)


def dot_text(
    graph: PictureGraph, states: Mapping[str, BoxState] | None = None, side: str = BEFORE, title: str = ""
) -> str:
    """DOT source of one side of ``graph``; what only the other side has is left out."""
    shown = [b for b in graph.boxes if b.side in (BOTH, side)]
    if states is None:
        states = {b.id: BoxState("live", 0) for b in shown}
    states = with_groups(graph.groups, states)
    ids = {b.name: b.id for b in graph.boxes}
    out = graphviz.Digraph(
        graph_attr={"rankdir": "LR", "ranksep": "0.5", "nodesep": "0.12", "fontname": "Helvetica", "labelloc": "t",
                    "label": graphviz.escape(shorten(title, 200)), "newrank": "true"},
        node_attr={"fontname": "Helvetica", "fontsize": "10", "margin": "0.1,0.03", "height": "0.3"},
        edge_attr={"arrowsize": "0.6"},
    )  # fmt: skip
    channels = {c: graphviz.Digraph(f"cluster_c{n}", graph_attr={"label": graphviz.escape(label), "color": "gray60"})
                for n, (c, label) in enumerate(graph.channels)}  # fmt: skip
    for box in shown:
        state = states.get(box.id, BoxState("absent", None))
        look = NODE_LOOKS[state.look]
        words = list(box.lines)
        if state.look not in ("live", "idle", "open"):
            words.append(look.word.upper())
        if box.side == AFTER:
            words.append("+ added")
        target = channels.get(box.channel or "", out)
        target.node(
            box.name, label="\\n".join(graphviz.escape(w) for w in words), tooltip=graphviz.escape(box.tip),
            shape=_SHAPES[box.kind], style=_style(look, "rounded" if box.kind == "load" else ""),
            fillcolor=look.fill, color=appearance.ADDED if box.side == AFTER else look.border, fontcolor=look.text,
            penwidth=f"{3.0 if box.side == AFTER else look.width:g}",
        )  # fmt: skip
    for cluster in channels.values():
        out.subgraph(cluster)
    for line in graph.lines:
        if line.side not in (BOTH, side):
            continue
        options = {"dir": "both"} if line.two_way else {}
        if line.role == "power":
            look = EDGE_LOOKS[line_look(line, ids, states)]
            style = "dashed" if look.dash else "solid"
            options |= {"color": look.border, "style": style, "penwidth": f"{look.width:g}"}
            if line.side == AFTER:
                options |= {"color": appearance.ADDED, "penwidth": "3"}
        else:
            options |= {"color": appearance.GREY, "style": "dotted", "constraint": "false"}
        out.edge(line.tail, line.head, **options)
    return str(out.source)
