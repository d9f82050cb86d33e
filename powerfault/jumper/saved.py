"""Saved results (the JSON of ``faults``) as the side of a comparison.

A file saved by another version, cut short or of another question is refused with the reason.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from powerfault.errors import RequestError
from powerfault.failures.cases import case_blocks
from powerfault.failures.outcomes import CaseBlock
from powerfault.failures.verdicts import Verdict
from powerfault.jumper.comparison import Judged
from powerfault.model.elements import OUTCOMES, Event

QUESTION_CHANGED = "the question was changed: "
"""How a note of a result begins that names a change of the question."""


@dataclass(frozen=True, slots=True)
class SavedCases:
    """The cases of a saved result, written out."""

    events: tuple[Event, ...]
    consumers: tuple[str, ...]
    order: int
    baseline: NDArray[np.uint8]
    blocks: list[CaseBlock]

    def of_order(self, k: int) -> Iterator[CaseBlock]:
        return (b for b in self.blocks if b.cases.shape[1] == k)


@dataclass(frozen=True, slots=True)
class SavedResult:
    """One saved result: the object as read, and its cases and verdicts."""

    path: str
    data: Mapping[str, Any]
    judged: Judged

    @property
    def question_changes(self) -> tuple[str, ...]:
        """What its proposals changed of the question, as its notes say it."""
        notes = (str(n) for n in self.data.get("notes") or ())
        return tuple(n.removeprefix(QUESTION_CHANGED) for n in notes if n.startswith(QUESTION_CHANGED))


def read_saved_result(path: str | Path) -> SavedResult:
    """Read what ``powerfault faults --json`` printed. Raises :class:`RequestError` where it is not that."""
    try:
        data = json.loads(Path(path).read_text("utf-8"))
    except OSError as error:
        raise RequestError(f"cannot read {path}: {error.strerror or error}") from error
    except ValueError as error:
        raise RequestError(
            f"{path}: expected the JSON that 'powerfault faults --json' prints, found: {error}"
        ) from error
    if not isinstance(data, dict) or data.get("format") != 1 or "consumers" not in data:
        raise RequestError(
            f'{path}: expected an object with "format": 1 and "consumers", as \'powerfault faults --json\' prints'
        )
    if "cases" not in data:
        raise RequestError(f"{path}: holds no cases; save it with 'powerfault faults FILE --json > {path}'")
    try:
        return SavedResult(str(path), data, _judged(data))
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise RequestError(f"{path}: not a whole result ({type(error).__name__}: {error}); save it again") from error


def check_comparable(before: SavedResult, after: SavedResult) -> None:
    """Raise :class:`RequestError` with the reason where two results answer different questions."""
    for name in ("order", "modes"):
        if before.data[name] != after.data[name]:
            raise RequestError(
                f"not comparable: {name} is {before.data[name]} in {before.path} "
                f"and {after.data[name]} in {after.path}; save both with the same options"
            )
    if not set(before.data["events"]) & set(after.data["events"]):
        raise RequestError(f"not comparable: {before.path} and {after.path} have no event in common")


def _event(text: str) -> Event:
    id_, _, mode = text.partition(":")
    return Event(id_, mode or "loss")


def _judged(data: Mapping[str, Any]) -> Judged:
    events = tuple(_event(e) for e in data["events"])
    consumers = tuple(c["id"] for c in data["consumers"])
    order = int(data["order"])
    number = {str(e): i for i, e in enumerate(events)}
    column = {c: i for i, c in enumerate(consumers)}
    found = {
        tuple(sorted(number[e] for e in case["failed"])): {
            column[c]: OUTCOMES.index(outcome) for c, outcome in case["outcomes"].items()
        }
        for case in data["cases"]
    }
    baseline = np.zeros(len(consumers), np.uint8)
    for id_, outcome in data.get("nothing_failed", {}).items():
        baseline[column[id_]] = OUTCOMES.index(outcome)
    blocks = []
    for k in range(1, order + 1):
        for cases in case_blocks(events, k, 1 << 15):
            outcomes = np.zeros((len(cases), len(consumers)), np.uint8)
            for i, case in enumerate(map(tuple, cases.tolist())):
                for consumer, outcome in found.get(case, {}).items():
                    outcomes[i, consumer] = outcome
            blocks.append(CaseBlock(cases, outcomes))
    verdicts = tuple(
        Verdict(
            id=c["id"],
            type=c["type"],
            severity=c["severity"],
            must_tolerate=c["must_tolerate"],
            rides_through=c["rides_through"],
            tolerates=c["tolerates"],
            lower_bound=c["lower_bound"],
            meets=c["meets"],
            minimal_cut_sets=tuple(tuple(_event(e) for e in cut) for cut in c["minimal_cut_sets"]),
        )
        for c in data["consumers"]
    )
    return Judged(SavedCases(events, consumers, order, baseline, blocks), verdicts)
