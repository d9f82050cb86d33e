"""Bus voltages with constant-power loads: closed forms, the resistor cube, second opinions, balance at every node."""

from __future__ import annotations

import itertools
import random

import networkx as nx
import numpy as np
import pytest
import scipy.optimize
from hypothesis import example, given, settings
from hypothesis import strategies as st

from powerfault.electrical.currents.bus_voltages import solve_voltages
from powerfault.electrical.currents.conductors import line_state, loop_resistance_ohm
from powerfault.electrical.currents.dc_flow import NO_POINT, Branch, DcFlow, greatest_scale, solve_dc
from powerfault.electrical.currents.derating import Derating
from powerfault.errors import RequestError
from powerfault.model.elements import Topology
from powerfault.model.reader import read_topology_text

AT_20 = Derating(conductor_c=20)


def balances(branches: list[Branch], held: dict[str, float], loads: dict[str, float], flow: DcFlow) -> None:
    """The certificate: at each free node what flows in is the load's power, and overall given = drawn + lost."""
    for node, volts in flow.voltage_v.items():
        inwards = sum(flow.current_a[b.id] for b in branches if b.end == node)
        inwards -= sum(flow.current_a[b.id] for b in branches if b.start == node)
        if node not in held or f"held:{node}" in flow.blocked:
            assert inwards * volts == pytest.approx(loads.get(node, 0.0), abs=1e-5, rel=1e-8)
    drawn = sum(p for n, p in loads.items() if n not in flow.dead)
    assert sum(flow.given_w.values()) == pytest.approx(drawn + flow.loss_w, rel=1e-8, abs=1e-5)


@pytest.mark.parametrize(
    ("volts", "ohm", "watts", "expected"),
    [(28, 0.05, 1000, 26.0830460), (120, 0.25, 5000, 108.4767986), (270, 0.5, 20000, 225.6917857)],
)  # closed form from memory, recomputed
def test_two_bus_closed_form(volts: float, ohm: float, watts: float, expected: float) -> None:
    line = Branch("line", "A", "B", ohm)
    flow = solve_dc([line], {"A": volts}, {"B": watts})
    assert flow.voltage_v["B"] == pytest.approx(expected, abs=5e-8)
    assert flow.voltage_v["B"] > volts / 2  # never the other root
    balances([line], {"A": volts}, {"B": watts}, flow)
    greatest = volts**2 / (4 * ohm)
    assert solve_dc([line], {"A": volts}, {"B": greatest * (1 - 1e-9)}).operates
    none = solve_dc([line], {"A": volts}, {"B": greatest * (1 + 1e-6)})
    assert (none.status, none.stressed, dict(none.voltage_v)) == (NO_POINT, ("B",), {})
    assert greatest_scale([line], {"A": volts}, {"B": watts}) == pytest.approx(greatest / watts, rel=1e-5)


def test_cube_of_resistors() -> None:
    # Cube of 1 ohm resistors (from memory, recomputed): 5/6 body diagonal, 3/4 face diagonal, 7/12 edge.
    corners = ["".join(c) for c in itertools.product("01", repeat=3)]
    cube = [
        Branch(f"{a}-{b}", a, b, 1.0)
        for a, b in itertools.combinations(corners, 2)
        if sum(x != y for x, y in zip(a, b, strict=True)) == 1
    ]
    for far, ohm in (("111", 5 / 6), ("011", 3 / 4), ("001", 7 / 12)):
        assert equivalent_ohm(cube, "000", far) == pytest.approx(ohm, rel=1e-9)


def equivalent_ohm(branches: list[Branch], start: str, end: str) -> float:
    """Seen between two nodes: all that is lost, over the square of the current (energy is conserved)."""
    volts, watts = 100.0, 1e-2
    flow = solve_dc(branches, {start: volts}, {end: watts})
    amperes = watts / flow.voltage_v[end]
    assert flow.loss_w == pytest.approx(amperes**2 * (volts - flow.voltage_v[end]) / amperes, rel=1e-5)
    return flow.loss_w / amperes**2


