"""Served load as text for a terminal and as JSON in pieces, so that many cases need not be held as one text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from powerfault.electrical.served.served_case import ServedCase
from powerfault.electrical.served.study import CapacityStudy
from powerfault.files import json_text
from powerfault.output.answers.verdicts_text import CASES_SHOWN, case_text
from powerfault.output.blocks.screen import Screen


def capacity_json(found: CapacityStudy) -> Iterator[str]:
    """Yield the results object as JSON text, a case at a time."""
    head = json_text(found.head())
    yield head[:-1] + ', "cases": ['
    for i, case in enumerate(found.cases):
        yield (",\n" if i else "\n") + json_text(case.to_json())
    yield "\n]}\n"


def print_capacity(found: CapacityStudy, screen: Screen) -> None:
    """Write the verdict, then the cases in which some load is dark, the worst first."""
    topology = found.topology
    applied = f" with {', '.join(topology.applied)}" if topology.applied else ""
    screen.line(screen.paint(f"{topology.name}{applied}: served load at stage {found.stage}", "strong"))
    single = len({c.failed for c in found.cases}) == 1
    dark = [c for c in found.cases if c.shed]
    short = [c for c in dark if c.no_capacity]
    screen.line(
        f"{len(found.cases):,} cases and phases: in {len(short):,} a load that has a path must be shed, "
        f"in {len(dark) - len(short):,} more a load has no path."
    )
    _print_proofs(found, screen)
    base = [c for c in found.cases if not c.failed and not single]
    if base:
        screen.heading("With nothing failed")
        _table(base, screen)
    ranked = sorted((c for c in dark if c.failed or single), key=_severity)
    shown = list(found.cases) if single else ranked[:CASES_SHOWN]
    if shown:
        screen.heading("This case" if single else "Cases with dark loads, the worst first")
        _table(shown, screen)
        if len(ranked) > len(shown):
            screen.line(f"  and {len(ranked) - len(shown):,} more; --json lists all")
    if single:
        for case in found.cases:
            _print_case(case, screen, len(found.cases) > 1)
    remarks = dict.fromkeys(text for c in found.cases for text in c.findings)
    if remarks:
        screen.heading("Findings")
        for text in list(remarks)[:CASES_SHOWN]:
            count = sum(text in c.findings for c in found.cases)
            screen.line(f"  {text}" + (f" ({count:,} cases and phases)" if len(found.cases) > 1 else ""))
    screen.heading("What this rests on")
    for note in found.notes:
        screen.line(f"  {note}")


def _print_proofs(found: CapacityStudy, screen: Screen) -> None:
    proofs = found.proofs
    said = f"Optimal in {len(found.cases) - proofs['not proved']:,}: "
    said += f"{_percent(found.share_without_solver)} proved without a solver, {proofs['solver']:,} solved."
    screen.line(said)
    if proofs["not proved"]:
        screen.line(
            screen.paint(
                f"NOT PROVED in {proofs['not proved']:,}: the solver stopped early; what is shown there is no optimum.",
                "bad",
            )
        )


def _percent(share: float) -> str:
    """A share in percent that reads 0 or 100 only where it is exactly so."""
    if share in (0.0, 1.0):
        return f"{100 * share:.0f} %"
    return f"{min(99.9, max(0.1, 100 * share)):.1f} %"


def _severity(case: ServedCase) -> tuple[tuple[float, ...], int]:
    missing = tuple(-(case.demand_kw[p] - case.served_kw[p]) for p in sorted(case.demand_kw))
    return missing, len(case.failed)


def _table(cases: Sequence[ServedCase], screen: Screen) -> None:
    priorities = sorted({p for c in cases for p in c.demand_kw})
    header = ["case", "phase", *(f"P{p} kW" for p in priorities), "no capacity", "no path", "operations"]
    rows = [
        [
            case_text(c.failed),
            c.phase,
            *(f"{c.served_kw[p]:.3g} of {c.demand_kw[p]:.3g}" for p in priorities),
            _ids(c.no_capacity),
            _ids(c.no_path),
            str(len(c.operations)) if c.proved else "not proved",
        ]
        for c in cases
    ]
    screen.table(header, rows, {"not proved": "bad"})


def _ids(ids: Sequence[str], most: int = 3) -> str:
    return ", ".join(ids[:most]) + (f" +{len(ids) - most}" if len(ids) > most else "") or "-"


def _print_case(case: ServedCase, screen: Screen, named: bool) -> None:
    screen.heading(f"In phase {case.phase}" if named else "Positions and loading")
    moves = [f"{id_} {to}" for id_, to in case.operations]
    screen.line(f"  operations: {', '.join(moves) or 'none'}")
    if case.reclosed:
        screen.line(f"  closed again after tripping: {', '.join(case.reclosed)}")
    if case.mated:
        screen.line(f"  mated by the crew: {', '.join(case.mated)}")
    for id_, through in case.jumpers.items():
        if through.kw > 0:
            screen.line(f"  jumper {id_} carries {through.kw:.3g} kW from {through.source} to {through.target}")
    full = sorted(((x.share, id_, x) for id_, x in case.loading.items() if x.share >= 0.5), reverse=True)
    for share, id_, x in full[:12]:
        screen.line(f"  {id_}: {x.kw:.3g} of {x.limit_kw:.3g} kW, {_percent(share)}")
