"""Results reach the disk whole, and never over what they were made from: files, folders, pipes, signals, streams."""

from __future__ import annotations

import fcntl
import json
import os
import signal
import stat
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from powerfault import files
from powerfault.errors import OutputError
from powerfault.files import MANIFEST, check_folder, folder_opened, note_read, opened, write_atomically
from powerfault.model.reader import load_topology

ROOT = Path(__file__).parent.parent
SMALL = ROOT / "topologies" / "two-channels.yaml"
PLAN = ROOT / "topologies" / "two-channels-plan.yaml"
COMMAND = [sys.executable, "-m", "powerfault"]


def run(*arguments: str | Path, **options: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *map(str, arguments)], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False, **options
    )  # type: ignore[call-overload, no-any-return]


@pytest.fixture
def system(tmp_path: Path) -> Path:
    path = tmp_path / "system.yaml"
    path.write_bytes(SMALL.read_bytes())
    return path


@pytest.fixture(autouse=True)
def _forget() -> Iterator[None]:
    yield
    files._read.clear()


# ---- one file


def test_nothing_is_left_where_writing_fails_in_the_middle(tmp_path: Path) -> None:
    target = tmp_path / "out.csv"
    target.write_text("before")
    with pytest.raises(RuntimeError, match="middle"), opened(target) as stream:  # noqa: PT012 - the body is meant
        stream.write(b"half")
        raise RuntimeError("in the middle")
    assert target.read_text() == "before"
    assert [p.name for p in tmp_path.iterdir()] == ["out.csv"]


def test_a_result_never_replaces_what_it_was_made_from(system: Path) -> None:
    content = system.read_bytes()
    load_topology(system)
    link, hard = system.parent / "link.csv", system.parent / "hard.csv"
    link.symlink_to(system)
    os.link(system, hard)
    for name in (system, link, hard, system.parent / "." / "system.yaml"):
        with pytest.raises(OutputError, match="was read for this result"):
            write_atomically(name, "x")
    assert system.read_bytes() == content


@pytest.mark.parametrize("command", [
    ("faults", "FILE", "--csv", "FILE"), ("worksheet", "FILE", "--csv", "-o", "FILE"),
    ("draw", "FILE", "-o", "LINK"), ("report", "FILE", "-o", "FILE"), ("starter", "FILE"),
])  # fmt: skip
def test_commands_refuse_the_input_as_output(system: Path, command: tuple[str, ...]) -> None:
    link = system.parent / "x.svg"
    os.link(system, link)
    content = system.read_bytes()
    done = run(*[{"FILE": system, "LINK": link}.get(word, word) for word in command])
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert system.read_bytes() == content


def test_symbolic_links_are_followed(tmp_path: Path) -> None:
    (tmp_path / "far").mkdir()
    link = tmp_path / "out.csv"
    link.symlink_to("far/real.csv")
    write_atomically(link, "one")
    write_atomically(link, "two")
    assert link.is_symlink()
    assert (tmp_path / "far" / "real.csv").read_text() == "two"


