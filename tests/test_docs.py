"""The README cannot rot: its files are written, its commands run, its outputs compared, its names looked up.

``python tests/test_docs.py`` writes the outputs and the table of commands anew after an intended change; read the
difference before it is committed. Marks in the README, as comments before a fenced block:

- ``file: NAME`` the block is the whole of a file, ``append: NAME`` is added to its end;
- ``until: TEXT`` the output shown ends before the first line that begins with TEXT, and three dots stand for the rest;
- ``command: NAME`` the block is one of the two commands of a fresh machine;
- ``commands`` the table of commands follows.
"""

from __future__ import annotations

import importlib
import os
import re
import shlex
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import click
import pytest

from powerfault.cli import COMMANDS, GROUPS
from powerfault.model import elements, fields
from powerfault.model.reader import read_topology_text

ROOT = Path(__file__).parent.parent
README = ROOT / "README.md"
DOCS = (README, ROOT / "DEVELOPERS.md")
FENCE = re.compile(r"(?:<!-- (?P<mark>[^\n]*?) -->\n)?^```(?P<kind>\w+)\n(?P<body>.*?)^```$", re.MULTILINE | re.DOTALL)
DOTS = "..."


@dataclass(frozen=True)
class Block:
    mark: str
    value: str
    kind: str
    body: str
    start: int
    end: int


def blocks(text: str) -> list[Block]:
    """The fenced blocks in order; ``start`` and ``end`` bound the body in ``text``."""
    found = []
    for m in FENCE.finditer(text):
        mark, _, value = (m["mark"] or "").partition(":")
        found.append(Block(mark.strip(), value.strip(), m["kind"], m["body"], m.start("body"), m.end("body")))
    return found


def readme() -> str:
    return README.read_text(encoding="utf-8")


def run(arguments: list[str], folder: Path, expect: int | None = 0) -> str:
    """Run ``powerfault`` in ``folder`` and return what it printed."""
    environment = {**os.environ, "NO_COLOR": "1", "COLUMNS": "120", "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-m", "powerfault", *arguments],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=240,
    )
    assert expect is None or done.returncode == expect, f"powerfault {' '.join(arguments)}\n{done.stderr}"
    return done.stdout


def shown(output: str, until: str) -> str:
    """The part of an output that the README shows."""
    lines = [line.rstrip() for line in output.splitlines()]
    for n, line in enumerate(lines):
        if until and line.startswith(until):
            lines = [*lines[:n], DOTS]
            break
    return "\n".join(lines).rstrip() + "\n"


def play(text: str, folder: Path) -> list[tuple[Block, str]]:
    """Write the files of ``text`` and run its console blocks in ``folder``; return each with what it should say."""
    played = []
    for block in blocks(text):
        if block.mark == "file":
            (folder / block.value).write_text(block.body, encoding="utf-8")
        elif block.mark == "append":
            with (folder / block.value).open("a", encoding="utf-8") as stream:
                stream.write(block.body)
        elif block.kind == "console":
            commands = [line for line in block.body.splitlines() if line.startswith("$ ")]
            parts = []
            for line in commands:
                program, *arguments = shlex.split(line[2:])
                assert program == "powerfault"
                parts.append(f"{line}\n{shown(run(arguments, folder), block.value if block.mark == 'until' else '')}")
            played.append((block, "".join(parts)))
        elif block.kind == "python":
            code = f"import sys\nsys.path.insert(0, {str(ROOT)!r})\n{block.body}"
            done = subprocess.run([sys.executable, "-c", code], cwd=folder, capture_output=True, text=True, timeout=120)
            assert done.returncode == 0, done.stderr
    return played


def command_table() -> str:
    rows = []
    for question, group in GROUPS.items():
        rows += [f"| **{question}** | |", *(f"| `powerfault {name}` | {what} |" for name, what in group.items())]
    return "\n".join(["| command | what it does |", "|---|---|", *rows]) + "\n"


TABLE = re.compile(r"(?<=<!-- commands -->\n)(?:\|[^\n]*\n)+")


@pytest.fixture(scope="module")
def tutorial(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[Block, str]]:
    return play(readme(), tmp_path_factory.mktemp("tutorial"))


def test_tutorial_runs_and_prints_what_the_readme_shows(tutorial: list[tuple[Block, str]]) -> None:
    assert len(tutorial) >= 5
    for block, expected in tutorial:
        assert block.body == expected


def test_tutorial_reaches_a_verdict(tutorial: list[tuple[Block, str]]) -> None:
    """The words of the tutorial hold, whatever the layout of the outputs."""
    bodies = [body for _, body in tutorial]
    assert "hut.yaml: valid" in bodies[0]
    assert "not met: PUMP" in bodies[1]
    assert "newly met: PUMP; none lost" in bodies[2]
    assert "closing BRK-1" in bodies[3]


def test_table_of_commands() -> None:
    found = TABLE.search(readme())
    assert found
    assert found.group() == command_table()


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_exists_and_explains_itself(name: str) -> None:
    command = importlib.import_module(f"powerfault.cli.{name}").command
    assert isinstance(command, click.Command)
    assert command.help
    for parameter in command.params:
        assert isinstance(parameter, click.Argument) or getattr(parameter, "help", None) or parameter.name == "help"


