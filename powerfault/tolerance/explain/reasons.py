"""Why did it drop? The chain of reasons from the events of a case to one consumer, and what brings it back.

Method: the sets of live, zoned, tripped and operable things at each stage are known (:class:`CaseState`). A thing that
is not live has a reason that the format's rules name: it failed, lies in a zone, stands open, lacks a need, or none
(too few) of what feeds it is live; the last two have reasons of their own in turn. Where both hold, the one that came
first counts: with every need met, what has no power is gone; then what needs that, and so on, in rounds. So a chain
ends at the events, and in a circle only where nothing but the start is lacking. The tree of reasons grows from the
consumer breadth first and explains each thing once, where it stands nearest, so it is no larger than the system.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from powerfault.failures.case_state import CaseState
from powerfault.model.elements import OUTCOMES, STAGES, Component, Event, Function, Load, in_phase
from powerfault.network.graph import NeedOf, Network
from powerfault.tolerance.explain.carried import Carried, Hours, find_carried
from powerfault.tolerance.explain.reason_tree import Growing, Reason, chain, grow

_FAILED = {"loss": "lost", "short": "shorted", "leak": "leaking"}


@dataclass(frozen=True, slots=True)
class Explanation:
    """The answer for one consumer in one case and phase.

    ``at_once`` is why it is not served at stage 0 (``None`` if it is); ``still`` why it is not served at the last
    stage (``None`` unless it is lost). ``restored_by`` are the operations that bring it back at the stage of its
    outcome, and ``path`` the live things that then carry its power, source first.
    """

    consumer: str
    failed: tuple[Event, ...]
    phase: str
    outcome: str
    at_once: Reason | None
    still: Reason | None
    restored_by: tuple[str, ...]
    path: tuple[str, ...]
    carried: Carried | None = None
    """What serves it at once for a while, where it fares better at once than in the long run."""

    @property
    def involved(self) -> frozenset[str]:
        """Every id that the explanation names: what a drawing of the part that matters holds."""
        ids = {self.consumer, *self.path, *(e.id for e in self.failed)}
        if self.carried is not None:
            ids.update(self.carried.storages)
        for tree in (self.at_once, self.still):
            if tree is not None:
                ids.update(r.id for _, r in tree.walk())
        return frozenset(ids)

    def sentences(self) -> list[str]:
        """The explanation in a few sentences: what failed, the shortest chain to the consumer, what restores it."""
        what = " and ".join(map(str, self.failed)) or "nothing"
        lines = []
        if self.at_once is None:
            return [f"With {what} failed, {self.consumer} stays served without interruption ({self.phase})."]
        steps = chain(self.at_once)
        if self.carried is not None:
            lines.append(f"With {what} failed, {self.consumer} is {self.carried.words} ({self.phase}).")
            lines.append(f"Without {self.carried.carrier}: {'; '.join(steps)}.")
        else:
            lines.append(f"With {what} failed, {self.consumer} drops at once ({self.phase}): " + "; ".join(steps) + ".")
        if self.still is not None:
            why = "" if self.still.same_as(self.at_once) else f" {'; '.join(chain(self.still))}."
            then = "" if self.carried is None else "then "
            lines.append(f"It is {then}lost: nothing restores it.{why}")
        elif self.restored_by:
            lines.append(
                f"It is restored at stage {self.outcome} by {', '.join(self.restored_by)}; "
                f"its power then runs {' > '.join(self.path)}."
            )
        else:
            lines.append(f"It is back at stage {self.outcome}, when what it needs is restored.")
        return lines

    def to_json(self) -> dict[str, Any]:
        when_flat = {"when_flat": self.carried.to_json()} if self.carried is not None else {}
        return {
            "consumer": self.consumer,
            "failed": [str(e) for e in self.failed],
            "phase": self.phase,
            "outcome": self.outcome,
            "sentences": self.sentences(),
            "at_once": self.at_once.to_json() if self.at_once else None,
            "still": self.still.to_json() if self.still else None,
            "restored_by": list(self.restored_by),
            "path": list(self.path),
            **when_flat,
        }


def explain(
    network: Network, state: CaseState, consumer: str, phase: str | None = None, hours: Hours | None = None
) -> Explanation:
    """Explain ``consumer`` in ``phase`` (default: the phase in which it fares worst).

    Where ``state`` holds the instant at once too, what carries it for a while is said, with the ``hours`` known.
    """
    judged = [p for p in network.topology.phase_names if consumer in state.by_phase[p]] or [
        network.topology.phase_names[0]
    ]
    if phase is None:
        phase = max(judged, key=lambda p: OUTCOMES.index(state.by_phase[p].get(consumer, OUTCOMES[0])))
    outcome = next((s for s in STAGES if consumer in state.live[STAGES.index(s)][phase]), OUTCOMES[-1])
    stage = OUTCOMES.index(outcome)
    search = _Search(network, state, phase)
    at_once = search.reason(consumer, 0) if stage > 0 else None
    still = search.reason(consumer, len(STAGES) - 1) if stage == len(STAGES) else None
    path: tuple[str, ...] = ()
    restored: tuple[str, ...] = ()
    if 0 < stage < len(STAGES):
        path, restored = search.restoration(consumer, stage)
    carried = find_carried(network, state, consumer, phase, hours)
    return Explanation(consumer, state.failed, phase, outcome, at_once, still, restored, path, carried)


class _Search:
    """Walks one case and phase."""

    def __init__(self, network: Network, state: CaseState, phase: str) -> None:
        self.network, self.state, self.phase = network, state, phase
        self.events = {e.id: e for e in (*state.standing, *state.failed)}

    def reason(self, id_: str, stage: int) -> Reason:
        """Why ``id_`` is not live at ``stage``."""
        rounds = self._rounds(stage)
        return grow(self.network.index[id_], lambda v: self._open(v, stage, rounds), self.network.ids)

    def _open(self, v: int, stage: int, rounds: dict[int, int]) -> Growing:
        """What stops ``v`` at ``stage``, and the nodes behind that."""
        network = self.network
        local = self._local(v, stage)
        if local is not None:
            return local
        id_, element = network.ids[v], network.elements[v]
        live = self.state.live[stage][self.phase]
        never = len(network.ids)
        own = rounds.get(v, never)

        def in_time(nodes: Iterable[int]) -> tuple[int, ...]:
            return tuple(u for u in nodes if rounds.get(u, never) <= own)

        if isinstance(element, Function):
            dead = [m for m in network.members[v] if network.ids[m] not in live]
            served = len(network.members[v]) - len(dead)
            text = f"{id_} has {served} of the {element.at_least} members that it needs"
            return Growing(v, "function", text, in_time(dead))
        unmet = [x.node for x in self._unmet(v, stage) if own == never or rounds.get(x.node, never) < own]
        if unmet:
            return Growing(v, "need", f"{id_} needs {', '.join(network.ids[u] for u in unmet)}", tuple(unmet))
        if not network.upstream[v]:
            return Growing(v, "unfed", f"nothing feeds {id_}")
        dead = [u for u in network.upstream[v] if network.ids[u] not in live]
        alive = len(network.upstream[v]) - len(dead)
        wanted = network.threshold[v]
        names = ", ".join(network.ids[u] for u in dead)
        text = f"{id_} has lost its feed{'s' if len(dead) > 1 else ''} {names}"
        if wanted > 1:
            text = f"{id_} has {alive} of the {wanted} feeds that it needs; dead: {names}"
        return Growing(v, "feed", text, in_time(dead))

    def _unmet(self, v: int, stage: int) -> list[NeedOf]:
        """The needs of ``v`` that are not met at ``stage``, nor by the stage until which they are borne."""
        live = self.state.live
        return [
            x for x in self.network.needs[v] if self.network.ids[x.node] not in live[max(stage, x.bears)][self.phase]
        ]

    def _rounds(self, stage: int) -> dict[int, int]:
        """The round in which each node is gone: 0 with all needs met, then once what it needs went the round before.

        What is not live and yet in none of them lacks only the start: it would run if it ran. Costs a pass over the
        links a round.
        """
        network = self.network
        n = len(network.ids)
        users: list[list[int]] = [[] for _ in range(n)]
        for v in range(n):
            for u in dict.fromkeys((*network.upstream[v], *network.members[v])):
                users[u].append(v)
        live_now = self.state.live[stage][self.phase]
        gone = {v for v in range(n) if network.ids[v] not in live_now and self._local(v, stage) is not None}
        rounds: dict[int, int] = {}
        for number in range(n + 1):
            lacking = [network.threshold[v] for v in range(n)]
            live: set[int] = set()
            queue = [v for v in range(n) if v not in gone and self._gives(v)]
            while queue:
                v = queue.pop()
                if v in live:
                    continue
                live.add(v)
                for w in users[v]:
                    lacking[w] -= 1
                    if lacking[w] == 0 and w not in gone:
                        queue.append(w)
            for v in range(n):
                if v not in live:
                    rounds.setdefault(v, number)
            more = {v for v in live if any(x.node not in live for x in self._unmet(v, stage))}
            if not more:
                break
            gone |= more
        return rounds

    def _gives(self, v: int) -> bool:
        element = self.network.elements[v]
        return isinstance(element, Component) and element.is_source

    def _local(self, v: int, stage: int) -> Growing | None:
        """What stops ``v`` before needs and feeds are asked, if anything does."""
        network, state, phase = self.network, self.state, self.phase
        id_, element = network.ids[v], network.elements[v]
        if isinstance(element, Function):
            return None
        event = self.events.get(id_)
        if event is not None and event.mode in _FAILED:
            return Growing(v, "failed", f"{id_} has failed ({_FAILED[event.mode]})")
        if id_ in state.zone[stage][phase]:
            return Growing(v, "zone", self._zone_text(v, stage))
        if id_ in state.blocking[stage][phase]:
            return Growing(v, "tripped", f"{id_} is held open to clear the fault beside it")
        if id_ in state.tripped and isinstance(element, Component):
            if element.kind == "fuse":
                return Growing(v, "tripped", f"{id_} has blown")
            if element.is_switched and id_ not in state.operable[stage][phase]:
                return self._switch_reason(v, element, stage, f"{id_} has tripped")
        return self._component_reason(v, element, stage) if isinstance(element, Component) else None

    def _component_reason(self, v: int, element: Component, stage: int) -> Growing | None:
        id_, state, phase = element.id, self.state, self.phase
        if element.is_source and in_phase(element.capacity_kw, phase, 1.0) == 0.0:
            return Growing(v, "dry", f"{id_} gives nothing in phase {phase}")
        if id_ in state.zone[0][phase] and element.kind == "storage":
            return Growing(v, "zone", f"{id_} lay in the zone of a short and is dead for the case")
        if element.charged_by is not None and id_ not in state.charged[stage]:
            return Growing(
                v,
                "uncharged",
                f"{id_} is not charged: none of {', '.join(element.charged_by)} is live in any phase",
                self.network.chargers.get(v, ()),
            )
        if element.is_jumper and not element.mated and not (stage == len(STAGES) - 1 and element.crew_may_mate):
            return Growing(v, "unmated", f"{id_} is not mated")
        if element.is_switched and element.normally_open and id_ not in state.operable[stage][phase]:
            return self._switch_reason(v, element, stage, f"{id_} stands {element.position_name(False)}")
        return None

    def _switch_reason(self, v: int, element: Component, stage: int, text: str) -> Growing:
        event = self.events.get(element.id)
        if event is not None and event.mode == "stuck":
            return Growing(v, "stuck", f"{text} and is stuck")
        if event is not None and event.mode == "closed":
            return Growing(v, "stuck", f"{element.id} stands closed by failure, so no power is credited to it")
        operated = element.operated or "commanded"
        if STAGES.index(operated) > stage:
            return Growing(v, "open", f"{text}; it is operated only at stage {operated}")
        live = self.state.live[stage][self.phase]
        idle = [u for u in self.network.operators.get(v, ()) if self.network.ids[u] not in live]
        names = ", ".join(self.network.ids[u] for u in idle)
        return Growing(
            v,
            "open",
            f"{text}; what operates it is not served: {names}",
            tuple(idle),
        )

    def _zone_text(self, v: int, stage: int) -> str:
        way = self._way_from_short(v, stage)
        id_ = self.network.ids[v]
        coolant = isinstance(self.network.elements[v], Component) and self.network.component(v).is_coolant
        what, done = ("leak", "drained") if coolant else ("short", "dragged down")
        if len(way) <= 1:
            return f"{id_} lies in the zone of a {what}"
        passed = " > ".join(self.network.ids[u] for u in way)
        return f"{id_} is {done} by the {what} at {self.network.ids[way[0]]} ({passed}: nothing on the way stops it)"

    def _way_from_short(self, v: int, stage: int) -> list[int]:
        """A shortest way inside the zone from a shorted component to v."""
        network = self.network
        zone = {network.index[i] for i in self.state.zone[stage][self.phase]}
        came: dict[int, int] = {v: -1}
        queue = deque([v])
        shorted = {network.index[e.id] for e in self.events.values() if e.mode in ("short", "leak")}
        while queue:
            u = queue.popleft()
            if u in shorted:
                way = [u]
                while came[way[-1]] >= 0:
                    way.append(came[way[-1]])
                return way
            for w in (*network.fault_next[u], *network.fault_previous[u]):
                if w in zone and w not in came:
                    came[w] = u
                    queue.append(w)
        return [v]

    def restoration(self, consumer: str, stage: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """A live way from a source to the consumer at ``stage`` that uses the fewest operated switches, and these."""
        network, state, phase = self.network, self.state, self.phase
        live = {network.index[i] for i in state.live[stage][phase]}
        end = self._served_load(network.index[consumer], live, stage)
        if end is None:
            return (), ()
        cost: dict[int, int] = {end: 0}
        came: dict[int, int] = {end: -1}
        queue = deque([end])
        best: int | None = None
        while queue:
            u = queue.popleft()
            element = network.elements[u]
            if isinstance(element, Component) and element.is_source:
                if best is None or cost[u] < cost[best]:
                    best = u
                continue
            for w in network.upstream[u]:
                if w not in live:
                    continue
                step = cost[u] + self._operated(w)
                if w not in cost or step < cost[w]:
                    cost[w], came[w] = step, u
                    (queue.append if self._operated(w) else queue.appendleft)(w)
        if best is None:
            return (), ()
        way = [best]
        while came[way[-1]] >= 0:
            way.append(came[way[-1]])
        texts = []
        for u in way:
            if self._operated(u):
                element = network.component(u)
                if element.is_jumper:
                    texts.append(f"mating {element.id} by hand")
                elif element.normally_open:
                    verb = "opening" if element.is_coolant else "closing"
                    texts.append(f"{verb} {element.id} ({element.operated or 'commanded'})")
                else:
                    texts.append(f"reclosing {element.id} ({element.operated or 'commanded'})")
        return tuple(network.ids[u] for u in way), tuple(texts)

    def _served_load(self, v: int, live: set[int], stage: int) -> int | None:
        """The node whose feeding to show: v itself, or the member of a function that came back at this stage."""
        seen = set()
        while isinstance(self.network.elements[v], Function):
            if v in seen:
                return None
            seen.add(v)
            before = self.state.live[stage - 1][self.phase]
            members = [m for m in self.network.members[v] if m in live]
            if not members:
                return None
            v = next((m for m in members if self.network.ids[m] not in before), members[0])
        return v

    def _operated(self, v: int) -> int:
        """1 where the node conducts only because someone operates it."""
        element = self.network.elements[v]
        if isinstance(element, Load) or not isinstance(element, Component):
            return 0
        if element.is_jumper:
            return int(not element.mated)
        return int(element.is_switched and (element.normally_open or element.id in self.state.tripped))
