"""From failure rates and repair times to probabilities, at any time, for every variable of a structure.

Each component is a small Markov process: whole, or in one of its modes; it leaves the whole state into mode m at the
constant rate ``l_m`` and returns at ``1 / repair_h`` (without ``repair_h`` it is not repaired within the mission).
With ``L`` the sum of the rates and ``m = 1 / repair_h`` it is not whole at time t, having been whole at 0, with
probability ``L / (L + m) (1 - exp(-(L + m) t))``, shared among its modes as ``l_m / L``. A common cause is such a
process of its own. An operation fails when asked with a fixed probability.

A plain number in ``failures_per_million_hours`` is the rate of ``loss`` (or of the one mode that the component's
``modes`` leaves it); other modes need rates of their own. What is not given is missing, never zero.

Common cause by ``beta`` (the beta-factor model): the share ``beta`` of each member's rate in the group's mode is
taken out of the member and given to the one event that fails all. Where members' rates differ the event has the
greatest of their shares, which errs on the safe side. It is repaired when the slowest member is, unless the group
gives ``repair_h``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from powerfault.model.elements import Component, Event, Topology
from powerfault.model.likelihood_fields import CommonCause
from powerfault.reliability.variables import CAUSE, EVENT, OPERATION, SharedCause, Variable

Floats = npt.NDArray[np.float64]
PER_MILLION = 1e-6


@dataclass(frozen=True, slots=True)
class Rate:
    """``per_hour`` is ``None`` where the file does not say; ``repair_h`` is ``None`` where there is no repair."""

    per_hour: float | None
    repair_h: float | None = None
    error_factor: float | None = None


def mode_rate(component: Component, mode: str) -> float | None:
    """Failures per hour of a component in a mode, or ``None`` where the file does not say.

    >>> mode_rate(Component(id="A", kind="bus", failures_per_million_hours=2.0), "loss")
    2e-06
    >>> mode_rate(Component(id="A", kind="bus", failures_per_million_hours=2.0), "short")
    """
    given = component.failures_per_million_hours
    if given is None:
        return None
    if isinstance(given, Mapping):
        found = given.get(mode)
    else:
        own = component.applicable_modes
        found = given if mode == (own[0] if len(own) == 1 else "loss") else None
    return None if found is None else float(found) * PER_MILLION


def rated_modes(topologies: Iterable[Topology], modes: Iterable[str]) -> tuple[str, ...]:
    """Those of ``modes`` in which some component that can fail in it has a rate."""
    components = [c for t in topologies for c in t.components.values()]
    return tuple(m for m in modes if any(m in c.applicable_modes and mode_rate(c, m) is not None for c in components))


def shared_causes(causes: Sequence[CommonCause], modes: Sequence[str]) -> tuple[SharedCause, ...]:
    """The events of each cause whose mode is among ``modes``."""
    return tuple(SharedCause(c.name, tuple(Event(m, c.mode) for m in c.members)) for c in causes if c.mode in modes)


def independent_rates(topology: Topology, causes: Sequence[CommonCause] = ()) -> dict[Event, Rate]:
    """The rate of each event on its own, with what the common causes take out of it."""
    share: dict[Event, float] = {}
    for cause in causes:
        for member in cause.members:
            event = Event(member, cause.mode)
            share[event] = share.get(event, 0.0) + (cause.beta or 0.0)
    rates = {}
    for c in topology.components.values():
        for mode in c.possible_modes:
            event = Event(c.id, mode)
            per_hour = mode_rate(c, mode)
            if per_hour is not None:
                per_hour *= max(0.0, 1.0 - share.get(event, 0.0))
            rates[event] = Rate(per_hour, c.repair_h, c.error_factor)
    return rates


def cause_rate(topology: Topology, cause: CommonCause) -> Rate:
    """The rate of the one event of a common cause; missing where a member's rate is."""
    members = [topology.components[m] for m in cause.members]
    if cause.failures_per_million_hours is not None:
        per_hour: float | None = cause.failures_per_million_hours * PER_MILLION
    else:
        rates = [mode_rate(c, cause.mode) for c in members]
        known = [r for r in rates if r is not None]
        per_hour = (cause.beta or 0.0) * max(known) if len(known) == len(rates) else None
    repair_h = cause.repair_h
    if repair_h is None and cause.failures_per_million_hours is None:
        repairs = [c.repair_h for c in members]
        repair_h = None if None in repairs else max(r for r in repairs if r is not None)
    return Rate(per_hour, repair_h, cause.error_factor)


