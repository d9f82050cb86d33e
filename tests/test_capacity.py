"""Served load under ratings: textbook figures, flow certificates, and the optimum against trying everything."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import networkx as nx
import pytest
from click.testing import CliRunner

from powerfault.cli import program
from powerfault.electrical.served.capacity import INHERITED, UNPROVED, Allocator, PartService, is_only, optimise
from powerfault.electrical.served.case_runs import serve_cases
from powerfault.electrical.served.configuration import always_live, faults_of
from powerfault.electrical.served.inheritance import Kinship, kinship
from powerfault.electrical.served.plant import Plant, build_plant
from powerfault.electrical.served.served_case import ServedCase, describe
from powerfault.electrical.served.service_bounds import prove_service, value_of
from powerfault.electrical.served.service_model import Attained
from powerfault.electrical.served.solver import Program, SolverStoppedError
from powerfault.electrical.served.study import capacity_study, rated_cases
from powerfault.electrical.served.surviving import Surviving, split, survivors
from powerfault.errors import ModelError, PowerfaultError
from powerfault.model.elements import STAGES, Event, Phase, Topology
from powerfault.model.modify import apply_proposals
from powerfault.model.reader import load_topology
from powerfault.network.failure_modes import list_events
from powerfault.network.graph import build_network
from tests.build import events, topology
from tests.served_load import FEEDS, TWO_SIDES, Trial, flow_faults, random_rated_system, two_sides

TOPOLOGIES = Path(__file__).parent.parent / "topologies"


def compare_with_trying_everything(t: Topology, case: tuple[Event, ...], stage: int) -> None:
    plant = build_plant(build_network(t))
    for phase, surviving in survivors(plant, [case], stage)[0].items():
        best = Trial(t, case, stage, phase).best()
        parts = split(plant, surviving)
        found = Allocator(plant).serve(surviving)
        said = describe(plant, surviving, case, found)
        where = f"{t.name} {' '.join(map(str, case))} {STAGES[stage]} {phase}"
        assert said.proved, f"{where}: {said.findings}"
        judged = [plant.network.index[i] for i in said.served]
        assert value_of(plant, phase, judged) == best.value, where
        assert len(said.operations) == best.operations, where
        assert sum("must not be paralleled, but a closed path" in x for x in said.findings) == best.joined, where
        # The solver alone, and the bounds alone where they prove something, agree.
        for part in parts:
            solved = optimise(plant, part)
            assert solved.proof != UNPROVED, f"{where}: {solved.remark}"
            proved = prove_service(plant, part)
            if proved is not None:
                assert value_of(plant, phase, proved.served) == value_of(plant, phase, solved.service.served), where


def random_cases(seed: int) -> tuple[Topology, list[tuple[tuple[Event, ...], int]]]:
    rng = random.Random(seed)
    t = random_rated_system(seed)
    singles = list_events(t, ("loss",))
    cases: list[tuple[tuple[Event, ...], int]] = [((), 2)]
    cases.append(((rng.choice(singles),), rng.choice([1, 2, 3])))
    cases.append((tuple(rng.sample(singles, 2)), rng.choice([0, 2, 2, 3])))
    cases.append(((rng.choice(list_events(t, ("short", "stuck", "closed"))),), rng.choice([1, 2, 3])))
    return t, cases


@pytest.mark.parametrize("seed", range(36))
def test_optimum_equals_trying_all_positions_and_loads(seed: int) -> None:
    t, cases = random_cases(seed)
    for case, stage in cases:
        compare_with_trying_everything(t, case, stage)


@pytest.mark.full
@pytest.mark.parametrize("block", range(20))
def test_optimum_equals_trying_everything_on_many(block: int) -> None:
    for seed in range(1000 + 25 * block, 1025 + 25 * block):
        t, cases = random_cases(seed)
        for case, stage in cases:
            compare_with_trying_everything(t, case, stage)


# ---- figures from outside


def serve(t: Topology, failed: str = "", stage: str = "commanded", phase: str | None = None) -> ServedCase:
    """The best service of one case by the ordinary way, certified by the test's own flow check."""
    found = capacity_study(t, stage=stage, failed=events(failed))
    served = next(c for c in found.cases if phase in (None, c.phase))
    assert served.proved, served.findings
    assert not flow_faults(t, served)
    return served


def unit_loads(n: int, bus: str = "BUS", kw: float = 1.0) -> dict[str, Any]:
    return {f"L{i}": {"fed_by": bus, "demand_kw": kw, "priority": 1} for i in range(n)}


