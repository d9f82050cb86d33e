"""In which order is a work site made dead, proved dead, worked on and given back? The lines of an isolation sheet.

The order is that of 29 CFR 1910.147(d), NFPA 70E-2018 article 120.5 and EN 50110-1; each step names its rule in
``isolation.remarks``.
"""

from __future__ import annotations

from dataclasses import dataclass

from powerfault.fitting.isolation.result import HeldDevice, Isolation
from powerfault.model.elements import Topology


@dataclass(frozen=True, slots=True)
class SheetStep:
    """One step of a sheet: what is done, why (a rule), and a line to tick for each thing."""

    title: str
    rule: str
    lines: tuple[str, ...]


def sheet_steps(topology: Topology, isolation: Isolation) -> tuple[SheetStep, ...]:
    """Return the steps of ``isolation`` in order; none where it does not hold (there is no safe order then)."""
    if not isolation.holds:
        return ()
    name = topology.title
    opened = [d for d in isolation.held if not d.stood_open]
    steps = [
        SheetStep(
            "Know every source",
            "energies",
            (
                *(f"{_named(topology, s)}, {topology.components[s].kind}" for s in isolation.sources),
                *(
                    f"{_named(topology, s)}: gives nothing in {', '.join(isolation.phases)}, and is live again after it"
                    for s in isolation.resting
                ),
            )
            or ("no source reaches the work",),
        )
    ]
    moved = tuple(f"switch over {_named(topology, c.id)} (back at stage {c.stage})" for c in isolation.moved)
    dark = tuple(f"shut down {_named(topology, c.id)}; it stays dark" for c in isolation.dark)
    if moved or dark:
        steps.append(SheetStep("Switch over and shut down", "shut-down", (*moved, *dark)))
    if opened:
        steps.append(
            SheetStep(
                "Open, in this order",
                "isolate",
                tuple(f"{_part(d)} {_who(d)}; see it {_parted(d)}" for d in opened),
            )
        )
    if isolation.held:
        steps.append(
            SheetStep(
                "Lock and tag",
                "lock-and-tag",
                tuple(
                    f"{_lock(d)} {d.id}"
                    + (f" (stands {_parted(d)} already; see it {_parted(d)})" if d.stood_open else "")
                    for d in isolation.held
                ),
            )
        )
    stored = tuple(f"{_named(topology, i)}: {_minutes(m)}" for i, m in isolation.stored)
    wait = "no wait is given"
    if isolation.wait_min:
        wait = f"wait {isolation.wait_min:g} min after the last device is open"
    steps.append(SheetStep("Let stored energy go", "stored-energy", (wait, *stored)))
    steps.append(
        SheetStep(
            "Prove dead",
            "prove-dead",
            tuple(f"{where}: {_proof(topology, isolation.ends)}" for where in proof_places(topology, isolation.ends)),
        )
    )
    steps.append(
        SheetStep(
            "Work",
            "release",
            (
                "earth or short where the site's procedure asks for it; guard live parts nearby",
                f"mate or demate at {', '.join(name(e) for e in isolation.ends)}; keep both ends isolated until done",
            ),
        )
    )
    if isolation.held:
        back = tuple(reversed(isolation.held))
        steps.append(
            SheetStep(
                "Give back",
                "release",
                (
                    "look over both ends; everyone clear",
                    *(f"take off tag {d.id}" for d in back),
                    *(f"{'open' if d.kind == 'valve' else 'close'} {_who(d)}" for d in back if not d.stood_open),
                ),
            )
        )
    return tuple(steps)


def proof_places(topology: Topology, ends: tuple[str, ...]) -> tuple[str, ...]:
    """The places where absence of voltage is proved: each end, and a jumper towards each of its neighbours."""
    places = []
    for end in ends:
        part = topology.components.get(end)
        if part is None or not part.is_jumper:
            places.append(_named(topology, end))
            continue
        beside = dict.fromkeys([a for a, b in topology.links if b == end] + [b for a, b in topology.links if a == end])
        places += [f"{_named(topology, end)}, end at {_named(topology, v)}" for v in beside] or [_named(topology, end)]
    return tuple(places)


def _named(topology: Topology, id_: str) -> str:
    title = topology.title(id_)
    return id_ if title == id_ else f"{id_} ({title})"


def _proof(topology: Topology, ends: tuple[str, ...]) -> str:
    if all(i in topology.components and topology.components[i].is_coolant for i in ends):
        return "pressure gone and line drained, by a gauge that was tried before and after"
    return "known live, then each pole to the other and to structure, then known live again"


def _part(device: HeldDevice) -> str:
    return "close" if device.kind == "valve" else "open"


def _parted(device: HeldDevice) -> str:
    return "closed" if device.kind == "valve" else "open"


def _who(device: HeldDevice) -> str:
    place = f" at {device.site}" if device.site else ""
    if device.operated == "manual":
        return f"{device.id}, by hand{place}"
    by = f" through {', '.join(device.operated_by)}" if device.operated_by else ""
    return f"{device.id}, by command{by}{place}"


def _lock(device: HeldDevice) -> str:
    return {True: "lock and tag", False: "tag (cannot be locked)", None: "tag, and lock if it can be:"}[device.lockable]


def _minutes(minutes: float | None) -> str:
    return "discharge time not given" if minutes is None else f"{minutes:g} min"
