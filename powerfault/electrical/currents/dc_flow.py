"""Which voltages a DC network with constant-power loads settles at, and whether there are any.

A constant-power load draws more current the lower its voltage, so the equations have several roots or none. The one
at which equipment works is the highest. With V0 the voltages without load and Z the resistances seen from the load
nodes, it is the greatest root of F(V) = V - V0 + Z (P / V) = 0. F is convex in every component for V > 0 and Z >= 0;
at and above its greatest root its Jacobian I - Z diag(P / V^2) is an M-matrix. Newton's method begun at V0 therefore
falls monotonically onto the greatest root if there is a root, and an iterate that rises, or leaves V > 0, proves that
there is none (monotone Newton theorem). No root below is ever reported.

One-way branches (diodes) and feeders that cannot take power back are settled by switching off those that run
backwards and solving again (and where that goes in circles by ``currents.conduction``). A feeder asked
for more than its greatest current lets its voltage sag and gives that current: a constant, which adds to V0 and leaves
the argument above as it is.

Sources: J. M. Ortega and W. C. Rheinboldt, Iterative Solution of Nonlinear Equations in Several Variables (1970),
section 13.3 (monotone Newton theorem, from memory); two-bus closed form in ``currents.conductors``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from powerfault.electrical.currents.conduction import settle
from powerfault.errors import RequestError

OPERATING, NO_POINT, UNSETTLED, OVERLOADED = "operating", "no operating point", "not settled", "overloaded"
MAX_NEWTON = 200
MAX_SWITCHING = 60
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
    consistent set of conducting one-way branches was found; ``overloaded`` means that none was found within the
    greatest currents of the feeders.
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


def solve_dc(
    branches: Sequence[Branch],
    held_v: Mapping[str, float],
    loads_w: Mapping[str, float],
    most_a: Mapping[str, float] | None = None,
) -> DcFlow:
    """Solve one network. ``held_v`` holds nodes at a voltage (they give power, never take it); ``loads_w`` draw.

    ``most_a`` bounds the current that held nodes give; where it is reached, the node's voltage sags instead. Nodes are
    those named by branches, held nodes and loads. Raises :class:`RequestError` for a resistance that is not above 0, a
    voltage not above 0 or a power below 0. Cost: one dense inverse of the free nodes for each set of conducting
    one-way branches tried.

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
    limits = {n: a for n, a in (most_a or {}).items() if n in held_v and a < float("inf")}
    if not branches:
        given = {n: loads_w.get(n, 0.0) for n in held_v}
        if any(given[n] > a * held_v[n] * (1 + 1e-9) + 1e-6 for n, a in limits.items()):
            return DcFlow(OVERLOADED, stressed=tuple(limits))
        return DcFlow(OPERATING, dict(held_v), {}, given, dead=frozenset(n for n in loads_w if n not in held_v))
    blocked: set[str] = set()
    seen: set[frozenset[str]] = set()
    for _ in range(MAX_SWITCHING):
        flow = _solve_fixed(names, branches, held_v, loads_w, blocked, limits)
        if not flow.operates:
            return flow
        change = _backwards(branches, held_v, flow, blocked, limits)
        if not change:
            return flow
        state = frozenset(blocked ^ change)
        if state in seen:
            break
        seen.add(state)
        blocked = set(state)
    # Trial and error goes in circles: name the conducting set by another method, and solve exactly for it.
    named = settle(names, branches, held_v, loads_w, limits)
    hungry = tuple(sorted(n for n in loads_w if loads_w[n] > 0))
    if named is None:
        return DcFlow(OVERLOADED if limits else NO_POINT, stressed=hungry)
    flow = _solve_fixed(names, branches, held_v, loads_w, named, limits)
    if flow.operates and _backwards(branches, held_v, flow, named, limits):
        return DcFlow(UNSETTLED, stressed=hungry)
    return flow


def _backwards(
    branches: Sequence[Branch], held_v: Mapping[str, float], flow: DcFlow, blocked: set[str],
    limits: Mapping[str, float],
) -> set[str]:  # fmt: skip
    """What must change: one-way branches and feeders that run backwards, and blocked ones that would now conduct.

    Among the blocked a feeder that gives nothing is named ``held:<node>``, one at its limit ``most:<node>``.
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
        key, most = f"held:{node}", f"most:{node}"
        if key in blocked:
            if volts.get(node, 0.0) < wanted - 1e-9:
                change.add(key)
        elif most in blocked:
            if volts.get(node, 0.0) > wanted + 1e-9 or node in flow.dead:
                change.add(most)
        elif flow.given_w[node] < -1e-3:
            change.add(key)
        elif node in limits and flow.given_w[node] > limits[node] * wanted * (1 + 1e-9) + 1e-6:
            change.add(most)
    return change


def _solve_fixed(
    names: Sequence[str], branches: Sequence[Branch], held_v: Mapping[str, float], loads_w: Mapping[str, float],
    blocked: set[str], limits: Mapping[str, float],
) -> DcFlow:  # fmt: skip
    index = {name: i for i, name in enumerate(names)}
    active = [b for b in branches if b.id not in blocked and b.start != b.end]
    limited = [n for n in held_v if f"most:{n}" in blocked]
    holding = {n: v for n, v in held_v.items() if f"held:{n}" not in blocked and n not in limited}
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
        pushed = np.zeros(len(names))
        for name in limited:
            pushed[index[name]] = limits[name]
        pull = conductance[np.ix_(free, held)] @ offset[held] - pushed[free]
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
    given |= {name: volts[name] * limits[name] for name in limited if name in volts}
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
