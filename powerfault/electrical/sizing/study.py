"""Sizing put together: what each conductor must carry, how it does, what protects it, and what closing it asks.

>>> import powerfault as pf
>>> topology = pf.read_topology_text('''
... powerfault: 1
... name: a tie
... components:
...   S: {kind: source}
...   CV-A: {kind: converter, voltage_v: 28}
...   CV-B: {kind: converter, voltage_v: 28}
...   DB-A: {kind: bus, voltage_v: 28}
...   DB-B: {kind: bus, voltage_v: 28}
...   TIE: {kind: jumper, length_m: 8, gauge_awg: 4}
... feeds: [S -> CV-A -> DB-A, S -> CV-B -> DB-B, DB-A <-> TIE <-> DB-B]
... loads:
...   FAN: {fed_by: [DB-A], demand_kw: 0.5, min_voltage_v: 26}
... ''')
>>> study = study_size(topology)
>>> [(t.failed[0].id, t.receives, round(t.power_kw, 3)) for t in study.sizes[0].need.governing()]
[('CV-A', 'DB-A', 0.5)]
>>> study.sizes[0].smallest
10
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from powerfault.electrical.currents.derating import Derating, read_derating
from powerfault.electrical.currents.quantity import UNMET, Finding
from powerfault.electrical.protection.checks import Protection, judge
from powerfault.electrical.protection.study import study_protection
from powerfault.electrical.sizing.gauge_choice import ConductorSize, size_conductor
from powerfault.electrical.sizing.transfer import (
    CASES_WITHOUT_ASKING,
    Progress,
    conductors_to_size,
    find_need,
    with_rated,
)
from powerfault.electrical.voltages import VoltageStudy, study_voltages
from powerfault.model.elements import STAGES, Event, Topology
from powerfault.network.failure_modes import check_modes, parse_event


@dataclass(frozen=True)
class SizeStudy:
    """The sizes of some conductors of one topology, and the protection that bears on them."""

    topology: Topology
    derating: Derating
    order: int
    modes: tuple[str, ...]
    sizes: tuple[ConductorSize, ...]
    protection: Protection
    """Only what concerns the conductors sized, the devices ahead of them and what the proposals brought."""
    healthy: VoltageStudy
    """The voltages with nothing failed, switches in their normal positions."""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All findings, each once, the unmet ones first."""
        found = [f for s in self.sizes for f in (*s.findings, *(x for d in s.directions for x in d.findings))]
        found += self.protection.findings
        found += [f for v in self.healthy.voltages for f in v.findings if f.grave == UNMET]
        return tuple(sorted(dict.fromkeys(found), key=lambda f: f.grave != UNMET))

    @property
    def fits(self) -> bool | None:
        """Whether every conductor meets all that could be judged; ``None`` where nothing could."""
        verdicts = [s.fits for s in self.sizes]
        if any(v is False for v in verdicts):
            return False
        return True if verdicts and all(verdicts) else None


def study_size(
    topology: Topology,
    conductors: Iterable[str] = (),
    order: int = 1,
    modes: Sequence[str] = ("loss",),
    given: Iterable[Event | str] = (),
    *,
    rule: str | None = None,
    conductor_c: float | None = None,
    drop_percent: float | None = None,
    stages: Sequence[str] = STAGES,
    ratings: bool = False,
    progress: Progress | None = None,
    limit: int | None = CASES_WITHOUT_ASKING,
) -> SizeStudy:
    """Size ``conductors`` (default: the jumpers of the applied proposals, else all jumpers) of ``topology``.

    With ``ratings`` also what a jumper carries in the best service under ratings (at stage commanded, unless other
    stages are named), where that is more than any path needs. ``rule``, ``conductor_c`` and ``drop_percent`` stand in
    for those of the file's ``derating``. Raises :class:`RequestError` for an unknown conductor, rule, mode or event,
    or more than ``limit`` cases, and :class:`ModelError` for a wrong ``derating``.
    """
    chosen = conductors_to_size(topology, conductors)
    derating = read_derating(topology, rule)
    if conductor_c is not None:
        derating = replace(derating, conductor_c=conductor_c)
        chosen = [replace(c, conductor_c=conductor_c) for c in chosen]
        topology = replace(topology, components={**topology.components, **{c.id: c for c in chosen}})
    if drop_percent is not None:
        derating = replace(derating, drop_percent=drop_percent)
    modes = check_modes(modes)
    events = tuple(parse_event(topology, e) if isinstance(e, str) else e for e in given)
    numbers = [STAGES.index(s) for s in stages]
    sizes = []
    for component in chosen:
        need = find_need(topology, component.id, order, modes, events, derating, numbers, progress, limit)
        if ratings:
            for stage in stages if len(stages) < len(STAGES) else ("commanded",):
                need = with_rated(topology, need, stage, events)
        sizes.append(size_conductor(topology, need, derating, events))
    protection = _concerning(study_protection(topology, derating, [c.id for c in chosen]), topology)
    healthy = study_voltages(topology, (), "uninterrupted", events)
    return SizeStudy(topology, derating, order, modes, tuple(sizes), protection, healthy)


def _concerning(whole: Protection, topology: Topology) -> Protection:
    """What concerns the conductors guarded, the devices ahead of them and what proposals brought."""
    near = {g.conductor for g in whole.guards} | {x for g in whole.guards for x in g.devices} | topology.added
    infeeds = tuple(x for x in whole.infeeds if x.device in near)
    orders = tuple(x for x in whole.orders if x.upper in near and (x.lower in near or x.selective is False))
    inrushes = tuple(x for x in whole.inrushes if x.device in near)
    return judge(infeeds, orders, whole.guards, inrushes)
