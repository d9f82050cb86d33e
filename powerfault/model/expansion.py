"""Which one file do several files and patterns amount to? ``include``, ``patterns`` and ``use``, before any check.

Included files are read in the order given (a glob in order of name) and their sections are put together: mappings by
key, lists one after the other; what is given twice is an error that names both places. A pattern is a part of a
topology with named parameters, ``{name}`` in its ids and texts; each use gives one copy. A value that is exactly
``{name}`` takes the value given, of whatever type. There are no loops and no expressions.

Every value keeps the place where it was written: its line is a :class:`powerfault.errors.Line`, which names the
included file, and for a pattern the use as well.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from typing import Any

from powerfault.errors import Line, ModelError, Problem, nearest
from powerfault.model.places import Position, describe, position_of, printable, shorten
from powerfault.model.yaml_lines import Document, ZeroPadded, decode, parse_yaml, read_bytes

HERE = ("include", "patterns", "use")
MAX_FILES = 1000
MAX_COPIES = 10_000
_PLACEHOLDER = re.compile(r"\{([A-Za-z_][A-Za-z0-9_]*)\}")
_STEP = re.compile(r"[.\[]")


def expand(document: Document, content: bytes) -> bytes:
    """Put what ``document`` includes and uses into it; return ``content`` and the bytes of all included files.

    Raises :class:`ModelError` with all that is wrong.
    """
    if not isinstance(document.data, dict) or not any(name in document.data for name in HERE):
        return content
    expansion = _Expansion(document, content)
    expansion.run()
    return b"".join(expansion.contents)


class _Expansion:
    def __init__(self, document: Document, content: bytes) -> None:
        self.document = document
        self.contents = [content]
        self.problems: list[Problem] = []
        self.seen = {os.path.realpath(document.file)}
        self.copies = 0
        self.written: dict[str, list[list[tuple[str, Position]]]] = {}
        """The places of what each pattern used holds, values and keys, by path within the pattern."""

    def problem(self, path: str, message: str) -> None:
        line, column = position_of(path, self.document.values)
        where = printable(shorten(path, 300))
        self.problems.append(Problem(self.document.file, line, column, where, printable(message)))

    def run(self) -> None:
        data = self.document.data
        self.include("include", data.pop("include", None), os.path.dirname(self.document.file))
        self.raise_any()
        patterns = data.pop("patterns", None) or {}
        uses = data.pop("use", None) or []
        if not isinstance(patterns, dict):
            self.problem("patterns", f"expected a mapping of patterns by name, found {describe(patterns)}")
        elif not isinstance(uses, list):
            self.problem("use", f"expected a list of {{pattern, as, with}}, found {describe(uses)}")
        else:
            read = {name: self.pattern(name, body) for name, body in patterns.items()}
            for number, use in enumerate(uses):
                self.use(f"use[{number}]", use, read, patterns)
        self.raise_any()

    def raise_any(self) -> None:
        if self.problems:
            raise ModelError(sorted(set(self.problems)))

    # Files.

    def include(self, path: str, names: Any, folder: str) -> None:
        """Read the files that ``names`` names; their own ``include`` is followed from their own folder."""
        if names is None:
            return
        if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
            self.problem(path, "expected a list of file names such as [wires.yaml, channels/*.yaml]")
            return
        import glob  # as heavy as all of validate's other needs together, and seldom wanted

        for number, name in enumerate(names):
            here = f"{path}[{number}]"
            wanted = os.path.join(folder, name)
            found = sorted(glob.glob(wanted)) if glob.has_magic(name) else [wanted]
            if not found:
                self.problem(here, f"no file matches {shorten(name)!r}")
            for file in found:
                if os.path.realpath(file) in self.seen:
                    self.problem(here, f"{shorten(file)} is included already; include each file once")
                elif len(self.seen) >= MAX_FILES:
                    self.problem(here, f"more than {MAX_FILES} files, the most that are read")
                    return
                else:
                    self.seen.add(os.path.realpath(file))
                    self.file(here, file)

    def file(self, path: str, file: str) -> None:
        try:
            shown, content = read_bytes(file)
            part = parse_yaml(decode(content, shown), shown)
        except ModelError as error:
            self.problems.extend(error.problems)
            self.problem(path, f"the file {shorten(file)} included here cannot be read")
            return
        self.contents.append(content)
        data = part.data
        if data is None:
            return
        if not isinstance(data, dict):
            self.problem(path, f"expected {shorten(file)} to hold a mapping of fields, found {describe(data)}")
            return
        if data.pop("powerfault", 1) != 1:
            line, column = part.values["powerfault"]
            self.problems.append(Problem(file, line, column, "powerfault", "expected 1, the only format version read"))
        inner = data.pop("include", None)
        self.document.notices.extend(part.notices)
        self.take(data, part.values, part.keys, lambda at: (Line(at[0], file), at[1]))
        if inner is not None:
            own = f"{path}.{file}.include"  # a path of its own, so that its problems are shown in that file
            for name, at in part.values.items():
                if name.startswith("include"):
                    self.document.values[own + name[7:]] = (Line(at[0], file), at[1])
            self.include(own, inner, os.path.dirname(file))

    # Patterns.

    def pattern(self, name: str, body: Any) -> dict[str, Any] | None:
        """The parameters of a pattern with their defaults (``None``: must be given); ``None`` where it is wrong."""
        path = f"patterns.{name}"
        if not isinstance(body, dict):
            self.problem(path, f"expected the sections of a topology and its parameters, found {describe(body)}")
            return None
        for section in body:
            if section in (*HERE, "powerfault", "name", "about", "patterns"):
                self.problem(f"{path}.{section}", f"a pattern holds no {section}")
        given = body.get("parameters")
        listed = dict.fromkeys(given) if isinstance(given, list) and all(isinstance(p, str) for p in given) else given
        if not isinstance(listed, dict) or not listed:
            self.problem(f"{path}.parameters", "expected a list of names, or a mapping of names with their defaults")
            return None
        for parameter, value in listed.items():
            if not _PLACEHOLDER.fullmatch(f"{{{parameter}}}") or parameter == "as":
                self.problem(
                    f"{path}.parameters", f"{shorten(parameter)!r} is no name: letters, digits and '_', not 'as'"
                )
            if isinstance(value, dict | list):
                self.problem(f"{path}.parameters.{parameter}", f"expected text or a number, found {describe(value)}")
        known = {*listed, "as"}
        for at, text in _texts(body, path):
            for word in _PLACEHOLDER.findall(text):
                if word not in known and not at.startswith(f"{path}.parameters"):
                    self.problem(at, f"{{{word}}} is no parameter of the pattern {name}{nearest(word, known)}")
        return listed

    def use(self, path: str, use: Any, read: dict[str, dict[str, Any] | None], patterns: dict[str, Any]) -> None:
        if not isinstance(use, dict):
            self.problem(path, f"expected {{pattern, as, with}}, found {describe(use)}")
            return
        for key in use:
            if key not in ("pattern", "as", "with"):
                self.problem(f"{path}.{key}", f"unknown field of a use{nearest(key, ('pattern', 'as', 'with'))}")
        name, label, copies = use.get("pattern"), use.get("as"), use.get("with")
        if not isinstance(name, str) or name not in patterns:
            hint = nearest(name, patterns) if isinstance(name, str) else ""
            self.problem(f"{path}.pattern", f"expected the name of a pattern, found {describe(name)}{hint}")
            return
        parameters = read[name]
        if parameters is None:
            return
        if label is not None and not isinstance(label, str):
            self.problem(f"{path}.as", f"expected text such as '{{{next(iter(parameters))}}}', found {describe(label)}")
            return
        if not isinstance(copies, list) or not copies:
            self.problem(f"{path}.with", "expected a list with the parameters of each copy: [{ch: H}, {ch: T}]")
            return
        taken: set[str] = set()
        for number, values in enumerate(copies):
            self.copies += 1
            if self.copies > MAX_COPIES:
                self.problem(path, f"more than {MAX_COPIES:,} copies, the most that are made")
                return
            here = f"{path}.with[{number}]"
            given = self.parameters(here, name, values, parameters)
            if given is None:
                continue
            called = str(_fill(label, given, True)) if label else ", ".join(_word(given[p]) for p in parameters)
            if called in taken:
                self.problem(here, f"there are two copies of {name} called {shorten(called)!r}; tell them apart")
            taken.add(called)
            self.copy(here, name, patterns[name], {**given, "as": called})

    def parameters(self, path: str, name: str, values: Any, wanted: dict[str, Any]) -> dict[str, Any] | None:
        if not isinstance(values, dict):
            self.problem(path, f"expected the parameters {', '.join(wanted)} of {name}, found {describe(values)}")
            return None
        good = True
        for key, value in values.items():
            if key not in wanted:
                self.problem(
                    f"{path}.{key}", f"the pattern {name} has no parameter {shorten(key)!r}{nearest(key, wanted)}"
                )
                good = False
            elif isinstance(value, dict | list):
                self.problem(f"{path}.{key}", f"expected text or a number, found {describe(value)}")
                good = False
        given = {p: values.get(p) if values.get(p) is not None else default for p, default in wanted.items()}
        for parameter in (p for p, value in given.items() if value is None):
            self.problem(path, f"the pattern {name} needs {parameter}, which is not given")
            good = False
        return given if good else None

    def copy(self, path: str, name: str, body: dict[str, Any], given: dict[str, Any]) -> None:
        line, column = position_of(path, self.document.values)
        note = f"pattern {name} as {given['as']}, used at {getattr(line, 'file', self.document.file)}:{line}:{column}"
        root = f"patterns.{name}."
        if name not in self.written:
            self.written[name] = [
                [(at[len(root) :], place) for at, place in positions.items() if at.startswith(root)]
                for positions in (self.document.values, self.document.keys)
            ]
        values, keys = ({str(_fill(at, given, True)): p for at, p in found} for found in self.written[name])
        data = {section: part for section, part in body.items() if section != "parameters"}
        filled = self.filled(data, given, root[:-1])
        file = self.document.file
        self.take(filled, values, keys, lambda at: (Line(at[0], getattr(at[0], "file", file), note), at[1]))

    def filled(self, data: Any, given: dict[str, Any], path: str) -> Any:
        if isinstance(data, dict):
            out: dict[str, Any] = {}
            for key, value in data.items():
                name = str(_fill(key, given, as_text=True))
                if name in out:
                    self.problem(f"{path}.{key}", f"becomes {shorten(name)!r}, which the same copy holds already")
                out[name] = self.filled(value, given, f"{path}.{key}")
            return out
        if isinstance(data, list):
            return [self.filled(item, given, f"{path}[{n}]") for n, item in enumerate(data)]
        return _fill(data, given) if isinstance(data, str) else data

    # Putting together.

    def take(
        self, data: dict[str, Any], values: dict[str, Position], keys: dict[str, Position],
        place: Callable[[Position], Position],
    ) -> None:  # fmt: skip
        """Add the sections ``data`` to the document; ``values`` and ``keys`` are their places, seen by ``place``."""
        moved: dict[str, str] = {}
        for section, part in data.items():
            self.join(self.document.data, section, part, section, 0, moved, (values, place))
        for positions, target in ((values, self.document.values), (keys, self.document.keys)):
            for path, at in positions.items():
                target.setdefault(_moved(path, moved), place(at))

    def join(
        self, holder: dict[str, Any], key: str, part: Any, path: str, depth: int, moved: dict[str, str],
        source: tuple[dict[str, Position], Callable[[Position], Position]],
    ) -> None:  # fmt: skip
        there = holder.get(key)
        if there is None:
            holder[key] = part
        elif part is None:
            pass
        elif isinstance(there, dict) and isinstance(part, dict) and depth == 0:
            for name, value in part.items():
                self.join(there, name, value, f"{path}.{name}", 1, moved, source)
        elif isinstance(there, list) and isinstance(part, list):
            for number in range(len(part)):
                moved[f"{path}[{number}]"] = f"{path}[{len(there) + number}]"
            there.extend(part)
        else:
            values, place = source
            line, column = place(position_of(path, values))
            first = self.document.keys.get(path) or position_of(path, self.document.values)
            where = f"{getattr(first[0], 'file', self.document.file)}:{first[0]}"
            message = f"is given twice (first in {where}); remove or rename one"
            self.problems.append(Problem(self.document.file, line, column, printable(shorten(path, 300)), message))


def _moved(path: str, moved: dict[str, str]) -> str:
    """``path`` with the number of a list's item changed as ``moved`` says."""
    if not moved:
        return path
    for cut in (m.start() for m in _STEP.finditer(path)):
        head = path[:cut]
        if head in moved:
            return moved[head] + path[cut:]
    return moved.get(path, path)