def outage_table(units: dict[str, float], rate: float, loads: dict[str, Any]) -> dict[float, float]:
    """Probability of each served load, from the served load of all combinations of failed units."""
    parts: dict[str, Any] = {u: {"kind": "source", "capacity_kw": kw} for u, kw in units.items()}
    parts["BUS"] = {"kind": "bus", "can_fail": False}
    t = topology(parts, [f"{u} -> BUS" for u in units], loads)
    found = capacity_study(t, order=len(units))
    assert len(found.cases) == 2 ** len(units)
    table: dict[float, float] = {}
    for case in found.cases:
        assert case.proved
        chance = rate ** len(case.failed) * (1 - rate) ** (len(units) - len(case.failed))
        table[round(case.total_kw, 6)] = table.get(round(case.total_kw, 6), 0.0) + chance
    return table


def test_capacity_outage_table_of_three_units() -> None:
    # Units of 3, 3 and 5 MW, outage rate .02 (textbook example, from memory; recomputed in outside-facts section 2).
    table = outage_table({"A": 3.0, "B": 3.0, "C": 5.0}, 0.02, unit_loads(11))
    out = {11 - kw: chance for kw, chance in table.items()}
    expected = {0: 0.941192, 3: 0.038416, 5: 0.019208, 6: 0.000392, 8: 0.000784, 11: 0.000008}
    assert out.keys() == expected.keys()
    for mw, chance in expected.items():
        assert out[mw] == pytest.approx(chance, abs=5e-10)


def test_loss_of_load_of_three_units() -> None:
    # 3 x 5 kW, unavailability .02, a load of 10 kW: loss probability .001184 (recomputed).
    table = outage_table({"A": 5.0, "B": 5.0, "C": 5.0}, 0.02, {"L": {"fed_by": "BUS", "demand_kw": 10.0}})
    assert table[0.0] == pytest.approx(0.001184, abs=1e-12)
    assert table[10.0] == pytest.approx(1 - 0.001184, abs=1e-12)


def flow_network(edges: dict[tuple[str, str], int], source: str, sink: str, loads: int) -> Topology:
    """Capacitated edges as rated cables between buses, the sink carrying loads of 1 kW."""
    nodes = {n for e in edges for n in e}
    components: dict[str, Any] = {n: "source" if n == source else "bus" for n in sorted(nodes)}
    feeds = []
    for (a, b), most in edges.items():
        components[f"{a}-{b}"] = {"kind": "cable", "rating_kw": float(most)}
        feeds.append(f"{a} -> {a}-{b} -> {b}")
    return topology(components, feeds, unit_loads(loads, sink))


def test_maximum_flow_of_the_textbook_network() -> None:
    # Cormen, Leiserson, Rivest, Stein, Introduction to Algorithms: maximum flow 23, minimum cut {v3, t}.
    edges = {
        ("s", "v1"): 16, ("s", "v2"): 13, ("v1", "v3"): 12, ("v2", "v1"): 4, ("v2", "v4"): 14, ("v3", "v2"): 9,
        ("v4", "v3"): 7, ("v3", "t"): 20, ("v4", "t"): 4,
    }  # fmt: skip
    t = flow_network({(a, b): c for (a, b), c in edges.items()}, "s", "t", 30)
    served = serve(t)
    assert served.total_kw == pytest.approx(23)
    crossing = {("v1", "v3"), ("v4", "v3"), ("v4", "t")}
    assert all(served.loading[f"{a}-{b}"].share == pytest.approx(1) for a, b in crossing)


@pytest.mark.parametrize("seed", range(12))
def test_served_load_is_the_maximum_flow_of_random_graphs(seed: int) -> None:
    rng = random.Random(seed)
    names = [f"n{i}" for i in range(7)]
    edges = {(a, b): rng.randint(1, 6) for a in names for b in names if a != b and rng.random() < 0.35 and b != "n0"}
    edges.setdefault(("n0", "n1"), 3)
    edges.setdefault(("n1", "n6"), 3)
    graph: nx.DiGraph[str] = nx.DiGraph()
    graph.add_weighted_edges_from(((a, b, c) for (a, b), c in edges.items()), weight="capacity")
    expected = nx.maximum_flow_value(graph, "n0", "n6")
    assert serve(flow_network(edges, "n0", "n6", int(expected) + 3)).total_kw == pytest.approx(expected)


