"""What a change cures and breaks, against every case of both systems written out and compared one by one."""

from __future__ import annotations

import json
import random
from collections import Counter
from pathlib import Path

import pytest
from bench.systems import channels_system
from random_changes import changed_at_random, random_system, tied_channels

from powerfault.failures.cases import case_blocks
from powerfault.model.elements import MODES, OUTCOMES, Event
from powerfault.model.modify import apply_proposals
from powerfault.model.reader import read_topology_text
from powerfault.network.failure_modes import list_events
from powerfault.tolerance.comparison.cases import CHANGES, compare_consumers
from powerfault.tolerance.comparison.changed_cases import CaseList
from powerfault.tolerance.comparison.saved import read_saved_result
from powerfault.tolerance.comparison.study import Comparison, compare
from powerfault.tolerance.results import digest
from powerfault.tolerance.study import Study, study

Case = tuple[Event, ...]


def outcomes_by_case(found: Study) -> dict[frozenset[Event], dict[str, str]]:
    nothing = {c: OUTCOMES[o] for c, o in zip(found.table.consumers, found.table.baseline.tolist(), strict=True) if o}
    return {frozenset(): nothing} | {frozenset(case): own for case, own in found.iter_cases()}


def changes_one_by_one(before: Study, after: Study) -> dict[str, dict[tuple[str, bool], CaseList]]:
    """By consumer, its changed cases by (kind of change, whether an event of ``after`` alone is in the case)."""
    was_in, now_in = outcomes_by_case(before), outcomes_by_case(after)
    rides = [{v.id: OUTCOMES.index(v.rides_through) for v in side.verdicts} for side in (before, after)]
    known = frozenset(before.events)
    found: dict[str, dict[tuple[str, bool], list[Case]]] = {v.id: {} for v in after.verdicts if v.id in rides[0]}
    for k in range(1, after.order + 1):
        for block in case_blocks(after.events, k):
            for numbers in block.tolist():
                case = tuple(after.events[e] for e in numbers)
                earlier = was_in.get(known.intersection(case), {})
                later = now_in.get(frozenset(case), {})
                for id_, own in found.items():
                    was, now = (OUTCOMES.index(side.get(id_, OUTCOMES[0])) for side in (earlier, later))
                    failed, fails = was > rides[0][id_], now > rides[1][id_]
                    if failed != fails:
                        kind = "cured" if failed else "broken"
                    elif was != now:
                        kind = "eased" if now < was else "worsened"
                    else:
                        continue
                    own.setdefault((kind, not known.issuperset(case)), []).append(case)
    return {id_: {key: tuple(cases) for key, cases in own.items()} for id_, own in found.items()}


def assert_same_changes(found: Comparison) -> Counter[str]:
    seen: Counter[str] = Counter()
    expected = changes_one_by_one(found.before, found.after)
    old = {v.id: {frozenset(c) for c in v.minimal_cut_sets} for v in found.before.verdicts}
    new = {v.id: {frozenset(c) for c in v.minimal_cut_sets} for v in found.after.verdicts}
    for change in found.changes:
        own = expected.get(change.id, {})
        for name in CHANGES:
            assert change.cases.get(name, ()) == own.get((name, False), ())
            assert change.own_cases.get(name, ()) == own.get((name, True), ())
            seen[name] += bool(change.cases.get(name))
            seen["own"] += bool(change.own_cases.get(name))
        if change.before and change.after:
            assert {frozenset(c) for c in change.gone} == old[change.id] - new[change.id]
            assert {frozenset(c) for c in change.new} == new[change.id] - old[change.id]
            seen["unchanged"] += not own
    return seen


def random_comparison(seed: int, rated: float = 0.05) -> Comparison:
    rng = random.Random(seed)
    before = random_system(seed)
    after = changed_at_random(before, seed)
    if rng.random() < 0.4:
        before, after = after, before
    modes = rng.choice([("loss",), ("loss",), ("loss", "short"), MODES])
    order = rng.choice([1, 2, 2, 3]) if len(before.components) < 12 and modes != MODES else rng.choice([1, 2])
    common = sorted(set(list_events(before, modes)) & set(list_events(after, modes)), key=str)
    given = [rng.choice(common)] if common and rng.random() < 0.15 else []
    ratings = order < 3 and len(before.components) < 9 and rng.random() < rated
    return compare(before, after, order, modes, given, ratings=ratings)


def test_changes_of_random_proposals_equal_those_found_case_by_case() -> None:
    seen: Counter[str] = Counter()
    for seed in range(20_000, 20_400):
        seen += assert_same_changes(random_comparison(seed))
    assert min(seen[name] for name in (*CHANGES, "own", "unchanged")) > 8, seen


def test_saved_results_give_the_changes_of_the_studies(tmp_path: Path) -> None:
    """Cases that were not listed, and cases listed in another order, included."""
    for seed in range(21_000, 21_100):
        found = random_comparison(seed, rated=0)
        sides = []
        for name, side in (("before", found.before), ("after", found.after)):
            data = side.to_json()
            random.Random(seed).shuffle(data["cases"])
            data["digest"] = digest(data)
            (tmp_path / name).write_text(json.dumps(data), "utf-8")
            sides.append(read_saved_result(tmp_path / name).judged)
        changes = compare_consumers(*sides)
        assert [c.to_json() for c in changes] == [c.to_json() for c in found.changes]


def test_a_change_in_one_corner_of_a_large_system() -> None:
    before = channels_system(4)
    found = compare(study(before, 2, limit=None), study(tied_channels(before), 2, limit=None))
    seen = assert_same_changes(found)
    assert seen["eased"]
    assert seen["unchanged"] > 20


def test_where_only_the_case_without_failures_changes_the_cut_sets_do() -> None:
    """Every single event failed the load before, and now nothing need fail for that: no case, but every cut set."""
    before = read_topology_text(
        """
powerfault: 1
name: one bus
components: {PV: {kind: source}, BUS: {kind: bus}}
feeds: [PV -> BUS]
loads: {FAN: {fed_by: [BUS]}}
proposals: {P: {remove: {feeds: [PV -> BUS]}}}
"""
    )
    (change,) = compare(before, ["P"]).changes
    assert [list(map(str, c)) for c in change.gone] == [["PV"], ["BUS"]]
    assert change.new == ((),)
    assert not any(change.cases.values())


def test_a_load_that_need_not_bear_as_much_is_broken_by_the_same_outcome() -> None:
    before = read_topology_text(
        """
powerfault: 1
name: two sources
components: {A: {kind: source}, B: {kind: source}, TIE: {kind: switch, normally: open}, BUS: {kind: bus}}
feeds: [A -> BUS, B -> TIE -> BUS]
loads: {FAN: {fed_by: [BUS], rides_through: commanded}, PUMP: {fed_by: [BUS], rides_through: commanded}}
proposals: {P: {set: {FAN: {rides_through: automatic}}}}
"""
    )
    fan, pump = compare(before, ["P"]).changes
    assert [list(map(str, c)) for c in fan.cases["broken"]] == [["A"]]  # with B, TIE or BUS it was lost before, too
    assert not any(pump.cases.values())
    back = compare(apply_proposals(before, ["P"]), before)
    assert [list(map(str, c)) for c in back.change("FAN").cases["cured"]] == [["A"]]


@pytest.mark.full
def test_changes_at_length() -> None:
    for seed in range(30_000, 32_000):
        assert_same_changes(random_comparison(seed))
