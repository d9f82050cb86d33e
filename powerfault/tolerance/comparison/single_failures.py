"""What does each single failure do to a system? All of them evaluated together, a bit a failure.

Bit 0 of a row is the system with nothing more failed, and each event has a bit after it. A system after a change can
be given the bits of the one before, so that the rows of both are compared as they are and no case is looked at alone.
Rows are whole numbers: a system of 1,000 components has some 2,000 single events, and an operation on so many bits
costs no more than on one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from powerfault.failures.case_state import failed_rows
from powerfault.failures.energise import energise
from powerfault.failures.influence import bit_positions
from powerfault.failures.lanes import WholeNumberLanes
from powerfault.failures.plan import make_plan
from powerfault.model.elements import OUTCOMES, Event, Topology
from powerfault.network.failure_modes import list_events, merge_given
from powerfault.network.graph import Network
from powerfault.tolerance.comparison.harm import Harm, harm_of
from powerfault.tolerance.verdicts import rides_through_stages


@dataclass(frozen=True, slots=True)
class SingleFailures:
    """The single events of a system and what follows from each, as rows of whole numbers.

    ``lanes`` numbers the bits of the events, ``count`` is the number of bits of a row. ``unserved[s][i]`` are the
    cases in which the i-th consumer is not yet served at stage s (none that is served is unserved later), ``zone[v]``
    those in which node v lies in the zone of a short when it happens.
    """

    network: Network
    events: tuple[Event, ...]
    lanes: Mapping[Event, int]
    count: int
    unserved: Sequence[Sequence[int]]
    zone: Mapping[int, int]

    @property
    def topology(self) -> Topology:
        return self.network.topology

    def outcome(self, consumer: int, lane: int) -> str:
        """The outcome of the i-th consumer in the case of one bit."""
        return OUTCOMES[sum(rows[consumer] >> lane & 1 for rows in self.unserved)]

    def worse(self, consumer: int) -> int:
        """The cases in which the i-th consumer does worse than with nothing more failed."""
        return next((rows[consumer] for rows in self.unserved if not rows[consumer] & 1), 0)


def single_failures(
    network: Network, modes: Sequence[str], given: Iterable[Event] = (), beside: SingleFailures | None = None
) -> SingleFailures:
    """Evaluate every single event of ``network`` in ``modes``, the ``given`` events in every case.

    Events that are also in ``beside`` have the same bits as there; a bit of its other events is a case in which
    nothing more fails. The cost is that of one evaluation of the network: nodes and links x events / 64.
    """
    given = tuple(given)
    events = list_events(network.topology, modes, given)
    cases: list[tuple[Event, ...]] = [()] * (beside.count if beside else 1)
    lanes = {e: beside.lanes[e] for e in events if e in beside.lanes} if beside else {}
    for event, lane in lanes.items():
        cases[lane] = (event,)
    for event in events:
        if event not in lanes:
            lanes[event] = len(cases)
            cases.append((event,))
    standing = merge_given(network.topology, given)
    numbers = WholeNumberLanes(len(cases))
    rows = failed_rows(network, cases, standing, numbers)
    found = energise(make_plan(network), numbers, rows, keep_rows=True)
    # At stage 0 nothing is operable, so the zone is the same in every phase.
    return SingleFailures(network, events, lanes, len(cases), found.unserved, found.stages[0][0].zone)


def worst_single(singles: SingleFailures, modes: Sequence[str]) -> tuple[Harm, Harm] | None:
    """Return the single failure in ``modes`` that fails the most severe consumers, and that which fails most demand.

    ``None`` where there is no event in these modes.
    """
    topology = singles.topology
    events = [e for e in singles.events if e.mode in modes]
    if not events:
        return None
    failing: dict[int, list[int]] = {singles.lanes[e]: [] for e in events}
    for i, stage in enumerate(rides_through_stages(topology)):
        for lane in bit_positions(singles.unserved[stage][i]):
            if lane in failing:
                failing[lane].append(i)
    ids = [c.id for c in topology.consumers()]
    harms = [harm_of(topology, e, [ids[i] for i in failing[singles.lanes[e]]]) for e in events]
    return (
        min(harms, key=lambda h: (h.severity_rank, -len(h.failing), -h.demand_kw)),
        min(harms, key=lambda h: (-h.demand_kw, h.severity_rank)),
    )
