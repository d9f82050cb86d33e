"""Saved results (the JSON of ``faults``) as the side of a comparison.

A file that was cut short, changed since, saved by an older version or of another question is refused with the reason.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from powerfault.errors import RequestError
from powerfault.files import note_read
from powerfault.model.collector import collector_paused
from powerfault.model.elements import OUTCOMES, Event
from powerfault.model.places import printable
from powerfault.tolerance.comparison.cases import Judged, Lookup
from powerfault.tolerance.results import check_result
from powerfault.tolerance.study import QUESTION_CHANGED
from powerfault.tolerance.verdicts import Verdict

MAX_RESULT_BYTES = 4 * 10**9
Found = Mapping[tuple[int, ...], Mapping[int, int]]
"""By case, as ascending event numbers, the outcome of each consumer that is not uninterrupted."""


class SavedCases:
    """The cases of a saved result: as one ``cases.Group``, on which every event bears."""

    def __init__(self, n_events: int, n_consumers: int, order: int, found: Found) -> None:
        """``found`` gives by case, the empty one with them, the outcomes by consumer, but those uninterrupted."""
        self.consumers = np.arange(n_consumers)
        self.events = np.ones(n_events, bool)
        self._base = n_events + 1
        cases = [(-1,) * (order - len(case)) + case for case in found]
        keys = self._key(np.array(cases, np.int64))
        by_key = np.argsort(keys)
        counts = np.array([len(own) for own in found.values()], np.int64)
        self._keys, self._counts, self._begins = keys[by_key], counts[by_key], (np.cumsum(counts) - counts)[by_key]
        self._column = np.array([c for own in found.values() for c in own], np.int64)
        self._outcome = np.array([o for own in found.values() for o in own.values()], np.uint8)

    def _key(self, cases: NDArray[np.int64]) -> NDArray[np.int64]:
        """A number of each ascending case; event -1, which is none, counts for nothing."""
        key = np.zeros(len(cases), np.int64)
        for column in cases.T:
            key = key * self._base + column + 1
        return key

    def lookup(self, consumers: NDArray[np.int64]) -> Lookup:
        to_place = np.full(len(self.consumers), -1, np.int64)
        to_place[consumers] = np.arange(len(consumers))

        def outcomes(cases: NDArray[np.int64]) -> NDArray[np.uint8]:
            result = np.zeros((len(cases), len(consumers)), np.uint8)
            keys = self._key(np.sort(cases, axis=1))
            place = np.minimum(np.searchsorted(self._keys, keys), len(self._keys) - 1)
            row = np.flatnonzero(self._keys[place] == keys)
            counts = self._counts[place[row]]
            cell = np.repeat(self._begins[place[row]] - (np.cumsum(counts) - counts), counts) + np.arange(counts.sum())
            column = to_place[self._column[cell]]
            kept = column >= 0
            result[np.repeat(row, counts)[kept], column[kept]] = self._outcome[cell[kept]]
            return result

        return outcomes


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


@collector_paused()
def read_saved_result(path: str | Path) -> SavedResult:
    """Read what ``powerfault faults --json`` printed. Raises :class:`RequestError` where it is not that."""
    shown = printable(str(path))
    try:
        with open(path, "rb") as stream:
            note_read(stream)
            text = stream.read(MAX_RESULT_BYTES + 1)
        if len(text) > MAX_RESULT_BYTES:
            raise RequestError(f"{shown}: larger than {MAX_RESULT_BYTES // 10**9} GB, the most that is read")
        data = json.loads(text.decode("utf-8-sig"), parse_constant=_no_number)
        check_result(shown, data)
    except OSError as error:
        raise RequestError(f"cannot read {shown}: {error.strerror or error}") from error
    except (ValueError, RecursionError) as error:
        reason = "nested too deep" if isinstance(error, RecursionError) else printable(str(error)[:200])
        raise RequestError(
            f"{shown}: expected the JSON that 'powerfault faults --json' prints, found: {reason}"
        ) from error
    if "cases" not in data:
        raise RequestError(f"{shown}: holds no cases; save it with 'powerfault faults FILE --json > {shown}'")
    return SavedResult(shown, data, _judged(data))


def _no_number(text: str) -> float:
    raise ValueError(f"{text}, which is no number of JSON")


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


def system_differences(before: SavedResult, after: SavedResult) -> tuple[str, ...]:
    """Warnings where two results are not of one file: of different systems, or of two states of one."""
    one, other = before.data, after.data
    if one["topology"] != other["topology"]:
        names = f"{printable(one['topology'])} in {before.path}, {printable(other['topology'])} in {after.path}"
        return (f"the two results are of different systems: {names}",)
    if one["sha256"] != other["sha256"]:
        return (
            f"the two results are of different states of the file: their sha256 differ ({before.path}, {after.path})",
        )
    return ()


def _event(text: str) -> Event:
    id_, _, mode = text.partition(":")
    return Event(id_, mode or "loss")


def _judged(data: Mapping[str, Any]) -> Judged:
    events = tuple(_event(e) for e in data["events"])
    consumers = tuple(c["id"] for c in data["consumers"])
    order = int(data["order"])
    number = {str(e): i for i, e in enumerate(events)}
    column = {c: i for i, c in enumerate(consumers)}
    stage = {outcome: i for i, outcome in enumerate(OUTCOMES)}
    found = {
        tuple(sorted(number[e] for e in case["failed"])): {column[c]: stage[o] for c, o in case["outcomes"].items()}
        for case in data["cases"]
        if len(case["failed"]) <= order
    }
    found[()] = {column[c]: stage[o] for c, o in data.get("nothing_failed", {}).items()}
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
    return Judged(events, order, [SavedCases(len(events), len(consumers), order, found)], verdicts)
