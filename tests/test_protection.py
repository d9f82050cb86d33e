"""Protection: infeed against trip, who opens first, what guards a conductor, closing onto a dead part.

The figures are worked by hand; the rules are common practice (no source)."""

from __future__ import annotations

import math

import pytest

from powerfault.electrical.currents.conductors import loop_resistance_ohm
from powerfault.electrical.currents.derating import Derating
from powerfault.electrical.protection.checks import Protection
from powerfault.electrical.protection.study import study_protection
from powerfault.model.elements import Topology
from powerfault.model.reader import read_topology_text
from powerfault.output.answers.protection_text import headline
from powerfault.output.answers.size_tables import infeed_table, protection_json

AT_20 = Derating(conductor_c=20)
BASE = """
powerfault: 1
name: one channel (invented)
components:
  S: {kind: source, voltage_v: 120}
  CV: {kind: converter, voltage_v: 28, limits_at_a: 60, trip_s: 0.5}
  DB: {kind: bus, voltage_v: 28}
  BRK: {kind: breaker, trip_a: 50, trip_s: 0.1}
  W: {kind: cable, length_m: 10, gauge_awg: 10, rating_a: 55}
feeds: [S -> CV -> DB -> BRK -> W]
loads:
  L: {fed_by: [W], demand_kw: 0.5}
"""


def protect(text: str, derating: Derating = AT_20) -> Protection:
    return study_protection(read_topology_text(text), derating)


def told(found: Protection, id_: str, grave: str = "unmet") -> list[str]:
    return [f.text for f in found.findings if f.id == id_ and f.grave == grave]


def test_a_sound_channel_has_no_findings() -> None:
    found = protect(BASE)
    assert not found.findings
    (infeed,) = found.infeeds
    assert (infeed.device, infeed.weakest, infeed.least_a, infeed.most_a) == ("BRK", "CV", 60, 60)
    assert (infeed.trips_at_most, infeed.trips_at_least) == (True, True)
    assert [(x.upper, x.lower, x.at, x.selective) for x in found.orders] == [
        ("CV", "BRK", "greatest", True), ("CV", "BRK", "least", True)
    ]  # fmt: skip
    assert [x.margin_s for x in found.orders] == pytest.approx([0.4, 0.4])
    assert headline(found) == "nothing found against the protection in 4 checks."
    (guard,) = found.guards
    assert (guard.conductor, guard.name, guard.lets_a, guard.protects) == ("W", "BRK", 50, True)


def test_infeed_too_small_never_trips() -> None:
    found = protect(BASE.replace("limits_at_a: 60", "limits_at_a: 40"))
    assert "all supplies together give 40 A, it needs 50 A" in told(found, "BRK")[0]
    # The converter in its current limit shuts down, so it takes the whole bus.
    assert "does not trip" in told(found, "CV")[0]


def test_a_long_thin_cable_hides_the_fault() -> None:
    found = protect(BASE.replace("length_m: 10", "length_m: 100").replace("limits_at_a: 60", "limits_at_a: 600"))
    (infeed,) = found.infeeds
    assert infeed.least_a == pytest.approx(28 / loop_resistance_ohm(10, 100))
    assert infeed.far_end == "W"
    assert (infeed.trips_at_most, infeed.trips_at_least) == (True, False)
    assert "it needs 50 A" in told(found, "BRK")[0]


def test_two_feeders_trip_what_one_cannot() -> None:
    text = BASE.replace("limits_at_a: 60", "limits_at_a: 30").replace(
        "  DB:", "  CV2: {kind: converter, voltage_v: 28, limits_at_a: 35}\n  DB:"
    )
    found = protect(text.replace("feeds: [", "feeds: [S -> CV2 -> DB, "))
    (infeed,) = found.infeeds
    assert (infeed.least_a, infeed.most_a, infeed.trips_at_most, infeed.trips_at_least) == (30, 65, True, False)
    assert "CV feeds alone: 30 A" in told(found, "BRK")[0]


