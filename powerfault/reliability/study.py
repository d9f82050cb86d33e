"""How likely each consumer fails over a mission: one result value that holds every number and what it rests on.

The way: rates and modes -> variables (``likelihood.structure``) -> exact functions, or bounds where they
grow too large (``likelihood.brackets``) -> probabilities (``likelihood.probability``),
importance, uncertainty. A consumer with a relevant rate missing gets no number; it gets the list of what is missing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from powerfault.errors import ModelError, RequestError, nearest
from powerfault.model.elements import MODES, Topology
from powerfault.model.likelihood_fields import (
    SWITCHING_STAGES,
    CommonCause,
    SwitchingSuccess,
    common_causes,
    operation_stage,
    rate_flaws,
    rates_are,
    switching_success,
)
from powerfault.model.places import problem_at
from powerfault.network.failure_modes import check_modes
from powerfault.reliability.brackets import bracket_structure
from powerfault.reliability.consumer_likelihood import ConsumerLikelihood, consumer_likelihoods
from powerfault.reliability.importance import Importance, importance
from powerfault.reliability.probability import Span, functions
from powerfault.reliability.rates import Floats, RateTable, cause_rate, mode_rate, rate_table, shared_causes
from powerfault.reliability.structure import Structure, build_structure
from powerfault.reliability.uncertainty import sample_rates
from powerfault.reliability.variables import Variable


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What is asked. ``success`` overrides the file's ``switching_success`` by stage."""

    hours: float = 1000.0
    modes: tuple[str, ...] = ("loss",)
    order: int = 3
    samples: int = 1000
    seed: int = 1
    alike: bool = False
    gap: float = 0.005
    success: Mapping[str, float] = field(default_factory=dict)
    node_limit: int | None = None
    """Nodes of the exact diagrams; by default 3 million up to 500 components that can fail, 600 thousand beyond."""

    def check(self) -> None:
        """Raise :class:`RequestError` for numbers out of range."""
        check_modes(self.modes)
        if not (math.isfinite(self.hours) and 0 < self.hours <= 1e9):
            raise RequestError(f"hours: expected a number above 0 and at most 1e9, found {self.hours:g}")
        if not 1 <= self.order <= 12:
            raise RequestError(f"order: expected a whole number from 1 to 12, found {self.order}")
        if not 0 <= self.samples <= 1_000_000:
            raise RequestError(f"samples: expected a whole number from 0 to 1000000, found {self.samples}")
        if self.seed < 0:
            raise RequestError(f"seed: expected a whole number of at least 0, found {self.seed}")
        for stage, value in self.success.items():
            if stage not in SWITCHING_STAGES:
                hint = nearest(stage, SWITCHING_STAGES)
                raise RequestError(f"success: unknown stage {stage!r}{hint}; expected {', '.join(SWITCHING_STAGES)}")
            if not 0 <= value <= 1:
                raise RequestError(f"success: expected a probability from 0 to 1 for {stage}, found {value:g}")


