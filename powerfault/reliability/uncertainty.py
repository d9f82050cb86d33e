"""How sure the probabilities are: rates drawn from their spread, and quantiles of what follows.

A rate with an ``error_factor`` EF (the ratio of the 95th percentile to the median) is lognormal, with
``sigma = ln(EF) / 1.645``. The rate given is its *median*, or its *mean* where the file says ``rates: mean``; the two
differ by ``mean = median * exp(sigma^2 / 2)``, 1.25 at EF 3 and 2.7 at EF 10. Rates without an error factor are taken
as certain. All modes of a component share one draw. Components draw independently, or alike where the same data
stand behind them (``alike``: same kind, rates and error factor), which widens the spread of redundant systems.

The draw of a component depends on the seed and its id alone, so that before and after a change the common components
have the same rates in each sample and a ratio is one of like with like.

Source: the error factor as in the Reactor Safety Study, WASH-1400 (1975), from memory.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from powerfault.model.elements import Component, Topology
from powerfault.model.likelihood_fields import CommonCause, rates_are
from powerfault.reliability.rates import Floats, RateTable, cause_rate, independent_rates, mode_rate
from powerfault.reliability.variables import CAUSE, EVENT

Z95 = 1.6448536269514722
"""The 95th percentile of the standard normal distribution."""
QUANTILES = (0.05, 0.5, 0.95)


@dataclass(frozen=True, slots=True)
class Quantiles:
    """The 5th, 50th and 95th percentile of a number over ``samples`` draws, and its mean."""

    low: float
    median: float
    high: float
    mean: float
    samples: int


def quantiles(values: Floats) -> Quantiles | None:
    """Return the quantiles of the finite ``values``; ``None`` where there are none."""
    finite = values[np.isfinite(values)]
    if not len(finite):
        return None
    low, median, high = (float(x) for x in np.quantile(finite, QUANTILES))
    return Quantiles(low, median, high, float(finite.mean()), len(finite))


def draw_factors(name: str, error_factor: float | None, seed: int, samples: int, rates: str = "median") -> Floats:
    """Factors on a rate, shape (samples,), whose 95th percentile is ``error_factor`` times their median.

    ``rates`` says what the rate given is: with ``median`` the factors have median 1, with ``mean`` they have mean 1.
    """
    if error_factor is None or error_factor == 1.0:
        return np.ones(samples)
    generator = np.random.default_rng([seed, zlib.crc32(name.encode())])
    sigma = np.log(error_factor) / Z95
    centre = -sigma * sigma / 2 if rates == "mean" else 0.0
    factors: Floats = np.exp(centre + sigma * generator.standard_normal(samples))
    return factors


def sample_rates(
    topology: Topology,
    table: RateTable,
    causes: Sequence[CommonCause] = (),
    *,
    seed: int = 1,
    samples: int = 1000,
    alike: bool = False,
) -> Floats:
    """Return failures per hour of each variable in each sample: shape (variables, samples)."""
    given = rates_are(topology)
    factor = {
        c.id: draw_factors(_family(c) if alike else c.id, c.error_factor, seed, samples, given)
        for c in topology.components.values()
        if c.error_factor is not None
    }
    own = independent_rates(topology, causes)
    shared = {f"cause {c.name}": c for c in causes}
    found = np.repeat(table.per_hour[:, None], samples, axis=1)
    for i, v in enumerate(table.variables):
        if v.role == EVENT:
            event = v.events[0]
            rate = own[event].per_hour if event in own else None
            if rate is not None and event.id in factor:
                found[i] = rate * factor[event.id]
        elif v.role == CAUSE:
            found[i] = _sampled_cause(topology, shared[v.name], factor, seed, samples)
    return found


def _sampled_cause(
    topology: Topology, cause: CommonCause, factor: dict[str, Floats], seed: int, samples: int
) -> Floats:
    rate = cause_rate(topology, cause).per_hour
    if rate is None:
        return np.full(samples, np.nan)
    if cause.error_factor is not None or cause.beta is None:
        factors = draw_factors(f"cause {cause.name}", cause.error_factor, seed, samples, rates_are(topology))
        return rate * factors
    shares = np.zeros(samples)
    for member in cause.members:
        base = mode_rate(topology.components[member], cause.mode) or 0.0
        shares = np.maximum(shares, cause.beta * base * factor.get(member, np.ones(samples)))
    return shares


def _family(c: Component) -> str:
    rates = c.failures_per_million_hours
    spelt = sorted(rates.items()) if isinstance(rates, Mapping) else rates
    return f"{c.kind} {spelt} {c.error_factor}"
