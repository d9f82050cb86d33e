"""Cut sets and single points of failure against graph theory, other libraries and published figures.

Two ways to write a graph as a power system: its edges as cables that fail between buses that do not, or its nodes as
buses that fail with ideal links between them. A consumer is lost when no path from the source is left, so its single
points of failure are dominators, and its minimal cut sets are the minimal hitting sets of the paths.

"Recomputed" beside a figure means that it was got by brute force outside this project.
"""

from __future__ import annotations

import random
import warnings
from collections import Counter
from collections.abc import Iterable
from itertools import combinations, pairwise
from math import comb
from typing import Any

import networkx as nx
import pytest
import rustworkx as rx
import topohub
from build import topology
from pysat.examples.hitman import Hitman

from powerfault.model.elements import Topology
from powerfault.model.reader import read_topology_text
from powerfault.tolerance.comparison.study import compare
from powerfault.tolerance.study import study

Cuts = set[frozenset[str]]


def edges_as_cables(graph: nx.Graph, root: Any, targets: Iterable[Any]) -> Topology:
    """Undirected edges as cables ``K0``, ``K1``, ... between buses that do not fail; a load at each target."""
    name = {v: f"B{n}" for n, v in enumerate(graph)}
    parts: dict[str, Any] = {"SRC": {"kind": "source", "can_fail": False}}
    parts |= {b: {"kind": "bus", "can_fail": False} for b in name.values()}
    parts |= {f"K{n}": "cable" for n in range(graph.number_of_edges())}
    feeds = [f"SRC -> {name[root]}"]
    feeds += [f"{name[a]} <-> K{n} <-> {name[b]}" for n, (a, b) in enumerate(graph.edges)]
    return topology(parts, feeds, loads={f"L{list(graph).index(v)}": name[v] for v in targets})


def nodes_as_buses(
    graph: nx.Graph | nx.DiGraph, root: Any, targets: Iterable[Any], solid: Iterable[Any] = ()
) -> Topology:
    """Nodes as buses ``B0``, ``B1``, ... that fail, but for those in ``solid``; a load at each target."""
    name = {v: f"B{n}" for n, v in enumerate(graph)}
    solid = set(solid)
    arrow = "->" if graph.is_directed() else "<->"
    parts: dict[str, Any] = {"SRC": {"kind": "source", "can_fail": False}}
    parts |= {b: {"kind": "bus", "can_fail": v not in solid} for v, b in name.items()}
    feeds = [f"SRC -> {name[root]}", *(f"{name[a]} {arrow} {name[b]}" for a, b in graph.edges)]
    return topology(parts, feeds, loads={f"L{list(graph).index(v)}": name[v] for v in targets})


def cuts_of(system: Topology, order: int) -> dict[str, Cuts]:
    found = study(system, order=order)
    return {v.id: {frozenset(e.id for e in cut) for cut in v.minimal_cut_sets} for v in found.verdicts}


def hitting_sets(path_sets: list[list[str]], largest: int) -> Cuts:
    """All minimal hitting sets of at most ``largest`` members, by a SAT solver."""
    found: Cuts = set()
    with Hitman(bootstrap_with=path_sets, htype="sorted") as hitman:
        for hit in hitman.enumerate():
            if len(hit) > largest:
                break
            found.add(frozenset(hit))
    return found


def cable_paths(graph: nx.Graph, root: Any, target: Any) -> list[list[str]]:
    name = {frozenset(e): f"K{n}" for n, e in enumerate(graph.edges)}
    return [[name[frozenset(e)] for e in pairwise(path)] for path in nx.all_simple_paths(graph, root, target)]


def random_digraph(seed: int) -> nx.DiGraph:
    rng = random.Random(seed)
    n = rng.randint(6, 30)
    graph = nx.gnp_random_graph(n, rng.choice([1.2, 1.8, 2.5]) / n, seed=seed, directed=True)
    tree = [(rng.randrange(v), v) for v in range(1, n)]  # all reachable from 0
    graph.add_edges_from(tree)
    return graph


