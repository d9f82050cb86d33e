"""Probabilities of consumers failing: at a time, over a mission, and how often, from structure and rates.

* *Unavailability* at time t: the probability that the state of all components at t is one in which the consumer
  fails. Exact by the decision diagram; where only bounds are known, each bound is exact.
* *Expected failures* up to t: the integral of the failure frequency, the sum over events of (rate) x (probability
  that the component is whole) x (how much likelier failure is with the event than without). Without repair a failed
  consumer stays failed, and the integral is the growth of the unavailability. An interruption that a consumer rides
  through is no failure, and neither counts.

The integral over the mission is taken by Gauss's rule in panels that halve towards the start, where repair makes
the rates settle.

Beside the exact way stand the classical approximations from cut sets alone, for checks and for reading results:
inclusion and exclusion, the rare-event sum, the min-cut upper bound and the Esary-Proschan bounds. Sources: J. D.
Esary and F. Proschan, Technometrics 5 (1963); W. E. Vesely and others, Fault Tree Handbook, NUREG-0492 (1981); for
the failure frequency, W. G. Schneeweiss, IEEE Trans. Reliability R-30 (1981).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from math import prod

import numpy as np

from powerfault.measures.decision_diagram import FALSE, TRUE, Diagram, Evaluator
from powerfault.measures.rates import Floats, RateTable
from powerfault.measures.structure import Failing, Structure

_PANELS, _POINTS = 14, 8


@dataclass(frozen=True, slots=True)
class Span:
    """A number known to lie from ``low`` to ``high``; both are the same where it is known exactly."""

    low: float
    high: float

    @property
    def exact(self) -> bool:
        return self.low == self.high

    @property
    def middle(self) -> float:
        return self.low if self.exact else (self.low + self.high) / 2

    @property
    def gap(self) -> float:
        """The width relative to the lower bound; 0 where exact."""
        if self.exact:
            return 0.0
        return (self.high - self.low) / self.low if self.low > 0 else float("inf")

    def over(self, other: Span) -> Span | None:
        """The ratio of two numbers, or ``None`` where the other may be 0."""
        return Span(self.low / other.high, self.high / other.low) if other.low > 0 else None


@dataclass(frozen=True, slots=True)
class Functions:
    """The lower and upper function of one consumer, ready to be evaluated for many columns of probabilities."""

    low: Evaluator
    high: Evaluator

    @property
    def exact(self) -> bool:
        return self.low is self.high

    def bounds(self, p: Floats) -> tuple[Floats, Floats]:
        """Both probabilities for each column of ``p`` (variables, columns)."""
        low = self.low(p)[0]
        return low, low if self.exact else self.high(p)[0]


def functions(failing: Failing) -> Functions:
    low = Evaluator(failing.diagram, [failing.lower])
    return Functions(low, low if failing.exact else Evaluator(failing.diagram, [failing.upper]))


@dataclass(frozen=True, slots=True)
class Mission:
    """Times and weights for integrals over a mission of ``hours``."""

    hours: float
    times: Floats
    weights: Floats


def mission(hours: float, panels: int = _PANELS) -> Mission:
    """Return Gauss points in panels that halve towards the start.

    >>> m = mission(8.0)
    >>> round(float((m.weights * m.times**2).sum()), 9)
    170.666666667
    """
    x, w = np.polynomial.legendre.leggauss(_POINTS)
    edges = [0.0] + [hours * 0.5**k for k in range(panels, -1, -1)]
    times = [(b - a) / 2 * (x + 1) + a for a, b in pairwise(edges)]
    weights = [(b - a) / 2 * w for a, b in pairwise(edges)]
    return Mission(hours, np.concatenate(times), np.concatenate(weights))


@dataclass(frozen=True, slots=True)
class OverMission:
    """What a consumer's failing amounts to over a mission: at its end, on average, and how often."""

    at_end: Span
    mean: Span
    failures: Span


def over_mission(structure: Structure, table: RateTable, consumer: str, hours: float) -> OverMission:
    """Return unavailability at ``hours``, its mean, and the expected failures up to then."""
    own = structure.failing[consumer]
    ready = functions(own)
    relevant = structure.relevant(consumer)
    # Repair and rates that use up their component bend the curve near the start; else it is almost straight.
    brisk = any(table.repairs_per_hour[i] > 0 or table.per_hour[i] * hours > 1 for i in relevant)
    span = mission(hours, _PANELS if brisk else 1)
    ends = np.array([0.0, hours])
    at = _spans(ready, table.probabilities(ends))
    curve = _spans(ready, table.probabilities(span.times))
    mean = Span(*(float((span.weights * side).sum() / hours) for side in _sides(curve)))
    if all(table.repairs_per_hour[i] == 0.0 for i in relevant):
        # Nothing comes back, so each failure shows once, as growth of the unavailability. The start has no gap worth
        # speaking of: only operations can have failed then, and they fail nothing by themselves.
        start = at[0]
        failures = Span(max(0.0, at[1].low - start.high), max(0.0, at[1].high - start.low))
    else:
        low, high = frequency(ready, table, relevant, span.times)
        failures = Span(float((span.weights * low).sum()), float((span.weights * high).sum()))
    return OverMission(at[1], mean, failures)


