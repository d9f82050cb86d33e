"""Benchmarks of the engine, as ratios measured in one run: ``python tests/bench/run.py [--quick] [--large]``.

What is timed, each the least of several runs of one process (CPU time):

* *verdicts*: numbering the topology, every case up to the order, verdict and minimal cut sets (by class) of every
  consumer, from a topology in memory;
* *written*: the same, and every case written out with the outcome of each consumer that is not uninterrupted in it;
* the loops: for a sample of the cases, the failed nodes deleted, and what the sources reach asked of igraph, rustworkx
  and networkx; the time of a case times the number of cases. These loops know neither stages nor needs nor charge;
* the limit: the count of 64-bit words that the evaluation combines with AND, OR and NOT, over the machine's rate of
  64-bit ORs in rows of 32 KB. The count is taken by running the same evaluation on rows that count.
"""

from __future__ import annotations

import argparse
import gc
import sys
import time
from collections.abc import Callable
from itertools import combinations
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.systems import COMPONENTS_PER_CHANNEL, channels_system
from powerfault.failures.cases import count_cases
from powerfault.failures.clusters import plan_system
from powerfault.failures.energise import energise
from powerfault.failures.lane_order import class_numbers
from powerfault.failures.outcomes import evaluate_system
from powerfault.model.elements import Topology
from powerfault.network.graph import build_network
from powerfault.tolerance.cutsets.direct import direct_cut_sets
from powerfault.tolerance.cutsets.enumerated import minimal_cut_sets
from powerfault.tolerance.study import study
from powerfault.tolerance.verdicts import rides_through_stages


def least(action: Callable[[], object], runs: int) -> float:
    """Return the least CPU time in seconds of some runs."""
    times = []
    for _ in range(runs):
        gc.collect()
        begun = time.process_time()
        action()
        times.append(time.process_time() - begun)
    return min(times)


def word_rate() -> float:
    """Return the 64-bit ORs a second of this machine, in rows of 32 KB."""
    a = np.random.default_rng(1).integers(0, 2**63, 4096, np.uint64)
    b, c = a[::-1].copy(), np.empty_like(a)
    repeats = 20_000

    def many() -> None:
        for _ in range(repeats):
            np.bitwise_or(a, b, out=c)

    return repeats * len(a) / least(many, 3)


class Counted:
    """A row of words that counts how many words are combined."""

    words = 0
    operations = 0

    def __init__(self, value: int) -> None:
        self.value = value

    def _count(self) -> None:
        Counted.words += WORDS[0]
        Counted.operations += 1

    def __and__(self, other: Counted) -> Counted:
        self._count()
        return Counted(self.value & other.value)

    def __or__(self, other: Counted) -> Counted:
        self._count()
        return Counted(self.value | other.value)

    def __invert__(self) -> Counted:
        self._count()
        return Counted(~self.value)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Counted) and self.value == other.value

    def __hash__(self) -> int:
        return hash(self.value)


WORDS = [0]


