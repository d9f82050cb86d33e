"""Bus arrangements, cross-ties and aircraft rules: what published practice says a failure takes out.

The table of arrangements is that of a 2012 engineering-design article on bus arrangements and of RUS Bulletin 1724E-300
(2001), chapter 4 (the latter from memory), recomputed by brute force with the rule: the zone is everything up to the
nearest closed breaker, a stuck breaker merges two zones, a circuit is lost if it lies in the zone or has no path left
to any other circuit.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import networkx as nx
import pytest
from arrangements import (
    Arrangement,
    breaker_and_a_half,
    double_bus_double_breaker,
    main_and_transfer,
    ring,
    sectionalised,
    single_bus,
)
from build import events, topology
from reference import System

from powerfault.failures.case_state import case_states
from powerfault.model.elements import Event, Topology
from powerfault.network.graph import build_network
from powerfault.tolerance.study import Study, study

Live = Callable[[Topology, list[tuple[Event, ...]]], list[tuple[frozenset[str], frozenset[str]]]]
"""(what is live at stage 0, what has tripped) in each case."""


def by_engine(system: Topology, cases: list[tuple[Event, ...]]) -> list[tuple[frozenset[str], frozenset[str]]]:
    return [(s.live[0]["normal"], s.tripped) for s in case_states(build_network(system), cases)]


def by_reference(system: Topology, cases: list[tuple[Event, ...]]) -> list[tuple[frozenset[str], frozenset[str]]]:
    found = [System(system).evaluate(case) for case in cases]
    return [(f.live[0]["normal"], f.tripped) for f in found]


BOTH = pytest.mark.parametrize("live", [by_engine, by_reference], ids=["engine", "reference"])
SIZES = pytest.mark.parametrize("n", [4, 6])


def lost(live: Live, a: Arrangement, failed: str) -> int:
    """How many circuits are lost: with its own source taken away, no other reaches them."""
    cases = [events(f"{failed} S{i}") for i in range(a.n)]
    return sum(f"L{i}" not in found for i, (found, _) in enumerate(live(a.topology, cases)))


def each(live: Live, a: Arrangement, failures: list[str]) -> set[int]:
    return {lost(live, a, f) for f in failures}


def bus_faults(a: Arrangement) -> list[str]:
    return [f"{b}:short" for b in a.buses]


def circuit_faults(a: Arrangement) -> list[str]:
    return [f"{c}:short" for c in a.circuits]


def stuck_beside_circuit(a: Arrangement, role: str) -> list[str]:
    return [f"{c}:short {x}:stuck" for c in a.circuits for x in a.beside[c] if a.role[x] == role]


def breaker_faults(a: Arrangement, role: str) -> list[str]:
    return [f"{x}:short" for x in a.breakers(role)]


@BOTH
@SIZES
def test_nothing_is_lost_with_nothing_failed(n: int, live: Live) -> None:
    for make in (single_bus, sectionalised, main_and_transfer, ring, breaker_and_a_half, double_bus_double_breaker):
        assert lost(live, make(n), "") == 0


@pytest.mark.parametrize(
    ("make", "count"),
    [
        (single_bus, lambda n: n),
        (sectionalised, lambda n: n + 1),
        (main_and_transfer, lambda n: n + 1),
        (ring, lambda n: n),
        (breaker_and_a_half, lambda n: 3 * n // 2),
        (double_bus_double_breaker, lambda n: 2 * n),
    ],
)
@SIZES
def test_number_of_breakers(make: Callable[[int], Arrangement], count: Callable[[int], int], n: int) -> None:
    # Also an article comparing breaker counts: with 4 circuits 4 on a single bus, 8 double-breaker, 4 in a ring.
    a = make(n)
    breakers = [c for c in a.topology.components.values() if c.kind == "breaker"]
    assert len(breakers) == len(a.role) == count(n)
    assert sum(c.normally_open for c in breakers) == (1 if make is main_and_transfer else 0)


@BOTH
@SIZES
def test_single_bus(n: int, live: Live) -> None:
    a = single_bus(n)
    assert each(live, a, bus_faults(a)) == {n}
    assert each(live, a, circuit_faults(a)) == {1}
    assert each(live, a, stuck_beside_circuit(a, "feeder")) == {n}
    assert each(live, a, breaker_faults(a, "feeder")) == {n}


@BOTH
@SIZES
def test_sectionalised_tie_closed(n: int, live: Live) -> None:
    a = sectionalised(n)
    assert each(live, a, bus_faults(a)) == {n // 2}
    assert each(live, a, circuit_faults(a)) == {1}
    assert each(live, a, stuck_beside_circuit(a, "feeder")) == {n // 2}
    assert each(live, a, breaker_faults(a, "feeder")) == {n // 2}
    assert each(live, a, breaker_faults(a, "tie")) == {n}
    assert each(live, a, [f"{b}:short TIE:stuck" for b in a.buses]) == {n}


@BOTH
@SIZES
def test_main_and_transfer(n: int, live: Live) -> None:
    a = main_and_transfer(n)
    assert lost(live, a, "MAIN:short") == n
    assert lost(live, a, "TRANSFER:short") == 0
    assert each(live, a, circuit_faults(a)) == {1}
    assert each(live, a, stuck_beside_circuit(a, "feeder")) == {n}
    assert each(live, a, breaker_faults(a, "feeder")) == {n}
    # The open tie lies between the buses; a fault inside it takes the main bus too.
    assert each(live, a, breaker_faults(a, "tie")) == {n}


@BOTH
@SIZES
def test_ring(n: int, live: Live) -> None:
    a = ring(n)
    assert bus_faults(a) == []  # none separate
    assert each(live, a, circuit_faults(a)) == {1}
    assert each(live, a, stuck_beside_circuit(a, "ring")) == {2}
    assert each(live, a, breaker_faults(a, "ring")) == {2}


@BOTH
@SIZES
def test_breaker_and_a_half(n: int, live: Live) -> None:
    a = breaker_and_a_half(n)
    assert each(live, a, bus_faults(a)) == {0}
    assert each(live, a, circuit_faults(a)) == {1}
    assert each(live, a, stuck_beside_circuit(a, "centre")) == {2}
    assert each(live, a, stuck_beside_circuit(a, "bus-side")) == {1}
    assert each(live, a, breaker_faults(a, "centre")) == {2}
    assert each(live, a, breaker_faults(a, "bus-side")) == {1}
    assert each(live, a, [f"{b}:short {x}:stuck" for b in a.buses for x in a.beside[b]]) == {1}


@BOTH
@SIZES
def test_double_bus_double_breaker(n: int, live: Live) -> None:
    a = double_bus_double_breaker(n)
    assert each(live, a, bus_faults(a)) == {0}
    assert each(live, a, circuit_faults(a)) == {1}
    assert each(live, a, stuck_beside_circuit(a, "bus-side")) == {1}
    assert each(live, a, breaker_faults(a, "bus-side")) == {1}
    assert each(live, a, [f"{b}:short {x}:stuck" for b in a.buses for x in a.beside[b]]) == {1}


@BOTH
def test_breakers_tripped_of_six_circuits(live: Live) -> None:
    def tripped(a: Arrangement, failed: str) -> int:
        ((_, found),) = live(a.topology, [events(failed)])
        return len(found)

    assert tripped(ring(6), "C2:short") == 2
    # The stuck one lies in the zone: called upon, and counted, though it did not open.
    assert tripped(ring(6), "C2:short X2:stuck") == 3
    assert tripped(breaker_and_a_half(6), "BUS-1:short") == 3
    assert tripped(double_bus_double_breaker(6), "BUS-1:short") == 6


@BOTH
def test_ring_already_open(live: Live) -> None:
    # N = 6, X5 (between the circuits 5 and 0) stands open: the ring is a string 0 1 2 3 4 5.
    a = ring(6, open_breaker="X5")
    assert lost(live, a, "") == 0

    def islands(failed: str) -> set[frozenset[int]]:
        """Circuits that reach one another: with all sources but one taken away, who is still served."""
        graph = nx.Graph()
        for i in range(6):
            others = " ".join(f"S{j}" for j in range(6) if j != i)
            ((found, _),) = live(a.topology, [events(f"{failed} {others}")])
            graph.add_edges_from((i, j) for j in range(6) if f"L{j}" in found)
        return {frozenset(part) for part in nx.connected_components(graph)}

    # A fault in the middle of the string loses one circuit and splits the rest in two.
    assert lost(live, a, "C2:short") == 1
    assert islands("C2:short") == {frozenset({0, 1}), frozenset({3, 4, 5})}
    # Next to an end circuit it cuts that one off as well.
    assert lost(live, a, "C1:short") == 2
    assert lost(live, a, "C4:short") == 2
    # At the end it loses itself alone, and the rest stays whole.
    assert lost(live, a, "C0:short") == 1
    assert islands("C0:short") == {frozenset({1, 2, 3, 4, 5})}


# Cross-ties


def two_sides(**tie: Any) -> Topology:
    """Two sides with a generator, a bus and two consumers each, and a tie between the buses if one is given."""
    parts: dict[str, Any] = {"GA": "source", "GB": "source", "A": "bus", "B": "bus"}
    feeds = ["GA -> A", "GB -> B"]
    if tie:
        parts["TIE"] = tie
        feeds.append("A <-> TIE <-> B")
    return topology(parts, feeds, loads={"A1": "A", "A2": "A", "B1": "B", "B2": "B"})


def worst_single(found: Study) -> tuple[int, set[str]]:
    """The most consumers that one event loses for good, and the events that do."""
    by_event = {str(*case): sum(o == "lost" for o in outcomes.values()) for case, outcomes in found.iter_cases()}
    most = max(by_event.values(), default=0)
    return most, {e for e, count in by_event.items() if count == most}


def outcomes_of(system: Topology, failed: str) -> dict[str, str]:
    (state,) = case_states(build_network(system), [events(failed)])
    return {i: o for i, o in state.outcomes.items() if o != "uninterrupted"}


def test_a_failure_in_one_side_must_not_transfer_to_the_other() -> None:
    # IMO MSC/Circ.645, 3.1 to 3.2: systems may run joined if bus-ties separate automatically on transferable failures,
    # short circuits included; else ties stay open. A failure in one side must never transfer to the other.
    one_side, both = {"A1": "lost", "A2": "lost"}, dict.fromkeys(("A1", "A2", "B1", "B2"), "lost")
    assert outcomes_of(two_sides(), "A:short") == one_side
    assert outcomes_of(two_sides(kind="jumper"), "A:short") == both
    assert outcomes_of(two_sides(kind="breaker"), "A:short") == one_side
    assert outcomes_of(two_sides(kind="switch", normally="open"), "A:short") == one_side
    assert outcomes_of(two_sides(kind="jumper", mated=False, crew_may_mate=True), "A:short") == one_side
    # A switch that stands closed and clears nothing passes the fault until it is opened.
    assert outcomes_of(two_sides(kind="switch", operated="automatic"), "A:short") == one_side | {
        "B1": "automatic",
        "B2": "automatic",
    }


def test_worst_single_failure_before_and_after_a_tie() -> None:
    # Before: one side. A tie without protection doubles the worst case; a breaker that can itself be shorted does so
    # for that one event alone, and none of the others.
    def worst(**tie: Any) -> tuple[int, set[str]]:
        return worst_single(study(two_sides(**tie), order=1, modes=("loss", "short")))

    # MSC.1/Circ.1580, 2.2: class 2 must not lose position by one active fault; report the worst case before and after.
    sides = {"GA", "GB", "A", "A:short", "B", "B:short"}
    assert worst() == (2, sides)
    assert worst(kind="jumper") == (4, {"A:short", "B:short", "TIE:short"})
    assert worst(kind="breaker") == (4, {"TIE:short"})
    assert worst(kind="breaker", modes=("loss", "stuck")) == (2, {"A", "A:short", "B", "B:short"})
    # An open tie that is closed on command saves a side from the loss of its generator.
    assert worst(kind="switch", normally="open", modes=("loss",)) == (2, {"A", "A:short", "B", "B:short"})


def test_the_price_of_a_closed_tie_is_two_failures_with_a_breaker() -> None:
    found = study(two_sides(kind="breaker", modes=("loss", "stuck")), order=2, modes=("loss", "short", "stuck"))
    cuts = {frozenset(map(str, c)) for c in found.verdict("B1").minimal_cut_sets}
    assert frozenset({"A:short", "TIE:stuck"}) in cuts
    assert frozenset({"A:short"}) not in cuts


# Aircraft rules


def aircraft(*, shared_feeder: bool = False, tie: bool = True) -> Topology:
    """Two engines with a generator and a converter each, an essential bus fed from both, and a battery on it.

    The essential bus has a normal feeder from the left and an alternate one from the right, each behind a diode; with
    ``shared_feeder`` both sides come to it over one cable.
    """
    parts: dict[str, Any] = {}
    feeds: list[str] = []
    for side in ("L", "R"):
        parts |= {
            f"ENG-{side}": "source",
            f"GEN-{side}": "regulator",
            f"GCB-{side}": "breaker",
            f"BUS-{side}": "bus",
            f"CV-{side}": "converter",
            f"D-{side}": "diode",
        }
        feeds.append(f"ENG-{side} -> GEN-{side} -> GCB-{side} -> BUS-{side} -> CV-{side}")
    parts |= {"FD-L": "cable", "FD-R": "cable", "ESS": "bus", "BCB": "breaker"}
    parts["BAT"] = {"kind": "storage", "charged_by": "ESS"}
    if shared_feeder:
        feeds += ["CV-L -> D-L -> FD-L -> ESS", "CV-R -> D-R -> FD-L"]
        del parts["FD-R"]
    else:
        feeds += ["CV-L -> D-L -> FD-L -> ESS"]
        feeds += ["CV-R -> D-R -> FD-R -> ESS"] if tie else []
        if not tie:
            del parts["FD-R"], parts["D-R"]
    feeds.append("BAT -> BCB -> ESS")
    loads = {
        "FLIGHT-1": {"fed_by": "ESS", "severity": "critical"},
        "FLIGHT-2": {"fed_by": "ESS", "severity": "critical"},
        "GALLEY": {"fed_by": "BUS-R", "severity": "minor"},
    }
    return topology(parts, feeds, loads=loads)


def fails_on(system: Topology, load: str, kinds: set[str]) -> set[str]:
    """The single losses of components of these kinds that fail ``load``."""
    found = study(system, order=1)
    return {str(*c) for c in found.verdict(load).minimal_cut_sets if system.components[c[0].id].kind in kinds}


POWER_SOURCES = {"source", "regulator", "converter", "storage"}


def test_essential_loads_bear_the_loss_of_any_one_source_converter_or_store() -> None:
    # 14 CFR 25.1310: essential loads stay supplied after the failure of any one prime mover, power converter or energy
    # storage device.
    for load in ("FLIGHT-1", "FLIGHT-2"):
        assert fails_on(aircraft(), load, POWER_SOURCES) == set()
        # Without the alternate feed the left side is alone: the battery, charged by the bus it is to hold up, is no
        # tolerance in a steady state.
        assert fails_on(aircraft(tie=False), load, POWER_SOURCES) == {"ENG-L", "GEN-L", "CV-L"}
    assert fails_on(aircraft(), "GALLEY", POWER_SOURCES) == {"ENG-R", "GEN-R"}


def test_a_shared_feeder_defeats_the_tie() -> None:
    # CS 25.1355(c): two sources for a function must have separate feeders too.
    assert fails_on(aircraft(shared_feeder=True), "FLIGHT-1", POWER_SOURCES) == set()
    assert fails_on(aircraft(shared_feeder=True), "FLIGHT-1", {"cable"}) == {"FD-L"}
    assert fails_on(aircraft(), "FLIGHT-1", {"cable"}) == set()
    # A short of one feeder takes the essential bus in both; the diodes keep the sides out of each other's faults.
    for system in (aircraft(), aircraft(shared_feeder=True)):
        assert outcomes_of(system, "BUS-L:short").keys() == set()
        assert "FLIGHT-1" in outcomes_of(system, "FD-L:short")


def test_no_source_failure_impairs_the_others() -> None:
    # 14 CFR 25.1351(b)(2).
    system = aircraft()
    sources = {i for i, c in system.components.items() if c.is_source}
    for source in sources:
        (state,) = case_states(build_network(system), [(Event(source),)])
        assert sources - {source} <= state.live[0]["normal"]
