"""What a power system is made of, as frozen values.

A value holds what the file says: an absent field is ``None`` (or its stated default), and every default that
depends on something else (the kind, the severity, the file's ``defaults``) is resolved by a property or a method
here, so that there is one place that knows it. Units stand in the names. Values compare without their position
in the file; positions are kept beside them in :class:`Topology`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from powerfault.errors import Problem

COOLANT_KINDS = ("pump", "line", "valve", "radiator", "coolant_jumper")
"""Kinds that carry coolant instead of power; they meet the rest only through ``needs``."""
KINDS = (
    "source", "storage", "regulator", "bus", "converter", "switch", "breaker", "fuse", "diode", "cable", "jumper",
    "connector", *COOLANT_KINDS,
)  # fmt: skip
STAGES = ("uninterrupted", "automatic", "commanded", "manual")
"""The four stages in turn, by number; also the outcomes before ``lost``."""
OUTCOMES = (*STAGES, "lost")
MODES = ("loss", "short", "stuck", "closed", "leak")
"""Failure modes in the order in which a component's events are listed."""
SEVERITIES = ("catastrophic", "critical", "major", "minor")
SWITCHED_KINDS = ("switch", "breaker", "valve")
SHORT_KINDS = ("bus", "cable", "jumper", "connector", "converter", "regulator", "switch", "breaker", "diode")
CLEARING_KINDS = ("breaker", "fuse", "converter")
SOURCE_KINDS = ("source", "storage", "pump")
"""Where power, or the flow of coolant, begins."""
JUMPER_KINDS = ("jumper", "coolant_jumper")
ONE_WAY_KINDS = ("diode", "converter")
"""Kinds that take one-way links only."""
CONDUCTOR_KINDS = ("cable", "jumper")
TOLERANCE_BY_SEVERITY = {"catastrophic": 2, "critical": 1, "major": 0, "minor": 0}
DEFAULT_PHASE = "normal"

PerPhase = float | Mapping[str, float]
"""A number for every phase, or one per named phase (a phase not named gives 0)."""


def in_phase(value: PerPhase | None, phase: str, absent: float | None = None) -> float | None:
    """Return ``value`` in ``phase``; ``absent`` where the field was not given at all."""
    if value is None:
        return absent
    if isinstance(value, Mapping):
        return float(value.get(phase, 0.0))
    return float(value)


@dataclass(frozen=True, slots=True)  # its own code: made and hashed by the hundred thousand
class Event:
    """A component (or a load that lists ``short``) with a failure mode. Written ``ID`` or ``ID:mode``."""

    id: str
    mode: str = "loss"

    def __str__(self) -> str:
        return self.id if self.mode == "loss" else f"{self.id}:{self.mode}"


@dataclass(frozen=True, slots=True)
class Need:
    """Something that must be live or served. ``bears`` names the worst interruption of it that is borne."""

    id: str
    bears: str = "uninterrupted"


@dataclass(frozen=True, slots=True)
class Phase:
    """A state in which the system runs for a while, such as sunlit and dark."""

    name: str
    duration_h: float | None = None


