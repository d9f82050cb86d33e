"""One topology that holds every candidate, so that any set of them is a lane: those not in the set are absent.

Only candidates that *add* can share a union: components and links, no loads or functions, nothing removed or set. The
others are evaluated one by one. An added component takes an id of its own in the union, since two alternatives may
add the same id; an added link between two components that were there before becomes a bus that never fails, which
carries power and faults as the link would, and can be absent.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from powerfault.errors import PowerfaultError
from powerfault.model.elements import MODES, Component, Event, Link, Need, Topology
from powerfault.model.modify import apply_proposals
from powerfault.network.failure_modes import list_events


@dataclass(frozen=True, slots=True)
class Addition:
    """What one candidate adds, in the ids of the union: its nodes, and the events of its own components."""

    candidate: str
    nodes: tuple[str, ...]
    events: tuple[Event, ...]
    """In the order in which they are listed, of all modes."""
    own_ids: frozenset[str]
    """The ids of its components as the proposal spells them: two candidates with a common one exclude each other."""


@dataclass(frozen=True, slots=True)
class Union:
    """``topology`` holds all ``additions``; ``apart`` names the candidates that cannot be in it, and why."""

    topology: Topology
    additions: Mapping[str, Addition]
    apart: Mapping[str, str]
    refused: Mapping[str, str]
    """Candidates that cannot be applied to the system as it stands, with the error."""


def build_union(topology: Topology, candidates: Sequence[str]) -> Union:
    """Return the union of the proposals ``candidates`` of ``topology``."""
    components: dict[str, Component] = dict(topology.components)
    links: list[Link] = list(topology.links)
    additions: dict[str, Addition] = {}
    apart: dict[str, str] = {}
    refused: dict[str, str] = {}
    for number, id_ in enumerate(candidates):
        try:
            after = apply_proposals(topology, [id_])
        except PowerfaultError as error:
            refused[id_] = str(error).splitlines()[0]
            continue
        why = _not_only_adding(topology, after)
        if why:
            apart[id_] = why
            continue
        own = [c for i, c in after.components.items() if i not in topology.components]
        name = {c.id: f"{c.id}#{number}" for c in own}
        for part in own:
            components[name[part.id]] = _renamed(part, name)
        nodes = list(name.values())
        before = set(topology.links)
        for k, (a, b) in enumerate(link for link in after.links if link not in before):
            if a in name or b in name:
                links.append((name.get(a, a), name.get(b, b)))
            else:
                via = f"link#{number}#{k}"
                components[via] = Component(id=via, kind="bus", can_fail=False)
                nodes.append(via)
                links += [(a, via), (via, b)]
        modes = [event for event in list_events(after, MODES) if event.id in name]
        additions[id_] = Addition(
            id_, tuple(nodes), tuple(Event(name[e.id], e.mode) for e in modes), frozenset(c.id for c in own)
        )
    return Union(replace(topology, components=components, links=tuple(links)), additions, apart, refused)


def _renamed(part: Component, name: Mapping[str, str]) -> Component:
    return replace(
        part,
        id=name[part.id],
        needs=tuple(Need(name.get(n.id, n.id), n.bears) for n in part.needs),
        operated_by=tuple(name.get(i, i) for i in part.operated_by),
        charged_by=None if part.charged_by is None else tuple(name.get(i, i) for i in part.charged_by),
    )


def _not_only_adding(before: Topology, after: Topology) -> str | None:
    """Why ``after`` is more than ``before`` with components and links added, or ``None`` if it is just that."""
    if dict(before.loads) != dict(after.loads):
        return "it changes loads"
    if dict(before.functions) != dict(after.functions):
        return "it changes functions"
    if any(after.components.get(i) != c for i, c in before.components.items()):
        return "it removes or sets components"
    if not set(before.links) <= set(after.links):
        return "it removes links"
    if before.standing != after.standing:
        return "it changes what stands failed"
    return None


def added_node_count(union: Union) -> int:
    """Nodes of all additions together."""
    return sum(len(a.nodes) for a in union.additions.values())
