"""What a drawing shows: boxes and lines of one system, or of the union of two, with synthetic names.

The union of before and after is laid out once, so that the eye finds a component in the same place in both. Names
given to the layout program are ``n0``, ``e0``, ``c0`` and so on; what the file says never reaches it.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass, field

from powerfault.model.elements import Component, Function, Load, PerPhase, Topology
from powerfault.output.blocks.text_width import shorten, text_width

ID_SIZE = 11.0
LINE_SIZE = 9.0
MAX_ID = 26
MAX_LINE = 30
COMPACT_ABOVE = 70
"""With more boxes than this each has one line of text, so that a whole system stays readable."""
_SIDE_STROKES = ("breaker", "fuse", "function")
BOTH, BEFORE, AFTER = "both", "before", "after"


@dataclass(frozen=True, slots=True)
class Box:
    """A component, load or function; ``side`` says in which of the two systems it is."""

    name: str
    id: str
    kind: str
    lines: tuple[str, ...]
    tip: str
    channel: str | None
    side: str = BOTH
    changed: bool = False
    width: float = 0.0
    height: float = 0.0
    compact: bool = False


@dataclass(frozen=True, slots=True)
class Line:
    """A link between two boxes. ``role``: power, need, charge, command or member."""

    name: str
    tail: str
    head: str
    two_way: bool
    role: str
    side: str = BOTH


@dataclass(frozen=True, slots=True)
class PictureGraph:
    boxes: tuple[Box, ...]
    lines: tuple[Line, ...]
    channels: tuple[tuple[str, str], ...]
    """(channel, label) of the clusters, in the order of the file."""
    box_of: Mapping[str, Box] = field(default_factory=dict)
    groups: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """By the id of a box that stands for several parts (it holds a colon, as no other does), the parts."""


def _number(value: float) -> str:
    return f"{value:g}"


def _per_phase(value: PerPhase | None) -> str:
    if value is None:
        return ""
    if isinstance(value, Mapping):
        return "/".join(_number(float(v)) for v in value.values())
    return _number(float(value))


def kind_line(item: Component | Load | Function) -> str:
    """The second line of a box: its kind in a word and the figure an engineer looks for first."""
    if isinstance(item, Load):
        return "load" + (f", {item.severity}" if item.severity else "")
    if isinstance(item, Function):
        return f"{item.at_least} of {len(item.of)}" + (f", {item.severity}" if item.severity else "")
    if item.is_source:
        amount = _per_phase(item.capacity_kw)
        return f"{item.kind} {amount} kW" if amount else item.kind
    if item.is_switched:
        return f"{item.kind}, normally {item.position_name(not item.normally_open)}"
    if item.kind == "bus" and item.voltage_v is not None:
        return f"bus {_number(item.voltage_v)} V"
    if item.rating_kw is not None:
        return f"{item.kind} {_number(item.rating_kw)} kW"
    return item.kind


def _tip(item: Component | Load | Function) -> str:
    parts = [item.id]
    if item.label:
        parts.append(shorten(item.label, 200))
    parts.append("function, needs " + kind_line(item) if isinstance(item, Function) else kind_line(item))
    if isinstance(item, Load) and item.demand_kw is not None:
        parts.append(f"{_per_phase(item.demand_kw)} kW")
    if isinstance(item, Component):
        if item.is_switched:
            parts.append(f"operated {item.operated or 'commanded'}")
        if item.rating_a is not None:
            parts.append(f"{_number(item.rating_a)} A")
    if not isinstance(item, Function) and item.site:
        parts.append(f"at {shorten(item.site, 80)}")
    return "; ".join(parts)


def _box(
    name: str, item: Component | Load | Function, channel: str | None, side: str, changed: bool, compact: bool
) -> Box:
    kind = item.kind if isinstance(item, Component) else ("load" if isinstance(item, Load) else "function")
    lines = [shorten(item.id, MAX_ID), kind_line(item)]
    if item.label and not compact:
        lines.append(shorten(item.label, MAX_LINE))
    widths = [text_width(lines[0], ID_SIZE, bold=True), *(text_width(t, LINE_SIZE) for t in lines[1:])]
    room = 20.0 + (8 if kind in _SIDE_STROKES else 0)
    if compact:
        width, height = sum(widths) + 5 + room, ID_SIZE + 9
    else:
        width, height = max(widths) + room, 10 + ID_SIZE * 1.25 + LINE_SIZE * 1.2 * (len(lines) - 1)
    return Box(name, item.id, kind, tuple(lines), _tip(item), channel, side, changed, max(46.0, width), height, compact)


def channels_of(topology: Topology) -> dict[str, str]:
    """The channel each component and load is drawn with: its own, else the only one that feeds it at rest.

    Something fed from two channels, or from none, stands outside the clusters.
    """
    own: dict[str, str] = {}
    items: list[Component | Load] = [*topology.components.values(), *topology.loads.values()]
    for item in items:
        if item.channel:
            own[item.id] = item.channel
    upstream: dict[str, list[str]] = {}
    for tail, head in [*topology.links, *topology.load_links()]:
        upstream.setdefault(head, []).append(tail)
    passes = {c.id for c in topology.components.values() if not c.normally_open and c.mated}
    reach: dict[str, set[str]] = {i: {c} for i, c in own.items()}
    changed = True
    while changed:
        changed = False
        for item in items:
            if item.id in own:
                continue
            found: set[str] = set()
            for tail in upstream.get(item.id, ()):
                if tail in passes:
                    found |= reach.get(tail, set())
            if found != reach.get(item.id, set()):
                reach[item.id] = found
                changed = True
    result = dict(own)
    for item in items:
        found = reach.get(item.id, set())
        between = isinstance(item, Component) and item.kind == "jumper"
        if item.id not in own and len(found) == 1 and not between:
            result[item.id] = next(iter(found))
    return result


def _sides(before: Iterable[str], after: Iterable[str] | None) -> dict[str, str]:
    first = list(before)
    if after is None:
        return dict.fromkeys(first, BOTH)
    second = list(after)
    sides = dict.fromkeys(first, BEFORE)
    for i in second:
        sides[i] = BOTH if i in sides else AFTER
    return sides


def _pairs(topology: Topology, needs: bool, functions: bool) -> dict[tuple[str, str, str], None]:
    """Every drawn one-way link as (tail, head, role), in the order of the file, each once."""
    found: dict[tuple[str, str, str], None] = {}
    for tail, head in topology.links:
        found[tail, head, "power"] = None
    for tail, head in topology.load_links():
        found[tail, head, "power"] = None
    shown = topology.components.keys() | topology.loads.keys() | (topology.functions.keys() if functions else set())
    if needs:
        fed: list[Component | Load] = [*topology.components.values(), *topology.loads.values()]
        for item in fed:
            for need in item.needs:
                if need.id in shown:
                    found[need.id, item.id, "need"] = None
        for component in topology.components.values():
            for id_ in component.charged_by or ():
                if id_ in shown:
                    found[id_, component.id, "charge"] = None
            for id_ in component.operated_by:
                if id_ in shown:
                    found[id_, component.id, "command"] = None
    if functions:
        for function in topology.functions.values():
            for member in function.of:
                found[member, function.id, "member"] = None
    return found


def _group_box(name: str, id_: str, title: str, members: list[str], channel: str | None, compact: bool) -> Box:
    lines = (shorten(title, MAX_LINE), f"{len(members)} parts" if len(members) > 1 else "1 part")
    widths = [text_width(lines[0], ID_SIZE, bold=True), text_width(lines[1], LINE_SIZE)]
    tip = f"{title}: {lines[1]}; {', '.join(members[:12])}" + (" ..." if len(members) > 12 else "")
    width, height = (sum(widths) + 29, ID_SIZE + 9) if compact else (max(widths) + 24, 34.0)
    return Box(name, id_, "group", lines, tip, channel, BOTH, False, max(60.0, width), height, compact)


def picture_graph(
    before: Topology,
    after: Topology | None = None,
    needs: bool = False,
    functions: bool = False,
    shown: Container[str] | None = None,
    near_only: bool = False,
) -> PictureGraph:
    """The boxes and lines of ``before``, or of the union of ``before`` and ``after``, in the order of the file.

    With ``shown`` only those ids get a box of their own; the others of each channel are drawn as one box, or with
    ``near_only`` only where such a box has a link to one of the shown.
    """

    def listed(topology: Topology) -> dict[str, Component | Load | Function]:
        items: dict[str, Component | Load | Function] = {**topology.components, **topology.loads}
        if functions:
            items.update(topology.functions)
        return items

    first = listed(before)
    second = listed(after) if after is not None else None
    sides = _sides(first, second)
    channel = channels_of(before)
    if after is not None:
        channel = {**channels_of(after), **channel}
    known = {**before.channels, **(after.channels if after is not None else {})}
    names = list(dict.fromkeys([*known, *sorted(c for c in channel.values() if c not in known)]))

    def label(name: str) -> str:
        return (known[name].label if name in known else None) or name

    members: dict[str, list[str]] = {}
    if shown is not None:
        for id_ in sides:
            if id_ not in shown:
                members.setdefault(channel.get(id_, ""), []).append(id_)
    own = [id_ for id_ in sides if shown is None or id_ in shown]
    compact = len(own) + len(members) > COMPACT_ABOVE
    boxes = []
    for number, id_ in enumerate(own):
        side = sides[id_]
        item = second[id_] if second is not None and side != BEFORE else first[id_]
        changed = side == BOTH and second is not None and second[id_] != first[id_]
        boxes.append(_box(f"n{number}", item, channel.get(id_), side, changed, compact))
    box_of = {b.id: b for b in boxes}
    parted = {channel.get(id_) for id_ in own}
    for name, ids in members.items():
        title = "other parts" if not name else f"rest of {label(name)}" if name in parted else label(name)
        inside = name if name in parted else None
        box = _group_box(f"n{len(boxes)}", f":{name}", title, ids, inside or None, compact)
        boxes.append(box)
        box_of[box.id] = box
        box_of.update(dict.fromkeys(ids, box))

    pairs = _sides(_keys(_pairs(before, needs, functions)),
                   None if after is None else _keys(_pairs(after, needs, functions)))  # fmt: skip
    joined: dict[tuple[str, str, str], str] = {}
    for key, side in pairs.items():
        tail, head, role = key.split("\0")
        ends = box_of[tail].name, box_of[head].name, role
        if ends[0] != ends[1] or not members:
            joined[ends] = side if joined.get(ends, side) == side else BOTH
    lines: list[Line] = []
    done: set[tuple[str, str, str]] = set()
    for ends, side in joined.items():
        tail, head, role = ends
        if ends in done:
            continue
        two_way = role == "power" and joined.get((head, tail, role)) == side
        if two_way:
            done.add((head, tail, role))
        lines.append(Line(f"e{len(lines)}", tail, head, two_way, role, side))

    groups = {f":{name}": tuple(ids) for name, ids in members.items()}
    if near_only and own:
        single = {b.name for b in boxes if b.id not in groups}
        lines = [li for li in lines if li.tail in single or li.head in single]
        near = single | {end for li in lines for end in (li.tail, li.head)}
        boxes = [b for b in boxes if b.name in near]
        groups = {b.id: groups[b.id] for b in boxes if b.id in groups}
    used = {b.channel for b in boxes}
    labels = tuple((n, shorten(label(n), 40)) for n in names if n in used)
    return PictureGraph(tuple(boxes), tuple(lines), labels, box_of, groups)


def _keys(pairs: Iterable[tuple[str, str, str]]) -> list[str]:
    return ["\0".join(p) for p in pairs]
