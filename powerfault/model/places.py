"""Where does a problem stand in the file? Paths, their positions, and the collection of all problems of a reading.

A path names a value: ``components.BUS-H.voltage_v``, ``feeds[3]``. In a topology to which proposals were applied the
same path may have been written elsewhere: ``Topology.origins`` maps ``components.JMP`` to
``proposals.J.add.components.JMP``, and ``links.A -> B`` to the feed line that spells the link.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from typing import Any, NamedTuple

from powerfault.errors import ModelError, Problem, nearest
from powerfault.model.elements import Link, Topology

MAX_PROBLEMS = 1000
MAX_ID_LENGTH = 200
ID = re.compile(r"[A-Za-z][A-Za-z0-9_.-]*\Z")
ID_RULE = "an id begins with a letter and holds letters, digits, '_', '.' and '-' only"
# A comparison of two long names takes about 0.1 ms; these bounds keep a file with thousands of wrong names within
# seconds. Later problems go without a suggestion.
_COMPARISONS = 30_000
_CANDIDATES = 300
_LAST_STEP = re.compile(r"(\.[^.\[\]]*|\[\d+\])\Z")

Position = tuple[int, int]
"""Line and column, both from 1."""


class Flaw(NamedTuple):
    """A problem before its place is looked up.

    ``missing`` is the id or link that it fails to find, if that is it; ``ids`` are the elements involved, if several.
    """

    path: str
    message: str
    missing: str | None = None
    ids: tuple[str, ...] = ()


def link_path(link: Link) -> str:
    """The path of a single link, to be looked up in the origins.

    >>> link_path(("BUS-H", "BRK-H1"))
    'links.BUS-H -> BRK-H1'
    """
    return f"links.{link[0]} -> {link[1]}"


def written_at(path: str, origins: Mapping[str, str]) -> str:
    """Return the path where the value at ``path`` was written in the file."""
    head = path
    while head:
        if head in origins:
            return origins[head] + path[len(head) :]
        head = _parent(head)
    return path


def position_of(path: str, positions: Mapping[str, Position]) -> Position:
    """Return line and column of ``path`` or of the nearest value around it; (0, 0) where nothing is known."""
    while path not in positions:
        if not path:
            return 0, 0
        path = _parent(path)
    return positions[path]


def _parent(path: str) -> str:
    cut = _LAST_STEP.search(path)
    return path[: cut.start()] if cut else ""


def problem_at(topology: Topology, path: str, message: str) -> Problem:
    """Return the problem ``message`` at the line and column at which ``path`` stands in the topology's file.

    ``path`` may be any path of the file (also under the top-level fields kept for later, such as
    ``open_points[0].rule``) or of the topology after proposals were applied.
    """
    where = written_at(path, topology.origins)
    return Problem(topology.file, *position_of(where, topology.positions), printable(where), printable(message))


def shorten(text: str, most: int = 60) -> str:
    """Return ``text``, cut with an ellipsis where it is longer than ``most`` characters."""
    return text if len(text) <= most else text[: most - 1] + "…"


def printable(text: str) -> str:
    """Return ``text`` with a mark in place of what no terminal should be sent: control characters, line breaks."""
    return text if text.isprintable() else "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def describe(value: Any) -> str:
    """How a message calls a value that it found.

    >>> describe(True), describe(5), describe("off"), describe([]), describe(None)
    ('true (a boolean)', 'the number 5', "text 'off'", 'a list', 'nothing')
    """
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return f"{'true' if value else 'false'} (a boolean)"
    if isinstance(value, int | float):
        return f"the number {shorten(str(getattr(value, 'text', value)))}"
    if isinstance(value, str):
        return f"text {shorten(value)!r}"
    return "a list" if isinstance(value, list) else "a mapping"


def any_of(names: Collection[str], last: str = "or") -> str:
    """Join names for a sentence.

    >>> any_of(["a", "b", "c"])
    'a, b or c'
    """
    listed = list(names)
    return listed[0] if len(listed) == 1 else f"{', '.join(listed[:-1])} {last} {listed[-1]}"


class Suggestions:
    """Nearest known names for misspelt ones, with a bound on the work that a hostile file can ask for."""

    def __init__(self) -> None:
        self._left = _COMPARISONS

    def __call__(self, name: str, known: Collection[str]) -> str:
        if self._left <= 0:
            return ""
        if len(known) > _CANDIDATES:
            known = [other for other in known if abs(len(other) - len(name)) <= 2
                     and (other[:2] == name[:2] or other[-2:] == name[-2:])][:_CANDIDATES]  # fmt: skip
        self._left -= len(known)
        return nearest(name, known)


class Findings:
    """All problems and notices of one reading; a path is turned into its position as it is reported."""

    def __init__(
        self, file: str, positions: Mapping[str, Position], keys: Mapping[str, Position] | None = None
    ) -> None:
        self.file = file
        self.positions = positions
        self.keys: Mapping[str, Position] = keys or {}
        self.origins: Mapping[str, str] = {}
        self.problems: list[Problem] = []
        self.notices: list[Problem] = []
        self.suggest = Suggestions()

    def place(self, path: str, message: str, key: bool = False) -> Problem:
        """The problem ``message`` at the value at ``path``, or at its key."""
        where = written_at(path, self.origins)
        found = self.keys.get(where) if key else None
        line, column = found or position_of(where, self.positions)
        return Problem(self.file, line, column, printable(shorten(where, 300)), printable(message))

    def problem(self, path: str, message: str, key: bool = False) -> None:
        self.problems.append(self.place(path, message, key))

    def notice(self, path: str, message: str) -> None:
        self.notices.append(self.place(path, message))

    def raise_any(self) -> None:
        """Raise :class:`ModelError` with all problems in the order of the file, if there are any."""
        if self.problems:
            raise ModelError(in_order(self.problems))


def in_order(problems: Collection[Problem]) -> list[Problem]:
    """Return ``problems`` in the order of the file, each once, with a closing note where there are very many."""
    ordered = sorted(set(problems))
    if len(ordered) > MAX_PROBLEMS:
        more = len(ordered) - MAX_PROBLEMS
        ordered = [*ordered[:MAX_PROBLEMS], Problem(ordered[0].file, 0, 0, "", f"and {more} more problems")]
    return ordered
