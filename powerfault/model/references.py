"""Does everything that a topology names exist, and do its fields agree with each other?

:func:`check_topology` looks at a whole topology, as it was read or after proposals were applied; it yields flaws in
terms of paths, whose places in the file are looked up by the caller. Cost: linear in elements, links and references.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

from powerfault.model.elements import (
    ONE_WAY_KINDS,
    STAGES,
    Component,
    Consumer,
    Function,
    Load,
    Topology,
)
from powerfault.model.events import event_fault, named_twice
from powerfault.model.fields import COMPONENT
from powerfault.model.places import Flaw, Suggestions, any_of, link_path, shorten
from powerfault.model.voltages import voltage_flaws

Element = Component | Load | Function


def check_topology(
    topology: Topology, broken: Collection[str] = (), suggest: Suggestions | None = None
) -> Iterator[Flaw]:
    """Yield every flaw of ``topology``; ``broken`` are ids that exist but could not be read, and are passed over."""
    suggest = suggest or Suggestions()
    known = known_ids(topology, broken)
    for component in topology.components.values():
        path = f"components.{component.id}"
        yield from component_flaws(path, component)
        yield from reference_flaws(path, component, topology, known, suggest)
    for load in topology.loads.values():
        path = f"loads.{load.id}"
        yield from load_flaws(path, load)
        yield from consumer_flaws(path, load, topology)
        yield from reference_flaws(path, load, topology, known, suggest)
    for function in topology.functions.values():
        path = f"functions.{function.id}"
        yield from consumer_flaws(path, function, topology)
        yield from function_flaws(path, function)
        yield from reference_flaws(path, function, topology, known, suggest)
    yield from _circles(topology)
    yield from link_flaws(topology, known, suggest)
    yield from standing_flaws(topology, broken, suggest)
    yield from voltage_flaws(topology)


def known_ids(topology: Topology, broken: Collection[str] = ()) -> set[str]:
    """All ids of components, loads and functions."""
    return {*topology.components, *topology.loads, *topology.functions, *broken}


def component_flaws(path: str, component: Component) -> Iterator[Flaw]:
    """Fields of one component that do not agree with its kind or with each other."""
    for number, mode in enumerate(component.modes or ()):
        if mode not in component.possible_modes:
            yield Flaw(f"{path}.modes[{number}]", _mode_message(component, mode))
    rates = component.failures_per_million_hours
    if isinstance(rates, Mapping):
        for mode in rates:
            if mode not in component.possible_modes:
                yield Flaw(f"{path}.failures_per_million_hours.{mode}", _mode_message(component, mode))


def _mode_message(component: Component, mode: str) -> str:
    modes = any_of(component.possible_modes, "and")
    if mode == "closed" and component.is_switched and not component.is_coolant:
        return f"closed applies only to a {component.kind} that is normally open; to {component.id} apply {modes}"
    return f"{mode} does not apply to a {component.kind}; to {component.id} apply {modes}"


def kind_flaws(path: str, component: Component) -> Iterator[Flaw]:
    """Fields that a component holds although its kind takes none (after a ``set`` changed its kind)."""
    for field in COMPONENT.values():
        if field.kinds and component.kind not in field.kinds:
            value = getattr(component, field.name)
            if value != Component.__dataclass_fields__[field.name].default:
                takes = any_of(field.kinds, "and")
                yield Flaw(f"{path}.{field.name}", f"a {component.kind} takes no {field.name}; only {takes} do")


def load_flaws(path: str, load: Load) -> Iterator[Flaw]:
    low, high = load.min_voltage_v, load.max_voltage_v
    if low is not None and high is not None and low > high:
        yield Flaw(f"{path}.min_voltage_v", f"min_voltage_v {low:g} is above max_voltage_v {high:g}")


def function_flaws(path: str, function: Function) -> Iterator[Flaw]:
    if function.at_least > len(function.of) and function.of:
        members = "1 member" if len(function.of) == 1 else f"{len(function.of)} members"
        yield Flaw(f"{path}.at_least", f"at_least is {function.at_least}, but the function has {members}")


def consumer_flaws(path: str, consumer: Consumer, topology: Topology) -> Iterator[Flaw]:
    """``rides_through_min`` against ``rides_through`` and ``stage_minutes``."""
    if consumer.rides_through_min is None:
        return
    if consumer.rides_through is not None:
        yield Flaw(f"{path}.rides_through_min", "rides_through and rides_through_min are both given; keep one")
    lacking = [stage for stage in STAGES[1:] if stage not in topology.stage_minutes]
    if lacking:
        names = any_of(lacking, "and")
        yield Flaw(f"{path}.rides_through_min",
                   f"needs the minutes of every stage; stage_minutes does not give {names}")  # fmt: skip


def references(element: Element) -> Iterator[tuple[str, str]]:
    """Yield the path within ``element`` and the id of everything that it names, ``fed_by`` apart."""
    if isinstance(element, Function):
        for number, id_ in enumerate(element.of):
            yield f"of[{number}]", id_
        return
    for number, need in enumerate(element.needs):
        yield f"needs[{number}]", need.id
    if isinstance(element, Component):
        for number, id_ in enumerate(element.operated_by):
            yield f"operated_by[{number}]", id_
        for number, id_ in enumerate(element.charged_by or ()):
            yield f"charged_by[{number}]", id_


def reference_flaws(
    path: str, element: Element, topology: Topology, known: Collection[str], suggest: Suggestions
) -> Iterator[Flaw]:
    """Ids named by ``element`` that are not in ``known``, a channel that is not declared, a feed that cannot feed."""
    for where, id_ in references(element):
        if id_ not in known:
            hint = suggest(id_, known)
            yield Flaw(f"{path}.{where}", f"{shorten(id_)!r} is no component, load or function{hint}", id_)
    if isinstance(element, Function):
        return
    channel = element.channel
    # Only a file that declares its channels can name one wrongly.
    if channel is not None and channel not in topology.channels and "channels" in topology.positions:
        hint = suggest(channel, topology.channels) or "; declare it under the top-level field 'channels'"
        yield Flaw(f"{path}.channel", f"unknown channel {shorten(channel)!r}{hint}")
    if isinstance(element, Load):
        for number, id_ in enumerate(element.fed_by):
            here = f"{path}.fed_by[{number}]"
            if id_ in topology.components:
                continue
            if id_ in topology.loads:
                yield Flaw(here, f"{id_} is a load, and a load feeds nothing; name the component that feeds both")
            elif id_ in topology.functions:
                yield Flaw(here, f"{id_} is a function, and a function feeds nothing; name a component")
            elif id_ not in known:
                hint = suggest(id_, topology.components)
                yield Flaw(here, f"{shorten(id_)!r} is no component{hint}", id_)


def link_flaws(topology: Topology, known: Collection[str], suggest: Suggestions) -> Iterator[Flaw]:
    """Links whose ends are no components, that lead back to their own beginning, or that go both ways at a diode."""
    components = topology.components
    coolant = {id_ for id_, component in components.items() if component.is_coolant}
    one_ways = {id_ for id_, component in components.items() if component.kind in ONE_WAY_KINDS}
    both = set(topology.links)
    said: set[tuple[str, str]] = set()
    for link in topology.links:
        before, after = link
        media_differ = before in components and after in components and (before in coolant) != (after in coolant)
        twisted = (after, before) in both and not one_ways.isdisjoint(link)
        if before in components and after in components and before != after and not media_differ and not twisted:
            continue
        path = link_path(link)
        line = topology.origins.get(path, path)
        for end in link:
            if end in components or (line, end) in said:
                continue
            said.add((line, end))
            if end in topology.loads:
                yield Flaw(path, f"{end} is a load; a load stands in no feed line; use fed_by of the load")
            elif end in topology.functions:
                yield Flaw(path, f"{end} is a function; a function stands in no feed line")
            elif end not in known:
                yield Flaw(path, f"{shorten(end)!r} is no component{suggest(end, components)}", end)
        if before == after:
            if (line, f"{before} -> {after}") not in said:
                said.add((line, f"{before} -> {after}"))
                yield Flaw(path, f"{before} is linked to itself; remove the link")
        elif media_differ:
            if (line, f"{before} -> {after}") not in said:
                said.add((line, f"{before} -> {after}"))
                kinds = f"{before} ({components[before].kind}) and {after} ({components[after].kind})"
                yield Flaw(path, f"{kinds} cannot be linked: coolant and power meet only through needs")
        elif twisted and before in components and after in components:
            pair = f"{min(link)} <-> {max(link)}"
            if ("", pair) not in said:
                said.add(("", pair))
                end = before if before in one_ways else after
                kind = components[end].kind
                # Shown at the later of the two links: the one that made it go both ways.
                later = link_path((after, before))
                yield Flaw(later, f"{end} is a {kind} and takes one-way links only; {pair} goes both ways")


def standing_flaws(topology: Topology, broken: Collection[str], suggest: Suggestions) -> Iterator[Flaw]:
    """Standing events that do not exist, or two at one component."""
    for number, event in enumerate(topology.standing):
        if event.id in broken:
            continue
        fault = event_fault(topology, event, suggest)
        if fault:
            yield Flaw(f"standing.failed[{number}]", *fault)
    twice = named_twice(topology.standing)
    if twice is not None:
        yield Flaw("standing.failed", f"{twice} has two events; a component has at most one in a case")


def _circles(topology: Topology) -> Iterator[Flaw]:
    """Functions that contain themselves, each circle once, by depth-first search without recursion."""
    functions = topology.functions
    done: set[str] = set()
    for start in functions:
        if start in done:
            continue
        trail = [start]
        on_trail = {start}
        members = [iter(functions[start].of)]
        while trail:
            for member in members[-1]:
                if member in on_trail:
                    circle = [*trail[trail.index(member) :], member]
                    shown = " -> ".join(circle if len(circle) <= 12 else [*circle[:11], "…", member])
                    index = functions[trail[-1]].of.index(member)
                    yield Flaw(f"functions.{trail[-1]}.of[{index}]", f"a function contains itself: {shown}")
                elif member in functions and member not in done:
                    trail.append(member)
                    on_trail.add(member)
                    members.append(iter(functions[member].of))
                    break
            else:
                members.pop()
                finished = trail.pop()
                on_trail.discard(finished)
                done.add(finished)
