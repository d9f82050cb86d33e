"""What carries a consumer for a while? The storages it lives on until they are flat, and interruptions that are borne.

A consumer may fare better at once than in the long run (``CaseState.at_once``). The ways of its power and needs are
followed upstream through what is live at once and not in the long run; they end at storages that nothing charges any
more, and at needs that are gone and yet borne for a while.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from powerfault.electrical.endurance.study import hours_until_flat
from powerfault.errors import PowerfaultError
from powerfault.failures.case_state import CaseState
from powerfault.model.elements import OUTCOMES, STAGES, Component, Event, Topology
from powerfault.network.graph import Network

Hours = Mapping[str, float | None]
"""By storage, hours until it is flat; ``None``, or no entry, where they are not known."""


@dataclass(frozen=True, slots=True)
class Carried:
    """A consumer that fares better at once: its outcome at once and in the long run, and what carries it till then.

    ``hours`` are those of each of the ``storages``; ``borne`` are (what bears it, what is gone, up to which stage).
    """

    consumer: str
    phase: str
    at_once: str
    long_run: str
    storages: tuple[str, ...]
    hours: tuple[float | None, ...]
    borne: tuple[tuple[str, str, str], ...]

    @property
    def words(self) -> str:
        """How it is served, as the part of a sentence that follows the consumer's name."""
        begin = "served" if self.at_once == OUTCOMES[0] else f"restored at stage {self.at_once}"
        parts = []
        if self.storages:
            lasting = [f"after {h:.3g} h" if h is not None else "hours not known" for h in self.hours]
            if len(self.storages) == 1:
                parts.append(f"from {self.storages[0]} until it is flat {_joined_hours(lasting[0])}")
            else:
                each = ", ".join(f"{s} {t}" for s, t in zip(self.storages, lasting, strict=True))
                parts.append(f"from {' and '.join(self.storages)} until they are flat ({each})")
        parts += [f"while {who} bears the loss of {gone}, up to stage {stage}" for who, gone, stage in self.borne]
        text = f"{begin} {', '.join(parts)}" if parts else f"{begin} for a while"
        if self.long_run == OUTCOMES[-1]:
            return f"{text}, then lost"
        return f"{text}; restored for good at stage {self.long_run}"

    @property
    def carrier(self) -> str:
        """What carries it, by name."""
        return " and ".join((*self.storages, *(f"what {who} bears" for who, _, _ in self.borne))) or "it"

    def to_json(self) -> dict[str, Any]:
        return {
            "outcome": self.at_once,
            "storages": dict(zip(self.storages, self.hours, strict=True)),
            "borne": [{"by": who, "need": gone, "stage": stage} for who, gone, stage in self.borne],
            "text": f"{self.consumer} is {self.words}",
        }


def _joined_hours(text: str) -> str:
    return text if text.startswith("after") else f"({text})"


def find_carried(
    network: Network, state: CaseState, consumer: str, phase: str, hours: Hours | None = None
) -> Carried | None:
    """Return what carries ``consumer`` in ``phase`` of a case, ``None`` where it fares no better at once."""
    soon = next((s for s in range(len(STAGES)) if consumer in state.live_at_once(s, phase)), len(STAGES))
    late = next((s for s in range(len(STAGES)) if consumer in state.live[s][phase]), len(STAGES))
    if soon >= late:
        return None
    held = state.live_at_once(soon, phase)
    gone = held - state.live[soon][phase]
    storages: dict[str, None] = {}
    borne: dict[tuple[str, str, str], None] = {}
    seen = {consumer}
    for id_ in (waiting := [consumer]):
        v = network.index[id_]
        element = network.elements[v]
        if isinstance(element, Component) and element.kind == "storage" and v in network.chargers:
            storages[id_] = None
        for need in network.needs[v]:
            name = network.ids[need.node]
            if name not in held and need.bears >= soon:
                borne[id_, name, STAGES[need.bears]] = None
        behind = (*network.upstream[v], *network.members[v], *(x.node for x in network.needs[v]))
        for u in behind + network.operators.get(v, ()):
            name = network.ids[u]
            if name in gone and name not in seen:
                seen.add(name)
                waiting.append(name)
    known = hours or {}
    return Carried(
        consumer,
        phase,
        OUTCOMES[soon],
        OUTCOMES[late],
        tuple(storages),
        tuple(known.get(s) for s in storages),
        tuple(borne),
    )


def carried_in(network: Network, state: CaseState, consumer: str, hours: Hours | None = None) -> Carried | None:
    """As :func:`find_carried`, in the phase in which it fares worst in the long run of those in which it is carried."""
    judged = [p for p in network.topology.phase_names if consumer in state.by_phase[p]]
    worst = sorted(judged, key=lambda p: -OUTCOMES.index(state.by_phase[p][consumer]))
    return next((c for p in worst if (c := find_carried(network, state, consumer, p, hours)) is not None), None)


def hours_of(topology: Topology, failed: Iterable[Event], given: Iterable[Event] = ()) -> Hours:
    """Hours until storages are flat in a case with switching done on command; none where they cannot be known."""
    try:
        return hours_until_flat(topology, failed, given=given)
    except PowerfaultError:
        return {}
