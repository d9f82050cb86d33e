"""Does the jumper carry a fault from one channel into the next, and where would a protective device stop it?

Every single event of the system after the proposal is evaluated before and after. An event *reaches* a channel where
the zone of a short takes in one of its components, or where one of its consumers does worse than with nothing failed.
What it reaches after and did not reach before is the doing of the proposal; the way of the fault through the zone says
where. All events are compared together, a bit an event (``comparison.single_failures``); one is looked at
alone only once it is known to spread.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from powerfault.failures.lanes import at_least
from powerfault.model.elements import SEVERITIES, Component, Event, Link, Topology
from powerfault.tolerance.comparison.single_failures import SingleFailures


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
            ranked = sorted(self.consumers, key=lambda c: _severity_rank(topology, c[0]))
            text += "; " + ", ".join(f"{c} {o}" for c, o in ranked[:8])
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


def _severity_rank(topology: Topology, id_: str) -> int:
    severity = topology.consumer(id_).severity
    return SEVERITIES.index(severity) if severity else len(SEVERITIES)


def _channel_name(topology: Topology, channel: str) -> str:
    found = topology.channels.get(channel)
    return found.label if found and found.label else channel


def find_spread(before: SingleFailures, after: SingleFailures) -> list[Spread]:
    """Return the single events that reach a channel after and not before, worst first.

    ``after`` must have been evaluated beside ``before``.
    """
    full = (1 << after.count) - 1
    own = full & ~((1 << before.count) - 1)

    def earlier(row: int) -> int:
        """A row before with the bits of the proposal's own events, which are as with nothing failed there."""
        return row | own if row & 1 else row

    reached = _reach(after)
    was = {channel: earlier(row) for channel, row in _reach(before).items()}
    crossing = 0
    at_home = _events_by_channel(after)
    for channel, row in reached.items():
        crossing |= row & ~was.get(channel, 0) & ~at_home.get(channel, 0)
    place = {c.id: i for i, c in enumerate(before.topology.consumers())}
    harmed: list[tuple[int, str, int]] = []
    any_harm = 0
    for i, consumer in enumerate(after.topology.consumers()):
        if consumer.id in place:
            pairs = zip(before.unserved, after.unserved, strict=True)
            row = 0
            for old, new in pairs:
                row |= new[i] & ~earlier(old[place[consumer.id]])
            if row & crossing:
                harmed.append((i, consumer.id, row))
                any_harm |= row
    crossing &= any_harm | at_least(2, list(reached.values()), 0, full)

    found = []
    for event in after.events:
        lane = after.lanes[event]
        if not crossing >> lane & 1:
            continue
        before_it = tuple(c for c, row in was.items() if row >> lane & 1)
        after_it = tuple(c for c, row in reached.items() if row >> lane & 1)
        home = _channel_of(after.topology, event.id)
        way = _way(after, event, [c for c in after_it if c not in before_it and c != home])
        consumers = tuple((id_, after.outcome(i, lane)) for i, id_, row in harmed if row >> lane & 1)
        found.append(Spread(event, event.id in after.topology.added, before_it, after_it, way, consumers))
    found.sort(key=lambda s: (-len(s.channels_after) + len(s.channels_before), -len(s.consumers)))
    return found


def _channel_of(topology: Topology, id_: str) -> str | None:
    element = topology.components.get(id_) or topology.loads.get(id_)
    return element.channel if element else None


def _events_by_channel(singles: SingleFailures) -> dict[str | None, int]:
    """The bits of the events of each channel's own components and loads."""
    rows: dict[str | None, int] = {}
    for event, lane in singles.lanes.items():
        channel = _channel_of(singles.topology, event.id)
        rows[channel] = rows.get(channel, 0) | 1 << lane
    return rows


def _reach(singles: SingleFailures) -> dict[str, int]:
    """By channel, the cases with a component of its own failed or in the zone of a short, or a consumer worse off."""
    topology, network = singles.topology, singles.network
    rows = _events_by_channel(singles)
    for v, row in singles.zone.items():
        channel = _channel_of(topology, network.ids[v])
        rows[channel] = rows.get(channel, 0) | row
    for i, load in enumerate(topology.loads.values()):
        rows[load.channel] = rows.get(load.channel, 0) | singles.worse(i)
    return {channel: rows.get(channel, 0) for channel in topology.channels}


def _way(singles: SingleFailures, event: Event, channels: Sequence[str]) -> tuple[str, ...]:
    """The shortest way of a short's fault through its zone to a component of one of ``channels``."""
    if event.mode not in ("short", "leak"):
        return ()
    network, lane = singles.network, singles.lanes[event]
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
            if w not in came and singles.zone.get(w, 0) >> lane & 1:
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
