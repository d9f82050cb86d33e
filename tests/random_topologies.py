"""Small random power systems that hit every corner of the format, seeded; and a hypothesis strategy that shrinks them.

All choices go through :func:`chance` and the methods of ``random.Random``, written so that small draws give plain
systems: hypothesis's own ``Random`` then shrinks a counterexample to one that a person can follow.
"""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import pairwise
from typing import Any

from hypothesis import strategies as st

from powerfault.model.elements import (
    ONE_WAY_KINDS,
    SHORT_KINDS,
    SOURCE_KINDS,
    STAGES,
    SWITCHED_KINDS,
    Component,
    Event,
    Function,
    Link,
    Load,
    Need,
    Phase,
    Topology,
)

KIND_WEIGHTS = {
    "bus": 6, "breaker": 8, "switch": 6, "converter": 4, "fuse": 2, "diode": 3, "cable": 2, "jumper": 3,
    "connector": 1, "regulator": 1,
}  # fmt: skip


PROTECTION = ("fuse", "fuse", "breaker", "breaker", "converter", "converter", "switch", "regulator")
CORNERS = ("needs", "clears", "capacity", "charge", "open", "operated_by", "several", "standing", "unmated", "modes")


def chance(rng: random.Random, p: float) -> bool:
    return rng.random() > 1 - p


def random_topology(seed: int | random.Random, smallest: int = 5, largest: int = 14) -> Topology:
    """A valid random system of ``smallest`` to ``largest`` components, loads and functions together."""
    rng = seed if isinstance(seed, random.Random) else random.Random(seed)
    total = rng.randint(smallest, largest)
    load_count = rng.randint(1, max(1, min(3, total - 3)))
    function_count = rng.randint(0, max(0, min(3, total - load_count - 4)))
    component_count = total - load_count - function_count
    phases = ("normal",) if not chance(rng, 0.5) else ("sunlit", "dark")

    source_count = 1 + (component_count > 4 and chance(rng, 0.6))
    storage_count = rng.choice([0, 1, 1, 2]) if component_count > 3 else 0
    source_count, storage_count = min(source_count, component_count), min(storage_count, component_count - source_count)
    kinds = ["source"] * source_count + ["storage"] * storage_count
    weights = list(KIND_WEIGHTS.values())
    layout = rng.choice(["plain", "channels", "protected"]) if component_count > 4 else "plain"
    if layout == "channels":
        kinds = (["source", "source", "storage"] if storage_count else ["source", "source"]) + ["bus", "bus"]
    elif layout == "protected":
        kinds = [rng.choice(["source", "source", "storage"]), rng.choice(PROTECTION), "bus", "switch"]
        kinds += [rng.choice(["bus", "cable", "connector"])] + ["source"] * (component_count > 6)
    kinds += rng.choices(list(KIND_WEIGHTS), weights, k=component_count - len(kinds))
    ids = [f"{k[:2].upper()}{n}" for n, k in enumerate(kinds)]
    load_ids = [f"L{n}" for n in range(load_count)]
    function_ids = [f"F{n}" for n in range(function_count)]
    everything = ids + load_ids + function_ids
    kind_of = dict(zip(ids, kinds, strict=True))

    lay_out = {"plain": random_links, "channels": channel_links, "protected": protected_links}[layout]
    links = lay_out(rng, ids, kind_of)
    # Corners are drawn by system: a system with all of them is mostly dark, and a dark system tells little.
    corners = {name for name in CORNERS if chance(rng, 0.35)}
    if len(phases) > 1 and chance(rng, 0.5):
        corners |= {"capacity", "charge"}
    components = {i: random_component(rng, i, kind_of[i], phases, everything, corners) for i in ids}
    passing = [i for i in ids if kind_of[i] not in SOURCE_KINDS] or ids
    loads = {i: random_load(rng, i, passing, ids, phases, everything, corners) for i in load_ids}
    if layout == "protected" and chance(rng, 0.6):
        loads["L0"] = replace(loads["L0"], fed_by=(rng.choice([ids[2], ids[2], ids[1]]),), feeds_needed=1)
    functions: dict[str, Function] = {}
    for i in function_ids:
        # Members come before the function itself, so that no function contains itself.
        pool = load_ids + list(functions) + ids
        members = tuple(dict.fromkeys(rng.choices(pool[: load_count + 4], k=rng.randint(1, 3))))
        functions[i] = Function(
            id=i,
            of=members,
            at_least=rng.randint(1, len(members)),
            rides_through=rng.choice([None, *STAGES]),
            severity=rng.choice([None, "catastrophic", "critical", "major"]),
            must_tolerate=rng.choice([None, None, 0, 1, 2]),
        )
    if functions and loads and chance(rng, 0.25):
        close_cooling_loop(rng, components, loads, functions)
    topology = Topology(
        name="random",
        phases=tuple(Phase(p) for p in phases),
        components=components,
        loads=loads,
        functions=functions,
        links=links,
        standing=random_standing(rng, components, loads) if "standing" in corners else (),
        default_rides_through=rng.choice(STAGES),
    )
    return topology


