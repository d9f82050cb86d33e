"""Applying proposals: remove, add, set; what is left over is an error; every problem at the proposal's own line."""

from __future__ import annotations

import copy
import json
import random
from typing import Any

import pytest

from powerfault.errors import ModelError, RequestError
from powerfault.model.elements import Component, Function, Load, Need, QuestionChange, Topology
from powerfault.model.modify import apply_proposals, check_each
from powerfault.model.reader import problem_at, read_topology_text, topology_warnings

BASE = """\
powerfault: 1
components:
  PV: {kind: source, capacity_kw: 5}
  BUS: {kind: bus, voltage_v: 120}
  BRK: {kind: breaker, operated_by: [CTRL]}
  TIE: {kind: switch, normally: open, modes: [loss, closed]}
  CV: {kind: converter, needs: [COOL], efficiency: 0.9}
  DB: {kind: bus, voltage_v: 28}
  CTRL: {kind: bus}
feeds:
  - PV -> BUS -> CV -> DB
  - BUS <-> TIE <-> BRK
  - BUS -> CTRL
loads:
  FAN: {fed_by: [DB, BRK], demand_kw: 1, severity: critical, rides_through: manual}
  PUMP: {fed_by: [DB]}
functions:
  COOL: {of: [PUMP, FAN], at_least: 2}
proposals:
"""


def read(*proposals: str, base: str = BASE) -> Topology:
    return read_topology_text(base + "".join(f"  {line}\n" for line in proposals), "f")


def apply(proposal: str, *ids: str) -> Topology:
    return apply_proposals(read(f"J: {proposal}"), ids or ["J"])


def problems(topology: Topology, *ids: str) -> list[str]:
    with pytest.raises(ModelError) as caught:
        apply_proposals(topology, ids)
    return [str(problem).removeprefix("f:") for problem in caught.value.problems]


def test_nothing_applied_changes_nothing() -> None:
    t = read("J: {}")
    assert apply_proposals(t, []) is t
    after = apply_proposals(t, ["J"])
    assert (after.components, after.links, after.loads) == (t.components, t.links, t.loads)
    assert after.applied == ("J",)


def test_add() -> None:
    t = read("J: {add: {components: {X: {kind: jumper, gauge_awg: 4}, Y: {kind: breaker}}, feeds: [DB <-> X, X -> Y], "
             "loads: {L: {fed_by: [Y]}}, functions: {F: {of: [L]}}}}")  # fmt: skip
    after = apply_proposals(t, ["J"])
    assert after.components["X"] == Component(id="X", kind="jumper", gauge_awg=4)
    assert list(after.components)[-2:] == ["X", "Y"]
    assert after.links == (*t.links, ("DB", "X"), ("X", "DB"), ("X", "Y"))
    assert after.loads["L"] == Load(id="L", fed_by=("Y",))
    assert after.functions["F"] == Function(id="F", of=("L",))
    assert after.added == {"X", "Y", "L", "F"}
    assert after.proposals == t.proposals
    assert "X" not in t.components


def test_add_of_a_link_that_is_there_counts_once_and_is_noticed() -> None:
    after = apply("{add: {feeds: [PV -> BUS]}}")
    assert after.links.count(("PV", "BUS")) == 1
    assert "f:20:21: proposals.J.add.feeds[0]: the link PV -> BUS is already there; it counts once" in [
        str(w) for w in topology_warnings(after)
    ]


def test_removing_a_component_removes_its_links_and_feeds() -> None:
    after = apply("{remove: {components: [TIE, BRK]}}")
    assert not any({"TIE", "BRK"} & set(link) for link in after.links)
    assert after.loads["FAN"].fed_by == ("DB",)
    assert "TIE" not in after.components


def test_removing_feeds_removes_every_link_that_the_line_spells() -> None:
    after = apply("{remove: {feeds: [BUS <-> TIE -> BRK]}}")
    assert ("BRK", "TIE") in after.links
    assert not {("BUS", "TIE"), ("TIE", "BUS"), ("TIE", "BRK")} & set(after.links)


def test_removing_loads_and_functions() -> None:
    after = apply("{remove: {loads: [PUMP, FAN], functions: [COOL]}, set: {CV: {needs: null}}}")
    assert (after.loads, after.functions) == ({}, {})