@pytest.mark.parametrize("seed", range(8))
def test_random_meshes_against_networkx(seed: int) -> None:
    rng = random.Random(seed)
    graph = nx.gnm_random_graph(9, 16, seed=seed)
    graph = graph.subgraph(max(nx.connected_components(graph), key=len)).copy()
    for a, b in graph.edges:
        graph[a][b]["ohm"] = rng.uniform(0.1, 3)
    branches = [Branch(f"{a}-{b}", str(a), str(b), graph[a][b]["ohm"]) for a, b in graph.edges]
    nodes = sorted(graph.nodes)
    for a, b in itertools.combinations(nodes[:5], 2):
        expected = nx.resistance_distance(graph, a, b, weight="ohm", invert_weight=True)
        assert equivalent_ohm(branches, str(a), str(b)) == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize("seed", range(6))
def test_random_loads_against_scipy(seed: int) -> None:
    rng = random.Random(100 + seed)
    n = 7
    pairs = [(i, j) for i, j in itertools.combinations(range(n), 2) if rng.random() < 0.5 or j == i + 1]
    branches = [Branch(f"{i}-{j}", str(i), str(j), rng.uniform(0.02, 0.2)) for i, j in pairs]
    held = {"0": 120.0, str(n - 1): 119.0}
    loads = {str(i): rng.uniform(0, 2500) for i in range(1, n - 1)}
    flow = solve_dc(branches, held, loads)
    assert flow.operates
    balances(branches, held, loads, flow)
    free = [str(i) for i in range(1, n - 1)]

    def mismatch(volts: np.ndarray) -> list[float]:
        at = {**held, **dict(zip(free, map(float, volts), strict=True))}
        if "held:" + str(n - 1) in flow.blocked:
            raise AssertionError("not expected in these systems")
        return [
            sum((at[b.start] - at[b.end]) / b.resistance_ohm * (1 if b.end == node else -1)
                for b in branches if node in (b.start, b.end)) - loads[node] / at[node]
            for node in free
        ]  # fmt: skip

    second = scipy.optimize.fsolve(mismatch, np.full(len(free), 120.0), xtol=1e-13)
    assert [flow.voltage_v[x] for x in free] == pytest.approx(list(second), abs=1e-7)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.05, 3.0))
def test_operating_root_is_the_greatest(seed: int, scale: float) -> None:
    """Fixed-point iteration from the unloaded voltages falls onto the greatest root, or below 0 if there is none."""
    rng = random.Random(seed)
    branches = [Branch(f"b{i}", str(rng.randrange(i)), str(i), rng.uniform(0.05, 0.5)) for i in range(1, 5)]
    branches += [Branch("c", "1", "4", 0.3), Branch("d", "2", "3", 0.3)]
    loads = {str(i): scale * rng.uniform(0, 3000) for i in range(1, 5)}
    flow = solve_dc(branches, {"0": 100.0}, loads)
    names = ["1", "2", "3", "4"]
    conductance = np.zeros((5, 5))
    for b in branches:
        i, j, g = int(b.start), int(b.end), 1 / b.resistance_ohm
        conductance[[i, j], [i, j]] += g
        conductance[[i, j], [j, i]] -= g
    z = np.linalg.inv(conductance[1:, 1:])
    volts, watts = np.full(4, 100.0), np.array([loads[x] for x in names])
    for _ in range(20_000):
        after = 100.0 - z @ (watts / volts)
        if (after <= 0).any():
            assert flow.status == NO_POINT
            return
        if np.max(np.abs(after - volts)) < 1e-12:
            break
        volts = after
    else:
        return  # too near the greatest transfer for this slow method to tell
    assert flow.operates
    assert [flow.voltage_v[x] for x in names] == pytest.approx(list(volts), abs=1e-6)
    balances(branches, {"0": 100.0}, loads, flow)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.floats(0, 1))
def test_less_load_never_lower_voltage(seed: int, share: float) -> None:
    rng = random.Random(seed)
    branches = [Branch(f"b{i}", str(rng.randrange(i)), str(i), rng.uniform(0.01, 0.1)) for i in range(1, 6)]
    loads = {str(i): rng.uniform(0, 3000) for i in range(1, 6)}
    full = solve_dc(branches, {"0": 120.0}, loads)
    part = solve_dc(branches, {"0": 120.0}, {n: share * p for n, p in loads.items()})
    if full.operates:
        assert all(part.voltage_v[n] >= full.voltage_v[n] - 1e-9 for n in loads)


