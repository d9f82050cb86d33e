"""The combinations of a cluster evaluated, a piece of them at a time: a few as whole numbers, more as words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from powerfault.failures.clusters import ClusterPlan
from powerfault.failures.energise import energise, energise_at_once
from powerfault.failures.lane_order import class_numbers, class_rows
from powerfault.failures.lanes import Lanes, Row, WholeNumberLanes, WordLanes
from powerfault.model.elements import STAGES

LANES_AS_NUMBERS = 1 << 14
"""Up to here whole numbers are the faster rows: an operation costs a tenth of a microsecond and not one."""


def cluster_rows(
    cluster: ClusterPlan,
    begin: int,
    end: int,
    *,
    by_phase: bool = False,
    charged: frozenset[str] | None = None,
    out: NDArray[np.uint64] | None = None,
) -> NDArray[np.uint64]:
    """Evaluate the lanes ``begin`` to ``end`` of a cluster: the rows not yet served.

    In the long run, or at once where ``charged`` names the storages that are charged before anything more fails.

    Returns shape (1, 4, consumers, words), or (1 + phases, 4, consumers, words) by phase: over all phases in
    which the consumer is judged first, then by phase. Fills ``out`` if given.
    """
    count = end - begin
    lanes: Lanes
    struck: Sequence[Row] | NDArray[np.uint64]
    if count <= LANES_AS_NUMBERS:
        lanes, struck = WholeNumberLanes(count), class_numbers(len(cluster.classes), cluster.order, begin, end)
    else:
        lanes, struck = WordLanes(count), class_rows(len(cluster.classes), cluster.order, begin, end)
    failed: dict[tuple[int, str], Row] = dict.fromkeys(cluster.always, lanes.full)
    failed.update(zip(cluster.strikes, struck, strict=True))
    if out is None:
        layers = 1 + len(cluster.plan.phases) * by_phase
        out = np.empty((layers, len(STAGES), len(cluster.rows), -(-count // 64)), np.uint64)
    if charged is None:
        found = energise(cluster.plan, lanes, failed, keep_phases=by_phase)
    else:
        begin_charged = frozenset(v for v in cluster.plan.network.chargers if cluster.plan.network.ids[v] in charged)
        found = energise_at_once(cluster.plan, lanes, failed, begin_charged, keep_phases=by_phase)
    for layer, stages in zip(out, [found.unserved, *found.phase_unserved], strict=True):
        for target, rows in zip(layer, stages, strict=True):
            for i, c in enumerate(cluster.rows):
                row = rows[c]
                target[i] = (
                    np.frombuffer(row.to_bytes(target[i].nbytes, "little"), "<u8") if isinstance(row, int) else row
                )
    return out
