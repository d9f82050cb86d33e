"""The table of all cases: clusters put together, pieces shared and kept, cases written out sparsely."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from bench.systems import channels_system
from hypothesis import given, settings
from hypothesis import strategies as st
from random_topologies import random_topology

from powerfault.failures.cases import case_blocks, count_cases
from powerfault.failures.lane_order import rank, sizes, unrank
from powerfault.failures.outcomes import evaluate_table
from powerfault.model.elements import MODES, Event
from powerfault.network.graph import build_network
from powerfault.tolerance.study import study


@given(st.lists(st.integers(1, 3), min_size=1, max_size=8), st.integers(1, 4), st.integers(1, 30))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_cases_are_the_combinations_without_two_events_of_one_component(
    groups: list[int], order: int, at_once: int
) -> None:
    events = [Event(f"C{g}", MODES[m]) for g, count in enumerate(groups) for m in range(count)]
    found = [tuple(row) for block in case_blocks(events, order, at_once) for row in block.tolist()]
    wanted = [c for c in combinations(range(len(events)), order) if len({events[e].id for e in c}) == order]
    assert found == wanted
    assert count_cases(events, order)[order] == len(wanted)


@given(st.integers(0, 9), st.integers(0, 4))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_rank_and_unrank_are_inverse(q: int, k: int) -> None:
    count = sizes(q, k)[k]
    found = unrank(np.arange(count), q, k)
    assert sorted(map(tuple, found.tolist())) == sorted(combinations(range(q), k))
    assert rank(found, q).tolist() == list(range(count))


@pytest.mark.parametrize("seed", range(400, 440))
def test_touched_cases_are_the_written_ones(seed: int) -> None:
    table = evaluate_table(build_network(random_topology(seed)), 2, MODES)
    for block, run in zip(
        (b for k in (1, 2) for b in [_joined(table.of_order(k))] if b is not None),
        (r for k in (1, 2) for r in [_joined_runs(table, k)] if r is not None),
        strict=True,
    ):
        assert np.array_equal(block, run)


def _joined(blocks: object) -> np.ndarray | None:
    found = [b.outcomes for b in blocks]  # type: ignore[attr-defined]
    return np.concatenate(found) if found else None


def _joined_runs(table: object, k: int) -> np.ndarray | None:
    rows = []
    for run in table.touched():  # type: ignore[attr-defined]
        if run.cases.shape[1] == k:
            dense = np.zeros((len(run.cases), len(table.consumers)), np.uint8)  # type: ignore[attr-defined]
            dense[run.case, run.consumer] = run.outcome
            rows.append(dense)
    return np.concatenate(rows) if rows else None


def test_cut_sets_only_gives_the_same_verdicts() -> None:
    topology = channels_system(2)
    whole, only = study(topology, 3), study(topology, 3, cut_sets_only=True)
    assert [v.to_json() for v in whole.verdicts] == [v.to_json() for v in only.verdicts]
    assert whole.baseline == only.baseline
