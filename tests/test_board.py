"""The board page: its figures against studies counted anew, and its recommendation against the rules one by one."""

from __future__ import annotations

import html
import json
import re
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest

from powerfault.failures.case_state import case_states
from powerfault.model.elements import OUTCOMES, Topology
from powerfault.model.modify import apply_proposals
from powerfault.model.reader import load_topology, read_topology_text
from powerfault.network.failure_modes import list_events
from powerfault.network.graph import build_network
from powerfault.output.blocks.blocks import section_html, section_markdown
from powerfault.output.sections import board_section
from powerfault.output.sections.board import CONDITIONS, NO_PROPOSAL, RECOMMEND, REFUSE, board_of
from powerfault.output.sections.report_input import ReportInput
from powerfault.tolerance.comparison.study import compare
from powerfault.tolerance.study import study

DEMO = Path(__file__).parent.parent / "topologies" / "orrin-fell.yaml"

TIED = """
powerfault: 1
name: two rooms
title_block: {{document: TR-1, revision: B}}
components:
  PV-A: {{kind: source, channel: a}}
  PV-B: {{kind: source, channel: b}}
  BUS-A: {{kind: bus, channel: a}}
  BUS-B: {{kind: bus, channel: b}}
feeds: [PV-A -> BUS-A, PV-B -> BUS-B]
loads:
  LAMP: {{fed_by: [BUS-A], severity: {severity}, must_tolerate: 1, rides_through: commanded}}
proposals:
  J:
    about: a tie
    add:
      components:
        TIE: {{kind: {kind}{more}}}
      feeds: [BUS-A <-> TIE <-> BUS-B]
    crew_minutes: 30
"""


def report_of(text: str, modes: tuple[str, ...] = ("loss",), proposals: tuple[str, ...] = ("J",)) -> ReportInput:
    before = read_topology_text(text)
    comparison = compare(before, apply_proposals(before, proposals), 2, modes)
    return ReportInput(comparison.before, comparison)


def tied(severity: str = "major", kind: str = "breaker", more: str = ", normally: open, operated_by: []") -> str:
    return TIED.format(severity=severity, kind=kind, more=more)


def test_anything_open_makes_conditions_and_each_has_its_evidence() -> None:
    board = board_of(report_of(tied()))
    assert board.recommendation == CONDITIONS
    assert all(p.weight in ("harm", "open") for p in board.points)
    assert any("Ratings are not counted" in p.text for p in board.points)
    assert any("Modes not enumerated" in p.text for p in board.points)
    assert any("No plan of outings" in p.text for p in board.points)
    anchors = {"board", "verdict", "harms", "size", "endurance", "isolation", "installation", "assumptions"}
    assert {p.evidence for p in board.points} <= anchors


def test_a_single_failure_that_newly_fails_a_grave_load_rules_it_out() -> None:
    bare = tied("critical", "jumper", "").replace("must_tolerate: 1", "must_tolerate: 0")
    board = board_of(report_of(bare, ("loss", "short")))
    assert board.recommendation == REFUSE
    first = board.points[0]
    assert first.weight == "refuse"
    assert "newly fail a critical" in first.text
    assert "BUS-B:short" in first.text
    # The same tie with a load that is only minor: harm, and no more than a condition.
    minor = board_of(report_of(bare.replace("severity: critical", "severity: minor"), ("loss", "short")))
    assert [p.weight for p in minor.points if "newly fail" in p.text and "BUS-B:short" in p.text] == ["harm"]


def test_a_proposal_that_gains_nothing_is_not_recommended() -> None:
    idle = tied().replace("feeds: [BUS-A <-> TIE <-> BUS-B]", "feeds: [BUS-B -> TIE]")
    board = board_of(report_of(idle))
    assert not any(e.gone for e in board.effects)
    assert board.recommendation == REFUSE


def test_a_requirement_lost_rules_it_out() -> None:
    text = (
        tied().replace("must_tolerate: 1", "must_tolerate: 0").replace("[BUS-A <-> TIE <-> BUS-B]", "[BUS-A <-> TIE]")
    )
    board = board_of(report_of(text.replace("about: a tie", "about: a tie\n    remove: {components: [PV-A]}")))
    assert board.recommendation == REFUSE
    assert any("met before and not after: LAMP" in p.text for p in board.points)


