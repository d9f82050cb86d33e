"""Drawings: one layout for before and after, a look per state that is more than a colour, and nothing hostile."""

from __future__ import annotations

import re
import time
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

import powerfault
from powerfault.cli import program
from powerfault.errors import RequestError, ToolError
from powerfault.model.elements import Component, Load, Topology
from powerfault.output.blocks.text_width import shorten, text_width
from powerfault.output.pictures import dot_program, layout
from powerfault.output.pictures.appearance import EDGE_LOOKS, MARK_PATHS, NODE_LOOKS
from powerfault.output.pictures.case_pictures import CasePictures
from powerfault.output.pictures.diagrams import Diagram, draw
from powerfault.output.pictures.dot_text import dot_text
from powerfault.output.pictures.picture_choice import within_reach, without_channels
from powerfault.output.pictures.picture_graph import AFTER, BEFORE, BOTH, picture_graph
from tests.build import events, topology

SVG = "{http://www.w3.org/2000/svg}"
OKABE_ITO = {"#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7"}


def two_channels() -> Topology:
    """Two channels, each source, bus, breaker and load; an open tie between the buses behind a breaker."""
    return topology(
        {
            "PV-A": {"kind": "source", "channel": "a"}, "BUS-A": "bus", "BRK-A": "breaker",
            "PV-B": {"kind": "source", "channel": "b"}, "BUS-B": "bus", "BRK-B": "breaker",
            "TIE": {"kind": "switch", "normally": "open", "operated": "commanded"},
        },
        ["PV-A -> BUS-A -> BRK-A", "PV-B -> BUS-B -> BRK-B", "BUS-A <-> TIE <-> BUS-B"],
        loads={"FAN-A": {"fed_by": "BRK-A", "severity": "critical"}, "FAN-B": "BRK-B"},
    )  # fmt: skip


def with_jumper(before: Topology) -> Topology:
    links = (("BRK-A", "JMP"), ("JMP", "BRK-A"), ("JMP", "BRK-B"), ("BRK-B", "JMP"))
    components = {**before.components, "JMP": Component(id="JMP", kind="jumper")}
    return replace(before, components=components, links=before.links + links, added=frozenset({"JMP"}))


def looks(svg: str) -> dict[str, str]:
    """The look of each box by id, read back from the drawing."""
    found = {}
    for group in ET.fromstring(svg).iter(f"{SVG}g"):
        if match := re.fullmatch(r"box s-(\w+)", group.get("class") or ""):
            title = next(group.iter(f"{SVG}title")).text or ""
            found[title.split(";")[0]] = match[1]
    return found


def test_every_component_and_load_is_drawn_once_with_its_words() -> None:
    system = two_channels()
    svg = draw(system).svg
    texts = [t.text for t in ET.fromstring(svg).iter(f"{SVG}text")]
    for id_ in (*system.components, *system.loads):
        assert texts.count(id_) == 1
    assert "switch, normally open" in texts
    assert "load, critical" in texts


def test_a_drawing_shows_itself_in_a_notebook_and_saves(tmp_path) -> None:  # type: ignore[no-untyped-def]
    drawing = draw(two_channels())
    assert drawing._repr_svg_() == drawing.svg
    assert drawing.save(tmp_path / "x.svg").read_text("utf-8") == drawing.svg


def test_loss_of_a_bus_is_restored_through_the_tie_at_its_stage() -> None:
    pictures = CasePictures(two_channels())
    seen = looks(pictures.draw(events("PV-A"), BEFORE).svg)
    assert seen["PV-A"] == "loss"
    assert {seen[i] for i in ("BUS-A", "BRK-A", "FAN-A", "TIE")} == {"back2"}
    assert {seen[i] for i in ("PV-B", "BUS-B", "BRK-B", "FAN-B")} == {"live"}


def test_before_the_stage_of_the_tie_the_load_is_dark() -> None:
    pictures = CasePictures(two_channels())
    seen = looks(pictures.draw(events("PV-A"), BEFORE, stage=1).svg)
    assert {seen[i] for i in ("BUS-A", "BRK-A", "FAN-A")} == {"dark"}
    assert seen["TIE"] == "open"


def test_a_short_shows_zone_and_shorted_component() -> None:
    pictures = CasePictures(two_channels())
    svg = pictures.draw(events("BUS-A:short"), BEFORE).svg
    seen = looks(svg)
    assert seen["BUS-A"] == "short"
    assert seen["PV-A"] == "zone"
    assert seen["FAN-A"] == "dark"
    assert f'stroke="{EDGE_LOOKS["zone"].border}"' in svg


