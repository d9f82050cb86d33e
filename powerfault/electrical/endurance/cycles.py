"""How do the levels of storages move over many cycles of phases?

Within a phase powers are constant until a storage is flat or full, so levels are followed from one such moment to the
next, exactly and not in time steps. Where two cycles in a row change the levels alike, as many cycles as are sure to
go on alike are taken in one step, so that a storage that loses little a cycle is followed until it is flat.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from powerfault.electrical.endurance.charging import SMALL_KW, Rates

SMALL_KWH = 1e-6
"""A level at most this counts as flat, and a cycle that changes no level by more as settled (for a storage below
1 kWh, this share of it): above the rounding of the DC flow, and on the safe side."""
FULL_KWH = 1e-9
MOST_CYCLES = 5000

RatesOf = Callable[[str, frozenset[str], frozenset[str]], Rates]
"""Powers of a case in a phase, with some storages flat and some full."""


@dataclass(frozen=True, slots=True)
class Step:
    """From one moment at which a storage is flat or full (or a phase ends) to the next; levels in kWh at its end."""

    phase: str
    from_h: float
    hours: float
    flat: frozenset[str]
    full: frozenset[str]
    rates: Rates
    level_kwh: Mapping[str, float]
    emptied: tuple[str, ...]


@dataclass(slots=True)
class Course:
    """What happens from one beginning on: hours until storages are flat and loads lost, levels of the last cycle."""

    flat_h: dict[str, float] = field(default_factory=dict)
    dropped_h: dict[str, float] = field(default_factory=dict)
    jumper_kw: dict[str, float] = field(default_factory=dict)
    change_kwh: dict[str, float] = field(default_factory=dict)
    """Change of level over the first cycle in which the storage is neither flat nor full at any time."""
    settled: list[dict[str, float]] = field(default_factory=list)
    """Levels at the beginning of each phase of the last cycle followed, by turn."""


class Cycles:
    """Follows levels: ``phases`` as (name, hours), ``usable`` kWh and ``efficiency`` of charging by storage."""

    def __init__(
        self, phases: Sequence[tuple[str, float]], usable: Mapping[str, float], efficiency: Mapping[str, float]
    ) -> None:
        self.phases, self.usable, self.efficiency = phases, usable, efficiency
        self.small = {k: SMALL_KWH * min(1.0, v) for k, v in usable.items()}
        self.cycle_h = sum(hours for _, hours in phases)

    def phase(self, rates_of: RatesOf, index: int, level: Mapping[str, float]) -> Iterator[Step]:
        """The steps of one phase that begins with ``level``."""
        phase, hours = self.phases[index]
        now, clock = dict(level), 0.0
        for _ in range(4 * len(now) + 4):
            flat = frozenset(k for k, v in now.items() if v <= self.small[k])
            full = frozenset(k for k, v in now.items() if v >= self.usable[k] - FULL_KWH)
            rates = rates_of(phase, flat, full)
            slope = {}
            for k in now:
                stored = 0.0 if k in full else rates.stored_kw.get(k, 0.0)
                drawn = 0.0 if k in flat else rates.drawn_kw.get(k, 0.0)
                slope[k] = self.efficiency[k] * stored - drawn
            step = hours - clock
            for k, rate in slope.items():
                if rate < 0:
                    step = min(step, now[k] / -rate)
                elif rate > 0:
                    step = min(step, (self.usable[k] - now[k]) / rate)
            emptied = []
            for k, rate in slope.items():
                now[k] = min(self.usable[k], max(0.0, now[k] + rate * step))
                if rate < 0 and now[k] <= self.small[k]:
                    now[k] = 0.0
                    emptied.append(k)
            yield Step(phase, clock, step, flat, full, rates, dict(now), tuple(emptied))
            clock += step
            if clock >= hours - 1e-12:
                break

    def follow(
        self, rates_of: RatesOf, start: int, level: Mapping[str, float], wanted: Mapping[str, frozenset[str]]
    ) -> Course:
        """From ``level`` at the beginning of phase ``start`` until cycles repeat; ``wanted`` loads by phase."""
        course = Course()
        now, clock = dict(level), 0.0
        before: dict[str, float] = {}
        for _ in range(MOST_CYCLES):
            begun, low, high = dict(now), dict(now), dict(now)
            course.settled = [{} for _ in self.phases]
            for turn in range(len(self.phases)):
                index = (start + turn) % len(self.phases)
                course.settled[index] = dict(now)
                for step in self.phase(rates_of, index, now):
                    at = clock + step.from_h
                    for id_ in wanted[step.phase] - step.rates.powered:
                        course.dropped_h.setdefault(id_, at)
                    for id_ in step.flat - course.flat_h.keys():
                        # Flat already when it is first asked for power.
                        if rates_of(step.phase, frozenset(), step.full).drawn_kw.get(id_, 0.0) > SMALL_KW:
                            course.flat_h[id_] = at
                    for id_ in step.emptied:
                        course.flat_h.setdefault(id_, at + step.hours)
                    for id_, kw in step.rates.jumper_kw.items():
                        course.jumper_kw[id_] = max(kw, course.jumper_kw.get(id_, 0.0))
                    now = dict(step.level_kwh)
                    for k, v in now.items():
                        low[k], high[k] = min(low[k], v), max(high[k], v)
                clock += self.phases[index][1]
            change = {k: now[k] - begun[k] for k in now}
            for k, v in change.items():
                if low[k] > self.small[k] and high[k] < self.usable[k] - FULL_KWH:
                    course.change_kwh.setdefault(k, v)
            if all(abs(v) <= self.small[k] for k, v in change.items()):
                break
            alike = before and all(abs(v - before[k]) <= 1e-9 * max(1.0, abs(v)) for k, v in change.items())
            if alike:
                whole = self._sure_cycles(change, low, high)
                now = {k: v + whole * change[k] for k, v in now.items()}
                clock += whole * self.cycle_h
            before = change
        return course

    def _sure_cycles(self, change: Mapping[str, float], low: Mapping[str, float], high: Mapping[str, float]) -> int:
        """How many further cycles go on alike, none of the levels that change reaching empty or full."""
        most = math.inf
        for k, v in change.items():
            if abs(v) <= self.small[k]:
                continue
            most = min(most, low[k] / -v if v < 0 else (self.usable[k] - high[k]) / v)
        return 0 if math.isinf(most) else max(0, math.floor(most) - 2)