def _texts(data: Any, path: str) -> Iterator[tuple[str, str]]:
    if isinstance(data, dict):
        for key, value in data.items():
            yield f"{path}.{key}", key
            yield from _texts(value, f"{path}.{key}")
    elif isinstance(data, list):
        for number, item in enumerate(data):
            yield from _texts(item, f"{path}[{number}]")
    elif isinstance(data, str):
        yield path, data


def _word(value: Any) -> str:
    """A parameter's value inside a text.

    >>> _word(True), _word(2.5), _word("H")
    ('true', '2.5', 'H')
    """
    if isinstance(value, bool):
        return str(value).lower()
    return value.text if isinstance(value, ZeroPadded) else str(value)


def _fill(text: str, given: dict[str, Any], as_text: bool = False) -> Any:
    """``text`` with its parameters put in; a text that is one parameter and nothing else becomes its value.

    >>> _fill("{kw}", {"kw": 6}), _fill("BUS-{ch}", {"ch": "H"}), _fill("{left}", {})
    (6, 'BUS-H', '{left}')
    """
    alone = _PLACEHOLDER.fullmatch(text)
    if alone and alone[1] in given and not as_text:
        return given[alone[1]]
    return _PLACEHOLDER.sub(lambda m: _word(given[m[1]]) if m[1] in given else m[0], text)
