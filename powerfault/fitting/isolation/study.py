"""How is a work site made dead? The devices to hold open, what they darken, and what cannot be isolated.

For given ends (the connectors, jumper or bus where hands will be) every path from every source must hold the asked
number of open devices (``isolation.open_points`` says what counts). The choice that darkens least is exact
(``isolation.choice``). Around it stand the checks of a lock-out procedure: who can operate each
device and in which order, what can be locked, what stays charged, how long consumers bear the dark, whether the work
fits the phases in which the isolation holds.

An array in sunlight is live whatever is opened: a source counts in a phase in which it has capacity. So the isolation
is sought once for all phases together, and for each phase alone, whose window then bounds the minutes of the work.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from powerfault.fitting.isolation.checks import check_isolation
from powerfault.fitting.isolation.choice import (
    SWITCHED_BY,
    choose_open,
    consumer_priority,
    demand_kw,
)
from powerfault.fitting.isolation.not_served import LOST, HeldOpen, check_phases
from powerfault.fitting.isolation.open_points import WeakestPath, WorkSite, find_work_site
from powerfault.fitting.isolation.result import DarkConsumer, HeldDevice, Isolation, OpenWay
from powerfault.model.elements import OUTCOMES, Topology
from powerfault.model.open_point_rules import OpenPointRules, read_rules


@dataclass(frozen=True, slots=True, kw_only=True)
class IsolationStudy:
    """The isolation for all phases together, and for each phase alone where there are several."""

    topology: Topology
    rules: OpenPointRules
    ends: tuple[str, ...]
    together: Isolation | None
    by_phase: Mapping[str, Isolation]

    @property
    def chosen(self) -> Isolation:
        """The one to work by: all phases together if it holds, else the longest phase that does, else the first."""
        everything = [x for x in (self.together, *self.by_phase.values()) if x is not None]
        for held in ([x for x in everything if x.may_work], [x for x in everything if x.holds]):
            if held:
                return max(held, key=lambda x: (x.every_phase, x.window_min is None, x.window_min or 0.0))
        return everything[0]


def study_isolation(
    topology: Topology,
    at: Iterable[str],
    *,
    points: int | None = None,
    phases: Iterable[str] = (),
    minutes: float | None = None,
) -> IsolationStudy:
    """Return how the ends named in ``at`` are made dead.

    ``points`` open devices on every path (default: the file's ``open_points``, else 2); ``phases`` to consider (all);
    ``minutes`` of work, by default the crew minutes of the proposals applied. Raises :class:`RequestError` for what
    is no place, :class:`ModelError` for a wrong ``open_points``, :class:`ToolError` if the solver proves no optimum.
    """
    rules = read_rules(topology, points)
    asked = check_phases(topology, phases)
    ends = tuple(dict.fromkeys(at))
    site = find_work_site(topology, ends, rules)
    if minutes is None:
        known = [topology.proposals[p].crew_minutes for p in topology.applied if p in topology.proposals]
        stated = [m for m in known if m is not None]
        minutes = sum(stated) if stated else None
    together = None
    if len(asked) > 1 or len(topology.phases) == 1:
        together = isolate(site, asked, minutes)
    alone = {p: isolate(site, (p,), minutes) for p in asked} if len(topology.phases) > 1 else {}
    return IsolationStudy(topology=topology, rules=rules, ends=ends, together=together, by_phase=alone)


def with_what_was(before: Topology, after: Topology) -> Topology:
    """``after`` with the components and links of ``before`` that its proposals take away.

    Hands take something off from where it hangs today and put it where it will hang: both are sources meanwhile.
    """
    links = tuple(dict.fromkeys((*after.links, *before.links)))
    if len(links) == len(after.links) and set(before.components) <= set(after.components):
        return after
    return replace(after, components={**before.components, **after.components}, links=links)


def isolate(site: WorkSite, phases: tuple[str, ...], minutes: float | None) -> Isolation:
    """Return the least harmful isolation of ``site`` that holds in ``phases``."""
    topology, points = site.topology, site.rules.points
    held_open = HeldOpen(topology, phases)
    usable, unreachable = _usable(site, held_open)
    best = {(p.source, p.end): min(points, p.count) for p in site.weakest_paths(usable, phases)}
    choice = choose_open(site, held_open, best, forbidden=unreachable)
    opened = frozenset(choice.held)
    credited = _credited(site, opened)
    paths = credited.weakest_paths(opened, phases)
    ways = tuple(OpenWay(p, _reasons(site, p, opened, unreachable)) for p in paths if p.count < points)
    before = held_open.judge([()])[0]
    after = held_open.judge([opened])[0]
    already = before.after(SWITCHED_BY)
    dark = tuple(
        not_served_consumer(topology, i, stage, phases)
        for i, stage in zip(after.ids, after.stages, strict=True)
        if stage > SWITCHED_BY and i not in already
    )
    moved = tuple(
        not_served_consumer(topology, i, stage, phases)
        for i, stage, earlier in zip(after.ids, after.stages, before.stages, strict=True)
        if earlier < stage <= SWITCHED_BY
    )
    order, stuck = _opening_order(site, held_open, choice.held)
    held = tuple(_held(site, i) for i in order)
    section = credited.section(opened, points)
    stored = tuple(
        (c.id, c.discharge_min)
        for c in (topology.components.get(i) for i in section)
        if c is not None and (c.discharge_min or (c.discharge_min is None and c.capacitance_mf))
    )
    every_phase = set(phases) == set(topology.phase_names)
    isolation = Isolation(
        ends=site.ends,
        points=points,
        phases=phases,
        every_phase=every_phase,
        window_min=None if every_phase else _window(topology, phases),
        work_min=minutes,
        held=held,
        paths=paths,
        ways=ways,
        resting=_resting(credited, opened, paths),
        dark=dark,
        moved=moved,
        already_dark=tuple(i for i in before.ids if i in already),
        harm=choice.harm,
        section=section,
        stored=stored,
        wait_min=max((m for _, m in stored if m), default=0.0),
        findings=(),
    )
    live_after = held_open.live(opened, SWITCHED_BY)
    return check_isolation(site, isolation, stuck, live_after)


def _resting(site: WorkSite, opened: frozenset[str], paths: tuple[WeakestPath, ...]) -> tuple[str, ...]:
    counted = {p.source for p in paths}
    reaching = {p.source for p in site.weakest_paths(opened, site.topology.phase_names)}
    return tuple(i for i in site.topology.components if i in reaching and i not in counted)


def _usable(site: WorkSite, held_open: HeldOpen) -> tuple[frozenset[str], frozenset[str]]:
    """Every device that can be opened or stands open, and those that nothing can command open."""
    live = held_open.live((), SWITCHED_BY)
    unreachable = frozenset(
        d.id
        for d in site.devices.values()
        if d.may_open
        and (part := site.topology.components[d.id]).operated != "manual"
        and not all(o in live for o in part.operated_by)
    )
    return frozenset(d.id for d in site.devices.values() if d.may_open) - unreachable, unreachable


def _credited(site: WorkSite, opened: frozenset[str]) -> WorkSite:
    """The site with devices that stand open but are not held (and so not tagged) counted as closed."""
    devices = {
        i: replace(d, stands_open=False) if d.stands_open and i not in opened else d for i, d in site.devices.items()
    }
    return replace(site, devices=devices)


def _reasons(site: WorkSite, path: WeakestPath, opened: frozenset[str], unreachable: frozenset[str]) -> tuple[str, ...]:
    topology = site.topology
    if path.source == path.end:
        return (f"{path.end} is itself a source: it cannot be made dead by opening devices",)
    reasons = []
    for v in path.nodes[1:]:
        device = site.devices.get(v)
        if device is None or v in opened:
            continue
        if v in unreachable:
            by = ", ".join(topology.components[v].operated_by)
            reasons.append(f"{v} cannot be commanded: {by} not served")
        elif device.why_not:
            reasons.append(f"{v} does not count: {device.why_not}")
    if not reasons:
        reasons.append(
            "no device that could be opened stands between" if not path.count else "no further device stands between"
        )
    source = topology.components[path.source]
    if source.kind == "source":
        dry = [p for p in topology.phase_names if source.capacity_kw is not None and not _gives(source.capacity_kw, p)]
        if dry:
            reasons.append(f"{path.source} gives nothing in {', '.join(dry)}: work then, or cover it")
    return tuple(reasons)


def _gives(capacity: float | Mapping[str, float], phase: str) -> bool:
    return bool(capacity.get(phase, 0.0) if isinstance(capacity, Mapping) else capacity)


def not_served_consumer(topology: Topology, id_: str, stage: int, phases: Iterable[str]) -> DarkConsumer:
    """What is said of a consumer that is served at ``stage`` only, and its allowable interruption."""
    consumer = topology.consumer(id_)
    bears, minutes = topology.rides_through(consumer), consumer.rides_through_min
    if minutes is None:
        minutes = 0.0 if bears == OUTCOMES[0] else topology.stage_minutes.get(bears)
    return DarkConsumer(
        id=id_,
        title=consumer.title,
        severity=consumer.severity,
        priority=consumer_priority(topology, id_),
        demand_kw=demand_kw(topology, id_, phases),
        stage=OUTCOMES[min(stage, LOST)],
        bears=bears,
        bears_min=minutes,
        allows_own_min=consumer.rides_through_min is not None,
    )


def _held(site: WorkSite, id_: str) -> HeldDevice:
    part = site.topology.components[id_]
    operated = part.operated or ("commanded" if part.is_switched else "manual")
    return HeldDevice(
        id_, part.title, part.kind, part.site, site.devices[id_].stands_open, operated, part.operated_by, part.lockable
    )


def _window(topology: Topology, phases: tuple[str, ...]) -> float | None:
    """The length in minutes of the shortest of ``phases``; ``None`` where a duration is not given."""
    durations = [p.duration_h for p in topology.phases if p.name in phases]
    known = [d * 60.0 for d in durations if d is not None]
    return min(known) if len(known) == len(durations) and known else None


def _opening_order(
    site: WorkSite, held_open: HeldOpen, held: tuple[str, ...]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """An order in which each device can still be commanded when its turn comes, and those for which there is none.

    Devices that stand open come first (they are only tagged). Depth first; since opening more never serves more, a
    set from which no order was found is not tried again.
    """
    topology = site.topology
    first = tuple(i for i in held if site.devices[i].stands_open)
    to_open = tuple(i for i in held if not site.devices[i].stands_open)
    hopeless: set[frozenset[str]] = set()
    longest: tuple[str, ...] = ()
    visits = 0

    def extend(done: tuple[str, ...]) -> tuple[str, ...] | None:
        nonlocal longest, visits
        if len(done) > len(longest):
            longest = done
        if len(done) == len(to_open):
            return done
        key = frozenset(done)
        if key in hopeless or visits > 2000:
            return None
        visits += 1
        live = held_open.live((*first, *done), SWITCHED_BY)
        for i in to_open:
            part = topology.components[i]
            ready = part.operated == "manual" or all(o in live for o in part.operated_by)
            if i not in key and ready:
                found = extend((*done, i))
                if found is not None:
                    return found
        hopeless.add(key)
        return None

    found = extend(())
    if found is not None:
        return (*first, *found), ()
    left = tuple(i for i in to_open if i not in longest)
    return (*first, *longest, *left), left
