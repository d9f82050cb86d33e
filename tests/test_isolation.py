"""Making a work site dead: what counts as open, the least harmful choice, and what stands against the work."""

from __future__ import annotations

import json
import random
from itertools import combinations
from pathlib import Path

import networkx as nx
import pytest
from build import topology
from random_topologies import random_topology
from reference import System

from powerfault.cli import main
from powerfault.errors import ModelError, RequestError
from powerfault.fitting.isolation.choice import harm_of
from powerfault.fitting.isolation.not_served import HeldOpen
from powerfault.fitting.isolation.open_points import WorkSite, find_work_site
from powerfault.fitting.isolation.steps import sheet_steps
from powerfault.fitting.isolation.study import IsolationStudy, study_isolation, with_what_was
from powerfault.model.elements import OUTCOMES, Event, Proposal, Topology
from powerfault.model.modify import apply_proposals
from powerfault.model.open_point_rules import OpenPointRules, read_rules
from powerfault.model.reader import read_topology_text
from powerfault.output.answers.isolation_text import isolation_json, isolation_markdown
from powerfault.output.pictures.isolation_picture import isolation_svg

BENCH = """
powerfault: 1
name: Bench
phases: {sunlit: {duration_h: 1.0}, dark: {duration_h: 0.6}}
stage_minutes: {automatic: 0.1, commanded: 15, manual: 480}
components:
  PV-A: {kind: source, capacity_kw: {sunlit: 6, dark: 0}}
  PV-B: {kind: source, capacity_kw: {sunlit: 6, dark: 0}}
  BAT-A: {kind: storage, charged_by: [BUS-A]}
  BAT-B: {kind: storage, charged_by: [BUS-B]}
  SW-A: {kind: switch, operated: commanded, operated_by: [CTRL], lockable: true}
  SW-BA: {kind: breaker, operated: commanded, operated_by: [CTRL], lockable: true, site: hub}
  SW-BB: {kind: breaker, operated: manual, lockable: false}
  BUS-A: {kind: bus}
  BUS-B: {kind: bus}
  BRK-A: {kind: breaker, operated_by: [CTRL], lockable: true}
  BRK-B: {kind: breaker, operated_by: [CTRL]}
  DB-A: {kind: bus, capacitance_mf: 2, discharge_min: 5}
  DB-B: {kind: bus}
  TIE: {kind: switch, normally: open, operated_by: [CTRL]}
  CON-A: {kind: connector, site: hub, keying: W, mate_cycles_left: 1}
  CON-B: {kind: connector, site: hub, keying: W}
feeds:
  - PV-A -> SW-A -> BUS-A
  - PV-B -> BUS-B
  - BAT-A <-> SW-BA <-> BUS-A
  - BAT-B <-> SW-BB <-> BUS-B
  - BUS-A -> BRK-A -> DB-A
  - BUS-B -> BRK-B -> DB-B
  - DB-A <-> TIE <-> DB-B
  - DB-A <-> CON-A
  - DB-B <-> CON-B
loads:
  CTRL: {fed_by: [DB-A, DB-B], demand_kw: 0.1, severity: critical}
  FAN: {fed_by: [DB-A], demand_kw: 0.5, severity: major, rides_through: manual}
  LAMP: {fed_by: [DB-B], demand_kw: 0.2, severity: catastrophic, rides_through: commanded}
proposals:
  J1:
    add:
      components: {JMP: {kind: jumper, length_m: 4}}
      feeds: [CON-A <-> JMP <-> CON-B]
    crew_minutes: 30
"""


def bench(*proposals: str) -> Topology:
    return apply_proposals(read_topology_text(BENCH, "bench.yaml"), proposals)


