"""What does a plan make sure of before a step? Devices open and tagged, and the places to prove dead.

Only what the plan itself puts before a step counts; what merely happens earlier by the clock does not.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from powerfault.fitting.isolation.open_points import JOINING_KINDS, WorkSite
from powerfault.fitting.outing.plan import ON_DEVICES, Step
from powerfault.fitting.outing.state import Course
from powerfault.model.elements import Topology


class Certain:
    """What the plan itself makes sure of when a step begins: devices open, and tagged besides."""

    def __init__(
        self, steps: Mapping[str, Step], course: Course, before: Mapping[str, frozenset[str]], step: Step
    ) -> None:
        self.steps, self.course, self.before = steps, course, before
        self.first = before[step.id]
        self.step = step
        devices = {i for s in steps.values() if s.do in ON_DEVICES for i in s.what}
        self.opened: frozenset[str] = frozenset()
        self.tagged: frozenset[str] = frozenset()
        self.opening: dict[str, str] = {}
        self.tagging: dict[str, str] = {}
        for id_ in sorted(devices):
            self._judge(id_)

    def _steps(self, do: str, id_: str) -> list[Step]:
        return [s for s in self.steps.values() if s.do == do and id_ in s.what]

    def _not_after(self, step: Step) -> bool:
        """Whether ``step`` could come before or during the contact: the plan does not put it after it."""
        return self.step.id not in self.before[step.id]

    def _judge(self, id_: str) -> None:
        before, course = self.before, self.course
        moves = [s for s in self.steps.values() if id_ in s.what]
        closes = [c for c in moves if course.joins(c, id_) and self._not_after(c)]
        opens = [o for o in moves if course.parts(o, id_) and o.id in self.first]
        last: Step | None = next((o for o in opens if all(c.id in before[o.id] for c in closes)), None)
        stands_open = course.stands_parted(id_)
        if last is None and (closes or not stands_open):
            return
        self.opened |= {id_}
        if last is not None:
            self.opening[id_] = last.id
        untags = [u for u in self._steps("untag", id_) if self._not_after(u)]
        for tag in self._steps("tag", id_):
            in_order = tag.id in self.first and (last is None or last.id in before[tag.id])
            if in_order and all(u.id in before[tag.id] for u in untags):
                self.tagged |= {id_}
                self.tagging[id_] = tag.id
                return


def fewest_open(site: WorkSite, phases: Iterable[str]) -> dict[str, int]:
    """The fewest open devices between each source and any end."""
    found: dict[str, int] = {}
    for p in site.weakest_paths((), phases):
        found[p.source] = min(p.count, found.get(p.source, p.count))
    return found


def both_ends(system: Topology, contacts: Iterable[str]) -> tuple[str, ...]:
    """The places to prove dead for work on ``contacts``: every connector joined to them by jumpers and cables, or
    what a jumper without connectors plugs into (itself, where that is a switch or valve); else the contacts themselves.
    """
    neighbours: dict[str, set[str]] = {}
    for a, b in system.links:
        neighbours.setdefault(a, set()).add(b)
        neighbours.setdefault(b, set()).add(a)
    ends: dict[str, None] = {}
    for contact in contacts:
        group, waiting = {contact}, [contact]
        while waiting:
            v = waiting.pop()
            for w in neighbours.get(v, ()):
                part = system.components.get(w)
                if w not in group and part is not None and part.kind in JOINING_KINDS:
                    group.add(w)
                    waiting.append(w)
        joined = [i for i in system.components if i in group]
        connectors = [i for i in joined if system.components[i].kind == "connector"]
        jumpers = [i for i in joined if system.components[i].is_jumper]
        if len(connectors) < 2 and jumpers:
            # At a switch or valve the end is the jumper's own: the device beside it may well be what parts it.
            beside = {
                j if system.components[w].is_switched else w
                for j in jumpers
                for w in neighbours.get(j, ())
                if w in system.components
            }
            connectors = [i for i in system.components if i in beside] or connectors
        ends.update(dict.fromkeys(connectors or [contact]))
    return tuple(ends)
