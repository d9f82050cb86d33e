"""Does the device nearest to a fault clear it, and nothing further up? Currents and times against each other.

For each protective device with ``trip_a`` that stands in a voltage domain fed by current-limited outputs, the current
that a short just below it draws is compared with its ``trip_a``; for each device above another on one way, which of
the two opens first; for each conductor, whether the device ahead of it trips before the conductor carries more than
it may; and for each switch that closes onto a dead part, whether its capacitance and the starting power of its loads
are more than the feeders on the live side give.

A supply is a source, storage, converter, or regulator that states ``voltage_v`` or ``limits_at_a``. ``limits_at_a`` is
the current at which its output is held whatever is connected; ``trip_s`` of a supply is how long it holds before it
shuts down. Of a supply without ``limits_at_a`` the fault current is not known: it may be more than any rating or less
than any trip, so that what rests on it is not judged. ``capacitance_mf`` is in millifarad. The inductance of
conductors, the let-through of fuses and the shape of trip curves are not modelled: a device is taken to trip at
``trip_s`` from ``trip_a`` upwards, and not below.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Iterator

from powerfault.electrical.currents.conductors import loop_resistance_ohm
from powerfault.electrical.currents.derating import Derating
from powerfault.electrical.currents.layout import lay_out
from powerfault.electrical.protection.checks import (
    Guard,
    Infeed,
    Inrush,
    Order,
    Protection,
    judge,
)
from powerfault.model.elements import CONDUCTOR_KINDS, Component, Topology, in_phase

ASSUMPTIONS = (
    "a device trips trip_s after the current reaches trip_a, and not below it",
    "a current-limited supply holds limits_at_a into any fault; one without limits_at_a is not judged",
    "greatest fault current: all supplies at their limits together, short just beyond the device; least: the weakest "
    "supply alone, short at the far end of the hot conductors below",
    "resistance of cables and jumpers counts; that of contacts and inductance do not",
)


def is_feeder(component: Component) -> bool:
    """Whether its output current is its own: it holds a voltage or limits its current."""
    if component.kind in ("source", "storage", "converter"):
        return True
    return component.kind == "regulator" and (component.voltage_v is not None or component.limits_at_a is not None)


def is_protective(component: Component) -> bool:
    """Whether it opens on a fault: what clears faults, converters aside, which are feeders."""
    return component.clears and not is_feeder(component)


def study_protection(topology: Topology, derating: Derating, conductors: Iterable[str] | None = None) -> Protection:
    """Return all comparisons; ``conductors`` narrows those guarded (default: every cable and jumper)."""
    grid = _Grid(topology, derating)
    if conductors is None:
        conductors = [id_ for id_, c in topology.components.items() if c.kind in CONDUCTOR_KINDS]
    guards = [guard for id_ in conductors for guard in grid.guards(id_)]
    return judge(grid.infeeds(), grid.orders(), guards, grid.inrushes())


class _Grid:
    """Walks over the links, up to feeders and down to loads."""

    def __init__(self, topology: Topology, derating: Derating) -> None:
        self.topology, self.derating, self.components = topology, derating, topology.components
        layout = lay_out(topology)
        self.nominal, self.upstream, self.downstream = layout.nominal, layout.upstream, layout.downstream

    def directions(self, id_: str) -> Iterator[str]:
        """The neighbours towards which a fault beyond ``id_`` can lie: each of a two-way device, else one for all."""
        below = self.downstream.get(id_, ())
        both = [b for b in below if b in self.upstream.get(id_, ())]
        if both:
            yield from below
        elif below:
            yield below[0]

    def resistance(self, id_: str) -> float:
        """Of a conductor, hot: the least current, which matters here, comes with the greatest resistance."""
        c = self.components.get(id_)
        if c is None or c.kind not in CONDUCTOR_KINDS or c.length_m is None or c.gauge_awg is None:
            return 0.0
        temperature = self.derating.temperature_c(c)
        return loop_resistance_ohm(c.gauge_awg, c.length_m, c.conductors, temperature, self.derating.resistance)

    def feeders_above(self, id_: str, *beyond: str) -> dict[str, float]:
        """Feeders whose output current can come to ``id_`` past nothing of ``beyond``, with the resistance to it."""
        found: dict[str, float] = {}
        best = {id_: 0.0, **dict.fromkeys(beyond, -1.0)}
        waiting = [(0.0, id_)]
        while waiting:
            ohm, here = heapq.heappop(waiting)
            if ohm > best[here]:
                continue
            for a in self.upstream.get(here, ()):
                if a in beyond:
                    continue
                if is_feeder(self.components[a]):
                    found[a] = min(found.get(a, math.inf), ohm)
                    continue
                further = ohm + self.resistance(a)
                if further < best.get(a, math.inf):
                    best[a] = further
                    heapq.heappush(waiting, (further, a))
        return found

    def current(self, feeder: str, ohm: float) -> float:
        """What ``feeder`` drives through ``ohm``: its limit, or its voltage over the resistance."""
        c = self.components[feeder]
        limit = math.inf if c.limits_at_a is None else c.limits_at_a
        volts = c.voltage_v or self.nominal.get(feeder)
        return min(limit, volts / ohm) if volts is not None and ohm > 0 else limit

    def far_end(self, id_: str, toward: str) -> tuple[float, str]:
        """The greatest resistance from ``id_`` to what lies beyond, up to the next protective device or feeder."""
        best = {id_: 0.0, toward: self.resistance(toward)}
        c = self.components.get(toward)
        if c is None or is_protective(c) or is_feeder(c):
            return 0.0, id_
        waiting = [(best[toward], toward)]
        while waiting:
            ohm, here = heapq.heappop(waiting)
            if ohm > best[here]:
                continue
            for b in self.downstream.get(here, ()):
                c = self.components.get(b)
                if c is None or is_protective(c) or is_feeder(c) or c.normally_open:
                    continue
                further = ohm + self.resistance(b)
                if further < best.get(b, math.inf):
                    best[b] = further
                    heapq.heappush(waiting, (further, b))
        where = max(best, key=lambda x: best[x])
        return best[where], where

    def unlimited(self, supplies: Iterable[str]) -> tuple[tuple[str, str], ...]:
        """Those of ``supplies`` whose limit is not given."""
        return tuple((s, "limits_at_a") for s in supplies if self.components[s].limits_at_a is None)

    def infeeds(self) -> list[Infeed]:
        found = []
        for c in self.components.values():
            if not is_protective(c):
                continue
            for toward in self.directions(c.id):
                feeders = self.feeders_above(c.id, toward)
                if not feeders:
                    continue
                ohm, where = self.far_end(c.id, toward)
                limited = {f: r for f, r in feeders.items() if self.components[f].limits_at_a is not None}
                far = {f: self.current(f, r + ohm) for f, r in limited.items()}
                near = sum(self.current(f, r) for f, r in limited.items()) if limited else None
                weakest = min(far, key=lambda f: far[f]) if far else ""
                by_resistance = bool(far) and far[weakest] < (self.components[weakest].limits_at_a or 0.0)
                end = (where if ohm > 0 else c.id) if by_resistance else ""
                lacks = (*(() if c.trip_a is not None else ((c.id, "trip_a"),)), *self.unlimited(feeders))
                found.append(
                    Infeed(c.id, toward, c.trip_a, far.get(weakest), near, weakest, end, tuple(feeders), lacks)
                )
        return found

    def orders(self) -> list[Order]:
        """Each protective device against the next one above it on every way, and against supplies that shut down."""
        found: list[Order] = []
        for c in self.components.values():
            if not is_protective(c):
                continue
            for toward in self.directions(c.id):
                for upper in self.next_above(c.id, toward):
                    if not is_feeder(self.components[upper]) and self._in_chain(c.id, upper):
                        continue  # a device at each end of one run: whichever opens, the same is lost
                    found += self._order(self.components[upper], c, toward)
        return found

    def _order(self, upper: Component, lower: Component, toward: str) -> Iterator[Order]:
        """Both devices at the greatest current into a short just beyond the lower, and at the least, far below."""
        all_ = self.feeders_above(lower.id, toward)
        through = {upper.id: 0.0} if is_feeder(upper) else self.feeders_above(upper.id, lower.id, toward)
        lacks = tuple((d.id, "trip_a") for d in (upper, lower) if d.trip_a is None and not is_feeder(d))
        lacks += self.unlimited(dict.fromkeys((*through, *all_)))
        total: float | None = sum(self.current(f, r) for f, r in all_.items())
        upper_a: float | None = sum(self.current(f, r) for f, r in through.items())
        if self.unlimited(all_):
            total = None
        if self.unlimited(through):
            upper_a = None
        together = f"all {len(all_)} supplies together" if len(all_) > 1 else f"{''.join(all_)} at its limit"
        yield self._at(upper, lower, toward, upper_a, total, lacks, "greatest", together)
        ohm, where = self.far_end(lower.id, toward)
        far = {f: self.current(f, all_.get(f, r) + ohm) for f, r in through.items()}
        if far and upper_a is not None:
            weakest = min(far, key=lambda f: far[f])
            assumes = f"{weakest} alone, short at {where}" if ohm > 0 else f"{weakest} alone"
            yield self._at(upper, lower, toward, far[weakest], far[weakest], lacks, "least", assumes)

    def _at(
        self, upper: Component, lower: Component, toward: str, upper_a: float | None, lower_a: float | None,
        lacks: tuple[tuple[str, str], ...], at: str, assumes: str,
    ) -> Order:  # fmt: skip
        """Compare two devices at one current; a current of ``None`` is not known."""
        trips_at = upper.limits_at_a if is_feeder(upper) else upper.trip_a
        if trips_at is None or lower.trip_a is None:
            return Order(upper.id, lower.id, toward, upper_a, lower_a, None, None, None, at, assumes, lacks)
        if upper_a is None or lower_a is None:
            # No more flows through the upper than through the lower: in the right order at any current, or in doubt.
            in_order = lower.trip_a <= trips_at and upper.trip_s is not None and lower.trip_s is not None
            if in_order and lower.trip_s is not None and upper.trip_s is not None and lower.trip_s < upper.trip_s:
                times = (upper.trip_s, lower.trip_s)
                return Order(upper.id, lower.id, toward, upper_a, lower_a, *times, True, at, "any current")
            return Order(upper.id, lower.id, toward, upper_a, lower_a, None, None, None, at, assumes, lacks)
        upper_trips, lower_trips = upper_a >= trips_at * (1 - 1e-9), lower_a >= lower.trip_a
        upper_s, lower_s = upper.trip_s if upper_trips else None, lower.trip_s if lower_trips else None
        lacks = tuple((d.id, "trip_s") for d in (upper, lower) if d.trip_s is None)
        selective: bool | None
        if upper_trips and upper.trip_s is None and is_feeder(upper):
            selective = None  # it may hold its limit for good
        elif not upper_trips or not lower_trips:
            selective, lacks = not upper_trips, ()
        elif upper_s is None or lower_s is None:
            selective = None
        else:
            selective, lacks = lower_s < upper_s, ()
        return Order(upper.id, lower.id, toward, upper_a, lower_a, upper_s, lower_s, selective, at, assumes, lacks)

    def next_above(self, id_: str, *beyond: str) -> list[str]:
        """The nearest protective devices and feeders above, one on each way."""
        found: dict[str, None] = {}
        seen, waiting = {id_, *beyond}, [id_]
        while waiting:
            for a in self.upstream.get(waiting.pop(), ()):
                if a in seen:
                    continue
                seen.add(a)
                if is_feeder(self.components[a]) or is_protective(self.components[a]):
                    found[a] = None
                else:
                    waiting.append(a)
        return [id_ for id_ in self.components if id_ in found]

    def guards(self, id_: str) -> list[Guard]:
        """What limits the current into a conductor from each side: every device alone, feeders without one together."""
        c = self.components[id_]
        wire = None
        if c.gauge_awg is not None:
            wire = self.derating.ampacity(c.gauge_awg, c.conductors, c.rating_a).value
        carry = wire if wire is not None else c.rating_a
        found = []
        for side in self.upstream.get(id_, ()):
            if is_feeder(self.components[side]) or is_protective(self.components[side]):
                ahead = [side]
            else:
                ahead = self.next_above(side, id_)
            feeders = [x for x in ahead if is_feeder(self.components[x])]
            groups = [(x,) for x in ahead if x not in feeders] + ([tuple(feeders)] if feeders else [])
            for group in groups:
                lets: float | None = 0.0
                for x in group:
                    d = self.components[x]
                    at = d.limits_at_a if is_feeder(d) else d.trip_a
                    lets = None if at is None or lets is None else lets + at
                protects = None if lets is None or carry is None else lets <= carry
                fields = {x: "limits_at_a" if is_feeder(self.components[x]) else "trip_a" for x in group}
                lacks = tuple((x, f) for x, f in fields.items() if getattr(self.components[x], f) is None)
                lacks += () if carry is not None else ((id_, "rating_a"),)
                found.append(Guard(id_, side, group, lets, wire, c.rating_a, protects, lacks))
        return found

    def inrushes(self) -> list[Inrush]:
        """Each normally open switch closed from each of its sides, where capacitance or starting power is given."""
        found = []
        for c in self.components.values():
            if not c.normally_open:
                continue
            for live in self.upstream.get(c.id, ()):
                if self._ends_open(live, c.id):
                    continue  # the far end of a run whose near end is looked at: both close
                dead = self.joined(c.id, live)
                loads = [x for x in self.topology.loads.values() if x.id in dead]
                capacitance = sum(self.components[x].capacitance_mf or 0.0 for x in dead if x in self.components)
                if not capacitance and not any(x.start_kw for x in loads):
                    continue
                found.append(self._inrush(c, live, dead, capacitance))
        return found

    def _inrush(self, device: Component, live: str, dead: set[str], capacitance_mf: float) -> Inrush:
        loads = {x: self.running_kw(x) for x in self.topology.loads if x in dead}
        starts = {x: max(kw, self.topology.loads[x].start_kw or 0.0) for x, kw in loads.items()}
        extra = max((starts[x] - kw for x, kw in loads.items()), default=0.0)
        feeders = self.feeders_above(live, device.id)
        if is_feeder(self.components[live]):
            feeders = {live: 0.0}
        carried = self.joined(live, device.id, start=live)
        live_kw = sum(self.running_kw(x) for x in self.topology.loads if x in carried and x not in dead)
        gives = sum(self.current(f, 0.0) for f in feeders)
        volts = self.nominal.get(device.id)
        charge = None
        if volts is not None and 0 < gives < math.inf:
            charge = capacitance_mf / 1000 * volts / gives
        holds = [s for f in feeders if (s := self.components[f].trip_s) is not None]
        if device.trip_a is not None and device.trip_s is not None and gives >= device.trip_a:
            holds.append(device.trip_s)
        return Inrush(
            device.id,
            live,
            capacitance_mf,
            sum(starts.values()),
            sum(loads.values()) + extra,
            live_kw,
            None if volts is None or gives == math.inf else gives * volts / 1000,
            gives,
            volts,
            charge,
            min(holds, default=None),
            (*self.unlimited(feeders), *(() if volts is not None else ((device.id, "voltage_v"),))),
        )

    def running_kw(self, load: str) -> float:
        demand = self.topology.loads[load].demand_kw
        return max((in_phase(demand, p, 0.0) or 0.0 for p in self.topology.phase_names), default=0.0)

    def joined(self, device: str, live: str, start: str | None = None) -> set[str]:
        """What one voltage reaches when ``device`` closes from ``live``: along wires, whatever their arrow.

        Not past a normally open switch, unless it stands in one chain with ``device``; converters are reached at
        their output alone, where their capacitance lies; diodes pass forwards.
        """
        found: set[str] = set()
        waiting = [start or device]
        avoid = {live, device}
        while waiting:
            here = waiting.pop()
            c = self.components.get(here)
            if c is None:
                continue
            onwards = list(self.downstream.get(here, ()))
            if c.kind != "diode":
                onwards += self.upstream.get(here, ())
            if here == device and start is None:
                onwards = [x for x in onwards if x != live]
            for b in onwards:
                if b in found or b in avoid:
                    continue
                d = self.components.get(b)
                if d is not None:
                    if is_feeder(d) and b in self.downstream.get(here, ()):
                        continue  # its input: it starts by itself
                    if d.kind == "diode" and b in self.upstream.get(here, ()):
                        continue
                    if d.normally_open and not self._in_chain(device, b):
                        continue
                found.add(b)
                if d is not None and not is_feeder(d):
                    waiting.append(b)
        return found

    def _in_chain(self, device: str, other: str) -> bool:
        """Whether ``other`` stands in one chain with ``device``, as a breaker at each end of a jumper: both close."""
        for at in self._neighbours(other):
            previous = other
            for _ in range(len(self.components)):
                if at == device:
                    return True
                onwards = self._neighbours(at) - {previous}
                if len(onwards) != 1 or at not in self.components:
                    break
                previous, at = at, onwards.pop()
        return False

    def _ends_open(self, start: str, device: str) -> bool:
        """Whether the run from ``device`` by way of ``start`` ends in another normally open switch."""
        previous, at = device, start
        for _ in range(len(self.components)):
            if at not in self.components:
                return False
            if self.components[at].normally_open:
                return True
            onwards = self._neighbours(at) - {previous}
            if len(onwards) != 1:
                return False
            previous, at = at, onwards.pop()
        return False

    def _neighbours(self, id_: str) -> set[str]:
        return {*self.upstream.get(id_, ()), *self.downstream.get(id_, ())}
