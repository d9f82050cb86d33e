"""Every state of every plan, judged by the reference evaluator on a copy of the file with the positions of the state.

Asked of each step: a switch moves only while all that operates it is served; nothing is closed on to a fault; what is
said to be served is served, and what is connected and has power is said to be; all of it within ratings.
"""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from powerfault.electrical.restore.plan import CLOSE, CONNECT, MATE, OPEN, RECLOSE, RETURN, SHED, SwitchingPlan
from powerfault.electrical.restore.study import plan_restoration
from powerfault.model.elements import STAGES, Component, Event, Need, Topology
from tests.build import events, topology
from tests.random_topologies import random_topology
from tests.reference import Found, System, list_events
from tests.served_load import Trial, random_rated_system
from tests.slow_switching import random_controlled_system

MODES = ("loss", "short", "stuck", "closed")


class Replay:
    """One plan, followed step by step."""

    def __init__(self, t: Topology, case: tuple[Event, ...], plan: SwitchingPlan) -> None:
        self.t, self.case, self.plan = t, case, plan
        self.mode = {e.id: e.mode for e in (*t.standing, *case)}
        self.begun = System(t).evaluate(case)
        self.closed = {
            i
            for i, c in t.components.items()
            if c.is_switched and c.normally != "open" and i not in self.begun.tripped and self.mode.get(i) != "loss"
        }
        self.tripped = {i for i in self.begun.tripped if t.components[i].is_switched}
        self.closed -= self.tripped
        self.mated: set[str] = set()
        self.off: set[str] = set()
        self.judged = [c.id for c in t.consumers() if c.judged_in(plan.phase)]
        self.on = set(self.judged) - set(plan.interrupted)
        self.faults: list[str] = []
        self.needs_hold_in_circles = any(x.needs for x in (*t.components.values(), *t.loads.values()))

    def found(self, stage: int) -> Found:
        """What the reference finds with nothing operable and these positions in the file."""
        parts: dict[str, Component] = {"OFF": Component(id="OFF", kind="bus")}
        charged = self.begun.charged[stage]
        for i, c in self.t.components.items():
            if c.is_switched and self.mode.get(i) not in ("loss", "closed", "stuck"):
                # What failed is where the file has it; all others are where the plan has them.
                c = replace(c, normally="closed" if i in self.closed else "open")
            if i in self.mated:
                c = replace(c, mated=True)
            if c.charged_by is not None:
                c = replace(c, charged_by=None, capacity_kw=c.capacity_kw if i in charged else 0.0)
            if c.kind == "storage" and i in self.begun.zone[0][self.plan.phase]:
                c = replace(c, capacity_kw=0.0)  # dead for the case
            if c.kind == "fuse" and i in self.begun.tripped:
                c = replace(c, needs=(Need("OFF"),))  # blown
            parts[i] = replace(c, crew_may_mate=False)
        loads = {i: replace(x, needs=(*x.needs, Need("OFF"))) if i in self.off else x for i, x in self.t.loads.items()}
        return System(replace(self.t, components=parts, loads=loads)).evaluate(self.case)

    def wrong(self, text: str) -> None:
        self.faults.append(text)

    def look(self, where: str, stage: int, found: Found) -> None:
        live = found.live[0][self.plan.phase]
        for i in sorted(self.on - live):
            self.wrong(f"{where}: {i} is said to be served and is not")
        if not self.needs_hold_in_circles:
            for i in sorted((live - self.on) & set(self.judged) & set(self.t.loads)):
                self.wrong(f"{where}: {i} is connected and live and is not said to be served")
        trial = Trial(self.t, self.case, stage, self.plan.phase)
        connected = {i for i in self.t.loads if i in self.on or (i in live and i not in self.judged)}
        if not trial.carries(set(live) - (set(self.t.loads) - connected), connected, {}):
            self.wrong(f"{where}: {sorted(self.on)} are beyond ratings")

    def run(self) -> list[str]:
        before = self.found(0)
        for step in self.plan.steps:
            stage = STAGES.index(step.stage)
            where = f"step {step.number} {step.action} {step.id}"
            live = before.live[0][self.plan.phase]
            zone = before.zone[0][self.plan.phase]
            part = self.t.components.get(step.id)
            if step.action in (OPEN, CLOSE, RECLOSE):
                assert part is not None
                if self.mode.get(step.id) in ("stuck", "closed", "loss"):
                    self.wrong(f"{where}: it cannot be moved")
                if part.operated_stage is None or part.operated_stage > stage:
                    self.wrong(f"{where}: too early")
                said = live & (self.on | set(self.t.components) | set(self.t.functions))
                for o in part.operated_by:
                    if o not in said:
                        self.wrong(f"{where}: {o}, which operates it, is not served")
            if step.action == OPEN:
                if step.id not in self.closed:
                    self.wrong(f"{where}: it is open")
                self.closed.discard(step.id)
                self.tripped.discard(step.id)
            elif step.action in (CLOSE, RECLOSE):
                if step.id in self.closed:
                    self.wrong(f"{where}: it is closed")
                near = {a for a, b in System(self.t).links if b == step.id}
                near |= {b for a, b in System(self.t).links if a == step.id}
                if near & zone:
                    self.wrong(f"{where}: on to the fault at {sorted(near & zone)}")
                self.closed.add(step.id)
                self.tripped.discard(step.id)
            elif step.action == MATE:
                self.mated.add(step.id)
            elif step.action == SHED:
                self.off.add(step.id)
            elif step.action == CONNECT:
                self.off.discard(step.id)
            else:
                assert step.action == RETURN
            if set(step.restores) & self.on:
                self.wrong(f"{where}: brings back what is served")
            self.on |= set(step.restores)
            self.on -= set(step.drops)
            after = self.found(stage)
            if step.action in (CLOSE, RECLOSE) and not after.zone[0][self.plan.phase] <= zone:
                self.wrong(f"{where}: the fault reaches further")
            following = self.plan.steps[step.number : step.number + 1]
            if not (step.action in (SHED, CONNECT) and following and following[0].action == step.action):
                self.look(where, stage, after)
            before = after
        if self.on & set(self.judged) != set(self.plan.served):
            self.wrong(f"served in the end: {sorted(self.plan.served)}, by the steps {sorted(self.on)}")
        return self.faults


