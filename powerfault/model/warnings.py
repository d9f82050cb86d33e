"""What is allowed in a topology and yet looks wrong or matters to a reviewer? Warnings and waivers."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from powerfault.errors import Problem
from powerfault.model.elements import SEVERITIES, TOLERANCE_BY_SEVERITY, Load, Topology, in_phase
from powerfault.model.places import in_order, problem_at
from powerfault.model.references import references
from powerfault.model.voltages import CONVERTING_KINDS, bus_voltages, voltage_domains

MAX_LISTED = 200


class Waiver(NamedTuple):
    """A consumer that must tolerate fewer failures than is usual for its severity."""

    id: str
    type: str
    severity: str
    must_tolerate: int
    usual: int
    basis: str | None


def waivers(topology: Topology) -> tuple[Waiver, ...]:
    """Return the consumers whose ``must_tolerate`` is below the default of their severity, in the file's order."""
    found = []
    for consumer in topology.consumers():
        if consumer.severity is None or consumer.must_tolerate is None:
            continue
        usual = TOLERANCE_BY_SEVERITY[consumer.severity]
        if consumer.must_tolerate < usual:
            kind = "load" if consumer.id in topology.loads else "function"
            found.append(Waiver(consumer.id, kind, consumer.severity, consumer.must_tolerate, usual,
                                consumer.severity_basis))  # fmt: skip
    return tuple(found)


def topology_warnings(topology: Topology) -> tuple[Problem, ...]:
    """Return the warnings of ``topology``, each at its place in the file, in the order of the file.

    Cost: linear in elements, links and references.
    """
    said: list[tuple[str, str]] = []
    for find in (
        _empty,
        _switching,
        _inputs,
        _storages,
        _feeds,
        _reach,
        _requirements,
        _priorities,
        _unused,
        _voltages,
        _phases,
    ):
        said.extend(find(topology))
    return tuple(in_order([*topology.notices, *(problem_at(topology, *one) for one in said)]))


Said = Iterator[tuple[str, str]]


def _listed(ids: list[str]) -> str:
    return ", ".join(ids[:MAX_LISTED]) + (f" and {len(ids) - MAX_LISTED} more" if len(ids) > MAX_LISTED else "")


def _priorities(topology: Topology) -> Said:
    """Loads that are shed before loads whose loss is less severe."""
    rated = [load for load in topology.loads.values() if load.severity is not None]
    for load in rated:
        rank = SEVERITIES.index(load.severity or SEVERITIES[-1])
        milder = [
            other.id
            for other in rated
            if other.service_priority < load.service_priority
            and SEVERITIES.index(other.severity or SEVERITIES[-1]) > rank
        ]
        if milder:
            yield (
                f"loads.{load.id}",
                f"is {load.severity} with priority {load.service_priority}, and is shed before {_listed(milder)}, "
                "whose loss is less severe",
            )


def _empty(topology: Topology) -> Said:
    if not topology.components:
        yield "components", "there are no components, so nothing can fail"
    elif not any(component.is_source for component in topology.components.values()):
        yield "components", "there is no source and no storage, so nothing is ever live"
    if not topology.loads and not topology.functions:
        yield "loads", "there are no loads and no functions, so nothing is judged"


def _switching(topology: Topology) -> Said:
    silent = [
        component.id
        for component in topology.components.values()
        if component.is_switched and component.operated != "manual" and not component.operated_by
    ]
    if silent:
        one = len(silent) == 1
        yield (
            f"components.{silent[0]}",
            f"{'is' if one else 'these are'} operated automatically or by command but "
            f"{'does' if one else 'do'} not say operated_by, so nothing is needed to operate "
            f"{'it' if one else 'them'}: {_listed(silent)}",
        )


def _inputs(topology: Topology) -> Said:
    silent = [load.id for load in topology.loads.values() if len(load.fed_by) > 1 and load.inputs is None]
    if silent:
        yield (
            f"loads.{silent[0]}",
            "has two feeds or more and does not say inputs; each feed is taken to have its own diode (isolated): "
            + _listed(silent),
        )


def _storages(topology: Topology) -> Said:
    energy = False
    for component in topology.components.values():
        if component.kind != "storage":
            continue
        energy = energy or component.energy_kwh is not None
        if component.charged_by is None:
            yield f"components.{component.id}", "does not say charged_by, so it counts as always charged"
    lacking = [phase.name for phase in topology.phases if phase.duration_h is None]
    if energy and lacking:
        where = f"phases.{lacking[0]}" if "phases" in topology.positions else "components"
        yield where, f"energy_kwh counts only over a phase with duration_h; without it: {_listed(lacking)}"


def _feeds(topology: Topology) -> Said:
    """Fewer feeds than are needed."""
    upstream: dict[str, set[str]] = {}
    for before, after in topology.links:
        upstream.setdefault(after, set()).add(before)
    for component in topology.components.values():
        count = len(upstream.get(component.id, ()))
        if component.is_source or component.feeds_needed <= count:
            continue
        if count == 0:
            yield f"components.{component.id}", "nothing feeds it, so it is never live"
        else:
            needed = component.feeds_needed
            yield f"components.{component.id}.feeds_needed", f"needs {needed} live feeds and has {count}: never live"
    for load in topology.loads.values():
        if load.feeds_needed > max(1, len(load.fed_by)):
            count = len(load.fed_by)
            yield f"loads.{load.id}.feeds_needed", f"needs {load.feeds_needed} live feeds and has {count}: never live"


