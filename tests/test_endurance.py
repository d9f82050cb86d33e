"""Hours until storages are flat, against hand-worked energy balances and a second, stepwise integration."""

from __future__ import annotations

import math

import pytest

from powerfault.electrical.currents.derating import Derating
from powerfault.electrical.currents.layout import lay_out
from powerfault.electrical.endurance.charging import Charging
from powerfault.electrical.endurance.study import CaseLife, study_endurance
from powerfault.errors import ModelError, RequestError
from powerfault.model.elements import Event, Topology
from powerfault.model.reader import read_topology_text

BASE = """
powerfault: 1
name: one channel (invented)
phases:
  sunlit: {duration_h: 1.0}
  dark: {duration_h: 0.5}
components:
  PV: {kind: source, capacity_kw: {sunlit: 10, dark: 0}}
  BAT: {kind: storage, capacity_kw: 6, energy_kwh: 10, depth_limit: 0.4, charged_by: [BUS], charge_kw: 3,
        charge_efficiency: 0.9}
  BUS: {kind: bus, voltage_v: 120}
  CV: {kind: converter, voltage_v: 28, efficiency: 0.8, rating_kw: 6}
  DB: {kind: bus, voltage_v: 28}
feeds: [PV -> BUS -> CV -> DB, BAT -> BUS]
loads:
  FAN: {fed_by: [DB], demand_kw: 1.6, must_last_h: 1}
"""


def life(text: str, *failed: str, stage: str = "commanded") -> CaseLife:
    topology = read_topology_text(text)
    events = tuple(Event(x) for x in failed)
    found = study_endurance(topology, [events], stage, spare=False)
    return found.cases[0]


def test_the_undisturbed_cycle() -> None:
    # 1.6 kW at the load are 2 kW at the bus: 1 kWh in the dark; up to 2.7 kWh are stored in the sun.
    (storage,) = life(BASE).storages
    assert storage.usable_kwh == 4
    assert storage.hours == math.inf
    assert storage.discharge_kw == {"sunlit": 0, "dark": pytest.approx(2)}
    assert storage.charge_kw == {"sunlit": pytest.approx(3), "dark": 0}
    assert storage.balance_kwh == pytest.approx(3 * 0.9 - 1)
    assert not storage.charger_gone


def test_hours_when_the_source_is_gone() -> None:
    # Worst when it fails as the sun rises: 4 - 1 = 3 kWh left, at 2 kW.
    found = life(BASE, "PV")
    (storage,) = found.storages
    assert storage.hours == pytest.approx(1.5)
    assert storage.struck_at == "sunlit"
    assert storage.balance_kwh == pytest.approx(-3)
    (fan,) = found.loads
    assert fan.hours == pytest.approx(1.5)
    assert fan.meets
    assert not life(BASE.replace("must_last_h: 1", "must_last_h: 1.6"), "PV").loads[0].meets


def test_charger_gone() -> None:
    # The engine counts a storage without its charger as none; here it lasts as long as it lasts.
    text = BASE.replace("charged_by: [BUS]", "charged_by: [CHG]").replace("  CV:", "  CHG: {kind: bus}\n  CV:")
    found = life(text.replace("feeds: [", "feeds: [PV -> CHG, "), "CHG")
    (storage,) = found.storages
    assert storage.charger_gone
    # Without any charge the sun still carries the load by day: 1 kWh is drawn every cycle of 1.5 h.
    assert storage.hours == pytest.approx(5.5 - 0.5, abs=0.51)
    assert storage.balance_kwh == pytest.approx(-1)


def test_charging_takes_only_what_is_spare() -> None:
    # 2.5 kW of sun, 2 kW to the load: 0.5 kW to spare, 0.45 kWh stored a cycle against 1 kWh drawn.
    found = life(BASE.replace("sunlit: 10", "sunlit: 2.5"))
    (storage,) = found.storages
    assert storage.charge_kw["sunlit"] == pytest.approx(0.5, rel=0.03)
    assert storage.charge_kw["sunlit"] <= 0.5 + 1e-6
    assert storage.balance_kwh == pytest.approx(0.45 - 1, rel=0.05)
    assert 5 < storage.hours < 12


def test_storage_too_small_for_one_night() -> None:
    found = life(BASE.replace("energy_kwh: 10", "energy_kwh: 2"))
    (storage,) = found.storages
    assert storage.hours == pytest.approx(0.4)  # 0.8 kWh at 2 kW, from the dark on
    assert storage.struck_at == "dark"
    assert found.loads[0].hours == pytest.approx(0.4)


def test_load_without_a_path_is_not_a_question_of_energy() -> None:
    found = life(BASE, "CV")
    assert found.dark == ("FAN",)
    assert not found.loads


JUMPER = """
powerfault: 1
name: two channels, batteries on the low side (invented)
phases:
  sunlit: {duration_h: 1.0}
  dark: {duration_h: 0.5}
components:
  PV-A: {kind: source, voltage_v: 120, capacity_kw: {sunlit: 10, dark: 0}}
  CV-A: {kind: converter, voltage_v: 28, efficiency: 0.9}
  DB-A: {kind: bus, voltage_v: 28}
  BAT-A: {kind: storage, energy_kwh: 4, capacity_kw: 4, charged_by: [DB-A], charge_kw: 2}
  PV-B: {kind: source, voltage_v: 120, capacity_kw: {sunlit: 10, dark: 0}}
  CV-B: {kind: converter, voltage_v: 28, efficiency: 0.9}
  DB-B: {kind: bus, voltage_v: 28}
  BAT-B: {kind: storage, energy_kwh: 2, capacity_kw: 4, charged_by: [DB-B], charge_kw: 1.5}
  JMP: {kind: jumper, length_m: 4, gauge_awg: 0}
feeds:
  - PV-A -> CV-A -> DB-A
  - BAT-A -> DB-A
  - PV-B -> CV-B -> DB-B
  - BAT-B -> DB-B
  - DB-A <-> JMP <-> DB-B
loads:
  FAN: {fed_by: [DB-A], demand_kw: 1}
  PUMP: {fed_by: [DB-B], demand_kw: 1, must_last_h: 100}
"""