def site_graph(site: WorkSite, opened: set[str]) -> nx.DiGraph[str]:
    """The ways of current, each weighted by the openness of the node it leaves; drawn anew from the site's edges."""
    graph: nx.DiGraph[str] = nx.DiGraph()
    for v, sources in site.into.items():
        graph.add_node(v)
        for u in sources:
            device = site.devices.get(u)
            stands = device is not None and device.why_not is None and (u in opened or device.stands_open)
            graph.add_edge(u, v, weight=int(stands))
    return graph


# What counts on a path


@pytest.mark.parametrize("seed", range(40))
def test_open_devices_on_the_weakest_path_equal_a_shortest_path_with_weights_0_and_1(seed: int) -> None:
    rng = random.Random(seed)
    system = random_topology(seed, 8, 20)
    ends = rng.sample(list(system.components), min(2, len(system.components)))
    site = find_work_site(system, ends, OpenPointRules(2))
    may = [d.id for d in site.devices.values() if d.may_open]
    opened = {i for i in may if rng.random() < 0.5}
    found = {(p.source, p.end): p for p in site.weakest_paths(opened, system.phase_names)}
    graph = site_graph(site, opened)
    for end in ends:
        # The end's own openness is no open point; nor does a path go on from it.
        expected = nx.single_source_dijkstra_path_length(graph.reverse(), end)
        for source in site.sources(system.phase_names):
            if source not in expected:
                assert (source, end) not in found
                continue
            path = found[source, end]
            assert path.count == expected[source]
            assert all(graph.has_edge(a, b) for a, b in zip(path.nodes, path.nodes[1:], strict=False))
            assert (path.nodes[0], path.nodes[-1]) == (source, end)


def test_current_runs_backwards_through_what_may_fail_conducting() -> None:
    system = topology(
        {"S": "source", "D": "diode", "X": "connector", "CV": "converter", "Y": "connector", "CN": {"kind": "converter",
         "isolated": False}, "Z": "connector", "B": "bus"},
        ["X -> D -> B", "S -> B", "Y -> CV -> B", "Z -> CN -> B"],
    )  # fmt: skip
    site = find_work_site(system, ["X", "Y", "Z"], OpenPointRules(1))
    assert {p.end for p in site.weakest_paths((), ["normal"])} == {"X", "Z"}, "an isolated converter passes none back"
    strict = find_work_site(system, ["Y"], OpenPointRules(1, converters_block=False))
    assert [p.nodes for p in strict.weakest_paths((), ["normal"])] == [("S", "B", "CV", "Y")]
    assert site.relied_converters == ("CV",)


def test_loads_join_their_feeds_only_with_common_inputs_and_those_relied_on_are_named() -> None:
    def paths(inputs: str | None, block: bool = True) -> tuple[int, tuple[str, ...]]:
        system = topology(
            {"S": "source", "A": "bus", "B": "bus", "C": "connector"},
            ["S -> A", "B <-> C"],
            {"L": {"fed_by": "A B", "inputs": inputs}},
        )
        site = find_work_site(system, ["C"], OpenPointRules(2, load_inputs_block=block))
        return len(site.weakest_paths((), ["normal"])), site.relied_inputs

    assert paths("common") == (1, ())
    assert paths("isolated") == (0, ("L",))
    assert paths(None) == (0, ("L",))
    assert paths(None, block=False) == (1, ())


def test_semiconductors_fuses_and_failed_devices_are_no_open_points() -> None:
    system = topology(
        {
            "S": "source",
            "RPC": {"kind": "switch", "isolates": False},
            "F": "fuse",
            "P": {"kind": "fuse", "isolates": True},
            "W": {"kind": "switch", "normally": "open"},
            "K": {"kind": "switch"},
            "C": "connector",
        },
        ["S -> RPC -> F -> P -> W -> K -> C"],
        standing="W:closed K",
    )
    site = find_work_site(system, ["C"], OpenPointRules(2))
    counted = {d.id for d in site.devices.values() if d.why_not is None}
    assert counted == {"P"}
    found = study_isolation(system, ["C"])
    assert not found.chosen.holds
    reasons = " ".join(found.chosen.ways[0].reasons)
    for said in ("RPC does not count: isolates: false", "F does not count", "W does not count", "K does not count"):
        assert said in reasons


