"""How many amperes a conductor may carry: the derating rule a project chooses, or the table it brings.

The rule is the file's top-level ``derating`` field::

    derating:
      rule: bundle                # ac-43.13-1b, bundle, table or none
      ampacity_a: {8: 46, 10: 33} # one wire by gauge, for bundle and table
      source: wire list, rev C    # who says so; asked for with ampacity_a
      bundle_wires: 8             # wires of the bundle that carry current (default: the conductor's own pair)
      conductor_rating_c: 105     # column of ac-43.13-1b: 105, 150 or 200
      factor: 0.8                 # a further factor of the project's own
      conductor_c: 90             # temperature for resistance where a conductor does not say
      resistance: stranded        # or solid (default)
      drop_percent: 2             # allowed drop over one cable or jumper

``ac-43.13-1b`` gives the amperes of table 11-9 as they stand. They hold for the table's own basis alone (air at
70 C and 60,000 ft, a harness of many wires of which at most a fifth is in use) and so for no vacuum. ``bundle`` takes
the amperes of one wire alone and multiplies them by (29 - N)/28 for N wires up to 15, by 1/2 above. ``table`` takes
the given amperes as they stand. No space standard's ampere table is built in: who has one brings it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

from powerfault.electrical.currents.conductors import BASES, SOURCE_STRANDED, gauge_name, parse_gauge
from powerfault.electrical.currents.quantity import Quantity
from powerfault.errors import ModelError, Problem, RequestError, nearest
from powerfault.model.elements import Component, Topology
from powerfault.model.places import problem_at

RULES = ("ac-43.13-1b", "bundle", "table", "none")
DEFAULT_CONDUCTOR_C = 90.0
AC_COLUMNS_C = (105, 150, 200)
AC_AMPACITY_A: Mapping[int, tuple[float, float, float]] = {
    24: (2.5, 4, 5), 22: (3, 5, 6), 20: (4, 7, 9), 18: (6, 9, 12), 16: (7, 11, 14), 14: (10, 14, 18),
    12: (13, 19, 25), 10: (17, 26, 32), 8: (38, 57, 71), 6: (50, 76, 97), 4: (68, 103, 133), 2: (95, 141, 179),
}  # fmt: skip
"""Amperes of one wire by gauge and conductor rating (105, 150, 200 C)."""
AC_BASIS = (
    "air at 70 C ambient and 60,000 ft; harness of 33 or more wires (9 for gauge 8 and thicker) of which at most 20 % "
    "of the capacity is in use; not valid in a vacuum"
)
SOURCE_BUNDLE = "bundle rule as in MIL-STD-975 (from memory)"


def bundle_factor(wires: int) -> float:
    """Share of one wire's amperes left to each of ``wires`` in a bundle: (29 - N)/28 up to 15, then 1/2.

    >>> bundle_factor(1), bundle_factor(8), bundle_factor(15), bundle_factor(40)
    (1.0, 0.75, 0.5, 0.5)
    """
    if wires < 1:
        raise RequestError(f"expected 1 wire or more in the bundle, found {wires}")
    return (29 - wires) / 28 if wires <= 15 else 0.5


@dataclass(frozen=True, slots=True)
class Derating:
    """The rule in force, read and checked. Temperatures in C, amperes of one wire by gauge."""

    rule: str = "none"
    ampacity_a: Mapping[int, float] = field(default_factory=dict)
    source: str = ""
    bundle_wires: int | None = None
    conductor_rating_c: int = 105
    factor: float = 1.0
    conductor_c: float = DEFAULT_CONDUCTOR_C
    resistance: str = "solid"
    drop_percent: float | None = None

    def temperature_c(self, component: Component) -> float:
        """The temperature at which the resistance of ``component`` is taken."""
        return self.conductor_c if component.conductor_c is None else component.conductor_c

    def ampacity(self, gauge: int, conductors: int = 1, given_a: float | None = None) -> Quantity:
        """The amperes ``conductors`` of ``gauge`` in parallel may carry under the rule.

        ``given_a`` is the component's own ``rating_a`` (for the whole of it); with the rule ``bundle`` and no table it
        is what is derated. ``value`` is ``None`` where the rule has no figure for the gauge, and says so.
        """
        name = f"current rating of {gauge_name(gauge)}" + (f" x {conductors}" if conductors > 1 else "")
        extra = f" x {self.factor:g}" if self.factor != 1 else ""
        if self.rule == "none":
            return Quantity(name, None, "A", "no derating rule", "", "no rule was chosen: set derating.rule")
        wires = self.bundle_wires or 2 * conductors
        each: float | None
        if self.rule == "ac-43.13-1b":
            row = AC_AMPACITY_A.get(gauge)
            each = row[AC_COLUMNS_C.index(self.conductor_rating_c)] if row else None
            source = f"{SOURCE_STRANDED}, {self.conductor_rating_c} C column"
            formula, assumption, share = f"{conductors} x table value{extra}", AC_BASIS, 1.0
        elif self.rule == "table":
            each, source, share = self.ampacity_a.get(gauge), self.source, 1.0
            formula, assumption = f"{conductors} x table value{extra}", "the table's own basis"
        else:
            share = bundle_factor(wires)
            each = self.ampacity_a.get(gauge)
            source = f"{SOURCE_BUNDLE}; one wire: {self.source}"
            if each is None and not self.ampacity_a and given_a is not None:
                each, source = given_a / conductors, f"{SOURCE_BUNDLE}; one wire: its own rating_a"
            law = f"(29 - {wires})/28" if wires <= 15 else "1/2"
            formula = f"{conductors} x one wire x {law}{extra}"
            assumption = f"{wires} wires of the bundle carry current" + (
                "" if self.bundle_wires else " (its own, there and back)"
            )
        if each is None:
            return Quantity(name, None, "A", formula, source, f"the rule has no figure for {gauge_name(gauge)}")
        return Quantity(name, conductors * each * share * self.factor, "A", formula, source, assumption)


FIELDS = tuple(Derating.__dataclass_fields__)


def read_derating(topology: Topology, rule: str | None = None) -> Derating:
    """Read the top-level ``derating`` field; ``rule`` puts another rule in its place.

    Raises :class:`ModelError` with every problem found, and :class:`RequestError` for a wrong ``rule``.
    """
    data = topology.later.get("derating")
    problems: list[Problem] = []

    def wrong(path: str, message: str) -> None:
        problems.append(problem_at(topology, path, message))

    if data is None:
        found = Derating()
    elif isinstance(data, str):
        found = _check({"rule": data}, wrong)
    elif isinstance(data, Mapping):
        found = _check(data, wrong)
    else:
        wrong("derating", f"expected a rule's name or a mapping with rule, found {type(data).__name__}")
        found = Derating()
    if problems:
        raise ModelError(problems)
    if rule is not None:
        if rule not in RULES:
            raise RequestError(f"unknown derating rule {rule!r}{nearest(rule, RULES)}; known: {', '.join(RULES)}")
        if rule == "table" and not found.ampacity_a:
            raise RequestError("the derating rule 'table' takes its amperes from derating.ampacity_a; it is not given")
        found = replace(found, rule=rule)
    return found


def _check(data: Mapping[Any, Any], wrong: Any) -> Derating:
    values: dict[str, Any] = {}
    for key in data:
        if key not in FIELDS:
            wrong(f"derating.{key}", f"unknown field{nearest(str(key), FIELDS)}; known: {', '.join(FIELDS)}")
    rule = data.get("rule", "table" if "ampacity_a" in data else "none")
    if rule not in RULES:
        wrong("derating.rule", f"expected one of {', '.join(RULES)}, found {rule!r}{nearest(str(rule), RULES)}")
    values["rule"] = rule
    table = data.get("ampacity_a")
    if table is not None:
        values["ampacity_a"] = _table(table, wrong)
        if not isinstance(data.get("source"), str) or not data["source"].strip():
            wrong("derating.ampacity_a", "expected derating.source beside it: who says these amperes, and for what")
    elif rule == "table":
        wrong("derating.rule", "the rule 'table' needs ampacity_a: amperes of one wire by gauge")
    if isinstance(data.get("source"), str):
        values["source"] = data["source"]
    bounds = {"factor": (0.0, 1.0), "conductor_c": (-200.0, 300.0), "drop_percent": (0.0, 50.0)}
    for key, (low, high) in bounds.items():
        if data.get(key) is not None:
            if not _number(data[key]) or not low < data[key] <= high:
                wrong(f"derating.{key}", f"expected a number above {low:g} and at most {high:g}, found {data[key]!r}")
            else:
                values[key] = float(data[key])
    wires = data.get("bundle_wires")
    if wires is not None:
        if not isinstance(wires, int) or isinstance(wires, bool) or wires < 1:
            wrong("derating.bundle_wires", f"expected a whole number of 1 or more, found {wires!r}")
        else:
            values["bundle_wires"] = wires
    for key, choice in (("conductor_rating_c", AC_COLUMNS_C), ("resistance", BASES)):
        if data.get(key) is not None:
            if data[key] not in choice:
                wrong(f"derating.{key}", f"expected one of {', '.join(map(str, choice))}, found {data[key]!r}")
            else:
                values[key] = data[key]
    return Derating(**values) if rule in RULES else Derating()


def _table(table: Any, wrong: Any) -> dict[int, float]:
    found: dict[int, float] = {}
    if not isinstance(table, Mapping) or not table:
        wrong("derating.ampacity_a", f"expected a mapping of gauge to amperes, found {table!r}")
        return found
    for key, value in table.items():
        try:
            gauge = parse_gauge(str(key))
        except RequestError as error:
            wrong(f"derating.ampacity_a.{key}", str(error))
            continue
        if not _number(value) or value <= 0:
            wrong(f"derating.ampacity_a.{key}", f"expected amperes above 0, found {value!r}")
            continue
        found[gauge] = float(value)
    thick_first = sorted(found)
    for thick, thin in pairwise(thick_first):
        if found[thin] > found[thick]:
            wrong(
                f"derating.ampacity_a.{thin}",
                f"{gauge_name(thin)} is given more amperes ({found[thin]:g}) than the thicker {gauge_name(thick)} "
                f"({found[thick]:g})",
            )
    return found


def _number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
