"""'Fail it yourself': the part of the page in which the reader fails components and both systems answer.

Only the frame is written here; ``page.js`` fills it from the data of the page and hides the note meant for paper.
"""

from __future__ import annotations

from powerfault.model.elements import MODES, STAGES
from powerfault.output.blocks.blocks import Paragraph, Raw, Section, environment
from powerfault.output.pictures import svg_parts
from powerfault.output.pictures.appearance import MARK_PATHS, MARK_RINGS
from powerfault.output.pictures.svg_parts import num as _num
from powerfault.output.sections.report_input import ReportInput

MODE_WORDS = {"loss": "loss (gives nothing)", "short": "short circuit", "stuck": "stuck in position",
              "closed": "stands closed", "leak": "leak of coolant"}  # fmt: skip


def section(report: ReportInput) -> Section:
    sides = report.pictures.sides
    html = (
        environment()
        .get_template("explorer.html.j2")
        .render(
            modes=[(m, MODE_WORDS[m]) for m in MODES],
            phases=report.before.phase_names,
            stages=STAGES,
            sides=sides,
            still="The system after the change" if len(sides) > 1 else "The system",
        )
    )
    words = (
        "Click a component in either drawing to fail it in the chosen mode, click it again to mend it; on the "
        "keyboard, Tab enters a drawing, the arrow keys move between components and Enter fails or mends. The "
        "answer is computed in this page. On paper the system is shown with nothing failed."
    )
    return Section("Fail it yourself", "explore", (Paragraph(words), Raw(html)))


def layout_svg(report: ReportInput) -> str:
    """Every box, line and cluster of the shared layout, once and without colours, for the page to copy and paint."""
    diagram = report.pictures.diagram
    layout = diagram.layout
    channels = enumerate(diagram.graph.channels)
    parts = [svg_parts.cluster_piece(label, layout.clusters[f"c{n}"]) for n, (_, label) in channels]
    for line in diagram.graph.lines:
        piece = svg_parts.line_piece(layout.routes[line.name])
        change = "" if line.side == "both" else f' data-change="{line.side}"'
        parts.append(f'<g class="line" data-n="{line.name[1:]}"{change}>{piece}</g>')
    for box in diagram.graph.boxes:
        rect = layout.boxes[box.name]
        x, y = svg_parts.mark_place(rect)
        halo = ""
        if diagram.after is not None and (box.side != "both" or box.changed):
            kind = "changed" if box.side == "both" else "added" if box.side == "after" else "removed"
            halo = f'<g class="halo h-{kind}">{svg_parts.halo(box, rect, "currentColor", "currentColor")}</g>'
        parts.append(f'<g class="box" data-n="{box.name[1:]}" data-x="{_num(x)}" data-y="{_num(y)}" '
                     f'data-r="{_num(rect.x)} {_num(rect.y)} {_num(rect.width)} {_num(rect.height)}">{halo}'
                     f"<g>{svg_parts.box_piece(box, rect)}</g></g>")  # fmt: skip
    marks = "".join(
        f'<symbol id="m-{name}" overflow="visible">'
        f"{svg_parts.mark_piece(name, MARK_RINGS.get(name, '#000000'))}</symbol>"
        for name in MARK_PATHS
    )
    body = f"<defs>{marks}</defs>" + "".join(parts)
    return svg_parts.document(layout.width, layout.height, body, "layout", "layout").replace(
        '<rect width="100%" height="100%" fill="#FFFFFF"/>', "", 1
    )
