"""May a plan end like this, and may an outing be left like this? The state when all its steps have ended.

At the end of the plan: no tag and no earth is left, nothing is open that was closed, every proposal that was begun is
in whole. At the end of every outing: an end that is free, of anything that could be energised, is capped and isolated.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from powerfault.fitting.isolation.remarks import CAUTION, VIOLATION, Remark
from powerfault.fitting.outing.plan import WORKS, Outing, OutingPlan
from powerfault.fitting.outing.rules import RuleCheck
from powerfault.fitting.outing.site import open_ends
from powerfault.fitting.outing.state import named


def end_of(outing: Outing) -> str:
    """The name of the moment at which ``outing`` has ended, among the steps; no step can be called so."""
    return f"\0end of {outing.id}"


def with_ends(plan: OutingPlan, before: Mapping[str, frozenset[str]]) -> dict[str, frozenset[str]]:
    """``before`` with the end of each outing as a moment of its own, after its steps and before later ones."""
    result = dict(before)
    earlier: set[str] = set()
    for outing in plan.outings:
        for job in outing.jobs:
            for step in job.steps:
                result[step.id] = result[step.id] | frozenset(i for i in earlier if i.startswith("\0"))
        earlier |= {s.id for j in outing.jobs for s in j.steps}
        result[end_of(outing)] = frozenset(earlier)
        earlier.add(end_of(outing))
    return result


def check_ends(plan: OutingPlan, check: RuleCheck) -> Iterator[Remark]:
    """Remarks on the end of each outing, and of the plan."""
    for outing in plan.outings:
        last = outing.jobs[-1]
        place = plan.place(outing.path)
        system = check.sites.system(last)
        ends, half = open_ends(check.sites, end_of(outing), system)
        if ends:
            site = check.sites.site(half, ends, check.sites.open_points(end_of(outing)), end_of(outing))
            reached = {p.end for p in site.weakest_paths((), system.phase_names)}
            short = {p.end for p in check.sites.short(site, system.phase_names)}
            for end in (e for e in ends if e in reached):
                if end in short:
                    said = f"{outing.id} ends with the free end at {end} not isolated"
                    yield Remark("free-end", VIOLATION, said, (end,), *place)
                beside = {end} | {a for a, b in half.links if b == end} | {b for a, b in half.links if a == end}
                caps = [f for k in ("cap", "cover") for f in check.facts.of(k) if f[1] in beside]
                if not any(check.facts.certain(f, end_of(outing)) for f in caps):
                    said = f"{outing.id} ends with the free end at {end} not capped"
                    yield Remark("free-end", VIOLATION, said, (end,), *place)
    yield from _closing(plan, check)


def _closing(plan: OutingPlan, check: RuleCheck) -> Iterator[Remark]:
    if not plan.outings:
        return
    end, place = end_of(plan.outings[-1]), plan.place(plan.outings[-1].path)
    facts, course = check.facts, check.course
    for kind, what in (("tag", "under a tag"), ("earth", "earthed"), ("stop", "stopped"), ("drain", "drained")):
        left = [f[1] for f in facts.of(kind) if not facts.ruled_out(f, end)]
        for id_ in dict.fromkeys(left):
            yield Remark("closing", VIOLATION, f"{id_} is left {what} at the end of the plan", (id_,), *place)
    for fact in facts.of("open"):
        id_ = fact[1]
        if not course.is_device(id_):
            continue
        off, on = (course.parts[id_].position_name(passes) for passes in (False, True))
        if fact not in course.initial and not facts.ruled_out(fact, end):
            said = f"{id_} is left {off} at the end of the plan; it was {on}"
            yield Remark("closing", VIOLATION, said, (id_,), *place)
        elif fact in course.initial and not facts.certain(fact, end):
            said = f"{id_} is left {on} at the end of the plan; it was {off}"
            yield Remark("closing", CAUTION, said, (id_,), *place)
    for kind in ("cover", "cap"):
        left = [f[1] for f in facts.of(kind) if not facts.ruled_out(f, end)]
        if left:
            yield Remark("closing", CAUTION, f"left with a {kind}: {', '.join(left)}", tuple(left), *place)
    for fact in facts.of("apart"):
        if not facts.ruled_out(fact, end):
            yield Remark("incomplete", VIOLATION, f"{fact[1]} is left demated", (fact[1],), *place)
    for fitting in course.works.fittings.values():
        hands = [s for _, j, s in plan.steps() if fitting.id in j.fits and s.do in WORKS]
        if not fitting.tasks and not any(s.do == "relocate" and not s.what for s in hands):
            untouched = [i for i in fitting.changed if not any(i in s.what for s in hands)]
            if untouched:
                said = (
                    f"{fitting.id} is fitted by the plan, but no step touches what it changes: {', '.join(untouched)}"
                )
                yield Remark("incomplete", VIOLATION, said, (fitting.id, *untouched), *place)
        without = fitting.left_out
        if without:
            said = f"{fitting.id} is fitted by the plan, but no step puts in or parts: {', '.join(without)}"
            yield Remark("incomplete", VIOLATION, said, (fitting.id, *without), *place)
            continue
        undone = [named(t) for t in fitting.tasks if not facts.certain(("done", fitting.id, named(t)), end)]
        if undone:
            said = f"{fitting.id} is not in whole at the end of the plan: {', '.join(undone)}"
            yield Remark("incomplete", VIOLATION, said, (fitting.id, *undone), *place)
    for step in check.coolant.works():
        missing = check.coolant.returned(step, check.before, None)
        if missing:
            yield Remark("coolant", VIOLATION, missing, (step.id,), *plan.place(step.path))