def test_recharging_through_the_jumper() -> None:
    with_it, without = life(JUMPER, "CV-B"), life(JUMPER, "CV-B", "JMP")
    own = {s.id: s for s in with_it.storages}
    assert own["BAT-B"].hours == math.inf
    assert own["BAT-B"].charge_kw["sunlit"] == pytest.approx(1.5)
    # The charge is what sizes the jumper: the pump's 1 kW and the 1.5 kW of the battery.
    assert with_it.jumper_kw["JMP"] == pytest.approx(2.5, rel=1e-6)
    assert with_it.loads[0].meets
    alone = {s.id: s for s in without.storages}
    # In the sun or not, 1 kW is drawn; the failure as the sun rises finds 1.5 kWh.
    assert alone["BAT-B"].hours == pytest.approx(1.5)
    assert without.loads[0].hours == pytest.approx(1.5)
    assert not without.loads[0].meets


def test_a_flat_battery_behind_its_own_regulator_is_charged_again() -> None:
    text = BASE.replace("charged_by: [BUS]", "charged_by: [BDU]").replace("energy_kwh: 10", "energy_kwh: 2")
    text = text.replace("  BUS:", "  BDU: {kind: regulator, efficiency: 0.9}\n  BUS:")
    text = text.replace("BAT -> BUS]", "BAT <-> BDU <-> BUS]")
    topology = read_topology_text(text)
    layout = lay_out(topology)
    battery = topology.components["BAT"]
    charging = Charging(layout, [battery], Derating())
    everything = frozenset({*topology.components, *topology.loads})
    day = charging.rates(everything, "sunlit", frozenset({"BAT"}), frozenset())
    assert day.stored_kw == {"BAT": pytest.approx(3)}
    night = charging.rates(everything - {"PV"}, "dark", frozenset(), frozenset())
    assert night.drawn_kw["BAT"] == pytest.approx(2 / 0.9)  # the regulator takes its loss
    assert night.stored_kw == {}
    (storage,) = life(text).storages
    assert storage.hours == pytest.approx(0.8 * 0.9 / 2)
    assert storage.balance_kwh == pytest.approx(0.9 * 3 - 0.5 * 2 / 0.9)


def test_rated_positions_shed_so_that_the_battery_lasts() -> None:
    # 0.8 kWh for a night of half an hour: 1.6 kW at the bus, 1.28 kW at the loads.
    text = BASE.replace("energy_kwh: 10", "energy_kwh: 2").replace(
        "FAN: {fed_by: [DB], demand_kw: 1.6, must_last_h: 1}",
        "FAN: {fed_by: [DB], demand_kw: 1.2, must_last_h: 1, priority: 1}\n"
        "  TV: {fed_by: [DB], demand_kw: 0.4, priority: 5}",
    )
    topology = read_topology_text(text)
    whole = study_endurance(topology, [()]).cases[0]
    rated = study_endurance(topology, [()], rated=True).cases[0]
    assert not whole.loads[0].meets
    assert rated.loads[0].meets
    assert rated.storages[0].discharge_kw["dark"] == pytest.approx(1.5)


def test_against_stepwise_integration() -> None:
    """A second opinion that knows only power balance at one bus, in steps of a few seconds."""
    text = BASE.replace("sunlit: 10", "sunlit: 2.2").replace("energy_kwh: 10", "energy_kwh: 30")
    (storage,) = life(text).storages
    usable, level, clock, step = 12.0, 12.0, 0.0, 1 / 1200
    # Begun full (an undisturbed cycle sinks), at the boundary that is worse: the dark.
    while level > 0 and clock < 200:
        dark = clock % 1.5 < 0.5
        if dark:
            level -= 2 * step
        else:
            level = min(usable, level + 0.9 * storage.charge_kw["sunlit"] * step)
        clock += step
    assert storage.hours == pytest.approx(clock, abs=0.02)


def test_no_worse_cases_are_spared() -> None:
    topology = read_topology_text(BASE.replace("fed_by: [DB]", "fed_by: [BRK]").replace(
        "  DB:", "  BRK: {kind: breaker}\n  DB:").replace("CV -> DB,", "CV -> DB -> BRK,"))  # fmt: skip
    cases = [(), (Event("BRK"),), (Event("PV"),)]
    found = study_endurance(topology, cases)
    assert found.spared == 1
    assert [c.failed for c in found.cases] == [(), (Event("PV"),)]
    worst = found.worst_storage("BAT")
    assert worst is not None
    assert worst[0].failed == (Event("PV"),)


def test_more_energy_never_lasts_less() -> None:
    hours = [life(BASE.replace("energy_kwh: 10", f"energy_kwh: {x}"), "PV").storages[0].hours for x in (4, 8, 10, 20)]
    assert hours == sorted(hours)
    assert hours[0] < hours[-1]


def test_bad_input() -> None:
    no_hours: Topology = read_topology_text(BASE.replace("dark: {duration_h: 0.5}", "dark: {}"))
    with pytest.raises(ModelError, match="duration_h") as caught:
        study_endurance(no_hours, [()])
    assert caught.value.problems[0].line == 6
    no_energy = read_topology_text(BASE.replace("energy_kwh: 10, depth_limit: 0.4, ", ""))
    with pytest.raises(RequestError, match="energy_kwh"):
        study_endurance(no_energy, [()])
