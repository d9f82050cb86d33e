"""The greatest power that any case within the order asks of a jumper, in each direction and phase.

Every case of 0 to K events is evaluated twice, with the jumper and with it lost. A load served with it and not
without depends on it there, and so does a storage charged only through it. In each such case the switches take the
positions nearest to normal that serve the live loads (and charge such a storage, which then gives no power itself),
and the DC flow gives what passes the jumper, losses of converters on the way included. This *need* is taken with the
jumper itself without resistance, so that it does not depend on the gauge to be chosen, and without regard to ratings.
What can come is also bounded by what the feeders on the sending side can give together (rating, and capacity in the
phase): the *transfer* to size for is the lesser of the two.

Cases in which the jumper's surroundings are alike are solved once.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from powerfault.electrical.currents.bus_voltages import solve_voltages
from powerfault.electrical.currents.derating import Derating
from powerfault.electrical.currents.layout import lay_out
from powerfault.electrical.served.positions import Positions, choose_positions
from powerfault.errors import RequestError, TooLargeError, nearest
from powerfault.failures.case_state import case_states, failed_rows
from powerfault.failures.energise import Energised, energise
from powerfault.failures.lanes import WholeNumberLanes
from powerfault.failures.plan import make_plan
from powerfault.model.elements import CONDUCTOR_KINDS, STAGES, Component, Event, Topology, in_phase
from powerfault.network.failure_modes import list_events, merge_given
from powerfault.network.graph import build_network

AT_ONCE = 512
CASES_WITHOUT_ASKING = 200_000
Case = tuple[Event, ...]
Progress = Callable[[int, int], None]
METHOD = (
    "every case of the order is evaluated with the conductor and with it lost; where loads (or a storage's charge) "
    "depend on it, the DC flow gives what it carries when the switches take the positions nearest to normal that "
    "serve all live loads; the transfer is at most what the feeders of its area can give together"
)


@dataclass(frozen=True, slots=True)
class Transfer:
    """What one case asks of a conductor. Powers leave it at ``receives``; ``sending_v`` is nominal."""

    conductor: str
    failed: tuple[Event, ...]
    stage: str
    phase: str
    sends: str
    receives: str
    needed_kw: float
    supply_kw: float
    charging_kw: float
    sending_v: float | None
    depends: tuple[str, ...]
    """Loads and storages that have no other way."""
    extra_kw: tuple[tuple[str, float], ...] = ()
    resting: tuple[str, ...] = ()
    """Storages charged through it: they take power here, and give none."""

    @property
    def power_kw(self) -> float:
        return min(self.needed_kw, self.supply_kw)

    @property
    def case_name(self) -> str:
        return " + ".join(map(str, self.failed)) or "nothing failed"


@dataclass(frozen=True, slots=True)
class Need:
    """All that is asked of one conductor: the greatest transfer by (phase, sends, receives)."""

    conductor: Component
    order: int
    modes: tuple[str, ...]
    case_count: int
    cases_needing: int
    greatest: Mapping[tuple[str, str, str], Transfer]
    unsolved: tuple[str, ...]
    """Cases in which even a conductor without resistance leaves no operating point."""

    def governing(self) -> list[Transfer]:
        """The greatest transfer of each direction over all phases, greatest first."""
        best: dict[tuple[str, str], Transfer] = {}
        for transfer in self.greatest.values():
            key = transfer.sends, transfer.receives
            if key not in best or transfer.power_kw > best[key].power_kw:
                best[key] = transfer
        return sorted(best.values(), key=lambda t: -t.power_kw)


def conductors_to_size(topology: Topology, asked: Iterable[str] = ()) -> list[Component]:
    """The conductors asked for, else the jumpers that the applied proposals brought, else all jumpers.

    Raises :class:`RequestError` where one is unknown or no conductor, or there is none.
    """
    sized = [id_ for id_, c in topology.components.items() if c.kind in CONDUCTOR_KINDS]
    chosen = list(dict.fromkeys(asked))
    for id_ in chosen:
        if id_ not in sized:
            what = f"a {topology.components[id_].kind}" if id_ in topology.components else "not in the system"
            raise RequestError(f"{id_} is {what}; expected a cable or jumper{nearest(id_, sized)}")
    if not chosen:
        jumpers = [id_ for id_ in sized if topology.components[id_].kind == "jumper"]
        chosen = [id_ for id_ in jumpers if id_ in topology.added] or jumpers
    if not chosen:
        offered = ", ".join(topology.proposals) or "none"
        raise RequestError(
            f"there is no jumper in {topology.name}; apply a proposal with --with (known: {offered}) or name a cable "
            "with --of"
        )
    return [topology.components[id_] for id_ in chosen]


def find_need(
    topology: Topology,
    id_: str,
    order: int = 1,
    modes: Sequence[str] = ("loss",),
    given: Iterable[Event] = (),
    derating: Derating | None = None,
    stages: Sequence[int] = (0, 1, 2, 3),
    progress: Progress | None = None,
    limit: int | None = CASES_WITHOUT_ASKING,
) -> Need:
    """Return what all cases of 0 to ``order`` events ask of conductor ``id_``. Events of its own are left out.

    Raises :class:`TooLargeError` for more than ``limit`` cases (``None``: any number). Work grows with the cases for
    the two evaluations, and with those that need the conductor for the flows.
    """
    finder = _Finder(topology, id_, modes, tuple(given), derating or Derating(), stages)
    total = count_cases(finder.events, order, limit)
    done = needing = 0
    for cases in _cases(finder.events, order):
        needing += finder.look_at(cases)
        done += len(cases)
        if progress is not None:
            progress(done, total)
    return Need(topology.components[id_], order, tuple(modes), total, needing, finder.greatest, tuple(finder.unsolved))


def with_rated(topology: Topology, need: Need, stage: str, given: Iterable[Event] = ()) -> Need:
    """``need`` with what the jumper carries in the best service under ratings of each case, where that is more.

    A load with a path of its own may still draw through the jumper because its own side is too weak; no path depends
    on it then, and :func:`find_need` does not see it. One study of served load over all cases of the order.
    """
    from powerfault.electrical.served.study import capacity_study

    id_ = need.conductor.id
    greatest = dict(need.greatest)
    for case in capacity_study(topology, need.order, need.modes, tuple(given), stage=stage).cases:
        carried = case.jumpers.get(id_)
        if carried is None or carried.kw <= 1e-6 or carried.source is None or carried.target is None:
            continue
        way = case.phase, carried.source, carried.target
        if way not in greatest or carried.kw > greatest[way].power_kw * (1 + 1e-6):
            greatest[way] = Transfer(
                id_, case.failed, stage, case.phase, carried.source, carried.target, carried.kw, math.inf, 0.0,
                lay_out(topology).nominal.get(id_), (),
            )  # fmt: skip
    return replace(need, greatest=greatest)


def charging_positions(topology: Topology, transfer: Transfer, given: Iterable[Event] = ()) -> Positions:
    """The positions in which ``transfer`` was found, for one that charges storages."""
    state = case_states(build_network(topology), [transfer.failed], given)[0]
    live = state.live[STAGES.index(transfer.stage)][transfer.phase] - set(transfer.resting)
    stuck_closed = [e.id for e in (*state.standing, *state.failed) if e.mode == "closed"]
    chargers = [id_ for id_, _ in transfer.extra_kw]
    return choose_positions(lay_out(topology), live, state.tripped, stuck_closed, chargers)


def with_gauge(topology: Topology, id_: str, gauge: int) -> Topology:
    """``topology`` with another gauge for conductor ``id_``."""
    changed = replace(topology.components[id_], gauge_awg=gauge)
    return replace(topology, components={**topology.components, id_: changed})


def charge_rate_kw(topology: Topology, storage: Component) -> float:
    """The greatest power ``storage`` takes to charge.

    As ``charge_kw`` says; else what refills its usable energy within the shortest stated phase; else its
    ``capacity_kw``; 0 where nothing says.
    """
    if storage.charge_kw is not None:
        return storage.charge_kw
    hours = [p.duration_h for p in topology.phases if p.duration_h is not None]
    if storage.energy_kwh is not None and hours:
        usable = storage.energy_kwh * (1.0 if storage.depth_limit is None else storage.depth_limit)
        return usable / (storage.charge_efficiency or 1.0) / min(hours)
    return max((in_phase(storage.capacity_kw, p, 0.0) or 0.0 for p in topology.phase_names), default=0.0)


def _cases(events: Sequence[Event], order: int) -> Iterator[list[Case]]:
    """All cases of 0 to ``order`` events, some at a time."""
    held: list[Case] = []
    for k in range(order + 1):
        for case in combinations(events, k):
            if len({e.id for e in case}) == k:
                held.append(case)
                if len(held) == AT_ONCE:
                    yield held
                    held = []
    if held:
        yield held


class _Finder:
    def __init__(
        self, topology: Topology, id_: str, modes: Sequence[str], given: tuple[Event, ...], derating: Derating,
        stages: Sequence[int],
    ) -> None:  # fmt: skip
        self.topology, self.id, self.derating, self.stages = topology, id_, derating, stages
        self.network, self.layout = build_network(topology), lay_out(topology)
        self.plan = make_plan(self.network)
        self.standing = merge_given(topology, given)
        taken = [e for e in self.standing if e.id == id_]
        if taken:
            raise RequestError(f"{id_} is failed already ({taken[0]}): it carries nothing by which to size it")
        self.events = tuple(e for e in list_events(topology, modes, given) if e.id != id_)
        self.lost = Event(id_)
        self.near = self._surroundings()
        cone = _reach(self.near, self.layout.upstream)
        self.cone = [(v, name) for v, name in enumerate(self.network.ids) if name in cone]
        self.loads = [(self.network.index[x], x) for x in topology.loads]
        self.charged_here = [
            (self.network.index[c.id], c.id)
            for c in topology.components.values()
            if not self.near.isdisjoint(c.charged_by or ())
        ]
        self.greatest: dict[tuple[str, str, str], Transfer] = {}
        self.unsolved: list[str] = []
        self.known: dict[tuple[object, ...], tuple[str, str, float, float] | None] = {}

    def look_at(self, cases: Sequence[Case]) -> int:
        """Take some cases into account; return in how many the conductor is needed."""
        own, other = self._energise(cases, self.standing), self._energise(cases, (*self.standing, self.lost))
        me = self.network.index[self.id]
        tripped_rows = [(self.network.ids[v], row) for v, row in own.tripped.items()]
        needing = 0
        for stage in self.stages:
            gained = [
                (id_, own.stages[stage][0].charged.get(v, 0) & ~other.stages[stage][0].charged.get(v, 0))
                for v, id_ in self.charged_here
            ]
            for p, phase in enumerate(self.topology.phase_names):
                rows, without = own.stages[stage][p].live, other.stages[stage][p].live
                hanging = [(x, rows[v] & ~without[v]) for v, x in self.loads]
                wanted = 0
                for _, row in (*hanging, *gained):
                    wanted |= row
                wanted &= rows[me]
                needing |= wanted
                for i in _bits(wanted):
                    bit = 1 << i
                    self._solve(
                        cases[i],
                        stage,
                        phase,
                        live=frozenset(name for v, name in self.cone if rows[v] & bit),
                        tripped=frozenset(id_ for id_, row in tripped_rows if row & bit),
                        loads=[x for x, row in hanging if row & bit],
                        charged=[x for x, row in gained if row & bit],
                    )
        return needing.bit_count()

    def _energise(self, cases: Sequence[Case], standing: tuple[Event, ...]) -> Energised:
        lanes = WholeNumberLanes(len(cases))
        rows = failed_rows(self.network, cases, standing, lanes)
        return energise(self.plan, lanes, rows, keep_phases=True, keep_rows=True)

    def _charge_kw(self, charged: Sequence[str], live: frozenset[str]) -> dict[str, float]:
        """Power drawn at live chargers for ``charged`` storages, each at its greatest rate."""
        found: dict[str, float] = {}
        for id_ in charged:
            c = self.topology.components[id_]
            charger = next((x for x in c.charged_by or () if x in live and x in self.topology.components), None)
            rate = charge_rate_kw(self.topology, c)
            if charger is None or not rate:
                continue
            if charger in self.layout.splitting:
                # Its own regulator: the power comes from the far side, its loss included.
                rate /= self.topology.components[charger].efficiency or 1.0
                charger = next((b for b in self.layout.downstream.get(charger, ()) if b in live), charger)
            found[charger] = found.get(charger, 0.0) + rate
        return found

    def _solve(
        self, failed: tuple[Event, ...], stage: int, phase: str, live: frozenset[str], tripped: frozenset[str],
        loads: Sequence[str], charged: Sequence[str],
    ) -> None:  # fmt: skip
        extra = tuple(sorted(self._charge_kw(charged, live).items()))
        stuck_closed = tuple(e.id for e in (*self.standing, *failed) if e.mode == "closed")
        live -= set(charged)
        key = phase, live, tripped & live, stuck_closed, extra
        if key not in self.known:
            self.known[key] = self._flow(failed, stage, phase, live, tripped, stuck_closed, extra)
        found = self.known[key]
        if found is None:
            return
        sends, receives, needed_kw, supply_kw = found
        transfer = Transfer(
            self.id, failed, STAGES[stage], phase, sends, receives, needed_kw, supply_kw,
            sum(kw for _, kw in extra), self.layout.nominal.get(self.id), (*loads, *charged), extra,
            tuple(charged),
        )  # fmt: skip
        way = phase, sends, receives
        if way not in self.greatest or _rank(transfer) > _rank(self.greatest[way]):
            self.greatest[way] = transfer

    def _flow(
        self, failed: tuple[Event, ...], stage: int, phase: str, live: frozenset[str], tripped: frozenset[str],
        stuck_closed: tuple[str, ...], extra: tuple[tuple[str, float], ...],
    ) -> tuple[str, str, float, float] | None:  # fmt: skip
        positions = choose_positions(self.layout, live, tripped, stuck_closed, [id_ for id_, _ in extra])
        if self.id not in positions.conducting:
            return None
        key = "flow", phase, self.layout.energised(positions.conducting) & self.near, extra
        if key not in self.known:
            flow = solve_voltages(
                self.layout, positions.conducting, phase, self.derating, dict(extra), ideal=(self.id,)
            )
            state = flow.conductors.get(self.id)
            if state is not None and state.current_a is None and flow.findings:
                case = " + ".join(map(str, failed)) or "nothing failed"
                self.unsolved.append(f"{case}, {STAGES[stage]}, {phase}: {flow.findings[-1].text}")
            self.known[key] = (
                (state.sends, state.receives, state.power_kw, state.supply_kw)
                if state is not None and state.power_kw > 1e-9
                else None
            )
        return self.known[key]

    def _surroundings(self) -> frozenset[str]:
        """All that bears on its current: its area whatever the switches, what it feeds, and the feeders of these."""
        galvanic: dict[str, list[str]] = {}
        for a, b in (*self.layout.links, *self.topology.load_links()):
            if b not in self.layout.splitting:
                galvanic.setdefault(a, []).append(b)
                galvanic.setdefault(b, []).append(a)
        downstream = self.layout.downstream
        joined = _reach(_reach(_reach({self.id}, galvanic), downstream), galvanic)
        return frozenset(joined) | {a for a, below in downstream.items() if not joined.isdisjoint(below)}


def _rank(transfer: Transfer) -> tuple[float, float, int]:
    """More power first; of equal powers the greater need, then fewer failures, then the case listed first."""
    return round(transfer.power_kw, 9), round(transfer.needed_kw, 9), -len(transfer.failed)


def _bits(row: int) -> Iterator[int]:
    while row:
        low = row & -row
        yield low.bit_length() - 1
        row ^= low


def count_cases(events: Sequence[Event], order: int, limit: int | None) -> int:
    """The number of cases of 0 to ``order`` events, one a component at most.

    Raises :class:`TooLargeError` where that is more than ``limit``.
    """
    counts = [1] + [0] * order
    for size in Counter(e.id for e in events).values():
        for k in range(order, 0, -1):
            counts[k] += counts[k - 1] * size
    total = sum(counts)
    if limit is not None and total > limit:
        raise TooLargeError(
            f"order {order} makes {total:,} cases, more than the {limit:,} that run without being asked for; use --yes "
            "to run them all, a lower --order, or fewer --modes"
        )
    return total


def _reach(start: Iterable[str], neighbours: Mapping[str, Sequence[str]]) -> set[str]:
    found, waiting = set(start), list(start)
    while waiting:
        for b in neighbours.get(waiting.pop(), ()):
            if b not in found:
                found.add(b)
                waiting.append(b)
    return found
