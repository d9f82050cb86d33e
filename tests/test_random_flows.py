"""Every measure on electricity, on random systems: nothing breaks, and power balances over the whole network."""

from __future__ import annotations

import random
from contextlib import suppress
from dataclasses import replace

import pytest
from random_topologies import random_topology

from powerfault.electrical.currents.derating import Derating
from powerfault.electrical.endurance.study import list_cases, study_endurance
from powerfault.electrical.protection.study import study_protection
from powerfault.electrical.sizing.study import study_size
from powerfault.electrical.voltages import VoltageStudy, study_voltages
from powerfault.errors import PowerfaultError
from powerfault.model.elements import Topology


def dressed(seed: int, smallest: int = 5, largest: int = 14) -> Topology:
    """A random system with voltages, wires, ratings, batteries and demands, some of them left out."""
    rng = random.Random(seed)
    topology = random_topology(seed, smallest, largest)
    components = {}
    for id_, c in topology.components.items():
        if c.kind in ("bus", "source"):
            c = replace(c, voltage_v=120.0)
        elif c.kind == "converter":
            c = replace(c, voltage_v=120.0, efficiency=rng.choice([None, 0.9]), rating_kw=rng.choice([None, 3.0]))
            c = replace(c, limits_at_a=rng.choice([None, 40.0]))
        elif c.kind in ("cable", "jumper"):
            c = replace(c, length_m=rng.choice([None, 5.0, 50.0]), gauge_awg=rng.choice([None, 4, 12]))
        elif c.kind == "storage":
            c = replace(c, energy_kwh=5.0, capacity_kw=4.0, charge_kw=rng.choice([None, 2.0]))
        elif c.kind in ("breaker", "fuse"):
            c = replace(c, trip_a=rng.choice([None, 30.0]), trip_s=rng.choice([None, 0.1]))
        if rng.random() < 0.2:
            c = replace(c, capacitance_mf=2.0)
        components[id_] = c
    loads = {
        id_: replace(
            x,
            demand_kw=x.demand_kw if isinstance(x.demand_kw, dict) else rng.choice([None, 1.0, 3.0]),
            min_voltage_v=rng.choice([None, 110.0]),
            must_last_h=rng.choice([None, 2.0]),
        )
        for id_, x in topology.loads.items()
    }
    phases = tuple(replace(p, duration_h=1.0) for p in topology.phases)
    return replace(topology, components=components, loads=loads, phases=phases)


def assert_balanced(study: VoltageStudy) -> None:
    """Sources give what is drawn, lost in converters and lost in wires; nothing gives less than nothing."""
    for solved in study.voltages:
        if not solved.operates:
            continue
        given = sum(kw for id_, kw in solved.feeder_kw.items() if study.topology.components[id_].is_source)
        converted = sum(kw - solved.feeder_kw[id_] for id_, kw in solved.input_kw.items())
        assert given == pytest.approx(solved.demand_kw + converted + solved.loss_kw, rel=1e-4, abs=1e-4)
        assert all(kw >= -1e-9 for kw in solved.feeder_kw.values())
        assert all(state.loss_kw >= 0 for state in solved.conductors.values())
        assert not any("not settled" in f.text for f in solved.findings)


@pytest.mark.parametrize("seed", range(40))
def test_power_balances(seed: int) -> None:
    topology = dressed(seed)
    for stage in ("uninterrupted", "manual"):
        assert_balanced(study_voltages(topology, (), stage))
    assert_balanced(study_voltages(topology, (), "manual", rated=True))


def run_all(topology: Topology) -> int:
    """Run what can be run; the number of studies that had an answer. Errors on purpose are answers too."""
    wires = [id_ for id_, c in topology.components.items() if c.kind in ("cable", "jumper")]
    answered = 0
    for study in (
        lambda: study_protection(topology, Derating()),
        lambda: study_size(topology, wires, 1),
        lambda: study_endurance(topology, list_cases(topology, 1), spare=False),
    ):
        with suppress(PowerfaultError):
            study()
            answered += 1
    return answered


@pytest.mark.parametrize("seed", range(100, 110))
def test_nothing_breaks(seed: int) -> None:
    assert run_all(dressed(seed)) >= 1


@pytest.mark.full
@pytest.mark.parametrize("seed", range(1000, 1100))
def test_larger_systems(seed: int) -> None:
    topology = dressed(seed, 12, 26)
    assert_balanced(study_voltages(topology, (), "manual"))
    assert run_all(topology) >= 1


@pytest.mark.parametrize("seed", range(200, 212))
def test_sparing_cases_loses_no_worst_case(seed: int) -> None:
    topology = dressed(seed)
    if not any(c.kind == "storage" for c in topology.components.values()):
        return
    cases = list_cases(topology, 1)
    spared, whole = (study_endurance(topology, cases, spare=spare) for spare in (True, False))
    for id_ in {s.id for c in whole.cases for s in c.storages}:
        a, b = spared.worst_storage(id_), whole.worst_storage(id_)
        assert b is not None
        assert a is not None
        assert a[1].hours == pytest.approx(b[1].hours)
