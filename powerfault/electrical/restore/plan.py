"""A switching plan as a value: ordered steps, what each brings back, and what stays dark.

Found by ``restore.study``; rendered by the output floor.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from powerfault.electrical.served.unserved import Dark
from powerfault.model.elements import Event, Topology

OPEN, CLOSE, RECLOSE, MATE, SHED = "open", "close", "reclose", "mate", "shed"
CONNECT, RETURN = "connect", "return"
"""Switch a load on again that was shed; what comes back with nothing switched."""
MATE_CAUTION = "mate it only de-energised, isolated, tagged and proved dead at both ends"


@dataclass(frozen=True, slots=True)
class Step:
    """One operation. ``restores`` and ``drops`` are consumers; ``remarks`` say what to mind or what is wrong."""

    number: int
    stage: str
    action: str
    id: str
    restores: tuple[str, ...] = ()
    drops: tuple[str, ...] = ()
    served_kw: Mapping[int, float] = field(default_factory=dict)
    transfers: tuple[tuple[str, str], ...] = ()
    """(component with ``one_feed``, neighbour from which it takes power from now on)."""
    remarks: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        return {
            "step": self.number,
            "stage": self.stage,
            "action": self.action,
            "id": self.id,
            "restores": list(self.restores),
            "drops": list(self.drops),
            "served_kw": {str(p): round(kw, 9) for p, kw in self.served_kw.items()},
            "transfers": [{"id": id_, "takes_power_from": source} for id_, source in self.transfers],
            "remarks": list(self.remarks),
        }


@dataclass(frozen=True, slots=True)
class SwitchingPlan:
    """The way back in one phase. ``interrupted`` are the consumers dark once protection has cleared."""

    phase: str
    interrupted: tuple[str, ...]
    steps: tuple[Step, ...]
    dark: tuple[Dark, ...]
    restored_at: Mapping[str, str]
    served: frozenset[str]
    served_kw: Mapping[int, float]
    demand_kw: Mapping[int, float]
    operations: tuple[tuple[str, str], ...]
    findings: tuple[str, ...]
    proved: bool

    def to_json(self) -> dict[str, Any]:
        return {
            "phase": self.phase,
            "interrupted": list(self.interrupted),
            "steps": [s.to_json() for s in self.steps],
            "restored_at": dict(self.restored_at),
            "dark": [d.to_json() for d in self.dark],
            "served_kw": {str(p): round(kw, 9) for p, kw in self.served_kw.items()},
            "demand_kw": {str(p): round(kw, 9) for p, kw in self.demand_kw.items()},
            "operations": [{"id": id_, "to": to} for id_, to in self.operations],
            "findings": list(self.findings),
            "proved": self.proved,
        }


@dataclass(frozen=True)
class Restoration:
    """The switching plans of one case, a phase each."""

    topology: Topology
    failed: tuple[Event, ...]
    standing: tuple[Event, ...]
    plans: tuple[SwitchingPlan, ...]

    def to_json(self) -> dict[str, Any]:
        return {
            "format": 1,
            "topology": self.topology.name,
            "sha256": self.topology.sha256,
            "with": list(self.topology.applied),
            "standing": [str(e) for e in self.standing],
            "failed": [str(e) for e in self.failed],
            "plans": [p.to_json() for p in self.plans],
        }