def test_a_tripped_device_is_told_from_a_dark_one() -> None:
    # A breaker on each side of the bus: both could feed the fault (two-way links), so both trip and stay open.
    system = topology(
        {"PV": "source", "B1": {"kind": "breaker", "operated": "manual", "operated_by": "LATE"}, "BUS": "bus",
         "LATE": "source"},
        ["PV -> B1 <-> BUS"], loads={"L": "BUS"},
    )  # fmt: skip
    seen = looks(CasePictures(system).draw(events("BUS:short"), BEFORE, stage=2).svg)
    assert seen["B1"] == "tripped"
    assert seen["L"] == "dark"


def test_before_and_after_share_one_layout() -> None:
    before = two_channels()
    pictures = CasePictures(before, with_jumper(before))
    places = []
    for side in (BEFORE, AFTER):
        root = ET.fromstring(pictures.draw((), side, legend=False).svg)
        places.append({t.text: (t.get("x"), t.get("y")) for t in root.iter(f"{SVG}text") if t.get("font-size") == "11"})
    assert places[0] == places[1]
    assert looks(pictures.draw((), BEFORE).svg)["JMP"] == "absent"
    assert looks(pictures.draw((), AFTER).svg)["JMP"] != "absent"
    assert "added by the proposal" in pictures.draw((), AFTER).svg
    assert "added by the proposal" not in pictures.draw((), BEFORE).svg


def test_removed_and_changed_things_are_marked_on_their_side() -> None:
    before = two_channels()
    components = {k: v for k, v in before.components.items() if k != "TIE"}
    components["BRK-A"] = replace(components["BRK-A"], rating_a=10)
    links = tuple(link for link in before.links if "TIE" not in link)
    pictures = CasePictures(before, replace(before, components=components, links=links))
    assert "removed by the proposal" in pictures.draw((), BEFORE).svg
    assert "changed by the proposal" in pictures.draw((), AFTER).svg
    assert looks(pictures.draw((), AFTER).svg)["TIE"] == "absent"


def test_two_way_links_are_one_line_and_the_union_keeps_both_sides() -> None:
    before = two_channels()
    graph = picture_graph(before, with_jumper(before))
    pairs = [(line.tail, line.head) for line in graph.lines]
    assert len(pairs) == len(set(pairs))
    assert sum(line.two_way for line in graph.lines) == 4
    assert sum(line.side == AFTER for line in graph.lines) == 2
    assert graph.box_of["JMP"].side == AFTER
    assert graph.box_of["TIE"].side == BOTH


def test_channels_are_inferred_where_only_one_feeds() -> None:
    graph = picture_graph(two_channels())
    assert graph.box_of["FAN-A"].channel == "a"
    assert graph.box_of["BUS-B"].channel == "b"
    assert graph.box_of["TIE"].channel is None


def test_needs_and_functions_are_drawn_when_asked() -> None:
    system = topology(
        {"PV": "source", "CV": {"kind": "converter", "needs": "cooling"}},
        ["PV -> CV"], loads={"PUMP": "CV"}, functions={"cooling": {"of": "PUMP"}},
    )  # fmt: skip
    roles = {line.role for line in picture_graph(system, needs=True, functions=True).lines}
    assert roles == {"power", "need", "member"}
    svg = draw(system, needs=True, functions=True).svg
    assert "is needed by" in svg
    assert "1 of 1" in svg
    assert {line.role for line in picture_graph(system).lines} == {"power"}


def test_no_state_rests_on_colour_alone() -> None:
    beside_fill = [(look.dash, look.mark, look.border, look.width) for look in NODE_LOOKS.values()]
    assert len(set(beside_fill)) == len(beside_fill)
    assert len({look.word for look in NODE_LOOKS.values()}) == len(NODE_LOOKS)
    marks = [MARK_PATHS[look.mark] for name, look in NODE_LOOKS.items() if look.mark and name != "open"]
    assert len(set(marks)) == len(marks)


def test_fills_are_those_of_okabe_and_ito_with_readable_text() -> None:
    # Okabe and Ito, "Color Universal Design" (2008): the eight colours; contrast by the formula of WCAG 2.2.
    for look in NODE_LOOKS.values():
        assert look.fill in OKABE_ITO | {"#FFFFFF"}
        assert contrast(look.fill, look.text) >= 4.5


def contrast(one: str, other: str) -> float:
    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


HOSTILE = ['<script>alert(1)</script>', '"><img src=x onerror=alert(1)>', "a:b", "<b>bold</b>", "\\N", "x" * 10_000,
           "]]>", "\u202eevil", "line\nbreak", "\u2028"]  # fmt: skip


