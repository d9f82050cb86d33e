"""Which voltages a DC network with constant-power loads settles at, and whether there are any.

A constant-power load draws more current the lower its voltage, so the equations have several roots or none. The one
at which equipment works is the highest. With V0 the voltages without load and Z the resistances seen from the load
nodes, it is the greatest root of F(V) = V - V0 + Z (P / V) = 0. F is convex in every component for V > 0 and Z >= 0;
at and above its greatest root its Jacobian I - Z diag(P / V^2) is an M-matrix. Newton's method begun at V0 therefore
falls monotonically onto the greatest root if there is a root, and an iterate that rises, or leaves V > 0, proves that
there is none (monotone Newton theorem). No root below is ever reported.

One-way branches (diodes) and feeders that cannot take power back are settled by switching off those that run
backwards and solving again.

Sources: J. M. Ortega and W. C. Rheinboldt, Iterative Solution of Nonlinear Equations in Several Variables (1970),
section 13.3 (monotone Newton theorem, from memory); two-bus closed form in :mod:`powerfault.measures.conductors`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from powerfault.errors import RequestError

OPERATING, NO_POINT, UNSETTLED = "operating", "no operating point", "not settled"
MAX_NEWTON = 200
MAX_SWITCHING = 200
Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Branch:
    """A resistance between two nodes, there and back; ``one_way`` passes current from ``start`` to ``end`` only."""

    id: str
    start: str
    end: str
    resistance_ohm: float
    one_way: bool = False


@dataclass(frozen=True, slots=True)
class DcFlow:
    """The solution: V by node, A by branch (positive from start to end), W by held node (positive: it gives).

    ``dead`` holds the nodes that no held node reaches; they have no voltage. With the status ``no operating point``
    the mappings are empty and ``stressed`` names the nodes at which the iteration broke down; with ``not settled`` no
    consistent set of conducting one-way branches was found, and ``stressed`` names those last blocked.
    """

    status: str
    voltage_v: Mapping[str, float] = field(default_factory=dict)
    current_a: Mapping[str, float] = field(default_factory=dict)
    given_w: Mapping[str, float] = field(default_factory=dict)
    loss_w: float = 0.0
    blocked: frozenset[str] = frozenset()
    dead: frozenset[str] = frozenset()
    stressed: tuple[str, ...] = ()

    @property
    def operates(self) -> bool:
        return self.status == OPERATING


def solve_dc(branches: Sequence[Branch], held_v: Mapping[str, float], loads_w: Mapping[str, float]) -> DcFlow:
    """Solve one network. ``held_v`` holds nodes at a voltage (they give power, never take it); ``loads_w`` draw.

    Nodes are those named by branches, held nodes and loads. Raises :class:`RequestError` for a resistance that is not
    above 0, a voltage not above 0 or a power below 0. Cost: one dense inverse of the free nodes.

    >>> line = Branch("line", "A", "B", 0.25)
    >>> flow = solve_dc([line], {"A": 120.0}, {"B": 5000.0})
    >>> round(flow.voltage_v["B"], 4), round(flow.current_a["line"], 4)
    (108.4768, 46.0928)
    >>> solve_dc([line], {"A": 120.0}, {"B": 14401.0}).status
    'no operating point'
    """
    for branch in branches:
        if not branch.resistance_ohm > 0:
            raise RequestError(f"branch {branch.id}: expected a resistance above 0 ohm, found {branch.resistance_ohm}")
    for node, volts in held_v.items():
        if not volts > 0:
            raise RequestError(f"node {node}: expected a held voltage above 0 V, found {volts}")
    for node, watts in loads_w.items():
        if not watts >= 0:
            raise RequestError(f"node {node}: expected a load of 0 W or more, found {watts}")
    names = list(dict.fromkeys([*(n for b in branches for n in (b.start, b.end)), *held_v, *loads_w]))
    blocked: set[str] = set()
    seen: set[frozenset[str]] = set()
    for _ in range(MAX_SWITCHING):
        flow = _solve_fixed(names, branches, held_v, loads_w, blocked)
        if not flow.operates:
            return flow
        change = _backwards(branches, held_v, flow, blocked)
        if not change:
            return flow
        state = frozenset(blocked ^ change)
        if state in seen:  # going in circles: change one thing at a time
            change = {min(change)}
            state = frozenset(blocked ^ change)
        seen.add(state)
        blocked = set(state)
    return DcFlow(UNSETTLED, stressed=tuple(sorted(blocked)))


def _backwards(branches: Sequence[Branch], held_v: Mapping[str, float], flow: DcFlow, blocked: set[str]) -> set[str]:
    """What must change: one-way branches and feeders that run backwards, and blocked ones that would now conduct.

    A feeder is named ``held:<node>`` among the blocked.
    """
    change = set()
    volts = flow.voltage_v
    for branch in branches:
        if not branch.one_way:
            continue
        if branch.id in blocked:
            if volts.get(branch.start, 0.0) > volts.get(branch.end, 0.0) + 1e-8:
                change.add(branch.id)
        elif flow.current_a.get(branch.id, 0.0) < -1e-5:
            change.add(branch.id)
    for node, wanted in held_v.items():
        key = f"held:{node}"
        if key in blocked:
            if volts.get(node, 0.0) < wanted - 1e-9:
                change.add(key)
        elif flow.given_w[node] < -1e-3:
            change.add(key)
    return change


def _solve_fixed(
    names: Sequence[str], branches: Sequence[Branch], held_v: Mapping[str, float], loads_w: Mapping[str, float],
    blocked: set[str],
) -> DcFlow:  # fmt: skip
    index = {name: i for i, name in enumerate(names)}
    active = [b for b in branches if b.id not in blocked and b.start != b.end]
    holding = {n: v for n, v in held_v.items() if f"held:{n}" not in blocked}
    conductance = np.zeros((len(names), len(names)))
    for branch in active:
        i, j, g = index[branch.start], index[branch.end], 1 / branch.resistance_ohm
        conductance[i, i] += g
        conductance[j, j] += g
        conductance[i, j] -= g
        conductance[j, i] -= g
    reached = _reached(names, active, holding)
    # Differences from one reference are solved for, not voltages: the current through a contact of a micro-ohm is
    # then the difference of two small numbers and keeps its digits.
    reference = max(holding.values(), default=0.0)
    offset = np.zeros(len(names))
    for name, wanted in holding.items():
        offset[index[name]] = wanted - reference
    held = np.array([index[n] for n in holding], dtype=np.intp)
    free = np.array([index[n] for n in names if n in reached and n not in holding], dtype=np.intp)
    power = np.array([loads_w.get(n, 0.0) for n in names])
    if len(free):
        pull = conductance[np.ix_(free, held)] @ offset[held]
        found = _greatest_root(conductance[np.ix_(free, free)], pull, power[free], reference)
        if isinstance(found, int):
            return DcFlow(NO_POINT, stressed=(names[int(free[found])],))
        offset[free] = found
    volts = {n: reference + float(offset[index[n]]) for n in names if n in reached}
    current = {
        b.id: float(offset[index[b.start]] - offset[index[b.end]]) / b.resistance_ohm if b.start in volts else 0.0
        for b in active
    } | {b.id: 0.0 for b in branches if b.id in blocked or b.start == b.end}
    given = dict.fromkeys(held_v, 0.0)
    for name in holding:
        leaving = sum(current[b.id] for b in active if b.start == name)
        arriving = sum(current[b.id] for b in active if b.end == name)
        given[name] = volts[name] * (leaving - arriving) + loads_w.get(name, 0.0)
    loss = sum(current[b.id] ** 2 * b.resistance_ohm for b in active)
    dead = frozenset(n for n in names if n not in reached)
    return DcFlow(OPERATING, volts, current, given, loss, frozenset(blocked), dead)


def _reached(names: Sequence[str], active: Sequence[Branch], holding: Mapping[str, float]) -> set[str]:
    neighbours: dict[str, list[str]] = {n: [] for n in names}
    for branch in active:
        neighbours[branch.start].append(branch.end)
        neighbours[branch.end].append(branch.start)
    reached, waiting = set(holding), list(holding)
    while waiting:
        for other in neighbours[waiting.pop()]:
            if other not in reached:
                reached.add(other)
                waiting.append(other)
    return reached


def _greatest_root(inner: Vector, pull: Vector, power: Vector, reference: float) -> Vector | int:
    """The greatest root of the free nodes less ``reference``, or the index of the node where none is shown to be."""
    impedance = np.linalg.inv(inner)
    unloaded = -impedance @ pull
    offset = unloaded.copy()
    if not power.any():
        return offset
    for _ in range(MAX_NEWTON):
        voltage = reference + offset
        gap = offset - unloaded + impedance @ (power / voltage)
        jacobian = np.eye(len(power)) - impedance * (power / voltage**2)
        try:
            step = np.linalg.solve(jacobian, gap)
        except np.linalg.LinAlgError:
            return int(np.argmin(offset))
        if np.max(np.abs(step)) <= 1e-14 * reference:
            return offset - step
        after = voltage - step
        if (after <= 0).any():
            return int(np.argmin(after))
        rising = step < -1e-9 * reference
        if rising.any():
            return int(np.argmax(rising))
        offset = offset - step
        if np.max(np.abs(gap)) <= 1e-15 * reference:
            return offset
    return int(np.argmin(offset))


def greatest_scale(
    branches: Sequence[Branch], held_v: Mapping[str, float], loads_w: Mapping[str, float], tolerance: float = 1e-6
) -> float:
    """By what factor all loads together could grow before there is no operating point (below 1: there is none now).

    Found by bisection; infinite where no load lies behind a resistance.

    >>> round(greatest_scale([Branch("line", "A", "B", 0.05)], {"A": 28.0}, {"B": 1000.0}), 4)
    3.92
    """

    def works(scale: float) -> bool:
        return solve_dc(branches, held_v, {n: scale * p for n, p in loads_w.items()}).operates

    high = 1.0
    while works(high):
        high *= 2
        if high > 1e9:
            return float("inf")
    low = high / 2 if high > 1 else 0.0
    while high - low > tolerance * high:
        middle = (low + high) / 2
        low, high = (middle, high) if works(middle) else (low, middle)
    return low
