"""Which of the possible jumpers are worth the crew's hours?

Every candidate is measured (``ranking.measures``), and so is every pair that can be fitted
together. From that:

* the *efficient set*: candidates than which no other is at least as good in every measure and better in one
  (requirements met by severity, cases cured, cases broken, harm of its own events, shorts spread, length, minutes);
* *interactions*: pairs worth more together than the sum of both, and pairs of which one repeats the other;
* the best *set* under a budget of crew minutes (``ranking.selection``).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from powerfault.errors import RequestError
from powerfault.fitting.ranking.baseline import WEIGHTS, Baseline, Worth, adding_never_harms, find_baseline
from powerfault.fitting.ranking.candidates import Candidate, Candidates, find_candidates
from powerfault.fitting.ranking.selection import BestSet, Bound, Item, Key, choose_set
from powerfault.fitting.ranking.sets import CandidateSets
from powerfault.model.elements import Proposal, Topology
from powerfault.model.exclusive import exclusive_groups
from powerfault.network.failure_modes import check_modes

MOST_PAIRS = 20_000
OVERLAP = 0.5
"""A pair of which at least this share of the lesser one's cures is done by the other too repeats it."""
_EPSILON = 1e-9

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Ranked:
    """One candidate with its worth. ``refused`` says why it cannot be applied, where it cannot; then worth is ``None``.

    ``dominated_by`` is a candidate that is at least as good in every measure and better in one, ``None`` if it belongs
    to the efficient set.
    """

    candidate: Candidate
    worth: Worth | None
    dominated_by: str | None = None
    refused: str | None = None
    one_by_one: str | None = None
    """Why it was applied by itself instead of in a lane, where it was."""

    @property
    def efficient(self) -> bool:
        return self.worth is not None and self.dominated_by is None


@dataclass(frozen=True, slots=True)
class Interaction:
    """What two candidates do to each other. ``kind`` is ``together``, ``repeats`` or ``harm``.

    ``amount`` is the weight of cases gained beyond the sum (together), cured twice (repeats) or broken beyond the sum
    (harm); ``consumers`` are those whose requirement only both together meet.
    """

    first: str
    second: str
    kind: str
    amount: float
    share: float
    consumers: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranking:
    """The result of :func:`rank_candidates`."""

    topology: Topology
    order: int
    modes: tuple[str, ...]
    baseline: Baseline
    ranked: tuple[Ranked, ...]
    interactions: tuple[Interaction, ...]
    best: BestSet | None
    best_harmless: BestSet | None
    """The best set of those candidates that alone do no harm, where ``best`` does some."""
    made: Mapping[str, Proposal]
    """The ties between ports, as proposals that a file could hold."""
    budget_min: float | None
    without_minutes: tuple[str, ...]
    """Candidates that say no crew minutes, and so were left out of the choice of a set."""
    evaluations: int
    pairs: int
    left_out: dict[str, int]

    @property
    def efficient(self) -> tuple[Ranked, ...]:
        return tuple(r for r in self.ranked if r.efficient)

    def candidate(self, id_: str) -> Candidate:
        return next(r.candidate for r in self.ranked if r.candidate.id == id_)