# Single points of failure are dominators


def dominators_by_networkx(graph: nx.DiGraph, root: Any) -> dict[Any, set[Any]]:
    above = dict(nx.immediate_dominators(graph, root))
    above.pop(root, None)  # some versions give the root itself, some leave it out
    found = {}
    for v in graph:
        chain, here = {v}, v
        while here in above:
            here = above[here]
            chain.add(here)
        found[v] = chain
    return found


def dominators_by_rustworkx(graph: nx.DiGraph, root: Any) -> dict[Any, set[Any]]:
    nodes = list(graph)
    g = rx.PyDiGraph()
    g.add_nodes_from(nodes)
    g.add_edges_from_no_data([(nodes.index(a), nodes.index(b)) for a, b in graph.edges])
    above = rx.immediate_dominators(g, nodes.index(root))
    found = {}
    for v in range(len(nodes)):
        chain, here = {v}, v
        while above[here] != here:
            here = above[here]
            chain.add(here)
        found[nodes[v]] = {nodes[i] for i in chain}
    return found


def single_points(graph: nx.Graph | nx.DiGraph, root: Any) -> dict[Any, set[Any]]:
    nodes = list(graph)
    singles = cuts_of(nodes_as_buses(graph, root, nodes), 1)
    return {v: {nodes[int(next(iter(c))[1:])] for c in singles[f"L{n}"]} for n, v in enumerate(nodes)}


@pytest.mark.parametrize("seed", range(40))
def test_single_points_are_dominators(seed: int) -> None:
    graph = random_digraph(seed)
    found = single_points(graph, 0)
    assert found == dominators_by_networkx(graph, 0)
    assert found == dominators_by_rustworkx(graph, 0)


def test_lengauer_tarjan_graph() -> None:
    # Lengauer and Tarjan (1979), the graph of their figure 1, from memory; dominators recomputed.
    arcs = {
        "R": "ABC", "A": "D", "B": "ADE", "C": "FG", "D": "L", "E": "H", "F": "I", "G": "IJ", "H": "EK", "I": "K",
        "J": "I", "K": "RI", "L": "H",
    }  # fmt: skip
    graph = nx.DiGraph((a, b) for a, bs in arcs.items() for b in bs)
    found = single_points(graph, "R")
    above = {"F": "C", "G": "C", "J": "G", "L": "D"}
    for v in graph:
        chain, here = {v, "R"}, v
        while here in above:
            here = above[here]
            chain.add(here)
        assert found[v] == chain, v
    assert found == dominators_by_networkx(graph, "R")


# Minimal cut sets


@pytest.mark.parametrize("seed", range(25))
def test_cut_sets_of_cables_equal_sat_hitting_sets(seed: int) -> None:
    rng = random.Random(seed)
    graph = nx.gnm_random_graph(rng.randint(5, 8), rng.randint(7, 13), seed=seed)
    root, *targets = sorted(nx.node_connected_component(graph, 0))
    found = cuts_of(edges_as_cables(graph, root, targets), 3)
    for target in targets:
        paths = cable_paths(graph, root, target)
        assert found[f"L{target}"] == hitting_sets(paths, 3)


@pytest.mark.parametrize("seed", range(25))
def test_cut_sets_of_buses_equal_sat_hitting_sets(seed: int) -> None:
    graph = random_digraph(seed + 100)
    graph.remove_nodes_from([v for v in graph if v > 11])
    targets = list(graph)[1:]
    found = cuts_of(nodes_as_buses(graph, 0, targets), 3)
    for n, target in enumerate(graph):
        if target in targets:
            paths = [[f"B{list(graph).index(v)}" for v in path] for path in nx.all_simple_paths(graph, 0, target)]
            assert found[f"L{n}"] == hitting_sets(paths, 3)