@pytest.mark.parametrize(
    ("upper_s", "lower_s", "selective"), [("0.05", "0.1", False), ("0.1", "0.1", False), ("0.2", "0.1", True)]
)
def test_which_breaker_opens_first(upper_s: str, lower_s: str, selective: bool) -> None:
    text = BASE.replace("-> DB -> BRK", "-> DB -> BRK0 -> DB2 -> BRK").replace(
        "  BRK:", f"  BRK0: {{kind: breaker, trip_a: 55, trip_s: {upper_s}}}\n  DB2: {{kind: bus}}\n  BRK:"
    )
    text = text.replace("trip_a: 50, trip_s: 0.1", f"trip_a: 50, trip_s: {lower_s}")
    text = text.replace("fed_by: [W]", "fed_by: [W]}\n  M: {fed_by: [DB2]")
    found = protect(text)
    order = next(x for x in found.orders if (x.upper, x.lower) == ("BRK0", "BRK"))
    assert order.selective is selective
    assert bool(told(found, "BRK0")) is not selective
    # Above its own trip current the upper one stays shut, whatever its time.
    slow = protect(text.replace("trip_a: 55", "trip_a: 70"))
    order = next(x for x in slow.orders if (x.upper, x.lower) == ("BRK0", "BRK"))
    assert (order.upper_s, order.selective) == (None, True)


def test_a_missing_time_is_not_judged() -> None:
    found = protect(BASE.replace("trip_a: 50, trip_s: 0.1", "trip_a: 50"))
    assert told(found, "BRK", "unknown") == [
        "not judged: which of two devices clears first (1 pair): trip_s of BRK not given"
    ]
    assert headline(found).startswith("not judged: 2 of 4 checks lack trip_s;")


def test_without_the_limit_of_a_supply_a_trip_is_no_verdict() -> None:
    found = protect(BASE.replace("limits_at_a: 60, ", ""))
    (infeed,) = found.infeeds
    assert (infeed.trips_at_most, infeed.trips_at_least, infeed.judged) == (None, None, False)
    assert (infeed.least_a, infeed.most_a) == (None, None)
    assert "not judged: the limit of CV is not given" in told(found, "CV", "unknown")[0]
    assert not [f for f in found.findings if f.grave == "unmet"]
    assert headline(found) == "not judged: 2 of 3 checks lack limits_at_a; nothing found against the other 1."
    rows = infeed_table(found).rows
    assert "trips" not in [str(cell) for cell in rows[0]]
    assert [x["trips_at_least"] for x in protection_json(found)["infeed"]] == [None]


def test_nothing_given_is_nothing_judged() -> None:
    found = protect(BASE.replace("limits_at_a: 60, trip_s: 0.5", "").replace("trip_a: 50, trip_s: 0.1", ""))
    assert headline(found).startswith("not judged: 3 of 3 checks lack trip_a or limits_at_a; ")
    bare = protect(BASE.replace(" -> BRK -> W", "").replace("fed_by: [W]", "fed_by: [DB]"), AT_20)
    assert headline(bare).startswith("not judged: 1 of 1 checks lack") or headline(bare).startswith("nothing to judge")


def test_a_limit_that_is_not_given_hides_no_fault_of_the_others() -> None:
    text = BASE.replace("limits_at_a: 60", "limits_at_a: 30").replace(
        "  DB:", "  CV2: {kind: converter, voltage_v: 28}\n  DB:"
    )
    (infeed,) = protect(text.replace("feeds: [", "feeds: [S -> CV2 -> DB, ")).infeeds
    # CV alone gives 30 of 50 A, whatever CV2 gives; whether both together trip it is not judged.
    assert (infeed.trips_at_most, infeed.trips_at_least) == (None, False)
    strong = text.replace("limits_at_a: 30", "limits_at_a: 80")
    found = protect(strong.replace("feeds: [", "feeds: [S -> CV2 -> DB, "))
    (infeed,) = found.infeeds
    assert (infeed.trips_at_most, infeed.trips_at_least, infeed.judged) == (True, None, False)
    assert "the limit of CV2 is not given" in told(found, "CV2", "unknown")[0]


