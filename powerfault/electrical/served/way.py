"""Which steps lead from one state to positions that are wanted, each state on the way within ratings?

A step switches one device, mates one jumper, or switches loads off or on. Loads are switched off only where the next
state could not carry them, or where a controller has to be served for the next step and cannot be otherwise; they are
connected again as soon as there is power for them. Nothing is ever closed on to a fault, and no step joins outputs or
closes exclusive switches together that were apart before and are apart in the end.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

from powerfault.electrical.served.service_bounds import value_of
from powerfault.electrical.served.states import Nodes, State, StateEvaluator

OPEN, CLOSE, MATE, SHED, CONNECT = "open", "close", "mate", "shed", "connect"
MOST_CONTROL_LOADS = 6
"""Up to so many loads of controllers every choice of them is tried."""


@dataclass(frozen=True, slots=True)
class Move:
    """One operation, or loads shed or connected together, and the state that it leads to."""

    action: str
    nodes: tuple[int, ...]
    state: State


def worth(states: StateEvaluator, served: Iterable[int]) -> tuple[int, ...]:
    """What is served, by priority: see ``service_bounds.value_of``; loads not judged in the phase count nothing."""
    judged = states.plant.judged[states.phase]
    return value_of(states.plant, states.phase, [v for v in served if v in judged])


def choices_of(loads: Nodes) -> Iterator[Nodes]:
    """All of ``loads``, then every smaller choice of them where there are few."""
    yield loads
    if 1 < len(loads) <= MOST_CONTROL_LOADS:
        for count in range(len(loads) - 1, -1, -1):
            yield from map(frozenset, combinations(sorted(loads), count))


def operated(states: StateEvaluator, state: State, v: int, kept: Nodes | None = None) -> State | None:
    """A state in the positions of ``state`` in which all that operates ``v`` is served, other loads shed; or ``None``.

    ``kept`` is what ran before, if not what is live in ``state``.
    """
    operators = states.plant.network.operators.get(v, ())
    before = state.live if kept is None else kept
    for loads in choices_of(states.control_loads(operators)):
        found = states.evaluate(state.stage, state.closed, state.mated, before, only=loads | states.idle)
        if found.live.issuperset(operators):
            return found
    return None


class Way:
    """One attempt at a way. ``final`` are the loads to be served in the end; ``careful`` sheds all others first."""

    def __init__(self, states: StateEvaluator, stage: int, begin: State, final: Nodes, *, careful: bool) -> None:
        self.states, self.stage, self.plant = states, stage, states.plant
        self.state = begin
        self.final = final
        self.careful = careful
        self.moves: list[Move] = []
        self.joined_at_first = self.states.joined(begin)

    def follow(self, order: Sequence[int]) -> bool:
        """Move the switches and jumpers of ``order`` one after another; say whether ``final`` is served then."""
        self._begin(order)
        return all(self._may_move(v) and self._move(v) for v in order) and self._finish()

    def lead(self, closed: Nodes, mated: Nodes, joined: int) -> bool:
        """Find an order that leads to these positions; say whether there is one that serves ``final`` in the end.

        Openings come first, then matings, then the closing that brings back most. ``joined`` pairs of outputs cannot be
        kept apart in the end.
        """
        operable = self.states.stages[self.stage].operable
        opening = (self.state.closed & operable) - closed
        closing = (closed & operable) - self.state.closed
        mating = mated - self.state.mated
        self._begin((*opening, *mating, *closing))
        while opening or mating or closing:
            v = self._next(opening) or self._next(mating)
            if v is None:
                v = self._best_closing(closing, joined if opening else None)
            if v is None or not self._move(v):
                return False
            opening, mating, closing = opening - {v}, mating - {v}, closing - {v}
        return self._finish()

    # ---- begin and end

    def _begin(self, order: Iterable[int]) -> None:
        if self.careful:
            operators = {u for v in order for u in self.plant.network.operators.get(v, ())}
            control = self.states.control_loads(operators)
            self._shed((self.state.live & self.plant.loads) - self.final - control - self.states.idle)

    def _finish(self) -> bool:
        wanted = worth(self.states, self.final)
        if worth(self.states, self.state.service.served) < wanted:
            self._connect(self.final)
        if worth(self.states, self.state.service.served) < wanted:
            self._shed((self.state.live & self.plant.loads) - self.final - self.states.idle)
            self._connect(self.final)
        return worth(self.states, self.state.service.served) >= wanted

    # ---- which next

    def _next(self, group: Nodes) -> int | None:
        """The first of ``group`` that may move: what is de-energised first, then by number."""
        order = sorted(group, key=lambda v: (v in self.state.live, v))
        served = next((v for v in order if self._is_operated(v)), None)
        return served if served is not None else next((v for v in order if self._may_move(v)), None)

    def _best_closing(self, group: Nodes, joined: int | None) -> int | None:
        """The closing that brings back most; with ``joined`` none that joins outputs beyond those."""
        best: tuple[tuple[object, ...], int] | None = None
        consumers = self.plant.network.consumers
        was = self.state.live.intersection(consumers)
        for v in sorted(group):
            if not self._is_clear(v) or not self._can_be_operated(v):
                continue
            after = self._judged(self.state.closed | {v}, self.state.mated, self.state.off - self.final)
            if joined is not None and self.states.joined(after) > max(joined, self.joined_at_first):
                continue
            on = after.live.intersection(consumers)
            rank = self._is_operated(v), was <= on, worth(self.states, after.service.served), len(after.live)
            if best is None or (*rank, v in after.live, -v) > best[0]:
                best = (*rank, v in after.live, -v), v
        if best is None:
            return None
        return best[1] if self._may_move(best[1]) else None

    def _is_clear(self, v: int) -> bool:
        """Whether closing ``v`` neither touches a fault nor closes exclusive switches together."""
        if not self.state.zone.isdisjoint(self.plant.neighbours[v]):
            return False
        closed = self.state.closed
        return not any(v in g and len(closed.intersection(g)) > 0 for g in self.plant.exclusive)

    def _is_operated(self, v: int) -> bool:
        return self.state.live.issuperset(self.plant.network.operators.get(v, ()))

    def _can_be_operated(self, v: int) -> bool:
        return self._is_operated(v) or operated(self.states, self.state, v) is not None

    def _may_move(self, v: int) -> bool:
        """Whether ``v`` may move, other loads having been shed for what operates it where they must be."""
        if v in self.plant.switched and v not in self.state.closed and not self._is_clear(v):
            return False
        if self._is_operated(v):
            return True
        held = operated(self.states, self.state, v)
        if held is None:
            return False
        operators = self.plant.network.operators.get(v, ())
        self._connect(held.live & self.plant.loads)
        if not self._is_operated(v):
            self._shed((self.state.live & self.plant.loads) - held.live)
            self._connect(held.live & self.plant.loads)
        return self.state.live.issuperset(operators)

    # ---- the steps

    def _move(self, v: int) -> bool:
        """Make the move; loads that could not be carried after it are switched off before it.

        What operates ``v`` has to be on until it has moved: where that cannot be carried afterwards, it is switched off
        in the same moment.
        """
        now = self.state
        switched = v in self.plant.switched
        closed = now.closed ^ {v} if switched else now.closed
        mated = now.mated if switched else now.mated | {v}
        control = self.states.control_loads(self.plant.network.operators.get(v, ()))
        after = self._judged(closed, mated, now.off)
        off = now.off
        while after.over:
            self._shed(after.over - control)
            if not self._is_operated(v):
                return False
            off = self.state.off | off | after.over
            after = self._judged(closed, mated, off)
        action = MATE if not switched else OPEN if v in now.closed else CLOSE
        self._take(action, (v,), after)
        if worth(self.states, after.service.served) < worth(self.states, self.final):
            self._connect(self.final)
        return True

    def _shed(self, loads: Nodes) -> None:
        """Switch off those of ``loads`` that are not off."""
        now = self.state
        gone = loads - now.off
        while gone:
            after = self._judged(now.closed, now.mated, now.off | gone)
            if not after.over:
                self._take(SHED, tuple(sorted(gone)), after)
                return
            gone |= after.over

    def _connect(self, loads: Nodes) -> None:
        """Connect those of ``loads`` that are off and for which there is power beside all that runs."""
        for v in sorted(loads & self.state.off, key=lambda v: (self.plant.priority[v], v)):
            now = self.state
            after = self._judged(now.closed, now.mated, now.off - {v})
            if v not in after.live or not after.over.isdisjoint(now.live):
                continue
            if after.over:
                self._shed(after.over)
                after = self._judged(now.closed, now.mated, self.state.off - {v})
                if v not in after.live or after.over:
                    continue
            self._take(CONNECT, (v,), after)

    def _judged(self, closed: Nodes, mated: Nodes, off: Nodes) -> State:
        return self.states.evaluate(self.stage, closed, mated, self.state.live, off)

    def _take(self, action: str, nodes: tuple[int, ...], after: State) -> None:
        self.moves.append(Move(action, nodes, after))
        self.state = after