def random_links(rng: random.Random, ids: list[str], kind_of: dict[str, str]) -> tuple[Link, ...]:
    links: dict[Link, None] = {}

    def join(a: str, b: str, two_way: bool) -> None:
        links[a, b] = None
        if two_way and kind_of[a] not in ONE_WAY_KINDS and kind_of[b] not in ONE_WAY_KINDS:
            links[b, a] = None

    passing = [i for i in ids if kind_of[i] not in SOURCE_KINDS]
    for n, i in enumerate(passing):
        before = [x for x in ids if kind_of[x] in SOURCE_KINDS] + passing[:n]
        for _ in range(1 + chance(rng, 0.55)):
            # Half of them from any earlier one, which may be a source; the rest from a late one, which makes chains.
            reach = rng.choice([len(before), 2])
            a = before[-1 - rng.randrange(min(reach, len(before)))]
            join(a, i, kind_of[a] not in SOURCE_KINDS and chance(rng, 0.35))
    if len(passing) > 1:
        for _ in range(rng.choice([0, 1, 1, 2, 3])):  # rings and loops, two-way and one-way
            a, b = rng.sample(passing, 2)
            join(a, b, chance(rng, 0.6))
        if chance(rng, 0.25):  # a two-way ring of three or more
            ring = rng.sample(passing, min(len(passing), rng.randint(3, 5)))
            for a, b in zip(ring, ring[1:] + ring[:1], strict=True):
                if a != b:
                    join(a, b, True)
    sources = [i for i in ids if kind_of[i] in SOURCE_KINDS]
    if passing and chance(rng, 0.35):  # links into a source or storage: they carry faults only
        join(rng.choice(passing), rng.choice(sources), chance(rng, 0.5))
    if len(sources) > 1 and chance(rng, 0.15):  # from a source straight into a storage, say
        join(*rng.sample(sources, 2), two_way=chance(rng, 0.3))
    return without_two_way(links, kind_of)


def channel_links(rng: random.Random, ids: list[str], kind_of: dict[str, str]) -> tuple[Link, ...]:
    """Two buses with a source each; every other component hangs below, above or between them."""
    sources = [i for i in ids if kind_of[i] in SOURCE_KINDS]
    buses = [i for i in ids if kind_of[i] == "bus"][:2]
    links: dict[Link, None] = {}
    ends = [[buses[0]], [buses[1]]]  # what belongs to either side, the bus first
    for i in ids:
        if i in sources or i in buses:
            continue
        side = rng.choice([0, 1])
        a, b = rng.choice(ends[side]), rng.choice(ends[1 - side])
        place = rng.choice(["below", "between", "between", "above"])
        one_way = kind_of[i] in ONE_WAY_KINDS
        if place == "above":
            links[rng.choice(sources), i] = None
            links[i, buses[side]] = None
        elif place == "between":
            links[a, i] = None
            links[i, b] = None
            if not one_way and not chance(rng, 0.3):
                links[b, i] = None
                links[i, a] = None
        else:
            links[a, i] = None
            if not one_way and kind_of[a] not in ONE_WAY_KINDS and chance(rng, 0.3):
                links[i, a] = None
            ends[side].append(i)
    for n, source in enumerate(sources):
        bus = buses[n % 2]
        if not any(a == source for a, _ in links) or chance(rng, 0.3):
            links[source, bus] = None
            if chance(rng, 0.15):
                links[bus, source] = None
    return without_two_way(links, kind_of)