class CountedLanes:
    """Lanes of counted rows."""

    def __init__(self, count: int) -> None:
        self.zero, self.full = Counted(0), Counted((1 << count) - 1)
        WORDS[0] = -(-count // 64)

    def same(self, a: Counted, b: Counted) -> bool:
        return a is b or a.value == b.value


def count_words(topology: Topology, order: int) -> tuple[int, int]:
    """Return the words combined and the row operations of an evaluation, all its clusters together."""
    Counted.words = Counted.operations = 0
    for cluster in plan_system(build_network(topology), order).clusters:
        for begin, end in cluster.pieces:
            lanes = CountedLanes(end - begin)
            numbers = class_numbers(len(cluster.classes), order, begin, end)
            failed = {strike: Counted(n) for strike, n in zip(cluster.strikes, numbers, strict=True)}
            energise(cluster.plan, lanes, failed)
    return Counted.words, Counted.operations


def loops(topology: Topology, sample: int) -> dict[str, float]:
    """Return seconds a case of each library: delete two components, ask what the sources still reach."""
    import igraph
    import networkx as nx
    import rustworkx as rx

    network = build_network(topology)
    n = network.n_components + network.n_loads
    edges = [(a, b) for a, b in network.links]
    sources = [i for i in range(network.n_components) if network.component(i).is_source]
    root = n
    edges += [(root, s) for s in sources]
    rng = np.random.default_rng(5)
    pairs = [tuple(map(int, rng.choice(network.n_components, 2, replace=False))) for _ in range(sample)]
    ig = igraph.Graph(n + 1, edges, directed=True)
    rw = rx.PyDiGraph()
    rw.add_nodes_from(range(n + 1))
    rw.add_edges_from_no_data(edges)
    nx_graph = nx.DiGraph(edges)

    def with_igraph() -> None:
        for a, b in pairs:
            graph = ig.copy()
            graph.delete_edges(graph.incident(a) + graph.incident(b))
            graph.subcomponent(root, mode="out")

    def with_rustworkx() -> None:
        for a, b in pairs:
            graph = rw.copy()
            graph.remove_nodes_from([a, b])
            rx.descendants(graph, root)

    def with_networkx() -> None:
        for a, b in pairs[: max(1, sample // 10)]:
            graph = nx_graph.copy()
            graph.remove_nodes_from([a, b])
            nx.descendants(graph, root)

    return {
        "igraph": least(with_igraph, 2) / len(pairs),
        "rustworkx": least(with_rustworkx, 2) / len(pairs),
        "networkx": least(with_networkx, 1) / max(1, sample // 10),
    }


def cut_set_libraries(topology: Topology) -> None:
    """Minimal cut sets up to order 3 of one load: this engine, a SAT hitting-set enumerator, a decision diagram."""
    from dd.autoref import BDD
    from pysat.examples.hitman import Hitman

    network = build_network(topology)
    load = network.n_components + 1
    paths: list[frozenset[int]] = []

    def walk(v: int, seen: frozenset[int]) -> None:
        if v < network.n_components and network.component(v).is_source:
            paths.append(seen)
            return
        for u in network.upstream[v]:
            # The normally open tie is left out of all three: these methods know no stages.
            if u not in seen and not network.component(u).normally_open:
                walk(u, seen | {u})

    walk(load, frozenset())

    def with_hitman() -> int:
        count = 0
        with Hitman(bootstrap_with=[sorted(p) for p in paths], htype="sorted") as solver:
            for hit in solver.enumerate():
                if len(hit) > 3:
                    break
                count += 1
        return count

    def with_bdd() -> int:
        bdd = BDD()
        used = sorted(set().union(*paths))
        bdd.declare(*(f"x{v}" for v in used))
        works = bdd.false
        for path in paths:
            way = bdd.true
            for v in path:
                way &= bdd.var(f"x{v}")
            works |= way
        count = 0
        for k in range(1, 4):
            for failed in combinations(used, k):
                count += bdd.let({f"x{v}": False for v in failed}, works) == bdd.false
        return count

    system = plan_system(network, 3)
    rides = rides_through_stages(topology)
    ours = least(lambda: direct_cut_sets(system, rides), 2) / len(rides)
    print(f"  cut sets up to order 3 of one load: directly {ours * 1e3:.2f} ms (mean of all {len(rides)} consumers)")
    print(f"    SAT hitting sets over {len(paths)} paths: {least(with_hitman, 1) / ours:,.0f} x that")
    print(f"    BDD restricted case by case: {least(with_bdd, 1) / ours:,.0f} x that")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="small sizes alone")
    parser.add_argument("--large", action="store_true", help="10,000 components too")
    options = parser.parse_args()
    rate = word_rate()
    print(f"64-bit ORs in rows of 32 KB: {rate / 1e9:.2f}e9 a second")
    sizes = [150, 450] if options.quick else [150, 450, 1250] + [10_000] * options.large
    for size in sizes:
        topology = channels_system(size // COMPONENTS_PER_CHANNEL)
        network = build_network(topology)
        system = plan_system(network, 2)
        cases = sum(count_cases(system.events, 2)[1:])
        runs = 3 if size > 2000 else 7
        seconds = least(lambda t=topology: study(t, 2, limit=None), runs)  # type: ignore[misc]
        per_case = loops(topology, 40 if size > 2000 else 400)
        fastest = min(per_case["igraph"], per_case["rustworkx"])
        words, operations = count_words(topology, 2)
        print(f"{size:,} components, {len(topology.loads)} loads, {cases:,} singles and doubles:")
        print(f"  verdicts and cut sets {seconds:.4f} s; {system.lane_count:,} combinations evaluated")
        for name, one in per_case.items():
            print(f"    {name} looping over the cases: {one * cases:,.0f} s, {one * cases / seconds:,.0f} x that")
        print(f"    faster of igraph and rustworkx: {fastest * cases / seconds:,.0f} x")
        print(f"  words combined {words:,} in {operations:,} row operations: limit {words / rate * 1e3:.3f} ms")
        if size <= 2000:

            def written(system=system) -> None:  # type: ignore[no-untyped-def]
                for _ in evaluate_system(system).touched():
                    pass

            print(f"  every case's outcomes written out {least(written, 3):.3f} s")
        alone = least(lambda t=topology: study(t, 1, limit=None), runs)  # type: ignore[misc]
        print(f"  order 1, {len(system.events):,} cases, verdicts and cut sets: {alone:.4f} s")
        begun = time.process_time()
        table = evaluate_system(plan_system(network, 3)) if size <= 450 else None
        if table is not None:
            minimal_cut_sets(table, rides_through_stages(topology))
            print(f"  order 3, {sum(count_cases(system.events, 3)[1:]):,} cases: {time.process_time() - begun:.2f} s")
        else:
            found = study(topology, 3, cut_sets_only=True, limit=None)
            print(f"  order 3, {found.case_count:,} cases, cut sets only: {time.process_time() - begun:.2f} s")
        if size == 150:
            cut_set_libraries(topology)
    print("growth: twice the channels, all singles and doubles")
    before: tuple[float, float] | None = None
    for channels in (6, 12, 24) if options.quick else (6, 12, 24, 48):
        topology = channels_system(channels)
        system = plan_system(build_network(topology), 2)
        verdicts = least(lambda t=topology: study(t, 2, limit=None), 5)  # type: ignore[misc]

        def all_written(system=system) -> None:  # type: ignore[no-untyped-def]
            for _ in evaluate_system(system).touched():
                pass

        out = least(all_written, 2)
        ratio = f"; x {verdicts / before[0]:.2f} and x {out / before[1]:.2f}" if before else ""
        print(f"  {channels * 50:,} components: verdicts {verdicts:.4f} s, written out {out:.3f} s{ratio}")
        before = verdicts, out


if __name__ == "__main__":
    main()