def test_set_replaces_whole_fields_and_null_takes_them_away() -> None:
    after = apply("{set: {CV: {needs: [{id: CTRL, bears: manual}], efficiency: null, label: New}, "
                  "FAN: {fed_by: [DB], demand_kw: null, priority: 2}, COOL: {at_least: 1, of: [PUMP]}}}")  # fmt: skip
    assert after.components["CV"] == Component(id="CV", kind="converter", needs=(Need("CTRL", "manual"),), label="New")
    assert after.loads["FAN"] == Load(id="FAN", fed_by=("DB",), priority=2, severity="critical", rides_through="manual")
    assert after.functions["COOL"] == Function(id="COOL", of=("PUMP",))


def test_remove_then_add_then_set() -> None:
    """One proposal may take a component out, bring in another of the same id, and set a field of that."""
    after = apply("{remove: {components: [CV]}, add: {components: {CV: {kind: converter}}, feeds: [BUS -> CV -> DB]}, "
                  "set: {CV: {efficiency: 0.5}}}")  # fmt: skip
    assert after.components["CV"] == Component(id="CV", kind="converter", efficiency=0.5)
    assert "CV" in after.added
    feeds_first = apply("{remove: {feeds: [BUS -> CV], components: [CV]}, set: {}}")
    assert "CV" not in feeds_first.components


def test_a_kind_may_be_set_with_the_fields_that_it_takes() -> None:
    after = apply("{set: {DB: {kind: breaker, normally: open, voltage_v: null}}}")
    assert after.components["DB"] == Component(id="DB", kind="breaker", normally="open")
    found = problems(read("J: {set: {TIE: {kind: bus}}}"), "J")
    assert len(found) == 2
    assert "normally wrong: a bus takes no normally; only switch" in "".join(found)
    assert "modes[1] wrong: closed does not apply to a bus; to TIE apply loss and short" in "".join(found)
    assert apply("{set: {TIE: {kind: bus, normally: null, modes: null}}}").components["TIE"].kind == "bus"


def test_several_are_applied_in_the_order_given() -> None:
    t = read("A: {set: {CV: {efficiency: 0.5}}}", "B: {set: {CV: {efficiency: 0.6}}}")
    assert apply_proposals(t, ["A", "B"]).components["CV"].efficiency == 0.6
    assert apply_proposals(t, ["B", "A"]).components["CV"].efficiency == 0.5
    one_by_one = apply_proposals(apply_proposals(t, ["A"]), ["B"])
    assert one_by_one == apply_proposals(t, ["A", "B"])
    assert one_by_one.applied == ("A", "B")


def test_what_a_later_proposal_removes_is_no_longer_added() -> None:
    t = read("A: {add: {components: {X: {kind: bus}}}}", "B: {remove: {components: [X]}}")
    after = apply_proposals(t, ["A", "B"])
    assert (after.added, after.components) == (frozenset(), t.components)


def test_references_are_checked_after_all_were_applied() -> None:
    t = read("A: {remove: {functions: [COOL]}}", "B: {set: {CV: {needs: [CTRL]}}}")
    assert problems(t, "A") == [
        "20:28: proposals.A.remove.functions[0]: removes COOL, which components.CV.needs[0] still names; "
        "change that too, with 'set'"
    ]
    assert "COOL" not in apply_proposals(t, ["A", "B"]).functions


@pytest.mark.parametrize(
    ("removed", "left"),
    [
        ("components: [CTRL]", "components.BRK.operated_by[0]"),
        ("loads: [PUMP]", "functions.COOL.of[0]"),
        ("functions: [COOL]", "components.CV.needs[0]"),
    ],
)
def test_a_reference_left_over_is_shown_where_the_thing_is_removed(removed: str, left: str) -> None:
    found = problems(read(f"J: {{remove: {{{removed}}}}}"), "J")
    assert len(found) == 1
    assert found[0].startswith("20:")
    assert f"which {left} still names" in found[0]


def test_a_standing_failure_and_a_charger_left_over_are_errors() -> None:
    base = BASE.replace("feeds:", "  BAT: {kind: storage, charged_by: [CTRL]}\nfeeds:").replace(
        "proposals:", "standing: {failed: [CTRL]}\nproposals:"
    )
    found = problems(read("J: {remove: {components: [CTRL]}, set: {BRK: {operated_by: null}}}", base=base), "J")
    assert len(found) == 2
    assert "which components.BAT.charged_by[0] still names" in found[0]
    assert "which standing.failed[0] still names" in found[1]


