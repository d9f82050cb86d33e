"""Hostile files, options and surroundings: nothing silently wrong, nothing lost, no traceback. Seeded and bounded.

A small sample of mutants runs by default; the rest is marked ``full`` (about 15 minutes on two cores).
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import random
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from campaign.mutants import COMMANDS, PLAN, QUICK, ROOT, SYSTEM, campaign, run

POWERFAULT = [sys.executable, "-m", "powerfault"]
SMALL = ROOT / "topologies" / "two-channels.yaml"


@pytest.fixture
def system(tmp_path: Path) -> Path:
    path = tmp_path / "in" / "system.yaml"
    path.parent.mkdir()
    path.write_text(SYSTEM)
    (path.parent / "plan.yaml").write_text(PLAN)
    return path


def start(arguments: list[str | Path], **options: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*POWERFAULT, *map(str, arguments)], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        **options,
    )  # type: ignore[call-overload, no-any-return] # fmt: skip


def finish(arguments: list[str | Path], **options: object) -> tuple[int, str, str]:
    process = start(arguments, **options)
    out, said = process.communicate(timeout=200)
    return process.returncode, out, said


def test_the_sound_files_pass_every_command(tmp_path: Path) -> None:
    """What is mutated is no system that is refused from the start."""
    (tmp_path / "s.yaml").write_text(SYSTEM)
    (tmp_path / "p.yaml").write_text(PLAN)
    names = {"F": f"{tmp_path}/s.yaml", "P": f"{tmp_path}/p.yaml", "O.dot": f"{tmp_path}/o.dot"}
    for command in COMMANDS:
        assert run([names.get(word, word) for word in command]) is False


@pytest.mark.filterwarnings("ignore")
def test_two_thousand_mutants(tmp_path: Path) -> None:
    found = campaign(2000, 1, tmp_path, QUICK)
    assert found.findings == {}
    assert found.mutants == 2000
    assert 1000 < found.refused < 1950


@pytest.mark.full
@pytest.mark.filterwarnings("ignore")
@pytest.mark.timeout(1500)
@pytest.mark.parametrize("seed", range(100, 110))
def test_ten_thousand_mutants(tmp_path: Path, seed: int) -> None:
    assert campaign(10_000, seed, tmp_path, COMMANDS).findings == {}


# ---- options


HOSTILE_VALUES = (
    "", " ", "-1", "0", "1e400", "nan", "inf", "99999999999999999999", "x" * 5000, "\udcff", "/", "/nonexistent/x/y",
    "/proc/self/mem/x", "a\nb", "=1+1", "--json", "lost", "A", "A:short", "A,B",
)  # fmt: skip


@pytest.mark.parametrize("arguments", [
    "faults --order 99999999999999999999", "size --with TIE --max-drop nan", "rank --budget-min inf",
    "rank --budget-min 1e400", "isolate --at QA --minutes nan", "capacity --seconds inf", "endurance --order 1e9",
])  # fmt: skip
def test_numbers_without_bounds_are_refused(system: Path, arguments: str) -> None:
    """Found by the campaign: each ended in a traceback."""
    name, *options = arguments.split()
    status, out, said = finish([name, system, *options])
    assert (status, out) == (2, "")
    assert "Invalid value for" in said


def test_a_folder_whose_name_is_too_long_is_refused(system: Path, tmp_path: Path) -> None:
    status, _, said = finish(["outing", system, system.parent / "plan.yaml", "-o", tmp_path / ("x" * 300)])
    assert status == 2
    assert said.endswith("File name too long; choose another place\n")


@pytest.mark.filterwarnings("ignore")
def test_options_with_hostile_values(system: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every option of every command that takes a file, a value of every kind: a result or a refusal, exit 0 to 3."""
    import click

    from powerfault.cli import COMMANDS as NAMES
    from powerfault.cli import program

    monkeypatch.chdir(tmp_path)  # such values name files, too
    generator = random.Random(5)
    sample = 1.0 if os.environ.get("CAMPAIGN") else 0.12
    tried = 0
    for name in NAMES:
        command = program.get_command(click.Context(program), name)
        assert command is not None
        if name in ("starter", "schema", "report", "rank"):
            continue
        base = next((list(c) for c in COMMANDS if c[0] == name), [name, str(system)])
        base = [{"F": str(system), "P": str(system.parent / "plan.yaml"), "O.dot": f"{tmp_path}/o.dot"}.get(w, w)
                for w in base]  # fmt: skip
        for option in command.params:
            if not isinstance(option, click.Option) or option.is_flag or option.name in ("help", "yes"):
                continue
            for value in (*HOSTILE_VALUES, str(system), str(tmp_path)):
                if generator.random() > sample:
                    continue
                tried += 1
                content = system.read_bytes()
                with contextlib.suppress(SystemExit):
                    run([*base, option.opts[0], value])
                assert system.read_bytes() == content
    assert tried > 60


