"""Probabilities, their derivatives and certainties of diagrams, against cofactors and all states one by one."""

from __future__ import annotations

import itertools
import random

import numpy as np
import pytest

from powerfault.reliability.decision_diagram import FALSE, TRUE, Diagram
from powerfault.reliability.diagram_values import Evaluator

VARIABLES = 6


def some_functions(seed: int, count: int = 4) -> tuple[Diagram, list[int]]:
    """Random functions of one diagram, not only monotone ones, with the constants among them."""
    rng = random.Random(seed)
    d = Diagram()

    def build(depth: int) -> int:
        if depth == 0 or rng.random() < 0.15:
            v = d.variable(rng.randrange(VARIABLES))
            return d.neg(v) if rng.random() < 0.25 else v
        combine = d.conj if rng.random() < 0.5 else d.disj
        return combine(build(depth - 1), build(depth - 1))

    return d, [FALSE, TRUE, *(build(4) for _ in range(count))]


def states() -> list[set[int]]:
    return [set(s) for k in range(VARIABLES + 1) for s in itertools.combinations(range(VARIABLES), k)]


@pytest.mark.parametrize("memory", [256, 1 << 20])
@pytest.mark.parametrize("seed", range(15))
def test_functions_of_one_diagram_are_evaluated_together(seed: int, memory: int) -> None:
    d, roots = some_functions(seed)
    p = np.random.default_rng(seed).random((VARIABLES, 5))
    found = Evaluator(d, roots, memory)(p)
    assert found.shape == (len(roots), 5)
    for row, root in zip(found, roots, strict=True):
        for column in range(5):
            chances = p[:, column]
            expected = sum(
                float(np.prod([chances[i] if i in s else 1 - chances[i] for i in range(VARIABLES)]))
                for s in states()
                if d.value(root, s)
            )
            assert row[column] == pytest.approx(expected, abs=1e-14)
    assert Evaluator(d, roots)(p[:, 2]) == pytest.approx(found[:, 2], rel=1e-15)


@pytest.mark.parametrize("memory", [256, 1 << 20])
@pytest.mark.parametrize("seed", range(15))
def test_gradient_and_flow_are_differences_of_both_cofactors(seed: int, memory: int) -> None:
    d, roots = some_functions(seed)
    rng = np.random.default_rng(seed)
    p, drift = rng.random((VARIABLES, 5)), rng.normal(size=(VARIABLES, 5))
    evaluate = Evaluator(d, roots, memory)
    expected = np.zeros((len(roots), 5))
    for i in range(VARIABLES):
        low, high = p.copy(), p.copy()
        low[i], high[i] = 0.0, 1.0
        step = evaluate(high) - evaluate(low)
        expected += drift[i] * step
        for root, own in zip(roots, step, strict=True):
            value, slope = Evaluator(d, [root], memory).gradient(p)
            assert slope[i] == pytest.approx(own, abs=1e-14)
            assert value == pytest.approx(Evaluator(d, [root])(p)[0])
    assert evaluate.flow(p, drift) == pytest.approx(expected, abs=1e-13)


@pytest.mark.parametrize("seed", range(30))
def test_never_and_always_hold_in_every_state_left(seed: int) -> None:
    d, roots = some_functions(seed)
    rng = np.random.default_rng(seed)
    evaluate = Evaluator(d, roots)
    for _ in range(6):
        chosen = rng.random(VARIABLES) < 0.5
        may = {i for i in range(VARIABLES) if chosen[i]}
        assert evaluate.never(chosen).tolist() == [not any(d.value(r, s) for s in states() if s <= may) for r in roots]
        assert evaluate.always(chosen).tolist() == [all(d.value(r, s) for s in states() if s >= may) for r in roots]
