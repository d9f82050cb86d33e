"""Which sets of candidates can be fitted together, and what is each worth?

Sets of candidates that only add are lanes of one union (``ranking.union``). Those that remove
or set something are applied to the system first, each combination of them once, and the others are lanes of the union
over the result. Worths are kept, so that asking again costs nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

from powerfault.errors import PowerfaultError
from powerfault.fitting.ranking.baseline import Baseline, Worth, find_baseline
from powerfault.fitting.ranking.candidates import Candidate, Candidates
from powerfault.fitting.ranking.lanes import Case
from powerfault.fitting.ranking.measures import (
    Evaluator,
    Segment,
    applied_evaluator,
    own_events,
    union_segments,
)
from powerfault.fitting.ranking.union import Union, build_union
from powerfault.model.elements import Event, Topology
from powerfault.model.modify import apply_proposals

Progress = Callable[[int, int], None]
Chosen = tuple[str, ...]


@dataclass
class _Ground:
    """The system with some candidates applied, and the union of the additive ones over it.

    ``own`` are the events of the components that the applied ones bring.
    """

    baseline: Baseline
    topology: Topology
    union: Union
    cases: Sequence[Case]
    own: tuple[Event, ...] = ()

    @cached_property
    def evaluator(self) -> Evaluator:
        return self._evaluator(self.cases)

    @cached_property
    def optimist(self) -> Evaluator:
        """Of the cases in the modes asked alone, for sets too large to be made up of others."""
        asked = [c for c in self.cases if all(e.mode in self.baseline.modes for e in c)]
        return self._evaluator(asked, tracks=False)

    def _evaluator(self, cases: Sequence[Case], *, tracks: bool = True) -> Evaluator:
        brought = list(self.union.additions.values())
        topology = self.union.topology if brought else self.topology
        return Evaluator(
            self.baseline,
            topology,
            cases,
            ground=self.topology,
            brought=brought,
            own_stays=bool(self.own),
            tracks=tracks,
        )


class CandidateSets:
    """Judges sets of candidates. ``refused`` are candidates that cannot be applied at all, with the reason."""

    def __init__(self, candidates: Candidates, baseline: Baseline) -> None:
        self.baseline = baseline
        self.topology: Topology = candidates.topology
        self.listed: dict[str, Candidate] = {c.id: c for c in candidates.listed}
        self.evaluations = 0
        self._known: dict[Chosen, Worth | None] = {}
        self._known_hopefully: dict[Chosen, Worth | None] = {}
        self._grounds: dict[Chosen, _Ground | str] = {}
        union = build_union(self.topology, list(self.listed))
        self.refused = dict(union.refused)
        self.apart = dict(union.apart)
        self.additive = tuple(union.additions)
        self._own_ids = {i: a.own_ids for i, a in union.additions.items()}
        self._grounds[()] = self._ground((), self.topology, union)

    @property
    def usable(self) -> tuple[str, ...]:
        """The candidates that can be applied by themselves, in their order."""
        return tuple(i for i in self.listed if i not in self.refused)

    def excludes(self, a: str, b: str) -> bool:
        """Whether two candidates cannot be fitted both: they share a port or add a component of one id."""
        first, second = self.listed[a], self.listed[b]
        return bool(
            set(first.ports) & set(second.ports)
            or self._own_ids.get(a, frozenset()) & self._own_ids.get(b, frozenset())
        )

    def ordered(self, chosen: Sequence[str]) -> Chosen:
        """The set in the order of the candidates."""
        wanted = set(chosen)
        return tuple(i for i in self.listed if i in wanted)

    def judge(
        self, sets: Sequence[Sequence[str]], progress: Progress | None = None, *, further: bool = False
    ) -> list[Worth | None]:
        """Return the worth of each set, ``None`` where it cannot be applied.

        ``further`` says that larger sets will be asked for, so that these are worth keeping.
        """

        def measure(ground: _Ground, segments: Sequence[Segment], report: Progress) -> list[Worth]:
            return ground.evaluator.measure(segments, report, further=further)

        return self._look_up(sets, self._known, measure, progress)

    def judge_hopefully(self, sets: Sequence[Sequence[str]]) -> list[Worth | None]:
        """As :meth:`judge`, by the cases in the modes asked alone and without the failures of what is added.

        So what is said of harm is too little; what is gained and cured is never less than :meth:`judge` says.
        """

        def measure(ground: _Ground, segments: Sequence[Segment], report: Progress) -> list[Worth]:
            return ground.optimist.measure(segments, report, own_events=False)

        return self._look_up(sets, self._known_hopefully, measure, None)

    def _look_up(
        self,
        sets: Sequence[Sequence[str]],
        known: dict[Chosen, Worth | None],
        measure: Callable[[_Ground, Sequence[Segment], Progress], list[Worth]],
        progress: Progress | None,
    ) -> list[Worth | None]:
        wanted = [self.ordered(s) for s in sets]
        by_ground: dict[Chosen, list[Chosen]] = {}
        for chosen in dict.fromkeys(wanted):
            if chosen not in known:
                by_ground.setdefault(tuple(i for i in chosen if i in self.apart), []).append(chosen)
        total, done = sum(map(len, by_ground.values())), 0
        for first, group in by_ground.items():
            ground = self._find_ground(first)
            if isinstance(ground, str):
                known.update(dict.fromkeys(group))
                continue
            fitting = []
            for chosen in group:
                added = [i for i in chosen if i not in self.apart]
                if all(i in ground.union.additions for i in added):
                    fitting.append((chosen, added))
                else:
                    known[chosen] = None
            if not fitting:
                continue
            before = done

            def report(n: int, _total: int, before: int = before) -> None:
                if progress is not None:
                    progress(before + n, total)

            segments = list(union_segments(ground.union, [added for _, added in fitting], ground.own))
            for (chosen, _), worth in zip(fitting, measure(ground, segments, report), strict=True):
                known[chosen] = worth
            self.evaluations += len(fitting)
            done += len(group)
        return [known[chosen] for chosen in wanted]

    def _find_ground(self, first: Chosen) -> _Ground | str:
        if first not in self._grounds:
            try:
                after = apply_proposals(self.topology, first)
            except PowerfaultError as error:
                self._grounds[first] = str(error).splitlines()[0]
            else:
                self._grounds[first] = self._ground(first, after, build_union(after, self.additive))
        return self._grounds[first]

    def _ground(self, first: Chosen, after: Topology, union: Union) -> _Ground:
        baseline = self.baseline
        if not first:
            return _Ground(baseline, after, union, baseline.cases if union.additions else baseline.every_case)
        own = own_events(baseline, after)
        cases = baseline.every_case
        # With own events in the ground, their cases are not covered by what fails without candidates.
        if union.additions and not own and len(baseline.cases) < len(cases):
            alone = find_baseline(after, baseline.order, baseline.modes).cases
            newly = applied_evaluator(baseline, after).newly_failing()
            cases = tuple(dict.fromkeys((*baseline.cases, *alone, *newly)))
        return _Ground(baseline, after, union, cases, own)