# ---- kills, full disks, two runs at once, hash seeds


def whole(folder: Path) -> bool:
    """Whether the folder holds exactly what its manifest lists, each file with its digest."""
    listed = json.loads((folder / "manifest.json").read_text())["files"]
    found = {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
             for p in folder.rglob("*") if p.is_file() and p.name != "manifest.json"}  # fmt: skip
    return listed == found


def work(system: Path, out: Path) -> dict[str, list[str | Path]]:
    return {
        "report": ["report", system, "--with", "TIE", "--cap", "2", "-o", out / "report"],
        "csv": ["faults", system, "--csv", out / "cases.csv"],
        "keep": ["faults", system, "--keep", out / "keep", "--json", "--modes", "loss,short"],
        "jobs": ["capacity", system, "--order", "3", "--yes", "--jobs", "2", "--json"],
        "compare": ["compare", system, "--with", "TIE", "--json"],
        "rank": ["rank", system, "-o", out / "rank.md"],
        "outing": ["outing", system, system.parent / "plan.yaml", "--no-order", "-o", out / "plan"],
    }


@pytest.mark.full
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("rounds", [2, 29])
def test_kills_at_random_moments(system: Path, tmp_path: Path, rounds: int) -> None:
    """After any signal: the earlier result or the new one, whole; after INT and TERM nothing beside it."""
    generator = random.Random(rounds)
    out = tmp_path / "out"
    lasts: dict[str, float] = {}
    results: dict[str, str] = {}
    for name, arguments in work(system, out).items():
        begun = time.monotonic()
        status, results[name], said = finish(arguments)
        assert (status, said) == (0, ""), said
        lasts[name] = time.monotonic() - begun
    csv, keep = (out / "cases.csv").read_bytes(), {p.name: p.read_bytes() for p in (out / "keep").iterdir()}
    for number in range(rounds * len(lasts)):
        name = list(lasts)[number % len(lasts)]
        signalled = (signal.SIGINT, signal.SIGTERM, signal.SIGKILL)[number // len(lasts) % 3]
        process = start(work(system, out)[name], start_new_session=True)
        time.sleep(generator.uniform(0, 1.1) * lasts[name])
        process.send_signal(signalled)
        _, said = process.communicate(timeout=60)
        assert process.returncode in (0, 130, -signalled), (name, signalled, said)
        if signalled != signal.SIGKILL:
            assert "Traceback" not in said
            assert [p.name for p in out.iterdir() if p.name.startswith(".")] == []
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, 0)
            time.sleep(3)  # workers see within moments that their parent is gone
            with pytest.raises(ProcessLookupError):
                os.killpg(process.pid, 0)
        assert whole(out / "report")
        assert whole(out / "plan")
        assert (out / "cases.csv").read_bytes() == csv
        assert {p.name: p.read_bytes() for p in (out / "keep").iterdir() if not p.name.startswith(".")}.items() <= (
            keep.items()
        )
    for name, arguments in work(system, out).items():
        status, result, said = finish(arguments)
        assert (status, result, said) == (0, results[name], ""), name
    leftovers = [p for p in out.rglob(".*") if p.name.endswith(".part")]
    assert leftovers == []


