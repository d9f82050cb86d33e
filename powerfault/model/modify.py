"""What is the system once proposals are applied? Topology and proposals to a new, wholly checked topology.

A proposal is applied as remove (feeds, then components, loads, functions), then add, then set; several in the order
given. Then the whole is checked as a file is, and every problem is shown at the line that brought it about.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator
from typing import Any

from powerfault.errors import ModelError, Problem, RequestError, nearest
from powerfault.model.elements import Component, Function, Link, Load, Proposal, QuestionChange, Topology
from powerfault.model.fields import QUESTION_FIELDS
from powerfault.model.places import Findings, Flaw, any_of, in_order, link_path, shorten, written_at
from powerfault.model.references import check_topology, kind_flaws
from powerfault.model.sections import NOUNS, SECTIONS, read_links, read_sections
from powerfault.model.values import Values

Element = Component | Load | Function


def apply_proposals(topology: Topology, ids: Iterable[str]) -> Topology:
    """Return ``topology`` with the proposals ``ids`` applied in the order given.

    Raises :class:`RequestError` for an unknown, repeated or already applied proposal, and :class:`ModelError` with
    all problems if a proposal names what is not there or the result is no valid topology.
    """
    ids = tuple(ids)
    for number, id_ in enumerate(ids):
        if id_ not in topology.proposals:
            known = ", ".join(list(topology.proposals)[:20]) or "none"
            hint = nearest(id_, topology.proposals) or f"; the file has: {known}"
            raise RequestError(f"unknown proposal {shorten(id_)!r}{hint}")
        if id_ in ids[:number] or id_ in topology.applied:
            raise RequestError(f"the proposal {id_} is asked for twice; name each once")
    if not ids:
        return topology
    result, flaws, findings = try_proposals(topology, ids)
    for flaw in flaws:
        findings.problem(flaw.path, flaw.message)
    if findings.problems:
        raise ModelError(in_order(findings.problems))
    return result


def try_proposals(topology: Topology, ids: Iterable[str]) -> tuple[Topology, list[Flaw], Findings]:
    """Apply known proposals whatever is wrong; return the result, its flaws, and the findings that place them."""
    change = _Change(topology)
    for id_ in ids:
        change.apply(topology.proposals[id_])
    result = change.result()
    flaws = change.flaws
    flaws.extend(map(change.blame, check_topology(result, change.broken, change.findings.suggest)))
    return result, flaws, change.findings


def absence(id_: str) -> str:
    """What a proposal lacks that adds ``id_`` where it is already: only one that removes it first provides that."""
    return f"no {id_}"


def check_each(topology: Topology) -> tuple[list[Problem], list[Problem], dict[tuple[str, ...], Topology]]:
    """Apply every proposal alone; return the problems found, the warnings, and the topologies made.

    A proposal that lacks only what another one adds (or removes) gets a warning that names the other, and is applied
    after it to find what else is wrong. The cost is that of a whole check for each proposal.
    """
    problems: list[Problem] = []
    warnings: list[Problem] = []
    made: dict[tuple[str, ...], Topology] = {}
    providers = _providers(topology)
    for id_ in topology.proposals:
        ids, lacking = [id_], ""
        while True:
            result, flaws, findings = try_proposals(topology, ids)
            wanted = {flaw.missing: providers[flaw.missing] for flaw in flaws
                      if flaw.missing in providers and not set(ids) & set(providers[flaw.missing])}  # fmt: skip
            if not wanted:
                break
            lacking = lacking or shorten(next(iter(wanted)) or "")
            ids = [*dict.fromkeys(names[0] for names in wanted.values()), *ids]
        if lacking:
            others = any_of(ids[:-1], "and")
            text = f"can be applied only together with {others}, and after it: alone, it finds {_lack(lacking)}"
            warnings.append(findings.place(f"proposals.{id_}", text))
        for flaw in flaws:
            findings.problem(flaw.path, flaw.message)
        problems.extend(findings.problems)
        if not findings.problems:
            made[tuple(ids)] = result
    return problems, warnings, made


def _lack(missing: str) -> str:
    return f"{missing[3:]} already there" if missing.startswith("no ") else f"no {missing}"


def _providers(topology: Topology) -> dict[str, list[str]]:
    """The proposals that provide each id or link (by adding it) or its absence (by removing it)."""
    providers: dict[str, list[str]] = {}
    for proposal in topology.proposals.values():
        spelt: dict[Link, str] = {}
        read_links(Values(Findings("", {}), ()), "", proposal.add.get("feeds"), spelt)
        added = [id_ for section in SECTIONS for id_ in proposal.add.get(section) or ()]
        removed = [id_ for section in SECTIONS for id_ in proposal.remove.get(section, ())]
        for name in [*added, *(f"{a} -> {b}" for a, b in spelt), *map(absence, removed)]:
            providers.setdefault(name, []).append(proposal.id)
    return providers


class _Change:
    """A topology being changed: its parts as dicts, and where each changed part was written."""

    def __init__(self, topology: Topology) -> None:
        self.topology = topology
        self.parts: dict[str, dict[str, Any]] = {
            "components": dict(topology.components),
            "loads": dict(topology.loads),
            "functions": dict(topology.functions),
        }
        self.links: dict[Link, None] = dict.fromkeys(topology.links)
        self.origins = dict(topology.origins)
        self.added = set(topology.added)
        self.applied = list(topology.applied)
        self.questions = list(topology.question_changes)
        self.removed: dict[str, str] = {}
        """The path at which each id was removed."""
        self.touched: dict[str, str] = {}
        """The path at which fields of each id were last set."""
        self.broken: set[str] = set()
        self.flaws: list[Flaw] = []
        self.findings = Findings(topology.file, topology.positions)
        self.findings.origins = self.origins
        self.values = Values(self.findings, topology.phase_names)

    def result(self) -> Topology:
        return dataclasses.replace(
            self.topology, components=self.parts["components"], loads=self.parts["loads"],
            functions=self.parts["functions"], links=tuple(self.links), applied=tuple(self.applied),
            added=frozenset(self.added), question_changes=tuple(self.questions), origins=self.origins,
            notices=(*self.topology.notices, *self.findings.notices),
        )  # fmt: skip

    def apply(self, proposal: Proposal) -> None:
        path = f"proposals.{proposal.id}"
        self.applied.append(proposal.id)
        self._remove_links(f"{path}.remove.feeds", proposal)
        for section in SECTIONS:
            for number, id_ in enumerate(proposal.remove.get(section, ())):
                self._remove(f"{path}.remove.{section}[{number}]", section, id_)
        self._add(f"{path}.add", proposal)
        for target, changes in proposal.set.items():
            self._set(f"{path}.set.{target}", proposal.id, target, changes)

    def blame(self, flaw: Flaw) -> Flaw:
        """Return ``flaw`` of the result at the line of the proposal that brought it about."""
        where = written_at(flaw.path, self.origins)
        removed_at = self.removed.get(flaw.missing or "")
        if removed_at:
            return Flaw(removed_at, f"removes {flaw.missing}, which {where} still names; change that too, with 'set'")
        if where.startswith("proposals."):
            return flaw
        # The line that breaks a rule is as it was; what was set on an element involved made it break.
        section, _, rest = flaw.path.partition(".")
        if section == "links":
            ids = [*flaw.ids, *rest.split(" -> ")]
        elif section == "standing":
            ids = [event.id for event in self.topology.standing]
        else:
            ids = [id_ for id_ in self.touched if rest == id_ or rest.startswith(f"{id_}.")]
        set_at = next((self.touched[id_] for id_ in ids if id_ in self.touched), f"proposals.{self.applied[-1]}")
        return Flaw(set_at, f"makes {where} wrong: {flaw.message}", flaw.missing)

    def _known(self) -> Iterator[str]:
        for part in self.parts.values():
            yield from part

    def _section_of(self, id_: str) -> str | None:
        return next((section for section, part in self.parts.items() if id_ in part), None)

    def _remove_links(self, path: str, proposal: Proposal) -> None:
        spelt: dict[Link, str] = {}
        read_links(self.values, path, proposal.remove.get("feeds"), spelt)
        for link, line in spelt.items():
            if link in self.links:
                del self.links[link]
                self.origins.pop(link_path(link), None)
                continue
            hint = ""
            if link[1] in self.parts["loads"] and link[0] in self.parts["loads"][link[1]].fed_by:
                hint = f"; {link[1]} is a load: replace its fed_by with 'set'"
            elif link[::-1] in self.links:
                hint = f"; there is {link[1]} -> {link[0]}"
            text = f"{link[0]} -> {link[1]}"
            self.flaws.append(Flaw(line, f"cannot remove {text}: there is no such link{hint}", text))

    def _remove(self, path: str, section: str, id_: str) -> None:
        part = self.parts[section]
        if id_ not in part:
            other = self._section_of(id_)
            if other:
                self.flaws.append(Flaw(path, f"{id_} is {NOUNS[other]}; remove it under {other}"))
            elif id_ in self.removed:
                self.flaws.append(Flaw(path, f"cannot remove {id_}: removed already by {self.removed[id_]}"))
            else:
                hint = self.findings.suggest(id_, part)
                self.flaws.append(Flaw(path, f"cannot remove {shorten(id_)!r}: there is none{hint}", id_))
            return
        del part[id_]
        self.added.discard(id_)
        self.removed[id_] = path
        prefix = f"{section}.{id_}"
        for known in [known for known in self.origins if known == prefix or known.startswith(prefix + ".")]:
            del self.origins[known]
        if section != "components":
            return
        for link in [link for link in self.links if id_ in link]:
            del self.links[link]
            self.origins.pop(link_path(link), None)
        for load in list(self.parts["loads"].values()):
            if id_ in load.fed_by:
                left = tuple(source for source in load.fed_by if source != id_)
                self.parts["loads"][load.id] = dataclasses.replace(load, fed_by=left)

    def _add(self, path: str, proposal: Proposal) -> None:
        elements = read_sections(self.values, path, proposal.add)
        known = set(self._known())
        for section in SECTIONS:
            for id_, element in getattr(elements, section).items():
                if id_ in known:
                    message = f"there is already a {id_}; an id is used once"
                    self.flaws.append(Flaw(f"{path}.{section}.{id_}", message, absence(id_)))
                    continue
                self.parts[section][id_] = element
                self.origins[f"{section}.{id_}"] = f"{path}.{section}.{id_}"
                self.added.add(id_)
                self.removed.pop(id_, None)
        self.broken |= elements.broken
        for link, line in elements.links.items():
            if link in self.links:
                text = f"the link {link[0]} -> {link[1]} is already there; it counts once"
                self.findings.notice(line, text)
            else:
                self.links[link] = None
                self.origins[link_path(link)] = line

    def _set(self, path: str, proposal: str, target: str, changes: dict[str, Any] | Any) -> None:
        section = self._section_of(target)
        if section is None:
            if target in self.removed:
                self.flaws.append(Flaw(path, f"cannot set {target}: removed by {self.removed[target]}"))
            else:
                hint = self.findings.suggest(target, list(self._known()))
                self.flaws.append(Flaw(path, f"cannot set {shorten(target)!r}: there is none{hint}", target))
            return
        self.touched[target] = path
        before: Element = self.parts[section][target]
        kind = changes.get("kind") or getattr(before, "kind", None)
        table = SECTIONS[section]
        read = self.values.fields(path, changes, table, NOUNS[section], kind=kind, partial=True)
        fields = type(before).__dataclass_fields__
        for name, value in changes.items():
            if value is None and name in table and not table[name].required:
                read[name] = fields[name].default
        after = dataclasses.replace(before, **read)
        self.parts[section][target] = after
        for name in read:
            self.origins[f"{section}.{target}.{name}"] = f"{path}.{name}"
            if name in QUESTION_FIELDS:
                change = QuestionChange(proposal, target, name, getattr(before, name), getattr(after, name))
                self.questions.append(change)
        if isinstance(after, Component) and "kind" in read:
            self.flaws.extend(map(self.blame, kind_flaws(f"components.{target}", after)))
