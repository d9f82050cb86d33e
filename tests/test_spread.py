"""What a tie does to faults and earthing, and the variant that would stop it.

IMO MSC/Circ.645 3.1-3.2: a failure in one system must never transfer to the other; with a tie closed without breakers a
short on one side also loses the other, with breakers (or open) only its own.
"""

from __future__ import annotations

import random
from collections import Counter, deque
from collections.abc import Sequence

import pytest
from bench.systems import channels_system
from random_changes import changed_at_random, random_system, tied_channels

from powerfault.failures.case_state import CaseState, case_states
from powerfault.model.elements import MODES, OUTCOMES, SEVERITIES, Event, Topology, in_phase
from powerfault.model.reader import read_topology_text
from powerfault.network.failure_modes import list_events
from powerfault.network.galvanic import galvanic_domains
from powerfault.network.graph import build_network
from powerfault.tolerance.comparison.harm import Harm
from powerfault.tolerance.comparison.single_failures import single_failures, worst_single
from powerfault.tolerance.comparison.spread import Spread, find_spread, protected_variants
from powerfault.tolerance.comparison.study import Comparison, compare

TWO = """
powerfault: 1
name: two channels
channels: {a: {label: Channel A}, b: {label: Channel B}}
components:
  SRC-A: {kind: source, channel: a}
  SRC-B: {kind: source, channel: b}
  MAIN-A: {kind: bus, channel: a}
  MAIN-B: {kind: bus, channel: b}
  CV-A: {kind: converter, channel: a}
  CV-B: {kind: converter, channel: b}
  BUS-A: {kind: bus, channel: a, grounded: true}
  BUS-B: {kind: bus, channel: b, grounded: true}
feeds:
  - SRC-A -> MAIN-A -> CV-A -> BUS-A
  - SRC-B -> MAIN-B -> CV-B -> BUS-B
loads:
  PUMP-A: {fed_by: [BUS-A], channel: a, severity: critical, rides_through: commanded, demand_kw: 2}
  PUMP-B: {fed_by: [BUS-B], channel: b, severity: major, rides_through: commanded, demand_kw: 3}
proposals:
  BARE:
    add: {components: {JMP: {kind: jumper}}, feeds: [BUS-A <-> JMP <-> BUS-B]}
  GUARDED:
    add:
      components: {JMP: {kind: jumper}, BRK-1: {kind: breaker}, BRK-2: {kind: breaker}}
      feeds: [BUS-A <-> BRK-1 <-> JMP <-> BRK-2 <-> BUS-B]
"""


def compared(proposal: str, modes: tuple[str, ...] = ("loss", "short")) -> Comparison:
    return compare(read_topology_text(TWO), [proposal], 1, modes)


def test_a_bare_tie_carries_a_short_into_the_other_channel() -> None:
    found = compared("BARE")
    spread = {str(s.event): s for s in found.spread}
    assert set(spread) == {"BUS-A:short", "BUS-B:short", "CV-A:short", "CV-B:short", "JMP:short"}
    assert spread["BUS-A:short"].channels_before == ("a",)
    assert spread["BUS-A:short"].channels_after == ("a", "b")
    assert spread["BUS-A:short"].way == ("BUS-A", "JMP", "BUS-B")
    assert spread["BUS-A:short"].consumers == (("PUMP-B", "lost"),)
    sentence = spread["BUS-A:short"].sentence(found.after.topology)
    assert "reaches into Channel B beside Channel A, by way of BUS-A > JMP > BUS-B" in sentence


def test_it_is_found_even_where_only_losses_were_asked_for() -> None:
    assert {str(s.event) for s in compared("BARE", ("loss",)).spread} >= {"BUS-A:short", "BUS-B:short"}


def test_breakers_at_both_ends_keep_every_fault_but_their_own_in_its_channel() -> None:
    crossing = [s for s in compared("GUARDED").spread if not s.own]
    assert crossing == []


def test_the_suggested_variant_is_computed_with_the_breaker_in_place() -> None:
    results = compared("BARE").variants
    assert [r.variant.about for r in results] == [
        "a breaker between BUS-A and JMP",
        "a breaker between BUS-B and JMP",
        "a breaker between BUS-A and JMP and a breaker between BUS-B and JMP",
    ]
    one = {str(s.event) for s in results[0].still_spread}
    both = {str(s.event) for s in results[2].still_spread if not s.own}
    # One breaker stops the faults of either bus; the breaker's own short still takes both sides of it.
    assert "BUS-A:short" not in one
    assert "BUS-B:short" not in one
    assert both == set()


