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

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from powerfault.measures.configuration import Service, faults_of
from powerfault.measures.plant import Plant
from powerfault.measures.service_bounds import inherit, prove_service
from powerfault.measures.solver import INFINITY, SolverStoppedError
from powerfault.measures.surviving import Surviving, cores, divide

BOUND, INHERITED, SOLVER, UNPROVED = "bound", "inherited", "solver", "unproved"
"""How an optimum was proved: a routing that serves all, the bound of a smaller failure, the solver, or not at all."""


@dataclass(frozen=True, slots=True)
class PartService:
    """The best service of one independent part."""

    service: Service
    proof: str
    remark: str = ""


Parts = list[tuple[Surviving, PartService]]
"""The independent parts of what survives, each with its best service."""


class Allocator:
    """Finds best services, remembering every distinct part that it has met. Not shared between processes.

    The answer to a part depends on the part and on :meth:`learn` alone, never on what was asked before.
    """

    def __init__(self, plant: Plant, seconds: float = INFINITY) -> None:
        self.plant, self.seconds = plant, seconds
        self.known: dict[Surviving, PartService] = {}
        self.served: dict[Surviving, Parts] = {}
        self.learned: dict[str, list[Surviving]] = {}

    def learn(self, parts: Iterable[tuple[Surviving, PartService]]) -> None:
        """Take parts with their optima from elsewhere; what is left after more failures is tried against them."""
        for part, best in parts:
            self.known.setdefault(part, best)
            if best.proof != UNPROVED and part not in self.learned.setdefault(part.phase, []):
                self.learned[part.phase].append(part)

    def serve(self, surviving: Surviving) -> Parts:
        """Return the independent parts of what survives, each with its best service."""
        return self.serve_all([surviving])[0]

    def serve_all(self, remains: Sequence[Surviving]) -> list[Parts]:
        """As :meth:`serve` for many; equal answers are the same object."""
        found = []
        for core in cores(self.plant, remains):
            parts = self.served.get(core)
            if parts is None:
                parts = self.served[core] = [(part, self._best(part)) for part in divide(self.plant, core)]
            found.append(parts)
        return found

    def _best(self, part: Surviving) -> PartService:
        best = self.known.get(part)
        if best is None:
            best = self.known[part] = self._prove(part) or self._optimise(part)
        return best

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