def test_efficiency_chain() -> None:
    # .98 x .95 x .92 = .85652: 1000 W out needs 1167.5151 W (stages 1086.9565, 1144.1648) (arithmetic).
    def chain(capacity: float) -> ServedCase:
        return serve(
            topology(
                {
                    "S": {"kind": "source", "capacity_kw": capacity},
                    **{n: {"kind": "converter", "efficiency": e, "rating_kw": 2.0}
                       for n, e in (("A", 0.98), ("B", 0.95), ("C", 0.92))},
                },
                ["S -> A -> B -> C"],
                {"L": {"fed_by": "C", "demand_kw": 1.0}},
            )
        )  # fmt: skip

    enough = chain(1.16752)
    assert enough.served == {"L"}
    assert enough.loading["S"].kw == pytest.approx(1.1675151, abs=1e-7)
    assert enough.loading["A"].kw == pytest.approx(1.1441648, abs=1e-7)
    assert enough.loading["B"].kw == pytest.approx(1.0869565, abs=1e-7)
    assert chain(1.1675).no_capacity == ("L",)


# ---- each rule by hand


def test_priorities_are_served_one_after_another() -> None:
    # 4 kW: one load of priority 1 at 2.5 beats 4 kW of priority 2.
    t = topology(
        {"S": {"kind": "source", "capacity_kw": 4.0}, "B": "bus"},
        ["S -> B"],
        {
            "P1": {"fed_by": "B", "demand_kw": 2.5, "priority": 1},
            "P2a": {"fed_by": "B", "demand_kw": 2.0, "priority": 2},
            "P2b": {"fed_by": "B", "demand_kw": 2.0, "priority": 2},
            "P3": {"fed_by": "B", "demand_kw": 1.5, "priority": 3},
        },
    )
    served = serve(t)
    assert served.served_kw == {1: 2.5, 2: 0.0, 3: 1.5}
    assert set(served.no_capacity) == {"P2a", "P2b"}
    assert served.shed == served.no_capacity


def test_shed_loads_are_listed_in_the_order_of_the_file() -> None:
    t = topology(
        {"S": {"kind": "source", "capacity_kw": 1.0}, "B": "bus", "OFF": "bus"},
        ["S -> B"],
        {
            "LARGE": {"fed_by": "B", "demand_kw": 2.0},
            "DARK": {"fed_by": "OFF", "demand_kw": 0.5},
            "SMALL": {"fed_by": "B", "demand_kw": 1.0},
        },
    )
    served = serve(t)
    assert (served.no_path, served.no_capacity) == (("DARK",), ("LARGE",))
    assert served.shed == ("LARGE", "DARK")


def test_a_tie_is_closed_only_where_it_helps() -> None:
    loads = {
        "LA": {"fed_by": "A", "demand_kw": 3.0, "priority": 1},
        "LB": {"fed_by": "B", "demand_kw": 2.0, "priority": 2},
    }
    t = topology(two_sides(), FEEDS, loads)
    assert serve(t).operations == ()
    lost = serve(t, "S-A")
    assert lost.served_kw == {1: 3.0, 2: 0.0}
    assert lost.operations == (("TIE", "closed"),)
    assert serve(t, "S-A", stage="uninterrupted").no_path == ("LA",)
    # A rating of the tie below the demand makes it useless.
    weak = topology(two_sides(rating_kw=2.5), FEEDS, loads)
    assert serve(weak, "S-A").served_kw == {1: 0.0, 2: 2.0}
    assert serve(weak, "S-A").operations == ()
    # Its rating in amperes counts with the voltage of its domain.
    parts = two_sides(rating_a=25.0)
    parts["A"] = {"kind": "bus", "voltage_v": 100.0}
    assert serve(topology(parts, FEEDS, loads), "S-A").served_kw == {1: 0.0, 2: 2.0}
    parts["A"] = {"kind": "bus", "voltage_v": 120.0}
    assert serve(topology(parts, FEEDS, loads), "S-A").served_kw == {1: 3.0, 2: 0.0}


def test_direction_of_a_jumper() -> None:
    parts = {**two_sides(), "JMP": "jumper"}
    t = topology(
        parts,
        ["S-A -> A", "S-B -> B", "A <-> TIE <-> JMP <-> B"],
        {"LA": {"fed_by": "A", "demand_kw": 1.0}, "LB": {"fed_by": "B", "demand_kw": 1.5}},
    )
    a, b = serve(t, "S-A").jumpers["JMP"], serve(t, "S-B").jumpers["JMP"]
    assert (a.kw, a.source, a.target) == (1.0, "B", "TIE")
    assert (b.kw, b.source, b.target) == (1.5, "TIE", "B")
    assert serve(t).jumpers["JMP"].kw == 0.0


