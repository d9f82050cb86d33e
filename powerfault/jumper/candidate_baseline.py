"""The system as it is, as the yardstick for candidates: what is asked of whom, and which cases could tell.

In mode ``loss`` adding never harms (every fixpoint is monotone in what is there), so of the cases of two and more
events only those matter that fail some consumer today: as a minimal cut set that could be cured, or as a case that a
requirement asks about. In other modes all cases matter.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from powerfault.errors import TooLargeError
from powerfault.failures.cases import case_blocks, count_cases
from powerfault.failures.energise import energise
from powerfault.failures.lanes import WordLanes, positions
from powerfault.failures.plan import make_plan
from powerfault.failures.verdicts import rides_through_stages
from powerfault.model.elements import MODES, Event, Topology
from powerfault.network.failure_modes import list_events
from powerfault.network.graph import build_network

WEIGHTS = {"catastrophic": 8.0, "critical": 4.0, "major": 2.0, "minor": 1.0, None: 1.0}
"""Weight of a consumer by severity: a convention, shown with every ranking."""
ORDER_SHARE = 0.1
"""A minimal set of two events weighs a tenth of a single one, and so on."""
LANES_AT_ONCE = 1 << 20
MOST_CASES = 400_000
MOST_ENUMERATED = 3_000_000

Words = NDArray[np.uint64]


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


def find_baseline(topology: Topology, order: int, modes: Sequence[str]) -> Baseline:
    """Evaluate the system as it is."""
    network = build_network(topology)
    plan = make_plan(network)
    rides = rides_through_stages(topology)
    events = list_events(topology, modes)
    if sum(count_cases(events, order)) > MOST_ENUMERATED:
        raise TooLargeError(
            f"{sum(count_cases(events, order)):,} cases of up to {order} events, {MOST_ENUMERATED:,} are the most that "
            "a ranking enumerates; use a lower --order or fewer --modes"
        )
    consumers = list(topology.consumers())
    required = tuple(c.required_tolerance for c in consumers)
    loss_alone = tuple(modes) == ("loss",)
    cuts: list[list[tuple[Event, ...]]] = [[] for _ in rides]
    minimal: list[set[frozenset[Event]]] = [set() for _ in rides]
    larger: list[tuple[Event, ...]] = []
    telling: list[tuple[Event, ...]] = []
    for k in range(order + 1):
        for block in [np.zeros((1, 0), np.int32)] if k == 0 else case_blocks(events, k, LANES_AT_ONCE):
            cases = [tuple(events[e] for e in row) for row in block.tolist()]
            lanes = WordLanes(len(cases))
            found = energise(plan, lanes, event_rows(network.index, cases, topology.standing, lanes))
            failing = np.zeros(lanes.words, np.uint64)
            for i, ride in enumerate(rides):
                for n in positions(found.unserved[ride][i], len(cases)).tolist():
                    case = cases[n]
                    if not _holds_smaller(case, minimal[i]):
                        minimal[i].add(frozenset(case))
                        cuts[i].append(case)
                    elif (required[i] or 0) < k:
                        continue  # neither a cut set that could be cured nor one that the requirement asks about
                    failing[n >> 6] |= np.uint64(1 << (n & 63))
            if k > 1:
                larger += cases
                telling += [cases[n] for n in positions(failing, len(cases)).tolist()] if loss_alone else cases
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
    """Whether a proper subset of ``case`` is among ``minimal``."""
    return bool(minimal) and any(
        frozenset(part) in minimal for size in range(len(case)) for part in combinations(case, size)
    )


def event_rows(
    index: dict[str, int], cases: Sequence[tuple[Event, ...]], standing: Iterable[Event], lanes: WordLanes
) -> dict[tuple[int, str], Words]:
    return placed_rows(index, [(c, n) for n, c in enumerate(cases)], standing, lanes)


def placed_rows(
    index: dict[str, int], placed: Iterable[tuple[tuple[Event, ...], int]], standing: Iterable[Event], lanes: WordLanes
) -> dict[tuple[int, str], Words]:
    where: dict[tuple[int, str], list[int]] = {}
    for case, lane in placed:
        for event in case:
            where.setdefault((index[event.id], event.mode), []).append(lane)
    rows: dict[tuple[int, str], Words] = {}
    for key, found in where.items():
        place = np.array(found, np.int64)
        row = np.zeros(lanes.words, np.uint64)
        np.bitwise_or.at(row, place >> 6, np.uint64(1) << (place & 63).astype(np.uint64))
        rows[key] = row
    for event in standing:
        rows[index[event.id], event.mode] = lanes.full
    return rows