def test_the_umask_holds_and_a_private_file_stays_private(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        write_atomically(tmp_path / "new", "x")
        with folder_opened(tmp_path / "folder") as stage:
            (stage / "a").write_text("a")
        private = tmp_path / "private"
        private.write_text("")
        private.chmod(0o600)
        write_atomically(private, "x")
        wide = tmp_path / "wide"
        wide.write_text("")
        wide.chmod(0o666)
        write_atomically(wide, "x")
    finally:
        os.umask(before)
    modes = {p.name: stat.S_IMODE(p.stat().st_mode) for p in (*tmp_path.iterdir(), *(tmp_path / "folder").iterdir())}
    assert modes == {"new": 0o640, "folder": 0o750, "a": 0o640, MANIFEST: 0o640, "private": 0o600, "wide": 0o640}


def test_pipes_and_devices_are_written_to_and_stay(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    heard: list[bytes] = []
    reader = threading.Thread(target=lambda: heard.append(pipe.read_bytes()))
    reader.start()
    write_atomically(pipe, b"x" * 300_000)
    reader.join(20)
    assert heard == [b"x" * 300_000]
    assert stat.S_ISFIFO(pipe.stat().st_mode)
    write_atomically("/dev/null", "x")
    assert stat.S_ISCHR(os.stat("/dev/null").st_mode)
    with pytest.raises(OutputError, match="No space left"):
        write_atomically("/dev/full", "x")


def test_standard_output_by_its_name(tmp_path: Path) -> None:
    assert run("worksheet", SMALL, "--csv", "-o", "/dev/stdout").stdout.startswith("number,item,")
    target = tmp_path / "redirected"
    with open(target, "w") as stream:
        stream.write("kept\n")
        stream.flush()
        subprocess.run(
            [*COMMAND, "worksheet", SMALL, "--csv", "-o", "/dev/stdout"], cwd=ROOT, stdout=stream,
            stderr=subprocess.DEVNULL, timeout=120, check=True,
        )  # fmt: skip
    assert target.read_text().startswith("kept\nnumber,item,")


@pytest.mark.parametrize("name", ["", "folder", "folder/", "a\0b", "file/below", "x" * 300])
def test_impossible_names_are_refused_in_words(tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="cannot write"):
        write_atomically(f"{tmp_path}/{name}" if name else "", "x")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "folder"]


def test_leftovers_of_dead_runs_are_cleared_and_those_of_living_ones_stay(tmp_path: Path) -> None:
    target = tmp_path / "out.csv"
    dead, alive, other = (tmp_path / f".{name}.part" for name in ("out.csv-0", "out.csv-1", "another.csv-0"))
    folder = tmp_path / ".out.csv-2.part"
    folder.mkdir()
    (folder / "x").write_text("")
    for path in (dead, alive, other):
        path.write_text("half")
    with open(alive) as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        write_atomically(target, "whole")
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(["out.csv", alive.name, other.name])


# ---- a folder


def test_a_folder_is_exchanged_as_a_whole(tmp_path: Path) -> None:
    target = tmp_path / "out"
    with folder_opened(target) as stage:
        (stage / "a").write_text("1")
        (stage / "old").write_text("1")
        (stage / "deep").mkdir()
        (stage / "deep" / "b").write_text("1")
    mine = target / "mine.txt"
    mine.write_text("the user's")
    inode = mine.stat().st_ino
    (target / "link").symlink_to("mine.txt")
    (target / "deep" / "own").write_text("the user's too")
    with folder_opened(target) as stage:
        (stage / "a").write_text("2")
    assert (target / "a").read_text() == "2"
    assert mine.read_text() == "the user's"
    assert mine.stat().st_ino == inode
    assert (target / "link").is_symlink()
    names = sorted(p.relative_to(target).as_posix() for p in target.rglob("*") if not p.is_dir())
    assert names == ["a", "deep/own", "link", MANIFEST, "mine.txt"]
    assert list(json.loads((target / MANIFEST).read_text())["files"]) == ["a"]
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_a_file_changed_by_hand_is_kept_unless_it_is_written_anew(tmp_path: Path) -> None:
    target = tmp_path / "out"
    with folder_opened(target) as stage:
        (stage / "a").write_text("1")
        (stage / "b").write_text("1")
    for name in "ab":
        (target / name).write_text("edited")
    with folder_opened(target) as stage:
        (stage / "a").write_text("2")
    assert [(target / name).read_text() for name in "ab"] == ["2", "edited"]


def test_nothing_of_the_folder_changes_where_writing_fails(tmp_path: Path) -> None:
    target = tmp_path / "out"
    with folder_opened(target) as stage:
        (stage / "a").write_text("1")
    with pytest.raises(KeyboardInterrupt), folder_opened(target) as stage:  # noqa: PT012 - the body is meant
        (stage / "a").write_text("2")
        raise KeyboardInterrupt
    assert (target / "a").read_text() == "1"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_folders_and_files_of_the_users_are_not_replaced(tmp_path: Path) -> None:
    (tmp_path / "src").mkdir()
    with pytest.raises(OutputError, match="holds the folder src"):
        check_folder(tmp_path)
    with pytest.raises(OutputError, match="holds the folder src"), folder_opened(tmp_path):
        pass
    own = tmp_path / "own"
    own.mkdir()
    (own / "a").write_text("the user's")
    with pytest.raises(OutputError, match="holds a, which no earlier run wrote"), folder_opened(own) as stage:
        (stage / "a").write_text("ours")
    assert (own / "a").read_text() == "the user's"
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="there is a file of that name"):
        check_folder(tmp_path / "file")


