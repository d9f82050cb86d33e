"""The best service by trying everything, and small random systems with ratings: the other side of the capacity tests.

Nothing here comes from the package's model of served load (but for the type of its answer): what survives is read
from the reference evaluator, all switch positions, one-feed choices and sets of loads are tried, liveness is iterated
from the format's words, closed paths are asked of networkx and flows of scipy's linear programming. Slow and obvious.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations, product
from typing import Any

import networkx as nx
import numpy as np
from scipy.optimize import linprog

from powerfault.electrical.served.served_case import ServedCase
from powerfault.model.elements import Component, Event, Function, Load, Need, Phase, Topology, in_phase
from tests.build import feed_links
from tests.reference import System

INF = float("inf")
FEEDS = ["S-A -> A", "S-B -> B", "A <-> TIE <-> B"]
TWO_SIDES = """powerfault: 1
name: two sides
components:
  S-A: {kind: source, capacity_kw: 4}
  S-B: {kind: source, capacity_kw: 4}
  A: {kind: bus}
  B: {kind: bus}
  TIE: {kind: switch, normally: open}
feeds: [S-A -> A, S-B -> B, A <-> TIE <-> B]
loads:
  LA: {fed_by: [A], demand_kw: 3, priority: 1}
  LB: {fed_by: [B], demand_kw: 2, priority: 2}
"""


def two_sides(**tie: Any) -> dict[str, Any]:
    """Two sources, each with a bus, and a tie between the buses; :data:`FEEDS` links them, loads are the test's own."""
    return {
        "S-A": {"kind": "source", "capacity_kw": 4.0}, "A": "bus",
        "S-B": {"kind": "source", "capacity_kw": 4.0}, "B": "bus",
        "TIE": {"kind": "switch", "normally": "open", **tie},
    }  # fmt: skip


@dataclass(frozen=True)
class Best:
    """The optimum: pairs joined that must not be, micro-kW by priority, loads of no stated demand, operations."""

    joined: int
    value: tuple[int, ...]
    operations: int


