"""Coolant lines: pumps, valves, leaks that drain, and equipment that bears the loss of its cooling for a while.

The hand-worked cases are the project's own (the format's extension); practice on valves and leaks: common practice, no
source.
"""

from __future__ import annotations

from itertools import combinations

import pytest
from random_coolant import random_cooled_topology
from reference import System

from powerfault.errors import ModelError
from powerfault.failures.case_state import case_states
from powerfault.failures.outcomes import evaluate_table
from powerfault.model.elements import MODES, OUTCOMES, Event
from powerfault.model.reader import read_topology_text
from powerfault.network.failure_modes import list_events
from powerfault.network.graph import build_network

LOOPS = """
powerfault: 1
name: Two loops
components:
  PV: {kind: source}
  BUS: {kind: bus}
  CV: {kind: converter, needs: [{id: HX-A, bears: %(bears)s}]}
  DB: {kind: bus}
  PMP-A: {kind: pump, needs: [MOT-A]}
  RAD-A: {kind: radiator}
  V-A: {kind: valve, operated: %(valve)s}
  HX-A: {kind: line}
  PMP-B: {kind: pump, needs: [MOT-B]}
  V-X: {kind: valve, normally: closed, operated: commanded}
feeds:
  - PV -> BUS -> CV -> DB
  - PMP-A -> RAD-A -> V-A -> HX-A
  - PMP-B -> V-X -> HX-A
loads:
  MOT-A: {fed_by: [BUS]}
  MOT-B: {fed_by: [BUS]}
  LAMP: {fed_by: [DB]}
"""


def outcome(consumer: str, *failed: str, bears: str = "uninterrupted", valve: str = "commanded") -> str:
    topology = read_topology_text(LOOPS % {"bears": bears, "valve": valve})
    events = [Event(*f.split(":")) for f in failed]
    return case_states(build_network(topology), [events])[0].outcomes[consumer]


def test_a_lost_pump_stops_what_it_cools_until_the_other_loop_is_valved_in() -> None:
    assert outcome("LAMP", "PMP-A") == "commanded"


def test_equipment_that_bears_the_loss_until_then_is_not_interrupted() -> None:
    assert outcome("LAMP", "PMP-A", bears="commanded") == "uninterrupted"
    assert outcome("LAMP", "PMP-A", bears="automatic") == "commanded"


def test_it_bears_nothing_where_cooling_never_comes_back() -> None:
    # With both pumps gone the need is not served by then: the converter stops at once, not later.
    assert outcome("LAMP", "PMP-A", "PMP-B", bears="manual") == "lost"


def test_a_leak_drains_up_to_the_nearest_closed_valve_for_good() -> None:
    # V-A is commanded: too slow, so the leak at the radiator drains HX-A as well and loop B cannot serve it.
    assert outcome("LAMP", "RAD-A:leak", bears="commanded") == "lost"


def test_a_valve_that_closes_by_itself_saves_what_lies_behind_it() -> None:
    assert outcome("LAMP", "RAD-A:leak", bears="commanded", valve="automatic") == "uninterrupted"
    assert outcome("LAMP", "RAD-A:leak", "V-A:stuck", bears="commanded", valve="automatic") == "lost"


def test_coolant_and_power_cannot_be_linked() -> None:
    with pytest.raises(ModelError, match="coolant and power meet only through needs"):
        read_topology_text((LOOPS % {"bears": "manual", "valve": "manual"}).replace("PV -> BUS", "PMP-B -> BUS"))


@pytest.mark.parametrize("first", range(0, 60, 10))
def test_engine_equals_reference_with_coolant(first: int) -> None:
    for seed in range(first, first + 10):
        topology = random_cooled_topology(seed)
        network, system = build_network(topology), System(topology)
        events = list_events(topology, MODES)
        cases: list[tuple[Event, ...]] = [(), *((e,) for e in events)]
        cases += [c for c in combinations(events, 2) if c[0].id != c[1].id][:: max(1, len(events) // 4)][:60]
        states = case_states(network, cases)
        for case, state in zip(cases, states, strict=True):
            found = system.evaluate(case)
            assert dict(state.outcomes) == found.outcomes, (seed, case)
            assert state.by_phase == found.by_phase, (seed, case)
            assert state.live == found.live, (seed, case)
        table = evaluate_table(network, 2, MODES)
        wanted = {case: state.outcomes for case, state in zip(cases, states, strict=True)}
        for block in table.blocks:
            for row, outcomes in zip(block.cases, block.outcomes, strict=True):
                case = tuple(table.events[e] for e in row)
                if case in wanted:
                    assert {c: OUTCOMES[o] for c, o in zip(table.consumers, outcomes, strict=True)} == wanted[case]