def test_far_end_of_a_half_mated_jumper_and_every_battery_are_sources() -> None:
    # The jumper is not mated; the battery beyond it reaches the near connector all the same.
    parts = {
        "BAT": {"kind": "storage", "capacity_kw": 0.0},
        "S1": "switch",
        "FAR": "connector",
        "J": {"kind": "jumper", "mated": False},
        "NEAR": "connector",
        "B": "bus",
    }
    system = topology(parts, ["BAT -> S1 -> FAR <-> J <-> NEAR <-> B"], {"L": "B"})
    site = find_work_site(system, ["NEAR"], OpenPointRules(1))
    assert [(p.source, p.count) for p in site.weakest_paths((), ["normal"])] == [("BAT", 0)]
    # An unmated jumper that is no part of the work is a gap, and counts as one.
    apart = topology({**parts, "S2": "switch"}, ["BAT -> S1 -> FAR <-> J <-> B <-> S2 <-> NEAR"], {"L": "B"})
    gap = find_work_site(apart, ["NEAR"], OpenPointRules(1)).weakest_paths((), ["normal"])
    assert [(p.source, p.open_devices) for p in gap] == [("BAT", ("J",))]


def test_array_in_sunlight_is_live_whatever_is_opened_and_the_work_must_fit_the_dark() -> None:
    text = """
powerfault: 1
phases: {sunlit: {duration_h: 1.0}, dark: {duration_h: 0.5}}
components:
  PV: {kind: source, capacity_kw: {sunlit: 5, dark: 0}}
  C: {kind: connector}
  S1: {kind: switch, lockable: true, operated: manual}
  S2: {kind: switch, lockable: true, operated: manual}
  B: {kind: bus}
  BAT: {kind: storage}
feeds: [PV -> C -> S1 -> S2 -> B, BAT -> B]
loads: {L: {fed_by: [B], severity: minor, rides_through: manual}}
"""
    system = read_topology_text(text)
    for minutes, works in ((30.0, True), (31.0, False)):
        found = study_isolation(system, ["C"], minutes=minutes)
        assert found.together is not None
        assert not found.together.holds
        assert "PV gives nothing in dark: work then, or cover it" in found.together.ways[0].reasons
        assert not found.by_phase["sunlit"].holds
        assert found.by_phase["dark"].holds
        assert found.chosen is found.by_phase["dark"]
        assert found.chosen.may_work is works
        assert [f.rule for f in found.chosen.findings if f.refuses] == ([] if works else ["window"])
        assert found.chosen.resting == ("PV",)


def test_what_a_proposal_takes_off_is_live_from_where_it_hangs_today() -> None:
    before = topology(
        {"S": "source", "K": {"kind": "switch", "operated": "manual"}, "C": "connector", "S2": "source", "B": "bus"},
        ["S -> K -> C", "S2 -> B"],
        proposals={"MOVE": Proposal(id="MOVE", remove={"feeds": ["K -> C"]}, add={"feeds": ["C -> B"]})},
    )
    after = apply_proposals(before, ["MOVE"])
    assert {w.path.source for w in study_isolation(after, ["C"], points=1).chosen.ways} == {"S2"}
    found = study_isolation(with_what_was(before, after), ["C"], points=1).chosen
    assert {p.source for p in found.paths} == {"S", "S2"}
    assert [d.id for d in found.held] == ["K"]
    assert with_what_was(before, before) is before


def test_coolant_is_parted_by_closed_valves() -> None:
    system = topology(
        {"P": "pump", "V1": "valve", "L": "line", "V2": {"kind": "valve", "normally": "closed", "operated": "manual"},
         "CJ": "coolant_jumper"},
        ["P -> V1 -> L -> V2 -> CJ"],
    )  # fmt: skip
    found = study_isolation(system, ["CJ"]).chosen
    assert found.may_work
    assert [(d.id, d.stood_open) for d in found.held] == [("V2", True), ("V1", False)]
    lines = [line for s in sheet_steps(system, found) for line in s.lines]
    assert "close V1, by command; see it closed" in lines
    assert any("pressure gone and line drained" in line for line in lines)


