"""Installation plans: the timeline, the lock-out rules one by one, states and exposure, the order of jobs."""

from __future__ import annotations

import json
import random
import re
from itertools import permutations
from pathlib import Path

import networkx as nx
import pytest

from powerfault.cli import main
from powerfault.errors import ModelError, TooLargeError
from powerfault.fitting.outing.exposure import JobCost, StateJudge, Where, best_order
from powerfault.fitting.outing.plan import OutingPlan
from powerfault.fitting.outing.reader import load_plan, read_plan_text
from powerfault.fitting.outing.site import both_ends
from powerfault.fitting.outing.study import PlanStudy, phases_between, study_plan
from powerfault.fitting.outing.timeline import build_timeline, precedence
from powerfault.model.elements import Topology
from powerfault.model.modify import apply_proposals
from powerfault.model.open_point_rules import OpenPointRules
from powerfault.model.reader import load_topology, read_topology_text
from powerfault.output.answers.outing_text import outing_json, outing_markdown, verdict_line
from powerfault.output.pictures.outing_picture import outing_svg
from powerfault.output.sections.outing_files import outing_files
from powerfault.tolerance.study import study

FOLDER = Path(__file__).parent.parent / "topologies"

SYSTEM = """
powerfault: 1
name: Two buses
phases: {sunlit: {duration_h: 1.0}, dark: {duration_h: 0.5}}
stage_minutes: {automatic: 0.1, commanded: 15, manual: 480}
components:
  SA: {kind: source}
  SB: {kind: source}
  QA: {kind: breaker, operated: manual, site: east, lockable: true}
  QB: {kind: breaker, operated: commanded, operated_by: [CTRL], site: west, lockable: true}
  A:  {kind: bus, can_fail: false}
  B:  {kind: bus, can_fail: false, discharge_min: 6, capacitance_mf: 2}
feeds: [SA -> QA -> A, SB -> QB -> B]
loads:
  CTRL: {fed_by: [A, B], severity: critical, inputs: isolated}
  LA: {fed_by: [A], severity: critical, rides_through: commanded}
  LB: {fed_by: [B], severity: major, rides_through: commanded}
proposals:
  TIE:
    add:
      components:
        KA: {kind: breaker, normally: open, operated_by: [CTRL], site: east, lockable: true}
        CA: {kind: connector, site: east, mate_cycles_left: 5}
        J:  {kind: jumper, length_m: 5}
        CB: {kind: connector, site: west}
      feeds: [A <-> KA <-> CA <-> J <-> CB <-> B]
    crew_minutes: 30
"""

STEPS = """
- {id: go-e, do: travel, to: east, who: UMA, after: []}
- {id: go-w, do: travel, to: west, who: ILO, after: []}
- {id: open-a, do: open, what: QA, who: UMA, minutes: 2, after: [go-e]}
- {id: tag-a, do: tag, what: QA, who: UMA, minutes: 2}
- {id: tag-ka, do: tag, what: KA, who: UMA, minutes: 2}
- {id: open-b, do: open, what: QB, who: inside, minutes: 1, after: []}
- {id: tag-b, do: tag, what: QB, who: ILO, minutes: 2, after: [open-b, go-w]}
- {id: bleed, do: wait, who: inside, minutes: 6, after: [open-a, open-b]}
- {id: dead-a, do: prove-dead, what: CA, who: UMA, minutes: 3, after: [tag-a, tag-ka, tag-b, bleed]}
- {id: dead-b, do: prove-dead, what: CB, who: ILO, minutes: 3, after: [tag-a, tag-ka, tag-b, bleed]}
- {id: mate-a, do: mate, what: CA, who: UMA, minutes: 5, after: [dead-a, dead-b]}
- {id: mate-b, do: mate, what: CB, who: ILO, minutes: 5, after: [dead-a, dead-b]}
- {id: free-a, do: untag, what: QA, who: UMA, minutes: 1, after: [mate-a, mate-b]}
- {id: free-ka, do: untag, what: KA, who: UMA, minutes: 1, after: [mate-a, mate-b]}
- {id: free-b, do: untag, what: QB, who: ILO, minutes: 1, after: [mate-a, mate-b]}
- {id: close-a, do: close, what: QA, who: UMA, minutes: 1, after: [free-a, free-b]}
- {id: close-b, do: close, what: QB, who: inside, minutes: 1, after: [free-b, close-a]}
"""


NO_PRACTICE = "{earth: false, cover: false, see_open: false}"