def connected_without(graph: nx.Graph, cut: Iterable[Any], root: Any, target: Any, edges: bool) -> bool:
    rest = graph.copy()
    rest.remove_edges_from(cut) if edges else rest.remove_nodes_from(cut)
    return root in rest and target in rest and nx.has_path(rest, root, target)


@pytest.mark.parametrize("seed", range(12))
def test_cut_sets_of_order_two_equal_networkx_removal(seed: int) -> None:
    rng = random.Random(seed)
    graph = nx.connected_watts_strogatz_graph(rng.randint(10, 18), 3 + seed % 2, 0.4, seed=seed)
    root, target = rng.sample(list(graph), 2)
    edges = list(graph.edges)
    singles = {frozenset({e}) for e in edges if not connected_without(graph, [e], root, target, True)}
    doubles = {
        frozenset(pair)
        for pair in combinations(edges, 2)
        if not any(s <= frozenset(pair) for s in singles) and not connected_without(graph, pair, root, target, True)
    }
    found = cuts_of(edges_as_cables(graph, root, [target]), 2)[f"L{list(graph).index(target)}"]
    assert found == {frozenset(f"K{edges.index(e)}" for e in cut) for cut in singles | doubles}


@pytest.mark.parametrize("seed", range(12))
def test_smallest_cut_is_the_number_of_disjoint_paths(seed: int) -> None:
    # Menger: as many disjoint paths as the smallest cut has members; a consumer tolerates one failure fewer.
    rng = random.Random(seed)
    graph = nx.connected_watts_strogatz_graph(9, 4, 0.5, seed=seed)
    root, target = rng.sample(list(graph), 2)
    paths = len(list(nx.edge_disjoint_paths(graph, root, target)))
    found = study(edges_as_cables(graph, root, [target]), order=5)
    (verdict,) = found.verdicts
    assert (verdict.tolerates, verdict.lower_bound) == (paths - 1, False)


BRIDGE = nx.Graph([("s", "a"), ("s", "b"), ("a", "b"), ("a", "t"), ("b", "t")])


def test_bridge() -> None:
    # The five-element bridge of the reliability textbooks (from memory; recomputed): cuts, and working states by size.
    system = edges_as_cables(BRIDGE, "s", "t")
    edges = [frozenset(e) for e in BRIDGE.edges]
    number = {frozenset(e): n for n, e in enumerate([("s", "a"), ("s", "b"), ("a", "b"), ("a", "t"), ("b", "t")], 1)}
    order = {f"K{n}": number[e] for n, e in enumerate(edges)}
    (cuts,) = cuts_of(system, 5).values()
    assert {frozenset(order[k] for k in cut) for cut in cuts} == {
        frozenset(c) for c in ({1, 2}, {4, 5}, {1, 3, 5}, {2, 3, 4})
    }
    failing = Counter(len(failed) for failed, outcomes in study(system, order=5).iter_cases() if outcomes)
    assert {5 - lost: comb(5, lost) - failing[lost] for lost in range(6)} == {0: 0, 1: 0, 2: 2, 3: 8, 4: 5, 5: 1}


@pytest.mark.parametrize(("k", "n"), [(2, 3), (2, 4), (3, 4), (3, 5), (1, 4), (4, 4)])
def test_k_out_of_n(k: int, n: int) -> None:
    # k-out-of-n:G has C(n, k-1) minimal cuts, each of n-k+1; as a function, a component and a load that counts feeds.
    sources = [f"S{i}" for i in range(n)]
    system = topology(
        dict.fromkeys(sources, "source") | {"G": {"kind": "bus", "feeds_needed": k, "can_fail": False}},
        [f"{s} -> G" for s in sources],
        loads={"A": {"fed_by": " ".join(sources), "feeds_needed": k}, "B": "G"},
        functions={"C": {"of": " ".join(sources), "at_least": k}},
    )
    expected = {frozenset(c) for c in combinations(sources, n - k + 1)}
    assert len(expected) == comb(n, k - 1)
    assert cuts_of(system, n) == {"A": expected, "B": expected, "C": expected}


