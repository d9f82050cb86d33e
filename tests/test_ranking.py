"""Ranking candidate jumpers: lanes of a union against proposals applied, set selection against brute force."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import pytest
from build import topology
from random_topologies import random_topology
from reference import Enumerated, System, enumerate_cases, list_events, verdict

from powerfault.cli import main
from powerfault.errors import ModelError, RequestError, TooLargeError
from powerfault.fitting.ranking import baseline as candidate_baseline
from powerfault.fitting.ranking import rows as candidate_rows
from powerfault.fitting.ranking import selection as set_selection
from powerfault.fitting.ranking.baseline import WEIGHTS, Worth, find_baseline
from powerfault.fitting.ranking.candidates import Candidate, Candidates, find_candidates, tie_length_m
from powerfault.fitting.ranking.lanes import Found, LaneEvaluator, Numbers
from powerfault.fitting.ranking.measures import Segment, applied_evaluator, own_events
from powerfault.fitting.ranking.selection import Item, choose_set, fitting_sets
from powerfault.fitting.ranking.sets import CandidateSets
from powerfault.fitting.ranking.study import Ranking, dominates, measures, rank_candidates
from powerfault.model.elements import MODES, Channel, Event, Proposal, Topology
from powerfault.model.modify import apply_proposals
from powerfault.model.ports import Port, read_ports
from powerfault.model.reader import read_topology_text
from powerfault.output.answers.ranking_text import chosen_ties, proposals_yaml, ranking_json, ranking_markdown
from powerfault.output.pictures.ranking_picture import ranking_svg

DEMO = Path(__file__).parent.parent / "topologies" / "orrin-fell.yaml"


# Worth of a set: three ways


def two_channels(rng: random.Random) -> Topology:
    """Two channels side by side, hardly joined: systems in which a tie has something to do."""
    parts: dict[str, object] = {}
    feeds = []
    for n in (1, 2):
        parts |= {f"S{n}": "source", f"K{n}": {"kind": rng.choice(["breaker", "switch", "cable"])}}
        parts |= {f"M{n}": {"kind": rng.choice(["breaker", "cable", "converter"])}}
        parts |= {f"{b}{n}": {"kind": "bus", "modes": rng.choice([("loss", "short"), ("short",)])} for b in "BD"}
        feeds.append(f"S{n} -> K{n} -> B{n} -> M{n} -> D{n}")
    if rng.random() < 0.3:
        parts["X"] = {"kind": "switch", "normally": "open"}
        feeds.append("B1 <-> X <-> B2")
    loads = {
        f"L{n}": {
            "fed_by": " ".join(rng.sample(["B1", "D1", "D1", "B2", "D2", "D2"], rng.choice([1, 1, 2]))),
            "severity": rng.choice(["catastrophic", "critical", "critical", "major", None]),
            "rides_through": rng.choice(["commanded", "commanded", "uninterrupted"]),
        }
        for n in range(3)
    }
    loads = {i: {**f, "fed_by": " ".join(dict.fromkeys(str(f["fed_by"]).split()))} for i, f in loads.items()}
    return topology(parts, feeds, loads, {"F": {"of": "L0 L1", "severity": "catastrophic"}})  # type: ignore[arg-type]


def with_ties(seed: int, ties: int = 3) -> Topology:
    """A random system with channels, and proposals that add ties of several kinds."""
    rng = random.Random(seed)
    base = two_channels(rng) if seed % 2 else random_topology(seed, 7, 12)
    inner = [c.id for c in base.components.values() if not c.is_source and c.kind not in ("diode", "converter")]
    passing = inner or list(base.components)
    proposals = {}
    for n in range(ties):
        a, b = (rng.choice(passing), rng.choice(passing))
        if a == b:
            b = next((i for i in passing if i != a), a)
        if a == b:
            continue
        kind = rng.choice(["bare", "breaker", "link", "source"])
        add: dict[str, object]
        if kind == "bare":
            add = {"components": {f"J{n}": {"kind": "jumper"}}, "feeds": [f"{a} <-> J{n} <-> {b}"]}
        elif kind == "breaker":
            breaker = {"kind": "breaker", "normally": rng.choice(["open", "closed"]), "operated": "commanded"}
            add = {
                "components": {f"J{n}": {"kind": "jumper"}, f"K{n}": breaker},
                "feeds": [f"{a} <-> K{n} <-> J{n} <-> {b}"],
            }
        elif kind == "link":
            add = {"feeds": [f"{a} {rng.choice(['->', '<->'])} {b}"]}
        else:
            add = {"components": {f"S{n}": {"kind": "source"}}, "feeds": [f"S{n} -> {a}"]}
        proposals[f"P{n}"] = Proposal(id=f"P{n}", add=add, crew_minutes=float(rng.randint(1, 9)))
    channels = {name: Channel(name) for name in ("east", "west")}
    side = {"1": "east", "2": "west"} if seed % 2 else {}
    parts = {
        i: replace(c, channel=side.get(i[-1]) or rng.choice(["east", "west", None])) for i, c in base.components.items()
    }
    return replace(base, components=parts, channels=channels, proposals=proposals)


def as_candidates(system: Topology) -> Candidates:
    listed = tuple(Candidate(p.id, p.title, p.crew_minutes, None) for p in system.proposals.values())
    return Candidates(system, listed, {})


def worth_by_reference(before: Topology, after: Topology, order: int, modes: tuple[str, ...]) -> Worth:
    """The measures by their definitions, from the reference evaluator, a case at a time."""
    a, b = enumerate_cases(before, order, modes), enumerate_cases(after, order, modes)
    singles_a, singles_b = enumerate_cases(before, 1, MODES), enumerate_cases(after, 1, MODES)
    gained, lost, harmed = [], [], []
    cured = broken = own_harm = gained_weight = lost_weight = 0.0
    here = {**before.components, **before.loads}
    for consumer in before.consumers():
        i, weight = consumer.id, WEIGHTS[consumer.severity]
        was, now = verdict(a, i)["meets"], verdict(b, i)["meets"]
        if now and was is not True:
            gained.append(i)
            gained_weight += weight
        elif was and now is not True:
            lost.append(i)
            lost_weight += weight

        def failing(cases: Enumerated, i: str = i) -> set[frozenset[Event]]:
            return set(cases.failing(i))

        fail_a = failing(a) | failing(singles_a)
        fail_b = failing(b) | failing(singles_b)
        cured += weight * sum(0.1 ** max(0, len(c) - 1) for c in a.minimal_cut_sets(i) if c not in fail_b)
        new = {c for c in fail_b - fail_a if all(e.id in here for e in c)}
        other = [c for c in fail_b - fail_a if len(c) == 1 and any(e.mode not in modes for e in c)]
        if was and now and consumer.required_tolerance and other:
            harmed.append(i)
            lost_weight += weight
        broken += weight * sum(0.1 ** max(0, len(c) - 1) for c in new if not any(other < c for other in new))
        if frozenset() not in fail_b | fail_a:  # losing what it mended itself is no new harm
            own_harm += weight * sum(len(c) == 1 and not any(e.id in here for e in c) for c in fail_b)
    return Worth(
        tuple(gained), tuple(lost), tuple(harmed), round(cured, 9), round(broken, 9), own_harm,
        spread_by_reference(before, after), gained_weight, lost_weight,
    )  # fmt: skip


def spread_by_reference(before: Topology, after: Topology) -> int:
    count = 0
    for event in list_events(after, MODES):
        if event.mode != "short":
            continue
        now = reached(before, System(after), event)
        if event.id in before.components or event.id in before.loads:
            count += bool(now - reached(before, System(before), event))
        else:
            count += len(now) >= 2
    return count


def reached(before: Topology, system: System, event: Event) -> set[str]:
    zone = system.evaluate([event]).zone[0][before.phase_names[0]]
    found = {before.components[i].channel for i in zone if i in before.components}
    return {c for c in found if c is not None}


def close(a: Worth, b: Worth) -> bool:
    names = ("cured", "broken", "own_harm", "gained_weight", "lost_weight")
    return (a.gained, a.lost, a.harmed, a.spread) == (b.gained, b.lost, b.harmed, b.spread) and all(
        getattr(a, n) == pytest.approx(getattr(b, n), abs=1e-6) for n in names
    )


@pytest.mark.parametrize("modes", [("loss",), ("loss", "short")])
@pytest.mark.parametrize("seed", [*range(12), *(pytest.param(n, marks=pytest.mark.full) for n in range(12, 60))])
def test_lanes_of_the_union_equal_sets_applied_and_the_reference(seed: int, modes: tuple[str, ...]) -> None:
    system = with_ties(seed)
    baseline = find_baseline(system, 2, modes)
    sets = CandidateSets(as_candidates(system), baseline)
    names = [i for i in sets.usable if i not in sets.apart]
    # Larger sets take over what smaller ones showed, so all sizes are looked at.
    chosen = [s for k in range(len(names) + 1) for s in combinations(names, k)]
    for members, worth in zip(chosen, sets.judge(chosen), strict=True):
        assert worth is not None
        after = apply_proposals(system, members)
        evaluator = applied_evaluator(baseline, after)
        applied = evaluator.measure([Segment((), own_events(baseline, after))])[0]
        assert close(worth, applied), (members, worth, applied)
        assert close(worth, worth_by_reference(system, after, 2, modes)), (members, worth)


@pytest.mark.parametrize("modes", [("loss",), ("short", "stuck")])
@pytest.mark.parametrize("seed", [*range(8), *(pytest.param(n, marks=pytest.mark.full) for n in range(8, 60))])
def test_sets_made_up_of_smaller_ones_equal_sets_evaluated_whole(
    seed: int, modes: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    system = with_ties(seed, 5)
    baseline = find_baseline(system, 2, modes)

    def judged() -> tuple[list[Worth | None], int]:
        lanes = []

        def counted(self: LaneEvaluator, events: Numbers, *rest: object) -> Found:
            lanes.append(len(events))
            return run(self, events, *rest)  # type: ignore[arg-type]

        run = LaneEvaluator.run
        with monkeypatch.context() as patch:
            patch.setattr(LaneEvaluator, "run", counted)
            sets = CandidateSets(as_candidates(system), baseline)
            chosen = [s for k in range(len(sets.usable) + 1) for s in combinations(sets.usable, k)]
            return sets.judge(chosen), sum(lanes)

    made_up, few = judged()
    monkeypatch.setattr(candidate_rows, "MOST_TRACKED", 0)
    whole, many = judged()
    assert made_up == whole
    assert few < many or not system.proposals


def test_a_standing_short_that_a_tie_lets_in_breaks_what_losses_alone_did_not() -> None:
    # The switch of the tie opens on command, unless both sources that keep it operable are lost; then L is never freed.
    # That pair fails nothing today.
    system = topology(
        {"S": "source", "S1": "source", "S2": "source", "B": "bus", "C": "bus", "Z": "bus"},
        ["S -> B", "S1 -> C", "S2 -> C"],
        {"L": {"fed_by": "B", "severity": "critical", "rides_through": "commanded"}},
        standing="Z:short",
        proposals={"T": Proposal(id="T", add={
            "components": {"K": {"kind": "switch", "operated": "commanded", "operated_by": ["C"]}},
            "feeds": ["Z <-> K <-> B"]})},
    )  # fmt: skip
    sets = CandidateSets(as_candidates(system), find_baseline(system, 2, ("loss",)))
    worth = sets.judge([("T",)])[0]
    assert worth is not None
    assert close(worth, worth_by_reference(system, apply_proposals(system, ["T"]), 2, ("loss",)))
    # The single events that leave the switch closed, and of weight a tenth the pair.
    assert worth.broken == pytest.approx(4 * 2 + 4 * 0.1)


def test_random_systems_tell_something() -> None:
    """The property test above is worth something only if its systems gain, cure, break and spread."""
    seen = {"gained": 0, "harmed": 0, "cured": 0, "broken": 0, "spread": 0, "own_harm": 0}
    for seed in range(25):
        system = with_ties(seed)
        sets = CandidateSets(as_candidates(system), find_baseline(system, 2, ("loss",)))
        for worth in sets.judge([(i,) for i in sets.usable]):
            for name in seen:
                seen[name] += bool(worth and getattr(worth, name))
    assert min(seen.values()) >= 3, seen


def teaching_system() -> Topology:
    """Two channels without a tie: each load hangs on one bus, each bus on one source."""
    return topology(
        {
            "SA": {"kind": "source", "channel": "a"},
            "SB": {"kind": "source", "channel": "b"},
            "A": {"kind": "bus", "channel": "a"},
            "B": {"kind": "bus", "channel": "b"},
            "DA": {"kind": "bus", "channel": "a"},
            "DB": {"kind": "bus", "channel": "b"},
        },
        ["SA -> A -> DA", "SB -> B -> DB"],
        {
            "LA": {"fed_by": "DA", "severity": "critical", "rides_through": "commanded"},
            "LB": {"fed_by": "DB", "severity": "major", "rides_through": "commanded"},
        },
        channels={"a": Channel("a"), "b": Channel("b")},
        proposals={
            "BARE": Proposal(id="BARE", crew_minutes=10.0, add={
                "components": {"J": {"kind": "jumper", "length_m": 3}}, "feeds": ["DA <-> J <-> DB"]}),
            "SAFE": Proposal(id="SAFE", crew_minutes=25.0, add={
                "components": {"J": {"kind": "jumper", "length_m": 3}, "K": {"kind": "breaker", "normally": "open"}},
                "feeds": ["DA <-> K <-> J <-> DB"]}),
            "SPLIT": Proposal(id="SPLIT", crew_minutes=5.0, set={"LA": {"severity": "minor"}}),
        },
    )  # fmt: skip


def test_measures_of_a_bare_and_a_protected_tie_by_hand() -> None:
    ranking = rank_candidates(teaching_system(), order=1, budget_min=40)
    by_id = {r.candidate.id: r for r in ranking.ranked}
    bare, safe = by_id["BARE"].worth, by_id["SAFE"].worth
    assert bare is not None
    assert safe is not None
    # Each load loses its two single points SA, A (or SB, B) of weight 4 and 2; its own DA or DB stays.
    assert bare.cured == safe.cured == 2 * 4 + 2 * 2
    # The bare tie spreads the shorts of DA, DB, A and B (nothing clears) into the other channel, and its own reaches
    # both. The open breaker stops all that, but for a short within itself.
    assert (bare.spread, safe.spread) == (5, 1)
    # DB:short and B:short newly fail LA (weight 4), DA:short and A:short LB (weight 2).
    assert (bare.broken, safe.broken) == (2 * 4 + 2 * 2, 0)
    assert bare.own_harm == 4 + 2, "its own short takes both loads"
    assert bare.gained == safe.gained == (), "LA still hangs on DA alone"
    assert by_id["SPLIT"].one_by_one == "it changes loads"
    assert by_id["SPLIT"].worth is not None
    assert by_id["SPLIT"].worth.gained == ("LA",), "the question was changed, and the single points are no matter now"


def test_alternatives_that_add_one_id_exclude_each_other() -> None:
    system = teaching_system()
    sets = CandidateSets(as_candidates(system), find_baseline(system, 1, ("loss",)))
    assert sets.excludes("BARE", "SAFE")
    assert not sets.excludes("BARE", "SPLIT")
    ranking = rank_candidates(system, order=1, budget_min=100)
    assert ranking.best is not None
    assert ranking.best.proved
    assert not {"BARE", "SAFE"} <= set(ranking.best.members)
    assert ranking.best.members == ("SAFE", "SPLIT")


def test_sets_with_candidates_that_set_something_equal_the_set_applied() -> None:
    system = read_topology_text(DEMO.read_text())
    system = replace(system, later={k: v for k, v in system.later.items() if k != "ports"})
    baseline = find_baseline(system, 2, ("loss",))
    sets = CandidateSets(find_candidates(system), baseline)
    assert list(sets.apart) == ["J-COOL"]
    chosen = [("J-COOL",), ("J-LAB", "J-COOL"), ("J-HAB", "J-COOL"), ("J-LAB", "J-HAB", "J-COOL")]
    for members, worth in zip(chosen, sets.judge(chosen), strict=True):
        after = apply_proposals(system, sets.ordered(members))
        own = own_events(baseline, after)
        assert worth is not None
        assert close(worth, applied_evaluator(baseline, after).measure([Segment((), own)])[0]), members


# Interactions


def test_interactions_name_pairs_worth_more_together_and_duplicates() -> None:
    # Two ties in a row reach from the fed bus to the dark one: neither alone helps. A third repeats their whole.
    system = topology(
        {"S": "source", "S2": "source", "X": "bus", "M": "bus", "Y": "bus"},
        ["S -> X", "S2 -> Y"],
        {"L": {"fed_by": "X", "severity": "critical"}},
        proposals={
            "P1": Proposal(id="P1", add={"components": {"J1": {"kind": "jumper"}}, "feeds": ["X <-> J1 <-> M"]}),
            "P2": Proposal(id="P2", add={"components": {"J2": {"kind": "jumper"}}, "feeds": ["M <-> J2 <-> Y"]}),
            "P3": Proposal(id="P3", add={"components": {"J3": {"kind": "jumper"}}, "feeds": ["X <-> J3 <-> Y"]}),
            "P4": Proposal(id="P4", add={"components": {"J4": {"kind": "jumper"}}, "feeds": ["X <-> J4 <-> Y"]}),
        },
    )
    found = {(x.first, x.second): x for x in rank_candidates(system, order=1).interactions if x.kind != "harm"}
    assert found["P1", "P2"].kind == "together"
    assert found["P1", "P2"].amount == 4
    assert found["P3", "P4"].kind == "repeats"
    assert found["P3", "P4"].share == 1


# The efficient set


def demo_with_some_ports() -> Topology:
    system = read_topology_text(DEMO.read_text())
    return replace(system, later={**system.later, "ports": list(system.later["ports"])[:5]})


def test_efficient_set_equals_brute_force() -> None:
    ranking = rank_candidates(demo_with_some_ports(), order=1)
    vectors = {r.candidate.id: measures(r.candidate, r.worth) for r in ranking.ranked if r.worth}
    assert len(vectors) >= 10
    for r in ranking.ranked:
        mine = vectors[r.candidate.id]
        beaten = [
            i for i, v in vectors.items()
            if all(x >= y for x, y in zip(v, mine, strict=True)) and v != mine
        ]  # fmt: skip
        assert r.efficient is not bool(beaten)
        if not r.efficient:
            assert r.dominated_by in beaten
    assert dominates((1, 2), (1, 1))
    assert not dominates((1, 1), (1, 1))


# The best set


def random_problem(seed: int, count: int) -> tuple[list[Item], float, dict[frozenset[str], set[int]]]:
    """Items that cover elements, some only in pairs; worth grows with what is covered."""
    rng = random.Random(seed)
    ids = [f"I{n}" for n in range(count)]
    excluded = {frozenset(rng.sample(ids, 2)) for _ in range(count // 3)}
    items = [
        Item(i, float(rng.randint(1, 9)), float(rng.randint(1, 9)), frozenset(
            j for pair in excluded if i in pair for j in pair if j != i))
        for i in ids
    ]  # fmt: skip
    covers = {frozenset([i]): set(rng.sample(range(30), 4)) for i in ids}
    covers |= {frozenset(rng.sample(ids, 2)): set(rng.sample(range(30, 40), 2)) for _ in range(count)}
    return items, float(rng.randint(8, 20)), covers


def judge_by_cover(covers: dict[frozenset[str], set[int]], members: tuple[str, ...]) -> Worth:
    got = set().union(*(c for need, c in covers.items() if need <= set(members)), set())
    names = tuple(str(n) for n in sorted(got) if n >= 25)
    # Some sets break things: the bound must not rely on it that they do not.
    broken = 0.5 * sum(len(a) for a in members if a in ("I1", "I3"))
    return Worth(names, (), (), float(len(got)), broken, 0.0, 0, float(len(names)), 0.0)


@pytest.mark.parametrize("seed", range(20))
def test_best_set_equals_brute_force_by_trial_and_by_branch_and_bound(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    items, budget, covers = random_problem(seed, 9)
    by_id = {i.id: i for i in items}
    best: tuple[float, ...] | None = None
    count = 0
    for k in range(len(items) + 1):
        for members in combinations([i.id for i in items], k):
            minutes = sum(by_id[i].minutes for i in members)
            if minutes > budget or any(b in by_id[a].excludes for a in members for b in members):
                continue
            count += 1
            worth = judge_by_cover(covers, members)
            key = (*worth.key, -minutes)
            best = key if best is None or key > best else best
    assert best is not None

    def judge(sets: object) -> list[Worth | None]:
        return [judge_by_cover(covers, s) for s in sets]  # type: ignore[attr-defined]

    tried = choose_set(items, budget, judge)
    assert tried.proved
    assert tried.feasible == count
    assert (*tried.worth.key, -tried.minutes) == best
    assert len(list(fitting_sets(items, budget))) == count

    def bound(wide: object) -> list[tuple[float, float, float]]:
        worths = [judge_by_cover(covers, s) for s in wide]  # type: ignore[attr-defined]
        return [(w.gained_weight, w.cured, 0.0) for w in worths]

    monkeypatch.setattr(set_selection, "MOST_SETS", 3)
    searched = choose_set(items, budget, judge, bound)
    assert searched.proved
    assert searched.worth.key == best[:3]
    assert (searched.members, searched.minutes) == (tried.members, tried.minutes), "ties are broken alike"
    # Stopped early, the bound that is stated holds.
    monkeypatch.setattr(set_selection, "MOST_EVALUATIONS", 12)
    stopped = choose_set(items, budget, judge, bound)
    assert stopped.proved or (stopped.bound is not None and stopped.bound >= best[:3])
    # Without a bound nothing is claimed.
    assert not choose_set(items, budget, judge).proved


def test_branch_and_bound_on_real_candidates_equals_trial(monkeypatch: pytest.MonkeyPatch) -> None:
    system = demo_with_some_ports()
    tried = rank_candidates(system, order=1, budget_min=110)
    monkeypatch.setattr(set_selection, "MOST_SETS", 3)
    searched = rank_candidates(system, order=1, budget_min=110)
    assert tried.best is not None
    assert searched.best is not None
    assert tried.best.proved
    assert searched.best.proved
    assert set(searched.best.members) == set(tried.best.members)
    assert searched.best.worth == tried.best.worth


# Candidates from ports

PORTS = """
powerfault: 1
components: {S: {kind: source}, A: {kind: bus, voltage_v: 28}, B: {kind: bus, voltage_v: 28}, H: {kind: bus}}
feeds: [S -> A]
loads: {L: {fed_by: [B], severity: critical, rides_through: commanded}}
ports:
"""


def test_ports_are_tied_where_they_fit() -> None:
    text = PORTS + (
        "  - {id: PA, bus: A, at_m: [0, 0], crew_minutes: 10, connector: X}\n"
        "  - {id: PB, bus: B, at_m: [3, 4, 0], crew_minutes: 12, connector: X, operated_by: [A]}\n"
        "  - {id: PC, bus: B, at_m: [300, 0], connector: X}\n"
        "  - {id: PD, bus: B, at_m: [1, 0], connector: Y}\n"
        "  - {id: PH, bus: H, voltage_v: 120, at_m: [1, 0]}\n"
    )
    found = find_candidates(read_topology_text(text), max_length_m=20)
    assert [c.id for c in found.listed] == ["PA_PB", "PA_PB_brk"]
    assert found.listed[0].length_m == 6.25
    assert found.listed[0].crew_minutes == 22
    assert found.left_out == {
        "longer than 20 m": 1, "different connectors": 1, "different voltages": 4, "both on one bus": 3
    }  # fmt: skip
    after = apply_proposals(found.topology, ["PA_PB_brk"])
    assert after.components["BRK-PA_PB_brk-2"].operated_by == ("A",)
    assert ("A", "BRK-PA_PB_brk-1") in after.links
    assert tie_length_m(Port("X", "A"), Port("Y", "B", at_m=(0, 0))) is None


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("  - {id: P, bus: AA}", "no component 'AA' (did you mean 'A'?)"),
        ("  - {id: P, bus: A, at_m: [1]}", "must be two or three coordinates"),
        ("  - {id: P, buss: A}", "did you mean 'bus'?"),
        ("  - {id: P, bus: A, crew_minutes: -1}", "must be a number not below 0"),
        ("  - {id: P, bus: A, operated_by: [ZZ]}", "no component, load or function 'ZZ'"),
        ("  - 7", "expected {id, bus, ...}, found 7"),
    ],
)
def test_wrong_ports_are_shown_at_their_line(line: str, said: str) -> None:
    with pytest.raises(ModelError) as error:
        read_ports(read_topology_text(PORTS + line + "\n", "ports.yaml"))
    assert "ports.yaml:7:" in str(error.value)
    assert said in str(error.value)


def test_nothing_to_rank_and_too_much_to_rank(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(RequestError, match="nothing to rank"):
        rank_candidates(topology({"S": "source"}))
    monkeypatch.setattr(candidate_baseline, "MOST_ENUMERATED", 3)
    with pytest.raises(TooLargeError, match="use a lower --order"):
        rank_candidates(teaching_system())
    with pytest.raises(RequestError, match="did you mean 'BARE'"):
        rank_candidates(teaching_system(), only=["BRE"])


# Renderings and the command


def small_ranking() -> Ranking:
    return rank_candidates(teaching_system(), order=1, budget_min=30)


def test_renderings_hold_every_candidate_and_say_what_they_rest_on() -> None:
    ranking = small_ranking()
    data = json.loads(json.dumps(ranking_json(ranking)))
    assert [c["id"] for c in data["candidates"]] == [r.candidate.id for r in ranking.ranked]
    assert data["best_set"]["proved"] is True
    md, svg = ranking_markdown(ranking), ranking_svg(ranking)
    for name in ("BARE", "SAFE", "SPLIT"):
        assert name in md
        assert name in svg
    assert "mated and demated only de-energised" in md
    assert ranking_svg(small_ranking()) == svg


def test_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def run(*arguments: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as stop:
            main(["rank", str(DEMO), "--from", "proposals", *arguments])
        out, err = capsys.readouterr()
        return int(stop.value.code or 0), out, err

    code, out, _ = run("--budget-min", "120", "--json")
    assert code == 0
    assert json.loads(out)["best_set"]["crew_minutes"] <= 120
    picture = tmp_path / "efficient.svg"
    code, out, _ = run("-o", str(picture))
    assert code == 0
    assert picture.read_text().startswith("<svg")
    code, out, _ = run()
    assert "Candidates, best first" in out
    assert run("-o", str(tmp_path / "x.png"))[0] == 2


@pytest.mark.full
def test_thousands_of_sets_on_the_demo() -> None:
    ranking = rank_candidates(read_topology_text(DEMO.read_text()), budget_min=250)
    assert ranking.evaluations > 2000
    assert ranking.best is not None
    assert ranking.best.proved


def test_best_set_of_what_does_no_harm_stands_beside_one_that_does() -> None:
    ranking = rank_candidates(demo_with_some_ports(), order=1, budget_min=120)
    best, other = ranking.best, ranking.best_harmless
    assert best is not None
    assert other is not None
    assert best.worth.spread > 0
    harmless = {r.candidate.id for r in ranking.ranked if r.worth and r.worth.harmless}
    assert set(other.members) <= harmless
    sets = CandidateSets(find_candidates(demo_with_some_ports()), ranking.baseline)
    minutes = {r.candidate.id: r.candidate.crew_minutes or 0 for r in ranking.ranked}
    keys = [
        worth.key
        for members in (s for k in range(5) for s in combinations(harmless, k))
        if sum(minutes[i] for i in members) <= 120 and not any(sets.excludes(*p) for p in combinations(members, 2))
        if (worth := sets.judge([members])[0])
    ]
    assert other.worth.key == max(keys)
    md, data = ranking_markdown(ranking), ranking_json(ranking)
    assert f"{best.worth.spread} single shorts spread to another channel" in md
    assert data["best_set_of_harmless"]["members"] == list(other.members)
    assert rank_candidates(teaching_system(), order=1, budget_min=30, only=["SAFE"]).best_harmless is not None, (
        "spreads 1"
    )
    assert rank_candidates(teaching_system(), order=1, budget_min=30, only=["SPLIT"]).best_harmless is None


def test_ties_of_the_best_set_can_be_pasted_into_the_file() -> None:
    text = DEMO.read_text()
    ranking = rank_candidates(read_topology_text(text), order=1, budget_min=150)
    ties = chosen_ties(ranking)
    assert any(i.endswith("_brk") for i in ties)
    pasted = proposals_yaml(ranking, ties).removeprefix("proposals:\n")
    assert text.count("\nproposals:\n") == 1
    system = read_topology_text(text.replace("\nproposals:\n", f"\nproposals:\n{pasted}"))
    again = rank_candidates(system, order=1, only=ties, ports=False)
    worths = {r.candidate.id: r.worth for r in ranking.ranked}
    assert {r.candidate.id: r.worth for r in again.ranked} == {i: worths[i] for i in ties}
    given = {r.candidate.id: (r.candidate.crew_minutes, r.candidate.length_m) for r in ranking.ranked}
    assert all(given[r.candidate.id] == (r.candidate.crew_minutes, r.candidate.length_m) for r in again.ranked)
    assert "```yaml\nproposals:" in ranking_markdown(ranking)


def test_losing_again_what_the_tie_itself_mended_is_no_new_harm() -> None:
    # L is lost today (S stands lost); the jumper mends it, and its own loss leaves L where it is today.
    system = topology(
        {"S": "source", "T": "source", "A": "bus", "B": "bus"},
        ["S -> A", "T -> B"],
        {"L": {"fed_by": "A", "severity": "critical"}},
        standing="S",
        proposals={"J": Proposal(id="J", add={"components": {"J1": {"kind": "jumper"}}, "feeds": ["B -> J1 -> A"]},
                                 crew_minutes=1)},
    )  # fmt: skip
    worth = rank_candidates(system, order=1).ranked[0].worth
    assert worth is not None
    assert worth.own_harm == 0


def test_exclusive_groups_that_validate_refuses_are_refused_here() -> None:
    text = """
powerfault: 1
components: {S: {kind: source}, A: {kind: bus}}
feeds: [S -> A]
loads: {L: {fed_by: [A]}}
exclusive: [[A, NOPE]]
proposals: {J: {add: {components: {J1: {kind: jumper}}, feeds: [S -> J1 -> A]}}}
"""
    with pytest.raises(ModelError, match="NOPE"):
        rank_candidates(read_topology_text(text), order=1)
