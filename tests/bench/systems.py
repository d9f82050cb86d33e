"""Systems to time on: any number of like channels, invented, each load fed from at most two channels.

A channel of 50 components: two sources and a battery on a main bus, six strings of breaker, cable, converter, cable,
breaker and distribution bus, feeders to the loads, and a normally open tie to the next channel. Doubling the channels
doubles components, links and loads and changes nothing else, which is what a growth table needs.
"""

from __future__ import annotations

from itertools import pairwise

from powerfault.model.elements import Channel, Component, Function, Link, Load, Topology

COMPONENTS_PER_CHANNEL = 50
LOADS_PER_CHANNEL = 12


def channels_system(channels: int, name: str = "bench") -> Topology:
    """Return a system of ``channels`` channels with 50 components and 12 loads each (two channels at least)."""
    components: dict[str, Component] = {}
    links: list[Link] = []
    loads: dict[str, Load] = {}
    functions: dict[str, Function] = {}

    def add(id_: str, kind: str, channel: str, **fields: object) -> str:
        components[id_] = Component(id=id_, kind=kind, channel=channel, **fields)  # type: ignore[arg-type]
        return id_

    def chain(*ids: str) -> None:
        links.extend(pairwise(ids))

    for c in range(channels):
        k = f"c{c}"
        bus = add(f"BUS{c}", "bus", k, voltage_v=120.0)
        for s in range(2):
            chain(add(f"PV{c}.{s}", "source", k), add(f"REG{c}.{s}", "regulator", k), bus)
        chain(add(f"BAT{c}", "storage", k, charged_by=(bus,)), add(f"BDR{c}", "regulator", k), bus)
        for s in range(6):
            out = add(f"DB{c}.{s}", "bus", k, voltage_v=28.0)
            chain(
                bus,
                add(f"BRI{c}.{s}", "breaker", k),
                add(f"CBI{c}.{s}", "cable", k),
                add(f"CV{c}.{s}", "converter", k),
                add(f"CBO{c}.{s}", "cable", k),
                add(f"BRO{c}.{s}", "breaker", k),
                out,
            )
        # 43 so far; a tie of four and the three feeders of the first loads make 50
        tie = (
            add(f"TIE{c}", "breaker", k, normally="open", operated="commanded"),
            add(f"CN{c}.0", "connector", k),
            add(f"JMP{c}", "jumper", k),
            add(f"CN{c}.1", "connector", k),
        )
        for f in range(3):
            chain(f"DB{c}.{f}", add(f"FDR{c}.{f}", "breaker", k))
        there = f"DB{(c + 1) % channels}.5"
        for a, b in zip((f"DB{c}.0", *tie), (*tie, there), strict=True):
            links += [(a, b), (b, a)]
    for c in range(channels):
        other = c ^ 1 if c ^ 1 < channels else (c + 1) % channels
        for i in range(LOADS_PER_CHANNEL):
            near = f"FDR{c}.{i}" if i < 3 else f"DB{c}.{i % 6}"
            fed = (near,) if i % 3 == 0 else (near, f"DB{other}.{(i + 1) % 6}")
            loads[f"L{c}.{i}"] = Load(
                id=f"L{c}.{i}",
                fed_by=fed,
                channel=f"c{c}",
                severity="critical",
                rides_through="commanded",
                demand_kw=0.2,
            )
        functions[f"F{c}"] = Function(
            id=f"F{c}", of=(f"L{c}.1", f"L{c}.2", f"L{c}.4"), at_least=2, severity="critical", rides_through="commanded"
        )
    return Topology(
        name=f"{name} of {channels} channels",
        channels={f"c{c}": Channel(f"c{c}") for c in range(channels)},
        components=components,
        links=tuple(links),
        loads=loads,
        functions=functions,
    )
