"""What a short takes down: the fault zone, spread over links in both directions up to what stops it.

Works on *rows*: one bit a case, as any type with ``&``, ``|`` and ``~`` (whole numbers, words of NumPy, nodes of a
decision diagram). Two shorts take down the union of what each takes down alone, since whether a fault may enter a
component does not depend on where it came from beyond the direction of the last link; so one spread serves all
shorts and all cases together.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from powerfault.model.elements import Component, Load
from powerfault.network.graph import Network

Row = Any
"""One bit a case. ``~`` may set bits beyond the last case; an ``&`` with a proper row clears them again."""


@dataclass(frozen=True, slots=True)
class Barriers:
    """How each node stops a fault, by number. What depends on the case (events, operability) is not in here."""

    never_forward: frozenset[int]
    """Not entered from upstream: loads with isolated inputs, unmated jumpers, diodes."""
    never_backward: frozenset[int]
    clears_forward: frozenset[int]
    """Stops a fault that comes from upstream, unless stuck or closed by failure."""
    clears_backward: frozenset[int]
    switched: frozenset[int]
    normally_open: frozenset[int]


def find_barriers(network: Network) -> Barriers:
    """Return what stops faults in ``network``."""
    never_forward, never_backward, clears_forward, clears_backward = set(), set(), set(), set()
    switched, normally_open = set(), set()
    for v, element in enumerate(network.elements):
        if isinstance(element, Load):
            if not element.common_inputs:
                never_forward.add(v)
        elif isinstance(element, Component):
            if element.is_jumper and not element.mated:
                never_forward.add(v)
                never_backward.add(v)
            if element.kind == "diode":
                never_forward.add(v)
            if element.clears:
                clears_backward.add(v)
                if element.kind != "converter" or element.isolated:
                    clears_forward.add(v)
            if element.is_switched:
                switched.add(v)
                if element.normally_open:
                    normally_open.add(v)
    return Barriers(
        frozenset(never_forward),
        frozenset(never_backward),
        frozenset(clears_forward),
        frozenset(clears_backward),
        frozenset(switched),
        frozenset(normally_open),
    )


def spread(
    network: Network,
    barriers: Barriers,
    zero: Row,
    shorted: Mapping[int, Row],
    not_clearing: Mapping[int, Row],
    closed: Mapping[int, Row],
    operable: Mapping[int, Row],
    absent: Mapping[int, Row],
) -> dict[int, Row]:
    """Return the zone of each node that is in one in some case, as rows.

    ``shorted``, ``not_clearing`` (stuck or closed by failure), ``closed``, ``operable`` and ``absent`` are rows by
    node; a node left out has the empty row. Each node is visited again only when its zone grew.
    """
    zone: dict[int, Row] = dict(shorted)
    waiting = dict.fromkeys(shorted)
    while waiting:
        v = next(iter(waiting))
        del waiting[v]
        here = zone[v]
        for neighbours, never, clears in (
            (network.fault_next[v], barriers.never_forward, barriers.clears_forward),
            (network.fault_previous[v], barriers.never_backward, barriers.clears_backward),
        ):
            for w in neighbours:
                if w in never:
                    continue
                entering = here
                if w in clears:
                    if w not in not_clearing:
                        continue
                    entering = entering & not_clearing[w]
                if w in barriers.switched:
                    if w in barriers.normally_open:
                        if w not in closed:
                            continue
                        entering = entering & closed[w]
                    if w in operable:
                        entering = entering & ~operable[w]
                if w in absent:
                    entering = entering & ~absent[w]
                before = zone.get(w, zero)
                grown = before | entering
                if _differs(grown, before):
                    zone[w] = grown
                    waiting[w] = None
    return zone


def blocking(network: Network, zone: Mapping[int, Row]) -> dict[int, Row]:
    """Return, for each node outside a zone with a link into it, the cases in which it therefore conducts nothing."""
    found: dict[int, Row] = {}
    for w, row in zone.items():
        for u in network.fault_previous[w]:
            outside = row & ~zone[u] if u in zone else row
            found[u] = found[u] | outside if u in found else outside
    return found


def _differs(a: Row, b: Row) -> bool:
    different = a != b
    return bool(different if isinstance(different, bool) else different.any())
