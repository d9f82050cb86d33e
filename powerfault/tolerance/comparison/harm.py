"""What a single failure does: whom it fails, how severe that is, and how much demand goes with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from powerfault.model.elements import SEVERITIES, Event, Load, Topology, in_phase

_DIGITS = 9


@dataclass(frozen=True, slots=True)
class Harm:
    """Consumers that ``event`` fails, the severest of their severities (``None`` where none is given), and the demand
    in kW of the loads among them, in the phase in which it is greatest.
    """

    event: Event
    failing: tuple[str, ...]
    severest: str | None
    demand_kw: float

    @property
    def severity_rank(self) -> int:
        """0 for the most severe; after all severities where none is given."""
        return SEVERITIES.index(self.severest) if self.severest else len(SEVERITIES)


def harm_of(topology: Topology, event: Event, failing: Sequence[str]) -> Harm:
    """Return the harm of ``event``, which fails the consumers ``failing`` of ``topology``."""
    consumers = [topology.consumer(i) for i in failing]
    severest = min((c.severity for c in consumers if c.severity), key=SEVERITIES.index, default=None)
    loads = [c for c in consumers if isinstance(c, Load)]
    demand = max(sum(in_phase(c.demand_kw, phase, 0.0) or 0.0 for c in loads) for phase in topology.phase_names)
    return Harm(event, tuple(failing), severest, round(demand, _DIGITS))
