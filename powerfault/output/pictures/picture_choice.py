"""Which parts of a large system a drawing shows with a box of their own."""

from __future__ import annotations

from collections.abc import Sequence

from powerfault.errors import RequestError, nearest
from powerfault.model.elements import Topology
from powerfault.output.pictures.picture_graph import channels_of


def without_channels(before: Topology, after: Topology | None, collapsed: Sequence[str]) -> frozenset[str]:
    """Every id but those drawn in the ``collapsed`` channels (``all`` for every channel).

    Raises :class:`RequestError` for a channel that is not there.
    """
    channel = {**(channels_of(after) if after is not None else {}), **channels_of(before)}
    names = set(channel.values())
    for name in collapsed:
        if name != "all" and name not in names:
            raise RequestError(
                f"no channel {name!r}{nearest(name, names)}; there are {', '.join(sorted(names)) or 'none'}"
            )
    gone = names if "all" in collapsed else set(collapsed)
    ids = {i for t in (before, after) if t is not None for i in (*t.components, *t.loads)}
    return frozenset(i for i in ids if channel.get(i) not in gone)


def within_reach(topology: Topology, centres: Sequence[str], most: int) -> frozenset[str]:
    """Components and loads at most ``most`` links from one of ``centres``, in either direction.

    Raises :class:`RequestError` for an id that is not there.
    """
    neighbours: dict[str, set[str]] = {i: set() for i in (*topology.components, *topology.loads)}
    for a, b in (*topology.links, *topology.load_links()):
        neighbours[a].add(b)
        neighbours[b].add(a)
    for centre in centres:
        if centre not in neighbours:
            raise RequestError(f"no component or load {centre!r}{nearest(centre, neighbours)}")
    found = set(centres)
    frontier = set(centres)
    for _ in range(most):
        frontier = {n for i in frontier for n in neighbours[i]} - found
        found |= frontier
    return frozenset(found)
