"""Switching plans: by hand, and every step of the plans of random systems replayed against the rules of the format."""

from __future__ import annotations

import json
import random
from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner

from powerfault.cli import program
from powerfault.electrical.restore.plan import CLOSE, CONNECT, MATE, OPEN, RECLOSE, SHED, SwitchingPlan
from powerfault.electrical.restore.study import plan_restoration
from powerfault.errors import PowerfaultError, RequestError
from powerfault.model.elements import STAGES, Event, Topology
from powerfault.network.failure_modes import list_events
from tests.build import events, topology
from tests.served_load import FEEDS, TWO_SIDES, Trial, random_rated_system, two_sides


def plan(t: Topology, failed: str, phase: str | None = None) -> SwitchingPlan:
    found = plan_restoration(t, events(failed), phases=[phase] if phase else None)
    return found.plans[0]


def moves(p: SwitchingPlan) -> list[tuple[str, str, str]]:
    return [(s.stage, s.action, s.id) for s in p.steps]


def test_a_tie_brings_back_what_there_is_power_for() -> None:
    t = topology(
        two_sides(),
        FEEDS,
        {
            "LA": {"fed_by": "A", "demand_kw": 3.0, "priority": 1},
            "LB": {"fed_by": "B", "demand_kw": 2.0, "priority": 2},
        },
        {"pair": {"of": "LA LB", "at_least": 2}},
    )
    p = plan(t, "S-A")
    assert p.interrupted == ("LA", "pair")
    assert moves(p) == [("commanded", SHED, "LB"), ("commanded", CLOSE, "TIE")]
    assert p.steps[0].drops == ("LB",)
    assert p.steps[1].restores == ("LA",)
    assert p.restored_at == {"LA": "commanded"}
    assert p.operations == (("TIE", "closed"),)
    assert [(d.id, d.cause) for d in p.dark] == [("LB", "no capacity")]
    assert "S-B has 1 kW left" in p.dark[0].text
    assert plan(t, "B").dark[0].cause == "no path"
    assert plan(t, "B").dark[0].at == ("B",)
    assert plan(t, "TIE").steps == ()


def test_stages_follow_one_another() -> None:
    # The automatic switch brings back the first load, the crew's own the second, hands the third.
    parts = {"S": "source", "B": "bus"}
    feeds = ["S -> B"]
    for name, operated in (("X", "automatic"), ("Y", "commanded"), ("Z", "manual")):
        parts[f"S-{name}"] = "source"
        parts[name] = "bus"
        parts[f"T-{name}"] = {"kind": "switch", "normally": "open", "operated": operated}  # type: ignore[assignment]
        feeds += [f"S-{name} -> {name}", f"B -> T-{name} -> {name}"]
    t = topology(parts, feeds, {f"L-{n}": {"fed_by": n, "demand_kw": 1.0} for n in "XYZ"})
    p = plan(t, "S-X S-Y S-Z")
    assert moves(p) == [("automatic", CLOSE, "T-X"), ("commanded", CLOSE, "T-Y"), ("manual", CLOSE, "T-Z")]
    assert [s.restores for s in p.steps] == [("L-X",), ("L-Y",), ("L-Z",)]


def test_one_feed_is_opened_before_the_other_is_closed() -> None:
    # BRK-A stands closed on a source too small for both loads; BRK-B leads to a larger one.
    t = topology(
        {
            "S-A": {"kind": "source", "capacity_kw": 2.0}, "S-B": {"kind": "source", "capacity_kw": 9.0},
            "S-C": {"kind": "source", "capacity_kw": 9.0}, "MAIN": "bus",
            "BRK-C": {"kind": "breaker", "operated": "manual"}, "BRK-A": "breaker",
            "BRK-B": {"kind": "breaker", "normally": "open"}, "ATS": {"kind": "bus", "one_feed": True},
        },
        ["S-A -> MAIN", "S-C -> BRK-C -> MAIN", "MAIN -> BRK-A -> ATS", "S-B -> BRK-B -> ATS"],
        {f"L{i}": {"fed_by": "ATS", "demand_kw": 1.0} for i in range(4)},
    )  # fmt: skip
    p = plan(t, "S-C")
    switched = [(s.action, s.id) for s in p.steps if s.action != SHED]
    assert switched == [(OPEN, "BRK-A"), (CLOSE, "BRK-B"), (CONNECT, "L2"), (CONNECT, "L3")]
    assert p.served_kw == {5: 4.0}
    assert any("one feed" in text for s in p.steps for text in s.remarks)
    assert not any("closed and live on it together" in text for s in p.steps for text in s.remarks)


