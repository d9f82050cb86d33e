"""Hours of storages against a second simulation that shares nothing with the engine but the words of the format.

The twin knows one lossless bus: sources, storages and loads on it. It moves in small time steps and starts from full
storages; it follows the undisturbed system for many cycles to see whether it settles, and then begins each failure
at every boundary of phases.
"""

from __future__ import annotations

import math
import random

import pytest

from powerfault.electrical.endurance.study import Endurance, hours_until_flat, study_endurance
from powerfault.model.elements import Event
from powerfault.model.reader import read_topology_text

STEPS_AN_HOUR = 200


class Bus:
    """One bus, one storage: ``sun`` kW by day of each source, ``demand`` kW, energy, charge limit, efficiency."""

    def __init__(
        self, suns: list[float], demand: float, energy: float, charge: float, efficiency: float, hours: tuple[int, int]
    ) -> None:
        self.suns, self.demand, self.energy = suns, demand, energy
        self.charge, self.efficiency, self.hours = charge, efficiency, hours

    def text(self) -> str:
        day, dark = self.hours
        sources = "\n".join(
            f"  PV-{i}: {{kind: source, capacity_kw: {{day: {x}, dark: 0}}}}" for i, x in enumerate(self.suns)
        )
        feeds = ", ".join([*(f"PV-{i} -> BUS" for i in range(len(self.suns))), "BAT -> BUS"])
        return (
            f"powerfault: 1\nname: one bus (invented)\n"
            f"phases: {{day: {{duration_h: {day}}}, dark: {{duration_h: {dark}}}}}\ncomponents:\n{sources}\n"
            f"  BAT: {{kind: storage, energy_kwh: {self.energy}, charged_by: [BUS], charge_kw: {self.charge}, "
            f"charge_efficiency: {self.efficiency}}}\n  BUS: {{kind: bus}}\nfeeds: [{feeds}]\n"
            f"loads: {{FAN: {{fed_by: [BUS], demand_kw: {self.demand}, must_last_h: 1}}}}\n"
        )

    def run(self, sun: float, phase: int, level: float, cycles: int) -> tuple[float, list[float]]:
        """Hours until flat, and the level at each boundary passed."""
        clock, levels, flat = 0.0, [], math.inf
        for turn in range(2 * cycles):
            levels.append(level)
            day = (phase + turn) % 2 == 0
            spare = (sun if day else 0.0) - self.demand
            for _ in range(self.hours[(phase + turn) % 2] * STEPS_AN_HOUR):
                rate = min(spare, self.charge) * self.efficiency if spare > 0 else spare
                level = min(self.energy, level + rate / STEPS_AN_HOUR)
                clock += 1 / STEPS_AN_HOUR
                if level <= 1e-6:
                    level = 0.0
                    if rate < 0:
                        flat = min(flat, clock)
        return flat, levels

    def hours_after(self, failed: int | None) -> float:
        """The least over the boundaries at which the failure may occur."""
        whole = sum(self.suns)
        left = whole if failed is None else whole - self.suns[failed]
        runs = [self.run(whole, p, self.energy, 60) for p in (0, 1)]
        if all(math.isinf(flat) for flat, _ in runs):
            begins = [(p, runs[p][1][-2]) for p in (0, 1)]
        elif failed is None:
            begins = [(0, self.energy), (1, self.energy)]
        else:
            begins = [((p + k) % 2, self.run(whole, p, self.energy, 1)[1][k]) for p in (0, 1) for k in (0, 1)]
        return min(self.run(left, p, level, 60)[0] for p, level in begins)


def random_bus(rng: random.Random) -> Bus:
    return Bus(
        [round(rng.uniform(0.5, 9), 1) for _ in range(2)], round(rng.uniform(0.5, 6), 1), round(rng.uniform(5, 60), 1),
        round(rng.uniform(1, 12), 1), rng.choice((1.0, 0.9, 0.75)), (rng.randint(2, 8), rng.randint(2, 8)),
    )  # fmt: skip


def solved(bus: Bus) -> Endurance:
    cases: list[tuple[Event, ...]] = [(), *((Event(f"PV-{i}"),) for i in range(len(bus.suns)))]
    return study_endurance(read_topology_text(bus.text()), cases, spare=False)


def lives(bus: Bus) -> list[float]:
    return [c.storages[0].hours for c in solved(bus).cases]


@pytest.mark.parametrize("seed", range(12))
def test_hours_agree_with_small_steps(seed: int) -> None:
    bus = random_bus(random.Random(seed))
    found = lives(bus)
    for hours, failed in zip(found, (None, 0, 1), strict=True):
        expected = bus.hours_after(failed)
        if math.isinf(expected):
            assert hours > 59 * sum(bus.hours)
        else:
            assert hours == pytest.approx(expected, abs=0.03, rel=2e-3)


@pytest.mark.parametrize("seed", range(60))
def test_nothing_that_helps_shortens_a_life(seed: int) -> None:
    rng = random.Random(1000 + seed)
    bus = random_bus(rng)
    base = lives(bus)
    more_sun = Bus([bus.suns[0] + rng.choice((0.1, 1, 5)), bus.suns[1]], bus.demand, bus.energy, bus.charge,
                   bus.efficiency, bus.hours)  # fmt: skip
    more_energy = Bus(bus.suns, bus.demand, bus.energy + rng.choice((0.1, 5)), bus.charge, bus.efficiency, bus.hours)
    less_demand = Bus(bus.suns, bus.demand * rng.choice((0.99, 0.8)), bus.energy, bus.charge, bus.efficiency, bus.hours)
    for better in (more_sun, more_energy, less_demand):
        for before, after in zip(base, lives(better), strict=True):
            assert after >= before * (1 - 1e-5)
    # One failure less.
    assert base[0] >= max(base[1:]) * (1 - 1e-5) or math.isinf(base[0])


def example(sun: float, demand: float = 5) -> Bus:
    return Bus([sun, 2], demand, 100, 1000, 1.0, (10, 14))


def test_less_generation_does_not_last_longer() -> None:
    # 100 kWh less a dark phase of 14 h at 5 kW leave 30 kWh, which 3 kW of deficit empty in 10 h.
    for sun in (12, 10, 9.9, 8, 5.5):
        assert lives(example(sun))[1] == pytest.approx(10, rel=1e-6)


def test_a_system_that_settles_at_flat_says_so() -> None:
    found = solved(example(9.9))
    (sinking,) = found.sinking
    assert sinking.loses_kwh == pytest.approx(1, rel=1e-4)
    # Full as the dark begins, 30 kWh left at its end and 1 kWh less in each cycle of 24 h.
    assert sinking.hours == pytest.approx(14 + 30 * 24)
    assert "full" in found.counted_from
    assert not solved(example(10)).sinking


def test_a_small_loss_is_followed_until_it_is_flat() -> None:
    (sinking,) = solved(example(9.9995)).sinking
    # 5 Wh a cycle: 6000 cycles.
    assert sinking.hours == pytest.approx(14 + 6000 * 24, rel=1e-2)


def test_hours_until_flat_by_id() -> None:
    topology = read_topology_text(example(12).text())
    assert hours_until_flat(topology, [Event("PV-0")]) == {"BAT": pytest.approx(10)}
    assert hours_until_flat(topology, []) == {"BAT": None}