def plan_text(
    steps: str = STEPS,
    *,
    practice: str = NO_PRACTICE,
    points: int = 1,
    outing: str = "limit_min: 120",
    job: str = "fits: [TIE]",
) -> str:
    body = "\n".join(f"          {line}" for line in steps.strip().splitlines())
    return f"""
outing_plan: 1
name: tie A and B
crew: [UMA, ILO]
open_points: {points}
practice: {practice}
sites: {{lock: {{}}, east: {{room: 1}}, west: {{room: 1}}}}
travel_min:
  lock: {{east: 5, west: 7}}
  east: {{west: 3}}
outings:
  first:
    {outing}
    start_site: lock
    end_site: lock
    jobs:
      tie:
        {job}
        steps:
{body}
"""


def changed(id_: str, **fields: str) -> str:
    """The steps with some fields of one of them replaced, or added."""
    lines = []
    for line in STEPS.strip().splitlines():
        if f"{{id: {id_}," in line:
            for name, value in fields.items():
                line, count = re.subn(rf"{name}: (\[[^\]]*\]|[^,}}]+)", f"{name}: {value}", line)
                if not count:
                    line = line.replace("}", f", {name}: {value}}}")
        lines.append(line)
    return "\n".join(lines)


def system() -> Topology:
    return read_topology_text(SYSTEM, "system.yaml")


def run_plan(text: str, topology: Topology | None = None) -> PlanStudy:
    topology = topology or system()
    return study_plan(topology, read_plan_text(text, topology, "plan.yaml"), order=1)


def without(*ids: str) -> str:
    """The steps without some of them, and without a trace of them in what others come after."""
    kept = [line for line in STEPS.strip().splitlines() if not any(f"{{id: {i}," in line for i in ids)]
    text = "\n".join(kept)
    for i in ids:
        text = re.sub(rf"(?<=[\[ ]){re.escape(i)}(, )?(?=[\],a-z])", "", text)
    return text.replace(", ]", "]")


def refusals(study_: PlanStudy) -> set[tuple[str, str]]:
    """(rule, step) of what refuses."""
    return {(f.rule, f.message.split(":")[0]) for f in study_.findings if f.refuses}


# The sound plan


def test_a_plan_in_the_published_order_is_accepted() -> None:
    found = run_plan(plan_text())
    assert refusals(found) == set()
    assert not found.refused
    steps = {s.slot.step.id: s for s in found.results[0].steps}
    assert all(not s.refused for s in steps.values())
    assert steps["mate-a"].stop == "no", "mated at one end only"
    assert "half mated" in steps["mate-a"].reasons[0]
    assert steps["close-b"].stop == "yes"
    assert steps["close-b"].fitted == ("TIE",)
    # Before: LA hangs on SA alone. After: the tie brings it back by command.
    assert "LA" in found.start.unmet
    assert steps["close-b"].judgement.shortfall < found.start.shortfall


def test_states_equal_the_study_of_the_system_they_stand_for() -> None:
    found = run_plan(plan_text())
    steps = {s.slot.step.id: s for s in found.results[0].steps}
    last = study(apply_proposals(system(), ["TIE"]), 1)
    assert steps["close-b"].judgement.tolerates == {v.id: v.tolerates for v in last.verdicts}
    # With QA and QB open and tagged everything is down.
    dark = steps["tag-b"].judgement
    assert set(dark.failing) == {"CTRL", "LA", "LB"}
    given = study(system(), 1, given=["QA", "QB"])
    assert dark.tolerates == {v.id: v.tolerates for v in given.verdicts}
    worst = found.start.worst
    assert worst is not None
    assert str(worst.event) in ("SA", "QA"), "critical LA goes before major LB"
    assert worst.failing == ("LA",)


# The rules, one by one: 29 CFR 1910.147(d), NFPA 70E-2018 120.5, EN 50110-1 (outside facts, section 6)


