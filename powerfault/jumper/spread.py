"""Does the jumper carry a fault from one channel into the next, and where would a protective device stop it?

Every single event of the system after the proposal is evaluated before and after. An event *reaches* a channel where
the zone of a short takes in one of its components, or where one of its consumers does worse than with nothing failed.
What it reaches after and did not reach before is the doing of the proposal; the way of the fault through the zone says
where.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from powerfault.failures.case_state import CaseState, case_states
from powerfault.model.elements import OUTCOMES, SEVERITIES, Component, Event, Link, Topology, in_phase
from powerfault.network.failure_modes import list_events
from powerfault.network.graph import Network, build_network


@dataclass(frozen=True, slots=True)
class Spread:
    """One event that reaches further because of the proposal.

    ``channels_before`` and ``channels_after`` are those it reaches; ``way`` the shortest way of the fault from where
    it starts to the first component of a channel newly reached; ``consumers`` those that it newly harms, with the
    outcome; ``own`` whether the event is one of the proposal's own components.
    """

    event: Event
    own: bool
    channels_before: tuple[str, ...]
    channels_after: tuple[str, ...]
    way: tuple[str, ...]
    consumers: tuple[tuple[str, str], ...]

    def sentence(self, topology: Topology) -> str:
        new = [c for c in self.channels_after if c not in self.channels_before]
        names = " and ".join(_channel_name(topology, c) for c in new)
        text = f"{self.event} now reaches into {names}" if new else f"{self.event} now does more harm"
        if self.channels_before and new:
            text += f" beside {' and '.join(_channel_name(topology, c) for c in self.channels_before)}"
        if len(self.way) > 1:
            text += f", by way of {' > '.join(self.way)}, where nothing stops it"
        if self.consumers:
            text += "; " + ", ".join(f"{c} {o}" for c, o in self.consumers[:8])
            if len(self.consumers) > 8:
                text += f" and {len(self.consumers) - 8} more"
        return text + "."

    def to_json(self) -> dict[str, Any]:
        return {
            "event": str(self.event),
            "own": self.own,
            "channels_before": list(self.channels_before),
            "channels_after": list(self.channels_after),
            "way": list(self.way),
            "consumers": dict(self.consumers),
        }


def _channel_name(topology: Topology, channel: str) -> str:
    found = topology.channels.get(channel)
    return found.label if found and found.label else channel


def find_spread(before: Topology, after: Topology, modes: Sequence[str], given: Sequence[Event] = ()) -> list[Spread]:
    """Return the single events that reach a channel after and not before, worst first."""
    network_before, network_after = build_network(before), build_network(after)
    events = list_events(after, modes, given)
    shared = {e: i for i, e in enumerate(list_events(before, modes, given))}
    states_after = case_states(network_after, [(), *((e,) for e in events)], given)
    states_before = case_states(network_before, [(), *((e,) for e in shared)], given)
    nothing = states_before[0]
    found = []
    for event, state in zip(events, states_after[1:], strict=True):
        earlier = states_before[1 + shared[event]] if event in shared else nothing
        reached = _channels(after, state, states_after[0])
        was = _channels(before, earlier, nothing)
        harmed = tuple(
            (c, o)
            for c, o in state.outcomes.items()
            if c in earlier.outcomes and OUTCOMES.index(o) > OUTCOMES.index(earlier.outcomes[c])
        )
        new = tuple(c for c in reached if c not in was)
        own_channel = _channel_of(after, event.id)
        crosses = [c for c in new if c != own_channel]
        if crosses and (harmed or len(reached) > 1):
            way = _way(network_after, state, event, crosses)
            found.append(Spread(event, event.id in after.added, was, reached, way, harmed))
    found.sort(key=lambda s: (-len(s.channels_after) + len(s.channels_before), -len(s.consumers)))
    return found


def _channel_of(topology: Topology, id_: str) -> str | None:
    element = topology.components.get(id_) or topology.loads.get(id_)
    return element.channel if element else None


def _channels(topology: Topology, state: CaseState, nothing: CaseState) -> tuple[str, ...]:
    """Channels with a component in the zone of a short, or a consumer of which does worse than with nothing failed."""
    zone = frozenset().union(*state.zone[0].values())
    reached = {_channel_of(topology, i) for i in zone}
    reached |= {
        _channel_of(topology, c)
        for c, o in state.outcomes.items()
        if OUTCOMES.index(o) > OUTCOMES.index(nothing.outcomes[c])
    }
    reached |= {_channel_of(topology, e.id) for e in state.failed}
    return tuple(c for c in topology.channels if c in reached)


def _way(network: Network, state: CaseState, event: Event, channels: Sequence[str]) -> tuple[str, ...]:
    if event.mode not in ("short", "leak"):
        return ()
    zone = frozenset().union(*state.zone[0].values())
    start = network.index[event.id]
    came: dict[int, int] = {start: -1}
    queue = deque([start])
    while queue:
        v = queue.popleft()
        if _channel_of(network.topology, network.ids[v]) in channels:
            way = []
            while v >= 0:
                way.append(network.ids[v])
                v = came[v]
            return tuple(reversed(way))
        for w in (*network.fault_next[v], *network.fault_previous[v]):
            if w not in came and network.ids[w] in zone:
                came[w] = v
                queue.append(w)
    return (event.id,)


@dataclass(frozen=True, slots=True)
class Variant:
    """The proposal with a breaker put in at one or more ends of what it adds."""

    topology: Topology
    breakers: tuple[tuple[str, str, str], ...]
    """(id of the breaker, existing component, component of the proposal) at each place."""

    @property
    def about(self) -> str:
        return " and ".join(f"a breaker between {a} and {b}" for _, a, b in self.breakers)


def protected_variants(before: Topology, after: Topology, spreads: Sequence[Spread]) -> list[Variant]:
    """Return variants of the proposal that could stop what spreads: a breaker at each end on the way, and at all.

    An end is where something that the proposal adds meets what was there before. The breaker is normally closed,
    clears faults and is operated by command, with failures of its own like any breaker.
    """
    ends = []
    ways = {i for s in spreads for i in s.way}
    for a, b in after.links:
        for inner, outer in ((a, b), (b, a)):
            if (
                inner in after.added
                and outer in before.components
                and inner in ways
                and not after.components[inner].clears
                and not after.components[outer].clears
                and (outer, inner) not in ends
            ):
                ends.append((outer, inner))
    variants = [_insert(after, [end]) for end in ends]
    if len(ends) > 1:
        variants.append(_insert(after, ends))
    return variants


def _insert(after: Topology, ends: Sequence[tuple[str, str]]) -> Variant:
    components = dict(after.components)
    links: list[Link] = list(after.links)
    placed = []
    for outer, inner in ends:
        id_ = f"BRK-{inner}-{outer}"
        while id_ in components or id_ in after.loads or id_ in after.functions:
            id_ += "x"
        components[id_] = Component(id=id_, kind="breaker", channel=components[outer].channel)
        links = [
            piece
            for link in links
            for piece in (((link[0], id_), (id_, link[1])) if link in ((outer, inner), (inner, outer)) else (link,))
        ]
        placed.append((id_, outer, inner))
    added = after.added | {id_ for id_, _, _ in placed}
    return Variant(replace(after, components=components, links=tuple(dict.fromkeys(links)), added=added), tuple(placed))


@dataclass(frozen=True, slots=True)
class Harm:
    """What one single failure does: loads and functions that fail, by severity, and the demand of the loads in kW."""

    event: Event
    failing: tuple[str, ...]
    severest: str | None
    demand_kw: float


def worst_single(network: Network, events: Sequence[Event], given: Sequence[Event] = ()) -> tuple[Harm, Harm] | None:
    """Return the single failure that fails the most severe consumers, and the one that fails most demand."""
    topology = network.topology
    singles = [(e,) for e in events]
    if not singles:
        return None
    harms = []
    for (event,), state in zip(singles, case_states(network, singles, given), strict=True):
        failing = tuple(
            c.id
            for c in topology.consumers()
            if OUTCOMES.index(state.outcomes[c.id]) > OUTCOMES.index(topology.rides_through(c))
        )
        ranks = [topology.consumer(c).severity for c in failing]
        severest = min((r for r in ranks if r), key=_severity_rank, default=None)
        demand = max(
            sum(in_phase(topology.loads[c].demand_kw, p, 0.0) or 0.0 for c in failing if c in topology.loads)
            for p in topology.phase_names
        )
        harms.append(Harm(event, failing, severest, demand))
    by_severity = min(harms, key=lambda h: (_severity_rank(h.severest), -len(h.failing), -h.demand_kw))
    by_demand = min(harms, key=lambda h: (-h.demand_kw, _severity_rank(h.severest)))
    return by_severity, by_demand


def _severity_rank(severity: str | None) -> int:
    return SEVERITIES.index(severity) if severity else len(SEVERITIES)
