"""What the best service of a case means, said in ids: served and dark loads, operations, loading, findings.

What depends on the parts alone is found once for all cases that leave the same parts behind (:class:`Describer`).
"""

from __future__ import annotations

from array import array
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from math import isnan, nan
from typing import Any

from powerfault.electrical.served.capacity import SOLVER, UNPROVED, Parts
from powerfault.electrical.served.configuration import (
    Service,
    conducting,
    crowded_groups,
    driven_backwards,
    energised,
    joined_outputs,
    reached_outputs,
)
from powerfault.electrical.served.plant import Plant
from powerfault.electrical.served.surviving import Surviving
from powerfault.model.elements import STAGES, Event


@dataclass(frozen=True, slots=True)
class Loading:
    """What leaves a component against what may: ``limit_kw`` the least of rating, current x voltage, capacity."""

    kw: float
    limit_kw: float

    @property
    def share(self) -> float:
        return self.kw / self.limit_kw if self.limit_kw > 0 else 0.0

    def to_json(self) -> dict[str, float]:
        return {"kw": _clean(self.kw), "limit_kw": _clean(self.limit_kw), "share": _clean(self.share)}


class Loadings(Mapping[str, Loading]):
    """The loading of each component that has a limit and is live, by id; many cases share the ids and limits."""

    __slots__ = ("_ids", "_kw", "_limits")

    def __init__(self, ids: tuple[str, ...], limits: tuple[float, ...], kw: array[float]) -> None:
        self._ids, self._limits, self._kw = ids, limits, kw

    def __getitem__(self, id_: str) -> Loading:
        try:
            place = self._ids.index(id_)
        except ValueError:
            raise KeyError(id_) from None
        if isnan(self._kw[place]):
            raise KeyError(id_)
        return Loading(self._kw[place], self._limits[place])

    def __iter__(self) -> Iterator[str]:
        return (id_ for id_, kw in zip(self._ids, self._kw, strict=True) if not isnan(kw))

    def __len__(self) -> int:
        return sum(1 for _ in self)

    def items(self) -> Any:
        return [
            (id_, Loading(kw, limit))
            for id_, limit, kw in zip(self._ids, self._limits, self._kw, strict=True)
            if not isnan(kw)
        ]


@dataclass(frozen=True, slots=True)
class Transfer:
    """Power through a jumper, and its direction: the neighbours between which most of it runs (none without power)."""

    kw: float
    source: str | None = None
    target: str | None = None

    def to_json(self) -> dict[str, Any]:
        return {"kw": _clean(self.kw), "from": self.source, "to": self.target}


@dataclass(frozen=True, slots=True)
class ServedCase:
    """The best service in one case and phase."""

    failed: tuple[Event, ...]
    phase: str
    stage: str
    judged: tuple[str, ...]
    """The loads judged in the phase."""
    served_kw: Mapping[int, float]
    demand_kw: Mapping[int, float]
    no_path: tuple[str, ...]
    no_capacity: tuple[str, ...]
    operations: tuple[tuple[str, str], ...]
    """(switched component, ``open`` or ``closed``), in the order of the file."""
    reclosed: tuple[str, ...]
    mated: tuple[str, ...]
    loading: Loadings
    jumpers: Mapping[str, Transfer]
    findings: tuple[str, ...]
    proofs: tuple[str, ...]
    service: Service | None = field(repr=False, compare=False)
    """Positions and flows by node number; not kept where many cases are asked for."""

    @property
    def served(self) -> frozenset[str]:
        return frozenset(self.judged).difference(self.no_path, self.no_capacity)

    @property
    def proved(self) -> bool:
        return UNPROVED not in self.proofs

    @property
    def without_solver(self) -> bool:
        return not {SOLVER, UNPROVED} & set(self.proofs)

    @property
    def shed(self) -> tuple[str, ...]:
        """Every judged load that is not served, in the order of the file."""
        dark = {*self.no_path, *self.no_capacity}
        return tuple(i for i in self.judged if i in dark)

    @property
    def total_kw(self) -> float:
        return sum(self.served_kw.values())

    def to_json(self) -> dict[str, Any]:
        return {
            "failed": [str(e) for e in self.failed],
            "phase": self.phase,
            "served_kw": {str(p): _clean(kw) for p, kw in self.served_kw.items()},
            "demand_kw": {str(p): _clean(kw) for p, kw in self.demand_kw.items()},
            "shed": list(self.shed),
            "no_path": list(self.no_path),
            "no_capacity": list(self.no_capacity),
            "operations": [{"id": id_, "to": to} for id_, to in self.operations],
            "operation_count": len(self.operations),
            "reclosed": list(self.reclosed),
            "mated": list(self.mated),
            "loading": {id_: x.to_json() for id_, x in self.loading.items()},
            "jumpers": {id_: x.to_json() for id_, x in self.jumpers.items()},
            "findings": list(self.findings),
            "proved": self.proved,
            "without_solver": self.without_solver,
        }