def test_storage_gives_the_least_of_power_and_energy() -> None:
    # min(6, 9 x .35 / 1.0) = 3.15 kW in sunlight; 9 x .35 / .6 = 5.25 in the dark (the example of the format).
    t = topology(
        {"BAT": {"kind": "storage", "capacity_kw": 6.0, "energy_kwh": 9.0, "depth_limit": 0.35}, "B": "bus"},
        ["BAT -> B"],
        unit_loads(12, "B", 0.5),
    )
    t = replace(t, phases=(Phase("sunlit", 1.0), Phase("dark", 0.6)))
    assert serve(t, phase="sunlit").total_kw == 3.0
    assert serve(t, phase="dark").total_kw == 5.0
    assert serve(t, phase="dark").loading["BAT"].limit_kw == pytest.approx(5.25)
    missing = replace(t, phases=(Phase("sunlit", 1.0), Phase("dark")))
    with pytest.raises(ModelError, match="duration_h"):
        capacity_study(missing)


def test_a_converter_whose_pump_is_shed_does_not_convert() -> None:
    # The pump (2 kW, priority 3) must run for the converter to give the lamp (1 kW, priority 1) its power.
    def system(capacity: float) -> Topology:
        source, converter = {"kind": "source", "capacity_kw": capacity}, {"kind": "converter", "needs": "coolant"}
        return topology(
            {"S": source, "B": "bus", "CV": converter},
            ["S -> B -> CV"],
            {
                "LAMP": {"fed_by": "CV", "demand_kw": 1.0, "priority": 1},
                "OTHER": {"fed_by": "B", "demand_kw": 1.5, "priority": 2},
                "PUMP": {"fed_by": "B", "demand_kw": 2.0, "priority": 3},
            },
            {"coolant": "PUMP"},
        )

    assert serve(system(3.0)).served == {"LAMP", "PUMP"}
    assert serve(system(2.5)).served == {"OTHER"}


def test_one_feed_at_a_time() -> None:
    parts = {
        "S-A": {"kind": "source", "capacity_kw": 3.0}, "S-B": {"kind": "source", "capacity_kw": 3.0},
        "ATS": {"kind": "bus", "one_feed": True},
    }  # fmt: skip
    feeds = ["S-A -> ATS", "S-B -> ATS"]
    assert serve(topology(parts, feeds, {"L": {"fed_by": "ATS", "demand_kw": 5.0}})).no_capacity == ("L",)
    small = topology(parts, feeds, unit_loads(5, "ATS"))
    assert serve(small).total_kw == 3.0
    parts["ATS"] = "bus"
    assert serve(topology(parts, feeds, unit_loads(5, "ATS"))).total_kw == 5.0


def test_outputs_that_must_not_be_paralleled() -> None:
    loads = {"LA": {"fed_by": "A", "demand_kw": 1.0}, "LB": {"fed_by": "B", "demand_kw": 5.0}}
    parts = two_sides()
    assert serve(topology(parts, FEEDS, loads)).served == {"LA", "LB"}
    for s in ("S-A", "S-B"):
        parts[s] = {"kind": "source", "capacity_kw": 4.0, "may_parallel": False}
    apart = serve(topology(parts, FEEDS, loads))
    assert apart.served == {"LA"}
    assert apart.operations == ()
    # One of them dead: nothing to be joined with, and no output of its own to be driven if it is lost.
    lost = serve(topology(parts, FEEDS, loads), "S-A")
    assert lost.operations == (("TIE", "closed"),)
    assert lost.findings == ()
    # Joined by what cannot be opened: a finding.
    shut = {**parts, "TIE": {"kind": "switch", "operated": "manual"}}
    joined = serve(topology(shut, FEEDS, loads))
    assert any("must not be paralleled" in text for text in joined.findings)
    # Behind an isolating converter they are not joined.
    split = {**parts, "CV": "converter", "TIE": "switch"}
    assert serve(topology(split, ["S-A -> A", "S-B -> B", "A -> TIE -> CV -> B"], loads)).findings == ()


