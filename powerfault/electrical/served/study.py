"""Served load in all cases up to an order, in every phase: the question, and the totals of its answer.

:func:`rated_cases` is the hook for verdicts that count ratings: the outcome of every consumer in every case if what
must be shed is lost.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from powerfault.electrical.served.attainable import RULE
from powerfault.electrical.served.case_runs import Case, Progress, rate_cases, serve_cases
from powerfault.electrical.served.plant import build_plant
from powerfault.electrical.served.rated_outcomes import RatedCase
from powerfault.electrical.served.served_case import ServedCase
from powerfault.electrical.served.solver import INFINITY
from powerfault.errors import RequestError, TooLargeError, nearest
from powerfault.failures.cases import case_blocks, count_cases
from powerfault.model.elements import STAGES, Event, Topology
from powerfault.network.failure_modes import check_modes, describe_unasked, list_events, merge_given, parse_event
from powerfault.network.graph import build_network

CASES_WITHOUT_ASKING = 100_000
ASSUMPTIONS = (
    "each phase in its steady state; any load can be shed, at every stage; loads are served whole or not at all",
    "power runs as the ratings allow best: how it divides between parallel ways by itself is a matter of the DC flow",
    RULE,
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
                f"{count * len(topology.phases) * 0.002 / 60:,.0f} minutes; ask for a lower --order, or say --yes"
            )
        orders = [[()], *(list(_cases(events, k)) for k in range(1, order + 1))]
    found = serve_cases(plant, orders, number, given_events, seconds, jobs, progress)
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
    jobs: int | None = None,
    progress: Progress | None = None,
) -> Iterator[RatedCase]:
    """Yield the outcomes of each case if every load that must be shed counts as lost.

    See ``served.rated_outcomes``. ``given`` events belong to every case beside the standing ones.
    Costs up to four optima a case and phase, of which most are proved by a routing and equal ones are found once.
    """
    plant = build_plant(build_network(topology))
    yield from rate_cases(plant, [tuple(c) for c in cases], tuple(given), seconds, jobs, progress)


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
