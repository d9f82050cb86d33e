"""Bounds on when consumers fail, where the exact function is out of reach, tightened until the gap is small.

The question: between what values does the probability lie? A *cut* is a set of events that fails the consumer, a
*path* a set of events none of which may happen for it to be served whatever else happens. Any set of known cuts and
paths gives two functions that hold the truth between them::

    some known cut has happened   <=   the consumer fails   <=   every known path is broken

Both are small decision diagrams whose probabilities are exact, so the bounds are strict, not estimates. They are
tightened where it pays: states in which the two differ are drawn by their probability and judged by the engine. One
that fails is reduced to a minimal cut; one that is served is grown, failing more and more, to a minimal path. All
consumers are judged together, a bit for each state, so a round costs some hundred evaluations of the network however
many consumers it has. When the two functions become one the result is exact.

Draws come from a generator with a fixed seed: the same input gives the same bounds.

References: J. D. Esary and F. Proschan, Coherent Structures of Non-identical Components, Technometrics 5 (1963), for
cuts and paths as bounds; M. L. Fredman and L. Khachiyan, On the Complexity of Dualization of Monotone Disjunctive
Normal Forms, J. Algorithms 21 (1996), for finding either from the gap between them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from random import Random

from powerfault.model.elements import Topology
from powerfault.network.graph import build_network
from powerfault.reliability.bracket import Bracket
from powerfault.reliability.decision_diagram import Diagram, deep_recursion
from powerfault.reliability.rates import Floats
from powerfault.reliability.state_oracle import StateOracle, States, bits, cones_of, transpose
from powerfault.reliability.structure import Failing, Structure
from powerfault.reliability.variables import SharedCause, Variable, ordered_variables


def bracket_structure(
    topology: Topology,
    modes: Sequence[str],
    causes: Iterable[SharedCause],
    operations: Collection[str],
    probabilities: Callable[[Sequence[Variable]], Floats],
    *,
    gap: float = 0.005,
    rounds: int = 60,
    draws: int = 64,
    paths: int = 4,
    node_limit: int = 150_000,
    work_limit: int = 12_000_000,
    seed: int = 1,
    known: Mapping[str, Failing] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Structure:
    """Return bounds on the structure functions of all consumers, with a relative ``gap`` at ``probabilities``.

    Functions ``known`` already (over the same variables) are taken over as they are.

    ``probabilities`` gives, for the variables in their order, the probability of each as a diagram wants it (modes
    given that no earlier one is so); NaN is taken as 0.01 to steer the search. ``progress`` is told the consumers
    done and their number. Where ``rounds``, ``node_limit`` (of one consumer's diagram) or ``work_limit`` (about two
    million a second) end the search early the gap is simply greater.
    """
    network = build_network(topology)
    variables = ordered_variables(network, modes, causes, operations)
    p = [0.01 if x != x else float(x) for x in probabilities(variables)]
    known = known or {}
    wanted = [i for i, c in enumerate(topology.consumers()) if c.id not in known]
    oracle = StateOracle(network, variables, wanted)
    ids = [network.ids[network.consumers[i]] for i in wanted]
    own = [
        Bracket(i, cone, variables, p, Diagram(node_limit, 20 * node_limit))
        for i, cone in enumerate(cones_of(network, variables, wanted))
    ]
    search = _Search(oracle, own, draws, paths, seed)
    with deep_recursion():
        search.start()
        for _ in range(rounds):
            pending = [b for b in own if not b.given_up and b.gap > gap]
            if progress is not None:
                progress(len(own) - len(pending), len(own))
            if not pending or search.work > work_limit:
                break
            search.round(pending)
    found = {id_: Failing(b.diagram, b.lower, b.upper) for id_, b in zip(ids, own, strict=True)}
    failing = {c.id: known.get(c.id) or found[c.id] for c in topology.consumers()}
    return Structure(topology=topology, modes=tuple(modes), variables=variables, failing=failing)


def _lengths(total: int, most: int) -> list[int]:
    """Up to ``most`` whole numbers from 1 to ``total``, closer together among the small ones.

    >>> _lengths(5, 8), _lengths(100, 5)
    ([1, 2, 3, 4, 5], [1, 3, 10, 32, 100])
    """
    if total <= most:
        return list(range(1, total + 1))
    step = total ** (1 / (most - 1))
    return sorted({round(step**k) for k in range(most - 1)} | {total})


class _Search:
    """The rounds of drawing, judging, cutting and growing."""

    def __init__(self, oracle: StateOracle, brackets: Sequence[Bracket], draws: int, paths: int, seed: int) -> None:
        self.oracle, self.brackets = oracle, brackets
        self.draws, self.paths = draws, paths
        self.random = Random(seed)
        self.judged = 0
        """Nodes of the network visited so far, for each few thousand states."""

    @property
    def work(self) -> int:
        """Nodes visited so far, of diagrams and of the network."""
        return self.judged + sum(b.work for b in self.brackets)

    def start(self, most: int = 3_000_000) -> None:
        """Judge the whole system, every single event and every pair (up to ``most`` pairs) for all consumers at once.

        Most of what fails a consumer with any probability is there; finding it by draws would take many rounds.
        """
        oracle = self.oracle
        for number in bits(self._failing_of([0])[0]):
            self.brackets[number].settle_failed()
        count = len(oracle.keys)
        singles = self._failing_of([1 << i for i in range(count)])
        for i, failing in enumerate(singles):
            for number in bits(failing):
                self.brackets[number].add_cut(1 << i)
        if count * (count - 1) // 2 > most:
            return
        for block in self._pairs(count):
            for (i, j), failing in zip(block, self._failing_of([1 << i | 1 << j for i, j in block]), strict=True):
                for number in bits(failing & ~singles[i] & ~singles[j]):
                    self.brackets[number].add_cut(1 << i | 1 << j)

    def _pairs(self, count: int, size: int = 1 << 15) -> Iterator[list[tuple[int, int]]]:
        owners = self.oracle.owners
        block: list[tuple[int, int]] = []
        for i in range(count):
            block += [(i, j) for j in range(i + 1, count) if owners[j] != owners[i]]
            while len(block) >= size:
                yield block[:size]
                block = block[size:]
        if block:
            yield block

    def _failing_of(self, states: States) -> list[int]:
        """For each state the consumers that fail in it, as bits by their numbers."""
        return transpose(self.oracle.failing_rows(states), len(states))

    def round(self, pending: Sequence[Bracket]) -> None:
        drawn = [(b, state) for b in pending for state in b.draw(self.draws, self.random)]
        verdicts = self._judge(drawn)
        failing = [x for x, fails in zip(drawn, verdicts, strict=True) if fails]
        served: dict[int, list[int]] = {}
        for b in pending:
            b.frequency.clear()
        for (b, state), fails in zip(drawn, verdicts, strict=True):
            if not fails:
                b.frequency.update(bits(state))
                if len(served.setdefault(b.number, [])) < self.paths:
                    served[b.number].append(state)
        for b, state in self._shrink(failing):
            b.add_cut(state)
        growing = [(self.brackets[n], state) for n, states in served.items() for state in states]
        for b, path in self._paths(growing):
            b.add_path(path)
        for b in pending:
            b.measure()

    def _judge(self, cases: Sequence[tuple[Bracket, int]], block: int = 1 << 15) -> list[bool]:
        found: list[bool] = []
        for start in range(0, len(cases), block):
            part = cases[start : start + block]
            self.judged += self.oracle.size * (1 + len(part) // 4096)
            found += self.oracle.fails([state for _, state in part], [b.number for b, _ in part])
        return found

    # ---- cuts and paths

    def _shrink(self, cases: Sequence[tuple[Bracket, int]]) -> list[tuple[Bracket, int]]:
        """Reduce failing states to minimal ones: take out one event after the other where it still fails."""
        states = [state for _, state in cases]
        events = [list(bits(s)) for s in states]
        for step in range(max(map(len, events), default=0)):
            tried = [n for n, e in enumerate(events) if step < len(e)]
            less = [states[n] & ~(1 << events[n][step]) for n in tried]
            verdicts = self._judge([(cases[n][0], s) for n, s in zip(tried, less, strict=True)])
            for n, state, fails in zip(tried, less, verdicts, strict=True):
                if fails:
                    states[n] = state
        found = dict.fromkeys((b.number, state) for (b, _), state in zip(cases, states, strict=True))
        return [(self.brackets[n], state) for n, state in found]

    def _paths(self, cases: Sequence[tuple[Bracket, int]]) -> list[tuple[Bracket, list[int]]]:
        """A path for each served state: guessed from how it is served and confirmed, else grown."""
        if not cases:
            return []
        guesses = self.oracle.guesses(
            [state for _, state in cases], [b.number for b, _ in cases], [b.cost(self.random) for b, _ in cases]
        )
        trials = []
        for (b, state), guess in zip(cases, guesses, strict=True):
            needed = set(guess) if guess is not None else set(b.cone)
            rest = sum(1 << i for i in b.cone if i not in needed)
            trials.append((b, state | rest if guess is not None else state))
        refused = self._judge(trials)
        found = [
            (b, [i for i in b.cone if not state >> i & 1])
            for (b, state), fails, guess in zip(trials, refused, guesses, strict=True)
            if not fails and guess is not None
        ]
        left = []
        for (b, state), fails, guess in zip(cases, refused, guesses, strict=True):
            if fails or guess is None:
                b.guess = set(guess or b.guess)
                left.append((b, state))
        return found + [(b, [i for i in b.cone if not state >> i & 1]) for b, state in self._grow(left)]

    def _grow(self, cases: Sequence[tuple[Bracket, int]], lanes: int = 8192) -> list[tuple[Bracket, int]]:
        """Fail more and more in served states until any further event fails them.

        Each state has a list of events to try. Longer and longer beginnings of it are judged together, as many as
        ``lanes`` allow; the longest that is borne is kept. Where the next one longer by one event is not, that event
        belongs to the path. Events that would complete a known cut belong to it without being tried.
        """
        states = [state for _, state in cases]
        queues = [b.queue(state, self.random) for b, state in cases]
        place = [0] * len(cases)
        while True:
            tried = [n for n in range(len(cases)) if place[n] < len(queues[n])]
            if not tried:
                break
            options = []
            for n in tried:
                lengths = _lengths(len(queues[n]) - place[n], max(2, lanes // len(tried)))
                state, done = states[n], 0
                for length in lengths:
                    for i in queues[n][place[n] + done : place[n] + length]:
                        state |= 1 << i
                    done = length
                    options.append((n, length, state))
            verdicts = self._judge([(cases[n][0], state) for n, _, state in options])
            borne = dict.fromkeys(tried, 0)
            refused: dict[int, int] = {}
            for (n, length, state), fails in zip(options, verdicts, strict=True):
                if fails:
                    refused[n] = min(length, refused.get(n, length))
                elif n not in refused:
                    borne[n], states[n] = length, state
            for n in tried:
                place[n] += borne[n]
                if refused.get(n) == borne[n] + 1:
                    place[n] += 1
        return [(b, state) for (b, _), state in zip(cases, states, strict=True)]
