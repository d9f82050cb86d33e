"""Structure functions against the slow reference, state by state; and bounds against the exact functions."""

from __future__ import annotations

import itertools
import random
from dataclasses import replace

import numpy as np
import pytest
from build import events, topology
from random_coolant import random_cooled_topology
from random_topologies import random_topology
from reference import System

from powerfault.model.elements import MODES, OUTCOMES, STAGES, Event, Need, Topology
from powerfault.network.failure_modes import list_events
from powerfault.reliability.brackets import bracket_structure
from powerfault.reliability.decision_diagram import DiagramTooLargeError
from powerfault.reliability.diagram_values import probability
from powerfault.reliability.structure import build_structure
from powerfault.reliability.variables import SharedCause, list_variables


def fails(system: System, case: tuple[Event, ...]) -> dict[str, bool]:
    """Which consumers a case fails, by the reference."""
    t = system.topology
    found = system.evaluate(case)
    return {c.id: OUTCOMES.index(found.outcomes[c.id]) > STAGES.index(t.rides_through(c)) for c in t.consumers()}


def random_cases(t: Topology, modes: tuple[str, ...], rng: random.Random, count: int) -> list[tuple[Event, ...]]:
    by_component: dict[str, list[Event]] = {}
    for e in list_events(t, modes):
        by_component.setdefault(e.id, []).append(e)
    cases = []
    for _ in range(count):
        chosen = rng.sample(list(by_component), rng.randint(0, min(5, len(by_component))))
        cases.append(tuple(rng.choice(by_component[c]) for c in chosen))
    return cases


def check_states(seed: int, modes: tuple[str, ...], count: int) -> None:
    t = random_topology(seed, 5, 12)
    structure, system = build_structure(t, modes), System(t)
    level = {v.name: i for i, v in enumerate(structure.variables)}
    for case in random_cases(t, modes, random.Random(seed), count):
        for id_, expected in fails(system, case).items():
            own = structure.failing[id_]
            got = own.diagram.value(own.lower, [level[str(e)] for e in case])
            assert got == expected, (seed, case, id_)


@pytest.mark.parametrize("seed", range(60))
@pytest.mark.parametrize("modes", [("loss",), MODES], ids=["loss", "all"])
def test_every_state_is_judged_as_the_reference_judges_it(seed: int, modes: tuple[str, ...]) -> None:
    check_states(seed, modes, 20)


@pytest.mark.parametrize("seed", range(30))
def test_coolant_and_leaks_are_judged_as_the_reference_judges_them(seed: int) -> None:
    t = random_cooled_topology(seed)
    structure, system = build_structure(t, MODES), System(t)
    level = {v.name: i for i, v in enumerate(structure.variables)}
    for case in random_cases(t, MODES, random.Random(seed), 15):
        for id_, expected in fails(system, case).items():
            own = structure.failing[id_]
            assert own.diagram.value(own.lower, [level[str(e)] for e in case]) == expected, (seed, case, id_)


@pytest.mark.full
@pytest.mark.parametrize("seed", range(60, 1500))
def test_every_state_is_judged_as_the_reference_judges_it_at_length(seed: int) -> None:
    check_states(seed, MODES if seed % 3 else ("loss",), 40)


@pytest.mark.parametrize("seed", range(40))
def test_minimal_cut_sets_are_those_of_enumeration(seed: int) -> None:
    t = random_topology(seed, 5, 10)
    modes = MODES if seed % 2 else ("loss",)
    enumerated = list_events(t, modes)
    if len(enumerated) > 16:
        enumerated = list_events(t, modes := ("loss",))
    structure, system = build_structure(t, modes), System(t)
    minimal: dict[str, set[frozenset[str]]] = {c.id: set() for c in t.consumers()}
    for k in range(4):
        for case in itertools.combinations(enumerated, k):
            if len({e.id for e in case}) == k:
                names = frozenset(map(str, case))
                for id_, failing in fails(system, case).items():
                    if failing and not any(m <= names for m in minimal[id_]):
                        minimal[id_].add(names)
    for id_, expected in minimal.items():
        assert {frozenset(v.name for v in cut) for cut in structure.minimal_cut_sets(id_, 3)} == expected