@pytest.mark.parametrize(
    ("steps", "rule", "step"),
    [
        # one end only is open
        (without("open-b", "tag-b", "free-b", "close-b"), "isolate", "mate-b"),
        # open, but not tagged
        (without("tag-b", "free-b"), "lock-and-tag", "mate-b"),
        (without("tag-a", "tag-ka", "free-a", "free-ka"), "lock-and-tag", "mate-a"),
        # stored energy not waited for, or too short, or before the last opening
        (without("bleed"), "stored-energy", "mate-a"),
        (changed("bleed", minutes="5"), "stored-energy", "mate-a"),
        (changed("bleed", after="[open-a]"), "stored-energy", "mate-b"),
        # mates before verification; one end only; too early; by telemetry
        (without("dead-a", "dead-b"), "prove-dead", "mate-a"),
        (without("dead-b"), "prove-dead", "mate-a"),
        (without("dead-a"), "prove-dead", "mate-b"),
        (changed("dead-a", after="[]"), "prove-dead", "mate-a"),
        (changed("dead-a", by="telemetry"), "position", "mate-b"),
        # switching before the work is done, or under a tag
        (changed("free-a", after="[dead-a]"), "release", "free-a"),
        (without("free-b"), "release", "close-b"),
        (changed("close-b", after="[dead-b]"), "release", "close-b"),
        # by hand from inside
        (changed("open-a", who="inside", after="[]"), "operate", "open-a"),
        # what cannot be done in that state
        (changed("tag-a", what="A"), "sequence", "tag-a"),
        (without("open-a"), "sequence", "tag-a"),
        (changed("mate-b", do="reconnect"), "sequence", "mate-b"),
        (STEPS + "- {id: again, do: mate, what: CA, who: UMA, minutes: 2}", "sequence", "again"),
        (STEPS + "- {id: off, do: demate, what: CA, who: UMA, minutes: 2}", "isolate", "off"),
    ],
)  # fmt: skip
def test_each_broken_rule_is_caught_by_its_name(steps: str, rule: str, step: str) -> None:
    found = run_plan(plan_text(steps))
    assert (rule, step) in refusals(found), sorted(refusals(found))
    # No state from the refused step on is called safe.
    order = [s.slot.step.id for s in found.results[0].steps]
    by_id = {s.slot.step.id: s for s in found.results[0].steps}
    begun = min(by_id[f.ids[0]].slot.begin for f in found.findings if f.refuses and f.ids[0] in by_id)
    for s in (by_id[i] for i in order):
        if s.slot.begin >= begun and s.slot.end > begun:
            assert s.refused
            assert s.stop == "no"
            assert "violation" in s.reasons[0]
    assert found.refused
    assert "REFUSED" in verdict_line(found)
    with_rule = next(f for f in found.findings if f.rule == rule and f.refuses)
    assert with_rule.practice
    assert with_rule.line > 0


def test_an_order_that_only_the_clock_keeps_is_no_order() -> None:
    # tag-b is done long before mate-b by the clock, but no dependency says so.
    steps = changed("tag-b", who="inside", after="[open-b]")
    steps = steps.replace("after: [tag-a, tag-ka, tag-b, bleed]", "after: [tag-a, tag-ka, bleed]")
    found = run_plan(plan_text(steps))
    assert ("order", "mate-a") in refusals(found)
    assert ("isolate", "mate-a") not in refusals(found)


def test_two_open_points_are_asked_of_every_path() -> None:
    found = run_plan(plan_text(points=2))
    messages = [f.message for f in found.findings if f.rule == "isolate"]
    way = "(SB – QB – B – CB – J – CA)"
    assert any(f"SB reaches CA through 1 open and tagged device, 2 asked {way}" in m for m in messages)
    # KA comes with the tie: it is no open point while it is being fitted, and one when CB is mated after CA.
    assert any("mate-a: SA reaches CA through 1" in m for m in messages)


def test_far_end_is_a_source_for_the_first_mating_already() -> None:
    # CA alone is mated while B is live: the jumper's far half may touch it.
    found = run_plan(plan_text(without("open-b", "tag-b", "free-b", "close-b", "mate-b", "dead-b")))
    assert any(f.rule == "isolate" and "SB" in f.ids and f.message.startswith("mate-a") for f in found.findings)


def test_a_controller_that_went_dark_commands_nothing() -> None:
    # Both feeds of CTRL are down until QA is closed by hand: QB cannot be commanded before.
    found = run_plan(plan_text(changed("close-b", after="[free-a, free-b]")))
    assert ("operate", "close-b") in refusals(found)


def test_mating_cycles_are_counted_down() -> None:
    text = SYSTEM.replace("mate_cycles_left: 5", "mate_cycles_left: 1")
    steps = STEPS.replace("- {id: free-a,", (
        "- {id: pull, do: demate, what: CA, who: UMA, minutes: 2, after: [mate-a]}\n"
        "- {id: push, do: mate, what: CA, who: UMA, minutes: 2}\n- {id: free-a,"))  # fmt: skip
    steps = steps.replace("after: [mate-a, mate-b]", "after: [push, mate-b]")
    found = run_plan(plan_text(steps), read_topology_text(text))
    assert ("connector", "push") in refusals(found)


def test_an_array_that_comes_alive_during_the_work_is_named() -> None:
    text = SYSTEM.replace("SB: {kind: source}", "SB: {kind: source, capacity_kw: {sunlit: 5, dark: 0}}")
    topology = read_topology_text(text)
    steps = without("open-b", "tag-b", "free-b", "close-b")
    early = run_plan(plan_text(steps, outing="limit_min: 120\n    start_phase: dark"), topology)
    assert refusals(early) == set()
    # Begun 12 minutes into the dark, the mating (minutes 16 to 21) lasts past its end at minute 18.
    late = "limit_min: 120\n    start_phase: dark\n    into_phase_min: 12"
    assert ("window", "mate-b") in refusals(run_plan(plan_text(steps, outing=late), topology))
    # Without a phase every one counts.
    assert ("isolate", "mate-b") in refusals(run_plan(plan_text(steps), topology))


