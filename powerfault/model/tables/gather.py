"""Which topology do the lists amount to, and where do they disagree? Nothing that a list says is dropped unsaid.

Every value remembers the row it came from, so that the comments of the result and every problem, those of the whole
topology too, name file, sheet and row. Where two lists give one field two values neither is taken, until ``decide``
says which: a rating read wrongly is worse than a file that is not written.
"""

from __future__ import annotations

import fnmatch
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

from powerfault.errors import Line, ModelError, Problem, nearest
from powerfault.model.expansion import expand
from powerfault.model.places import ID, ID_RULE, describe, printable, shorten
from powerfault.model.reader import FORMAT_VERSION, read_document
from powerfault.model.tables.cells import CellError, as_text, cell_value
from powerfault.model.tables.description import HOLDS, Description, ListDescription, read_description
from powerfault.model.tables.sheets import Sheet, Wrong, read_sheet
from powerfault.model.yaml_lines import parse_yaml
from powerfault.model.yaml_text import yaml_text

MADE_BY = "# made by 'powerfault gather'"
_ORDER = float("inf")


@dataclass
class Element:
    """A component, load or function: each field with its value and where it was read."""

    holds: str
    order: float
    places: list[str] = field(default_factory=list)
    values: dict[str, tuple[Any, str]] = field(default_factory=dict)

    def data(self) -> dict[str, Any]:
        return {name: value for name, (value, _) in self.values.items()}

    def comment(self) -> str:
        by_place: dict[str, list[str]] = {}
        for name, (_, place) in self.values.items():
            by_place.setdefault(place, []).append(name)
        if len(by_place) <= 1:
            return "; ".join(by_place) or "; ".join(self.places)
        return "; ".join(f"{', '.join(names)}: {place}" for place, names in by_place.items())


@dataclass
class Wire:
    """A link as its row says it: ``chain`` of ids from end to end."""

    chain: tuple[str, ...]
    both: bool
    order: float
    place: str

    def line(self) -> str:
        return (" <-> " if self.both else " -> ").join(self.chain)


@dataclass
class Gathered:
    """``disagreements`` need a decision, ``notes`` only a reader; ``problems`` are what is wrong with the whole."""

    text: str
    counts: dict[str, int]
    disagreements: list[Problem]
    notes: list[Problem]
    problems: list[Problem]


def gather(path: str | os.PathLike[str], target: str = "system.yaml") -> Gathered:
    """Gather the lists that the file at ``path`` describes; ``target`` is where the result will stand.

    Raises :class:`ModelError` with all cells, rows and lists that could not be read.
    """
    description = read_description(path)
    work = _Gathering(description)
    for of in description.lists:
        work.read(of)
    if work.problems:
        raise ModelError(work.problems)
    work.decide()
    work.collapse()
    work.connect()
    return work.result(os.fspath(path), target)


