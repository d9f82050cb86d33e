"""Pieces of a question: shared by processes, kept in a folder, gone on from, and refused where they are too many."""

from __future__ import annotations

import errno
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, as_completed
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bench.systems import channels_system

from powerfault.errors import OutputError, TooLargeError, ToolError
from powerfault.failures import pieces
from powerfault.failures.clusters import ClusterPlan, SystemPlan, plan_system
from powerfault.failures.evaluation import cluster_rows
from powerfault.failures.outcomes import CaseTable, evaluate_system
from powerfault.model.elements import Component, Load, Topology
from powerfault.model.reader import load_topology
from powerfault.network.graph import build_network
from powerfault.tolerance.comparison.study import compare
from powerfault.tolerance.study import refuse_many, study

TOPOLOGIES = Path(__file__).parent.parent / "topologies"


def assert_equal(a: CaseTable, b: CaseTable) -> None:
    for own, other in zip(a.clusters, b.clusters, strict=True):
        assert np.array_equal(own.unserved, other.unserved)


def small_pieces(topology: Topology, monkeypatch: pytest.MonkeyPatch) -> SystemPlan:
    monkeypatch.setattr("powerfault.failures.clusters.LANES_AT_ONCE", 256)
    return plan_system(build_network(topology), 2)


def many_pieces(monkeypatch: pytest.MonkeyPatch) -> SystemPlan:
    """So many that two processes are far from done when the first piece is."""
    monkeypatch.setattr("powerfault.failures.clusters.LANES_AT_ONCE", 64)
    return plan_system(build_network(channels_system(4)), 3)


def test_processes_share_the_pieces_and_find_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    system = small_pieces(channels_system(2), monkeypatch)
    assert_equal(evaluate_system(system), evaluate_system(system, jobs=2))


def test_a_stopped_run_goes_on_from_the_pieces_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    system = small_pieces(channels_system(2), monkeypatch)
    whole = evaluate_system(system)
    evaluated: list[int] = []

    def counting(cluster: ClusterPlan, begin: int, end: int, **options: Any) -> np.ndarray:
        evaluated.append(begin)
        if len(evaluated) == 3 and not tmp_path.joinpath("again").exists():
            raise KeyboardInterrupt
        return cluster_rows(cluster, begin, end, **options)

    monkeypatch.setattr("powerfault.failures.pieces.cluster_rows", counting)
    with pytest.raises(KeyboardInterrupt):
        evaluate_system(system, keep=tmp_path / "kept")
    assert len(list((tmp_path / "kept").glob("*.rows"))) == 2
    assert not list((tmp_path / "kept").glob("*.part"))
    (tmp_path / "again").touch()
    evaluated.clear()
    again = evaluate_system(system, keep=tmp_path / "kept")
    total = sum(len(c.pieces) for c in system.clusters)
    assert len(evaluated) == total - 2
    assert_equal(whole, again)


def test_a_folder_that_cannot_be_written_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="cannot"):
        study(channels_system(2), 1, keep=tmp_path / "file" / "in")


def flipped(good: bytes) -> bytes:
    """The same length, one bit of the rows another."""
    return good[:-1] + bytes([good[-1] ^ 1])