@dataclass(frozen=True, slots=True)
class Channel:
    """A group of components, for colour."""

    name: str
    label: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One thing that can fail. See ``format.md`` for each field; ``None`` means that the file does not say."""

    id: str
    kind: str
    label: str | None = None
    channel: str | None = None
    site: str | None = None
    can_fail: bool = True
    modes: tuple[str, ...] | None = None
    needs: tuple[Need, ...] = ()
    feeds_needed: int = 1
    rating_kw: float | None = None
    rating_a: float | None = None
    voltage_v: float | None = None
    clears_faults: bool | None = None
    isolated: bool = True
    failures_per_million_hours: float | Mapping[str, float] | None = None
    repair_h: float | None = None
    error_factor: float | None = None
    detection: str | None = None
    compensation: str | None = None
    notes: str | None = None
    # sources and storages
    capacity_kw: PerPhase | None = None
    energy_kwh: float | None = None
    depth_limit: float | None = None
    charged_by: tuple[str, ...] | None = None
    charge_kw: float | None = None
    charge_efficiency: float | None = None
    # converters and regulators
    efficiency: float | None = None
    # switches and breakers
    normally: Literal["closed", "open"] | None = None
    operated: str | None = None
    operated_by: tuple[str, ...] = ()
    # jumpers and cables
    mated: bool = True
    crew_may_mate: bool = False
    length_m: float | None = None
    gauge_awg: int | None = None
    conductors: int = 1
    conductor_c: float | None = None
    # kept for later measures
    one_feed: bool = False
    may_parallel: bool | None = None
    limits_at_a: float | None = None
    trip_a: float | None = None
    trip_s: float | None = None
    grounded: bool = False
    capacitance_mf: float | None = None
    lockable: bool | None = None
    isolates: bool | None = None
    discharge_min: float | None = None
    keying: str | None = None
    mate_cycles_left: int | None = None

    @property
    def title(self) -> str:
        return self.label or self.id

    @property
    def is_source(self) -> bool:
        return self.kind in SOURCE_KINDS

    @property
    def is_switched(self) -> bool:
        return self.kind in SWITCHED_KINDS

    @property
    def is_coolant(self) -> bool:
        return self.kind in COOLANT_KINDS

    @property
    def is_jumper(self) -> bool:
        return self.kind in JUMPER_KINDS

    @property
    def clears(self) -> bool:
        """Whether it clears faults: as given, else true for a breaker, fuse or converter."""
        return self.kind in CLEARING_KINDS if self.clears_faults is None else self.clears_faults

    @property
    def normally_open(self) -> bool:
        """Whether it passes nothing in its normal position: an open switch, or a closed valve."""
        if self.kind == "valve":
            return self.normally == "closed"
        return self.is_switched and self.normally == "open"

    def position_name(self, passes: bool) -> str:
        """The word for a position: a switch that passes is closed, a valve that passes is open."""
        return "open" if passes == (self.kind == "valve") else "closed"

    @property
    def operated_stage(self) -> int | None:
        """The first stage at which a switched component can be operated; ``None`` for other kinds."""
        return STAGES.index(self.operated or "commanded") if self.is_switched else None

    @property
    def possible_modes(self) -> tuple[str, ...]:
        """The modes that exist for its kind, whatever its own ``modes`` selects."""
        modes = ["loss"]
        if self.kind in SHORT_KINDS:
            modes.append("short")
        if self.is_switched:
            modes.append("stuck")
            if self.normally_open and not self.is_coolant:
                modes.append("closed")
        if self.is_coolant:
            modes.append("leak")
        return tuple(modes)

    @property
    def applicable_modes(self) -> tuple[str, ...]:
        """The modes enumerated for it, in the order of :data:`MODES`."""
        if not self.can_fail:
            return ()
        if self.modes is None:
            return self.possible_modes
        return tuple(m for m in self.possible_modes if m in self.modes)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Judged:
    """What loads and functions share: a severity, and what they must tolerate and bear."""

    id: str
    label: str | None = None
    severity: str | None = None
    severity_basis: str | None = None
    must_tolerate: int | None = None
    rides_through: str | None = None
    rides_through_min: float | None = None
    notes: str | None = None

    @property
    def title(self) -> str:
        return self.label or self.id

    @property
    def required_tolerance(self) -> int | None:
        """Failures it must tolerate: as given, else by severity, else ``None`` (nothing is required)."""
        if self.must_tolerate is not None:
            return self.must_tolerate
        return TOLERANCE_BY_SEVERITY[self.severity] if self.severity else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Load(_Judged):
    """A consumer that takes power from the components in ``fed_by``."""

    fed_by: tuple[str, ...] = ()
    channel: str | None = None
    site: str | None = None
    feeds_needed: int = 1
    demand_kw: PerPhase | None = None
    priority: int | None = None
    needs: tuple[Need, ...] = ()
    min_voltage_v: float | None = None
    max_voltage_v: float | None = None
    inputs: Literal["isolated", "common"] | None = None
    modes: tuple[str, ...] = ()
    start_kw: float | None = None
    must_last_h: float | None = None
    rejects_kw: float | None = None

    @property
    def common_inputs(self) -> bool:
        return self.inputs == "common"

    @property
    def service_priority(self) -> int:
        """1 is served first: as given, else 1 to 4 by severity, else 5."""
        if self.priority is not None:
            return self.priority
        return SEVERITIES.index(self.severity) + 1 if self.severity else 5

    def judged_in(self, phase: str) -> bool:
        """Whether its outcome counts in ``phase``: not where a ``demand_kw`` per phase is 0 or leaves it out."""
        return not isinstance(self.demand_kw, Mapping) or self.demand_kw.get(phase, 0.0) > 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Function(_Judged):
    """Something the outpost needs done by at least ``at_least`` of several members."""

    of: tuple[str, ...] = ()
    at_least: int = 1

    def judged_in(self, phase: str) -> bool:
        return True


Consumer = Load | Function
Link = tuple[str, str]
"""One one-way link (from, to) between components; power flows along it."""


@dataclass(frozen=True, slots=True)
class Expectation:
    """One of the author's own checks: with these proposals and failures, these outcomes."""

    failed: tuple[Event, ...]
    proposals: tuple[str, ...]
    outcomes: Mapping[str, str]
    line: int = field(default=0, compare=False)
    column: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A change to the system. ``added`` and ``set`` hold plain data as in the file, read when it is applied."""

    id: str
    label: str | None = None
    about: str | None = None
    crew_minutes: float | None = None
    add: Mapping[str, Any] = field(default_factory=dict)
    remove: Mapping[str, Any] = field(default_factory=dict)
    set: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    extra: Mapping[str, Any] = field(default_factory=dict)

    @property
    def title(self) -> str:
        return self.label or self.id


@dataclass(frozen=True, slots=True)
class QuestionChange:
    """A ``set`` of a proposal that changes what is asked rather than the system."""

    proposal: str
    id: str
    field: str
    before: Any
    after: Any

    def __str__(self) -> str:
        before, after = as_written(self.before), as_written(self.after)
        return f"{self.proposal} sets {self.field} of {self.id} from {before} to {after}"


def as_written(value: Any) -> str:
    """A field's value as a file says it.

    >>> as_written(None), as_written(True), as_written(("loss", "short")), as_written(20.0)
    ('not given', 'true', '[loss, short]', '20')
    """
    if value is None:
        return "not given"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:g}"
    return f"[{', '.join(value)}]" if isinstance(value, tuple) else str(value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Topology:
    """One power system, validated. Made by :func:`powerfault.load`; proposals give new ones.

    ``components``, ``loads`` and ``functions`` are in the order of the file. ``links`` are the one-way links of the
    feeds, each once, without those of ``fed_by``. ``added`` holds the ids that applied proposals brought in.
    ``positions`` maps a path such as ``components.BUS-H.kind`` to (line, column), both from 1.
    """

    name: str
    about: str | None = None
    phases: tuple[Phase, ...] = (Phase(DEFAULT_PHASE),)
    channels: Mapping[str, Channel] = field(default_factory=dict)
    components: Mapping[str, Component] = field(default_factory=dict)
    loads: Mapping[str, Load] = field(default_factory=dict)
    functions: Mapping[str, Function] = field(default_factory=dict)
    links: tuple[Link, ...] = ()
    standing: tuple[Event, ...] = ()
    proposals: Mapping[str, Proposal] = field(default_factory=dict)
    expect: tuple[Expectation, ...] = ()
    default_rides_through: str = "uninterrupted"
    stage_minutes: Mapping[str, float] = field(default_factory=dict)
    later: Mapping[str, Any] = field(default_factory=dict)
    """Top-level fields kept as plain data: ports, open_points, common_causes, derating, exclusive, ..."""
    applied: tuple[str, ...] = ()
    added: frozenset[str] = frozenset()
    question_changes: tuple[QuestionChange, ...] = ()
    file: str = field(default="", compare=False)
    content: bytes = field(default=b"", compare=False, repr=False)
    """The bytes of the file, as read."""
    positions: Mapping[str, tuple[int, int]] = field(default_factory=dict, compare=False, repr=False)
    origins: Mapping[str, str] = field(default_factory=dict, compare=False, repr=False)
    """Where a path of this topology was written, if elsewhere in the file (feed links, what proposals changed)."""
    notices: tuple[Problem, ...] = field(default=(), compare=False, repr=False)
    """What the reading noticed that is no error, such as a link given twice."""

    def to_networkx(self, case: Any = None, **options: Any) -> Any:
        """The system as a networkx DiGraph, with states in ``case``: see :func:`powerfault.to_networkx`.

        Found when it is asked for, since the model stands on no floor that evaluates cases.
        """
        import importlib

        return importlib.import_module("powerfault.api").to_networkx(self, case, **options)

    @property
    def sha256(self) -> str:
        """The SHA-256 of the file, as hexadecimal digits; empty for a topology that was read from none."""
        import hashlib  # loads a library of megabytes, which most runs can do without

        return hashlib.sha256(self.content).hexdigest() if self.content else ""

    @property
    def phase_names(self) -> tuple[str, ...]:
        return tuple(p.name for p in self.phases)

    def consumers(self) -> Iterator[Consumer]:
        """Loads, then functions, each in the order of the file."""
        yield from self.loads.values()
        yield from self.functions.values()

    def consumer(self, id_: str) -> Consumer:
        found = self.loads.get(id_) or self.functions.get(id_)
        if found is None:
            raise KeyError(id_)
        return found

    def title(self, id_: str) -> str:
        """The label of a component, load or function, else its id."""
        found = self.components.get(id_) or self.loads.get(id_) or self.functions.get(id_)
        return found.title if found else id_

    def rides_through(self, consumer: Consumer) -> str:
        """The worst interruption that ``consumer`` bears, as the name of a stage."""
        if consumer.rides_through is not None:
            return consumer.rides_through
        if consumer.rides_through_min is not None:
            best = STAGES[0]
            for stage in STAGES[1:]:
                if stage in self.stage_minutes and self.stage_minutes[stage] <= consumer.rides_through_min:
                    best = stage
            return best
        return self.default_rides_through

    def load_links(self) -> Iterator[Link]:
        """The one-way links of ``fed_by``, component to load."""
        for load in self.loads.values():
            for source in load.fed_by:
                yield source, load.id
