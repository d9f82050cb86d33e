"""Minimal solutions against their definition: each is a solution, no part of one is, and none is missed."""

from __future__ import annotations

import itertools
import math
import random

import pytest

from powerfault.reliability.decision_diagram import FALSE, TRUE, Diagram, DiagramTooLargeError
from powerfault.reliability.minimal_solutions import Solutions

VARIABLES = 7


def random_terms(rng: random.Random) -> list[list[int]]:
    return [rng.sample(range(VARIABLES), rng.randint(1, 4)) for _ in range(rng.randint(1, 8))]


def any_term(d: Diagram, terms: list[list[int]]) -> int:
    return d.disj_all(d.conj_all(d.variable(i) for i in sorted(term, reverse=True)) for term in terms)


@pytest.mark.parametrize("seed", range(40))
def test_minimal_solutions_of_a_monotone_function(seed: int) -> None:
    terms = random_terms(random.Random(seed))
    d = Diagram()
    f, solutions = any_term(d, terms), Solutions(d)
    found = solutions(f)
    sets = [frozenset(t) for t in terms]
    expected = {s for s in sets if not any(t < s for t in sets)}
    assert {frozenset(s) for s in found} == expected
    assert len(found) == len(expected) == solutions.count(f)
    for order in range(5):
        assert {frozenset(s) for s in solutions(f, order)} == {s for s in expected if len(s) <= order}
        assert solutions.count(f, order) == len(solutions(f, order))


def test_solutions_of_the_constants() -> None:
    d = Diagram()
    solutions = Solutions(d)
    assert (solutions(FALSE), solutions(TRUE)) == ([], [()])
    assert solutions.likeliest(FALSE, None, [], 3) == []
    assert solutions.likeliest(TRUE, None, [], 3) == [()]


@pytest.mark.parametrize("seed", range(40))
def test_modes_of_a_component_exclude_each_other(seed: int) -> None:
    """A component is whole or in one mode: minimal are the sets of modes that make it true while no part does.

    What is worse in a later mode than in an earlier one, and the other way round, both occur.
    """
    rng = random.Random(seed)
    groups = [[0, 1], [2], [3, 4, 5], [6]]
    owner = {i: n for n, group in enumerate(groups) for i in group}
    d = Diagram()
    occurs: dict[int, int] = {}
    for group in groups:
        before = FALSE
        for i in group:
            occurs[i] = d.conj(d.neg(before), d.variable(i))
            before = d.disj(before, d.variable(i))
    terms = [t for t in random_terms(rng) if len({owner[i] for i in t}) == len(t)]
    f = d.disj_all(d.conj_all(occurs[i] for i in sorted(term, reverse=True)) for term in terms)
    able = [
        frozenset(s)
        for k in range(len(groups) + 1)
        for s in itertools.combinations(range(VARIABLES), k)
        if len({owner[i] for i in s}) == k and any(set(t) <= set(s) for t in terms)
    ]
    expected = {s for s in able if not any(t < s for t in able)}
    assert {frozenset(s) for s in Solutions(d, owner)(f)} == expected


@pytest.mark.parametrize("seed", range(40))
def test_the_likeliest_come_first_with_all_their_equals(seed: int) -> None:
    rng = random.Random(seed)
    d = Diagram()
    f = any_term(d, random_terms(rng))
    solutions = Solutions(d)
    chance = [rng.choice([0.0, 0.1, 0.1, 0.3]) for _ in range(VARIABLES)]
    for order, number in itertools.product((None, 2), (1, 3, 100)):
        everything = solutions(f, order)
        products = sorted((math.prod(chance[i] for i in s) for s in everything), reverse=True)
        found = solutions.likeliest(f, order, chance, number)
        assert len(set(found)) == len(found)
        assert set(found) <= set(everything)
        least = products[min(number, len(products)) - 1] if products else 0.0
        expected = [s for s in everything if math.prod(chance[i] for i in s) >= least * (1 - 1e-12)]
        assert set(found) == set(expected)


def test_too_many_to_list_are_counted_all_the_same() -> None:
    """Every one of 20 pairs broken: 2^20 solutions in a handful of nodes."""
    d = Diagram()
    f = d.conj_all(d.disj(d.variable(2 * i), d.variable(2 * i + 1)) for i in reversed(range(20)))
    solutions = Solutions(d)
    assert solutions.count(f) == 2**20
    with pytest.raises(DiagramTooLargeError, match="more than 200000 minimal cut sets"):
        solutions(f)
    with pytest.raises(DiagramTooLargeError, match="more than 200000"):
        solutions.likeliest(f, None, [0.5] * 40, 3)
    with pytest.raises(DiagramTooLargeError, match="more than 10 steps"):
        Solutions(d, step_limit=10).count(d.disj(f, d.conj(d.variable(0), d.variable(30))))
