"""Is the file a valid topology? Reads it whole, with all problems at once, into a frozen :class:`Topology`.

The text becomes plain data with positions (``yaml_lines``); each section is read by the table of fields (``values``,
``sections``); then the whole is checked (``references``, ``voltages``) and the proposals are checked as far as that is
possible without applying them (``proposals``).
"""

from __future__ import annotations

import os
from collections.abc import Collection
from itertools import pairwise
from typing import Any

from powerfault.errors import ModelError, Problem
from powerfault.model.elements import (
    DEFAULT_PHASE,
    OUTCOMES,
    STAGES,
    Channel,
    Expectation,
    Phase,
    Topology,
)
from powerfault.model.events import event_fault, named_twice, split_event
from powerfault.model.expansion import expand
from powerfault.model.fields import CHANNEL, DEFAULTS, EXPECT, LATER, PHASE, STAGE_MINUTES, STANDING, TOP
from powerfault.model.places import Findings, any_of, describe, in_order, problem_at, shorten
from powerfault.model.proposals import proposal_flaws, read_proposals
from powerfault.model.references import check_topology
from powerfault.model.sections import Elements, origins_of, read_sections
from powerfault.model.values import Values
from powerfault.model.warnings import Waiver, topology_warnings, waivers
from powerfault.model.yaml_lines import Document, decode, parse_yaml, read_bytes

__all__ = [
    "Waiver",
    "expanded_data",
    "load_topology",
    "problem_at",
    "read_topology_text",
    "topology_warnings",
    "waivers",
]

FORMAT_VERSION = 1


def load_topology(path: str | os.PathLike[str]) -> Topology:
    """Return the topology in the file at ``path`` (``-``: standard input).

    Raises :class:`ModelError` with every problem found, each with file, line and column.
    """
    file, content = read_bytes(path)
    return _read(content, decode(content, file), file)


def read_topology_text(text: str, file: str = "<text>") -> Topology:
    """Return the topology written in ``text``; ``file`` is the name to show in problems.

    >>> topology = read_topology_text("powerfault: 1\\ncomponents: {PV: {kind: source}}\\nloads: {FAN: {fed_by: [PV]}}")
    >>> topology.loads["FAN"].fed_by
    ('PV',)
    """
    return _read(text.encode("utf-8", "surrogatepass"), text, file)


def _read(content: bytes, text: str, file: str) -> Topology:
    document = parse_yaml(text, file)
    return read_document(document, expand(document, content))


def read_document(document: Document, content: bytes) -> Topology:
    """Return the topology that ``document`` holds, with nothing left in it to expand; ``content`` is its bytes."""
    return _Reader(document).topology(content)


def expanded_data(path: str | os.PathLike[str]) -> tuple[dict[str, Any], Document]:
    """Return the plain data of the file at ``path``, with what it includes and the copies of its patterns put in.

    Raises :class:`ModelError` for a file that is no valid topology.
    """
    file, content = read_bytes(path)
    text = decode(content, file)
    _read(content, text, file)
    document = parse_yaml(text, file)
    expand(document, content)
    return document.data, document


