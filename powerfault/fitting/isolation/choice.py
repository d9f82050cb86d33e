"""Which devices to hold open, so that enough stand between every source and the work and the least goes dark?

Exact, by a mixed-integer programme and the evaluator of the failures in turn (a Benders scheme by logic: Hooker and
Ottosson 2003, "Logic-based Benders decomposition"; from memory):

* a binary x for each device that may be held open; a count D for each node and end, with D(u) <= D(v) + x(u) for
  each way current could take from u to v, D(end) = 0 and D(source) >= the points asked for. Then every path from the
  source to the end holds that many (the dual of a shortest path with weights on the nodes);
* a y in [0, 1] for each consumer that could go dark, and rows y >= sum of x over C - |C| + 1 for sets C of devices that
  darken it. All such sets of one and two devices are there from the start; a larger one is added when the evaluator
  says that a chosen set darkens a consumer that the programme believed served, shrunk until no device can be left out.
  Holding more open never serves more, so the rows are valid; each round adds one that cuts the choice off, so it ends.

Objectives in turn, each held while the next is sought: by priority, the kW that go dark and then the number of
consumers; devices that cannot be locked; devices opened; devices already open that must be tagged; file order.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations

from powerfault.electrical.served.solver import Program
from powerfault.errors import TooLargeError, ToolError
from powerfault.fitting.isolation.not_served import HeldOpen
from powerfault.fitting.isolation.open_points import WorkSite
from powerfault.model.elements import SEVERITIES, STAGES, Load, Topology, in_phase

SWITCHED_BY = STAGES.index("commanded")
"""Consumers that switching by command brings back do not count as dark: they are moved over beforehand."""
MAX_ROUNDS = 500
SECONDS = 300.0
_KW_DIGITS = 6


@dataclass(frozen=True, slots=True)
class Choice:
    """The devices held open, in file order, and the harm by priority: (priority, kW dark, consumers dark)."""

    held: tuple[str, ...]
    harm: tuple[tuple[int, float, int], ...]
    rounds: int


def consumer_priority(topology: Topology, id_: str) -> int:
    """1 is darkened last: the priority of a load, or by the severity of a function (5 without one)."""
    consumer = topology.consumer(id_)
    if isinstance(consumer, Load):
        return consumer.service_priority
    return SEVERITIES.index(consumer.severity) + 1 if consumer.severity else len(SEVERITIES) + 1


def demand_kw(topology: Topology, id_: str, phases: Iterable[str]) -> float:
    """The greatest demand of a load in the phases; 0 for a function or where the file does not say."""
    load = topology.loads.get(id_)
    return 0.0 if load is None else max((in_phase(load.demand_kw, p, 0.0) or 0.0 for p in phases), default=0.0)


def harm_of(topology: Topology, dark: Iterable[str], phases: Iterable[str]) -> tuple[tuple[int, float, int], ...]:
    """Harm by priority: for each priority of the file in turn (priority, kW dark, consumers dark)."""
    phases, dark = tuple(phases), tuple(dark)
    levels = sorted({consumer_priority(topology, c.id) for c in topology.consumers()})
    by_level = {level: [i for i in dark if consumer_priority(topology, i) == level] for level in levels}
    return tuple(
        (level, round(sum(demand_kw(topology, i, phases) for i in own), _KW_DIGITS), len(own))
        for level, own in by_level.items()
    )


def choose_open(
    site: WorkSite, held_open: HeldOpen, required: Mapping[tuple[str, str], int], forbidden: Iterable[str] = ()
) -> Choice:
    """Return the least harmful set of devices that puts ``required[source, end]`` open points before each end.

    ``forbidden`` devices can be neither opened nor credited. The caller has made sure that the counts can be had.
    """
    return _Search(site, held_open, required, frozenset(forbidden)).run()


class _Search:
    def __init__(
        self,
        site: WorkSite,
        held_open: HeldOpen,
        required: Mapping[tuple[str, str], int],
        forbidden: frozenset[str],
    ) -> None:
        self.site, self.held_open, self.topology = site, held_open, site.topology
        phases = held_open.phases
        near = {v for end in site.ends for v in site.counts((), end)}
        self.devices = tuple(
            d.id
            for d in site.devices.values()
            if d.why_not is None and (d.may_open or d.stands_open) and d.id in near and d.id not in forbidden
        )
        self.column = {id_: i for i, id_ in enumerate(self.devices)}
        self.already_dark = held_open.judge([()])[0].after(SWITCHED_BY)
        self.consumers = tuple(i for i in held_open.consumers if i not in self.already_dark)
        self.program = Program(seconds=SECONDS)
        self.x = {id_: self.program.binary() for id_ in self.devices}
        self.y = {id_: self.program.column(0, 1) for id_ in self.consumers}
        self.kw = {i: demand_kw(self.topology, i, phases) for i in self.consumers}
        self._require(required)
        self.known: set[tuple[str, frozenset[str]]] = set()
        self._small_sets()

    # ---- rows

    def _require(self, required: Mapping[tuple[str, str], int]) -> None:
        program = self.program
        for end in self.site.ends:
            wanted = {s: n for (s, e), n in required.items() if e == end and n > 0}
            if not wanted:
                continue
            top = max(wanted.values())
            reached = self.site.counts((), end)
            count = {v: program.column(wanted.get(v, 0), 0 if v == end else top) for v in reached}
            for v in reached:
                for u in self.site.into[v]:
                    if u == end:
                        continue
                    row = {count[u]: 1.0, count[v]: -1.0}
                    if u in self.x:
                        row[self.x[u]] = -1.0
                    program.row(row.items(), upper=0.0)

    def _small_sets(self) -> None:
        singles = [frozenset((d,)) for d in self.devices]
        pairs = [frozenset(p) for p in combinations(self.devices, 2)]
        darkened: dict[str, set[str]] = {}
        for choice, found in zip(singles, self.held_open.judge(singles), strict=True):
            (device,) = choice
            for id_ in self._newly(found.after(SWITCHED_BY)):
                darkened.setdefault(id_, set()).add(device)
                self._learn(id_, choice)
        for start in range(0, len(pairs), 4096):
            block = pairs[start : start + 4096]
            for choice, found in zip(block, self.held_open.judge(block), strict=True):
                for id_ in self._newly(found.after(SWITCHED_BY)):
                    if not choice & darkened.get(id_, set()):
                        self._learn(id_, choice)

    def _newly(self, dark: frozenset[str]) -> frozenset[str]:
        return dark - self.already_dark

    def _learn(self, id_: str, cause: frozenset[str]) -> None:
        if (id_, cause) in self.known:
            return
        self.known.add((id_, cause))
        row = {self.y[id_]: 1.0} | {self.x[d]: -1.0 for d in cause}
        self.program.row(row.items(), lower=1.0 - len(cause))

    # ---- search

    def run(self) -> Choice:
        rounds = 0
        held: frozenset[str] = frozenset()
        for objective in self._objectives():
            if not objective:
                continue
            while True:
                answer = self.program.solve(objective)
                if answer is None:
                    raise ToolError("the solver found no isolation where one exists: a defect, please report it")
                values = answer.values
                held = frozenset(d for d in self.devices if values[self.x[d]] > 0.5)
                dark = self._newly(self.held_open.judge([held])[0].after(SWITCHED_BY))
                doubted = [i for i in self.consumers if i in dark and values[self.y[i]] < 0.5]
                if not doubted:
                    break
                rounds += 1
                if rounds > MAX_ROUNDS:
                    raise TooLargeError(
                        f"the least harmful isolation was not proved within {MAX_ROUNDS} rounds; "
                        "name fewer places at once, or ask for fewer open points"
                    )
                for id_, cause in self._causes(held, doubted):
                    self._learn(id_, cause)
            self.program.row(objective.items(), upper=answer.objective + 1e-7)
        dark = self._newly(self.held_open.judge([held])[0].after(SWITCHED_BY))
        harm = harm_of(self.topology, dark, self.held_open.phases)
        return Choice(tuple(d for d in self.devices if d in held), harm, rounds)

    def _objectives(self) -> list[dict[int, float]]:
        topology = self.topology
        levels = sorted({consumer_priority(topology, i) for i in self.consumers})
        objectives: list[dict[int, float]] = []
        for level in levels:
            own = [i for i in self.consumers if consumer_priority(topology, i) == level]
            objectives.append({self.y[i]: self.kw[i] for i in own if self.kw[i]})
            objectives.append({self.y[i]: 1.0 for i in own})
        part = topology.components
        objectives.append({self.x[d]: 1.0 for d in self.devices if part[d].lockable is False})
        objectives.append({self.x[d]: 1.0 for d in self.devices if not self.site.devices[d].stands_open})
        objectives.append({self.x[d]: 1.0 for d in self.devices})
        objectives.append({self.x[d]: float(i) for i, d in enumerate(self.devices, 1)})
        return objectives

    def _causes(self, held: frozenset[str], dark: list[str]) -> list[tuple[str, frozenset[str]]]:
        """For each dark consumer a set of held devices that darkens it, none of which can be left out."""
        causes = {i: set(held) for i in dark}
        for device in sorted(held, key=self.column.__getitem__):
            tried = [frozenset(causes[i] - {device}) for i in dark]
            for id_, less, found in zip(dark, tried, self.held_open.judge(tried), strict=True):
                if id_ in self._newly(found.after(SWITCHED_BY)):
                    causes[id_] = set(less)
        return [(i, frozenset(causes[i])) for i in dark]
