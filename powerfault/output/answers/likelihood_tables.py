"""The tables of likelihoods, before and after, and their JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from powerfault.model.likelihood_fields import rates_are
from powerfault.output.blocks.chances import amount_text, number_text, share_text, span_text
from powerfault.output.blocks.tables import Cell, Table, ToneCell
from powerfault.reliability.change import ConsumerRatio, ImportancePair, LikelihoodChange
from powerfault.reliability.consumer_likelihood import ConsumerLikelihood
from powerfault.reliability.importance import CONVENTION, Importance
from powerfault.reliability.probability import Span
from powerfault.reliability.rates import cause_rate
from powerfault.reliability.study import Likelihood, assumptions
from powerfault.reliability.uncertainty import Quantiles

IMPORTANT_SHOWN = 10
CUTS_SHOWN = 6


def probability_cell(own: ConsumerLikelihood | None) -> Cell:
    """The unavailability of one side, in words where there is no number."""
    if own is None:
        return "absent"
    if own.over_mission is None:
        return ToneCell("rate missing", "doubt")
    return span_text(own.over_mission.at_end, never=own.never, always=own.always)


def consumer_table(change: LikelihoodChange) -> Table:
    """Unavailability and expected failures of every consumer."""
    two = change.after is not None
    hours = change.last.settings.hours
    rows: list[tuple[Cell, ...]] = []
    for c in change.by_weight:
        sides = (c.before, c.after) if two else (c.before,)
        row: list[Cell] = [c.id, c.either.severity or "-", c.either.rides_through]
        row += [probability_cell(x) for x in sides]
        if two:
            row += [ratio_cell(c), "-" if c.unchanged else spread_text(c.spread)]
        else:
            row.append(quantiles_text(c.before.uncertainty if c.before else None))
        row += [amount_text(x.over_mission.failures) if x and x.over_mission else "-" for x in sides]
        rows.append(tuple(row))
    unavailability = ("before", "after", "times less likely", "5 to 95 %") if two else ("unavailability", "5 to 95 %")
    failures = ("failures before", "failures after") if two else ("expected failures",)
    return Table(
        "likelihood",
        f"Unavailability at {hours:g} h and expected failures until then",
        ("consumer", "severity", "rides through", *unavailability, *failures),
        tuple(rows),
        shown=40,
        numeric=frozenset((*unavailability, *failures)),
    )


def ratio_cell(c: ConsumerRatio) -> Cell:
    """How many times less likely; a ratio below 1 is more likely and says so."""
    if c.ratio is None:
        if c.before and c.after and c.before.over_mission and c.after.over_mission and c.after.never:
            return "1" if c.before.never else "cannot fail now"
        return "-"
    if c.unchanged:
        return "1 (as before)"
    tone = "good" if c.ratio.low > 1.0005 else "bad" if c.ratio.high < 0.9995 else ""
    words = ratio_text(c.ratio)
    return ToneCell(words, tone) if tone else words


def ratio_text(ratio: Span) -> str:
    """A ratio; one a little off 1 never reads 1.00.

    >>> ratio_text(Span(12.34, 12.34)), ratio_text(Span(1.0004, 1.0004)), ratio_text(Span(0.9998, 0.9998))
    ('12.3', 'just above 1', 'just below 1')
    """
    if ratio.exact and number_text(ratio.low) == "1.00":
        return "just above 1" if ratio.low > 1 else "just below 1" if ratio.low < 1 else "1"
    return amount_text(ratio)


def spread_text(spread: Quantiles | None) -> str:
    return "-" if spread is None else f"{number_text(spread.low)} to {number_text(spread.high)}"


def quantiles_text(spread: Quantiles | None) -> str:
    return spread_text(spread)


def uncertainty_table(change: LikelihoodChange) -> Table:
    """Quantiles of unavailability and of the ratio, with the number of samples."""
    rows: list[tuple[Cell, ...]] = []
    for c in change.by_weight:
        named = [(name, own.uncertainty if own else None) for name, own in _named_sides(change, c)]
        named += [] if c.unchanged else [("ratio", c.spread)]
        for what, q in named:
            if q is not None:
                numbers = (number_text(q.low), number_text(q.median), number_text(q.high), number_text(q.mean))
                rows.append((c.id, what, *numbers, q.samples))
    return Table(
        "likelihood-uncertainty",
        f"Spread from the error factors, each rate given being the {rates_are(change.last.topology)} of its lognormal "
        "distribution",
        ("consumer", "of", "5 %", "median", "95 %", "mean", "samples"),
        tuple(rows),
        shown=24,
        numeric=frozenset(("5 %", "median", "95 %", "mean")),
    )


def cause_table(change: LikelihoodChange) -> Table:
    """What the common causes do to the consumers that they reach, beside the independent result."""
    rows: list[tuple[Cell, ...]] = []
    for c in change.by_weight:
        for name, own in _named_sides(change, c):
            if own is None or own.over_mission is None or own.independent is None:
                continue
            ratio = own.over_mission.at_end.over(own.independent)
            cells = (span_text(own.independent), span_text(own.over_mission.at_end))
            rows.append((c.id, name, *cells, "-" if ratio is None else ratio_text(ratio)))
    return Table(
        "likelihood-common-causes",
        "Unavailability with common causes, beside the same rates without them",
        ("consumer", "system", "independent", "with common causes", "times likelier"),
        tuple(rows),
        shown=24,
        numeric=frozenset(("independent", "with common causes", "times likelier")),
    )


def switching_table(change: LikelihoodChange) -> Table:
    """How much rests on switching: if all operations succeeded, as given, and if none did."""
    stages = [
        s
        for s in ("automatic", "commanded", "manual")
        if any(
            own is not None and own.switching is not None and s in own.switching.by_stage
            for c in change.consumers
            for _, own in _named_sides(change, c)
        )
    ]
    rows: list[tuple[Cell, ...]] = []
    for c in change.by_weight:
        for name, own in _named_sides(change, c):
            if own is None or own.over_mission is None or own.switching is None:
                continue
            effect = own.switching
            by_stage = [span_text(effect.by_stage[s]) if s in effect.by_stage else "-" for s in stages]
            given = span_text(own.over_mission.at_end)
            rows.append((c.id, name, span_text(effect.all_succeed), *by_stage, given, span_text(effect.none_succeed)))
    columns = ("all succeed", *(f"{s} certain" for s in stages), "as given", "none succeeds")
    return Table(
        "likelihood-switching",
        "Unavailability if switching succeeded always, with the success given, and if nothing could be operated",
        ("consumer", "system", *columns),
        tuple(rows),
        shown=24,
        numeric=frozenset(columns),
    )


def importance_table(change: LikelihoodChange, consumer: str) -> Table:
    """The components that matter most to one consumer, before and after."""
    two = change.after is not None
    pairs = [p for p in change.importance(consumer) if p.greater > 0]
    rows: list[tuple[Cell, ...]] = []
    for p in pairs:
        row: list[Cell] = [p.id]
        for measure in (_share, _birnbaum, _achievement, _reduction):
            row += [measure(x) for x in ((p.before, p.after) if two else (p.before,))]
        rows.append(tuple(row))
    names = ("Fussell-Vesely", "Birnbaum", "risk achievement", "risk reduction")
    columns = [f"{n} {side}" for n in names for side in ("before", "after")] if two else list(names)
    return Table(
        f"importance-{consumer}",
        f"What matters most to {consumer}",
        ("component", *columns),
        tuple(rows),
        shown=IMPORTANT_SHOWN,
        numeric=frozenset(columns),
    )


def _share(x: Importance | None) -> Cell:
    return "-" if x is None else share_text(x.fussell_vesely)


def _birnbaum(x: Importance | None) -> Cell:
    return "-" if x is None else _small(x.birnbaum)


def _achievement(x: Importance | None) -> Cell:
    return "-" if x is None else _small(x.risk_achievement)


def _reduction(x: Importance | None) -> Cell:
    return "-" if x is None else _small(x.risk_reduction)


def _small(value: float) -> str:
    return "-" if math.isnan(value) or value < 0 else number_text(value)


def cut_table(change: LikelihoodChange, consumer: str) -> Table:
    """The likeliest minimal cut sets of one consumer, common causes and operations among their events."""
    c = next(x for x in change.consumers if x.id == consumer)
    rows: list[tuple[Cell, ...]] = []
    for name, own in _named_sides(change, c):
        if own is not None:
            rows += [
                (name, " + ".join(cut.events) or "nothing failed", number_text(cut.probability), share_text(cut.share))
                for cut in own.cut_sets[:CUTS_SHOWN]
            ]
    return Table(
        f"cut-sets-{consumer}",
        f"Likeliest minimal cut sets of {consumer}, up to order {change.last.settings.order}",
        ("system", "cut set", "probability", "of the unavailability"),
        tuple(rows),
        numeric=frozenset(("probability", "of the unavailability")),
    )


def _named_sides(change: LikelihoodChange, c: ConsumerRatio) -> list[tuple[str, ConsumerLikelihood | None]]:
    """The systems to tell apart for a consumer: one where the change does not touch it."""
    if change.after is None:
        return [("as it is", c.before)]
    return [("both", c.after)] if c.unchanged else [("before", c.before), ("after", c.after)]


def missing_rates(change: LikelihoodChange) -> tuple[str, ...]:
    """Everything without a rate that some consumer's number would need, on either side."""
    sides = [change.before, change.after] if change.after else [change.before]
    return tuple(dict.fromkeys(name for side in sides for name in side.missing))


