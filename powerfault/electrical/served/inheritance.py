"""What the best service after a smaller failure says of the best after a larger one.

What is left after one more failure can serve no more than what was left before, so where the best service of the
smaller failure still stands, it is the best of the larger too. Exclusions and outputs that must not be paralleled can
bind less when more is lost. So nothing is inferred where an exclusion is touched, and, where outputs must be kept
apart, only if in every choice of positions the same of them are live and the same closed paths join them:

* :attr:`Kinship.CLOSE`: nothing on which that can depend is lost;
* :attr:`Kinship.ALIKE`: something is, but none of it counts. What is live in every choice of positions, before and
  after, shields all that is behind it; and what hangs as a dead end on the paths between outputs joins none.

The loads served and the positions are then a best service. Whether they are *the* best service, so that a solver could
give no other, ``service_model.only_answer`` tells.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import IntEnum

from powerfault.electrical.served.configuration import Service, faults_of
from powerfault.electrical.served.plant import Plant
from powerfault.electrical.served.service_bounds import serve_loads
from powerfault.electrical.served.surviving import Surviving

Nodes = frozenset[int]


class Kinship(IntEnum):
    """How surely a part can be served no better than another that is less hurt."""

    NONE = 0
    ALIKE = 1
    CLOSE = 2


def kinship(plant: Plant, surviving: Surviving, before: Surviving, steady: Callable[[Surviving], Nodes]) -> Kinship:
    """Tell whether ``surviving`` can be served no better than ``before``, nor as well with fewer operations.

    ``steady`` returns what is live in every choice of positions
    (``configuration.always_live``).
    """
    if not surviving.live <= before.live or before.pinned or surviving.pinned:
        return Kinship.NONE
    if not (
        surviving.movable <= before.movable
        and surviving.kept <= before.kept
        and surviving.mateable <= before.mateable
        and surviving.closed & surviving.live == before.closed & surviving.live
        and surviving.tripped & surviving.live == before.tripped & surviving.live
        and surviving.waived <= before.waived
        and surviving.borne <= before.borne
    ):
        return Kinship.NONE
    for group in plant.exclusive:
        own = frozenset(group)
        if own & before.movable != own & surviving.movable or own & before.closed != own & surviving.closed:
            return Kinship.NONE
    if sum(v in before.live for v in plant.rivals) < 2:
        return Kinship.CLOSE
    lost = before.live - surviving.live
    if surviving.through == before.through and lost.isdisjoint(plant.behind_rivals | plant.between):
        return Kinship.CLOSE
    return Kinship.ALIKE if _rivals_alike(plant, surviving, before, steady) else Kinship.NONE


def _rivals_alike(plant: Plant, surviving: Surviving, before: Surviving, steady: Callable[[Surviving], Nodes]) -> bool:
    """Whether the same outputs are live, and joined, in every choice of positions that both allow."""
    lost = before.live - surviving.live
    touched = lost | (surviving.through ^ before.through)
    touched |= (surviving.closed ^ before.closed) | (surviving.tripped ^ before.tripped)
    if not touched.isdisjoint(plant.bridging):
        return False
    rest = _resting_on(plant, before.live, steady(surviving) & steady(before))
    if not rest.isdisjoint(lost | (surviving.kept ^ before.kept)):
        return False
    return all(v not in rest for v, _ in (surviving.waived ^ before.waived) | (surviving.borne ^ before.borne))


def _resting_on(plant: Plant, live: Nodes, steady: Nodes) -> set[int]:
    """What the liveness of rivals rests on, themselves included, as far up as what is live whatever is chosen."""
    waiting = [v for v in plant.rivals if v in live and v not in steady]
    found = set(waiting)
    while waiting:
        v = waiting.pop()
        for u in plant.rests_on[v]:
            if u in live and u not in steady and u not in found:
                found.add(u)
                waiting.append(u)
    return found


def carry_over(plant: Plant, surviving: Surviving, before: Surviving, best: Service) -> Service | None:
    """Return ``best``, a service of ``before``, as one of ``surviving`` if it stands there, else ``None``.

    The positions are the same, and so are the loads but for those without a path now; power may run another way round.
    """
    if not best.mated <= surviving.mateable:
        return None
    base_before = before.movable & before.closed
    if not (best.closed ^ base_before) <= surviving.movable:
        return None
    closed = best.closed & surviving.movable
    served = best.served & surviving.live
    if served == best.served and {v for link in best.flow_kw for v in link} <= surviving.live:
        service = Service(
            closed=closed,
            mated=best.mated,
            served=served,
            fed_from={v: u for v, u in best.fed_from.items() if v in surviving.live and u in surviving.live},
            flow_kw=best.flow_kw,
        )
        if not faults_of(plant, surviving, service):
            return service
    return serve_loads(plant, surviving, closed, best.mated, served)