def _reach(topology: Topology) -> Said:
    """Consumers that power can never reach, whatever is closed or mated."""
    downstream: dict[str, list[str]] = {}
    for before, after in topology.links:
        downstream.setdefault(before, []).append(after)
    reached = {component.id for component in topology.components.values() if component.is_source}
    waiting = list(reached)
    while waiting:
        for id_ in downstream.get(waiting.pop(), ()):
            component = topology.components[id_]
            conducts = component.mated or component.crew_may_mate
            if id_ not in reached and conducts:
                reached.add(id_)
                waiting.append(id_)
    for load in topology.loads.values():
        if reached.isdisjoint(load.fed_by):
            yield f"loads.{load.id}", "no source can reach it: it is lost in every case"
        else:
            reached.add(load.id)
    # A function may be a member of others: look again at those once it is reached.
    member_of: dict[str, list[str]] = {}
    for function in topology.functions.values():
        for member in function.of:
            member_of.setdefault(member, []).append(function.id)
    count = {function.id: sum(member in reached for member in function.of) for function in topology.functions.values()}
    waiting = [id_ for id_, function in topology.functions.items() if count[id_] >= function.at_least]
    reached.update(waiting)
    while waiting:
        for id_ in member_of.get(waiting.pop(), ()):
            count[id_] += 1
            if id_ not in reached and count[id_] >= topology.functions[id_].at_least:
                reached.add(id_)
                waiting.append(id_)
    for id_, function in topology.functions.items():
        if id_ not in reached:
            yield (
                f"functions.{id_}",
                f"sources can reach {count[id_]} of its members and it needs {function.at_least}: it is always lost",
            )


def _requirements(topology: Topology) -> Said:
    default_said = "defaults.rides_through" in topology.positions
    for consumer in topology.consumers():
        section = "loads" if consumer.id in topology.loads else "functions"
        silent = consumer.rides_through is None and consumer.rides_through_min is None and not default_said
        if silent and consumer.severity in ("catastrophic", "critical"):
            bears = topology.default_rides_through
            yield f"{section}.{consumer.id}", f"is {consumer.severity} and does not say rides_through; taken as {bears}"
    for waiver in waivers(topology):
        section = f"{waiver.type}s"
        yield (
            f"{section}.{waiver.id}.must_tolerate",
            f"must tolerate {waiver.must_tolerate}, below the {waiver.usual} usual for {waiver.severity}: "
            "every report shows it as a waiver",
        )
    for load in topology.loads.values():
        if not any(load.judged_in(phase) for phase in topology.phase_names):
            yield f"loads.{load.id}.demand_kw", "takes no power in any phase, so it is judged in none"


def _unused(topology: Topology) -> Said:
    """Components on which no consumer depends, through feeds, needs, operation or charge."""
    if not topology.loads and not topology.functions:
        return
    upstream: dict[str, list[str]] = {}
    for before, after in topology.links:
        if not topology.components[after].is_source:
            upstream.setdefault(after, []).append(before)
    wanted = {consumer.id for consumer in topology.consumers()}
    waiting = list(wanted)
    while waiting:
        id_ = waiting.pop()
        element = topology.components.get(id_) or topology.loads.get(id_) or topology.functions[id_]
        named = [name for _, name in references(element)]
        if isinstance(element, Load):
            named.extend(element.fed_by)
        for name in [*named, *upstream.get(id_, ())]:
            if name not in wanted:
                wanted.add(name)
                waiting.append(name)
    for id_ in topology.components:
        if id_ not in wanted:
            yield f"components.{id_}", "no load or function depends on it"


def _voltages(topology: Topology) -> Said:
    """Voltages that components give and that are not those of the buses around them."""
    voltage_of: dict[str, tuple[float, str]] = {}
    for domain in voltage_domains(topology):
        buses = bus_voltages(topology, domain)
        if len(buses) == 1:
            ((voltage, bus),) = buses.items()
            voltage_of.update(dict.fromkeys(domain, (voltage, bus)))
    for component in topology.components.values():
        own = component.voltage_v
        around = voltage_of.get(component.id)
        if own is not None and around is not None and own != around[0]:
            path = f"components.{component.id}.voltage_v"
            yield path, f"gives {own:g} V, but it is joined to {around[1]} of {around[0]:g} V"
    for before, after in topology.links:
        own = topology.components[before].voltage_v
        around = voltage_of.get(after)
        if topology.components[before].kind in CONVERTING_KINDS and own is not None and around and own != around[0]:
            yield f"components.{before}.voltage_v", f"gives {own:g} V, but it feeds {around[1]} of {around[0]:g} V"


def _phases(topology: Topology) -> Said:
    """Sources that give nothing in any phase."""
    for component in topology.components.values():
        capacity = component.capacity_kw
        if capacity is None:
            continue
        if not any(in_phase(capacity, phase) for phase in topology.phase_names):
            yield f"components.{component.id}.capacity_kw", "gives no power in any phase"
