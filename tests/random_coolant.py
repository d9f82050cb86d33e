"""Random systems with coolant: a circuit of its own beside a random power system, tied to it through needs alone."""

from __future__ import annotations

import random
from dataclasses import replace

from random_topologies import random_topology

from powerfault.model.elements import STAGES, Component, Function, Link, Need, Topology


def random_cooled_topology(seed: int) -> Topology:
    """A random topology some of whose equipment needs coolant, and whose pumps need some of that equipment."""
    rng = random.Random(seed * 7919 + 1)
    base = random_topology(seed, 4, 9)
    powered = [*base.components, *base.loads]
    coolant: dict[str, Component] = {}
    for i in range(rng.randint(1, 2)):
        needs = (Need(rng.choice(powered)),) if rng.random() < 0.7 else ()
        coolant[f"PMP{i}"] = Component(id=f"PMP{i}", kind="pump", needs=needs)
    for i in range(rng.randint(3, 7)):
        kind = rng.choice(["line", "valve", "valve", "radiator", "coolant_jumper"])
        fields: dict[str, object] = {}
        if kind == "valve":
            fields["normally"] = rng.choice([None, "open", "closed"])
            fields["operated"] = rng.choice([None, *STAGES[1:]])
            if rng.random() < 0.4:
                fields["operated_by"] = (rng.choice(powered),)
        elif kind == "coolant_jumper":
            fields["mated"] = rng.random() < 0.6
            fields["crew_may_mate"] = rng.random() < 0.6
        coolant[f"KO{i}"] = Component(id=f"KO{i}", kind=kind, **fields)  # type: ignore[arg-type]
    ids = list(coolant)
    links: dict[Link, None] = {}
    for _ in range(rng.randint(len(ids), 2 * len(ids))):
        a, b = rng.sample(ids, 2)
        links[a, b] = None
        if rng.random() < 0.3:
            links[b, a] = None
    cooled = Function(id="COOL", of=tuple(rng.sample(ids, 2)), at_least=rng.randint(1, 2))
    components = dict(base.components)
    for id_ in rng.sample(list(components), min(3, len(components))):
        need = Need(rng.choice([*ids, "COOL"]), rng.choice(STAGES))
        components[id_] = replace(components[id_], needs=(*components[id_].needs, need))
    return replace(
        base,
        components={**components, **coolant},
        functions={**base.functions, "COOL": cooled},
        links=(*base.links, *links),
    )