def test_phases_follow_each_other() -> None:
    topology = system()
    outing = read_plan_text(
        plan_text(outing="limit_min: 120\n    start_phase: dark\n    into_phase_min: 10"), topology
    ).outings[0]
    assert phases_between(topology, outing, 0, 20) == ("dark",)
    assert phases_between(topology, outing, 0, 21) == ("sunlit", "dark")
    assert phases_between(topology, outing, 20, 20) == ("sunlit",)
    assert phases_between(topology, outing, 25, 80) == ("sunlit",)
    assert phases_between(topology, outing, 110 - 30, 109) == ("dark",)


def test_both_ends_of_a_contact() -> None:
    fitted = apply_proposals(system(), ["TIE"])
    assert both_ends(fitted, ["CA"]) == ("CA", "CB")
    assert both_ends(fitted, ["J"]) == ("CA", "CB")
    bare = read_topology_text(
        "powerfault: 1\ncomponents: {S: {kind: source}, A: {kind: bus}, B: {kind: bus}, J: {kind: jumper}, "
        "C: {kind: connector}}\nfeeds: [S -> A <-> J <-> B -> C]\nloads: {L: {fed_by: [B]}}"
    )
    assert both_ends(bare, ["J"]) == ("A", "B")
    assert both_ends(bare, ["C"]) == ("C",)


# The timeline


def tasks(seed: int) -> tuple[str, nx.DiGraph[str]]:
    """Random tasks of people inside (no hands to wait for), with their precedence graph."""
    rng = random.Random(seed)
    names = [f"t{n}" for n in range(rng.randint(3, 12))]
    graph: nx.DiGraph[str] = nx.DiGraph()
    lines = []
    for n, name in enumerate(names):
        minutes = rng.randint(0, 9)
        graph.add_node(name, minutes=minutes)
        after = rng.sample(names[:n], min(n, rng.randint(0, 3)))
        graph.add_edges_from((a, name) for a in after)
        lines.append(f"- {{id: {name}, do: work, who: inside, minutes: {minutes}, after: [{', '.join(after)}]}}")
    return "\n".join(lines), graph


def longest_path(graph: nx.DiGraph[str]) -> float:
    """Length of the longest path by the minutes of its nodes, through networkx."""
    weighted: nx.DiGraph[str] = nx.DiGraph()
    for node, data in graph.nodes(data=True):
        weighted.add_edge(f"{node}|in", f"{node}|out", weight=data["minutes"])
    weighted.add_edges_from((f"{a}|out", f"{b}|in", {"weight": 0}) for a, b in graph.edges)
    return float(nx.dag_longest_path_length(weighted))


def length_of(steps: str) -> float:
    topology = system()
    plan = read_plan_text(plan_text(steps, job="priority: 1"), topology)
    return build_timeline(plan, plan.outings[0], topology).length


def test_textbook_precedence_example() -> None:
    # An example in the manner of the textbooks on the critical path method (numbers from memory, no source): A 3, B 4,
    # C 2 after A, D 5 after A and B, E 1 after C, F 6 after D and E, G 2 after E. Critical: B, D, F, 15.
    steps = """
- {id: A, do: work, who: inside, minutes: 3, after: []}
- {id: B, do: work, who: inside, minutes: 4, after: []}
- {id: C, do: work, who: inside, minutes: 2, after: [A]}
- {id: D, do: work, who: inside, minutes: 5, after: [A, B]}
- {id: E, do: work, who: inside, minutes: 1, after: [C]}
- {id: F, do: work, who: inside, minutes: 6, after: [D, E]}
- {id: G, do: work, who: inside, minutes: 2, after: [E]}
"""
    topology = system()
    plan = read_plan_text(plan_text(steps, job="priority: 1"), topology)
    timeline = build_timeline(plan, plan.outings[0], topology)
    assert {s.step.id: (s.begin, s.end) for s in timeline.slots} == {
        "A": (0, 3), "B": (0, 4), "C": (3, 5), "D": (4, 9), "E": (5, 6), "F": (9, 15), "G": (6, 8),
    }  # fmt: skip
    assert timeline.length == 15


@pytest.mark.parametrize("seed", range(30))
def test_length_equals_the_longest_path(seed: int) -> None:
    steps, graph = tasks(seed)
    assert length_of(steps) == longest_path(graph)


