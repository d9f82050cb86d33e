"""Minimal cut sets found directly equal those found by enumeration; a cut set fails, and no part of it does."""

from __future__ import annotations

import random
from itertools import combinations

import numpy as np
import pytest
from bench.systems import channels_system
from random_coolant import random_cooled_topology
from random_topologies import random_topology

from powerfault.failures.case_state import case_states
from powerfault.failures.clusters import plan_system
from powerfault.failures.lane_order import piece_rows
from powerfault.failures.outcomes import evaluate_system
from powerfault.model.elements import MODES, OUTCOMES, Event, Topology
from powerfault.network.graph import build_network
from powerfault.tolerance.cutsets import enumerated as cutsets
from powerfault.tolerance.cutsets.direct import direct_cut_sets
from powerfault.tolerance.cutsets.enumerated import cut_sets_of_system, minimal_cut_sets
from powerfault.tolerance.verdicts import rides_through_stages


def both(topology: Topology, order: int, modes: tuple[str, ...]) -> tuple[list[list[object]], list[list[object]]]:
    system = plan_system(build_network(topology), order, modes)
    rides = rides_through_stages(topology)
    enumerated = minimal_cut_sets(evaluate_system(system), rides)
    direct = direct_cut_sets(system, rides)
    assert [c.smallest for c in enumerated] == [c.smallest for c in direct]
    for cuts in (*enumerated, *direct):
        for size in range(order + 2):
            assert cuts.of_size(size) == [cut for cut in cuts if len(cut) == size]
    return [list(c) for c in enumerated], [list(c) for c in direct]


@pytest.mark.parametrize("first", range(0, 80, 10))
def test_direct_equals_enumeration_on_random_systems(first: int) -> None:
    for seed in range(first, first + 10):
        topology = random_topology(seed) if seed % 3 else random_cooled_topology(seed)
        modes = MODES if seed % 2 else ("loss",)
        enumerated, direct = both(topology, 3 if modes == ("loss",) else 2, modes)
        assert enumerated == direct, seed


def test_direct_equals_enumeration_on_channels() -> None:
    enumerated, direct = both(channels_system(3), 3, ("loss",))
    assert enumerated == direct
    assert any(len(c) == 3 for own in direct for c in own)


def by_hand(topology: Topology, order: int, modes: tuple[str, ...]) -> list[list[tuple[Event, ...]]]:
    """Every case looked at by itself, against the cut sets found before it."""
    system = plan_system(build_network(topology), order, modes)
    table, rides = evaluate_system(system), rides_through_stages(topology)
    found: list[list[tuple[Event, ...]]] = [[] for _ in rides]
    for i, ride in enumerate(rides):
        known: set[frozenset[int]] = {frozenset()} if table.baseline[i] > ride else set()
        for block in table.blocks:
            for case in block.cases[block.outcomes[:, i] > ride].tolist():
                if not any(frozenset(part) in known for k in range(len(case)) for part in combinations(case, k)):
                    known.add(frozenset(case))
        cases = sorted((len(own), *sorted(own)) for own in known)
        found[i] = [tuple(table.events[e] for e in own[1:]) for own in cases]
    return found


@pytest.mark.parametrize(("unranked_ns", "pieces"), [(0, 1 << 19), (1 << 40, 1 << 19), (200, 64), (1 << 40, 192)])
def test_cut_sets_are_those_of_looking_at_each_case(
    unranked_ns: int, pieces: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However smaller cut sets are struck out, and in whatever pieces the cases come, kept or not."""
    monkeypatch.setattr(cutsets, "UNRANKED_NS", unranked_ns)
    monkeypatch.setattr("powerfault.failures.clusters.LANES_AT_ONCE", pieces)
    systems = [random_topology(seed, 6, 9) for seed in range(400, 412)]
    for seed, topology in enumerate([*systems, channels_system(2)]):
        order, modes = (4, ("loss",)) if seed % 2 else (3 if seed < 12 else 2, ("loss", "short"))
        want = by_hand(topology, order, modes)
        system = plan_system(build_network(topology), order, modes)
        rides = rides_through_stages(topology)
        assert [list(c) for c in minimal_cut_sets(evaluate_system(system), rides)] == want, seed
        progress: dict[int, int] = {}
        found = cut_sets_of_system(system, rides, progress.__setitem__)
        assert [list(c) for c in found] == want, seed
        assert max(progress) == system.lane_count


@pytest.mark.parametrize("unranked_ns", [0, 200, 1 << 40])
@pytest.mark.parametrize("piece", [64, 192, 1 << 19])
def test_the_minimal_failing_combinations_are_found_whatever_fails(
    piece: int, unranked_ns: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cutsets, "UNRANKED_NS", unranked_ns)
    draw = random.Random(piece)
    for _ in range(40):
        q, order = draw.randint(0, 9), draw.randint(1, 5)
        cuts = [frozenset(draw.sample(range(q), min(q, draw.randint(1, 5)))) for _ in range(draw.choice([0, 1, 4, 9]))]
        if q and draw.random() < 0.1:
            cuts.append(frozenset())  # fails with nothing failed
        listed = [set(c) for k in range(order + 1) for c in sorted(combinations(range(q), k), key=lambda c: c[::-1])]
        fails = np.array([any(cut <= held for cut in cuts) for held in listed])
        minimal = cutsets._Minimal(q, order)
        for begin in range(0, len(listed), piece):
            end = min(len(listed), begin + piece)
            bits = np.zeros(-(-(end - begin) // 64) * 64, bool)
            bits[: end - begin] = fails[begin:end]
            failing = np.packbits(bits, bitorder="little").view(np.uint64)
            minimal.add(failing, piece_rows(q, order, begin, end), begin, end)
        found = [frozenset(row) for chosen in minimal.combinations() for row in chosen.tolist()]
        assert len(found) == len(set(found))
        assert set(found) == {c for c in cuts if len(c) <= order and not any(other < c for other in cuts)}


@pytest.mark.parametrize("seed", range(300, 330))
def test_a_cut_set_fails_its_consumer_and_no_part_of_it_does(seed: int) -> None:
    topology = random_topology(seed)
    network, rides = build_network(topology), rides_through_stages(topology)
    system = plan_system(network, 2, MODES)
    for i, own in enumerate(direct_cut_sets(system, rides)):
        consumer = network.ids[network.n_components + i]
        for cut in list(own)[:20]:
            parts = [part for k in range(len(cut)) for part in combinations(cut, k)]
            states = case_states(network, [cut, *parts])
            fails = [OUTCOMES.index(s.outcomes[consumer]) > rides[i] for s in states]
            assert fails[0], (seed, consumer, cut)
            assert not any(fails[1:]), (seed, consumer, cut)
