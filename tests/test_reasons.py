"""Reasons are facts: each leaf is an event or a state of the case, each step a real dependence, each way live."""

from __future__ import annotations

import json
from itertools import pairwise

import pytest
from random_topologies import random_topology

from powerfault.failures.case_state import CaseState, case_states
from powerfault.model.elements import MODES, OUTCOMES, STAGES, Component, Event
from powerfault.model.reader import read_topology_text
from powerfault.network.failure_modes import list_events
from powerfault.network.graph import Network, build_network
from powerfault.tolerance.explain.reason_tree import Reason
from powerfault.tolerance.explain.reasons import Explanation, explain

TIED = """
powerfault: 1
name: tied
components:
  PV: {kind: source}
  BUS: {kind: bus}
  CV: {kind: converter, needs: [coolant]}
  DB: {kind: bus}
  PV-2: {kind: source}
  TIE: {kind: breaker, normally: open, operated: commanded, operated_by: [CTRL]}
feeds: [PV -> BUS -> CV -> DB, PV-2 -> TIE -> DB]
loads:
  PUMP: {fed_by: [BUS]}
  CTRL: {fed_by: [BUS]}
  LAMP: {fed_by: [DB]}
functions: {coolant: {of: [PUMP]}}
"""


def explained(consumer: str, *failed: str, text: str = TIED) -> Explanation:
    topology = read_topology_text(text)
    network = build_network(topology)
    events = [Event(*f.split(":")) for f in failed]
    return explain(network, case_states(network, [events])[0], consumer)


def test_the_chain_runs_from_the_consumer_to_the_event_and_names_what_restores() -> None:
    found = explained("LAMP", "CV")
    assert found.outcome == "commanded"
    assert found.restored_by == ("closing TIE (commanded)",)
    assert found.path == ("PV-2", "TIE", "DB", "LAMP")
    first, second = found.sentences()
    assert first.endswith("DB has lost its feeds CV, TIE; CV has failed (lost).")
    assert "restored at stage commanded by closing TIE" in second


def test_a_switch_whose_operator_is_down_is_the_reason_that_nothing_restores() -> None:
    found = explained("LAMP", "BUS")
    assert found.outcome == "lost"
    assert found.still is not None
    texts = [r.text for _, r in found.still.walk()]
    assert "TIE stands open; what operates it is not served: CTRL" in texts


def test_an_unmet_need_is_named() -> None:
    text = TIED.replace("PUMP: {fed_by: [BUS]}", "PUMP: {fed_by: [FD]}").replace(
        "  DB: {kind", "  FD: {kind: fuse}\n  DB: {kind"
    )
    found = explained("LAMP", "FD", text=text.replace("feeds: [", "feeds: [BUS -> FD, "))
    texts = [r.text for _, r in found.at_once.walk()] if found.at_once else []
    assert "CV needs coolant" in texts
    assert "FD has failed (lost)" in texts


def test_a_short_is_traced_through_its_zone() -> None:
    found = explained("LAMP", "DB:short")
    texts = [r.text for _, r in found.at_once.walk()] if found.at_once else []
    assert "DB has failed (shorted)" in texts


def test_where_feed_and_need_are_both_gone_the_one_that_went_first_counts() -> None:
    # The pump that cools the converter hangs on the converter; what failed is the bus before it.
    text = TIED.replace("PUMP: {fed_by: [BUS]}", "PUMP: {fed_by: [DB]}")
    found = explained("PUMP", "BUS", text=text)
    assert found.at_once is not None
    texts = [r.text for _, r in found.at_once.walk()]
    assert "CV has lost its feed BUS" in texts
    assert "BUS has failed (lost)" in texts
    assert "CV needs coolant" not in texts
    assert found.sentences()[0].endswith("BUS has failed (lost).")


def test_what_only_lacks_its_start_is_said_to_depend_on_itself() -> None:
    # The tie brings the bus back, but not the converter, whose pump hangs on the converter.
    text = TIED.replace("PUMP: {fed_by: [BUS]}", "PUMP: {fed_by: [DB]}").replace(
        "PV-2 -> TIE -> DB", "PV-2 -> TIE -> BUS"
    )
    text = text.replace("operated: commanded, operated_by: [CTRL]", "operated: automatic")
    found = explained("LAMP", "PV", text=text)
    assert found.at_once is not None
    assert found.still is not None
    assert "PV has failed (lost)" in [r.text for _, r in found.at_once.walk()]
    still = [r.text for _, r in found.still.walk()]
    assert "CV needs coolant" in still
    assert still[-1].endswith("depends on itself and has nothing else to start from")