def test_hands_are_waited_for_and_precede() -> None:
    steps = """
- {id: A, do: work, who: UMA, minutes: 3, after: []}
- {id: B, do: work, who: UMA, minutes: 4, after: []}
- {id: C, do: work, who: both, minutes: 2, after: []}
"""
    topology = system()
    plan = read_plan_text(plan_text(steps, job="priority: 1"), topology)
    assert length_of(steps) == 9
    before = precedence(plan, {"first": ["tie"]})
    assert before == {"A": frozenset(), "B": {"A"}, "C": {"A", "B"}}


@pytest.mark.parametrize(
    ("steps", "rule", "said"),
    [
        ("- {id: A, do: work, who: UMA, minutes: 3, site: east}\n- {id: B, do: work, who: UMA, minutes: 3, site: west}",
         "two-places", "UMA is at lock and A is done at east"),
        ("- {id: A, do: work, who: UMA, minutes: 9}\n- {id: B, do: work, who: UMA, minutes: 3, at_min: 5, after: []}",
         "two-places", "UMA is still at A until minute 9"),
        ("- {id: A, do: travel, who: both, to: east}\n- {id: B, do: work, who: both, minutes: 3, site: east}",
         "room", "east has room for 1"),
        ("- {id: A, do: work, who: inside, minutes: 9}\n- {id: B, do: work, who: inside, minutes: 3, at_min: 5}",
         "order", "B is fixed at minute 5, but A ends at 9"),
        ("- {id: A, do: work, who: inside, minutes: 121}", "limit",
         "first takes 121 min, 1 more than its limit of 120"),
        ("- {id: A, do: travel, who: UMA, to: west}\n- {id: B, do: work, who: UMA, minutes: 107}", "limit",
         "the way home is too long"),
    ],
)  # fmt: skip
def test_conflicts_of_the_timeline(steps: str, rule: str, said: str) -> None:
    found = run_plan(plan_text(steps, job="priority: 1"))
    hit = [f for f in found.findings if f.rule == rule]
    assert hit, found.findings
    assert said in hit[0].message
    assert hit[0].refuses
    assert hit[0].line > 0


# The order of jobs


@pytest.mark.parametrize("seed", range(25))
def test_best_order_equals_all_permutations(seed: int) -> None:
    rng = random.Random(seed)
    jobs = [f"j{n}" for n in range(rng.randint(2, 5))]
    minutes = {(a, b): float(rng.randint(1, 9)) for a in [None, *jobs] for b in jobs}
    level = {frozenset(s): rng.randint(0, 9) for n in range(len(jobs) + 1) for s in permutations(jobs, n)}
    earlier = {b: ({rng.choice(jobs[:n])} if n and rng.random() < 0.3 else set()) for n, b in enumerate(jobs)}
    limit = float(rng.randint(10, 40))

    def cost(done: frozenset[str], where: Where, job: str) -> tuple[JobCost, Where]:
        long = minutes[where[0], job]
        return JobCost(long, long * (level[done] + 0.5 * len(job + str(done)) % 3)), (job,)

    def follows(done: frozenset[str], job: str) -> bool:
        return earlier[job] <= done

    final, horizon = level[frozenset(jobs)], 60.0
    found = best_order(jobs, (None,), follows, cost, final, horizon, limit)
    every = []
    for order in permutations(jobs):
        done: frozenset[str] = frozenset()
        where: Where = (None,)
        exposure = length = 0.0
        for job in order:
            if not follows(done, job):
                break
            step, where = cost(done, where, job)
            exposure += step.exposure
            length += step.minutes
            done |= {job}
        else:
            every.append((length > limit, exposure + final * (horizon - length), length))
    late, exposure, length = min(every)
    assert found.exposure == pytest.approx(exposure)
    assert found.within_limit is not late
    assert found.minutes == pytest.approx(length)


def test_too_many_jobs_are_refused() -> None:
    def cost(done: frozenset[str], where: Where, job: str) -> tuple[JobCost, Where]:
        return JobCost(1.0, 1.0), where

    with pytest.raises(TooLargeError, match="split the outing"):
        best_order([str(n) for n in range(11)], (None,), lambda d, j: True, cost, 0, 10)


def two_jobs(priority: int = 1, after: str = "[]") -> str:
    """A long job that helps nothing and a short one that fits a tie without contacts to mate."""
    return f"""
outing_plan: 1
practice: {{earth: false, cover: false, see_open: false}}
crew: [UMA, ILO]
sites: {{lock: {{}}, east: {{}}}}
travel_min: {{lock: {{east: 5}}}}
outings:
  first:
    limit_min: 100
    start_site: lock
    end_site: lock
    jobs:
      slow:
        steps: [{{id: w, do: work, who: both, minutes: 50}}]
      tie:
        fits: [TIE]
        priority: {priority}
        after: {after}
        steps:
          - {{id: go, do: travel, to: east, who: both}}
          - {{id: fit, do: work, who: both, minutes: 10}}
"""