class _Reader:
    def __init__(self, document: Document) -> None:
        self.document = document
        self.findings = Findings(document.file, document.values, document.keys)
        self.values = Values(self.findings, (DEFAULT_PHASE,))

    def topology(self, content: bytes) -> Topology:
        findings, values, data = self.findings, self.values, self.document.data
        if data is None:
            raise ModelError([Problem(findings.file, 1, 1, "", "is empty; a topology begins with 'powerfault: 1' "
                                      "(write a first one with: powerfault starter FILE)")])  # fmt: skip
        if not isinstance(data, dict):
            found = describe(data)
            raise ModelError([findings.place("", f"expected a topology (a mapping of fields), found {found}")])
        top = values.fields("", data, TOP, "a topology")
        version = top.get("powerfault")
        if version is not None and version != FORMAT_VERSION:
            found = describe(version)
            findings.problem("powerfault", f"expected {FORMAT_VERSION}, the only format version read, found {found}")
        phases = self._phases(top.get("phases"))
        values.phases = tuple(phase.name for phase in phases)
        elements = read_sections(values, "", {k: top.get(k) for k in ("components", "loads", "functions", "feeds")})
        findings.origins = origins_of(elements.links)
        proposals = read_proposals(values, top.get("proposals") or {})
        topology = Topology(
            name=top.get("name") or os.path.splitext(os.path.basename(findings.file))[0],
            about=top.get("about"),
            phases=phases,
            channels=self._channels(top.get("channels"), elements),
            components=elements.components,
            loads=elements.loads,
            functions=elements.functions,
            links=tuple(elements.links),
            standing=tuple(map(split_event, self._standing(top.get("standing")))),
            proposals=proposals,
            default_rides_through=self._default_rides_through(top.get("defaults")),
            stage_minutes=self._stage_minutes(top.get("stage_minutes")),
            later={name: top[name] for name in LATER if name in top},
            file=findings.file,
            content=content,
            positions=self.document.values,
            origins=findings.origins,
        )
        self._check(topology, elements)
        expect = self._expectations(top.get("expect"), topology, elements.broken)
        findings.raise_any()
        findings.notices.extend(self.document.notices)
        object.__setattr__(topology, "expect", expect)
        object.__setattr__(topology, "notices", tuple(in_order(findings.notices)))
        return topology

    def _check(self, topology: Topology, elements: Elements) -> None:
        suggest = self.findings.suggest
        for flaw in check_topology(topology, elements.broken, suggest):
            self.findings.problem(flaw.path, flaw.message)
        for flaw in proposal_flaws(topology, elements.broken, self.values):
            self.findings.problem(flaw.path, flaw.message)

    def _phases(self, data: Any) -> tuple[Phase, ...]:
        phases = []
        for name, fields in (data or {}).items():
            path = f"phases.{name}"
            if self._name(path, name):
                read = self.values.fields(path, fields, PHASE, "a phase")
                phases.append(Phase(name, read.get("duration_h")))
        return tuple(phases) or (Phase(DEFAULT_PHASE),)

    def _channels(self, data: Any, elements: Elements) -> dict[str, Channel]:
        if data is None:
            # A file that declares none has those that it names, in the order in which it names them.
            named = [c.channel for c in elements.components.values()] + [x.channel for x in elements.loads.values()]
            return {name: Channel(name) for name in dict.fromkeys(named) if name is not None}
        channels = {}
        for name, fields in (data or {}).items():
            path = f"channels.{name}"
            if self._name(path, name):
                read = self.values.fields(path, fields, CHANNEL, "a channel")
                channels[name] = Channel(name, read.get("label"))
        return channels

    def _name(self, path: str, name: str) -> bool:
        """Names of phases and channels are freer than ids: a channel may well be called 1A."""
        if name.strip() and name == name.strip() and len(name) <= 200 and name.isprintable():
            return True
        message = f"{shorten(name)!r} is no name: 1 to 200 printable characters in one line"
        self.findings.problem(path, message, key=True)
        return False

    def _standing(self, data: Any) -> tuple[str, ...]:
        events: tuple[str, ...] = self.values.fields("standing", data, STANDING, "standing").get("failed", ())
        return events

    def _default_rides_through(self, data: Any) -> str:
        read = self.values.fields("defaults", data, DEFAULTS, "defaults")
        return str(read.get("rides_through", STAGES[0]))

    def _stage_minutes(self, data: Any) -> dict[str, float]:
        minutes: dict[str, float] = self.values.fields("stage_minutes", data, STAGE_MINUTES, "stage_minutes")
        given = [stage for stage in STAGES[1:] if stage in minutes]
        for before, after in pairwise(given):
            if minutes[after] <= minutes[before]:
                message = f"minutes rise from stage to stage, but {after} ({minutes[after]:g}) is not above " \
                          f"{before} ({minutes[before]:g})"  # fmt: skip
                self.findings.problem(f"stage_minutes.{after}", message)
        return {stage: minutes[stage] for stage in given}

    def _expectations(self, data: Any, topology: Topology, broken: Collection[str]) -> tuple[Expectation, ...]:
        if data is None:
            return ()
        if not isinstance(data, list):
            self.findings.problem("expect", f"expected a list of {{failed, with, outcomes}}, found {describe(data)}")
            return ()
        found = (self._expectation(f"expect[{number}]", item, topology, broken) for number, item in enumerate(data))
        return tuple(expectation for expectation in found if expectation is not None)

    def _expectation(self, path: str, data: Any, topology: Topology, broken: Collection[str]) -> Expectation | None:
        findings, suggest = self.findings, self.findings.suggest
        if data is None:
            findings.problem(path, "expected {failed, with, outcomes}, found nothing")
            return None
        read = self.values.fields(path, data, EXPECT, "an expectation")
        events = tuple(split_event(text) for text in read.get("failed", ()))
        proposals: tuple[str, ...] = read.get("with", ())
        for number, name in enumerate(proposals):
            if name not in topology.proposals:
                hint = suggest(name, topology.proposals)
                findings.problem(f"{path}.with[{number}]", f"unknown proposal {shorten(name)!r}{hint}")
        if not proposals:
            # With proposals the events are checked once they are applied: they may name what a proposal adds.
            for number, event in enumerate(events):
                fault = event_fault(topology, event, suggest)
                if fault and event.id not in broken:
                    findings.problem(f"{path}.failed[{number}]", fault[0])
        twice = named_twice(events)
        if twice is not None:
            findings.problem(f"{path}.failed", f"{twice} has two events; a component has at most one in a case")
        outcomes = {name: outcome for name, outcome in read.get("outcomes", {}).items() if outcome is not None}
        for name, outcome in outcomes.items():
            here = f"{path}.outcomes.{name}"
            if outcome not in OUTCOMES or not isinstance(outcome, str):
                hint = suggest(outcome, OUTCOMES) if isinstance(outcome, str) else ""
                findings.problem(here, f"expected {any_of(OUTCOMES)}, found {describe(outcome)}{hint}")
            if not proposals and name not in topology.loads and name not in topology.functions:
                if name in topology.components:
                    findings.problem(here, f"{name} is a component; only loads and functions have outcomes", key=True)
                else:
                    hint = suggest(name, {**topology.loads, **topology.functions})
                    findings.problem(here, f"{shorten(name)!r} is no load or function{hint}", key=True)
        line, column = self.document.values.get(path, (0, 0))
        return Expectation(events, proposals, outcomes, line, column)