def rank_candidates(
    topology: Topology,
    *,
    order: int = 2,
    modes: Sequence[str] = ("loss",),
    budget_min: float | None = None,
    max_length_m: float | None = None,
    proposals: bool = True,
    ports: bool = True,
    only: Sequence[str] = (),
    progress: Progress | None = None,
) -> Ranking:
    """Return the candidates of ``topology`` ranked, the efficient set, interactions and the best set.

    ``order`` and ``modes`` say by which cases requirements are judged; single events of every mode are always looked
    at. ``budget_min`` are the crew's minutes. Raises :class:`RequestError` where there is nothing to rank,
    :class:`ModelError` for wrong ports, :class:`TooLargeError` where the cases would not finish.
    """
    modes = check_modes(modes)
    if budget_min is not None and not budget_min >= 0:
        raise RequestError(f"the budget must not be negative, found {budget_min:g}")
    exclusive_groups(topology)  # what validate refuses is refused here
    candidates = find_candidates(topology, proposals=proposals, ports=ports, max_length_m=max_length_m, only=only)
    baseline = find_baseline(topology, order, modes)
    sets = CandidateSets(candidates, baseline)
    usable = sets.usable
    worths = dict(zip(usable, sets.judge([(i,) for i in usable], progress), strict=True))
    pairs = [p for p in combinations(usable, 2) if not sets.excludes(*p)]
    if len(pairs) <= MOST_PAIRS:
        sets.judge(pairs, progress, further=budget_min is not None)
        interactions = find_interactions(sets, pairs, worths)
    else:
        pairs, interactions = [], ()
    best: BestSet | None = None
    best_harmless: BestSet | None = None
    timed = [i for i in usable if sets.listed[i].crew_minutes is not None]
    if budget_min is not None:
        bound = _bound(sets, candidates, baseline)
        best = _best_set(sets, timed, bound, budget_min, progress)
        if not best.worth.harmless:
            harmless = [i for i in timed if (w := worths[i]) is not None and w.harmless]
            best_harmless = _best_set(sets, harmless, bound, budget_min, progress)
    return Ranking(
        topology=topology,
        order=order,
        modes=modes,
        baseline=baseline,
        ranked=rank_by_worth(candidates, worths, sets),
        interactions=interactions,
        best=best,
        best_harmless=best_harmless,
        made={c.id: candidates.topology.proposals[c.id] for c in candidates.listed if c.ports},
        budget_min=budget_min,
        without_minutes=() if budget_min is None else tuple(i for i in usable if i not in timed),
        evaluations=sets.evaluations,
        pairs=len(pairs),
        left_out=dict(candidates.left_out),
    )


def measures(candidate: Candidate, worth: Worth) -> tuple[float, ...]:
    """All measures of a candidate, each greater if better; an unknown length or time counts as the worst."""
    return (
        worth.gained_weight,
        -worth.lost_weight,
        worth.cured,
        -worth.broken,
        -worth.own_harm,
        -float(worth.spread),
        -(math.inf if candidate.length_m is None else candidate.length_m),
        -(math.inf if candidate.crew_minutes is None else candidate.crew_minutes),
    )


def dominates(a: Sequence[float], b: Sequence[float]) -> bool:
    """Whether ``a`` is at least as good as ``b`` everywhere and better somewhere.

    >>> dominates((2, 1), (1, 1)), dominates((2, 0), (1, 1)), dominates((1, 1), (1, 1))
    (True, False, False)
    """
    return all(x >= y for x, y in zip(a, b, strict=True)) and any(x > y for x, y in zip(a, b, strict=True))


def rank_by_worth(candidates: Candidates, worths: dict[str, Worth | None], sets: CandidateSets) -> tuple[Ranked, ...]:
    """Best first: by what they are worth, then by minutes and length; refused ones last."""
    vectors = {c.id: measures(c, w) for c in candidates.listed if (w := worths.get(c.id)) is not None}
    found = []
    for c in candidates.listed:
        worth = worths.get(c.id)
        if worth is None:
            found.append(Ranked(c, None, refused=sets.refused.get(c.id, "it cannot be applied")))
            continue
        better = (i for i, v in vectors.items() if i != c.id and dominates(v, vectors[c.id]))
        found.append(Ranked(c, worth, next(better, None), one_by_one=sets.apart.get(c.id)))
    return tuple(
        sorted(
            found,
            key=lambda r: (
                r.worth is None,
                tuple(-k for k in r.worth.key) if r.worth else (),
                math.inf if r.candidate.crew_minutes is None else r.candidate.crew_minutes,
                math.inf if r.candidate.length_m is None else r.candidate.length_m,
            ),
        )
    )


