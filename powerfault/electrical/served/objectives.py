"""What is sought of served load in turn: kilowatts by priority, then loads without a demand, then the least effort."""

from __future__ import annotations

from math import gcd
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from powerfault.electrical.served.service_model import ServiceModel

MICRO = 1_000_000
LARGEST_GOAL = 50_000
"""The largest value of an objective made of several: with integrality to 1e-7 it is right to a hundredth of a unit."""


def goals(model: ServiceModel) -> list[dict[int, float]]:
    """Return the objectives in turn, in whole units: the kW of each priority, then the loads that take nothing.

    Several in a row become one where whole-number weights keep them apart exactly, that is where one unit of the
    first outweighs all of the next and the sum stays small enough for the solver's arithmetic.
    """
    groups: dict[int, dict[int, int]] = {}
    silent: dict[int, int] = {}
    for v in model.judged:
        units = round(model.demand[v] * MICRO)
        if units > 0:
            groups.setdefault(model.plant.priority[v], {})[model.s[v]] = units
        else:
            silent[model.s[v]] = 1
    found: list[dict[int, int]] = []
    for goal in (*(groups[p] for p in sorted(groups)), *([silent] if silent else [])):
        unit = gcd(*goal.values())
        reduced = {c: w // unit for c, w in goal.items()}
        step = sum(reduced.values()) + 1
        if found and sum(found[-1].values()) * step <= LARGEST_GOAL:
            found[-1] = {c: w * step for c, w in found[-1].items()} | reduced
        else:
            found.append(reduced)
    return [{c: float(w) for c, w in goal.items()} for goal in found]


def effort(model: ServiceModel) -> dict[int, float]:
    """Return the costs of positions: operations; then, far below one, closings of what tripped and matings.

    Where the model has positions to stay near to, departures from those come before all of that.
    """
    plant, surviving = model.plant, model.surviving
    big = float(len(model.p) + 1)
    costs: dict[int, float] = {}
    for v, column in model.p.items():
        if v in surviving.mateable:
            cost = 1.0
        elif v not in plant.normally_closed:
            cost = big
        elif v in surviving.tripped:
            cost = 1.0
        else:
            cost = -big
        if model.near is not None and v in surviving.movable:
            cost += big * big * (-1.0 if v in model.near else 1.0)
        costs[column] = cost
    return costs
