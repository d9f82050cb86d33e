"""What an evaluation needs of a network that does not depend on the cases, looked up once."""

from __future__ import annotations

from dataclasses import dataclass

from powerfault.model.elements import STAGES, Component, in_phase
from powerfault.network.graph import Network
from powerfault.network.zones import Barriers, find_barriers


@dataclass(frozen=True, slots=True)
class Plan:
    """What an evaluation needs of a network that does not depend on the cases; made once, used for every block."""

    network: Network
    barriers: Barriers
    phases: tuple[str, ...]
    dry: tuple[frozenset[int], ...]
    """By phase, the sources and storages without capacity in it."""
    sources: frozenset[int]
    switched: tuple[int, ...]
    stage_of: dict[int, int]
    clears: tuple[int, ...]
    fuses: tuple[int, ...]
    converters: tuple[int, ...]
    valves: frozenset[int]
    storages: tuple[int, ...]
    unmated: tuple[int, ...]
    crew_mates: tuple[int, ...]
    judged: tuple[tuple[bool, ...], ...]
    """By phase and consumer."""
    bearing: tuple[tuple[int, int], ...]
    """(need, stage) pairs whose interruption some node bears."""
    active_stages: frozenset[int]
    """Stages at which something becomes operable; at the others nothing can change."""


def make_plan(network: Network) -> Plan:
    """Return the static part of the evaluation of ``network``."""
    topology = network.topology
    components = [e for e in network.elements[: network.n_components] if isinstance(e, Component)]
    consumers = [e for e in network.elements[network.n_components :] if not isinstance(e, Component)]
    switched = tuple(i for i, c in enumerate(components) if c.is_switched)
    stage_of = {i: STAGES.index(components[i].operated or "commanded") for i in switched}
    crew_mates = tuple(i for i, c in enumerate(components) if c.is_jumper and not c.mated and c.crew_may_mate)
    active = set(stage_of.values())
    if crew_mates:
        active.add(STAGES.index("manual"))
    return Plan(
        network=network,
        barriers=find_barriers(network),
        phases=topology.phase_names,
        dry=tuple(
            frozenset(i for i, c in enumerate(components) if c.is_source and in_phase(c.capacity_kw, phase, 1.0) == 0.0)
            for phase in topology.phase_names
        ),
        sources=frozenset(i for i, c in enumerate(components) if c.is_source),
        switched=switched,
        stage_of=stage_of,
        clears=tuple(i for i, c in enumerate(components) if c.clears),
        fuses=tuple(i for i, c in enumerate(components) if c.kind == "fuse"),
        converters=tuple(i for i, c in enumerate(components) if c.kind == "converter"),
        valves=frozenset(i for i, c in enumerate(components) if c.kind == "valve"),
        storages=tuple(i for i, c in enumerate(components) if c.kind == "storage"),
        unmated=tuple(i for i, c in enumerate(components) if c.is_jumper and not c.mated),
        crew_mates=crew_mates,
        judged=tuple(tuple(c.judged_in(phase) for c in consumers) for phase in topology.phase_names),
        bearing=tuple(dict.fromkeys((x.node, x.bears) for own in network.needs for x in own if x.bears)),
        active_stages=frozenset(active),
    )