class Describer:
    """Says what the best services of the cases of one plant mean. ``whole`` keeps positions and flows with each."""

    def __init__(self, plant: Plant, *, whole: bool = True) -> None:
        self.plant, self.whole = plant, whole
        self.frames = {phase: _Frame(plant, phase) for phase in plant.judged}
        self.joints: dict[int, _Joint] = {}

    def describe(self, surviving: Surviving, failed: tuple[Event, ...], parts: Parts) -> ServedCase:
        """Put the parts of a case together and say what they mean. Parts are told apart as objects."""
        plant, ids, live = self.plant, self.plant.network.ids, surviving.live
        frame = self.frames[surviving.phase]
        joint = self.joints.get(id(parts))
        if joint is None:
            joint = self.joints[id(parts)] = _Joint(plant, frame, surviving, parts)
        service = joint.service_in(surviving)
        return ServedCase(
            failed=failed,
            phase=surviving.phase,
            stage=STAGES[surviving.stage],
            judged=frame.judged_ids,
            served_kw=joint.served_kw,
            demand_kw=frame.demand_kw,
            no_path=tuple(ids[v] for v in joint.unserved if v not in live),
            no_capacity=tuple(ids[v] for v in joint.unserved if v in live),
            operations=tuple((ids[v], to) for v, to in operations(plant, surviving, service)),
            reclosed=tuple(ids[v] for v in sorted(service.closed & surviving.tripped & plant.normally_closed)),
            mated=tuple(ids[v] for v in sorted(service.mated)),
            loading=frame.loading(joint.carried, live),
            jumpers=joint.transfers,
            findings=(*findings(plant, surviving, service), *joint.remarks),
            proofs=joint.proofs,
            service=service if self.whole else None,
        )


def describe(plant: Plant, surviving: Surviving, failed: tuple[Event, ...], parts: Parts) -> ServedCase:
    """Describe one case by itself, positions and flows kept."""
    return Describer(plant).describe(surviving, failed, parts)


class _Frame:
    """What is the same for all cases in one phase."""

    def __init__(self, plant: Plant, phase: str) -> None:
        ids, demand, limited = plant.network.ids, plant.demand_kw[phase], plant.limited[phase]
        self.judged = sorted(plant.judged[phase])
        self.judged_ids = tuple(ids[v] for v in self.judged)
        self.demand_kw = _by_priority(plant, self.judged, demand)
        self.limited = tuple(v for v, _ in limited)
        self.place = {v: i for i, v in enumerate(self.limited)}
        self.limited_nodes = frozenset(self.limited)
        self.names = tuple(ids[v] for v in self.limited)
        self.limits = tuple(limit for _, limit in limited)

    def loading(self, carried: array[float], live: frozenset[int]) -> Loadings:
        """The loading of what is live, ``carried`` on all that has a limit."""
        own = array("d", carried)
        for v in self.limited_nodes - live:
            own[self.place[v]] = nan
        return Loadings(self.names, self.limits, own)


class _Joint:
    """What parts say together, whatever case left them behind."""

    def __init__(self, plant: Plant, frame: _Frame, surviving: Surviving, parts: Parts) -> None:
        self.parts = parts  # held, so that no other parts can be taken for these
        self.movable: frozenset[int] = frozenset().union(*(part.movable for part, _ in parts))
        self.service = merge(plant, surviving, parts)
        self.closed = self.service.closed & self.movable
        served = self.service.served
        self.served_kw = _by_priority(plant, (v for v in frame.judged if v in served), plant.demand_kw[surviving.phase])
        self.unserved = [v for v in frame.judged if v not in served]
        out: dict[int, float] = {}
        for (u, _), kw in self.service.flow_kw.items():
            out[u] = out.get(u, 0.0) + kw
        self.carried = array("d", [out.get(v, 0.0) for v in frame.limited])
        self.transfers = _transfers(plant, self.service)
        self.proofs = tuple(best.proof for _, best in parts)
        self.remarks = [best.remark for _, best in parts if best.remark]

    def service_in(self, surviving: Surviving) -> Service:
        """The service of the whole; switches in no part keep their position."""
        alone = (surviving.movable & surviving.closed) - self.movable
        own = self.service
        return Service(self.closed | alone, own.mated, own.served, own.fed_from, own.flow_kw)