@pytest.mark.parametrize("damage", [
    lambda _: b"", lambda _: b"PK\x03\x04", lambda _: b"more and more " * 999, flipped, lambda good: good[:-1],
    lambda good: bytes(32) + good[32:],
])  # fmt: skip
def test_a_damaged_piece_is_evaluated_anew(
    damage: Callable[[bytes], bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    system = small_pieces(channels_system(2), monkeypatch)
    whole = evaluate_system(system, keep=tmp_path)
    damaged = sorted(tmp_path.iterdir())[1]
    good = damaged.read_bytes()
    damaged.write_bytes(damage(good))
    with pytest.warns(UserWarning, match="1 kept piece in .* did not fit"):
        assert_equal(evaluate_system(system, keep=tmp_path), whole)
    assert damaged.read_bytes() == good


def test_a_piece_of_another_place_does_not_fit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    system = small_pieces(channels_system(2), monkeypatch)
    whole = evaluate_system(system, keep=tmp_path)
    first, second, *_ = sorted(tmp_path.iterdir())
    one, other = first.read_bytes(), second.read_bytes()
    first.write_bytes(other)
    second.write_bytes(one)
    with pytest.warns(UserWarning, match="2 kept pieces"):
        assert_equal(evaluate_system(system, keep=tmp_path), whole)


def test_questions_that_differ_share_a_folder(tmp_path: Path) -> None:
    """Of topologies in memory, which no file tells apart, and of whatever else is asked of them."""
    topology = channels_system(2)
    by_hand = {i: replace(c, operated="manual") if c.normally == "open" else c for i, c in topology.components.items()}
    other = replace(topology, components=by_hand)
    assert study(topology, 2).to_json()["cases"] != study(other, 2).to_json()["cases"]
    asked: list[tuple[Topology, dict[str, Any]]] = [
        (topology, {}),
        (other, {}),
        (replace(topology, links=topology.links[:-1]), {}),
        (topology, {"given": ["BUS0"]}),
        (topology, {"given": ["BUS0:short"]}),
        (topology, {"order": 1}),
        (topology, {"modes": ("short",)}),
        (topology, {"by_phase": True}),
    ]
    for which, question in asked:
        kept = len(list(tmp_path.iterdir()))
        assert study(which, **question, keep=tmp_path).to_json() == study(which, **question).to_json()
        assert len(list(tmp_path.iterdir())) > kept


def test_a_full_disk_keeps_what_is_whole_and_ends_the_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    system = many_pieces(monkeypatch)
    submitted: list[Future[Any]] = []

    def watched(futures: Iterable[Future[Any]]) -> Iterator[Future[Any]]:
        submitted.extend(futures)
        return as_completed(futures)

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(pieces, "as_completed", watched)
    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OutputError, match=r"cannot write .* No space left"):
        evaluate_system(system, keep=tmp_path, jobs=2)
    assert not list(tmp_path.iterdir())
    undone = [f for f in submitted if f.cancelled() or f.exception() is not None]
    assert len(undone) > len(submitted) / 2


def test_a_killed_worker_is_a_clear_error_and_the_run_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    system = many_pieces(monkeypatch)

    def kill_one(done: int, total: int) -> None:
        for child in multiprocessing.active_children()[:1]:
            child.kill()

    with pytest.raises(ToolError, match="a worker process was killed"):
        evaluate_system(system, keep=tmp_path, jobs=2, progress=kill_one)
    kept = sorted(tmp_path.iterdir())
    assert {path.suffix for path in kept} == {".rows"}
    seen: list[int] = []
    assert_equal(
        evaluate_system(system, keep=tmp_path, progress=lambda done, _: seen.append(done)), evaluate_system(system)
    )
    assert len(seen) == sum(len(c.pieces) for c in system.clusters) > len(kept)


def test_workers_end_when_their_parent_is_killed() -> None:
    code = (
        "import time\n"
        "from powerfault.failures.processes import workers\n"
        "if __name__ == '__main__':\n"
        "    with workers(2, time.sleep, 0) as pool:\n"
        "        for future in [pool.submit(time.sleep, 0.1) for _ in range(4)]:\n"
        "            future.result()\n"
        "        print('ready', flush=True)\n"
        "        time.sleep(600)\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    assert parent.stdout.readline() == "ready\n"
    parent.kill()
    # The workers write to the same pipe, which ends when the last of them has.
    assert parent.communicate(timeout=30)[0] == ""


def test_too_large_a_question_is_refused_with_the_count_and_an_estimate() -> None:
    topology = channels_system(3)
    with pytest.raises(TooLargeError, match=r"order 9 .* makes [\d,]+ cases; [\d,]+ combinations .* about .* GB"):
        study(topology, 9)
    with pytest.raises(TooLargeError, match="written out one by one"):
        compare(topology, topology, 4)


@pytest.mark.parametrize(("number", "wait"), [
    (signal.SIGINT, 0.4), (signal.SIGTERM, 0.4), (signal.SIGINT, 0.05), (signal.SIGKILL, 0.02), (signal.SIGINT, 1.0),
    (signal.SIGKILL, 1.0),
])  # fmt: skip
def test_workers_end_without_a_word_when_all_are_signalled(number: int, wait: float) -> None:
    """As a terminal does on Ctrl-C: the whole group of processes; SIGKILL hits the parent alone."""
    code = (
        "import time\n"
        "from powerfault.failures.processes import workers\n"
        "if __name__ == '__main__':\n"
        "    try:\n"
        "        print('ready', flush=True)\n"
        "        with workers(2, len, bytes(3_000_000)) as pool:\n"
        "            for future in [pool.submit(time.sleep, 30) for _ in range(4)]:\n"
        "                future.result()\n"
        "    except KeyboardInterrupt:\n"
        "        pass\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", "import signal\n"
                               "def stop(*_): raise KeyboardInterrupt\n"
                               "signal.signal(signal.SIGTERM, stop)\n" + code],
                              stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                              start_new_session=True)  # fmt: skip
    assert parent.stdout is not None
    assert parent.stdout.readline() == "ready\n"
    time.sleep(wait)
    if number == signal.SIGKILL:
        parent.kill()
    else:
        os.killpg(parent.pid, number)
    out, said = parent.communicate(timeout=25)  # the pipes end with the last of the workers
    assert out == ""
    assert "Traceback" not in said
    assert number == signal.SIGKILL or not said  # the standard library names the semaphores of a killed parent


@pytest.mark.parametrize("order", [8, 40])
def test_what_no_machine_can_hold_is_refused_at_once(order: int) -> None:
    topology = load_topology(TOPOLOGIES / "orrin-fell.yaml")
    with pytest.raises(TooLargeError, match=rf"order {order} .* (days|years) and [\d,.]+ GB; use --yes"):
        study(topology, order, ("loss", "short"))
    with pytest.raises(TooLargeError, match=r"GB, more than there is; use --cut-sets-only"):
        study(topology, order, ("loss", "short"), limit=None)


@pytest.mark.parametrize("order", [400, 900])
def test_a_question_beyond_all_measure_is_refused_with_its_magnitude(order: int) -> None:
    """More cases than a float can count, all of them in one cluster."""
    buses = {f"B{i}": Component(id=f"B{i}", kind="bus") for i in range(1100)}
    ids = ["S", *buses]
    topology = Topology(
        name="mesh",
        channels={},
        components={"S": Component(id="S", kind="source"), **buses},
        links=tuple((a, b) for step in (1, 2) for a, b in zip(ids, ids[step:], strict=False)),
        loads={"L": Load(id="L", fed_by=(ids[-1], ids[-2]), severity="critical", rides_through="commanded")},
        functions={},
    )
    with pytest.raises(TooLargeError, match=r"makes over 10\^\d+ cases; .* more than any machine does; use --cut"):
        study(topology, order)
    with pytest.raises(TooLargeError, match=r"makes over 10\^\d+ cases, more than"):
        refuse_many(topology, order)
    with pytest.raises(TooLargeError, match="more than there is; use --cut-sets-only"):
        study(topology, order, limit=None, jobs=1)
