"""Which one-way branches conduct and which feeders are at their limit, in a network in which trial and error circles.

With the loads as fixed currents the network is the gradient of a convex energy: resistances and diodes give quadratic
terms (a diode on one side only), a feeder one that is quadratic up to its greatest current and linear beyond. Newton
steps with a line search find its least point whatever the start. The loads' currents then follow from the voltages
found, and the whole is repeated; begun without load it falls onto the operating point from above, as the fixed-point
iteration does. Contacts of a micro-ohm stand for feeders, so what is found here only names the set of conducting
parts; the flow is then solved exactly for that set and checked.

Source: L. O. Chua and others on resistive networks as convex programs (content and co-content; from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

CONTACT_S = 1e6
TINY_S = 1e-6
"""Leak that pulls down what nothing drives, so that an idle feeder is found to hold its own node."""
MAX_LOAD_ROUNDS = 60
MAX_NEWTON = 200


class OneWay(Protocol):
    """What is asked of a branch."""

    @property
    def id(self) -> str: ...
    @property
    def start(self) -> str: ...
    @property
    def end(self) -> str: ...
    @property
    def resistance_ohm(self) -> float: ...
    @property
    def one_way(self) -> bool: ...


def settle(
    names: Sequence[str],
    branches: Sequence[OneWay],
    held_v: Mapping[str, float],
    loads_w: Mapping[str, float],
    most_a: Mapping[str, float],
) -> set[str] | None:
    """Return what does not conduct (branches by id, ``held:`` and ``most:`` feeders); ``None`` where loads starve."""
    index = {name: i for i, name in enumerate(names)}
    n = len(names)
    start = np.array([index[b.start] for b in branches], dtype=np.intp)
    end = np.array([index[b.end] for b in branches], dtype=np.intp)
    conductance = np.array([1 / b.resistance_ohm for b in branches])
    one_way = np.array([b.one_way for b in branches], dtype=bool)
    feeder = np.array([index[f] for f in held_v], dtype=np.intp)
    reference = max(held_v.values())
    wanted = np.array([v - reference for v in held_v.values()])
    most = np.array([most_a.get(f, np.inf) for f in held_v])
    watts = np.array([loads_w.get(name, 0.0) for name in names])
    offset = np.zeros(n)
    amperes = watts / reference
    for _ in range(MAX_LOAD_ROUNDS):
        found = _least_energy(offset, amperes, start, end, conductance, one_way, feeder, wanted, most)
        if found is None or (reference + found[watts > 0] <= 0.05 * reference).any():
            return None
        moved = np.max(np.abs(found - offset), initial=0.0)
        offset = found
        amperes = np.where(watts > 0, watts / np.maximum(reference + offset, 0.05 * reference), 0.0)
        if moved < 1e-10 * reference:
            break
    blocked = {b.id for b, i, j in zip(branches, start, end, strict=True) if b.one_way and offset[i] <= offset[j]}
    for name, node, volts, limit in zip(held_v, feeder, wanted, most, strict=True):
        given = CONTACT_S * (volts - offset[node])
        if given < -1e-3:
            blocked.add(f"held:{name}")
        elif given >= limit:
            blocked.add(f"most:{name}")
    return blocked


def _least_energy(
    offset: NDArray[np.float64], amperes: NDArray[np.float64], start: NDArray[np.intp], end: NDArray[np.intp],
    conductance: NDArray[np.float64], one_way: NDArray[np.bool_], feeder: NDArray[np.intp],
    wanted: NDArray[np.float64], most: NDArray[np.float64],
) -> NDArray[np.float64] | None:  # fmt: skip
    """The voltages (less the reference) at which currents balance, or ``None`` where the energy has no least point."""
    knee = most / CONTACT_S
    floor = float(np.min(wanted)) - 1.0

    def energy(v: NDArray[np.float64]) -> float:
        across = v[start] - v[end]
        across = np.where(one_way & (across < 0), 0.0, across)
        below = np.maximum(wanted - v[feeder], 0.0)
        given = np.where(below <= knee, 0.5 * CONTACT_S * below**2, _linear(most, below, knee))
        return float(
            0.5 * conductance @ across**2 + given.sum() + amperes @ v + 0.5 * TINY_S * (v - floor) @ (v - floor)
        )

    def slope(v: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.float64]]:
        """The gradient (amperes out of balance at each node), the conducting branches, the feeders' sag."""
        across = v[start] - v[end]
        on = ~one_way | (across >= 0)
        flow = np.where(on, conductance * across, 0.0)
        below = wanted - v[feeder]
        gradient = amperes + TINY_S * (v - floor)
        np.add.at(gradient, start, flow)
        np.subtract.at(gradient, end, flow)
        np.subtract.at(gradient, feeder, np.clip(CONTACT_S * below, 0.0, most))
        return gradient, on, below

    v = offset.copy()
    gradient, on, below = slope(v)
    for _ in range(MAX_NEWTON):
        worst = float(np.max(np.abs(gradient)))
        if worst < 1e-8:
            break
        hessian = np.diag(np.full(len(v), TINY_S))
        g = np.where(on, conductance, 0.0)
        np.add.at(hessian, (start, start), g)
        np.add.at(hessian, (end, end), g)
        np.subtract.at(hessian, (start, end), g)
        np.subtract.at(hessian, (end, start), g)
        holding = (below >= 0) & (below < knee)
        np.add.at(hessian, (feeder[holding], feeder[holding]), CONTACT_S)
        step = np.linalg.solve(hessian, gradient)
        here, fall, length = energy(v), float(gradient @ step), 1.0
        while length > 1e-14:
            tried, there = slope(v - length * step), energy(v - length * step)
            # Near the least point the fall drowns in rounding, and the currents out of balance tell more.
            as_low = there <= here + 1e-12 * max(1.0, abs(here))
            if there <= here - 1e-4 * length * fall or (as_low and np.max(np.abs(tried[0])) < 0.5 * worst):
                break
            length /= 2
        else:
            break  # as near as rounding lets it
        v = v - length * step
        gradient, on, below = tried
        if np.min(v) < -1e4:
            return None
    return v if np.max(np.abs(gradient)) < 1e-3 else None


def _linear(most: NDArray[np.float64], below: NDArray[np.float64], knee: NDArray[np.float64]) -> NDArray[np.float64]:
    """Energy of a feeder beyond its greatest current; 0 for one without (never beyond it)."""
    finite = np.isfinite(most)
    limit, bend = np.where(finite, most, 0.0), np.where(finite, knee, 0.0)
    return limit * (below - bend) + 0.5 * CONTACT_S * bend**2
