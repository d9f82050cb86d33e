"""The classic arrangements of a switchyard's buses and breakers, as topologies.

Circuit i is a bus ``C<i>`` with a source ``S<i>`` and a load ``L<i>`` of its own; breakers and buses join the circuits
by two-way links. Whether a circuit still reaches another one is asked by taking its own source away.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from build import topology

from powerfault.model.elements import Topology


@dataclass
class Arrangement:
    """One arrangement of ``n`` circuits; ``beside`` names the breakers next to each circuit or bus."""

    name: str
    topology: Topology
    n: int
    buses: list[str]
    role: dict[str, str] = field(default_factory=dict)
    """What each breaker does: feeder, tie, ring, centre, bus-side."""
    beside: dict[str, list[str]] = field(default_factory=dict)

    @property
    def circuits(self) -> list[str]:
        return [f"C{i}" for i in range(self.n)]

    def breakers(self, role: str) -> list[str]:
        return [x for x, r in self.role.items() if r == role]


def arrange(
    name: str,
    n: int,
    buses: list[str],
    joins: list[tuple[str, str, str, str]],
    open_breakers: tuple[str, ...] = (),
    switches: tuple[tuple[str, str, str], ...] = (),
) -> Arrangement:
    """Build one from ``joins``: (breaker, role, from, to). ``switches`` (name, from, to) stand open."""
    parts: dict[str, Any] = {}
    for i in range(n):
        parts |= {f"S{i}": "source", f"C{i}": "bus"}
    parts |= dict.fromkeys(buses, "bus")
    feeds = [f"S{i} -> C{i}" for i in range(n)]
    beside: dict[str, list[str]] = {}
    for breaker, _, a, b in joins:
        parts[breaker] = {"kind": "breaker", "normally": "open" if breaker in open_breakers else "closed"}
        feeds.append(f"{a} <-> {breaker} <-> {b}")
        for end in (a, b):
            beside.setdefault(end, []).append(breaker)
    for switch, a, b in switches:
        parts[switch] = {"kind": "switch", "normally": "open", "operated": "manual"}
        feeds.append(f"{a} <-> {switch} <-> {b}")
    system = topology(parts, feeds, loads={f"L{i}": f"C{i}" for i in range(n)})
    return Arrangement(name, system, n, buses, {breaker: role for breaker, role, _, _ in joins}, beside)


def single_bus(n: int) -> Arrangement:
    return arrange("single bus", n, ["BUS"], [(f"X{i}", "feeder", f"C{i}", "BUS") for i in range(n)])


def sectionalised(n: int) -> Arrangement:
    """Two halves of a bus with a closed tie between them."""
    joins = [(f"X{i}", "feeder", f"C{i}", "BUS-1" if i < n // 2 else "BUS-2") for i in range(n)]
    return arrange("sectionalised", n, ["BUS-1", "BUS-2"], [*joins, ("TIE", "tie", "BUS-1", "BUS-2")])


def main_and_transfer(n: int) -> Arrangement:
    """All circuits on the main bus; the transfer bus is dead, its tie open and every circuit's transfer switch too."""
    joins = [(f"X{i}", "feeder", f"C{i}", "MAIN") for i in range(n)]
    return arrange(
        "main and transfer",
        n,
        ["MAIN", "TRANSFER"],
        [*joins, ("TIE", "tie", "MAIN", "TRANSFER")],
        open_breakers=("TIE",),
        switches=tuple((f"D{i}", f"C{i}", "TRANSFER") for i in range(n)),
    )


def ring(n: int, open_breaker: str | None = None) -> Arrangement:
    """Breaker ``X<i>`` stands between circuits i and i + 1."""
    joins = [(f"X{i}", "ring", f"C{i}", f"C{(i + 1) % n}") for i in range(n)]
    return arrange("ring", n, [], joins, open_breakers=(open_breaker,) if open_breaker else ())


def breaker_and_a_half(n: int) -> Arrangement:
    """Bays of two circuits and three breakers between two buses."""
    joins = []
    for i in range(0, n, 2):
        joins += [
            (f"XA{i}", "bus-side", "BUS-1", f"C{i}"),
            (f"XM{i}", "centre", f"C{i}", f"C{i + 1}"),
            (f"XB{i}", "bus-side", f"C{i + 1}", "BUS-2"),
        ]
    return arrange("breaker and a half", n, ["BUS-1", "BUS-2"], joins)


def double_bus_double_breaker(n: int) -> Arrangement:
    joins = []
    for i in range(n):
        joins += [(f"XA{i}", "bus-side", "BUS-1", f"C{i}"), (f"XB{i}", "bus-side", f"C{i}", "BUS-2")]
    return arrange("double bus, double breaker", n, ["BUS-1", "BUS-2"], joins)
