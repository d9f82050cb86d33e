"""What does the file say, and where? YAML text to plain data, with the line and column of every value.

A general YAML loader silently keeps the last of two equal keys, reads ``off`` as false, ``012`` as ten and ``12:30``
as 750, expands aliases without limit and forgets where a value stood. So the data is built here from the stream of
parse events, without recursion: scalars by the core schema of YAML 1.2 (https://yaml.org/spec/1.2.2/, section 10.3.2),
keys as text and once each, no anchors, aliases or tags, one document, and bounded size, depth and count of values.

This is the only module that imports the ``yaml`` library.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from powerfault.errors import ModelError, Problem

MAX_BYTES = 20_000_000
MAX_DEPTH = 40
MAX_VALUES = 1_000_000

Position = tuple[int, int]
"""Line and column, both from 1."""

_NULL = frozenset(("", "~", "null", "Null", "NULL"))
_TRUE = frozenset(("true", "True", "TRUE"))
_FALSE = frozenset(("false", "False", "FALSE"))
_INTEGER = re.compile(r"[-+]?[0-9]+\Z")
_BASED = re.compile(r"0o[0-7]+\Z|0x[0-9a-fA-F]+\Z")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?\Z")
_SPECIAL = re.compile(r"(?:[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN))\Z")
_NOT_TEXT = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_LONGEST_INTEGER = 40  # digits; beyond it a float is as good, and huge integers are slow to read


class ZeroPadded(int):
    """A whole number written with a leading zero (``00``, ``012``), which YAML versions read differently."""

    text: str

    def __new__(cls, text: str) -> ZeroPadded:
        made = super().__new__(cls, text if len(text) <= _LONGEST_INTEGER else "0")
        made.text = text
        return made


@dataclass(slots=True)
class Document:
    """Plain data of one file. ``values`` and ``keys`` map a path such as ``loads.FAN-1.fed_by[0]`` to its position."""

    file: str
    data: Any = None
    values: dict[str, Position] = field(default_factory=dict)
    keys: dict[str, Position] = field(default_factory=dict)


def child(path: str, key: str) -> str:
    """The path of the entry ``key`` of the mapping at ``path``.

    >>> child("loads", "FAN-1"), child("", "name")
    ('loads.FAN-1', 'name')
    """
    return f"{path}.{key}" if path else key


def read_bytes(source: str | os.PathLike[str]) -> tuple[str, bytes]:
    """Return the name to show and the content of a file, or of standard input for ``-``.

    Raises :class:`ModelError` if it cannot be read or is larger than :data:`MAX_BYTES`.
    """
    name = os.fspath(source)
    shown = "<standard input>" if name == "-" else name
    try:
        if name == "-":
            content = sys.stdin.buffer.read(MAX_BYTES + 1)
        else:
            with open(name, "rb") as stream:
                content = stream.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise ModelError([Problem(shown, 0, 0, "", f"cannot be read: {reason}")]) from error
    if len(content) > MAX_BYTES:
        size = f"larger than {MAX_BYTES // 1_000_000} MB, the most that is read; is it a topology file?"
        raise ModelError([Problem(shown, 0, 0, "", size)])
    return shown, content


def decode(content: bytes, file: str) -> str:
    """Return the text of ``content`` (UTF-8, with or without a byte order mark), or raise :class:`ModelError`."""

    def refuse(message: str, before: bytes) -> ModelError:
        line = before.count(b"\n") + 1
        column = len(before[before.rfind(b"\n") + 1 :].decode("utf-8", "replace")) + 1
        return ModelError([Problem(file, line, column, "", message)])

    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise refuse("is written in UTF-16; save it as UTF-8", b"")
    zero = content.find(b"\0")
    if zero >= 0:
        raise refuse("is not a text file (it holds a zero byte); a topology is YAML text in UTF-8", content[:zero])
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        # With a byte order mark the decoder counts from after it.
        start = error.start + (3 if content.startswith(b"\xef\xbb\xbf") else 0)
        message = f"is not UTF-8 text (byte 0x{content[start]:02x} here); save it as UTF-8"
        raise refuse(message, content[:start]) from error


def parse_yaml(text: str, file: str) -> Document:
    """Return the data of ``text`` with the position of every value and key.

    Raises :class:`ModelError` with everything that is wrong with it as YAML.

    >>> document = parse_yaml("loads:\\n  FAN-1: {priority: 1}", "x.yaml")
    >>> document.data, document.values["loads.FAN-1.priority"]
    ({'loads': {'FAN-1': {'priority': 1}}}, (2, 21))
    """
    strange = _NOT_TEXT.search(text)
    if strange:
        before = text[: strange.start()]
        place = (before.count("\n") + 1, strange.start() - before.rfind("\n"))
        message = f"holds the control character U+{ord(strange[0]):04X}; a topology is YAML text in UTF-8"
        raise ModelError([Problem(file, *place, "", message)])
    builder = _Builder(file)
    try:
        builder.build(_events(text))
    except yaml.MarkedYAMLError as error:
        builder.refuse(error.problem_mark or error.context_mark, "", _yaml_message(error))
    except yaml.YAMLError as error:
        builder.problems.append(Problem(file, 0, 0, "", f"is not valid YAML: {error}"))
    if builder.problems:
        raise ModelError(sorted(builder.problems))
    return builder.document


def _events(text: str) -> Iterator[Any]:
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    events: Iterator[Any] = yaml.parse(text, Loader=loader)
    return events


def _yaml_message(error: yaml.MarkedYAMLError) -> str:
    said = ", ".join(part for part in (error.context, error.problem) if part)
    if "cannot start any token" in said:
        said += " (indent with spaces, never tabs; put text that begins with @, ` or % in quotes)"
    elif "mapping values are not allowed" in said:
        said += " (text that holds ': ' needs quotes; check the indentation)"
    elif "did not find expected" in said:
        said += " (check the indentation, the brackets and the commas)"
    return f"is not valid YAML: {said}"


def _scalar(text: str) -> Any:
    """The value of a plain scalar by the YAML 1.2 core schema."""
    if text in _NULL:
        return None
    first = text[0]
    if first.isalpha():
        if text in _TRUE:
            return True
        return False if text in _FALSE else text
    if _INTEGER.match(text):
        digits = text.lstrip("+-")
        if len(digits) > 1 and digits[0] == "0":
            return ZeroPadded(text)
        return int(text) if len(text) <= _LONGEST_INTEGER else float(text)
    if _FLOAT.match(text):
        return float(text)
    if _BASED.match(text) and len(text) <= _LONGEST_INTEGER:
        return int(text, 0)
    if _SPECIAL.match(text):
        return float(text.replace(".", ""))
    return text


class _Builder:
    """Builds the data of a document from its parse events; a list of open containers stands in for recursion."""

    def __init__(self, file: str) -> None:
        self.document = Document(file)
        self.problems: list[Problem] = []
        self.count = 0

    def refuse(self, mark: Any, path: str, message: str) -> None:
        line, column = (mark.line + 1, mark.column + 1) if mark else (0, 0)
        self.problems.append(Problem(self.document.file, line, column, path, message))

    def build(self, events: Iterator[Any]) -> None:
        document = self.document
        values, keys = document.values, document.keys
        # One entry for each open container: [container, path, key waited for its value, position of that key].
        stack: list[list[Any]] = []
        documents = 0
        skip_depth = 0  # > 0 within a key that is a list or mapping: already refused, and passed over
        for event in events:
            kind = type(event)
            if kind is yaml.ScalarEvent or kind is yaml.SequenceStartEvent or kind is yaml.MappingStartEvent:
                self.count += 1
                if self.count > MAX_VALUES:
                    self.refuse(event.start_mark, "", f"holds more than {MAX_VALUES:,} values; that is the most read")
                    return
                if skip_depth:
                    skip_depth += kind is not yaml.ScalarEvent
                    continue
                mark = event.start_mark
                place = (mark.line + 1, mark.column + 1)
                top = stack[-1] if stack else None
                if event.anchor is not None or (event.tag is not None):
                    self.refuse_marker(event, top)
                if top is not None and type(top[0]) is dict and top[2] is None:
                    if kind is yaml.ScalarEvent:
                        self.take_key(event, top, place)
                    else:
                        self.refuse(mark, top[1], "a key must be text, found a list or mapping ('[', '{' or '?' here)")
                        skip_depth, top[2] = 1, ""
                    continue
                # The path of this value, and where it is shown to stand: a block collection at its key.
                shown = place
                if top is None:
                    path = ""
                elif type(top[0]) is list:
                    path = f"{top[1]}[{len(top[0])}]"
                else:
                    path = f"{top[1]}.{top[2]}" if top[1] else top[2]
                    if kind is not yaml.ScalarEvent and not event.flow_style:
                        shown = top[3]
                value: Any
                if kind is yaml.ScalarEvent:
                    text = event.value
                    if event.implicit[0] and event.tag is None:
                        value = _scalar(text)
                        if value is None and not text and top is not None and type(top[0]) is dict:
                            shown = top[3]
                    else:
                        value = text
                        if event.style == '"' and _NOT_TEXT.search(text):
                            self.refuse(mark, path, "text may not hold control characters (an escape in quotes)")
                else:
                    value = {} if kind is yaml.MappingStartEvent else []
                if top is None:
                    document.data = value
                elif type(top[0]) is list:
                    top[0].append(value)
                else:
                    top[0][top[2]] = value
                    top[2] = None
                values[path] = shown
                if kind is not yaml.ScalarEvent:
                    if len(stack) >= MAX_DEPTH:
                        self.refuse(mark, path[:80], f"is nested more than {MAX_DEPTH} deep; a topology needs far less")
                        return
                    stack.append([value, path, None, place])
            elif kind is yaml.SequenceEndEvent or kind is yaml.MappingEndEvent:
                if skip_depth:
                    skip_depth -= 1
                    continue
                stack.pop()
            elif kind is yaml.AliasEvent:
                top = stack[-1] if stack else None
                self.refuse(event.start_mark, top[1] if top else "",
                            f"aliases are not read (*{event.anchor}); write the value out")  # fmt: skip
                if top is not None and not skip_depth:
                    if type(top[0]) is list:
                        top[0].append(None)
                    else:
                        top[2] = "" if top[2] is None else None
            elif kind is yaml.DocumentStartEvent:
                documents += 1
                if documents > 1:
                    self.refuse(event.start_mark, "", "a second document begins ('---'); a file holds one topology")
                    return
        keys.pop("", None)

    def refuse_marker(self, event: Any, top: list[Any] | None) -> None:
        path = top[1] if top else ""
        if event.anchor is not None:
            self.refuse(event.start_mark, path, f"anchors are not read (&{event.anchor}); write the value out")
        if event.tag is not None:
            self.refuse(event.start_mark, path, f"tags are not read ({event.tag[:60]}); write the plain value")

    def take_key(self, event: Any, top: list[Any], place: Position) -> None:
        """Make the scalar ``event`` the key that waits for its value in the innermost mapping."""
        container, path = top[0], top[1]
        key = event.value
        plain = _scalar(key) if event.implicit[0] else key
        if not isinstance(plain, str):
            said = {bool: "a boolean", type(None): "nothing"}.get(type(plain), "a number")
            self.refuse(event.start_mark, path, f"a key must be text, found {said} ({key[:60]!r}); put it in quotes")
        elif event.style == '"' and _NOT_TEXT.search(key):
            self.refuse(event.start_mark, path, "a key may not hold control characters (an escape in quotes)")
        full = child(path, key)
        if key in container:
            line = self.document.keys[full][0]
            self.refuse(event.start_mark, full[:200], f"is given twice (first in line {line}); remove or rename one")
        else:
            self.document.keys[full] = place
        top[2], top[3] = key, place
