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

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from math import prod

import numpy as np
import numpy.typing as npt

from powerfault.reliability.decision_diagram import FALSE, TRUE, Diagram
from powerfault.reliability.diagram_values import Evaluator, Flags, probability
from powerfault.reliability.rates import Floats, RateTable
from powerfault.reliability.structure import Failing, Structure

_PANELS, _POINTS = 14, 8
Numbers = npt.NDArray[np.int64]


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
    """The lower and upper functions of some consumers, laid out to be evaluated together.

    Results have a row a consumer, in the order of ``ids``, and a column for each column of probabilities.
    """

    ids: tuple[str, ...]
    exact: Flags
    parts: tuple[tuple[Evaluator, Numbers, Numbers, Numbers], ...]
    """For each diagram: what evaluates it, which consumers are of it, and which of its results is their lower and upper
    function."""

    def bounds(self, p: Floats) -> tuple[Floats, Floats]:
        """Both probabilities for each column of ``p`` (variables, columns)."""
        low, high = (np.empty((len(self.ids), p.shape[1])) for _ in range(2))
        for evaluate, own, lower, upper in self.parts:
            values = evaluate(p)
            low[own], high[own] = values[lower], values[upper]
        return low, np.maximum(low, high)

    def flow(self, p: Floats, drift: Floats) -> Floats:
        """The derivative of the lower function in the direction ``drift``, which is shaped like ``p``."""
        found = np.empty((len(self.ids), p.shape[1]))
        for evaluate, own, lower, _ in self.parts:
            found[own] = evaluate.flow(p, drift)[lower]
        return found

    def never(self, may: Flags) -> Flags:
        """Which consumers cannot fail while only variables that ``may`` be true are."""
        return self._each(lambda evaluate, _, upper: evaluate.never(may)[upper])

    def always(self, must: Flags) -> Flags:
        """Which consumers fail for certain while all variables that ``must`` be true are."""
        return self._each(lambda evaluate, lower, _: evaluate.always(must)[lower])

    def _each(self, answer: Callable[[Evaluator, Numbers, Numbers], Flags]) -> Flags:
        found = np.zeros(len(self.ids), dtype=np.bool_)
        for evaluate, own, lower, upper in self.parts:
            found[own] = answer(evaluate, lower, upper)
        return found


def functions(failing: Mapping[str, Failing]) -> Functions:
    """Lay out the functions of all consumers given; those of one diagram share what they have in common."""
    by_diagram: dict[int, list[int]] = {}
    known = list(failing.values())
    for i, own in enumerate(known):
        by_diagram.setdefault(id(own.diagram), []).append(i)
    parts = []
    for numbers in by_diagram.values():
        place: dict[int, int] = {}
        lower = [place.setdefault(known[i].lower, len(place)) for i in numbers]
        upper = [place.setdefault(known[i].upper, len(place)) for i in numbers]
        evaluator = Evaluator(known[numbers[0]].diagram, list(place))
        parts.append((evaluator, np.array(numbers), np.array(lower), np.array(upper)))
    return Functions(tuple(failing), np.array([own.exact for own in known], dtype=np.bool_), tuple(parts))


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


def over_mission(
    structure: Structure, table: RateTable, hours: float, ready: Functions | None = None
) -> dict[str, OverMission]:
    """Return for each consumer its unavailability at ``hours``, the mean of it, and the expected failures up to then.

    ``ready`` may hold the functions of some consumers, laid out; by default those of all. Where a rate is missing that
    matters the numbers are NaN.
    """
    ready = ready or functions(structure.failing)
    relevant = [structure.relevant(id_) for id_ in ready.ids]
    repaired = np.array([bool((table.repairs_per_hour[own] > 0.0).any()) for own in relevant], dtype=np.bool_)
    # Repair and rates that use up their component bend the curve near the start; else it is almost straight.
    used_up = np.array([bool((table.per_hour[own] * hours > 1).any()) for own in relevant], dtype=np.bool_)
    start, end = _ends(ready, table, hours)
    mean = np.empty((2, len(ready.ids)))
    # Nothing comes back without repair, so each failure shows once, as growth of the unavailability. The start has no
    # gap worth speaking of: only operations can have failed then, and they fail nothing by themselves.
    failures = np.maximum(0.0, end - start[::-1])
    for brisk, panels in ((True, _PANELS), (False, 1)):
        own = np.flatnonzero((repaired | used_up) == brisk)
        if not len(own):
            continue
        span = mission(hours, panels)
        curve = np.stack(ready.bounds(table.probabilities(span.times)))
        mean[:, own] = (curve @ span.weights)[:, own] / hours
        if repaired[own].any():
            rates = frequency(structure, ready, table, span.times, repaired)
            failures[:, repaired] = (rates @ span.weights)[:, repaired]
    return {
        id_: OverMission(Span(*end[:, i].tolist()), Span(*mean[:, i].tolist()), Span(*failures[:, i].tolist()))
        for i, id_ in enumerate(ready.ids)
    }


def _ends(ready: Functions, table: RateTable, hours: float) -> tuple[Floats, Floats]:
    """Lower and upper unavailability at the start and at the end, both of shape (2, consumers)."""
    found = np.stack(ready.bounds(table.probabilities(np.array([0.0, hours]))))
    return found[:, :, 0], found[:, :, 1]


def frequency(structure: Structure, ready: Functions, table: RateTable, times: Floats, wanted: Flags) -> Floats:
    """Failures per hour at ``times``: lower and upper bound, equal where the function is exact; NaN where not wanted.

    Shape (2, consumers, times). The frequency is the derivative of the unavailability along the flow of probability
    into the events, without that of repair.
    """
    states = table.states(times)
    p = table.conditional(states)
    entering = np.where(np.isnan(table.per_hour[:, None]), 0.0, table.per_hour[:, None]) * table.whole(states)
    entering[~np.isnan(table.fixed)] = 0.0
    found: Floats = np.full((2, len(ready.ids), len(times)), np.nan)
    exact = np.flatnonzero(ready.exact & wanted)
    if len(exact):
        found[:, exact] = ready.flow(p, table.drift(states, entering))[exact]
    for i in np.flatnonzero(~ready.exact & wanted).tolist():
        own = structure.failing[ready.ids[i]]
        found[:, i] = _frequency_between(own, structure.relevant(ready.ids[i]), table, states, entering)
    return found


def _frequency_between(
    own: Failing, relevant: Sequence[int], table: RateTable, states: Floats, entering: Floats
) -> Floats:
    """Bounds on the failures per hour of a consumer between two functions: shape (2, times)."""
    p = table.conditional(states)
    low_value, low_slope = Evaluator(own.diagram, [own.lower]).gradient(p)
    high_value, high_slope = Evaluator(own.diagram, [own.upper]).gradient(p)
    whole_low, with_low = split(table, states, low_value, steps(table, p, low_slope))
    whole_high, with_high = split(table, states, high_value, steps(table, p, high_slope))
    low, high = np.zeros(p.shape[1]), np.zeros(p.shape[1])
    for i in relevant:
        low += entering[i] * np.maximum(0.0, with_low[i] - whole_high[i])
        high += entering[i] * np.maximum(0.0, with_high[i] - whole_low[i])
    return np.stack([low, high])


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
    return float(probability(diagram, root, list(q.values())))


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
