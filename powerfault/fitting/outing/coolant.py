"""Is a coolant line opened and given back in its own order? Depressurise, drain or guard; fill, bleed, leak-check.

Before hands part a line: its pressure is let go after the valves at both sides are closed and tagged (or the pump is
stopped and tagged), then it is drained, or the spill is accepted with its guard in place and the pressure proved gone.
After it: filled, bled and leak-checked, in this order, before any valve or pump gives it flow again. Common practice,
no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping

from powerfault.fitting.outing.plan import Step
from powerfault.fitting.outing.site import Sites


class Coolant:
    """The coolant steps of one plan."""

    def __init__(self, sites: Sites, steps: Mapping[str, Step]) -> None:
        self.sites, self.steps = sites, steps
        self.jobs = {s.id: j for _, j, s in sites.plan.steps()}

    def before(
        self,
        step: Step,
        names: Iterable[str],
        shown: Iterable[str],
        before: Mapping[str, frozenset[str]],
        holds: Callable[[str], bool] | None,
        *,
        proved: bool = False,
    ) -> Iterator[str]:
        """What is missing before hands open a line at ``names``; ``holds`` says whether it is isolated since a step."""
        wanted, where = set(names), ", ".join(shown)
        earlier = [s for i, s in self.steps.items() if i in before[step.id] and wanted & set(s.what)]
        vents = [s for s in earlier if s.do == "depressurise" and (holds is None or holds(s.id))]
        if not vents:
            yield f"{where} is not depressurised before it, after its valves are closed and tagged"
            return
        drained = any(
            s.do == "drain"
            and any(v.id in before[s.id] for v in vents)
            and any(self.sites.facts.certain(("drain", i), step.id) for i in wanted & set(s.what))
            for s in earlier
        )
        guarded = any(self.sites.facts.certain(("guard", i), step.id) for i in wanted)
        if not drained and not guarded:
            yield f"{where} is neither drained nor guarded against the spill"
        elif not drained and holds is not None and not proved:
            yield f"the pressure at {where} is not proved gone before it is opened full"

    def returned(self, step: Step, before: Mapping[str, frozenset[str]], by: str | None) -> str | None:
        """What is missing after ``step``: with ``by``, before that step begins."""
        names = self._names(step)
        chain = {step.id}
        for do, done in (("fill", "filled"), ("bleed", "bled"), ("leak-check", "leak-checked")):
            chain = {
                i for i, s in self.steps.items()
                if s.do == do and names & set(s.what) and chain & before[i] and (by is None or i in before[by])
            }  # fmt: skip
            if not chain:
                return f"{', '.join(step.what) or step.id} is not {done} after {step.id}"
        return None

    def works(self) -> list[Step]:
        """The steps that open a coolant line."""
        return [s for s in self.steps.values() if self._names(s)]

    def not_ready(self, step: Step, before: Mapping[str, frozenset[str]]) -> Iterator[str]:
        """What speaks against flow in a line again by ``step``: work before it without its return to service."""
        for work in self.works():
            if step.id in before[work.id] or work.id == step.id:
                continue
            missing = self.returned(work, before, step.id)
            if missing:
                yield f"flow is given back before it is ready: {missing}"

    def _names(self, step: Step) -> set[str]:
        ends, service = self.sites.ends(step, self.jobs[step.id])
        system = self.sites.system(self.jobs[step.id])
        found = {i for i in ends if i in system.components and system.components[i].is_coolant} | set(service)
        return found | {i for i in step.what if found and i in system.components}
