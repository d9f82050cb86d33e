"""Which links does a feed line spell? The grammar of ``A -> B <-> C``."""

from __future__ import annotations

import re

from powerfault.model.elements import Link
from powerfault.model.places import ID, ID_RULE, MAX_ID_LENGTH, shorten

# A run of dashes and angle brackets that holds more than dashes is meant as an arrow; a dash alone may be part of an
# id, so that "A->B" reads as meant and "A-->B" is refused rather than read as an arrow from an id "A-". Compiled only
# where a line is not simply words and arrows in turn.
_ARROW = r"([-=<>→←↔⇒–—]*[=<>→←↔⇒–—][-=<>→←↔⇒–—]*)"
_ARROWS = frozenset(("->", "<->"))


def read_feed(line: str) -> tuple[list[Link], list[str]]:
    """Return the one-way links that ``line`` spells, in order, and what is wrong with it.

    >>> read_feed("A -> B <-> C")
    ([('A', 'B'), ('B', 'C'), ('C', 'B')], [])
    >>> read_feed("A --> B")
    ([], ["'-->' is no arrow; write '->' for one way or '<->' for both"])
    """
    words = line.split()
    names, arrows = words[::2], words[1::2]
    if not arrows or len(names) == len(arrows) or not _ARROWS.issuperset(arrows) or not all(map(_is_id, names)):
        parts = re.split(_ARROW, line)
        names, arrows = [part.strip() for part in parts[::2]], parts[1::2]
        faults = _faults(line, names, arrows)
        if faults:
            return [], faults
    links: list[Link] = []
    for before, arrow, after in zip(names, arrows, names[1:], strict=False):
        links.append((before, after))
        if arrow == "<->":
            links.append((after, before))
    return links, []


def _faults(line: str, names: list[str], arrows: list[str]) -> list[str]:
    faults = [
        f"{shorten(arrow)!r} is no arrow; write '->' for one way or '<->' for both{_turned(arrow)}"
        for arrow in dict.fromkeys(arrows)
        if arrow not in ("->", "<->")
    ]
    if not arrows:
        if not names[0]:
            return ["is empty; a feed line links two or more components: A -> B"]
        return [f"{shorten(line)!r} links nothing; write two or more components with arrows: A -> B"]
    for number, name in enumerate(names):
        if not name:
            ends = {0: "at the beginning", len(names) - 1: "at the end"}
            where = ends.get(number, "between arrows")
            faults.append(f"an id is missing {where} of {shorten(line)!r}")
        elif not _is_id(name):
            hint = "; give each branch a line of its own" if re.search(r"[,;&+|]", name) else ""
            faults.append(f"{shorten(name)!r} is no id: {ID_RULE}{hint}")
    return faults


def _is_id(name: str) -> bool:
    return len(name) <= MAX_ID_LENGTH and ID.match(name) is not None


def _turned(arrow: str) -> str:
    return " (turn the line round: power flows along the arrow)" if arrow in ("<-", "<--", "←") else ""
