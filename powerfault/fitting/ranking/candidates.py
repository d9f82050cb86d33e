"""Which jumpers could be fitted? The file's proposals, and ties between its spare connection points.

Two ports make a candidate if they sit on different buses of one voltage, take the same connector and lie within the
length limit. A candidate is an ordinary proposal, so that all that is known of proposals holds for it.

Length is the straight line times :data:`ROUTE_FACTOR`; the crew's minutes are the sum of both ends. Each pair gives
a bare tie, mated and always closed, and a tie with an open breaker at each end, operated by command.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

from powerfault.errors import RequestError, nearest
from powerfault.model.elements import Proposal, Topology
from powerfault.model.ports import Port, is_number, read_ports

ROUTE_FACTOR = 1.25
"""Length of a run over the straight line between its ends: an assumption, said beside every generated length."""


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
    if not lengths or any(not is_number(x) for x in lengths):
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
