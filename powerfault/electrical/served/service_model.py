"""The best service of what survives, as a mixed-integer linear program solved to proven optimality.

Columns: e(v), component v is live in the chosen positions; s(l), load l is served; p(w), switch w stands closed (or
jumper w is mated); x(u, v), component v with ``one_feed`` takes power from u; f(u, v) >= 0, power on a link. Rows say
what the format says: power in x efficiency = power out, limits on what leaves, all or nothing for loads,
``feeds_needed`` live neighbours, needs, one feed at a time, exclusions.

* **No live loop without a source.** Power alone cannot run in circles for ever, since every load takes some; but a
  second feed or a need might be "held" by a loop. The first answer is looked at exactly
  (``served.configuration``); only if it rests on such a loop are ranks added: a support must rank
  below what it supports. Without ranks the program is a relaxation, so a certified answer is optimal all the same.
* **Outputs that must not be paralleled.** See ``served.apart_rows``.
* **Order of objectives.** Priorities in sequence, each kept as a row for the next; then the number of served
  loads that state no demand; then the fewest operations; last, with all positions fixed, the least power through
  jumpers and the shortest ways, for one definite set of flows.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from powerfault.electrical.served.apart_rows import keep_apart
from powerfault.electrical.served.configuration import Service, always_live
from powerfault.electrical.served.objectives import effort, goals
from powerfault.electrical.served.plant import UNLIMITED, Plant
from powerfault.electrical.served.solver import INFINITY, Program
from powerfault.electrical.served.surviving import Surviving

Terms = list[tuple[int, float]]
JUMPER_WEIGHT = 16.0
"""How much a kilowatt through a jumper weighs against one through anything else when flows are chosen."""


@dataclass(frozen=True, slots=True)
class Attained:
    """Loads that some positions serve together, with no outputs joined that must not be.

    ``best``: none are worth more.
    """

    served: frozenset[int]
    best: bool


class ServiceModel:
    """The program of one part. ``grounded`` adds ranks; ``apart`` opens switches that one_feed points do not use.

    ``near`` are closed switches: departing from them is then what is made least, before operations are counted.
    """

    def __init__(
        self,
        plant: Plant,
        surviving: Surviving,
        *,
        grounded: bool = False,
        apart: bool = False,
        near: Collection[int] | None = None,
        seconds: float = INFINITY,
    ) -> None:
        self.plant, self.surviving, self.near = plant, surviving, near
        self.program = Program(seconds)
        network = plant.network
        live = surviving.live
        n_components = network.n_components
        self.judged = plant.judged[surviving.phase] & live
        self.demand = plant.demand_kw[surviving.phase]
        self.loads = sorted(self.judged | (plant.loads & live & plant.needed))
        self.components = [v for v in sorted(live) if v < n_components]
        self.functions = [v for v in sorted(live & plant.needed) if v >= n_components + network.n_loads]
        self.founded = always_live(plant, surviving)
        self.movable = sorted(surviving.movable)
        self.mateable = sorted(surviving.mateable)
        self.excused = 0
        self.apart = apart
        self._columns(live)
        self._energise(grounded)
        self._carry()
        self._choose()
        self.clashes = keep_apart(self)

    # ---- columns

    def _columns(self, live: Collection[int]) -> None:
        plant, program, network = self.plant, self.program, self.plant.network
        self.e: dict[int, int] = {}
        for v in self.components:
            self.e[v] = program.column(1.0, 1.0) if v in self.founded else program.binary()
        self.s = {v: program.binary() for v in self.loads}
        self.load_of = {c: v for v, c in self.s.items()}
        self.t = {v: program.binary() for v in self.functions}
        self.on = {**self.e, **self.s, **self.t}
        """The column that says that a node is live or served."""
        self.x: dict[tuple[int, int], int] = {}
        present = self.surviving.through | self.surviving.live
        for v in sorted(plant.one_feed & present - plant.sources):
            # One that is not live feeds nothing, but must not join two of its feeds either.
            for u in network.upstream[v]:
                if u in self.e or (v not in self.e and u in present):
                    self.x[u, v] = program.binary()
        self.p = {v: program.binary() for v in (*self.movable, *self.mateable)}
        for v in self._better_closed():
            program.bound(self.p[v], 1.0, 1.0)
        asking = self._asking()
        self.f: dict[tuple[int, int], int] = {}
        for v in asking:
            for u in network.upstream[v]:
                if u in self.e:
                    self.f[u, v] = program.column()
        self.asking = asking

    def _better_closed(self) -> set[int]:
        """Movable switches that stand closed, of which opening can help nothing.

        Opening one takes power from what is below. That helps only to part outputs (or to silence one of them), to
        respect an exclusion, or where the choice of a one-feed point is asked to be made by switches.
        """
        plant, surviving = self.plant, self.surviving
        found = surviving.movable & surviving.closed & surviving.live
        found -= {v for group in plant.exclusive for v in group}
        rivals = [v for v in plant.rivals if v in surviving.live]
        if len(rivals) > 1:
            found -= plant.between | self.dependencies(rivals)
        if self.apart:
            found -= {u for u, _ in self.x}
        return set(found)

    def dependencies(self, nodes: Iterable[int]) -> set[int]:
        """What the liveness of ``nodes`` rests on, themselves included."""
        plant, network = self.plant, self.plant.network
        waiting = list(nodes)
        found = set(waiting)
        while waiting:
            v = waiting.pop()
            for u in (*plant.need_nodes[v], *network.members[v], *(() if v in plant.sources else network.upstream[v])):
                if u in self.surviving.live and u not in found:
                    found.add(u)
                    waiting.append(u)
        return found

    def _asking(self) -> set[int]:
        """Nodes through which power may reach a load with a demand."""
        waiting = [v for v in self.loads if self.demand[v] > 0]
        found = set(waiting)
        while waiting:
            for u in self.plant.network.upstream[waiting.pop()]:
                if u in self.e and u not in found:
                    found.add(u)
                    waiting.append(u)
        return found

    # ---- rows: what is live

    def _energise(self, grounded: bool) -> None:
        plant, program, network, surviving = self.plant, self.program, self.plant.network, self.surviving
        part_of = {v: i for i, part in enumerate(network.parts) if part.cyclic for v in part.nodes}
        ranked = [v for v in self.on if v in part_of and v not in self.founded] if grounded else []
        most = float(len(ranked))
        rank = {v: program.column(0.0, most) for v in ranked}

        def below(u: int, v: int) -> bool:
            return u in rank and v in rank and part_of[u] == part_of[v]

        for v, own in self.on.items():
            if v in self.founded:
                continue
            if v not in plant.sources:
                feeds = network.members[v] or network.upstream[v]
                support: Terms = []
                for u in feeds:
                    if u not in self.on:
                        continue
                    choice = self.x.get((u, v))
                    if choice is None and not below(u, v):
                        support.append((self.on[u], 1.0))
                        continue
                    arc = program.binary()
                    support.append((arc, 1.0))
                    program.row([(arc, 1.0), (self.on[u], -1.0)], upper=0.0)
                    if choice is not None:
                        program.row([(arc, 1.0), (choice, -1.0)], upper=0.0)
                    if below(u, v):
                        program.row([(rank[v], 1.0), (rank[u], -1.0), (arc, -most - 1)], lower=-most)
                program.row([*support, (own, -float(network.threshold[v]))], lower=0.0)
            for n in plant.need_nodes[v]:
                if (v, n) in surviving.waived:
                    continue
                if n not in self.on:
                    program.bound(own, 0.0, 0.0)
                    continue
                program.row([(own, 1.0), (self.on[n], -1.0)], upper=0.0)
                if below(n, v) and n not in surviving.kept and (v, n) not in surviving.borne:
                    program.row([(rank[v], 1.0), (rank[n], -1.0), (own, -most - 1)], lower=-most)
            if v in self.p:
                program.row([(own, 1.0), (self.p[v], -1.0)], upper=0.0)

    # ---- rows: what carries

    def _carry(self) -> None:
        plant, program, phase = self.plant, self.program, self.surviving.phase
        into: dict[int, list[int]] = {}
        out: dict[int, list[int]] = {}
        for (u, v), column in self.f.items():
            into.setdefault(v, []).append(column)
            out.setdefault(u, []).append(column)
        most = self._most()
        for v in self.asking:
            if v in self.s:
                terms = [(c, 1.0) for c in into.get(v, ())]
                program.row([*terms, (self.s[v], -self.demand[v])], 0.0, 0.0)
                continue
            leaving = [(c, 1.0) for c in out.get(v, ())]
            limit = plant.limit_kw[v]
            if v in plant.sources:
                limit = min(limit, plant.capacity_kw[phase].get(v, UNLIMITED))
            else:
                entering = [(c, plant.efficiency[v]) for c in into.get(v, ())]
                program.row([*entering, *((c, -1.0) for c, _ in leaving)], 0.0, 0.0)
            if v in self.founded:
                if limit < UNLIMITED:
                    program.row(leaving, upper=limit)
            else:
                program.row([*leaving, (self.e[v], -min(limit, most))], upper=0.0)
        for (u, v), choice in self.x.items():
            if (u, v) in self.f:
                program.row([(self.f[u, v], 1.0), (choice, -most)], upper=0.0)

    def _most(self) -> float:
        """No component need carry more than this, in any service without power running in circles."""
        asked = sum(self.demand[v] for v in self.loads)
        for v in self.asking:
            if v in self.e:
                asked /= self.plant.efficiency[v]
        given = sum(
            min(self.plant.capacity_kw[self.surviving.phase].get(v, UNLIMITED), self.plant.limit_kw[v])
            for v in self.asking
            if v in self.plant.sources
        )
        return max(min(asked, given), 1e-3)

    # ---- rows: what may be chosen

    def _choose(self) -> None:
        plant, program, surviving = self.plant, self.program, self.surviving
        choices: dict[int, list[int]] = {}
        for (_, v), column in self.x.items():
            choices.setdefault(v, []).append(column)
        for columns in choices.values():
            program.row([(c, 1.0) for c in columns], upper=1.0)
        movable = surviving.movable
        for group in plant.exclusive:
            free = [self.p[v] for v in group if v in movable]
            fixed = sum(1 for v in group if v not in movable and v in surviving.closed)
            if free:
                program.row([(c, 1.0) for c in free], upper=float(max(0, 1 - fixed)))
        if self.apart:
            for (u, v), choice in self.x.items():
                if u in movable and v in self.e:
                    program.row([(self.p[u], 1.0), (choice, -1.0)], upper=0.0)

    def choice_between(self, u: int, w: int) -> int | None:
        """The column of the one-feed choice on which the path between two neighbours depends."""
        upstream = self.plant.network.upstream
        for a, b in ((u, w), (w, u)):
            # Where b feeds a as well, the two stay joined whatever b chooses.
            if (a, b) in self.x and b not in upstream[a]:
                return self.x[a, b]
        return None

    # ---- solving

    def solve(self, known: Attained | None = None) -> Service | None:
        """Return the best service (flows included), or ``None`` where the constraints leave none at all.

        What is ``known`` need not be sought; the answer is the same with it and without.
        """
        program = self.program
        if self.clashes:
            fewest = 0.0
            if known is None:
                found = program.solve(dict.fromkeys(self.clashes, 1.0))
                if found is None:
                    return None
                fewest = found.objective
            self.excused = round(fewest)
            program.row([(c, 1.0) for c in self.clashes], upper=fewest + 1e-6)
        if not self.p:
            known = None  # with nothing to place the answer is that of the last objective, which has to be sought
        # What is known is seldom all; if it can be all, the priorities one after another come to the same.
        values = self._all_served() if known is None else None
        if values is None:
            values = self._by_priority(known)
        if values is None:
            return None
        return self._finish(values)

    def only_answer(self, best: Service) -> bool:
        """Whether no other loads and positions are as good as those of ``best``, a best service without joined outputs.

        Asked of a program of its own: rows are added that ``best`` itself does not satisfy.
        """
        program = self.program
        program.row([(c, 1.0) for c in self.clashes], upper=0.5)
        for goal in goals(self):
            self._keep(goal, sum(w for c, w in goal.items() if self.load_of[c] in best.served))
        standing = {c: float(v in best.served) for v, c in self.s.items()}
        standing |= {c: float(v in best.closed or v in best.mated) for v, c in self.p.items()}
        costs = effort(self)
        program.row(list(costs.items()), upper=sum(cost * standing[c] for c, cost in costs.items()) + 0.5)
        program.row([(c, 1.0 - 2.0 * on) for c, on in standing.items()], lower=1.0 - sum(standing.values()))
        return program.solve({}) is None

    def _all_served(self) -> tuple[float, ...] | None:
        """The fewest operations with every load served, or ``None`` where not all can be."""
        for v in self.judged:
            self.program.bound(self.s[v], 1.0, 1.0)
        found = self.program.solve(effort(self))
        if found is None:
            for v in self.judged:
                self.program.bound(self.s[v], 0.0, 1.0)
            return None
        return found.values

    def _by_priority(self, known: Attained | None) -> tuple[float, ...] | None:
        program = self.program
        values: tuple[float, ...] | None = None
        for goal in goals(self):
            most = sum(goal.values())
            reached = sum(w for c, w in goal.items() if self.load_of[c] in known.served) if known else 0.0
            if known and (known.best or reached == most):
                best = reached
            elif values is not None and all(values[c] > 0.5 for c in goal):
                best = most
            else:
                found = program.solve(goal, maximise=True, above=reached + 0.75 if known else None)
                if found is not None:
                    values = found.values
                    best = sum(w for c, w in goal.items() if values[c] > 0.5)
                    known = None  # what is known is no best so far, so it says nothing of what comes after
                elif known:
                    best = reached
                else:
                    return None
            self._keep(goal, best)
        costs = effort(self)
        if costs or values is None:
            found = program.solve(costs)
            return None if found is None else found.values
        return values

    def _keep(self, goal: dict[int, float], best: float) -> None:
        """Hold an objective at its best while others are sought."""
        if best == sum(goal.values()):
            for c in goal:
                self.program.bound(c, 1.0, 1.0)
        else:
            self.program.row(list(goal.items()), lower=best - 0.25)

    def _finish(self, values: tuple[float, ...]) -> Service | None:
        """Fix the choice and find its flows."""
        program = self.program
        program.fix_integers(values)
        # Rows that kept earlier objectives hold by the choice itself; bounds on served loads do too.
        weights = {
            column: JUMPER_WEIGHT if u in self.plant.jumpers or v in self.plant.jumpers else 1.0
            for (u, v), column in self.f.items()
        }
        found = program.solve(weights)
        if found is None:
            return None
        return self._service(values, found.values)

    def _service(self, values: tuple[float, ...], flows: tuple[float, ...]) -> Service:
        def chosen(columns: Mapping[int, int]) -> Iterable[int]:
            return (v for v, c in columns.items() if values[c] > 0.5)

        movable = self.surviving.movable
        positions = set(chosen(self.p))
        return Service(
            closed=frozenset(positions & movable),
            mated=frozenset(positions - movable),
            served=frozenset(chosen(self.s)),
            fed_from={v: u for (u, v), c in self.x.items() if values[c] > 0.5},
            flow_kw={link: flows[c] for link, c in self.f.items() if flows[c] > 1e-9},
        )