# ---- JSON


def likelihood_json(change: LikelihoodChange, focus: Sequence[str]) -> dict[str, Any]:
    """Everything, unrounded; importance and cut sets for the consumers in ``focus``."""
    found: dict[str, Any] = {
        "format": 1,
        "topology": change.before.topology.name,
        "sha256": change.before.topology.sha256,
        "hours": change.last.settings.hours,
        "modes": list(change.last.settings.modes),
        "order": change.last.settings.order,
        "samples": change.last.settings.samples,
        "seed": change.last.settings.seed,
        "with": list(change.after.topology.applied) if change.after else list(change.before.topology.applied),
        "rates": rates_are(change.last.topology),
        "missing": list(missing_rates(change)),
        "fussell_vesely": CONVENTION,
        "before": _side_json(change.before),
    }
    if change.after:
        found["after"] = _side_json(change.after)
        found["changes"] = [
            {
                "id": c.id,
                "ratio": _span_json(c.ratio),
                "failures_ratio": _span_json(c.failures_ratio),
                "ratio_quantiles": _quantiles_json(c.spread),
            }
            for c in change.consumers
        ]
    found["importance"] = {id_: [_pair_json(p) for p in change.importance(id_)] for id_ in focus}
    return found


def _side_json(side: Likelihood) -> dict[str, Any]:
    return {
        "exact": side.exact,
        "greatest_gap": side.greatest_gap,
        "assumptions": list(assumptions(side)),
        "unrepaired": list(side.unrepaired),
        "common_causes": [
            {"name": c.name, "members": list(c.members), "mode": c.mode, "beta": c.beta,
             "failures_per_million_hours": c.failures_per_million_hours,
             "repair_h": cause_rate(side.topology, c).repair_h}
            for c in side.causes
        ],
        "switching_success": {**side.success.by_stage, **side.success.by_id},
        "consumers": [_consumer_json(c) for c in side.consumers],
    }  # fmt: skip


