"""Galvanic domains: what is joined by metal, and how many ground connections each domain has.

An isolated converter ends a domain on both its sides; everything else joins what it links. A load joins its feeds only
where its ``inputs`` are ``common``. A domain is to have exactly one ground: with none it floats, with two or more a
ground fault or the return current flows where nobody expects it (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

from powerfault.model.elements import Link, Topology


@dataclass(frozen=True, slots=True)
class Domain:
    """One galvanic domain: the ids in it (an isolated converter is in two) and those that ground it."""

    members: frozenset[str]
    grounds: tuple[str, ...]


def galvanic_domains(topology: Topology, *, ties_closed: bool) -> list[Domain]:
    """Return the domains with every switch in its normal position, or (``ties_closed``) with all closed and mated."""
    joined: dict[str, str] = {}

    def root(x: str) -> str:
        joined.setdefault(x, x)
        while joined[x] != x:
            joined[x] = joined[joined[x]]
            x = joined[x]
        return x

    def parts(a: str, b: str) -> Link | None:
        """The two sides that a link joins; an isolated converter has a side in (``<``) and a side out (``>``)."""
        ends = []
        for id_, side in ((a, ">"), (b, "<")):
            component = topology.components.get(id_)
            if component is None:
                if not topology.loads[id_].common_inputs:
                    return None
            elif not ties_closed and (component.normally_open or (component.kind == "jumper" and not component.mated)):
                return None
            split = component is not None and component.kind == "converter" and component.isolated
            ends.append(id_ + side if split else id_)
        return ends[0], ends[1]

    for id_, component in topology.components.items():
        for side in ("<", ">") if component.kind == "converter" and component.isolated else ("",):
            root(id_ + side)
    for a, b in (*topology.links, *topology.load_links()):
        pair = parts(a, b)
        if pair is not None:
            joined[root(pair[0])] = root(pair[1])

    groups: dict[str, list[str]] = {}
    for x in joined:
        groups.setdefault(root(x), []).append(x.rstrip("<>"))
    domains = []
    for ids in groups.values():
        members = frozenset(ids)
        grounds = tuple(c.id for c in topology.components.values() if c.id in members and c.grounded)
        domains.append(Domain(members, grounds))
    return domains


@dataclass(frozen=True, slots=True)
class GroundFinding:
    """A domain of the system after a proposal that has other than one ground, where before it was otherwise."""

    ties_closed: bool
    grounds: tuple[str, ...]
    buses: tuple[str, ...]

    def __str__(self) -> str:
        when = "with the ties closed" if self.ties_closed else "with every switch in its normal position"
        buses = ", ".join(self.buses)
        if not self.grounds:
            return f"{when}, the galvanic domain of {buses} has no ground: it floats"
        grounds = f"{len(self.grounds)} grounds ({', '.join(self.grounds)})"
        return f"{when}, the galvanic domain of {buses} has {grounds} instead of one"


def ground_findings(before: Topology, after: Topology) -> list[GroundFinding]:
    """Return the domains with a bus that have other than one ground after, and did not look just so before.

    Empty where no component says that it is ``grounded``: then nothing is known of earthing.
    """
    if not any(c.grounded for t in (before, after) for c in t.components.values()):
        return []
    known = {
        (closed, d.grounds, frozenset(b for b in d.members if b in before.components))
        for closed in (False, True)
        for d in galvanic_domains(before, ties_closed=closed)
    }
    findings: list[GroundFinding] = []
    for closed in (False, True):
        for domain in galvanic_domains(after, ties_closed=closed):
            buses = tuple(i for i, c in after.components.items() if i in domain.members and c.kind == "bus")
            old = frozenset(b for b in domain.members if b in before.components)
            if buses and len(domain.grounds) != 1 and (closed, domain.grounds, old) not in known:
                finding = GroundFinding(closed, domain.grounds, buses)
                if not any(f.grounds == finding.grounds and f.buses == finding.buses for f in findings):
                    findings.append(finding)
    return findings
