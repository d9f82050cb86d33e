"""Running the pieces of many clusters: in turn or by several processes, and again from where a run was stopped.

A finished piece may be kept in a folder under a name drawn from the whole question, so that a later run of the same
question takes it from there. A piece is written beside its final name and moved, so the folder never holds half a one.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from functools import partial
from itertools import groupby
from operator import itemgetter
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from powerfault.errors import OutputError, ToolError
from powerfault.failures.clusters import ClusterPlan, SystemPlan
from powerfault.failures.evaluation import ClusterEvaluator

Piece = tuple[int, int, int]
"""Cluster, first lane, lane after the last."""
Clusters = tuple[ClusterPlan, ...]
Place = Callable[[Piece], NDArray[np.uint64]]
"""Where the rows of a piece belong."""
Done = Callable[[int, int], None]


def estimate_seconds(system: SystemPlan) -> float:
    """Return about how long the evaluation takes on one core, from timing two pieces of the largest cluster."""
    if not system.clusters:
        return 0.0
    work = [c.lane_count * len(c.plan.network.ids) for c in system.clusters]
    largest = system.clusters[work.index(max(work))]
    evaluator, pieces = ClusterEvaluator(largest), largest.pieces
    for begin, end in (pieces[0], pieces[len(pieces) // 2]):  # the first also makes what the others use again
        begun = time.perf_counter()
        evaluator.rows(begin, end)
        seconds = time.perf_counter() - begun
    return seconds * sum(work) / max(1, (end - begin) * len(largest.plan.network.ids))


def run_pieces(
    system: SystemPlan, question: str, *, by_phase: bool, jobs: int, keep: Path | None, progress: Done | None
) -> list[NDArray[np.uint64]]:
    """Return the rows of every cluster, (layers, 4, consumers, words), all pieces put together.

    ``question`` names what is asked, for the pieces kept in ``keep``. With ``jobs`` over 1, processes share the pieces.
    Raises :class:`ToolError` where a process was killed; pieces finished by then are kept where a folder was named.
    """
    results = []
    for cluster in system.clusters:
        layers = 1 + len(cluster.plan.phases) * by_phase
        results.append(np.empty((layers, 4, len(cluster.consumers), -(-cluster.lane_count // 64)), np.uint64))
    store = _Store(keep, question) if keep is not None else None
    total, done = system.lane_count, 0

    def place(piece: Piece) -> NDArray[np.uint64]:
        c, begin, end = piece
        return results[c][..., begin // 64 : -(-end // 64)]

    def finish(piece: Piece) -> None:
        nonlocal done
        done += piece[2] - piece[1]
        if progress is not None:
            progress(done, total)

    waiting = []
    for piece in [(c, *bounds) for c, cluster in enumerate(system.clusters) for bounds in cluster.pieces]:
        rows = store.load(piece) if store is not None else None
        if rows is None:
            waiting.append(piece)
        else:
            place(piece)[:] = rows
            finish(piece)
    evaluate = _evaluate_in_turn if jobs <= 1 or len(waiting) <= 1 else partial(_evaluate_together, jobs=jobs)
    for piece in evaluate(system.clusters, waiting, by_phase, place):
        if store is not None:
            store.save(piece, place(piece))
        finish(piece)
    return results


def _evaluate_in_turn(clusters: Clusters, waiting: list[Piece], by_phase: bool, place: Place) -> Iterator[Piece]:
    for c, pieces in groupby(waiting, key=itemgetter(0)):
        evaluator = ClusterEvaluator(clusters[c], by_phase)
        for piece in pieces:
            evaluator.rows(*piece[1:], place(piece))
            yield piece


def _evaluate_together(
    clusters: Clusters, waiting: list[Piece], by_phase: bool, place: Place, jobs: int
) -> Iterator[Piece]:
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(jobs, mp_context=context, initializer=_begin, initargs=(clusters, by_phase)) as pool:
        futures: dict[Future[NDArray[np.uint64]], Piece] = {pool.submit(_evaluate, piece): piece for piece in waiting}
        try:
            for future in as_completed(futures):
                piece = futures[future]
                place(piece)[:] = future.result()
                yield piece
        except BrokenProcessPool as error:
            raise ToolError(
                "a worker process was killed (out of memory?); use --jobs 1 or a lower --order; with --keep DIR the "
                "pieces finished so far are used again"
            ) from error
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


_evaluators: list[ClusterEvaluator] = []
"""Of a worker process."""


def _begin(clusters: Clusters, by_phase: bool) -> None:
    _evaluators[:] = [ClusterEvaluator(cluster, by_phase) for cluster in clusters]


def _evaluate(piece: Piece) -> NDArray[np.uint64]:
    return _evaluators[piece[0]].rows(*piece[1:])


class _Store:
    """Finished pieces in a folder."""

    def __init__(self, folder: Path, question: str) -> None:
        self.folder = folder
        self.key = hashlib.sha256(question.encode()).hexdigest()[:16]
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OutputError(f"cannot make {folder}: {error.strerror or error}") from error

    def _path(self, piece: Piece) -> Path:
        return self.folder / f"{self.key}-{piece[0]:05d}-{piece[1]:012d}-{piece[2]:012d}.npy"

    def load(self, piece: Piece) -> NDArray[np.uint64] | None:
        try:
            rows: NDArray[np.uint64] = np.load(self._path(piece), allow_pickle=False)
        except (OSError, ValueError):
            return None
        return rows

    def save(self, piece: Piece, rows: NDArray[np.uint64]) -> None:
        path = self._path(piece)
        temporary = path.with_suffix(".part")
        try:
            with temporary.open("wb") as stream:
                np.save(stream, rows)
            os.replace(temporary, path)
        except OSError as error:
            temporary.unlink(missing_ok=True)
            raise OutputError(f"cannot keep a finished piece in {self.folder}: {error.strerror or error}") from error
