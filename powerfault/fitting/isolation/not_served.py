"""What goes dark when devices are held open? Any number of choices at once, through the evaluator of the failures.

A device held open and tagged passes nothing and cannot be operated: for the power study that is a lost component,
without a fault. Each choice of devices is one lane of a block. Choices are judged in the phases of the work.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from powerfault.errors import RequestError, nearest
from powerfault.failures.energise import energise
from powerfault.failures.lanes import WholeNumberLanes
from powerfault.failures.plan import Plan, make_plan
from powerfault.model.elements import STAGES, Topology
from powerfault.network.graph import Network, build_network

LOST = len(STAGES)


@dataclass(frozen=True, slots=True)
class Darkness:
    """Stages by consumer: ``stages[i]`` is the first stage that serves consumer i, :data:`LOST` if none does."""

    ids: tuple[str, ...]
    stages: tuple[int, ...]

    def after(self, stage: int) -> frozenset[str]:
        """The consumers that are still dark at ``stage``."""
        return frozenset(i for i, s in zip(self.ids, self.stages, strict=True) if s > stage)


class HeldOpen:
    """Evaluates sets of held-open devices on one topology."""

    def __init__(self, topology: Topology, phases: Iterable[str] = ()) -> None:
        """``phases`` in which consumers are judged; all of them if none is named."""
        self.topology = topology
        self.phases = check_phases(topology, phases)
        self.network: Network = build_network(topology)
        self._plan: Plan = make_plan(self.network)
        self._wanted = [p for p, name in enumerate(topology.phase_names) if name in self.phases]
        self.consumers = tuple(self.network.ids[v] for v in self.network.consumers)

    def judge(self, choices: Sequence[Collection[str]]) -> list[Darkness]:
        """Return what each choice of held-open devices darkens, the choices judged together."""
        lanes = WholeNumberLanes(len(choices))
        rows: dict[tuple[int, str], int] = {
            (self.network.index[e.id], e.mode): lanes.full for e in self.topology.standing
        }
        for lane, choice in enumerate(choices):
            for id_ in choice:
                key = (self.network.index[id_], "loss")
                rows[key] = rows.get(key, 0) | 1 << lane
        found = energise(self._plan, lanes, rows, keep_phases=True)
        result = []
        width = len(self.consumers)
        unserved = [
            [self._over_phases(found.phase_unserved, stage, i) for i in range(width)] for stage in range(len(STAGES))
        ]
        for lane in range(len(choices)):
            bit = 1 << lane
            stages = tuple(
                next((s for s in range(len(STAGES)) if not unserved[s][i] & bit), LOST) for i in range(width)
            )
            result.append(Darkness(self.consumers, stages))
        return result

    def _over_phases(self, rows: list[list[list[int]]], stage: int, consumer: int) -> int:
        merged = 0
        for p in self._wanted:
            merged |= rows[p][stage][consumer]
        return merged

    def live(self, choice: Collection[str], stage: int) -> frozenset[str]:
        """What is live or served in every judged phase at ``stage`` with the devices of ``choice`` held open."""
        lanes = WholeNumberLanes(1)
        rows: dict[tuple[int, str], int] = {(self.network.index[e.id], e.mode): 1 for e in self.topology.standing}
        rows |= {(self.network.index[i], "loss"): 1 for i in choice}
        found = energise(self._plan, lanes, rows, keep_rows=True)
        alive = set(range(len(self.network.ids)))
        for p in self._wanted:
            live = found.stages[stage][p].live
            alive = {v for v in alive if live[v]}
        return frozenset(self.network.ids[v] for v in alive)


def check_phases(topology: Topology, phases: Iterable[str]) -> tuple[str, ...]:
    """Return the named phases in file order (all if none is named); raise :class:`RequestError` for an unknown one."""
    asked = list(phases)
    for name in asked:
        if name not in topology.phase_names:
            known = ", ".join(topology.phase_names)
            raise RequestError(f"no phase {name!r}{nearest(name, topology.phase_names)}; expected one of {known}")
    return tuple(p for p in topology.phase_names if not asked or p in asked)