def protected_links(rng: random.Random, ids: list[str], kind_of: dict[str, str]) -> tuple[Link, ...]:
    """A chain source, protection, bus, switch, end, whose end may be shorted and cut off; the rest is tied on to it.

    In such a chain what cleared the fault, and whether it comes back once the switch is open, decides the outcome.
    """
    source, protection, bus, switch, end = ids[:5]
    chain = [bus, switch, end] if kind_of[protection] in ONE_WAY_KINDS else [protection, bus, switch, end]
    links: dict[Link, None] = dict.fromkeys([(source, protection), (protection, bus), (bus, switch), (switch, end)])
    for a, b in pairwise(chain):
        if chance(rng, 0.3):
            links[b, a] = None
    tied = [protection, bus, switch, end]
    for i in ids[5:]:
        a, b = rng.sample([x for x in tied if x != i], 2)
        if kind_of[i] in SOURCE_KINDS:
            links[i, rng.choice([protection, bus, *tied])] = None
            continue
        if chance(rng, 0.4):
            links[rng.choice([x for x in ids if kind_of[x] in SOURCE_KINDS]), i] = None
        else:
            links[a, i] = None
        if chance(rng, 0.7):
            links[i, b] = None
            if chance(rng, 0.4):
                links[b, i] = None
        tied.append(i)
    return without_two_way(links, kind_of)


def without_two_way(links: dict[Link, None], kind_of: dict[str, str]) -> tuple[Link, ...]:
    """A diode or converter takes one-way links only: of two that were drawn the second goes."""
    kept: dict[Link, None] = {}
    for a, b in links:
        if (b, a) not in kept or not {kind_of[a], kind_of[b]} & set(ONE_WAY_KINDS):
            kept[a, b] = None
    return tuple(kept)


def per_phase(rng: random.Random, phases: tuple[str, ...], values: list[float]) -> float | dict[str, float]:
    """A number, or one per phase with some phases left out."""
    if chance(rng, 0.65):
        return {p: rng.choice(values) for p in phases if not chance(rng, 0.2)}
    return rng.choice(values)


def some(rng: random.Random, names: list[str], most: int) -> tuple[str, ...]:
    return tuple(dict.fromkeys(rng.choice(names) for _ in range(rng.randint(1, most))))


def random_needs(rng: random.Random, i: str, everything: list[str], corners: set[str]) -> tuple[Need, ...]:
    if "needs" not in corners or not chance(rng, 0.35):
        return ()
    if chance(rng, 0.15):
        return (Need(i),)
    return tuple(Need(n) for n in some(rng, everything, 2))