class _Gathering:
    def __init__(self, description: Description) -> None:
        self.description = description
        self.elements: dict[str, Element] = {}
        self.wires: list[Wire] = []
        self.problems: list[Problem] = []
        self.disagreements: list[Problem] = []
        self.notes: list[Problem] = []
        self.undecided: dict[tuple[str, str], list[tuple[Any, str]]] = {}
        self.named_in: dict[str, set[str]] = {}

    # Rows.

    def read(self, of: ListDescription) -> None:
        try:
            sheet = read_sheet(of)
        except ModelError as error:
            self.problems.extend(error.problems)
            return
        self.problems.extend(sheet.problems)
        if sheet.problems:
            return
        unread = [t for t in sheet.titles if t not in of.columns.values() and t not in of.skip]
        if unread:
            self.notes.append(Problem(sheet.shown, 0, 0, "", f"columns not read: {printable(', '.join(unread))}"))
        skipped: dict[str, list[int]] = {}
        for row, cells in sheet.rows:
            why = self.skipped(of, row, cells)
            if why:
                skipped.setdefault(why, []).append(row)
            else:
                self.row(of, sheet, row, cells)
        for why, rows in skipped.items():
            listed = ", ".join(map(str, rows[:50])) + (f" and {len(rows) - 50} more" if len(rows) > 50 else "")
            self.notes.append(Problem(sheet.shown, 0, 0, "", printable(f"skipped as described ({why}): rows {listed}")))

    def skipped(self, of: ListDescription, row: int, cells: Mapping[str, Any]) -> str:
        if row in of.skip_rows:
            return "named under skip_rows"
        for title, words in of.skip.items():
            cell = cells.get(title)
            if cell is not None and not isinstance(cell, Wrong) and as_text(cell).strip() in words:
                return f"{title} is {as_text(cell).strip()}"
        return ""

    def row(self, of: ListDescription, sheet: Sheet, row: int, cells: Mapping[str, Any]) -> None:
        read: dict[str, Any] = {}
        good = True
        for name, title in of.columns.items():
            try:
                words = of.words.get(title, {})
                value = cell_value(cells.get(title), HOLDS[of.holds][name], words, of.units.get(title), of.blank)
            except CellError as error:
                self.problems.append(sheet.problem(row, title, str(error)))
                good = False
                continue
            if value is not None and name in ("from", "to") and of.pin_separator:
                value = value.split(of.pin_separator)[0].strip()
            if value is not None and name in ("id", "from", "to") and not ID.match(value):
                self.problems.append(sheet.problem(row, title, f"{shorten(value)!r} is no id: {ID_RULE}"))
                good = False
            if value is not None:
                read[name] = value
        needed = ("from", "to") if of.holds == "links" else ("id",)
        for name in needed:
            if name not in read and good:
                message = (
                    f"expected an id, found nothing; {'a wire has two ends' if name != 'id' else 'or skip the row'}"
                )
                self.problems.append(sheet.problem(row, of.columns[name], message))
                good = False
        if good:
            self.keep(of, f"{sheet.shown}, row {row}", {**of.fixed, **read})

    def keep(self, of: ListDescription, place: str, read: dict[str, Any]) -> None:
        order = float(read.pop("order", _ORDER))
        if of.holds == "links":
            ends = (read.pop("from"), read.pop("to"))
            both = bool(read.pop("both_ways", of.both_ways))
            id_ = read.pop("id", None)
            chain = ends if id_ is None else (ends[0], id_, ends[1])
            self.wires.append(Wire(chain, both, order, place))
            if id_ is None:
                for name in read:
                    message = f"gives {name} of a link that has no id; give the wire an id, or leave {name} out"
                    self.problems.append(Problem(place, 0, 0, "", message))
                return
            read.setdefault("kind", "cable")
            self.element("components", id_, order, place, read, of.shown)
        else:
            self.element(of.holds, read.pop("id"), order, place, read, of.shown)

    def element(self, holds: str, id_: str, order: float, place: str, read: dict[str, Any], source: str) -> None:
        element = self.elements.setdefault(id_, Element(holds, order))
        element.order = min(element.order, order)
        if element.holds != holds:
            message = f"{id_} is listed under {holds} here and under {element.holds} in {element.places[0]}"
            self.disagreements.append(Problem(place, 0, 0, id_, message + "; rename one or skip a row"))
            return
        if source in self.named_in.get(id_, ()):
            self.notes.append(Problem(place, 0, 0, id_, f"is listed before in the same list ({element.places[-1]})"))
        self.named_in.setdefault(id_, set()).add(source)
        element.places.append(place)
        for name, value in read.items():
            known = element.values.get(name)
            if known is None:
                element.values[name] = (value, place)
            elif known[0] != value:
                self.undecided.setdefault((id_, name), [known]).append((value, place))

    # The whole.

    def decide(self) -> None:
        """Take what ``decide`` says; leave out and list what lists disagree about."""
        used = set()
        for (id_, name), given in self.undecided.items():
            key = f"{id_}.{name}"
            if key in self.description.decide:
                used.add(key)
                values = self.elements[id_].values
                values[name] = (self.description.decide[key], f"decided in {self.description.findings.file}")
                continue
            del self.elements[id_].values[name]
            others = "; ".join(f"{_said(value)} in {place}" for value, place in given[1:])
            message = f"{_said(given[0][0])} here, but {others}; correct a list, or write decide: {{{key}: ...}}"
            self.disagreements.append(Problem(given[0][1], 0, 0, key, printable(message)))
        for key in self.description.decide:
            if key not in used:
                known = [f"{i}.{n}" for i, n in self.undecided]
                found = self.description.findings.place(
                    f"decide.{key}", f"the lists do not disagree about it{nearest(key, known)}"
                )
                self.notes.append(found)

    def collapse(self) -> None:
        """Join the links at pins and splices into links between what they lead to."""
        patterns = self.description.collapse
        if not patterns:
            return
        ends = {end for wire in self.wires for end in (wire.chain[0], wire.chain[-1])}
        points = sorted(id_ for id_ in {*ends, *self.elements} if any(fnmatch.fnmatchcase(id_, p) for p in patterns))
        for pattern in patterns:
            if not any(fnmatch.fnmatchcase(point, pattern) for point in points):
                self.notes.append(self.description.findings.place("collapse", f"no id matches {shorten(pattern)!r}"))
        for point in points:
            at = [wire for wire in self.wires if point in (wire.chain[0], wire.chain[-1])]
            joined = [way for one, other in combinations(at, 2) for way in _through(point, one, other)]
            if not joined:
                places = [wire.place for wire in at] or self.elements[point].places
                message = "is to be collapsed, but nothing passes through it"
                self.disagreements.append(Problem(places[0], 0, 0, point, message))
            else:
                places = [wire.place for wire in at]
                links = f"{len(joined)} link{'s' if len(joined) != 1 else ''}"
                self.notes.append(Problem("; ".join(places), 0, 0, point, f"collapsed into {links}"))
            self.wires = [wire for wire in self.wires if wire not in at] + joined
            self.elements.pop(point, None)

    def connect(self) -> None:
        """Turn wires that end at loads into ``fed_by``; list wires to nowhere and ids without wires."""
        known = self.by_hand() | self.elements
        linked: set[str] = set()
        kept: list[Wire] = []
        for wire in self.wires:
            lost = [end for end in (wire.chain[0], wire.chain[-1]) if end not in known]
            linked.update(wire.chain)
            for end in lost:
                hint = nearest(end, known)
                message = f"leads to {end}, which is in no list of components or loads{hint}"
                self.disagreements.append(Problem(wire.place, 0, 0, " ".join(wire.chain[1:-1]), message))
            if lost:
                continue
            first, last = known[wire.chain[0]], known[wire.chain[-1]]
            if last.holds == "components" and first.holds == "components":
                kept.append(wire)
            elif last.holds == "loads" and first.holds == "components":
                self.feed(wire, wire.chain[-1], wire.chain[:-1], kept)
            elif first.holds == "loads" and last.holds == "components" and wire.both:
                self.feed(wire, wire.chain[0], wire.chain[:0:-1], kept)
            else:
                message = f"runs from {first.holds} to {last.holds}; power flows between components and into loads"
                self.disagreements.append(Problem(wire.place, 0, 0, wire.line(), message))
        self.wires = kept
        for id_, element in self.elements.items():
            named = element.holds == "functions" or id_ in linked or "fed_by" in element.values
            if not named:
                what = "load has no feed" if element.holds == "loads" else "component is in no wire"
                self.notes.append(Problem(element.places[0], 0, 0, id_, f"this {what} of any list"))

    def by_hand(self) -> dict[str, Element]:
        """The components of the files that the description includes: written by hand, and ends of wires as well."""
        if not self.description.include:
            return {}
        file = os.path.join(self.description.folder, "included")
        document = parse_yaml(yaml_text({"include": list(self.description.include)}), file)
        try:
            expand(document, b"")
        except ModelError:
            return {}  # said, with its place, when the whole is checked
        components = document.data.get("components")
        return {i: Element("components", 0) for i in components} if isinstance(components, dict) else {}

    def feed(self, wire: Wire, load: str, chain: tuple[str, ...], kept: list[Wire]) -> None:
        values = self.elements[load].values
        before, place = values.get("fed_by", ([], wire.place))
        if chain[-1] not in before:
            values["fed_by"] = ([*before, chain[-1]], place if place == wire.place else f"{place}; {wire.place}")
        if len(chain) > 1:
            kept.append(Wire(chain, False, wire.order, wire.place))

    def result(self, source: str, target: str) -> Gathered:
        data: dict[str, Any] = {"powerfault": FORMAT_VERSION}
        description = self.description
        data |= {k: v for k, v in (("name", description.name), ("about", description.about)) if v is not None}
        folder = os.path.dirname(target)
        if description.include:
            names = [os.path.relpath(os.path.join(description.folder, n), folder or ".") for n in description.include]
            data["include"] = names
        comments: dict[str, str] = {}
        counts: dict[str, int] = {}
        ordered = sorted(self.elements.items(), key=lambda item: item[1].order)
        wires = sorted(self.wires, key=lambda wire: wire.order)
        for section in ("components", "loads", "functions"):
            part = {id_: element.data() for id_, element in ordered if element.holds == section}
            if part:
                data[section] = part
                comments |= {f"{section}.{i}": e.comment() for i, e in ordered if e.holds == section}
            counts[section] = len(part)
            if section == "components" and wires:
                data["feeds"] = [wire.line() for wire in wires]
                comments |= {f"feeds[{n}]": wire.place for n, wire in enumerate(wires)}
        counts["links"] = len(wires)
        listed = [f"# not decided: {p}" for p in self.disagreements] + [f"# note: {p}" for p in self.notes]
        head = f"{MADE_BY} from {printable(os.path.basename(source))}: change the lists and gather again.\n"
        text = head + yaml_text(data, comments) + "".join(f"{' '.join(line.split())}\n" for line in listed)
        problems = self.check(text, target)
        return Gathered(text, counts, self.disagreements, self.notes, problems)

    def check(self, text: str, target: str) -> list[Problem]:
        """What is wrong with the whole, each problem at the row that it comes from."""
        try:
            document = parse_yaml(text, target)
            read_document(document, expand(document, text.encode("utf-8")))
        except ModelError as error:
            return [self.placed(problem) for problem in error.problems]
        return []

    def placed(self, problem: Problem) -> Problem:
        section, _, rest = problem.path.partition(".")
        if isinstance(problem.line, Line):
            return problem
        if section in HOLDS and section != "links":
            for id_ in sorted(
                (i for i in self.elements if rest == i or rest.startswith(f"{i}.")), key=len, reverse=True
            )[:1]:
                element = self.elements[id_]
                name = rest[len(id_) + 1 :].split(".")[0].split("[")[0]
                place = element.values[name][1] if name in element.values else "; ".join(element.places)
                return Problem(place, 0, 0, rest, problem.message)
        if section.startswith("feeds["):
            wires = sorted(self.wires, key=lambda wire: wire.order)
            wire = wires[int(section[6:].rstrip("]"))]
            return Problem(wire.place, 0, 0, wire.line(), problem.message)
        return problem


def _through(point: str, one: Wire, other: Wire) -> list[Wire]:
    """The links that two wires make through a point at which both end: one both ways, or one each way there is."""
    order, place = min(one.order, other.order), f"{one.place}; {other.place}"
    into = [w.chain if w.chain[-1] == point else w.chain[::-1] for w in (one, other)]
    if into[0][0] == into[1][0]:
        return []  # two wires from one place: nothing passes from there to there
    if one.both and other.both:
        return [Wire(into[0][:-1] + into[1][-2::-1], True, order, place)]
    found = []
    for (first, chain), (second, way) in (((one, into[0]), (other, into[1])), ((other, into[1]), (one, into[0]))):
        arrives = first.both or first.chain[-1] == point
        leaves = second.both or second.chain[0] == point
        if arrives and leaves:
            found.append(Wire(chain[:-1] + way[-2::-1], False, order, place))
    return found


def _said(value: Any) -> str:
    return describe(value) if isinstance(value, dict | list) else shorten(as_text(value))
