"""The table of all cases: clusters put together, pieces shared and kept, cases written out sparsely."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from bench.systems import channels_system
from hypothesis import given, settings
from hypothesis import strategies as st
from random_topologies import random_topology

from powerfault.before_after import compare
from powerfault.errors import OutputError, TooLargeError
from powerfault.failures.cases import case_blocks, count_cases
from powerfault.failures.clusters import SystemPlan, plan_system
from powerfault.failures.evaluation import ClusterEvaluator
from powerfault.failures.lane_order import rank, sizes, unrank
from powerfault.failures.outcomes import evaluate_system, evaluate_table
from powerfault.model.elements import MODES, Event, Topology
from powerfault.network.graph import build_network
from powerfault.study import study


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


def small_pieces(topology: Topology, monkeypatch: pytest.MonkeyPatch) -> SystemPlan:
    monkeypatch.setattr("powerfault.failures.clusters.LANES_AT_ONCE", 256)
    return plan_system(build_network(topology), 2)


def test_processes_share_the_pieces_and_find_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    system = small_pieces(channels_system(2), monkeypatch)
    alone, shared = evaluate_system(system), evaluate_system(system, jobs=2)
    for a, b in zip(alone.clusters, shared.clusters, strict=True):
        assert np.array_equal(a.unserved, b.unserved)


def test_a_stopped_run_goes_on_from_the_pieces_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    system = small_pieces(channels_system(2), monkeypatch)
    whole = evaluate_system(system)
    evaluated: list[int] = []
    real = ClusterEvaluator.rows

    def counting(self: ClusterEvaluator, begin: int, end: int, out: np.ndarray) -> np.ndarray:
        evaluated.append(begin)
        if len(evaluated) == 3 and not tmp_path.joinpath("again").exists():
            raise KeyboardInterrupt
        return real(self, begin, end, out)

    monkeypatch.setattr(ClusterEvaluator, "rows", counting)
    with pytest.raises(KeyboardInterrupt):
        evaluate_system(system, keep=tmp_path / "kept", question="q")
    assert len(list((tmp_path / "kept").glob("*.npy"))) == 2
    assert not list((tmp_path / "kept").glob("*.part"))
    (tmp_path / "again").touch()
    evaluated.clear()
    again = evaluate_system(system, keep=tmp_path / "kept", question="q")
    total = sum(len(c.pieces) for c in system.clusters)
    assert len(evaluated) == total - 2
    for a, b in zip(whole.clusters, again.clusters, strict=True):
        assert np.array_equal(a.unserved, b.unserved)


def test_a_folder_that_cannot_be_written_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="cannot"):
        study(channels_system(2), 1, keep=tmp_path / "file" / "in")


def test_too_large_a_question_is_refused_with_the_count_and_an_estimate() -> None:
    topology = channels_system(3)
    with pytest.raises(TooLargeError, match=r"order 9 .* makes [\d,]+ cases; [\d,]+ combinations .* about .* GB"):
        study(topology, 9)
    with pytest.raises(TooLargeError, match="written out one by one"):
        compare(topology, topology, 4)


def test_cut_sets_only_gives_the_same_verdicts() -> None:
    topology = channels_system(2)
    whole, only = study(topology, 3), study(topology, 3, cut_sets_only=True)
    assert [v.to_json() for v in whole.verdicts] == [v.to_json() for v in only.verdicts]
    assert whole.baseline == only.baseline
