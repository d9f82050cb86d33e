"""Which sets of candidates can be fitted together, and what is each worth?

Sets of candidates that only add are lanes of one union (:mod:`powerfault.jumper.candidate_union`). Those that remove
or set something are applied to the system first, each combination of them once, and the others are lanes of the union
over the result. Worths are kept, so that asking again costs nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from powerfault.errors import PowerfaultError
from powerfault.jumper.candidate_baseline import Baseline, Worth, find_baseline
from powerfault.jumper.candidate_measures import (
    Evaluator,
    Segment,
    applied_evaluator,
    own_events,
    union_segments,
)
from powerfault.jumper.candidate_union import Union, build_union
from powerfault.jumper.candidates import Candidate, Candidates
from powerfault.model.elements import Event, Topology
from powerfault.model.modify import apply_proposals

Progress = Callable[[int, int], None]
Chosen = tuple[str, ...]


@dataclass(slots=True)
class _Ground:
    """The system with some candidates applied, and the union of the additive ones over it."""

    own: tuple[Event, ...]
    union: Union
    evaluator: Evaluator | None


class CandidateSets:
    """Judges sets of candidates. ``refused`` are candidates that cannot be applied at all, with the reason."""

    def __init__(self, candidates: Candidates, baseline: Baseline) -> None:
        self.baseline = baseline
        self.topology: Topology = candidates.topology
        self.listed: dict[str, Candidate] = {c.id: c for c in candidates.listed}
        self.evaluations = 0
        self._known: dict[Chosen, Worth | None] = {}
        self._known_without: dict[Chosen, Worth | None] = {}
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
        self, sets: Sequence[Sequence[str]], progress: Progress | None = None, *, own_events: bool = True
    ) -> list[Worth | None]:
        """Return the worth of each set, ``None`` where it cannot be applied.

        Without ``own_events`` the failures of what the candidates bring are left out: cheaper, and never worth less.
        """
        known = self._known if own_events else self._known_without
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
            assert ground.evaluator is not None
            before = done

            def report(n: int, _total: int, before: int = before) -> None:
                if progress is not None:
                    progress(before + n, total)

            segments = [
                Segment(s.present, (*ground.own, *s.own_events) if own_events else ())
                for s in union_segments(ground.union, [added for _, added in fitting])
            ]
            for (chosen, _), worth in zip(fitting, ground.evaluator.measure(segments, report), strict=True):
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
        brought = [a.nodes for a in union.additions.values()]
        baseline = self.baseline
        if not first:
            evaluator = Evaluator(baseline, union.topology, baseline.cases, brought=brought) if brought else None
            if evaluator is None:
                evaluator = applied_evaluator(baseline, after)
            return _Ground((), union, evaluator)
        whole = applied_evaluator(baseline, after)
        own = own_events(baseline, after)
        if not brought or own:
            # With own events in the ground, their cases are not covered by what fails without candidates.
            cases = baseline.every_case
        else:
            alone = find_baseline(after, baseline.order, baseline.modes).cases
            cases = tuple(dict.fromkeys((*baseline.cases, *alone, *whole.newly_failing())))
        if not brought:
            return _Ground(own, union, whole)
        return _Ground(own, union, Evaluator(baseline, union.topology, cases, brought=brought, own_stays=bool(own)))
