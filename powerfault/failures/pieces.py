"""Running the pieces of many clusters: in turn or by several processes, and again from where a run was stopped.

A finished piece may be kept in a folder under a name drawn from all that it depends on, so that a later run of the same
question takes it from there. A piece is written beside its final name and moved, so the folder never holds half a one.
"""

from __future__ import annotations

import hashlib
import time
import warnings
from collections.abc import Callable, Generator
from concurrent.futures import Future, as_completed
from contextlib import closing
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from powerfault import __version__
from powerfault.errors import OutputError, TooLargeError
from powerfault.failures.clusters import ClusterPlan, SystemPlan
from powerfault.failures.evaluation import cluster_rows
from powerfault.failures.processes import workers
from powerfault.files import clear_leftovers, write_atomically

Piece = tuple[int, int, int]
"""Cluster, first lane, lane after the last."""
Clusters = tuple[ClusterPlan, ...]
Charged = frozenset[str] | None
Place = Callable[[Piece], NDArray[np.uint64]]
"""Where the rows of a piece belong."""
Done = Callable[[int, int], None]
DIGEST_BYTES = 32
LANES_TIMED = 1 << 32
"""Up to here a cluster is timed at its own order; of larger ones even the pieces are too many to list."""


def estimate_seconds(system: SystemPlan) -> float:
    """Return about how long the evaluation takes on one core, from timing two pieces of the largest cluster."""
    if not system.clusters:
        return 0.0
    work = [c.lane_count * len(c.plan.network.ids) for c in system.clusters]
    timed = system.clusters[work.index(max(work))]
    while timed.lane_count > LANES_TIMED:
        timed = replace(timed, order=timed.order - 1)
    pieces = timed.pieces
    for begin, end in (pieces[0], pieces[len(pieces) // 2]):  # the first also makes what the others use again
        begun = time.perf_counter()
        cluster_rows(timed, begin, end)
        seconds = time.perf_counter() - begun
    return seconds * sum(work) / max(1, (end - begin) * len(timed.plan.network.ids))


def run_pieces(
    system: SystemPlan,
    *,
    by_phase: bool,
    jobs: int,
    keep: Path | None,
    progress: Done | None,
    charged: Charged = None,
) -> list[NDArray[np.uint64]]:
    """Return the rows of every cluster, (layers, 4, consumers, words), all pieces put together.

    In the long run, or at once where ``charged`` names the storages that are charged before anything more fails.

    Finished pieces are kept in the folder ``keep`` and taken from there. With ``jobs`` over 1, processes share the
    pieces. Raises :class:`TooLargeError` where there is not the memory for the rows, :class:`ToolError` where a process
    was killed; pieces finished by then are kept where a folder was named.
    """
    results = _empty_rows(system, by_phase)
    store = _Store(keep, system.clusters, by_phase, charged) if keep is not None else None
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
        if store is not None and store.load(piece, place(piece)):
            finish(piece)
        else:
            waiting.append(piece)
    if store is not None:
        store.tell()
    evaluate = _evaluate_in_turn if jobs <= 1 or len(waiting) <= 1 else partial(_evaluate_together, jobs=jobs)
    # Closed at once where a piece cannot be kept, so that no worker goes on.
    with closing(evaluate(system.clusters, waiting, by_phase, charged, place)) as evaluated:
        for piece in evaluated:
            if store is not None:
                store.save(piece, place(piece))
            finish(piece)
    return results


def _empty_rows(system: SystemPlan, by_phase: bool) -> list[NDArray[np.uint64]]:
    results = []
    for cluster in system.clusters:
        layers = 1 + len(cluster.plan.phases) * by_phase
        try:
            results.append(np.empty((layers, 4, len(cluster.consumers), -(-cluster.lane_count // 64)), np.uint64))
        except (MemoryError, ValueError, OverflowError) as error:  # NumPy cannot so much as name some sizes
            raise TooLargeError(
                f"the results of order {system.order} take {system.bytes_needed(by_phase) // 10**9:,} GB, more than "
                f"there is; use --cut-sets-only for the verdicts alone, a lower --order, or fewer --modes"
            ) from error
    return results


def _evaluate_in_turn(
    clusters: Clusters, waiting: list[Piece], by_phase: bool, charged: Charged, place: Place
) -> Generator[Piece, None, None]:
    for piece in waiting:
        c, begin, end = piece
        cluster_rows(clusters[c], begin, end, by_phase=by_phase, charged=charged, out=place(piece))
        yield piece


def _evaluate_together(
    clusters: Clusters, waiting: list[Piece], by_phase: bool, charged: Charged, place: Place, jobs: int
) -> Generator[Piece, None, None]:
    with workers(jobs, _begin, clusters, by_phase, charged) as pool:
        futures: dict[Future[NDArray[np.uint64]], Piece] = {pool.submit(_evaluate, piece): piece for piece in waiting}
        for future in as_completed(futures):
            piece = futures.pop(future)  # and with it its rows, once they are in place
            place(piece)[:] = future.result()
            yield piece


_own: list[tuple[Clusters, bool, Charged]] = []
"""Of a worker process: what its pieces are pieces of, and what is asked of each."""


def _begin(clusters: Clusters, by_phase: bool, charged: Charged) -> None:
    _own[:] = [(clusters, by_phase, charged)]


def _evaluate(piece: Piece) -> NDArray[np.uint64]:
    clusters, by_phase, charged = _own[0]
    c, begin, end = piece
    return cluster_rows(clusters[c], begin, end, by_phase=by_phase, charged=charged)


class _Store:
    """Finished pieces in a folder, each with a digest of its rows and of all that they depend on.

    A piece that does not fit its digest, because it was cut or changed, is never used; ``refused`` counts those.
    """

    def __init__(self, folder: Path, clusters: Clusters, by_phase: bool, charged: Charged) -> None:
        self.folder, self.refused = folder, 0
        self.keys = [_key(cluster, by_phase, charged) for cluster in clusters]
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OutputError(f"cannot make {folder}: {error.strerror or error}") from error
        clear_leftovers(folder / "any", prefix=".")

    def _path(self, piece: Piece) -> Path:
        return self.folder / f"{self.keys[piece[0]][:24]}-{piece[1]:012d}-{piece[2]:012d}.rows"

    def _digest(self, piece: Piece, rows: bytes | memoryview) -> bytes:
        found = hashlib.sha256(f"{self.keys[piece[0]]} {piece[1]} {piece[2]} ".encode())
        found.update(rows)
        return found.digest()

    def load(self, piece: Piece, place: NDArray[np.uint64]) -> bool:
        """Put a kept piece in its place; say whether there is a whole one."""
        try:
            held = self._path(piece).read_bytes()
        except FileNotFoundError:
            return False
        except OSError:
            self.refused += 1
            return False
        rows = memoryview(held)[DIGEST_BYTES:]
        if len(rows) != place.nbytes or self._digest(piece, rows) != held[:DIGEST_BYTES]:
            self.refused += 1
            return False
        place[:] = np.frombuffer(rows, "<u8").reshape(place.shape)
        return True

    def save(self, piece: Piece, rows: NDArray[np.uint64]) -> None:
        data = np.ascontiguousarray(rows, "<u8").tobytes()
        write_atomically(self._path(piece), self._digest(piece, data) + data, tidy=False)

    def tell(self) -> None:
        """Warn of pieces that did not fit."""
        if self.refused:
            warnings.warn(
                f"{self.refused} kept piece{'s' if self.refused > 1 else ''} in {self.folder} did not fit, being cut "
                "or changed since, and were computed again",
                UserWarning,
                stacklevel=2,
            )


def _key(cluster: ClusterPlan, by_phase: bool, charged: Charged) -> str:
    """Name all that the rows of a cluster depend on: not the file, which says much else, nor how it was cut up."""
    network = cluster.plan.network
    question = (
        __version__,
        by_phase,
        None if charged is None else sorted(charged),
        cluster.plan.phases,
        network.elements,
        network.fault_next,
        cluster.rows,
        cluster.strikes,
        cluster.always,
        cluster.order,
    )
    return hashlib.sha256(repr(question).encode()).hexdigest()