@dataclass(frozen=True, kw_only=True)
class Likelihood:
    """The likelihoods of one topology. Made by :func:`likelihood`."""

    topology: Topology
    settings: Settings
    structure: Structure = field(repr=False)
    table: RateTable = field(repr=False)
    causes: tuple[CommonCause, ...]
    success: SwitchingSuccess
    consumers: tuple[ConsumerLikelihood, ...]
    sampled: Mapping[str, Floats] = field(repr=False)
    """Unavailability at the end of the mission in each sample, by consumer; empty without error factors."""

    @cached_property
    def by_id(self) -> dict[str, ConsumerLikelihood]:
        return {c.id: c for c in self.consumers}

    @property
    def exact(self) -> bool:
        return all(c.exact for c in self.consumers)

    @property
    def greatest_gap(self) -> float:
        gaps = [c.over_mission.at_end.gap for c in self.consumers if c.over_mission is not None]
        return max((g for g in gaps if math.isfinite(g)), default=0.0)

    @property
    def missing(self) -> tuple[str, ...]:
        """All that lacks a rate and matters to some consumer, in the order of the file."""
        names = {m for c in self.consumers for m in c.missing}
        order = {id_: i for i, id_ in enumerate((*self.topology.components, *self.topology.loads))}
        return tuple(sorted(names, key=lambda n: (order.get(n.partition(":")[0], len(order)), n)))

    @property
    def unrepaired(self) -> tuple[str, ...]:
        """What is not repaired within the mission: components without ``repair_h``, and common causes likewise."""
        components = [c.id for c in self.topology.components.values() if c.can_fail and c.repair_h is None]
        causes = [f"common cause {c.name}" for c in self.causes if cause_rate(self.topology, c).repair_h is None]
        return (*causes, *components)

    def importance(self, consumer: str) -> list[Importance]:
        """The importance of everything that matters to a consumer; empty where it has no number."""
        own = self.by_id[consumer]
        if own.over_mission is None or own.never or own.always:
            return []
        return importance(self.structure, self.table, consumer, self.settings.hours)

    def curve(self, consumer: str, hours: Sequence[float]) -> list[Span] | None:
        """The unavailability of a consumer at each of ``hours``; ``None`` where it has no number."""
        if self.by_id[consumer].over_mission is None:
            return None
        ready = functions({consumer: self.structure.failing[consumer]})
        (low,), (high,) = ready.bounds(self.table.probabilities(np.asarray(hours, dtype=np.float64)))
        return [Span(a, b) for a, b in zip(low.tolist(), high.tolist(), strict=True)]


def likelihood(
    topology: Topology, settings: Settings | None = None, progress: Callable[[int, int], None] | None = None
) -> Likelihood:
    """Compute the likelihoods of all consumers of ``topology``.

    Exact where the decision diagrams stay within the limits of ``settings``, else with bounds. Raises
    :class:`RequestError` for settings out of range and :class:`ModelError` for wrong ``common_causes`` or
    ``switching_success``.
    """
    settings = settings or Settings()
    settings.check()
    modes = check_modes(settings.modes)
    wrong = [flaw for c in topology.components.values() for flaw in rate_flaws(c)]
    if wrong:
        raise ModelError([problem_at(topology, flaw.path, flaw.message) for flaw in wrong])
    causes = tuple(c for c in common_causes(topology) if c.mode in modes)
    success = _overridden(switching_success(topology), settings.success)
    failing = {
        c.id: 1.0 - value
        for c in topology.components.values()
        if operation_stage(c) is not None and (value := success.of(c)) is not None
    }
    shared = shared_causes(causes, modes)
    structure = build_structure(
        topology,
        modes,
        shared,
        failing,
        node_limit=settings.node_limit,
        partial=True,
    )
    if len(structure.failing) < len(topology.loads) + len(topology.functions):

        def chances(variables: Sequence[Variable]) -> Floats:
            found: Floats = rate_table(topology, variables, causes, failing).probabilities(settings.hours)[:, 0]
            return found

        structure = bracket_structure(
            topology,
            modes,
            shared,
            failing,
            chances,
            gap=settings.gap,
            seed=settings.seed,
            known=structure.failing,
            progress=progress,
        )
    table = rate_table(topology, structure.variables, causes, failing)
    factors = [c.error_factor for c in topology.components.values()] + [c.error_factor for c in causes]
    rates = None
    if settings.samples and any(factor not in (None, 1.0) for factor in factors):
        rates = sample_rates(
            topology, table, causes, seed=settings.seed, samples=settings.samples, alike=settings.alike
        )
    consumers, sampled = consumer_likelihoods(structure, table, hours=settings.hours, order=settings.order, rates=rates)
    return Likelihood(
        topology=topology,
        settings=settings,
        structure=structure,
        table=table,
        causes=causes,
        success=success,
        consumers=consumers,
        sampled=sampled,
    )