@pytest.mark.parametrize("seed", range(25))
def test_a_common_cause_is_the_case_of_all_its_members(seed: int) -> None:
    t = random_topology(seed, 9, 14)
    rng = random.Random(seed)
    able = [e.id for e in list_events(t)]
    members = rng.sample(able, 2)
    cause = SharedCause("shared", tuple(map(Event, members)))
    structure, system = build_structure(t, ("loss",), [cause]), System(t)
    level = {v.name: i for i, v in enumerate(structure.variables)}
    for case in random_cases(t, ("loss",), rng, 15):
        together = tuple(dict.fromkeys([*case, *cause.events]))
        for id_, expected in fails(system, together).items():
            own = structure.failing[id_]
            true = [level[str(e)] for e in case] + [level["cause shared"]]
            assert own.diagram.value(own.lower, true) == expected


@pytest.mark.parametrize("seed", range(40))
def test_an_operation_that_fails_leaves_its_switch_stuck(seed: int) -> None:
    t = random_topology(seed, 6, 12)
    switched = [c.id for c in t.components.values() if c.is_switched and c.id not in {e.id for e in t.standing}]
    structure, system = build_structure(t, ("loss",), (), switched), System(t)
    level = {v.name: i for i, v in enumerate(structure.variables)}
    rng = random.Random(seed)
    for case in random_cases(t, ("loss",), rng, 12):
        taken = {e.id for e in case}
        stuck = [i for i in switched if i not in taken and rng.random() < 0.5]
        together = (*case, *(Event(i, "stuck") for i in stuck))
        for id_, expected in fails(system, together).items():
            own = structure.failing[id_]
            true = [level[str(e)] for e in case] + [level[f"operation {i}"] for i in stuck]
            assert own.diagram.value(own.lower, true) == expected


def test_variables_are_listed_for_events_causes_and_operations() -> None:
    t = topology(
        {
            "S": "source",
            "A": {"kind": "switch", "normally": "open", "operated": "manual"},
            "J": {"kind": "jumper", "mated": False, "crew_may_mate": True},
            "K": {"kind": "jumper", "mated": False},
            "B": "bus",
        },
        ["S -> A -> B", "S -> J -> B", "S -> K -> B"],
        loads={"L": "B"},
        standing="B",
    )
    cause = SharedCause("tray", (Event("A"), Event("B"), Event("J")))
    found = list_variables(t, ("loss",), [cause], t.components)
    assert [v.name for v in found] == ["S", "A", "J", "K", "cause tray", "operation A", "operation J"]
    by_name = {v.name: v for v in found}
    assert by_name["cause tray"].events == events("A J")  # what stands failed is not failed again
    assert by_name["operation A"].events == events("A:stuck")
    assert by_name["operation J"].events == events("J")
    assert {by_name["operation A"].stage, by_name["operation J"].stage} == {"manual"}


# ---- limits and bounds


def grid(n: int) -> Topology:
    """An n by n mesh of buses and ties, a source in one corner and a load in the other."""
    components: dict[str, str] = {"S": "source"}
    feeds = ["S -> B0.0"]
    for i, j in itertools.product(range(n), repeat=2):
        components[f"B{i}.{j}"] = "bus"
        for a, b in ((i + 1, j), (i, j + 1)):
            if a < n and b < n:
                components[f"T{i}.{j}-{a}.{b}"] = "breaker"
                feeds.append(f"B{i}.{j} <-> T{i}.{j}-{a}.{b} <-> B{a}.{b}")
    return topology(components, feeds, loads={"L": f"B{n - 1}.{n - 1}", "NEAR": "B0.1"})


def test_too_large_is_said_and_what_is_done_by_then_kept() -> None:
    mesh = grid(6)
    with pytest.raises(DiagramTooLargeError):
        build_structure(mesh, node_limit=3000)
    assert build_structure(mesh, node_limit=3000, partial=True).failing == {}


@pytest.mark.parametrize("seed", range(24))
def test_bounds_hold_the_exact_value_between_them(seed: int) -> None:
    t = random_topology(seed, 8, 14)
    modes = MODES if seed % 2 else ("loss",)
    exact = build_structure(t, modes)
    q = np.full(len(exact.variables), 0.02)
    bounds = bracket_structure(t, modes, (), (), lambda v: np.full(len(v), 0.02), gap=0.01)
    assert [v.name for v in bounds.variables] == [v.name for v in exact.variables]
    for id_, own in bounds.failing.items():
        truth = exact.failing[id_]
        u = float(probability(truth.diagram, truth.lower, q))
        low, high = (float(probability(own.diagram, node, q)) for node in (own.lower, own.upper))
        assert low <= u * (1 + 1e-12)
        assert u <= high * (1 + 1e-12)
        assert high - low <= 0.011 * low + 1e-15
        if own.exact:
            assert low == pytest.approx(u, rel=1e-12)


