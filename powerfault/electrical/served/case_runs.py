"""Serving many cases: fewer failures first, on all cores where it pays, the result the same on one.

The cases of one order are dealt out in runs. Those whose events by themselves leave the same behind stand together, so
that equal remains meet in one process. What single failures leave behind is learned by all before pairs begin, since
their optima bound those of the pairs; nothing else passes between processes, and so the answer to a case does not
depend on their number.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, islice
from typing import Any

from powerfault.electrical.served.attainable import Attainable
from powerfault.electrical.served.capacity import Allocator, Parts
from powerfault.electrical.served.plant import Plant, build_plant
from powerfault.electrical.served.rated_outcomes import RatedCase, rate_case
from powerfault.electrical.served.served_case import Describer, ServedCase
from powerfault.electrical.served.surviving import Surviving, survivors_by_stage
from powerfault.failures.plan import make_plan
from powerfault.failures.processes import workers
from powerfault.model.elements import STAGES, Event
from powerfault.network.failure_modes import merge_given
from powerfault.network.graph import build_network

Case = tuple[Event, ...]
Progress = Callable[[int, int], None]
SERVE, LEARN, SURVEY, RATE = "serve", "learn", "survey", "rate"
RUN = 96
"""Cases handed to a process at a time, at most."""
SERIAL_SECONDS = 1.5
"""Work that is done sooner than this is not worth a second process."""
WHOLE_BELOW = 2_000
"""Up to so many cases, positions and flows are kept with each."""


@dataclass(frozen=True, slots=True)
class Served:
    """A run of cases served: all phases of the first case, then of the next. ``parts`` of each, where asked for.

    A survey has the parts alone, of all stages of the first case, then of the next.
    """

    cases: list[ServedCase]
    parts: list[Parts]


def serve_cases(
    plant: Plant,
    orders: list[list[Case]],
    stage: int,
    given: tuple[Event, ...],
    seconds: float,
    jobs: int | None = None,
    progress: Progress | None = None,
) -> list[ServedCase]:
    """Return the best service of every case and phase, in the order of ``orders``. ``jobs``: processes (one a core)."""
    jobs = jobs or cores()
    phases = len(plant.network.topology.phases)
    total, done = sum(map(len, orders)), 0
    worker = _Worker(plant, (stage,), given, seconds, whole=total <= WHOLE_BELOW)
    found: list[ServedCase] = []
    kind_of: dict[Event, int] = {}
    for number, cases in enumerate(orders):
        learning = number < min(2, len(orders) - 1)
        keys = [tuple(sorted(kind_of.get(e, -1) for e in case)) for case in cases]
        dealt = sorted(range(len(cases)), key=keys.__getitem__)
        runs = _dealt([cases[i] for i in dealt], jobs)
        served: list[ServedCase] = []
        parts: list[Parts] = []
        for answer in _answers(worker, runs, LEARN if learning else SERVE, jobs):
            assert isinstance(answer, Served)
            served += answer.cases
            parts += answer.parts
            done += len(answer.cases) // phases
            if progress:
                progress(done, total)
        place = {i: n for n, i in enumerate(dealt)}
        found += [served[phases * place[i] + p] for i in range(len(cases)) for p in range(phases)]
        if learning:
            in_order = [list(chain(*parts[phases * place[i] : phases * (place[i] + 1)])) for i in range(len(cases))]
            worker.allocator.learn(chain(*in_order))
            kinds: dict[tuple[Surviving, ...], int] = {}
            for case, own in zip(cases, in_order, strict=True):
                if len(case) == 1:
                    kind_of[case[0]] = kinds.setdefault(tuple(part for part, _ in own), len(kinds))
    return found


def rate_cases(
    plant: Plant,
    cases: Sequence[Case],
    given: tuple[Event, ...],
    seconds: float,
    jobs: int | None = None,
    progress: Progress | None = None,
) -> Iterator[RatedCase]:
    """Yield the outcomes with ratings of each case, in the order given."""
    jobs = jobs or cores()
    worker = _Worker(plant, tuple(range(len(STAGES))), given, seconds, sole=True)
    events = list(dict.fromkeys(event for case in cases for event in case))
    if len(cases) > 2 * len(events):
        # What single failures leave behind bounds what more do: worth knowing first where it is asked often.
        for learned in _answers(worker, _dealt([(), *((event,) for event in events)], jobs), SURVEY, jobs):
            assert isinstance(learned, Served)
            worker.allocator.learn(chain(*learned.parts))
    done = 0
    for answer in _answers(worker, _dealt(cases, jobs), RATE, jobs):
        assert isinstance(answer, list)
        done += len(answer)
        if progress:
            progress(done, len(cases))
        yield from answer


def _dealt(cases: Sequence[Case], jobs: int) -> list[Sequence[Case]]:
    size = max(4, min(RUN, len(cases) // (8 * jobs)))
    return [cases[start : start + size] for start in range(0, len(cases), size)]


def cores() -> int:
    """Processor cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class _Worker:
    """What a process holds: the plant, and every part that it has met."""

    def __init__(
        self,
        plant: Plant,
        stages: tuple[int, ...],
        given: tuple[Event, ...],
        seconds: float,
        *,
        whole: bool = False,
        sole: bool = False,
    ) -> None:
        self.plant, self.stages, self.given = plant, stages, given
        self.seconds, self.whole, self.sole = seconds, whole, sole
        self.plan = make_plan(plant.network)
        self.describer = Describer(plant, whole=whole)
        self.allocator = Allocator(plant, seconds, sole=sole)
        self.attainable = Attainable(plant, self.allocator, seconds)

    def answer(self, cases: Sequence[Case], task: str) -> Served | list[RatedCase]:
        stages = tuple(sorted({0, *self.stages}))
        states = survivors_by_stage(self.plant, cases, stages, self.given, self.plan)
        remains = [(i, own) for i, at in enumerate(states) for s in self.stages for own in at[s].values()]
        parts = self.allocator.serve_all([surviving for _, surviving in remains])
        if task == SURVEY:
            return Served([], parts)
        unbounded = parts
        remains, parts = self._attained(cases, states, remains, parts)
        if task == RATE:
            best: list[dict[tuple[int, str], Parts]] = [{} for _ in cases]
            for (i, surviving), own in zip(remains, parts, strict=True):
                best[i][surviving.stage, surviving.phase] = own
                states[i][surviving.stage][surviving.phase] = surviving
            return [rate_case(self.plant, *of_one) for of_one in zip(cases, states, best, strict=True)]
        described = [
            self.describer.describe(surviving, cases[i], own)
            for (i, surviving), own in zip(remains, parts, strict=True)
        ]
        return Served(described, unbounded if task == LEARN else [])

    def _attained(
        self,
        cases: Sequence[Case],
        states: Sequence[Mapping[int, Mapping[str, Surviving]]],
        remains: list[tuple[int, Surviving]],
        parts: list[Parts],
    ) -> tuple[list[tuple[int, Surviving]], list[Parts]]:
        """Put the best that can be reached in place of what cannot."""
        if not self.attainable.asked:
            return remains, parts
        index = self.plant.network.index
        standing = merge_given(self.plant.network.topology, self.given)
        left, found = [], []
        for (i, surviving), own in zip(remains, parts, strict=True):
            modes = {index[e.id]: e.mode for e in (*standing, *cases[i])}
            first = states[i][0][surviving.phase]
            surviving, own = self.attainable.best(modes, first, surviving, own)
            left.append((i, surviving))
            found.append(own)
        return left, found


