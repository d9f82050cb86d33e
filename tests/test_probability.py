"""Probabilities against published and recomputed values, each on a topology in the tool's own format.

The sources stand beside each check. "From memory" marks figures known from the named book without a copy at hand;
all of them were recomputed by brute force as well.
"""

from __future__ import annotations

import gc
import itertools
import math
import random
import warnings
from math import comb

import networkx as nx
import numpy as np
import pytest
import topohub
from likelihood_systems import (
    BRIDGE,
    HOURS,
    consecutive,
    k_of_n,
    leaping,
    network,
    rate,
    series_parallel,
    solve,
    unavailability,
)
from scipy.optimize import brentq

from powerfault.reliability.diagram_values import Evaluator
from powerfault.reliability.importance import fussell_vesely
from powerfault.reliability.probability import (
    esary_proschan,
    inclusion_exclusion,
    min_cut_upper_bound,
    rare_event_sum,
    union_probability,
)

TANK = {"T": 5e-6, "K2": 3e-5, "S": 1e-4, "S1": 3e-5, "K1": 3e-5, "R": 1e-4}
TANK_CUTS = [["T"], ["K2"], ["S", "S1"], ["S", "K1"], ["S", "R"]]


# ---- pressure tank: NUREG-0492, Fault Tree Handbook (1981), chapter VIII (from memory; arithmetic recomputed)


def tank() -> str:
    """The tank's tree as a feed: T and K2 in series, then S, or S1, K1 and R in series."""
    return series_parallel(TANK, ["T -> K2 -> S", "T -> K2 -> S1 -> K1 -> R"])


def test_pressure_tank() -> None:
    result = solve(tank())
    own = result.by_id["TOP"]
    assert own.over_mission is not None
    assert own.over_mission.at_end.low == pytest.approx(3.501584875e-5, rel=1e-9)
    cuts = [list(c) for c in TANK_CUTS]
    assert {frozenset(c.events) for c in own.cut_sets} == {frozenset(c) for c in cuts}
    assert rare_event_sum(cuts, TANK) == pytest.approx(3.5016e-5, rel=1e-12)
    assert union_probability(cuts, TANK) == pytest.approx(3.501584875e-5, rel=1e-9)
    assert min_cut_upper_bound(cuts, TANK) == pytest.approx(3.501584944e-5, rel=1e-9)
    total = rare_event_sum(cuts, TANK)
    assert 3e-5 / total == pytest.approx(0.85675, abs=5e-6)
    assert 5e-6 / total == pytest.approx(0.14279, abs=5e-6)
    shares = {c.events: c.share for c in own.cut_sets}
    assert shares["K2",] == pytest.approx(0.85675, abs=5e-5)  # here of the exact value, not of the sum
    assert shares["T",] == pytest.approx(0.14279, abs=5e-5)


# ---- the bridge: any text on system reliability (from memory; recomputed)


@pytest.mark.parametrize(("p", "reliability"), [(0.9, 0.97848), (0.95, 0.994780625), (0.99, 0.9997980498), (0.5, 0.5)])
def test_bridge(p: float, reliability: float) -> None:
    assert unavailability(network(BRIDGE, 1 - p, "s", "t"), "SINK") == pytest.approx(1 - reliability, rel=1e-9)
    assert 2 * p**2 + 2 * p**3 - 5 * p**4 + 2 * p**5 == pytest.approx(reliability, abs=1e-10)


BRIDGE_CUTS = [["E0", "E1"], ["E3", "E4"], ["E0", "E2", "E4"], ["E1", "E2", "E3"]]
BRIDGE_PATHS = [["E0", "E3"], ["E1", "E4"], ["E0", "E2", "E4"], ["E1", "E2", "E3"]]
TENTH = dict.fromkeys(("E0", "E1", "E2", "E3", "E4"), 0.1)


def test_bridge_cut_sets_and_working_subsets() -> None:
    result = solve(network(BRIDGE, 0.1, "s", "t"), order=5)
    own = result.by_id["SINK"]
    assert {frozenset(c.events) for c in own.cut_sets} == {frozenset(c) for c in BRIDGE_CUTS}
    failing = result.structure.failing["SINK"]
    level = {v.name: i for i, v in enumerate(result.structure.variables)}
    working = dict.fromkeys(range(6), 0)
    for size in range(6):
        for up in itertools.combinations(TENTH, size):
            working[size] += not failing.diagram.value(failing.lower, [level[e] for e in TENTH if e not in up])
    assert working == {0: 0, 1: 0, 2: 2, 3: 8, 4: 5, 5: 1}


