"""The state of a plan as facts, and what the plan itself makes sure of at a step.

Every step adds and removes facts: a device is open, it carries the tag of somebody, it was seen open, an end is
earthed, covered or capped, a part is in, a line is drained. The state by the clock is the outcome of the steps in the
order in which they end. But a rule is met only if it is met in every order that the plan allows: a fact is *certain*
at a step if it holds, whichever of the steps that the plan leaves unordered came first.

A fact is certain at step S exactly if it holds at the start, or a step that ends before S begins adds it, and for each
step that removes it and is not bound to come after S, another one that adds it lies between the two. (If one remover
has no adder after it, the order that lets it come last shows the fact gone.)
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

Fact = tuple[str, ...]
NOTHING: frozenset[Fact] = frozenset()


@dataclass(frozen=True, slots=True)
class Effect:
    """What a step leaves behind when it has ended."""

    adds: frozenset[Fact] = NOTHING
    removes: frozenset[Fact] = NOTHING


class Facts:
    """Facts of one plan. ``before`` holds for each step those that have ended when it begins, by the plan itself."""

    def __init__(
        self, effects: Mapping[str, Effect], before: Mapping[str, frozenset[str]], initial: frozenset[Fact]
    ) -> None:
        self.before, self.initial = before, initial
        self._adds: dict[Fact, list[str]] = {}
        self._removes: dict[Fact, list[str]] = {}
        for step, effect in effects.items():
            for fact in effect.adds:
                self._adds.setdefault(fact, []).append(step)
            for fact in effect.removes:
                self._removes.setdefault(fact, []).append(step)
        self.known = initial | set(self._adds) | set(self._removes)

    def of(self, kind: str) -> list[Fact]:
        """All facts of a kind that ever hold."""
        return sorted(f for f in self.known if f[0] == kind)

    def certain(self, fact: Fact, step: str, since: str | None = None) -> bool:
        """Whether ``fact`` holds while ``step`` is done; with ``since``, a step before it, from that one on."""
        return self._holds(fact in self.initial, self._adds.get(fact, ()), self._removes.get(fact, ()), step, since)

    def ruled_out(self, fact: Fact, step: str) -> bool:
        """Whether it is certain that ``fact`` does not hold while ``step`` is done."""
        initially = fact not in self.initial
        return self._holds(initially, self._removes.get(fact, ()), self._adds.get(fact, ()), step, None)

    def _holds(
        self, initially: bool, adders: Iterable[str], removers: Iterable[str], step: str, since: str | None
    ) -> bool:
        first = self.before[since or step]
        able = [a for a in adders if a in first]
        if not (initially or able):
            return False
        for remover in removers:
            if remover == step or step in self.before[remover]:
                continue
            if not any(remover in self.before[a] for a in able):
                return False
        return True


def after(state: frozenset[Fact], effect: Effect) -> frozenset[Fact]:
    """The state once a step with ``effect`` has ended."""
    return (state - effect.removes) | effect.adds
