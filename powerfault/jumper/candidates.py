"""Which jumpers could be fitted? The file's proposals, and ties between its spare connection points.

A *port* is a place where a jumper plugs in: ``ports`` of the file lists them, each with ``id``, ``bus`` (a component)
and, as far as known, ``site``, ``voltage_v``, ``connector``, ``at_m`` (coordinates in metres), ``crew_minutes`` (to
mate and check this end) and ``operated_by`` (what must be served to command a breaker here). Two ports make a candidate
if they sit on different buses of one voltage, take the same connector and lie within the length limit. A candidate is
an ordinary proposal, so that all that is known of proposals holds for it.

Length is the straight line times :data:`ROUTE_FACTOR`; the crew's minutes are the sum of both ends. Each pair gives
a bare tie, mated and always closed, and a tie with an open breaker at each end, operated by command.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

from powerfault.errors import ModelError, Problem, RequestError, nearest
from powerfault.model.elements import Proposal, Topology

ROUTE_FACTOR = 1.25
"""Length of a run over the straight line between its ends: an assumption, said beside every generated length."""
PORT_FIELDS = ("id", "bus", "site", "voltage_v", "connector", "at_m", "crew_minutes", "operated_by", "notes")


@dataclass(frozen=True, slots=True)
class Port:
    """A spare connection point. ``at_m`` are its coordinates, ``crew_minutes`` what mating this end takes."""

    id: str
    bus: str
    site: str | None = None
    voltage_v: float | None = None
    connector: str | None = None
    at_m: tuple[float, ...] | None = None
    crew_minutes: float | None = None
    operated_by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Candidate:
    """Something that could be fitted: a proposal, with what it takes up. ``ports`` is empty for one of the file."""

    id: str
    title: str
    crew_minutes: float | None
    length_m: float | None
    ports: tuple[str, ...] = ()
    protected: bool | None = None


@dataclass(frozen=True, slots=True)
class Candidates:
    """All candidates; ``topology`` has the generated ones among its proposals. ``left_out`` counts pairs by reason."""

    topology: Topology
    listed: tuple[Candidate, ...]
    left_out: Mapping[str, int]


def read_ports(topology: Topology) -> tuple[Port, ...]:
    """Return the ports of the file: a list of mappings, or a mapping by id. Raises :class:`ModelError`."""
    given = topology.later.get("ports")
    if given is None:
        return ()
    reader = _PortReader(topology)
    if isinstance(given, Mapping):
        found = [reader.port(f"ports.{id_}", {"id": id_, **(fields or {})}) for id_, fields in given.items()]
    elif isinstance(given, list | tuple):
        found = [reader.port(f"ports[{i}]", fields) for i, fields in enumerate(given)]
    else:
        reader.refuse("ports", f"expected a list of {{id, bus, ...}}, found {given!r}")
        found = []
    ports = [p for p in found if p is not None]
    seen: set[str] = set()
    for port in ports:
        if port.id in seen:
            reader.refuse("ports", f"the port {port.id} is given twice")
        seen.add(port.id)
    if reader.problems:
        raise ModelError(reader.problems)
    return tuple(ports)


class _PortReader:
    def __init__(self, topology: Topology) -> None:
        self.topology = topology
        self.problems: list[Problem] = []

    def refuse(self, path: str, message: str) -> None:
        positions = self.topology.positions
        line, column = positions.get(path) or positions.get(path.rpartition(".")[0]) or positions.get("ports") or (0, 0)
        self.problems.append(Problem(self.topology.file, line, column, path, message))

    def port(self, path: str, fields: Any) -> Port | None:
        if not isinstance(fields, Mapping):
            self.refuse(path, f"expected {{id, bus, ...}}, found {fields!r}")
            return None
        before = len(self.problems)
        for name in fields:
            if name not in PORT_FIELDS:
                hint = nearest(str(name), PORT_FIELDS)
                self.refuse(f"{path}.{name}", f"unknown field{hint}; expected some of {', '.join(PORT_FIELDS)}")
        for name in ("id", "bus"):
            if not isinstance(fields.get(name), str):
                self.refuse(f"{path}.{name}", f"a port has an {name}" if name == "id" else "a port names its bus")
        bus = fields.get("bus")
        if isinstance(bus, str) and bus not in self.topology.components:
            self.refuse(f"{path}.bus", f"no component {bus!r}{nearest(bus, self.topology.components)}")
        for name in ("voltage_v", "crew_minutes"):
            if fields.get(name) is not None and not _is_number(fields[name], 0.0):
                self.refuse(f"{path}.{name}", f"must be a number not below 0, found {fields[name]!r}")
        for name in ("site", "connector"):
            if fields.get(name) is not None and not isinstance(fields[name], str):
                self.refuse(f"{path}.{name}", f"must be text, found {fields[name]!r}")
        by = fields.get("operated_by") or []
        topology = self.topology
        known = [*topology.components, *topology.loads, *topology.functions]
        if not isinstance(by, list | tuple) or any(not isinstance(i, str) for i in by):
            self.refuse(f"{path}.operated_by", f"must be a list of ids, found {by!r}")
            by = ()
        for i in by:
            if i not in known:
                self.refuse(f"{path}.operated_by", f"no component, load or function {i!r}{nearest(i, known)}")
        at = fields.get("at_m")
        if at is not None and not (
            isinstance(at, list | tuple) and len(at) in (2, 3) and all(_is_number(x) for x in at)
        ):
            self.refuse(f"{path}.at_m", f"must be two or three coordinates in metres, found {at!r}")
        if len(self.problems) > before:
            return None
        return Port(
            id=fields["id"],
            bus=fields["bus"],
            site=fields.get("site"),
            voltage_v=fields.get("voltage_v") or self.topology.components[fields["bus"]].voltage_v,
            connector=fields.get("connector"),
            at_m=tuple(float(x) for x in at) if at is not None else None,
            crew_minutes=fields.get("crew_minutes"),
            operated_by=tuple(by),
        )


def _is_number(value: object, least: float = -math.inf) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and value >= least


def find_candidates(
    topology: Topology,
    *,
    proposals: bool = True,
    ports: bool = True,
    max_length_m: float | None = None,
    only: Iterable[str] = (),
) -> Candidates:
    """Return the candidates of ``topology``: its proposals, and ties between its ports.

    A candidate longer than ``max_length_m`` is left out; ``only`` names the proposals to consider. Raises
    :class:`ModelError` for wrong ports, :class:`RequestError` where nothing is left to rank.
    """
    wanted = tuple(only)
    for id_ in wanted:
        if id_ not in topology.proposals:
            raise RequestError(f"unknown proposal {id_!r}{nearest(id_, topology.proposals)}")
    left_out: dict[str, int] = {}
    listed: list[Candidate] = []
    if proposals:
        for proposal in topology.proposals.values():
            if proposal.id in topology.applied or (wanted and proposal.id not in wanted):
                continue
            length = _length_of(proposal)
            if max_length_m is not None and length is not None and length > max_length_m:
                _count(left_out, f"longer than {max_length_m:g} m")
                continue
            listed.append(Candidate(proposal.id, proposal.title, proposal.crew_minutes, length))
    generated: dict[str, Proposal] = {}
    if ports:
        for a, b in combinations(read_ports(topology), 2):
            reason = _mismatch(a, b, max_length_m)
            if reason:
                _count(left_out, reason)
                continue
            for candidate, proposal in _ties(topology, a, b):
                generated[proposal.id] = proposal
                listed.append(candidate)
    if not listed:
        why = "; ".join(f"{n} pairs of ports: {reason}" for reason, n in left_out.items())
        raise RequestError(
            "there is nothing to rank: the file has no proposals or ports that could be tied"
            + (f" ({why})" if why else "; add proposals, or ports with id and bus")
        )
    widened = replace(topology, proposals={**topology.proposals, **generated})
    return Candidates(widened, tuple(listed), left_out)


def _count(left_out: dict[str, int], reason: str) -> None:
    left_out[reason] = left_out.get(reason, 0) + 1


def _length_of(proposal: Proposal) -> float | None:
    """The length of all jumpers and cables that a proposal adds, ``None`` where it adds none or does not say."""
    parts = (proposal.add.get("components") or {}).values()
    lengths = [p.get("length_m") for p in parts if isinstance(p, Mapping) and p.get("kind") in ("jumper", "cable")]
    if not lengths or any(not _is_number(x) for x in lengths):
        return None
    return float(sum(x for x in lengths if x is not None))


def tie_length_m(a: Port, b: Port) -> float | None:
    """The length of a jumper between two ports, ``None`` where one has no coordinates.

    >>> tie_length_m(Port("A", "X", at_m=(0, 0)), Port("B", "Y", at_m=(3, 4)))
    6.25
    """
    if a.at_m is None or b.at_m is None:
        return None
    width = max(len(a.at_m), len(b.at_m))
    first, second = (p + (0.0,) * (width - len(p)) for p in (a.at_m, b.at_m))
    return round(math.dist(first, second) * ROUTE_FACTOR, 3)


def _mismatch(a: Port, b: Port, max_length_m: float | None) -> str | None:
    if a.bus == b.bus:
        return "both on one bus"
    if a.voltage_v is not None and b.voltage_v is not None and a.voltage_v != b.voltage_v:
        return "different voltages"
    if a.connector is not None and b.connector is not None and a.connector != b.connector:
        return "different connectors"
    length = tie_length_m(a, b)
    if max_length_m is not None:
        if length is None:
            return "length not known (no at_m)"
        if length > max_length_m:
            return f"longer than {max_length_m:g} m"
    return None


def _ties(topology: Topology, a: Port, b: Port) -> list[tuple[Candidate, Proposal]]:
    length = tie_length_m(a, b)
    minutes = a.crew_minutes + b.crew_minutes if a.crew_minutes is not None and b.crew_minutes is not None else None
    jumper: dict[str, Any] = {"kind": "jumper"} if length is None else {"kind": "jumper", "length_m": length}
    breakers: list[dict[str, Any]] = [
        {"kind": "breaker", "normally": "open", "operated": "commanded"}
        | ({"operated_by": list(port.operated_by)} if port.operated_by else {})
        for port in (a, b)
    ]
    made = []
    for protected in (False, True):
        base = f"{a.id}_{b.id}" + ("_brk" if protected else "")
        id_, jmp, first, second = (
            _free(topology, f"{prefix}{base}{suffix}")
            for prefix, suffix in (("", ""), ("JMP-", ""), ("BRK-", "-1"), ("BRK-", "-2"))
        )
        if protected:
            add: dict[str, Any] = {
                "components": {first: breakers[0], jmp: jumper, second: breakers[1]},
                "feeds": [f"{a.bus} <-> {first} <-> {jmp} <-> {second} <-> {b.bus}"],
            }
        else:
            add = {"components": {jmp: jumper}, "feeds": [f"{a.bus} <-> {jmp} <-> {b.bus}"]}
        title = f"{a.bus} to {b.bus}, " + ("open breaker at each end" if protected else "bare")
        proposal = Proposal(id=id_, label=title, crew_minutes=minutes, add=add)
        made.append((Candidate(id_, title, minutes, length, (a.id, b.id), protected), proposal))
    return made


def _free(topology: Topology, id_: str) -> str:
    taken = (topology.components, topology.loads, topology.functions, topology.proposals)
    while any(id_ in names for names in taken):
        id_ += "x"
    return id_