@pytest.mark.parametrize(("n", "states"), [(2, 3), (3, 5), (4, 8), (5, 13), (6, 21), (7, 34), (8, 55)])
def test_consecutive_two_out_of_n(n: int, states: int) -> None:
    # Consecutive-2-out-of-n:F (from memory; recomputed): linear n-1 cuts, circular n, Fibonacci many working states.
    parts = [f"S{i}" for i in range(n)]
    pairs = {f"P{i}": f"S{i} S{(i + 1) % n}" for i in range(n if n > 2 else n - 1)}
    linear = [p for p in pairs if p != f"P{n - 1}"]
    system = topology(
        dict.fromkeys(parts, "source"),
        loads={"L": parts[0]},
        functions=pairs
        | {
            "line": {"of": " ".join(linear), "at_least": len(linear)},
            "circle": {"of": " ".join(pairs), "at_least": len(pairs)},
        },
    )
    cuts = cuts_of(system, n)
    assert cuts["line"] == {frozenset({f"S{i}", f"S{i + 1}"}) for i in range(n - 1)}
    assert len(cuts["circle"]) == (n if n > 2 else 1)
    failing = sum("line" in outcomes for _, outcomes in study(system, order=n).iter_cases())
    assert 2**n - failing == states


@pytest.mark.parametrize("n", [3, 4, 5])
def test_complete_graph(n: int) -> None:
    # 2^(n-2) minimal cuts between two nodes of K_n (recomputed); K4: two of order 3, two of order 4.
    (cuts,) = cuts_of(edges_as_cables(nx.complete_graph(n), 0, [n - 1]), 6).values()
    assert len(cuts) == 2 ** (n - 2)
    if n == 4:
        assert Counter(map(len, cuts)) == {3: 2, 4: 2}


@pytest.mark.parametrize("n", [4, 5, 6, 9])
def test_cycle(n: int) -> None:
    # d(n-d) minimal cuts at distance d, all of order 2 (recomputed).
    cuts = cuts_of(edges_as_cables(nx.cycle_graph(n), 0, range(1, n)), 3)
    for d in range(1, n):
        assert Counter(map(len, cuts[f"L{d}"])) == {2: d * (n - d)}


@pytest.mark.parametrize(("length", "sizes"), [(3, {2: 4, 3: 5}), (4, {2: 5, 3: 6, 4: 5})])
def test_ladder_between_opposite_corners(length: int, sizes: dict[int, int]) -> None:
    # 2x3: 9 cuts, four of two and five of three; 2x4: 16, five, six and five of two, three and four (recomputed).
    graph = nx.grid_2d_graph(2, length)
    (cuts,) = cuts_of(edges_as_cables(graph, (0, 0), [(1, length - 1)]), 5).values()
    assert Counter(map(len, cuts)) == sizes


@pytest.mark.parametrize(("chains", "length"), [(2, 3), (3, 2), (2, 5), (3, 3)])
def test_chains_in_parallel_and_stages_in_series(chains: int, length: int) -> None:
    # n parallel chains of m: m^n cuts of order n; m stages of n in parallel: m cuts of order n (recomputed).
    parts: dict[str, Any] = {"SRC": {"kind": "source", "can_fail": False}}
    feeds, ends = [], []
    for c in range(chains):
        names = [f"K{c}-{i}" for i in range(length)]
        parts |= dict.fromkeys(names, "cable")
        feeds.append(" -> ".join(["SRC", *names]))
        ends.append(names[-1])
    (cuts,) = cuts_of(topology(parts, feeds, loads={"L": " ".join(ends)}), chains).values()
    assert Counter(map(len, cuts)) == {chains: length**chains}

    parts = {"SRC": {"kind": "source", "can_fail": False}}
    feeds, before = [], "SRC"
    for i in range(length):
        parts[f"N{i}"] = {"kind": "bus", "can_fail": False}
        for c in range(chains):
            parts[f"K{i}-{c}"] = "cable"
            feeds.append(f"{before} -> K{i}-{c} -> N{i}")
        before = f"N{i}"
    (cuts,) = cuts_of(topology(parts, feeds, loads={"L": before}), chains + 1).values()
    assert Counter(map(len, cuts)) == {chains: length}


