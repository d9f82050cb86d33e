"""Drawings of failure cases, before and after: the detail of a case, read into the looks of the shared layout."""

from __future__ import annotations

import copy
from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass, field, replace

from powerfault.errors import RequestError
from powerfault.failures.case_state import CaseState, case_states
from powerfault.model.elements import STAGES, Event, Topology
from powerfault.network.failure_modes import parse_event
from powerfault.network.graph import Network, build_network
from powerfault.output.pictures import svg_parts
from powerfault.output.pictures.diagrams import Diagram, Drawing
from powerfault.output.pictures.dot_text import dot_text
from powerfault.output.pictures.picture_graph import AFTER, BEFORE
from powerfault.output.pictures.picture_states import LAST_STAGE, BoxState, box_states


def present(topology: Topology, events: Iterable[Event]) -> tuple[Event, ...]:
    """Those of ``events`` whose component is in ``topology``."""
    return tuple(e for e in events if e.id in topology.components or e.id in topology.loads)


def case_title(events: Sequence[Event]) -> str:
    return " and ".join(map(str, events)) + " failed" if events else "nothing failed"


def view_words(phase: str | None, stage: int, several_phases: bool) -> str:
    """Which phase and stage a drawing shows, in words; empty where there is nothing to say."""
    parts = []
    if several_phases:
        parts.append(f"phase {phase}" if phase is not None else "worst over the phases")
    if stage != LAST_STAGE:
        parts.append(f"as at stage {STAGES[stage]}")
    return ", ".join(parts)


@dataclass
class CasePictures:
    """Case drawings of ``before`` and, with proposals, ``after``: one layout, any number of cases."""

    before: Topology
    after: Topology | None = None
    given: tuple[Event, ...] = ()
    needs: bool = False
    functions: bool = False
    shown: Container[str] | None = None
    """Ids that get a box of their own; without it all do."""
    near_only: bool = False
    """Whether to leave out the joint boxes that nothing shown is linked to."""
    diagram: Diagram = field(init=False)
    _networks: dict[str, Network] = field(init=False, default_factory=dict)
    _rest: dict[str, CaseState] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.diagram = self._diagram()
        for side in self.sides:
            topology = self.topology(side)
            self._networks[side] = build_network(topology)
            # What has no power with nothing failed at all is idle, not dark; so standing failures are left out here.
            healthy = build_network(replace(topology, standing=()))
            self._rest[side] = case_states(healthy, [()])[0]

    def _diagram(self) -> Diagram:
        return Diagram.of(self.before, self.after, self.needs, self.functions, self.shown, self.near_only)

    def touched(self, events: Sequence[Event], phase: str | None = None, stage: int = LAST_STAGE) -> frozenset[str]:
        """What a case changes on either side, what fails, what the proposals add, and the neighbours of it all."""
        near: set[str] = {e.id for e in events}
        links: set[tuple[str, str]] = set()
        for side in self.sides:
            topology = self.topology(side)
            states = self.states(side, self.case_states(side, [events])[0], phase, stage)
            near |= {i for i, s in states.items() if s.look not in ("live", "idle", "open")}
            near |= topology.added
            links |= {*topology.links, *topology.load_links()}
        return frozenset(near | {a for a, b in links if b in near} | {b for a, b in links if a in near})

    def narrowed(self, shown: Container[str], near_only: bool = True) -> CasePictures:
        """The same pictures with boxes of their own only for ``shown``."""
        found = copy.copy(self)
        found.shown, found.near_only = shown, near_only
        found.diagram = found._diagram()
        return found

    @property
    def sides(self) -> tuple[str, ...]:
        return (BEFORE,) if self.after is None else (BEFORE, AFTER)

    def topology(self, side: str) -> Topology:
        return self.after if side == AFTER and self.after is not None else self.before

    def case_states(self, side: str, cases: Sequence[Sequence[Event]]) -> list[CaseState]:
        """The detail of ``cases`` on ``side``; events of components that it does not have are left out."""
        topology = self.topology(side)
        given = present(topology, self.given)
        return case_states(self._networks[side], [present(topology, c) for c in cases], given, at_once=True)

    def states(
        self, side: str, case: CaseState, phase: str | None = None, stage: int = LAST_STAGE
    ) -> dict[str, BoxState]:
        return box_states(
            self.topology(side), case, self._rest[side], (*case.standing, *case.failed), phase, stage
        )  # fmt: skip

    def draw(
        self,
        events: Sequence[Event],
        side: str,
        phase: str | None = None,
        stage: int = LAST_STAGE,
        legend: bool = True,
        whole: bool = True,
    ) -> Drawing:
        """The drawing of one case on one side."""
        case = self.case_states(side, [events])[0]
        title = self.title(events, side, phase, stage)
        return self.diagram.draw(self.states(side, case, phase, stage), side, title, legend, whole)

    def title(self, events: Sequence[Event], side: str, phase: str | None, stage: int) -> str:
        words = self.before.name if self.after is None else side.capitalize()
        view = view_words(phase, stage, len(self.topology(side).phases) > 1) if events else ""
        return f"{words}: {case_title(events)}" + (f" ({view})" if view else "")

    def dot_text(self, events: Sequence[Event], side: str, phase: str | None = None, stage: int = LAST_STAGE) -> str:
        """The same drawing as Graphviz source with labels."""
        case = self.case_states(side, [events])[0]
        states = self.states(side, case, phase, stage)
        return dot_text(self.diagram.graph, states, side, self.title(events, side, phase, stage))

    def draw_both(self, events: Sequence[Event], phase: str | None = None, stage: int = LAST_STAGE) -> Drawing:
        """Before and after in one picture, beside each other or, where they are wide, one below the other."""
        drawings = [self.draw(events, side, phase, stage) for side in self.sides]
        return beside(drawings)


