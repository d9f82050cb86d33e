"""Where could a jumper plug in? The spare connection points under ``ports``.

``ports`` of a file is a list of mappings, or a mapping by id. Each port has an ``id``, its ``bus`` (a component) and,
as far as known, ``site``, ``voltage_v`` (default: that of its bus), ``connector``, ``at_m`` (coordinates in metres),
``crew_minutes`` (to mate and check this end) and ``operated_by`` (what must be served to command a breaker here).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from powerfault.errors import ModelError, Problem, nearest
from powerfault.model.elements import Topology
from powerfault.model.places import problem_at

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


def read_ports(topology: Topology) -> tuple[Port, ...]:
    """Return the ports of the file: a list of mappings, or a mapping by id. Raises :class:`ModelError`."""
    given = topology.later.get("ports")
    if given is None:
        return ()
    reader = _PortReader(topology)
    if isinstance(given, Mapping):
        found = [reader.port(f"ports.{id_}", _with_id(id_, fields)) for id_, fields in given.items()]
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
        self.problems.append(problem_at(self.topology, path, message))

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
            if fields.get(name) is not None and not is_number(fields[name], 0.0):
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
            isinstance(at, list | tuple) and len(at) in (2, 3) and all(is_number(x) for x in at)
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


def _with_id(id_: str, fields: Any) -> Any:
    return {"id": id_, **(fields or {})} if fields is None or isinstance(fields, Mapping) else fields


def is_number(value: object, least: float = -math.inf) -> bool:
    """Whether ``value`` is a finite number (no boolean) of at least ``least``."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and value >= least
