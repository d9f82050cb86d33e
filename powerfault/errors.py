"""What can go wrong, as one tree of exceptions.

::

    PowerfaultError                 everything this package raises on purpose
    ├── ModelError                  the file (or a proposal in it) is wrong; carries every problem found
    ├── RequestError                the question is wrong: an unknown id, a mode that does not apply
    │   └── TooLargeError           the question is right but would not finish; carries the estimate
    ├── ToolError                   an outside program (dot, a browser, a solver) is absent or failed
    └── OutputError                 a file could not be written

The command line catches the base class alone and exits with 2.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple


class PowerfaultError(Exception):
    """Base of all errors that this package raises on purpose."""


class Line(int):
    """A line number of another file than the one that was asked for, or one that a pattern was used to write.

    ``file`` is the file it counts in; ``note`` names the pattern and where it was used.
    """

    file: str
    note: str

    def __new__(cls, number: int, file: str, note: str = "") -> Line:
        made = super().__new__(cls, number)
        made.file, made.note = file, note or getattr(number, "note", "")
        return made


class Problem(NamedTuple):
    """One problem (or warning) at one place of a file.

    ``line`` and ``column`` count from 1; 0 means that the place is not known. ``file`` is the file that was asked for;
    where the line is a :class:`Line`, the place is in the file that it names.
    """

    file: str
    line: int
    column: int
    path: str
    message: str

    @property
    def place(self) -> str:
        """``file:line:column``, in the file in which the line stands."""
        file = getattr(self.line, "file", self.file)
        return f"{file}:{self.line}:{self.column}" if self.line else file

    @property
    def text(self) -> str:
        """Path and message, and the use of a pattern that wrote the line."""
        note = getattr(self.line, "note", "")
        path = f"{self.path}: " if self.path else ""
        return f"{path}{self.message}{f' ({note})' if note else ''}"

    def __str__(self) -> str:
        return f"{self.place}: {self.text}"


class ModelError(PowerfaultError):
    """The topology is wrong. ``problems`` lists all that was found, in the order of the file."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(map(str, self.problems)))


class RequestError(PowerfaultError):
    """The question asked of a valid topology is wrong."""


class TooLargeError(RequestError):
    """The question would not finish in reasonable time or memory."""


class ToolError(PowerfaultError):
    """An outside program is absent, failed, or ran out of time."""


class OutputError(PowerfaultError):
    """A result could not be written."""


def nearest(name: str, known: Iterable[str]) -> str:
    """Return ``" (did you mean 'x'?)"`` for the known name nearest to ``name``, or an empty string.

    >>> nearest("convertor", ["converter", "cable"])
    " (did you mean 'converter'?)"
    """
    import difflib  # costs some milliseconds at start-up, and is wanted only where something is wrong

    names = list(known)
    found = difflib.get_close_matches(name[:200], names, n=1, cutoff=0.6)
    if not found:
        lower = {k.lower(): k for k in names}
        found = [lower[k] for k in difflib.get_close_matches(name[:200].lower(), lower, n=1, cutoff=0.6)]
    return f" (did you mean {found[0]!r}?)" if found else ""
