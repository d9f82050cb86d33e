"""How exposed is the system in each state of an outing, and in which order of jobs is it least exposed?

The *shortfall* of a state is the sum, over the consumers of which a tolerance is required, of the failures that they
tolerate too few (one that fails with nothing failed tolerates -1). *Exposure* is shortfall times minutes, in
requirement-minutes, from the beginning of an outing to a common end.

The order of jobs within an outing: since jobs are done one after another, what a job costs depends only on which jobs
are done before it and on where the last of them left the crew. So the least exposure is found exactly by dynamic
programming over (set of jobs done, where the crew is), as Held and Karp (1962, from memory) do for tours, with labels
that keep minutes beside exposure, since an outing also has a limit.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from powerfault.errors import TooLargeError
from powerfault.failures.outcomes import evaluate_table
from powerfault.model.elements import OUTCOMES, Event, Topology
from powerfault.network.graph import build_network
from powerfault.tolerance.comparison.harm import Harm, harm_of
from powerfault.tolerance.cutsets.enumerated import minimal_cut_sets
from powerfault.tolerance.verdicts import rides_through_stages

MOST_JOBS = 10
_DIGITS = 9


@dataclass(frozen=True, slots=True)
class Judgement:
    """One state judged. ``outcomes`` are those of consumers not uninterrupted with nothing failed; ``failing`` those
    of them that do not bear it; ``tolerates`` and ``required`` by consumer with a requirement; ``unmet`` of these.
    """

    outcomes: dict[str, str]
    failing: tuple[str, ...]
    tolerates: dict[str, int]
    required: dict[str, int]
    bounded: frozenset[str]
    """Consumers without a failing case up to the order: they tolerate at least that many."""
    unmet: tuple[str, ...]
    shortfall: int
    worst: Harm | None
    """Of the single failures that may come next."""


class StateJudge:
    """Judges topologies, each once."""

    def __init__(self, order: int = 2, modes: Sequence[str] = ("loss",)) -> None:
        self.order, self.modes = order, tuple(modes)
        self._known: dict[int, tuple[Topology, Judgement]] = {}

    def judge(self, topology: Topology) -> Judgement:
        """Return the judgement on ``topology`` as it stands."""
        found = self._known.get(id(topology))
        if found is None:
            # The topology is kept beside, so that its id is not given to another.
            found = self._known[id(topology)] = (topology, self._judge(topology))
        return found[1]

    def _judge(self, topology: Topology) -> Judgement:
        rides = rides_through_stages(topology)
        table = evaluate_table(build_network(topology), self.order, self.modes)
        cuts = minimal_cut_sets(table, rides)
        outcomes, failing, unmet = {}, [], []
        tolerates: dict[str, int] = {}
        required: dict[str, int] = {}
        bounded = set()
        shortfall = 0
        singles: dict[Event, list[str]] = {}
        for i, consumer in enumerate(topology.consumers()):
            outcome = int(table.baseline[i])
            if outcome:
                outcomes[consumer.id] = OUTCOMES[outcome]
            if outcome > rides[i]:
                failing.append(consumer.id)
            for cut in cuts[i].of_size(1):
                singles.setdefault(cut[0], []).append(consumer.id)
            smallest = cuts[i].smallest
            tolerates[consumer.id] = self.order if smallest is None else smallest - 1
            if smallest is None:
                bounded.add(consumer.id)
            need = consumer.required_tolerance
            if need is not None:
                required[consumer.id] = need
                short = need - tolerates[consumer.id]
                if short > 0 and smallest is not None:
                    unmet.append(consumer.id)
                    shortfall += short
        return Judgement(
            outcomes, tuple(failing), tolerates, required, frozenset(bounded), tuple(unmet), shortfall,
            _worst(topology, singles),
        )  # fmt: skip


def _worst(topology: Topology, singles: dict[Event, list[str]]) -> Harm | None:
    """The single failure that does most harm next."""

    def rank(harm: Harm) -> tuple[float, ...]:
        of_rank = sum(topology.consumer(i).severity == harm.severest for i in harm.failing)
        return harm.severity_rank, -of_rank, -len(harm.failing), -harm.demand_kw

    return min((harm_of(topology, event, ids) for event, ids in singles.items()), key=rank, default=None)


@dataclass(frozen=True, slots=True)
class JobCost:
    """What a job costs after others: its minutes, and the sum of shortfall x minutes within it."""

    minutes: float
    exposure: float


@dataclass(frozen=True, slots=True)
class BestOrder:
    """The order with least exposure up to ``horizon`` minutes; ``tried`` counts the labels extended."""

    jobs: tuple[str, ...]
    exposure: float
    minutes: float
    within_limit: bool
    tried: int


Where = tuple[str | None, ...]
"""The site of each crew member."""
Cost = Callable[[frozenset[str], Where, str], tuple[JobCost, Where]]
"""(jobs done, where the crew is, the next job) to what that one costs and where it leaves the crew."""
_Label = tuple[float, float, tuple[str, ...]]
"""Exposure beyond the final shortfall, minutes, order."""


def best_order(
    jobs: Sequence[str],
    start: Where,
    may_follow: Callable[[frozenset[str], str], bool],
    cost: Cost,
    final_shortfall: float,
    horizon: float,
    limit: float | None = None,
    way_home: Callable[[Where], float] = lambda _: 0.0,
) -> BestOrder:
    """Return the order of ``jobs`` with the least exposure up to ``horizon``; ties by minutes, then by ``jobs``.

    ``may_follow(done, job)`` says whether a job may come next; ``final_shortfall`` is that of the state with all done,
    which stands until ``horizon``. An order that ends (with ``way_home``) within ``limit`` goes before one that does
    not. Raises :class:`TooLargeError` for more than :data:`MOST_JOBS`. Work grows with 2^n x n x places.
    """
    if len(jobs) > MOST_JOBS:
        raise TooLargeError(f"{len(jobs)} jobs in one outing, {MOST_JOBS} are the most put in order; split the outing")
    place = {j: n for n, j in enumerate(jobs)}
    layer: dict[tuple[frozenset[str], Where], list[_Label]] = {(frozenset(), start): [(0.0, 0.0, ())]}
    tried = 0
    for _ in jobs:
        following: dict[tuple[frozenset[str], Where], list[_Label]] = {}
        for (done, where), labels in layer.items():
            for job in jobs:
                if job in done or not may_follow(done, job):
                    continue
                step, after = cost(done, where, job)
                added = step.exposure - final_shortfall * step.minutes
                own = following.setdefault((done | {job}, after), [])
                for exposure, minutes, order in labels:
                    tried += 1
                    total, length = exposure + added, minutes + step.minutes
                    own.append((round(total, _DIGITS), round(length, _DIGITS), (*order, job)))
        layer = {key: _undominated(labels, place) for key, labels in following.items()}
    ends = []
    for (_, where), labels in layer.items():
        for exposure, minutes, order in labels:
            length = minutes + way_home(where)
            late = limit is not None and length > limit + 1e-9
            ends.append((late, exposure, length, tuple(place[j] for j in order), order))
    late, exposure, length, _, order = min(ends)
    return BestOrder(order, round(exposure + final_shortfall * horizon, 6), length, not late, tried)


def _undominated(labels: list[_Label], place: dict[str, int]) -> list[_Label]:
    """Labels than which no other has both less exposure and fewer minutes."""
    kept: list[_Label] = []
    for label in sorted(labels, key=lambda x: (x[0], x[1], tuple(place[j] for j in x[2]))):
        if not kept or label[1] < kept[-1][1] - 1e-12:
            kept.append(label)
    return kept
