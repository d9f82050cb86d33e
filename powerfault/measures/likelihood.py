"""How likely each consumer fails over a mission: one result value that holds every number and what it rests on.

The way: rates and modes -> variables (:mod:`~powerfault.measures.structure`) -> exact functions, or bounds where they
grow too large (:mod:`~powerfault.measures.brackets`) -> probabilities (:mod:`~powerfault.measures.probability`),
importance, uncertainty. A consumer with a relevant rate missing gets no number; it gets the list of what is missing.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from powerfault.errors import ModelError, RequestError, nearest
from powerfault.measures.brackets import bracket_structure
from powerfault.measures.decision_diagram import FALSE, TRUE, DiagramTooLargeError
from powerfault.measures.importance import Importance, importance
from powerfault.measures.probability import Functions, OverMission, Span, functions, over_mission
from powerfault.measures.rates import Floats, RateTable, rate_table, shared_causes
from powerfault.measures.structure import CAUSE, EVENT, OPERATION, Structure, Variable, build_structure
from powerfault.measures.uncertainty import Quantiles, quantiles, sample_rates
from powerfault.model.elements import MODES, Load, Topology
from powerfault.model.likelihood_fields import (
    SWITCHING_STAGES,
    CommonCause,
    SwitchingSuccess,
    common_causes,
    operation_stage,
    rate_flaws,
    switching_success,
)
from powerfault.model.places import problem_at
from powerfault.network.failure_modes import check_modes

CUTS_LISTED = 12
"""Cut sets kept for each consumer, the likeliest first."""


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
    """Nodes of the exact diagrams; by default 3 million up to 500 variables, 600 thousand beyond."""

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


@dataclass(frozen=True, slots=True)
class CutChance:
    """A minimal cut set, its probability at the end of the mission, and its share of the unavailability."""

    events: tuple[str, ...]
    probability: float
    share: float


@dataclass(frozen=True, slots=True)
class SwitchingEffect:
    """The unavailability if every operation succeeded, and if none did."""

    all_succeed: Span
    none_succeed: Span
    by_stage: Mapping[str, Span]
    """By stage, if every operation of that stage succeeded and the others as given."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConsumerLikelihood:
    """One consumer. Numbers are ``None`` where a rate is missing, and ``missing`` names what is.

    ``independent`` is the unavailability if the same failures came without common causes; ``None`` where no common
    cause reaches the consumer. ``never`` and ``always`` say that a probability of 0 or 1 is exactly that.
    """

    id: str
    type: str
    severity: str | None
    rides_through: str
    missing: tuple[str, ...]
    exact: bool
    never: bool
    always: bool
    over_mission: OverMission | None
    independent: Span | None
    switching: SwitchingEffect | None
    uncertainty: Quantiles | None
    cut_sets: tuple[CutChance, ...]
    cut_set_count: int | None
    """Minimal cut sets up to the order asked; ``None`` where too many to list."""


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
    ready: Mapping[str, Functions] = field(repr=False)

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
        low, high = self.ready[consumer].bounds(self.table.probabilities(np.asarray(hours, dtype=np.float64)))
        return [Span(float(a), float(max(a, b))) for a, b in zip(low, high, strict=True)]


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
    return _Maker(topology, settings, structure, table, causes, success).result()


def _overridden(success: SwitchingSuccess, by_stage: Mapping[str, float]) -> SwitchingSuccess:
    return SwitchingSuccess({**success.by_stage, **by_stage}, success.by_id) if by_stage else success


