"""Which outcome has every consumer if a load that ratings do not allow counts as lost?

At each stage of a case the best service is found (``served.capacity``). A load's outcome is the first
stage from which it is served at that and every later stage: one that must give way to something restored later is
lost, whatever came before. A function is served where enough of its members are in the positions chosen. Everything
that is dark for this reason, and not for want of a path, is named in ``no_capacity``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from powerfault.electrical.served.capacity import UNPROVED, Parts
from powerfault.electrical.served.configuration import energised
from powerfault.electrical.served.plant import Plant
from powerfault.electrical.served.served_case import merge
from powerfault.electrical.served.surviving import Surviving
from powerfault.model.elements import OUTCOMES, STAGES, Event


@dataclass(frozen=True, slots=True)
class RatedCase:
    """Outcomes with ratings. ``no_capacity`` are the consumers whose outcome is worse than a path alone would give."""

    failed: tuple[Event, ...]
    outcomes: Mapping[str, str]
    by_phase: Mapping[str, Mapping[str, str]]
    no_capacity: frozenset[str]
    proved: bool


def rate_case(
    plant: Plant,
    failed: tuple[Event, ...],
    stages: Mapping[int, Mapping[str, Surviving]],
    best: Mapping[tuple[int, str], Parts],
) -> RatedCase:
    """Judge one case from what survives of it at every stage and phase, and the best services of that."""
    network = plant.network
    consumers = list(network.topology.consumers())
    by_phase: dict[str, dict[str, str]] = {}
    short: set[str] = set()
    proved = True
    for phase in network.topology.phase_names:
        on: list[set[int]] = []
        paths: list[frozenset[int]] = []
        for number in range(len(STAGES)):
            surviving = stages[number][phase]
            parts = best[number, phase]
            proved &= all(found.proof != UNPROVED for _, found in parts)
            service = merge(plant, surviving, parts)
            idle = {v for v in plant.loads & surviving.live if v not in plant.judged[phase]}
            on.append(
                energised(plant, surviving, service.closed, service.mated, service.served | idle, service.fed_from)
            )
            paths.append(surviving.live)
        own = by_phase[phase] = {}
        for consumer in consumers:
            if not consumer.judged_in(phase):
                continue
            v = network.index[consumer.id]
            outcome = len(STAGES)
            while outcome and v in on[outcome - 1]:
                outcome -= 1
            path = next((number for number, live in enumerate(paths) if v in live), len(STAGES))
            own[consumer.id] = OUTCOMES[outcome]
            if outcome > path:
                short.add(consumer.id)
    worst = {
        c.id: max((by_phase[p][c.id] for p in by_phase if c.id in by_phase[p]), key=OUTCOMES.index, default=OUTCOMES[0])
        for c in consumers
    }
    return RatedCase(failed, worst, by_phase, frozenset(short), proved)