def ladder(rungs: int) -> str:
    """Two buses a rung, each fed by both of the rung before: 2 to the power of ``rungs`` ways from source to load."""
    buses = "".join(f"  A{i}: {{kind: bus}}\n  B{i}: {{kind: bus}}\n" for i in range(rungs))
    feeds = "".join(f"  - {a}{i} -> {b}{i + 1}\n" for i in range(rungs - 1) for a in "AB" for b in "AB")
    last = f"A{rungs - 1}, B{rungs - 1}"
    return (
        f"powerfault: 1\nname: ladder\ncomponents:\n  S: {{kind: source}}\n{buses}feeds:\n  - S -> A0\n  - S -> B0\n"
        f"{feeds}loads:\n  L: {{fed_by: [{last}], inputs: isolated}}\n"
    )


def test_each_thing_is_explained_once() -> None:
    found = explained("L", "S", text=ladder(60))
    assert found.at_once is not None
    reasons = [r for _, r in found.at_once.walk()]
    opened = [r.id for r in reasons if r.because]
    assert len(opened) == len(set(opened)) == 121
    assert len(reasons) <= 1 + 2 * 121
    assert found.at_once.same_as(found.still)
    assert sum("explained elsewhere here" in r.text for r in reasons) == 2 * 59


def test_a_way_of_thousands_is_explained_and_written() -> None:
    way = [f"C{i}" for i in range(2500)]
    text = "powerfault: 1\nname: way\ncomponents:\n  S: {kind: source}\n"
    text += "".join(f"  {i}: {{kind: cable}}\n" for i in way)
    text += f"feeds: [S -> {' -> '.join(way)}]\nloads:\n  L: {{fed_by: [{way[-1]}]}}\n"
    found = explained("L", "S", text=text)
    assert found.sentences()[0].endswith("S has failed (lost).")
    written = json.dumps(found.to_json())
    assert all(f'"{i}"' in written for i in ("S", *way, "L"))


@pytest.mark.parametrize("seed", range(500, 560))
def test_reasons_and_ways_hold_on_random_systems(seed: int) -> None:
    topology = random_topology(seed)
    network = build_network(topology)
    events = list_events(topology, MODES)
    for state in case_states(network, [(e,) for e in events][:25]):
        for consumer, outcome in state.outcomes.items():
            found = explain(network, state, consumer)
            assert found.outcome == outcome or consumer not in state.by_phase[found.phase]
            assert (found.at_once is None) == (found.outcome == STAGES[0])
            if found.at_once is not None:
                check(network, state, found.phase, 0, found.at_once)
            if found.still is not None:
                check(network, state, found.phase, len(STAGES) - 1, found.still)
            if found.path:
                stage = OUTCOMES.index(found.outcome)
                assert set(found.path) <= state.live[stage][found.phase]
                numbers = [network.index[i] for i in found.path]
                assert all(a in network.upstream[b] for a, b in pairwise(numbers))
                start = network.elements[numbers[0]]
                assert isinstance(start, Component)
                assert start.is_source
            assert found.sentences()


def check(network: Network, state: CaseState, phase: str, stage: int, reason: Reason) -> None:
    """Assert that a reason is true of the case, and so are those below it."""
    assert reason.id not in state.live[stage][phase]
    v = network.index[reason.id]
    if reason.cause == "failed":
        assert any(e.id == reason.id for e in (*state.failed, *state.standing))
    elif reason.cause == "zone":
        assert reason.id in state.zone[stage][phase] | state.zone[0][phase]
    elif reason.cause == "tripped":
        assert reason.id in state.tripped | state.blocking[stage][phase]
    elif reason.cause == "need":
        assert {r.id for r in reason.because} <= {network.ids[x.node] for x in network.needs[v]}
    elif reason.cause == "feed":
        assert {r.id for r in reason.because} <= {network.ids[u] for u in network.upstream[v]}
    for below in reason.because:
        check(network, state, phase, stage, below)