@pytest.mark.parametrize(("proposal", "failing"), [("BARE", {"PUMP-A", "PUMP-B"}), ("GUARDED", {"PUMP-A"})])
def test_worst_single_failure_before_and_after(proposal: str, failing: set[str]) -> None:
    before, after = compared(proposal).worst
    assert before is not None
    assert after is not None
    assert set(before[0].failing) == {"PUMP-A"}
    assert before[1].demand_kw == 3
    assert set(after[0].failing) >= failing
    if proposal == "BARE":
        assert after[1].demand_kw == 5


def test_a_tie_that_joins_two_grounds_is_found() -> None:
    found = compared("BARE").ground
    assert [f.grounds for f in found] == [("BUS-A", "BUS-B")]
    assert "2 grounds (BUS-A, BUS-B) instead of one" in str(found[0])


def test_an_isolated_converter_parts_domains_and_an_open_tie_joins_none() -> None:
    topology = read_topology_text(TWO)
    domains = galvanic_domains(topology, ties_closed=False)
    assert sorted(len(d.grounds) for d in domains) == [0, 0, 1, 1]
    joined = read_topology_text(TWO.replace("{kind: converter, channel: a}", "{kind: converter, isolated: false}"))
    assert sorted(len(d.grounds) for d in galvanic_domains(joined, ties_closed=False)) == [0, 1, 1]
    opened = read_topology_text(TWO.replace("BRK-1: {kind: breaker}", "BRK-1: {kind: breaker, normally: open}"))
    found = compare(opened, ["GUARDED"], 1).ground
    assert [f.ties_closed for f in found] == [True]


def test_nothing_is_said_of_earthing_where_no_ground_is_given() -> None:
    assert compare(read_topology_text(TWO.replace(", grounded: true", "")), ["BARE"], 1).ground == ()


# Against every single event looked at in full, one by one


def channel_of(topology: Topology, id_: str) -> str | None:
    element = topology.components.get(id_) or topology.loads.get(id_)
    return element.channel if element else None


def zone_of(state: CaseState) -> frozenset[str]:
    return frozenset().union(*state.zone[0].values())


def channels_reached(topology: Topology, state: CaseState, nothing: CaseState) -> tuple[str, ...]:
    reached = {channel_of(topology, i) for i in (*zone_of(state), *(e.id for e in state.failed))}
    for id_, outcome in state.outcomes.items():
        if OUTCOMES.index(outcome) > OUTCOMES.index(nothing.outcomes[id_]):
            reached.add(channel_of(topology, id_))
    return tuple(c for c in topology.channels if c in reached)


def shortest_way(topology: Topology, state: CaseState, event: Event, channels: Sequence[str]) -> tuple[str, ...]:
    if event.mode not in ("short", "leak"):
        return ()
    network, zone = build_network(topology), zone_of(state)
    came: dict[str, str | None] = {event.id: None}
    queue = deque([event.id])
    while queue:
        here: str | None = queue.popleft()
        assert here is not None
        if channel_of(topology, here) in channels:
            way = []
            while here is not None:
                way.append(here)
                here = came[here]
            return tuple(way[::-1])
        v = network.index[here]
        for w in (*network.fault_next[v], *network.fault_previous[v]):
            there = network.ids[w]
            if there in zone and there not in came:
                came[there] = here
                queue.append(there)
    return (event.id,)