@pytest.mark.parametrize("label", HOSTILE)
def test_hostile_labels_stay_text(label: str) -> None:
    system = Topology(
        name=label,
        components={"PV": Component(id="PV", kind="source", label=label, channel=label, site=label)},
        loads={"FAN": Load(id="FAN", label=label, fed_by=("PV",))},
        links=(),
    )
    svg = draw(system, title=label).svg
    root = ET.fromstring(svg)
    allowed = {"svg", "g", "rect", "path", "text", "title", "circle", "polygon"}
    assert {e.tag.removeprefix(SVG) for e in root.iter()} <= allowed
    assert not any(name.startswith("on") or name.endswith("href") for e in root.iter() for name in e.attrib)
    assert len(svg) < 20_000
    assert "\u202e" not in svg
    assert dot_program.run_dot(dot_text(picture_graph(system), title=label))


def test_long_ids_are_shortened_in_the_middle() -> None:
    assert shorten("a" * 40 + "-END", 12).endswith("-END")
    assert len(shorten("a" * 10_000, 26)) == 26


def test_text_widths_are_those_of_the_font() -> None:
    # Widths of Arial's characters (thousandths of the size): A 667, i 222, space 278. From memory.
    assert text_width("A", 1000) == 667
    assert text_width("i ", 1000) == 500


def test_a_layout_that_lacks_an_element_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = dot_program.run_dot
    monkeypatch.setattr(layout, "run_dot", lambda source, kind: whole(source, kind).replace(b'id="n2"', b'id="m2"'))
    layout._lay_out.cache_clear()
    with pytest.raises(ToolError, match=r"left out 1 of .* n2"):
        Diagram.of(two_channels())
    layout._lay_out.cache_clear()


def test_an_absent_layout_program_is_named_with_the_cure(monkeypatch: pytest.MonkeyPatch) -> None:
    dot_program.find_dot.cache_clear()
    monkeypatch.setattr("sysconfig.get_path", lambda name: "/nonexistent")
    monkeypatch.setenv("PATH", "/nonexistent")
    with pytest.raises(ToolError, match="pip install graphviz-pure"):
        dot_program.find_dot()
    dot_program.find_dot.cache_clear()


def test_a_failing_layout_program_is_reported() -> None:
    with pytest.raises(ToolError, match="exit code"):
        dot_program.run_dot("digraph { a -> ")


def test_a_slow_layout_program_is_stopped() -> None:
    with pytest.raises(ToolError, match="did not finish"):
        dot_program.run_dot("digraph {" + "".join(f"a{i} -> a{i * 7 % 997};" for i in range(3000)) + "}",
                            time_limit_s=0.01)  # fmt: skip


def test_the_same_drawing_is_the_same_bytes() -> None:
    layout._lay_out.cache_clear()
    one = CasePictures(two_channels()).draw(events("BUS-A"), BEFORE).svg
    layout._lay_out.cache_clear()
    assert CasePictures(two_channels()).draw(events("BUS-A"), BEFORE).svg == one


def test_part_of_a_drawing_is_cut_to_what_is_touched() -> None:
    pictures = CasePictures(two_channels())
    case = pictures.case_states(BEFORE, [events("BUS-A")])[0]
    frame = pictures.diagram.frame_of(pictures.states(BEFORE, case))
    assert frame.height < pictures.diagram.layout.height
    dark = pictures.diagram.layout.boxes[pictures.diagram.graph.box_of["FAN-A"].name]
    assert frame.y <= dark.y
    assert dark.bottom <= frame.bottom


def test_a_collapsed_channel_is_one_box_with_the_worst_state_of_its_parts() -> None:
    system = two_channels()
    shown = without_channels(system, None, ["a"])
    graph = picture_graph(system, shown=shown)
    box = graph.box_of["BUS-A"]
    assert box is graph.box_of["FAN-A"]
    assert box.lines == ("a", "4 parts")
    assert {graph.box_of["BUS-B"].id, graph.box_of["TIE"].id} == {"BUS-B", "TIE"}
    # One two-way line is left between the channel and the tie, none inside.
    assert len(graph.lines) == 5
    seen = looks(CasePictures(system, shown=shown).draw(events("BRK-A"), BEFORE).svg)
    assert seen[next(k for k in seen if k.startswith("a:"))] == "loss"


