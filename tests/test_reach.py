"""Served load and plans against the visit of every state that can be reached, over random systems with controllers."""

from __future__ import annotations

import random

import pytest

from powerfault.electrical.restore.study import plan_restoration
from powerfault.electrical.served.study import capacity_study
from powerfault.model.elements import STAGES, Topology
from powerfault.model.warnings import topology_warnings
from powerfault.network.failure_modes import list_events
from tests.build import topology
from tests.slow_switching import SlowStates, random_controlled_system


def controlled() -> Topology:
    """A controller that asks more than there is, and a load that only its switch could bring back."""
    return topology(
        {"S": {"kind": "source", "capacity_kw": 1.0}, "T": "source", "A": "bus", "B": "bus",
         "K": {"kind": "breaker", "normally": "open", "operated": "commanded", "operated_by": "CTRL"}},
        ["S -> A", "T -> B", "A -> K -> B"],
        {"CTRL": {"fed_by": "A", "demand_kw": 1.2, "priority": 1},
         "X": {"fed_by": "B", "demand_kw": 0.9, "priority": 2}},
    )  # fmt: skip


def test_a_controller_without_power_operates_nothing() -> None:
    t = controlled()
    (case,) = capacity_study(t, failed=["T"], stage="commanded").cases
    assert case.served == frozenset()
    assert case.operations == ()
    assert case.proved
    (plan,) = plan_restoration(t, ["T"]).plans
    assert plan.served == frozenset()
    assert plan.proved
    assert [(s.action, s.id) for s in plan.steps] == [("shed", "CTRL")]


def agree(seed: int, *, stages: tuple[int, ...]) -> None:
    t = random_controlled_system(seed)
    rng = random.Random(seed)
    for mode in ("loss", "short"):
        failed = (rng.choice(list_events(t, (mode,))),)
        for plan in plan_restoration(t, failed).plans:
            slow = SlowStates(t, failed, 3, plan.phase)
            value, _ = slow.best()
            got = slow.trial.value(set(plan.served) & set(slow.loads))
            assert got == value or (not plan.proved and got < value), (seed, failed, plan.phase, got, value)
        for stage in stages:
            for case in capacity_study(t, failed=failed, stage=STAGES[stage]).cases:
                slow = SlowStates(t, failed, stage, case.phase)
                value, operations = slow.best()
                got = slow.trial.value(set(case.served) & set(slow.loads))
                where = seed, failed, case.phase, STAGES[stage]
                if case.proved:
                    assert (got, len(case.operations)) == (value, operations), where
                else:
                    assert got <= value, where


@pytest.mark.parametrize("seed", [1, 4, 9, 16])
def test_served_load_is_the_best_that_can_be_reached(seed: int) -> None:
    agree(seed, stages=(2,))


@pytest.mark.full
@pytest.mark.parametrize("seed", range(20, 34))
def test_served_load_is_the_best_that_can_be_reached_in_many(seed: int) -> None:
    agree(seed, stages=(1, 2, 3))


def test_a_load_shed_before_one_whose_loss_is_less_severe_is_said() -> None:
    t = topology(
        {"S": {"kind": "source", "capacity_kw": 2.0}, "R": {"kind": "source", "capacity_kw": 2.0}, "B": "bus"},
        ["S -> B", "R -> B"],
        {"FAN": {"fed_by": "B", "demand_kw": 2.0, "priority": 2, "severity": "critical"},
         "LAMP": {"fed_by": "B", "demand_kw": 2.0, "priority": 1, "severity": "minor"}},
    )  # fmt: skip
    said = [w.message for w in topology_warnings(t)]
    assert any("is critical with priority 2, and is shed before LAMP" in text for text in said)
    assert not any("is minor with priority" in text for text in said)
    (plan,) = plan_restoration(t, ["S"]).plans
    assert [(s.action, s.id) for s in plan.steps] == [("shed", "FAN")]
    assert "caution: by priority it is shed before LAMP, whose loss is less severe" in plan.steps[0].remarks