ERRORS = [
    (
        "{add: {components: {X: {kind: bus}}}, remove: {components: [X]}}",
        "20:66: proposals.J.remove.components[0]: cannot remove 'X': there is none",
    ),
    ("{remove: {components: [FAN]}}", "remove.components[0]: FAN is a load; remove it under loads"),
    ("{remove: {loads: [BUS]}}", "remove.loads[0]: BUS is a component; remove it under components"),
    (
        "{remove: {components: [BRK]}, set: {BRK: {label: x}}}",
        "20:47: proposals.J.set.BRK: cannot set BRK: removed by proposals.J.remove.components[0]",
    ),
    (
        "{add: {components: {BUSB: {kind: bus, voltage_v: 28}}, feeds: [BUS -> BUSB]}}",
        "20:69: proposals.J.add.feeds[0]: joins BUS (120 V) and BUSB (28 V) without a converter",
    ),
    (
        "{set: {CV: {kind: fuse, efficiency: null}}}",
        "20:17: proposals.J.set.CV: makes feeds[0] wrong: joins BUS (120 V) and DB (28 V)",
    ),
    ("{set: {DB: {voltage_v: -3}}}", None),
    ("{add: {feeds: [DB -> CV]}}", "20:21: proposals.J.add.feeds[0]: CV is a converter and takes one-way links only"),
    ("{add: {feeds: [FAN -> CV]}}", "20:21: proposals.J.add.feeds[0]: FAN is a load; a load stands in no feed line"),
    (
        "{set: {COOL: {of: [PUMP]}}}",
        "20:19: proposals.J.set.COOL: makes functions.COOL.at_least wrong: at_least is 2, but the function has 1",
    ),
    (
        "{add: {functions: {F: {of: [COOL]}}}, set: {COOL: {of: [F, PUMP]}}}",
        "a function contains itself: COOL -> F -> COOL",
    ),
    (
        "{set: {TIE: {normally: closed}}}",
        "20:18: proposals.J.set.TIE: makes components.TIE.modes[1] wrong: closed applies only to a switch",
    ),
    (
        "{set: {FAN: {rides_through_min: 3}}}",
        "20:38: proposals.J.set.FAN.rides_through_min: rides_through and rides_through_min are both given",
    ),
    ("{set: {FAN: {min_voltage_v: 30, max_voltage_v: 20}}}", "set.FAN.min_voltage_v: min_voltage_v 30 is above"),
    (
        "{remove: {feeds: [DB -> FAN]}}",
        "20:24: proposals.J.remove.feeds[0]: cannot remove DB -> FAN: there is no such link; FAN is a load",
    ),
]


@pytest.mark.parametrize(("proposal", "expected"), ERRORS, ids=[e[0][:60] for e in ERRORS])
def test_each_error_at_the_line_of_the_proposal(proposal: str, expected: str | None) -> None:
    """Found when it is applied, or (some) as early as the file is read."""
    with pytest.raises(ModelError) as caught:
        apply_proposals(read(f"J: {proposal}"), ["J"])
    found = [str(problem).removeprefix("f:") for problem in caught.value.problems]
    assert all(line.startswith("20:") for line in found)
    assert (expected or "") in "\n".join(found)


def test_removing_what_is_removed_already() -> None:
    t = read("A: {remove: {components: [BRK], feeds: [BUS -> CTRL]}, set: {}}",
             "B: {remove: {components: [BRK], feeds: [BUS -> CTRL]}}")  # fmt: skip
    found = problems(t, "A", "B")
    assert found == [
        "21:29: proposals.B.remove.components[0]: cannot remove BRK: removed already by "
        "proposals.A.remove.components[0]",
        "21:43: proposals.B.remove.feeds[0]: cannot remove BUS -> CTRL: there is no such link",
    ]


