"""Which events a topology can suffer, in the order in which cases are listed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from powerfault.errors import RequestError, nearest
from powerfault.model.elements import MODES, Event, Topology


def check_modes(modes: Iterable[str]) -> tuple[str, ...]:
    """Return ``modes`` once each in the order of :data:`MODES`; raise :class:`RequestError` for an unknown one."""
    asked = list(modes)
    for mode in asked:
        if mode not in MODES:
            raise RequestError(
                f"unknown failure mode {mode!r}{nearest(mode, MODES)}; expected some of {', '.join(MODES)}"
            )
    if not asked:
        raise RequestError(f"no failure mode named; expected some of {', '.join(MODES)}")
    return tuple(m for m in MODES if m in asked)


def list_events(topology: Topology, modes: Sequence[str] = ("loss",), given: Iterable[Event] = ()) -> tuple[Event, ...]:
    """Return the events to enumerate: by component in file order, then by mode; the shorts of loads come last.

    A component with a standing or given event has no other event.
    """
    taken = {e.id for e in topology.standing} | {e.id for e in given}
    events = [
        Event(c.id, mode)
        for c in topology.components.values()
        if c.id not in taken
        for mode in c.applicable_modes
        if mode in modes
    ]
    if "short" in modes:
        events += [Event(x.id, "short") for x in topology.loads.values() if "short" in x.modes and x.id not in taken]
    return tuple(events)


def possible_modes(topology: Topology, id_: str) -> tuple[str, ...]:
    """The modes in which ``id_`` can be said to fail, its own ``modes`` and ``can_fail`` aside."""
    if id_ in topology.components:
        return topology.components[id_].possible_modes
    return topology.loads[id_].modes


def parse_event(topology: Topology, text: str) -> Event:
    """Read ``ID`` or ``ID:mode``; raise :class:`RequestError` where there is no such component or mode."""
    id_, _, mode = text.partition(":")
    mode = mode or "loss"
    if id_ not in topology.components and id_ not in topology.loads:
        what = "a function cannot fail by itself" if id_ in topology.functions else "no component of that id"
        known = [*topology.components, *(x.id for x in topology.loads.values() if x.modes)]
        raise RequestError(f"event {text!r}: {what}{nearest(id_, known)}")
    if mode not in MODES:
        raise RequestError(f"event {text!r}: unknown mode {mode!r}{nearest(mode, MODES)}; expected {', '.join(MODES)}")
    applies = possible_modes(topology, id_)
    if mode not in applies:
        if id_ in topology.loads:
            raise RequestError(
                f"event {text!r}: a load fails only by 'short', and only where its modes list it; "
                f"to fail what feeds it, name one of {', '.join(topology.loads[id_].fed_by) or 'its feeds'}"
            )
        kind = topology.components[id_].kind
        raise RequestError(
            f"event {text!r}: mode {mode!r} does not apply to this {kind}; expected {', '.join(applies)}"
        )
    return Event(id_, mode)


def merge_given(topology: Topology, given: Iterable[Event]) -> tuple[Event, ...]:
    """Return the standing events and ``given`` together; raise :class:`RequestError` where two name one component."""
    merged = {e.id: e for e in topology.standing}
    for event in given:
        if merged.setdefault(event.id, event) != event:
            raise RequestError(f"{event} is given, but {merged[event.id]} stands failed already: one event a component")
    return tuple(merged.values())


def check_given_after(changed: Topology, given: Iterable[Event]) -> None:
    """Raise :class:`RequestError` where an event given before the change does not exist after it."""
    for event in given:
        try:
            parse_event(changed, str(event))
        except RequestError as error:
            raise RequestError(f"{error} after the change; a given event must exist before and after") from error


def describe_unasked(topology: Topology, modes: Sequence[str]) -> tuple[str, ...]:
    """Name the modes and kinds that an enumeration over ``modes`` leaves out, a sentence each."""
    notes = []
    left = [m for m in MODES if m not in modes and any(m in c.applicable_modes for c in topology.components.values())]
    if left:
        notes.append(f"modes not enumerated: {', '.join(left)}")
    never = [c.id for c in topology.components.values() if not c.can_fail]
    if never:
        shown = ", ".join(never[:12]) + (f" and {len(never) - 12} more" if len(never) > 12 else "")
        notes.append(f"components declared never to fail: {shown}")
    silent: dict[str, list[str]] = {}
    for c in topology.components.values():
        if c.can_fail and not any(m in modes for m in c.applicable_modes):
            silent.setdefault(c.kind, []).append(c.id)
    for kind, ids in silent.items():
        shown = ", ".join(ids[:12]) + (f" and {len(ids) - 12} more" if len(ids) > 12 else "")
        notes.append(f"{kind}s with no event in these modes: {shown}")
    if not any("short" in x.modes for x in topology.loads.values()) and topology.loads:
        notes.append("failures inside loads are not enumerated")
    elif "short" in modes:
        notes.append("loads that do not list short are not failed")
    return tuple(notes)