def check(t: Topology, seed: int, cases: int = 3) -> None:
    rng = random.Random(seed)
    listed = list_events(t, MODES)
    shorts = [e for e in listed if e.mode == "short"] or listed
    if not listed:
        return
    tried = [(rng.choice(shorts),)]
    for _ in range(cases - 1):
        case = (rng.choice(shorts), rng.choice(listed))
        if case[0].id != case[1].id:
            tried.append(case)
    for case in tried:
        for plan in plan_restoration(t, case).plans:
            faults = Replay(t, case, plan).run()
            steps = [(s.stage, s.action, s.id) for s in plan.steps]
            assert not faults, (t.name, [str(e) for e in case], plan.phase, steps, faults)


def plain(t: Topology) -> Topology:
    """Without what is checked elsewhere: one-feed points and outputs that must not be paralleled."""
    return replace(t, components={i: replace(c, one_feed=False, may_parallel=None) for i, c in t.components.items()})


@pytest.mark.parametrize("seed", range(60))
def test_plans_over_random_systems_close_on_to_no_fault(seed: int) -> None:
    check(random_topology(seed), seed)
    check(plain(random_rated_system(seed)), seed)


@pytest.mark.parametrize("seed", range(30))
def test_plans_over_random_systems_with_controllers(seed: int) -> None:
    check(random_controlled_system(seed), seed)


@pytest.mark.full
@pytest.mark.parametrize("seed", range(100, 600))
def test_plans_over_many_random_systems(seed: int) -> None:
    check(random_topology(seed), seed, 6)
    check(plain(random_rated_system(seed)), seed)
    check(random_controlled_system(seed), seed)


def first(t: Topology, failed: str) -> list[tuple[str, str]]:
    return [(s.action, s.id) for s in plan_restoration(t, events(failed)).plans[0].steps]


def test_a_closed_switch_towards_the_fault_is_opened_first() -> None:
    t = topology(
        {"S1": "source", "S2": "source", "X": "bus", "Q": {"kind": "switch", "operated": "manual"}, "D": "bus",
         "T": {"kind": "switch", "normally": "open", "operated": "commanded"}},
        ["S1 -> X -> Q -> D", "S2 -> T -> D"],
        {"L": {"fed_by": "D"}},
    )  # fmt: skip
    assert first(t, "X:short") == [(OPEN, "Q"), (CLOSE, "T")]


def test_a_tripped_breaker_is_not_reclosed_on_to_a_fault_behind_a_load_with_common_inputs() -> None:
    t = topology(
        {"S1": "source", "S2": "source", "X": "bus", "Q": {"kind": "switch", "operated": "manual"},
         "B": {"kind": "breaker", "operated": "commanded"}},
        ["S1 -> X -> Q", "S2 -> B"],
        {"L": {"fed_by": "Q B", "inputs": "common"}},
    )  # fmt: skip
    assert first(t, "X:short") == [(OPEN, "Q"), (RECLOSE, "B")]


def test_a_converter_without_isolation_keeps_no_fault_back() -> None:
    t = topology(
        {"S1": "source", "S2": "source", "X": "bus", "Q": {"kind": "switch", "operated": "commanded"},
         "CV": {"kind": "converter", "isolated": False}, "D": "bus",
         "T": {"kind": "switch", "normally": "open", "operated": "commanded"}},
        ["S1 -> X -> Q -> CV -> D", "S2 -> T -> D"],
        {"L": {"fed_by": "D"}},
    )  # fmt: skip
    assert first(t, "X:short") == [(OPEN, "Q"), (CLOSE, "T")]
