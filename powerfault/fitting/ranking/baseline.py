"""The system as it is, as the yardstick for candidates: what is asked of whom, and which cases could tell.

In mode ``loss`` adding never harms (every fixpoint is monotone in what is there), so of the cases of two and more
events only those matter that fail some consumer today: as a minimal cut set that could be cured, or as a case that a
requirement asks about. In other modes all cases matter, and so they do where a short or leak stands, since what is
added could spread it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from powerfault.errors import TooLargeError
from powerfault.failures.cases import count_cases
from powerfault.failures.outcomes import evaluate_table
from powerfault.model.elements import MODES, Event, Topology
from powerfault.network.failure_modes import list_events
from powerfault.network.graph import build_network
from powerfault.tolerance.verdicts import rides_through_stages

WEIGHTS = {"catastrophic": 8.0, "critical": 4.0, "major": 2.0, "minor": 1.0, None: 1.0}
"""Weight of a consumer by severity: a convention, shown with every ranking."""
ORDER_SHARE = 0.1
"""A minimal set of two events weighs a tenth of a single one, and so on."""
MOST_CASES = 400_000
MOST_ENUMERATED = 3_000_000


@dataclass(frozen=True, slots=True)
class Worth:
    """The measures of one set of candidates. ``gained``, ``lost`` and ``harmed`` are consumer ids.

    ``harmed`` are those that keep their requirement in the modes asked, but that asks for at least one failure, and a
    single event of another mode newly fails them: a short that the tie lets in.
    """

    gained: tuple[str, ...]
    lost: tuple[str, ...]
    harmed: tuple[str, ...]
    cured: float
    broken: float
    own_harm: float
    spread: int
    gained_weight: float
    lost_weight: float
    """Of ``lost`` and ``harmed`` together."""

    @property
    def harmless(self) -> bool:
        """Whether no case newly fails a consumer, and no short reaches a channel that it did not reach.

        Failures of what was added are left out of that: what it brings, it can take away.
        """
        return not (self.lost or self.harmed or self.broken or self.spread)

    @property
    def key(self) -> tuple[float, float, float]:
        """Greater is better: requirements by severity, then cases cured less those broken or its own, then spread."""
        return (
            round(self.gained_weight - self.lost_weight, 9),
            round(self.cured - self.broken - self.own_harm, 9),
            -float(self.spread),
        )


@dataclass(frozen=True, slots=True)
class Baseline:
    """The system as it is: what is asked of whom, which cases matter, and what fails in them today."""

    topology: Topology
    order: int
    modes: tuple[str, ...]
    consumers: tuple[str, ...]
    rides: tuple[int, ...]
    required: tuple[int | None, ...]
    weights: tuple[float, ...]
    meets: tuple[bool | None, ...]
    cases: tuple[tuple[Event, ...], ...]
    """Cases of the fast segments; the empty case first."""
    every_case: tuple[tuple[Event, ...], ...]
    """All cases, for candidates that do more than add."""
    cuts: tuple[tuple[tuple[Event, ...], ...], ...]
    """Minimal cut sets by consumer."""


def adding_never_harms(topology: Topology, modes: Sequence[str]) -> bool:
    """Whether no case in these modes can fail a consumer for what was added: where nothing can be in a zone."""
    return tuple(modes) == ("loss",) and not any(e.mode in ("short", "leak") for e in topology.standing)


def find_baseline(topology: Topology, order: int, modes: Sequence[str]) -> Baseline:
    """Evaluate the system as it is."""
    rides = rides_through_stages(topology)
    count = sum(count_cases(list_events(topology, modes), order))
    if count > MOST_ENUMERATED:
        raise TooLargeError(
            f"{count:,} cases of up to {order} events, {MOST_ENUMERATED:,} are the most that a ranking enumerates; use "
            "a lower --order or fewer --modes"
        )
    consumers = list(topology.consumers())
    required = tuple(c.required_tolerance for c in consumers)
    asks = np.array([r or 0 for r in required], np.int64)
    safe = adding_never_harms(topology, modes)
    table = evaluate_table(build_network(topology), order, modes)
    events, stages = table.events, np.array(rides, np.uint8)
    cuts: list[list[tuple[Event, ...]]] = [
        [()] if out > ride else [] for out, ride in zip(table.baseline, rides, strict=True)
    ]
    minimal = [{frozenset(c) for c in own} for own in cuts]
    always = table.baseline > stages
    alone = np.zeros((len(events), len(rides)), bool)
    larger: list[tuple[Event, ...]] = []
    telling: list[tuple[Event, ...]] = []
    for block in table.blocks:
        cases, k = block.cases, block.cases.shape[1]
        fails = block.outcomes > stages
        new = fails & ~always
        if k == 1:
            alone[cases[:, 0]] = fails
        else:
            for column in cases.T:
                new &= ~alone[column]
        named = [tuple(events[e] for e in row) for row in cases.tolist()]
        for n, i in np.argwhere(new).tolist():
            if k > 2 and _holds_smaller(named[n], minimal[i]):
                new[n, i] = False
            else:
                minimal[i].add(frozenset(named[n]))
                cuts[i].append(named[n])
        if k > 1:
            larger += named
            # Neither a cut set that could be cured nor a case that a requirement asks about: it tells nothing.
            tells = (new | (fails & (asks >= k))).any(axis=1)
            telling += [named[n] for n in np.flatnonzero(tells).tolist()] if safe else named
    if len(telling) > MOST_CASES:
        raise TooLargeError(
            f"{len(telling):,} cases would be evaluated for every set of candidates, {MOST_CASES:,} are the most; "
            "use a lower --order or fewer --modes"
        )
    meets: list[bool | None] = []
    for need, own in zip(required, cuts, strict=True):
        tolerates = min((len(c) - 1 for c in own), default=order)
        meets.append(None if need is None or (not own and tolerates < need) else tolerates >= need)
    singles = [(e,) for e in list_events(topology, MODES)]
    return Baseline(
        topology=topology,
        order=order,
        modes=tuple(modes),
        consumers=tuple(c.id for c in consumers),
        rides=rides,
        required=required,
        weights=tuple(WEIGHTS[c.severity] for c in consumers),
        meets=tuple(meets),
        cases=((), *singles, *telling),
        every_case=((), *singles, *larger),
        cuts=tuple(map(tuple, cuts)),
    )


def _holds_smaller(case: tuple[Event, ...], minimal: set[frozenset[Event]]) -> bool:
    """Whether a proper subset of ``case`` is among ``minimal``; those of none and one are known not to be."""
    return any(frozenset(part) in minimal for size in range(2, len(case)) for part in combinations(case, size))