def find_interactions(
    sets: CandidateSets, pairs: Sequence[tuple[str, str]], worths: dict[str, Worth | None]
) -> tuple[Interaction, ...]:
    """Return the pairs that are worth more together, repeat each other, or do harm only together, strongest first."""
    found = []
    for (a, b), both in zip(pairs, sets.judge(pairs), strict=True):
        first, second = worths[a], worths[b]
        if both is None or first is None or second is None:
            continue
        only_both = tuple(c for c in both.gained if c not in first.gained and c not in second.gained)
        excess = both.cured - first.cured - second.cured
        lesser = min(first.cured, second.cured)
        if only_both or excess > _EPSILON:
            share = max(0.0, excess) / max(_EPSILON, first.cured + second.cured) if excess > 0 else 0.0
            found.append(Interaction(a, b, "together", round(max(0.0, excess), 9), share, only_both))
        elif lesser > _EPSILON and -excess >= OVERLAP * lesser:
            found.append(Interaction(a, b, "repeats", round(-excess, 9), min(1.0, -excess / lesser)))
        worse = (both.broken + both.own_harm) - sum(w.broken + w.own_harm for w in (first, second))
        if worse > _EPSILON:
            found.append(Interaction(a, b, "harm", round(worse, 9), 0.0))
    kinds = ("together", "repeats", "harm")
    weight = {c.id: WEIGHTS[c.severity] for c in sets.topology.consumers()}

    def strength(x: Interaction) -> tuple[object, ...]:
        return kinds.index(x.kind), -sum(weight[c] for c in x.consumers), -x.share, -x.amount

    return tuple(sorted(found, key=strength))


def _best_set(
    sets: CandidateSets, timed: Sequence[str], bound: Bound, budget: float, progress: Progress | None
) -> BestSet:
    items = [
        Item(
            i,
            sets.listed[i].crew_minutes or 0.0,
            sets.listed[i].length_m or 0.0,
            frozenset(j for j in timed if j != i and sets.excludes(i, j)),
            i not in sets.apart,
        )
        for i in timed
    ]
    return choose_set(items, budget, lambda s: sets.judge(s, progress, further=True), bound)


def _bound(sets: CandidateSets, candidates: Candidates, baseline: Baseline) -> Bound:
    """Highest keys that subsets of given sets could have, from their cases in mode ``loss`` alone.

    Where a short or leak stands, a set may be worth more than a larger one in this mode too; then only what there is to
    gain in all is known.
    """
    if adding_never_harms(baseline.topology, baseline.modes):

        def bound(wide: Sequence[tuple[str, ...]]) -> list[Key]:
            return [(w.gained_weight, w.cured, 0.0) if w else _HIGHEST for w in sets.judge_hopefully(wide)]

        return bound
    if "loss" not in baseline.modes or not adding_never_harms(baseline.topology, ("loss",)):
        everything = sum(baseline.weights)
        cuts = sum(w * len(c) for w, c in zip(baseline.weights, baseline.cuts, strict=True))
        return lambda wide: [(everything, cuts, 0.0)] * len(wide)
    losses = find_baseline(baseline.topology, baseline.order, ("loss",))
    by_loss = CandidateSets(candidates, losses)
    weight = dict(zip(baseline.consumers, baseline.weights, strict=True))
    unmet = {i for i, m in zip(baseline.consumers, baseline.meets, strict=True) if m is not True}
    met_by_loss = {i for i, m in zip(losses.consumers, losses.meets, strict=True) if m}
    known = sum(
        w * sum(10.0 ** -max(0, len(c) - 1) for c in cuts if any(e.mode not in ("loss",) for e in c))
        for w, cuts in zip(baseline.weights, baseline.cuts, strict=True)
    )

    def bound_by_loss(wide: Sequence[tuple[str, ...]]) -> list[Key]:
        return [
            (
                sum(weight[i] for i in unmet if i in met_by_loss or i in w.gained),
                # A cut set of losses alone is minimal in mode loss if it is minimal over more modes.
                w.cured + known,
                0.0,
            )
            if w
            else _HIGHEST
            for w in by_loss.judge_hopefully(wide)
        ]

    return bound_by_loss


_HIGHEST: Key = (math.inf, math.inf, math.inf)