# The choice


def all_paths_hold(site: WorkSite, opened: set[str], held: set[str], source: str, end: str, points: int) -> bool:
    """Whether every simple path holds enough open devices, by listing the paths."""
    graph = site_graph(site, opened)
    if source == end:
        return False
    for path in nx.all_simple_paths(graph, source, end):
        if sum(v in held and site.devices[v].why_not is None for v in path if v != end and v in site.devices) < points:
            return False
    return True


def dark_by_reference(system: Topology, held: set[str], phases: tuple[str, ...]) -> set[str]:
    """Consumers that no switching by command brings back, by the reference evaluator, a held device taken as lost."""
    standing = [e for e in system.standing if e.id not in held]
    reference = System(Topology(**{**fields(system), "standing": tuple(standing)}))
    found = reference.evaluate([Event(i) for i in held])
    late = OUTCOMES[3:]
    return {i for p in phases for i, outcome in found.by_phase[p].items() if outcome in late}


def switched_system(seed: int) -> Topology:
    """A random system rich in switches: buses joined by switched devices, loads with demands and priorities."""
    rng = random.Random(seed)
    buses = [f"B{n}" for n in range(rng.randint(3, 5))]
    parts: dict[str, dict[str, object]] = {b: {"kind": "bus"} for b in buses}
    feeds = []
    for n in range(rng.randint(2, 3)):
        kind = rng.choice(["source", "storage"])
        parts[f"S{n}"] = {"kind": kind}
        if kind == "source" and rng.random() < 0.3:
            parts[f"S{n}"]["capacity_kw"] = {"sunlit": 5.0, "dark": 0.0}
        feeds.append(f"S{n} -> K{n} -> {rng.choice(buses)}" if rng.random() < 0.8 else f"S{n} -> {rng.choice(buses)}")
    loads: dict[str, dict[str, object]] = {}
    for n in range(rng.randint(2, 4)):
        fed = " ".join(rng.sample(buses, rng.choice([1, 1, 2])))
        inputs = rng.choice(["isolated", "isolated", "common"])
        loads[f"L{n}"] = {
            "fed_by": fed, "demand_kw": float(rng.randint(0, 3)), "priority": rng.randint(1, 3), "inputs": inputs
        }  # fmt: skip
    for n in range(3, 3 + rng.randint(3, 5)):
        a, b = rng.sample(buses, 2)
        feeds.append(f"{a} {rng.choice(['->', '<->'])} K{n} {rng.choice(['->', '<->'])} {b}".replace("<-> K", "<-> K"))
    names = {word for line in feeds for word in line.split() if word.startswith("K")}
    for k in sorted(names):
        parts[k] = {
            "kind": rng.choice(["switch", "breaker", "breaker"]),
            "normally": rng.choice([None, None, "open"]),
            "operated": rng.choice(["commanded", "commanded", "manual"]),
            "operated_by": rng.choice(["", "", "L0"]),
            "lockable": rng.choice([True, False]),
            "isolates": rng.choice([None, None, None, None, False]),
        }
    parts["C"] = {"kind": "connector"}
    feeds.append(f"{rng.choice(buses)} <-> C")
    functions = {"F": {"of": " ".join(loads), "at_least": rng.randint(1, len(loads)), "severity": "critical"}}
    return topology(parts, feeds, loads, functions, phases="sunlit dark")


def fields(system: Topology) -> dict[str, object]:
    return {name: getattr(system, name) for name in type(system).__dataclass_fields__}


