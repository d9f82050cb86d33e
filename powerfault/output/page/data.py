"""The data of the page as one JSON object, safe to stand inside a script element."""

from __future__ import annotations

import json
from typing import Any

from powerfault.model.elements import OUTCOMES, STAGES, Component
from powerfault.output.page.network import page_network
from powerfault.output.pictures.appearance import EDGE_LOOKS, NODE_LOOKS, ROLE_WORDS
from powerfault.output.pictures.case_pictures import present
from powerfault.output.pictures.picture_graph import channels_of
from powerfault.output.sections.cases_section import PageCases, page_cases, page_events
from powerfault.output.sections.drawings_section import painted
from powerfault.output.sections.pair_matrix import SEVERITY_LOOKS, matrix_components
from powerfault.output.sections.report_input import ReportInput


def page_data(report: ReportInput) -> tuple[dict[str, Any], PageCases]:
    """The object that ``page.js`` reads, and the cases in it."""
    cases = page_cases(report)
    pictures = report.pictures
    graph = pictures.diagram.graph
    sides = pictures.sides
    events = page_events(report)
    place = {e: i for i, e in enumerate(events)}
    consumers = {id_: i for i, id_ in enumerate(report.consumers)}
    last = report.after or report.before
    channel = {**channels_of(last), **channels_of(report.before)}
    looks = list(NODE_LOOKS)
    data: dict[str, Any] = {
        "sides": list(sides),
        "stages": list(STAGES),
        "outcomes": list(OUTCOMES),
        "phases": list(report.before.phase_names),
        "networks": {side: page_network(pictures.topology(side), present(pictures.topology(side), report.study.given))
                     for side in sides},
        "boxes": [[b.id, b.kind, b.side, pictures.diagram.change_of(b, sides[-1]) if b.side != "before" else "removed"]
                  for b in graph.boxes],
        "lines": [[int(li.tail[1:]), int(li.head[1:]), int(li.two_way), li.role, li.side] for li in graph.lines],
        "labels": {b.id: b.tip for b in graph.boxes},
        "looks": {n: [k.word, k.about, k.mark] for n, k in NODE_LOOKS.items()},
        "lineLooks": {n: k.word for n, k in EDGE_LOOKS.items()} | ROLE_WORDS,
        "consumers": [[i, report.severity(i) or "", (last if i in last.loads or i in last.functions else report.before)
                       .title(i)] for i in report.consumers],
        "events": [str(e) for e in events],
        "cases": cases.data,
        "severities": [s for s, _, _ in SEVERITY_LOOKS],
        "ranks": [report.rank(i) for i in report.consumers],
        "matrix": {
            "ids": matrix_components(report),
            "channels": {i: channel.get(i, "") for i in matrix_components(report)},
            "shares": [share for _, _, share in SEVERITY_LOOKS],
            "cuts": {side: [[[place[e] for e in cut], [consumers[c] for c in ids]]
                            for cut, ids in report.cut_sets(side).items() if 0 < len(cut) <= 2] for side in sides},
        },
    }  # fmt: skip
    drawn: list[dict[str, Any]] = []
    shown, _, _ = report.drawn
    states = {side: pictures.case_states(side, [(), *shown]) for side in sides}
    frames: list[list[float]] = []
    for number, case in enumerate([(), *shown]):
        entry: dict[str, Any] = {"failed": [str(e) for e in case]}
        both = {}
        for side in sides:
            own = pictures.states(side, states[side][number])
            both[side] = own
            boxes, lines = painted(pictures, side, own)
            entry[side] = [[looks.index(b.rstrip("*")) * 2 + b.endswith("*") for b in boxes], lines_coded(lines)]
        frame = pictures.diagram.frame_of(*both.values())
        entry["frame"] = [round(v, 1) for v in (frame.x, frame.y, frame.width, frame.height)]
        frames.append(entry["frame"])
        drawn.append(entry)
    data["drawn"] = drawn
    data["lineNames"] = LINE_NAMES
    return data, cases


LINE_NAMES = [*EDGE_LOOKS, *ROLE_WORDS]


def lines_coded(lines: list[str]) -> list[int]:
    return [LINE_NAMES.index(name) for name in lines]


def script_json(data: Any) -> str:
    """``data`` as JSON in which nothing can end the script element or a line of script.

    >>> script_json({"a": "</script>&\\u2028"})
    '{"a":"\\\\u003c/script\\\\u003e\\\\u0026\\\\u2028"}'
    """
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text


def kind_of(report: ReportInput, id_: str) -> str:
    found = (report.after or report.before).components.get(id_)
    return found.kind if isinstance(found, Component) else "load"
