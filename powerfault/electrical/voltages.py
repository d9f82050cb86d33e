"""Bus voltages in one case: the whole network at one stage, with the loads that ratings let be served, or all."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from powerfault.electrical.currents.bus_voltages import Voltages, solve_voltages
from powerfault.electrical.currents.derating import Derating, read_derating
from powerfault.electrical.currents.layout import lay_out
from powerfault.electrical.served.positions import Positions, positions_of, rated_positions
from powerfault.failures.case_state import case_states
from powerfault.model.elements import STAGES, Event, Topology
from powerfault.network.failure_modes import parse_event
from powerfault.network.graph import build_network


@dataclass(frozen=True)
class VoltageStudy:
    """The voltages by phase, with the positions in which they were found."""

    topology: Topology
    failed: tuple[Event, ...]
    stage: str
    rated: bool
    derating: Derating
    positions: tuple[tuple[str, Positions], ...]
    voltages: tuple[Voltages, ...]

    @property
    def sound(self) -> bool:
        """Whether every phase has an operating point and nothing is outside its window or above its rating."""
        return all(v.operates and not any(f.grave == "unmet" for f in v.findings) for v in self.voltages)


def study_voltages(
    topology: Topology,
    failed: Iterable[Event | str] = (),
    stage: str = "commanded",
    given: Iterable[Event | str] = (),
    *,
    rated: bool = False,
    phases: Sequence[str] = (),
) -> VoltageStudy:
    """Solve the network in one case.

    With ``rated``, positions and loads are those of the best service under ratings; without, positions nearest to
    normal with every load on that has a path. Raises :class:`RequestError` for an unknown event or one named twice.
    """
    case = tuple(parse_event(topology, e) if isinstance(e, str) else e for e in failed)
    events = tuple(parse_event(topology, e) if isinstance(e, str) else e for e in given)
    derating, layout = read_derating(topology), lay_out(topology)
    state = case_states(build_network(topology), [case], events)[0]
    found: list[tuple[str, Positions]] = []
    for phase in phases or topology.phase_names:
        if rated:
            found.append((phase, rated_positions(topology, case, stage, phase, events)))
        else:
            found.append((phase, positions_of(layout, state, STAGES.index(stage), phase)))
    solved = tuple(solve_voltages(layout, p.conducting, phase, derating) for phase, p in found)
    return VoltageStudy(topology, case, stage, rated, derating, tuple(found), solved)
