"""Is each field of a mapping of the right type and in range? Reads mappings by the table of fields.

Every conversion returns the value to keep, or :data:`WRONG` after it has reported what was expected and found. A null
equals an absent field everywhere.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Any

from powerfault.model.elements import MODES, STAGES, Need
from powerfault.model.fields import GAUGE_NAMES, GREATEST, NEED, SMALLEST, Field
from powerfault.model.places import ID, ID_RULE, MAX_ID_LENGTH, Findings, any_of, describe, shorten
from powerfault.model.yaml_lines import ZeroPadded


class _Wrong:
    """The value of a field that was reported as wrong."""


WRONG: Any = _Wrong()
_SWITCH_WORDS = {"yes": "true", "on": "true", "y": "true", "no": "false", "off": "false", "n": "false"}


class Values:
    """Reads the fields of mappings; ``phases`` are the names that a value per phase may use."""

    def __init__(self, findings: Findings, phases: Collection[str]) -> None:
        self.findings = findings
        self.phases = phases
        self._by_type: dict[str, Callable[[str, Any, Field], Any]] = {
            "text": self._text, "flag": self._flag, "whole": self._whole, "number": self._number,
            "per_phase": self._per_phase, "per_mode": self._per_mode, "choice": self._choice, "id": self._text,
            "ids": self._names, "words": self._words, "needs": self._needs, "gauge": self._gauge,
            "events": self._names, "feeds": self._feeds, "mapping": self._mapping, "plain": lambda _p, v, _f: v,
        }  # fmt: skip

    def fields(
        self, path: str, data: Any, table: Mapping[str, Field], what: str, kind: str | None = None,
        partial: bool = False,
    ) -> dict[str, Any]:  # fmt: skip
        """Return the valid fields of the mapping ``data``; report the rest.

        ``what`` names the mapping in messages ("a component"). With ``kind``, fields that this kind of component does
        not take are reported. With ``partial`` (a proposal's ``set``) required fields may be left out, not taken away.
        """
        result: dict[str, Any] = {}
        if data is None:
            data = {}
        elif not isinstance(data, dict):
            self.findings.problem(path, f"expected a mapping of fields for {what}, found {describe(data)}")
            return result
        for name, value in data.items():
            field = table.get(name)
            here = f"{path}.{name}" if path else name
            if field is None:
                self.findings.problem(here, f"unknown field of {what}{self._nearest_field(name, table)}", key=True)
            elif field.kinds and kind is not None and kind not in field.kinds:
                if value is not None:
                    takes = any_of(field.kinds, "and")
                    self.findings.problem(here, f"a {kind} takes no {name}; only {takes} do", key=True)
            elif value is not None:
                found = self._by_type[field.type](here, value, field)
                if found is not WRONG:
                    result[name] = found
            elif partial and field.required:
                self.findings.problem(here, f"cannot be taken away: {what} must have {name} ({field.doc})")
        if not partial:
            for field in table.values():
                if field.required and data.get(field.name) is None:
                    self.findings.problem(path, f"must give {field.name}: {field.doc}")
        return result

    def _nearest_field(self, name: str, table: Mapping[str, Field]) -> str:
        units = [known for known in table if known.startswith(f"{name}_")]
        if units:
            return f"; give the unit: {any_of(units)}"
        return self.findings.suggest(name, table)

    def mapping(self, path: str, value: Any, what: str) -> dict[str, Any]:
        """Return ``value`` if it is a mapping (empty for null), else report it and return an empty one."""
        if value is None:
            return {}
        if isinstance(value, dict):
            return value
        self.findings.problem(path, f"expected a mapping of {what}, found {describe(value)}")
        return {}

    def id(self, path: str, name: str, key: bool = True) -> bool:
        """Report a name that breaks the rule of ids; return whether it is good."""
        if ID.match(name) and len(name) <= MAX_ID_LENGTH:
            return True
        if len(name) > MAX_ID_LENGTH:
            message = f"an id has at most {MAX_ID_LENGTH} characters, found {len(name):,}; put long text into 'label'"
        else:
            message = f"{shorten(name)!r} is no id: {ID_RULE}"
        self.findings.problem(path, message, key=key)
        return False

    # One conversion for each field type.

    def _expected(self, path: str, expected: str, value: Any, hint: str = "") -> Any:
        self.findings.problem(path, f"expected {expected}, found {describe(value)}{hint}")
        return WRONG

    def _text(self, path: str, value: Any, field: Field) -> Any:
        if isinstance(value, str):
            return value
        expected = "an id" if field.type == "id" else "text"
        hint = "; put it in quotes if it is meant" if isinstance(value, bool | int | float) else ""
        return self._expected(path, expected, value, hint)

    def _flag(self, path: str, value: Any, field: Field) -> Any:
        if isinstance(value, bool):
            return value
        word = _SWITCH_WORDS.get(value.lower()) if isinstance(value, str) else None
        return self._expected(path, "true or false", value, f"; write {word}" if word else "")

    def _number(self, path: str, value: Any, field: Field) -> Any:
        if isinstance(value, ZeroPadded):
            bare = value.text.lstrip("+-").lstrip("0") or "0"
            return self._expected(path, "a number without leading zeros", value, f"; write {bare}")
        if isinstance(value, bool) or not isinstance(value, int | float):
            hint = ""
            if isinstance(value, str):
                hint = "; write it without quotes, unit and separators" if value[:1].isdigit() else ""
            elif isinstance(value, bool):
                hint = "; a boolean is no number"
            return self._expected(path, _range(field), value, hint)
        number = float(value)
        if number != number or number in (float("inf"), float("-inf")):
            return self._expected(path, "a finite number", value)
        low = (field.least is not None and number < field.least) or (field.above is not None and number <= field.above)
        if number > GREATEST and field.most == GREATEST and not low:
            return self._expected(path, f"a number of at most {GREATEST:,.0f}", value)
        if low or (field.most is not None and number > field.most):
            return self._expected(path, _range(field), value)
        if 0 < abs(number) < SMALLEST:
            return self._expected(path, f"0, or a number of at least {SMALLEST:g}", value)
        return number

    def _whole(self, path: str, value: Any, field: Field) -> Any:
        if isinstance(value, float) and value == value:
            return self._expected(path, _range(field), value)
        number = self._number(path, value, field)
        if number is WRONG:
            return WRONG
        if number > 1_000_000:
            return self._expected(path, "at most 1000000", value)
        return int(value)

    def _per_phase(self, path: str, value: Any, field: Field) -> Any:
        return self._each(path, value, field, self.phases, "phase")

    def _per_mode(self, path: str, value: Any, field: Field) -> Any:
        return self._each(path, value, field, MODES, "failure mode")

    def _each(self, path: str, value: Any, field: Field, names: Collection[str], what: str) -> Any:
        """A number, or a mapping with a number for each of some names."""
        if not isinstance(value, dict):
            if isinstance(value, list | str):
                expected = f"{_range(field)}, or a mapping with one for each {what}"
                return self._expected(path, expected, value)
            return self._number(path, value, field)
        result: dict[str, float] = {}
        for name, item in value.items():
            here = f"{path}.{name}"
            if name not in names:
                hint = self.findings.suggest(name, names) or f"; known: {any_of(list(names)[:12], 'and')}"
                self.findings.problem(here, f"unknown {what} {shorten(name)!r}{hint}", key=True)
            elif item is not None:
                number = self._number(here, item, field)
                if number is not WRONG:
                    result[name] = number
        return result

    def _choice(self, path: str, value: Any, field: Field) -> Any:
        if isinstance(value, str) and value in field.choices:
            return value
        hint = self.findings.suggest(value, field.choices) if isinstance(value, str) else ""
        return self._expected(path, any_of(field.choices), value, hint)

    def _gauge(self, path: str, value: Any, field: Field) -> Any:
        text = value.text if isinstance(value, ZeroPadded) else value
        if isinstance(text, str) and text in GAUGE_NAMES:
            return GAUGE_NAMES[text]
        if type(value) is int and 0 <= value <= 40:
            return value
        return self._expected(path, "a wire gauge from 0000 (also 4/0), 000, 00, 0 to 40", value)

    def _list(self, path: str, value: Any, expected: str) -> list[Any] | None:
        if isinstance(value, list):
            return value
        hint = f"; put it in brackets: [{shorten(value)}]" if isinstance(value, str) else ""
        self._expected(path, expected, value, hint)
        return None

    def _names(self, path: str, value: Any, field: Field) -> Any:
        """A list of ids or events, each once."""
        expected = "a list of events" if field.type == "events" else "a list of ids"
        items = self._list(path, value, expected)
        if items is None:
            return WRONG
        if field.at_least_one and not items:
            self.findings.problem(path, "expected at least one id, found an empty list")
        names = [self._name(f"{path}[{i}]", item, expected[10:-1]) for i, item in enumerate(items)]
        return self._once(path, names, refuse=field.once)

    def _name(self, path: str, item: Any, what: str) -> Any:
        if isinstance(item, str):
            return item
        an = "an event" if what == "event" else "an id"
        if isinstance(item, dict) and len(item) == 1 and what == "event":
            ((key, mode),) = item.items()
            return self._expected(path, an, item, f"; write {shorten(f'{key}:{mode}')} without a space")
        hint = "; an id is text, not a boolean" if isinstance(item, bool) else ""
        return self._expected(path, an, item, hint)

    def _once(self, path: str, items: list[Any], *, refuse: bool = False) -> tuple[Any, ...]:
        """Drop what was wrong and what is named twice; the latter with a notice, or as an error to ``refuse`` it."""
        seen: dict[Any, None] = {}
        for number, item in enumerate(items):
            if item is WRONG:
                continue
            if item in seen:
                here, what = f"{path}[{number}]", f"{shorten(str(item))} is named twice"
                if refuse:
                    self.findings.problem(here, f"{what}; name each member once")
                else:
                    self.findings.notice(here, f"{what}; it counts once")
            seen[item] = None
        return tuple(seen)

    def _words(self, path: str, value: Any, field: Field) -> Any:
        items = self._list(path, value, "a list of words")
        if items is None:
            return WRONG
        read = self._choice if field.choices else self._text
        return self._once(path, [read(f"{path}[{i}]", item, field) for i, item in enumerate(items)])

    def _needs(self, path: str, value: Any, field: Field) -> Any:
        items = self._list(path, value, "a list of ids")
        if items is None:
            return WRONG
        needs: dict[str, Need] = {}
        for number, item in enumerate(items):
            here = f"{path}[{number}]"
            if isinstance(item, dict):
                read = self.fields(here, item, NEED, "a need")
                if "id" not in read:
                    continue
                need = Need(read["id"], read.get("bears", STAGES[0]))
            else:
                name = self._name(here, item, "id")
                if name is WRONG:
                    continue
                need = Need(name)
            if need.id in needs:
                if needs[need.id] == need:
                    self.findings.notice(here, f"{shorten(need.id)} is named twice; it counts once")
                else:
                    self.findings.problem(here, f"{shorten(need.id)} is named twice with different 'bears'; keep one")
            needs.setdefault(need.id, need)
        return tuple(needs.values())

    def _feeds(self, path: str, value: Any, field: Field) -> Any:
        items = self._list(path, value, "a list of feed lines")
        if items is None:
            return WRONG
        lines: list[str | None] = []
        for number, item in enumerate(items):
            if isinstance(item, str):
                lines.append(item)
            else:
                self._expected(f"{path}[{number}]", "a feed line such as A -> B", item)
                lines.append(None)
        return lines

    def _mapping(self, path: str, value: Any, field: Field) -> Any:
        if isinstance(value, dict):
            return value
        return self._expected(path, "a mapping", value)


def _range(field: Field) -> str:
    """The values that a number field takes, in words.

    >>> _range(Field("efficiency", "number", "", above=0, most=1))
    'a number above 0 and at most 1'
    """
    noun = "a whole number" if field.type == "whole" else "a number"
    bounds = []
    if field.least is not None:
        bounds.append(f"of at least {field.least:g}")
    if field.above is not None:
        bounds.append(f"above {field.above:g}")
    if field.most is not None and field.most != GREATEST:
        bounds.append(f"at most {field.most:g}")
    return " ".join([noun, " and ".join(bounds)]).rstrip()
