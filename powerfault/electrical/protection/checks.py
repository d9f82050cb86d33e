"""The comparisons of the protection study as values, and what each says where it is not as it should be."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from powerfault.electrical.currents.quantity import NOTE, UNKNOWN, UNMET, Finding


@dataclass(frozen=True, slots=True)
class Infeed:
    """What supplies can drive through ``device`` into a short beyond it, towards ``toward``. Currents in A.

    ``lacks`` names what the file does not give, each as ``(id, field)``. Where the limit of a supply is not given its
    current may be anything: ``least_a`` and ``most_a`` then count the other supplies alone (``None``: there is none).
    """

    device: str
    toward: str
    trip_a: float | None
    least_a: float | None
    """From the weakest supply alone, into a short at the far end of the hot conductors below."""
    most_a: float | None
    """From all supplies at their limits together, into a short just beyond the device."""
    weakest: str
    far_end: str = ""
    """Where the resistance of conductors, not a supply's limit, sets the least."""
    supplies: tuple[str, ...] = ()
    lacks: tuple[tuple[str, str], ...] = ()

    @property
    def trips_at_most(self) -> bool | None:
        """At the greatest fault current; ``None``: not judged."""
        if self.trip_a is None:
            return None
        if self.most_a is not None and self.most_a >= self.trip_a:
            return True  # a supply of unknown limit only adds to it
        return None if self.lacks else False

    @property
    def trips_at_least(self) -> bool | None:
        """At the least fault current; ``None``: not judged."""
        if self.trip_a is None:
            return None
        if self.least_a is not None and self.least_a < self.trip_a:
            return False  # a supply of unknown limit may be weaker still
        return None if self.lacks else True

    @property
    def judged(self) -> bool:
        return self.trips_at_most is False or self.trips_at_least is not None


@dataclass(frozen=True, slots=True)
class Order:
    """Two devices in series to a short beyond ``lower``: which clears first ``at`` the greatest or least current.

    The times are ``None`` for a device that does not trip at all, or whose time is not given (then ``lacks`` says so);
    ``selective`` is ``None`` where it is not judged. Currents are ``None`` where a limit is not given.
    """

    upper: str
    lower: str
    toward: str
    upper_a: float | None
    lower_a: float | None
    upper_s: float | None
    lower_s: float | None
    selective: bool | None
    at: str = "greatest"
    assumes: str = ""
    lacks: tuple[tuple[str, str], ...] = ()

    @property
    def margin_s(self) -> float | None:
        """By how much the upstream device waits longer; ``None`` unless both trip, at times that are given."""
        return None if self.upper_s is None or self.lower_s is None else self.upper_s - self.lower_s

    @property
    def judged(self) -> bool:
        return self.selective is not None


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
    lacks: tuple[tuple[str, str], ...] = ()

    @property
    def name(self) -> str:
        return " + ".join(self.devices)

    @property
    def judged(self) -> bool:
        return self.protects is not None


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
    """Running power that the same supplies carry already."""
    gives_kw: float | None
    gives_a: float
    volts: float | None
    charge_s: float | None
    """At the current limit until the capacitance is charged; ``None`` without limit or voltage."""
    holds_s: float | None
    lacks: tuple[tuple[str, str], ...] = ()

    @property
    def judged(self) -> bool:
        return not self.lacks


@dataclass(frozen=True, slots=True)
class Protection:
    infeeds: tuple[Infeed, ...]
    orders: tuple[Order, ...]
    guards: tuple[Guard, ...]
    inrushes: tuple[Inrush, ...]
    findings: tuple[Finding, ...]

    @property
    def checks(self) -> tuple[Infeed | Order | Guard | Inrush, ...]:
        return (*self.infeeds, *self.orders, *self.guards, *self.inrushes)

    @property
    def not_judged(self) -> tuple[Infeed | Order | Guard | Inrush, ...]:
        """The checks for which the file gives too little."""
        return tuple(x for x in self.checks if not x.judged)


def judge(
    infeeds: Iterable[Infeed], orders: Iterable[Order], guards: Iterable[Guard], inrushes: Iterable[Inrush]
) -> Protection:
    """Return the checks with what is to be said of them: what fails first, then what is not judged, then notes."""
    checks = tuple(infeeds), tuple(orders), tuple(guards), tuple(inrushes)
    said = [*infeed_findings(checks[0]), *order_findings(checks[1]), *guard_findings(checks[2])]
    said += inrush_findings(checks[3])
    found = Protection(*checks, ())
    unmet, notes = [f for f in said if f.grave == UNMET], [f for f in said if f.grave != UNMET]
    return Protection(*checks, (*dict.fromkeys(unmet), *lack_findings(found.not_judged), *notes))


