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
from typing import Any

import yaml
from yaml.events import (
    AliasEvent,
    DocumentEndEvent,
    DocumentStartEvent,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)
from yaml.reader import Reader

from powerfault.errors import ModelError, Problem
from powerfault.files import note_read
from powerfault.model.places import Position, printable, shorten

MAX_BYTES = 20_000_000
MAX_DEPTH = 40
MAX_VALUES = 1_000_000

_NULL = frozenset(("", "~", "null", "Null", "NULL"))
_TRUE = frozenset(("true", "True", "TRUE"))
_FALSE = frozenset(("false", "False", "FALSE"))
_WORDS = _NULL | _TRUE | _FALSE
_BOOLEANS_ELSEWHERE = frozenset(
    spelt for word in ("yes", "no", "on", "off") for spelt in (word, word.capitalize(), word.upper())
)
"""Booleans to YAML 1.1 (https://yaml.org/type/bool.html), as far as its readers agree on them; text to YAML 1.2."""
_NUMERIC = frozenset("+-.0123456789")  # what a number begins with
_INTEGER = re.compile(r"[-+]?[0-9]+\Z")
_BASED = re.compile(r"0o[0-7]+\Z|0x[0-9a-fA-F]+\Z")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?\Z")
_SPECIAL = re.compile(r"(?:[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN))\Z")
# What YAML 1.2 (5.1) does not count as printable; compiling this class anew would cost milliseconds at start-up.
_NOT_TEXT = Reader.NON_PRINTABLE
_LONGEST_INTEGER = 40  # digits; beyond it a float is as good, and huge integers are slow to read


class ZeroPadded(int):
    """A whole number written with a leading zero (``00``, ``012``), which YAML versions read differently."""

    text: str

    def __new__(cls, text: str) -> ZeroPadded:
        made = super().__new__(cls, text if len(text) <= _LONGEST_INTEGER else "0")
        made.text = text
        return made


class Document:
    """Plain data of one file. ``values`` and ``keys`` map a path such as ``loads.FAN-1.fed_by[0]`` to its position.

    ``notices`` are what other readers would take differently.
    """

    def __init__(self, file: str) -> None:
        self.file = file
        self.data: Any = None
        self.values: dict[str, Position] = {}
        self.keys: dict[str, Position] = {}
        self.notices: list[Problem] = []


def read_bytes(source: str | os.PathLike[str]) -> tuple[str, bytes]:
    """Return the name to show and the content of a file, or of standard input for ``-``.

    Raises :class:`ModelError` if it cannot be read or is larger than :data:`MAX_BYTES`.
    """
    name = os.fspath(source)
    shown = "<standard input>" if name == "-" else name
    try:
        if name == "-":
            note_read(sys.stdin.buffer)
            content = sys.stdin.buffer.read(MAX_BYTES + 1)
        else:
            with open(name, "rb") as stream:
                note_read(stream)
                content = stream.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise ModelError([Problem(shown, 0, 0, "", f"cannot be read: {reason}{_advice(name, error)}")]) from error
    if len(content) > MAX_BYTES:
        size = f"larger than {MAX_BYTES // 1_000_000} MB, the most that is read; is it a topology file?"
        raise ModelError([Problem(shown, 0, 0, "", size)])
    return shown, content


def _advice(name: str, error: Exception) -> str:
    """What to do about a file that cannot be read, where that is plain."""
    if isinstance(error, IsADirectoryError):
        return "; give the file in it"
    if isinstance(error, FileNotFoundError):
        import difflib  # as in nearest(): slow to import, seldom wanted

        folder, wanted = os.path.split(name)
        try:
            there = [n for n in sorted(os.listdir(folder or ".")) if n.endswith((".yaml", ".yml", ".json"))]
        except OSError:
            return f"; there is no folder {folder}"
        stems = {os.path.splitext(n)[0]: n for n in there}
        near = difflib.get_close_matches(os.path.splitext(wanted)[0], stems, n=1, cutoff=0.75)
        return f" (did you mean {printable(stems[near[0]])!r}?)" if near else ""
    return ""


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
    loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)(text)
    return iter(loader.get_event, None)