def _answers(
    worker: _Worker, runs: Sequence[Sequence[Case]], task: str, jobs: int
) -> Iterator[Served | list[RatedCase]]:
    """Answers to ``runs`` in their order: by this process first, by several if it takes long."""
    begun = time.monotonic()
    left = iter(runs)
    for number, run in enumerate(left, 1):
        yield worker.answer(run, task)
        if jobs > 1 and time.monotonic() - begun > SERIAL_SECONDS and len(runs) - number > jobs:
            yield from _in_processes(worker, list(left), task, jobs)


def _in_processes(
    worker: _Worker, runs: Sequence[Sequence[Case]], task: str, jobs: int
) -> Iterator[Served | list[RatedCase]]:
    """Answers to ``runs`` in their order; only a few runs ahead are held."""
    allocator = worker.allocator
    learned = [(part, allocator.known[part]) for parts in allocator.learned.values() for part in parts]
    topology = worker.plant.network.topology
    how = (worker.stages, worker.given, worker.seconds, worker.whole, worker.sole)
    with workers(jobs, _begin, topology, *how, learned) as pool:
        waiting = iter(runs)
        ahead = [pool.submit(_run, run, task) for run in islice(waiting, 4 * jobs)]
        while ahead:
            yield ahead.pop(0).result()
            ahead += [pool.submit(_run, run, task) for run in islice(waiting, 1)]


_worker: _Worker | None = None


def _begin(
    topology: Any,
    stages: tuple[int, ...],
    given: tuple[Event, ...],
    seconds: float,
    whole: bool,
    sole: bool,
    learned: Parts,
) -> None:
    global _worker
    plant = build_plant(build_network(topology))
    _worker = _Worker(plant, stages, given, seconds, whole=whole, sole=sole)
    _worker.allocator.learn(learned)


def _run(cases: Sequence[Case], task: str) -> Served | list[RatedCase]:
    assert _worker is not None
    return _worker.answer(cases, task)