# Published graphs


def test_petersen_graph() -> None:
    # Node connectivity 3 and exactly 10 minimum node cuts, the neighbourhoods of its nodes (recomputed).
    graph = nx.petersen_graph()
    found: Cuts = set()
    for root in graph:
        targets = [v for v in graph if v != root and v not in graph[root]]
        for target in targets:
            system = nodes_as_buses(graph, root, [target], solid=[root, target])
            (cuts,) = cuts_of(system, 3).values()
            assert min(map(len, cuts)) == 3
            found |= cuts
    assert found == {frozenset(f"B{v}" for v in graph[u]) for u in graph}
    assert found == {frozenset(f"B{v}" for v in cut) for cut in nx.all_node_cuts(graph)}
    assert len(found) == 10


def telecom(name: str) -> nx.Graph:
    """A graph of the topohub collection under neutral names: nodes by number alone."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # it leaves its file to the collector
        data = topohub.get(name)
    graph = nx.Graph()
    graph.add_nodes_from(range(len(data["nodes"])))
    graph.add_edges_from((int(e["source"]), int(e["target"])) for e in data["edges"])
    return graph


PUBLISHED = {
    # name: (graph, nodes, edges, articulation points, bridges); networkx generators and topohub 1.5.1, recomputed
    "karate": (nx.karate_club_graph, 34, 78, 1, 1),
    "florentine": (nx.florentine_families_graph, 15, 20, 4, 5),
    "les miserables": (nx.les_miserables_graph, 77, 254, 8, 18),
    "krackhardt kite": (nx.krackhardt_kite_graph, 10, 18, 2, 2),
    "tutte": (nx.tutte_graph, 46, 69, 0, 0),
    "dodecahedral": (nx.dodecahedral_graph, 20, 30, 0, 0),
    "truncated cube": (nx.truncated_cube_graph, 24, 36, 0, 0),
    "icosahedral": (nx.icosahedral_graph, 12, 30, 0, 0),
    "sndlib/polska": (lambda: telecom("sndlib/polska"), 12, 18, 0, 0),
    "sndlib/germany50": (lambda: telecom("sndlib/germany50"), 50, 88, 0, 0),
    "topozoo/Arpanet19706": (lambda: telecom("topozoo/Arpanet19706"), 9, 10, 3, 2),
    "gabriel/500/0": (lambda: telecom("gabriel/500/0"), 500, 982, 4, 4),
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_articulation_points_and_bridges(name: str) -> None:
    # Seen from a root: a node is an articulation point if it is a single point of failure of another node, a cable a
    # bridge if it is one of any. The root is chosen not to be an articulation point itself.
    make, nodes, edges, points, bridges = PUBLISHED[name]
    graph = nx.convert_node_labels_to_integers(make())
    assert (graph.number_of_nodes(), graph.number_of_edges()) == (nodes, edges)
    expected = set(nx.articulation_points(graph))
    assert len(expected) == points
    root = next(v for v in graph if v not in expected)
    assert {p for v, found in single_points(graph, root).items() for p in found if p not in (v, root)} == expected

    targets = [v for v in graph if v != root]
    cuts = cuts_of(edges_as_cables(graph, root, targets), 1)
    all_edges = list(graph.edges)
    found = {frozenset(all_edges[int(next(iter(c))[1:])]) for own in cuts.values() for c in own}
    assert found == {frozenset(e) for e in nx.bridges(graph)}
    assert len(found) == bridges
    if name == "topozoo/Arpanet19706":
        assert expected == {3, 4, 8}
        assert found == {frozenset({0, 8}), frozenset({3, 4})}


def test_all_pairs_of_cables_of_a_published_network() -> None:
    # 12 nodes, 18 edges: every minimal cut set of cables up to order 3, for every node, against SAT.
    graph = telecom("sndlib/polska")
    cuts = cuts_of(edges_as_cables(graph, 0, list(graph)[1:]), 3)
    for target in list(graph)[1:]:
        assert cuts[f"L{target}"] == hitting_sets(cable_paths(graph, 0, target), 3)


def test_pairs_of_buses_of_a_published_network() -> None:
    # 50 nodes, 88 edges: every pair of nodes that separates, against removal in networkx.
    graph = telecom("sndlib/germany50")
    inner = [v for v in graph if v != 0]
    lost: dict[int, Cuts] = {v: set() for v in graph}
    for pair in combinations(inner, 2):
        rest = graph.copy()
        rest.remove_nodes_from(pair)
        for v in set(rest) - nx.node_connected_component(rest, 0):
            lost[v].add(frozenset(f"B{x}" for x in pair))
    cuts = cuts_of(nodes_as_buses(graph, 0, list(graph), solid=[0]), 2)
    for v in inner:
        # Without articulation points a node's only single point is itself, and no pair with it is minimal.
        assert cuts[f"L{v}"] == lost[v] | {frozenset({f"B{v}"})}


# By hand


RING = """
powerfault: 1
name: four buses in a ring
components:
  S: {kind: source}
  B1: {kind: bus}
  B2: {kind: bus}
  B3: {kind: bus}
  B4: {kind: bus}
  K12: {kind: cable}
  K23: {kind: cable}
  K34: {kind: cable}
  K41: {kind: cable}