def _yaml_message(error: yaml.MarkedYAMLError) -> str:
    said = ", ".join(part for part in (error.context, error.problem) if part)
    if "cannot start any token" in said:
        said += " (indent with spaces, never tabs; put text that begins with @, ` or % in quotes)"
    elif "mapping values are not allowed" in said:
        said += " (text that holds ': ' needs quotes; check the indentation)"
    elif "did not find expected" in said:
        said += " (check the indentation, the brackets and the commas; put text that holds {name} in quotes)"
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
    if first not in _NUMERIC:
        return text
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

    def refuse(self, mark: Any, path: str, message: str) -> None:
        line, column = (mark.line + 1, mark.column + 1) if mark else (0, 0)
        where = printable(shorten(path, 300))
        self.problems.append(Problem(self.document.file, line, column, where, printable(message)))

    def notice(self, mark: Any, path: str, word: str) -> None:
        where = printable(shorten(path.lstrip("."), 300))
        message = f"{word} without quotes is text here, but a boolean to readers of YAML 1.1; put it in quotes"
        self.document.notices.append(Problem(self.document.file, mark.line + 1, mark.column + 1, where, message))

    def build(self, events: Iterator[Any]) -> None:
        """Build ``document``. The innermost open container is held in local variables, the others on a stack."""
        document = self.document
        values, keys = document.values, document.keys
        stack: list[tuple[Any, str, str, bool, Position]] = []
        holder: Any = []  # the open container; at first one that takes the document itself
        path, in_mapping = "", False
        key: str | None = None  # in a mapping, the key that waits for its value, and where it stands
        key_place: Position = (1, 1)
        documents = count = 0
        skipping = 0  # > 0 within a key that is a list or mapping: already refused, and passed over
        for event in events:
            kind = type(event)
            if kind is ScalarEvent:
                count += 1
                if skipping:
                    continue
                mark = event.start_mark
                if count > MAX_VALUES:
                    self.refuse(mark, "", f"holds more than {MAX_VALUES:,} values, the most that is read")
                    return
                place = (mark.line + 1, mark.column + 1)
                text = event.value
                plain = event.implicit[0] and event.tag is None
                if event.anchor is not None or event.tag is not None:
                    self.refuse_marker(event, path)
                if in_mapping and key is None:
                    key, key_place = text, place
                    full = f"{path}.{text}" if path else text
                    if full in keys and text in holder:
                        line = keys[full][0]
                        self.refuse(mark, full, f"is given twice (first in line {line}); remove or rename one")
                    else:
                        keys[full] = place
                    if (plain and not text[:1].isalpha()) or text in _WORDS:
                        self.check_key(event, path, plain)
                    elif plain and text in _BOOLEANS_ELSEWHERE:
                        self.notice(mark, full, text)
                    elif event.style == '"' and _NOT_TEXT.search(text):
                        self.refuse(mark, path, "a key may not hold control characters (an escape in quotes)")
                    continue
                value: Any = _scalar(text) if plain else text
                if plain and text in _BOOLEANS_ELSEWHERE:
                    self.notice(mark, f"{path}.{key}" if in_mapping else f"{path}[{len(holder)}]", text)
                if event.style == '"' and _NOT_TEXT.search(text):
                    here = f"{path}.{key}".lstrip(".") if in_mapping else path
                    self.refuse(mark, here, "text may not hold control characters (an escape in quotes)")
                if in_mapping:
                    # A value left out has no place of its own: it is shown at its key.
                    values[f"{path}.{key}" if path else key or ""] = place if text or not plain else key_place
                    holder[key] = value
                    key = None
                else:
                    values[f"{path}[{len(holder)}]" if stack else ""] = place
                    holder.append(value)
            elif kind is MappingStartEvent or kind is SequenceStartEvent:
                count += 1
                if count > MAX_VALUES:
                    self.refuse(event.start_mark, "", f"holds more than {MAX_VALUES:,} values, the most that is read")
                    return
                if skipping:
                    skipping += 1
                    continue
                mark = event.start_mark
                if event.anchor is not None or event.tag is not None:
                    self.refuse_marker(event, path)
                if in_mapping and key is None:
                    self.refuse(mark, path, "a key must be text, found a list or mapping ('[', '{' or '?' here)")
                    skipping, key = 1, ""
                    continue
                if len(stack) >= MAX_DEPTH:
                    self.refuse(mark, path, f"is nested more than {MAX_DEPTH} deep; a topology needs far less")
                    return
                made: Any = {} if kind is MappingStartEvent else []
                outer = path
                if in_mapping:
                    path = f"{path}.{key}" if path else key or ""
                    holder[key] = made
                else:
                    path = f"{path}[{len(holder)}]" if stack else ""
                    holder.append(made)
                # A block list or mapping is shown at its key, which stands in a line above it.
                place = (mark.line + 1, mark.column + 1)
                values[path] = place if event.flow_style or not in_mapping else key_place
                stack.append((holder, outer, key or "", in_mapping, key_place))
                holder, in_mapping, key = made, kind is MappingStartEvent, None
            elif kind is MappingEndEvent or kind is SequenceEndEvent:
                if skipping:
                    skipping -= 1
                    continue
                holder, path, _, in_mapping, key_place = stack.pop()
                key = None
            elif kind is AliasEvent:
                if skipping:
                    continue
                self.refuse(event.start_mark, path, f"aliases are not read (*{event.anchor[:60]}); write the value out")
                if in_mapping:
                    key = "" if key is None else None
                else:
                    holder.append(None)
            elif kind is DocumentStartEvent:
                documents += 1
                if documents > 1:
                    self.refuse(event.start_mark, "", "a second document begins ('---'); a file holds one topology")
                    return
            elif kind is DocumentEndEvent:
                document.data = holder[0]

    def refuse_marker(self, event: Any, path: str) -> None:
        if event.anchor is not None:
            name = shorten(event.anchor)
            self.refuse(event.start_mark, path, f"anchors are not read (&{name}); write the value out")
        if event.tag is not None:
            self.refuse(event.start_mark, path, f"tags are not read ({shorten(event.tag)}); write the plain value")

    def check_key(self, event: Any, path: str, plain: bool) -> None:
        """Refuse a key that is no text by the core schema."""
        key = event.value
        read = _scalar(key) if plain else key
        if not isinstance(read, str):
            said = {bool: "a boolean", type(None): "nothing"}.get(type(read), "a number")
            message = f"a key must be text, found {said} ({shorten(key)!r}); put it in quotes"
            self.refuse(event.start_mark, path, message)
