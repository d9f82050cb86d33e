"""What stands against working by an isolation: each finding names the rule that it comes from."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

from powerfault.fitting.isolation.findings import CAUTIONS, REFUSES, Finding
from powerfault.fitting.isolation.open_points import WorkSite
from powerfault.model.elements import Topology

if TYPE_CHECKING:
    from powerfault.fitting.isolation.study import Isolation


def check_isolation(site: WorkSite, isolation: Isolation, stuck: tuple[str, ...], live: frozenset[str]) -> Isolation:
    """Return ``isolation`` with its findings. ``stuck`` cannot be commanded in any order; ``live`` is what stays."""
    found = [
        *_paths(isolation),
        *_operation(site, isolation, stuck, live),
        *_locks(isolation),
        *_stored(site.topology, isolation),
        *_interruptions(isolation),
        *_window(site.topology, isolation),
        *check_connectors(site.topology, isolation.ends),
        *_relied(site, isolation),
    ]
    return replace(isolation, findings=tuple(found))


def _paths(isolation: Isolation) -> Iterable[Finding]:
    for way in isolation.ways:
        path = way.path
        yield Finding(
            "isolate",
            REFUSES,
            f"{path.source} reaches {path.end} through {path.count} open device{'s' * (path.count != 1)}, "
            f"{isolation.points} asked ({' – '.join(path.nodes)}): {'; '.join(way.reasons)}",
            (path.source, path.end),
        )


def _operation(site: WorkSite, isolation: Isolation, stuck: tuple[str, ...], live: frozenset[str]) -> Iterable[Finding]:
    for id_ in stuck:
        by = ", ".join(site.topology.components[id_].operated_by)
        yield Finding(
            "operate",
            REFUSES,
            f"{id_} cannot be commanded when its turn comes, in any order: opening the others takes down {by}",
            (id_,),
        )
    for device in isolation.held:
        if device.stood_open or device.operated == "manual" or device.id in stuck:
            continue
        lost = [o for o in device.operated_by if o not in live]
        if lost:
            yield Finding(
                "operate",
                CAUTIONS,
                f"{device.id} cannot be closed again by command: the isolation takes down {', '.join(lost)}",
                (device.id, *lost),
            )
    remote = [d.id for d in isolation.held if d.operated != "manual"]
    if remote:
        yield Finding(
            "position",
            CAUTIONS,
            f"see each open at the device, or rely on the proof at the work alone: {', '.join(remote)} "
            "operated from elsewhere",
            tuple(remote),
        )


def _locks(isolation: Isolation) -> Iterable[Finding]:
    for device in isolation.held:
        if device.lockable is False:
            yield Finding(
                "lock-and-tag",
                CAUTIONS,
                f"{device.id} cannot be locked open: tag it, and take away its command or supply by the procedure",
                (device.id,),
            )
    unsaid = [d.id for d in isolation.held if d.lockable is None]
    if unsaid:
        yield Finding(
            "lock-and-tag",
            CAUTIONS,
            f"the file does not say whether these can be locked open: {', '.join(unsaid)}",
            tuple(unsaid),
        )


def _stored(topology: Topology, isolation: Isolation) -> Iterable[Finding]:
    unknown = [i for i, minutes in isolation.stored if minutes is None]
    if unknown:
        yield Finding(
            "stored-energy",
            CAUTIONS,
            f"stored energy with no discharge_min in the file: {', '.join(unknown)}; find the time before work",
            tuple(unknown),
        )
    converters = [
        i
        for i in isolation.section
        if (c := topology.components.get(i)) is not None
        and c.kind in ("converter", "regulator")
        and c.discharge_min is None
        and c.capacitance_mf is None
    ]
    if converters:
        yield Finding(
            "stored-energy",
            CAUTIONS,
            f"in the dead section without discharge_min or capacitance_mf: {', '.join(converters)}; "
            "their filters may hold charge",
            tuple(converters),
        )


def _interruptions(isolation: Isolation) -> Iterable[Finding]:
    for consumer in isolation.dark:
        if isolation.work_min is None:
            continue
        total = isolation.work_min + isolation.wait_min
        if consumer.bears_min is None:
            yield Finding(
                "interruption",
                CAUTIONS,
                f"{consumer.id} is dark for {total:g} min; the file gives no minutes for what it bears "
                f"({consumer.bears})",
                (consumer.id,),
            )
        elif total > consumer.bears_min:
            yield Finding(
                "interruption",
                REFUSES if consumer.severity == "catastrophic" else CAUTIONS,
                f"{consumer.id} is dark for {total:g} min and bears {consumer.bears_min:g}",
                (consumer.id,),
            )


def _window(topology: Topology, isolation: Isolation) -> Iterable[Finding]:
    if isolation.every_phase:
        return
    names = ", ".join(isolation.phases)
    if isolation.window_min is None:
        yield Finding("window", CAUTIONS, f"holds in {names} alone, and the file gives no duration_h for it")
    elif isolation.work_min is None:
        yield Finding(
            "window", CAUTIONS, f"holds in {names} alone, {isolation.window_min:g} min: say the minutes of the work"
        )
    else:
        total = isolation.work_min + isolation.wait_min
        if total > isolation.window_min:
            yield Finding(
                "window",
                REFUSES,
                f"{total:g} min of work and waiting do not fit {names}, {isolation.window_min:g} min",
            )


def check_connectors(topology: Topology, ends: Iterable[str]) -> Iterable[Finding]:
    """Findings on keying and mating cycles of the connectors and jumpers among ``ends``."""
    parts = [c for c in topology.components.values() if c.kind in ("connector", "jumper")]
    for id_ in ends:
        part = topology.components.get(id_)
        if part is None or part.kind not in ("connector", "jumper"):
            continue
        if part.mate_cycles_left is not None:
            left = part.mate_cycles_left
            if left < 1:
                yield Finding("connector", REFUSES, f"{id_} has no mating cycle left", (id_,))
            elif left == 1:
                yield Finding("connector", CAUTIONS, f"{id_} has its last mating cycle left", (id_,))
        if part.keying is None:
            continue
        partners = {b for a, b in topology.links if a == id_} | {a for a, b in topology.links if b == id_}
        alike = [
            c.id
            for c in parts
            if c.id != id_ and c.keying == part.keying and c.site == part.site and c.id not in partners
        ]
        if alike:
            where = f"at {part.site}" if part.site else "on the same site (none given)"
            yield Finding(
                "connector",
                CAUTIONS,
                f"{id_} has keying {part.keying}, and so {'has' if len(alike) == 1 else 'have'} {', '.join(alike)} "
                f"{where}: a mis-mate fits; check the label before mating",
                (id_, *alike),
            )


def _relied(site: WorkSite, isolation: Isolation) -> Iterable[Finding]:
    near = set(isolation.section)
    inputs = [i for i in site.relied_inputs if near & set(site.topology.loads[i].fed_by)]
    if inputs:
        yield Finding(
            "isolate",
            CAUTIONS,
            f"relied upon not to feed back through their input diodes, which are no open points: {', '.join(inputs)}",
            tuple(inputs),
        )
    converters = [i for i in site.relied_converters if near & set(site.into[i])]
    if converters:
        yield Finding(
            "isolate",
            CAUTIONS,
            "relied upon to pass nothing backwards, as isolated converters, which the file takes by default: "
            + ", ".join(converters),
            tuple(converters),
        )