class _Maker:
    """Takes the numbers of every consumer from a structure and its rates."""

    def __init__(
        self,
        topology: Topology,
        settings: Settings,
        structure: Structure,
        table: RateTable,
        causes: tuple[CommonCause, ...],
        success: SwitchingSuccess,
    ) -> None:
        self.topology, self.settings, self.structure, self.table = topology, settings, structure, table
        self.causes, self.success = causes, success
        self.ready = {id_: functions(own) for id_, own in structure.failing.items()}
        self.state = table.states(settings.hours)[:, 0]
        self.base = table.probabilities(settings.hours)
        self.sampled: dict[str, Floats] = {}
        self.alone = self._without_causes() if causes else None
        self.rates: Floats | None = None
        factors = [c.error_factor for c in topology.components.values()] + [c.error_factor for c in causes]
        spread = any(factor not in (None, 1.0) for factor in factors)
        if spread and settings.samples:
            self.rates = sample_rates(
                topology, table, causes, seed=settings.seed, samples=settings.samples, alike=settings.alike
            )

    def result(self) -> Likelihood:
        consumers = tuple(self._consumer(c.id) for c in self.topology.consumers())
        return Likelihood(
            topology=self.topology,
            settings=self.settings,
            structure=self.structure,
            table=self.table,
            causes=self.causes,
            success=self.success,
            consumers=consumers,
            sampled=self.sampled,
            ready=self.ready,
        )

    def _consumer(self, id_: str) -> ConsumerLikelihood:
        consumer = self.topology.consumer(id_)
        own = self.structure.failing[id_]
        relevant = self.structure.relevant(id_)
        missing = tuple(v.name for v in self.table.missing(relevant))
        values: dict[str, Any] = {"over_mission": None, "independent": None, "switching": None, "uncertainty": None}
        cuts: tuple[CutChance, ...] = ()
        count: int | None = None
        if not missing:
            found = over_mission(self.structure, self.table, id_, self.settings.hours)
            roles = {self.structure.variables[i].role for i in relevant}
            values = {
                "over_mission": found,
                "independent": self._independent(id_) if CAUSE in roles else None,
                "switching": self._switching(id_, relevant) if OPERATION in roles else None,
                "uncertainty": self._uncertainty(id_, relevant),
            }
            cuts, count = self._cut_sets(id_, found.at_end.middle)
        possible = {i: False for i in relevant if self.state[i] == 0.0}
        certain = {i: True for i in relevant if self.table.fixed[i] == 1.0}
        return ConsumerLikelihood(
            id=id_,
            type="load" if isinstance(consumer, Load) else "function",
            severity=consumer.severity,
            rides_through=self.topology.rides_through(consumer),
            missing=missing,
            exact=own.exact,
            never=own.diagram.restrict(own.upper, possible) == FALSE,
            always=own.diagram.restrict(own.lower, certain) == TRUE,
            cut_sets=cuts,
            cut_set_count=count,
            **values,
        )

    def _at(self, id_: str, p: Floats) -> Span:
        low, high = self.ready[id_].bounds(p)
        return Span(float(low[0]), float(max(low[0], high[0])))

    def _without_causes(self) -> Floats:
        """Probabilities if no cause were common and each member had its whole rate to itself."""
        variables = self.structure.variables
        events = [i for i, v in enumerate(variables) if v.role == EVENT]
        plain = rate_table(self.topology, [variables[i] for i in events])
        p = self.base.copy()
        p[events] = plain.probabilities(self.settings.hours)
        p[[i for i, v in enumerate(variables) if v.role == CAUSE]] = 0.0
        return p

    def _independent(self, id_: str) -> Span | None:
        return None if self.alone is None else self._at(id_, self.alone)

    def _switching(self, id_: str, relevant: Sequence[int]) -> SwitchingEffect:
        operations = [i for i in relevant if self.structure.variables[i].role == OPERATION]

        def given(numbers: Sequence[int], chance: float) -> Span:
            p = self.base.copy()
            p[numbers] = chance
            return self._at(id_, p)

        stages = {
            stage: [i for i in operations if self.structure.variables[i].stage == stage] for stage in SWITCHING_STAGES
        }
        return SwitchingEffect(
            given(operations, 0.0), given(operations, 1.0), {s: given(n, 0.0) for s, n in stages.items() if n}
        )

    def _uncertainty(self, id_: str, relevant: Sequence[int]) -> Quantiles | None:
        if self.rates is None or not relevant or not np.nan_to_num(np.ptp(self.rates[list(relevant)], axis=1)).any():
            return None
        if id_ not in self.sampled:
            low, high = self.ready[id_].bounds(self._sampled_probabilities)
            self.sampled[id_] = (low + high) / 2
        return quantiles(self.sampled[id_])

    @cached_property
    def _sampled_probabilities(self) -> Floats:
        assert self.rates is not None
        return self.table.probabilities(self.settings.hours, self.rates)

    def _cut_sets(self, id_: str, u: float) -> tuple[tuple[CutChance, ...], int | None]:
        try:
            found = self.structure.cut_numbers(id_, self.settings.order)
        except DiagramTooLargeError:
            return (), None
        at, state = self.structure.file_order.__getitem__, self.state.tolist()
        likeliest = heapq.nsmallest(
            CUTS_LISTED, found, key=lambda s: (-math.prod([state[i] for i in s]), len(s), sorted(map(at, s)))
        )
        kept = []
        for cut in likeliest:
            chance = math.prod(state[i] for i in cut)
            names = tuple(self.structure.variables[i].name for i in sorted(cut, key=at))
            kept.append(CutChance(names, chance, chance / u if u > 0 else 0.0))
        return tuple(kept), len(found)


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
    unrepaired = sum(1 for c in topology.components.values() if c.can_fail and c.repair_h is None)
    if unrepaired:
        notes.append(f"{unrepaired} components have no repair_h and are not repaired within the mission.")
    if topology.standing:
        notes.append(f"Failed for certain throughout: {', '.join(map(str, topology.standing))}.")
    for cause in result.causes:
        how = (
            f"takes the share beta = {cause.beta:g} of the members' rates"
            if cause.beta is not None
            else f"has {cause.failures_per_million_hours:g} failures per million hours of its own"
        )
        notes.append(f"Common cause {cause.name} fails {', '.join(cause.members)} together and {how}.")
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
            f"Rates with an error_factor are lognormal about the given rate as median, drawn {kind}, "
            f"{settings.samples} samples, seed {settings.seed}; other rates are taken as certain."
        )
    if not result.exact:
        notes.append(
            "Where two numbers stand they are a strict lower and upper bound (from cut sets and path sets found); the "
            f"greatest gap is {100 * result.greatest_gap:.2g} % of the lower one. Importance is taken from the lower."
        )
    return tuple(notes)
