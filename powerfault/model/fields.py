"""Which fields may stand where, of what type and range? One table, which drives the reader and the JSON Schema.

Each section of the file has a tuple of :class:`Field`. What a field cannot say alone (a mode that its component's
kind does not have, two fields that exclude each other, an id that names nothing) is checked in ``references``.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from powerfault.model.elements import KINDS, MODES, SEVERITIES, STAGES

TYPES = {
    "text": "text",
    "flag": "true or false",
    "whole": "a whole number",
    "number": "a number",
    "per_phase": "a number, or a mapping with a number for each phase",
    "per_mode": "a number, or a mapping with a number for each failure mode",
    "choice": "one of a few words",
    "id": "an id",
    "ids": "a list of ids",
    "words": "a list of words",
    "needs": "a list of ids, or of mappings {id: ..., bears: ...}",
    "gauge": "an American wire gauge: 0 to 40, or 2/0, 3/0, 4/0",
    "events": "a list of events, each ID or ID:mode",
    "feeds": "a list of feed lines such as 'A -> B <-> C'",
    "mapping": "a mapping",
    "plain": "anything",
}
"""Every field type, and how a message or the schema calls it."""

SWITCHED = ("switch", "breaker", "valve")
CONDUCTORS = ("cable", "jumper")
MATED = ("jumper", "coolant_jumper")


class Field(NamedTuple):
    """One field: ``least`` and ``most`` include the bound, ``above`` excludes it; ``kinds`` is for components."""

    name: str
    type: str
    doc: str
    kinds: tuple[str, ...] = ()
    least: float | None = None
    above: float | None = None
    most: float | None = None
    choices: tuple[str, ...] = ()
    default: Any = None
    required: bool = False
    at_least_one: bool = False
    once: bool = False
    """Whether to name something twice is an error; elsewhere it counts once, with a notice."""


GREATEST, SMALLEST = 1e9, 1e-9
"""Beyond these no number of the file is one of a power system, and results would leave the range of numbers.