def test_power_driven_backwards_is_a_finding() -> None:
    parts = {
        "S-A": "source", "BUS-A": "bus", "CV-A": {"kind": "converter", "may_parallel": False}, "A": "bus",
        "S-B": "source", "CV-B": {"kind": "converter", "may_parallel": False}, "B": "bus",
        "TIE": {"kind": "switch", "normally": "open"},
    }  # fmt: skip
    feeds = ["S-A -> BUS-A -> CV-A -> A", "S-B -> CV-B -> B", "A <-> TIE <-> B"]
    t = topology(parts, feeds, {"LA": {"fed_by": "A", "demand_kw": 1.0}})
    assert any("driven backwards into the output of CV-A" in text for text in serve(t, "BUS-A").findings)
    assert serve(t, "CV-A").findings == ()


def test_exclusive_switches() -> None:
    parts = {**two_sides(), "C": "bus", "T2": {"kind": "switch", "normally": "open"}}
    feeds = [*FEEDS, "B <-> T2 <-> C"]
    loads = {
        "LA": {"fed_by": "A", "demand_kw": 1.0, "priority": 1},
        "LC": {"fed_by": "C", "demand_kw": 1.0, "priority": 2},
    }
    free = topology(parts, feeds, loads)
    assert serve(free, "S-A").served == {"LA", "LC"}
    bound = replace(free, later={"exclusive": [["TIE", "T2"]]})
    held = serve(bound, "S-A")
    assert held.served == {"LA"}
    assert held.no_capacity == ("LC",)
    for wrong in ("TIE", [["TIE", "NOPE"]], [["TIE", "A"]]):
        with pytest.raises(ModelError, match="exclusive"):
            capacity_study(replace(free, later={"exclusive": wrong}))


def test_two_feeds_needed_count_live_neighbours_in_the_positions_chosen() -> None:
    t = topology(
        two_sides(),
        FEEDS,
        {"L": {"fed_by": "A B", "feeds_needed": 2, "demand_kw": 1.0}, "M": {"fed_by": "B", "demand_kw": 1.0}},
    )
    assert serve(t).operations == ()
    assert serve(t, "S-A").operations == (("TIE", "closed"),)


def test_a_loop_without_a_source_holds_nothing_up() -> None:
    # X and Y feed each other; Z needs two live feeds, the live bus and X. X comes alive only through the switch.
    parts = {
        "S": "source", "B": "bus", "SW": {"kind": "switch", "normally": "open"}, "X": "bus", "Y": "bus",
        "Z": {"kind": "bus", "feeds_needed": 2},
    }  # fmt: skip
    feeds = ["S -> B", "B -> SW -> X", "X <-> Y", "B -> Z", "X -> Z"]
    t = topology(parts, feeds, {"L": {"fed_by": "Z", "demand_kw": 1.0}})
    plant = build_plant(build_network(t))
    part = split(plant, survivors(plant, [()], 2)[0]["normal"])[0]
    solved = optimise(plant, part)
    assert solved.proof != UNPROVED
    assert [t.components[plant.network.ids[v]].id for v in solved.service.closed] == ["SW"]
    assert serve(t).operations == (("SW", "closed"),)


def test_loads_without_a_demand_need_a_path_but_no_power() -> None:
    t = topology(two_sides(), FEEDS, {"LA": "A", "LB": {"fed_by": "B", "demand_kw": 4.0}})
    lost = serve(t, "S-A")
    assert lost.served == {"LA", "LB"}
    assert lost.operations == (("TIE", "closed"),)
    # Not judged in a phase: neither served nor shed, and no reason to switch.
    t = topology(two_sides(), FEEDS, {"LA": {"fed_by": "A", "demand_kw": {"day": 1.0}}}, phases="day night")
    night = serve(t, "S-A", phase="night")
    assert (night.shed, night.served, night.operations) == ((), frozenset(), ())
    assert serve(t, "S-A", phase="day").operations == (("TIE", "closed"),)


def test_what_tripped_counts_no_operation_when_it_is_closed_again() -> None:
    # A short behind SW (a plain switch) trips BRK; on command SW is opened, which counts, and BRK closed again.
    t = topology(
        {"S": "source", "BRK": "breaker", "B": "bus", "SW": "switch", "C": "bus"},
        ["S -> BRK -> B <-> SW <-> C"],
        {"L": {"fed_by": "B", "demand_kw": 1.0}},
    )
    at_once = serve(t, "C:short", stage="uninterrupted")
    assert (at_once.served, at_once.operations) == (frozenset(), ())
    later = serve(t, "C:short")
    assert later.served == {"L"}
    assert later.operations == (("SW", "open"),)
    assert later.reclosed == ("BRK",)


