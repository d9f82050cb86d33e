"""How many open devices stand between a source and the hands of the crew?

The question is electrical, not functional: what could push current to a place if a semiconductor failed or a switch
were bumped, whatever the system is meant to do. So the graph here is not that of the power study:

* links carry both ways; a diode, a regulator and a converter that is not isolated are passed backwards too, since a
  failed semiconductor conducts and gives no sign of it. Only an *isolated* converter stops what comes from its output
  (no direct current passes its transformer), unless the rule ``converters_block: false`` says otherwise;
* a load joins its feeds if its ``inputs`` are ``common``; with isolated inputs it does so only under the rule
  ``load_inputs: conduct`` (a diode is no open point), and the loads relied upon are named;
* an *open point* is a switch or breaker (or a fuse with ``isolates: true``, pulled) that is open, or an unmated
  jumper that is no part of the work. ``isolates: false`` (a semiconductor switch) is none, nor is a device that
  stands failed in whatever mode (whether it is open is not known, or it cannot be relied upon), nor one that a
  proposal brings and that is not fitted yet;
* every storage is a source always; a ``source`` is one in a phase in which its ``capacity_kw`` is not zero, whether
  or not it stands failed or its needs are met;
* a jumper that is named, or reached from a named place through jumpers, connectors and cables alone, or brought in
  by an applied proposal, counts as mated: its far end may be.

Coolant is judged alike where the place of work is in a coolant line: its sources are the pumps, its open points the
valves that stand closed. "Open" then reads "passes nothing".

The count on the weakest path is a shortest path with weights 0 and 1 on the nodes, found by a breadth-first search
with two ends.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from powerfault.errors import RequestError, nearest
from powerfault.model.elements import Component, Topology, in_phase
from powerfault.model.open_point_rules import OpenPointRules

JOINING_KINDS = ("jumper", "connector", "cable", "coolant_jumper", "line")


@dataclass(frozen=True, slots=True)
class Device:
    """Something that could be an open point. ``why_not`` says why it is none, where it is none."""

    id: str
    stands_open: bool
    may_open: bool
    why_not: str | None = None


@dataclass(frozen=True, slots=True)
class WeakestPath:
    """The path from ``source`` to ``end`` with the fewest open devices; both ends belong to ``nodes``."""

    source: str
    end: str
    nodes: tuple[str, ...]
    open_devices: tuple[str, ...]

    @property
    def count(self) -> int:
        return len(self.open_devices)


@dataclass(frozen=True, slots=True)
class WorkSite:
    """The electrical surroundings of the places where hands will be.

    ``ends`` are the components (or loads) named. ``into[v]`` are the nodes from which current could enter v.
    """

    topology: Topology
    rules: OpenPointRules
    ends: tuple[str, ...]
    joined: frozenset[str]
    """Jumpers, connectors and cables that count as part of the work, jumpers as mated."""
    into: Mapping[str, tuple[str, ...]]
    devices: Mapping[str, Device]
    relied_inputs: tuple[str, ...] = ()
    """Loads with several feeds whose isolated inputs are relied upon."""
    relied_converters: tuple[str, ...] = ()
    """Converters relied upon to pass nothing backwards, though the file does not say ``isolated: true``."""

    def sources(self, phases: Iterable[str]) -> tuple[str, ...]:
        """Storages, and sources with capacity in one of ``phases``, in file order."""
        asked = tuple(phases)
        return tuple(
            c.id
            for c in self.topology.components.values()
            if c.kind in ("storage", "pump")
            or (c.kind == "source" and any(in_phase(c.capacity_kw, p, 1.0) != 0 for p in asked))
        )

    def counts(self, opened: Collection[str], end: str) -> dict[str, int]:
        """Open devices on the weakest path from each node to ``end``, the node itself counted, ``end`` not."""
        return {v: d for v, (d, _) in self._search(opened, end).items()}

    def weakest_paths(self, opened: Collection[str], phases: Iterable[str]) -> tuple[WeakestPath, ...]:
        """For each source that reaches an end, and each end, the path with the fewest open devices."""
        found = []
        sources = self.sources(phases)
        for end in self.ends:
            reached = self._search(opened, end)
            for source in sources:
                if source not in reached:
                    continue
                nodes = [source]
                while nodes[-1] != end:
                    step = reached[nodes[-1]][1]
                    assert step is not None
                    nodes.append(step)
                devices = tuple(v for v in nodes if v != end and self._weight(v, opened))
                found.append(WeakestPath(source, end, tuple(nodes), devices))
        return tuple(found)

    def section(self, opened: Collection[str], depth: int) -> tuple[str, ...]:
        """The components and loads that fewer than ``depth`` open devices part from some end, in file order."""
        near: dict[str, int] = {}
        for end in self.ends:
            for v, d in self.counts(opened, end).items():
                near[v] = min(d, near.get(v, d))
        known = (*self.topology.components, *self.topology.loads)
        return tuple(v for v in known if near.get(v, depth) < depth)

    def is_open(self, v: str) -> bool:
        """Whether ``v`` counts as an open point as things stand."""
        return self._weight(v, ()) > 0

    def _weight(self, v: str, opened: Collection[str]) -> int:
        device = self.devices.get(v)
        return int(device is not None and device.why_not is None and (v in opened or device.stands_open))

    def _search(self, opened: Collection[str], end: str) -> dict[str, tuple[int, str | None]]:
        """Distance to ``end`` and the next node towards it, by node: a 0-1 breadth-first search from ``end``."""
        best: dict[str, tuple[int, str | None]] = {end: (0, None)}
        done: set[str] = set()
        queue = deque([end])
        while queue:
            v = queue.popleft()
            if v in done:
                continue
            done.add(v)
            for u in self.into[v]:
                if u in done:
                    continue
                weight = self._weight(u, opened)
                d = best[v][0] + weight
                if u not in best or d < best[u][0]:
                    best[u] = (d, v)
                    if weight:
                        queue.append(u)
                    else:
                        queue.appendleft(u)
        return best


def find_work_site(
    topology: Topology,
    at: Iterable[str],
    rules: OpenPointRules,
    *,
    credited: Collection[str] | None = None,
    not_fitted: Collection[str] = (),
) -> WorkSite:
    """Return the surroundings of the ends named in ``at``; raise :class:`RequestError` for what cannot be one.

    ``credited`` names the devices that count as open, in the middle of an outing (default: those that are open by the
    file); ``not_fitted`` those that are not there yet.
    """
    ends = tuple(dict.fromkeys(at))
    if not ends:
        raise RequestError("no place named; name the connectors, jumper or bus where the crew will work")
    for id_ in ends:
        if id_ in topology.functions:
            raise RequestError(f"{id_} is a function, not a place; name a connector, jumper, bus or other component")
        if id_ not in topology.components and id_ not in topology.loads:
            known = [*topology.components, *topology.loads]
            hint = nearest(id_, known)
            for proposal in topology.proposals.values():
                if id_ in (proposal.add.get("components") or {}):
                    hint = f" (proposal {proposal.id} adds it: give --with {proposal.id})"
            raise RequestError(f"no component or load {id_!r}{hint}")
    neighbours: dict[str, set[str]] = {v: set() for v in (*topology.components, *topology.loads)}
    for a, b in topology.links:
        neighbours[a].add(b)
        neighbours[b].add(a)
    joined = _joined(topology, ends, neighbours)
    into, relied_inputs, relied_converters = _edges(topology, rules)
    devices = {
        c.id: device
        for c in topology.components.values()
        if (device := _device(topology, c, c.id in joined or c.id in ends, credited, c.id in not_fitted)) is not None
    }
    return WorkSite(topology, rules, ends, joined, into, devices, relied_inputs, relied_converters)


def _joined(topology: Topology, ends: tuple[str, ...], neighbours: Mapping[str, set[str]]) -> frozenset[str]:
    found = {v for v in topology.added if v in topology.components and topology.components[v].is_jumper}
    waiting = [v for v in ends if v in topology.components]
    seen = set(waiting)
    while waiting:
        v = waiting.pop()
        if topology.components[v].kind in JOINING_KINDS:
            found.add(v)
        for w in neighbours[v]:
            if w not in seen and w in topology.components and topology.components[w].kind in JOINING_KINDS:
                seen.add(w)
                waiting.append(w)
    return frozenset(found)


def _edges(
    topology: Topology, rules: OpenPointRules
) -> tuple[dict[str, tuple[str, ...]], tuple[str, ...], tuple[str, ...]]:
    into: dict[str, dict[str, None]] = {v: {} for v in (*topology.components, *topology.loads)}
    relied_converters: dict[str, None] = {}

    def passes_back(upstream: str, downstream: str) -> bool:
        """Whether current could run from ``downstream`` to ``upstream`` against the arrow of the link."""
        # Backwards over a link means out of the input side of the upstream thing or into the output of ... itself:
        # what stops is an isolated converter entered from its output, i.e. the link that leaves it.
        part = topology.components[upstream]
        if part.kind != "converter" or not part.isolated or not rules.converters_block:
            return True
        if f"components.{upstream}.isolated" not in topology.positions:
            relied_converters[upstream] = None
        return False

    for a, b in topology.links:
        into[b][a] = None
        if passes_back(a, b):
            into[a][b] = None
    relied_inputs = []
    for load in topology.loads.values():
        for source in load.fed_by:
            into[load.id][source] = None
        if load.common_inputs or not rules.load_inputs_block:
            for source in load.fed_by:
                if passes_back(source, load.id):
                    into[source][load.id] = None
        elif len(load.fed_by) > 1:
            relied_inputs.append(load.id)
    return {v: tuple(found) for v, found in into.items()}, tuple(relied_inputs), tuple(relied_converters)


def failed_position(topology: Topology, id_: str) -> str | None:
    """Why nobody can say or change where a device stands: how it stands failed, or ``None`` if it does not."""
    mode = next((e.mode for e in topology.standing if e.id == id_), None)
    return mode and {"loss": "lost", "short": "shorted", "closed": "closed by failure"}.get(mode, mode)


def _device(
    topology: Topology, part: Component, in_work: bool, credited: Collection[str] | None, not_fitted: bool
) -> Device | None:
    """What ``part`` is as an open point, or ``None`` for what is never one."""
    if part.kind == "pump" and credited is not None and part.id in credited:
        return Device(part.id, True, False)
    parked = part.is_jumper and not part.mated
    if not (part.is_switched or part.kind == "fuse" or parked):
        return None
    is_open = (part.normally_open or parked) if credited is None else part.id in credited
    if in_work:
        why = "it belongs to the work and may be mated at its far end" if parked else "it is itself the place of work"
        return Device(part.id, is_open, False, why)
    if not_fitted:
        return Device(part.id, is_open, False, "a proposal brings it, and it is not fitted yet")
    if parked:
        return Device(part.id, is_open, False)
    if part.kind == "fuse" and not part.isolates:
        return Device(part.id, False, False, "a fuse counts only if the file says isolates: true (pulled)")
    if part.isolates is False:
        return Device(part.id, is_open, False, "isolates: false (a semiconductor is no open point)")
    failed = failed_position(topology, part.id)
    if failed:
        return Device(part.id, is_open, False, f"it stands {failed}: whether it is open cannot be relied upon")
    return Device(part.id, is_open, not is_open)