def test_only_what_a_case_touches_has_boxes_of_its_own() -> None:
    before = two_channels()
    pictures = CasePictures(before, with_jumper(before))
    touched = pictures.touched(events("BRK-A"))
    assert {"BRK-A", "FAN-A", "BUS-A", "JMP", "BRK-B"} <= touched
    assert "PV-B" not in touched
    seen = looks(pictures.narrowed(touched).draw(events("BRK-A"), AFTER).svg)
    assert "PV-B" not in seen
    assert any(k.startswith("rest of b") for k in seen)


def test_a_neighbourhood_is_bounded_and_unknown_names_are_errors() -> None:
    system = two_channels()
    assert within_reach(system, ["BUS-A"], 1) == {"BUS-A", "PV-A", "BRK-A", "TIE"}
    assert within_reach(system, ["BUS-A"], 0) == {"BUS-A"}
    with pytest.raises(RequestError, match="no component or load 'BUS-X'"):
        within_reach(system, ["BUS-X"], 1)
    with pytest.raises(RequestError, match="no channel 'c'"):
        without_channels(system, None, ["c"])


def test_a_thousand_components_are_laid_out_in_seconds() -> None:
    components: dict[str, Component] = {}
    links = []
    for n in range(40):
        for i in range(26):
            id_ = f"C{n}-{i}"
            components[id_] = Component(id=id_, kind="source" if i == 0 else "bus", channel=f"ch{n}")
            if i:
                links.append((f"C{n}-{(i - 1) // 3}", id_))
    system = Topology(name="large", components=components, links=tuple(links))
    begun = time.monotonic()
    whole = Diagram.of(system)
    part = Diagram.of(system, shown=within_reach(system, ["C7-1"], 2))
    assert time.monotonic() - begun < 30
    assert len(whole.layout.boxes) == 1040
    assert len(part.layout.boxes) < 60


def test_a_drawing_is_one_call_away() -> None:
    before = two_channels()
    drawing = powerfault.draw(before, with_jumper(before), ["PV-A"], stage="automatic", side="both")
    assert "Before: PV-A failed" in drawing._repr_svg_()
    assert "After: PV-A failed" in drawing._repr_svg_()
    with pytest.raises(RequestError, match="no stage"):
        powerfault.draw(before, stage="later")
    with pytest.raises(RequestError, match="no phase"):
        powerfault.draw(before, phase="dusk")


TEACHING = Path(__file__).parent.parent / "topologies" / "two-channels.yaml"


@pytest.mark.parametrize(
    ("options", "name"),
    [
        ((), "x.svg"),
        (("--with", "J-1", "--fail", "BUS-N:short", "--side", "both", "--phase", "dark"), "x.svg"),
        (("--with", "J-1", "--fail", "CV-N", "--touched", "--needs", "--functions"), "x.svg"),
        (("--fail", "CV-N", "--stage", "automatic"), "x.dot"),
        (("--around", "BUS-N", "--within", "1"), "x.svg"),
        (("--collapse", "all"), "x.svg"),
    ],
)
def test_the_command_draws(options: tuple[str, ...], name: str, tmp_path: Path) -> None:
    result = CliRunner().invoke(program, ["draw", str(TEACHING), *options, "-o", str(tmp_path / name)])
    assert result.exit_code == 0, result.output
    text = (tmp_path / name).read_text("utf-8")
    if name.endswith(".svg"):
        ET.fromstring(text)
    else:
        assert b"<svg" in dot_program.run_dot(text)
        assert "FAILED" in text


def test_the_command_paints_png_even_without_a_browser(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("powerfault.output.pictures.png.find_browser", lambda: None)
    result = CliRunner().invoke(program, ["draw", str(TEACHING), "-o", str(tmp_path / "x.png")])
    assert result.exit_code == 0, result.output
    assert (tmp_path / "x.png").read_bytes().startswith(b"\x89PNG")
    assert "install Chromium" in result.stderr


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--fail", "BUS-X"), "did you mean"),
        (("--phase", "sunlt"), "did you mean 'sunlit'"),
        (("--side", "after"), "needs a proposal"),
        (("--collapse", "nort"), "did you mean 'north'"),
    ],
)
def test_the_command_says_what_was_wrong(options: tuple[str, ...], words: str, tmp_path: Path) -> None:
    result = CliRunner().invoke(program, ["draw", str(TEACHING), *options, "-o", str(tmp_path / "x.svg")])
    assert result.exit_code != 0
    assert words in result.output + str(result.exception)
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_ending_is_named(tmp_path: Path) -> None:
    result = CliRunner().invoke(program, ["draw", str(TEACHING), "-o", str(tmp_path / "x.gif")])
    assert result.exit_code == 2
    assert ".svg, .png, .dot" in result.output