def test_bridge_inclusion_and_exclusion() -> None:
    sums = list(inclusion_exclusion(BRIDGE_CUTS, TENTH))
    assert sums == pytest.approx([0.022, 0.02149, 0.02153, 0.02152], abs=1e-12)
    assert unavailability(network(BRIDGE, 0.1, "s", "t"), "SINK") == pytest.approx(0.02152, abs=1e-12)


def test_bridge_esary_proschan() -> None:
    """J. D. Esary and F. Proschan, Technometrics 5 (1963) (from memory; recomputed)."""
    low, high = esary_proschan(BRIDGE_CUTS, BRIDGE_PATHS, TENTH)
    assert low == pytest.approx(0.9781407801, abs=1e-10)
    assert high == pytest.approx(0.9973487799, abs=1e-10)
    assert low <= 1 - unavailability(network(BRIDGE, 0.1, "s", "t"), "SINK") <= high


def test_bridge_importance() -> None:
    found = {x.id: x for x in solve(network(BRIDGE, 0.1, "s", "t")).importance("SINK")}
    outer, middle = found["E0"], found["E2"]
    assert outer.birnbaum == pytest.approx(0.1062, abs=1e-12)
    assert middle.birnbaum == pytest.approx(0.0162, abs=1e-12)
    # 4 outer + 1 middle is the derivative of the reliability, .441 at p = .9
    assert sum(x.birnbaum for x in found.values()) == pytest.approx(0.441, abs=1e-12)
    assert (outer.fussell_vesely, middle.fussell_vesely) == pytest.approx((0.493494, 0.075279), abs=5e-7)
    assert (outer.risk_achievement, middle.risk_achievement) == pytest.approx((5.441450, 1.677509), abs=5e-7)
    assert (outer.risk_reduction, middle.risk_reduction) == pytest.approx((1.974312, 1.081407), abs=5e-7)


@pytest.mark.parametrize(
    ("convention", "outer", "middle"),
    [("whole", 0.493494, 0.075279), ("union", 0.506506, 0.092472), ("rare", 0.5, 0.090909)],
)
def test_bridge_fussell_vesely_by_three_conventions(convention: str, outer: float, middle: float) -> None:
    found = [fussell_vesely(BRIDGE_CUTS, TENTH, e, convention) for e in ("E0", "E2")]
    assert found == pytest.approx([outer, middle], abs=5e-7)


def test_an_unknown_convention_is_refused() -> None:
    with pytest.raises(ValueError, match="expected whole, union or rare"):
        fussell_vesely(BRIDGE_CUTS, TENTH, "E0", "usual")


def test_bridge_with_unequal_probabilities() -> None:
    """Components 1, 2 at s, 3 in the middle, 4, 5 at t with q = .01 .02 .03 .04 .05."""
    q = dict(enumerate([0.01, 0.02, 0.03, 0.04, 0.05]))
    assert unavailability(network(BRIDGE, q, "s", "t"), "SINK") == pytest.approx(0.002236284, abs=1e-12)


# ---- cross-tie toy (invented; recomputed)


def cross_tie(with_jumper: bool) -> str:
    q = {"SRC-A": 0.01, "BUS-A": 0.001, "SRC-B": 0.01, "BUS-B": 0.001, "JMP": 0.005}
    kinds = {"SRC-A": "source", "SRC-B": "source", "BUS-A": "bus", "BUS-B": "bus", "JMP": "jumper"}
    lines = ["powerfault: 1", "components:"]
    lines += [
        f"  {i}: {{kind: {kinds[i]}, failures_per_million_hours: {rate(x)!r}}}"
        for i, x in q.items()
        if with_jumper or i != "JMP"
    ]
    lines += ["feeds:", "  - SRC-A -> BUS-A", "  - SRC-B -> BUS-B"]
    lines += ["  - BUS-A <-> JMP <-> BUS-B"] if with_jumper else []
    return "\n".join([*lines, "loads: {L: {fed_by: [BUS-A]}}"])