@pytest.mark.parametrize("seed", range(90))
def test_choice_equals_brute_force_over_all_sets_of_devices(seed: int) -> None:
    rng = random.Random(1000 + seed)
    if seed < 60:
        system, points, end = switched_system(seed), rng.choice([1, 2]), "C"
    else:
        system, points = random_topology(seed, 8, 15), rng.choice([1, 2])
        end = rng.choice([c.id for c in system.components.values() if not c.is_source])
    found = study_isolation(system, [end], points=points)
    got = found.together if found.together is not None else found.chosen
    site = find_work_site(system, [end], OpenPointRules(points))
    live = HeldOpen(system).live((), 2)
    usable = [
        d.id
        for d in site.devices.values()
        if d.why_not is None
        and (
            d.stands_open
            or (
                d.may_open
                and (
                    system.components[d.id].operated == "manual"
                    or all(o in live for o in system.components[d.id].operated_by)
                )
            )
        )
    ]
    assert len(usable) <= 9
    phases = system.phase_names
    everything = set(usable)
    # Sources that cannot be parted by enough devices are asked to be parted as well as they can be.
    reach = {
        s: max((n for n in range(points + 1) if all_paths_hold(site, everything, everything, s, end, n)), default=0)
        for s in site.sources(phases)
        if nx.has_path(site_graph(site, set()), s, end)
    }
    assert {p.path.source for p in got.ways} == {s for s, n in reach.items() if n < points}
    already = dark_by_reference(system, set(), phases)
    best = None
    for size in range(len(usable) + 1):
        for held in map(set, combinations(usable, size)):
            if all(all_paths_hold(site, held, held, s, end, n) for s, n in reach.items()):
                harm = harm_of(system, dark_by_reference(system, held, phases) - already, phases)
                unlocked = sum(system.components[i].lockable is False for i in held)
                opened = sum(not site.devices[i].stands_open for i in held)
                key = ([(kw, n) for _, kw, n in harm], unlocked, opened, size)
                best = min(best, key) if best is not None else key
    assert best is not None
    held = {d.id for d in got.held}
    assert [(kw, n) for _, kw, n in got.harm] == [(pytest.approx(kw), n) for kw, n in best[0]]
    assert {c.id for c in got.dark} == dark_by_reference(system, held, phases) - already
    opened = sum(not d.stood_open for d in got.held)
    unlocked = sum(d.lockable is False for d in got.held)
    assert (unlocked, opened, len(held)) == best[1:]


def test_choice_learns_causes_of_three_devices() -> None:
    # The load has three parallel feeds; the only way to darken it is to hold all three open, and nothing forces that:
    # the programme knows causes of one and two devices from the start and has to learn this one.
    system = topology(
        {"S": "source", "C": "connector", "A1": "switch", "A2": "switch", "A3": "switch", "B": "bus", "D": "switch"},
        ["S -> A1 -> B", "S -> A2 -> B", "S -> A3 -> B", "B -> D -> C"],
        {"L": {"fed_by": "B", "demand_kw": 2.0}, "M": {"fed_by": "C", "demand_kw": 1.0}},
    )
    one = study_isolation(system, ["C"], points=1).chosen
    assert [d.id for d in one.held] == ["D"]
    two = study_isolation(system, ["C"], points=2).chosen
    assert {d.id for d in two.held} == {"A1", "A2", "A3", "D"}
    assert two.harm == ((5, 3.0, 2),)