def test_diodes_take_from_the_higher_feed() -> None:
    branches = [
        Branch("ra", "A", "A2", 0.1), Branch("rb", "B", "B2", 0.1),
        Branch("da", "A2", "L", 1e-6, one_way=True), Branch("db", "B2", "L", 1e-6, one_way=True),
    ]  # fmt: skip
    flow = solve_dc(branches, {"A": 28.0, "B": 24.0}, {"L": 280.0})
    assert flow.blocked == {"db"}
    assert flow.current_a["db"] == 0
    assert flow.voltage_v["L"] == pytest.approx(line_state(28, 0.100001, 280).voltage_v)
    even = solve_dc(branches, {"A": 28.0, "B": 28.0}, {"L": 280.0})
    assert even.current_a["da"] == pytest.approx(even.current_a["db"])
    balances(branches, {"A": 28.0, "B": 28.0}, {"L": 280.0}, even)


def test_a_feeder_never_takes_power_back() -> None:
    branches = [Branch("r", "A", "B", 0.1)]
    flow = solve_dc(branches, {"A": 28.0, "B": 27.0}, {"B": 28.0})
    assert flow.given_w["B"] == 0
    assert flow.voltage_v["B"] == pytest.approx(line_state(28, 0.1, 28).voltage_v)
    both = solve_dc(branches, {"A": 28.0, "B": 27.0}, {"B": 2800.0})
    assert both.given_w["B"] > 0
    assert both.voltage_v["B"] == 27


def test_what_no_feeder_reaches_is_dead() -> None:
    flow = solve_dc([Branch("x", "C", "D", 1.0)], {"A": 28.0}, {"D": 10.0})
    assert flow.dead == {"C", "D"}
    assert "D" not in flow.voltage_v


@pytest.mark.parametrize(
    ("branch", "held", "loads"),
    [
        (Branch("x", "A", "B", 0.0), {"A": 1.0}, {}),
        (Branch("x", "A", "B", 1.0), {"A": 0.0}, {}),
        (Branch("x", "A", "B", 1.0), {"A": 1.0}, {"B": -1.0}),
        (Branch("x", "A", "B", float("nan")), {"A": 1.0}, {"B": 1.0}),
    ],
)
def test_bad_input(branch: Branch, held: dict[str, float], loads: dict[str, float]) -> None:
    with pytest.raises(RequestError, match="expected a"):
        solve_dc([branch], held, loads)


# Topologies -----------------------------------------------------------------------------------------------------

CHANNELS = """
powerfault: 1
name: two channels (invented)
phases:
  sunlit: {duration_h: 1.0}
  dark: {duration_h: 0.6}
components:
  PV-A: {kind: source, capacity_kw: {sunlit: 12, dark: 0}}
  BAT-A: {kind: storage, capacity_kw: 6, energy_kwh: 9, depth_limit: 0.4, charged_by: [BUS-A]}
  BUS-A: {kind: bus, voltage_v: 120}
  CV-A: {kind: converter, rating_kw: 6, efficiency: 0.9, voltage_v: 28}
  DB-A: {kind: bus, voltage_v: 28}
  PV-B: {kind: source, capacity_kw: {sunlit: 12, dark: 0}}
  BUS-B: {kind: bus, voltage_v: 120}
  CV-B: {kind: converter, rating_kw: 6, efficiency: 0.9, voltage_v: 28}
  DB-B: {kind: bus, voltage_v: 28}
  JMP: {kind: jumper, length_m: 10, gauge_awg: 4, conductor_c: 20}
feeds:
  - PV-A -> BUS-A -> CV-A -> DB-A
  - BAT-A -> BUS-A
  - PV-B -> BUS-B -> CV-B -> DB-B
  - DB-A <-> JMP <-> DB-B
loads:
  FAN: {fed_by: [DB-A], demand_kw: 0.5, min_voltage_v: 24, max_voltage_v: 29, severity: critical}
  PUMP: {fed_by: [DB-B], demand_kw: 1.0, min_voltage_v: 24, max_voltage_v: 29}
  LAMP: {fed_by: [DB-A, DB-B], demand_kw: 0.2}
"""


