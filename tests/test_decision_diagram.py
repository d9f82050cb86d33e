"""Decision diagrams against a decision diagram library and against brute force."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable

import numpy as np
import pytest
from dd import autoref

from powerfault.measures.decision_diagram import (
    FALSE,
    TRUE,
    Diagram,
    DiagramTooLargeError,
    Evaluator,
    Row,
    deep_recursion,
)

VARIABLES = 7


def random_pair(rng: random.Random, ours: Diagram, theirs: autoref.BDD, depth: int) -> tuple[int, autoref.Function]:
    """The same random function in both libraries."""
    if depth == 0 or rng.random() < 0.15:
        i = rng.randrange(VARIABLES)
        return ours.variable(i), theirs.var(f"x{i}")
    a, b = random_pair(rng, ours, theirs, depth - 1)
    if rng.random() < 0.2:
        return ours.neg(a), ~b
    c, d = random_pair(rng, ours, theirs, depth - 1)
    return (ours.conj(a, c), b & d) if rng.random() < 0.5 else (ours.disj(a, c), b | d)


def shannon(bdd: autoref.BDD, u: autoref.Function, p: list[float]) -> float:
    """Probability by Shannon's expansion on the other library's nodes."""
    if u == bdd.true:
        return 1.0
    if u == bdd.false:
        return 0.0
    i = int(u.var[1:])
    low, high = bdd.let({u.var: False}, u), bdd.let({u.var: True}, u)
    return p[i] * shannon(bdd, high, p) + (1 - p[i]) * shannon(bdd, low, p)


@pytest.mark.parametrize("seed", range(60))
def test_functions_and_probabilities_equal_those_of_another_library(seed: int) -> None:
    rng = random.Random(seed)
    ours, theirs = Diagram(), autoref.BDD()
    theirs.declare(*(f"x{i}" for i in range(VARIABLES)))
    theirs.configure(reordering=False)
    a, b = random_pair(rng, ours, theirs, 6)
    p = [rng.random() for _ in range(VARIABLES)]
    for values in itertools.product([False, True], repeat=VARIABLES):
        given = {f"x{i}": v for i, v in enumerate(values)}
        assert ours.value(a, [i for i, v in enumerate(values) if v]) == (theirs.let(given, b) == theirs.true)
    assert float(ours.probability(a, p)) == pytest.approx(shannon(theirs, b, p), rel=1e-12, abs=1e-15)
    assert len(ours.below(a)) <= 2 + 2 ** (VARIABLES + 1)


@pytest.mark.parametrize("seed", range(20))
def test_equal_functions_are_equal_nodes(seed: int) -> None:
    rng = random.Random(seed)
    d = Diagram()
    x = [d.variable(i) for i in range(5)]
    rng.shuffle(x)
    a, b, c = x[:3]
    assert d.neg(d.conj(a, b)) == d.disj(d.neg(a), d.neg(b))
    assert d.conj(a, d.disj(b, c)) == d.disj(d.conj(a, b), d.conj(a, c))
    assert d.neg(d.neg(a)) == a
    assert d.disj(a, d.neg(a)) == TRUE
    assert d.conj(a, d.neg(a)) == FALSE
    assert d.at_least(2, [a, b, c]) == d.disj_all([d.conj(a, b), d.conj(a, c), d.conj(b, c)])
    assert d.restrict(d.at_least(2, [a, b, c]), {d.level[a]: True}) == d.disj(b, c)


def test_rows_behave_as_the_engine_wants_them() -> None:
    d = Diagram()
    a, b = Row(d, d.variable(0)), Row(d, d.variable(1))
    zero, full = Row(d, FALSE), Row(d, TRUE)
    assert (a | b) & ~a == ~a & b
    assert (a ^ b) == ((a & ~b) | (b & ~a))
    assert a & ~a == zero
    assert a | ~a == full
    assert not zero
    assert a
    assert a != 1
    assert len({a, Row(d, a.node)}) == 1


@pytest.mark.parametrize("seed", range(40))
def test_minimal_solutions_of_a_monotone_function(seed: int) -> None:
    """A certificate for each: it makes the function true and none of its proper subsets does; and none is missed."""
    rng = random.Random(seed)
    d = Diagram()
    terms = [rng.sample(range(VARIABLES), rng.randint(1, 4)) for _ in range(rng.randint(1, 8))]
    f = d.disj_all(d.conj_all(d.variable(i) for i in sorted(term, reverse=True)) for term in terms)
    found = {frozenset(s) for s in d.minimal_solutions(f)}
    sets = [frozenset(t) for t in terms]
    assert found == {s for s in sets if not any(t < s for t in sets)}
    for order in range(5):
        assert {frozenset(s) for s in d.minimal_solutions(f, order)} == {s for s in found if len(s) <= order}


def test_gradient_is_the_difference_of_both_cofactors() -> None:
    d = Diagram()
    x = [d.variable(i) for i in range(4)]
    f = d.disj(d.conj(x[0], x[2]), d.conj(x[1], d.disj(x[2], x[3])))
    rng = np.random.default_rng(3)
    p = rng.random((4, 6))
    value, slope = Evaluator(d, [f], memory=256).gradient(p)
    assert value == pytest.approx(Evaluator(d, [f])(p)[0])
    for i in range(4):
        fixed = [p.copy(), p.copy()]
        fixed[0][i], fixed[1][i] = 0.0, 1.0
        low, high = (Evaluator(d, [f])(q)[0] for q in fixed)
        assert slope[i] == pytest.approx(high - low, abs=1e-14)


def test_limits_end_in_an_error_and_compaction_keeps_the_function() -> None:
    def parity(d: Diagram, n: int) -> int:
        node = FALSE
        for i in reversed(range(n)):
            v = d.variable(i)
            node = d.disj(d.conj(v, d.neg(node)), d.conj(d.neg(v), node))
        return node

    small = Diagram(node_limit=40)
    with pytest.raises(DiagramTooLargeError, match="40 nodes"):
        parity(small, 30)
    d = Diagram()
    f = parity(d, 12)
    fresh, (g,) = d.compacted(f)
    assert len(fresh) < len(d)
    p = [0.3] * 12
    # Product form of the probability of an odd number of events.
    assert float(fresh.probability(g, p)) == pytest.approx((1 - 0.4**12) / 2, rel=1e-12)
    assert float(d.probability(f, p)) == float(fresh.probability(g, p))


def test_deep_diagrams_do_not_exhaust_recursion() -> None:
    d = Diagram()
    with deep_recursion():
        chain = d.conj_all(d.variable(i) for i in reversed(range(5000)))
        assert d.neg(d.neg(chain)) == chain
        assert d.conj(chain, d.variable(2500)) == chain
    assert float(d.probability(chain, np.full(5000, 0.999))) == pytest.approx(0.999**5000)


def brute(f: Callable[[frozenset[int]], bool], p: list[float]) -> float:
    """Probability by summing over all states."""
    total = 0.0
    for k in range(len(p) + 1):
        for true in itertools.combinations(range(len(p)), k):
            if f(frozenset(true)):
                total += float(np.prod([x if i in true else 1 - x for i, x in enumerate(p)]))
    return total


@pytest.mark.parametrize("seed", range(10))
def test_probability_equals_the_sum_over_all_states(seed: int) -> None:
    rng = random.Random(100 + seed)
    d = Diagram()
    terms = [rng.sample(range(8), rng.randint(1, 3)) for _ in range(5)]
    f = d.disj_all(d.conj_all(d.variable(i) for i in t) for t in terms)
    p = [rng.random() for _ in range(8)]
    assert float(d.probability(f, p)) == pytest.approx(brute(lambda s: any(set(t) <= s for t in terms), p))