def test_cross_tie() -> None:
    assert unavailability(cross_tie(False), "L") == pytest.approx(0.01099, abs=1e-12)
    own = solve(cross_tie(True)).by_id["L"]
    assert own.over_mission is not None
    assert own.over_mission.at_end.low == pytest.approx(0.0011591911495, abs=1e-14)
    expected = [{"BUS-A"}, {"SRC-A", "JMP"}, {"SRC-A", "BUS-B"}, {"SRC-A", "SRC-B"}]
    assert [set(c.events) for c in own.cut_sets] == sorted(expected, key=lambda c: -math.prod(
        {"SRC-A": 0.01, "BUS-A": 0.001, "SRC-B": 0.01, "BUS-B": 0.001, "JMP": 0.005}[e] for e in c
    ))  # fmt: skip
    assert sum(c.probability for c in own.cut_sets) == pytest.approx(0.00116, abs=1e-12)


# ---- k out of n, consecutive systems


@pytest.mark.parametrize(("k", "n", "p"), [(2, 3, 0.972), (2, 4, 0.9963), (3, 4, 0.9477), (3, 5, 0.99144)])
def test_k_out_of_n(k: int, n: int, p: float) -> None:
    own = solve(k_of_n(k, n, 0.1), order=5).by_id["L"]
    assert own.over_mission is not None
    assert own.over_mission.at_end.low == pytest.approx(1 - p, abs=1e-12)
    assert own.cut_set_count == comb(n, k - 1)


