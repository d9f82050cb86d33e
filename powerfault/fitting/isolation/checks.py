"""What stands against working by an isolation: each finding names the rule that it comes from."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from powerfault.fitting.isolation.open_points import WorkSite
from powerfault.fitting.isolation.remarks import CAUTION, VIOLATION, Remark
from powerfault.fitting.isolation.result import DarkConsumer, Isolation
from powerfault.model.elements import Topology


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
        *_brought(site.topology, isolation),
    ]
    return replace(isolation, findings=tuple(found))


def _paths(isolation: Isolation) -> Iterable[Remark]:
    for way in isolation.ways:
        path = way.path
        yield Remark(
            "isolate",
            VIOLATION,
            f"{path.source} reaches {path.end} through {path.count} open device{'s' * (path.count != 1)}, "
            f"{isolation.points} asked ({' – '.join(path.nodes)}): {'; '.join(way.reasons)}",
            (path.source, path.end),
        )


def _operation(site: WorkSite, isolation: Isolation, stuck: tuple[str, ...], live: frozenset[str]) -> Iterable[Remark]:
    for id_ in stuck:
        by = ", ".join(site.topology.components[id_].operated_by)
        yield Remark(
            "operate",
            VIOLATION,
            f"{id_} cannot be commanded when its turn comes, in any order: opening the others interrupts {by}",
            (id_,),
        )
    for device in isolation.held:
        if device.stood_open or device.operated == "manual" or device.id in stuck:
            continue
        lost = [o for o in device.operated_by if o not in live]
        if lost:
            yield Remark(
                "operate",
                CAUTION,
                f"{device.id} cannot be closed again by command: the isolation takes down {', '.join(lost)}",
                (device.id, *lost),
            )
    remote = [d.id for d in isolation.held if d.operated != "manual"]
    if remote:
        yield Remark(
            "position",
            CAUTION,
            f"see each open at the device, or rely on the proof at the work alone: {', '.join(remote)} "
            "operated from elsewhere",
            tuple(remote),
        )


def _locks(isolation: Isolation) -> Iterable[Remark]:
    for device in isolation.held:
        if device.lockable is False:
            yield Remark(
                "lock-and-tag",
                CAUTION,
                f"{device.id} cannot be locked open: tag it, and take away its command or supply by the procedure",
                (device.id,),
            )
    unsaid = [d.id for d in isolation.held if d.lockable is None]
    if unsaid:
        yield Remark(
            "lock-and-tag",
            CAUTION,
            f"the file does not say whether these can be locked open: {', '.join(unsaid)}",
            tuple(unsaid),
        )


def _stored(topology: Topology, isolation: Isolation) -> Iterable[Remark]:
    unknown = [i for i, minutes in isolation.stored if minutes is None]
    if unknown:
        yield Remark(
            "stored-energy",
            CAUTION,
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
        yield Remark(
            "stored-energy",
            CAUTION,
            f"in the isolated section without discharge_min or capacitance_mf: {', '.join(converters)}; "
            "their filters may hold charge",
            tuple(converters),
        )


def _interruptions(isolation: Isolation) -> Iterable[Remark]:
    for c in isolation.dark:
        if isolation.work_min is not None:
            yield from interruption(c, isolation.work_min + isolation.wait_min)


def interruption(consumer: DarkConsumer, minutes: float) -> Iterable[Remark]:
    """The rule on what is not served for ``minutes``, the same for an isolation and for a plan of outings.

    Longer than allowed is a violation for what is catastrophic, and where the file gives the minutes of the consumer
    itself (``rides_through_min``); where the minutes are those of a stage of switching it is a caution.
    """
    id_, allowed = consumer.id, consumer.bears_min
    if allowed is None:
        why = f"not judged: the file gives no minutes for what it allows ({consumer.bears})"
        yield Remark("interruption", CAUTION, f"{id_} is not served for {minutes:g} min; {why}", (id_,))
    elif minutes > allowed + 1e-9:
        weight = VIOLATION if consumer.severity == "catastrophic" or consumer.allows_own_min else CAUTION
        yield Remark("interruption", weight, f"{id_} is not served for {minutes:g} min and allows {allowed:g}", (id_,))


def _brought(topology: Topology, isolation: Isolation) -> Iterable[Remark]:
    brought = [d.id for d in isolation.held if d.id in topology.added]
    if brought:
        yield Remark(
            "isolate",
            CAUTION,
            f"counts as an open point only once it is fitted, since a proposal brings it: {', '.join(brought)}",
            tuple(brought),
        )


def _window(topology: Topology, isolation: Isolation) -> Iterable[Remark]:
    if isolation.every_phase:
        return
    names = ", ".join(isolation.phases)
    if isolation.window_min is None:
        yield Remark("window", CAUTION, f"holds in {names} alone, and the file gives no duration_h for it")
    elif isolation.work_min is None:
        yield Remark(
            "window", CAUTION, f"holds in {names} alone, {isolation.window_min:g} min: say the minutes of the work"
        )
    else:
        total = isolation.work_min + isolation.wait_min
        if total > isolation.window_min:
            yield Remark(
                "window",
                VIOLATION,
                f"{total:g} min of work and waiting do not fit {names}, {isolation.window_min:g} min",
            )


def check_connectors(topology: Topology, ends: Iterable[str]) -> Iterable[Remark]:
    """Findings on keying and mating cycles of the connectors and jumpers among ``ends``."""
    parts = [c for c in topology.components.values() if c.kind in ("connector", "jumper")]
    for id_ in ends:
        part = topology.components.get(id_)
        if part is None or part.kind not in ("connector", "jumper"):
            continue
        if part.mate_cycles_left is not None:
            left = part.mate_cycles_left
            if left < 1:
                yield Remark("connector", VIOLATION, f"{id_} has no mating cycle left", (id_,))
            elif left == 1:
                yield Remark("connector", CAUTION, f"{id_} has its last mating cycle left", (id_,))
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
            yield Remark(
                "connector",
                CAUTION,
                f"{id_} has keying {part.keying}, and so {'has' if len(alike) == 1 else 'have'} {', '.join(alike)} "
                f"{where}: a mis-mate fits; check the label before mating",
                (id_, *alike),
            )


def _relied(site: WorkSite, isolation: Isolation) -> Iterable[Remark]:
    near = set(isolation.section)
    inputs = [i for i in site.relied_inputs if near & set(site.topology.loads[i].fed_by)]
    if inputs:
        yield Remark(
            "isolate",
            CAUTION,
            f"relied upon not to feed back through their input diodes, which are no open points: {', '.join(inputs)}",
            tuple(inputs),
        )
    converters = [i for i in site.relied_converters if near & set(site.into[i])]
    if converters:
        yield Remark(
            "isolate",
            CAUTION,
            "relied upon to pass nothing backwards, as isolated converters, which the file takes by default: "
            + ", ".join(converters),
            tuple(converters),
        )