def test_order_of_jobs_by_exposure_and_by_priority() -> None:
    topology = system()
    found = study_plan(topology, read_plan_text(two_jobs(), topology), order=1)
    result = found.results[0]
    assert result.best is not None
    assert result.best.jobs == ("tie", "slow")
    after = StateJudge(1).judge(apply_proposals(topology, ["TIE"])).shortfall
    start = found.start.shortfall
    assert after < start
    assert result.best.exposure == 15 * start + 85 * after
    assert result.exposure == 65 * start + 35 * after
    # The same, followed in that order, has that exposure.
    text = two_jobs()
    slow, tie = text.index("      slow:"), text.index("      tie:")
    swapped = text[:slow] + text[tie:] + text[slow:tie]
    assert study_plan(topology, read_plan_text(swapped, topology), order=1).results[0].exposure == result.best.exposure
    for kept in (two_jobs(priority=2), two_jobs(after="[slow]")):
        best = study_plan(topology, read_plan_text(kept, topology), order=1).results[0].best
        assert best is not None
        assert best.jobs == ("slow", "tie")


def test_relocation_takes_what_it_serves_out_meanwhile() -> None:
    steps = "- {id: move, do: relocate, what: A, who: both, minutes: 10}\n- {id: rest, do: work, who: both, minutes: 5}"
    found = run_plan(plan_text(steps, job="priority: 1"))
    start = found.start.shortfall
    during = StateJudge(1).judge(read_topology_text(SYSTEM + "standing: {failed: [A]}\n")).shortfall
    assert during > start
    assert found.results[0].profile == ((0, 10, during), (10, 15, start))
    assert found.results[0].exposure == 10 * during + 110 * start


# The plan file


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("what: QA, who: UMA, minutes: 2, after", "what: QQA, who: UMA, minutes: 2, after"),
         "unknown component or load 'QQA' (did you mean 'QA'?)"),
        (("do: open, what: QA", "do: opne, what: QA"), "found text 'opne' (did you mean 'open'?)"),
        (("who: ILO, after: []", "who: IDO, after: []"), "unknown crew member 'IDO' (did you mean 'ILO'?)"),
        (("to: east", "to: eats"), "unknown site 'eats' (did you mean 'east'?)"),
        (("fits: [TIE]", "fits: [TIEE]"), "unknown proposal 'TIEE' (did you mean 'TIE'?)"),
        (("after: [open-a, open-b]", "after: [open-a, opn-b]"), "unknown step 'opn-b'"),
        (("after: [go-e]", "after: [mate-a]"), "steps in a circle: "),
        (("id: tag-a,", "id: tag-b,"), "the step tag-b is given twice"),
        (("crew: [UMA, ILO]", "crew: [UMA]"), "two crew members of different names"),
        (("minutes: 6, after", "minutes: -6, after"), "expected a number of at least 0, found the number -6"),
        (("minutes: 6, after", "minuts: 6, after"), "unknown field of a step (did you mean 'minutes'?)"),
        (("{id: bleed, do: wait, who: inside, minutes: 6,", "{id: bleed, do: wait, who: inside,"), "how many minutes"),
        (("east: {west: 3}", "east: {west: 3, lock: 6}"), "takes 6 min, but back 5; give one"),
        (("outing_plan: 1", "outing_plan: 2"), "the only version read, found the number 2"),
        (("open_points: 1", "open_points: none"), "expected a whole number of at least 1"),
        (("limit_min: 120", "limit_min: 120\n    start_phase: drak"), "unknown phase 'drak' (did you mean 'dark'?)"),
    ],
)  # fmt: skip
def test_wrong_plans_are_shown_at_their_line(change: tuple[str, str], said: str) -> None:
    text = plan_text()
    assert change[0] in text
    changed = text.replace(*change, 1)
    with pytest.raises(ModelError) as error:
        read_plan_text(changed, system(), "plan.yaml")
    problem = next(p for p in error.value.problems if said in p.message)
    assert problem.file == "plan.yaml"
    assert problem.line > 0
    assert problem.column > 0
    # The line shown holds what is wrong, or begins the thing that lacks it.
    lines = changed.splitlines()
    first = next((n for n, (a, b) in enumerate(zip(text.splitlines(), lines, strict=False), 1) if a != b), len(lines))
    assert abs(problem.line - first) <= 3 or "circle" in said


def test_all_problems_of_a_plan_at_once() -> None:
    text = plan_text().replace("what: QA", "what: QQ").replace("to: east", "to: mars").replace("who: ILO", "who: BE")
    with pytest.raises(ModelError) as error:
        read_plan_text(text, system(), "plan.yaml")
    assert len(error.value.problems) >= 8
    assert list(error.value.problems) == sorted(error.value.problems)


