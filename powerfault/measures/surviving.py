"""What is left of the network in one case, stage and phase, as the served-load model sees it.

A thin adapter from the fixpoints of the cases: what is live in the sense of the format may carry power, what is
operable may be moved, everything else stands where it stands. :func:`split` then leaves out what no load depends on and
parts that have nothing to do with each other, so that equal remains of different cases are solved once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from powerfault.failures.case_state import failed_rows
from powerfault.failures.energise import StageRows, energise
from powerfault.failures.lanes import WholeNumberLanes
from powerfault.failures.plan import Plan, make_plan
from powerfault.measures.plant import Plant
from powerfault.model.elements import STAGES, Component, Event
from powerfault.network.failure_modes import merge_given

Nodes = frozenset[int]
Pairs = frozenset[tuple[int, int]]
NONE: Nodes = frozenset()


@dataclass(frozen=True, slots=True)
class Surviving:
    """The remains of a network in one case, by node number; equal values have equal best service.

    ``live`` may carry or be served (with switches placed as needed); ``kept`` was live or served at the stage before
    (at stage 0: is itself held), so that a circle of needs through it needs no start. ``operable`` may be moved and
    ``mateable`` jumpers mated. ``closed`` are the switched components that stand closed, the operable ones among them
    before anything is done: normally closed and not tripped. ``tripped`` ones stand open and may be closed again
    at no count if operable. ``pinned`` are operable but border a fault and must stand open; ``opened`` of them did not
    trip, so that opening them counts. ``through`` is what conducts when closed, live or not. ``waived`` needs
    (node, needed) are borne at this stage, ``borne`` ones need no start.
    """

    stage: int
    phase: str
    live: Nodes
    kept: Nodes
    operable: Nodes
    mateable: Nodes
    closed: Nodes
    tripped: Nodes
    pinned: Nodes
    opened: Nodes
    through: Nodes
    waived: Pairs = frozenset()
    borne: Pairs = frozenset()

    @property
    def movable(self) -> Nodes:
        """Switches that may be placed."""
        return self.operable - self.pinned


def survivors(
    plant: Plant,
    cases: Iterable[Iterable[Event]],
    stage: int,
    given: Iterable[Event] = (),
    plan: Plan | None = None,
) -> list[dict[str, Surviving]]:
    """Return what survives of each case at ``stage``, by phase. Raises :class:`RequestError` for a wrong case."""
    return [found[stage] for found in survivors_by_stage(plant, cases, (stage,), given, plan)]


def survivors_by_stage(
    plant: Plant,
    cases: Iterable[Iterable[Event]],
    stages: Sequence[int] = range(len(STAGES)),
    given: Iterable[Event] = (),
    plan: Plan | None = None,
) -> list[dict[int, dict[str, Surviving]]]:
    """As :func:`survivors`, for several stages at once."""
    network = plant.network
    failed = [tuple(case) for case in cases]
    standing = merge_given(network.topology, given)
    lanes = WholeNumberLanes(len(failed))
    rows = failed_rows(network, failed, standing, lanes)
    result = energise(plan or make_plan(network), lanes, rows, keep_phases=True, keep_rows=True)
    tripped = _sets(result.tripped.items(), len(failed))
    modes = [{network.index[e.id]: e.mode for e in (*standing, *case)} for case in failed]
    found: list[dict[int, dict[str, Surviving]]] = [{} for _ in failed]
    for stage in stages:
        for p, phase in enumerate(network.topology.phase_names):
            now = _Stage(result.stages[stage][p], len(failed))
            before = now if stage == 0 else _Stage(result.stages[stage - 1][p], len(failed))
            later = (
                [_Stage(result.stages[s][p], len(failed)) if s > stage else now for s in range(len(STAGES))]
                if (_has_bears(plant))
                else []
            )
            for i in range(len(failed)):
                found[i].setdefault(stage, {})[phase] = _surviving(
                    plant, modes[i], stage, phase, now, before, later, tripped[i], i
                )
    return found


class _Stage:
    """The rows of one stage and phase, turned into sets by case."""

    def __init__(self, rows: StageRows, n: int) -> None:
        self.live = _sets(enumerate(rows.live), n)
        self.zone = _sets(rows.zone.items(), n)
        self.blocking = _sets(rows.blocking.items(), n)
        self.operable = _sets(rows.operable.items(), n)


def _sets(rows: Iterable[tuple[int, int]], n: int) -> list[Nodes]:
    found: list[list[int]] = [[] for _ in range(n)]
    full = (1 << n) - 1
    for v, row in rows:
        if row == full:
            for nodes in found:
                nodes.append(v)
            continue
        # Most rows are nearly all ones or nearly all zeros, so a walk over the text of the number is quickest.
        for i, bit in enumerate(reversed(bin(row)[2:])):
            if bit == "1":
                found[i].append(v)
    return [frozenset(nodes) for nodes in found]


def _has_bears(plant: Plant) -> bool:
    return any(n.bears for needs in plant.network.needs for n in needs)


def _surviving(
    plant: Plant,
    modes: dict[int, str],
    stage: int,
    phase: str,
    now: _Stage,
    before: _Stage,
    later: list[_Stage],
    tripped: Nodes,
    case: int,
) -> Surviving:
    network = plant.network
    live, zone, blocking, operable = now.live[case], now.zone[case], now.blocking[case], now.operable[case]
    lost = {v for v, mode in modes.items() if mode == "loss"}
    operable = operable - lost - zone
    pinned = operable & blocking
    stands_closed = {v for v, mode in modes.items() if mode == "closed"}
    closed = frozenset((plant.normally_closed - tripped - lost) | stands_closed) - pinned
    dead = lost | zone | (blocking - operable)
    through, mateable = set(), set()
    for v, element in enumerate(network.elements[: network.n_components + network.n_loads]):
        if v in dead:
            continue
        if isinstance(element, Component):
            if element.kind == "fuse" and v in tripped:
                continue
            if element.kind == "jumper" and not element.mated:
                if stage < len(STAGES) - 1 or not element.crew_may_mate:
                    continue
                mateable.add(v)
        through.add(v)
    waived: set[tuple[int, int]] = set()
    borne: set[tuple[int, int]] = set()
    if later:
        for v, needs in enumerate(network.needs):
            for need in needs:
                if need.bears >= max(stage, 1) and need.node in later[need.bears].live[case]:
                    (waived if need.bears > stage else borne).add((v, need.node))
    return Surviving(
        stage=stage,
        phase=phase,
        live=live,
        kept=before.live[case],
        operable=operable,
        mateable=frozenset(mateable),
        closed=closed,
        tripped=(tripped & plant.switched) - lost,
        pinned=pinned,
        opened=(pinned & plant.normally_closed) - tripped,
        through=frozenset(through),
        waived=frozenset(waived),
        borne=frozenset(borne),
    )


def split(plant: Plant, surviving: Surviving) -> list[Surviving]:
    """Return independent parts of ``surviving``, each without what no load in it depends on.

    Left out is what reaches no live load and nothing needed; two nodes are in one part if a link, a need, a function,
    an exclusion or (where outputs must not be paralleled) any closed path can join them. The best service of the
    whole is that of the parts taken together, and so is the fewest operations, since no constraint spans two.
    """
    live = surviving.live
    rivals = [v for v in plant.rivals if v in live]
    wide = len(rivals) > 1
    useful = _useful(plant, live, rivals if wide else [])
    grouped = {v for group in plant.exclusive for v in group}
    # Positions matter beyond the useful nodes only for exclusions and for closed paths between outputs.
    carrying = surviving.through & plant.between if wide else NONE
    left = set(useful)
    left |= grouped
    left |= carrying
    parts: list[list[int]] = []
    related = plant.related
    while left:
        members = [left.pop()]
        for v in members:
            for u in related[v]:
                if u in left:
                    left.discard(u)
                    members.append(u)
        parts.append(members)
    found = []
    for members in parts:
        own = frozenset(members)
        # Without a load there is nothing to serve, but exclusions and parted outputs hold all the same.
        if own.isdisjoint(plant.loads) and own.isdisjoint(grouped) and sum(v in own for v in rivals) < 2:
            continue
        kept_live = own & useful
        found.append(
            replace(
                surviving,
                stage=0,  # nothing below depends on it: equal remains at two stages are one
                live=kept_live,
                kept=surviving.kept & kept_live & plant.needed,
                operable=surviving.operable & own,
                mateable=surviving.mateable & own,
                closed=surviving.closed & own,
                tripped=surviving.tripped & own,
                pinned=surviving.pinned & own if grouped or wide else NONE,
                opened=NONE,
                through=carrying & own,
                waived=frozenset(p for p in surviving.waived if p[0] in own),
                borne=frozenset(p for p in surviving.borne if p[0] in own),
            )
        )
    return found


def _useful(plant: Plant, live: Nodes, also: list[int]) -> Nodes:
    """Live nodes on which some live load (or one of ``also``) depends, through feeds, needs and functions."""
    network = plant.network
    waiting = [v for v in plant.loads if v in live] + also
    found = set(waiting)
    while waiting:
        v = waiting.pop()
        for u in (*network.upstream[v], *plant.need_nodes[v], *network.members[v]):
            if u in live and u not in found:
                found.add(u)
                waiting.append(u)
    # What hangs on one neighbour alone (a battery's lead without the battery) gives nothing back.
    kept = plant.loads | plant.sources | plant.needed
    suspects = [v for v in found if v not in kept]
    while suspects:
        v = suspects.pop()
        if v not in found:
            continue
        near = {u for u in network.upstream[v] if u in found}
        near.update(w for w in network.downstream[v] if w in found)
        if len(near) < 2 and v not in also:
            found.discard(v)
            suspects += [u for u in near if u not in kept]
    return frozenset(found)
