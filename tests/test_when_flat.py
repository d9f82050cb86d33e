"""The second instant of a case, before a storage is flat: hand-worked, reference against engine, and the texts."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from build import event, events, topology
from click.testing import CliRunner
from random_coolant import random_cooled_topology
from random_topologies import random_topology
from reference import System, list_cases, list_events

from powerfault.cli import program
from powerfault.errors import RequestError
from powerfault.failures.case_state import case_states
from powerfault.model.elements import MODES, OUTCOMES, Need, Topology
from powerfault.model.reader import read_topology_text
from powerfault.network.graph import build_network
from powerfault.output.answers.verdicts_text import carried_sentences
from powerfault.output.pictures.case_pictures import CasePictures
from powerfault.tolerance.comparison.study import compare
from powerfault.tolerance.explain.carried import carried_in
from powerfault.tolerance.explain.reasons import explain
from powerfault.tolerance.study import study
from powerfault.tolerance.worksheet import worksheet_rows

BATTERY: dict[str, Any] = {"kind": "storage", "charged_by": "BUS"}
Outcomes = dict[str, str]


def by_reference(system: Topology, failed: str) -> Outcomes:
    return System(system).at_once(events(failed))


def by_case_states(system: Topology, failed: str) -> Outcomes:
    (state,) = case_states(build_network(system), [events(failed)], at_once=True)
    assert state.at_once is not None
    return dict(state.at_once.outcomes)


def by_study(system: Topology, failed: str) -> Outcomes:
    """From the results as saved: the outcomes at once, or of the long run where they are no better."""
    if not failed:
        return by_case_states(system, failed)
    case = list(map(str, events(failed)))
    result = study(system, order=len(case), modes=MODES, when_flat=True).to_json()
    found = dict.fromkeys((c["id"] for c in result["consumers"]), OUTCOMES[0])
    for entry in result["cases"]:
        if sorted(entry["failed"]) == sorted(case):
            found |= entry["outcomes"] | entry.get("when_flat", {})
    return found


EVERY = pytest.mark.parametrize("at_once", [by_reference, by_case_states, by_study])
Evaluate = Callable[[Topology, str], Outcomes]


def only_worse(outcomes: Outcomes) -> Outcomes:
    return {i: o for i, o in outcomes.items() if o != OUTCOMES[0]}


def one_bus(**more: Any) -> Topology:
    return topology(
        {"PV": "source", "BAT": BATTERY, "BUS": "bus", "TAP": "cable"},
        ["PV -> BUS", "BAT -> BUS -> TAP"],
        loads={"L": "TAP", "M": {"fed_by": "TAP PV", "feeds_needed": 2}},
        **more,
    )


@EVERY
@pytest.mark.parametrize(
    ("failed", "expected"),
    [
        ("", {}),
        # BAT carries L; M needs PV itself as its second feed.
        ("PV", {"M": "lost"}),
        ("BAT", {}),
        ("PV BAT", {"L": "lost", "M": "lost"}),
        ("TAP", {"L": "lost", "M": "lost"}),
        ("BUS:short", {"L": "lost", "M": "lost"}),
        ("PV TAP:short", {"L": "lost", "M": "lost"}),
    ],
)
def test_a_charged_battery_carries_what_it_reaches(at_once: Evaluate, failed: str, expected: Outcomes) -> None:
    assert only_worse(at_once(one_bus(), failed)) == expected


@EVERY
def test_a_battery_that_nothing_charges_today_carries_nothing(at_once: Evaluate) -> None:
    # What stands failed has failed long ago: with PV gone nothing has charged BAT since.
    assert only_worse(at_once(one_bus(standing="PV"), "TAP")) == {"L": "lost", "M": "lost"}
    assert only_worse(at_once(one_bus(standing="PV"), "")) == {"L": "lost", "M": "lost"}
    assert only_worse(at_once(one_bus(standing="TAP"), "PV")) == {"L": "lost", "M": "lost"}


@EVERY
def test_a_battery_charged_only_after_switching_is_not_charged_before_it(at_once: Evaluate) -> None:
    t = topology(
        {"S": "source", "K": {"kind": "switch", "normally": "open"}, "BUS": "bus", "BAT": BATTERY, "T": "bus"},
        ["S -> K -> BUS", "BAT -> BUS", "BAT -> T"],
        loads={"L": "T"},
    )
    assert only_worse(at_once(t, "")) == {"L": "commanded"}
    assert only_worse(at_once(t, "S")) == {"L": "lost"}


@EVERY
def test_any_phase_charges_and_every_phase_is_carried(at_once: Evaluate) -> None:
    pv = {"kind": "source", "capacity_kw": {"sunlit": 5.0}}
    t = topology({"PV": pv, "BAT": BATTERY, "BUS": "bus"}, ["PV -> BUS", "BAT -> BUS"], loads={"L": "BUS"},
                 phases="sunlit dark")  # fmt: skip
    assert only_worse(at_once(t, "PV")) == {}
    assert only_worse(at_once(t, "BAT")) == {"L": "lost"}


@EVERY
def test_a_controller_on_the_battery_operates_its_tie(at_once: Evaluate) -> None:
    tie = {"kind": "switch", "normally": "open", "operated": "commanded", "operated_by": "CTRL"}
    t = topology(
        {"PV": "source", "BAT": BATTERY, "BUS": "bus", "T": "source", "S": "source", "K": tie, "D": "bus"},
        ["PV -> BUS", "BAT -> BUS", "T -> K -> D", "S -> D"],
        loads={"CTRL": "BUS", "L": "D"},
    )
    assert only_worse(at_once(t, "PV S")) == {"L": "commanded"}
    assert only_worse(at_once(t, "PV BAT")) == {"CTRL": "lost"}
    (state,) = case_states(build_network(t), [events("PV S")])
    assert state.outcomes["L"] == "lost"


@EVERY
def test_what_needs_a_load_on_the_battery_runs_on(at_once: Evaluate) -> None:
    t = topology(
        {"PV": "source", "BAT": BATTERY, "BUS": "bus", "S": "source", "CV": {"kind": "converter", "needs": "PUMP"}},
        ["PV -> BUS", "BAT -> BUS", "S -> CV"],
        loads={"PUMP": "BUS", "L": "CV"},
        functions={"F": "PUMP L"},
    )
    assert only_worse(at_once(t, "PV")) == {}
    assert only_worse(at_once(t, "PV BAT")) == {"PUMP": "lost", "L": "lost", "F": "lost"}


def borne(stage: str) -> Topology:
    """CV bears the loss of PUMP up to a stage; M waits for the tie K, closed by hand, on the bus of CV."""
    cv = {"kind": "converter", "needs": [Need("PUMP", stage)]}
    return topology(
        {"S": "source", "P": "source", "CV": cv, "D": "bus", "K": {"kind": "switch", "normally": "open",
         "operated": "automatic"}, "E": "bus"},
        ["S -> CV -> D -> K -> E"],
        loads={"PUMP": "P", "L": "D", "M": "E"},
    )  # fmt: skip


@EVERY
def test_a_borne_need_carries_up_to_its_stage(at_once: Evaluate) -> None:
    for stage in ("automatic", "commanded", "manual"):
        (state,) = case_states(build_network(_needs(borne(stage))), [events("P")])
        assert only_worse(dict(state.outcomes)) == {"PUMP": "lost", "L": "lost", "M": "lost"}
        assert only_worse(at_once(_needs(borne(stage)), "P")) == {"PUMP": "lost", "M": "automatic"}


@EVERY
def test_a_borne_need_carries_no_longer(at_once: Evaluate) -> None:
    from dataclasses import replace

    t = _needs(borne("automatic"))
    late = replace(t, components={**t.components, "K": replace(t.components["K"], operated="manual")})
    assert only_worse(at_once(late, "P")) == {"PUMP": "lost", "M": "lost"}


def _needs(t: Topology) -> Topology:
    """``build.topology`` writes needs that bear nothing; those given as ``Need`` twice over are unwrapped."""
    from dataclasses import replace

    cv = t.components["CV"]
    needs = tuple(n.id if isinstance(n.id, Need) else n for n in cv.needs)
    return replace(t, components={**t.components, "CV": replace(cv, needs=needs)})


# Reference against engine, and what cannot be so


def check_random(seeds: range, cases_each: int) -> int:
    """Compare cases of random systems; return in how many of them something is carried."""
    carried = 0
    for seed in seeds:
        t = random_cooled_topology(seed) if seed % 3 == 0 else random_topology(seed, 5, 12)
        bears = any(n.bears != OUTCOMES[0] for e in (*t.components.values(), *t.loads.values()) for n in e.needs)
        rng = random.Random(seed)
        events_of = list_events(t, MODES)
        every = list(list_cases(events_of, 2))
        chosen = [(), *rng.sample(every, min(cases_each, len(every)))]
        system = System(t)
        result = study(t, 2, MODES, when_flat=True)
        saved = {tuple(c["failed"]): c for c in result.to_json()["cases"]}
        for case, state in zip(chosen, case_states(build_network(t), chosen, at_once=True), strict=True):
            assert state.at_once is not None
            expected = system.at_once(case)
            where = f"seed {seed}: {' '.join(map(str, case))}"
            assert dict(state.at_once.outcomes) == expected, where
            better = {i: o for i, o in expected.items() if o != state.outcomes[i]}
            assert all(OUTCOMES.index(o) < OUTCOMES.index(state.outcomes[i]) for i, o in better.items()), where
            if case:
                entry = saved.get(tuple(map(str, case)), {"outcomes": {}})
                assert entry.get("when_flat", {}) == better, where
            elif not bears:
                assert better == {}, where
            carried += bool(better)
            for stage, phase in product(range(4), t.phase_names):
                if not any(
                    n.bears != OUTCOMES[0] for e in (*t.components.values(), *t.loads.values()) for n in e.needs
                ):
                    assert state.live[stage][phase] <= state.at_once.live[stage][phase], where
    return carried


def test_engine_and_saved_results_equal_the_reference() -> None:
    assert check_random(range(90_000, 90_060), 12) > 50


@pytest.mark.full
@pytest.mark.timeout(1500)
def test_engine_and_saved_results_equal_the_reference_at_length() -> None:
    check_random(range(91_000, 91_600), 25)


def test_one_more_failure_never_helps_at_once() -> None:
    for seed in range(92_000, 92_040):
        t = random_topology(seed, 5, 11)
        cases = [(), *list_cases(list_events(t, MODES), 2)]
        states = case_states(build_network(t), cases, at_once=True)
        found = {frozenset(c): s.at_once.outcomes for c, s in zip(cases, states, strict=True) if s.at_once}
        for case, outcomes in found.items():
            for e in case:
                fewer = found[case - {e}]
                assert all(OUTCOMES.index(outcomes[i]) >= OUTCOMES.index(fewer[i]) for i in outcomes), (seed, case, e)


# Results, verdicts and texts

TEXT = """
powerfault: 1
name: one battery
components:
  PV: {kind: source}
  BAT: {kind: storage, energy_kwh: 10, charged_by: [BUS]}
  BUS: {kind: bus}
  KEY: {kind: breaker}
