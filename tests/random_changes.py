"""Random proposals for random systems, and random channels for what is in them."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

from random_coolant import random_cooled_topology
from random_topologies import chance, drawn_out, random_parts, random_topology

from powerfault.errors import PowerfaultError
from powerfault.model.elements import ONE_WAY_KINDS, SOURCE_KINDS, STAGES, Channel, Proposal, Topology
from powerfault.model.modify import apply_proposals


def random_system(seed: int) -> Topology:
    """A random system whose components and loads belong to one to three channels, or to none."""
    rng = random.Random(seed)
    kind = rng.choice(["one", "one", "parts", "chains", "coolant"])
    if kind == "one":
        topology = random_topology(seed, 6, 16)
    elif kind == "parts":
        topology = random_parts(seed, 2)
    elif kind == "chains":
        topology = drawn_out(random_topology(seed, 5, 9), seed)
    else:
        topology = random_cooled_topology(seed)
    names = ["a", "b", "c"][: rng.randint(1, 3)]
    return replace(
        topology,
        channels={c: Channel(c) for c in names},
        components={i: replace(c, channel=rng.choice([*names, None])) for i, c in topology.components.items()},
        loads={i: replace(x, channel=rng.choice([*names, None])) for i, x in topology.loads.items()},
    )


def changed_at_random(topology: Topology, seed: int) -> Topology:
    """The system with a random proposal applied: things added, removed and set. The system itself if none can be."""
    rng = random.Random(seed)
    for _ in range(5):
        proposal = random_proposal(topology, rng)
        try:
            return apply_proposals(replace(topology, proposals={proposal.id: proposal}), [proposal.id])
        except PowerfaultError:  # it takes away what another needs, say
            continue
    return topology


def random_proposal(topology: Topology, rng: random.Random) -> Proposal:
    power = [c for c in topology.components.values() if not c.is_coolant]
    passing = [c.id for c in power if c.kind not in (*SOURCE_KINDS, *ONE_WAY_KINDS)] or [c.id for c in power]
    components: dict[str, dict[str, Any]] = {}
    feeds: list[str] = []
    for n in range(rng.randint(0, 3)):
        id_ = f"NEW-{n}"
        kind = rng.choice(["jumper", "cable", "breaker", "switch", "fuse", "bus", "source", "storage"])
        new = components[id_] = {"kind": kind}
        if chance(rng, 0.5):
            new["channel"] = rng.choice(list(topology.channels))
        if kind in ("breaker", "switch") and chance(rng, 0.5):
            new["normally"] = "open"
        if kind == "jumper" and chance(rng, 0.3):
            new |= {"mated": False, "crew_may_mate": chance(rng, 0.5)}
        a, b = rng.choice(passing), rng.choice(passing)
        if kind in SOURCE_KINDS:
            feeds.append(f"{id_} -> {a}")
        elif a == b:
            feeds.append(f"{a} -> {id_}")
        else:
            feeds.append(f"{a} {rng.choice(['->', '<->'])} {id_} {rng.choice(['->', '<->'])} {b}")
    added: dict[str, Any] = {"components": components, "feeds": feeds}
    removed: dict[str, Any] = {}
    changed: dict[str, dict[str, Any]] = {}
    if chance(rng, 0.35):
        removed["components"] = [rng.choice(list(topology.components))]
    if chance(rng, 0.25) and topology.links:
        removed["feeds"] = [" -> ".join(rng.choice(topology.links))]
    if chance(rng, 0.2) and len(topology.loads) > 1:
        removed["loads"] = [rng.choice(list(topology.loads))]
    if chance(rng, 0.25):
        changed[rng.choice(list(topology.loads))] = {"rides_through": rng.choice(STAGES)}
    if chance(rng, 0.25):
        changed[rng.choice(list(topology.components))] = {"can_fail": chance(rng, 0.5)}
    if chance(rng, 0.2):
        channel = rng.choice(list(topology.channels))
        added["loads"] = {"NEW-L": {"fed_by": [rng.choice(passing)], "severity": "critical", "channel": channel}}
    return Proposal(id="P", add=added, remove=removed, set=changed)


def tied_channels(topology: Topology) -> Topology:
    """``bench.systems.channels_system`` with a bare jumper between buses of the first and the last channel."""
    last = len(topology.channels) - 1
    add = {"components": {"JX": {"kind": "jumper"}}, "feeds": [f"DB0.0 <-> JX <-> DB{last}.2"]}
    return apply_proposals(replace(topology, proposals={"T": Proposal(id="T", add=add)}), ["T"])
