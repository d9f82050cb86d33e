"""Are the proposals well formed? What can be said of a proposal before it is applied to anything.

Fields, types, ranges and the grammar of its feed lines; and that every id it names is in the file or is added by some
proposal. Whether it can be applied is for ``modify`` to say.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

from powerfault.model.elements import Component, Function, Link, Load, Proposal, Topology
from powerfault.model.fields import ADD, PROPOSAL, REMOVE
from powerfault.model.places import Flaw, describe, shorten
from powerfault.model.references import known_ids, references
from powerfault.model.sections import NOUNS, SECTIONS, Elements, read_links, read_sections
from powerfault.model.values import Values

_OWN_FIELDS = ("label", "about", "crew_minutes", "add", "remove", "set")


def read_proposals(values: Values, data: Mapping[str, Any]) -> dict[str, Proposal]:
    """Return the proposals under ``data``; what they add, remove and set stays plain data until it is applied."""
    proposals: dict[str, Proposal] = {}
    for id_, fields in data.items():
        path = f"proposals.{id_}"
        if not values.id(path, id_):
            continue
        read = values.fields(path, fields, PROPOSAL, "a proposal")
        add = values.fields(f"{path}.add", read.get("add"), ADD, "'add' of a proposal")
        remove = values.fields(f"{path}.remove", read.get("remove"), REMOVE, "'remove' of a proposal")
        sets: dict[str, dict[str, Any]] = {}
        for target, changes in (read.get("set") or {}).items():
            if changes is None or isinstance(changes, dict):
                sets[target] = changes or {}
            else:
                message = f"expected a mapping of the fields to replace, found {describe(changes)}"
                values.findings.problem(f"{path}.set.{target}", message)
        proposals[id_] = Proposal(
            id=id_, label=read.get("label"), about=read.get("about"), crew_minutes=read.get("crew_minutes"),
            add=add, remove=remove, set=sets,
            extra={name: value for name, value in read.items() if name not in _OWN_FIELDS},
        )  # fmt: skip
    return proposals


class _Added:
    """What all proposals of a file bring in, by proposal."""

    def __init__(self) -> None:
        self.elements: dict[str, Elements] = {}

    def ids(self) -> set[str]:
        return {id_ for elements in self.elements.values() for id_ in elements.ids()}

    def links(self) -> set[Link]:
        return {link for elements in self.elements.values() for link in elements.links}

    def section_of(self, id_: str) -> tuple[str, str | None] | None:
        """The section, and for a component the kind, under which some proposal adds ``id_``."""
        for elements in self.elements.values():
            if id_ in elements.components:
                return "components", elements.components[id_].kind
            for section in ("loads", "functions"):
                if id_ in getattr(elements, section):
                    return section, None
        return None


def proposal_flaws(topology: Topology, broken: Collection[str], values: Values) -> Iterator[Flaw]:
    """Report through ``values`` what is malformed in each proposal, and yield ids that no part of the file knows."""
    added = _Added()
    base = known_ids(topology, broken)
    removed = {id_ for proposal in topology.proposals.values() for s in SECTIONS for id_ in proposal.remove.get(s, ())}
    for proposal in topology.proposals.values():
        path = f"proposals.{proposal.id}.add"
        added.elements[proposal.id] = read_sections(values, path, proposal.add, base - removed)
    known = base | added.ids()
    links = set(topology.links) | added.links()
    suggest = values.findings.suggest
    for proposal in topology.proposals.values():
        path = f"proposals.{proposal.id}"
        elements = added.elements[proposal.id]
        for section in SECTIONS:
            for element in getattr(elements, section).values():
                yield from _unknown(f"{path}.add.{section}.{element.id}", element, known, values)
        for link, line in elements.links.items():
            for end in link:
                if end not in known:
                    yield Flaw(line, f"{shorten(end)!r} is no component{suggest(end, known)}", end)
        yield from _remove_flaws(f"{path}.remove", proposal, topology, known, links, values)
        yield from _set_flaws(f"{path}.set", proposal, topology, broken, added, known, values)


def _unknown(path: str, element: Component | Load | Function, known: Collection[str], values: Values) -> Iterator[Flaw]:
    suggest = values.findings.suggest
    for where, id_ in references(element):
        if id_ not in known:
            hint = suggest(id_, known)
            yield Flaw(f"{path}.{where}", f"{shorten(id_)!r} is no component, load or function{hint}", id_)
    if isinstance(element, Load):
        for number, id_ in enumerate(element.fed_by):
            if id_ not in known:
                yield Flaw(f"{path}.fed_by[{number}]", f"{shorten(id_)!r} is no component{suggest(id_, known)}", id_)


def _remove_flaws(
    path: str, proposal: Proposal, topology: Topology, known: Collection[str], links: Collection[Link], values: Values
) -> Iterator[Flaw]:
    spelt: dict[Link, str] = {}
    read_links(values, f"{path}.feeds", proposal.remove.get("feeds"), spelt)
    for link, line in spelt.items():
        if link not in links:
            load = topology.loads.get(link[1])
            fed = f"; {link[1]} is a load: replace its fed_by with 'set'" if load and link[0] in load.fed_by else ""
            missing = [end for end in link if end not in known]
            why = f"{shorten(missing[0])!r} is no component" if missing else f"there is no such link{fed}"
            yield Flaw(line, f"cannot remove {link[0]} -> {link[1]}: {why}", f"{link[0]} -> {link[1]}")
    for section in SECTIONS:
        for number, id_ in enumerate(proposal.remove.get(section, ())):
            if id_ not in known:
                hint = values.findings.suggest(id_, known)
                yield Flaw(f"{path}.{section}[{number}]", f"cannot remove {shorten(id_)!r}: there is none{hint}", id_)


def _set_flaws(
    path: str, proposal: Proposal, topology: Topology, broken: Collection[str], added: _Added,
    known: Collection[str], values: Values,
) -> Iterator[Flaw]:  # fmt: skip
    for target, changes in proposal.set.items():
        here = f"{path}.{target}"
        found = added.section_of(target)
        if target in topology.components:
            found = "components", topology.components[target].kind
        elif target in topology.loads:
            found = "loads", None
        elif target in topology.functions:
            found = "functions", None
        if found is None:
            if target not in broken and target not in known:
                hint = values.findings.suggest(target, known)
                yield Flaw(here, f"cannot set {shorten(target)!r}: there is none{hint}", target)
            continue
        section, kind = found
        kind = changes["kind"] if isinstance(changes.get("kind"), str) else kind
        read = values.fields(here, changes, SECTIONS[section], NOUNS[section], kind=kind, partial=True)
        for name in ("needs", "operated_by", "charged_by", "of", "fed_by"):
            for number, item in enumerate(read.get(name, ())):
                id_ = item if isinstance(item, str) else item.id
                if id_ not in known:
                    hint = values.findings.suggest(id_, known)
                    yield Flaw(f"{here}.{name}[{number}]", f"{shorten(id_)!r} is unknown{hint}", id_)
