"""Ratings in studies: a load that must be shed counts as lost, is told apart, and changes verdicts and cut sets."""

from __future__ import annotations

import pytest

from powerfault.errors import TooLargeError
from powerfault.model.reader import read_topology_text
from powerfault.tolerance.comparison.study import compare
from powerfault.tolerance.study import study

# Three units of 5 kW feed 10 kW of load: any two do, one alone carries one of the two loads (textbook capacity table).
THREE = """
powerfault: 1
name: three units
components:
  U1: {kind: source, capacity_kw: 5}
  U2: {kind: source, capacity_kw: 5}
  U3: {kind: source, capacity_kw: 5}
  BUS: {kind: bus, can_fail: false}
feeds: [U1 -> BUS, U2 -> BUS, U3 -> BUS]
loads:
  A: {fed_by: [BUS], demand_kw: 5, priority: 1, must_tolerate: 2}
  B: {fed_by: [BUS], demand_kw: 5, priority: 2, must_tolerate: 1}
proposals:
  J-4:
    add: {components: {U4: {kind: source, capacity_kw: 5}}, feeds: [U4 -> BUS]}
"""


def test_a_load_that_is_shed_fails_and_is_told_apart_from_one_without_a_path() -> None:
    topology = read_topology_text(THREE)
    paths, rated = study(topology, 3), study(topology, 3, ratings=True)
    assert [v.tolerates for v in paths.verdicts] == [2, 2]
    assert [v.tolerates for v in rated.verdicts] == [2, 1]
    data = rated.to_json()
    b = data["consumers"][1]
    assert b["minimal_cut_sets"] == [["U1", "U2"], ["U1", "U3"], ["U2", "U3"]] == b["no_capacity"]
    assert data["consumers"][0]["no_capacity"] == []
    case = next(c for c in data["cases"] if c["failed"] == ["U1", "U2"])
    assert case["outcomes"] == {"B": "lost"}
    assert case["no_capacity"] == ["B"]
    assert any("Ratings counted" in note for note in data["notes"])


def test_comparison_with_ratings_shows_what_another_unit_buys() -> None:
    found = compare(read_topology_text(THREE), ["J-4"], 3, ratings=True)
    change = found.change("B")
    assert (change.before.tolerates, change.after.tolerates) == (1, 2)  # type: ignore[union-attr]
    assert {tuple(map(str, c)) for c in change.cases["cured"]} == {("U1", "U2"), ("U1", "U3"), ("U2", "U3")}


def test_many_cases_with_ratings_are_refused_with_an_estimate(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("powerfault.tolerance.study.RATED_CASES_WITHOUT_ASKING", 3)
    with pytest.raises(TooLargeError, match="7 cases with ratings"):
        study(read_topology_text(THREE), 3, ratings=True)


def test_a_load_without_any_feed_left_is_lost_and_nothing_else() -> None:
    """A proposal may take away the only component that feeds a load; the load then has no voltage of its own."""
    text = THREE.replace("add: {components: {U4", "remove: {components: [OLD]}\n    add: {components: {U4")
    text = text.replace("  BUS: {", "  OLD: {kind: bus}\n  BUS: {").replace("U1 -> BUS,", "U1 -> BUS, U1 -> OLD,")
    text = text.replace("loads:\n", "loads:\n  C: {fed_by: [OLD], demand_kw: 1}\n")
    found = compare(read_topology_text(text), ["J-4"], ratings=True)
    assert found.after.verdict("C").tolerates == -1
    assert found.after.verdict("A").tolerates == 2