def test_nothing_unjudged_and_no_harm_is_the_only_way_to_a_plain_recommendation(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    report = report_of(tied())
    monkeypatch.setattr("powerfault.output.sections.board._points", lambda *_: iter(()))
    assert board_of(report).recommendation == RECOMMEND


def test_without_a_proposal_there_is_nothing_to_recommend() -> None:
    board = board_of(ReportInput(study(read_topology_text(tied()))))
    assert board.recommendation == NO_PROPOSAL
    assert board.met_before is None
    assert "Harm" not in section_markdown(board_section.section(ReportInput(study(read_topology_text(tied())))))


@pytest.fixture(scope="module")
def demo() -> ReportInput:
    before = load_topology(DEMO)
    comparison = compare(before, apply_proposals(before, ("J-LAB",)), 2, ("loss", "short"))
    return ReportInput(comparison.before, comparison, {"file": DEMO.name})


def singles(system: Topology) -> dict[str, set[str]]:
    """Single failures one by one: the consumers that each fails."""
    network = build_network(system)
    events = list_events(system, ("loss", "short"))
    rides = {c.id: OUTCOMES.index(system.rides_through(c)) for c in system.consumers()}
    states = case_states(network, [(e,) for e in events])
    return {
        str(e): {c for c, o in state.outcomes.items() if OUTCOMES.index(o) > rides[c]}
        for e, state in zip(events, states, strict=True)
    }


def test_single_failures_gone_and_new_are_those_counted_one_by_one(demo: ReportInput) -> None:
    assert demo.after is not None
    was, now = singles(demo.before), singles(demo.after)
    gone = sum(bool(ids - now[e]) for e, ids in was.items() if e in now)
    new = sum(bool(ids - was.get(e, set())) for e, ids in now.items())
    rows = [e for e in board_of(demo).effects if e.failures == 1]
    assert sum(e.gone for e in rows) == gone
    assert sum(e.new for e in rows) == new
    assert sum(e.new_own for e in rows) == sum(bool(ids) for e, ids in now.items() if e not in was) == 2


def test_the_harm_of_the_demo_stands_beside_its_gain(demo: ReportInput) -> None:
    section = board_section.section(demo)
    text = section_html(section)
    gain, harm = text.index("Gain: 30 single failures"), text.index("Harm: 2 single failures")
    assert text.index("<div", gain) > gain
    assert harm - gain < 600
    assert "Limits passed: 2" in text  # two converters beyond their ratings at the greatest transfer
    assert board_of(demo).recommendation == CONDITIONS
    assert len([p for p in board_of(demo).points if "BRK-JLH:short (FUR-1)" in p.text]) == 1


def test_margins_are_percent_of_the_lower_limit(demo: ReportInput) -> None:
    found = {m.what: m for m in board_of(demo).margins}
    current = found["current, JMP-LAB towards CN-JLP"]
    # The file rates it for 170 A, and the wire alone would carry more.
    assert current.limit == "170 A"
    assert current.percent == pytest.approx(100 * (1 - float(current.value.split()[0]) / 170), abs=0.1)
    for margin in board_of(demo).margins:
        assert (margin.ok is None) == (margin.percent is None and "not lost" not in margin.value)


def test_requirements_are_those_of_the_verdicts(demo: ReportInput) -> None:
    assert demo.comparison is not None
    board = board_of(demo)
    was, now, total = demo.comparison.met
    assert (board.met_before, board.met_after, board.required) == (was, now, total)
    for row in board.requirements:
        before, after = demo.verdict_before(row.id), demo.verdict_after(row.id)
        assert before is not None
        assert after is not None
        same = (before.tolerates, before.lower_bound, before.meets) == (after.tolerates, after.lower_bound, after.meets)
        assert row.changed != same


def test_page_markdown_and_json_say_the_same(demo: ReportInput) -> None:
    data: Any = json.loads(json.dumps(board_of(demo).to_json(), allow_nan=False))
    section = board_section.section(demo)
    page = html.unescape(re.sub("<[^>]*>", "", section_html(section)))
    markdown = section_markdown(section)
    assert data["recommendation"] in page
    assert data["recommendation"] in markdown
    for margin in data["margins"]:
        assert margin["what"] in page
        assert margin["value"] in page
        assert margin["value"] in markdown
    tables = {t.name: t for t in section.tables()}
    assert len(tables["board-conditions"].rows) == len(data["points"])
    changed = sum(r["changed"] for r in data["requirements"])
    assert len(tables["board-requirements"].rows) == changed
    assert len(tables["board-requirements-unchanged"].rows) == len(data["requirements"]) - changed
    assert all(a != b for a, b in combinations([p["text"] for p in data["points"]], 2))
