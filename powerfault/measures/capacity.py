"""How much load can the surviving equipment carry in each case, when ratings, capacities and batteries count?

For every case and phase, at a named stage, the best attainable service: loads all or nothing, as many kW of priority 1
as possible, then of 2, and so on; among equals the one with the fewest switching operations. What is meant by each:

* **Only what is live at that stage** in the sense of the format may carry power; what is dead, in a fault's zone,
  tripped open or bordering a fault conducts nothing. At stage ``uninterrupted`` nothing is operable and every switch
  stands in its normal position; at a later stage every operable one may be opened or closed. Any load may be shed, at
  every stage: shedding is not counted as an operation.
* **An operation** is a switched component whose position differs from its normal one. One that tripped and stays open
  counts nothing, since nobody operated it; closing it again counts nothing either, since it is back in its normal
  position (``reclosed`` lists it). A switch that borders a fault and has to be opened counts. Mating a jumper by hand
  is no switching operation (``mated`` lists it). The choice of a component with ``one_feed`` is its own, no switch.
* **A load without** ``demand_kw`` is taken at 0 kW but still needs a path; where kilowatts are equal as many of those
  as possible are served before operations are counted. A load not judged in a phase is neither served nor shed in it.
* ``shed`` lists every judged load that is not served: ``no_path`` (not live at that stage, whatever is done) and
  ``no_capacity`` (has a path, but ratings or switch positions do not allow it together with the others).
* **Charging** takes no power here; a storage that is charged in the sense of the format gives up to its limits.

Each distinct remainder of the network is solved once (:func:`~powerfault.measures.surviving.split`); most are proved
without a solver (:mod:`~powerfault.measures.service_bounds`), the rest are solved to optimality
(:mod:`~powerfault.measures.service_model`). Every answer is certified by an exact check that shares nothing with the
solver; one that is not proved says ``proved: false``.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from math import isnan, nan
from typing import Any

from powerfault.measures.configuration import (
    Service,
    conducting,
    crowded_groups,
    driven_backwards,
    energised,
    faults_of,
    joined_outputs,
    reached_outputs,
)
from powerfault.measures.plant import Plant
from powerfault.measures.service_bounds import inherit, prove_service
from powerfault.measures.solver import INFINITY, SolverStoppedError
from powerfault.measures.surviving import Surviving, split
from powerfault.model.elements import STAGES, Event, Load

BOUND, INHERITED, SOLVER, UNPROVED = "bound", "inherited", "solver", "unproved"
"""How an optimum was proved: a routing that serves all, the bound of a smaller failure, the solver, or not at all."""


@dataclass(frozen=True, slots=True)
class PartService:
    """The best service of one independent part."""

    service: Service
    proof: str
    remark: str = ""


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


class Allocator:
    """Finds best services, remembering every distinct part that it has met. Not shared between processes.

    The answer to a part depends on the part and on :meth:`learn` alone, never on what was asked before.
    """

    def __init__(self, plant: Plant, seconds: float = INFINITY) -> None:
        self.plant, self.seconds = plant, seconds
        self.known: dict[Surviving, PartService] = {}
        self.learned: dict[str, list[Surviving]] = {}

    def learn(self, parts: Iterable[tuple[Surviving, PartService]]) -> None:
        """Take parts with their optima from elsewhere; what is left after more failures is tried against them."""
        for part, best in parts:
            self.known.setdefault(part, best)
            if best.proof != UNPROVED and part not in self.learned.setdefault(part.phase, []):
                self.learned[part.phase].append(part)

    def serve(self, surviving: Surviving) -> list[tuple[Surviving, PartService]]:
        """Return the independent parts of what survives, each with its best service."""
        found = []
        for part in split(self.plant, surviving):
            best = self.known.get(part)
            if best is None:
                best = self._prove(part) or self._optimise(part)
                self.known[part] = best
            found.append((part, best))
        return found

    def _prove(self, part: Surviving) -> PartService | None:
        service = prove_service(self.plant, part)
        if service is not None:
            return PartService(service, BOUND)
        for before in self.learned.get(part.phase, ()):
            service = inherit(self.plant, part, before, self.known[before].service)
            if service is not None:
                return PartService(service, INHERITED)
        return None

    def _optimise(self, part: Surviving) -> PartService:
        return optimise(self.plant, part, seconds=self.seconds)


def optimise(
    plant: Plant,
    part: Surviving,
    *,
    near: frozenset[int] | None = None,
    apart: bool = False,
    seconds: float = INFINITY,
) -> PartService:
    """Return the best service of one part by the solver, certified, or one that says that it is not proved.

    With ``near`` (closed switches) the fewest departures from those come before the fewest operations; ``apart`` also
    opens every movable switch onto a ``one_feed`` component that it does not use.
    """
    from powerfault.measures.service_model import ServiceModel

    nothing = Service(part.movable & part.closed, frozenset(), frozenset())
    remark = "no positions satisfy the exclusions"
    for grounded in (False, True):
        model = ServiceModel(plant, part, grounded=grounded, apart=apart, near=near, seconds=seconds)
        try:
            service = model.solve()
        except SolverStoppedError as error:
            return PartService(nothing, UNPROVED, str(error))
        if service is None:
            continue
        wrong = faults_of(plant, part, service, model.excused)
        if not wrong:
            return PartService(service, SOLVER)
        remark = "the solver's answer was not certified: " + "; ".join(wrong[:3])
    return PartService(nothing, UNPROVED, remark)


def describe(
    plant: Plant,
    surviving: Surviving,
    failed: tuple[Event, ...],
    parts: list[tuple[Surviving, PartService]],
    *,
    whole: bool = True,
) -> ServedCase:
    """Put the parts of a case together and say what they mean; ``whole`` keeps the positions and flows too."""
    ids, phase = plant.network.ids, surviving.phase
    service = merge(plant, surviving, parts)
    demand = plant.demand_kw[phase]
    judged = sorted(plant.judged[phase])
    served_kw = dict.fromkeys(plant.priorities, 0.0)
    demand_kw = dict.fromkeys(plant.priorities, 0.0)
    for v in judged:
        demand_kw[plant.priority[v]] += demand[v]
        if v in service.served:
            served_kw[plant.priority[v]] += demand[v]
    unserved = [v for v in judged if v not in service.served]
    remarks = [best.remark for _, best in parts if best.remark]
    return ServedCase(
        failed=failed,
        phase=phase,
        stage=STAGES[surviving.stage],
        judged=tuple(ids[v] for v in judged),
        served_kw=served_kw,
        demand_kw=demand_kw,
        no_path=tuple(ids[v] for v in unserved if v not in surviving.live),
        no_capacity=tuple(ids[v] for v in unserved if v in surviving.live),
        operations=tuple((ids[v], to) for v, to in operations(plant, surviving, service)),
        reclosed=tuple(ids[v] for v in sorted(service.closed & surviving.tripped & plant.normally_closed)),
        mated=tuple(ids[v] for v in sorted(service.mated)),
        loading=_loading(plant, surviving, service),
        jumpers=_transfers(plant, service),
        findings=(*findings(plant, surviving, service), *remarks),
        proofs=tuple(best.proof for _, best in parts),
        service=service if whole else None,
    )


def merge(plant: Plant, surviving: Surviving, parts: list[tuple[Surviving, PartService]]) -> Service:
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
    if not plant.protected and not plant.exclusive:
        return []
    at = surviving, service.closed, service.mated
    live = energised(plant, *at, service.served, service.fed_from)
    found = [
        f"the outputs of {ids[a]} and {ids[b]} must not be paralleled, but a closed path joins them"
        for a, b in joined_outputs(plant, *at, live, service.fed_from)
    ]
    found += [
        f"power from {ids[b]} may be driven backwards into the output of {ids[a]}, which gives none itself"
        for a, b in driven_backwards(plant, *at, live, service.fed_from)
    ]
    found += _met_in_loads(plant, surviving, service, live)
    found += [
        f"{' and '.join(ids[v] for v in group)} exclude each other, but stand closed together"
        for group in crowded_groups(plant, surviving, service.closed)
    ]
    return found


def _met_in_loads(plant: Plant, surviving: Surviving, service: Service, live: set[int]) -> list[str]:
    """Name the loads whose common inputs join outputs that must not be paralleled."""
    network, found = plant.network, []
    through = conducting(plant, surviving, service.closed, service.mated)
    common = [
        v
        for v, element in enumerate(network.elements)
        if isinstance(element, Load) and element.common_inputs and v in service.served and len(network.upstream[v]) > 1
    ]
    if not common:
        return []
    reached = {a: reached_outputs(plant, through, a, service.fed_from) for a in plant.protected if a in live}
    for v in common:
        feeding = [[a for a in reached if u in reached[a]] for u in network.upstream[v] if u in through]
        outputs = {a for group in feeding for a in group}
        if len(outputs) > 1:
            names = " and ".join(network.ids[a] for a in sorted(outputs))
            where = f"the common inputs of {network.ids[v]}"
            found.append(f"the outputs of {names} must not be paralleled, but meet in {where}")
    return found


def _loading(plant: Plant, surviving: Surviving, service: Service) -> Loadings:
    out: dict[int, float] = {}
    for (u, _), kw in service.flow_kw.items():
        out[u] = out.get(u, 0.0) + kw
    limited, live = plant.limited[surviving.phase], surviving.live
    carried = array("d", [out.get(v, 0.0) if v in live else nan for v, _ in limited])
    return Loadings(*_limited_ids(plant, surviving.phase), carried)


def _limited_ids(plant: Plant, phase: str) -> tuple[tuple[str, ...], tuple[float, ...]]:
    limited = plant.limited[phase]
    return tuple(plant.network.ids[v] for v, _ in limited), tuple(limit for _, limit in limited)


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
