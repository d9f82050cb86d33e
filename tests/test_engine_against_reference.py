"""The engine equals the reference, and what both compute is coherent, on random systems of every kind of corner.

Seeds are fixed: the same systems every time. ``-m full`` runs more of them, larger ones and order 3.
"""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import replace
from itertools import combinations
from typing import Any

import pytest
from build import spell
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from random_topologies import drawn_out, random_parts, random_topology, topologies
from reference import (
    System,
    enumerate_cases,
    list_cases,
    list_events,
    reference_compare,
    reference_results,
    results_of,
)

from powerfault.failures.case_state import case_states
from powerfault.model.elements import CLEARING_KINDS, MODES, OUTCOMES, STAGES, Event, Function, Topology
from powerfault.network.graph import build_network
from powerfault.tolerance.comparison.study import compare
from powerfault.tolerance.study import study

QUICK = range(300)
BLOCKS_OF_MORE = [range(n, n + 250) for n in range(300, 2300, 250)]


def results_by_engine(topology: Topology, **question: Any) -> dict[str, Any]:
    return study(topology, **question, by_phase=True).to_json()


def assert_same_results(topology: Topology, **question: Any) -> None:
    expected = reference_results(topology, **question, by_phase=True)
    found = results_by_engine(topology, **question)
    for key, value in expected.items():
        if key == "cases":
            for a, b in zip(value, found["cases"], strict=False):
                assert b == a, f"case {a['failed']}\n{spell(topology)}"
            assert len(found["cases"]) == len(value), spell(topology)
        else:
            assert found[key] == value, f"{key}\n{spell(topology)}"


def test_quick_engine_equals_reference() -> None:
    for seed in QUICK:
        assert_same_results(random_topology(seed), order=2, modes=MODES)


@pytest.mark.full
@pytest.mark.timeout(1500)
@pytest.mark.parametrize("seeds", BLOCKS_OF_MORE, ids=lambda s: f"seeds {s.start} to {s.stop - 1}")
def test_engine_equals_reference(seeds: range) -> None:
    for seed in seeds:
        assert_same_results(random_topology(seed), order=2, modes=MODES)


def test_systems_of_several_parts() -> None:
    """Parts that share no consumer, or few: what an engine evaluates apart must come out as if together."""
    for seed in range(80_000, 80_010):
        assert_same_results(random_parts(seed, 2 + seed % 2, 5, 7), order=2, modes=MODES)
    for seed in range(80_010, 80_016):
        assert_same_results(random_parts(seed, 3, 5, 5), order=3, modes=("loss",))


@pytest.mark.full
@pytest.mark.timeout(1500)
def test_systems_of_several_parts_at_length() -> None:
    for seed in range(81_000, 81_080):
        assert_same_results(random_parts(seed, 2 + seed % 3), order=2, modes=MODES)
    for seed in range(81_080, 81_110):
        assert_same_results(random_parts(seed, 3, 5, 6), order=3, modes=("loss", "short"))


WAYS_OF_WORKING = {
    # Thresholds of the engine set so that small systems are worked as large ones are.
    "every cluster apart": {"clusters.ROW_COST": 0},
    "short pieces": {"clusters.LANES_AT_ONCE": 64},
    "words of an array": {"evaluation.LANES_AS_NUMBERS": 0},
    "all of these": {"clusters.ROW_COST": 0, "clusters.LANES_AT_ONCE": 128, "evaluation.LANES_AS_NUMBERS": 0},
}