feeds:
  - S -> B1
  - B1 <-> K12 <-> B2 <-> K23 <-> B3 <-> K34 <-> B4 <-> K41 <-> B1
loads:
  L1: {fed_by: [B1]}
  L2: {fed_by: [B2]}
  L3: {fed_by: [B3]}
"""


def sets(*cuts: str) -> Cuts:
    return {frozenset(c.split()) for c in cuts}


def test_four_bus_ring_by_hand() -> None:
    found = cuts_of(read_topology_text(RING), 2)
    assert found["L1"] == sets("S", "B1")
    # The short way round to B2 is K12; the long way is K41 B4 K34 B3 K23. One of each way, and what both ways share.
    assert found["L2"] == sets("S", "B1", "B2", "K12 K41", "K12 B4", "K12 K34", "K12 B3", "K12 K23")
    # To B3: K12 B2 K23 one way, K41 B4 K34 the other: three times three.
    pairs = [f"{a} {b}" for a in ("K12", "B2", "K23") for b in ("K41", "B4", "K34")]
    assert found["L3"] == sets("S", "B1", "B3", *pairs)


def test_four_bus_ladder_by_hand() -> None:
    # Two rails A1-A2 and B1-B2 with a source each and two rungs; each load hangs on a far bus, or on both.
    system = topology(
        {"SA": "source", "SB": "source", "A1": "bus", "A2": "bus", "B1": "bus", "B2": "bus",
         "KA": "cable", "KB": "cable", "R1": "cable", "R2": "cable"},
        ["SA -> A1 <-> KA <-> A2", "SB -> B1 <-> KB <-> B2", "A1 <-> R1 <-> B1", "A2 <-> R2 <-> B2"],
        loads={"LA": "A2", "LAB": "A2 B2"},
    )  # fmt: skip
    found = cuts_of(system, 3)
    # The ways to A2 share A2 and are SA A1 KA; SB B1 R1 A1 KA; SB B1 KB B2 R2; SA A1 R1 B1 KB B2 R2.
    # A1 lies in all but the third; KA in the first two; without both of those SA must go for the first.
    with_a1 = ["A1 SB", "A1 B1", "A1 KB", "A1 B2", "A1 R2"]
    with_ka = ["KA B1", "KA KB", "KA B2", "KA R2", "KA SB R1"]
    with_sa = ["SA SB", "SA B1", "SA R1 KB", "SA R1 B2", "SA R1 R2"]
    assert found["LA"] == sets("A2", *with_a1, *with_ka, *with_sa)
    # To either of A2 and B2: SA A1 KA A2; SB B1 KB B2; SB B1 R1 A1 KA A2; SA A1 R1 B1 KB B2. The far rung R2 joins two
    # that are reached already, so it is in no cut; KA and A2 are alike, and so are KB and B2.
    with_a1 = ["A1 SB", "A1 B1", "A1 KB", "A1 B2"]
    with_end = ["{} B1", "{} KB", "{} B2", "{} SB R1"]
    with_sa = ["SA SB", "SA B1", "SA R1 KB", "SA R1 B2"]
    assert found["LAB"] == sets(*with_a1, *(c.format(end) for end in ("KA", "A2") for c in with_end), *with_sa)


def test_two_buses_that_feed_each_other_stay_dead() -> None:
    # The beginner's trap: a tie both ways makes a loop, and a loop is no source.
    system = topology(
        {"SA": "source", "SB": "source", "A": "bus", "B": "bus", "T": "switch"},
        ["SA -> A <-> T <-> B", "SB -> B"],
        loads={"LA": "A", "LB": "B"},
    )
    found = cuts_of(system, 3)
    assert found["LA"] == sets("A", "SA SB", "SA T", "SA B")
    assert found["LB"] == sets("B", "SA SB", "SB T", "SB A")


def test_a_battery_whose_only_charger_is_gone_is_no_tolerance() -> None:
    def system(charger: str) -> Topology:
        return topology(
            {
                "PV": {"kind": "source", "capacity_kw": {"sunlit": 5.0}},
                "RTG": "source",
                "BUS": "bus",
                "BAT": {"kind": "storage", "charged_by": charger},
            },
            ["PV -> BUS", "BAT -> BUS"],
            loads={"L": {"fed_by": "BUS BAT", "must_tolerate": 1}},
            phases="sunlit dark",
        )

    def singles(charger: str) -> set[str]:
        found = study(system(charger), order=1).verdict("L")
        assert found.meets is False
        return {str(*c) for c in found.minimal_cut_sets}

    # Charged by the bus that PV alone feeds: PV is a single point, by day as well as by night.
    assert singles("BUS") == {"PV", "BAT", "BUS"}
    # Charged from elsewhere it makes up for PV and BUS; at night it is alone, and so is what charges it.
    assert singles("RTG") == {"BAT", "RTG"}


def test_a_hand_fitted_jumper_is_never_credited_to_the_uninterruptible() -> None:
    # Doerry and Amy (2011), quality of service: an interruption counts only when longer than the load bears. A jumper
    # that the crew mates comes hours later: it raises the tolerance of a load that bears that, and of no other.
    sides: dict[str, Any] = {"SA": "source", "SB": "source", "A": "bus", "B": "bus"}
    loads = {
        stage.upper(): {"fed_by": "A", "rides_through": stage}
        for stage in ("uninterrupted", "automatic", "commanded", "manual")
    }
    before = topology(sides, ["SA -> A", "SB -> B"], loads=loads)
    jumper = {"J": {"kind": "jumper", "mated": False, "crew_may_mate": True}}
    after = topology(sides | jumper, ["SA -> A", "SB -> B", "A <-> J <-> B"], loads=loads)
    change = compare(before, after, order=1)
    for load in ("UNINTERRUPTED", "AUTOMATIC", "COMMANDED"):
        assert change.change(load).cases["cured"] == ()
        assert [str(*c) for c in change.change(load).cases["eased"]] == ["SA"]
        assert change.change(load).gone == ()
    assert [str(*c) for c in change.change("MANUAL").cases["cured"]] == ["SA"]
    assert [str(*c) for c in change.change("MANUAL").gone] == ["SA"]