class Trial:
    """One case, stage and phase of one topology, of which every configuration can be tried."""

    def __init__(self, topology: Topology, case: tuple[Event, ...], stage: int, phase: str) -> None:
        self.t, self.stage, self.phase = topology, stage, phase
        found = System(topology).evaluate(case)
        self.live = found.live[stage][phase]
        self.held = found.live[max(0, stage - 1)][phase]
        zone, blocking = found.zone[stage][phase], found.blocking[stage][phase]
        blocking |= self._bordering(zone, found.tripped, frozenset(e.id for e in (*case, *topology.standing)))
        self.live -= blocking & found.operable[stage][phase]
        self.operable = sorted(found.operable[stage][phase] - blocking - zone)
        self.operable = [i for i in self.operable if Event(i) not in (*case, *topology.standing)]
        modes = {e.id: e.mode for e in (*topology.standing, *case)}
        self.tripped = found.tripped
        self.fixed_open = {
            i
            for i, c in topology.components.items()
            if c.kind in ("switch", "breaker")
            and i not in self.operable
            and (
                (c.normally == "open" and modes.get(i) != "closed")
                or i in found.tripped
                or i in blocking
                or modes.get(i) == "loss"
            )
        }
        self.must_open = [
            i
            for i in found.operable[stage][phase] & blocking
            if topology.components[i].normally != "open" and i not in found.tripped and i not in zone
            and modes.get(i) != "loss"
        ]  # fmt: skip
        self.no_path = zone | blocking | {i for i, m in modes.items() if m == "loss"}
        self.no_path |= {i for i in found.tripped if topology.components[i].kind == "fuse"}
        self.handmated = [
            i
            for i, c in topology.components.items()
            if c.kind == "jumper" and not c.mated and c.crew_may_mate and stage == 3 and i not in self.no_path
        ]
        self.no_path |= {
            i for i, c in topology.components.items() if c.kind == "jumper" and not c.mated and i not in self.handmated
        }
        self.upstream: dict[str, list[str]] = {}
        for a, b in dict.fromkeys((*topology.links, *topology.load_links())):
            if b not in topology.components or topology.components[b].kind not in ("source", "storage"):
                self.upstream.setdefault(b, []).append(a)
        self.selectors = [i for i, c in topology.components.items() if c.one_feed and i in self.live]
        self.judged = [i for i, x in topology.loads.items() if i in self.live and x.judged_in(phase)]
        self.needed_loads = [i for i in topology.loads if i in self.live and i not in self.judged]
        self.demand = {i: in_phase(x.demand_kw, phase, 0.0) or 0.0 for i, x in topology.loads.items()}

    def _bordering(self, zone: frozenset[str], tripped: frozenset[str], failed: frozenset[str]) -> set[str]:
        """Switches beside the zone that must be open: none is closed on to a fault, and one that clears none by itself
        keeps it out only while it is open.
        """
        links = {*self.t.links, *self.t.load_links()}
        found = set()
        for i, c in self.t.components.items():
            if c.kind not in ("switch", "breaker") or i in zone or i in failed:
                continue
            if any((a in zone and b == i) or (b in zone and a == i) for a, b in links) and not (
                c.normally != "open" and i not in tripped and c.clears
            ):
                found.add(i)
        return found

    # What is live in one configuration

    def liveness(self, off: set[str], served: set[str], chosen: dict[str, str]) -> set[str]:
        allowed = {i for i in self.live if i not in off and (i not in self.t.loads or i in served)}
        held = set(self.held)
        while True:
            live: set[str] = set()
            while True:
                more = {i for i in allowed - live if self._supported(i, live, live | held, chosen)}
                if not more:
                    break
                live |= more
            if held & live == held:
                return live
            held &= live

    def _supported(self, i: str, live: set[str], met: set[str], chosen: dict[str, str]) -> bool:
        part = self.t.components.get(i) or self.t.loads.get(i)
        if part is None:
            f = self.t.functions[i]
            return sum(m in live for m in f.of) >= f.at_least
        if any(n.id not in met for n in part.needs):
            return False
        if isinstance(part, Component) and part.kind in ("source", "storage"):
            return True
        feeds = [u for u in self.upstream.get(i, ()) if u in live and chosen.get(i, u) == u]
        return len(feeds) >= part.feeds_needed

    # Closed paths

    def joined(self, off: set[str], live: set[str], chosen: dict[str, str]) -> int:
        parts = self.t.components
        watched = [
            i for i, c in parts.items() if c.may_parallel is False and i in live
            and c.kind in ("source", "storage", "converter", "regulator")
        ]  # fmt: skip
        g: nx.DiGraph[str] = nx.DiGraph()
        g.add_nodes_from(parts)
        links = set(self.t.links)
        for a, b in links:
            if any(i in off or i in self.no_path for i in (a, b)):
                continue
            if b in chosen and chosen[b] != a and (b, a) not in links:
                continue
            end = b + " in" if parts[b].kind == "converter" else b
            g.add_edge(a, end)
            if "diode" not in (parts[a].kind, parts[b].kind):
                g.add_edge(end, a)
        for i, c in parts.items():
            if c.kind == "converter" and not c.isolated and i + " in" in g:
                g.add_edge(i + " in", i)
        return sum(nx.has_path(g, a, b) or nx.has_path(g, b, a) for a, b in combinations(watched, 2))

    # Flows

    def carries(self, live: set[str], served: set[str], chosen: dict[str, str]) -> bool:
        parts, nodes = self.t.components, live | served
        links = [
            (a, b)
            for b in sorted(nodes)
            for a in self.upstream.get(b, ())
            if a in live and a in parts and chosen.get(b, a) == a
            and (b in parts or b in served)
        ]  # fmt: skip
        if all(self.demand[i] == 0 for i in served):
            return True
        if not links:
            return False
        equal, equal_to, below, below_to = [], [], [], []
        for i in sorted(nodes):
            row_in = np.array([1.0 if b == i else 0.0 for _, b in links])
            row_out = np.array([1.0 if a == i else 0.0 for a, _ in links])
            if i in self.t.loads:
                equal.append(row_in)
                equal_to.append(self.demand[i])
                continue
            if i not in parts:
                continue
            c = parts[i]
            if c.kind in ("source", "storage"):
                below.append(row_out)
                below_to.append(self.capacity(c))
            else:
                gain = c.efficiency if c.kind in ("converter", "regulator") and c.efficiency is not None else 1.0
                equal.append(gain * row_in - row_out)
                equal_to.append(0.0)
            if c.rating_kw is not None:
                below.append(row_out)
                below_to.append(c.rating_kw)
            if c.rating_a is not None and c.voltage_v is not None:
                below.append(row_out)
                below_to.append(c.rating_a * c.voltage_v / 1000)
        found = linprog(
            np.zeros(len(links)),
            A_ub=np.array(below) if below else None,
            b_ub=np.minimum(below_to, 1e6) if below else None,
            A_eq=np.array(equal),
            b_eq=np.array(equal_to),
            method="highs",
        )
        return bool(found.status == 0)

    def capacity(self, c: Component) -> float:
        most = in_phase(c.capacity_kw, self.phase, INF)
        assert most is not None
        if c.energy_kwh is not None:
            hours = next(p.duration_h for p in self.t.phases if p.name == self.phase)
            if hours:
                most = min(most, c.energy_kwh * (c.depth_limit or 1.0) / hours)
        return most

    # All of it

    def value(self, served: set[str]) -> tuple[int, ...]:
        ranks = sorted({x.service_priority for x in self.t.loads.values()})
        total = dict.fromkeys(ranks, 0)
        for i in served:
            total[self.t.loads[i].service_priority] += round(self.demand[i] * 1e6)
        return (*total.values(), sum(self.demand[i] == 0 for i in served if i in self.judged))

    def configurations(self) -> Iterator[tuple[set[str], int]]:
        """(What stands open or unmated, operations)."""
        groups = self.t.later.get("exclusive", ())
        for closed in product((False, True), repeat=len(self.operable)):
            position = dict(zip(self.operable, closed, strict=True))
            operations = len(self.must_open)
            for i, shut in position.items():
                normally_closed = self.t.components[i].normally != "open"
                operations += shut != normally_closed and not (normally_closed and i in self.tripped)
            off = {i for i, shut in position.items() if not shut} | self.fixed_open
            if any(sum(i not in off for i in g) > max(1, self._stuck_shut(g)) for g in groups):
                continue
            if any(self._stuck_shut(g) and any(position.get(i) for i in g) for g in groups):
                continue
            for mated in product((False, True), repeat=len(self.handmated)):
                unmated = {i for i, on in zip(self.handmated, mated, strict=True) if not on}
                yield off | unmated, operations

    def _stuck_shut(self, group: tuple[str, ...]) -> int:
        return sum(i not in self.operable and i not in self.fixed_open for i in group)

    def best(self) -> Best:
        best: Best | None = None
        loads = self.judged
        subsets = [set(s) for k in range(len(loads) + 1) for s in combinations(loads, k)]
        subsets.sort(key=self.value, reverse=True)
        options = [[*(u for u in self.upstream.get(i, ()) if u in self.live)] or [""] for i in self.selectors]
        for off, operations in self.configurations():
            for choice in product(*options):
                chosen = dict(zip(self.selectors, choice, strict=True))
                for served in subsets:
                    for extra in _subsets(self.needed_loads):
                        on = served | extra
                        value = self.value(served)
                        if best and best.joined == 0 and (value, -operations) <= (best.value, -best.operations):
                            continue
                        live = self.liveness(off, on, chosen)
                        if not on <= live:
                            continue
                        joined = self.joined(off, live, chosen)
                        if best and (-joined, value, -operations) <= (-best.joined, best.value, -best.operations):
                            continue
                        if self.carries(live, on, chosen):
                            best = Best(joined, value, operations)
        assert best is not None, "even nothing served breaks the exclusions"
        return best


