"""What storages give and take in one phase, with some of them flat and some full.

They give what the DC flow asks of them. They take from what sources can spare: charging never makes a storage
discharge more, nor a feeder give more than it can. Where not all can take their full rate together, the earlier in
the file takes first.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from powerfault.electrical.currents.bus_voltages import Voltages, solve_voltages
from powerfault.electrical.currents.derating import Derating
from powerfault.electrical.currents.layout import Layout
from powerfault.electrical.sizing.transfer import charge_rate_kw
from powerfault.model.elements import Component

SMALL_KW = 1e-7
ENOUGH_KW = 1e-5
"""The search for a share of a charging rate ends at an excess of this, which is then not counted as stored."""


@dataclass(frozen=True, slots=True)
class Rates:
    """Powers of storages, what has power, and the power through each jumper (charging included)."""

    drawn_kw: Mapping[str, float]
    stored_kw: Mapping[str, float]
    powered: frozenset[str]
    jumper_kw: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class _Draw:
    """One storage charging: ``kw`` taken at component ``at`` for its full rate."""

    at: str
    kw: float
    efficiency: float


class Charging:
    """Finds and remembers the rates of one topology."""

    def __init__(self, layout: Layout, storages: Sequence[Component], derating: Derating) -> None:
        self.layout, self.storages, self.derating = layout, storages, derating
        self.components = layout.topology.components
        self.known: dict[tuple[object, ...], Rates] = {}

    def rates(self, useful: frozenset[str], phase: str, flat: frozenset[str], full: frozenset[str]) -> Rates:
        """``useful`` is what conducts; ``flat`` storages of it give nothing, ``full`` ones take nothing."""
        key = useful, phase, flat & useful, full & useful
        if key not in self.known:
            self.known[key] = self._solve(useful, phase, flat, full)
        return self.known[key]

    def _solve(self, useful: frozenset[str], phase: str, flat: frozenset[str], full: frozenset[str]) -> Rates:
        conducting = useful - flat
        idle = solve_voltages(self.layout, conducting, phase, self.derating)
        drawn = {c.id: idle.feeder_kw.get(c.id, 0.0) for c in self.storages}
        draws: dict[str, _Draw] = {}
        for c in self.storages:
            if c.id in useful and c.id not in full and drawn[c.id] <= 1e-9:
                draw = self._draw(c, conducting, idle.energised)
                if draw is not None:
                    draws[c.id] = draw
        allowed = dict.fromkeys(draws, 0.0)
        flow = idle
        if draws:
            whole = self._with(conducting, phase, draws, dict.fromkeys(draws, 1.0))
            if self._excess(whole, idle) <= SMALL_KW:
                allowed, flow = dict.fromkeys(draws, 1.0), whole
            else:
                for id_ in draws:
                    allowed[id_], flow = self._share(conducting, phase, draws, allowed, id_, idle, flow)
        stored = {id_: allowed[id_] * d.kw * d.efficiency for id_, d in draws.items()}
        jumpers = {id_: s.power_kw for id_, s in flow.conductors.items() if self.components[id_].kind == "jumper"}
        return Rates(drawn, stored, idle.energised, jumpers)

    def _draw(self, storage: Component, conducting: frozenset[str], powered: frozenset[str]) -> _Draw | None:
        """Where and how much ``storage`` takes at its full rate, or ``None`` where no charger of it has power.

        A charger that parts areas (its own regulator) has power from its far side, and takes its loss there.
        """
        rate = charge_rate_kw(self.layout.topology, storage)
        if not rate:
            return None
        for id_ in storage.charged_by or ():
            if id_ not in conducting:
                continue
            efficiency = (self.components[id_].efficiency if id_ in self.components else None) or 1.0
            if id_ in self.layout.splitting:
                sides = [b for b in self.layout.downstream.get(id_, ()) if b in powered]
                if sides:
                    return _Draw(sides[0], rate / efficiency, efficiency)
            elif id_ in powered:
                return _Draw(id_, rate, 1.0)
        return None

    def _share(
        self, conducting: frozenset[str], phase: str, draws: Mapping[str, _Draw], allowed: Mapping[str, float],
        id_: str, idle: Voltages, flow: Voltages,
    ) -> tuple[float, Voltages]:  # fmt: skip
        """The greatest share of its rate that ``id_`` may take beside what is ``allowed`` already."""
        best, found = 0.0, flow
        # Shares tried that are too much, with their excess, the least share last.
        above: list[tuple[float, float]] = []
        share = 1.0
        for _ in range(40):
            tried = self._with(conducting, phase, draws, {**allowed, id_: share})
            excess = self._excess(tried, idle)
            if excess <= ENOUGH_KW:
                # What the tolerance lets through is not stored: hours err on the safe side.
                best, found = max(best, share - max(0.0, excess) / draws[id_].kw), tried
                if not above:
                    break
            else:
                above.append((share, excess))
            least, beyond = above[-1]
            if (least - best) * draws[id_].kw <= SMALL_KW:
                break
            share = best + (least - best) / 10
            if len(above) > 3:
                share = (best + least) / 2
            elif len(above) == 1 and math.isfinite(beyond) and best == 0:
                # A kilowatt less taken is a kilowatt or more less in excess, so this step is soon enough.
                share = max(0.0, least - beyond / draws[id_].kw)
            if len(above) > 1 and math.isfinite(above[-2][1]):
                # Losses bend the excess upwards, so the chord meets zero at or above the greatest share allowed.
                chord = least - beyond * (above[-2][0] - least) / (above[-2][1] - beyond)
                if best < chord < least:
                    share = chord
        return best, found

    def _with(
        self, conducting: frozenset[str], phase: str, draws: Mapping[str, _Draw], share: Mapping[str, float]
    ) -> Voltages:
        extra: dict[str, float] = {}
        for id_, draw in draws.items():
            extra[draw.at] = extra.get(draw.at, 0.0) + share[id_] * draw.kw
        return solve_voltages(self.layout, conducting, phase, self.derating, extra)

    def _excess(self, flow: Voltages, idle: Voltages) -> float:
        """Power beyond what sources can spare: further discharge, and what feeders give above their limit."""
        if not flow.operates and idle.operates:
            return math.inf
        discharge = beyond = 0.0
        for id_, kw in flow.feeder_kw.items():
            before = idle.feeder_kw.get(id_, 0.0)
            if self.components[id_].kind == "storage":
                discharge += max(0.0, kw - before)
            else:
                beyond = max(beyond, min(kw - before, kw - flow.limit_kw.get(id_, math.inf)))
        return max(discharge, beyond)
