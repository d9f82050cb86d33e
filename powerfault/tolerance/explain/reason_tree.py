"""A tree of reasons: grown from a consumer towards the events, walked, cut to one chain.

It grows breadth first and explains each thing once, where it stands nearest to the consumer; nothing here recurses, so
a way of thousands of components is as good as one of three.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import zip_longest
from typing import Any

DEEPEST = 200
"""Levels that JSON nests; its readers give up at about a thousand."""
_EVENTS = frozenset(("failed", "zone", "tripped", "stuck"))
"""Causes that are an event of the case, or its mark: where a chain of reasons had best end."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why ``id`` is not live: ``cause`` in one word for a drawing, ``text`` for a reader, ``because`` for the rest."""

    id: str
    cause: str
    text: str
    because: tuple[Reason, ...] = ()

    def walk(self, depth: int = 0) -> Iterator[tuple[int, Reason]]:
        """Yield (depth, reason), this one first."""
        waiting = [(depth, self)]
        while waiting:
            depth, reason = waiting.pop()
            yield depth, reason
            waiting.extend((depth + 1, r) for r in reversed(reason.because))

    def same_as(self, other: Reason | None) -> bool:
        """Whether ``other`` says the same (however deep: ``==`` recurses)."""
        if other is None:
            return False
        return all(
            a is not None and b is not None and (a[0], a[1].text) == (b[0], b[1].text)
            for a, b in zip_longest(self.walk(), other.walk())
        )

    def to_json(self) -> dict[str, Any]:
        """The tree as plain data; what lies deeper than :data:`DEEPEST` stands beside what is there, in order."""
        top: dict[str, Any] = {}
        open_at: list[dict[str, Any]] = []
        for depth, reason in self.walk():
            depth = min(depth, DEEPEST)
            made = {"id": reason.id, "cause": reason.cause, "text": reason.text, "because": []}
            del open_at[depth:]
            if open_at:
                open_at[-1]["because"].append(made)
            else:
                top = made
            open_at.append(made)
        return top


def chain(tree: Reason) -> list[str]:
    """The texts from the consumer to one event, following the branch that reaches a failure soonest."""
    parent: dict[int, Reason] = {}
    end: Reason | None = None
    queue = deque([tree])
    while queue:
        reason = queue.popleft()
        if not reason.because:
            if reason.cause in _EVENTS:
                end = reason
                break
            end = end or reason
        for below in reason.because:
            parent[id(below)] = reason
            queue.append(below)
    texts = []
    while end is not None:
        texts.append(end.text)
        end = parent.get(id(end))
    texts.reverse()
    return texts if len(texts) <= 6 else [*texts[:3], "...", *texts[-2:]]


@dataclass(slots=True, eq=False)
class Growing:
    """A reason while the tree grows: ``behind`` are the nodes that explain it, each to be opened once."""

    node: int
    cause: str
    text: str
    behind: tuple[int, ...] = ()
    parent: Growing | None = None
    because: list[Growing] = field(default_factory=list)
    done: Reason | None = None

    def is_above(self, other: Growing | None) -> bool:
        """Whether ``other`` is this one or grew from it."""
        while other is not None:
            if other is self:
                return True
            other = other.parent
        return False

    def finish(self, ids: Sequence[str]) -> Reason:
        """The reason itself, once those behind it are finished."""
        below = tuple(r.done or Reason(ids[r.node], r.cause, r.text) for r in self.because)
        return Reason(ids[self.node], self.cause, self.text, below)


def grow(start: int, open_node: Callable[[int], Growing], ids: Sequence[str]) -> Reason:
    """The tree from node ``start``; ``open_node`` tells what stops a node and which nodes lie behind that."""
    root = open_node(start)
    opened = {start: root}
    order = [root]
    for growing in order:
        for u in growing.behind:
            known = opened.get(u)
            if known is None:
                below = opened[u] = open_node(u)
                below.parent = growing
                order.append(below)
            elif known.is_above(growing):
                below = Growing(u, "circle", f"{ids[u]} depends on itself and has nothing else to start from")
            else:
                below = Growing(u, known.cause, known.text + (" (explained elsewhere here)" if known.behind else ""))
            growing.because.append(below)
    for growing in reversed(order):
        growing.done = growing.finish(ids)
    return root.done or root.finish(ids)
