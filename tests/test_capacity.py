"""Served load under ratings: textbook figures, flow certificates, and the optimum against trying everything."""

from __future__ import annotations

import random
from typing import Any

import pytest
from tests.build import events, topology
from tests.served_load import Trial, random_rated_system

from powerfault.measures.capacity import UNPROVED, Allocator, ServedCase, describe, optimise
from powerfault.measures.configuration import faults_of
from powerfault.measures.plant import build_plant
from powerfault.measures.service_bounds import prove_service, value_of
from powerfault.measures.surviving import split, survivors
from powerfault.model.elements import STAGES, Event, Phase, Topology
from powerfault.network.failure_modes import list_events
from powerfault.network.graph import build_network


def compare_with_trying_everything(t: Topology, case: tuple[Event, ...], stage: int) -> None:
    plant = build_plant(build_network(t))
    for phase, surviving in survivors(plant, [case], stage)[0].items():
        best = Trial(t, case, stage, phase).best()
        parts = split(plant, surviving)
        found = Allocator(plant).serve(surviving)
        said = describe(plant, surviving, case, found)
        where = f"{t.name} {' '.join(map(str, case))} {STAGES[stage]} {phase}"
        assert said.proved, f"{where}: {said.findings}"
        judged = said.service.served & plant.judged[phase]
        assert value_of(plant, phase, judged) == best.value, where
        assert len(said.operations) == best.operations, where
        assert sum("must not be paralleled, but a closed path" in x for x in said.findings) == best.joined, where
        # The solver alone, and the bounds alone where they prove something, agree.
        for part in parts:
            solved = optimise(plant, part)
            assert solved.proof != UNPROVED, f"{where}: {solved.remark}"
            proved = prove_service(plant, part)
            if proved is not None:
                assert value_of(plant, phase, proved.served) == value_of(plant, phase, solved.service.served), where


def random_cases(seed: int) -> tuple[Topology, list[tuple[tuple[Event, ...], int]]]:
    rng = random.Random(seed)
    t = random_rated_system(seed)
    singles = list_events(t, ("loss",))
    cases: list[tuple[tuple[Event, ...], int]] = [((), 2)]
    cases.append(((rng.choice(singles),), rng.choice([1, 2, 3])))
    cases.append((tuple(rng.sample(singles, 2)), rng.choice([0, 2, 2, 3])))
    other = [e for e in list_events(t, ("short", "stuck", "closed"))]
    cases.append(((rng.choice(other),), rng.choice([1, 2, 3])))
    return t, cases


@pytest.mark.parametrize("seed", range(60))
def test_optimum_equals_trying_all_positions_and_loads(seed: int) -> None:
    t, cases = random_cases(seed)
    for case, stage in cases:
        compare_with_trying_everything(t, case, stage)