def test_an_unmated_jumper_is_mated_by_hand_only() -> None:
    parts = {"S": "source", "A": "bus", "J": {"kind": "jumper", "mated": False, "crew_may_mate": True}, "B": "bus"}
    t = topology(parts, ["S -> A <-> J <-> B"], {"L": {"fed_by": "B", "demand_kw": 1.0}})
    assert serve(t).no_path == ("L",)
    by_hand = serve(t, stage="manual")
    assert (by_hand.served, by_hand.mated, by_hand.operations) == ({"L"}, ("J",), ())


# ---- certificates, solver, processes, the command


@pytest.mark.parametrize("name", ["orrin-fell", "tallow-ledge", "two-channels"])
def test_flows_balance_in_every_single_failure_of_the_examples(name: str) -> None:
    t = load_topology(TOPOLOGIES / f"{name}.yaml")
    found = capacity_study(t)
    assert all(c.proved for c in found.cases)
    for case in found.cases:
        assert not flow_faults(t, case), case.failed
    assert found.share_without_solver > 0.8


def test_a_wrong_service_is_not_certified() -> None:
    t = topology(two_sides(), FEEDS, {"LA": {"fed_by": "A", "demand_kw": 3.0}})
    plant = build_plant(build_network(t))
    surviving = survivors(plant, [()], 2)[0]["normal"]
    good = optimise(plant, split(plant, surviving)[0]).service
    assert faults_of(plant, surviving, good) == []
    index = plant.network.index
    s, a, load, tie = index["S-A"], index["A"], index["LA"], index["TIE"]
    for flows in (
        {(s, a): 2.0, (a, load): 3.0},
        {(s, a): 3.0, (a, load): 2.0},
        {(s, a): 5.0, (a, load): 5.0},
        {(index["S-B"], a): 3.0, (a, load): 3.0},
        {(s, a): 3.0, (a, load): 3.0, (tie, a): 0.5, (a, tie): 0.5},
    ):
        assert faults_of(plant, surviving, replace(good, flow_kw=flows)), flows
    assert faults_of(plant, surviving, replace(good, closed=frozenset({a})))