def _subsets(ids: list[str]) -> Iterator[set[str]]:
    for k in range(len(ids), -1, -1):
        for s in combinations(ids, k):
            yield set(s)


def flow_faults(t: Topology, case: ServedCase) -> list[str]:
    """What does not balance in the flows of a case, by the file's own words; an empty list is a certificate."""
    ids = [*t.components, *t.loads, *t.functions]
    assert case.service is not None
    flow = {(ids[u], ids[v]): kw for (u, v), kw in case.service.flow_kw.items()}
    links = {*t.links, *t.load_links()}
    wrong = [f"{a} to {b} is no link" for a, b in flow if (a, b) not in links]
    wrong += [f"{kw} kW runs from {a} to {b}" for (a, b), kw in flow.items() if kw < 0]
    down = {e.id for e in (*case.failed, *t.standing) if e.mode in ("loss", "closed")}
    wrong += [f"{a} to {b} runs through a lost component" for a, b in flow if a in down or b in down]
    hours = next(p.duration_h for p in t.phases if p.name == case.phase)
    total = 0.0
    for i, c in t.components.items():
        inside = sum(kw for (_, b), kw in flow.items() if b == i)
        outside = sum(kw for (a, _), kw in flow.items() if a == i)
        if c.kind in ("source", "storage"):
            most = in_phase(c.capacity_kw, case.phase, INF)
            assert most is not None
            if c.energy_kwh is not None and hours:
                most = min(most, c.energy_kwh * (1.0 if c.depth_limit is None else c.depth_limit) / hours)
            if inside or outside > most + 1e-6:
                wrong.append(f"{i} gives {outside} of {most} kW and takes {inside}")
        else:
            gain = c.efficiency if c.kind in ("converter", "regulator") and c.efficiency is not None else 1.0
            if abs(gain * inside - outside) > 1e-6:
                wrong.append(f"{i}: {inside} kW in, {outside} kW out, efficiency {gain}")
        if c.rating_kw is not None and outside > c.rating_kw + 1e-6:
            wrong.append(f"{i} carries {outside} of {c.rating_kw} kW")
        if c.rating_a is not None and c.voltage_v is not None and outside > c.rating_a * c.voltage_v / 1000 + 1e-6:
            wrong.append(f"{i} carries {outside} kW, more than {c.rating_a} A")
        if i in case.loading and abs(case.loading[i].kw - outside) > 1e-9:
            wrong.append(f"{i} is said to carry {case.loading[i].kw}, not {outside} kW")
    served: dict[int, float] = {}
    for i, x in t.loads.items():
        inside = sum(kw for (_, b), kw in flow.items() if b == i)
        asks = (in_phase(x.demand_kw, case.phase, 0.0) or 0.0) if i in case.served else 0.0
        total += asks
        served[x.service_priority] = served.get(x.service_priority, 0.0) + asks
        if abs(inside - asks) > 1e-6:
            wrong.append(f"{i} takes {inside} of {asks} kW")
        if x.judged_in(case.phase) and (i in case.served) == (i in case.shed):
            wrong.append(f"{i} is neither or both of served and shed")
    if any(abs(served.get(p, 0.0) - kw) > 1e-9 for p, kw in case.served_kw.items()):
        wrong.append(f"served_kw {case.served_kw} is not what the loads add up to: {served}")
    return wrong


