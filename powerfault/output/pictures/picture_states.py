"""Which look each box and line of a picture has in one failure case: a reading of the case's live sets, no more.

A box that has power from the start is live; one that first has it at a later stage is restored at that stage; one
without it is failed, in the fault zone, tripped, dark, or idle where it has none with nothing failed either. What has
power at once, until a storage is flat or an interruption is no longer borne, and not in the long run, is held. Over
several phases the worst counts, as it does for outcomes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from powerfault.model.elements import STAGES, Event, Topology
from powerfault.output.pictures.picture_graph import Line

if TYPE_CHECKING:
    from powerfault.failures.case_state import CaseState

LAST_STAGE = len(STAGES) - 1
_WORST = ("absent", "idle", "open", "live", "back1", "back2", "back3", "held", "dark", "tripped", "zone")
_RESERVE = ("idle", "open")
_SPREADING = ("zone", "short", "leak")


@dataclass(frozen=True, slots=True)
class BoxState:
    """``look`` names an entry of the appearance table; ``live_from`` is the first stage with power, if any."""

    look: str
    live_from: int | None
    tripped: bool = False


def _first_live(state: CaseState, id_: str, phase: str, stage: int) -> int | None:
    return next((s for s in range(stage + 1) if id_ in state.live[s][phase]), None)


def _held_from(state: CaseState, id_: str, phase: str, stage: int) -> int | None:
    """The first stage from which it has power at once, where it still has at ``stage``."""
    if state.at_once is None or id_ not in state.at_once.live[stage][phase]:
        return None
    return _first_live(state.at_once, id_, phase, stage)


def _in_phase(topology: Topology, id_: str, case: CaseState, rest: CaseState, phase: str, stage: int) -> BoxState:
    first = _first_live(case, id_, phase, stage)
    tripped = id_ in case.tripped
    component = topology.components.get(id_)
    reserve = id_ not in rest.live[0][phase]
    if id_ in case.zone[stage][phase]:
        return BoxState("zone", None, tripped)
    held = _held_from(case, id_, phase, stage) if first is None else None
    if first is None and held is None and tripped:
        return BoxState("tripped", None, True)
    if reserve and (first is None or component is not None):
        look = "open" if component is not None and component.normally_open else "idle"
        return BoxState(look, held if first is None else first, tripped)
    if held is not None:
        return BoxState("held", held, tripped)
    if first is None:
        return BoxState("dark", None, tripped)
    return BoxState("live" if first == 0 else f"back{first}", first, tripped)


def _show_reserves_in_use(topology: Topology, states: dict[str, BoxState]) -> None:
    """A reserve (a tie standing open, an unmated jumper) that leads to something restored is restored with it."""
    downstream: dict[str, list[str]] = {}
    for tail, head in [*topology.links, *topology.load_links()]:
        downstream.setdefault(tail, []).append(head)
    changed = True
    while changed:
        changed = False
        for id_, state in states.items():
            if state.look not in _RESERVE or state.live_from is None:
                continue
            fed = [states[h] for h in downstream.get(id_, ()) if h in states]
            if any(x.look.startswith("back") and int(x.look[4:]) >= state.live_from for x in fed):
                look = f"back{state.live_from}" if state.live_from else "live"
            elif any(x.look == "held" and (x.live_from or 0) >= max(1, state.live_from) for x in fed):
                look = "held"
            else:
                continue
            states[id_] = BoxState(look, state.live_from, state.tripped)
            changed = True


def box_states(
    topology: Topology,
    case: CaseState,
    rest: CaseState,
    events: Iterable[Event],
    phase: str | None = None,
    stage: int = LAST_STAGE,
) -> dict[str, BoxState]:
    """The state of every component, load and function of ``topology``, by id.

    ``rest`` is the case in which nothing is failed; ``events`` are all that are, standing ones included. ``phase``
    of ``None`` takes the worst over the phases; ``stage`` shows the system as it stands when that stage is done.
    """
    failed = {e.id: e.mode for e in events}
    phases = topology.phase_names if phase is None else (phase,)
    worst: dict[str, BoxState] = {}
    for name in phases:
        states: dict[str, BoxState] = {}
        for id_ in (*topology.components, *topology.loads, *topology.functions):
            consumer = topology.loads.get(id_) or topology.functions.get(id_)
            if consumer is not None and not consumer.judged_in(name):
                states[id_] = BoxState("idle", _first_live(case, id_, name, stage))
            else:
                states[id_] = _in_phase(topology, id_, case, rest, name, stage)
        _show_reserves_in_use(topology, states)
        for id_, state in states.items():
            if id_ not in worst or _WORST.index(state.look) > _WORST.index(worst[id_].look):
                worst[id_] = state
    for id_, mode in failed.items():
        if id_ in worst:
            worst[id_] = BoxState(mode, worst[id_].live_from if mode in ("stuck", "closed") else None)
    return worst


def with_groups(groups: Mapping[str, tuple[str, ...]], states: Mapping[str, BoxState]) -> dict[str, BoxState]:
    """``states`` with those of the boxes that stand for several parts: each has the worst state of its parts."""
    found = dict(states)
    for id_, members in groups.items():
        own = [states[m] for m in members if m in states]
        found[id_] = max(own, key=_badness, default=BoxState("absent", None))
    return found


def _badness(state: BoxState) -> int:
    return _WORST.index(state.look) if state.look in _WORST else len(_WORST)


def line_look(line: Line, ids: Mapping[str, str], states: Mapping[str, BoxState]) -> str:
    """The look of ``line``: energised if what feeds it is. ``ids`` maps box names to ids."""
    tail, head = states.get(ids[line.tail]), states.get(ids[line.head])
    if tail is None or head is None:
        return "absent"
    if tail.look in _SPREADING and head.look in _SPREADING:
        return "zone"
    ends = (tail, head) if line.two_way else (tail,)
    fed = [s.live_from for s in ends if s.live_from is not None and s.look not in _RESERVE]
    if not fed:
        return "dark"
    return "live" if min(fed) == 0 else "back"