@pytest.mark.parametrize(
    ("ids", "message"),
    [
        (["JJ"], r"unknown proposal 'JJ' \(did you mean 'J'\?\)"),
        (["Q"], "unknown proposal 'Q'; the file has: J"),
        (["J", "J"], "the proposal J is asked for twice"),
    ],
)
def test_wrong_requests(ids: list[str], message: str) -> None:
    with pytest.raises(RequestError, match=message):
        apply_proposals(read("J: {}"), ids)


def test_a_proposal_is_not_applied_twice() -> None:
    once = apply_proposals(read("J: {}"), ["J"])
    with pytest.raises(RequestError, match="asked for twice"):
        apply_proposals(once, ["J"])


def test_changes_of_the_question_are_recorded() -> None:
    after = apply("{set: {FAN: {severity: major, must_tolerate: 0, rides_through: null, label: x}, "
                  "BUS: {can_fail: false, modes: [loss]}, COOL: {rides_through: automatic}}}")  # fmt: skip
    assert after.question_changes == (
        QuestionChange("J", "FAN", "severity", "critical", "major"),
        QuestionChange("J", "FAN", "must_tolerate", None, 0),
        QuestionChange("J", "FAN", "rides_through", "manual", None),
        QuestionChange("J", "BUS", "can_fail", True, False),
        QuestionChange("J", "BUS", "modes", None, ("loss",)),
        QuestionChange("J", "COOL", "rides_through", None, "automatic"),
    )
    assert apply("{set: {FAN: {priority: 1}}}").question_changes == ()


def test_places_after_a_change_are_those_of_the_proposal() -> None:
    after = apply("{add: {components: {X: {kind: bus}}, feeds: [DB -> X]}, set: {CV: {needs: [CTRL]}}}")
    assert str(problem_at(after, "components.X.kind", "m")) == "f:20:36: proposals.J.add.components.X.kind: m"
    assert str(problem_at(after, "components.CV.needs[0]", "m")) == "f:20:81: proposals.J.set.CV.needs[0]: m"
    assert str(problem_at(after, "components.CV.kind", "m")) == "f:7:14: components.CV.kind: m"
    assert str(problem_at(after, "links.DB -> X", "m")) == "f:20:51: proposals.J.add.feeds[0]: m"


# --- each proposal alone ---------------------------------------------------------------------------------------------


def test_each_proposal_is_tried_alone() -> None:
    t = read(
        "GOOD: {set: {CV: {efficiency: 0.5}}}", "BAD: {set: {CV: {kind: fuse}}}", "WORSE: {remove: {loads: [PUMP]}}"
    )
    found, warnings, _ = check_each(t)
    assert [problem.line for problem in found] == [21, 21, 22]
    assert warnings == []


def test_a_proposal_that_builds_on_another_is_a_warning() -> None:
    t = read("B: {add: {feeds: [X -> BRK]}}", "A: {add: {components: {X: {kind: bus}}, feeds: [BUS -> X]}}")
    found, warnings, _ = check_each(t)
    assert found == []
    assert [str(w) for w in warnings] == [
        "f:20:6: proposals.B: can be applied only together with A, and after it: alone, it finds no X"
    ]
    assert ("X", "BRK") in apply_proposals(t, ["A", "B"]).links


@pytest.mark.parametrize(
    ("second", "lacks"),
    [
        ("{set: {X: {label: y}}}", "no X"),
        ("{remove: {components: [X]}}", "no X"),
        ("{remove: {feeds: [BUS -> X]}}", "no BUS -> X"),
        ("{set: {BRK: {operated_by: [X]}}}", "no X"),
        ("{add: {loads: {L: {fed_by: [X]}}}}", "no X"),
        ("{add: {functions: {F: {of: [X]}}}}", "no X"),
        ("{add: {components: {CTRL: {kind: bus}}}}", "CTRL already there"),
    ],
)
def test_every_way_to_build_on_another(second: str, lacks: str) -> None:
    first = (
        "{add: {components: {X: {kind: bus}}, feeds: [BUS -> X]}, "
        "remove: {components: [CTRL]}, set: {BRK: {operated_by: null}}}"
    )
    t = read(f"A: {first}", f"B: {second}")
    found, warnings, _ = check_each(t)
    assert found == []
    assert len(warnings) == 1
    assert str(warnings[0]).endswith(f"alone, it finds {lacks}")
    apply_proposals(t, ["A", "B"])