def _consumer_json(c: ConsumerLikelihood) -> dict[str, Any]:
    own = c.over_mission
    effect = c.switching
    return {
        "id": c.id,
        "type": c.type,
        "severity": c.severity,
        "rides_through": c.rides_through,
        "missing": list(c.missing),
        "exact": c.exact,
        "never_fails": c.never,
        "always_fails": c.always,
        "unavailability": _span_json(own.at_end) if own else None,
        "mean_unavailability": _span_json(own.mean) if own else None,
        "expected_failures": _span_json(own.failures) if own else None,
        "independent": _span_json(c.independent),
        "switching": None
        if effect is None
        else {
            "all_succeed": _span_json(effect.all_succeed),
            "none_succeed": _span_json(effect.none_succeed),
            "certain": {stage: _span_json(span) for stage, span in effect.by_stage.items()},
        },
        "quantiles": _quantiles_json(c.uncertainty),
        "cut_sets": [{"events": list(x.events), "probability": x.probability, "share": x.share} for x in c.cut_sets],
        "cut_set_count": c.cut_set_count,
    }


def _span_json(span: Span | None) -> dict[str, float | None] | None:
    return None if span is None else {"low": _finite(span.low), "high": _finite(span.high)}


def _quantiles_json(q: Quantiles | None) -> dict[str, float | int] | None:
    if q is None:
        return None
    return {"p05": q.low, "p50": q.median, "p95": q.high, "mean": q.mean, "samples": q.samples}


def _pair_json(p: ImportancePair) -> dict[str, Any]:
    return {"id": p.id, "role": p.role, "before": _importance_json(p.before), "after": _importance_json(p.after)}


def _importance_json(x: Importance | None) -> dict[str, float | None] | None:
    if x is None:
        return None
    return {
        "probability": x.probability,
        "if_failed": x.if_failed,
        "if_whole": x.if_whole,
        "birnbaum": x.birnbaum,
        "fussell_vesely": _finite(x.fussell_vesely),
        "risk_achievement": _finite(x.risk_achievement),
        "risk_reduction": _finite(x.risk_reduction),
    }


def _finite(value: float) -> float | None:
    """JSON has no infinity: ``None`` stands for a number without limit."""
    return value if math.isfinite(value) else None