def channels(**replaced: str) -> Topology:
    text = CHANNELS
    for old, new in replaced.items():
        text = text.replace(old, new)
    return read_topology_text(text)


def all_but(topology: Topology, *failed: str) -> set[str]:
    return {*topology.components, *topology.loads} - set(failed)


def test_jumper_carries_the_dead_side() -> None:
    topology = channels()
    found = solve_voltages(topology, all_but(topology, "CV-B"), "sunlit", AT_20)
    jumper = found.conductors["JMP"]
    ohm = loop_resistance_ohm(4, 10)
    assert jumper.resistance_ohm == ohm
    # PUMP hangs on the far end; LAMP takes its power from the higher of its two feeds.
    line = line_state(28, ohm, 1000)
    assert found.voltage_v["DB-B"] == pytest.approx(line.voltage_v)
    assert (jumper.sends, jumper.receives) == ("DB-A", "DB-B")
    assert jumper.power_kw == pytest.approx(1.0)
    assert jumper.current_a == pytest.approx(line.current_a)
    assert jumper.loss_kw == pytest.approx((line.loss_w or 0) / 1000)
    assert found.voltage_v["LAMP"] == pytest.approx(28, abs=1e-4)
    assert found.feeder_kw["CV-A"] == pytest.approx(1.7 + jumper.loss_kw)
    assert found.input_kw["CV-A"] == pytest.approx(found.feeder_kw["CV-A"] / 0.9)
    assert found.feeder_kw["PV-A"] == pytest.approx(found.input_kw["CV-A"])
    assert found.feeder_kw["BAT-A"] == 0  # the source goes first
    assert not found.findings


def test_joined_and_healthy_nothing_flows() -> None:
    topology = channels()
    found = solve_voltages(topology, all_but(topology), "sunlit", AT_20)
    assert found.conductors["JMP"].current_a == pytest.approx(0, abs=1e-9)
    assert found.feeder_kw["CV-A"] + found.feeder_kw["CV-B"] == pytest.approx(1.7)


def test_battery_takes_over_in_the_dark() -> None:
    topology = channels()
    live = all_but(topology, "PV-A", "PV-B", "BUS-B", "CV-B")
    found = solve_voltages(topology, live, "dark", AT_20)
    assert found.feeder_kw["BAT-A"] == pytest.approx((1.7 + found.loss_kw) / 0.9)


def test_window_is_a_finding_and_thin_wire_has_no_point() -> None:
    thin = channels(**{"gauge_awg: 4": "gauge_awg: 12"})
    found = solve_voltages(thin, all_but(thin, "CV-B"), "sunlit", AT_20)
    volts = line_state(28, loop_resistance_ohm(12, 10), 1000).voltage_v
    assert volts is not None
    assert volts < 24
    assert [(f.grave, f.id) for f in found.findings] == [("unmet", "PUMP")]
    thread = channels(**{"gauge_awg: 4": "gauge_awg: 20"})
    none = solve_voltages(thread, all_but(thread, "CV-B"), "sunlit", AT_20)
    assert not none.operates
    assert "no operating point at DB-B in sunlit" in none.findings[-1].text


def test_temperature_and_stranding_raise_resistance() -> None:
    topology = channels(**{", conductor_c: 20": ""})
    live = all_but(topology, "CV-B")
    cold = solve_voltages(topology, live, "sunlit", AT_20).conductors["JMP"]
    hot = solve_voltages(topology, live, "sunlit", Derating()).conductors["JMP"]
    stranded = solve_voltages(topology, live, "sunlit", Derating(resistance="stranded")).conductors["JMP"]
    assert hot.resistance_ohm == pytest.approx(1.2751 * (cold.resistance_ohm or 0))
    assert (stranded.resistance_ohm or 0) > (hot.resistance_ohm or 0)


