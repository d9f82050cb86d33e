"""What does a change do? Two studies of one question, before and after.

>>> import powerfault as pf
>>> topology = pf.read_topology_text('''
... powerfault: 1
... components: {PV-A: {kind: source}, PV-B: {kind: source}, BUS: {kind: bus}}
... feeds: [PV-A -> BUS]
... loads: {FAN: {fed_by: [BUS]}}
... proposals: {J: {add: {feeds: [PV-B -> BUS]}}}
... ''')
>>> change = pf.compare(topology, ["J"])
>>> [[str(event) for event in cut] for cut in change.change("FAN").gone]
[['PV-A']]
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from powerfault.errors import RequestError
from powerfault.failures.case_state import case_states
from powerfault.failures.outcomes import Progress
from powerfault.model.elements import MODES, OUTCOMES, Event, Topology
from powerfault.model.modify import apply_proposals
from powerfault.network.failure_modes import check_given_after, check_modes
from powerfault.network.galvanic import GroundFinding, ground_findings
from powerfault.tolerance.comparison.cases import ConsumerChange, compare_consumers, judged_table
from powerfault.tolerance.comparison.changed_cases import CaseList
from powerfault.tolerance.comparison.harm import Harm
from powerfault.tolerance.comparison.question import consumer_differences, mode_differences
from powerfault.tolerance.comparison.single_failures import SingleFailures, single_failures, worst_single
from powerfault.tolerance.comparison.spread import Spread, Variant, find_spread, protected_variants
from powerfault.tolerance.study import CASES_WITHOUT_ASKING, FORMAT, Study, refuse_many, study

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class VariantResult:
    """What a protective device at one place of the proposal would do: computed, like everything else."""

    variant: Variant
    requirements_met: int
    unmet: tuple[str, ...]
    still_spread: tuple[Spread, ...]

    def to_json(self) -> dict[str, Any]:
        return {
            "breakers": [{"id": i, "between": [a, b]} for i, a, b in self.variant.breakers],
            "requirements_met": self.requirements_met,
            "unmet": list(self.unmet),
            "still_spread": [str(s.event) for s in self.still_spread],
        }


@dataclass(frozen=True)
class Comparison:
    """Two studies of the same question, before and after a change.

    The findings on spread always ask for shorts as well as the modes of the studies, since a tie that spreads a fault
    does harm whether or not the reader thought of asking.
    """

    before: Study
    after: Study
    changes: tuple[ConsumerChange, ...] = field(repr=False)

    def change(self, id_: str) -> ConsumerChange:
        """The change of one consumer; :class:`RequestError` where neither side has it."""
        for change in self.changes:
            if change.id == id_:
                return change
        raise RequestError(f"no load or function {id_!r} before or after")

    @property
    def met(self) -> tuple[int, int, int]:
        """Requirements met before, after, and the number of requirements after."""
        before = sum(v.meets is True for v in self.before.verdicts)
        after = sum(v.meets is True for v in self.after.verdicts)
        return before, after, sum(v.must_tolerate is not None for v in self.after.verdicts)

    @cached_property
    def question_changes(self) -> tuple[str, ...]:
        """What is asked differently after: by proposals, and where the two systems say it differently."""
        before, after = self.before.topology, self.after.topology
        said = [str(change) for change in after.question_changes]
        consumers = consumer_differences(self.before.verdicts, self.after.verdicts, said)
        return (*said, *consumers, *mode_differences(before, after, said))

    @property
    def _spread_modes(self) -> tuple[str, ...]:
        return tuple(m for m in MODES if m in self.after.modes or m == "short")

    @cached_property
    def _singles_before(self) -> SingleFailures:
        return single_failures(self.before.network, self._spread_modes, self.before.given)

    @cached_property
    def _singles_after(self) -> SingleFailures:
        return self._singles_of(self.after)

    def _singles_of(self, changed: Study) -> SingleFailures:
        return single_failures(changed.network, self._spread_modes, changed.given, self._singles_before)

    @cached_property
    def spread(self) -> tuple[Spread, ...]:
        """The single events that reach a further channel because of the change."""
        return tuple(find_spread(self._singles_before, self._singles_after))

    @cached_property
    def variants(self) -> tuple[VariantResult, ...]:
        """Where a breaker in what is added would stop the spread, and the verdict with it there."""
        results = []
        for variant in protected_variants(self.before.topology, self.after.topology, self.spread):
            found = study(variant.topology, min(self.after.order, 2), self.after.modes, self.after.given, limit=None)
            still = find_spread(self._singles_before, self._singles_of(found))
            results.append(
                VariantResult(
                    variant,
                    sum(v.meets is True for v in found.verdicts),
                    tuple(v.id for v in found.verdicts if v.meets is False),
                    tuple(still),
                )
            )
        return tuple(results)

    @cached_property
    def ground(self) -> tuple[GroundFinding, ...]:
        """Galvanic domains that have other than one ground after the change."""
        return tuple(ground_findings(self.before.topology, self.after.topology))

    @cached_property
    def carried_before(self) -> Mapping[tuple[Event, ...], tuple[str, ...]]:
        """The cut sets gone in which a storage carried consumers before as well, until it was flat: not drops cured."""
        return _carried(self.before, {c.id: c.gone for c in self.changes})

    @cached_property
    def carried_after(self) -> Mapping[tuple[Event, ...], tuple[str, ...]]:
        """The new cut sets in which a storage carries consumers until it is flat."""
        return _carried(self.after, {c.id: c.new for c in self.changes})

    @cached_property
    def worst(self) -> tuple[tuple[Harm, Harm] | None, tuple[Harm, Harm] | None]:
        """The worst single failure before and after, each by severity and by demand lost."""
        before, after = self._singles_before, self._singles_after
        return worst_single(before, self.before.modes), worst_single(after, self.after.modes)

    def to_json(self, *, cases: bool = True) -> dict[str, Any]:
        def harm(pair: tuple[Harm, Harm] | None) -> Any:
            if pair is None:
                return None
            return {
                name: {
                    "event": str(h.event),
                    "failing": list(h.failing),
                    "severity": h.severest,
                    "demand_kw": h.demand_kw,
                }
                for name, h in zip(("by_severity", "by_demand"), pair, strict=True)
            }

        return {
            "format": FORMAT,
            "before": self.before.to_json(cases=cases),
            "after": self.after.to_json(cases=cases),
            "changes": [c.to_json() for c in self.changes],
            "question_changes": list(self.question_changes),
            "spread": [s.to_json() for s in self.spread],
            "variants": [v.to_json() for v in self.variants],
            "grounding": [str(g) for g in self.ground],
            "carried_until_flat": {
                name: [{"failed": [str(e) for e in case], "consumers": list(ids)} for case, ids in found.items()]
                for name, found in (("gone", self.carried_before), ("new", self.carried_after))
            },
            "worst_single": {"before": harm(self.worst[0]), "after": harm(self.worst[1])},
        }

    @cached_property
    def changes_frame(self) -> pd.DataFrame:
        """The changes as a table, a row a consumer."""
        import pandas as pd

        rows = []
        for c in self.changes:
            rows.append(
                {
                    "consumer": c.id,
                    "tolerates_before": c.before.tolerates if c.before else None,
                    "tolerates_after": c.after.tolerates if c.after else None,
                    "meets_before": c.before.meets if c.before else None,
                    "meets_after": c.after.meets if c.after else None,
                    "cut_sets_gone": len(c.gone),
                    "cut_sets_new": len(c.new),
                    **{name: len(c.cases.get(name, ())) for name in ("cured", "eased", "worsened", "broken")},
                }
            )
        return pd.DataFrame(rows)


def compare(
    before: Study | Topology,
    after: Study | Topology | Sequence[str],
    order: int = 2,
    modes: Sequence[str] = ("loss",),
    given: Iterable[Event | str] = (),
    *,
    limit: int | None = CASES_WITHOUT_ASKING,
    ratings: bool = False,
    progress: Progress | None = None,
) -> Comparison:
    """Compare two systems under one question. ``after`` may be the ids of proposals to apply to ``before``.

    Raises :class:`RequestError` where two studies given do not ask the same question.
    """
    if isinstance(before, Topology):
        refuse_many(before, order, check_modes(modes), yes=limit is None)
        before = study(before, order, modes, given, limit=limit, ratings=ratings, progress=progress)
    if not isinstance(after, Study):
        changed = after if isinstance(after, Topology) else apply_proposals(before.topology, tuple(after))
        check_given_after(changed, before.given)
        rated = before.rated is not None
        after = study(changed, before.order, before.modes, before.given, limit=limit, ratings=rated, progress=progress)
    if _question(before) != _question(after):
        raise RequestError("the two studies differ in order, modes, given events or ratings; compare like with like")
    changes = compare_consumers(judged_table(before.table, before.verdicts), judged_table(after.table, after.verdicts))
    return Comparison(before, after, tuple(changes))


def _carried(found: Study, cut_sets: Mapping[str, CaseList]) -> dict[tuple[Event, ...], tuple[str, ...]]:
    """Return, by case, the consumers of ``cut_sets`` that are served at once within what they ride through."""
    consumers: dict[tuple[Event, ...], list[str]] = {}
    for id_, cases in cut_sets.items():
        for case in cases:
            consumers.setdefault(tuple(case), []).append(id_)
    rides = {v.id: OUTCOMES.index(v.rides_through) for v in found.verdicts}
    states = case_states(found.network, consumers, found.given, at_once=True)
    result = {}
    for (case, ids), state in zip(consumers.items(), states, strict=True):
        soon = (state.at_once or state).outcomes
        if held := tuple(i for i in ids if OUTCOMES.index(soon[i]) <= rides[i]):
            result[case] = held
    return result


def _question(found: Study) -> tuple[object, ...]:
    return found.order, found.modes, found.given, found.rated is not None
