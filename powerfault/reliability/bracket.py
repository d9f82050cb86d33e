"""What is known of when one consumer fails: two functions of a diagram that hold the truth between them.

The lower one says that some known cut has happened, the upper one that every known path is broken. Either only moves
towards the other, and states in which they differ can be drawn by their probability.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from random import Random

from powerfault.reliability.decision_diagram import FALSE, TRUE, Diagram, DiagramTooLargeError
from powerfault.reliability.state_oracle import bits
from powerfault.reliability.structure import occurring
from powerfault.reliability.variables import Variable


@dataclass(slots=True)
class Bracket:
    """One consumer between two functions; states are whole numbers with a bit for each variable.

    ``p`` holds the probability of each variable. ``work`` counts the nodes visited.
    """

    number: int
    cone: list[int]
    """Variables that may matter to it, those nearest to it last."""
    variables: Sequence[Variable]
    p: Sequence[float]
    diagram: Diagram
    occurs: dict[int, int] = field(init=False)
    lower: int = FALSE
    upper: int = TRUE
    gap: float = 1.0
    """The gap between the bounds, relative to the lower one."""
    given_up: bool = False
    guess: set[int] = field(default_factory=set)
    """The events of the path found last: likely to be needed again."""
    cuts: list[int] = field(default_factory=list)
    frequency: Counter[int] = field(default_factory=Counter)
    """How often each event has happened in the states drawn last that serve the consumer."""
    work: int = 0

    def __post_init__(self) -> None:
        self.occurs = occurring(self.diagram, self.variables, self.cone)

    def settle_failed(self) -> None:
        """It fails with nothing failed."""
        self.lower, self.upper, self.gap = TRUE, TRUE, 0.0

    def add_cut(self, state: int) -> None:
        """Take in that all events of ``state`` together fail the consumer."""
        if self.lower == TRUE:
            return
        self.cuts.append(state)
        levels = sorted(bits(state), reverse=True)
        wider = self._within_memory(lambda d: d.disj(self.lower, d.conj_all(self.occurs[i] for i in levels)))
        self.lower = self.lower if wider is None else wider

    def add_path(self, path: Sequence[int]) -> None:
        """Take in that the consumer is served while no event of ``path`` has happened."""
        self.guess = set(path)
        levels = sorted(path, reverse=True)
        narrower = self._within_memory(lambda d: d.conj(self.upper, d.disj_all(self.occurs[i] for i in levels)))
        self.upper = self.upper if narrower is None else narrower

    def _within_memory(self, build: Callable[[Diagram], int]) -> int | None:
        """A node built in the diagram, which is rid of old nodes first where it is full.

        ``None`` where even then there is no room; the consumer is given up with the bounds that it has.
        """
        if self.given_up:
            return None
        try:
            return build(self.diagram)
        except DiagramTooLargeError:
            self.diagram, (self.lower, self.upper) = self.diagram.compacted(self.lower, self.upper)
            self.occurs = occurring(self.diagram, self.variables, self.cone)
        try:
            return build(self.diagram)
        except DiagramTooLargeError:
            self.given_up = True
            return None

    def measure(self) -> None:
        """Bring the gap up to date."""
        self.work += self.diagram.steps
        if self.lower == self.upper:
            self.gap = 0.0
            return
        low = self._weights(self.lower)[self.lower]
        high = self._weights(self.upper)[self.upper]
        self.gap = (high - low) / low if low > 0 else 1.0

    def _weights(self, root: int) -> dict[int, float]:
        """The probability of each function below ``root``."""
        d = self.diagram
        weight = {FALSE: 0.0, TRUE: 1.0}
        nodes = d.below(root)
        self.work += 2 * len(nodes)
        for node in sorted(nodes, key=lambda n: d.level[n], reverse=True):
            if node > TRUE:
                p = self.p[d.level[node]]
                weight[node] = p * weight[d.high[node]] + (1.0 - p) * weight[d.low[node]]
        return weight

    def draw(self, draws: int, random: Random) -> list[int]:
        """States in which the bounds differ, the likelier ones sooner; variables left open count as not happened."""
        root = self._within_memory(lambda d: d.conj(self.upper, d.neg(self.lower)))
        if root is None:
            return []
        d = self.diagram
        weight = self._weights(root)
        found: dict[int, None] = {}
        for _ in range(draws):
            node, state = root, 0
            while node > TRUE:
                level = d.level[node]
                high = self.p[level] * weight[d.high[node]]
                total = high + (1.0 - self.p[level]) * weight[d.low[node]]
                if total <= 0.0:  # all that is left has probability 0: any way will do
                    taken = d.low[node] == FALSE
                else:
                    taken = random.random() * total < high
                if taken:
                    state |= 1 << level
                    node = d.high[node]
                else:
                    node = d.low[node]
            if node == TRUE:
                found[self._happening(state)] = None
        return list(found)

    def _happening(self, state: int) -> int:
        """A state in variables of a diagram as one of events: of the modes of a component only the first counts."""
        kept, seen = 0, set()
        for i in bits(state):
            owner = self.variables[i].component
            if owner not in seen:
                seen.add(owner)
                kept |= 1 << i
        return kept

    def cost(self, random: Random) -> Callable[[int], float]:
        """What an event costs on a way: more where it is frequent in the states still open, and a little by chance."""
        most = max(self.frequency.values(), default=1)
        frequency, noise = self.frequency, random.random

        def of(i: int) -> float:
            return 1.0 + 8.0 * frequency.get(i, 0) / most + 0.5 * noise()

        return of

    def queue(self, state: int, random: Random) -> list[int]:
        """The events to try to fail besides ``state``, which serves the consumer.

        First those frequent in the states still open: a path without them settles the most. Last those of the path
        found before, which are likely to be needed. What would complete a known cut is not tried.
        """
        needed = 0
        for cut in self.cuts:
            left = cut & ~state
            if left & (left - 1) == 0:
                needed |= left
        rest = [i for i in self.cone if not (state | needed) >> i & 1]
        if not self.guess:
            return rest
        random.shuffle(rest)
        rank = {i: -self.frequency[i] * (0.25 + 0.75 * random.random()) for i in rest if i in self.frequency}
        return sorted(rest, key=lambda i: rank.get(i, i in self.guess))
