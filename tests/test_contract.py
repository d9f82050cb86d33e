"""The contract suite: hand-worked cases, verdicts, event lists and comparisons, on the reference and on the engine."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from build import events, topology
from contract import CASES, OPEN_TIE, ContractCase
from reference import System, reference_compare, reference_results

from powerfault.model.elements import MODES, STAGES, Event, Topology

Evaluate = Callable[[Topology, tuple[Event, ...]], dict[str, Any]]


def only_worse(outcomes: dict[str, str]) -> dict[str, str]:
    return {i: o for i, o in outcomes.items() if o != STAGES[0]}


def only_worse_by_phase(by_phase: dict[str, dict[str, str]]) -> dict[str, dict[str, str]]:
    return {p: worse for p, o in by_phase.items() if (worse := only_worse(dict(o)))}


def by_reference(system: Topology, failed: tuple[Event, ...]) -> dict[str, Any]:
    found = System(system).evaluate(failed)
    return {"outcomes": only_worse(found.outcomes), "by_phase": only_worse_by_phase(found.by_phase)}


def by_case_states(system: Topology, failed: tuple[Event, ...]) -> dict[str, Any]:
    from powerfault.failures.case_state import case_states
    from powerfault.network.graph import build_network

    (state,) = case_states(build_network(system), [failed])
    return {"outcomes": only_worse(dict(state.outcomes)), "by_phase": only_worse_by_phase(dict(state.by_phase))}


def by_study(system: Topology, failed: tuple[Event, ...]) -> dict[str, Any]:
    """One case of a whole enumeration; with nothing failed, an enumeration given a source that feeds nothing."""
    from powerfault.tolerance.study import study

    result = study(system, order=max(1, len(failed)), modes=MODES, by_phase=True)
    if not failed:
        fails = {v.id for v in result.verdicts if list(v.minimal_cut_sets) == [()]}
        bears = {c.id: system.rides_through(c) for c in system.consumers()}
        truth = by_reference(system, failed)
        expected = {i for i, o in truth["outcomes"].items() if [*STAGES, "lost"].index(o) > STAGES.index(bears[i])}
        assert fails == expected
        return truth
    outcomes = {frozenset(case): dict(found) for case, found in result.iter_cases()}
    by_phase = {frozenset(events(c["failed"])): c["by_phase"] for c in result.to_json()["cases"]}
    key = frozenset(failed)
    return {"outcomes": only_worse(outcomes.get(key, {})), "by_phase": only_worse_by_phase(by_phase.get(key, {}))}


def by_study_given(system: Topology, failed: tuple[Event, ...]) -> dict[str, Any]:
    """As :func:`by_study`, with all but the last event given as standing ones."""
    from powerfault.tolerance.study import study

    if not failed:
        return by_study(system, failed)
    result = study(system, order=1, modes=MODES, given=failed[:-1], by_phase=True)
    for entry in result.to_json()["cases"]:
        if entry["failed"] == [str(failed[-1])]:
            return {"outcomes": entry["outcomes"], "by_phase": only_worse_by_phase(entry["by_phase"])}
    return {"outcomes": {}, "by_phase": {}}


EVALUATORS = {
    "reference": by_reference,
    "case_states": by_case_states,
    "study": by_study,
    "study_given": by_study_given,
}


@pytest.mark.parametrize("evaluate", EVALUATORS.values(), ids=EVALUATORS)
@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_case(case: ContractCase, evaluate: Evaluate) -> None:
    found = evaluate(case.topology, events(case.failed))
    assert found["outcomes"] == case.outcomes
    assert found["by_phase"] == case.by_phase


def test_suite_is_large_and_sees_all_outcomes() -> None:
    assert len(CASES) > 150
    assert {o for c in CASES for o in c.outcomes.values()} == {"automatic", "commanded", "manual", "lost"}
    assert {e.mode for c in CASES for e in events(c.failed)} == set(MODES) - {"leak"}


# Verdicts and events, on both


def results_by_engine(system: Topology, **question: Any) -> dict[str, Any]:
    from powerfault.tolerance.study import study

    return study(system, **question).to_json()


RESULTS = pytest.mark.parametrize("results", [reference_results, results_by_engine], ids=["reference", "study"])


def verdict_of(results: dict[str, Any], consumer: str) -> tuple[Any, ...]:
    (v,) = [v for v in results["consumers"] if v["id"] == consumer]
    return v["tolerates"], v["lower_bound"], v["meets"], v["minimal_cut_sets"]


def three_sources(**load: Any) -> Topology:
    return topology({"S": "source", "T": "source", "U": "source"}, loads={"L": {"fed_by": "S T U", **load}})


@RESULTS
def test_tolerates_one_less_than_the_smallest_cut_set(results: Callable[..., dict[str, Any]]) -> None:
    # Any two of three may go: the one cut set is all three.
    found = results(three_sources(severity="catastrophic"), order=3)
    assert verdict_of(found, "L") == (2, False, True, [["S", "T", "U"]])


@RESULTS
def test_an_order_too_low_leaves_a_bound(results: Callable[..., dict[str, Any]]) -> None:
    # Order 2 finds nothing: at least two are tolerated, which is enough for 2 and too little to tell for 3.
    assert verdict_of(results(three_sources(must_tolerate=2), order=2), "L") == (2, True, True, [])
    assert verdict_of(results(three_sources(must_tolerate=3), order=2), "L") == (2, True, None, [])
    assert verdict_of(results(three_sources(must_tolerate=3), order=3), "L") == (2, False, False, [["S", "T", "U"]])
    assert verdict_of(results(three_sources(), order=2), "L") == (2, True, None, [])
    assert verdict_of(results(three_sources(severity="catastrophic"), order=1), "L") == (1, True, None, [])


@RESULTS
@pytest.mark.parametrize(
    ("severity", "required"), [("catastrophic", 2), ("critical", 1), ("major", 0), ("minor", 0), (None, None)]
)
def test_severity_gives_the_requirement(
    results: Callable[..., dict[str, Any]], severity: str | None, required: int | None
) -> None:
    # Catastrophic: no two failures; critical: no one (outside-facts: common practice, no single source).
    (v,) = results(three_sources(severity=severity), order=1)["consumers"]
    assert v["must_tolerate"] == required
    (v,) = results(three_sources(severity=severity, must_tolerate=0), order=1)["consumers"]
    assert (v["must_tolerate"], v["meets"]) == (0, True)


@RESULTS
def test_one_that_fails_with_nothing_failed(results: Callable[..., dict[str, Any]]) -> None:
    system = topology({"S": "source", "T": "source", "TIE": OPEN_TIE, "A": "bus"}, ["S -> A", "T -> TIE -> A"], loads={
        "L": {"fed_by": "A", "severity": "minor"}, "M": {"fed_by": "A", "rides_through": "commanded"}},
        standing="S")  # fmt: skip
    found = results(system, order=2)
    assert verdict_of(found, "L") == (-1, False, False, [[]])
    # M waits for the command; then any of what is left fails it. S stands failed and has no event.
    assert verdict_of(found, "M") == (0, False, None, [["T"], ["TIE"], ["A"]])
    assert found["events"] == ["T", "TIE", "A"]
    assert found["standing"] == ["S"]


@RESULTS
def test_minimal_cut_sets_hold_no_failing_subset(results: Callable[..., dict[str, Any]]) -> None:
    # S-A and T-B are two chains to L: one of each chain, none of the pairs within a chain. Cuts of L: m^n = 2^2.
    system = topology({"S": "source", "A": "bus", "T": "source", "B": "bus"}, ["S -> A", "T -> B"], loads={"L": "A B"})
    found = results(system, order=3)
    assert verdict_of(found, "L")[3] == [["S", "T"], ["S", "B"], ["A", "T"], ["A", "B"]]
    assert found["case_count"] == 4 + 6 + 4
    # Cases come by size, then in the order of the events. Those that touch nobody are left out.
    failed = [c["failed"] for c in found["cases"]]
    assert failed == [["S", "T"], ["S", "B"], ["A", "T"], ["A", "B"], *[
        ["S", "A", "T"], ["S", "A", "B"], ["S", "T", "B"], ["A", "T", "B"]]]  # fmt: skip


@RESULTS
def test_riding_through_decides_what_fails(results: Callable[..., dict[str, Any]]) -> None:
    def system(default: str = "uninterrupted", **load: Any) -> Topology:
        return topology(
            {"S": "source", "T": "source", "TIE": OPEN_TIE, "A": "bus"},
            ["S -> A", "T -> TIE -> A"],
            loads={"L": {"fed_by": "A", **load}},
            stage_minutes={"automatic": 0.1, "commanded": 15.0, "manual": 480.0},
            default_rides_through=default,
        )

    # S lost: back on command. It is a failure for one that bears no interruption, or only the automatic one.
    alone, paired = [["S"], ["A"]], [["A"], ["S", "T"], ["S", "TIE"]]
    assert verdict_of(results(system()), "L")[3] == alone
    assert verdict_of(results(system(rides_through="automatic")), "L")[3] == alone
    assert verdict_of(results(system(rides_through="commanded")), "L")[3] == paired
    assert verdict_of(results(system(rides_through="manual")), "L")[3] == paired
    assert verdict_of(results(system(default="commanded")), "L")[3] == paired
    # Doerry and Amy (2011): an interruption counts when it is longer than the load bears; a heater that bears 20
    # minutes is not interrupted by 15, one that bears 14 is.
    assert verdict_of(results(system(rides_through_min=15.0)), "L")[3] == paired
    assert verdict_of(results(system(rides_through_min=14.0)), "L")[3] == alone
    (v,) = results(system(rides_through_min=500.0))["consumers"]
    assert v["rides_through"] == "manual"
    (v,) = results(system(rides_through_min=0.05))["consumers"]
    assert v["rides_through"] == "uninterrupted"


@RESULTS
def test_events_are_listed_by_component_then_mode_and_loads_last(results: Callable[..., dict[str, Any]]) -> None:
    every = dict.fromkeys(
        ("source", "storage", "regulator", "bus", "converter", "switch", "breaker", "fuse", "diode", "cable",
         "jumper", "connector")
    )  # fmt: skip
    parts: dict[str, Any] = {kind: kind for kind in every}
    parts["tie"] = {"kind": "breaker", "normally": "open"}
    parts["solid"] = {"kind": "bus", "can_fail": False}
    parts["picky"] = {"kind": "switch", "modes": "stuck"}
    loads = {"A": {"fed_by": "bus", "modes": "short"}, "B": "bus"}
    found = results(topology(parts, loads=loads), order=1, modes=("closed", "short", "stuck", "loss"))
    assert found["modes"] == ["loss", "short", "stuck", "closed"]
    assert found["events"] == [
        "source", "storage", "regulator", "regulator:short", "bus", "bus:short", "converter", "converter:short",
        "switch", "switch:short", "switch:stuck", "breaker", "breaker:short", "breaker:stuck", "fuse", "diode",
        "diode:short", "cable", "cable:short", "jumper", "jumper:short", "connector", "connector:short",
        "tie", "tie:short", "tie:stuck", "tie:closed", "picky:stuck", "A:short",
    ]  # fmt: skip
    assert found["case_count"] == 29
    # --modes still selects among a component's own.
    assert "picky:stuck" not in results(topology(parts, loads=loads), order=1, modes=("loss",))["events"]
    given = results(topology(parts, loads=loads), order=1, modes=("loss", "stuck"), given=events("tie:closed breaker"))
    assert given["standing"] == ["tie:closed", "breaker"]
    assert not {"tie", "tie:stuck", "breaker", "breaker:stuck"} & set(given["events"])


@RESULTS
def test_a_case_has_one_event_a_component(results: Callable[..., dict[str, Any]]) -> None:
    system = topology({"S": "source", "X": "breaker"}, ["S -> X"], loads={"L": "X"})
    # S, X, X:short, X:stuck: 4 singles; S with each of X's three: 3 doubles; no triple.
    assert results(system, order=3, modes=MODES)["case_count"] == 7


@RESULTS
def test_the_ends_of_the_scale(results: Callable[..., dict[str, Any]]) -> None:
    solid = {"kind": "source", "can_fail": False}
    nothing_fails = results(topology({"S": solid}, loads={"L": {"fed_by": "S", "severity": "critical"}}), order=2)
    assert (nothing_fails["events"], nothing_fails["case_count"], nothing_fails["cases"]) == ([], 0, [])
    assert verdict_of(nothing_fails, "L") == (2, True, True, [])
    nobody_asks = results(topology({"S": "source", "A": "bus"}, ["S -> A"]), order=2, modes=("loss", "short"))
    assert (nobody_asks["consumers"], nobody_asks["case_count"], nobody_asks["cases"]) == ([], 5, [])
    # An order above the number of events: every case there is, and no verdict beyond what was found.
    deep = results(topology({"S": "source", "T": "source"}, loads={"L": "S T"}), order=5)
    assert (deep["case_count"], verdict_of(deep, "L")) == (3, (1, False, None, [["S", "T"]]))


# Comparison, on both


def compare_by_engine(before: Topology, after: Topology, **question: Any) -> dict[str, dict[str, Any]]:
    from powerfault.tolerance.comparison.study import compare

    found = compare(before, after, **question).to_json()["changes"]
    return {c["id"]: c for c in found if c["tolerates_before"] is not None and c["tolerates_after"] is not None}


@pytest.mark.parametrize("compared", [reference_compare, compare_by_engine], ids=["reference", "study"])
def test_a_comparison_by_hand(compared: Callable[..., dict[str, dict[str, Any]]]) -> None:
    sides: dict[str, Any] = {"S": "source", "A": "bus", "T": "source", "B": "bus"}
    loads = {"L": "A", "M": {"fed_by": "B", "rides_through": "automatic"}}
    before = topology(sides, ["S -> A", "T -> B"], loads=loads)
    after = topology(
        sides | {"J": "jumper"}, ["S -> A <-> J <-> B", "T -> B"], loads=loads, applied=("J",), added=frozenset("J")
    )
    found = compared(before, after, order=2, modes=("loss", "short"))
    # Losing S no longer loses L (cured); a short on B or its source's bus takes A with it (broken). Two at once:
    # S with T, or with a short of B, still loses L; S with B: the jumper has nothing to give.
    one = found["L"]
    assert (one["tolerates_before"], one["tolerates_after"]) == (0, 0)
    assert one["cured"] == [["S"]]
    assert one["broken"] == [["B:short"], ["T", "B:short"]]
    assert one["eased"] == one["worsened"] == []
    assert one["gone"] == [["S"]]
    assert one["new"] == [["B:short"], ["J:short"], ["S", "T"], ["S", "B"], ["S", "J"]]
    # The jumper's own events stand apart: its short takes both sides; with J lost nothing is worse than before, and
    # what is lost with S and J was lost before.
    assert one["own_events"] == {
        "cured": [],
        "eased": [],
        "worsened": [],
        "broken": [["J:short"], ["T", "J:short"], ["B", "J:short"], ["B:short", "J"], ["B:short", "J:short"]],
    }


@pytest.mark.parametrize("compared", [reference_compare, compare_by_engine], ids=["reference", "study"])
def test_eased_and_worsened_keep_the_verdict(compared: Callable[..., dict[str, dict[str, Any]]]) -> None:
    sides: dict[str, Any] = {"S": "source", "T": "source", "A": "bus"}
    loads = {"L": "A", "M": {"fed_by": "A", "rides_through": "commanded"}}
    without = topology(sides, ["S -> A"], loads=loads)
    tied = topology(sides | {"TIE": OPEN_TIE}, ["S -> A", "T -> TIE -> A"], loads=loads)
    found = compared(without, tied, order=1)
    # S lost: L comes back on command, too late for it; M bears that.
    assert (found["L"]["cured"], found["L"]["eased"]) == ([], [["S"]])
    assert (found["M"]["cured"], found["M"]["eased"]) == ([["S"]], [])
    # The other way round the tie is removed, and no case that names it is left.
    found = compared(tied, without, order=2)
    assert (found["L"]["broken"], found["L"]["worsened"]) == ([], [["S"]])
    assert (found["M"]["broken"], found["M"]["worsened"]) == ([["S"]], [])
    # S with T was lost before as well, with the tie or without.
    assert found["M"]["gone"] == [["S", "T"], ["S", "TIE"]]
    assert found["M"]["new"] == [["S"]]
    assert all(not cases for cases in found["M"]["own_events"].values())
