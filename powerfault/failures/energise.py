"""Which consumers are served at each stage of each case: the fixpoints of the format, all cases of a block at once.

Each node has a row with one bit a case (``failures.lanes``). Per stage:

* the *zones* of shorts are spread with what is operable, and what borders them conducts nothing;
* *power* is the least fixpoint over the feeds: a row is the OR (or k-of-n count) of its upstream rows, AND what
  the node allows. Acyclic nodes are computed once, in topological order; only cyclic parts are swept;
* *needs* at stage 0 are a greatest fixpoint around that (all taken as met, then withdrawn), inside cyclic parts
  only, since for acyclic ones both fixpoints agree; at later stages a least one above what the stage before served;
* *charge* links the phases: repeated until no storage is added.

At later stages only nodes are computed anew whose surroundings changed. Starting a later stage from the rows of the
stage before is sound because every stage's operator is monotone and at or above the one before: a zone only shrinks
as more becomes operable, so a set that was supported stays supported. Borne interruptions of needs
(``NeedOf.bears``) are a greatest fixpoint around all of it: taken as borne, then withdrawn where the need is not
served by the stage that it bears.

The *long run* counts a storage as charged only where something charges it. The instant *at once*
(:func:`energise_at_once`) begins with the storages that are charged when nothing more has failed, and takes every
interruption that is borne as borne up to its stage: what is served then may last only until a storage is flat, or until
the interruption has lasted too long.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from powerfault.failures.lanes import Lanes, Row, WholeNumberLanes, at_least
from powerfault.failures.plan import Plan
from powerfault.model.elements import MODES, STAGES
from powerfault.network.zones import blocking, spread

FailedRows = Mapping[tuple[int, str], Row]
"""The cases in which (node, mode) has happened."""


@dataclass(slots=True)
class StageRows:
    """All that is known at one stage of one phase."""

    live: list[Row]
    zone: dict[int, Row]
    blocking: dict[int, Row]
    operable: dict[int, Row]
    charged: dict[int, Row]


@dataclass(slots=True)
class Energised:
    """The rows of a block. ``unserved[s][i]``: cases in which the i-th consumer is not yet served at stage s.

    Consumers count from 0 in the order of :attr:`Network.consumers`; unserved is over the phases in which the
    consumer is judged. ``phase_unserved[p][s][i]`` is the same for one phase alone, kept on demand; ``stages[s][p]``
    holds every row, kept on demand.
    """

    unserved: list[list[Row]]
    phase_unserved: list[list[list[Row]]] = field(default_factory=list)
    stages: list[list[StageRows]] = field(default_factory=list)
    tripped: dict[int, Row] = field(default_factory=dict)


def energise(
    plan: Plan,
    lanes: Lanes,
    failed: FailedRows,
    absent: Mapping[int, Row] | None = None,
    *,
    keep_phases: bool = False,
    keep_rows: bool = False,
) -> Energised:
    """Evaluate a block of cases.

    ``failed`` gives the cases of each event, standing events included (as full rows). ``absent`` gives cases in which
    a node is to be taken as not there at all: it conducts nothing and carries no fault.
    """
    return _Block(plan, lanes, failed, absent or {}, keep_phases, keep_rows).run()


def charged_before(plan: Plan, standing: Iterable[tuple[int, str]]) -> frozenset[int]:
    """Return the storages that are charged before anything more fails: at stage 0, ``standing`` (node, mode) failed.

    Those without ``charged_by`` count as always charged and are left out.
    """
    if not plan.network.chargers:
        return frozenset()
    rows = energise(plan, WholeNumberLanes(1), dict.fromkeys(standing, 1), keep_rows=True).stages[0][0]
    return frozenset(v for v, row in rows.charged.items() if row)


def energise_at_once(
    plan: Plan,
    lanes: Lanes,
    failed: FailedRows,
    charged: frozenset[int],
    *,
    keep_phases: bool = False,
    keep_rows: bool = False,
) -> Energised:
    """As :func:`energise` for the instant at once: ``charged`` storages begin charged, borne interruptions are borne.

    An interruption is borne up to its stage and no longer, so what is served at a stage may not be at a later one: a
    row of ``unserved`` holds the cases in which the consumer was served at no stage so far.
    """
    ends = sorted({bears + 1 for _, bears in plan.bearing if bears + 1 < len(STAGES)})
    if not ends:
        return _Block(plan, lanes, failed, {}, keep_phases, keep_rows, charged, 0).run()
    spans = zip((0, *ends), (*ends, len(STAGES)), strict=True)
    runs = [_Block(plan, lanes, failed, {}, True, keep_rows, charged, begin, end).run() for begin, end in spans]
    at = [runs[sum(end <= stage for end in ends)] for stage in range(len(STAGES))]
    result = Energised(unserved=[], tripped=runs[0].tripped)
    for p in range(len(plan.phases)):
        so_far = [list(at[0].phase_unserved[p][0])]
        for stage in range(1, len(STAGES)):
            so_far.append([a & b for a, b in zip(so_far[-1], at[stage].phase_unserved[p][stage], strict=True)])
        result.phase_unserved.append(so_far)
    for stage in range(len(STAGES)):
        rows = list(result.phase_unserved[0][stage])
        for phase in result.phase_unserved[1:]:
            rows = [a | b for a, b in zip(rows, phase[stage], strict=True)]
        result.unserved.append(rows)
    if keep_rows:
        result.stages = [at[stage].stages[stage] for stage in range(len(STAGES))]
    if not keep_phases:
        result.phase_unserved = []
    return result


class _Block:
    """The state of one evaluation.

    ``charged`` storages begin charged. Needs whose interruption is borne up to stage ``held_from`` or longer count as
    met so long, whatever becomes of them; ``None`` where none do. From stage ``end`` on nothing is computed.
    """

    def __init__(
        self,
        plan: Plan,
        lanes: Lanes,
        failed: FailedRows,
        absent: Mapping[int, Row],
        keep_phases: bool,
        keep_rows: bool,
        charged: frozenset[int] = frozenset(),
        held_from: int | None = None,
        end: int = len(STAGES),
    ) -> None:
        self.charged_before, self.held_from, self.end = charged, held_from, end
        self.plan, self.lanes, self.absent = plan, lanes, absent
        self.keep_phases, self.keep_rows = keep_phases, keep_rows
        by_mode: dict[str, dict[int, Row]] = {mode: {} for mode in MODES}
        for (node, mode), row in failed.items():
            by_mode[mode][node] = row
        # A leak spreads over coolant links as a short does over power links, and the two never meet.
        self.lost, self.shorted = by_mode["loss"], by_mode["short"] | by_mode["leak"]
        self.leaks = bool(by_mode["leak"])
        self.stuck, self.closed = by_mode["stuck"], by_mode["closed"]
        self.not_clearing = dict(self.stuck)
        for node, row in self.closed.items():
            self.not_clearing[node] = self.not_clearing[node] | row if node in self.not_clearing else row
        n_phases = len(plan.phases)
        self.live: list[list[Row]] = [[] for _ in range(n_phases)]
        self.allowed: list[list[Row | None]] = [[] for _ in range(n_phases)]
        self.charged: dict[int, Row] = {}
        self.zones: list[dict[int, Row]] = [{} for _ in range(n_phases)]
        self.operable: list[dict[int, Row]] = [{} for _ in range(n_phases)]
        self.tripped: dict[int, Row] = {}
        self.dead_for_case: dict[int, Row] = {}
        self.valves_in_time: list[dict[int, Row]] = [{} for _ in range(n_phases)]
        self.borne: dict[tuple[int, int, int], Row] = {}
        self.base = self._base()

    def run(self) -> Energised:
        for need, stage in self.plan.bearing:
            for p in range(len(self.plan.phases)):
                self.borne[need, stage, p] = self.lanes.full
        while True:
            result = self._stages()
            if result is not None:
                return result

    def _withdraw(self, stage: int) -> bool:
        """Withdraw what was taken as borne up to ``stage`` and is not served there; say whether anything was."""
        withdrawn = False
        for (need, until, p), row in self.borne.items():
            if until == stage < self.end and (self.held_from is None or until < self.held_from):
                kept = row & self.live[p][need]
                if not self.lanes.same(kept, row):
                    self.borne[need, until, p] = kept
                    withdrawn = True
        return withdrawn

    def _stages(self) -> Energised | None:
        """All stages with what is taken as borne; ``None`` where that did not hold, to begin anew with less."""
        plan, full = self.plan, self.lanes.full
        consumers = plan.network.consumers
        result = Energised(unserved=[])
        looked_at: list[list[Row | None]] = [[None] * len(consumers) for _ in plan.phases]
        unserved: list[list[Row]] = [[self.lanes.zero] * len(consumers) for _ in plan.phases]
        if self.keep_phases:
            result.phase_unserved = [[] for _ in plan.phases]
        for stage in range(len(STAGES)):
            if stage == 0:
                self._first_stage()
                result.tripped = self.tripped
            elif stage in plan.active_stages and stage < self.end:
                self._later_stage(stage)
            if self.borne and self._withdraw(stage):
                return None
            for p, live in enumerate(self.live):
                for i, v in enumerate(consumers):
                    # A row is replaced only when it changes, so one that is still the same object needs no work.
                    if plan.judged[p][i] and looked_at[p][i] is not live[v]:
                        looked_at[p][i] = live[v]
                        unserved[p][i] = full & ~live[v]
                if self.keep_phases:
                    result.phase_unserved[p].append(list(unserved[p]))
            rows = list(unserved[0])
            for own in unserved[1:]:
                rows = [a if b is self.lanes.zero else a | b for a, b in zip(rows, own, strict=True)]
            result.unserved.append(rows)
            if self.keep_rows:
                result.stages.append(
                    [
                        StageRows(
                            list(self.live[p]),
                            dict(self.zones[p]),
                            blocking(plan.network, self.zones[p]),
                            dict(self.operable[p]),
                            dict(self.charged),
                        )
                        for p in range(len(plan.phases))
                    ]
                )
        return result

    # ---- what each node allows

    def _base(self) -> list[Row | None]:
        """What holds at every stage: ``None`` where nothing forbids the node, else the cases that allow it."""
        base: list[Row | None] = [None] * len(self.plan.network.ids)
        for rows in (self.lost, self.absent):
            for v, row in rows.items():
                base[v] = self._without(base[v], row)
        return base

    def _without(self, allowed: Row | None, forbidden: Row) -> Row:
        return (self.lanes.full if allowed is None else allowed) & ~forbidden

    def _operable_rows(self, stage: int, live: list[Row]) -> dict[int, Row]:
        plan = self.plan
        rows: dict[int, Row] = {}
        if stage == 0:
            return rows
        for v in plan.switched:
            if plan.stage_of[v] > stage:
                continue
            row = self.lanes.full
            for operator in plan.network.operators.get(v, ()):
                row = row & live[operator]
            if v in self.not_clearing:
                row = row & ~self.not_clearing[v]
            rows[v] = row
        return rows

    def _zone_rows(self, stage: int, p: int, operable: dict[int, Row]) -> dict[int, Row]:
        if not self.shorted:
            return {}
        if self.leaks:
            # Only a valve that closes by itself holds coolant back; one closed later finds the line drained.
            if stage <= 1:
                self.valves_in_time[p] = {v: row for v, row in operable.items() if v in self.plan.valves}
            operable = {v: row for v, row in operable.items() if v not in self.plan.valves} | self.valves_in_time[p]
        return spread(
            self.plan.network,
            self.plan.barriers,
            self.lanes.zero,
            self.shorted,
            self.not_clearing,
            self.closed,
            operable,
            self.absent,
        )

    def _allowed_rows(self, stage: int, operable: dict[int, Row], zone: dict[int, Row]) -> list[Row | None]:
        plan, zero, full = self.plan, self.lanes.zero, self.lanes.full
        allowed = list(self.base)
        for v in plan.unmated:
            allowed[v] = zero
        if stage == len(STAGES) - 1:
            for v in plan.crew_mates:
                allowed[v] = self.base[v]
        for v in plan.switched:
            if v in plan.barriers.normally_open:
                conducts = operable.get(v, zero)
            elif v in self.tripped:
                conducts = (full & ~self.tripped[v]) | operable.get(v, zero)
            else:
                continue
            own = allowed[v]
            allowed[v] = conducts if own is None else own & conducts
        for v, row in self.dead_for_case.items():
            allowed[v] = self._without(allowed[v], row)
        for v, row in zone.items():
            allowed[v] = self._without(allowed[v], row)
        for v, row in blocking(plan.network, zone).items():
            allowed[v] = self._without(allowed[v], row)
        for v in plan.converters:
            # A tripped converter returns only once it borders no zone, on either side.
            if v in self.tripped:
                for w in (*plan.network.fault_next[v], *plan.network.fault_previous[v]):
                    if w in zone:
                        allowed[v] = self._without(allowed[v], self.tripped[v] & zone[w])
        return allowed

    # ---- one node

    def _row(self, v: int, p: int, live: list[Row], needed: Mapping[int, Row], stage: int) -> Row:
        """The cases in which node v is live or served, from the rows of what it depends on.

        ``needed`` overrides the rows that needs are read from (stage 0, inside a cyclic part).
        """
        plan, network, zero, full = self.plan, self.plan.network, self.lanes.zero, self.lanes.full
        if network.members[v]:
            return at_least(network.threshold[v], [live[m] for m in network.members[v]], zero, full)
        if v in plan.sources:
            if v in plan.dry[p]:
                return zero
            row = self.charged.get(v, full)
        else:
            row = at_least(network.threshold[v], [live[u] for u in network.upstream[v]], zero, full)
        own = self.allowed[p][v]
        if own is not None:
            row = row & own
        for need in network.needs[v]:
            met = needed.get(need.node, live[need.node])
            if need.bears and stage <= need.bears:
                met = met | self.borne[need.node, need.bears, p]
            row = row & met
        return row

    # ---- stage 0

    def _first_stage(self) -> None:
        plan, lanes = self.plan, self.lanes
        self.tripped, self.dead_for_case = {}, {}
        self.valves_in_time = [{} for _ in self.plan.phases]
        zone = self._zone_rows(0, 0, {})
        if zone:
            border = blocking(plan.network, zone)
            for v in plan.clears:
                rows = [found[v] for found in (zone, border) if v in found]
                if rows:
                    self.tripped[v] = rows[0] if len(rows) == 1 else rows[0] | rows[1]
        allowed = self._allowed_rows(0, {}, zone)
        n, n_phases = len(plan.network.ids), len(plan.phases)
        for p in range(n_phases):
            self.zones[p], self.operable[p], self.allowed[p] = zone, {}, allowed
            self.live[p] = [lanes.zero] * n
        for v in plan.fuses:
            if v in self.tripped:
                self.dead_for_case[v] = self.tripped[v]
        for v in plan.storages:
            if v in zone:
                self.dead_for_case[v] = zone[v]
        self.charged = {v: lanes.full if v in self.charged_before else lanes.zero for v in plan.network.chargers}
        dirty: list[Iterable[int] | None] = [None] * n_phases
        while True:
            for p in range(n_phases):
                changed = dirty[p]
                if changed is None or changed:
                    self._first_pass(p, changed)
                    dirty[p] = ()
                    grown = self._charge(p)
                    if grown:
                        dirty = [None if found is None else [*found, *grown] for found in dirty]
            if not any(found is None or found for found in dirty):
                return

    def _first_pass(self, p: int, changed: Iterable[int] | None) -> None:
        """Compute the rows of stage 0 in phase p; ``changed`` storages alone, or everything for ``None``."""
        live, readers = self.live[p], self.plan.network.readers
        if changed is None:
            for part in self.plan.network.parts:
                if part.cyclic:
                    self._first_cyclic(p, part.nodes, part.needed)
                else:
                    live[part.nodes[0]] = self._row(part.nodes[0], p, live, {}, 0)
            return
        stale = bytearray(len(live))
        for v in changed:
            stale[v] = 1
        for part in self.plan.network.parts:
            if not any(stale[v] for v in part.nodes):
                continue
            before = [live[v] for v in part.nodes]
            if part.cyclic:
                self._first_cyclic(p, part.nodes, part.needed)
            else:
                live[part.nodes[0]] = self._row(part.nodes[0], p, live, {}, 0)
            for v, row in zip(part.nodes, before, strict=True):
                if not self.lanes.same(row, live[v]):
                    for w in readers[v]:
                        stale[w] = 1

    def _first_cyclic(self, p: int, nodes: tuple[int, ...], needed_nodes: tuple[int, ...]) -> None:
        live, lanes = self.live[p], self.lanes
        needed = dict.fromkeys(needed_nodes, lanes.full)
        while True:
            for v in nodes:
                live[v] = lanes.zero
            self._sweep(p, nodes, set(nodes), needed, 0)
            kept = {v: live[v] for v in needed_nodes}
            if all(lanes.same(kept[v], needed[v]) for v in needed_nodes):
                return
            needed = kept

    def _sweep(
        self, p: int, nodes: tuple[int, ...], stale: set[int], needed: Mapping[int, Row], stage: int
    ) -> set[int]:
        """Compute stale nodes, forwards and backwards in turn, until none is stale; return those that changed."""
        live, readers, inside = self.live[p], self.plan.network.readers, set(nodes)
        changed: set[int] = set()
        forwards = True
        while stale:
            for v in nodes if forwards else reversed(nodes):
                if v in stale:
                    stale.discard(v)
                    row = self._row(v, p, live, needed, stage)
                    if not self.lanes.same(row, live[v]):
                        live[v] = row
                        changed.add(v)
                        stale.update(w for w in readers[v] if w in inside)
            forwards = not forwards
        return changed

    def _charge(self, p: int) -> list[int]:
        """Add the storages charged in phase p; return those for which that changed anything."""
        grown = []
        for v, chargers in self.plan.network.chargers.items():
            row = self.charged[v]
            for u in chargers:
                row = row | self.live[p][u]
            if not self.lanes.same(row, self.charged[v]):
                self.charged[v] = row
                grown.append(v)
        return grown

    # ---- later stages

    def _later_stage(self, stage: int) -> None:
        n_phases = len(self.plan.phases)
        pending: list[set[int]] = [set() for _ in range(n_phases)]
        first = [True] * n_phases
        while True:
            for p in range(n_phases):
                while self._refresh(stage, p, pending[p], first[p]) or pending[p]:
                    first[p] = False
                    stale, pending[p] = pending[p], set()
                    self._later_pass(p, stale, stage)
                first[p] = False
                for v in self._charge(p):
                    for found in pending:
                        found.add(v)
            if not any(pending):
                return

    def _refresh(self, stage: int, p: int, pending: set[int], first: bool) -> bool:
        """Bring operability, zones and allowances up to date; add what they touch to ``pending``."""
        operable = self._operable_rows(stage, self.live[p])
        same_operable = operable.keys() == self.operable[p].keys() and all(
            self.lanes.same(row, self.operable[p][v]) for v, row in operable.items()
        )
        if same_operable and not first:
            return False
        self.operable[p] = operable
        self.zones[p] = self._zone_rows(stage, p, operable)
        allowed = self._allowed_rows(stage, operable, self.zones[p])
        touched = False
        for v, (new, old) in enumerate(zip(allowed, self.allowed[p], strict=True)):
            if new is old:
                continue
            full = self.lanes.full
            if not self.lanes.same(full if new is None else new, full if old is None else old):
                pending.add(v)
                touched = True
        self.allowed[p] = allowed
        return touched

    def _later_pass(self, p: int, stale: set[int], stage: int) -> None:
        live, readers = self.live[p], self.plan.network.readers
        for part in self.plan.network.parts:
            if not part.cyclic:
                v = part.nodes[0]
                if v in stale:
                    row = self._row(v, p, live, {}, stage)
                    if not self.lanes.same(row, live[v]):
                        live[v] = row
                        stale.update(readers[v])
                continue
            own = stale.intersection(part.nodes)
            if own:
                for v in self._sweep(p, part.nodes, own, {}, stage):
                    stale.update(readers[v])
