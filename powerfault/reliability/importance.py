"""Which components matter most to a consumer: the classical importance measures, exact where the function is.

With U the unavailability, U(1) and U(0) the unavailability where the component has failed or is whole for certain:

* *Birnbaum*: U(1) - U(0), how much it matters whether it works;
* *Fussell-Vesely*: by the convention ``(U - U(0)) / U``, the share of U that would go if it never failed. Two others
  are in use, the probability that some minimal cut with it has happened over U (``"union"``), and the same as sums
  of cut probabilities (``"rare"``): :func:`fussell_vesely` gives them from cut sets;
* *risk achievement worth*: U(1) / U; *risk reduction worth*: U / U(0), infinite where nothing is left.

A component that can fail in several modes has failed in them in proportion to their probabilities. Common causes and
operations stand in the same list. Sources: Z. W. Birnbaum, On the Importance of Different Components in a
Multicomponent System (1969); W. E. Vesely and others, Measures of Risk Importance, NUREG/CR-3385 (1983).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import prod

import numpy as np

from powerfault.reliability.diagram_values import Evaluator
from powerfault.reliability.probability import union_probability
from powerfault.reliability.rates import Floats, RateTable
from powerfault.reliability.structure import Structure
from powerfault.reliability.variables import EVENT

CONVENTION = "(U - U0) / U, the share of the unavailability that goes if the component never fails"


@dataclass(frozen=True, slots=True)
class Importance:
    """What one component (or common cause, or operation) means to one consumer.

    ``probability`` is that of its having failed; ``if_failed`` and ``if_whole`` are U(1) and U(0).
    """

    id: str
    role: str
    probability: float
    if_failed: float
    if_whole: float
    unavailability: float

    @property
    def birnbaum(self) -> float:
        return self.if_failed - self.if_whole

    @property
    def fussell_vesely(self) -> float:
        return _ratio(self.unavailability - self.if_whole, self.unavailability)

    @property
    def risk_achievement(self) -> float:
        return _ratio(self.if_failed, self.unavailability)

    @property
    def risk_reduction(self) -> float:
        return _ratio(self.unavailability, self.if_whole)


def _ratio(a: float, b: float) -> float:
    if b > 0:
        return a / b
    return math.inf if a > 0 else math.nan


def importance(
    structure: Structure, table: RateTable, consumer: str, hours: float, columns: int = 512
) -> list[Importance]:
    """Return the importance of everything relevant to a consumer at ``hours``, the greatest share first.

    Where only bounds are known, the lower one (all known cut sets) is used. Two evaluations of the consumer's diagram
    for each component, one more for each further mode.
    """
    own = structure.failing[consumer]
    evaluate = Evaluator(own.diagram, [own.lower])
    relevant = set(own.diagram.support(own.lower))
    state = table.states(hours)[:, 0]
    base = table.conditional(state[:, None])[:, 0]
    u = float(evaluate(base)[0])
    cases: list[tuple[list[int], int | None]] = []
    chains = [list(chain) for chain in table.chains if relevant.intersection(chain)]
    for chain in chains:
        cases.append((chain, None))
        cases.extend((chain, i) for i in chain)
    values = np.empty(len(cases))
    for start in range(0, len(cases), columns):
        part = cases[start : start + columns]
        p: Floats = np.repeat(base[:, None], len(part), axis=1)
        for column, (chain, mode) in enumerate(part):
            p[chain, column] = 0.0
            if mode is not None:
                p[mode, column] = 1.0
        values[start : start + columns] = evaluate(p)[0]
    found = []
    at = 0
    for chain in chains:
        whole, modes = float(values[at]), values[at + 1 : at + 1 + len(chain)]
        at += 1 + len(chain)
        chances = state[chain]
        total = float(chances.sum())
        weights = chances / total if total > 0 else np.full(len(chain), 1.0 / len(chain))
        variable = structure.variables[chain[0]]
        id_ = variable.component if variable.role == EVENT else variable.name
        found.append(Importance(id_, variable.role, total, float((weights * modes).sum()), whole, u))
    # Shares within rounding of each other count as equal, so that the order does not hang on the last bit.
    return sorted(found, key=lambda x: (-round(x.fussell_vesely, 12) if u > 0 else 0.0, -round(x.birnbaum, 15), x.id))


def fussell_vesely(cuts: Sequence[Iterable[str]], q: Mapping[str, float], id_: str, convention: str = "whole") -> float:
    """Fussell-Vesely importance from minimal cut sets by a named convention.

    ``"whole"``: (U - U(0)) / U, the one used in results; ``"union"``: P(some cut with it has happened) / U;
    ``"rare"``: the sum of the cuts with it over the sum of all.
    """
    sets = [frozenset(c) for c in cuts]
    with_it = [c for c in sets if id_ in c]
    if convention == "rare":
        return sum(prod(q[e] for e in c) for c in with_it) / sum(prod(q[e] for e in c) for c in sets)
    u = union_probability(sets, q)
    if convention == "union":
        return union_probability(with_it, q) / u
    if convention == "whole":
        return (u - union_probability(sets, {**q, id_: 0.0})) / u
    raise ValueError(f"unknown convention {convention!r}; expected whole, union or rare")