@dataclass(frozen=True, slots=True)
class RateTable:
    """Rates of the variables of one structure, as arrays over variables.

    ``per_hour`` holds NaN where a rate is missing; ``repairs_per_hour`` 0 where there is no repair and infinity where
    repair takes no time; ``fixed`` the probability of an operation to fail, NaN for others; ``chain`` numbers the
    component of each variable.
    """

    variables: tuple[Variable, ...]
    per_hour: Floats
    repairs_per_hour: Floats
    fixed: Floats
    error_factor: Floats
    chains: tuple[tuple[int, ...], ...] = field(repr=False)

    def missing(self, among: Sequence[int] | None = None) -> list[Variable]:
        """The variables without a rate, all or those with the numbers given."""
        numbers = range(len(self.variables)) if among is None else among
        return [self.variables[i] for i in numbers if np.isnan(self.per_hour[i]) and np.isnan(self.fixed[i])]

    def with_operations(self, failure: Mapping[str, float]) -> RateTable:
        """The same table with other probabilities that the operation of a component (by id) fails."""
        fixed = self.fixed.copy()
        for i, v in enumerate(self.variables):
            if v.role == OPERATION and v.events[0].id in failure:
                fixed[i] = failure[v.events[0].id]
        return RateTable(self.variables, self.per_hour, self.repairs_per_hour, fixed, self.error_factor, self.chains)

    def states(self, hours: float | Floats, per_hour: Floats | None = None) -> Floats:
        """Probability that each variable's event is so at ``hours``: shape (variables, columns).

        ``hours`` is a number or one a column; ``per_hour`` may give other rates, shape (variables, columns). Modes of
        one component exclude each other. Missing rates give NaN.
        """
        rates = self.per_hour[:, None] if per_hour is None else per_hour
        t = np.atleast_1d(np.asarray(hours, dtype=np.float64))
        totals = self._by_chain(rates)
        repair = self.repairs_per_hour[:, None]
        leaving = totals + repair
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(rates == 0.0, 0.0, rates / leaving)
            grown = -np.expm1(-leaving * t[None, :])
            at_once = np.isinf(repair) | (rates == 0.0)
            found: Floats = np.where(at_once, np.where(np.isnan(rates), np.nan, 0.0), share * grown)
        given = ~np.isnan(self.fixed)
        found[given] = self.fixed[given][:, None]
        return found

    def probabilities(self, hours: float | Floats, per_hour: Floats | None = None) -> Floats:
        """As :meth:`states`, as the variables of a diagram want it: each mode given that no earlier one is so."""
        return self.conditional(self.states(hours, per_hour))

    def conditional(self, states: Floats) -> Floats:
        """Turn probabilities of exclusive modes into those of the independent variables that stand for them."""
        found = states.copy()
        for chain in self.chains:
            if len(chain) > 1:
                rest = np.ones(states.shape[1])
                for i in chain:
                    with np.errstate(divide="ignore", invalid="ignore"):
                        found[i] = np.where(rest > 0, np.minimum(states[i] / rest, 1.0), 0.0)
                    rest = rest - states[i]
        return found

    def drift(self, states: Floats, entering: Floats) -> Floats:
        """How fast the probabilities of :meth:`conditional` move as those of ``states`` grow by ``entering``."""
        found = entering.copy()
        for chain in self.chains:
            if len(chain) > 1:
                rest, entered = np.ones(states.shape[1]), np.zeros(states.shape[1])
                for i in chain:
                    with np.errstate(divide="ignore", invalid="ignore"):
                        moved = entering[i] / rest + states[i] / rest * (entered / rest)
                        found[i] = np.where(rest > 0, moved, 0.0)
                    rest = rest - states[i]
                    entered = entered + entering[i]
        return found

    def whole(self, states: Floats) -> Floats:
        """The probability that the component of each variable is whole (has none of its modes)."""
        found: Floats = 1.0 - self._by_chain(states)
        return found

    def _by_chain(self, values: Floats) -> Floats:
        """For each variable, the sum over the variables of its component."""
        sums = values.copy()
        for chain in self.chains:
            if len(chain) > 1:
                sums[list(chain)] = values[list(chain)].sum(axis=0)
        return sums


def rate_table(
    topology: Topology,
    variables: Sequence[Variable],
    causes: Sequence[CommonCause] = (),
    operations: Mapping[str, float] | None = None,
) -> RateTable:
    """Return the rates of ``variables``; ``operations`` gives the probability that operating a component fails."""
    own = independent_rates(topology, causes)
    by_name = {f"cause {c.name}": cause_rate(topology, c) for c in causes}
    failing = operations or {}
    per_hour, repair, fixed, error = [], [], [], []
    for v in variables:
        chance = np.nan
        if v.role == EVENT:
            rate = own.get(v.events[0], Rate(None))
        elif v.role == CAUSE:
            rate = by_name[v.name]
        else:
            rate = Rate(None)
            chance = failing.get(v.events[0].id, np.nan)
        per_hour.append(np.nan if rate.per_hour is None else rate.per_hour)
        repair.append(0.0 if rate.repair_h is None else (np.inf if rate.repair_h == 0 else 1.0 / rate.repair_h))
        fixed.append(chance)
        error.append(1.0 if rate.error_factor is None else rate.error_factor)
    chains: dict[str, list[int]] = {}
    for i, v in enumerate(variables):
        chains.setdefault(v.component, []).append(i)
    return RateTable(
        tuple(variables),
        np.array(per_hour),
        np.array(repair),
        np.array(fixed),
        np.array(error),
        tuple(map(tuple, chains.values())),
    )


def table_of_probabilities(variables: Sequence[Variable], q: Mapping[str, float]) -> RateTable:
    """A table in which variables by name have fixed probabilities, whatever the hours (for hand calculations)."""
    values = np.array([q[v.name] for v in variables], dtype=np.float64)
    empty: Any = np.zeros(len(values))
    return RateTable(tuple(variables), empty, empty, values, empty + 1.0, tuple((i,) for i in range(len(values))))