def test_overloaded_converter_is_found() -> None:
    topology = channels(**{"rating_kw: 6, efficiency: 0.9, voltage_v: 28}\n  DB-A": "rating_kw: 1, efficiency: 0.9, "
                           "voltage_v: 28}\n  DB-A"})  # fmt: skip
    found = solve_voltages(topology, all_but(topology, "CV-B"), "sunlit", AT_20)
    assert [f.id for f in found.findings] == ["CV-A"]
    assert "above the 1 kW" in found.findings[0].text


def test_three_buses_in_a_mesh() -> None:
    topology = read_topology_text("""
powerfault: 1
name: mesh (invented)
components:
  S: {kind: source, voltage_v: 120}
  A: {kind: bus, voltage_v: 120}
  B: {kind: bus}
  C: {kind: bus}
  AB: {kind: cable, length_m: 30, gauge_awg: 8}
  BC: {kind: cable, length_m: 20, gauge_awg: 12}
  AC: {kind: cable, length_m: 25, gauge_awg: 8, conductors: 2}
feeds: [S -> A, A <-> AB <-> B, B <-> BC <-> C, A <-> AC <-> C]
loads:
  L: {fed_by: [B], demand_kw: 3}
  M: {fed_by: [C], demand_kw: 1}
""")
    found = solve_voltages(topology, all_but(topology), "normal", AT_20)
    wires = (("AB", 8, 30, 1), ("BC", 12, 20, 1), ("AC", 8, 25, 2))
    r = {id_: loop_resistance_ohm(gauge, length, n) for id_, gauge, length, n in wires}
    b, c = found.voltage_v["B"], found.voltage_v["C"]
    assert (120 - b) / r["AB"] + (c - b) / r["BC"] == pytest.approx(3000 / b)
    assert (120 - c) / r["AC"] + (b - c) / r["BC"] == pytest.approx(1000 / c)
    assert found.feeder_kw["S"] == pytest.approx(4 + found.loss_kw)
    assert found.conductors["BC"].sends == "C"


def test_cables_in_series_to_a_load() -> None:
    topology = read_topology_text("""
powerfault: 1
name: series (invented)
components:
  S: {kind: source, voltage_v: 28}
  W1: {kind: cable, length_m: 4, gauge_awg: 10}
  W2: {kind: cable, length_m: 6, gauge_awg: 10}
feeds: [S -> W1 -> W2]
loads:
  L: {fed_by: [W2], demand_kw: 0.4}
""")
    found = solve_voltages(topology, all_but(topology), "normal", AT_20)
    assert found.voltage_v["L"] == pytest.approx(line_state(28, loop_resistance_ohm(10, 10), 400).voltage_v)
    assert found.conductors["W2"].receives == "L"


def test_regulated_chain_takes_its_losses() -> None:
    # .98 * .95 * .92: 1000 W out needs 1167.5151 W (outside check, recomputed).
    topology = read_topology_text("""
powerfault: 1
name: chain (invented)
components:
  S: {kind: source, voltage_v: 160}
  C1: {kind: converter, efficiency: 0.98, voltage_v: 120}
  C2: {kind: converter, efficiency: 0.95, voltage_v: 60}
  C3: {kind: converter, efficiency: 0.92, voltage_v: 28}
feeds: [S -> C1 -> C2 -> C3]
loads:
  L: {fed_by: [C3], demand_kw: 1}
""")
    found = solve_voltages(topology, all_but(topology), "normal", AT_20)
    assert 1000 * found.feeder_kw["S"] == pytest.approx(1167.5151, abs=5e-5)
    assert [found.voltage_v[x] for x in ("S", "C1", "C2", "L")] == [160, 120, 60, 28]


def test_resistance_between_two_regulated_outputs() -> None:
    """A converter's voltage holds at its output whatever the cable before it does."""
    topology = read_topology_text("""
powerfault: 1
name: hold (invented)
components:
  S: {kind: source, voltage_v: 120}
  W: {kind: cable, length_m: 40, gauge_awg: 10}
  CV: {kind: converter, efficiency: 0.9, voltage_v: 28}
feeds: [S -> W -> CV]
loads:
  L: {fed_by: [CV], demand_kw: 2}
""")
    found = solve_voltages(topology, all_but(topology), "normal", AT_20)
    line = line_state(120, loop_resistance_ohm(10, 40), 2000 / 0.9)
    assert found.voltage_v["L"] == 28
    assert found.feeder_kw["S"] * 1000 == pytest.approx((line.current_a or 0) * 120)


