"""Results as text for a terminal: a short verdict first, then the tables that people look for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from powerfault.model.elements import Event
from powerfault.output.blocks.screen import Screen, plain_text
from powerfault.tolerance.comparison.cases import ConsumerChange
from powerfault.tolerance.comparison.changed_cases import CaseList
from powerfault.tolerance.comparison.study import Comparison
from powerfault.tolerance.study import Study
from powerfault.tolerance.verdicts import Verdict

CASES_SHOWN = 20


def case_text(case: Iterable[Event]) -> str:
    return " + ".join(map(str, case)) or "nothing failed"


def tolerance_text(verdict: Verdict | None) -> str:
    """``1``, ``at least 2``, or words for a consumer that is down with nothing failed."""
    if verdict is None:
        return "absent"
    if verdict.tolerates < 0:
        return "down now"
    return f"at least {verdict.tolerates}" if verdict.lower_bound else str(verdict.tolerates)


def meets_text(verdict: Verdict | None) -> str:
    if verdict is None or verdict.must_tolerate is None:
        return "-"
    return {True: "met", False: "NOT MET", None: "order too low"}[verdict.meets]


LOOKS = {"met": "good", "NOT MET": "bad", "order too low": "doubt", "down now": "bad"}


def verdict_sentence(study: Study) -> str:
    """The verdict on one system in a sentence."""
    asked = [v for v in study.verdicts if v.must_tolerate is not None]
    met = sum(v.meets is True for v in asked)
    unmet = [v.id for v in asked if v.meets is False]
    open_ = [v.id for v in asked if v.meets is None]
    text = f"{met} of {len(asked)} requirements met"
    if unmet:
        text += f"; not met: {_listed(unmet)}"
    if open_:
        text += f"; order {study.order} is too low to tell: {_listed(open_)}"
    if not asked:
        text = "no consumer has a requirement (none names a severity or must_tolerate)"
    return text + "."


def comparison_sentence(comparison: Comparison) -> str:
    """The verdict on a change in a sentence."""
    before, after, total = comparison.met
    names = ", ".join(comparison.after.topology.applied) or comparison.after.topology.name
    gained = [
        c.id
        for c in comparison.changes
        if c.after and c.after.meets is True and c.before and c.before.meets is not True
    ]
    lost = [
        c.id
        for c in comparison.changes
        if c.before and c.before.meets is True and (not c.after or c.after.meets is not True)
    ]
    text = f"With {names}: {after} of {total} requirements met, {before} before"
    text += f"; newly met: {_listed(gained)}" if gained else "; none newly met"
    text += f"; NO LONGER MET: {_listed(lost)}." if lost else "; none lost."
    return text


def _up_to(order: int) -> str:
    return "1 failure" if order == 1 else f"1 to {order} failures"


def _listed(names: Sequence[str], most: int = 8) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def print_study(study: Study, screen: Screen) -> None:
    """Write the verdict and the tables of one study."""
    topology = study.topology
    changed = f" with {', '.join(topology.applied)}" if topology.applied else ""
    screen.line(screen.paint(f"{plain_text(topology.name)}{changed}: {verdict_sentence(study)}", "strong"))
    screen.line(
        f"{study.case_count:,} cases of {_up_to(study.order)} ({', '.join(study.modes)}; {len(study.events)} events)."
    )
    if study.standing:
        screen.line(f"Standing in every case: {case_text(study.standing)}.")
    screen.heading("Requirements")
    screen.table(
        ("consumer", "type", "severity", "rides through", "must tolerate", "tolerates", "verdict"),
        [
            (
                v.id,
                v.type,
                v.severity or "-",
                v.rides_through,
                "-" if v.must_tolerate is None else str(v.must_tolerate),
                tolerance_text(v),
                meets_text(v),
            )
            for v in study.verdicts
        ],
        LOOKS,
    )
    if study.baseline:
        screen.heading("Down with nothing failed beyond what stands failed")
        screen.table(("consumer", "outcome"), list(study.baseline.items()))
    _print_points(study, 1, "Single points of failure", screen)
    largest = max((len(c) for v in study.verdicts for c in v.minimal_cut_sets), default=0)
    for order in range(2, max(2, min(study.order, largest)) + 1):
        name = {2: "Pairs that matter (no single one of them fails the consumer)"}.get(
            order, f"Minimal sets of {order}"
        )
        _print_points(study, order, name, screen)
    if study.at_once is not None:
        _print_carried(study, screen)
    if study.rated is not None:
        _print_sets("Lost or late for want of capacity, not of a path", _without_capacity(study), screen)
    _print_notes(study, screen)


def _print_carried(study: Study, screen: Screen) -> None:
    """Write the cases in which a storage carries a consumer until it is flat, the consumers of each by outcome."""
    rows = []
    for (case, outcomes), better in zip(study.iter_cases(), study.iter_when_flat(), strict=True):
        by_change: dict[tuple[str, str], list[str]] = {}
        for consumer, at_once in better.items():
            by_change.setdefault((at_once, outcomes[consumer]), []).append(consumer)
        rows += [(case_text(case), _listed(ids, 6), *change) for change, ids in by_change.items()]
    screen.heading(f"Carried until a storage is flat: {len(rows) or 'none'}")
    if not rows:
        return
    screen.table(("failed", "load / function", "outcome at once", "outcome in the long run"), rows[:CASES_SHOWN])
    if len(rows) > CASES_SHOWN:
        screen.line(f"  {len(rows) - CASES_SHOWN:,} more: --json lists all")
    screen.line("  'powerfault explain' says from which storage, and for how many hours.")


def _without_capacity(study: Study) -> list[tuple[str, CaseList]]:
    assert study.rated is not None
    found: dict[str, list[tuple[Event, ...]]] = {}
    for case, consumers in study.rated.no_capacity.items():
        for consumer in sorted(consumers):
            found.setdefault(consumer, []).append(case)
    return [(consumer, tuple(cases)) for consumer, cases in found.items()]


def _print_points(study: Study, order: int, title: str, screen: Screen) -> None:
    by_case: dict[tuple[Event, ...], list[str]] = {}
    for verdict in study.verdicts:
        for cut in verdict.minimal_cut_sets:
            if len(cut) == order:
                by_case.setdefault(cut, []).append(verdict.id)
    screen.heading(f"{title}: {len(by_case) or 'none'}")
    if not by_case:
        return
    severest = {v.id: v.must_tolerate if v.must_tolerate is not None else -1 for v in study.verdicts}
    ordered = sorted(by_case.items(), key=lambda item: (-max(severest[c] for c in item[1]), -len(item[1])))
    screen.table(("failed", "fails"), [(case_text(c), _listed(ids, 6)) for c, ids in ordered[:CASES_SHOWN]])
    if len(ordered) > CASES_SHOWN:
        screen.line(f"  {len(ordered) - CASES_SHOWN:,} more: --json or --csv FILE lists all")


def _print_notes(study: Study, screen: Screen) -> None:
    screen.heading("What this result rests on")
    for note in study.notes:
        screen.line(f"  - {note}")
    screen.line("  - It models what its file says; it supports and never replaces the project's own hazard analysis.")


def print_comparison(comparison: Comparison, screen: Screen, *, notes: bool = True) -> None:
    """Write the verdict on a change, what it cures and what it makes worse."""
    screen.line(screen.paint(comparison_sentence(comparison), "strong"))
    for change in comparison.question_changes:
        screen.line(screen.paint(f"The question itself was changed: {change}.", "bad"))
    print_changes(comparison.changes, screen)
    for text in carried_sentences(comparison):
        screen.line(text)
    _print_findings(comparison, screen)
    if notes:
        _print_notes(comparison.after, screen)


def carried_sentences(comparison: Comparison) -> list[str]:
    """Say which cut sets gone or new are no drops, since a storage carries the load until it is flat."""
    said = []
    for word, was, found in (
        ("gone", "carried", comparison.carried_before),
        ("new", "carries", comparison.carried_after),
    ):
        if found:
            ids = tuple(dict.fromkeys(i for own in found.values() for i in own))
            said.append(
                f"In {len(found)} of the minimal cut sets {word} a storage {was} {_listed(ids)} until it "
                f"{'was' if was == 'carried' else 'is'} flat: counted as failing, in the long run, and no drop at once."
            )
    return said


def _print_findings(comparison: Comparison, screen: Screen) -> None:
    """Write what the change does to the spread of faults, the worst single failure and earthing."""
    topology = comparison.after.topology
    screen.heading(f"Single events that reach a further channel (shorts included): {len(comparison.spread) or 'none'}")
    for spread in comparison.spread[:CASES_SHOWN]:
        screen.line(f"  - {spread.sentence(topology)}")
    if len(comparison.spread) > CASES_SHOWN:
        screen.line(f"  {len(comparison.spread) - CASES_SHOWN:,} more: --json lists all")
    for result in comparison.variants:
        left = len(result.still_spread)
        text = "nothing then reaches a further channel" if not left else f"{left} still reach a further channel"
        screen.line(
            f"  With {result.variant.about}: {text}; {result.requirements_met} requirements met"
            + (f", not met: {_listed(result.unmet)}." if result.unmet else ".")
        )
    screen.heading("Worst single failure")
    for when, pair in zip(("before", "after"), comparison.worst, strict=True):
        if pair is None:
            continue
        for name, harm in zip(("most severe", "most demand"), pair, strict=True):
            screen.line(
                f"  {when}, {name}: {harm.event} fails {_listed(harm.failing) or 'nothing'} "
                f"({harm.severest or 'no severity'}, {harm.demand_kw:g} kW)"
            )
    if comparison.ground:
        screen.heading("Earthing")
        for finding in comparison.ground:
            screen.line(screen.paint(f"  - {finding}", "bad"))


def print_changes(changes: Sequence[ConsumerChange], screen: Screen) -> None:
    """Write the tables of a comparison: requirements, cut sets gone and new, what is made worse."""
    screen.heading("Requirements before and after")
    rows = []
    for c in changes:
        verdict = c.after or c.before
        assert verdict is not None
        rows.append(
            (
                c.id,
                verdict.severity or "-",
                "-" if verdict.must_tolerate is None else str(verdict.must_tolerate),
                tolerance_text(c.before),
                tolerance_text(c.after),
                meets_text(c.before),
                meets_text(c.after),
                str(len(c.gone)),
                str(len(c.new)),
            )
        )
    screen.table(
        ("consumer", "severity", "must", "before", "after", "was", "is", "cut sets gone", "cut sets new"), rows, LOOKS
    )
    _print_sets("Minimal cut sets gone", [(c.id, c.gone) for c in changes], screen)
    _print_sets("Minimal cut sets new", [(c.id, c.new) for c in changes], screen)
    worse = [(c.id, (*c.cases.get("broken", ()), *c.cases.get("worsened", ()))) for c in changes]
    if not any(cases for _, cases in worse):
        screen.heading("Made worse: nothing, in no case on the components that both systems have")
    else:
        _print_sets("Made worse (broken or worsened cases)", worse, screen)
    own = [(c.id, (*c.own_cases.get("broken", ()), *c.own_cases.get("worsened", ()))) for c in changes]
    if any(cases for _, cases in own):
        _print_sets("Failures of the proposal's own components that do harm", own, screen)
    else:
        screen.heading("Failures of the proposal's own components do no harm beyond the cases without them")
    totals = {
        name: sum(len(c.cases.get(name, ())) for c in changes) for name in ("cured", "eased", "worsened", "broken")
    }
    screen.line()
    screen.line("Cases, for completeness (one cured single failure cures every pair that holds it): ")
    screen.line("  " + ", ".join(f"{name} {count:,}" for name, count in totals.items()))


def _print_sets(title: str, found: Sequence[tuple[str, CaseList]], screen: Screen) -> None:
    rows: dict[tuple[Event, ...], list[str]] = {}
    for consumer, cases in found:
        for case in cases:
            rows.setdefault(case, []).append(consumer)
    screen.heading(f"{title}: {len(rows) or 'none'}")
    if rows:
        ordered = sorted(rows.items(), key=lambda item: len(item[0]))
        screen.table(("failed", "consumers"), [(case_text(c), _listed(ids, 6)) for c, ids in ordered[:CASES_SHOWN]])
        if len(ordered) > CASES_SHOWN:
            screen.line(f"  {len(ordered) - CASES_SHOWN:,} more: --json lists all")