@pytest.mark.parametrize("way", WAYS_OF_WORKING)
def test_ways_of_working_change_nothing(way: str, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in WAYS_OF_WORKING[way].items():
        monkeypatch.setattr(f"powerfault.failures.{name}", value)
    for seed in range(84_000, 84_010):
        assert_same_results(random_topology(seed, 6, 10), order=2, modes=MODES)
    for seed in range(84_010, 84_013):
        assert_same_results(random_parts(seed, 2, 5, 7), order=2, modes=MODES)


@pytest.mark.full
@pytest.mark.timeout(1500)
@pytest.mark.parametrize("way", WAYS_OF_WORKING)
def test_ways_of_working_change_nothing_at_length(way: str, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in WAYS_OF_WORKING[way].items():
        monkeypatch.setattr(f"powerfault.failures.{name}", value)
    for seed in range(85_000, 85_100):
        assert_same_results(random_topology(seed), order=2, modes=MODES)
    for seed in range(85_100, 85_140):
        assert_same_results(drawn_out(random_parts(seed, 2 + seed % 2), seed), order=2, modes=MODES)


def test_chains_whose_parts_fail_alike() -> None:
    for seed in range(82_000, 82_015):
        assert_same_results(drawn_out(random_topology(seed, 5, 9), seed), order=2, modes=MODES)
    for seed in range(82_015, 82_020):
        assert_same_results(drawn_out(random_topology(seed, 5, 7), seed, 4), order=3, modes=("loss", "short"))


@pytest.mark.full
@pytest.mark.timeout(1500)
def test_chains_whose_parts_fail_alike_at_length() -> None:
    for seed in range(83_000, 83_150):
        assert_same_results(drawn_out(random_topology(seed, 5, 12), seed, 8), order=2, modes=MODES)


@pytest.mark.full
@pytest.mark.timeout(1500)
def test_larger_systems() -> None:
    for seed in range(10_000, 10_060):
        assert_same_results(random_topology(seed, 15, 28), order=2, modes=MODES)


@pytest.mark.parametrize("seed", range(20_000, 20_012))
def test_order_three(seed: int) -> None:
    assert_same_results(random_topology(seed, 5, 8), order=3, modes=MODES)


@pytest.mark.full
def test_order_four() -> None:
    for seed in range(21_000, 21_012):
        assert_same_results(random_topology(seed, 5, 8), order=4, modes=("loss", "short"))


def test_modes_asked_for_and_given_events() -> None:
    for seed in range(30_000, 30_060):
        rng = random.Random(seed)
        topology = random_topology(rng)
        modes = tuple(rng.sample(MODES, rng.randint(1, 3)))
        free = [e for e in list_events(topology, MODES) if e.id not in {s.id for s in topology.standing}]
        given_event = (rng.choice(free),) if free else ()
        assert_same_results(topology, order=rng.choice([1, 2]), modes=modes, given=given_event)


def test_single_cases_in_full_detail() -> None:
    """What is live, in a zone, blocked, operable, charged and tripped, at each stage of each phase."""
    for seed in range(40_000, 40_120):
        rng = random.Random(seed)
        topology = random_topology(rng, 5, 18)
        every = list(list_cases(list_events(topology, MODES), 2))
        cases = [(), *rng.sample(every, min(12, len(every)))]
        system = System(topology)
        for case, state in zip(cases, case_states(build_network(topology), cases), strict=True):
            found = system.evaluate(case)
            message = f"{' '.join(map(str, case))}\n{spell(topology)}"
            assert state.tripped == found.tripped, message
            assert state.by_phase == found.by_phase, message
            assert state.outcomes == found.outcomes, message
            for stage in range(len(STAGES)):
                for phase in topology.phase_names:
                    at = f"stage {stage} {phase} {message}"
                    assert state.live[stage][phase] == found.live[stage][phase], at
                    assert state.zone[stage][phase] == found.zone[stage][phase], at
                    assert state.blocking[stage][phase] == found.blocking[stage][phase], at
                    assert state.operable[stage][phase] == found.operable[stage][phase], at
                limited = {c.id for c in topology.components.values() if c.charged_by}
                assert state.charged[stage] & limited == found.charged[stage] & limited, message


def test_many_cases_at_once_equal_one_at_a_time() -> None:
    """A case never depends on its neighbours: whole words of lanes and a single lane agree."""
    for seed in range(50_000, 50_020):
        topology = random_topology(seed)
        network = build_network(topology)
        cases = [(), *list_cases(list_events(topology, MODES), 2)]
        together = case_states(network, cases)
        rng = random.Random(seed)
        for i in rng.sample(range(len(cases)), min(8, len(cases))):
            (alone,) = case_states(network, [cases[i]])
            assert alone == together[i]


@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(topologies(5, 11))
def test_shrinking_engine_equals_reference(topology: Topology) -> None:
    assert_same_results(topology, order=2, modes=MODES)


@pytest.mark.full
@pytest.mark.timeout(1500)
@settings(max_examples=1000, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(topologies(5, 12), st.sampled_from([("loss",), ("short",), MODES]))
def test_shrinking_engine_equals_reference_at_length(topology: Topology, modes: tuple[str, ...]) -> None:
    assert_same_results(topology, order=2, modes=modes)


# Coherence: more failures never help, and later stages never serve less.


def rank(outcome: str) -> int:
    return OUTCOMES.index(outcome)


def assert_engine_coherent(topology: Topology, order: int = 2) -> None:
    consumers = [c.id for c in topology.consumers()]
    events = list_events(topology, MODES)
    result = study(topology, order=order, modes=MODES, by_phase=True)
    nothing: dict[str, str] = dict(result.to_json(cases=False)["nothing_failed"])
    (empty,) = case_states(build_network(topology), [()])
    found = {frozenset(): (nothing, {p: dict(o) for p, o in empty.by_phase.items()})}
    for case, outcomes, by_phase in result.iter_cases_by_phase():
        found[frozenset(case)] = (outcomes, by_phase)
    quiet: tuple[dict[str, str], dict[str, dict[str, str]]] = ({}, {})
    for case in list_cases(events, order):
        worse, worse_by_phase = found.get(frozenset(case), quiet)
        for fewer in combinations(case, len(case) - 1):
            better, better_by_phase = found.get(frozenset(fewer), quiet)
            for i in consumers:
                assert rank(worse.get(i, STAGES[0])) >= rank(better.get(i, STAGES[0])), (
                    f"{i}: {' '.join(map(str, case))} is better than {' '.join(map(str, fewer))}\n{spell(topology)}"
                )
                for p in topology.phase_names:
                    a = worse_by_phase.get(p, {}).get(i, STAGES[0])
                    b = better_by_phase.get(p, {}).get(i, STAGES[0])
                    assert rank(a) >= rank(b), f"{i} in {p}: {case} is better than {fewer}\n{spell(topology)}"


def assert_reference_coherent(topology: Topology, order: int = 2) -> None:
    every = enumerate_cases(topology, order, MODES).found
    for case, worse in every.items():
        for stage in range(1, len(STAGES)):
            for p in topology.phase_names:
                assert worse.live[stage - 1][p] <= worse.live[stage][p], f"{case}\n{spell(topology)}"
                assert worse.zone[stage][p] <= worse.zone[stage - 1][p], f"{case}\n{spell(topology)}"
        for event in case:
            better = every[case - {event}]
            message = f"{event} after {case - {event}}\n{spell(topology)}"
            assert better.tripped <= worse.tripped, message
            for stage in range(len(STAGES)):
                assert worse.charged[stage] <= better.charged[stage], message
                for p in topology.phase_names:
                    assert worse.live[stage][p] <= better.live[stage][p], message
                    assert better.zone[stage][p] <= worse.zone[stage][p], message
            for i, outcome in worse.outcomes.items():
                assert rank(outcome) >= rank(better.outcomes[i]), message


def test_a_further_failure_never_helps() -> None:
    for seed in range(60_000, 60_150):
        assert_engine_coherent(random_topology(seed))


def test_reference_never_helps_and_later_stages_never_serve_less() -> None:
    for seed in range(61_000, 61_050):
        assert_reference_coherent(random_topology(seed))


@pytest.mark.full
@pytest.mark.timeout(1500)
def test_coherence_at_length() -> None:
    for seed in range(62_000, 63_000):
        assert_reference_coherent(random_topology(seed))
    for seed in range(63_000, 63_060):
        assert_reference_coherent(random_topology(seed, 5, 8), order=3)
        assert_engine_coherent(random_topology(seed, 5, 8), order=3)


# Comparison


def with_jumper(topology: Topology, rng: random.Random) -> Topology:
    """The system with a tie of one or two new components between two of its passing ones, and sometimes one gone."""
    from powerfault.model.elements import Component

    passing = [i for i, c in topology.components.items() if not c.is_source and c.kind not in ("diode", "converter")]
    a, b = (rng.choice(passing), rng.choice(passing)) if passing else (None, None)
    if a is None or b is None:
        return topology
    kind = rng.choice(["jumper", "breaker", "switch"])
    new = Component(id="NEW", kind=kind, normally=rng.choice(["open", "closed"]) if kind != "jumper" else None)
    components = {**topology.components, "NEW": new}
    if rng.random() < 0.3:  # a change of what is there: other modes than before
        components[a] = replace(components[a], can_fail=False)
    links = dict.fromkeys([*topology.links, (a, "NEW"), ("NEW", b), (b, "NEW"), ("NEW", a)])
    return replace(topology, components=components, links=tuple(links), applied=("J",), added=frozenset({"NEW"}))


def test_comparison_equals_reference() -> None:
    for seed in range(70_000, 70_040):
        rng = random.Random(seed)
        before = random_topology(rng, 5, 10)
        after = with_jumper(before, rng)
        if rng.random() < 0.3:
            before, after = after, before
        modes = rng.choice([("loss",), ("loss", "short"), MODES])
        expected = reference_compare(before, after, order=2, modes=modes)
        changes = compare(before, after, order=2, modes=modes).to_json()["changes"]
        found = {c["id"]: c for c in changes}
        for i, change in expected.items():
            for key, value in change.items():
                assert found[i][key] == value, f"{i} {key}\nbefore\n{spell(before)}\nafter\n{spell(after)}"


# What the random systems are worth


def test_random_systems_hit_every_corner() -> None:
    """Counts over the quick seeds: each corner of the format turns up, and often enough to matter."""
    seen: Counter[str] = Counter()
    outcomes: Counter[str] = Counter()
    for seed in range(1000):
        t = random_topology(seed)
        both = set(t.links)
        components, consumers = t.components.values(), list(t.consumers())
        assert 5 <= len(t.components) + len(consumers) <= 14
        for a, b in t.links:
            assert a in t.components
            assert b in t.components
            for kind in ("diode", "converter"):
                if kind in (t.components[a].kind, t.components[b].kind):
                    assert (b, a) not in both, spell(t)
        seen.update({c.kind for c in components})
        marks = {
            "two phases": len(t.phases) > 1,
            "zero capacity": any(
                c.capacity_kw == 0 or (isinstance(c.capacity_kw, dict) and len(c.capacity_kw) < len(t.phases))
                for c in components
            ),
            "charge chain": any(
                c.charged_by and any(t.components[i].kind == "storage" for i in c.charged_by if i in t.components)
                for c in components
            ),
            "charged by a load or function": any(set(c.charged_by or ()) - set(t.components) for c in components),
            "always charged": any(c.kind == "storage" and c.charged_by is None for c in components),
            "self-need": any(n.id == x.id for x in [*components, *t.loads.values()] for n in x.needs),
            "needs": any(c.needs for c in components),
            "load with needs": any(x.needs for x in t.loads.values()),
            "source with needs": any(c.needs and c.is_source for c in components),
            "function of functions": any(set(f.of) & set(t.functions) for f in t.functions.values()),
            "function of components": any(set(f.of) & set(t.components) for f in t.functions.values()),
            "several of a function": any(f.at_least > 1 for f in t.functions.values()),
            "operated_by": any(c.operated_by for c in components),
            "automatic": any(c.operated == "automatic" for c in components),
            "manual": any(c.operated == "manual" for c in components),
            "normally open": any(c.normally_open for c in components),
            "common inputs": any(x.common_inputs and len(x.fed_by) > 1 for x in t.loads.values()),
            "load with short": any(x.modes for x in t.loads.values()),
            "not isolated": any(c.kind == "converter" and not c.isolated for c in components),
            "crew may mate": any(not c.mated and c.crew_may_mate for c in components),
            "nobody may mate": any(not c.mated and not c.crew_may_mate for c in components),
            "clears unusually": any(c.clears_faults and c.kind not in CLEARING_KINDS for c in components),
            "source that clears": any(c.clears_faults and c.is_source for c in components),
            "clears not": any(c.clears_faults is False for c in components),
            "component of several feeds": any(c.feeds_needed > 1 for c in components),
            "load of several feeds": any(x.feeds_needed > 1 for x in t.loads.values()),
            "two-way": any((b, a) in both for a, b in both),
            "link into a source": any(t.components[b].is_source for _, b in both),
            "standing": bool(t.standing),
            "standing short": any(e.mode == "short" for e in t.standing),
            "phase not judged": any(not x.judged_in(p) for x in t.loads.values() for p in t.phase_names),
            "demand of plain 0": any(x.demand_kw == 0 for x in t.loads.values()),
            "own modes": any(c.modes is not None for c in components),
            "cannot fail": any(not c.can_fail for c in components),
            "fed by a source": any(t.components[i].is_source for x in t.loads.values() for i in x.fed_by),
        }
        seen.update(name for name, there in marks.items() if there)
        cooled = {f.of for f in t.functions.values() if isinstance(f, Function)}
        if any(n.id in t.functions and t.functions[n.id].of in cooled for c in components for n in c.needs):
            seen["cooling loop"] += 1
        system = System(t)
        outcomes.update(system.evaluate(()).outcomes.values())
        for event in list_events(t, MODES)[:6]:
            outcomes.update(system.evaluate((event,)).outcomes.values())
    rare = {name: seen[name] for name in [*marks, "cooling loop"] if seen[name] < 15}
    assert not rare
    assert all(outcomes[o] > 100 for o in OUTCOMES), outcomes


def test_reference_refuses_two_events_on_one_component() -> None:
    t = random_topology(1)
    first = next(iter(t.components))
    with pytest.raises(ValueError, match="two events"):
        System(t).evaluate((Event(first), Event(first, "short")))


def test_results_of_reference_and_engine_have_the_contract_fields() -> None:
    t = random_topology(3)
    keys = ["format", "topology", "sha256", "order", "modes", "with", "standing", "events", "case_count"]
    keys += ["consumers", "cases"]
    assert list(results_of(enumerate_cases(t, 1))) == keys
    assert set(keys) <= set(results_by_engine(t, order=1))
