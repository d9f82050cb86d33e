"""One failure after another as blocks for the terminal, for Markdown and for the report, and as JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from powerfault.model.elements import SEVERITIES
from powerfault.output.blocks.blocks import Block, Paragraph, TableBlock
from powerfault.output.blocks.tables import Cell, Table, ToneCell
from powerfault.tolerance.comparison.harm import Harm
from powerfault.tolerance.sequence.study import Alternative, First, SequenceStudy, SequenceVerdict

PAIRS_SHOWN = 50
METHOD = (
    "Each first failure is answered by the switching plan of 'powerfault restore' up to the stage named, and every "
    "next failure is evaluated in the state that this leaves. A load or function fails in sequence if either failure "
    "interrupts it longer than it allows, in the state in which that failure finds the system."
)


def sequence_blocks(before: SequenceStudy, after: SequenceStudy | None) -> list[Block]:
    """The answer of ``powerfault sequence``; ``after`` is the system with the proposals."""
    last = after or before
    blocks: list[Block] = [Paragraph(headline(last), "lead"), Paragraph(METHOD, "note")]
    if after is not None:
        blocks.append(Paragraph(change_sentence(before, after)))
    blocks.append(TableBlock(verdict_table(before, after)))
    blocks.append(TableBlock(exposure_table(before, after)))
    blocks.append(TableBlock(pair_table(last)))
    if last.alternatives:
        blocks.append(TableBlock(alternative_table(last)))
    return blocks


def headline(study: SequenceStudy) -> str:
    """How many requirements hold in sequence, and what the answers cost and gain."""
    required = [v for v in study.verdicts if v.must_tolerate is not None]
    unmet = [v.id for v in required if v.meets is False]
    open_ = [v.id for v in required if v.meets is None]
    worse = sum(len(v.worse) for v in study.verdicts)
    better = sum(len(v.better) for v in study.verdicts)
    said = f"In sequence {sum(v.meets is True for v in required)} of {len(required)} requirements are met"
    said += f"; not met: {', '.join(unmet)}" if unmet else ""
    said += f"; not judged (more than two failures are asked): {', '.join(open_)}" if open_ else ""
    return (
        f"{said}. Worse in sequence than at once: {worse:,} pairs and loads or functions (the price of what the answer "
        f"leaves closed). Better: {better:,} (there was time to answer)."
    )


def change_sentence(before: SequenceStudy, after: SequenceStudy) -> str:
    was, now = (sum(len(v.worse) for v in s.verdicts) for s in (before, after))
    names = ", ".join(after.topology.applied)
    return f"Without {names} {was:,} are worse in sequence, with it {now:,}."


def verdict_table(before: SequenceStudy, after: SequenceStudy | None) -> Table:
    """Tolerance at once and in sequence, a row a load or function."""
    columns = ["load / function", "severity", "must tolerate"]
    sides = [before] if after is None else [before, after]
    for name in ("",) if after is None else (" before", " after"):
        columns += [f"at once{name}", f"in sequence{name}"]
    columns += ["verdict", "worse in sequence", "better in sequence"]
    rows: list[tuple[Cell, ...]] = []
    for verdict in sides[-1].verdicts:
        row: list[Cell] = [verdict.id, verdict.severity or "-", verdict.must_tolerate]
        for side in sides:
            found = next((v for v in side.verdicts if v.id == verdict.id), None)
            row += [_tolerance(found.at_once), _tolerance(found.in_sequence)] if found else ["-", "-"]
        row += [_meets(verdict), len(verdict.worse), len(verdict.better)]
        rows.append(tuple(row))
    return Table("sequence_verdicts", "Tolerance at once and in sequence", tuple(columns), tuple(rows))


def exposure_table(before: SequenceStudy, after: SequenceStudy | None) -> Table:
    """The first failures after which the system is most exposed."""
    last = after or before
    was = {first.event: first for first in before.firsts} if after is not None else {}
    rows: list[tuple[Cell, ...]] = []
    for first in last.most_exposed:
        row: list[Cell] = [str(first.event), _positions(first.state.positions), ", ".join(first.state.shed) or "-"]
        row.append(_counts(first.exposure))
        if after is not None:
            row.append(_counts(was[first.event].exposure) if first.event in was else "not in this system")
        row.append(_worst(first.worst))
        rows.append(tuple(row))
    columns = ["first failure", "after the answer", "shed", "exposure"]
    columns += ["exposure before"] if after is not None else []
    columns.append("worst next failure")
    title = "First failures after which the next one fails most (next failures x what they newly fail, by severity)"
    return Table("sequence_exposure", title, tuple(columns), tuple(rows))


def pair_table(study: SequenceStudy) -> Table:
    """Ordered pairs that fail in sequence what both at once do not."""
    rows: list[tuple[Cell, ...]] = []
    for first in study.most_exposed:
        for event, failing in first.in_sequence.items():
            worse = failing - first.at_once[event]
            if worse:
                rows.append((str(first.event), _positions(first.state.positions), str(event), ", ".join(sorted(worse))))
    title = "Worse in sequence: the next failure fails what it would not fail at once with the first"
    return Table("sequence_worse", title, ("first", "after the answer", "next", "newly fails"), tuple(rows))


def alternative_table(study: SequenceStudy) -> Table:
    """Other answers that serve the same loads and leave the system less exposed."""
    exposed = {first.event: first for first in study.firsts}
    rows = tuple(
        (
            str(a.first),
            _positions(exposed[a.first].state.positions),
            _counts(exposed[a.first].exposure),
            _positions(a.positions),
            _counts(a.exposure),
            _worst(a.worst),
        )
        for a in study.alternatives
    )
    columns = ("first failure", "answer", "exposure", "less exposed answer", "exposure then", "worst next failure then")
    return Table("sequence_alternatives", "Less exposed answers that serve the same loads", columns, rows)


def sequence_json(before: SequenceStudy, after: SequenceStudy | None) -> dict[str, Any]:
    last = after or before
    found: dict[str, Any] = {
        "format": 1,
        "topology": last.topology.name,
        "sha256": last.topology.sha256,
        "with": list(last.topology.applied),
        "modes": list(last.modes),
        "answered": last.answered,
        "before": _side(before),
    }
    if after is not None:
        found["after"] = _side(after)
    return found


def _side(study: SequenceStudy) -> dict[str, Any]:
    return {
        "events": [str(e) for e in study.events],
        "consumers": [v.to_json() for v in study.verdicts],
        "firsts": [_first(first) for first in study.firsts],
        "less_exposed_answers": [_alternative(a) for a in study.alternatives],
    }


def _first(first: First) -> dict[str, Any]:
    worse = {e: found - first.at_once[e] for e, found in first.in_sequence.items()}
    better = {e: first.at_once[e] - found for e, found in first.in_sequence.items()}
    ordered = {e: sorted(found) for e, found in first.in_sequence.items() if found}
    return {
        "event": str(first.event),
        "positions": dict(first.state.positions),
        "shed": list(first.state.shed),
        "out_of_service": list(first.state.out_of_service),
        "fails": list(first.fails),
        "exposure": _by_severity(first.exposure),
        "worst_next": str(first.worst.event) if first.worst else None,
        "in_sequence": {str(e): found for e, found in ordered.items()},
        "worse_in_sequence": {str(e): sorted(x) for e, x in worse.items() if x},
        "better_in_sequence": {str(e): sorted(x) for e, x in better.items() if x},
    }


def _alternative(a: Alternative) -> dict[str, Any]:
    return {"first": str(a.first), "positions": dict(a.positions), "exposure": _by_severity(a.exposure)}


def _by_severity(counts: Sequence[int]) -> dict[str, int]:
    return dict(zip((*SEVERITIES, "none"), counts, strict=True)) if counts else {}


def _counts(counts: Sequence[int]) -> str:
    names = (*SEVERITIES, "no severity")
    return ", ".join(f"{count:,} {name}" for count, name in zip(counts, names, strict=True) if count) or "none"


def _positions(positions: Mapping[str, str]) -> str:
    return ", ".join(f"{id_} {to}" for id_, to in positions.items()) or "as in the file"


def _worst(worst: Harm | None) -> str:
    if worst is None:
        return "-"
    named = ", ".join(worst.failing[:3]) + (f" and {len(worst.failing) - 3} more" if len(worst.failing) > 3 else "")
    return f"{worst.event}: {named}"


def _tolerance(tolerates: int) -> Cell:
    return ">= 2" if tolerates >= 2 else tolerates


def _meets(verdict: SequenceVerdict) -> Cell:
    if verdict.must_tolerate is None:
        return "-"
    if verdict.meets is None:
        return ToneCell("not judged", "doubt")
    return ToneCell("met", "good") if verdict.meets else ToneCell("NOT MET", "bad")