def random_rated_system(seed: int) -> Topology:
    """Two or three sides, each source, bus, converter, bus and loads, with ties, and some of every constraint."""
    rng = random.Random(seed)
    components: dict[str, Component] = {}
    loads: dict[str, Load] = {}
    functions: dict[str, Function] = {}
    feeds: list[str] = []

    def add(id_: str, kind: str, **fields: Any) -> str:
        components[id_] = Component(id=id_, kind=kind, **fields)
        return id_

    def chance(p: float) -> bool:
        return rng.random() < p

    n = rng.choice([2, 2, 3])
    phases = (Phase("sunlit", 1.0), Phase("dark", 0.5)) if chance(0.3) else (Phase("normal", 1.0),)
    sources, buses, outs = [], [], []
    alone: bool | None = False if chance(0.5) else None
    left = 5
    for k in range(n):
        side = "ABC"[k]
        capacity: Any = rng.choice([None, 2.0, 3.0, 4.0, 5.0])
        if len(phases) > 1 and capacity and chance(0.5):
            capacity = {"sunlit": capacity, "dark": rng.choice([0.0, 1.0])}
        if chance(0.3):
            s = add(f"BAT-{side}", "storage", capacity_kw=capacity, energy_kwh=rng.choice([2.0, 4.0]), depth_limit=0.5,
                    may_parallel=alone if chance(0.4) else None)  # fmt: skip
        else:
            s = add(f"S-{side}", "source", capacity_kw=capacity, may_parallel=alone if chance(0.4) else None)
        sources.append(s)
        b = add(f"BUS-{side}", "bus", voltage_v=100.0, rating_kw=rng.choice([None, None, 4.0]))
        buses.append(b)
        middle = ""
        if chance(0.4) and left:
            left -= 1
            middle = add(
                f"BRK-{side}", "breaker", normally=rng.choice(["closed", "closed", "open"]), voltage_v=100.0,
                rating_a=rng.choice([None, 20.0, 30.0]), operated=rng.choice(["automatic", "commanded"]),
            )  # fmt: skip
        elif chance(0.2):
            middle = add(f"D-{side}", "diode")
        feeds.append(f"{s} -> {middle} -> {b}" if middle else f"{s} -> {b}")
        if chance(0.7):
            cv = add(f"CV-{side}", "converter", efficiency=rng.choice([None, 0.9, 0.8]), voltage_v=50.0,
                     rating_kw=rng.choice([None, 2.0, 3.0]), may_parallel=alone if chance(0.7) else None,
                     isolated=not chance(0.1))  # fmt: skip
            out = add(f"DB-{side}", "bus", voltage_v=50.0, one_feed=chance(0.15))
            feeds.append(f"{b} -> {cv} -> {out}")
        else:
            out = b
        outs.append(out)
    for level, places in (("T", outs), ("U", buses)):
        for a, b in combinations(range(n), 2):
            if not left or not chance(0.6) or components[places[a]].voltage_v != components[places[b]].voltage_v:
                continue
            left -= 1
            tie = add(f"{level}-{a}{b}", "switch", normally=rng.choice(["open", "open", "closed"]),
                      operated=rng.choice(["automatic", "commanded", "commanded", "manual"]),
                      rating_kw=rng.choice([None, 1.0, 2.0]))  # fmt: skip
            arrow = "->" if chance(0.25) else "<->"
            via = ""
            if chance(0.3):
                hand = chance(0.3)
                via = f" {arrow} " + add(f"J-{level}{a}{b}", "jumper", mated=not hand, crew_may_mate=hand)
            feeds.append(f"{places[a]} {arrow} {tie}{via} {arrow} {places[b]}")
    if chance(0.35):
        sel = add("SEL", "bus", one_feed=True, voltage_v=components[outs[0]].voltage_v)
        for o in outs:
            if components[o].voltage_v == components[sel].voltage_v:
                feeds.append(f"{o} -> {sel}")
        outs.append(sel)
    for i in range(rng.randint(2, 4)):
        fed = rng.sample(outs, 2) if chance(0.4) and len(outs) > 1 else [rng.choice(outs)]
        demand: Any = rng.choice([0.5, 1.0, 1.5, 2.0, 2.5, 3.0, None])
        if len(phases) > 1 and demand and chance(0.3):
            demand = {"sunlit": demand}
        loads[f"L{i}"] = Load(id=f"L{i}", fed_by=tuple(fed), demand_kw=demand, priority=rng.randint(1, 3),
                              feeds_needed=2 if len(fed) == 2 and chance(0.2) else 1)  # fmt: skip
    converters = [i for i, c in components.items() if c.kind == "converter"]
    if converters and chance(0.5):
        pump = rng.choice(sorted(loads))
        name = pump
        if chance(0.5):
            members = tuple(rng.sample(sorted(loads), min(2, len(loads))))
            functions["coolant"] = Function(id="coolant", of=members)
            name = "coolant"
        for cv in rng.sample(converters, rng.randint(1, len(converters))):
            components[cv] = replace(components[cv], needs=(Need(name),))
    switches = [i for i, c in components.items() if c.is_switched]
    later: dict[str, Any] = {}
    if len(switches) > 1 and chance(0.3):
        later["exclusive"] = [rng.sample(switches, 2)]
    return Topology(
        name=f"random {seed}",
        phases=phases,
        components=components,
        loads=loads,
        functions=functions,
        links=feed_links(feeds),
        later=later,
    )
