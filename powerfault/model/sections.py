"""How do the sections of a file become elements? Components, loads, functions and feed lines.

The file itself and the ``add`` of a proposal have the same sections, so both are read here.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from powerfault.model.elements import KINDS, Component, Function, Link, Load
from powerfault.model.feeds import read_feed
from powerfault.model.fields import COMPONENT, FUNCTION, LOAD
from powerfault.model.places import describe, link_path
from powerfault.model.values import Values

SECTIONS = {"components": COMPONENT, "loads": LOAD, "functions": FUNCTION}
NOUNS = {"components": "a component", "loads": "a load", "functions": "a function"}


class Elements:
    """What the sections of a file, or of the ``add`` of a proposal, hold.

    ``links`` gives each one-way link the path of the feed line that first spells it; ``broken`` ids could not be read.
    """

    def __init__(self) -> None:
        self.components: dict[str, Component] = {}
        self.loads: dict[str, Load] = {}
        self.functions: dict[str, Function] = {}
        self.links: dict[Link, str] = {}
        self.broken: set[str] = set()

    def ids(self) -> set[str]:
        return {*self.components, *self.loads, *self.functions, *self.broken}


def read_sections(values: Values, root: str, data: Mapping[str, Any], taken: Collection[str] = ()) -> Elements:
    """Read the sections of the mapping ``data`` at the path ``root``; ids in ``taken`` may not be given again."""
    elements = Elements()
    prefix = f"{root}." if root else ""
    seen: dict[str, str] = {}
    for section in SECTIONS:
        path = f"{prefix}{section}"
        for id_, fields in values.mapping(path, data.get(section), f"{section} by id").items():
            here = f"{path}.{id_}"
            if not values.id(here, id_):
                continue
            if id_ in seen:
                values.findings.problem(here, f"{id_} is also under {seen[id_]}; an id is used once", key=True)
            elif id_ in taken:
                values.findings.problem(here, f"there is already a {id_}; an id is used once", key=True)
            else:
                seen[id_] = section
                _read_element(values, here, section, id_, fields, elements)
    read_links(values, f"{prefix}feeds", data.get("feeds"), elements.links, notice=True)
    return elements


def _read_element(values: Values, path: str, section: str, id_: str, fields: Any, elements: Elements) -> None:
    what = NOUNS[section]
    if section == "components":
        kind = fields.get("kind") if isinstance(fields, dict) else None
        read = values.fields(path, fields, COMPONENT, what, kind=kind if kind in KINDS else None)
        if "kind" in read:
            elements.components[id_] = Component(id=id_, **read)
        else:
            elements.broken.add(id_)
    elif section == "loads":
        elements.loads[id_] = Load(id=id_, **values.fields(path, fields, LOAD, what))
    else:
        elements.functions[id_] = Function(id=id_, **values.fields(path, fields, FUNCTION, what))


def read_links(values: Values, path: str, lines: Any, links: dict[Link, str], notice: bool = False) -> None:
    """Add the one-way links that feed ``lines`` spell to ``links``, each with the path of its line."""
    findings = values.findings
    if lines is None:
        return
    if not isinstance(lines, list):
        hint = f"; put it in brackets: [{lines}]" if isinstance(lines, str) and len(lines) < 60 else ""
        findings.problem(path, f"expected a list of feed lines, found {describe(lines)}{hint}")
        return
    for number, line in enumerate(lines):
        here = f"{path}[{number}]"
        if line is None:
            continue  # was reported where the list was read
        if not isinstance(line, str):
            findings.problem(here, f"expected a feed line such as A -> B, found {describe(line)}")
            continue
        spelt, faults = read_feed(line)
        for fault in faults:
            findings.problem(here, fault)
        for link in spelt:
            if link not in links:
                links[link] = here
            elif notice:
                same = "in this line" if links[link] == here else f"first in {links[link]}"
                findings.notice(here, f"the link {link[0]} -> {link[1]} is given twice ({same}); it counts once")


def origins_of(links: Mapping[Link, str]) -> dict[str, str]:
    """The origins by which a problem at a single link is shown at its feed line."""
    return {link_path(link): path for link, path in links.items()}