def test_what_keeps_a_fault_in_is_opened_and_what_tripped_is_closed_again() -> None:
    t = topology(
        {"S": "source", "BRK": "breaker", "B": "bus", "SW": "switch", "C": "bus"},
        ["S -> BRK -> B <-> SW <-> C"],
        {"L": {"fed_by": "B", "demand_kw": 1.0}, "M": {"fed_by": "C", "demand_kw": 1.0}},
    )
    p = plan(t, "C:short")
    assert moves(p) == [("commanded", OPEN, "SW"), ("commanded", RECLOSE, "BRK")]
    assert p.steps[0].remarks == ("keeps the fault where it is",)
    assert p.steps[1].restores == ("L",)
    assert [(d.id, d.cause, d.at) for d in p.dark] == [("M", "no path", ("C",))]


def test_a_jumper_mated_by_hand_comes_with_its_caution() -> None:
    t = topology(
        {**two_sides(), "JMP": {"kind": "jumper", "mated": False, "crew_may_mate": True}},
        ["S-A -> A", "S-B -> B", "A <-> TIE <-> JMP <-> B"],
        {"LA": {"fed_by": "A", "demand_kw": 1.0}},
    )
    p = plan(t, "S-A")
    assert moves(p) == [("manual", MATE, "JMP"), ("manual", CLOSE, "TIE")]
    assert any("de-energised" in text and "B must be de-energised" in text for text in p.steps[0].remarks)


def test_outputs_are_kept_apart_by_an_opening_that_says_so() -> None:
    t = topology(
        {
            "S-A": {"kind": "source", "capacity_kw": 1.0, "may_parallel": False}, "BRK-A": "breaker", "A": "bus",
            "S-B": {"kind": "source", "capacity_kw": 9.0, "may_parallel": False}, "B": "bus",
            "TIE": {"kind": "switch", "normally": "open"},
        },
        ["S-A -> BRK-A -> A", "S-B -> B", "A <-> TIE <-> B"],
        {"LA": {"fed_by": "A", "demand_kw": 3.0}},
    )  # fmt: skip
    p = plan(t, "")
    assert [(s.action, s.id) for s in p.steps] == [
        (SHED, "LA"), (OPEN, "BRK-A"), (CLOSE, "TIE"), (CONNECT, "LA"),
    ]  # fmt: skip
    assert any("outputs of S-A and S-B apart" in text for s in p.steps for text in s.remarks)
    assert p.findings == ()


def test_equipment_that_needs_itself_does_not_come_back_by_switching() -> None:
    # The pump hangs on the converter it cools. Once dark, a second source upstream does not start it.
    t = topology(
        {**two_sides(), "CV": {"kind": "converter", "needs": "PUMP"}},
        ["S-A -> A", "S-B -> B", "A <-> TIE <-> B", "A -> CV"],
        {"PUMP": {"fed_by": "CV", "demand_kw": 1.0}, "LAMP": {"fed_by": "A", "demand_kw": 1.0}},
    )
    p = plan(t, "S-A")
    assert p.steps[-1].restores == ("LAMP",)
    assert [(d.id, d.cause) for d in p.dark] == [("PUMP", "no path")]


