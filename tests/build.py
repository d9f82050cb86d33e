"""Topologies written in code in a few lines, for tests: feeds are spelled as in the format, the rest as keywords.

>>> t = topology({"PV": "source", "BUS": "bus"}, ["PV -> BUS"], loads={"FAN": "BUS"})
>>> t.links, t.loads["FAN"].fed_by
((('PV', 'BUS'),), ('BUS',))
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from powerfault.model.elements import Component, Event, Function, Link, Load, Need, Phase, Topology

Fields = Mapping[str, Any]


def event(text: str) -> Event:
    """``"BUS-A:short"`` as an event."""
    id_, _, mode = text.partition(":")
    return Event(id_, mode or "loss")


def events(text: str | Iterable[str]) -> tuple[Event, ...]:
    """Events separated by blanks, or a list of them."""
    return tuple(event(word) for word in (text.split() if isinstance(text, str) else text))


def feed_links(lines: Iterable[str]) -> tuple[Link, ...]:
    """The one-way links of feed lines, each once, in the order of first mention."""
    links: dict[Link, None] = {}
    for line in lines:
        parts = re.split(r"\s*(<->|->)\s*", line.strip())
        for a, arrow, b in zip(parts[0::2], parts[1::2], parts[2::2], strict=False):
            links[a, b] = None
            if arrow == "<->":
                links[b, a] = None
    return tuple(links)


def _needs(fields: dict[str, Any]) -> dict[str, Any]:
    for name in ("operated_by", "charged_by", "fed_by", "of", "modes"):
        if isinstance(fields.get(name), str):
            fields[name] = tuple(fields[name].split())
    if "needs" in fields:
        names = fields["needs"]
        fields["needs"] = tuple(Need(n) for n in (names.split() if isinstance(names, str) else names))
    return fields


def topology(
    components: Mapping[str, str | Fields],
    feeds: Iterable[str] = (),
    loads: Mapping[str, str | Fields] | None = None,
    functions: Mapping[str, str | Fields] | None = None,
    *,
    phases: str = "normal",
    standing: str = "",
    **rest: Any,
) -> Topology:
    """A topology from short spellings.

    A component is its kind or a mapping with ``kind``; a load its ``fed_by`` or a mapping; a function its members or
    a mapping; lists of ids are words in one string; ``phases`` and ``standing`` are words in one string too.
    """
    return Topology(
        name="built in code",
        phases=tuple(Phase(p) for p in phases.split()),
        components={
            i: Component(id=i, **({"kind": c} if isinstance(c, str) else _needs(dict(c))))
            for i, c in components.items()
        },
        loads={
            i: Load(id=i, **_needs({"fed_by": v} if isinstance(v, str) else dict(v))) for i, v in (loads or {}).items()
        },
        functions={
            i: Function(id=i, **_needs({"of": f} if isinstance(f, str) else dict(f)))
            for i, f in (functions or {}).items()
        },
        links=feed_links(feeds),
        standing=events(standing),
        **rest,
    )


def spell(t: Topology) -> str:
    """A topology as text that a person can follow, for the message of a failing test."""

    def fields(value: Any) -> str:
        default = type(value)(id=value.id, **({"kind": value.kind} if isinstance(value, Component) else {}))
        said = []
        for name in type(value).__dataclass_fields__:
            got = getattr(value, name)
            if name != "id" and (got != getattr(default, name) or name == "kind"):
                said.append(f"{name}: {[n.id for n in got] if name == 'needs' else got}")
        return "{" + ", ".join(said) + "}"

    lines = ["phases: " + " ".join(t.phase_names)]
    for heading, values in (("components", t.components), ("loads", t.loads), ("functions", t.functions)):
        lines += [f"{heading}:"] + [f"  {i}: {fields(v)}" for i, v in values.items()]
    both = set(t.links)
    feeds = [
        f"{a} <-> {b}" if (b, a) in both else f"{a} -> {b}" for a, b in t.links if (b, a) not in both or (a, b) < (b, a)
    ]
    lines += ["feeds: " + ", ".join(feeds), "standing: " + " ".join(map(str, t.standing))]
    return "\n".join(lines)
