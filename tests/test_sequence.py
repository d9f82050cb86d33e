"""One failure after another: the answered state against the slow evaluator, published behaviour of bus arrangements."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from powerfault.electrical.restore.study import plan_restoration
from powerfault.errors import RequestError
from powerfault.model.elements import OUTCOMES, Event, Topology
from powerfault.network.failure_modes import list_events
from powerfault.tolerance.sequence.answered import answer_in_turn
from powerfault.tolerance.sequence.study import study_sequence
from tests import reference
from tests.build import topology
from tests.random_topologies import random_topology
from tests.served_load import random_rated_system
from tests.slow_switching import random_controlled_system


def slow_state(t: Topology, first: Event, answered: int) -> tuple[Topology, set[str]]:
    """The file after the answer, from the steps of the plan alone: positions written down, what is shed noted."""
    found = reference.System(t).evaluate((first,))
    switches = {i: c for i, c in t.components.items() if c.is_switched}
    closed = {i for i, c in switches.items() if not c.normally_open and i not in found.tripped}
    if first.mode == "closed":
        closed.add(first.id)
    off: set[str] = set()
    (plan,) = plan_restoration(t, (first,)).plans
    for step in plan.steps:
        if OUTCOMES.index(step.stage) > answered:
            break
        if step.action == "open":
            closed.discard(step.id)
        elif step.action in ("close", "reclose"):
            closed.add(step.id)
        elif step.action == "shed":
            off.add(step.id)
        off -= set(step.restores)
    parts = dict(t.components)
    for i, c in switches.items():
        parts[i] = replace(c, normally="closed" if i in closed else "open")
    return replace(t, components=parts), off


def one_phase(seed: int) -> Topology | None:
    t = random_controlled_system(seed) if seed % 2 else random_rated_system(seed)
    simple = not any(c.needs for c in t.components.values()) and len(t.phases) == 1
    kinds = {c.kind for c in t.components.values()}
    return t if simple and not kinds & {"fuse", "jumper"} else None


@pytest.mark.parametrize("seed", range(40))
def test_the_answered_state_is_the_file_with_the_plan_carried_out(seed: int) -> None:
    t = one_phase(seed)
    if t is None:
        return
    rng = random.Random(seed)
    for first in rng.sample(list_events(t, ("loss", "short")), 3):
        state = answer_in_turn(t, [first])
        slow, off = slow_state(t, first, OUTCOMES.index("commanded"))
        storages = [i for i, c in t.components.items() if c.kind == "storage"]
        if reference.System(t).evaluate((first,)).zone[0][t.phase_names[0]] & set(storages):
            continue  # dead for the case: no position of the file says so
        for event in [e for e in list_events(t, ("loss", "short")) if e.id != first.id]:
            expected = reference.System(slow).evaluate((first, event)).outcomes
            got = reference.System(state.topology).evaluate((first, event)).outcomes
            for i in t.loads:
                if i in off or i in state.shed:
                    assert got[i] == "lost", (seed, str(first), str(event), i)
                else:
                    assert got[i] == expected[i], (seed, str(first), str(event), i)


@pytest.mark.parametrize("seed", range(12))
def test_the_study_is_every_ordered_pair_looked_at_alone(seed: int) -> None:
    t = random_topology(random.Random(seed))
    study = study_sequence(t, ("loss", "short"), alternatives=False)
    system = reference.System(t)
    rng = random.Random(seed)
    for first in rng.sample(study.firsts, min(5, len(study.firsts))):
        alone = system.evaluate((first.event,)).outcomes
        after = reference.System(answer_in_turn(t, [first.event]).topology)
        for event in rng.sample(sorted(first.in_sequence, key=str), min(6, len(first.in_sequence))):
            both = system.evaluate((first.event, event)).outcomes
            then = after.evaluate((first.event, event)).outcomes
            for i in (*t.loads, *t.functions):
                bad = reference.fails(t, i, alone[i]) or reference.fails(t, i, then[i])
                assert (i in first.in_sequence[event]) == bad, (seed, str(first.event), str(event), i)
                assert (i in first.at_once[event]) == reference.fails(t, i, both[i])


def section(**tie: object) -> Topology:
    """A sectionalised bus: two sources, two sections, a tie between them."""
    return topology(
        {
            "S1": "source", "BR1": "breaker", "B1": "bus", "S2": "source", "BR2": "breaker", "B2": "bus",
            "TIE": {"kind": "breaker", "normally": "open", **tie},
            "F1": "breaker", "F2": "breaker",
        },
        ["S1 -> BR1 -> B1", "S2 -> BR2 -> B2", "B1 <-> TIE <-> B2", "B1 -> F1", "B2 -> F2"],
        {"L1": {"fed_by": "F1", "rides_through": "commanded"}, "L2": {"fed_by": "F2"}},
    )  # fmt: skip


def test_a_tie_that_was_closed_is_open_again_for_a_fault_only_if_its_breaker_clears() -> None:
    """A section fault trips the tie: one section lost (outside-facts, section 1: sectionalised, tie closed, bus fault
    N/2); with the tie's breaker stuck both sections are lost (N).
    """
    study = study_sequence(section(), ("loss", "short", "stuck"), alternatives=False)
    lost = next(f for f in study.firsts if str(f.event) == "S1")
    assert lost.state.positions == {"TIE": "closed"}
    assert lost.in_sequence[Event("B1", "short")] == {"L1"}
    assert lost.in_sequence[Event("B2", "short")] == {"L1", "L2"}  # the only source left is on that section
    plain = study_sequence(section(clears_faults=False), ("loss", "short"), alternatives=False)
    lost = next(f for f in plain.firsts if str(f.event) == "S1")
    assert lost.in_sequence[Event("B1", "short")] == {"L1", "L2"}
    assert lost.in_sequence[Event("B1", "short")] - lost.at_once[Event("B1", "short")] == {"L2"}
    assert ("S1", "B1:short") in [tuple(map(str, p)) for p in plain.verdict("L2").worse]


def test_ring_opened_by_a_first_outage() -> None:
    """A ring with one breaker open: a further fault splits it (outside-facts, section 1, checked there by brute force
    with the rule 'a circuit is lost if it lies in the zone or has no path left to any other circuit').
    """
    parts: dict[str, object] = {f"N{i}": "bus" for i in range(6)}
    parts |= {f"B{i}": "breaker" for i in range(6)} | {"S0": "source", "S3": "source"}
    feeds = [f"N{i} <-> B{i} <-> N{(i + 1) % 6}" for i in range(6)] + ["S0 -> N0", "S3 -> N3"]
    t = topology(parts, feeds, {f"L{i}": {"fed_by": f"N{i}", "rides_through": "commanded"} for i in (1, 2, 4, 5)})
    study = study_sequence(t, ("loss", "short"), alternatives=False)
    first = next(f for f in study.firsts if str(f.event) == "B1")
    assert first.fails == ()
    assert first.in_sequence[Event("N0", "short")] == {"L1"}  # N1 hangs on N0 alone, N2 on N3
    assert first.in_sequence[Event("N4", "short")] == {"L4"}


def test_circles_that_stopped_do_not_count_as_running() -> None:
    t = topology(
        {
            "S-A": "source", "A": "bus", "S-B": "source", "B": "bus",
            "TIE": {"kind": "switch", "normally": "open"}, "CV": {"kind": "converter", "needs": "PUMP"},
        },
        ["S-A -> A", "S-B -> B", "B -> TIE -> A", "A -> CV"],
        {"PUMP": {"fed_by": "CV"}, "LAMP": {"fed_by": "A"}},
    )  # fmt: skip
    state = answer_in_turn(t, ["S-A"])
    assert state.positions == {"TIE": "closed"}
    assert state.out_of_service == ("CV",)
    assert reference.System(state.topology).evaluate(state.given).outcomes["PUMP"] == "lost"


def test_wrong_questions() -> None:
    with pytest.raises(RequestError, match="has failed already"):
        answer_in_turn(section(), ["S1", "S1"])
    with pytest.raises(RequestError, match="no stage"):
        answer_in_turn(section(), ["S1"], "soon")
