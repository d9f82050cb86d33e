"""The failure worksheet: a row per component and mode, with the effects at each level before and after switching.

The columns follow the sense of MIL-STD-1629A task 101 and ECSS-Q-ST-30-02C: local, next-higher and end effect,
detection, compensation, severity, single-point mark. Effects are computed from the case of the one event; texts on
detection and compensation are the file's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from powerfault.failures.case_state import CaseState, case_states
from powerfault.model.elements import OUTCOMES, SEVERITIES, STAGES, TOLERANCE_BY_SEVERITY, Component, Event
from powerfault.network.failure_modes import list_events
from powerfault.network.graph import Network
from powerfault.tolerance.explain.carried import carried_in, hours_of

COLUMNS = (
    "number", "item", "kind", "function", "mode", "phase outcomes", "local effect", "next-higher effect",
    "end effect before switching", "end effect after switching", "detection", "compensation", "severity",
    "severity basis", "single point", "waivers", "remarks",
)  # fmt: skip
_WORDS = {
    "loss": "loss of output",
    "short": "short",
    "leak": "leak",
    "stuck": "stuck in its normal position",
    "closed": "closed unasked",
}


@dataclass(frozen=True, slots=True)
class WorksheetRow:
    """One row, in texts ready to print. ``severity`` is the number of ECSS-Q-ST-30-02C, 1 (worst) to 4, or ``None``."""

    number: str
    event: Event
    item: str
    kind: str
    function: str
    mode: str
    phase_outcomes: str
    local_effect: str
    next_effect: str
    end_before: str
    end_after: str
    detection: str
    compensation: str
    severity: int | None
    severity_basis: str
    single_point: bool
    waivers: str
    remarks: str

    def cells(self) -> tuple[str, ...]:
        """The row as text, in the order of :data:`COLUMNS`."""
        severity = "" if self.severity is None else f"{self.severity} {SEVERITIES[self.severity - 1]}"
        return (
            self.number,
            self.item,
            self.kind,
            self.function,
            self.mode,
            self.phase_outcomes,
            self.local_effect,
            self.next_effect,
            self.end_before,
            self.end_after,
            self.detection,
            self.compensation,
            severity,
            self.severity_basis,
            "yes" if self.single_point else "no",
            self.waivers,
            self.remarks,
        )


def worksheet_rows(network: Network, modes: Sequence[str], given: Sequence[Event] = ()) -> list[WorksheetRow]:
    """Return a row for every event of ``modes``, by component in file order, then by mode."""
    topology = network.topology
    events = list_events(topology, modes, given)
    nothing, *states = case_states(network, [(), *((e,) for e in events)], given, at_once=True)
    return [
        _row(network, i, event, state, nothing, given)
        for i, (event, state) in enumerate(zip(events, states, strict=True), 1)
    ]


def _row(
    network: Network, number: int, event: Event, state: CaseState, nothing: CaseState, given: Sequence[Event]
) -> WorksheetRow:
    topology = network.topology
    element = topology.components.get(event.id) or topology.loads[event.id]
    failing = [
        c
        for c in topology.consumers()
        if OUTCOMES.index(state.outcomes[c.id]) > OUTCOMES.index(topology.rides_through(c))
        and OUTCOMES.index(nothing.outcomes[c.id]) <= OUTCOMES.index(topology.rides_through(c))
    ]
    severities = [SEVERITIES.index(c.severity) + 1 for c in failing if c.severity]
    waived = [
        f"{c.id}: must tolerate {c.must_tolerate} instead of {TOLERANCE_BY_SEVERITY[c.severity]}"
        for c in failing
        if c.severity and c.must_tolerate is not None and c.must_tolerate < TOLERANCE_BY_SEVERITY[c.severity]
    ]
    component = element if isinstance(element, Component) else None
    remarks = [element.notes] if element.notes else []
    if component is not None and component.needs:
        remarks.append("needs " + ", ".join(n.id for n in component.needs))
    return WorksheetRow(
        number=f"{number:03d}",
        event=event,
        item=event.id if element.title == event.id else f"{event.id} ({element.title})",
        kind=component.kind if component else "load",
        function=_function(network, event.id),
        mode=_WORDS[event.mode],
        phase_outcomes=_by_phase(state, nothing),
        local_effect=_local(event, state),
        next_effect=_next_higher(network, event, state, nothing),
        end_before=_before(state, nothing),
        end_after=_after(network, state, nothing, given),
        detection=(component.detection or "") if component else "",
        compensation=(component.compensation or "") if component else "",
        severity=min(severities, default=None),
        severity_basis="; ".join(f"{c.id}: {c.severity_basis}" for c in failing if c.severity_basis),
        single_point=bool(failing),
        waivers="; ".join(waived),
        remarks="; ".join(remarks),
    )


def _dropped(consumer: str, state: CaseState, nothing: CaseState) -> bool:
    return state.outcomes[consumer] != STAGES[0] and nothing.outcomes[consumer] == STAGES[0]


def _function(network: Network, id_: str) -> str:
    v = network.index[id_]
    fed = _listed([network.ids[u] for u in network.downstream[v]], 4)
    return f"feeds {fed}" if fed else "consumes power" if id_ in network.topology.loads else "feeds nothing"


def _local(event: Event, state: CaseState) -> str:
    if event.mode == "loss":
        return "gives and passes nothing"
    if event.mode == "stuck":
        return "stays as it is: can be neither operated nor trip"
    if event.mode == "closed":
        return "carries faults across; no power is credited to it; cannot be opened"
    if event.mode == "leak":
        drained = _listed(sorted(frozenset().union(*state.zone[-1].values()) - {event.id}), 6)
        return f"drains {drained} until a refill" if drained else "drains itself alone until a refill"
    zone = _listed(sorted(frozenset().union(*state.zone[0].values()) - {event.id}), 6)
    cleared = _listed(sorted(state.tripped - {event.id}), 6)
    text = f"takes down {zone}" if zone else "takes down itself alone"
    return f"{text}; cleared by {cleared}" if cleared else f"{text}; nothing had to trip"


def _next_higher(network: Network, event: Event, state: CaseState, nothing: CaseState) -> str:
    """The neighbours downstream, and what needs the item, that are de-energised at once."""
    v = network.index[event.id]
    around = dict.fromkeys(
        (*network.downstream[v], *(w for w in network.readers[v] if any(x.node == v for x in network.needs[w])))
    )
    dead = [
        network.ids[w]
        for w in around
        if any(
            network.ids[w] in nothing.live_at_once(0, p) and network.ids[w] not in state.live_at_once(0, p)
            for p in network.topology.phase_names
        )
    ]
    return f"de-energised at once: {_listed(dead)}" if dead else "none"


def _before(state: CaseState, nothing: CaseState) -> str:
    """What is not served at once: what a storage still carries is none of it."""
    soon = (state.at_once or state).outcomes
    return _listed([c for c in state.outcomes if soon[c] != STAGES[0] and _dropped(c, state, nothing)]) or "none"


def _after(network: Network, state: CaseState, nothing: CaseState, given: Sequence[Event]) -> str:
    by_outcome: dict[str, list[str]] = {}
    by_words: dict[str, list[str]] = {}
    soon = (state.at_once or state).outcomes
    dropped = [c for c in state.outcomes if _dropped(c, state, nothing)]
    hours = (
        hours_of(network.topology, state.failed, given) if any(soon[c] != state.outcomes[c] for c in dropped) else {}
    )
    for consumer in dropped:
        carried = carried_in(network, state, consumer, hours) if soon[consumer] != state.outcomes[consumer] else None
        if carried is not None:
            by_words.setdefault(carried.words, []).append(consumer)
        else:
            by_outcome.setdefault(state.outcomes[consumer], []).append(consumer)
    parts = [f"{words}: {_listed(own)}" for words, own in by_words.items()]
    for outcome in OUTCOMES[1:]:
        if outcome in by_outcome:
            word = "lost" if outcome == OUTCOMES[-1] else f"back at stage {outcome}"
            parts.append(f"{word}: {_listed(by_outcome[outcome])}")
    return "; ".join(parts) or "none"


def _by_phase(state: CaseState, nothing: CaseState) -> str:
    parts = []
    for phase, outcomes in state.by_phase.items():
        worst = max((OUTCOMES.index(o) for c, o in outcomes.items() if nothing.by_phase[phase][c] != o), default=0)
        parts.append(f"{phase}: {OUTCOMES[worst]}")
    return "; ".join(parts)


def _listed(names: Sequence[str], most: int = 10) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")
