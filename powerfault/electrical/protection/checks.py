"""The comparisons of the protection study as values, and what each says where it is not as it should be."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from powerfault.electrical.currents.quantity import NOTE, UNKNOWN, UNMET, Finding


@dataclass(frozen=True, slots=True)
class Infeed:
    """What feeders can drive through ``device`` into a short beyond it, towards ``toward``. Currents in A."""

    device: str
    toward: str
    trip_a: float
    least_a: float
    """From the weakest feeder alone, at the far end of the conductors below; infinite where nothing limits."""
    most_a: float
    weakest: str
    far_end: str = ""
    """Where the resistance of conductors, not a feeder's limit, sets the least."""

    @property
    def trips(self) -> bool | None:
        """Always, never (``False``), or not from every feeder alone (``None``)."""
        if self.least_a >= self.trip_a:
            return True
        return False if self.most_a < self.trip_a else None


@dataclass(frozen=True, slots=True)
class Order:
    """Two devices on one way to a short beyond ``lower``: which opens first at the greatest current.

    The times are ``None`` for a device that does not trip at all; ``selective`` is ``None`` where a time is missing.
    """

    upper: str
    lower: str
    toward: str
    upper_a: float
    lower_a: float
    upper_s: float | None
    lower_s: float | None
    selective: bool | None


@dataclass(frozen=True, slots=True)
class Guard:
    """What limits the current that comes to a conductor from one side, against what the conductor may carry."""

    conductor: str
    side: str
    devices: tuple[str, ...]
    lets_a: float | None
    wire_a: float | None
    """By the derating rule."""
    rating_a: float | None
    protects: bool | None

    @property
    def name(self) -> str:
        return " + ".join(self.devices)


@dataclass(frozen=True, slots=True)
class Inrush:
    """Closing ``device`` from the live neighbour ``live`` onto a dead part."""

    device: str
    live: str
    capacitance_mf: float
    start_kw: float
    """All loads of the dead part starting at once."""
    largest_start_kw: float
    """The one with the most above its running power starting last, the others running."""
    live_kw: float
    """Running power that the same feeders carry already."""
    gives_kw: float | None
    gives_a: float
    volts: float | None
    charge_s: float | None
    """At the current limit until the capacitance is charged; ``None`` without limit or voltage."""
    holds_s: float | None


@dataclass(frozen=True, slots=True)
class Protection:
    infeeds: tuple[Infeed, ...]
    orders: tuple[Order, ...]
    guards: tuple[Guard, ...]
    inrushes: tuple[Inrush, ...]
    findings: tuple[Finding, ...]


def infeed_findings(infeeds: Iterable[Infeed]) -> Iterator[Finding]:
    for x in infeeds:
        cause = f"at {x.far_end}, through its conductors" if x.far_end else f"the limit of {x.weakest}"
        if x.trips is False:
            yield Finding(
                UNMET, x.device,
                f"never trips on a short towards {x.toward}: all feeders together give {x.most_a:.4g} A, it needs "
                f"{x.trip_a:g} A",
            )  # fmt: skip
        elif x.trips is None:
            yield Finding(
                UNMET, x.device,
                f"does not trip on a short towards {x.toward} where {x.weakest} feeds alone: {x.least_a:.4g} A "
                f"({cause}), it needs {x.trip_a:g} A",
            )  # fmt: skip


def order_findings(orders: Iterable[Order]) -> Iterator[Finding]:
    for x in orders:
        if x.selective is False:
            below = "does not trip" if x.lower_s is None else f"takes {x.lower_s:g} s"
            above = "an unstated time" if x.upper_s is None else f"{x.upper_s:g} s"
            yield Finding(UNMET, x.upper, f"opens first (after {above}) on a short beyond {x.lower}, which {below}")
        elif x.selective is None:
            yield Finding(
                UNKNOWN, x.upper, f"whether it or {x.lower} opens first cannot be told: trip_s is not given for both"
            )


def guard_findings(guards: Iterable[Guard]) -> Iterator[Finding]:
    for x in guards:
        carry = x.wire_a if x.wire_a is not None else x.rating_a
        if x.protects is False and carry is not None and x.lets_a is not None:
            yield Finding(
                UNMET, x.conductor,
                f"not protected from the side of {x.side}: {x.name} lets {x.lets_a:.4g} A through, it may carry "
                f"{carry:.4g} A",
            )  # fmt: skip
        elif x.protects and x.rating_a is not None and x.lets_a is not None and x.lets_a > x.rating_a:
            yield Finding(
                NOTE, x.conductor,
                f"between its rating_a of {x.rating_a:g} A and {x.lets_a:g} A {x.name} does not act; the wire bears it",
            )  # fmt: skip
        elif x.protects is None:
            lacks = "what it may carry" if carry is None else f"trip_a or limits_at_a of {x.name}"
            yield Finding(
                UNKNOWN,
                x.conductor,
                f"whether {x.name} protects it from the side of {x.side} cannot be told: {lacks} is not given",
            )


def inrush_findings(inrushes: Iterable[Inrush]) -> Iterator[Finding]:
    for x in inrushes:
        where = f"closing from {x.live}"
        if x.gives_kw is not None:
            if x.live_kw + x.start_kw > x.gives_kw * (1 + 1e-9):
                alone = x.live_kw + x.largest_start_kw <= x.gives_kw * (1 + 1e-9)
                advice = (
                    "one after another, the greatest start last, they can be started" if alone
                    else "some loads must be switched off first"
                )  # fmt: skip
                yield Finding(
                    NOTE if alone else UNMET, x.device,
                    f"{where}: the current limits of its feeders allow {x.gives_kw:.3g} kW; {x.live_kw:.3g} kW run "
                    f"already and all loads of the dead part starting at once take {x.start_kw:.3g} kW; {advice}",
                )  # fmt: skip
        elif x.capacitance_mf and x.gives_a == math.inf:
            yield Finding(
                UNKNOWN, x.device,
                f"{where}: {x.capacitance_mf:g} mF come from a feeder without limits_at_a: no bound to the inrush",
            )  # fmt: skip
        if x.charge_s is not None and x.holds_s is not None and x.charge_s > x.holds_s:
            yield Finding(
                UNMET, x.device,
                f"{where}: charging {x.capacitance_mf:g} mF at {x.gives_a:g} A takes {1000 * x.charge_s:.3g} ms, but "
                f"something trips after {1000 * x.holds_s:.3g} ms",
            )  # fmt: skip