def spread_one_by_one(before: Topology, after: Topology, modes: Sequence[str], given: Sequence[Event]) -> list[Spread]:
    events, earlier_events = (list_events(t, modes, given) for t in (after, before))
    nothing_after, *states = case_states(build_network(after), [(), *((e,) for e in events)], given)
    nothing, *states_before = case_states(build_network(before), [(), *((e,) for e in earlier_events)], given)
    of_event = dict(zip(earlier_events, states_before, strict=True))
    found = []
    for event, state in zip(events, states, strict=True):
        earlier = of_event.get(event, nothing)
        was, now = channels_reached(before, earlier, nothing), channels_reached(after, state, nothing_after)
        harmed = tuple(
            (c, o)
            for c, o in state.outcomes.items()
            if c in earlier.outcomes and OUTCOMES.index(o) > OUTCOMES.index(earlier.outcomes[c])
        )
        crossed = [c for c in now if c not in was and c != channel_of(after, event.id)]
        if crossed and (harmed or len(now) > 1):
            way = shortest_way(after, state, event, crossed)
            found.append(Spread(event, event.id in after.added, was, now, way, harmed))
    return sorted(found, key=lambda s: (len(s.channels_before) - len(s.channels_after), -len(s.consumers)))


def worst_one_by_one(topology: Topology, modes: Sequence[str], given: Sequence[Event]) -> tuple[Harm, Harm] | None:
    singles = [(e,) for e in list_events(topology, modes, given)]
    harms = []
    for (event,), state in zip(singles, case_states(build_network(topology), singles, given), strict=True):
        failing = [
            c
            for c in topology.consumers()
            if OUTCOMES.index(state.outcomes[c.id]) > OUTCOMES.index(topology.rides_through(c))
        ]
        loads = [topology.loads[c.id] for c in failing if c.id in topology.loads]
        demand = max(sum(in_phase(x.demand_kw, p, 0.0) or 0.0 for x in loads) for p in topology.phase_names)
        severest = min((c.severity for c in failing if c.severity), key=SEVERITIES.index, default=None)
        harms.append(Harm(event, tuple(c.id for c in failing), severest, demand))
    if not harms:
        return None

    def rank(harm: Harm) -> int:
        return SEVERITIES.index(harm.severest) if harm.severest else len(SEVERITIES)

    return (
        min(harms, key=lambda h: (rank(h), -len(h.failing), -h.demand_kw)),
        min(harms, key=lambda h: (-h.demand_kw, rank(h))),
    )


def assert_found_one_by_one(
    before: Topology, after: Topology, modes: Sequence[str], given: Sequence[Event] = ()
) -> list[Spread]:
    singles_before = single_failures(build_network(before), modes, given)
    singles_after = single_failures(build_network(after), modes, given, singles_before)
    found = find_spread(singles_before, singles_after)
    assert found == spread_one_by_one(before, after, modes, given)
    for singles in (singles_before, singles_after):
        for asked in (modes, ("loss",)):
            assert worst_single(singles, asked) == worst_one_by_one(
                singles.topology, [m for m in asked if m in modes], given
            )
    return found


def assert_random_changes_found(seeds: range) -> Counter[str]:
    seen: Counter[str] = Counter()
    for seed in seeds:
        rng = random.Random(seed)
        before = random_system(seed)
        after = changed_at_random(before, seed)
        if rng.random() < 0.2:  # two files: nothing is said to be added
            before, after = after, before
        modes = rng.choice([("loss", "short"), MODES, ("short", "leak")])
        common = sorted(set(list_events(before, modes)) & set(list_events(after, modes)), key=str)
        given = [rng.choice(common)] if common and rng.random() < 0.3 else []
        found = assert_found_one_by_one(before, after, modes, given)
        for variant in protected_variants(before, after, found)[-1:]:
            assert_found_one_by_one(before, variant.topology, modes, given)
            seen["variant"] += 1
        seen["spread"] += bool(found)
        seen["harm"] += any(s.consumers for s in found)
        seen["way"] += any(len(s.way) > 2 for s in found)
        seen["own"] += any(s.own for s in found)
        seen["other"] += any(not s.own for s in found)
        seen["given"] += bool(found and given)
    return seen


def test_all_events_together_find_what_each_finds_alone() -> None:
    seen = assert_random_changes_found(range(250))
    assert seen["spread"] > 60
    assert min(seen[name] for name in ("variant", "harm", "way", "own", "other", "given")) > 10, seen


@pytest.mark.full
def test_all_events_together_at_length() -> None:
    assert_random_changes_found(range(1000, 6000))


def test_all_events_of_a_large_system_are_found_together() -> None:
    before = channels_system(4)
    after = tied_channels(before)
    found = assert_found_one_by_one(before, after, ("loss", "short"))
    assert len(found) > 3