Every number is at most the greatest, if its field does not say less, and is 0 or at least the smallest.
"""


def _table(*fields: Field) -> dict[str, Field]:
    numbers = ("number", "per_phase", "per_mode")
    bounded = (f._replace(most=GREATEST) if f.type in numbers and f.most is None else f for f in fields)
    return {field.name: field for field in bounded}


_STORAGE = ("storage",)
_SOURCES = ("source", "storage")
_CONVERTING = ("converter", "regulator")

COMPONENT = _table(
    Field("kind", "choice", "what it is", choices=KINDS, required=True),
    Field("label", "text", "the name to show instead of the id"),
    Field("channel", "id", "the channel it belongs to, for colour and grouping"),
    Field("site", "text", "where it stands"),
    Field("can_fail", "flag", "whether its failure is enumerated", default=True),
    Field("modes", "words", "the failure modes enumerated for it, instead of all that its kind has", choices=MODES),
    Field("needs", "needs", "what must be live or served for it to work: coolant, control, data"),
    Field("feeds_needed", "whole", "how many of its upstream neighbours must be live", least=1, default=1),
    Field("rating_kw", "number", "the most power that may leave it", least=0),
    Field("rating_a", "number", "the most current that may leave it", least=0),
    Field("voltage_v", "number", "its nominal voltage", above=0),
    Field("clears_faults", "flag", "whether it stops a short (default: true for breaker, fuse and converter)"),
    Field("isolated", "flag", "whether a short on its input stays off its output", kinds=("converter",), default=True),
    Field("failures_per_million_hours", "per_mode", "its failure rate: that of loss, or one for each mode", least=0),
    Field("repair_h", "number", "hours to repair it", least=0, most=1e18),
    Field("error_factor", "number", "spread of its failure rate: 95th percentile over median", least=1),
    Field("detection", "text", "how its failure is noticed"),
    Field("compensation", "text", "what makes up for its failure"),
    Field("notes", "text", "free text"),
    Field("capacity_kw", "per_phase", "the power it can give; without it, unlimited", kinds=_SOURCES, least=0),
    Field("energy_kwh", "number", "its energy when full", kinds=_STORAGE, least=0),
    Field("depth_limit", "number", "the share of its energy that may be drawn", kinds=_STORAGE, above=0, most=1),
    Field("charged_by", "ids", "what charges it; one is enough", kinds=_STORAGE, at_least_one=True),
    Field("charge_kw", "number", "the most power it takes to charge", kinds=_STORAGE, least=0),
    Field("charge_efficiency", "number", "energy stored per energy taken", kinds=_STORAGE, above=0, most=1),
    Field("efficiency", "number", "power out per power in", kinds=_CONVERTING, above=0, most=1),
    Field("normally", "choice", "its normal position (default: closed; open for a valve)", kinds=SWITCHED,
          choices=("closed", "open")),
    Field("operated", "choice", "how it is operated", kinds=SWITCHED, choices=STAGES[1:], default="commanded"),
    Field("operated_by", "ids", "what must be served for it to be operated", kinds=SWITCHED),
    Field("mated", "flag", "whether its connectors are mated", kinds=MATED, default=True),
    Field("crew_may_mate", "flag", "whether a crew may mate it after a failure", kinds=MATED, default=False),
    Field("length_m", "number", "its length, one way", kinds=(*CONDUCTORS, "line", "coolant_jumper"), least=0),
    Field("gauge_awg", "gauge", "its wire gauge", kinds=CONDUCTORS),
    Field("conductors", "whole", "conductors in parallel for each pole", kinds=CONDUCTORS, least=1, default=1),
    Field("conductor_c", "number", "its conductor temperature", kinds=CONDUCTORS, least=-273.15, most=1000),
    Field("one_feed", "flag", "whether it takes power from one upstream neighbour at a time", default=False),
    Field("may_parallel", "flag", "whether its output may be paralleled with others"),
    Field("limits_at_a", "number", "the current at which its output limits", least=0),
    Field("trip_a", "number", "the current at which it trips", least=0),
    Field("trip_s", "number", "the time it takes to trip", least=0),
    Field("grounded", "flag", "whether its domain is grounded here", default=False),
    Field("capacitance_mf", "number", "the capacitance it puts on its domain, in millifarad", least=0),
    Field("lockable", "flag", "whether it can be locked open"),
    Field("isolates", "flag", "whether an open one counts as an isolation"),
    Field("discharge_min", "number", "minutes until it is discharged", least=0),
    Field("keying", "text", "its keying: connectors of one keying fit each other", kinds=("connector", *MATED)),
    Field("mate_cycles_left", "whole", "matings it has left", kinds=("connector", *MATED), least=0),
)  # fmt: skip

_JUDGED = (
    Field("severity", "choice", "how bad its loss is", choices=SEVERITIES),
    Field("severity_basis", "text", "why it has this severity"),
    Field("must_tolerate", "whole", "failures it must tolerate (default from severity: 2, 1, 0, 0)", least=0),
    Field("rides_through", "choice", "the worst interruption it bears", choices=STAGES),
    Field("rides_through_min", "number", "the longest interruption it bears, in minutes", least=0),
)

LOAD = _table(
    Field("fed_by", "ids", "the components that feed it", required=True, at_least_one=True),
    Field("label", "text", "the name to show instead of the id"),
    Field("channel", "id", "the channel it belongs to, for colour and grouping"),
    Field("site", "text", "where it stands"),
    Field("feeds_needed", "whole", "how many of its feeds must be live", least=1, default=1),
    Field("demand_kw", "per_phase", "the power it takes; it is not judged in a phase left out or 0", least=0),
    Field("priority", "whole", "1 is served first and shed last (default: 1 to 4 by severity, else 5)", least=1),
    *_JUDGED,
    Field("needs", "needs", "what must be live or served for it to work"),
    Field("min_voltage_v", "number", "the lowest voltage at which it works", least=0),
    Field("max_voltage_v", "number", "the highest voltage it bears", above=0),
    Field("inputs", "choice", "whether its feeds are kept apart by diodes", choices=("isolated", "common"),
          default="isolated"),
    Field("modes", "words", "[short] if its own short is to be enumerated", choices=("short",)),
    Field("start_kw", "number", "the power it takes to start", least=0),
    Field("must_last_h", "number", "hours it must be carried by storage", least=0),
    Field("rejects_kw", "number", "the heat it gives off", least=0),
    Field("notes", "text", "free text"),
)  # fmt: skip

FUNCTION = _table(
    Field("of", "ids", "its members: loads, functions, components", required=True, at_least_one=True, once=True),
    Field("label", "text", "the name to show instead of the id"),
    Field("at_least", "whole", "how many members must be served", least=1, default=1),
    *_JUDGED,
    Field("notes", "text", "free text"),
)

NEED = _table(
    Field("id", "id", "the component, load or function that must be live or served", required=True),
    Field("bears", "choice", "the worst interruption of it that is borne", choices=STAGES, default=STAGES[0]),
)

PHASE = _table(Field("duration_h", "number", "how long it lasts, in hours", above=0))
CHANNEL = _table(Field("label", "text", "the name to show"))
DEFAULTS = _table(
    Field("rides_through", "choice", "for every consumer that does not say", choices=STAGES, default=STAGES[0]),
)
STAGE_MINUTES = _table(
    *(Field(stage, "number", f"minutes until {stage} switching is done", above=0) for stage in STAGES[1:])
)
STANDING = _table(Field("failed", "events", "what is broken today: part of every case, never counted"))
ADD = _table(
    Field("components", "mapping", "components that it brings in, by id"),
    Field("feeds", "feeds", "feed lines that it brings in"),
    Field("loads", "mapping", "loads that it brings in, by id"),
    Field("functions", "mapping", "functions that it brings in, by id"),
)
REMOVE = _table(
    Field("feeds", "feeds", "links that it takes out, each spelt as in a feed line"),
    Field("components", "ids", "components that it takes out, with their links"),
    Field("loads", "ids", "loads that it takes out"),
    Field("functions", "ids", "functions that it takes out"),
)
PROPOSAL = _table(
    Field("label", "text", "the name to show instead of the id"),
    Field("about", "text", "what it is and why"),
    Field("add", "mapping", "what it brings in"),
    Field("remove", "mapping", "what it takes out"),
    Field("set", "mapping", "fields of components, loads or functions that it replaces; null takes one away"),
    Field("crew_minutes", "number", "the crew's time to fit it", least=0),
    Field("length_m", "number", "the length of cable it takes", least=0),
    Field("sites", "words", "the sites where the crew works"),
    Field("notes", "text", "free text"),
)
EXPECT = _table(
    Field("failed", "events", "what fails"),
    Field("with", "ids", "the proposals applied"),
    Field("outcomes", "mapping", "the outcome expected of each consumer named", required=True),
)
LATER = ("ports", "open_points", "common_causes", "rates", "derating", "exclusive", "switching_success", "title_block")
"""Top-level fields kept as plain data for the modules that use them."""

TOP = _table(
    Field("powerfault", "whole", "the version of the format: 1", required=True),
    Field("name", "text", "the name of the system"),
    Field("about", "text", "free text"),
    Field("include", "plain", "further files whose sections belong to this one, by name or glob"),
    Field("patterns", "plain", "parts written once, by name: {parameters, components, feeds, loads, ...}"),
    Field("use", "plain", "copies of patterns: a list of {pattern, as, with}"),
    Field("defaults", "mapping", "what holds for every consumer that does not say"),
    Field("stage_minutes", "mapping", "how many minutes each stage of switching takes"),
    Field("phases", "mapping", "the phases of operation by name; without it there is one, called normal"),
    Field("channels", "mapping", "the channels by name, for colour and grouping"),
    Field("components", "mapping", "everything that can fail, by id"),
    Field("feeds", "feeds", "the links along which power flows"),
    Field("loads", "mapping", "what takes power, by id"),
    Field("functions", "mapping", "what the outpost needs done, by id"),
    Field("standing", "mapping", "what is broken today"),
    Field("proposals", "mapping", "the changes proposed, by id"),
    Field("expect", "plain", "the author's own checks: a list of {failed, with, outcomes}"),
    *(Field(name, "plain", "kept for later measures") for name in LATER if name != "rates"),
    Field("rates", "choice", "what a failure rate with an error_factor is: median or mean of its lognormal spread",
          choices=("median", "mean"), default="median"),
)  # fmt: skip

QUESTION_FIELDS = ("can_fail", "modes", "severity", "must_tolerate", "rides_through", "rides_through_min")
"""Fields of which a ``set`` changes the question rather than the system."""

GAUGE_NAMES = {"00": -1, "000": -2, "0000": -3, "1/0": 0, "2/0": -1, "3/0": -2, "4/0": -3}
"""Gauges below 0, written with zeros or as a count of zeros, by the number the formula takes (ASTM B258)."""