def knapsack(seed: int = 1, n: int = 60) -> Program:
    rng = random.Random(seed)
    program = Program()
    columns = [program.binary() for _ in range(n)]
    for _ in range(12):
        weights = [rng.randint(10**4, 10**5) for _ in columns]
        program.row(zip(columns, map(float, weights), strict=True), upper=float(sum(weights) // 2))
    return program


def test_a_solver_that_stops_early_gives_no_optimum(monkeypatch: pytest.MonkeyPatch) -> None:
    program = knapsack()
    program.seconds = 0.05
    with pytest.raises(SolverStoppedError, match="without proof"):
        program.solve({c: 1.0 + c * 1e-3 for c in range(60)}, maximise=True)

    def stop(*_: Any, **__: Any) -> None:
        raise SolverStoppedError("the solver stopped without proof of an optimum: Time limit reached")

    monkeypatch.setattr(Program, "solve", stop)
    # Too much for both sides together, and a choice that no routing can prove.
    loads = {f"L{i}": {"fed_by": "A B", "demand_kw": 3.0} for i in range(3)}
    found = capacity_study(topology(two_sides(), FEEDS, loads), failed=[])
    assert not found.cases[0].proved
    said = found.to_json()
    assert said["proved"] is False
    assert said["cases"][0]["proved"] is False
    assert any("stopped" in text for text in found.cases[0].findings)


def test_the_solver_writes_nothing_to_standard_output(capfd: pytest.CaptureFixture[str]) -> None:
    program = knapsack(2, 12)
    assert program.solve(dict.fromkeys(range(12), 1.0), maximise=True) is not None
    assert capfd.readouterr().out == ""


def test_two_processes_find_what_one_finds(monkeypatch: pytest.MonkeyPatch) -> None:
    import powerfault.electrical.served.case_runs as module

    monkeypatch.setattr(module, "SERIAL_SECONDS", 0.0)
    monkeypatch.setattr(module, "RUN", 7)
    t = random_rated_system(3)
    seen: list[tuple[int, int]] = []
    one = capacity_study(t, order=2, jobs=1)
    two = capacity_study(t, order=2, jobs=2, progress=lambda done, total: seen.append((done, total)))

    assert json.dumps(one.to_json()) == json.dumps(two.to_json())
    assert seen[-1] == (len(one.cases) // len(t.phases),) * 2


def test_optima_taken_over_from_smaller_failures_are_optima() -> None:
    taken = 0
    for seed in range(40):
        t = random_rated_system(seed)
        for case in capacity_study(t, order=2, jobs=1).cases:
            if INHERITED not in case.proofs:
                continue
            taken += 1
            plant = build_plant(build_network(t))
            surviving = survivors(plant, [case.failed], 2)[0][case.phase]
            solved = describe(plant, surviving, case.failed, [(p, optimise(plant, p)) for p in split(plant, surviving)])
            assert case.served_kw == pytest.approx(solved.served_kw), (seed, case.failed)
            assert len(case.operations) == len(solved.operations), (seed, case.failed)
    assert taken > 20


def run(*arguments: str) -> tuple[int, str, str]:
    found = CliRunner().invoke(program, ["capacity", *arguments])
    if isinstance(found.exception, PowerfaultError):
        return 2, found.stdout, str(found.exception)
    return found.exit_code, found.stdout, found.stderr


def pairs(t: Topology, count: int, seed: int) -> list[tuple[Event, ...]]:
    events_ = list_events(t, ("loss", "short"))
    rng = random.Random(seed)
    found = [tuple(rng.sample(events_, 2)) for _ in range(count)]
    return [pair for pair in found if pair[0].id != pair[1].id]


@pytest.mark.parametrize("proposal", ["", "J-HAB"])
def test_what_is_known_beforehand_changes_no_answer(proposal: str, monkeypatch: pytest.MonkeyPatch) -> None:
    # Every call of the solver that was spared something is repeated without: loads, positions and flows are the same.
    import powerfault.electrical.served.capacity as module

    told: list[bool] = []

    def both(plant: Plant, part: Surviving, *, known: Attained | None = None, seconds: float) -> PartService:
        found = optimise(plant, part, known=known, seconds=seconds)
        if known is not None:
            told.append(known.best)
            assert found == optimise(plant, part, seconds=seconds)
        return found

    monkeypatch.setattr(module, "optimise", both)
    if proposal:
        t = apply_proposals(load_topology(TOPOLOGIES / "orrin-fell.yaml"), [proposal])
        singles = [(e,) for e in list_events(t, ("loss",))]
        serve_cases(build_plant(build_network(t)), [[()], singles[::8]], 2, (), float("inf"), jobs=1)
        assert True in told, "the goals of some were all known"
        assert False in told, "of some only what can be reached"
    else:
        for seed in range(30):
            capacity_study(random_rated_system(seed), order=2, modes=("loss", "short"), jobs=1)
        assert len(told) > 20


def test_only_what_is_the_only_answer_is_taken_over_where_the_past_must_not_matter() -> None:
    taken = 0
    for seed in range(60):
        t = random_rated_system(seed)
        plant = build_plant(build_network(t))
        cases = [(), *((e,) for e in list_events(t, ("loss", "short")))]
        told, untold = Allocator(plant, sole=True), Allocator(plant)
        for by_phase in survivors(plant, cases, 2):
            for surviving in by_phase.values():
                told.learn(told.serve(surviving))
        for by_phase in survivors(plant, pairs(t, 12, seed), 2):
            for surviving in by_phase.values():
                for (part, one), (_, other) in zip(told.serve(surviving), untold.serve(surviving), strict=True):
                    taken += one.proof == INHERITED
                    assert one.service.served == other.service.served, (seed, part)
                    assert one.service.closed == other.service.closed, (seed, part)
                    assert one.service.mated == other.service.mated, (seed, part)
    assert taken > 3


def test_an_answer_with_equals_is_not_the_only_one() -> None:
    def only(first: float, second: float) -> bool:
        loads = {"LA": {"fed_by": "A", "demand_kw": first}, "LB": {"fed_by": "A", "demand_kw": second}}
        t = topology({"S": {"kind": "source", "capacity_kw": 4.0}, "A": "bus"}, ["S -> A"], loads)
        plant = build_plant(build_network(t))
        part = split(plant, survivors(plant, [()], 2)[0]["normal"])[0]
        return is_only(plant, part, optimise(plant, part).service)

    assert only(3.0, 2.0)
    assert not only(3.0, 3.0)


def test_of_equal_positions_none_is_the_only_one() -> None:
    # Either tie brings the load back with one operation; a third on a weaker side does not count.
    parts = {**two_sides(), "TIE-2": {"kind": "switch", "normally": "open"}}
    plant = build_plant(build_network(topology(parts, [*FEEDS, "A <-> TIE-2 <-> B"], {"LA": "A"})))
    found = []
    for case in events("S-A"), events("S-A TIE-2"):
        part = split(plant, survivors(plant, [case], 2)[0]["normal"])[0]
        best = optimise(plant, part)
        assert len(best.service.closed) == 1
        found.append(is_only(plant, part, best.service))
    assert found == [False, True]


def test_kinship_sees_what_the_liveness_of_outputs_rests_on() -> None:
    # S-A feeds CV-A through two breakers; CV-A and CV-B must not be joined, but the jumper joins them.
    parts: dict[str, Any] = {
        "S-A": "source", "P": "bus", "B1": "breaker", "M": "bus", "S-B": "source", "B2": "breaker",
        "CV-A": {"kind": "converter", "may_parallel": False}, "A": "bus", "C1": "breaker", "C2": "breaker",
        "CV-B": {"kind": "converter", "may_parallel": False}, "B": "bus", "J": "jumper", "S-C": "source",
    }  # fmt: skip
    feeds = ["S-A -> P -> B1 -> M -> CV-A -> A", "S-C -> P", "S-B -> B2 -> CV-B -> B", "A <-> J <-> B",
             "A -> C1", "B -> C2"]  # fmt: skip
    loads = {"L1": {"fed_by": "C1 C2", "demand_kw": 1.0}, "L2": {"fed_by": "A", "demand_kw": 1.0}}
    plant = build_plant(build_network(topology(parts, feeds, loads)))
    ids = plant.network.index

    def part(failed: str) -> Surviving:
        return split(plant, survivors(plant, [events(failed)], 2)[0]["normal"])[0]

    def kin(failed: str) -> Kinship:
        return kinship(plant, part(failed), part(""), lambda p: always_live(plant, p))

    assert ids["C1"] in plant.between - plant.bridging
    assert kin("S-C") == Kinship.ALIKE, "P stays live whatever is chosen: the output rests on B1 and M alone"
    assert kin("C1") == Kinship.ALIKE, "a dead end joins no outputs"
    assert kin("M") == Kinship.NONE, "CV-A is dead now, so nothing need be opened"
    assert kin("J") == Kinship.NONE, "the outputs are no longer joined"


def test_the_command(tmp_path: Path) -> None:
    file = tmp_path / "t.yaml"
    file.write_text(TWO_SIDES)
    code, out, _ = run(str(file), "--json")
    assert code == 0
    result = json.loads(out)
    cases = {tuple(c["failed"]): c for c in result["cases"]}
    assert result["case_count"] == 5
    assert len(cases) == 6
    assert cases["S-A",]["served_kw"] == {"1": 3.0, "2": 0.0}
    assert cases["S-A",]["shed"] == ["LB"]
    assert cases["S-A",]["operations"] == [{"id": "TIE", "to": "closed"}]
    assert cases["S-A",]["loading"]["S-B"] == {"kw": 3.0, "limit_kw": 4.0, "share": 0.75}
    assert cases["A",]["no_path"] == ["LA"]
    code, out, _ = run(str(file), "--fail", "S-A", "--fail", "TIE")
    assert code == 0
    assert "no path" in out
    assert run(str(file), "--fail", "S-Q")[0] == 2
    assert run(str(file), "--stage", "sometimes")[0] == 2
    assert run(str(file), "--order", "2")[0] == 0


def test_outcomes_with_ratings() -> None:
    loads = {
        "LA": {"fed_by": "A", "demand_kw": 3.0, "priority": 1},
        "LB": {"fed_by": "B", "demand_kw": 2.0, "priority": 2},
    }
    t = topology(two_sides(), FEEDS, loads, {"some": {"of": "LA LB"}, "both": {"of": "LA LB", "at_least": 2}})
    nothing, lost = rated_cases(t, [(), events("S-A")])
    assert set(nothing.outcomes.values()) == {"uninterrupted"}
    assert nothing.no_capacity == frozenset()
    assert lost.outcomes == {"LA": "commanded", "LB": "lost", "some": "uninterrupted", "both": "lost"}
    assert lost.no_capacity == {"LB", "both"}
    assert lost.by_phase["normal"]["LB"] == "lost"
