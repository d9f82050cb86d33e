"""Served load in all cases up to an order, in every phase: enumeration, both cores, progress, and the totals.

Cases with fewer failures come first, so that their optima bound those with more. With more than one process the cases
of each order are dealt out in runs; every process remembers what it has met, and the optima of the orders before are
given to all.

:func:`rated_cases` is the hook for verdicts that count ratings: the outcome of every consumer in every case if what
must be shed is lost.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

from powerfault.errors import RequestError, TooLargeError, nearest
from powerfault.failures.cases import case_blocks, count_cases
from powerfault.failures.plan import make_plan
from powerfault.measures.capacity import Allocator, PartService, ServedCase, describe, parent_key
from powerfault.measures.plant import Plant, build_plant
from powerfault.measures.rated_outcomes import RatedCase, rate_case
from powerfault.measures.solver import INFINITY
from powerfault.measures.surviving import Surviving, survivors, survivors_by_stage
from powerfault.model.elements import STAGES, Event, Topology
from powerfault.network.failure_modes import check_modes, describe_unasked, list_events, merge_given, parse_event
from powerfault.network.graph import build_network

Progress = Callable[[int, int], None]
Case = tuple[Event, ...]
RUN = 96
"""Cases handed to a process at a time."""
CASES_WITHOUT_ASKING = 100_000
WHOLE_BELOW = 2_000
"""Up to so many cases, positions and flows are kept with each."""
SERIAL_BELOW = 400
"""With fewer cases than this a second process costs more than it gives."""
ASSUMPTIONS = (
    "each phase in its steady state; any load can be shed, at every stage; loads are served whole or not at all",
    "power runs as the ratings allow best: how it divides between parallel ways by itself is a matter of the DC flow",
    "charging takes no power; a charged storage gives its energy x depth limit evenly over the phase",
    "a load without demand_kw is taken at 0 kW and still needs a path",
)


@dataclass(frozen=True)
class CapacityStudy:
    """The best service in every case and phase of one topology at one stage; the case of nothing failed comes first."""

    topology: Topology
    order: int
    modes: tuple[str, ...]
    standing: tuple[Event, ...]
    stage: str
    case_count: int
    cases: tuple[ServedCase, ...] = field(repr=False)
    notes: tuple[str, ...] = ()

    @property
    def proofs(self) -> Counter[str]:
        """How many cases and phases were proved in which way: ``without solver``, ``solver``, ``not proved``."""
        return Counter(
            "not proved" if not c.proved else "without solver" if c.without_solver else "solver" for c in self.cases
        )

    @property
    def share_without_solver(self) -> float:
        """The share of cases and phases proved without a solver, 0 to 1."""
        return self.proofs["without solver"] / len(self.cases) if self.cases else 1.0

    def head(self) -> dict[str, Any]:
        """The results object without its cases."""
        return {
            "format": 1,
            "topology": self.topology.name,
            "sha256": self.topology.sha256,
            "order": self.order,
            "modes": list(self.modes),
            "with": list(self.topology.applied),
            "standing": [str(e) for e in self.standing],
            "stage": self.stage,
            "phases": list(self.topology.phase_names),
            "case_count": self.case_count,
            "proved": all(c.proved for c in self.cases),
            "proofs": {name: self.proofs[name] for name in ("without solver", "solver", "not proved")},
            "share_without_solver": round(self.share_without_solver, 6),
            "notes": list(self.notes),
        }

    def to_json(self) -> dict[str, Any]:
        return {**self.head(), "cases": [c.to_json() for c in self.cases]}


def capacity_study(
    topology: Topology,
    order: int = 1,
    modes: Iterable[str] = ("loss",),
    given: Iterable[str | Event] = (),
    *,
    stage: str = "commanded",
    failed: Iterable[str | Event] | None = None,
    seconds: float = INFINITY,
    jobs: int | None = None,
    limit: int | None = CASES_WITHOUT_ASKING,
    progress: Progress | None = None,
) -> CapacityStudy:
    """Find the best service in every case of 1 to ``order`` events, and with none.

    ``failed`` asks for that one case instead. ``seconds`` is the time allowed to each call of the solver; what it
    does not finish is marked as not proved. ``jobs`` is the number of processes (default: one a core). Raises
    :class:`RequestError` for unknown events or stages, :class:`TooLargeError` above ``limit`` cases and
    :class:`ModelError` where ratings contradict each other.
    """
    number = stage_number(stage)
    modes = check_modes(modes)
    standing = merge_given(topology, [_event(topology, e) for e in given])
    given_events = tuple(e for e in standing if e not in topology.standing)
    plant = build_plant(build_network(topology))
    if failed is not None:
        orders: list[list[Case]] = [[tuple(_event(topology, e) for e in failed)]]
        count, order = 1, len(orders[0][0])
    else:
        events = list_events(topology, modes, given_events)
        count = sum(count_cases(events, order)[1:])
        if limit is not None and count > limit:
            raise TooLargeError(
                f"{count:,} cases of up to {order} failures, in each of {len(topology.phases)} phases: about "
                f"{count * len(topology.phases) * 0.004 / 60:,.0f} minutes; ask for a lower --order, or say --yes"
            )
        orders = [[()], *(list(_cases(events, k)) for k in range(1, order + 1))]
    found: list[ServedCase] = []
    for served in _serve_all(topology, plant, orders, number, given_events, seconds, jobs, progress):
        found += served
    return CapacityStudy(
        topology=topology,
        order=order,
        modes=modes,
        standing=standing,
        stage=stage,
        case_count=count,
        cases=tuple(found),
        notes=(*ASSUMPTIONS, *plant.notes, *(describe_unasked(topology, modes) if failed is None else ())),
    )


def rated_cases(
    topology: Topology,
    cases: Iterable[Iterable[Event]],
    given: Iterable[Event] = (),
    *,
    seconds: float = INFINITY,
    progress: Progress | None = None,
) -> Iterator[RatedCase]:
    """Yield the outcomes of each case if every load that must be shed counts as lost (:mod:`rated_outcomes`).

    Cases are evaluated in the order given; put those with fewer events first. Costs up to four optima a case and
    phase, of which most are proved by a routing and equal ones are found once.
    """
    plant = build_plant(build_network(topology))
    allocator = Allocator(plant, seconds)
    listed = [tuple(c) for c in cases]
    plan = make_plan(plant.network)
    given = tuple(given)
    for start in range(0, len(listed), RUN):
        run = listed[start : start + RUN]
        for case, stages in zip(run, survivors_by_stage(plant, run, given=given, plan=plan), strict=True):
            yield rate_case(plant, allocator, case, stages)
        if progress:
            progress(min(start + RUN, len(listed)), len(listed))


def stage_number(stage: str) -> int:
    """Return the number of a stage; raise :class:`RequestError` for an unknown one."""
    if stage not in STAGES:
        raise RequestError(f"no stage {stage!r}{nearest(stage, STAGES)}; expected {', '.join(STAGES)}")
    return STAGES.index(stage)


def _event(topology: Topology, event: str | Event) -> Event:
    return event if isinstance(event, Event) else parse_event(topology, event)


def _cases(events: Sequence[Event], order: int) -> Iterator[Case]:
    for block in case_blocks(events, order):
        for row in block.tolist():
            yield tuple(events[i] for i in row)


# ---- one process or several


class _Worker:
    """What a process holds: the plant, and every part that it has met."""

    def __init__(self, plant: Plant, stage: int, given: tuple[Event, ...], seconds: float) -> None:
        self.plant, self.stage, self.given = plant, stage, given
        self.plan = make_plan(plant.network)
        self.allocator = Allocator(plant, seconds)

    def serve(self, cases: Sequence[Case], remember: bool, whole: bool) -> list[ServedCase]:
        found = []
        states = survivors(self.plant, cases, self.stage, self.given, self.plan)
        for case, by_phase in zip(cases, states, strict=True):
            for surviving in by_phase.values():
                parts = self.allocator.serve(surviving, case, remember=remember)
                found.append(describe(self.plant, surviving, case, parts, whole=whole))
        return found


_worker: _Worker | None = None
Learned = tuple[dict[Surviving, PartService], dict[tuple[Event, ...], list[Surviving]]]


def _begin(topology: Topology, stage: int, given: tuple[Event, ...], seconds: float, learned: Learned) -> None:
    import signal

    # The process that asked is interrupted itself, and ends these in good order.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    global _worker
    _worker = _Worker(build_plant(build_network(topology)), stage, given, seconds)
    _worker.allocator.known.update(learned[0])
    _worker.allocator.parents.update(learned[1])


def _run(cases: Sequence[Case]) -> list[ServedCase]:
    assert _worker is not None
    return _worker.serve(cases, False, False)


def _serve_all(
    topology: Topology,
    plant: Plant,
    orders: list[list[Case]],
    stage: int,
    given: tuple[Event, ...],
    seconds: float,
    jobs: int | None,
    progress: Progress | None,
) -> Iterator[list[ServedCase]]:
    total = sum(map(len, orders))
    done = 0
    worker = _Worker(plant, stage, given, seconds)
    jobs = jobs if jobs is not None else len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1
    whole = total <= WHOLE_BELOW
    for number, cases in enumerate(orders):
        last = number == len(orders) - 1
        likely_equal = _alike(worker, cases)
        dealt = sorted(range(len(cases)), key=lambda i: likely_equal[i]) if number > 1 else list(range(len(cases)))
        runs = [[cases[i] for i in dealt[start : start + RUN]] for start in range(0, len(dealt), RUN)]
        if jobs > 1 and last and len(cases) >= SERIAL_BELOW:
            learned = worker.allocator.known, worker.allocator.parents
            results: Iterator[list[ServedCase]] = _in_processes(jobs, runs, (topology, stage, given, seconds, learned))
        else:
            results = (worker.serve(run, not last, whole) for run in runs)
        phases = len(topology.phases)
        place = {i: n for n, i in enumerate(dealt)}
        found: list[ServedCase] = []
        for run, served in zip(runs, results, strict=True):
            done += len(run)
            if progress:
                progress(done, total)
            found += served
        yield [found[phases * place[i] + p] for i in range(len(cases)) for p in range(phases)]


def _alike(worker: _Worker, cases: list[Case]) -> list[tuple[int, ...]]:
    """A key of each case, equal where the events alone leave the same behind: such cases go to the same process."""
    kinds: dict[tuple[Surviving, ...], int] = {}
    kind_of: dict[Event, int] = {}
    keys = []
    for case in cases:
        for event in case:
            if event not in kind_of:
                parts = tuple(
                    part
                    for phase in worker.plant.network.topology.phase_names
                    for part in worker.allocator.parents.get(parent_key((event,), phase), ())
                )
                kind_of[event] = kinds.setdefault(parts, len(kinds))
        keys.append(tuple(sorted(kind_of[e] for e in case)))
    return keys


def _in_processes(jobs: int, runs: list[list[Case]], start: tuple[Any, ...]) -> Iterator[list[ServedCase]]:
    """Results of ``runs`` in their order; only a few runs ahead are held."""
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool

    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(jobs, mp_context=context, initializer=_begin, initargs=start)
    try:
        waiting = iter(runs)
        ahead = [pool.submit(_run, run) for run in islice(waiting, 4 * jobs)]
        while ahead:
            yield ahead.pop(0).result()
            ahead += [pool.submit(_run, run) for run in islice(waiting, 1)]
    except BrokenProcessPool as error:
        raise RequestError("a process computing cases was killed; nothing was written. Try --jobs 1") from error
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