@pytest.mark.parametrize("text", ["", "[]", "7", "outing_plan: 1", "outing_plan: 1\noutings: {x: }", "a: [b"])
def test_no_plan_at_all(text: str) -> None:
    with pytest.raises(ModelError):
        read_plan_text(text, system())


def test_travel_without_minutes_is_an_error_with_its_line() -> None:
    text = plan_text("- {id: A, do: travel, who: UMA, to: west}", job="priority: 1")
    text = text.replace("east: 5, west: 7", "east: 5")
    topology = system()
    with pytest.raises(ModelError, match=r"plan\.yaml:\d+:\d+: .*from lock to west"):
        study_plan(topology, read_plan_text(text, topology, "plan.yaml"))


# The demo, renderings and the command


def demo() -> tuple[Topology, OutingPlan]:
    topology = load_topology(FOLDER / "orrin-fell.yaml")
    return topology, load_plan(FOLDER / "orrin-fell-outing.yaml", topology)


def test_demo_plan_breaks_no_rule_and_leaves_more_met() -> None:
    topology, plan = demo()
    found = study_plan(topology, plan)
    assert not found.refused, [f.message for f in found.findings if f.refuses]
    assert found.rules == OpenPointRules(1)
    last = found.last
    assert last.fitted == ("J-LAB", "J-COOL")
    assert last.judgement.shortfall < found.start.shortfall
    assert last.stop == "yes"
    fitted = study(apply_proposals(topology, ["J-LAB", "J-COOL"]), 2)
    assert set(last.judgement.unmet) == {v.id for v in fitted.verdicts if v.meets is False}
    files = outing_files(found)
    cards = ["cards.csv", "cards.md"]
    assert sorted(files) == [*cards, "isolation-fit-lab.svg", "plan.json", "plan.md", "timeline-outing-12.svg"]
    # Both ends are mated by the same minute: between the two it cannot stop, though that lasts no time.
    assert [s.slot.step.id for s in found.results[0].steps if s.stop == "no"] == ["mate-s"]
    assert str(files["timeline-outing-12.svg"]).count(">NO</text>") == 1


def test_renderings_say_it_all_and_hostile_names_stay_text() -> None:
    topology = system()
    text = plan_text().replace("name: tie A and B", "name: '<script>alert(1)</script> | x'")
    found = study_plan(topology, read_plan_text(text, topology), order=1)
    svg = outing_svg(found, found.results[0])
    md, data = outing_markdown(found), json.dumps(outing_json(found))
    for shown in (md, data):
        assert "mated and demated only de-energised" in shown
        for step in ("open-a", "mate-b", "close-b"):
            assert step in shown
    assert "<script>" not in svg
    assert "<script>" not in md
    assert "## Signatures" in md
    assert outing_svg(found, found.results[0]) == svg