@pytest.mark.parametrize("seed", range(0, 24, 3))
def test_bounds_hold_at_other_probabilities_too(seed: int) -> None:
    """They are bounds of the function, not of one number."""
    t = random_topology(seed, 8, 14)
    exact = build_structure(t)
    bounds = bracket_structure(t, ("loss",), (), (), lambda v: np.full(len(v), 0.001), gap=0.1)
    rng = np.random.default_rng(seed)
    for _ in range(5):
        q = rng.random(len(exact.variables))
        for id_, own in bounds.failing.items():
            truth = exact.failing[id_]
            u = float(probability(truth.diagram, truth.lower, q))
            low, high = (float(probability(own.diagram, node, q)) for node in (own.lower, own.upper))
            assert low <= u + 1e-12
            assert u <= high + 1e-12


def test_bounds_close_on_a_mesh_and_equal_its_exact_value() -> None:
    mesh = grid(4)
    exact = build_structure(mesh)
    q = np.full(len(exact.variables), 1e-3)
    bounds = bracket_structure(mesh, ("loss",), (), (), lambda v: np.full(len(v), 1e-3), gap=0.001)
    for id_, own in bounds.failing.items():
        truth = exact.failing[id_]
        u = float(probability(truth.diagram, truth.lower, q))
        low, high = (float(probability(own.diagram, node, q)) for node in (own.lower, own.upper))
        assert low <= u * (1 + 1e-12) <= high * (1 + 2e-12)
        assert (high - low) / low < 0.001


def test_the_same_input_gives_the_same_bounds() -> None:
    mesh = grid(4)
    found = []
    for _ in range(2):
        b = bracket_structure(mesh, ("loss",), (), (), lambda v: np.full(len(v), 1e-2), gap=0.01)
        q = np.full(len(b.variables), 1e-2)
        found.append([float(probability(x.diagram, n, q)) for x in b.failing.values() for n in (x.lower, x.upper)])
    assert found[0] == found[1]


def test_what_is_known_is_taken_over() -> None:
    mesh = grid(3)
    exact = build_structure(mesh)
    kept = {"L": exact.failing["L"]}
    b = bracket_structure(mesh, ("loss",), (), (), lambda v: np.full(len(v), 1e-2), known=kept)
    assert b.failing["L"] is kept["L"]
    assert b.failing["NEAR"] is not exact.failing["NEAR"]


def test_consumers_that_never_or_always_fail() -> None:
    t = topology(
        {"S": {"kind": "source", "can_fail": False}, "B": {"kind": "bus", "can_fail": False}, "C": "bus"},
        ["S -> B"],
        loads={"SAFE": "B", "DARK": "C"},
    )
    b = bracket_structure(t, ("loss",), (), (), lambda v: np.full(len(v), 1e-2))
    assert (b.failing["SAFE"].lower, b.failing["SAFE"].upper) == (0, 0)
    assert (b.failing["DARK"].lower, b.failing["DARK"].upper) == (1, 1)
    e = build_structure(t)
    assert e.failing["SAFE"].lower == 0
    assert e.failing["DARK"].lower == 1


def test_borne_needs_are_judged_over_all_stages() -> None:
    """A need whose interruption is borne ties stage 0 to later ones; partial results must not cut that off."""
    t = topology(
        {
            "S": "source",
            "X": "source",
            "TIE": {"kind": "switch", "normally": "open", "operated": "commanded"},
            "B": "bus",
            "C": "bus",
            "D": "bus",
        },
        ["S -> B", "S -> C", "X -> TIE -> D", "S -> D"],
        loads={"PUMP": "D", "L": "B"},
    )
    t = replace(t, loads={**t.loads, "L": replace(t.loads["L"], needs=(Need("PUMP", "commanded"),))})
    structure, system = build_structure(t), System(t)
    level = {v.name: i for i, v in enumerate(structure.variables)}
    for k in range(4):
        for case in itertools.combinations(list_events(t), k):
            for id_, expected in fails(system, case).items():
                own = structure.failing[id_]
                assert own.diagram.value(own.lower, [level[str(e)] for e in case]) == expected
