"""What a change does to the likelihoods: before against after, as ratios with their uncertainty.

The ratio of a consumer is its unavailability before over after: how many times less likely its failing becomes. Both
sides are computed alike, and a component that both systems have draws the same rates in each sample, so that the
spread of the ratio is that of the change and not of two unrelated guesses.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from powerfault.model.elements import SEVERITIES, Event, Topology
from powerfault.network.failure_modes import check_given_after, merge_given
from powerfault.reliability.consumer_likelihood import ConsumerLikelihood
from powerfault.reliability.importance import Importance
from powerfault.reliability.probability import Span
from powerfault.reliability.rates import Floats
from powerfault.reliability.study import Likelihood, Settings, likelihood
from powerfault.reliability.uncertainty import Quantiles, quantiles


@dataclass(frozen=True, slots=True)
class ConsumerRatio:
    """One consumer on both sides; ``None`` where a side does not have it.

    ``ratio`` is unavailability before over after, ``failures_ratio`` that of the expected failures; ``None`` where a
    side has no number or the other cannot fail at all. ``spread`` holds the quantiles of the ratio over the samples.
    """

    id: str
    before: ConsumerLikelihood | None
    after: ConsumerLikelihood | None
    ratio: Span | None
    failures_ratio: Span | None
    spread: Quantiles | None

    @property
    def unchanged(self) -> bool:
        """Whether its unavailability is the same on both sides, to the last digits."""
        return self.ratio is not None and self.ratio.exact and abs(self.ratio.low - 1.0) < 1e-9

    @property
    def moved(self) -> float:
        """How far the change moves it: the logarithm of the ratio, without its sign."""
        return abs(float(np.log(self.ratio.middle))) if self.ratio and self.ratio.middle > 0 else 0.0

    @property
    def either(self) -> ConsumerLikelihood:
        found = self.after or self.before
        assert found is not None
        return found


@dataclass(frozen=True, slots=True)
class ImportancePair:
    """The importance of one component, cause or operation before and after; ``None`` where it does not matter."""

    id: str
    role: str
    before: Importance | None
    after: Importance | None

    @property
    def greater(self) -> float:
        """The greater of the two Fussell-Vesely shares."""
        return max(x.fussell_vesely for x in (self.before, self.after) if x is not None)


@dataclass(frozen=True)
class LikelihoodChange:
    """The likelihoods before and after; ``after`` is ``None`` where only one system was asked about."""

    before: Likelihood
    after: Likelihood | None

    @property
    def last(self) -> Likelihood:
        return self.after or self.before

    @cached_property
    def consumers(self) -> tuple[ConsumerRatio, ...]:
        """All consumers, those of the last system first, in the order of the file."""
        before = self.before.by_id
        after = self.after.by_id if self.after else {}
        ids = dict.fromkeys([*(c.id for c in self.last.consumers), *before])
        return tuple(self._ratio(id_, before.get(id_), after.get(id_)) for id_ in ids)

    def _ratio(self, id_: str, before: ConsumerLikelihood | None, after: ConsumerLikelihood | None) -> ConsumerRatio:
        ratio = failures = spread = None
        if before and after and before.over_mission and after.over_mission:
            ratio = before.over_mission.at_end.over(after.over_mission.at_end)
            failures = before.over_mission.failures.over(after.over_mission.failures)
            assert self.after is not None
            was, now = self._samples(self.before, before), self._samples(self.after, after)
            if ratio is not None and (was.size > 1 or now.size > 1):
                with np.errstate(divide="ignore", invalid="ignore"):
                    spread = quantiles(was / now)
        return ConsumerRatio(id_, before, after, ratio, failures, spread)

    @staticmethod
    def _samples(side: Likelihood, own: ConsumerLikelihood) -> Floats:
        assert own.over_mission is not None
        found: Floats = side.sampled.get(own.id, np.array([own.over_mission.at_end.middle]))
        return found

    def importance(self, consumer: str) -> list[ImportancePair]:
        """The importance of all that matters to a consumer on either side, the greatest share first."""
        before = self._importance(self.before, consumer)
        after = self._importance(self.after, consumer) if self.after else {}
        pairs = [
            ImportancePair(id_, (after.get(id_) or before[id_]).role, before.get(id_), after.get(id_))
            for id_ in dict.fromkeys([*after, *before])
        ]
        return sorted(pairs, key=lambda x: (-round(x.greater, 12), x.id))

    @staticmethod
    def _importance(side: Likelihood, consumer: str) -> dict[str, Importance]:
        return {x.id: x for x in side.importance(consumer)} if consumer in side.by_id else {}

    @cached_property
    def by_weight(self) -> tuple[ConsumerRatio, ...]:
        """All consumers: those the change moves most, then the most severe, then the likeliest to fail."""

        def key(c: ConsumerRatio) -> tuple[float, int, float]:
            severity = SEVERITIES.index(c.either.severity) if c.either.severity else len(SEVERITIES)
            own = c.either.over_mission
            return -round(c.moved, 2), severity, -own.at_end.middle if own else 0.0

        return tuple(sorted(self.consumers, key=key))

    def focus(self, most: int = 4) -> list[str]:
        """The consumers to look at closely, by weight."""
        numbered = [c for c in self.by_weight if c.either.over_mission and not c.either.always]
        return [c.id for c in numbered[:most]]


def compare_likelihoods(
    before: Topology,
    after: Topology | None = None,
    settings: Settings | None = None,
    given: Iterable[Event] = (),
    progress: Callable[[int, int], None] | None = None,
) -> LikelihoodChange:
    """Return the likelihoods of ``before`` and, if there is one, of ``after``; ``given`` events stand in both."""
    failed = tuple(given)
    if after is not None:
        check_given_after(after, failed)

    def one(topology: Topology) -> Likelihood:
        standing = merge_given(topology, failed) if failed else topology.standing
        return likelihood(replace(topology, standing=standing), settings, progress)

    return LikelihoodChange(one(before), None if after is None else one(after))