def test_proposals_may_build_on_each_other_in_a_chain_and_still_be_wrong() -> None:
    t = read(
        "C: {add: {components: {Z: {kind: bus, needs: [Y], voltage_v: 5}}, feeds: [Y -> Z]}}",
        "B: {add: {components: {Y: {kind: bus, needs: [X], voltage_v: 6}}}}",
        "A: {add: {components: {X: {kind: bus}}}}",
    )
    found, warnings, _ = check_each(t)
    assert ["only together with A and B" in str(w) for w in warnings] == [True, False]
    assert ["joins" in str(p) for p in found] == [True]


# --- against a file in which the change was made by hand -------------------------------------------------------------


def changed_by_hand(data: dict[str, Any], proposal: dict[str, Any]) -> dict[str, Any]:
    """The plain data of the file after the proposal, by the words of the format."""
    data = copy.deepcopy(data)
    for link in proposal.get("remove", {}).get("feeds", []):
        data["feeds"].remove(link)
    for id_ in proposal.get("remove", {}).get("components", []):
        del data["components"][id_]
        data["feeds"] = [line for line in data["feeds"] if id_ not in line.split(" -> ")]
        for load in data["loads"].values():
            load["fed_by"] = [x for x in load["fed_by"] if x != id_]
    for section in ("components", "loads"):
        data[section].update(proposal.get("add", {}).get(section, {}))
    data["feeds"] += [line for line in proposal.get("add", {}).get("feeds", []) if line not in data["feeds"]]
    for id_, changes in proposal.get("set", {}).items():
        section = "components" if id_ in data["components"] else "loads"
        data[section][id_].update(changes)
    return data


@pytest.mark.parametrize("seed", range(60))
def test_applying_equals_writing_the_change_into_the_file(seed: int) -> None:
    rng = random.Random(seed)
    buses = [f"B{i}" for i in range(rng.randint(4, 9))]
    pairs = [f"{a} -> {b}" for a in buses for b in buses if a != b]
    data: dict[str, Any] = {
        "powerfault": 1,
        "components": {id_: {"kind": "bus", "rating_kw": rng.randint(1, 9)} for id_ in buses},
        "feeds": rng.sample(pairs, rng.randint(1, len(pairs) // 2)),
        "loads": {f"L{i}": {"fed_by": rng.sample(buses, 3), "priority": 2} for i in range(3)},
    }
    gone = rng.sample(buses, rng.randint(0, 2))
    stay = [id_ for id_ in buses if id_ not in gone]
    new = [f"N{i}" for i in range(rng.randint(0, 3))]
    ends = stay + new
    proposal = {
        "remove": {"feeds": rng.sample(data["feeds"], rng.randint(0, len(data["feeds"]))), "components": gone},
        "add": {
            "components": {id_: {"kind": "jumper", "length_m": rng.randint(1, 30)} for id_ in new},
            "feeds": [f"{a} -> {b}" for a, b in (rng.sample(ends, 2) for _ in range(rng.randint(0, 6)))],
            "loads": {"LN": {"fed_by": [rng.choice(ends)]}},
        },
        "set": {
            rng.choice(stay): {"rating_kw": rng.choice([None, 4]), "label": "x", "kind": rng.choice(["bus", "fuse"])},
            f"L{rng.randint(0, 2)}": {"fed_by": [rng.choice(ends)], "priority": None},
        },
    }
    proposal["add"]["feeds"] = list(dict.fromkeys(proposal["add"]["feeds"]))
    applied = apply_proposals(read_topology_text(json.dumps({**data, "proposals": {"J": proposal}})), ["J"])
    expected = read_topology_text(json.dumps(changed_by_hand(data, proposal)))
    assert applied.components == expected.components
    assert list(applied.components) == list(expected.components)
    assert applied.loads == expected.loads
    assert applied.links == expected.links


def test_a_proposal_names_only_channels_that_the_file_declares_if_it_declares_any() -> None:
    line = "J: {add: {components: {X: {kind: bus, channel: q}}}}"
    assert apply_proposals(read(line), ["J"]).components["X"].channel == "q"
    declared = read(line, base=BASE.replace("proposals:", "channels: {a: {}}\nproposals:"))
    with pytest.raises(ModelError, match=r"X\.channel: unknown channel 'q'"):
        apply_proposals(declared, ["J"])
