"""What is left of the network in one case, stage and phase, as the served-load model sees it.

A thin adapter from the fixpoints of the cases: what is live in the sense of the format may carry power, what is
operable may be moved, everything else stands where it stands. :func:`split` then leaves out what no load depends on and
parts that have nothing to do with each other, so that equal remains of different cases are solved once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from powerfault.electrical.served.plant import Plant
from powerfault.failures.case_state import failed_rows
from powerfault.failures.energise import StageRows, energise
from powerfault.failures.lanes import WholeNumberLanes, at_least
from powerfault.failures.plan import Plan, make_plan
from powerfault.model.elements import STAGES, Component, Event
from powerfault.network.failure_modes import merge_given
from powerfault.network.zones import Barriers, find_barriers

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
    at no count if operable. ``pinned`` are operable but border a fault and must be open, since the fault's zone ends at
    them only while they are, or since they would feed it; they carry nothing. ``opened`` of them did not trip, so that
    opening them counts. ``through`` is what conducts when closed, live or not. ``waived`` needs
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
    shapes = [_Shape(plant, stage) for stage in range(len(STAGES))]
    bears = _has_bears(plant)
    for p, phase in enumerate(network.topology.phase_names):
        at: dict[int, _Stage] = {}
        for stage in stages:
            seen = range(stage, len(STAGES)) if bears else (stage,)
            for s in (max(0, stage - 1), *seen):
                if s not in at:
                    at[s] = _Stage(result.stages[s][p], len(failed))
            now, before = at[stage], at[max(0, stage - 1)]
            later = [at[max(s, stage)] for s in range(len(STAGES))] if bears else []
            for i in range(len(failed)):
                found[i].setdefault(stage, {})[phase] = _surviving(
                    plant, shapes[stage], modes[i], phase, now, before, later, tripped[i], i
                )
    return found


class _Stage:
    """The rows of one stage and phase, turned into sets by case."""

    def __init__(self, rows: StageRows, n: int) -> None:
        self.live = _sets(enumerate(rows.live), n)
        self.zone = _sets(rows.zone.items(), n)
        self.blocking = _sets(rows.blocking.items(), n)
        self.operable = _sets(rows.operable.items(), n)


class _Shape:
    """What conducts at a stage whatever the case, and which jumpers are mated by hand then."""

    def __init__(self, plant: Plant, stage: int) -> None:
        network = plant.network
        elements = network.elements[: network.n_components]
        unmated = {v for v, c in enumerate(elements) if isinstance(c, Component) and c.kind == "jumper" and not c.mated}
        self.stage = stage
        self.barriers = find_barriers(network)
        self.fuses = frozenset(v for v, c in enumerate(elements) if isinstance(c, Component) and c.kind == "fuse")
        self.mateable = frozenset(v for v in unmated if stage == len(STAGES) - 1 and network.component(v).crew_may_mate)
        self.through = frozenset(range(network.n_components + network.n_loads)) - (unmated - self.mateable)


def _sets(rows: Iterable[tuple[int, int]], n: int) -> list[Nodes]:
    """Turn the rows of nodes, a bit for each of ``n`` cases, into the nodes of each case."""
    import numpy as np

    some = [(v, row) for v, row in rows if row]
    if not some:
        return [NONE] * n
    width = -(-n // 8)
    packed = np.frombuffer(b"".join(row.to_bytes(width, "little") for _, row in some), np.uint8)
    table = np.unpackbits(packed.reshape(len(some), width), axis=1, bitorder="little")[:, :n].T
    members = np.array([v for v, _ in some])[np.nonzero(table)[1]].tolist()
    ends = np.cumsum(np.count_nonzero(table, axis=1)).tolist()
    return [frozenset(members[a:b]) for a, b in pairwise((0, *ends))]


def _rows(sets: Sequence[Nodes], n: int) -> list[int]:
    """Turn the nodes of each case into rows of all ``n`` nodes, a bit a case: the reverse of :func:`_sets`."""
    import numpy as np

    table = np.zeros((len(sets), n), bool)
    for place, nodes in zip(table, sets, strict=True):
        place[list(nodes)] = True
    return [int.from_bytes(row.tobytes(), "little") for row in np.packbits(table.T, axis=1, bitorder="little")]


def _has_bears(plant: Plant) -> bool:
    return any(n.bears for needs in plant.network.needs for n in needs)


def _surviving(
    plant: Plant,
    shape: _Shape,
    modes: dict[int, str],
    phase: str,
    now: _Stage,
    before: _Stage,
    later: list[_Stage],
    tripped: Nodes,
    case: int,
) -> Surviving:
    network, stage = plant.network, shape.stage
    live, zone, blocking, operable = now.live[case], now.zone[case], now.blocking[case], now.operable[case]
    lost = {v for v, mode in modes.items() if mode == "loss"}
    operable = operable - lost - zone
    pinned = operable & (blocking | _bordering(plant, shape.barriers, zone, tripped))
    stands_closed = {v for v, mode in modes.items() if mode == "closed"}
    closed = frozenset((plant.normally_closed - tripped - lost) | stands_closed) - pinned
    dead = lost | zone | (blocking - operable) | (tripped & shape.fuses)
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
        live=live - pinned,
        kept=before.live[case],
        operable=operable,
        mateable=shape.mateable - dead,
        closed=closed,
        tripped=(tripped & plant.switched) - lost,
        pinned=pinned,
        opened=(pinned & plant.normally_closed) - tripped,
        through=shape.through - dead,
        waived=frozenset(waived),
        borne=frozenset(borne),
    )


def _bordering(plant: Plant, barriers: Barriers, zone: Nodes, tripped: Nodes) -> Nodes:
    """Switches beside a zone that must not be closed: open ones, and closed ones that do not clear a fault themselves.

    The failure evaluator takes an operable switch as one that can be opened to keep the fault out; whoever relies on
    that must open it, and must never close one on to the fault.
    """
    network = plant.network
    found: set[int] = set()
    for z in zone:
        for beside, never, clears in (
            (network.fault_next[z], barriers.never_forward, barriers.clears_forward),
            (network.fault_previous[z], barriers.never_backward, barriers.clears_backward),
        ):
            for v in beside:
                if v in plant.switched and v not in zone and v not in never:
                    closed = v in plant.normally_closed and v not in tripped
                    if not (closed and v in clears):
                        found.add(v)
    return frozenset(found)


def split(plant: Plant, surviving: Surviving) -> list[Surviving]:
    """Return independent parts of ``surviving``, each without what no load in it depends on.

    Left out is what reaches no live load and nothing needed; two nodes are in one part if a link, a need, a function,
    an exclusion or (where outputs must not be paralleled) any closed path can join them. The best service of the
    whole is that of the parts taken together, and so is the fewest operations, since no constraint spans two.
    """
    return divide(plant, cores(plant, [surviving])[0])


def cores(plant: Plant, remains: Sequence[Surviving]) -> list[Surviving]:
    """Return each of ``remains`` without what no load depends on; equal cores :func:`divide` into equal parts."""
    rivals = [[v for v in plant.rivals if v in surviving.live] for surviving in remains]
    grouped = frozenset(v for group in plant.exclusive for v in group)
    found = []
    for surviving, own, useful in zip(remains, rivals, _useful(plant, remains), strict=True):
        wide = len(own) > 1
        # Positions matter beyond the useful nodes only for exclusions and for closed paths between outputs.
        carrying = surviving.through & plant.between if wide else NONE
        kept = useful | grouped | carrying
        found.append(
            Surviving(
                stage=0,  # nothing below depends on it: equal remains at two stages are one
                phase=surviving.phase,
                live=useful,
                kept=surviving.kept & useful & plant.needed,
                operable=surviving.operable & kept,
                mateable=surviving.mateable & kept,
                closed=surviving.closed & kept,
                tripped=surviving.tripped & kept,
                pinned=surviving.pinned & kept if grouped or wide else NONE,
                opened=NONE,
                through=carrying,
                waived=frozenset(p for p in surviving.waived if p[0] in kept),
                borne=frozenset(p for p in surviving.borne if p[0] in kept),
            )
        )
    return found


def divide(plant: Plant, core: Surviving) -> list[Surviving]:
    """Return the independent parts of one of :func:`cores`; see :func:`split`."""
    grouped = {v for group in plant.exclusive for v in group}
    rivals = [v for v in plant.rivals if v in core.live]
    left = {*core.live, *grouped, *core.through}
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
        if len(parts) == 1:
            return [core]
        found.append(
            replace(
                core,
                live=core.live & own,
                kept=core.kept & own,
                operable=core.operable & own,
                mateable=core.mateable & own,
                closed=core.closed & own,
                tripped=core.tripped & own,
                pinned=core.pinned & own,
                through=core.through & own,
                waived=frozenset(p for p in core.waived if p[0] in own),
                borne=frozenset(p for p in core.borne if p[0] in own),
            )
        )
    return found


def _useful(plant: Plant, remains: Sequence[Surviving]) -> list[Nodes]:
    """Return, of each of ``remains``, the live nodes on which a live load (or one of several live rivals) depends.

    All at once, a bit for each: first what loads depend on through feeds, needs and functions, then without what hangs
    on one neighbour alone (a battery's lead without the battery), which gives nothing back.
    """
    network = plant.network
    n, full = len(network.ids), (1 << len(remains)) - 1
    live = _rows([surviving.live for surviving in remains], n)
    wide = at_least(2, [live[v] for v in plant.rivals], 0, full)
    asked = [0] * n
    for v in plant.loads:
        asked[v] = full
    for v in plant.rivals:
        asked[v] = wide
    found = [0] * n
    for part in reversed(network.parts):
        changed = True
        while changed:
            changed = False
            for v in reversed(part.nodes):
                row = asked[v]
                for reader in network.readers[v]:
                    row |= found[reader]
                row &= live[v]
                if row != found[v]:
                    found[v] = row
                    changed = part.cyclic
    kept = plant.loads | plant.sources | plant.needed
    waiting = [v for part in network.parts for v in part.nodes if v not in kept and found[v]]
    while waiting:
        v = waiting.pop()
        once, twice = 0, asked[v]
        for u in plant.neighbours[v]:
            twice |= once & found[u]
            once |= found[u]
        if found[v] & ~twice:
            found[v] &= twice
            waiting += [u for u in plant.neighbours[v] if u not in kept and found[u]]
    return _sets(enumerate(found), len(remains))
