"""Which switches exclude each other? The groups under ``exclusive``.

A list of groups, each a list of ids of switched components of which at most one may stand closed; one flat list of ids
is one group. What only a proposal brings, or an applied one took out, counts where it is there.
"""

from __future__ import annotations

from powerfault.errors import ModelError, Problem, nearest
from powerfault.model.elements import Topology
from powerfault.model.places import problem_at


def exclusive_groups(topology: Topology) -> tuple[tuple[str, ...], ...]:
    """Return the ids of each group of two or more that are there; raise :class:`ModelError` for a wrong shape."""
    listed = topology.later.get("exclusive")
    if listed is None:
        return ()
    problems: list[Problem] = []

    def wrong(message: str) -> None:
        problems.append(problem_at(topology, "exclusive", message))

    groups = []
    if not isinstance(listed, list | tuple):
        wrong(f"expected a list of groups of switch ids such as [[TIE-1, TIE-2]]; found {listed!r}")
        listed = ()
    elif listed and all(isinstance(x, str) for x in listed):
        listed = [listed]
    for group in listed:
        if not isinstance(group, list | tuple) or not all(isinstance(x, str) for x in group):
            wrong(f"expected a group of switch ids such as [TIE-1, TIE-2]; found {group!r}")
            continue
        for id_ in group:
            component = topology.components.get(id_)
            if component is not None and not component.is_switched:
                wrong(f"{id_} is a {component.kind}; expected switches and breakers")
            elif component is None and not _comes_or_went(topology, id_):
                wrong(f"no component {id_!r}{nearest(id_, topology.components)}")
        present = tuple(dict.fromkeys(id_ for id_ in group if id_ in topology.components))
        if len(present) > 1:
            groups.append(present)
    if problems:
        raise ModelError(problems)
    return tuple(groups)


def _comes_or_went(topology: Topology, id_: str) -> bool:
    return any(
        id_ in (proposal.add.get("components") or ())
        or (proposal.id in topology.applied and id_ in (proposal.remove.get("components") or ()))
        for proposal in topology.proposals.values()
    )