def lacks_text(lacks: Iterable[tuple[str, str]]) -> str:
    """What is not given, in words.

    >>> lacks_text([("CV-A2", "limits_at_a"), ("BRK-1", "trip_a")])
    'the limit of CV-A2 and trip_a of BRK-1 are not given'
    """
    named = [f"the limit of {id_}" if field == "limits_at_a" else f"{field} of {id_}" for id_, field in lacks]
    last = named[-1]
    listed = f"{', '.join(named[:-1])} and {last}" if len(named) > 1 else last
    return f"{listed} {'are' if len(named) > 1 else 'is'} not given"


def lack_findings(checks: Iterable[Infeed | Order | Guard | Inrush]) -> Iterator[Finding]:
    """One for each set of things that are not given, with the checks that it leaves open."""
    open_: dict[tuple[tuple[str, str], ...], dict[str, None]] = {}
    for x in checks:
        open_.setdefault(x.lacks, {})[_title(x)] = None
    times = {lacks: titles for lacks, titles in open_.items() if all(field == "trip_s" for _, field in lacks)}
    for lacks, titles in open_.items():
        if lacks not in times:
            named = list(titles)
            more = f" and {len(named) - 4} more" if len(named) > 4 else ""
            yield Finding(UNKNOWN, lacks[0][0], f"not judged: {lacks_text(lacks)} ({'; '.join(named[:4])}{more})")
    if times:
        ids = list(dict.fromkeys(id_ for lacks in times for id_, _ in lacks))
        more = f" and {len(ids) - 1} more" if len(ids) > 1 else ""
        count = sum(len(titles) for titles in times.values())
        what = f"which of two devices clears first ({count} pair{'s' if count > 1 else ''})"
        yield Finding(UNKNOWN, f"{ids[0]}{more}", f"not judged: {what}: trip_s of {', '.join(ids)} not given")


def _title(x: Infeed | Order | Guard | Inrush) -> str:
    if isinstance(x, Infeed):
        return f"does {x.device} trip on a short towards {x.toward}"
    if isinstance(x, Order):
        return f"does {x.lower} clear before {x.upper}"
    if isinstance(x, Guard):
        return f"does {x.name} protect {x.conductor}"
    return f"inrush when {x.device} is closed from {x.live}"


def infeed_findings(infeeds: Iterable[Infeed]) -> Iterator[Finding]:
    for x in infeeds:
        cause = f"at {x.far_end}, through its conductors" if x.far_end else f"the limit of {x.weakest}"
        if x.trips_at_most is False:
            yield Finding(
                UNMET, x.device,
                f"never trips on a short towards {x.toward}: all supplies together give {x.most_a:.4g} A, it needs "
                f"{x.trip_a:g} A",
            )  # fmt: skip
        elif x.trips_at_least is False:
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
            margin = "" if x.margin_s is None else f"; margin {x.margin_s:.4g} s"
            yield Finding(
                UNMET, x.upper,
                f"clears first (after {above}) on a short beyond {x.lower}, which {below}{margin}, at the {x.at} fault "
                f"current ({x.assumes})",
            )  # fmt: skip


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
                f"between its rating_a of {x.rating_a:g} A and {x.lets_a:g} A {x.name} does not act; the current is "
                "within the conductor's rating by the derating rule",
            )  # fmt: skip


def inrush_findings(inrushes: Iterable[Inrush]) -> Iterator[Finding]:
    for x in inrushes:
        where = f"closing from {x.live}"
        if x.gives_kw is not None and x.live_kw + x.start_kw > x.gives_kw * (1 + 1e-9):
            alone = x.live_kw + x.largest_start_kw <= x.gives_kw * (1 + 1e-9)
            advice = (
                "one after another, the greatest start last, they can be started" if alone
                else "some loads must be switched off first"
            )  # fmt: skip
            yield Finding(
                NOTE if alone else UNMET, x.device,
                f"{where}: the current limits of its supplies allow {x.gives_kw:.3g} kW; {x.live_kw:.3g} kW run "
                f"already and all loads of the dead part starting at once take {x.start_kw:.3g} kW; {advice}",
            )  # fmt: skip
        if x.charge_s is not None and x.holds_s is not None and x.charge_s > x.holds_s:
            yield Finding(
                UNMET, x.device,
                f"{where}: charging {x.capacitance_mf:g} mF at {x.gives_a:g} A takes {1000 * x.charge_s:.3g} ms, but "
                f"something trips after {1000 * x.holds_s:.3g} ms",
            )  # fmt: skip
