"""What is allowed in a topology and yet looks wrong or matters to a reviewer? Warnings and waivers."""

from __future__ import annotations

from dataclasses import dataclass

from powerfault.errors import Problem
from powerfault.model.elements import TOLERANCE_BY_SEVERITY, Topology


@dataclass(frozen=True, slots=True)
class Waiver:
    """A consumer that must tolerate fewer failures than is usual for its severity."""

    id: str
    type: str
    severity: str
    must_tolerate: int
    usual: int
    basis: str | None


def waivers(topology: Topology) -> tuple[Waiver, ...]:
    """Return the consumers whose ``must_tolerate`` is below the default of their severity, in the file's order."""
    found = []
    for consumer in topology.consumers():
        if consumer.severity is None or consumer.must_tolerate is None:
            continue
        usual = TOLERANCE_BY_SEVERITY[consumer.severity]
        if consumer.must_tolerate < usual:
            kind = "load" if consumer.id in topology.loads else "function"
            found.append(Waiver(consumer.id, kind, consumer.severity, consumer.must_tolerate, usual,
                                consumer.severity_basis))  # fmt: skip
    return tuple(found)


def topology_warnings(topology: Topology) -> tuple[Problem, ...]:
    """Return the warnings of ``topology``, each at its place in the file, in the order of the file."""
    return topology.notices