def frequency(ready: Functions, table: RateTable, relevant: Sequence[int], times: Floats) -> tuple[Floats, Floats]:
    """Failures per hour at ``times``: lower and upper bound, equal where the function is exact."""
    states = table.states(times)
    p = table.conditional(states)
    entering = np.where(np.isnan(table.per_hour[:, None]), 0.0, table.per_hour[:, None]) * table.whole(states)
    entering[~np.isnan(table.fixed)] = 0.0
    low_value, low_step = ready.low.gradient(p)
    low_steps = steps(table, p, low_step)
    if ready.exact:
        found = sum((entering[i] * low_steps[i] for i in relevant), np.zeros(len(times)))
        return found, found
    high_value, high_step = ready.high.gradient(p)
    high_steps = steps(table, p, high_step)
    whole_low, with_low = split(table, states, low_value, low_steps)
    whole_high, with_high = split(table, states, high_value, high_steps)
    low, high = np.zeros(len(times)), np.zeros(len(times))
    for i in relevant:
        low += entering[i] * np.maximum(0.0, with_low[i] - whole_high[i])
        high += entering[i] * np.maximum(0.0, with_high[i] - whole_low[i])
    return low, high


def steps(table: RateTable, p: Floats, slope: Floats) -> Floats:
    """From derivatives by the diagram's variables to P(fails | event) - P(fails | its component whole)."""
    found = slope.copy()
    for chain in table.chains:
        if len(chain) > 1:
            # d/dp_j = (product of earlier 1 - p) x (P(fails | j) - P(fails | none of modes up to j)).
            reached = np.ones(p.shape[1])
            reaches = []
            for i in chain:
                reaches.append(reached)
                reached = reached * (1.0 - p[i])
            for place in range(len(chain) - 1, -1, -1):
                i = chain[place]
                own = np.divide(slope[i], reaches[place], out=np.zeros_like(slope[i]), where=reaches[place] > 0)
                share = np.ones(p.shape[1])
                for j in chain[place + 1 :]:
                    own = own + share * p[j] * found[j]
                    share = share * (1.0 - p[j])
                found[i] = own
    return found


def split(table: RateTable, states: Floats, value: Floats, step: Floats) -> tuple[Floats, Floats]:
    """P(fails | component whole) and P(fails | event), for each variable."""
    gained = states * step
    whole = np.empty_like(step)
    for chain in table.chains:
        numbers = list(chain)
        whole[numbers] = np.maximum(0.0, value - gained[numbers].sum(axis=0))
    return whole, np.minimum(1.0, whole + step)


def _spans(ready: Functions, p: Floats) -> list[Span]:
    low, high = ready.bounds(p)
    return [Span(float(a), float(max(a, b))) for a, b in zip(low, high, strict=True)]


def _sides(curve: Sequence[Span]) -> tuple[Floats, Floats]:
    return np.array([s.low for s in curve]), np.array([s.high for s in curve])


# ---- from cut sets alone


def union_probability(cuts: Iterable[Iterable[str]], q: Mapping[str, float]) -> float:
    """The exact probability that all events of some cut happen, the events being independent.

    >>> union_probability([["A"], ["B", "C"]], {"A": 0.1, "B": 0.2, "C": 0.3})
    0.154
    """
    names = {name: i for i, name in enumerate(q)}
    diagram = Diagram()
    root = FALSE
    for cut in cuts:
        levels = sorted((names[e] for e in cut), reverse=True)
        term = TRUE
        for level in levels:
            term = diagram.conj(diagram.variable(level), term)
        root = diagram.disj(root, term)
    return float(diagram.probability(root, list(q.values())))


def inclusion_exclusion(cuts: Sequence[Iterable[str]], q: Mapping[str, float]) -> Iterator[float]:
    """Yield the partial sums of inclusion and exclusion over cut sets; they bracket the exact value in turn.

    The cost doubles with every cut; use it for a few.
    """
    sets = [frozenset(c) for c in cuts]
    total = 0.0
    for k in range(1, len(sets) + 1):
        term = sum(prod(q[e] for e in frozenset().union(*chosen)) for chosen in combinations(sets, k))
        total += term if k % 2 else -term
        yield total


def rare_event_sum(cuts: Iterable[Iterable[str]], q: Mapping[str, float]) -> float:
    """The sum of the probabilities of the cuts, an upper bound that is close where they are small."""
    return sum(prod(q[e] for e in cut) for cut in cuts)


def min_cut_upper_bound(cuts: Iterable[Iterable[str]], q: Mapping[str, float]) -> float:
    """``1 - product over cuts of (1 - P(cut))``, an upper bound for a coherent system of independent events."""
    return 1.0 - prod(1.0 - prod(q[e] for e in cut) for cut in cuts)


def esary_proschan(
    cuts: Iterable[Iterable[str]], paths: Iterable[Iterable[str]], q: Mapping[str, float]
) -> tuple[float, float]:
    """Lower and upper bound of the reliability from minimal cuts and minimal paths."""
    low = prod(1.0 - prod(q[e] for e in cut) for cut in cuts)
    high = 1.0 - prod(1.0 - prod(1.0 - q[e] for e in path) for path in paths)
    return low, high
