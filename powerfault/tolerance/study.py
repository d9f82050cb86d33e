"""What does every failure do to every consumer? All cases of one topology up to an order, and the verdicts.

>>> import powerfault as pf
>>> topology = pf.read_topology_text('''
... powerfault: 1
... name: one bus
... components: {PV: {kind: source}, BUS: {kind: bus}}
... feeds: [PV -> BUS]
... loads: {FAN: {fed_by: [BUS], severity: critical}}
... ''')
>>> found = pf.faults(topology)
>>> [(v.id, v.tolerates, v.meets) for v in found.verdicts]
[('FAN', 0, False)]
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from powerfault.electrical.served.rated_table import RatedTable, rated_table
from powerfault.electrical.served.study import ASSUMPTIONS
from powerfault.errors import RequestError, TooLargeError
from powerfault.failures.case_state import case_states
from powerfault.failures.cases import count_cases
from powerfault.failures.clusters import SystemPlan, plan_system
from powerfault.failures.outcomes import CaseTable, Progress, evaluate_system
from powerfault.failures.pieces import estimate_seconds
from powerfault.model.collector import collector_paused
from powerfault.model.elements import OUTCOMES, Event, Topology
from powerfault.network.failure_modes import check_modes, describe_unasked, list_events, parse_event
from powerfault.network.graph import Network, build_network
from powerfault.tolerance.cutsets.direct import direct_cut_sets
from powerfault.tolerance.cutsets.enumerated import CutSets, cut_sets_of_system, minimal_cut_sets
from powerfault.tolerance.results import digest
from powerfault.tolerance.verdicts import Verdict, judge, rides_through_stages
from powerfault.tolerance.when_flat import AtOnce, count_lasting

if TYPE_CHECKING:
    import pandas as pd

T = TypeVar("T")
FORMAT = 1
QUESTION_CHANGED = "the question was changed: "
"""How a note of a result begins that names a change of the question."""
RATINGS_STATEMENT = (
    "Ratings counted: a load that the surviving equipment cannot carry is lost, by priority; what is so lost is named "
    "no_capacity."
)
CASES_WITHOUT_ASKING = 5_000_000
"""Cases that are written out or compared one by one without being asked for."""
LANES_WITHOUT_ASKING = 20_000_000
"""Combinations that are evaluated without being asked for."""
LANES_VISITED = 500_000_000
"""Up to here cut sets alone come from visiting all combinations, beyond it from a search."""
MAGNITUDE_ONLY, BEYOND_ESTIMATE = 10**15, 10**280
"""Cases of which the magnitude is named and not the number, and so many that no time can be."""
BYTES_WITHOUT_ASKING = 4_000_000_000
RATED_CASES_WITHOUT_ASKING = 50_000
RATED_CASE_S = 0.008
LANES_FOR_ONE_PROCESS = 2_000_000
WORTH_PROCESSES_S = 5.0
CASES_WRITTEN_PER_S = 100_000
STATEMENTS = (
    'Protection is taken as selective and fast: bus sag while a fault clears is not modelled, so "uninterrupted" '
    "means after clearing.",
    "Phases are judged each in its steady state, linked by charge only.",
    "Switch positions are credited one consumer at a time unless ratings were asked for: a verdict says that a path "
    "exists.",
)
"""What every result says of itself."""


@dataclass(frozen=True)
class Study:
    """All cases of one topology up to an order, and the verdict on every consumer."""

    topology: Topology
    network: Network = field(repr=False)
    order: int
    modes: tuple[str, ...]
    given: tuple[Event, ...]
    system: SystemPlan = field(repr=False)
    verdicts: tuple[Verdict, ...] = field(repr=False)
    evaluated: CaseTable | None = field(repr=False)
    """``None`` where only cut sets were asked for."""
    rated: RatedTable | None = field(default=None, repr=False)
    """What ratings do, where they were asked for; the cases and verdicts then count them."""
    at_once: AtOnce | None = field(default=None, repr=False)
    """The second instant of each case, before a storage is flat, where it was asked for."""

    @property
    def table(self) -> CaseTable:
        """All cases; :class:`RequestError` where only cut sets were asked for."""
        if self.evaluated is None:
            raise RequestError("this study holds cut sets only: run it without cut_sets_only to have the cases")
        return self.evaluated

    @property
    def events(self) -> tuple[Event, ...]:
        return self.system.events

    @property
    def standing(self) -> tuple[Event, ...]:
        """The standing events of the file, then the given ones."""
        return self.system.standing

    @property
    def case_count(self) -> int:
        return count_all(self.system)

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader of this result must know: its assumptions and what was not enumerated."""
        ratings: tuple[str, ...] = (RATINGS_STATEMENT, *ASSUMPTIONS) if self.rated is not None else ()
        if self.rated is not None and self.rated.unproved:
            ratings += (f"not proved optimal within the time allowed: {len(self.rated.unproved)} cases",)
        changed = tuple(f"{QUESTION_CHANGED}{c}" for c in self.topology.question_changes)
        flat = self.at_once.notes if self.at_once is not None else ()
        return (*STATEMENTS, *ratings, *flat, *describe_unasked(self.topology, self.modes), *changed)

    @cached_property
    def baseline(self) -> Mapping[str, str]:
        """The outcomes with nothing failed beyond the standing events, for consumers not uninterrupted."""
        state = case_states(self.network, [()], self.given)[0]
        return {id_: outcome for id_, outcome in state.outcomes.items() if outcome != OUTCOMES[0]}

    def lacks_capacity(self, failed: Iterable[Event], consumer: str) -> bool:
        """Whether ``consumer`` fares worse in the case than a path alone would let it, for want of capacity."""
        return self.rated is not None and consumer in self.rated.no_capacity.get(tuple(failed), ())

    def verdict(self, id_: str) -> Verdict:
        """The verdict on one consumer; :class:`RequestError` where there is none of that id."""
        for verdict in self.verdicts:
            if verdict.id == id_:
                return verdict
        raise RequestError(f"no load or function {id_!r} in {self.topology.name}")

    def iter_cases(self) -> Iterator[tuple[tuple[Event, ...], dict[str, str]]]:
        """Yield (failed events, outcomes) of each case in which some consumer is not uninterrupted, in case order.

        ``outcomes`` holds only the consumers that are not uninterrupted.
        """
        return self._iter_cases(self.table.events)

    def _iter_cases(self, events: Sequence[T]) -> Iterator[tuple[tuple[T, ...], dict[str, str]]]:
        """As :meth:`iter_cases`, with what ``events`` holds by event number in place of the events."""
        consumers, n_outcomes = self.table.consumers, len(OUTCOMES)
        for run in self.table.touched():
            if not len(run.case):
                continue
            starts = np.flatnonzero(np.diff(run.case, prepend=-1))
            failed = zip(
                *([events[e] for e in column] for column in run.cases[run.case[starts]].T.tolist()), strict=True
            )
            # Many cases of a run have the same outcomes: those are put in words once, and copied.
            cells = (run.consumer * n_outcomes + run.outcome).astype(np.int64).tobytes()
            written: dict[bytes, dict[str, str]] = {}
            bounds = pairwise([*(8 * starts).tolist(), len(cells)])
            for case, (begin, end) in zip(failed, bounds, strict=True):
                own = cells[begin:end]
                if own not in written:
                    numbers = np.frombuffer(own, np.int64).tolist()
                    written[own] = {consumers[i // n_outcomes]: OUTCOMES[i % n_outcomes] for i in numbers}
                yield case, written[own].copy()

    def iter_when_flat(self) -> Iterator[dict[str, str]]:
        """Yield, for each case of :meth:`iter_cases`, the outcome at once of the consumers that fare better at once.

        :class:`RequestError` where the study was made without ``when_flat``.
        """
        if self.at_once is None:
            raise RequestError("this study holds the long run alone: run it with when_flat")
        consumers = self.table.consumers
        for run, flat in zip(self.table.touched(), self.at_once.table.touched(), strict=True):
            cells, own = (x.case * len(consumers) + x.consumer for x in (run, flat))
            at_once = np.zeros(len(cells), np.uint8)
            at_once[np.searchsorted(cells, own)] = flat.outcome
            better: dict[int, dict[str, str]] = {}
            for i in np.flatnonzero(at_once < run.outcome):
                better.setdefault(int(run.case[i]), {})[consumers[run.consumer[i]]] = OUTCOMES[at_once[i]]
            for case in run.case[np.flatnonzero(np.diff(run.case, prepend=-1))].tolist():
                yield better.get(case, {})

    def iter_cases_by_phase(self) -> Iterator[tuple[tuple[Event, ...], dict[str, str], dict[str, dict[str, str]]]]:
        """As :meth:`iter_cases`, with the outcomes by phase where the study kept phases, else an empty mapping."""
        table = self.table
        if table.phase_baseline is None:
            yield from ((failed, outcomes, {}) for failed, outcomes in self.iter_cases())
            return
        events, consumers = table.events, table.consumers
        for block in table.blocks:
            outcomes, by_phase = block.outcomes, block.phase_outcomes
            touched = np.flatnonzero(outcomes.any(axis=1))
            for case in touched:
                row = outcomes[case]
                failed = tuple(events[e] for e in block.cases[case])
                found = {consumers[i]: OUTCOMES[row[i]] for i in np.flatnonzero(row)}
                phases: dict[str, dict[str, str]] = {}
                if by_phase is not None:
                    for p, phase in enumerate(table.phases):
                        own = by_phase[p, case]
                        if own.any():
                            phases[phase] = {consumers[i]: OUTCOMES[own[i]] for i in np.flatnonzero(own)}
                yield failed, found, phases

    def to_json(self, *, cases: bool = True) -> dict[str, Any]:
        """Return the results object of the format; with ``by_phase`` per case where the study kept phases."""
        result: dict[str, Any] = {
            "format": FORMAT,
            "topology": self.topology.name,
            "sha256": self.topology.sha256,
            "order": self.order,
            "modes": list(self.modes),
            "with": list(self.topology.applied),
            "standing": [str(e) for e in self.standing],
            "events": [str(e) for e in self.events],
            "case_count": self.case_count,
            "notes": list(self.notes),
            "nothing_failed": dict(self.baseline),
            "consumers": [v.to_json() for v in self.verdicts],
        }
        if self.rated is not None:
            result["ratings"] = True
            for verdict, consumer in zip(self.verdicts, result["consumers"], strict=True):
                consumer["no_capacity"] = [
                    [str(e) for e in cut] for cut in verdict.minimal_cut_sets if self.lacks_capacity(cut, verdict.id)
                ]
        if cases:
            result["cases"] = self._cases_json()
        result["digest"] = digest(result)
        return result

    @collector_paused()
    def _cases_json(self) -> list[dict[str, Any]]:
        listed: list[dict[str, Any]]
        if self.table.phase_baseline is None and self.rated is None:
            names = [str(e) for e in self.events]
            listed = [{"failed": list(failed), "outcomes": outcomes} for failed, outcomes in self._iter_cases(names)]
            return self._with_at_once(listed)
        listed = []
        for failed, outcomes, by_phase in self.iter_cases_by_phase():
            entry: dict[str, Any] = {"failed": [str(e) for e in failed], "outcomes": outcomes}
            if self.table.phase_baseline is not None:
                entry["by_phase"] = by_phase
            if self.rated is not None:
                entry["no_capacity"] = sorted(self.rated.no_capacity.get(failed, ()))
            listed.append(entry)
        return self._with_at_once(listed)

    def _with_at_once(self, cases: list[dict[str, Any]]) -> list[dict[str, Any]]:
        if self.at_once is not None:
            for case, better in zip(cases, self.iter_when_flat(), strict=True):
                if better:
                    case["when_flat"] = better
        return cases

    @cached_property
    def consumers_frame(self) -> pd.DataFrame:
        """The verdicts as a table, a row a consumer."""
        import pandas as pd

        return pd.DataFrame(
            {
                "consumer": [v.id for v in self.verdicts],
                "type": [v.type for v in self.verdicts],
                "severity": [v.severity for v in self.verdicts],
                "must_tolerate": pd.array([v.must_tolerate for v in self.verdicts], dtype="Int64"),
                "rides_through": [v.rides_through for v in self.verdicts],
                "tolerates": [v.tolerates for v in self.verdicts],
                "lower_bound": [v.lower_bound for v in self.verdicts],
                "meets": pd.array([v.meets for v in self.verdicts], dtype="boolean"),
                "minimal_cut_sets": [
                    "; ".join(" + ".join(map(str, c)) or "nothing failed" for c in v.minimal_cut_sets)
                    for v in self.verdicts
                ],
            }
        )

    @cached_property
    def cases_frame(self) -> pd.DataFrame:
        """The cases as a table, a row a case and consumer that is not uninterrupted in it."""
        import pandas as pd

        rides = {v.id: OUTCOMES.index(v.rides_through) for v in self.verdicts}
        rows = [
            (" + ".join(map(str, failed)), len(failed), consumer, outcome, OUTCOMES.index(outcome) > rides[consumer])
            for failed, outcomes in self.iter_cases()
            for consumer, outcome in outcomes.items()
        ]
        return pd.DataFrame(rows, columns=["failed", "order", "consumer", "outcome", "fails"])


def study(
    topology: Topology,
    order: int = 2,
    modes: Sequence[str] = ("loss",),
    given: Iterable[Event | str] = (),
    *,
    by_phase: bool = False,
    limit: int | None = LANES_WITHOUT_ASKING,
    jobs: int | None = None,
    keep: Path | None = None,
    cut_sets_only: bool = False,
    ratings: bool = False,
    when_flat: bool = False,
    progress: Progress | None = None,
) -> Study:
    """Evaluate every case of 1 to ``order`` events and judge every consumer.

    ``modes`` are the failure modes to enumerate, ``given`` events that belong to every case. ``jobs`` processes share
    the work (default: one, or one a core where that pays); finished pieces are kept in the folder ``keep`` and taken
    from there by a later run of the same question. With ``cut_sets_only`` the cases are not kept: many are visited by
    one process a piece at a time, and where there are too many the minimal cut sets are found without visiting all.
    ``when_flat`` evaluates a second instant of each case, before storages are flat that nothing charges any more, and
    counts a load that then lasts for its ``must_last_h`` as served.
    Raises :class:`TooLargeError` where more than ``limit`` combinations must be evaluated (``None``: any number that
    there is memory for), :class:`RequestError` for an unknown event or mode.
    """
    if order < 1:
        raise RequestError(f"order {order}: expected a whole number of at least 1")
    if when_flat and (cut_sets_only or ratings):
        raise RequestError("when_flat goes without cut_sets_only and ratings")
    modes = check_modes(modes)
    events = tuple(parse_event(topology, str(e)) for e in given)
    network = build_network(topology)
    system = plan_system(network, order, modes, events)
    rides = rides_through_stages(topology)
    found: list[CutSets]
    if ratings:
        count = count_all(system)
        if limit is not None and count > RATED_CASES_WITHOUT_ASKING:
            raise TooLargeError(
                f"{count:,} cases with ratings, each an optimum by stage and phase, take about "
                f"{_duration(count * len(topology.phases) * RATED_CASE_S)}; use --yes to run them all, or a lower "
                f"--order"
            )
        rated = rated_table(system, events, progress)
        found = minimal_cut_sets(rated.table, rides)
        return _judged(system, order, modes, events, found, rated.table, rated)
    if cut_sets_only and system.lane_count > LANES_FOR_ONE_PROCESS:
        if system.lane_count <= LANES_VISITED:
            found = cut_sets_of_system(system, rides, progress)
        else:
            found = direct_cut_sets(system, rides)
        return _judged(system, order, modes, events, found, None)
    if limit is not None and (system.lane_count > limit or system.bytes_needed(by_phase) > BYTES_WITHOUT_ASKING):
        work = "more than any machine does; use "
        if system.lane_count < BEYOND_ESTIMATE:
            gigabytes = system.bytes_needed(by_phase) / 1e9
            work = f"about {_duration(estimate_seconds(system))} and {gigabytes:,.1f} GB; use --yes to run them all, "
        raise TooLargeError(
            f"order {order} over modes {', '.join(modes)} makes {_amount(count_all(system))} cases; "
            f"{_amount(system.lane_count)} combinations of theirs interact and must be evaluated, which takes "
            f"{work}--cut-sets-only for the verdicts alone, a lower --order, or fewer --modes"
        )
    if jobs is None:
        many = system.lane_count > LANES_FOR_ONE_PROCESS and estimate_seconds(system) > WORTH_PROCESSES_S
        jobs = os.cpu_count() or 1 if many else 1
    table = evaluate_system(system, by_phase=by_phase, jobs=jobs, keep=keep, progress=progress)
    if when_flat:
        flat = evaluate_system(system, jobs=jobs, keep=keep, at_once=True)
        lasting = count_lasting(topology, table, flat, rides, events)
        found = minimal_cut_sets(lasting.judged, rides)
        return _judged(system, order, modes, events, found, table, at_once=AtOnce(flat, lasting.notes))
    found = minimal_cut_sets(table, rides)
    return _judged(system, order, modes, events, found, None if cut_sets_only else table)


def _judged(
    system: SystemPlan,
    order: int,
    modes: tuple[str, ...],
    given: tuple[Event, ...],
    cut_sets: Sequence[CutSets],
    table: CaseTable | None,
    rated: RatedTable | None = None,
    at_once: AtOnce | None = None,
) -> Study:
    topology = system.network.topology
    verdicts = judge(topology, cut_sets, [c.smallest for c in cut_sets], order)
    return Study(topology, system.network, order, modes, given, system, tuple(verdicts), table, rated, at_once)


def refuse_many(
    topology: Topology, order: int, modes: Sequence[str] = ("loss",), given: Iterable[Event] = (), *, yes: bool = False
) -> None:
    """Raise :class:`TooLargeError` where more cases would be written out than anyone reads, unless ``yes``."""
    count = sum(count_cases(list_events(topology, modes, given), order)[1:])
    if not yes and count > CASES_WITHOUT_ASKING:
        time = _duration(min(count, BEYOND_ESTIMATE) / CASES_WRITTEN_PER_S)
        raise TooLargeError(
            f"order {order} over modes {', '.join(modes)} makes {_amount(count)} cases, more than the "
            f"{CASES_WITHOUT_ASKING:,} that are written out one by one without being asked for; use --yes to write "
            f"them all (about {time}), 'powerfault faults --cut-sets-only' for verdicts and minimal cut sets alone, a "
            f"lower --order, or fewer --modes"
        )


def count_all(system: SystemPlan) -> int:
    """Return the number of cases of 1 to the order of a system."""
    return sum(count_cases(system.events, system.order)[1:])


def _amount(count: int) -> str:
    return f"{count:,}" if count < MAGNITUDE_ONLY else f"over 10^{len(str(count)) - 1}"


def _duration(seconds: float) -> str:
    for size, name in ((86_400 * 365, "years"), (86_400, "days"), (3600, "hours"), (60, "minutes")):
        if seconds >= 2 * size:
            return f"{seconds / size:,.0f} {name}"
    return f"{seconds:.0f} s"
