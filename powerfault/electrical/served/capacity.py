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

Each distinct remainder of the network is solved once (``surviving.split``); most are proved
without a solver (``served.service_bounds``, ``served.inheritance``), the rest are
solved to optimality (``served.service_model``), what is known beforehand not sought again. Every
answer is certified by an exact check that shares nothing with the solver; one that is not proved says
``proved: false``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from operator import itemgetter

from powerfault.electrical.served.configuration import Service, always_live, faults_of
from powerfault.electrical.served.inheritance import Kinship, carry_over, kinship
from powerfault.electrical.served.plant import Plant
from powerfault.electrical.served.routing import Pattern, Routing
from powerfault.electrical.served.service_bounds import prove_service, value_of
from powerfault.electrical.served.service_model import Attained, ServiceModel
from powerfault.electrical.served.solver import INFINITY, SolverStoppedError
from powerfault.electrical.served.surviving import Surviving, cores, divide, survivors

BOUND, INHERITED, SOLVER, UNPROVED = "bound", "inherited", "solver", "unproved"
"""How an optimum was proved: a routing that serves all, the bound of a smaller failure, the solver, or not at all."""
HINTS, HINTS_TRIED = 16, 4
"""Answers of late that are kept, and of these the most that are tried on a part."""
Nodes = frozenset[int]


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

    The answer to a part depends on the part and on :meth:`learn` alone, never on what was asked before; with ``sole``
    not on that either, since then only an answer that is the only one is taken over from what was learned.
    """

    def __init__(self, plant: Plant, seconds: float = INFINITY, *, sole: bool = False) -> None:
        self.plant, self.seconds, self.sole = plant, seconds, sole
        self.known: dict[Surviving, PartService] = {}
        self.served: dict[Surviving, Parts] = {}
        self.learned: dict[str, list[Surviving]] = {}
        self._steady: dict[Surviving, Nodes] = {}
        self._only: dict[Surviving, bool] = {}
        self._patterns: dict[str, Pattern] = {}
        self._hints: dict[str, dict[tuple[Nodes, Nodes], tuple[Surviving, Service]]] = {}

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
            best = self.known[part] = self._find(part)
        return best

    def _find(self, part: Surviving) -> PartService:
        service = prove_service(self.plant, part, self.pattern(part.phase))
        if service is not None:
            return PartService(service, BOUND)
        less_hurt = [before for before in self.learned.get(part.phase, ()) if part.live <= before.live]
        kin = {before: kinship(self.plant, part, before, self._always_live) for before in less_hurt}
        less_hurt.sort(key=kin.__getitem__, reverse=True)
        known: Attained | None = None
        for before in less_hurt:
            best = self.known[before].service
            if known and (kin[before] == Kinship.NONE or not best.served <= part.live):
                continue
            service = carry_over(self.plant, part, before, best)
            if service is None:
                continue
            equal = service.served == best.served and kin[before] > Kinship.NONE
            # Where there is another answer as good it may suit the part better: which one does, the solver says.
            if equal and ((kin[before] == Kinship.CLOSE and not self.sole) or self._is_only(before)):
                return PartService(service, INHERITED)
            if known is None or equal:
                known = Attained(service.served, equal)
        if known is None and not faults_of(self.plant, part, nothing_served(part)):
            known = Attained(frozenset(), best=False)
        if known and not known.best:
            known = self._hinted(part, known)
        found = optimise(self.plant, part, seconds=self.seconds, known=known)
        hints = self._hints.setdefault(part.phase, {})
        if found.proof == SOLVER and known and not known.best:
            hints[found.service.served, found.service.closed] = part, found.service
            if len(hints) > HINTS:
                del hints[next(iter(hints))]
        return found

    def _hinted(self, part: Surviving, known: Attained) -> Attained:
        """Look among answers found of late for loads worth more than those known to be served together.

        Hints spare the solver work and change no answer, so it does not matter what was asked before.
        """
        worth = value_of(self.plant, part.phase, known.served)
        better = []
        for before, service in self._hints.get(part.phase, {}).values():
            value = value_of(self.plant, part.phase, service.served & part.live)
            if value > worth:
                better.append((value, before, service))
        better.sort(key=itemgetter(0), reverse=True)
        for _, before, service in better[:HINTS_TRIED]:
            found = carry_over(self.plant, part, before, service)
            if found is not None:
                return Attained(found.served, best=False)
        return known

    def pattern(self, phase: str) -> Pattern:
        """How power runs where nothing fails but what stands failed, and nothing is switched."""
        found = self._patterns.get(phase)
        if found is None:
            intact = survivors(self.plant, [()], 0)[0][phase]
            loads = intact.live & self.plant.loads
            found = self._patterns[phase] = Routing(self.plant, intact, intact.live).pattern(loads)
        return found

    def _always_live(self, part: Surviving) -> frozenset[int]:
        found = self._steady.get(part)
        if found is None:
            found = self._steady[part] = always_live(self.plant, part)
        return found

    def _is_only(self, part: Surviving) -> bool:
        """Whether no other loads and positions are as good as the best service of ``part``."""
        found = self._only.get(part)
        if found is None:
            found = self._only[part] = is_only(self.plant, part, self.known[part].service, self.seconds)
        return found


def optimise(
    plant: Plant,
    part: Surviving,
    *,
    near: frozenset[int] | None = None,
    apart: bool = False,
    known: Attained | None = None,
    seconds: float = INFINITY,
) -> PartService:
    """Return the best service of one part by the solver, certified, or one that says that it is not proved.

    With ``near`` (closed switches) the fewest departures from those come before the fewest operations; ``apart`` also
    opens every movable switch onto a ``one_feed`` component that it does not use. What is ``known`` of the
    answer is not sought.
    """
    nothing = nothing_served(part)
    remark = "no positions satisfy the exclusions"
    for grounded in (False, True):
        model = ServiceModel(plant, part, grounded=grounded, apart=apart, near=near, seconds=seconds)
        try:
            service = model.solve(known)
        except SolverStoppedError as error:
            return PartService(nothing, UNPROVED, str(error))
        if service is None:
            continue
        wrong = faults_of(plant, part, service, model.excused)
        if not wrong:
            return PartService(service, SOLVER)
        remark = "the solver's answer was not certified: " + "; ".join(wrong[:3])
    return PartService(nothing, UNPROVED, remark)


def nothing_served(part: Surviving) -> Service:
    """Every switch as it stands and every load shed."""
    return Service(part.movable & part.closed, frozenset(), frozenset())


def is_only(plant: Plant, part: Surviving, best: Service, seconds: float = INFINITY) -> bool:
    """Whether ``best``, a best service of ``part``, is the only one as far as loads and positions go, for certain."""
    try:
        return ServiceModel(plant, part, seconds=seconds).only_answer(best)
    except SolverStoppedError:
        return False
