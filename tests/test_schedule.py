"""Recorded evaluations: the tape says what was computed, and its schedule computes it on other cases."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
import pytest
from bench.systems import channels_system
from hypothesis import given, settings
from hypothesis import strategies as st
from random_topologies import random_topology

from powerfault.failures import evaluation, lane_order
from powerfault.failures.clusters import plan_system
from powerfault.failures.evaluation import ClusterEvaluator
from powerfault.failures.lane_order import class_numbers, class_rows, rows_holding, sizes
from powerfault.failures.lanes import WordLanes, at_least
from powerfault.failures.recording import RecordedRow, RecordingLanes, Tape
from powerfault.failures.schedule import Schedule
from powerfault.model.elements import MODES
from powerfault.network.graph import build_network

N_INPUTS = 4
FORMULAS = st.recursive(
    st.sampled_from(["zero", "full", *range(N_INPUTS)]),
    lambda inner: st.one_of(
        st.tuples(st.just("not"), inner),
        st.tuples(st.sampled_from(["and", "or"]), inner, inner),
    ),
    max_leaves=25,
)


def value_of(formula: Any, rows: dict[Any, Any]) -> Any:
    if not isinstance(formula, tuple):
        return rows[formula]
    a = value_of(formula[1], rows)
    if formula[0] == "not":
        return ~a
    b = value_of(formula[2], rows)
    return a & b if formula[0] == "and" else a | b


def recorded(formulas: list[Any]) -> tuple[Tape, list[RecordedRow], list[RecordedRow]]:
    """Formulas over four inputs whose sample holds all 16 combinations of their values."""
    lanes = RecordingLanes(16)
    inputs = [lanes.tape.add_input(sum(1 << case for case in range(16) if case >> i & 1)) for i in range(N_INPUTS)]
    rows: dict[Any, Any] = {"zero": lanes.zero, "full": lanes.full, **dict(enumerate(inputs))}
    found = [value_of(formula, rows) for formula in formulas]
    assert all(isinstance(row, RecordedRow) for row in found)
    return lanes.tape, inputs, found


@settings(max_examples=150, deadline=None)
@given(st.lists(FORMULAS, min_size=1, max_size=4), st.integers(1, 3))
def test_a_schedule_computes_what_was_recorded(formulas: list[Any], words: int) -> None:
    tape, inputs, found = recorded(formulas)
    full = (1 << 16) - 1
    whole: dict[Any, Any] = {"zero": 0, "full": full, **{i: row.value for i, row in enumerate(inputs)}}
    assert [row.value for row in found] == [value_of(f, whole) & full for f in formulas]
    schedule = Schedule(tape, [row.node for row in inputs], [row.node for row in found])
    given_rows = schedule.rows_given(words)
    given_rows[:] = np.random.default_rng(7).integers(0, 2**63, given_rows.shape, np.uint64)
    zero = np.zeros(words, np.uint64)
    rows: dict[Any, Any] = {"zero": zero, "full": ~zero, **{i: row.copy() for i, row in enumerate(given_rows)}}
    assert not len(schedule.run())
    targets = [np.empty(words, np.uint64) for _ in formulas]
    schedule.copy_outputs(targets)
    for target, formula in zip(targets, formulas, strict=True):
        assert np.array_equal(target, value_of(formula, rows))


def test_equal_operations_and_plain_ones_are_recorded_once_or_not_at_all() -> None:
    tape, (a, b, *_), _ = recorded([0])
    before = len(tape.ops)
    assert a & a is a
    assert a | (a & b) is a
    assert (a & b) | a is a
    assert a & (b | a) is a
    assert a & b is b & a
    assert ~~a is a
    assert a & ~a is tape.zero_row
    assert a | ~a is tape.full_row
    assert a & tape.full_row is a
    assert a | tape.zero_row is a
    assert len(tape.ops) == before + 3  # a & b, b | a, ~a


def test_lanes_in_which_rows_equal_on_the_sample_differ_are_named() -> None:
    lanes = RecordingLanes(2)
    a, b, c = (lanes.tape.add_input(value) for value in (0b01, 0b01, 0b10))
    assert lanes.same(a & ~c, b)
    assert not lanes.same(a, c)
    schedule = Schedule(lanes.tape, [a.node, b.node, c.node], [(a | c).node])
    assert schedule.checks == 1
    given_rows = schedule.rows_given(2)
    given_rows[:] = 0
    given_rows[0] = 0b1100, 1 << 63
    given_rows[1] = 0b0100, 0
    assert schedule.run().tolist() == [3, 127]
    given_rows[2] = 0b1000, 1 << 63
    assert not len(schedule.run())


def test_a_check_that_no_output_needs_is_made_too() -> None:
    lanes = RecordingLanes(2)
    a, b, c = (lanes.tape.add_input(value) for value in (0b01, 0b10, 0b10))
    assert lanes.same(a & b, lanes.zero)
    assert lanes.same(b, c)
    schedule = Schedule(lanes.tape, [a.node, b.node, c.node], [a.node])
    schedule.rows_given(1)[:] = np.array([[0b0110], [0b0011], [0b1011]], np.uint64)
    assert schedule.run().tolist() == [1, 3]


@pytest.mark.parametrize("count", [1, 5, 64, 100, 256])
def test_lanes_evaluated_again_take_the_place_of_what_was_there(count: int) -> None:
    draw = np.random.default_rng(count)
    rows, anew = draw.integers(0, 2**63, (3, 4), np.uint64), draw.integers(0, 2**63, (3, 4), np.uint64)
    places = np.sort(draw.permutation(256)[:count])
    want = []
    for row, own in zip(rows, anew, strict=True):
        bits = np.unpackbits(row.view(np.uint8), bitorder="little")
        bits[places] = np.unpackbits(own.view(np.uint8), bitorder="little")[:count]
        want.append(np.packbits(bits, bitorder="little").view(np.uint64))
    evaluation._replace(list(rows), places, anew)
    assert np.array_equal(rows, want)


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 6), st.lists(st.integers(0, 2**64 - 1), min_size=6, max_size=6))
def test_counting_is_recorded_like_any_other_operation(k: int, values: list[int]) -> None:
    lanes = RecordingLanes(1)
    inputs = [lanes.tape.add_input(1) for _ in values]
    row = at_least(k, inputs, lanes.zero, lanes.full)
    schedule = Schedule(lanes.tape, [x.node for x in inputs], [row.node])
    given_rows = schedule.rows_given(1)
    given_rows[:, 0] = np.array(values, np.uint64)
    words = WordLanes(64)
    want = at_least(k, list(given_rows.copy()), words.zero, words.full)
    schedule.run()
    target = np.empty(1, np.uint64)
    schedule.copy_outputs([target])
    assert np.array_equal(target, want)


def test_places_are_used_again_after_the_last_reader() -> None:
    lanes = RecordingLanes(1)
    inputs = [lanes.tape.add_input(1) for _ in range(60)]
    row = inputs[0]
    for x in inputs[1:]:
        row = (row | x) & ~x
    schedule = Schedule(lanes.tape, [x.node for x in inputs], [row.node])
    assert schedule.operations == 59 * 3
    assert schedule.places <= 3


def test_a_network_costs_about_its_links_and_nodes_in_operations() -> None:
    """Each node once a stage that can change it, and few rows at once, however many nodes there are."""
    places = []
    for channels in (6, 12):
        cluster = plan_system(build_network(channels_system(channels)), 3).clusters[0]
        evaluator = ClusterEvaluator(cluster)
        schedule = evaluator._record()
        network = cluster.plan.network
        assert schedule.operations < 4 * (len(network.ids) + sum(map(len, network.upstream)))
        places.append(schedule.places)
    assert places[1] < 2 * places[0]


@pytest.mark.parametrize(("sample", "more"), [(0, 0), (64, 8), (1 << 12, 1 << 10)])
def test_scheduled_and_interpreted_pieces_are_equal(sample: int, more: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(evaluation, "SAMPLE_LANES", sample)
    monkeypatch.setattr(evaluation, "SAMPLE_MORE", more)
    for seed in range(86_000, 86_020):
        network = build_network(random_topology(seed, 6, 12))
        for cluster in plan_system(network, 2, MODES).clusters:
            for by_phase in (False, True):
                monkeypatch.setattr(evaluation, "LANES_INTERPRETED", 1 << 30)
                want = ClusterEvaluator(cluster, by_phase).rows(0, cluster.lane_count)
                monkeypatch.setattr(evaluation, "LANES_INTERPRETED", 0)
                evaluator = ClusterEvaluator(cluster, by_phase)
                cut = min(cluster.lane_count, 128)
                found = [evaluator.rows(a, b) for a, b in ((0, cut), (cut, cluster.lane_count)) if a < b]
                assert np.array_equal(np.concatenate(found, axis=-1), want), seed


@pytest.mark.parametrize(("pair_rows", "short_run"), [(0, 0), (512, 0), (512, 20)])
@pytest.mark.parametrize(("q", "order"), [(0, 2), (1, 2), (2, 4), (5, 2), (9, 4), (6, 5), (30, 3), (80, 2), (130, 2)])
def test_rows_of_classes_hold_the_combinations_in_order(
    q: int, order: int, pair_rows: int, short_run: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lane_order, "THINGS_IN_PAIR_ROWS", pair_rows)
    monkeypatch.setattr(lane_order, "SHORT_RUN", short_run)
    class_numbers.cache_clear()
    lane_order._kept_rows.cache_clear()
    listed = [c for k in range(order + 1) for c in sorted(combinations(range(q), k), key=lambda c: c[::-1])]
    assert len(listed) == sum(sizes(q, order))
    draw = np.random.default_rng(q)
    for _ in range(25):
        begin = int(draw.integers(0, len(listed)))
        end = int(draw.integers(begin, len(listed))) + 1
        want = [sum(1 << i for i, c in enumerate(listed[begin:end]) if x in c) for x in range(q)]
        assert class_numbers(q, order, begin, end) == want
        for rows in (class_rows(q, order, begin, end), rows_holding(q, order, np.arange(begin, end))):
            assert [int.from_bytes(row.astype("<u8").tobytes(), "little") for row in rows] == want