def beside(drawings: Sequence[Drawing]) -> Drawing:
    """Several drawings in one picture."""
    sizes = [svg_parts.size_of(d.svg) for d in drawings]
    wide = sizes[0][0] > sizes[0][1]
    parts, x, y = [], 0.0, 0.0
    for drawing, (width, height) in zip(drawings, sizes, strict=True):
        inner = drawing.svg.strip().replace("<svg ", f'<svg x="{svg_parts.num(x)}" y="{svg_parts.num(y)}" ', 1)
        # Inside another picture sizes count in its own unit.
        parts.append(inner.replace('pt" height="', '" height="', 1).replace('pt" viewBox', '" viewBox', 1))
        if wide:
            y += height + 12
        else:
            x += width + 12
    total_width = max(w for w, _ in sizes) if wide else x - 12
    total_height = y - 12 if wide else max(h for _, h in sizes)
    title = "; ".join(d.title for d in drawings)
    return Drawing(svg_parts.document(total_width, total_height, "".join(parts), title), title)


def draw(
    before: Topology,
    after: Topology | None = None,
    failed: Iterable[Event | str] = (),
    *,
    phase: str | None = None,
    stage: str = STAGES[-1],
    side: str | None = None,
    needs: bool = False,
    functions: bool = False,
    touched: bool = False,
) -> Drawing:
    """Draw one system, or one side of a pair before and after, with ``failed`` components; for notebooks and scripts.

    ``side`` is ``before``, ``after`` or ``both`` (with ``after``; default after). ``phase`` of ``None`` shows the worst
    over the phases, ``stage`` the system as it stands when that stage is done; ``touched`` draws only what the case
    touches and its neighbours. Raises :class:`RequestError` for an unknown event, phase or stage.
    """
    known = before if after is None else after
    if phase is not None and phase not in known.phase_names:
        raise RequestError(f"no phase {phase!r}; there are {', '.join(known.phase_names)}")
    if stage not in STAGES:
        raise RequestError(f"no stage {stage!r}; expected one of {', '.join(STAGES)}")
    events = []
    for event in failed:
        text = str(event)
        id_ = text.partition(":")[0]
        events.append(parse_event(before if id_ in before.components or id_ in before.loads else known, text))
    pictures = CasePictures(before, after, needs=needs, functions=functions)
    number = STAGES.index(stage)
    if touched:
        pictures = pictures.narrowed(pictures.touched(events, phase, number) | frozenset(known.functions))
    if side == "both":
        return pictures.draw_both(events, phase, number)
    return pictures.draw(events, side or pictures.sides[-1], phase, number)