def replay(t: Topology, case: tuple[Event, ...], p: SwitchingPlan) -> None:
    """Follow the steps with the slow evaluator: every state keeps the rules, or the plan says so."""
    start = Trial(t, case, 0, p.phase)
    shut = {i for i, c in t.components.items() if c.is_switched and i not in start.fixed_open}
    unmated = {i for i, c in t.components.items() if c.kind == "jumper" and not c.mated}
    assert [STAGES.index(s.stage) for s in p.steps] == sorted(STAGES.index(s.stage) for s in p.steps)
    rank = {OPEN: 1, MATE: 2, CLOSE: 3, RECLOSE: 3}
    for a, b in pairwise([s for s in p.steps if s.action in rank]):
        if a.stage == b.stage:
            assert rank[a.action] <= rank[b.action], "opened before closed"
    excluded = [g for g in t.later.get("exclusive", ()) if len(shut.intersection(g)) < 2]
    for s in p.steps:
        trial = Trial(t, case, STAGES.index(s.stage), p.phase)
        if s.action == OPEN:
            assert s.id in shut
            assert s.id in trial.operable or s.id in trial.must_open
            shut.discard(s.id)
        elif s.action in (CLOSE, RECLOSE):
            assert s.id not in shut
            assert s.id in trial.operable
            shut.add(s.id)
        elif s.action == MATE:
            assert s.id in trial.handmated
            unmated.discard(s.id)
        assert not any(len(shut.intersection(g)) > 1 for g in excluded), "exclusive switches closed together on the way"
        off = {i for i, c in t.components.items() if c.is_switched and i not in shut} | unmated
        live = trial.liveness(off, set(t.loads), {})
        for point in trial.selectors:
            on = [u for u in trial.upstream.get(point, ()) if u in live and t.components[u].is_switched]
            if len(on) > 1:
                text = f"{point} takes one feed at a time"
                assert any(text in x for step in p.steps for x in step.remarks) or any(text in x for x in p.findings)
        for consumer in s.restores:
            assert consumer in live, f"{consumer} is said to come back, but has no power"
    for i, to in p.operations:
        assert (i in shut) == (to == "closed")


@pytest.mark.parametrize("seed", range(40))
def test_plans_of_random_systems_keep_the_rules_and_reach_the_optimum(seed: int) -> None:
    t = random_rated_system(seed)
    rng = random.Random(seed)
    single = list_events(t, ("loss",))
    for case in ((rng.choice(single),), tuple(rng.sample(single, 2)), (rng.choice(list_events(t, ("short",))),)):
        for p in plan_restoration(t, case).plans:
            assert p.proved
            replay(t, case, p)
            trial = Trial(t, case, 3, p.phase)
            best, got = trial.best(), trial.value(set(p.served) & set(t.loads) & set(trial.judged))
            assert got <= best.value or best.joined
            if not any(c.needs for c in t.components.values()) and not best.joined:
                # Without needs nothing has to be started, so the way cannot cost anything.
                assert got == best.value, (seed, case, p.phase)


def test_the_command(tmp_path: Path) -> None:
    file = Path(__file__).parent.parent / "topologies" / "two-channels.yaml"
    runner = CliRunner()
    shown = runner.invoke(program, ["restore", str(file), "--fail", "nowhere"])
    assert isinstance(shown.exception, PowerfaultError)
    t = tmp_path / "t.yaml"
    t.write_text(TWO_SIDES)
    picture = tmp_path / "plan.svg"
    done = runner.invoke(program, ["restore", str(t), "--fail", "S-A", "--json", "-o", str(picture)])
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    assert [s["action"] for s in found["plans"][0]["steps"]] == ["shed", "close"]
    assert found["plans"][0]["dark"][0]["cause"] == "no capacity"
    assert "brings back LA" in picture.read_text()
    words = runner.invoke(program, ["restore", str(t), "--fail", "S-A"])
    assert "close TIE: brings back LA" in words.output
    with pytest.raises(RequestError):
        plan_restoration(topology(two_sides(), FEEDS, {"LA": "A"}), [], phases=["noon"])
