"""Hand-worked cases for each sentence of what a case does, for any evaluator.

Each function here builds one small system and says, for one or more sets of failed events, which consumers are not
uninterrupted and what becomes of them; the answer is worked out by hand in the comment. Expected outcomes hold
*only* the consumers that are not uninterrupted, as the results do. Where phases matter the expectation is
``by_phase(phase={...}, ...)`` and the outcome over phases must be the worst of them.

An evaluator is ``evaluate(topology, failed events) -> {"outcomes": ..., "by_phase": ...}`` in the same shape.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from build import topology

from powerfault.model.elements import OUTCOMES, Topology

Outcomes = dict[str, str]
Answers = dict[str, Any]


@dataclass(frozen=True)
class ContractCase:
    name: str
    topology: Topology
    failed: str
    outcomes: Outcomes
    by_phase: dict[str, Outcomes]


CASES: list[ContractCase] = []


class ByPhase(dict[str, Outcomes]):
    pass


def by_phase(**phases: Outcomes) -> ByPhase:
    return ByPhase({p: o for p, o in phases.items() if o})


def worst(phases: Mapping[str, Outcomes]) -> Outcomes:
    found: Outcomes = {}
    for outcomes in phases.values():
        for i, o in outcomes.items():
            found[i] = max(found.get(i, o), o, key=OUTCOMES.index)
    return found


def case(build: Callable[[], tuple[Topology, Answers]]) -> Callable[[], tuple[Topology, Answers]]:
    system, answers = build()
    for failed, answer in answers.items():
        if isinstance(answer, ByPhase):
            phases, outcomes = dict(answer), worst(answer)
        else:
            outcomes = answer
            phases = dict.fromkeys(system.phase_names, answer) if answer else {}
        name = f"{build.__name__}[{failed or 'nothing'}]"
        CASES.append(ContractCase(name, system, failed, outcomes, phases))
    return build


OPEN_TIE = {"kind": "switch", "normally": "open"}
AUTO = {"operated": "automatic"}
HAND = {"operated": "manual"}


# Events


@case
def a_lost_component_gives_and_passes_nothing():
    t = topology({"S": "source", "A": "bus", "K": "cable"}, ["S -> A -> K"], loads={"L": "K", "M": "A"})
    return t, {"": {}, "S": {"L": "lost", "M": "lost"}, "A": {"L": "lost", "M": "lost"}, "K": {"L": "lost"}}


@case
def two_feeds_fall_only_together():
    t = topology({"S": "source", "T": "source", "A": "bus", "B": "bus"}, ["S -> A", "T -> B"], loads={"L": "A B"})
    return t, {"A": {}, "B": {}, "S B": {"L": "lost"}, "S T": {"L": "lost"}, "S A": {}}


@case
def standing_events_belong_to_every_case():
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "B": "bus"}, ["S -> A", "T -> B"], loads={"L": "A B"}, standing="B"
    )
    return t, {"": {}, "T": {}, "A": {"L": "lost"}}


@case
def a_standing_short_counts_too():
    # B is shorted today: M on B is lost for ever, the breaker that fed it stays open, A is untouched.
    t = topology(
        {"S": "source", "A": "bus", "X": "breaker", "B": "bus"},
        ["S -> A -> X -> B"],
        loads={"L": "A", "M": "B"},
        standing="B:short",
    )
    return t, {"": {"M": "lost"}, "S": {"L": "lost", "M": "lost"}}


@case
def closed_passes_faults_and_is_credited_no_power():
    # A tie that stands closed unasked is not counted on, and cannot be opened: a short on A takes B through it.
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "B": "bus", "TIE": OPEN_TIE},
        ["S -> A", "T -> B", "A <-> TIE <-> B"],
        loads={"L": "A", "M": "B"},
    )
    return t, {
        "S": {"L": "commanded"},
        "S TIE:closed": {"L": "lost"},
        "TIE:closed": {},
        "A:short": {"L": "lost"},
        "A:short TIE:closed": {"L": "lost", "M": "lost"},
        "A:short TIE:stuck": {"L": "lost"},
        "S TIE:stuck": {"L": "lost"},
        "S TIE": {"L": "lost"},
    }


@case
def stuck_stays_in_its_normal_position():
    # Stuck closed goes on conducting; it just cannot be opened.
    t = topology({"S": "source", "X": "breaker", "A": "bus"}, ["S -> X -> A"], loads={"L": "A"})
    return t, {"X:stuck": {}, "X": {"L": "lost"}}


# Stages


@case
def each_way_of_operating_has_its_stage():
    t = topology(
        {
            "S": "source",
            "T": "source",
            "A": "bus",
            "TA": OPEN_TIE | AUTO,
            "TC": OPEN_TIE,
            "TM": OPEN_TIE | HAND,
        },
        ["S -> A", "T -> TA -> A", "T -> TC -> A", "T -> TM -> A"],
        loads={"L": "A"},
    )
    # Without a word a switch is closed and commanded.
    return t, {
        "S": {"L": "automatic"},
        "S TA": {"L": "commanded"},
        "S TA:stuck": {"L": "commanded"},
        "S T": {"L": "lost"},
    }


@case
def the_hand_operated_comes_last():
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "TC": OPEN_TIE, "TM": OPEN_TIE | HAND},
        ["S -> A", "T -> TC -> A", "T -> TM -> A"],
        loads={"L": "A"},
    )
    return t, {"S TC": {"L": "manual"}, "S TM": {"L": "commanded"}, "S TC:closed": {"L": "manual"}}


@case
def a_path_over_two_switches_waits_for_the_slower():
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "TA": OPEN_TIE | AUTO, "TM": OPEN_TIE | HAND},
        ["S -> A", "T -> TA -> TM -> A"],
        loads={"L": "A"},
    )
    return t, {"S": {"L": "manual"}}


@case
def what_operates_it_must_be_served():
    # CTRL hangs on bus A itself, so with A dark nobody closes TIE.
    t = topology(
        {
            "S": "source",
            "T": "source",
            "A": "bus",
            "B": "bus",
            "TIE": OPEN_TIE | {"operated_by": "CTRL"},
        },
        ["S -> A", "T -> B", "B -> TIE -> A"],
        loads={"L": "A", "CTRL": "A"},
    )
    return t, {"S": {"L": "lost", "CTRL": "lost"}}


@case
def what_operates_it_is_served_from_elsewhere():
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "B": "bus", "TIE": OPEN_TIE | {"operated_by": "CTRL"}},
        ["S -> A", "T -> B", "B -> TIE -> A"],
        loads={"L": "A", "CTRL": "B"},
    )
    return t, {"S": {"L": "commanded"}, "S B": {"L": "lost", "CTRL": "lost"}, "B": {"CTRL": "lost"}}


@case
def all_that_operate_it_must_be_served():
    t = topology(
        {"S": "source", "T": "source", "U": "source", "A": "bus", "TIE": OPEN_TIE | {"operated_by": "C1 C2"}},
        ["S -> A", "T -> TIE -> A"],
        loads={"L": "A", "C1": "T", "C2": "U"},
    )
    return t, {"S": {"L": "commanded"}, "S U": {"L": "lost", "C2": "lost"}}


@case
def operability_grows_within_a_stage():
    # At stage automatic TIE-1 closes, which serves CTRL, which closes TIE-2: all in the same stage.
    t = topology(
        {
            "S": "source",
            "T": "source",
            "A": "bus",
            "B": "bus",
            "TIE-1": OPEN_TIE | AUTO,
            "TIE-2": OPEN_TIE | AUTO | {"operated_by": "CTRL"},
        },
        ["S -> A", "S -> B", "T -> TIE-1 -> A", "T -> TIE-2 -> B"],
        loads={"CTRL": "A", "L": "B"},
    )
    return t, {
        "S": {"CTRL": "automatic", "L": "automatic"},
        "S TIE-1": {"CTRL": "lost", "L": "lost"},
        "S TIE-2": {"CTRL": "automatic", "L": "lost"},
    }


@case
def operated_by_may_name_components_and_functions():
    t = topology(
        {
            "S": "source",
            "T": "source",
            "A": "bus",
            "B": "bus",
            "T1": OPEN_TIE | {"operated_by": "B"},
            "T2": OPEN_TIE | {"operated": "manual", "operated_by": "crew"},
        },
        ["S -> A", "T -> B", "T -> T1 -> A", "T -> T2 -> A"],
        loads={"L": "A", "LAMP-1": "B", "LAMP-2": "T"},
        functions={"crew": {"of": "LAMP-1 LAMP-2", "at_least": 1}},
    )
    # B lost: T1 has nobody, the crew still has LAMP-2.
    return t, {"S": {"L": "commanded"}, "S B": {"L": "manual", "LAMP-1": "lost"}}


@case
def an_operable_switch_closed_now_need_not_be_asked():
    # Normally closed conducts from stage 0 whoever operates it.
    t = topology(
        {"S": "source", "A": "bus", "X": {"kind": "switch", "operated_by": "CTRL"}}, ["S -> X -> A"],
        loads={"L": "A", "CTRL": {"fed_by": "A", "needs": "CTRL"}},
    )  # fmt: skip
    return t, {"": {}}


# Fault zone


def two_feeders(kind="breaker", **fields):
    return topology(
        {"S": "source", "MAIN": "bus", "X1": {"kind": kind, **fields}, "B1": "bus", "X2": {"kind": kind}, "B2": "bus"},
        ["S -> MAIN", "MAIN -> X1 -> B1", "MAIN -> X2 -> B2"],
        loads={"L1": "B1", "L2": "B2"},
    )


@case
def a_breaker_confines_a_short():
    # X1 stuck lets the fault up to MAIN and the source, so both feeders are dead; nothing can cut it off later.
    return two_feeders(), {
        "B1:short": {"L1": "lost"},
        "B1:short X1:stuck": {"L1": "lost", "L2": "lost"},
        "B1:short X2:stuck": {"L1": "lost"},
        "MAIN:short": {"L1": "lost", "L2": "lost"},
    }


@case
def a_fuse_confines_a_short():
    return two_feeders("fuse"), {"B1:short": {"L1": "lost"}}


@case
def a_switch_confines_a_short_once_it_can_be_opened():
    # A switch clears nothing: at stage 0 the fault takes all. At commanded X1 opens, MAIN and S return.
    return two_feeders("switch"), {
        "B1:short": {"L1": "lost", "L2": "commanded"},
        "B1:short X1:stuck": {"L1": "lost", "L2": "lost"},
        # X2 stuck closed passes the fault on to B2 at stage 0 as it would have anyway, and then just conducts.
        "B1:short X2:stuck": {"L1": "lost", "L2": "commanded"},
    }


@case
def a_breaker_told_not_to_clear_is_a_switch():
    return two_feeders(clears_faults=False, operated="manual"), {"B1:short": {"L1": "lost", "L2": "manual"}}


@case
def a_connector_told_to_clear_confines():
    # A connector that clears is never tripped for longer than the fault lasts, but this fault lasts.
    return two_feeders("connector", clears_faults=True), {"B1:short": {"L1": "lost"}, "B2:short": {
        "L1": "lost", "L2": "lost"}}  # fmt: skip


@case
def a_cable_confines_nothing():
    return two_feeders("cable"), {"B1:short": {"L1": "lost", "L2": "lost"}, "X1:short": {"L1": "lost", "L2": "lost"}}


@case
def a_short_goes_up_and_down_the_links():
    # K feeds A: a fault on A goes up into K, K's other branch B and the source; D only hangs below B.
    t = topology(
        {"S": "source", "K": "cable", "A": "bus", "B": "bus", "D": "bus", "T": "source"},
        ["S -> K -> A", "K -> B -> D", "T -> D"],
        loads={"L": "D"},
    )
    return t, {"A:short": {"L": "lost"}, "A": {}, "K": {}}


@case
def never_into_a_load_with_isolated_inputs():
    two = {"S": "source", "T": "source", "A": "bus", "B": "bus"}
    t = topology(two, ["S -> A", "T -> B"], loads={"L": {"fed_by": "A B", "inputs": "isolated"}, "M": "B"})
    return t, {"A:short": {}, "A:short B": {"L": "lost", "M": "lost"}}


@case
def inputs_are_isolated_unless_the_load_says_common():
    two = {"S": "source", "T": "source", "A": "bus", "B": "bus"}
    t = topology(two, ["S -> A", "T -> B"], loads={"L": "A B", "M": "B"})
    return t, {"A:short": {}}


@case
def through_a_load_with_common_inputs():
    two = {"S": "source", "T": "source", "A": "bus", "B": "bus"}
    t = topology(two, ["S -> A", "T -> B"], loads={"L": {"fed_by": "A B", "inputs": "common"}, "M": "B"})
    return t, {"A:short": {"L": "lost", "M": "lost"}, "A": {}}


@case
def a_breaker_that_feeds_a_common_load_in_the_zone_opens():
    # The zone is S, A and L. XB has a link (of fed_by) into it: it opens, and M behind the same XB is lost with it.
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "XB": "breaker", "B": "bus"},
        ["S -> A", "T -> B -> XB"],
        loads={"L": {"fed_by": "A XB", "inputs": "common"}, "M": "XB", "N": "B"},
    )
    return t, {"A:short": {"L": "lost", "M": "lost"}}


@case
def a_shorted_load_pulls_on_all_its_feeds():
    # The short of a load starts in it, whatever its inputs; X confines it on one side, A is taken on the other.
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "B": "bus", "X": "breaker"},
        ["S -> A", "T -> B -> X"],
        loads={"L": {"fed_by": "A X", "modes": "short"}, "M": "A", "N": "B"},
    )
    return t, {"L:short": {"L": "lost", "M": "lost"}}


def converter_between(**fields):
    return topology(
        {"S": "source", "T": "source", "A": "bus", "CV": {"kind": "converter", **fields}, "B": "bus"},
        ["S -> A -> CV -> B", "T -> B"],
        loads={"L": "A", "M": "B"},
    )


@case
def an_isolated_converter_stops_both_ways():
    return converter_between(), {"A:short": {"L": "lost"}, "B:short": {"M": "lost"}}


@case
def a_converter_that_does_not_isolate_passes_downwards_only():
    return converter_between(isolated=False), {"A:short": {"L": "lost", "M": "lost"}, "B:short": {"M": "lost"}}


@case
def a_converter_that_does_not_clear_passes_both_ways():
    return converter_between(clears_faults=False), {
        "A:short": {"L": "lost", "M": "lost"},
        "B:short": {"L": "lost", "M": "lost"},
    }


@case
def a_short_inside_a_converter_takes_both_sides():
    # "The shorted component itself is no boundary."
    return converter_between(), {"CV:short": {"L": "lost", "M": "lost"}}


@case
def a_short_inside_a_breaker_takes_both_sides():
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "X": "breaker", "B": "bus"},
        ["S -> A <-> X <-> B", "T -> B"],
        loads={"L": "A", "M": "B"},
    )
    return t, {"X:short": {"L": "lost", "M": "lost"}, "A:short": {"L": "lost"}, "B:short": {"M": "lost"}, "X": {}}


@case
def a_short_inside_an_open_switch_takes_both_sides():
    # It is no boundary, though it stands open.
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "TIE": OPEN_TIE, "B": "bus"},
        ["S -> A <-> TIE <-> B", "T -> B"],
        loads={"L": "A", "M": "B"},
    )
    return t, {"TIE:short": {"L": "lost", "M": "lost"}, "A:short": {"L": "lost"}}


@case
def an_unmated_jumper_stops_a_short_and_may_be_mated_by_hand():
    lying = {"kind": "jumper", "mated": False, "crew_may_mate": True}
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "J": lying, "B": "bus"},
        ["S -> A <-> J <-> B", "T -> B"],
        loads={"L": "A", "M": "B"},
    )
    # Nobody mates a jumper onto a fault: J has a link into the zone and conducts nothing; L is gone with its bus.
    return t, {"A:short": {"L": "lost"}, "S": {"L": "manual"}, "T": {"M": "manual"}, "S J": {"L": "lost"}}


@case
def a_mated_jumper_carries_power_and_faults():
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "J": "jumper", "B": "bus"},
        ["S -> A <-> J <-> B", "T -> B"],
        loads={"L": "A", "M": "B"},
    )
    return t, {"S": {}, "A:short": {"L": "lost", "M": "lost"}, "J": {}}


@case
def an_unmated_jumper_that_nobody_may_mate_is_nothing():
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "J": {"kind": "jumper", "mated": False}, "B": "bus"},
        ["S -> A <-> J <-> B", "T -> B"],
        loads={"L": "A"},
    )
    return t, {"S": {"L": "lost"}}


@case
def a_diode_stops_a_short_from_upstream_only():
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "D": "diode", "B": "bus"},
        ["S -> A -> D -> B", "T -> B"],
        loads={"L": "A", "M": "B"},
    )
    # A short below pulls on A through D; a short above leaves B alone, which T feeds.
    return t, {"A:short": {"L": "lost"}, "B:short": {"L": "lost", "M": "lost"}, "D:short": {"L": "lost", "M": "lost"}}


@case
def a_diode_above_which_one_of_two_feeds_is_faulted_passes_the_other():
    # D has the zone upstream of it but no link into it: it is no feeding boundary and passes what T gives.
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "B": "bus", "D": "diode", "E": "bus"},
        ["S -> A -> D -> E", "T -> B -> D"],
        loads={"L": "E"},
    )
    return t, {"A:short": {}, "A": {}, "A B": {"L": "lost"}, "A:short B:short": {"L": "lost"}}


@case
def a_loss_never_shrinks_a_zone():
    # C lies between A and B. Lost or not, it lets the fault on A through to B.
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "C": "cable", "B": "bus"},
        ["S -> A <-> C <-> B", "T -> B"],
        loads={"L": "A", "M": "B"},
    )
    return t, {"A:short": {"L": "lost", "M": "lost"}, "A:short C": {"L": "lost", "M": "lost"}, "C": {}}


@case
def a_lost_breaker_stops_a_fault_as_it_would_unfailed():
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "X": "breaker", "B": "bus"},
        ["S -> A <-> X <-> B", "T -> B"],
        loads={"L": "A", "M": "B"},
    )
    return t, {"A:short X": {"L": "lost"}, "A:short X:stuck": {"L": "lost", "M": "lost"}}


@case
def a_lost_switch_stops_a_fault_when_it_would_unfailed():
    # At stage 0 the closed switch passes the fault, lost or not; from commanded on it is open either way.
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "X": "switch", "B": "bus"},
        ["S -> A <-> X <-> B", "T -> B"],
        loads={"L": "A", "M": "B"},
    )
    return t, {"A:short": {"L": "lost", "M": "commanded"}, "A:short X": {"L": "lost", "M": "commanded"}}


@case
def a_switch_is_opened_only_by_one_who_is_served():
    # CTRL operates the switch X between A and B. It hangs on B, is dead with the zone, and X stays closed.
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "X": {"kind": "switch", "operated_by": "CTRL"}, "B": "bus"},
        ["S -> A <-> X <-> B", "T -> B"],
        loads={"M": "B", "CTRL": "B"},
    )
    return t, {"A:short": {"M": "lost", "CTRL": "lost"}}


@case
def a_switch_opened_from_outside_the_zone():
    t = topology(
        {
            "S": "source",
            "T": "source",
            "U": "source",
            "A": "bus",
            "X": {"kind": "switch", "operated_by": "CTRL"},
            "B": "bus",
        },
        ["S -> A <-> X <-> B", "T -> B"],
        loads={"M": "B", "CTRL": "U"},
    )
    # A loss of U leaves nobody to open X: a further failure, a larger zone.
    return t, {"A:short": {"M": "commanded"}, "A:short U": {"M": "lost", "CTRL": "lost"}}


@case
def a_zone_that_must_shrink_first_does_not():
    # Short on A, from which the switches X1 and X2 lead to B and C; W, a bus, joins B and C. CTRL on B opens X2.
    t = topology(
        {
            "T": "source",
            "A": "bus",
            "X1": "switch",
            "B": "bus",
            "X2": {"kind": "switch", "operated_by": "CTRL"},
            "C": "bus",
            "W": "bus",
        },
        ["A <-> X1 <-> B", "T -> B", "A <-> X2 <-> C", "B -> W -> C"],
        loads={"CTRL": "B", "M": "C"},
    )
    # On command X1 opens; the zone still reaches C, W and B over X2. So B stays dead, CTRL is not served, X2 is not
    # opened: nothing returns.
    return t, {"A:short": {"CTRL": "lost", "M": "lost"}}


@case
def zones_shrink_step_by_step_until_nothing_changes():
    # As above with W a converter, at which the zone stops: X1 open frees B (W has a link into the zone and conducts
    # nothing), CTRL on B is served and opens X2, and C is free in the same stage: W borders no zone any more and M
    # returns too. With X1 stuck B stays in the zone and CTRL dead.
    t = topology(
        {
            "T": "source",
            "A": "bus",
            "X1": "switch",
            "B": "bus",
            "X2": {"kind": "switch", "operated_by": "CTRL"},
            "C": "bus",
            "W": "converter",
        },
        ["A <-> X1 <-> B", "T -> B", "A <-> X2 <-> C", "B -> W -> C"],
        loads={"CTRL": "B", "M": "C"},
    )
    return t, {"A:short": {"CTRL": "commanded", "M": "commanded"}, "A:short X1:stuck": {"CTRL": "lost", "M": "lost"}}


@case
def an_open_tie_that_is_asked_to_close_is_not_closed_onto_a_fault():
    # TIE feeds from B into A: with A shorted TIE has a link into the zone and conducts nothing at any stage, so P that
    # hangs on TIE's own output is not served from B.
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "TIE": OPEN_TIE, "B": "bus", "P": "bus"},
        ["S -> A", "T -> B -> TIE -> A", "TIE -> P", "S -> P"],
        loads={"L": "P"},
    )
    # The short takes S with it (a source without protection) and P below S. At no stage does TIE serve P.
    return t, {"A:short": {"L": "lost"}, "S": {"L": "commanded"}}


# What cleared it stays open


@case
def a_breaker_with_a_link_into_the_zone_conducts_nothing():
    # X feeds B1 and B2. A short on B1 opens X, and X stays open as long as the fault lasts: B2 is lost too.
    t = topology(
        {"S": "source", "A": "bus", "X": "breaker", "B1": "bus", "B2": "bus"},
        ["S -> A -> X -> B1", "X -> B2"],
        loads={"L0": "A", "L1": "B1", "L2": "B2"},
    )
    return t, {"B1:short": {"L1": "lost", "L2": "lost"}}


@case
def a_breaker_below_the_zone_stays_closed():
    # X hangs below A and has no link into the zone of A; T feeds it as well, and L never notices.
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "X": "breaker"}, ["S -> A -> X", "T -> X"], loads={"L": "X"}
    )
    return t, {"A:short": {}, "A:short X:stuck": {"L": "lost"}}


@case
def a_two_way_breaker_below_the_zone_opens():
    # With a two-way link X could feed the fault from T: it opens, and L is lost while the fault lasts.
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "X": "breaker"}, ["S -> A <-> X", "T -> X"], loads={"L": "X"}
    )
    return t, {"A:short": {"L": "lost"}}


def behind_a_switch(protection, **fields):
    """S - P - DB - SW - E: a short on E goes up through the closed switch to the protection P; SW opens on command."""
    return topology(
        {
            "S": "source",
            "UP": "bus",
            "P": {"kind": protection, **fields},
            "DB": "bus",
            "SW": "switch",
            "E": "bus",
        },
        ["S -> UP -> P -> DB -> SW -> E"],
        loads={"U": "UP", "L": "DB", "M": "E"},
    )


@case
def a_tripped_fuse_is_dead_for_the_case():
    return behind_a_switch("fuse"), {"E:short": {"L": "lost", "M": "lost"}}


@case
def a_tripped_converter_returns_once_it_borders_no_zone():
    return behind_a_switch("converter"), {
        "E:short": {"L": "commanded", "M": "lost"},
        "E:short SW:stuck": {"L": "lost", "M": "lost"},
    }


@case
def a_tripped_breaker_returns_when_it_can_be_operated():
    return behind_a_switch("breaker"), {"E:short": {"L": "commanded", "M": "lost"}}


@case
def a_tripped_breaker_operated_by_hand_returns_by_hand():
    return behind_a_switch("breaker", operated="manual"), {"E:short": {"L": "manual", "M": "lost"}}


@case
def a_tripped_breaker_operated_sooner_waits_for_the_zone_to_shrink():
    return behind_a_switch("breaker", operated="automatic"), {"E:short": {"L": "commanded", "M": "lost"}}


@case
def a_tripped_breaker_that_nobody_operates_stays_open():
    # CTRL hangs on DB, below the tripped breaker: nobody recloses it.
    t = topology(
        {
            "S": "source",
            "P": {"kind": "breaker", "operated_by": "CTRL"},
            "DB": "bus",
            "SW": "switch",
            "E": "bus",
        },
        ["S -> P -> DB -> SW -> E"],
        loads={"CTRL": "DB"},
    )
    return t, {"E:short": {"CTRL": "lost"}, "": {}}


@case
def a_stuck_breaker_in_the_zone_has_tripped_too():
    # It lay in the zone and can never be operated: no power is credited through it again. A stuck switch that clears
    # nothing never trips and conducts again once the zone has gone.
    return behind_a_switch("breaker"), {"E:short P:stuck": {"U": "commanded", "L": "lost", "M": "lost"}}


@case
def a_stuck_switch_in_the_zone_conducts_again():
    return behind_a_switch("switch"), {"E:short P:stuck": {"U": "commanded", "L": "commanded", "M": "lost"}}


@case
def a_converter_inside_the_zone_returns_when_the_zone_has_gone():
    # CV does not isolate: the short above goes through it into B. SW opens on command: A's other side is free again.
    t = topology(
        {
            "S": "source",
            "E": "bus",
            "SW": "switch",
            "A": "bus",
            "CV": {"kind": "converter", "isolated": False},
            "B": "bus",
        },
        ["S -> A -> CV -> B", "E <-> SW <-> A"],
        loads={"L": "B"},
    )
    return t, {"E:short": {"L": "commanded"}, "E:short SW:stuck": {"L": "lost"}}


@case
def a_tripped_converter_waits_while_any_side_of_it_is_in_the_zone():
    # CV is fed by A and B. E (beyond SW) and A are shorted: CV trips for the fault on DB's side. On command SW opens
    # and frees DB, but A above CV is in a zone still: CV *borders* it and does not return, though B could feed it.
    # With E alone it returns; with A alone it never tripped and passes B's power all along.
    t = topology(
        {
            "S": "source",
            "T": "source",
            "A": "bus",
            "B": "bus",
            "CV": "converter",
            "DB": "bus",
            "SW": "switch",
            "E": "bus",
        },
        ["S -> A -> CV -> DB -> SW -> E", "T -> B -> CV"],
        loads={"L": "DB"},
    )
    return t, {"A:short": {}, "E:short": {"L": "commanded"}, "A:short E:short": {"L": "lost"}}


@case
def a_source_in_the_zone_returns_and_a_storage_does_not():
    t = topology(
        {"S": "source", "A": "bus", "SW": "switch", "E": "bus"}, ["S -> A -> SW -> E"], loads={"L": "A"}
    )  # fmt: skip
    return t, {"E:short": {"L": "commanded"}}


@case
def a_storage_in_the_zone_at_stage_0_is_dead_for_the_case():
    t = topology({"S": "storage", "A": "bus", "SW": "switch", "E": "bus"}, ["S -> A -> SW -> E"], loads={"L": "A"})
    return t, {"E:short": {"L": "lost"}, "": {}}


@case
def a_storage_behind_a_breaker_survives():
    t = topology(
        {"S": "storage", "X": "breaker", "A": "bus", "SW": "switch", "E": "bus"},
        ["S -> X -> A -> SW -> E"],
        loads={"L": "A", "M": "S"},
    )
    return t, {"E:short": {"L": "commanded"}}


@case
def a_source_that_clears_gives_nothing_while_it_could_feed_the_fault():
    # S stops the fault of A, so B is in no zone; but S has a link into the zone and gives nothing. T feeds B alone.
    t = topology(
        {"S": {"kind": "source", "clears_faults": True}, "T": "source", "A": "bus", "B": "bus", "C": "bus"},
        ["S -> A", "S -> B", "T -> B", "S -> C"],
        loads={"L": "A", "M": "B", "N": "C"},
    )
    return t, {"A:short": {"L": "lost", "N": "lost"}, "A:short T": {"L": "lost", "M": "lost", "N": "lost"}}


@case
def a_source_that_does_not_clear_spreads_the_fault():
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "B": "bus"}, ["S -> A", "S -> B", "T -> B"], loads={"M": "B"}
    )
    return t, {"A:short": {"M": "lost"}}


@case
def a_tripped_source_returns_once_the_zone_has_shrunk():
    t = topology(
        {"S": {"kind": "storage", "clears_faults": True}, "A": "bus", "SW": "switch", "E": "bus"},
        ["S -> A -> SW -> E"],
        loads={"L": "A"},
    )
    return t, {"E:short": {"L": "commanded"}}


# Power


@case
def a_loop_without_a_source_stays_dead():
    # The beginner's trap: two buses that feed each other.
    t = topology({"S": "source", "A": "bus", "B": "bus"}, ["S -> A <-> B"], loads={"L": "A", "M": "B"})
    return t, {"S": {"L": "lost", "M": "lost"}, "A": {"L": "lost", "M": "lost"}, "B": {"M": "lost"}}


@case
def a_one_way_loop_stays_dead():
    t = topology(
        {"S": "source", "A": "bus", "B": "bus", "C": "bus"}, ["S -> A -> B -> C -> A"], loads={"L": "C"}
    )  # fmt: skip
    return t, {"S": {"L": "lost"}, "B": {"L": "lost"}}


@case
def power_flows_along_the_arrows_only():
    t = topology({"S": "source", "A": "bus", "B": "bus", "T": "source"}, ["S -> A -> B", "T -> B"], loads={"L": "A"})
    return t, {"S": {"L": "lost"}, "T": {}}


@case
def several_feeds_may_be_needed():
    t = topology(
        {"S": "source", "T": "source", "U": "source", "G": {"kind": "bus", "feeds_needed": 2}},
        ["S -> G", "T -> G", "U -> G"],
        loads={"L": "G", "M": {"fed_by": "S T U", "feeds_needed": 3}},
    )
    return t, {"": {}, "S": {"M": "lost"}, "S T": {"L": "lost", "M": "lost"}}


@case
def several_feeds_in_a_loop_do_not_hold_each_other_up():
    # A and B need two feeds each: one from its source and one from the other. Neither can be first.
    t = topology(
        {
            "S": "source",
            "T": "source",
            "A": {"kind": "bus", "feeds_needed": 2},
            "B": {"kind": "bus", "feeds_needed": 2},
        },
        ["S -> A", "T -> B", "A <-> B"],
        loads={"L": "A"},
    )
    return t, {"": {"L": "lost"}}


@case
def capacity_is_judged_by_phase():
    t = topology(
        {"S": {"kind": "source", "capacity_kw": {"sunlit": 5.0, "dark": 0.0}}, "T": "source"},
        loads={"L": "S", "M": "S T"},
        phases="sunlit dark",
    )
    return t, {
        "": by_phase(dark={"L": "lost"}),
        "T": by_phase(dark={"L": "lost", "M": "lost"}),
        "S": by_phase(sunlit={"L": "lost"}, dark={"L": "lost"}),
    }


@case
def a_phase_not_named_gives_nothing_and_zero_is_zero_everywhere():
    t = topology(
        {"S": {"kind": "source", "capacity_kw": {"dark": 2.0}}, "Z": {"kind": "source", "capacity_kw": 0.0}},
        loads={"L": "S", "M": "Z"},
        phases="sunlit dark",
    )
    return t, {"": by_phase(sunlit={"L": "lost", "M": "lost"}, dark={"M": "lost"})}


@case
def links_into_a_source_carry_faults_and_no_power():
    # A charges BAT over a link. BAT's output bus B is fed by BAT only; the link gives B nothing when BAT is not live.
    t = topology(
        {"S": "source", "A": "bus", "BAT": {"kind": "storage", "charged_by": "A"}, "B": "bus"},
        ["S -> A -> BAT -> B"],
        loads={"L": "B"},
    )
    return t, {"": {}, "BAT": {"L": "lost"}, "S": {"L": "lost"}, "A:short": {"L": "lost"}, "A": {"L": "lost"}}


@case
def a_breaker_in_the_link_into_a_storage_keeps_the_fault_out():
    # The battery is always charged (no charged_by). A short on A: X has no link into the zone, it does not open; BAT is
    # not in the zone.
    t = topology(
        {"S": "source", "A": "bus", "X": "breaker", "BAT": "storage", "B": "bus"},
        ["S -> A -> X -> BAT -> B"],
        loads={"L": "B"},
    )
    # X:stuck lets it in. A short on B pulls on BAT and on X, which opens.
    return t, {"A:short": {}, "A:short X:stuck": {"L": "lost"}, "B:short": {"L": "lost"}}


@case
def a_load_may_hang_on_a_source():
    t = topology({"S": "source"}, loads={"L": "S"})
    return t, {"": {}, "S": {"L": "lost"}}


# Charge


@case
def a_battery_charged_in_the_sun_serves_the_dark():
    t = topology(
        {
            "PV": {"kind": "source", "capacity_kw": {"sunlit": 5.0}},
            "BUS": "bus",
            "BAT": {"kind": "storage", "charged_by": "BUS"},
        },
        ["PV -> BUS", "BAT -> BUS"],
        loads={"L": "BUS"},
        phases="sunlit dark",
    )
    # With PV gone the battery's only charger is gone: it is no tolerance, in either phase.
    return t, {
        "": {},
        "BAT": by_phase(dark={"L": "lost"}),
        "PV": by_phase(sunlit={"L": "lost"}, dark={"L": "lost"}),
    }


@case
def a_battery_whose_only_charger_is_gone_is_no_tolerance():
    t = topology(
        {"S": "source", "BUS": "bus", "BAT": {"kind": "storage", "charged_by": "BUS"}},
        ["S -> BUS", "BAT -> BUS"],
        loads={"L": "BUS"},
    )
    return t, {"": {}, "S": {"L": "lost"}, "BAT": {}}


@case
def a_battery_with_another_charger_is():
    t = topology(
        {"S": "source", "T": "source", "BUS": "bus", "BAT": {"kind": "storage", "charged_by": "BUS T"}},
        ["S -> BUS", "BAT -> BUS"],
        loads={"L": "BUS"},
    )
    return t, {"S": {}, "T": {}, "S T": {"L": "lost"}}


@case
def a_storage_without_charged_by_counts_as_charged():
    t = topology({"S": "source", "B": "storage"}, loads={"L": "S B"})
    return t, {"S": {}, "B": {}, "S B": {"L": "lost"}}


@case
def batteries_may_charge_batteries():
    # B2 is charged by BUS2, which B1 feeds, which BUS1 charges, which PV feeds when the sun shines.
    t = topology(
        {
            "PV": {"kind": "source", "capacity_kw": {"sunlit": 1.0}},
            "BUS1": "bus",
            "B1": {"kind": "storage", "charged_by": "BUS1"},
            "BUS2": "bus",
            "B2": {"kind": "storage", "charged_by": "BUS2"},
        },
        ["PV -> BUS1", "B1 -> BUS2"],
        loads={"L": "B2", "M": "BUS2"},
        phases="sunlit dark",
    )
    both = {"L": "lost", "M": "lost"}
    # The storages of a phase give in all phases, once charged. Neither charges itself.
    return t, {"": {}, "PV": by_phase(sunlit=both, dark=both), "B1": by_phase(sunlit=both, dark=both)}


@case
def batteries_that_charge_each_other_start_with_none():
    t = topology(
        {"B1": {"kind": "storage", "charged_by": "B2"}, "B2": {"kind": "storage", "charged_by": "B1"}},
        loads={"L": "B1 B2"},
    )
    return t, {"": {"L": "lost"}}


@case
def charge_comes_back_with_what_charges_it():
    # PV lost: in the sun BUS is restored on command from T over TIE (T gives only in the sun); BAT is charged from then
    # on, and so the dark is restored at the same stage.
    t = topology(
        {
            "PV": {"kind": "source", "capacity_kw": {"sunlit": 5.0}},
            "T": {"kind": "source", "capacity_kw": {"sunlit": 5.0}},
            "TIE": OPEN_TIE,
            "BUS": "bus",
            "BAT": {"kind": "storage", "charged_by": "BUS"},
        },
        ["PV -> BUS", "BAT -> BUS", "T -> TIE -> BUS"],
        loads={"L": "BUS"},
        phases="sunlit dark",
    )
    return t, {"PV": by_phase(sunlit={"L": "commanded"}, dark={"L": "commanded"}), "T": {}}


@case
def a_load_or_function_may_charge():
    t = topology(
        {"S": "source", "BAT": {"kind": "storage", "charged_by": "pumping"}, "T": "source"},
        loads={"L": "BAT", "P": "S", "Q": "T"},
        functions={"pumping": {"of": "P Q", "at_least": 2}},
    )
    return t, {"": {}, "S": {"L": "lost", "P": "lost", "pumping": "lost"}}


# Needs and functions


@case
def a_need_not_met_takes_it_down():
    t = topology(
        {"S": "source", "T": "source", "CV": {"kind": "converter", "needs": "PUMP"}, "B": "bus"},
        ["S -> CV -> B"],
        loads={"L": "B", "PUMP": "T"},
    )
    return t, {"": {}, "T": {"L": "lost", "PUMP": "lost"}}


@case
def needs_cascade():
    t = topology(
        {"S": "source", "C": {"kind": "bus", "needs": "F"}, "D": {"kind": "bus", "needs": "E"}, "E": "cable"},
        ["S -> C -> E", "S -> D"],
        loads={"L": "D", "P": "S"},
        functions={"F": "P"},
    )
    return t, {"": {}, "C": {"L": "lost"}, "E": {"L": "lost"}}


@case
def all_needs_must_be_met_and_of_loads_too():
    t = topology({"S": "source", "A": "bus", "B": "bus"}, ["S -> A", "S -> B"], loads={"L": {
        "fed_by": "S", "needs": "A B"}})  # fmt: skip
    return t, {"": {}, "A": {"L": "lost"}, "B": {"L": "lost"}}


@case
def what_holds_itself_up_keeps_running():
    # CV cools itself: the pump it feeds is what it needs. Undisturbed it runs (greatest fixpoint).
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "TIE": OPEN_TIE | AUTO, "CV": {
            "kind": "converter", "needs": "coolant"}, "B": "bus"},
        ["S -> A -> CV -> B", "T -> TIE -> A"],
        loads={"PUMP": "B", "L": "A"},
        functions={"coolant": "PUMP"},
    )  # fmt: skip
    # S lost: A returns at once by itself, but CV needs the pump that needs CV: it stays down once it is down.
    return t, {"": {}, "S": {"L": "automatic", "PUMP": "lost", "coolant": "lost"}, "T": {}}


@case
def a_second_pump_restarts_it():
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "TIE": OPEN_TIE | AUTO, "CV": {
            "kind": "converter", "needs": "coolant"}, "B": "bus"},
        ["S -> A -> CV -> B", "T -> TIE -> A"],
        loads={"PUMP": "B", "SPARE": "A"},
        functions={"coolant": "PUMP SPARE"},
    )  # fmt: skip
    return t, {"S": {"PUMP": "automatic", "SPARE": "automatic", "coolant": "automatic"}, "CV": {"PUMP": "lost"}}


@case
def two_that_need_each_other_keep_running_and_never_restart():
    t = topology(
        {
            "S": "source",
            "T": "source",
            "A": {"kind": "bus", "needs": "B"},
            "B": {"kind": "bus", "needs": "A"},
            "TIE": OPEN_TIE,
        },
        ["S -> A", "S -> B", "T -> TIE -> A", "TIE -> B"],
        loads={"L": "A", "M": "B"},
    )
    return t, {"": {}, "T": {}, "S": {"L": "lost", "M": "lost"}}


@case
def what_needs_itself_starts_never():
    t = topology(
        {"S": "source", "T": "source", "A": {"kind": "bus", "needs": "A"}, "TIE": OPEN_TIE | HAND},
        ["S -> A", "T -> TIE -> A"],
        loads={"L": "A"},
    )
    return t, {"": {}, "S": {"L": "lost"}}


@case
def one_that_still_runs_meets_the_need_of_the_next_stage():
    # COOL runs on from stage 0; CV on bus A returns on command.
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "TIE": OPEN_TIE, "CV": {"kind": "converter", "needs": "COOL"}},
        ["S -> A -> CV", "T -> TIE -> A"],
        loads={"COOL": "T", "L": "CV"},
    )
    return t, {"S": {"L": "commanded"}, "T": {"COOL": "lost", "L": "lost"}}


@case
def a_need_met_later_brings_it_back_later():
    # The pump returns by hand, so the converter returns by hand, though its own feed never failed.
    t = topology(
        {
            "S": "source",
            "T": "source",
            "P": "bus",
            "TIE": OPEN_TIE | HAND,
            "CV": {"kind": "converter", "needs": "PUMP"},
        },
        ["S -> CV", "T -> P", "S -> TIE -> P"],
        loads={"PUMP": "P", "L": "CV"},
    )
    return t, {"T": {"PUMP": "manual", "L": "manual"}}


@case
def a_source_may_have_needs():
    t = topology(
        {"S": {"kind": "source", "needs": "CTRL"}, "T": "source", "BAT": {"kind": "storage", "needs": "CTRL"}},
        loads={"CTRL": "T", "L": "S", "M": "BAT"},
    )
    return t, {"": {}, "T": {"CTRL": "lost", "L": "lost", "M": "lost"}}


@case
def needs_are_judged_by_phase():
    t = topology(
        {"PV": {"kind": "source", "capacity_kw": {"sunlit": 1.0}}, "S": "source", "A": {"kind": "bus", "needs": "W"}},
        ["S -> A"],
        loads={"W": {"fed_by": "PV", "demand_kw": {"sunlit": 1.0}}, "L": "A"},
        phases="sunlit dark",
    )
    # W is not judged in the dark, but it is not served there, and so A's need of it is not met.
    return t, {"": by_phase(dark={"L": "lost"})}


@case
def functions_count_members():
    t = topology(
        {"S": "source", "T": "source", "U": "source"},
        loads={"A": "S", "B": "T", "C": "U"},
        functions={
            "two": {"of": "A B C", "at_least": 2},
            "any": {"of": "A B C"},
            "nested": {"of": "two any U", "at_least": 3},
        },
    )
    return t, {
        "S": {"A": "lost"},
        "S T": {"A": "lost", "B": "lost", "two": "lost", "nested": "lost"},
        "U": {"C": "lost", "nested": "lost"},
        "S T U": {"A": "lost", "B": "lost", "C": "lost", "two": "lost", "any": "lost", "nested": "lost"},
    }


@case
def a_function_returns_with_the_member_it_waits_for():
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "B": "bus", "TA": OPEN_TIE | AUTO, "TB": OPEN_TIE | HAND},
        ["S -> A", "S -> B", "T -> TA -> A", "T -> TB -> B"],
        loads={"L": "A", "M": "B"},
        functions={"both": {"of": "L M", "at_least": 2}, "one": "L M"},
    )
    return t, {"S": {"L": "automatic", "M": "manual", "both": "manual", "one": "automatic"}}


# Outcome


@case
def a_load_is_not_judged_where_its_demand_names_zero_or_leaves_the_phase_out():
    t = topology(
        {"PV": {"kind": "source", "capacity_kw": {"sunlit": 1.0}}},
        loads={
            "ZERO": {"fed_by": "PV", "demand_kw": {"sunlit": 1.0, "dark": 0.0}},
            "OUT": {"fed_by": "PV", "demand_kw": {"sunlit": 1.0}},
            "ALL": {"fed_by": "PV", "demand_kw": 1.0},
            "NONE": {"fed_by": "PV", "demand_kw": 0.0},
            "NEVER": {"fed_by": "PV", "demand_kw": {"dark": 0.0}},
            "UNSAID": {"fed_by": "PV"},
        },
        phases="sunlit dark",
    )
    # A plain 0 is judged in every phase: only a mapping exempts phases.
    judged = {"ALL": "lost", "NONE": "lost", "UNSAID": "lost"}
    return t, {"": by_phase(dark=judged), "PV": by_phase(sunlit=judged | {"ZERO": "lost", "OUT": "lost"}, dark=judged)}


@case
def a_function_is_judged_in_every_phase():
    t = topology(
        {"PV": {"kind": "source", "capacity_kw": {"sunlit": 1.0}}},
        loads={"L": {"fed_by": "PV", "demand_kw": {"sunlit": 1.0}}},
        functions={"F": "L"},
        phases="sunlit dark",
    )
    return t, {"": by_phase(dark={"F": "lost"})}


@case
def the_worst_phase_counts():
    # In the sun T restores L by itself; in the dark T gives nothing and U is closed in by hand.
    t = topology(
        {
            "S": "source",
            "T": {"kind": "source", "capacity_kw": {"sunlit": 1.0}},
            "U": "source",
            "A": "bus",
            "TA": OPEN_TIE | AUTO,
            "TM": OPEN_TIE | HAND,
        },
        ["S -> A", "T -> TA -> A", "U -> TM -> A"],
        loads={"L": "A"},
        phases="sunlit dark",
    )
    return t, {
        "S": by_phase(sunlit={"L": "automatic"}, dark={"L": "manual"}),
        "S TM": by_phase(sunlit={"L": "automatic"}, dark={"L": "lost"}),
    }


@case
def zones_differ_by_phase_where_the_operator_does():
    # CTRL has power in the sun only; it opens SW, which frees A.
    t = topology(
        {
            "S": "source",
            "PV": {"kind": "source", "capacity_kw": {"sunlit": 1.0}},
            "A": "bus",
            "SW": {"kind": "switch", "operated_by": "CTRL"},
            "E": "bus",
        },
        ["S -> A -> SW -> E"],
        loads={"CTRL": {"fed_by": "PV", "demand_kw": {"sunlit": 0.1}}, "L": "A"},
        phases="sunlit dark",
    )
    return t, {"E:short": by_phase(sunlit={"L": "commanded"}, dark={"L": "lost"})}


@case
def a_jumper_fitted_by_hand_is_never_credited_to_the_uninterruptible():
    # Doerry and Amy (2011): an interruption counts when it is longer than the load bears. What the crew fits by hand
    # comes at stage manual, so the outcome is manual at best, which only one that rides through manual bears.
    t = topology(
        {"S": "source", "T": "source", "A": "bus", "J": {"kind": "jumper", "mated": False, "crew_may_mate": True}},
        ["S -> A", "T -> J -> A"],
        loads={"CPU": "A", "HEATER": {"fed_by": "A", "rides_through": "manual"}},
    )
    return t, {"S": {"CPU": "manual", "HEATER": "manual"}, "T": {}}


# Combinations of shorts and returns


@case
def two_shorts_make_two_zones():
    t = topology(
        {
            "S": "source",
            "MAIN": "bus",
            "X1": "breaker",
            "B1": "bus",
            "X2": "breaker",
            "B2": "bus",
            "X3": "breaker",
            "B3": "bus",
        },
        ["S -> MAIN", "MAIN -> X1 -> B1", "MAIN -> X2 -> B2", "MAIN -> X3 -> B3"],
        loads={"L1": "B1", "L2": "B2", "L3": "B3"},
    )
    return t, {"B1:short B2:short": {"L1": "lost", "L2": "lost"}, "B1:short X1:short": {
        "L1": "lost", "L2": "lost", "L3": "lost"}}  # fmt: skip


@case
def a_tie_closed_without_breakers_joins_the_sides_in_misfortune():
    # MSC/Circ.645, 3.1 to 3.2: sides may run joined if bus-ties separate them on a short circuit.
    t = topology(
        {"G1": "source", "G2": "source", "A": "bus", "B": "bus", "TIE": "cable"},
        ["G1 -> A <-> TIE <-> B", "G2 -> B"],
        loads={"L": "A", "M": "B"},
    )
    return t, {"A:short": {"L": "lost", "M": "lost"}, "G1": {}}


@case
def a_tie_with_a_breaker_keeps_one_side():
    t = topology(
        {"G1": "source", "G2": "source", "A": "bus", "B": "bus", "TIE": "breaker"},
        ["G1 -> A <-> TIE <-> B", "G2 -> B"],
        loads={"L": "A", "M": "B"},
    )
    return t, {"A:short": {"L": "lost"}, "G1": {}, "A:short TIE:stuck": {"L": "lost", "M": "lost"}}


@case
def a_tripped_normally_open_breaker_closes_later():
    # TIE stands open beside the zone of E and counts as tripped; once SW has freed A, TIE may be closed on command.
    t = topology(
        {
            "S": "source",
            "FU": "fuse",
            "T": "source",
            "A": "bus",
            "TIE": {"kind": "breaker", "normally": "open"},
            "SW": "switch",
            "E": "bus",
        },
        ["S -> FU -> A -> SW -> E", "T -> TIE -> A"],
        loads={"L": "A"},
    )
    return t, {"E:short": {"L": "commanded"}, "E:short TIE:stuck": {"L": "lost"}, "S": {"L": "commanded"}}


@case
def a_zone_through_a_closed_breaker_trips_it():
    # TIE stands closed by failure: it lies in the zone of E, so has tripped, and credits no power anyway; T is taken.
    t = topology(
        {
            "T": "source",
            "U": "source",
            "A": "bus",
            "TIE": {"kind": "breaker", "normally": "open"},
            "B": "bus",
            "SW": "switch",
            "E": "bus",
        },
        ["T -> B <-> TIE <-> A", "U -> A -> SW -> E"],
        loads={"L": "A", "M": "B"},
    )
    return t, {
        "E:short": {"L": "commanded"},
        "E:short TIE:closed": {"L": "commanded", "M": "commanded"},
        "E:short SW:stuck TIE:closed": {"L": "lost", "M": "lost"},
    }


@case
def a_lost_controller_leaves_the_zone_large():
    # Both a loss and a short: the loss is of what would have opened the switch.
    t = topology(
        {
            "S": "source",
            "T": "source",
            "A": "bus",
            "SW": {"kind": "switch", "operated": "automatic", "operated_by": "CTRL"},
            "HS": {"kind": "switch", "operated": "manual"},
            "E": "bus",
        },
        ["S -> A -> HS -> SW -> E"],
        loads={"L": "A", "CTRL": "T"},
    )
    return t, {"E:short": {"L": "automatic"}, "E:short T": {"L": "manual", "CTRL": "lost"}}


@case
def a_storage_charged_by_the_dead_zone_is_not_charged():
    # BUS is shorted, BAT (behind a breaker) was to be charged by it: nothing serves M, which hangs on BAT.
    t = topology(
        {"S": "source", "BUS": "bus", "X": "breaker", "BAT": {"kind": "storage", "charged_by": "BUS"}, "SW": "switch",
         "E": "bus"},
        ["S -> BUS", "BAT -> X -> BUS", "BUS -> SW -> E"],
        loads={"M": "BAT"},
    )  # fmt: skip
    # A short beyond SW: BUS dead at stage 0, so BAT is not charged then; from commanded on it is.
    return t, {"": {}, "BUS:short": {"M": "lost"}, "E:short": {"M": "commanded"}}
