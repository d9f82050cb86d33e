"""Is a plan of outings sound? The rules followed through every order that the plan allows, one state at a time.

Slow and obvious on purpose, and it imports nothing of the engine: two YAML files are read as plain data. A state is
complete: which devices are open, whose tags they carry, which were seen open, what is earthed and covered, which parts
are in, what each proof and each wait found open and has stayed so since. From the start, every step that may be next is
taken, whatever the clock says; a rule has to hold in every state in which its step may be under way.

It knows what the plans of the tests use: sources, breakers, buses, connectors, jumpers, and proposals that only add.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from typing import Any

import yaml

JOINING = ("connector", "jumper", "cable")
HANDS = ("mate", "demate", "relocate", "work")


@dataclass(frozen=True)
class State:
    open: frozenset[str]
    tags: frozenset[tuple[str, str]] = frozenset()
    seen: frozenset[str] = frozenset()
    earths: frozenset[str] = frozenset()
    covers: frozenset[str] = frozenset()
    caps: frozenset[str] = frozenset()
    parts: frozenset[str] = frozenset()
    waits: frozenset[tuple[float, frozenset[str]]] = frozenset()
    proofs: frozenset[tuple[frozenset[str], frozenset[str], frozenset[tuple[float, frozenset[str]]]]] = frozenset()


class RefusedError(Exception):
    """A rule is broken."""


class Reference:
    def __init__(self, system: str, plan: str) -> None:
        data, self.plan = yaml.safe_load(system), yaml.safe_load(plan)
        self.kinds: dict[str, dict[str, Any]] = dict(data["components"])
        lines = list(data["feeds"])
        self.failed = {e.split(":")[0] for e in (data.get("standing") or {}).get("failed", [])}
        self.added: set[str] = set()
        jobs = [j for o in self.plan["outings"].values() for j in o["jobs"].values()]
        self.fits = list(dict.fromkeys(p for j in jobs for p in j.get("fits", [])))
        self.new_lines: list[str] = []
        for p in self.fits:
            add = data["proposals"][p]["add"]
            self.kinds |= add["components"]
            self.added |= set(add["components"])
            self.new_lines += add["feeds"]
        self.links = {pair for line in lines for pair in self.pairs(line)}
        self.new = {pair for line in self.new_lines for pair in self.pairs(line)}
        self.practice = {"earth": True, "cover": True, "see_open": True} | (self.plan.get("practice") or {})
        self.points = self.plan["open_points"]
        self.sources = {i for i, c in self.kinds.items() if c["kind"] in ("source", "storage")}
        self.steps = {s["id"]: self.listed(s) for j in jobs for s in j["steps"]}
        self.jobs = {s["id"]: j for j in jobs for s in j["steps"]}
        self.before = self.precedence()
        ends = [{s["id"] for j in o["jobs"].values() for s in j["steps"]} for o in self.plan["outings"].values()]
        self.leaving = {frozenset().union(*ends[: n + 1]) for n in range(len(ends))}
        self.named = {i for s in self.steps.values() if s["do"] in HANDS for i in s["what"]}
        self.count = cache(self._count)
        self.verdict = cache(self._verdict)

    @staticmethod
    def pairs(line: str) -> list[tuple[str, str]]:
        words = line.replace("<->", "->").split("->")
        names = [w.strip() for w in words]
        return [(min(a, b), max(a, b)) for a, b in pairwise(names)]

    def listed(self, step: dict[str, Any]) -> dict[str, Any]:
        found = dict(step)
        for key in ("what", "who", "after"):
            value = found.get(key, [])
            found[key] = value if isinstance(value, list) else [value]
        if found["who"] == ["both"]:
            found["who"] = self.plan["crew"]
        return found

    def precedence(self) -> dict[str, set[str]]:
        before: dict[str, set[str]] = {}
        earlier: set[str] = set()
        self.order: list[str] = []
        for outing in self.plan["outings"].values():
            for job in outing["jobs"].values():
                waiting = [s["id"] for s in job["steps"]]
                own, hands = set(waiting), {}
                while waiting:
                    here = next(i for i in waiting if not (set(self.steps[i]["after"]) & own & set(waiting)))
                    waiting.remove(here)
                    crew = [m for m in self.steps[here]["who"] if m != "inside"]
                    direct = {a for a in self.steps[here]["after"] if a in before} | {
                        hands[m] for m in crew if m in hands
                    }
                    before[here] = set(earlier).union(direct, *(before[a] for a in direct))
                    hands |= dict.fromkeys(crew, here)
                    self.order.append(here)
                earlier |= own
        return before

    # ---- the rules

    def sound(self) -> bool:
        """Whether no rule is broken in any order."""
        try:
            self.people()
            start = State(frozenset(i for i, c in self.kinds.items() if c.get("normally") == "open"))
            self.initial = start.open
            level: dict[frozenset[str], set[State]] = {frozenset(): {start}}
            while level:
                following: dict[frozenset[str], set[State]] = {}
                for done, states in level.items():
                    for step in self.steps:
                        if step in done or not self.before[step] <= done:
                            continue
                        for state in states:
                            problem = self.verdict(step, state)
                            if problem:
                                raise RefusedError(f"{step}: {problem}")
                            following.setdefault(done | {step}, set()).add(self.after(step, state))
                    if len(done) == len(self.steps):
                        for state in states:
                            self.end(state)
                for done in self.leaving & set(following):
                    for state in following[done]:
                        self.leave(state)
                    # What was proved dead is proved again in another outing.
                    following[done] = {replace(s, proofs=frozenset()) for s in following[done]}
                level = following
        except RefusedError as refused:
            self.why = str(refused)
            return False
        self.why = ""
        return True

    def people(self) -> None:
        """Every person is where the step is, and so is each thing that the step is done to."""
        sites = self.plan["sites"]
        for outing in self.plan["outings"].values():
            place = dict.fromkeys(self.plan["crew"], outing.get("start_site"))
            for step in (self.steps[i] for i in self.order if self.jobs[i] in outing["jobs"].values()):
                crew = [m for m in step["who"] if m != "inside"]
                if step["do"] == "travel":
                    place |= dict.fromkeys(crew, step["to"])
                    continue
                if "inside" in step["who"] and step["do"] in ("open", "close", "wait", "work"):
                    continue
                for thing in step["what"]:
                    where = self.kinds.get(thing, {}).get("site")
                    if where in sites and where not in [place[m] for m in crew]:
                        raise RefusedError(f"{step['id']}: {thing} is at {where}")

    def _verdict(self, step_id: str, state: State) -> str | None:
        step = self.steps[step_id]
        do = step["do"]
        for thing in step["what"]:
            device = self.kinds.get(thing, {}).get("kind") in ("breaker", "switch", "fuse")
            if do in ("open", "close", "tag", "untag", "see-open") and not device:
                return f"{thing} is no device"
            if do in ("open", "close") and self.kinds[thing].get("operated") == "manual" and step["who"] == ["inside"]:
                return f"{thing} is operated by hand"
            if do in ("tag", "see-open") and thing not in state.open:
                return f"{thing} is not open"
            if do == "untag":
                tags = {p for d, p in state.tags if d == thing}
                if tags and not tags & set(step["who"]):
                    return f"{thing} carries the tag of another"
            if do == "close" and any(d == thing for d, _ in state.tags):
                return f"{thing} is tagged"
            if do in ("close", "untag"):
                problem = self.energising(thing, state)
                if problem:
                    return problem
            if do == "demate" and thing not in state.parts:
                return f"{thing} is not mated"
            if thing in self.failed and do in ("open", "close", "tag", "see-open"):
                return f"{thing} stands failed"
            if do == "mate" and (thing in state.parts or thing not in self.added):
                return f"{thing} is mated already"
            if do == "earth":
                credited = self.credited(state)
                if self.short(thing, credited, state):
                    return f"{thing} is earthed live"
                if not self.proved(thing, state, self.part_links(state)):
                    return f"{thing} is earthed before the proof"
        return self.hands(step, state) if do in HANDS and step["what"] else None

    def energising(self, device: str, state: State) -> str | None:
        there = {i for i in self.kinds if i not in self.added or i in state.parts or self.is_bare_jumper(i)}
        reached, waiting = {device}, [device]
        while waiting:
            here = waiting.pop()
            for a, b in self.links | self.new:
                for u, v in ((a, b), (b, a)):
                    if u == here and v in there and v not in reached and v not in state.open:
                        reached.add(v)
                        waiting.append(v)
        if reached & state.earths:
            return f"{device} onto an earth"
        ends = self.free_ends(state)
        credited = self.credited(state) - {device}
        links = frozenset(self.links | self.made(state))
        if any(self.fewest(e, credited, links, self.absent(state)) < self.points for e in ends):
            return f"{device} while an end is free"
        return None

    def hands(self, step: dict[str, Any], state: State) -> str | None:
        credited = self.credited(state)
        for end in self.ends(step, state):
            if self.short(end, credited, state):
                return f"{end} is not isolated"
            minutes = self.discharge(self.ends(step, state), credited, state)
            if minutes and not any(m >= minutes and not self.short(end, o, state) for m, o in state.waits):
                return f"{end} is not discharged"
            if not self.proved(end, state, self.part_links(state)):
                return f"{end} is not proved dead"
            solid = self.solid(end, credited, self.absent(state))
            if self.practice["earth"] and not (solid & state.earths or self.shielded(end, state)):
                return f"{end} is not earthed"
            beside = {end} | {v for a, b in self.links | self.new for u, v in ((a, b), (b, a)) if u == end}
            site = self.kinds[end].get("site")
            near = any(c in beside or (site and self.kinds[c].get("site") == site) for c in state.covers)
            if self.practice["cover"] and not near:
                return f"{end} is not covered"
        return None

    def leave(self, state: State) -> None:
        """At the end of an outing a free end that a source may reach is isolated and capped."""
        links = frozenset(self.links | self.made(state))
        for end in self.free_ends(state):
            count = self.fewest(end, self.credited(state), links, self.absent(state))
            beside = {end} | {v for a, b in links for u, v in ((a, b), (b, a)) if u == end}
            if count < self.points:
                raise RefusedError(f"the outing ends with {end} free and not isolated")
            if count < 99 and not beside & (state.caps | state.covers):
                raise RefusedError(f"the outing ends with {end} free and not capped")

    def end(self, state: State) -> None:
        if state.tags or state.earths:
            raise RefusedError("a tag or an earth is left")
        if any(i not in self.initial for i in state.open):
            raise RefusedError("something is left open")
        if any(i not in state.parts for i in self.added if not self.is_bare_jumper(i)):
            raise RefusedError("not all is in")

    # ---- what they ask

    def credited(self, state: State) -> frozenset[str]:
        tagged = {d for d, _ in state.tags}
        seen = state.seen if self.practice["see_open"] else state.open
        return frozenset((state.open & tagged & seen) - self.failed)

    def absent(self, state: State) -> frozenset[str]:
        return frozenset(i for i in self.added if i not in state.parts)

    def is_bare_jumper(self, part: str) -> bool:
        return part in self.added and self.kinds[part]["kind"] == "jumper" and part not in self.named

    def part_links(self, state: State) -> frozenset[str]:
        return self.absent(state)

    def made(self, state: State) -> set[tuple[str, str]]:
        return {
            p for p in self.new if all(i not in self.added or i in state.parts or self.is_bare_jumper(i) for i in p)
        }

    def free_ends(self, state: State) -> set[str]:
        if all(i in state.parts or self.is_bare_jumper(i) for i in self.added):
            return set()
        made = self.made(state)
        there = state.parts | {i for p in made for i in p if self.is_bare_jumper(i)}
        return {i for p in self.new - made for i in p if i in there}

    def ends(self, step: dict[str, Any], state: State) -> list[str]:
        found: list[str] = []
        for thing in step["what"]:
            near = [thing]
            if self.kinds[thing]["kind"] in JOINING:
                group = [thing]
                for here in group:
                    for a, b in self.links | self.new:
                        for u, v in ((a, b), (b, a)):
                            if u == here and self.kinds[v]["kind"] in JOINING and v not in group:
                                group.append(v)
                near = [i for i in group if self.kinds[i]["kind"] == "connector"] or [thing]
            elif step["do"] == "work" and thing in self.added:
                # its links to what is there already, or comes with it
                for a, b in self.new:
                    for u, v in ((a, b), (b, a)):
                        if u == thing and (v not in self.added or v in state.parts):
                            near.append(v)
            found += [i for i in near if i not in found]
        return found

    def around(self, links: frozenset[tuple[str, str]]) -> dict[str, set[str]]:
        found: dict[str, set[str]] = {i: set() for i in self.kinds}
        for a, b in links:
            found[a].add(b)
            found[b].add(a)
        return found

    def _count(
        self, end: str, credited: frozenset[str], links: frozenset[tuple[str, str]], absent: frozenset[str]
    ) -> dict[str, int]:
        """Open points on the weakest path from each part to ``end``; what is the place of work itself is none."""
        around = self.around(links)
        best, queue = {end: 0}, deque([end])
        while queue:
            here = queue.popleft()
            for other in around[here]:
                cost = best[here] + (other in credited and other not in absent and other != end)
                if cost < best.get(other, 99):
                    best[other] = cost
                    queue.append(other)
        return best

    def fewest(
        self, end: str, credited: frozenset[str], links: frozenset[tuple[str, str]], absent: frozenset[str]
    ) -> int:
        found = self.count(end, credited, links, absent)
        return min((found[s] for s in self.sources if s in found), default=99)

    def short(self, end: str, credited: frozenset[str], state: State) -> bool:
        return self.fewest(end, credited, frozenset(self.links | self.new), self.absent(state)) < self.points

    def discharge(self, ends: list[str], credited: frozenset[str], state: State) -> float:
        links = frozenset(self.links | self.new)
        near = {
            i for e in ends for i, n in self.count(e, credited, links, self.absent(state)).items() if n < self.points
        }
        return max((self.kinds[i].get("discharge_min", 0) for i in near), default=0)

    def solid(self, end: str, credited: frozenset[str], absent: frozenset[str]) -> set[str]:
        around = self.around(frozenset(self.links | self.new))
        found, waiting = {end}, [end]
        while waiting:
            here = waiting.pop()
            for other in around[here]:
                faces = self.kinds[here]["kind"] in JOINING and self.kinds[other]["kind"] in JOINING
                jumper = self.kinds[other]["kind"] == "jumper"
                if other not in found and not faces and not jumper and other not in absent and other not in credited:
                    found.add(other)
                    waiting.append(other)
        return found

    def proved(self, end: str, state: State, absent: frozenset[str]) -> bool:
        credited = self.credited(state)
        same = self.solid(end, credited, absent)
        minutes = self.discharge([end], credited, state)
        return any(
            same & what
            and not self.short(end, found, state)
            and (not minutes or any(m >= minutes and not self.short(end, o, state) for m, o in waits))
            for what, found, waits in state.proofs
        )

    def shielded(self, end: str, state: State) -> bool:
        if not state.earths:
            return False
        around = self.around(frozenset(self.links | self.new))
        found, waiting = {end}, [end]
        while waiting:
            here = waiting.pop()
            if here in self.sources:
                return False
            for other in around[here] - found - state.earths:
                found.add(other)
                waiting.append(other)
        return True

    # ---- what a step leaves behind

    def after(self, step_id: str, state: State) -> State:
        step = self.steps[step_id]
        do, what = step["do"], frozenset(step["what"])
        if do == "open":
            return replace(state, open=state.open | what, seen=state.seen - what)
        if do == "close":
            return self.lapse(replace(state, open=state.open - what, seen=state.seen - what), state)
        if do == "tag":
            return replace(state, tags=state.tags | {(d, p) for d in what for p in step["who"]})
        if do == "untag":
            return self.lapse(replace(state, tags=state.tags - {(d, p) for d in what for p in step["who"]}), state)
        if do == "see-open":
            return replace(state, seen=state.seen | what)
        if do == "wait":
            return replace(state, waits=state.waits | {(float(step["minutes"]), state.open)})
        if do == "prove-dead" and step.get("by", "meter") == "meter":
            return replace(state, proofs=state.proofs | {(what, self.credited(state), state.waits)})
        for name, put, take in (
            ("earths", "earth", "unearth"),
            ("covers", "cover", "uncover"),
            ("caps", "cap", "uncap"),
        ):
            if do == put:
                return replace(state, **{name: getattr(state, name) | what})
            if do == take:
                return replace(state, **{name: getattr(state, name) - what})
        if do in HANDS and what:
            if do == "demate":
                return replace(state, parts=state.parts - what)
            caps = state.caps - what if do == "mate" else state.caps
            return replace(state, parts=state.parts | self.puts_in(what), caps=caps)
        return state

    def puts_in(self, what: frozenset[str]) -> set[str]:
        found, waiting = {i for i in what if i in self.added}, list(what)
        while waiting:
            here = waiting.pop()
            for a, b in self.new:
                for u, v in ((a, b), (b, a)):
                    new = v in self.added and v not in self.named and v not in found
                    if u == here and new and self.kinds[v]["kind"] != "jumper":
                        found.add(v)
                        waiting.append(v)
        return found

    def lapse(self, now: State, was: State) -> State:
        """What was found open and is so no longer counts for no proof and no wait any more."""
        still, bare = self.credited(now), now.open
        waits = frozenset((m, o & bare) for m, o in was.waits)
        proofs = frozenset(
            (what, found & still, frozenset((m, o & bare) for m, o in own)) for what, found, own in was.proofs
        )
        return replace(now, waits=waits, proofs=proofs)