def random_component(
    rng: random.Random, i: str, kind: str, phases: tuple[str, ...], everything: list[str], corners: set[str]
) -> Component:
    f: dict[str, Any] = {"needs": random_needs(rng, i, everything, corners)}
    if "clears" in corners and chance(rng, 0.3):
        f["clears_faults"] = rng.choice([True, False])
    if "modes" in corners and chance(rng, 0.2):
        f["can_fail"] = False
    if "several" in corners and chance(rng, 0.15) and kind not in SOURCE_KINDS:
        f["feeds_needed"] = 2
    if kind in SOURCE_KINDS and "capacity" in corners and chance(rng, 0.6):
        f["capacity_kw"] = per_phase(rng, phases, [5.0, 3.0, 2.0, 0.0])
    if kind == "storage" and chance(rng, 0.9 if "charge" in corners else 0.3):
        f["charged_by"] = some(rng, everything, 2)
    if kind in SWITCHED_KINDS:
        f["normally"] = "open" if chance(rng, 0.7 if "open" in corners else 0.3) else rng.choice([None, "closed"])
        f["operated"] = rng.choice([None, *STAGES[1:]])
        if "operated_by" in corners and chance(rng, 0.5):
            f["operated_by"] = some(rng, everything, 2)
    if kind == "converter" and chance(rng, 0.35):
        f["isolated"] = False
    if kind == "jumper":
        f["mated"] = not chance(rng, 0.8 if "unmated" in corners else 0.15)
        f["crew_may_mate"] = chance(rng, 0.7)
    if "modes" in corners and chance(rng, 0.25):
        possible = ["loss"] + ["short"] * (kind in SHORT_KINDS)
        possible += ["stuck"] * (kind in SWITCHED_KINDS) + ["closed"] * (f.get("normally") == "open")
        f["modes"] = tuple(m for m in possible if not chance(rng, 0.4))
    return Component(id=i, kind=kind, **f)


def random_load(
    rng: random.Random,
    i: str,
    passing: list[str],
    ids: list[str],
    phases: tuple[str, ...],
    everything: list[str],
    corners: set[str],
) -> Load:
    f: dict[str, Any] = {"needs": random_needs(rng, i, everything, corners)}
    feeders = dict.fromkeys(rng.choice(passing) for _ in range(rng.randint(1, 3)))
    if chance(rng, 0.1):
        feeders[rng.choice(ids)] = None
    f["fed_by"] = tuple(feeders)
    if len(feeders) > 1 and "several" in corners and chance(rng, 0.4):
        f["feeds_needed"] = 2
    if chance(rng, 0.4):
        f["demand_kw"] = per_phase(rng, phases, [1.0, 0.5, 0.0])
    f["inputs"] = rng.choice([None, "isolated", "common"])
    if chance(rng, 0.2):
        f["modes"] = ("short",)
    f["severity"] = rng.choice([None, "catastrophic", "critical", "major", "minor"])
    f["rides_through"] = rng.choice([None, *STAGES])
    f["must_tolerate"] = rng.choice([None, None, None, 0, 1, 3])
    return Load(id=i, **f)


def close_cooling_loop(
    rng: random.Random, components: dict[str, Component], loads: dict[str, Load], functions: dict[str, Function]
) -> None:
    """Let a passing component need a function of a load that it may well feed: the pump that cools its own supply."""
    pump = rng.choice(list(loads))
    coolant = next(iter(functions))
    functions[coolant] = replace(functions[coolant], of=(pump,), at_least=1)
    cooled = rng.choice([i for i, c in components.items() if not c.is_source] or list(components))
    components[cooled] = replace(components[cooled], needs=(*components[cooled].needs, Need(coolant)))


def random_standing(rng: random.Random, components: dict[str, Component], loads: dict[str, Load]) -> tuple[Event, ...]:
    shorted = [x.id for x in loads.values() if x.modes]
    if shorted and chance(rng, 0.2):
        return (Event(rng.choice(shorted), "short"),)
    broken = rng.sample(list(components), rng.randint(1, min(2, len(components))))
    return tuple(Event(i, rng.choice(components[i].possible_modes)) for i in broken)


def topologies(smallest: int = 5, largest: int = 14) -> st.SearchStrategy[Topology]:
    """Random systems as a hypothesis strategy: every choice is drawn, so a counterexample shrinks."""
    return st.randoms(use_true_random=False).map(lambda rng: random_topology(rng, smallest, largest))


# Larger systems made of small ones: what an engine may split, merge or skip must not change a result.


