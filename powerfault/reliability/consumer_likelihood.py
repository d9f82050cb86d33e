"""The numbers of every consumer from the structure and the rates: all consumers together, column by column.

What consumers share of their functions is evaluated once, and all that is asked of one time (as it is, without common
causes, with and without success in switching, each sample of the rates) are columns of one table.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from heapq import nsmallest

import numpy as np

from powerfault.model.elements import Load
from powerfault.model.likelihood_fields import SWITCHING_STAGES
from powerfault.reliability.decision_diagram import DiagramTooLargeError
from powerfault.reliability.probability import OverMission, Span, functions, over_mission
from powerfault.reliability.rates import Floats, RateTable, rate_table
from powerfault.reliability.structure import Structure
from powerfault.reliability.uncertainty import Quantiles, quantiles
from powerfault.reliability.variables import CAUSE, EVENT, OPERATION

CUTS_LISTED = 12
"""Cut sets kept for each consumer, the likeliest first."""
_INDEPENDENT, _ALL_SUCCEED, _NONE_SUCCEED = "independent", "all succeed", "none succeed"


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


def consumer_likelihoods(
    structure: Structure, table: RateTable, *, hours: float, order: int, rates: Floats | None
) -> tuple[tuple[ConsumerLikelihood, ...], dict[str, Floats]]:
    """Return the likelihoods of all consumers, and of those with uncertain rates the unavailability in each sample.

    ``rates`` holds failures per hour in each sample, shape (variables, samples); ``None`` where none is uncertain.
    """
    return _Maker(structure, table, hours, order, rates).result()


class _Maker:
    """Takes the numbers of every consumer from a structure and its rates."""

    def __init__(self, structure: Structure, table: RateTable, hours: float, order: int, rates: Floats | None) -> None:
        self.structure, self.table, self.hours, self.order = structure, table, hours, order
        self.ready = functions(structure.failing)
        self.state = table.states(hours)[:, 0]
        self.over_mission = over_mission(structure, table, hours, self.ready)
        self.never = self.ready.never(self.state != 0.0)
        self.always = self.ready.always(table.fixed == 1.0)
        self.supposed = self._suppose(table.probabilities(hours))
        self.chain_of = {i: chain for chain in table.chains for i in chain}
        self.varying = np.zeros(len(table.variables), dtype=np.bool_)
        self.sampled: Floats | None = None
        if rates is not None:
            self.varying = np.nan_to_num(np.ptp(rates, axis=1)) != 0.0
            low, high = self.ready.bounds(table.probabilities(hours, rates))
            self.sampled = (low + high) / 2

    def result(self) -> tuple[tuple[ConsumerLikelihood, ...], dict[str, Floats]]:
        place = {id_: i for i, id_ in enumerate(self.ready.ids)}
        found = tuple(self._consumer(place[c.id]) for c in self.structure.topology.consumers())
        if self.sampled is None:
            return found, {}
        return found, {c.id: self.sampled[place[c.id]] for c in found if c.uncertainty is not None}

    def _suppose(self, base: Floats) -> dict[str, list[Span]]:
        """The unavailability of each consumer if what the key says were so; a stage: if its switching succeeded."""
        columns = {_INDEPENDENT: self._without_causes(base)}
        stages = self._operations(range(len(base)))
        every = [i for numbers in stages.values() for i in numbers]
        for key, numbers, chance in (
            (_ALL_SUCCEED, every, 0.0),
            (_NONE_SUCCEED, every, 1.0),
            *((stage, numbers, 0.0) for stage, numbers in stages.items()),
        ):
            columns[key] = base.copy()
            columns[key][numbers] = chance
        low, high = self.ready.bounds(np.concatenate(list(columns.values()), axis=1))
        return {
            key: [Span(a, b) for a, b in zip(low[:, n].tolist(), high[:, n].tolist(), strict=True)]
            for n, key in enumerate(columns)
        }

    def _without_causes(self, base: Floats) -> Floats:
        """Probabilities if no cause were common and each member had its whole rate to itself."""
        variables = self.structure.variables
        events = [i for i, v in enumerate(variables) if v.role == EVENT]
        plain = rate_table(self.structure.topology, [variables[i] for i in events])
        p = base.copy()
        p[events] = plain.probabilities(self.hours)
        p[[i for i, v in enumerate(variables) if v.role == CAUSE]] = 0.0
        return p

    def _operations(self, among: Sequence[int]) -> dict[str, list[int]]:
        """The operations among some variables, by stage."""
        variables = self.structure.variables
        found: dict[str, list[int]] = {stage: [] for stage in SWITCHING_STAGES}
        for i in among:
            if variables[i].role == OPERATION:
                found[variables[i].stage].append(i)
        return {stage: numbers for stage, numbers in found.items() if numbers}

    def _consumer(self, number: int) -> ConsumerLikelihood:
        id_ = self.ready.ids[number]
        topology = self.structure.topology
        consumer = topology.consumer(id_)
        relevant = self.structure.relevant(id_)
        missing = self._missing(relevant)
        found: OverMission | None = None
        independent: Span | None = None
        switching: SwitchingEffect | None = None
        uncertainty: Quantiles | None = None
        cuts: tuple[CutChance, ...] = ()
        count: int | None = None
        if not missing:
            found = self.over_mission[id_]
            if any(self.structure.variables[i].role == CAUSE for i in relevant):
                independent = self.supposed[_INDEPENDENT][number]
            switching = self._switching(number, relevant)
            if self.sampled is not None and self.varying[relevant].any():
                uncertainty = quantiles(self.sampled[number])
            cuts, count = self._cut_sets(id_, found.at_end.middle)
        return ConsumerLikelihood(
            id=id_,
            type="load" if isinstance(consumer, Load) else "function",
            severity=consumer.severity,
            rides_through=topology.rides_through(consumer),
            missing=missing,
            exact=self.structure.failing[id_].exact,
            never=bool(self.never[number]),
            always=bool(self.always[number]),
            over_mission=found,
            independent=independent,
            switching=switching,
            uncertainty=uncertainty,
            cut_sets=cuts,
            cut_set_count=count,
        )

    def _missing(self, relevant: Sequence[int]) -> tuple[str, ...]:
        """What lacks a rate, in the order of the file: a mode that excludes one that matters counts as well."""
        numbers = {j for i in relevant for j in self.chain_of[i]}
        in_file = sorted(numbers, key=self.structure.file_order.__getitem__)
        return tuple(v.name for v in self.table.missing(in_file))

    def _switching(self, number: int, relevant: Sequence[int]) -> SwitchingEffect | None:
        stages = self._operations(relevant)
        if not stages:
            return None
        return SwitchingEffect(
            self.supposed[_ALL_SUCCEED][number],
            self.supposed[_NONE_SUCCEED][number],
            {stage: self.supposed[stage][number] for stage in stages},
        )

    def _cut_sets(self, id_: str, u: float) -> tuple[tuple[CutChance, ...], int | None]:
        """The likeliest minimal cut sets, those of equal probability by size and the order of the file."""
        root, state = self.structure.failing[id_].lower, self.state.tolist()
        solutions = self.structure.solutions(id_)
        try:
            found = solutions.likeliest(root, self.order, state, CUTS_LISTED)
        except DiagramTooLargeError:
            return (), None
        at = self.structure.file_order.__getitem__
        kept = []
        for cut in nsmallest(
            CUTS_LISTED, found, key=lambda s: (-math.prod([state[i] for i in s]), len(s), sorted(map(at, s)))
        ):
            chance = math.prod(state[i] for i in cut)
            names = tuple(self.structure.variables[i].name for i in sorted(cut, key=at))
            kept.append(CutChance(names, chance, chance / u if u > 0 else 0.0))
        return tuple(kept), solutions.count(root, self.order)