def test_two_breakers_in_the_right_order_at_any_current_need_no_limit() -> None:
    text = BASE.replace("limits_at_a: 60, ", "").replace("-> DB -> BRK", "-> DB -> BRK0 -> DB2 -> BRK").replace(
        "  BRK:", "  BRK0: {kind: breaker, trip_a: 55, trip_s: 0.2}\n  DB2: {kind: bus}\n  BRK:"
    )  # fmt: skip
    text = text.replace("fed_by: [W]", "fed_by: [W]}\n  M: {fed_by: [DB2]")
    orders = [x for x in protect(text).orders if (x.upper, x.lower) == ("BRK0", "BRK")]
    assert [(x.selective, x.assumes, x.margin_s) for x in orders] == [(True, "any current", 0.1)]
    wrong = [x for x in protect(text.replace("trip_s: 0.2", "trip_s: 0.05")).orders if x.upper == "BRK0"]
    assert [(x.selective, x.lacks) for x in wrong] == [(None, (("CV", "limits_at_a"),))]


def test_the_order_is_judged_at_the_least_current_too() -> None:
    """At 105 A both breakers act in order; from CV2 alone (45 A) the upstream one acts and the downstream does not."""
    text = BASE.replace("-> DB -> BRK", "-> DB -> BRK0 -> DB2 -> BRK").replace(
        "  BRK:", "  BRK0: {kind: breaker, trip_a: 40, trip_s: 0.2}\n  DB2: {kind: bus}\n  BRK:"
    )
    text = text.replace("fed_by: [W]", "fed_by: [W]}\n  M: {fed_by: [DB2]")
    text = text.replace("  DB:", "  CV2: {kind: converter, voltage_v: 28, limits_at_a: 45, trip_s: 1}\n  DB:", 1)
    found = protect(text.replace("feeds: [", "feeds: [S -> CV2 -> DB, "))
    orders = {x.at: x for x in found.orders if (x.upper, x.lower) == ("BRK0", "BRK")}
    assert (orders["greatest"].selective, orders["greatest"].margin_s) == (True, 0.1)
    assert (orders["least"].selective, orders["least"].lower_s) == (False, None)
    assert "at the least fault current (CV2 alone, short at W)" in told(found, "BRK0")[0]


def test_conductor_without_protection() -> None:
    bare = protect(BASE.replace("-> DB -> BRK -> W", "-> DB -> W").replace("rating_a: 55", "rating_a: 40"))
    assert "CV lets 60 A through, it may carry 40 A" in told(bare, "W")[0]
    unknown = protect(BASE.replace("trip_a: 50, trip_s: 0.1", ""))
    assert "not judged: trip_a of BRK is not given" in told(unknown, "BRK", "unknown")[0]
    ruled = protect(BASE, Derating("ac-43.13-1b", conductor_c=20))  # gauge 10 at 105 C: 17 A
    assert "it may carry 17 A" in told(ruled, "W")[0]


def test_parallel_feeders_add_up_on_a_bare_jumper() -> None:
    text = BASE.replace("-> DB -> BRK -> W", "-> DB -> W").replace(
        "  DB:", "  CV2: {kind: converter, voltage_v: 28, limits_at_a: 35}\n  DB:"
    )
    found = protect(text.replace("feeds: [", "feeds: [S -> CV2 -> DB, ").replace("rating_a: 55", "rating_a: 70"))
    assert [(g.devices, g.lets_a, g.protects) for g in found.guards] == [(("CV", "CV2"), 95, False)]