def renamed(topology: Topology, prefix: str) -> Topology:
    """The same system with a prefix before every id."""

    def ids(names: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(prefix + i for i in names)

    def needs(own: tuple[Need, ...]) -> tuple[Need, ...]:
        return tuple(replace(n, id=prefix + n.id) for n in own)

    components = [
        replace(
            c,
            id=prefix + c.id,
            needs=needs(c.needs),
            operated_by=ids(c.operated_by),
            charged_by=ids(c.charged_by) if c.charged_by else None,
        )
        for c in topology.components.values()
    ]
    loads = [replace(x, id=prefix + x.id, fed_by=ids(x.fed_by), needs=needs(x.needs)) for x in topology.loads.values()]
    functions = [replace(f, id=prefix + f.id, of=ids(f.of)) for f in topology.functions.values()]
    return replace(
        topology,
        components={c.id: c for c in components},
        loads={x.id: x for x in loads},
        functions={f.id: f for f in functions},
        links=tuple((prefix + a, prefix + b) for a, b in topology.links),
        standing=tuple(Event(prefix + e.id, e.mode) for e in topology.standing),
    )


def random_parts(seed: int | random.Random, parts: int, smallest: int = 5, largest: int = 8) -> Topology:
    """Several random systems side by side, now and then with a function, a need or a tie between them."""
    rng = seed if isinstance(seed, random.Random) else random.Random(seed)
    chosen: list[Topology] = []
    while len(chosen) < parts:
        one = random_topology(rng, smallest, largest)
        if not chosen or one.phases == chosen[0].phases:
            chosen.append(renamed(one, "ABCDEF"[len(chosen)]))
    components = {i: c for t in chosen for i, c in t.components.items()}
    loads = {i: x for t in chosen for i, x in t.loads.items()}
    functions = {i: f for t in chosen for i, f in t.functions.items()}
    links = [link for t in chosen for link in t.links]
    if chance(rng, 0.4):
        members = some(rng, list(loads), 3)
        functions["ALL"] = Function(id="ALL", of=members, at_least=rng.randint(1, len(members)))
    if chance(rng, 0.3):
        i = rng.choice(list(components))
        components[i] = replace(components[i], needs=(*components[i].needs, Need(rng.choice(list(loads)))))
    if chance(rng, 0.4):
        passing = [i for i, c in components.items() if c.kind not in (*SOURCE_KINDS, *ONE_WAY_KINDS)]
        if passing:
            kind = rng.choice(["breaker", "switch", "jumper", "cable"])
            tie = random_component(rng, "TIE", kind, (), passing, {"open"})
            components["TIE"] = tie
            a, b = rng.choice(passing), rng.choice(passing)
            links += [(a, "TIE"), ("TIE", b), (b, "TIE"), ("TIE", a)]
    return replace(
        chosen[0],
        components=components,
        loads=loads,
        functions=functions,
        links=tuple(dict.fromkeys(links)),
        standing=tuple(e for t in chosen for e in t.standing),
    )


def drawn_out(topology: Topology, seed: int | random.Random, more: int = 6) -> Topology:
    """The same system with components put into some of its links, so that it has chains whose parts fail alike."""
    rng = seed if isinstance(seed, random.Random) else random.Random(seed)
    components, loads = dict(topology.components), dict(topology.loads)
    links = dict.fromkeys(topology.links)
    for n in range(more):
        new = f"CHAIN-{n}"
        kind = rng.choice(["cable", "cable", "connector", "bus", "breaker", "fuse", "diode", "converter"])
        into_load = [i for i, x in loads.items() if x.fed_by]
        if into_load and (not links or chance(rng, 0.3)):
            load = loads[rng.choice(into_load)]
            feeder = rng.choice(load.fed_by)
            loads[load.id] = replace(load, fed_by=tuple(new if i == feeder else i for i in load.fed_by))
            links[feeder, new] = None
        elif links:
            a, b = rng.choice(list(links))
            both = (b, a) in links
            if both and kind in ONE_WAY_KINDS:
                kind = "cable"
            for x, y in [(a, b), (b, a)] if both else [(a, b)]:
                del links[x, y]
                links[x, new] = None
                links[new, y] = None
        components[new] = Component(id=new, kind=kind)
    return replace(topology, components=components, loads=loads, links=tuple(links))
