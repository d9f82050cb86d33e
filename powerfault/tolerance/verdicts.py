"""Required tolerance against the tolerance found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from powerfault.model.elements import STAGES, Event, Function, Load, Topology


@dataclass(frozen=True, slots=True)
class Verdict:
    """What was asked of a consumer and what was found.

    ``tolerates`` n failures: the smallest minimal cut set has n+1 events, -1 where it fails with nothing failed; with
    ``lower_bound`` no failing case was found, and it tolerates at least that many. ``meets`` is ``None`` where nothing
    is required or the order was too low to tell.
    """

    id: str
    type: str
    severity: str | None
    must_tolerate: int | None
    rides_through: str
    tolerates: int
    lower_bound: bool
    meets: bool | None
    minimal_cut_sets: Sequence[tuple[Event, ...]]

    @property
    def single_points(self) -> tuple[Event, ...]:
        """The single events that fail it."""
        return tuple(c[0] for c in self.minimal_cut_sets if len(c) == 1)

    def to_json(self) -> dict[str, Any]:
        return {
            "id": self.id,
            "type": self.type,
            "severity": self.severity,
            "must_tolerate": self.must_tolerate,
            "rides_through": self.rides_through,
            "tolerates": self.tolerates,
            "lower_bound": self.lower_bound,
            "meets": self.meets,
            "minimal_cut_sets": [[str(e) for e in c] for c in self.minimal_cut_sets],
        }


def rides_through_stages(topology: Topology) -> tuple[int, ...]:
    """Return, by consumer, the number of the worst stage that it rides through."""
    return tuple(STAGES.index(topology.rides_through(c)) for c in topology.consumers())


def judge(
    topology: Topology,
    cut_sets: Sequence[Sequence[tuple[Event, ...]]],
    smallest: Sequence[int | None],
    order: int,
) -> list[Verdict]:
    """Return the verdict on every consumer from its minimal cut sets up to ``order`` and the size of the smallest."""
    return [
        _verdict(topology, consumer, own, size, order)
        for consumer, own, size in zip(topology.consumers(), cut_sets, smallest, strict=True)
    ]


def _verdict(
    topology: Topology,
    consumer: Load | Function,
    cut_sets: Sequence[tuple[Event, ...]],
    smallest: int | None,
    order: int,
) -> Verdict:
    tolerates = order if smallest is None else smallest - 1
    required = consumer.required_tolerance
    meets: bool | None
    if required is None or (smallest is None and tolerates < required):
        meets = None
    else:
        meets = tolerates >= required
    return Verdict(
        id=consumer.id,
        type="load" if isinstance(consumer, Load) else "function",
        severity=consumer.severity,
        must_tolerate=required,
        rides_through=topology.rides_through(consumer),
        tolerates=tolerates,
        lower_bound=smallest is None,
        meets=meets,
        minimal_cut_sets=cut_sets,
    )