def _by_priority(plant: Plant, loads: Iterable[int], demand: Mapping[int, float]) -> dict[int, float]:
    total = dict.fromkeys(plant.priorities, 0.0)
    for v in loads:
        total[plant.priority[v]] += demand[v]
    return total


def merge(plant: Plant, surviving: Surviving, parts: Parts) -> Service:
    """Put the services of the parts together; switches in none of them keep their position."""
    closed = set(surviving.movable & surviving.closed)
    mated: set[int] = set()
    served: set[int] = set()
    fed_from: dict[int, int] = {}
    flow: dict[tuple[int, int], float] = {}
    for part, best in parts:
        closed -= part.movable
        closed |= best.service.closed
        mated |= best.service.mated
        served |= best.service.served
        fed_from.update(best.service.fed_from)
        flow.update(best.service.flow_kw)
    return Service(frozenset(closed), frozenset(mated), frozenset(served), fed_from, flow)


def operations(plant: Plant, surviving: Surviving, service: Service) -> list[tuple[int, str]]:
    """Return the switched components that differ from their normal position, with where they stand, by number."""
    closing = service.closed - plant.normally_closed
    opening = (surviving.movable & plant.normally_closed) - service.closed - surviving.tripped
    return sorted([(v, "closed") for v in closing] + [(v, "open") for v in opening | surviving.opened])


def findings(plant: Plant, surviving: Surviving, service: Service) -> list[str]:
    """Say what is wrong in the positions chosen that no position avoids, or that a reader must see."""
    ids = plant.network.ids
    found = [
        f"{' and '.join(ids[v] for v in group)} exclude each other, but stand closed together"
        for group in crowded_groups(plant, surviving, service.closed)
    ]
    if not _outputs_may_meet(plant, surviving, service):
        return found
    at = surviving, service.closed, service.mated
    live = energised(plant, *at, service.served, service.fed_from)
    joined = [
        f"the outputs of {ids[a]} and {ids[b]} must not be paralleled, but a closed path joins them"
        for a, b in joined_outputs(plant, *at, live, service.fed_from)
    ]
    driven = [
        f"power from {ids[b]} may be driven backwards into the output of {ids[a]}, which gives none itself"
        for a, b in driven_backwards(plant, *at, live, service.fed_from)
    ]
    return [*joined, *driven, *_met_in_loads(plant, surviving, service, live), *found]


def _outputs_may_meet(plant: Plant, surviving: Surviving, service: Service) -> bool:
    """Whether there can be findings on closed paths, were all that may be live in the case live in the positions."""
    if not plant.drivable and not plant.meeting:
        return False
    through = conducting(plant, surviving, service.closed, service.mated)
    might = surviving.live & plant.drivers
    for v in plant.drivable:
        if v in through:
            driving = reached_outputs(plant, through, v, service.fed_from, upwards=True) & might
            if driving - {v}:
                return True
    return bool(_met_in_loads(plant, surviving, service, surviving.live))


def _met_in_loads(plant: Plant, surviving: Surviving, service: Service, live: Collection[int]) -> list[str]:
    """Name the loads whose common inputs join outputs that must not be paralleled."""
    network, found = plant.network, []
    common = [v for v in plant.meeting if v in service.served]
    if not common:
        return []
    through = conducting(plant, surviving, service.closed, service.mated)
    reached = {a: reached_outputs(plant, through, a, service.fed_from) for a in plant.protected if a in live}
    for v in common:
        feeding = [[a for a in reached if u in reached[a]] for u in network.upstream[v] if u in through]
        outputs = {a for group in feeding for a in group}
        if len(outputs) > 1:
            names = " and ".join(network.ids[a] for a in sorted(outputs))
            where = f"the common inputs of {network.ids[v]}"
            found.append(f"the outputs of {names} must not be paralleled, but meet in {where}")
    return found


def _transfers(plant: Plant, service: Service) -> dict[str, Transfer]:
    ids = plant.network.ids
    found = {}
    for j in sorted(plant.jumpers):
        leaving = [(kw, ids[v]) for (u, v), kw in service.flow_kw.items() if u == j]
        entering = [(kw, ids[u]) for (u, v), kw in service.flow_kw.items() if v == j]
        if leaving and entering:
            found[ids[j]] = Transfer(sum(kw for kw, _ in leaving), max(entering)[1], max(leaving)[1])
        else:
            found[ids[j]] = Transfer(0.0)
    return found


def _clean(value: float) -> float:
    """Without the dust of floating point."""
    rounded = round(value, 9)
    return rounded + 0.0