def _overridden(success: SwitchingSuccess, by_stage: Mapping[str, float]) -> SwitchingSuccess:
    return SwitchingSuccess({**success.by_stage, **by_stage}, success.by_id) if by_stage else success


def cause_text(topology: Topology, cause: CommonCause) -> str:
    """What is assumed of the rate and the repair of a common cause."""
    rate = cause_rate(topology, cause)
    rates = {mode_rate(topology.components[m], cause.mode) for m in cause.members}
    repairs = {topology.components[m].repair_h for m in cause.members}
    if cause.beta is None:
        how = f"its own rate is {cause.failures_per_million_hours:g} per million hours, beside those of its members"
    else:
        how = f"its rate is the share beta = {cause.beta:g} of its members' rates and is taken out of them"
        if len(rates) > 1:
            how += " (the members' rates differ: of the greatest)"
    if rate.repair_h is not None:
        how += f"; repaired in {rate.repair_h:g} h on average"
        if cause.repair_h is None and len(repairs) > 1:
            how += ", as the slowest of its members"
    elif cause.beta is None:
        how += "; it has no repair_h and is never repaired, whatever its members' repair_h"
    else:
        without = [m for m in cause.members if topology.components[m].repair_h is None]
        how += f"; never repaired, as {', '.join(without)} {'has' if len(without) == 1 else 'have'} no repair_h"
    return how


def assumptions(result: Likelihood) -> tuple[str, ...]:
    """What the numbers rest on, a sentence each, to stand beside them."""
    topology, settings = result.topology, result.settings
    modes = check_modes(settings.modes)
    notes = [
        f"Mission of {settings.hours:g} h, everything whole at its start; failure rates constant, events independent "
        "but for the common causes named.",
        "Unavailability is the probability, at the end of the mission, of a state in which the consumer's outcome is "
        "worse than it rides through; expected failures count how often that begins.",
        f"Failure modes counted: {', '.join(modes)}. A plain number in failures_per_million_hours is the rate of loss.",
    ]
    rated = {
        mode
        for c in topology.components.values()
        if isinstance(c.failures_per_million_hours, Mapping)
        for mode in c.failures_per_million_hours
    }
    left = [m for m in MODES if m in rated and m not in modes]
    if left:
        notes.append(f"Rates are given for modes that are not counted: {', '.join(left)} (ask with --modes).")
    unrepaired = result.unrepaired
    if unrepaired:
        shown = ", ".join(unrepaired[:12]) + (f" and {len(unrepaired) - 12} more" if len(unrepaired) > 12 else "")
        notes.append(f"{len(unrepaired)} have no repair_h and are not repaired within the mission: {shown}.")
    if topology.standing:
        notes.append(f"Failed for certain throughout: {', '.join(map(str, topology.standing))}.")
    for cause in result.causes:
        notes.append(
            f"Common cause {cause.name} fails {', '.join(cause.members)} together; {cause_text(topology, cause)}."
        )
    if result.success:
        said = [f"{stage} {value:g}" for stage, value in result.success.by_stage.items()]
        said += [f"{id_} {value:g}" for id_, value in result.success.by_id.items()]
        notes.append(
            f"Switching succeeds with probability {', '.join(said)} per operation; a device that fails to operate "
            "stays as it stands for the case."
        )
    else:
        notes.append("Switching is taken to succeed always: the file gives no switching_success.")
    if result.sampled:
        kind = "alike for components of the same data" if settings.alike else "independently for each component"
        notes.append(
            f"Rates with an error_factor (95th percentile over median) are lognormal with the rate given as their "
            f"{rates_are(topology)}, drawn {kind}, "
            f"{settings.samples} samples, seed {settings.seed}; other rates are taken as certain."
        )
    if not result.exact:
        notes.append(
            "Where two numbers stand they are a strict lower and upper bound (from cut sets and path sets found); the "
            f"greatest gap is {100 * result.greatest_gap:.2g} % of the lower one. Importance is taken from the lower."
        )
    return tuple(notes)