TIE = """
powerfault: 1
name: two channels with a tie (invented)
components:
  S: {kind: source, voltage_v: 120}
  CV-A: {kind: converter, voltage_v: 28, limits_at_a: 100, capacitance_mf: 5, trip_s: 0.05}
  CV-B: {kind: converter, voltage_v: 28, limits_at_a: 100, capacitance_mf: 5, trip_s: 0.05}
  DB-A: {kind: bus, voltage_v: 28}
  DB-B: {kind: bus, voltage_v: 28, capacitance_mf: 2}
  BRK-A: {kind: breaker, normally: open, trip_a: 90, trip_s: 0.02}
  JMP: {kind: jumper, rating_a: 90}
  BRK-B: {kind: breaker, normally: open, trip_a: 90, trip_s: 0.02}
feeds:
  - S -> CV-A -> DB-A
  - S -> CV-B -> DB-B
  - DB-A <-> BRK-A <-> JMP <-> BRK-B <-> DB-B
loads:
  FAN: {fed_by: [DB-A], demand_kw: 0.5}
  PUMP: {fed_by: [DB-B], demand_kw: 0.6, start_kw: 1.2}
  LAMP: {fed_by: [DB-B], demand_kw: 0.4}
"""


def test_closing_onto_a_dead_bus() -> None:
    found = protect(TIE)
    inrush = next(x for x in found.inrushes if x.device == "BRK-A")
    # Both breakers of the run close; the dead side has the bus and the output of its dead converter on it.
    assert inrush.capacitance_mf == 7
    assert inrush.charge_s == pytest.approx(0.007 * 28 / 100)  # C V / I
    assert inrush.holds_s == 0.02
    assert inrush.start_kw == pytest.approx(1.6)
    assert inrush.live_kw == pytest.approx(0.5)
    assert inrush.gives_kw == pytest.approx(2.8)
    assert len(found.inrushes) == 2  # once from each end of the run
    assert not found.findings
    # Equal times at both ends of one run harm nobody: whichever opens, the same is lost.
    assert {("BRK-A", "BRK-B"), ("BRK-B", "BRK-A")}.isdisjoint((x.upper, x.lower) for x in found.orders)


def test_start_and_charge_beyond_the_limit() -> None:
    weak = protect(TIE.replace("CV-A: {kind: converter, voltage_v: 28, limits_at_a: 100",
                               "CV-A: {kind: converter, voltage_v: 28, limits_at_a: 60"))  # fmt: skip
    assert "some loads must be switched off first" in told(weak, "BRK-A")[-1]  # 0.5 + 1.6 kW of 1.68 kW
    between = protect(TIE.replace("PUMP: {fed_by: [DB-B], demand_kw: 0.6, start_kw: 1.2}",
                                  "PUMP: {fed_by: [DB-B], demand_kw: 0.6, start_kw: 1.2}\n"
                                  "  PUMP2: {fed_by: [DB-B], demand_kw: 0.6, start_kw: 1.2}"))  # fmt: skip
    assert "one after another" in told(between, "BRK-A", "note")[0]  # 0.5 + 2.8 kW of 2.8 kW
    slow = protect(TIE.replace("DB-B: {kind: bus, voltage_v: 28, capacitance_mf: 2}",
                               "DB-B: {kind: bus, voltage_v: 28, capacitance_mf: 95}"))  # fmt: skip
    assert "charging 100 mF at 100 A takes 28 ms" in told(slow, "BRK-A")[0]
    open_ended = protect(TIE.replace("limits_at_a: 100, ", ""))
    assert next(x for x in open_ended.inrushes if x.device == "BRK-A").gives_a == math.inf
    assert "not judged: the limit of CV-A is not given" in told(open_ended, "CV-A", "unknown")[0]


def test_a_jumper_with_breakers_against_one_without() -> None:
    guarded = protect(TIE)
    assert [(g.side, g.name, g.protects) for g in guarded.guards] == [
        ("BRK-A", "BRK-A", True), ("BRK-B", "BRK-B", True)
    ]  # fmt: skip
    bare = protect(TIE.replace("DB-A <-> BRK-A <-> JMP <-> BRK-B <-> DB-B", "DB-A <-> JMP <-> DB-B"))
    assert [(g.name, g.protects) for g in bare.guards] == [("CV-A", False), ("CV-B", False)]


def test_it_never_changes_the_topology() -> None:
    topology: Topology = read_topology_text(TIE)
    assert study_protection(topology, AT_20) == study_protection(topology, AT_20)