@pytest.mark.parametrize("manifest", ["", "{", "[]", '{"files": 3}', '{"files": {"../keep": "x"}}', "[" * 100_000])
def test_a_manifest_that_was_tampered_with_names_nothing(tmp_path: Path, manifest: str) -> None:
    keep, target = tmp_path / "keep", tmp_path / "out"
    keep.write_text("x")
    target.mkdir()
    (target / "a").write_text("x")
    (target / MANIFEST).write_text(manifest)
    with folder_opened(target) as stage:
        (stage / "b").write_text("x")
    assert keep.exists()
    assert sorted(p.name for p in target.iterdir()) == ["a", "b", MANIFEST]


def test_without_an_exchange_in_one_step_two_renames_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "_exchanged", lambda *_: False)
    test_a_folder_is_exchanged_as_a_whole(tmp_path)


def test_two_runs_into_one_folder_leave_one_of_them_whole(tmp_path: Path) -> None:
    target = tmp_path / "out"
    (target).mkdir()
    (target / "mine").write_text("x")

    def write(number: int) -> None:
        for _ in range(15):
            with folder_opened(target) as stage:
                for name in "abcd":
                    (stage / name).write_text(str(number))

    writers = [threading.Thread(target=write, args=(n,)) for n in range(4)]
    for writer in writers:
        writer.start()
    while any(w.is_alive() for w in writers):
        with_one = {name: (target / name).read_text() for name in ("mine",) if (target / name).exists()}
        assert with_one in ({"mine": "x"}, {})
    for writer in writers:
        writer.join()
    assert len({(target / name).read_text() for name in "abcd"}) == 1
    assert (target / "mine").read_text() == "x"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_note_read_ignores_what_is_no_file() -> None:
    with open("/dev/null", "rb") as stream:
        note_read(stream)
    assert not files._read


# ---- standard streams and signals


@pytest.mark.parametrize("arguments", [["faults", SMALL], ["faults", SMALL, "--json"], ["--help"], ["schema"]])
def test_a_full_standard_output_is_said_and_a_closed_pipe_is_not(arguments: list[str | Path]) -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [*COMMAND, *map(str, arguments)], cwd=ROOT, stdout=full, stderr=subprocess.PIPE, text=True, timeout=60,
            check=False,
        )  # fmt: skip
    assert (done.returncode, done.stderr) == (2, "error: cannot write to standard output: No space left on device\n")
    words = " ".join(map(str, arguments))
    python = f"'{sys.executable}' -m powerfault {words}"
    gone = subprocess.run(
        ["bash", "-c", f"{python} | true; echo ${{PIPESTATUS[0]}}"], cwd=ROOT, capture_output=True, text=True,
        timeout=60, check=False,
    )  # fmt: skip
    assert (gone.stdout, gone.stderr) == ("0\n", "")
    closed = subprocess.run(
        ["bash", "-c", f"{python} >&-; echo $?"], cwd=ROOT, capture_output=True, text=True, timeout=60, check=False
    )
    assert closed.stdout == "2\n"
    assert closed.stderr == "error: cannot write to standard output: Bad file descriptor\n"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_interrupts_and_leaves_nothing(tmp_path: Path, number: signal.Signals) -> None:
    """The report is stopped while it is being written: no folder, nothing beside it, no traceback."""
    demo = ROOT / "topologies" / "orrin-fell.yaml"
    process = subprocess.Popen(
        [*COMMAND, "report", demo, "-o", tmp_path / "out"], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True,
    )  # fmt: skip
    deadline = time.monotonic() + 60
    while not list(tmp_path.iterdir()) and time.monotonic() < deadline:
        time.sleep(0.01)
    process.send_signal(number)
    out, said = process.communicate(timeout=60)
    assert (process.returncode, out) == (130, "")
    assert said.strip() == "interrupted; nothing was left half written"
    assert list(tmp_path.iterdir()) == []


def test_a_signal_before_anything_has_begun_ends_quietly() -> None:
    for wait in (0.02, 0.06, 0.12):
        process = subprocess.Popen([*COMMAND, "validate", SMALL], cwd=ROOT, stdout=subprocess.PIPE,
                                   stderr=subprocess.PIPE, text=True)  # fmt: skip
        time.sleep(wait)
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=30)
        assert "Traceback" not in said