@pytest.mark.parametrize("rounds", [1, pytest.param(12, marks=[pytest.mark.full, pytest.mark.timeout(900)])])
def test_a_full_disk_at_any_write(system: Path, tmp_path: Path, rounds: int) -> None:
    """A limit on the size of files stands in for the disk: exit 2, and what stood there stands there whole."""
    generator = random.Random(3)
    out = tmp_path / "out"
    for name, arguments in work(system, out).items():
        assert name not in ("report", "csv", "rank", "outing") or finish(arguments)[0] == 0
    before = {p: p.read_bytes() for p in out.rglob("*") if p.is_file()}
    for _ in range(rounds):
        for name in ("report", "csv", "rank", "outing") if rounds > 1 else ("csv", "outing"):
            limit = generator.choice((0, 1, 100, 2000))

            def limited(limit: int = limit) -> None:
                signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
                resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

            status, _, said = finish(work(system, out)[name], preexec_fn=limited)
            assert status == 2, (name, limit, said)
            assert said.startswith("error: ")
            assert "File too large" in said
            assert {p: p.read_bytes() for p in out.rglob("*") if p.is_file()} == before


@pytest.mark.parametrize("rounds", [1, pytest.param(10, marks=[pytest.mark.full, pytest.mark.timeout(900)])])
def test_two_runs_at_once_into_one_folder(system: Path, tmp_path: Path, rounds: int) -> None:
    out = tmp_path / "out"
    for _ in range(rounds):
        for name in ("report", "keep", "csv", "outing") if rounds > 1 else ("csv", "outing"):
            arguments = work(system, out)[name]
            both = [start(arguments), start(arguments)]
            said = [process.communicate(timeout=120)[1] for process in both]
            assert [process.returncode for process in both] == [0, 0], said
        assert rounds == 1 or whole(out / "report")
        assert whole(out / "plan")
        assert list(out.rglob(".*")) == []


def test_a_plan_is_judged_the_same_under_any_hash_seed(system: Path) -> None:
    """Loads not served too long stood in the order of a set."""
    arguments: list[str | Path] = ["outing", system, system.parent / "plan.yaml", "--no-order", "--json"]
    found = {finish(arguments, env={**os.environ, "PYTHONHASHSEED": seed})[1] for seed in ("0", "1", "2")}
    assert len(found) == 1


@pytest.mark.full
def test_every_output_is_the_same_under_any_hash_seed(system: Path, tmp_path: Path) -> None:
    found = []
    for seed in ("0", "1", "77"):
        out = tmp_path / seed
        environment = {**os.environ, "PYTHONHASHSEED": seed}
        printed = []
        more: list[list[str | Path]] = [
            ["faults", system, "--json", "--modes", "loss,short,stuck,closed", "--keep", out / "keep"],
            ["worksheet", system, "--xlsx", "-o", out / "w.xlsx"],
            ["draw", system, "--with", "TIE", "-o", out / "d.svg"],
            ["capacity", system, "--json"], ["likelihood", system, "--json"],
            ["size", system, "--with", "TIE", "--json"],
        ]  # fmt: skip
        for arguments in [*work(system, out).values(), *more]:
            status, result, said = finish(arguments, env=environment)
            assert status == 0, said
            printed.append(result.replace(str(out), ""))
        files = {p.relative_to(out).as_posix(): p.read_bytes() for p in out.rglob("*") if p.is_file()}
        found.append((printed, files))
    assert found[0] == found[1] == found[2]


@pytest.mark.full
def test_memory_stays_below_a_gigabyte() -> None:
    demo = ROOT / "topologies" / "orrin-fell.yaml"
    for arguments in (["faults", demo, "--json"], ["compare", demo, "--with", "J-LAB", "--json"], ["validate", demo]):
        code = (
                "import resource, runpy, sys; sys.argv = sys.argv[:1] + sys.argv[1:]\n"
                "try:\n    runpy.run_module('powerfault', run_name='__main__')\n"
                "finally:\n    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)\n"
        )  # fmt: skip
        done = subprocess.run([sys.executable, "-c", code, *map(str, arguments)], cwd=ROOT, capture_output=True,
                              text=True, timeout=250, check=True)  # fmt: skip
        assert int(done.stderr.split()[-1]) < 1_000_000