feeds: [PV -> BUS, BAT -> BUS, BUS -> KEY]
loads:
  FAN: {fed_by: [KEY], demand_kw: 1, severity: critical, must_last_h: 4}
  LAMP: {fed_by: [KEY], demand_kw: 1, severity: critical}
  OVEN: {fed_by: [BUS], demand_kw: 0, severity: critical, must_last_h: 6}
"""


def test_without_the_option_nothing_changes_and_with_it_must_last_h_counts() -> None:
    t = read_topology_text(TEXT)
    plain, flat = study(t), study(t, when_flat=True)
    assert not any("when_flat" in c for c in plain.to_json()["cases"])
    assert [v.minimal_cut_sets[0] for v in plain.verdicts] == [(event("PV"),)] * 3
    # 10 kWh at 2 kW last 5 h: enough for FAN (4 h), too little for OVEN (6 h); LAMP says no hours.
    cuts = {v.id: {" ".join(map(str, c)) for c in v.minimal_cut_sets} for v in flat.verdicts}
    assert cuts == {
        "FAN": {"BUS", "KEY", "PV BAT"},
        "LAMP": {"PV", "BUS", "KEY"},
        "OVEN": {"PV", "BUS"},
    }
    entry = next(c for c in flat.to_json()["cases"] if c["failed"] == ["PV"])
    assert entry["outcomes"] == dict.fromkeys(("FAN", "LAMP", "OVEN"), "lost")
    assert entry["when_flat"] == dict.fromkeys(("FAN", "LAMP", "OVEN"), "uninterrupted")
    assert any("FAN lasts for its must_last_h of 4 h" in note for note in flat.notes)


def test_without_energies_verdicts_go_by_the_long_run() -> None:
    t = read_topology_text(TEXT.replace("energy_kwh: 10, ", ""))
    flat = study(t, when_flat=True)
    assert next(iter(flat.verdict("FAN").minimal_cut_sets)) == (event("PV"),)
    assert any("hours not known" in note for note in flat.notes)


def test_contradicting_options_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="when_flat goes without"):
        study(read_topology_text(TEXT), when_flat=True, cut_sets_only=True)
    with pytest.raises(RequestError, match="run it with when_flat"):
        next(study(read_topology_text(TEXT)).iter_when_flat())
    (tmp_path / "a.yaml").write_text(TEXT)
    refused = CliRunner().invoke(program, ["faults", str(tmp_path / "a.yaml"), "--when-flat", "--cut-sets-only"])
    assert refused.exit_code == 2
    shown = CliRunner().invoke(program, ["faults", str(tmp_path / "a.yaml"), "--when-flat", "--json"])
    assert json.loads(shown.stdout)["cases"][0]["when_flat"]["LAMP"] == "uninterrupted"
    told = CliRunner().invoke(program, ["faults", str(tmp_path / "a.yaml"), "--when-flat"])
    assert "Carried until a storage is flat: 2" in told.stdout


def test_processes_and_kept_pieces_give_the_same(tmp_path: Path) -> None:
    t = random_topology(90_001, 10, 12)
    one = study(t, 2, MODES, when_flat=True).to_json()
    assert study(t, 2, MODES, when_flat=True, jobs=2).to_json() == one
    for _ in range(2):
        assert study(t, 2, MODES, when_flat=True, keep=tmp_path).to_json() == one
    assert study(t, 2, MODES, keep=tmp_path).to_json() == study(t, 2, MODES).to_json()


def test_explain_says_from_what_and_how_long_and_never_drops_at_once(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").write_text(TEXT)
    run = CliRunner().invoke(program, ["explain", str(tmp_path / "a.yaml"), "--fail", "PV", "--load", "LAMP"])
    assert "LAMP is served from BAT until it is flat after 5 h, then lost" in run.stdout
    assert "drops at once" not in run.stdout
    assert "At once, because" not in run.stdout
    run = CliRunner().invoke(program, ["explain", str(tmp_path / "a.yaml"), "--fail", "PV", "--load", "LAMP", "--json"])
    assert json.loads(run.stdout)["when_flat"] == {
        "outcome": "uninterrupted",
        "storages": {"BAT": 5.0},
        "borne": [],
        "text": "LAMP is served from BAT until it is flat after 5 h, then lost",
    }
    run = CliRunner().invoke(program, ["explain", str(tmp_path / "a.yaml"), "--fail", "BUS", "--load", "LAMP"])
    assert "LAMP drops at once" in run.stdout


def test_words_for_what_bears_and_for_several_batteries() -> None:
    t = _needs(borne("commanded"))
    (state,) = case_states(build_network(t), [events("P")], at_once=True)
    found = carried_in(build_network(t), state, "L")
    assert found is not None
    assert found.words == "served while CV bears the loss of PUMP, up to stage commanded, then lost"
    two = topology(
        {"PV": "source", "B1": BATTERY, "B2": BATTERY, "BUS": "bus"}, ["PV -> BUS", "B1 -> BUS", "B2 -> BUS"],
        loads={"L": "BUS"},
    )  # fmt: skip
    (state,) = case_states(build_network(two), [events("PV")], at_once=True)
    found = carried_in(build_network(two), state, "L", {"B1": 2.0})
    assert found is not None
    words = "served from B1 and B2 until they are flat (B1 after 2 h, B2 hours not known), then lost"
    assert found.words == words
    told = explain(build_network(two), state, "L")
    assert told.sentences()[0].startswith("With PV failed, L is served from B1 and B2 until they are flat")


def test_a_bridged_interruption_is_said_to_be_restored_for_good() -> None:
    t = topology(
        {"PV": "source", "BAT": BATTERY, "BUS": "bus", "T": "source", "K": {"kind": "switch", "normally": "open"}},
        ["PV -> BUS", "BAT -> BUS", "T -> K -> BUS"],
        loads={"L": "BUS"},
    )
    (state,) = case_states(build_network(t), [events("PV")], at_once=True)
    found = carried_in(build_network(t), state, "L", {"BAT": 5.0})
    assert found is not None
    assert found.words == "served from BAT until it is flat after 5 h; restored for good at stage commanded"


def test_the_worksheet_says_what_carries_and_for_how_long() -> None:
    rows = {str(r.event): r for r in worksheet_rows(build_network(read_topology_text(TEXT)), ("loss",))}
    assert rows["PV"].end_before == "none"
    assert rows["PV"].end_after == "served from BAT until it is flat after 5 h, then lost: FAN, LAMP, OVEN"
    assert rows["PV"].single_point
    assert rows["KEY"].end_before == "FAN, LAMP"


def test_a_drawing_shows_what_is_carried_and_not_de_energised() -> None:
    pictures = CasePictures(read_topology_text(TEXT))
    (state,) = pictures.case_states("before", [events("PV")])
    for stage in range(4):
        looks = {i: s.look for i, s in pictures.states("before", state, None, stage).items()}
        assert looks == {"PV": "loss"} | dict.fromkeys(("BAT", "BUS", "KEY", "FAN", "LAMP", "OVEN"), "held")
    svg = pictures.draw(events("PV"), "before", None, 0).svg
    assert "on storage" in svg
    (state,) = pictures.case_states("before", [events("PV BAT")])
    assert pictures.states("before", state, None, 0)["LAMP"].look == "dark"


def test_a_comparison_says_which_gains_a_battery_carried_before() -> None:
    t = read_topology_text(TEXT + "proposals:\n  J: {add: {components: {PV2: {kind: source}}, feeds: [PV2 -> BUS]}}\n")
    found = compare(t, ["J"])
    held = {(event("PV"),): ("FAN", "LAMP", "OVEN")}
    assert dict(found.carried_before) == held
    assert dict(found.carried_after) == {(event("PV"), event("PV2")): ("FAN", "LAMP", "OVEN")}
    assert found.to_json()["carried_until_flat"]["gone"] == [{"failed": ["PV"], "consumers": ["FAN", "LAMP", "OVEN"]}]
    assert carried_sentences(found)[0] == (
        "In 1 of the minimal cut sets gone a storage carried FAN, LAMP, OVEN until it was flat: counted as failing, "
        "in the long run, and no drop at once."
    )
