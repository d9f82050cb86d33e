"""Minimal cut sets of a consumer from an enumeration: failing cases none of whose proper subsets fails.

Method: orders ascend. A failing case of order k is minimal when no minimal set found at a lower order is part of it;
that test runs over all failing cases at once (a table of the single failing events, then sorted keys of the smaller
sets), so its cost grows with the failing cases and not with the cases.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from powerfault.failures.lanes import positions
from powerfault.failures.outcomes import CaseTable
from powerfault.model.elements import Event

CutSets = tuple[tuple[Event, ...], ...]


def minimal_cut_sets(table: CaseTable, rides: tuple[int, ...]) -> list[CutSets]:
    """Return the minimal cut sets of every consumer up to the table's order, smallest first, then in case order.

    ``rides[i]`` is the number of the stage that the i-th consumer rides through; it fails in a case whose outcome is
    greater. A consumer that fails with nothing failed has the one cut set ``()``.
    """
    return [
        tuple(tuple(table.events[e] for e in row) for row in rows) for rows in minimal_cut_indices(table, rides)
    ]


def minimal_cut_indices(table: CaseTable, rides: tuple[int, ...]) -> list[list[tuple[int, ...]]]:
    """As :func:`minimal_cut_sets`, as event numbers."""
    found: list[list[tuple[int, ...]]] = []
    n = len(table.events)
    for i, ride in enumerate(rides):
        if table.baseline[i] > ride:
            found.append([()])
            continue
        own: list[tuple[int, ...]] = []
        singles = np.zeros(n, bool)
        larger: dict[int, set[tuple[int, ...]]] = {}
        for k in range(1, table.order + 1):
            fresh: list[tuple[int, ...]] = []
            for block in table.of_order(k):
                failing = block.cases[positions(block.unserved[ride, i], len(block.cases))]
                if k > 1 and len(failing):
                    failing = failing[~singles[failing].any(axis=1)]
                fresh.extend(
                    case
                    for case in map(tuple, failing.tolist())
                    if not any(part in larger[size] for size in larger for part in combinations(case, size))
                )
            own.extend(fresh)
            if k == 1:
                singles[[case[0] for case in fresh]] = True
            elif fresh:
                larger[k] = set(fresh)
        found.append(own)
    return found
