"""Textbook systems written in the tool's own format, for the checks of probabilities.

Each function returns the text of a topology file. Probabilities are turned into failure rates for a mission of
``HOURS`` hours: rate = -ln(1 - q) / HOURS, so that the probability at its end is q to the last digits.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence

from build import topology

from powerfault.model.elements import Topology
from powerfault.model.reader import read_topology_text
from powerfault.reliability.study import Likelihood, Settings, likelihood

HOURS = 1000.0


def rate(q: float) -> float:
    """Failures per million hours that give probability ``q`` within the mission."""
    return -math.log1p(-q) / HOURS * 1e6


def cable(q: float | None) -> str:
    return "{kind: cable}" if q is None else f"{{kind: cable, failures_per_million_hours: {rate(q)!r}}}"


def series_parallel(q: Mapping[str, float], chains: Sequence[str], load: str = "TOP") -> str:
    """Cables ``q`` between a source that cannot fail and a load fed by the ends of ``chains``: "T -> K2 -> S"."""
    lines = ["powerfault: 1", "components:", "  SRC: {kind: source, can_fail: false}"]
    lines += [f"  {name}: {cable(value)}" for name, value in q.items()]
    lines += ["feeds:", *(f"  - SRC -> {chain}" for chain in chains)]
    ends = dict.fromkeys(chain.split(" -> ")[-1] for chain in chains)
    lines += ["loads:", f"  {load}: {{fed_by: [{', '.join(ends)}]}}"]
    return "\n".join(lines)


def network(
    edges: Iterable[tuple[object, object]], q: Mapping[int, float] | float, source: object, sink: object
) -> str:
    """A two-terminal network: nodes are buses that cannot fail, edges cables E0, E1, ... that carry both ways."""
    edges = list(edges)
    nodes = dict.fromkeys(n for e in edges for n in e)
    lines = ["powerfault: 1", "components:", "  SRC: {kind: source, can_fail: false}"]
    lines += [f"  N{n}: {{kind: bus, can_fail: false}}" for n in nodes]
    lines += [f"  E{i}: {cable(q if isinstance(q, float) else q[i])}" for i in range(len(edges))]
    lines += ["feeds:", f"  - SRC -> N{source}"]
    lines += [f"  - N{a} <-> E{i} <-> N{b}" for i, (a, b) in enumerate(edges)]
    return "\n".join([*lines, "loads:", f"  SINK: {{fed_by: [N{sink}]}}"])


def k_of_n(k: int, n: int, q: float) -> str:
    """A load that needs ``k`` of ``n`` feeds, each its own source."""
    lines = ["powerfault: 1", "components:"]
    lines += [f"  U{i}: {{kind: source, failures_per_million_hours: {rate(q)!r}}}" for i in range(n)]
    lines.append(f"loads: {{L: {{fed_by: [{', '.join(f'U{i}' for i in range(n))}], feeds_needed: {k}}}}}")
    return "\n".join(lines)


def consecutive(k: int, n: int, q: float, circular: bool) -> str:
    """A function that fails when ``k`` in a row of ``n`` units fail: all windows of k must have one unit left."""
    lines = ["powerfault: 1", "components:"]
    lines += [f"  U{i}: {{kind: source, failures_per_million_hours: {rate(q)!r}}}" for i in range(n)]
    windows = range(n if circular else n - k + 1)
    lines.append("functions:")
    for w in windows:
        lines.append(f"  W{w}: {{of: [{', '.join(f'U{(w + j) % n}' for j in range(k))}]}}")
    names = ", ".join(f"W{w}" for w in windows)
    return "\n".join([*lines, f"  ALL: {{of: [{names}], at_least: {len(windows)}}}"])


def leaping(k: int, n: int, q: float) -> str:
    """The linear one again as a chain of cables, each of which can be leapt over with its k - 2 followers."""
    lines = ["powerfault: 1", "components:", "  SRC: {kind: source, can_fail: false}"]
    lines += [f"  U{i}: {cable(q)}" for i in range(n)]
    lines.append("feeds:")
    lines += [f"  - SRC -> U{i}" for i in range(k)]
    lines += [f"  - U{i} -> U{j}" for i, j in itertools.combinations(range(n), 2) if j - i <= k]
    return "\n".join([*lines, f"loads: {{ALL: {{fed_by: [{', '.join(f'U{n - 1 - j}' for j in range(k))}]}}}}"])


BRIDGE = [("s", "a"), ("s", "b"), ("a", "b"), ("a", "t"), ("b", "t")]
"""Edges E0 .. E4; E2 is the one in the middle. Components 1..5 of the sources are E0, E1 at s, E2, E3, E4 at t."""


def read(text: str) -> Topology:
    return read_topology_text(text)


def solve(text: str, hours: float = HOURS, **settings: object) -> Likelihood:
    return likelihood(read(text), Settings(hours=hours, samples=0, **settings))  # type: ignore[arg-type]


def unavailability(text: str, consumer: str, hours: float = HOURS) -> float:
    own = solve(text, hours).by_id[consumer].over_mission
    assert own is not None
    assert own.at_end.exact
    return own.at_end.low


def ring_of_channels(channels: int, outlets: int) -> Topology:
    """Channels in a ring of open ties between their main buses, with cooling that its own converters feed.

    A hard one for decision diagrams: every consumer can draw on every channel. Each channel has a source by day, a
    battery, four strings and ``outlets`` loads behind breakers, half of them fed from a second channel.
    """
    each = {"failures_per_million_hours": 1.0}
    components: dict[str, dict[str, object]] = {}
    feeds: list[str] = []
    loads: dict[str, dict[str, object]] = {}
    functions: dict[str, dict[str, object]] = {}
    for c in range(channels):
        components[f"PV{c}"] = {"kind": "source", "capacity_kw": {"sunlit": 10, "dark": 0}}
        components[f"BAT{c}"] = {"kind": "storage", "charged_by": f"BUS{c}"}
        components[f"BUS{c}"] = {"kind": "bus"}
        feeds += [f"PV{c} -> BUS{c}", f"BAT{c} -> BUS{c}"]
        for s in range(4):
            components |= {
                f"BRK{c}{s}": {"kind": "breaker"},
                f"CV{c}{s}": {"kind": "converter", "needs": f"cool{c // 2}"},
                f"DB{c}{s}": {"kind": "bus"},
            }
            feeds.append(f"BUS{c} -> BRK{c}{s} -> CV{c}{s} -> DB{c}{s}")
        switch = {"kind": "switch", "normally": "open", "operated": "commanded", "operated_by": f"CTRL{c // 2}"}
        components[f"TIE{c}"] = switch
        feeds.append(f"BUS{c} <-> TIE{c} <-> BUS{(c + 1) % channels}")
    for g in range((channels + 1) // 2):
        a, b = 2 * g, (2 * g + 1) % channels
        loads[f"PUMP{g}A"] = {"fed_by": f"DB{a}0 DB{b}0"}
        loads[f"PUMP{g}B"] = {"fed_by": f"DB{b}1 DB{a}1"}
        functions[f"cool{g}"] = {"of": f"PUMP{g}A PUMP{g}B"}
        loads[f"CTRL{g}"] = {"fed_by": f"DB{a}0 DB{b}1", "rides_through": "automatic"}
    for c, i in itertools.product(range(channels), range(outlets)):
        components[f"OA{c}.{i}"] = {"kind": "breaker"}
        feeds.append(f"DB{c}{i % 4} -> OA{c}.{i}")
        fed = f"OA{c}.{i}"
        if i % 2:
            components[f"OB{c}.{i}"] = {"kind": "breaker"}
            feeds.append(f"DB{(c + 1 + i) % channels}{(i + 1) % 4} -> OB{c}.{i}")
            fed += f" OB{c}.{i}"
        loads[f"L{c}.{i}"] = {"fed_by": fed, "rides_through": ("commanded", "uninterrupted", "automatic")[i % 3]}
    return topology({i: f | each for i, f in components.items()}, feeds, loads, functions, phases="sunlit dark")
