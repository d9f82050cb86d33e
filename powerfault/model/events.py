"""Does an event written ``ID`` or ``ID:mode`` exist? The rule for standing, expected and given events."""

from __future__ import annotations

from collections.abc import Iterable

from powerfault.model.elements import MODES, Event, Topology
from powerfault.model.places import Suggestions, any_of, shorten


def split_event(text: str) -> Event:
    """Return the event that ``text`` spells, whether or not it exists.

    >>> split_event("BUS-H"), split_event(" BRK-1 : stuck ")
    (Event(id='BUS-H', mode='loss'), Event(id='BRK-1', mode='stuck'))
    """
    name, colon, mode = text.partition(":")
    return Event(name.strip(), mode.strip() if colon else MODES[0])


def event_fault(topology: Topology, event: Event, suggest: Suggestions) -> tuple[str, str | None] | None:
    """Return what is wrong with ``event`` in ``topology`` and the id that is missing, if it is that; or None.

    A component may have any mode that exists for its kind, whatever its own ``modes`` and ``can_fail`` select for
    enumeration; a load only ``short``, and only if it lists it.
    """
    component = topology.components.get(event.id)
    if component is None:
        load = topology.loads.get(event.id)
        if load is not None:
            if event.mode == "short" and "short" in load.modes:
                return None
            if load.modes:
                return f"the load {event.id} can fail as {event.id}:short only, found {shorten(str(event))!r}", None
            return f"the load {event.id} fails by its own short only, and only if it says 'modes: [short]'", None
        if event.id in topology.functions:
            return f"{event.id} is a function; only components fail, and loads that list 'short'", None
        hint = suggest(event.id, topology.components)
        return f"{shorten(event.id)!r} is no component{hint}", event.id
    if event.mode in component.possible_modes:
        return None
    if event.mode not in MODES:
        hint = suggest(event.mode, MODES)
        return f"unknown failure mode {shorten(event.mode)!r}{hint}; known: {any_of(MODES, 'and')}", None
    modes = any_of(component.possible_modes, "and")
    why = " that is normally closed" if event.mode == "closed" and component.kind in ("switch", "breaker") else ""
    return f"{event.mode} does not apply to {event.id}, a {component.kind}{why}; to it apply {modes}", None


def named_twice(events: Iterable[Event]) -> str | None:
    """Return the id that has two of ``events``, if any: a component has at most one event in a case."""
    seen: set[str] = set()
    for event in events:
        if event.id in seen:
            return event.id
        seen.add(event.id)
    return None
