"""The plan checker against a second, slow one written from the rules alone, on sound plans and on mutants of them."""

from __future__ import annotations

import random

import pytest

from powerfault.fitting.outing.reader import read_plan_text
from powerfault.fitting.outing.study import PlanStudy, study_plan
from powerfault.model.reader import read_topology_text
from tests import plans
from tests.plan_cases import DANGEROUS, SOUND, Case
from tests.plan_reference import Reference

BASES = ((plans.ONE, plans.FULL), (plans.BARE, plans.NONE), (plans.TWO, plans.FULL))


def judged(text: str, system: str = plans.SYSTEM) -> PlanStudy:
    topology = read_topology_text(system, "system.yaml")
    return study_plan(topology, read_plan_text(text, topology, "plan.yaml"), order=0, find_order=False)


def differences(seeds: range) -> tuple[list[str], int]:
    """What the two say differently about mutants, and how many mutants are sound."""
    found, sound = [], 0
    for seed in seeds:
        rng = random.Random(seed)
        steps, practice = rng.choice(BASES)
        for _ in range(rng.choice((1, 1, 2))):
            steps = plans.mutant(steps, rng)
        text = plans.plan(steps, practice)
        study, slow = judged(text), Reference(plans.SYSTEM, text)
        sound += slow.sound()
        if study.refused == slow.sound():
            said = [f.message for f in study.findings if f.refuses]
            found.append(f"{seed}: {said or 'sound'}, by the reference: {slow.why or 'sound'}\n{text}")
    return found, sound


@pytest.mark.parametrize("base", BASES, ids=("one outing", "least practice", "two outings"))
def test_the_plans_that_are_changed_are_sound_by_both(base: tuple[plans.Steps, dict[str, bool]]) -> None:
    text = plans.plan(*base)
    assert [f.message for f in judged(text).findings if f.refuses] == []
    assert Reference(plans.SYSTEM, text).sound()


def test_every_mutant_is_sound_by_both_or_refused_by_both() -> None:
    found, sound = differences(range(100))
    assert found == []
    assert 20 < sound < 80, "mutants of one sort alone compare nothing"


@pytest.mark.full
@pytest.mark.parametrize("start", range(1000, 3000, 500))
def test_many_mutants_are_sound_by_both_or_refused_by_both(start: int) -> None:
    assert differences(range(start, start + 500))[0] == []


def test_an_earth_beyond_a_jumper_that_no_step_names_is_seen() -> None:
    # ILO takes the tag off QB as soon as his own earth is off; that of UMA at the far end may still be on.
    text = plans.plan(plans.change(plans.ONE, "free-b", after=["lift-b"]), plans.FULL)
    said = [f.message for f in judged(text).findings if f.refuses]
    assert "free-b: QB is freed onto the earth at CA" in said
    assert not Reference(plans.SYSTEM, text).sound()


@pytest.mark.parametrize("case", SOUND, ids=lambda c: c.name)
def test_a_sound_plan_is_in_order(case: Case) -> None:
    study, slow = both(case)
    assert [f.message for f in study.findings if f.refuses] == []
    assert not case.twin or slow.sound(), slow.why


@pytest.mark.parametrize("case", DANGEROUS, ids=lambda c: c.name)
def test_a_dangerous_plan_is_refused_by_its_rule(case: Case) -> None:
    study, slow = both(case)
    assert case.rule in {f.rule for f in study.findings if f.refuses}
    assert not case.twin or not slow.sound()
    assert case.source


def both(case: Case) -> tuple[PlanStudy, Reference]:
    system, text = case.texts()
    return judged(text, system), Reference(system, text)


def test_a_proposal_that_only_changes_values_needs_a_step_at_what_it_changes() -> None:
    system = plans.SYSTEM.replace("  TIE:\n", "  SWAP: {set: {QB: {rating_kw: 4}}}\n  TIE:\n")
    away = plans.steps("- {id: go, do: travel, to: west, who: ILO, after: []}")
    study = judged(plans.plan(away, plans.NONE).replace("[TIE]", "[SWAP]"), system)
    said = "SWAP is fitted by the plan, but no step touches what it changes: QB"
    assert said in [f.message for f in study.findings if f.refuses]