def test_priority_comes_before_kilowatts_and_ties_keep_loads_alive() -> None:
    # Opening X darkens 1 kW of priority 1, opening Y 50 kW of priority 2: Y it is.
    parts = {"S": "source", "X": "switch", "BX": "bus", "Y": "switch", "BY": "bus", "C": "connector"}
    loads = {
        "LX": {"fed_by": "BX", "demand_kw": 1.0, "priority": 1},
        "LY": {"fed_by": "BY", "demand_kw": 50.0, "priority": 2},
    }
    system = topology(parts, ["S -> X -> BX -> Y -> BY -> C"], loads)
    assert [d.id for d in study_isolation(system, ["C"], points=1).chosen.held] == ["Y"]
    # With a tie that may be closed by command from another source LY is switched over, not dark.
    tied = topology(
        {**parts, "S2": "source", "T": {"kind": "switch", "normally": "open"}, "BZ": "bus", "Q": "switch"},
        ["S -> X -> BX -> Y -> BY -> Q -> C", "S2 -> T -> BZ"],
        {**loads, "LY": {**loads["LY"], "fed_by": "BY BZ", "inputs": "isolated"}},
    )
    chosen = study_isolation(tied, ["BY"], points=1).chosen
    assert [c.id for c in chosen.moved] == ["LY"]
    assert not chosen.dark


def test_device_whose_controller_goes_dark_is_opened_while_it_still_can_be() -> None:
    system = topology(
        {"S": "source", "B": "bus", "A": {"kind": "switch", "operated_by": "CTRL"}, "C": "connector",
         "M": {"kind": "switch", "operated": "manual"}},
        ["S -> M -> B -> A -> C"],
        {"CTRL": "B"},
    )  # fmt: skip
    chosen = study_isolation(system, ["C"]).chosen
    assert [d.id for d in chosen.held] == ["A", "M"], "opening M first would leave nobody to command A"
    reclose = [f for f in chosen.findings if f.rule == "operate"]
    assert [f.ids for f in reclose] == [("A", "CTRL")]
    steps = sheet_steps(system, chosen)
    opened = next(s for s in steps if s.rule == "isolate")
    assert [line.split(",")[0] for line in opened.lines] == ["open A", "open M"]


def test_a_device_that_nothing_commands_is_not_used() -> None:
    system = topology(
        {"S": "source", "A": {"kind": "switch", "operated_by": "X"}, "C": "connector", "X": "bus"}, ["S -> A -> C"]
    )
    chosen = study_isolation(system, ["C"], points=1).chosen
    assert not chosen.holds
    assert chosen.ways[0].reasons == ("A cannot be commanded: X not served",)


def test_a_source_cannot_be_made_dead() -> None:
    chosen = study_isolation(bench(), ["BAT-A"]).chosen
    assert not chosen.may_work
    assert any("itself a source" in r for w in chosen.ways for r in w.reasons)


# The sheet


def test_sheet_follows_the_published_order() -> None:
    # 29 CFR 1910.147(d)(1) to (6), read in part; NFPA 70E-2018 120.5; EN 50110-1: outside facts, section 6.
    system = bench("J1")
    study = study_isolation(system, ["JMP"])
    steps = sheet_steps(system, study.chosen)
    rules = [s.rule for s in steps]
    order = ["energies", "shut-down", "isolate", "lock-and-tag", "stored-energy", "prove-dead", "release"]
    assert list(dict.fromkeys(rules)) == order
    proof = next(s for s in steps if s.rule == "prove-dead")
    assert [line.split(":")[0] for line in proof.lines] == ["JMP, end at CON-A", "JMP, end at CON-B"]
    assert all("known live, then each pole" in line for line in proof.lines)
    back = steps[-1].lines
    assert [i for i, x in enumerate(back) if "tag" in x] < [i for i, x in enumerate(back) if x.startswith("close")]


def test_findings_of_the_bench() -> None:
    study = study_isolation(bench("J1"), ["JMP", "CON-A"])
    chosen = study.chosen
    assert chosen.phases == ("dark",)
    assert chosen.wait_min == 5
    by_rule: dict[str, list[str]] = {}
    for f in chosen.findings:
        by_rule.setdefault(f.rule, []).append(f.message)
        assert f.asks
        assert f.practice
    assert "LAMP is not served for 35 min and allows 15" in by_rule["interruption"]
    assert any("SW-BB cannot be locked" in m for m in by_rule["lock-and-tag"])
    assert any("last mating cycle" in m for m in by_rule["connector"])
    assert any("CON-A has keying W, and so has CON-B at hub" in m for m in by_rule["connector"])
    assert any(f.rule == "position" and "SW-BA" in f.ids for f in chosen.findings)


