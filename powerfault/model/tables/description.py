"""Which lists are there, and what do their columns mean? The file that ``powerfault gather`` reads."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from powerfault.errors import ModelError
from powerfault.model.fields import COMPONENT, FUNCTION, LOAD, TYPES, Field
from powerfault.model.places import Findings, any_of, describe, shorten
from powerfault.model.schema import mapping_schema
from powerfault.model.values import Values
from powerfault.model.yaml_lines import decode, parse_yaml, read_bytes

_ID = Field("id", "id", "its id")
_ORDER = Field("order", "number", "its place in the result (default: the order of the rows)")
LINK = {
    "id": Field("id", "id", "the id of the wire, where it is a component that can fail (kind cable if no other)"),
    "from": Field("from", "id", "the id at its beginning"),
    "to": Field("to", "id", "the id at its end"),
    "both_ways": Field("both_ways", "flag", "whether power may flow along it both ways"),
    "order": _ORDER,
    **{name: f for name, f in COMPONENT.items() if f.type != "per_mode"},
}
CELL_TYPES = tuple(t for t in TYPES if t not in ("events", "feeds", "mapping", "plain", "per_mode"))


def _columns(table: Mapping[str, Field]) -> dict[str, Field]:
    return {"id": _ID, "order": _ORDER, **{name: f for name, f in table.items() if f.type in (*CELL_TYPES, "per_mode")}}


HOLDS: dict[str, dict[str, Field]] = {
    "components": _columns(COMPONENT), "loads": _columns(LOAD), "functions": _columns(FUNCTION), "links": LINK,
}  # fmt: skip
"""What a list may hold, and the fields its columns may give."""

LISTS = {
    f.name: f
    for f in (
        Field("powerfault_lists", "whole", "the version of this format: 1", required=True),
        Field("name", "text", "the name of the system"),
        Field("about", "text", "free text"),
        Field("include", "words", "files with sections written by hand, beside this one: proposals, functions, expect"),
        Field("lists", "plain", "the lists, of which the first to give a value comes first", required=True),
        Field("decide", "mapping", "what holds where lists disagree, by ID.field"),
        Field("collapse", "words", "ids (or globs such as SPL-*) of pins and splices that become plain links"),
    )
}
LIST = {
    f.name: f
    for f in (
        Field("file", "text", "the file beside this one: .csv, .xlsx or .parquet", required=True),
        Field("sheet", "text", "the sheet of a workbook (default: its first)"),
        Field("holds", "choice", "what a row is", choices=tuple(HOLDS), required=True),
        Field("header_row", "whole", "the row that holds the titles of the columns", least=1, default=1),
        Field("separator", "choice", "what separates cells in a CSV file", choices=(",", ";", "tab", "|"), default=","),
        Field("columns", "mapping", "the title of the column that gives each field", required=True),
        Field("words", "mapping", "by title: what words in the column stand for"),
        Field("units", "mapping", "by title: the unit in the column, such as ft, mm or W"),
        Field("fixed", "mapping", "fields that all rows have alike"),
        Field("skip", "mapping", "by title: rows with one of these words are skipped"),
        Field("skip_rows", "plain", "numbers of rows to skip"),
        Field("blank", "words", "words that stand for an empty cell, such as '-' or 'n/a'"),
        Field("both_ways", "flag", "whether power may flow along all its links both ways", default=False),
        Field("pin_separator", "text", "what parts id and pin in from and to: CV-1:3 is CV-1"),
    )
}


@dataclass(frozen=True)
class ListDescription:
    """One list. ``columns`` gives each field the title of its column; ``file`` is as written."""

    file: str
    path: str
    holds: str
    columns: Mapping[str, str]
    sheet: str | None = None
    header_row: int = 1
    separator: str = ","
    words: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    fixed: Mapping[str, Any] = field(default_factory=dict)
    skip: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    skip_rows: frozenset[int] = frozenset()
    blank: frozenset[str] = frozenset()
    both_ways: bool = False
    pin_separator: str | None = None

    @property
    def shown(self) -> str:
        return f"{self.file}, sheet {self.sheet}" if self.sheet else self.file


@dataclass(frozen=True)
class Description:
    name: str | None
    about: str | None
    include: tuple[str, ...]
    lists: tuple[ListDescription, ...]
    decide: Mapping[str, Any]
    collapse: tuple[str, ...]
    folder: str
    findings: Findings = field(compare=False, repr=False)


def read_description(path: str | os.PathLike[str]) -> Description:
    """Read the description of lists at ``path``. Raises :class:`ModelError` with all that is wrong with it."""
    file, content = read_bytes(path)
    document = parse_yaml(decode(content, file), file)
    findings = Findings(file, document.values, document.keys)
    values = Values(findings, ())
    if not isinstance(document.data, dict):
        found = describe(document.data)
        raise ModelError([findings.place("", f"expected 'powerfault_lists: 1' and the lists, found {found}")])
    top = values.fields("", document.data, LISTS, "a description of lists")
    if top.get("powerfault_lists", 1) != 1:
        findings.problem("powerfault_lists", "expected 1, the only version read")
    folder = "" if file.startswith("<") else os.path.dirname(file)
    lists = []
    given = top.get("lists")
    if given is not None and (not isinstance(given, list) or not given):
        findings.problem("lists", f"expected a list of lists, found {describe(given)}")
        given = None
    for number, item in enumerate(given or ()):
        one = _list(values, f"lists[{number}]", item, folder)
        if one is not None:
            lists.append(one)
    findings.raise_any()
    return Description(top.get("name"), top.get("about"), top.get("include", ()), tuple(lists),
                       top.get("decide", {}), top.get("collapse", ()), folder, findings)  # fmt: skip


def _list(values: Values, path: str, data: Any, folder: str) -> ListDescription | None:
    findings = values.findings
    before = len(findings.problems)
    read = values.fields(path, data, LIST, "a list")
    if len(findings.problems) > before:
        return None
    holds = read["holds"]
    known = HOLDS[holds]
    columns: dict[str, str] = {}
    for name, title in read["columns"].items():
        here = f"{path}.columns.{name}"
        if name not in known:
            findings.problem(here, f"unknown field of {holds}{findings.suggest(name, known)}", key=True)
        elif not isinstance(title, str):
            findings.problem(here, f"expected the title of a column, found {describe(title)}; put it in quotes")
        else:
            columns[name] = title
    needed = ("from", "to") if holds == "links" else ("id",)
    for name in needed:
        if name not in columns:
            findings.problem(f"{path}.columns", f"must name the column that gives {name}, for {holds}")
    for name in read.get("fixed", {}):
        if name not in known or name in ("id", "from", "to", "order"):
            findings.problem(
                f"{path}.fixed.{name}", f"unknown field of {holds}{findings.suggest(name, known)}", key=True
            )
    titles = set(columns.values())
    for what in ("words", "units"):
        for title in read.get(what, {}):
            if title not in titles:
                hint = findings.suggest(title, titles)
                findings.problem(
                    f"{path}.{what}.{title}", f"{shorten(title)!r} is no column named above{hint}", key=True
                )
    for title, words in read.get("words", {}).items():
        if not isinstance(words, dict) or any(isinstance(w, dict | list) for w in words.values()):
            findings.problem(f"{path}.words.{title}", "expected a mapping from words to values: {CB: breaker}")
    for title, unit in read.get("units", {}).items():
        if not isinstance(unit, str):
            findings.problem(f"{path}.units.{title}", f"expected a unit such as ft, found {describe(unit)}")
    skip: dict[str, tuple[str, ...]] = {}
    for title, words in read.get("skip", {}).items():
        listed = words if isinstance(words, list) else [words]
        if not all(isinstance(word, str) for word in listed):
            findings.problem(f"{path}.skip.{title}", f"expected {any_of(['a word', 'a list of words'])} in quotes")
        else:
            skip[title] = tuple(listed)
    rows = read.get("skip_rows", [])
    if not isinstance(rows, list) or not all(type(row) is int and row > 0 for row in rows):
        findings.problem(f"{path}.skip_rows", "expected numbers of rows: [3, 17]")
    if len(findings.problems) > before:
        return None
    return ListDescription(
        file=read["file"], path=os.path.join(folder, read["file"]), holds=holds, columns=columns,
        sheet=read.get("sheet"), header_row=read.get("header_row", 1), separator=read.get("separator", ","),
        words=read.get("words", {}), units=read.get("units", {}), fixed=read.get("fixed", {}), skip=skip,
        skip_rows=frozenset(rows), blank=frozenset(read.get("blank", ())), both_ways=read.get("both_ways", False),
        pin_separator=read.get("pin_separator"),
    )  # fmt: skip


def lists_schema() -> dict[str, Any]:
    """The JSON Schema of the description of lists."""
    schema = mapping_schema(LISTS)
    schema["properties"]["powerfault_lists"]["const"] = 1
    one = mapping_schema(LIST)
    one["properties"]["columns"]["additionalProperties"] = {"type": "string"}
    one["properties"]["skip_rows"] |= {"type": ["array", "null"], "items": {"type": "integer", "minimum": 1}}
    schema["properties"]["lists"] |= {"type": "array", "items": one, "minItems": 1}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "powerfault lists",
        "description": "Which lists make up a system, and what their columns mean.",
        **schema,
    }


STARTER = """\
# Which lists make up the system, and what their columns mean. Gather them with:
#   powerfault gather FILE -o system.yaml
powerfault_lists: 1
name: My system
include: [by-hand.yaml]              # proposals, functions, expectations: yours, kept as they are

# Where two lists disagree nothing is taken until it is decided here:
# decide: {CV-1.rating_kw: 6}

# Points of the wiring list that are only pins or splices become plain links:
# collapse: ["SPL-*"]

lists:                               # the first list that names an id gives it its place in the result
  - file: equipment.csv
    holds: components
    columns: {id: Tag, kind: Type, label: Description, rating_kw: Rating}
    words: {Type: {CB: breaker, DCDC: converter, PV: source, BATT: storage, BUS: bus}}
    units: {Rating: W}               # what the column holds; converted to the unit of the field
    skip: {Status: [deleted, spare]} # rows to leave out; they are listed
    blank: ["-", "n/a"]              # what stands for an empty cell
  - file: loads.csv
    holds: loads
    columns: {id: Load, demand_kw: Demand, severity: Severity}
    units: {Demand: W}
  - file: wires.xlsx
    sheet: W1
    holds: links                     # with an id a wire is a cable that can fail, without one a plain link
    columns: {id: Wire, from: From, to: To, length_m: Length, gauge_awg: Gauge}
    units: {Length: ft}
    pin_separator: ":"               # CV-1:3 is pin 3 of CV-1
"""