def closed_form(k: int, n: int, q: float) -> float:
    """Reliability of linear consecutive-k-out-of-n:F (from memory; recomputed)."""
    p = 1 - q

    def b(m: int) -> float:
        return sum((-1) ** j * comb(m - j * k, j) * (p * q**k) ** j for j in range(m // (k + 1) + 1)) if m >= 0 else 0

    return b(n) - q**k * b(n - k)


@pytest.mark.parametrize(
    ("n", "k", "linear", "circular"),
    [(5, 2, 0.96309, 0.95499), (10, 2, 0.919747224, 0.9120177099), (10, 3, 0.99270846, None)],
)
def test_consecutive(n: int, k: int, linear: float, circular: float | None) -> None:
    assert unavailability(consecutive(k, n, 0.1, circular=False), "ALL") == pytest.approx(1 - linear, abs=1e-12)
    assert unavailability(leaping(k, n, 0.1), "ALL") == pytest.approx(1 - linear, abs=1e-12)
    assert closed_form(k, n, 0.1) == pytest.approx(linear, abs=1e-12)
    if circular is not None:
        assert unavailability(consecutive(k, n, 0.1, circular=True), "ALL") == pytest.approx(1 - circular, abs=1e-12)


@pytest.mark.parametrize(("n", "states"), [(2, 3), (3, 5), (4, 8), (5, 13), (6, 21), (7, 34), (8, 55)])
def test_consecutive_pairs_count_fibonacci_states_and_their_cuts(n: int, states: int) -> None:
    """Working states of linear k = 2 are Fibonacci numbers; minimal cuts n - k + 1 in a line, n in a circle."""
    result = solve(consecutive(2, n, 0.5, circular=False), order=5)
    own = result.by_id["ALL"]
    assert own.over_mission is not None
    assert (1 - own.over_mission.at_end.low) * 2**n == pytest.approx(states, abs=1e-9)
    assert own.cut_set_count == n - 1
    if n > 2:
        assert solve(consecutive(2, n, 0.5, circular=True)).by_id["ALL"].cut_set_count == n


# ---- two-terminal networks at p = .9 (recomputed)


def ladder(n: int) -> nx.Graph:
    return nx.convert_node_labels_to_integers(nx.grid_2d_graph(2, n), ordering="sorted")


TERMINALS = [
    ("K3", nx.complete_graph(3), 0, 1, 0.981),
    ("K4", nx.complete_graph(4), 0, 1, 0.997848),
    ("K5", nx.complete_graph(5), 0, 1, 0.9997948026),
    ("6-cycle, opposite", nx.cycle_graph(6), 0, 3, 0.926559),
    ("2x3 ladder, opposite corners", ladder(3), 0, 5, 0.9587808),
    ("2x4 ladder, opposite corners", ladder(4), 0, 7, 0.94802250960),
    ("3-cube, opposite", nx.convert_node_labels_to_integers(nx.hypercube_graph(3)), 0, 7, 0.997045321824),
]


@pytest.mark.parametrize(("name", "graph", "s", "t", "p"), TERMINALS, ids=[x[0] for x in TERMINALS])
def test_two_terminals(name: str, graph: nx.Graph, s: int, t: int, p: float) -> None:
    assert unavailability(network(graph.edges, 0.1, s, t), "SINK") == pytest.approx(1 - p, abs=1e-12)


def test_two_terminals_of_a_published_network() -> None:
    """topohub's topozoo/Arpanet19706, pair 0 to 1 at p = .9 (recomputed)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # it leaves its file to the collector
        data = topohub.get("topozoo/Arpanet19706")
        gc.collect()
    graph = nx.Graph((int(e["source"]), int(e["target"])) for e in data["edges"])
    assert (graph.number_of_nodes(), graph.number_of_edges()) == (9, 10)
    found = unavailability(network(graph.edges, 0.1, 0, 1), "SINK")
    assert found == pytest.approx(1 - 0.7672833621, abs=1e-10)


CUT_COUNTS = [
    ("K4", nx.complete_graph(4), 0, 1, {3: 2, 4: 2}),
    ("K5", nx.complete_graph(5), 0, 1, None),
    ("8-cycle at 3", nx.cycle_graph(8), 0, 3, {2: 15}),
    ("2x3 ladder", ladder(3), 0, 5, {2: 4, 3: 5}),
    ("2x4 ladder", ladder(4), 0, 7, {2: 5, 3: 6, 4: 5}),
]


@pytest.mark.parametrize(("name", "graph", "s", "t", "sizes"), CUT_COUNTS, ids=[x[0] for x in CUT_COUNTS])
def test_counts_of_minimal_cuts(name: str, graph: nx.Graph, s: int, t: int, sizes: dict[int, int] | None) -> None:
    structure = solve(network(graph.edges, 0.1, s, t)).structure
    found = structure.minimal_cut_sets("SINK")
    counts = {k: sum(len(c) == k for c in found) for k in {len(c) for c in found}}
    if sizes is None:
        assert len(found) == 2 ** (graph.number_of_nodes() - 2)
    else:
        assert counts == sizes
    for cut in found:  # a certificate: it cuts, and no proper subset does
        edges = list(graph.edges)
        gone = [edges[int(v.name[1:])] for v in cut]
        less = graph.copy()
        less.remove_edges_from(gone)
        assert not nx.has_path(less, s, t)
        for edge in gone:
            less.add_edge(*edge)
            assert nx.has_path(less, s, t)
            less.remove_edge(*edge)


# ---- Moore and Shannon: Reliable Circuits Using Less Reliable Relays (1956) (from memory; recomputed)

SHAPES = {
    "two chains of two": (series_parallel(dict.fromkeys("ABCD", 0.3), ["A -> B", "C -> D"], "SINK"), 0.618034),
    "two stages of two": (
        "\n".join(
            [
                "powerfault: 1",
                "components: {SRC: {kind: source, can_fail: false}, M: {kind: bus, can_fail: false},",
                *(f"  {x}: {{kind: cable, failures_per_million_hours: {rate(0.3)!r}}}," for x in "ABCD"),
                "}",
                "feeds: [SRC -> A -> M, SRC -> B -> M, M -> C, M -> D]",
                "loads: {SINK: {fed_by: [C, D]}}",
            ]
        ),
        0.381966,
    ),
    "bridge": (network(BRIDGE, 0.3, "s", "t"), 0.5),
}


@pytest.mark.parametrize(("text", "fixed"), SHAPES.values(), ids=SHAPES)
def test_moore_shannon(text: str, fixed: float) -> None:
    structure = solve(text).structure
    own = structure.failing["SINK"]
    evaluate = Evaluator(own.diagram, [own.lower])
    n = len(structure.variables)

    def h(p: float) -> float:
        return 1.0 - float(evaluate(np.full(n, 1 - p))[0])

    assert brentq(lambda p: h(p) - p, 0.05, 0.95) == pytest.approx(fixed, abs=5e-7)
    grid = np.linspace(0.01, 0.99, 99)
    value, slope = evaluate.gradient(np.repeat(1 - grid[None, :], n, axis=0))
    reliability, steepness = 1 - value, slope.sum(axis=0)  # d(1 - U)/dp = dU/dq
    assert (grid * (1 - grid) * steepness >= reliability * (1 - reliability) - 1e-12).all()


# ---- common cause by the beta factor


def pair(beta: str) -> str:
    return "\n".join(
        [
            "powerfault: 1",
            "components:",
            *(f"  {x}: {{kind: source, failures_per_million_hours: {rate(9e-4)!r}}}" for x in "AB"),
            "loads: {L: {fed_by: [A, B]}}",
            f"common_causes: {{tray: {{members: [A, B], {beta}}}}}",
        ]
    )


def test_beta_factor() -> None:
    """The beta-factor model (read in a restatement; recomputed): Q = 1e-3, beta = .1, two items give 1.00809919e-4."""
    result = solve(pair(f"failures_per_million_hours: {rate(1e-4)!r}"))
    own = result.by_id["L"]
    assert own.over_mission is not None
    assert own.over_mission.at_end.low == pytest.approx(1.00809919e-4, rel=1e-9)
    assert sum(c.probability for c in own.cut_sets) == pytest.approx(1.00810e-4, rel=1e-9)
    assert [c.events for c in own.cut_sets] == [("cause tray",), ("A", "B")]


def test_beta_factor_as_a_share_of_rates_beside_the_independent_result() -> None:
    text = pair("beta: 0.1").replace(repr(rate(9e-4)), repr(rate(1e-3)))
    own = solve(text).by_id["L"]
    assert own.over_mission is not None
    assert own.independent is not None
    assert own.independent.low == pytest.approx(1e-6, rel=1e-9)
    # The share is taken of the rate and not of the probability: equal up to Q itself.
    assert own.over_mission.at_end.low == pytest.approx(1.00809919e-4, rel=1e-3)


# ---- capacity table (textbook, from memory; recomputed): units 3, 3 and 5 MW, outage probability .02


def test_capacity_outage_table() -> None:
    u = rate(0.02)
    text = "\n".join(
        [
            "powerfault: 1",
            "components:",
            *(f"  {x}: {{kind: source, failures_per_million_hours: {u!r}}}" for x in ("A", "B", "C")),
            "functions:",
            "  out-3: {of: [A, B, C], at_least: 3}",  # fails with 3 MW or more out
            "  one-small: {of: [A, B]}",
            "  out-5: {of: [one-small, C], at_least: 2}",
            "  out-6: {of: [A, B, C], at_least: 2}",
            "  both-small: {of: [A, B], at_least: 2}",
            "  out-8: {of: [both-small, C]}",
            "  out-11: {of: [A, B, C]}",
        ]
    )
    at_least = [1.0] + [unavailability(text, f"out-{x}") for x in (3, 5, 6, 8, 11)] + [0.0]
    exactly = [a - b for a, b in itertools.pairwise(at_least)]
    assert exactly == pytest.approx([0.941192, 0.038416, 0.019208, 0.000392, 0.000784, 0.000008], abs=1e-12)


def test_three_sources_of_which_two_are_needed() -> None:
    """3 x 5 kW, U = .02, load 10 kW: loss probability .001184 (recomputed)."""
    assert unavailability(k_of_n(2, 3, 0.02), "L") == pytest.approx(0.001184, abs=1e-12)


# ---- approximations bracket the exact value on random systems


@pytest.mark.parametrize("seed", range(40))
def test_partial_sums_bracket_the_exact_value(seed: int) -> None:
    rng = random.Random(seed)
    names = "ABCDEFGH"
    q = {x: rng.random() * 0.4 for x in names}
    cuts = [frozenset(rng.sample(names, rng.randint(1, 4))) for _ in range(rng.randint(2, 7))]
    cuts = [c for c in dict.fromkeys(cuts) if not any(d < c for d in cuts)]
    exact = union_probability(cuts, q)
    sums = list(inclusion_exclusion(cuts, q))
    for k, value in enumerate(sums):
        assert value >= exact - 1e-12 if k % 2 == 0 else value <= exact + 1e-12
    assert sums[-1] == pytest.approx(exact, abs=1e-12)
    assert max(math.prod(q[e] for e in c) for c in cuts) <= exact + 1e-15
    assert exact <= min_cut_upper_bound(cuts, q) + 1e-12 <= rare_event_sum(cuts, q) + 1e-11


def test_mission_hours_of_the_helpers() -> None:
    """The helper's rates give the probabilities named at the end of the mission, and half of it less."""
    text = k_of_n(1, 1, 0.3)
    assert unavailability(text, "L") == pytest.approx(0.3, abs=1e-14)
    assert unavailability(text, "L", HOURS / 2) == pytest.approx(1 - math.sqrt(0.7), abs=1e-14)
