"""What a tie does to faults and earthing, and the variant that would stop it.

IMO MSC/Circ.645 3.1-3.2: a failure in one system must never transfer to the other; with a tie closed without breakers a
short on one side also loses the other, with breakers (or open) only its own.
"""

from __future__ import annotations

import pytest

from powerfault.before_after import Comparison, compare
from powerfault.model.reader import read_topology_text
from powerfault.network.galvanic import galvanic_domains

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
