"""Decision diagrams against a decision diagram library and against brute force."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable

import numpy as np
import pytest
from dd import autoref

from powerfault.reliability.decision_diagram import (
    FALSE,
    TRUE,
    Diagram,
    DiagramTooLargeError,
    Row,
    deep_recursion,
)
from powerfault.reliability.diagram_values import probability

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
    assert float(probability(ours, a, p)) == pytest.approx(shannon(theirs, b, p), rel=1e-12, abs=1e-15)
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
    f = d.disj(a, d.conj(b, c))
    assert d.support(f) == sorted(d.level[v] for v in (a, b, c))
    assert d.supports([f, b, TRUE]) == {f: sum(1 << i for i in d.support(f)), b: 1 << d.level[b], TRUE: 0}


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
    assert float(probability(fresh, g, p)) == pytest.approx((1 - 0.4**12) / 2, rel=1e-12)
    assert float(probability(d, f, p)) == float(probability(fresh, g, p))


def test_deep_diagrams_do_not_exhaust_recursion() -> None:
    d = Diagram()
    with deep_recursion():
        chain = d.conj_all(d.variable(i) for i in reversed(range(5000)))
        assert d.neg(d.neg(chain)) == chain
        assert d.conj(chain, d.variable(2500)) == chain
    assert float(probability(d, chain, np.full(5000, 0.999))) == pytest.approx(0.999**5000)


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
    assert float(probability(d, f, p)) == pytest.approx(brute(lambda s: any(set(t) <= s for t in terms), p))