def test_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "s.yaml").write_text(SYSTEM)
    (tmp_path / "p.yaml").write_text(plan_text())
    (tmp_path / "bad.yaml").write_text(plan_text(without("dead-b")))

    def run(*arguments: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as stop:
            main(["outing", str(tmp_path / "s.yaml"), *arguments])
        out, err = capsys.readouterr()
        return int(stop.value.code or 0), out, err

    code, out, _ = run(str(tmp_path / "p.yaml"), "--order", "1", "--json")
    assert code == 0
    assert json.loads(out)["refused"] is False
    code, out, _ = run(str(tmp_path / "bad.yaml"), "--order", "1", "--fail-on-unmet")
    assert code == 3
    assert "prove-dead" in out
    assert "CANNOT STOP" in out
    code, out, _ = run(str(tmp_path / "p.yaml"), "--order", "1", "-o", str(tmp_path / "out"))
    assert code == 0
    assert (tmp_path / "out" / "timeline-first.svg").exists()
    code, _, err = run(str(tmp_path / "s.yaml"))
    assert code == 2
    assert "s.yaml:" in err


COOLANT = """
outing_plan: 1
practice: {{earth: false, cover: false, see_open: false}}
crew: [UMA, ILO]
open_points: 1
sites: {{panel: {{}}}}
outings:
  first:
    start_site: panel
    jobs:
      move:
        fits: [J-MOVE]
        steps:
          - {{id: shut, do: close, what: [V-A, V-J, V-B], who: inside, minutes: 1}}
          - {{id: tags, do: tag, what: {tagged}, who: UMA, minutes: 3}}
          - {{id: vent, do: depressurise, what: {names}, who: ILO, minutes: 3}}
          - {{id: dry, do: drain, what: {names}, who: ILO, minutes: 5}}
          - {{id: swap, do: relocate, what: CJ-2, who: both, minutes: 20}}
          - {{id: fill, do: fill, what: {names}, who: ILO, minutes: 5}}
          - {{id: gas, do: bleed, what: {names}, who: ILO, minutes: 5}}
          - {{id: look, do: leak-check, what: {names}, who: ILO, minutes: 5}}
          - {{id: free, do: untag, what: {tagged}, who: UMA, minutes: 2}}
          - {{id: turn, do: open, what: [V-A, V-J, V-B], who: inside, minutes: 1}}
"""


def test_a_coolant_jumper_is_judged_like_a_power_jumper() -> None:
    topology = load_topology(FOLDER / "coolant-lines.yaml")
    every = {"names": "[HDR-A, HDR-B, V-J, CJ-2, CP-2]", "tagged": "[V-A, V-J, V-B]"}
    good = study_plan(topology, read_plan_text(COOLANT.format(**every), topology), order=1)
    assert not good.refused, [f.message for f in good.findings if f.refuses]
    last = good.last
    assert last.fitted == ("J-MOVE",)
    assert last.judgement.outcomes == {}
    by_id = {s.slot.step.id: s for s in good.results[0].steps}
    assert by_id["shut"].judgement.outcomes["RACK"] == "lost", "a closed valve passes nothing"
    assert by_id["shut"].if_reclosed.outcomes["RACK"] == "automatic", "unless it is turned again"
    assert by_id["dry"].judgement.outcomes["FAN-2"] == "lost", "a drained line cools nothing"
    # An untagged valve does not count, nor does one left open; the pump that the jumper hangs on today is named.
    bare = study_plan(topology, read_plan_text(COOLANT.format(**{**every, "tagged": "[V-B]"}), topology), order=1)
    assert ("lock-and-tag", "swap") in refusals(bare)
    assert any("PMP-A" in f.ids for f in bare.findings if f.refuses)
    text = COOLANT.format(**every)
    wrong = study_plan(topology, read_plan_text(text.replace("do: close", "do: open"), topology), order=1)
    assert ("sequence", "tags") in refusals(wrong)
    assert ("isolate", "swap") in refusals(wrong)
    for step in ("vent", "dry", "fill", "gas", "look"):
        less = "\n".join(line for line in text.splitlines() if f"id: {step}," not in line)
        found = study_plan(topology, read_plan_text(less, topology), order=1)
        assert "coolant" in {f.rule for f in found.findings if f.refuses}, step


def test_report_holds_ranking_sheet_and_installation(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "s.yaml").write_text(SYSTEM + "open_points: 1\n")
    (tmp_path / "p.yaml").write_text(plan_text())
    arguments = ["report", str(tmp_path / "s.yaml"), "--with", "TIE", "--order", "1", "--rank", "--budget-min", "60",
                 "--plan", str(tmp_path / "p.yaml"), "-o", str(tmp_path / "out")]  # fmt: skip
    with pytest.raises(SystemExit) as stop:
        main(arguments)
    assert not stop.value.code, capsys.readouterr().err
    page = (tmp_path / "out" / "report.html").read_text()
    for said in ('id="isolation"', 'id="candidates"', 'id="installation"', "Isolation sheet: CA, CB", "proved dead by"):
        assert said in page
    assert "--plan p.yaml --rank --budget-min 60" in (tmp_path / "out" / "provenance.csv").read_text()
    names = {p.name for p in (tmp_path / "out").iterdir()}
    assert {"candidates.csv", "installation-steps-1.csv", "installation-early-1.csv"} <= names
    assert "Lock and tag" in (tmp_path / "out" / "report.md").read_text()


def test_a_coolant_line_is_let_out_at_each_joint_and_only_isolated() -> None:
    topology = load_topology(FOLDER / "coolant-lines.yaml")

    def said(names: str, change: tuple[str, str] = ("", "")) -> str:
        text = COOLANT.format(names=names, tagged="[V-A, V-J, V-B]").replace(*change)
        found = study_plan(topology, read_plan_text(text, topology), order=0)
        return " ".join(f.message for f in found.findings if f.refuses)

    # The joints that are parted lie at the two headers, on either side of a closed valve: each has its own pressure.
    for names, missing in (("[CJ-2, CP-2]", "HDR-A"), ("[HDR-A, V-J, CJ-2, CP-2]", "HDR-B")):
        assert f"swap: {missing} is not depressurised before it" in said(names)
    every = "[HDR-A, HDR-B, V-J, CJ-2, CP-2]"
    assert said(every) == ""
    live = said(every, ("who: ILO, minutes: 3}", "who: ILO, minutes: 3, after: []}"))
    assert "vent: HDR-A is opened though PMP-A may reach it" in live
