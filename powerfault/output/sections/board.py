"""What the board decides on, as values: requirements, gains and harms, margins, energy, work, and a recommendation.

Everything here is read from studies that the report holds already. Page, Markdown, JSON and PDF are rendered from
:class:`Board` alone. The recommendation follows :data:`RULES` and errs on the safe side: what is not judged is never
counted as in order.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from powerfault.electrical.sizing.gauge_choice import DirectionSize
from powerfault.electrical.sizing.study import SizeStudy
from powerfault.errors import PowerfaultError
from powerfault.model.elements import SEVERITIES, Component
from powerfault.model.warnings import topology_warnings, waivers
from powerfault.network.failure_modes import describe_unasked
from powerfault.output.answers.verdicts_text import carried_sentences, tolerance_text
from powerfault.output.sections.report_input import ReportInput, listed

RECOMMEND, CONDITIONS, REFUSE = "Recommend", "Recommend with conditions", "Do not recommend"
NO_PROPOSAL = "No proposal to decide on"
GRAVE = SEVERITIES[:2]
NO_SEVERITY = "no severity stated"
RULES = (
    f'"{REFUSE}" where a requirement that was met is not met any more or is gone; where a load or function tolerates '
    f"fewer failures; where one failure newly fails a {GRAVE[0]} or {GRAVE[1]} one; where a jumper passes a limit; "
    "where a work site cannot be isolated or the plan breaks a rule; or where nothing is gained.",
    f'"{CONDITIONS}" where, else, any harm remains or anything is not judged: each is a condition below, with its '
    "evidence.",
    f'"{RECOMMEND}" only where something is gained, no harm was found in the modes and number of failures enumerated, '
    "and nothing is left unjudged.",
)


@dataclass(frozen=True, slots=True)
class Requirement:
    """One load or function: what it must tolerate and does; ``None`` for what is not judged or not in the system."""

    id: str
    title: str
    type: str
    severity: str
    must_tolerate: int | None
    tolerates_before: str
    tolerates_after: str
    met_before: bool | None
    met_after: bool | None
    changed: bool


@dataclass(frozen=True, slots=True)
class Effect:
    """Smallest failing cases of one severity and number of failures: gone, newly failing, and of these of own parts."""

    failures: int
    severity: str
    gone: int
    new: int
    new_own: int


@dataclass(frozen=True, slots=True)
class Margin:
    """A value against its limit: ``percent`` of the limit is left, negative where it is passed.

    ``ok`` is ``None`` where it is not judged; ``percent`` is ``None`` then, and where there is no end to the value.
    """

    what: str
    value: str
    limit: str
    percent: float | None
    evidence: str
    ok: bool | None


@dataclass(frozen=True, slots=True)
class Point:
    """Something found, with the anchor of the section that shows it. ``weight``: ``refuse``, ``harm`` or ``open``."""

    weight: str
    text: str
    evidence: str


@dataclass(frozen=True, slots=True)
class Board:
    """All of the board page. ``met_before`` is ``None`` for one system without a proposal."""

    proposals: tuple[tuple[str, str], ...]
    places: tuple[str, ...]
    requirements: tuple[Requirement, ...]
    met_before: int | None
    met_after: int
    required: int
    effects: tuple[Effect, ...]
    spread: int
    margins: tuple[Margin, ...]
    energy: tuple[str, ...]
    ratings: str
    work: tuple[str, ...]
    points: tuple[Point, ...]
    recommendation: str

    def to_json(self) -> dict[str, Any]:
        return {"format": 1, **asdict(self), "rules": list(RULES)}


def board_of(report: ReportInput) -> Board:
    """The board page, read out of the studies of ``report``, once."""
    found = report.kept.get("board")
    if not isinstance(found, Board):
        found = report.kept["board"] = _read(report)
    return found


def _read(report: ReportInput) -> Board:
    rows = tuple(_requirements(report))
    asked = [r for r in rows if r.must_tolerate is not None]
    effects = tuple(_effects(report))
    margins = tuple(_margins(report))
    points = tuple(_points(report, rows, effects, margins))
    after = report.after or report.before
    both = report.comparison is not None
    added = [after.components[i] for i in after.components if i in after.added] if both else []
    spread = len(report.comparison.spread) if report.comparison else 0
    return Board(
        tuple((i, _about(report, i)) for i in after.applied) if both else (),
        tuple(dict.fromkeys(c.site for c in added if c.site)),
        rows,
        report.comparison.met[0] if report.comparison else None,
        sum(r.met_after is True for r in asked),
        sum(v.must_tolerate is not None for v in report.last.verdicts),
        effects,
        spread,
        margins,
        tuple(_energy(report)),
        "Verdicts count ratings." if report.last.rated is not None
        else "Verdicts do not count ratings: they say that a path exists, not that it can carry the load.",
        tuple(_work(report)),
        points,
        _recommendation(report, rows, effects, points),
    )  # fmt: skip


def _about(report: ReportInput, proposal: str) -> str:
    found = report.before.proposals.get(proposal) or (report.after or report.before).proposals.get(proposal)
    return ((found.about or found.label or "") if found else "").strip()


def _requirements(report: ReportInput) -> Iterator[Requirement]:
    both = report.comparison is not None
    for id_ in report.by_severity(report.consumers):
        before = report.verdict_before(id_)
        after = report.verdict_after(id_) if both else before
        verdict = after or before
        assert verdict is not None
        texts = tolerance_text(before), tolerance_text(after)
        was, now = (v.meets if v else None for v in (before, after))
        yield Requirement(
            id_, (report.after or report.before).title(id_) if after else report.before.title(id_), verdict.type,
            verdict.severity or "", verdict.must_tolerate, *texts, was, now,
            both and (texts[0] != texts[1] or was != now),
        )  # fmt: skip


def _effects(report: ReportInput) -> Iterator[Effect]:
    """Counted once a case, under the most severe load or function concerned."""
    if not report.comparison:
        return
    counts: dict[tuple[int, int], list[int]] = {}
    for column, found in ((0, report.changed_cases("cured")), (1, report.changed_cases("broken")),
                          (2, report.changed_cases("broken", own=True))):  # fmt: skip
        for case, ids in found.items():
            key = (len(case), min(map(report.rank, ids)))
            counts.setdefault(key, [0, 0, 0])[column] += 1
    for (size, rank), (gone, new, own) in sorted(counts.items()):
        yield Effect(size, (*SEVERITIES, NO_SEVERITY)[rank], gone, new + own, own)


def _margin(what: str, value: float | None, limit: float | None, unit: str, evidence: str, none: str) -> Margin:
    """``none`` says what stands for a limit that is not given."""
    texts = "not known" if value is None else f"{value:.4g} {unit}", none if limit is None else f"{limit:.4g} {unit}"
    if value is None or limit is None or limit <= 0:
        return Margin(what, *texts, None, evidence, None)
    percent = round(100 * (1 - value / limit), 6)
    return Margin(what, *texts, percent, evidence, percent >= 0)


def _margins(report: ReportInput) -> Iterator[Margin]:
    size = report.size
    if isinstance(size, SizeStudy):
        for own in size.sizes:
            yield from _conductor_margins(own.need.conductor, own.directions, size.derating.drop_percent)
    life = report.endurance
    if life is not None and not isinstance(life, (PowerfaultError, str)):
        for id_ in dict.fromkeys(x.id for c in life.cases for x in c.loads):
            found = life.worst_load(id_)
            assert found is not None
            hours, must = found[1].hours, found[1].must_last_h
            endless = hours == float("inf")
            percent = None if endless or must <= 0 else round(100 * (hours / must - 1), 6)
            lasts = "not lost for want of energy" if endless else f"{hours:.3g} h"
            yield Margin(f"{id_}, hours on batteries", lasts, f"{must:g} h", percent, "endurance", found[1].meets)
    if report.plan is not None:
        for result in report.plan.results:
            yield _margin(f"crew time, {result.outing.title}", result.timeline.length, result.outing.limit_min, "min",
                          "installation", "no limit stated")  # fmt: skip


def _conductor_margins(
    conductor: Component, directions: Sequence[DirectionSize], allowed: float | None
) -> Iterator[Margin]:
    for direction in directions:
        where = f"{conductor.id} towards {direction.transfer.receives}"
        row = next((r for r in direction.rows if r.present), None)
        current = row.state.current_a if row else None
        # The lower of what the file rates it for and what the rule of derating lets the wire carry.
        ratings = [a for a in (conductor.rating_a, row.rating_a if row else None) if a is not None]
        yield _margin(f"current, {where}", current, min(ratings, default=None), "A", "size", "no rating")
        drop = row.state.drop_fraction if row else None
        percent = None if drop is None else 100 * drop
        yield _margin(f"voltage drop, {where}", percent, allowed, "%", "size", "none stated")
        volts = direction.voltages
        limited = [(volts.feeder_kw[i], most, i) for i, most in volts.limit_kw.items()
                   if i in volts.feeder_kw and 0 < most < float("inf")] if volts else []  # fmt: skip
        given, most, supply = max(limited, key=lambda x: x[0] / x[1], default=(None, None, ""))
        yield _margin(f"supply {supply}".strip() + f", {where}", given, most, "kW", "size", "none stated")


def _energy(report: ReportInput) -> Iterator[str]:
    if report.comparison is not None:
        yield from carried_sentences(report.comparison)
    life = report.endurance
    if life is None:
        yield "No storage states its energy: no energy balance."
    elif isinstance(life, (PowerfaultError, str)):
        yield f"Energy balance not judged: {life}"
    else:
        if not life.sinking:
            yield "With nothing failed, no storage goes flat."
        for sinking in life.sinking:
            yield f"{sinking.words[:1].upper()}{sinking.words[1:]}."
        for id_ in dict.fromkeys(s.id for c in life.cases for s in c.storages):
            found = life.worst_storage(id_)
            if found is not None and found[1].hours < float("inf"):
                failed = " + ".join(map(str, found[0].failed)) or "nothing failed"
                yield f"{id_} is flat first after {found[1].hours:.3g} h, with {failed}."


def _work(report: ReportInput) -> Iterator[str]:
    if not report.comparison:
        return
    for id_ in report.last.topology.applied:
        proposal = report.before.proposals.get(id_)
        minutes = proposal.crew_minutes if proposal else None
        yield f"{id_}: " + (f"{minutes:g} crew minutes." if minutes is not None else "crew minutes not stated.")
    for id_, ends, found in report.isolations:
        if isinstance(found, PowerfaultError):
            yield f"Isolation of {', '.join(ends)} for {id_} not computed: {found}"
            continue
        chosen = found.chosen
        points = f"{chosen.points} open point{'s' * (chosen.points != 1)}"
        sources = f"toward each of {len(chosen.sources)} source{'s' * (len(chosen.sources) != 1)}"
        yield (f"{', '.join(ends)} {'can be' if chosen.may_work else 'CANNOT BE'} isolated at {points} {sources}; "
               f"devices held open: {listed([d.id for d in chosen.held]) or 'none'}; loads not served meanwhile: "
               f"{listed([d.id for d in chosen.dark]) or 'none'}.")  # fmt: skip
    if report.plan is None:
        yield "No plan of outings was given: the work is not checked step by step."
    else:
        plan = report.plan
        yield (f"Plan {plan.plan.name}: {'BREAKS A RULE' if plan.refused else 'no rule is broken'}; "
               f"{sum(r.timeline.length for r in plan.results):g} min in {len(plan.results)} outing(s).")  # fmt: skip


def _points(
    report: ReportInput, rows: Sequence[Requirement], effects: Sequence[Effect], margins: Sequence[Margin]
) -> Iterator[Point]:
    """All that speaks against the proposal, or is open, the gravest first."""
    found = [*_tolerance_points(report, rows, effects), *_electrical_points(report, margins), *_work_points(report)]
    yield from sorted(dict.fromkeys(found), key=lambda p: ("refuse", "harm", "open").index(p.weight))


def _tolerance_points(report: ReportInput, rows: Sequence[Requirement], effects: Sequence[Effect]) -> Iterator[Point]:
    comparison = report.comparison
    down = report.by_severity(report.last.baseline)
    if down:
        yield Point("harm", f"Interrupted even with nothing more failed: {listed(down)}.", "verdict")
    if comparison is not None:
        lost = [r.id for r in rows if r.met_before is True and r.met_after is not True]
        if lost:
            yield Point("refuse", f"Requirement met before and not after: {listed(lost, 30)}.", "verdict")
        lower = report.by_severity(c.id for c in comparison.changes if c.worsens)
        if lower:
            yield Point("refuse", f"Tolerates fewer failures than before: {listed(lower, 30)}.", "harms")
        gone = [c.id for c in comparison.changes if c.after is None]
        if gone:
            yield Point("refuse", f"No longer in the system, so not judged: {listed(gone, 30)}.", "harms")
        for effect in (e for e in effects if e.new):
            weight = "refuse" if effect.failures == 1 and effect.severity in GRAVE else "harm"
            own = f", {effect.new_own} of them with a failure of the proposal's own parts" if effect.new_own else ""
            text = f"{effect.new:,} {_cases(effect.failures, effect.new)} newly fail{'s' * (effect.new == 1)} "
            singles = report.newly_failing_singles(effect.severity) if effect.failures == 1 else []
            which = f": {listed(singles, 6)}" if singles else ""
            stated = effect.severity == NO_SEVERITY
            whom = "a load or function without a severity" if stated else f"a {effect.severity} load or function"
            yield Point(weight, f"{text}{whom}{own}{which}.", "harms")
        if comparison.spread:
            names = listed([str(s.event) for s in comparison.spread], 6)
            yield Point("harm", f"{_count(len(comparison.spread), 'fault')} newly propagate "
                                f"to a further channel: {names}.", "harms")  # fmt: skip
        worse = sum(len(report.changed_cases("worsened", own=own)) for own in (False, True))
        if worse:
            yield Point("harm", f"{_count(worse, 'smallest case')} with a longer interruption.", "harms")
        for text in comparison.question_changes:
            yield Point("open", f"The question itself was changed: {text}.", "verdict")
        for ground in comparison.ground:
            yield Point("open", f"Earthing: {ground}.", "harms")
    unmet = [r.id for r in rows if r.met_after is False and r.must_tolerate is not None]
    if unmet:
        yield Point("open", f"Requirements still not met: {listed(unmet, 20)}.", "verdict")
    unknown = [r.id for r in rows if r.must_tolerate is not None and r.met_after is None]
    if unknown:
        yield Point("open", f"Order {report.last.order} is too low to judge {listed(unknown, 20)}.", "verdict")
    if report.last.rated is None:
        yield Point("open", "Ratings are not counted in the verdicts (run with --ratings).", "assumptions")
    for note in describe_unasked(report.last.topology, report.last.modes):
        yield Point("open", f"{note[:1].upper()}{note[1:].rstrip('.')}.", "assumptions")


def _cases(failures: int, count: int) -> str:
    words = {1: "single failure", 2: "double failure"}.get(failures, f"case of {failures} failures")
    return words if count == 1 else words.replace("case of", "cases of") if failures > 2 else words + "s"


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'s' * (number != 1)}"


def _electrical_points(report: ReportInput, margins: Sequence[Margin]) -> Iterator[Point]:
    size = report.size
    if isinstance(size, PowerfaultError):
        yield Point("open", f"The jumper's size is not judged: {size}", "size")
    elif size is not None:
        for own in size.sizes:
            if own.fits is False:
                yield Point("refuse", f"{own.need.conductor.id} is inadequate as it stands.", "size")
            elif own.fits is None:
                yield Point("open", f"{own.need.conductor.id} is not judged in every criterion.", "size")
            for text in own.not_judged:
                yield Point("open", f"{own.need.conductor.id}, not judged: {text.rstrip('.')}.", "size")
        for finding in size.findings:
            if finding.grave == "unmet":
                yield Point("harm", f"{finding.id}: {finding.text.rstrip('.')}.", "size")
            elif finding.grave == "unknown":
                yield Point("open", f"{finding.id}: {finding.text.rstrip('.')}.", "size")
    elif report.comparison is not None:
        yield Point("open", "No power jumper was sized: the proposals bring none.", "assumptions")
    for margin in margins:
        if margin.ok is None:
            yield Point("open", f"No margin of {margin.what}: {margin.value}, limit {margin.limit}.", margin.evidence)
        elif not margin.ok:
            yield Point("harm", f"{margin.what}: {margin.value} against a limit of {margin.limit}.", margin.evidence)
    life = report.endurance
    if isinstance(life, (PowerfaultError, str)):
        yield Point("open", f"Batteries are not judged: {life}", "endurance")
    elif life is not None:
        for sinking in life.sinking:
            yield Point("harm", f"{sinking.words[:1].upper()}{sinking.words[1:]}.", "endurance")


def _work_points(report: ReportInput) -> Iterator[Point]:
    if report.comparison is not None:
        for id_, ends, found in report.isolations:
            if isinstance(found, PowerfaultError):
                yield Point("open", f"Isolation of {', '.join(ends)} for {id_} is not judged: {found}", "isolation")
            elif not found.chosen.may_work:
                yield Point("refuse", f"The work site of {id_} ({', '.join(ends)}) cannot be isolated as it must.",
                            "isolation")  # fmt: skip
        if report.plan is None:
            yield Point("open", "No plan of outings was given, so the work is not checked step by step.", "board")
        elif report.plan.refused:
            yield Point("refuse", "The plan of outings breaks a rule.", "installation")
    waived = waivers(report.last.topology)
    if waived:
        names = listed(report.by_severity(w.id for w in waived), 10)
        yield Point("open", f"{_count(len(waived), 'waiver')} to accept: {names}.", "assumptions")
    warnings = topology_warnings(report.last.topology)
    if warnings:
        yield Point("open", f"{_count(len(warnings), 'warning')} of the check of the file.", "assumptions")


def _recommendation(
    report: ReportInput, rows: Sequence[Requirement], effects: Sequence[Effect], points: Sequence[Point]
) -> str:
    if report.comparison is None:
        return NO_PROPOSAL
    gained = (
        any(r.met_after is True and r.met_before is not True for r in rows)
        or any(e.gone for e in effects)
        or any(c.improves for c in report.comparison.changes)
        or bool(report.changed_cases("eased"))
    )
    if not gained or any(p.weight == "refuse" for p in points):
        return REFUSE
    return CONDITIONS if points else RECOMMEND
