"""Everything about single cases: what is live, in a zone, tripped or operable at each stage of each phase.

The cases are evaluated together as bits of whole numbers, so that looking at a few needs no array library.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from powerfault.errors import RequestError
from powerfault.failures.energise import Energised, charged_before, energise, energise_at_once
from powerfault.failures.lanes import WholeNumberLanes
from powerfault.failures.plan import Plan, make_plan
from powerfault.model.elements import OUTCOMES, STAGES, Event
from powerfault.network.failure_modes import merge_given
from powerfault.network.graph import Network

Ids = frozenset[str]


@dataclass(frozen=True, slots=True)
class CaseState:
    """One case in full. Fields by stage and phase are tuples of mappings: ``live[stage][phase]`` is a set of ids.

    ``live`` holds components and loads that are live and functions that are served. ``tripped`` are the devices that
    cleared or lay in a zone at stage 0. ``outcomes`` gives every consumer's worst outcome over the phases in which it
    is judged, ``by_phase`` the outcome in each such phase.
    """

    failed: tuple[Event, ...]
    standing: tuple[Event, ...]
    live: tuple[Mapping[str, Ids], ...]
    zone: tuple[Mapping[str, Ids], ...]
    blocking: tuple[Mapping[str, Ids], ...]
    operable: tuple[Mapping[str, Ids], ...]
    charged: tuple[Ids, ...]
    tripped: Ids
    outcomes: Mapping[str, str]
    by_phase: Mapping[str, Mapping[str, str]]
    at_once: CaseState | None = None
    """The same case before a storage is flat that nothing charges any more, where it was asked for."""

    def live_at_once(self, stage: int, phase: str) -> Ids:
        """What is live or served at once at a stage."""
        return (self.at_once or self).live[stage][phase]


def case_states(
    network: Network,
    cases: Iterable[Iterable[Event]],
    given: Iterable[Event] = (),
    plan: Plan | None = None,
    *,
    at_once: bool = False,
) -> list[CaseState]:
    """Evaluate ``cases`` (each some events, one a component at most) and return the full state of each.

    ``given`` events belong to every case beside the standing ones. With ``at_once`` each state of the long run holds
    that of the second instant too, before a storage is flat that nothing charges any more. Raises
    :class:`RequestError` where a case names one component twice.
    """
    failed = [tuple(case) for case in cases]
    standing = merge_given(network.topology, given)
    lanes = WholeNumberLanes(len(failed))
    rows = failed_rows(network, failed, standing, lanes)
    plan = plan or make_plan(network)
    result = energise(plan, lanes, rows, keep_phases=True, keep_rows=True)
    second: list[CaseState | None] = [None] * len(failed)
    if at_once:
        charged = charged_before(plan, [(network.index[e.id], e.mode) for e in standing])
        begun = energise_at_once(plan, lanes, rows, charged, keep_phases=True, keep_rows=True)
        second = [_state(network, begun, i, case, standing) for i, case in enumerate(failed)]
    return [_state(network, result, i, case, standing, second[i]) for i, case in enumerate(failed)]


def failed_rows(
    network: Network, cases: Sequence[tuple[Event, ...]], standing: Iterable[Event], lanes: WholeNumberLanes
) -> dict[tuple[int, str], int]:
    """Return the row of each (node, mode) that happens in some of ``cases``."""
    rows: dict[tuple[int, str], int] = {(network.index[e.id], e.mode): lanes.full for e in standing}
    fixed = {e.id: e for e in standing}
    for i, case in enumerate(cases):
        own: dict[str, Event] = dict(fixed)
        for event in case:
            if own.setdefault(event.id, event) != event:
                raise RequestError(f"case {', '.join(map(str, case))}: {event.id} already fails as {own[event.id]}")
            key = network.index[event.id], event.mode
            rows[key] = rows.get(key, 0) | (1 << i)
    return rows


def _state(
    network: Network,
    result: Energised,
    case: int,
    failed: tuple[Event, ...],
    standing: tuple[Event, ...],
    at_once: CaseState | None = None,
) -> CaseState:
    phases = network.topology.phase_names
    bit = 1 << case

    def ids(rows: Mapping[int, int]) -> Ids:
        return frozenset(network.ids[v] for v, row in rows.items() if row & bit)

    names = [network.ids[v] for v in network.consumers]
    consumers = list(network.topology.consumers())
    outcomes = {name: OUTCOMES[sum(1 for rows in result.unserved if rows[i] & bit)] for i, name in enumerate(names)}
    by_phase = {
        phase: {
            name: OUTCOMES[sum(1 for rows in result.phase_unserved[p] if rows[i] & bit)]
            for i, name in enumerate(names)
            if consumers[i].judged_in(phase)
        }
        for p, phase in enumerate(phases)
    }
    stages = result.stages
    return CaseState(
        failed=failed,
        standing=standing,
        live=tuple(
            {
                phase: frozenset(network.ids[v] for v, row in enumerate(stages[s][p].live) if row & bit)
                for p, phase in enumerate(phases)
            }
            for s in range(len(STAGES))
        ),
        zone=tuple({phase: ids(stages[s][p].zone) for p, phase in enumerate(phases)} for s in range(len(STAGES))),
        blocking=tuple(
            {phase: ids(stages[s][p].blocking) for p, phase in enumerate(phases)} for s in range(len(STAGES))
        ),
        operable=tuple(
            {phase: ids(stages[s][p].operable) for p, phase in enumerate(phases)} for s in range(len(STAGES))
        ),
        charged=tuple(ids(stages[s][0].charged) for s in range(len(STAGES))),
        tripped=ids(result.tripped),
        outcomes=outcomes,
        by_phase=by_phase,
        at_once=at_once,
    )