def test_a_feeder_at_its_limit_sags_and_the_other_takes_over() -> None:
    # A load between two feeders through diodes: the nearer gives its 50 A, the farther the rest through 0.05 ohm.
    branches = [
        Branch("da", "A", "L", 1e-6, one_way=True), Branch("rb", "B", "B2", 0.05),
        Branch("db", "B2", "L", 1e-6, one_way=True),
    ]  # fmt: skip
    held, loads = {"A": 28.0, "B": 28.0}, {"L": 2240.0}
    free = solve_dc(branches, held, loads)
    assert free.given_w["A"] == pytest.approx(2240, rel=1e-4)
    flow = solve_dc(branches, held, loads, {"A": 50.0})
    volts = flow.voltage_v["L"]
    assert flow.current_a["da"] == pytest.approx(50)
    assert (28 - volts) / 0.05 + 50 == pytest.approx(2240 / volts, rel=1e-4)
    assert flow.voltage_v["A"] < 28
    assert sum(flow.given_w.values()) == pytest.approx(2240 + flow.loss_w)
    both = solve_dc(branches, held, loads, {"A": 50.0, "B": 25.0})
    assert both.status == "overloaded"
    assert solve_dc(branches, held, loads, {"A": 90.0}).current_a["db"] == pytest.approx(0, abs=0.01)


def test_dual_fed_loads_share_where_a_rating_says_so() -> None:
    topology = channels(**{
        "CV-A: {kind: converter, rating_kw: 6": "CV-A: {kind: converter, rating_kw: 0.6",
        "LAMP: {fed_by: [DB-A, DB-B], demand_kw: 0.2}": "LAMP: {fed_by: [DB-A, DB-B], demand_kw: 0.4}",
    })  # fmt: skip
    found = solve_voltages(topology, all_but(topology, "JMP"), "sunlit", AT_20)
    assert found.feeder_kw["CV-A"] <= 0.6 + 1e-9
    assert found.feeder_kw["CV-A"] + found.feeder_kw["CV-B"] == pytest.approx(1.9)
    assert not found.findings


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 100_000))
@example(774)  # where a search for the conducting diodes went in circles
@example(1569)
def test_dual_fed_loads_under_limits(seed: int) -> None:
    """Random feeders, cables and loads behind diodes: what is found balances, within limits, and no diode runs back."""
    rng = random.Random(seed)
    n = rng.randint(2, 4)
    branches = [Branch(f"w{i}", f"F{i}", f"B{i}", rng.uniform(0.005, 0.03)) for i in range(n)]
    held = {f"F{i}": rng.choice([28.0, 28.0, 27.8]) for i in range(n)}
    most = {f"F{i}": rng.choice([float("inf"), rng.uniform(20, 150)]) for i in range(n)}
    loads: dict[str, float] = {}
    for j in range(rng.randint(2, 7)):
        loads[f"L{j}"] = rng.uniform(50, 1200)
        for i in rng.sample(range(n), 2):
            branches.append(Branch(f"d{i}-{j}", f"B{i}", f"L{j}", 1e-6, one_way=True))
    flow = solve_dc(branches, held, loads, most)
    if not flow.operates:
        # Limits alone can starve it: then the currents of all feeders fall short, or some load's feeders do.
        assert flow.status in ("overloaded", "no operating point")
        free = solve_dc(branches, held, loads)
        assert not free.operates or any(free.given_w[f] > most[f] * held[f] for f in held)
        return
    balances(branches, held, loads, flow)
    for f in held:
        assert flow.given_w[f] <= most[f] * held[f] * (1 + 1e-6)
        assert flow.voltage_v[f] <= held[f] + 1e-6 or f"held:{f}" in flow.blocked
    assert all(flow.current_a[b.id] >= -1e-4 for b in branches if b.one_way)
