"""Why does a load stay dark when ratings count: no path, or no capacity, and where does it fail?"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from powerfault.electrical.served.configuration import TOLERANCE_KW, Service
from powerfault.electrical.served.plant import Plant
from powerfault.electrical.served.surviving import Surviving

NAMED = 4


@dataclass(frozen=True, slots=True)
class Dark:
    """A load that stays dark. ``cause`` is ``no path`` or ``no capacity``; ``at`` names where it fails."""

    id: str
    cause: str
    at: tuple[str, ...]
    text: str

    def to_json(self) -> dict[str, Any]:
        return {"id": self.id, "cause": self.cause, "at": list(self.at), "why": self.text}


def why_dark(plant: Plant, surviving: Surviving, service: Service, live: Collection[int], load: int) -> Dark:
    """Say why ``load`` is not served by ``service``, in the positions in which ``live`` is energised."""
    ids = plant.network.ids
    if load not in surviving.live:
        return _no_path(plant, surviving, load)
    demand = plant.demand_kw[surviving.phase][load]
    if load not in live and not any(u in live for u in plant.network.upstream[load]):
        text = "a path exists, but only in positions that serve what comes before it worse"
        return Dark(ids[load], "no capacity", tuple(ids[u] for u in plant.network.upstream[load]), text)
    out: dict[int, float] = {}
    for (u, _), kw in service.flow_kw.items():
        out[u] = out.get(u, 0.0) + kw
    limits = dict(plant.limited[surviving.phase])
    short = []
    for u in _above(plant, surviving, load):
        if u in limits and limits[u] - out.get(u, 0.0) < demand - TOLERANCE_KW:
            short.append(u)
    spare = ", ".join(f"{ids[u]} has {_left_kw(limits[u] - out.get(u, 0.0)):.3g} kW left" for u in short[:NAMED])
    text = f"asks {demand:.3g} kW; " + (spare or "no combination of feeds has that much left")
    return Dark(ids[load], "no capacity", tuple(ids[u] for u in short), text)


def _left_kw(kw: float) -> float:
    """What is left, without the dust of floating point."""
    return kw if kw > TOLERANCE_KW else 0.0


def _no_path(plant: Plant, surviving: Surviving, load: int) -> Dark:
    """Name the nearest components above the load that are down, and unmet needs."""
    ids, live = plant.network.ids, surviving.live
    unmet = [n for n in plant.need_nodes[load] if n not in live]
    down = [u for u in plant.network.upstream[load] if u not in live]
    roots: list[int] = []
    seen = set(down)
    waiting = list(down)
    while waiting:
        v = waiting.pop(0)
        needs = [n for n in plant.need_nodes[v] if n not in live]
        above = [u for u in plant.network.upstream[v] if u not in live and u not in seen]
        feeds_down = not any(u in live for u in plant.network.upstream[v]) and v not in plant.sources
        if v not in surviving.through:
            roots.append(v)
        elif needs:
            roots += [n for n in needs if n not in roots]
        elif not feeds_down or not plant.network.upstream[v]:
            roots.append(v)
        seen.update(above)
        waiting += above
    # What is lost or in a fault's zone explains more than what merely hangs on it.
    broken = [v for v in roots if v not in surviving.through]
    roots = broken or roots
    at = tuple(ids[v] for v in dict.fromkeys((*unmet, *roots)))
    parts = []
    if unmet:
        parts.append(f"needs {', '.join(ids[n] for n in unmet)}")
    if roots:
        parts.append(f"no way past {', '.join(ids[v] for v in roots[:NAMED])}")
    return Dark(ids[load], "no path", at, "; ".join(parts) or "no feed of it is live")


def _above(plant: Plant, surviving: Surviving, load: int) -> list[int]:
    """The live components above ``load``, nearest first."""
    found: list[int] = []
    seen = {load}
    waiting = [load]
    while waiting:
        for u in plant.network.upstream[waiting.pop(0)]:
            if u in surviving.live and u not in seen:
                seen.add(u)
                found.append(u)
                waiting.append(u)
    return found