def test_no_mating_cycle_left_refuses_the_work() -> None:
    system = read_topology_text(BENCH.replace("mate_cycles_left: 1", "mate_cycles_left: 0"))
    refused = [f for f in study_isolation(system, ["CON-A"]).chosen.findings if f.refuses]
    assert [f.rule for f in refused] == ["connector"]


# The file and the command


@pytest.mark.parametrize(
    ("field", "said"),
    [
        ("open_points: 0", "must be a whole number from 1 to 9, found 0"),
        ("open_points: true", "must be a whole number from 1 to 9, found True"),
        ("open_points: {points: 2, load_input: conduct}", "did you mean 'load_inputs'?"),
        ("open_points: {load_inputs: maybe}", "must be block or conduct"),
    ],
)
def test_wrong_rules_are_shown_at_their_line(field: str, said: str) -> None:
    system = read_topology_text(BENCH + field + "\n", "bench.yaml")
    with pytest.raises(ModelError, match=r"bench\.yaml:43:") as error:
        read_rules(system)
    assert said in str(error.value)


def test_rules_of_the_file() -> None:
    system = read_topology_text(BENCH + "open_points: {points: 3, converters_block: false}\n")
    assert read_rules(system) == OpenPointRules(3, False, True)
    assert read_rules(system, 1).points == 1


def test_what_is_no_place_is_refused() -> None:
    with pytest.raises(RequestError, match="did you mean 'CON-A'"):
        study_isolation(bench(), ["CON-AA"])
    with pytest.raises(RequestError, match="give --with J1"):
        study_isolation(bench(), ["JMP"])
    with pytest.raises(RequestError, match="no phase 'drak'"):
        study_isolation(bench(), ["CON-A"], phases=["drak"])
    with pytest.raises(RequestError, match="from 1 to 9"):
        study_isolation(bench(), ["CON-A"], points=0)


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main(list(arguments))
    out, err = capsys.readouterr()
    return int(stop.value.code or 0), out, err


def test_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "bench.yaml"
    file.write_text(BENCH)
    code, out, _ = run(capsys, "isolate", str(file), "--at", "CON-A", "--json")
    data = json.loads(out)
    assert code == 0
    assert data["isolations"][0]["weakest_paths"][0] == {
        "source": "PV-A", "end": "CON-A", "open": 2, "open_devices": ["SW-A", "BRK-A"],
        "path": ["PV-A", "SW-A", "BUS-A", "BRK-A", "DB-A", "CON-A"],
    }  # fmt: skip
    code, out, _ = run(capsys, "isolate", str(file), "--with", "J1", "--fail-on-unmet")
    assert code == 3
    assert "BUT work is refused" in out
    sheet = tmp_path / "sheet.md"
    assert run(capsys, "isolate", str(file), "--at", "CON-A", "-o", str(sheet))[0] == 0
    assert "## Signatures" in sheet.read_text()
    code, _, err = run(capsys, "isolate", str(file))
    assert code == 2
    assert "say where the work is" in err
    assert run(capsys, "isolate", str(file), "--at", "CON-A", "-o", str(tmp_path / "sheet.doc"))[0] == 2


def test_every_rendering_shows_the_cautions_and_hostile_names_stay_text() -> None:
    text = BENCH.replace("name: Bench", "name: '<script>alert(1)</script> | `x` \"'")
    study: IsolationStudy = study_isolation(read_topology_text(text), ["CON-A"])
    svg, md = isolation_svg(study), isolation_markdown(study)
    data = isolation_json(study)
    for shown in (svg, md, json.dumps(data)):
        assert "mated and demated only de-energised" in shown
    assert "<script>" not in svg
    assert "<script>" not in md.replace("\\<script\\>", "")
    assert isolation_svg(study) == svg