def mentions() -> list[tuple[str, list[str]]]:
    """Every ``powerfault ...`` in code of the documents, as (document, words)."""
    found = []
    for path in DOCS:
        text = path.read_text(encoding="utf-8")
        code = [b.body for b in blocks(text) if b.kind in ("sh", "console")] + re.findall(
            r"`([^`]+)`", FENCE.sub("", text)
        )
        for piece in code:
            for line in piece.splitlines():
                for m in re.finditer(r"(?:^|\s|/)powerfault ([a-z].*)", line):
                    words = m[1].split(" && ")[0].split()
                    found.append((path.name, words))
    return found


def test_commands_named_in_the_documents_exist_with_their_options() -> None:
    said = mentions()
    assert len(said) > 15
    for document, words in said:
        if not re.fullmatch(r"[a-z]+", words[0]):
            continue
        assert words[0] in COMMANDS, f"{document}: powerfault {' '.join(words)}"
        options = {w.split("=")[0] for w in words[1:] if re.fullmatch(r"--?[a-z][a-z-]*", w)}
        if options:
            command = importlib.import_module(f"powerfault.cli.{words[0]}").command
            known = {o for p in command.params for o in (*p.opts, *p.secondary_opts)} | {"--help"}
            assert options <= known, f"{document}: powerfault {' '.join(words)}: {options - known}"


def test_names_in_the_section_on_the_format_are_names_of_the_format() -> None:
    section = readme().split("\n## The format\n")[1].split("\n## ")[0]
    known = {*COMMANDS, *elements.KINDS, *elements.OUTCOMES, *elements.MODES, *elements.SEVERITIES, "closed", "open"}
    for table in (
        fields.TOP, fields.COMPONENT, fields.LOAD, fields.FUNCTION, fields.PROPOSAL, fields.PHASE, fields.EXPECT,
        fields.NEED,
    ):  # fmt: skip
        known |= set(table)
    free = {"_", ".", "-", "n", "sunlit", "dark", "normal"}
    words = {w.split(":")[0] for w in re.findall(r"`([A-Za-z_.-]+(?:: \w+)?)`", section)}
    assert len(words) > 60
    assert words - known - free == set()
    # And every section that a file may have is named.
    assert {name for name in fields.TOP if f"`{name}`" not in section and f"`{name}:" not in section} <= {
        "about", "defaults",
    }  # fmt: skip


def test_yaml_shown_in_pieces_is_read() -> None:
    base = next(b for b in blocks(readme()) if b.value == "hut.yaml")
    shown = [b.body for b in blocks(readme()) if b.kind == "yaml" and not b.mark]
    derating = next(body for body in shown if body.startswith("derating:"))
    rates = next(body for body in shown if "common_causes:" in body)
    read_topology_text(base.body + derating)
    head, rest = rates.split("\n", 1)
    assert head == "components:"
    own, rest = rest.split("common_causes:")
    more = "  CBL-1: {kind: cable}\n  CBL-2: {kind: cable, site: rack-4}\n  TIE-1: {kind: switch, normally: open}\n"
    text = base.body.replace("components:\n", "components:\n" + own + more, 1) + "common_causes:" + rest
    assert read_topology_text(text).components["CV-1"].error_factor == 3


def test_linked_files_exist() -> None:
    for path in DOCS:
        for target in re.findall(r"\]\(([^)#]+)\)", path.read_text(encoding="utf-8")):
            assert (ROOT / target).exists(), f"{path.name} links to {target}"


def test_libraries_are_listed_with_their_licences() -> None:
    text = readme().split("\n## Licence\n")[1].lower()
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    for name in re.findall(r'^    "([a-zA-Z0-9-]+)[\[<>=]', project, re.MULTILINE):
        short = name.lower().removesuffix("-stubs").removeprefix("types-")
        assert short in text or ("type stubs" in text and name.startswith("types-")), name
    assert "epl-2.0 and ofl-1.1 and mit" in text


def marked(name: str) -> str:
    found = [b.body.strip() for b in blocks(readme()) if b.mark == "command" and b.value == name]
    assert len(found) == 1
    return found[0]


def test_the_two_commands_set_up_everything() -> None:
    for name in ("demo", "tests"):
        steps = marked(name).split(" && ")
        assert steps[0] == "python3 -m venv .venv"
        assert re.fullmatch(r"\.venv/bin/pip install -q (?:\.|-e '\.\[test\]')", steps[1])
        assert len(steps) == 3
    assert marked("tests").endswith(".venv/bin/python -m pytest -q -n auto --dist loadfile")


def test_ci_runs_the_command_of_the_readme() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "<!-- command: tests -->" in script
    for needed in ("set -euo pipefail", "ruff", "mypy", "format --check"):
        assert needed in script
    done = subprocess.run(["bash", "-n", str(ROOT / ".ci" / "run")], capture_output=True, text=True, timeout=20)
    assert done.returncode == 0, done.stderr


def test_the_main_command_writes_the_report(tmp_path: Path) -> None:
    program, *arguments = shlex.split(marked("demo").split(" && ")[2])
    assert program == ".venv/bin/powerfault"
    arguments = [str(ROOT / a) if a.startswith("topologies/") else a for a in arguments]
    run(arguments, tmp_path)
    out = tmp_path / "orrin-fell-report"
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "J-LAB" in page
    assert "cabin-air" in page
    assert {"results.json", "cases.csv", "consumers.csv"} <= {p.name for p in out.iterdir()}


def refresh() -> None:
    """Write the table of commands and every output of the README anew."""
    import tempfile

    text = TABLE.sub(lambda _: command_table(), readme())
    with tempfile.TemporaryDirectory() as folder:
        for block, body in reversed(play(text, Path(folder))):
            text = text[: block.start] + body + text[block.end :]
    README.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    refresh()
