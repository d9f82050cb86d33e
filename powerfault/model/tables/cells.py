"""Which value of a field does a cell of a list give? Words mapped, units converted; the door to pint."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from typing import Any

from powerfault.errors import ToolError, nearest
from powerfault.model.fields import Field
from powerfault.model.places import any_of, describe, shorten
from powerfault.model.tables.sheets import Wrong

_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?\Z")
_COMMA = re.compile(r"[-+]?\d{1,3}(?:[.' ]?\d{3})*,\d+\Z")
_GAUGE = re.compile(r"(?:AWG|#)?\s*(\d{1,2}|0{2,4}|[1-4]/0)\s*(?:AWG|ga\.?)?\Z", re.IGNORECASE)
_YES = {"yes": True, "y": True, "true": True, "no": False, "n": False, "false": False}
_DASHES = {
    "-",
    "--",
    "\u2010",
    "\u2011",
    "\u2012",
    "\u2013",
    "\u2014",
    "n/a",
    "N/A",
    "na",
    "NA",
    "nil",
    "none",
    "TBD",
    "tbd",
}
UNITS = {
    "_kw": "kilowatt", "_kwh": "kilowatt_hour", "_a": "ampere", "_v": "volt", "_m": "meter", "_min": "minute",
    "_h": "hour", "_s": "second", "_mf": "millifarad", "_c": "degree_Celsius",
    "failures_per_million_hours": "1e-6/hour",
}  # fmt: skip
"""The unit of a field, by the end of its name."""


class CellError(Exception):
    """A cell gives no value of its field; the text says what was expected and found."""


def cell_value(cell: Any, field: Field, words: Mapping[str, Any], unit: str | None, blank: frozenset[str]) -> Any:
    """The value that ``cell`` gives the field, ``None`` if it is empty. Raises :class:`CellError`."""
    if isinstance(cell, Wrong):
        raise CellError(cell.message)
    if isinstance(cell, str):
        text = cell.strip(" \t\r\n")
        if text[:2] in ("'=", "'+", "'-", "'@", "''"):
            text = text[1:]  # a mark by which spreadsheets take what follows for text
        if "\N{NO-BREAK SPACE}" in text and field.type not in ("text",):
            raise CellError(f"holds a no-break space in {shorten(text)!r}; type the value anew")
        if text in words:
            return words[text]
        if text in blank or not text:
            return None
        cell = text
    elif cell is None:
        return None
    elif isinstance(cell, bool) is False and isinstance(cell, int | float) and as_text(cell) in words:
        return words[as_text(cell)]
    if isinstance(cell, datetime.date | datetime.time | datetime.timedelta):
        raise CellError(f"expected {_expected(field)}, found the date or time {cell}: a spreadsheet makes dates of "
                        "what looks like one; set the column to text and type the value anew")  # fmt: skip
    value = _READ[field.type](cell, field)
    if unit is not None:
        value = converted(value, unit, field)
    return value


def converted(value: Any, unit: str, field: Field) -> Any:
    """``value`` (a number, or one per phase) in ``unit`` as the field has it. Raises :class:`CellError`."""
    if isinstance(value, dict):
        return {phase: converted(number, unit, field) for phase, number in value.items()}
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise CellError(f"has the unit {unit}, but {field.name} takes none; leave it out of units")
    ratio = _conversion(unit, field)
    return float(f"{ratio(float(value)):.12g}")


def _conversion(unit: str, field: Field) -> Any:
    key = (unit, field.name)
    if key not in _CONVERSIONS:
        target = next((UNITS[end] for end in sorted(UNITS, key=len, reverse=True) if field.name.endswith(end)), None)
        if target is None:
            raise CellError(f"has the unit {unit}, but {field.name} has none; leave it out of units")
        try:
            import pint
        except ImportError as error:
            raise ToolError(
                "no units are converted: pint is not installed; 'pip install powerfault[lists]' brings it"
            ) from error
        registry = _REGISTRY[0] if _REGISTRY else pint.UnitRegistry()
        _REGISTRY[:] = [registry]
        try:
            scale, wanted = (1e6, "1/hour") if target.startswith("1e-6") else (1.0, target)
            registry.Quantity(1.0, unit).to(wanted)
        except Exception as error:  # pint raises a family of errors, and others from its parser
            raise CellError(
                f"the unit {unit!r} is unknown or is none of {field.name}: {shorten(str(error), 100)}"
            ) from error
        _CONVERSIONS[key] = lambda number: scale * registry.Quantity(number, unit).to(wanted).magnitude
    return _CONVERSIONS[key]


_CONVERSIONS: dict[tuple[str, str], Any] = {}
_REGISTRY: list[Any] = []


def as_text(cell: Any) -> str:
    """A cell as text: a whole number without its point.

    >>> as_text(12.0), as_text("x"), as_text(True)
    ('12', 'x', 'true')
    """
    if isinstance(cell, bool):
        return str(cell).lower()
    return str(int(cell)) if isinstance(cell, float) and cell.is_integer() else str(cell)


def _expected(field: Field) -> str:
    return {"text": "text", "id": "an id", "choice": any_of(field.choices or ("a word",)), "flag": "yes or no",
            "gauge": "a wire gauge such as 4 or 2/0", "whole": "a whole number", "number": "a number",
            "per_phase": "a number", "per_mode": "a number"}.get(field.type, "a list of ids")  # fmt: skip


def _wrong(cell: Any, field: Field, hint: str = "") -> CellError:
    return CellError(f"expected {_expected(field)}, found {describe(cell)}{hint}")


def _number(cell: Any, field: Field) -> Any:
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        return cell
    if isinstance(cell, str):
        if _NUMBER.match(cell):
            number = float(cell)
            return int(number) if number.is_integer() and abs(number) < 1e15 else number
        if cell in _DASHES:
            raise _wrong(cell, field, "; leave the cell empty, or name the word under blank")
        if _COMMA.match(cell):
            raise _wrong(cell, field, f"; write {cell.rsplit(',', 1)[0]}.{cell.rsplit(',', 1)[1]} with a decimal point")
        if re.match(r"[-+]?\d", cell):
            raise _wrong(cell, field, "; write the number alone, and its unit under units")
    raise _wrong(cell, field)


def _whole(cell: Any, field: Field) -> Any:
    number = _number(cell, field)
    if number != int(number):
        raise _wrong(cell, field)
    return int(number)


def _text(cell: Any, field: Field) -> Any:
    if isinstance(cell, str) and cell in _DASHES and field.type == "id":
        raise _wrong(cell, field, "; leave the cell empty, or name the word under blank")
    return as_text(cell)


def _flag(cell: Any, field: Field) -> Any:
    if isinstance(cell, bool):
        return cell
    if isinstance(cell, str) and cell.lower() in _YES:
        return _YES[cell.lower()]
    raise _wrong(cell, field)


def _choice(cell: Any, field: Field) -> Any:
    if isinstance(cell, str):
        for choice in field.choices:
            if cell.lower() == choice:
                return choice
        raise _wrong(cell, field, nearest(cell, field.choices) or "; say what the word stands for under words")
    raise _wrong(cell, field)


def _gauge(cell: Any, field: Field) -> Any:
    match = _GAUGE.match(as_text(cell))
    if not match:
        raise _wrong(cell, field)
    return match[1] if "/" in match[1] or match[1].startswith("00") else int(match[1])


def _list(cell: Any, field: Field) -> Any:
    return [part for part in re.split(r"[\s,;]+", as_text(cell)) if part]


def _needs(cell: Any, field: Field) -> Any:
    """Ids, each with the interruption of it that is borne in brackets: ``CTRL-1, coolant-a (manual)``."""
    needs: list[Any] = []
    for id_, bears in re.findall(r"([^\s,;()]+)(?:\s*\(\s*(\w+)\s*\))?", as_text(cell)):
        needs.append({"id": id_, "bears": bears} if bears else id_)
    return needs


def _each(cell: Any, field: Field) -> Any:
    """A number, or one for each of some names: ``sunlit: 12; dark: 0``."""
    if not isinstance(cell, str) or ":" not in cell:
        return _number(cell, field)
    parts = [part.rpartition(":") for part in cell.split(";") if part.strip()]
    return {name.strip(): _number(value.strip(), field) for name, _, value in parts}


_READ: dict[str, Any] = {
    "text": _text, "id": _text, "number": _number, "whole": _whole, "flag": _flag, "choice": _choice, "gauge": _gauge,
    "ids": _list, "words": _list, "needs": _needs, "per_phase": _each, "per_mode": _each,
}  # fmt: skip


def cell_text(value: Any) -> Any:
    """The cell that gives ``value`` back: numbers stay numbers, the rest is text."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping):
        return "; ".join(f"{name}: {number!r}" for name, number in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(f"{v['id']} ({v['bears']})" if isinstance(v, Mapping) else str(v) for v in value)
    if isinstance(value, str) and value[:1] == "'":
        return "'" + value
    return value
