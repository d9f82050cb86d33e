"""``powerfault validate``, ``starter`` and ``schema`` from the shell: output, exit codes, speed, bad input."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from powerfault.model.reader import read_topology_text, topology_warnings
from powerfault.model.schema import topology_schema
from powerfault.model.starter import STARTER
from powerfault.model.yaml_lines import parse_yaml

TOPOLOGIES = [
    path
    for path in sorted((Path(__file__).parent.parent / "topologies").glob("*.yaml"))
    if "\npowerfault: 1" in "\n" + path.read_text(encoding="utf-8")  # others there are plans of outings
]


def run(*arguments: str, text: str | None = None, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent)}
    return subprocess.run(
        [sys.executable, "-m", "powerfault", *arguments],
        capture_output=True, text=True, input=text, timeout=120, env=environment, cwd=cwd, check=False,
    )  # fmt: skip


def test_a_good_file(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").write_text(STARTER)
    done = run("validate", "a.yaml", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines() == [
        "a.yaml: valid",
        "  Two channels",
        "  8 components: 2 sources, 2 storages, 2 buses, 2 breakers",
        "  6 links, 2 loads, 1 function, 2 phases, 2 channels, 0 standing failures, 1 proposal",
        "  3 expectations hold; 0 warnings",
    ]


def test_standard_input_and_quiet() -> None:
    assert run("validate", "-", text=STARTER).stdout.startswith("<standard input>: valid\n")
    assert run("validate", "--quiet", "-", text=STARTER).stdout == ""


def test_with_proposals() -> None:
    done = run("validate", "-", "--with", "JUMPER", text=STARTER)
    assert "valid with JUMPER" in done.stdout
    assert "10 components: 2 sources, 2 storages, 2 buses, 3 breakers, 1 jumper" in done.stdout
    done = run("validate", "-", "--with", "JUMPR", text=STARTER)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "error: unknown proposal 'JUMPR' (did you mean 'JUMPER'?)\n"


def test_problems_all_at_once(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").write_text(
        STARTER.replace("kind: bus", "kind: buss").replace("fed_by: [BRK-A]", "fed_by: BRK-A")
    )
    done = run("validate", "a.yaml", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    lines = done.stderr.splitlines()
    assert lines[0].startswith("a.yaml:27:17: components.BUS-A.kind: expected source, ")
    assert lines[0].endswith("found text 'buss' (did you mean 'bus'?)")
    assert lines[2].startswith("a.yaml:43:19: loads.RADIO.fed_by: expected a list of ids, found text 'BRK-A'")
    assert lines[3] == "error: 3 problems found; nothing was computed"


def test_words_that_are_booleans_to_other_readers_are_named() -> None:
    text = (
        "powerfault: 1\ncomponents:\n  on: {kind: source}\n  'off': {kind: bus}\n"
        "feeds: [on -> off]\nloads: {FAN: {fed_by: [off, 'off'], label: No}, Nora: {fed_by: [on]}}\n"
    )
    done = run("validate", "-", text=text)
    assert done.returncode == 0
    said = [line for line in done.stderr.splitlines() if "YAML 1.1" in line]
    message = "without quotes is text here, but a boolean to readers of YAML 1.1; put it in quotes"
    assert said == [
        f"<standard input>:3:3: warning: components.on: on {message}",
        f"<standard input>:6:24: warning: loads.FAN.fed_by[0]: off {message}",
        f"<standard input>:6:44: warning: loads.FAN.label: No {message}",
        f"<standard input>:6:65: warning: loads.Nora.fed_by[0]: on {message}",
    ]


def test_warnings_do_not_fail() -> None:
    done = run("validate", "-", text=STARTER.replace(", charged_by: [BUS-A]", ""))
    assert done.returncode == 0
    assert done.stderr == (
        "<standard input>:25:10: warning: components.BAT-A: does not say charged_by, so it counts as always charged\n"
    )
    assert done.stdout.endswith("3 expectations hold; 1 warning\n")


def test_a_proposal_that_cannot_be_applied() -> None:
    done = run("validate", "-", text=STARTER.replace("    add:\n", "    set: {BUS-B: {voltage_v: 28}}\n    add:\n"))
    assert done.returncode == 2
    assert "proposals.JUMPER.add.feeds[0]: joins BUS-A (120 V) and BUS-B (28 V) without a converter" in done.stderr


def test_expectations_that_do_not_hold() -> None:
    text = STARTER.replace("AIR: uninterrupted, RADIO: lost", "AIR: manual, RADIO: manual")
    text = text.replace("{RADIO: manual, AIR: uninterrupted}", "{RADIO: lost}")
    done = run("validate", "-", text=text)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.splitlines() == [
        "<standard input>:60:39: expect[0].outcomes.AIR: expected manual, found uninterrupted (with BRK-A failed)",
        "<standard input>:60:54: expect[0].outcomes.RADIO: expected manual, found lost (with BRK-A failed)",
        "<standard input>:62:63: expect[2].outcomes.RADIO: expected lost, found manual "
        "(with PV-A, BAT-A failed and JUMPER applied)",
        "error: 1 of 3 expectations hold",
    ]


@pytest.mark.parametrize(
    ("expectation", "message"),
    [
        ("{failed: [JMQ], with: [JUMPER], outcomes: {AIR: lost}}", "expect[0].failed[0]: 'JMQ' is no component"),
        ("{failed: [BUS-A:stuck], with: [JUMPER], outcomes: {}}", "stuck does not apply to BUS-A, a bus"),
        ("{with: [JUMPER], outcomes: {AIRE: lost}}", "expect[0].outcomes.AIRE: 'AIRE' is no load or function (did"),
        ("{failed: [PV-A:short], outcomes: {AIR: lost}}", "short does not apply to PV-A, a source"),
    ],
)  # fmt: skip
def test_expectations_that_ask_for_what_is_not_there(expectation: str, message: str) -> None:
    text = STARTER[: STARTER.index("expect:")] + f"expect:\n  - {expectation}\n"
    done = run("validate", "-", text=text)
    assert done.returncode == 2
    assert message in done.stderr


def test_expectations_name_what_the_proposal_adds_and_what_stands_failed() -> None:
    text = STARTER[: STARTER.index("expect:")] + (
        "standing: {failed: [PV-A]}\n"
        "expect:\n"
        "  - {failed: [PV-A], outcomes: {RADIO: lost}}\n"
        "  - {failed: [PV-A], with: [JUMPER], outcomes: {RADIO: manual}}\n"
        "  - {failed: [TIE:stuck], with: [JUMPER], outcomes: {RADIO: lost}}\n"
        "  - {failed: [JMP], with: [JUMPER], outcomes: {RADIO: lost, habitable: lost}}\n"
    )
    done = run("validate", "-", text=text)
    assert (done.returncode, done.stderr) == (0, "")
    done = run(
        "validate",
        "-",
        text=text.replace("BAT-A: {", "BAT-A: {modes: [loss], ").replace("[PV-A], with", "[PV-B], with"),
    )
    assert done.returncode == 2
    assert "expect[1].outcomes.RADIO: expected manual, found lost" in done.stderr


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", ":1:1: is empty; a topology begins with 'powerfault: 1'"),
        (b"\x00\x01\x02", ":1:1: is not a text file (it holds a zero byte)"),
        (b"\x89PNG\r\n\x1a\n", ":1:1: is not UTF-8 text (byte 0x89 here)"),
        (b"a: [", "is not valid YAML"),
        (b"[" * 100_000, "nesting depth"),
        (b"a: &a [x]\nb: [*a, *a]\n", ":1:4: anchors are not read (&a)"),
        (b"a: 1\na: 2\n", ":2:1: a: is given twice (first in line 1)"),
        (b"powerfault: 1\n---\npowerfault: 1\n", ":2:1: a second document begins"),
        (b"!!python/object/apply:os.system [true]", "tags are not read"),
    ],
)
def test_bad_files_end_in_a_clear_error(tmp_path: Path, content: bytes, message: str) -> None:
    (tmp_path / "bad.yaml").write_bytes(content)
    done = run("validate", "bad.yaml", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert message in done.stderr
    assert "Traceback" not in done.stderr


def test_a_large_file_and_an_absent_one(tmp_path: Path) -> None:
    with (tmp_path / "large.yaml").open("wb") as stream:
        stream.truncate(50_000_000)
    done = run("validate", "large.yaml", cwd=tmp_path)
    assert (done.returncode, done.stderr.splitlines()[0]) == (
        2, "large.yaml: larger than 20 MB, the most that is read; is it a topology file?"
    )  # fmt: skip
    done = run("validate", "absent.yaml", cwd=tmp_path)
    assert (done.returncode, done.stderr.splitlines()[0]) == (
        2,
        "absent.yaml: cannot be read: No such file or directory",
    )
    assert run("validate", cwd=tmp_path).returncode == 2
    assert run("validate", str(tmp_path)).returncode == 2


LATER = """\
ports: {P1: {bus: BUS-Q}}
open_points: 0
derating: {rule: unheard}
exclusive: [[BRK-A, BUS-A]]
common_causes: {tray: {members: [BRK-A, BRK-Q], beta: 2}}
switching_success: {commanded: 1.5}
"""


def test_fields_of_later_measures_are_looked_into() -> None:
    done = run("validate", "-", text=STARTER + LATER)
    assert (done.returncode, done.stdout) == (2, "")
    first = STARTER.count("\n") + 1
    for line, field in enumerate(("ports", "open_points", "derating", "exclusive", "common_causes", "switching")):
        assert f"<standard input>:{first + line}:" in done.stderr
        assert f": {field}" in done.stderr


@pytest.mark.parametrize(
    "line",
    [
        "ports: {P1: 5}",
        "ports: [{id: P1}]",
        "ports: 7",
        "open_points: {points: many}",
        "derating: [bundle]",
        "exclusive: 3",
        "exclusive: [[BRK-A, NOBODY]]",
        "exclusive: [BRK-A, 4]",
        "common_causes: [BRK-A]",
        "switching_success: {BUS-A: 0.5}",
    ],
)
def test_every_shape_of_them_ends_in_a_problem_at_its_field(line: str) -> None:
    done = run("validate", "--quiet", "-", text=STARTER + line + "\n")
    field = line.split(":")[0]
    assert (done.returncode, done.stdout) == (2, "")
    assert f"<standard input>:{STARTER.count(chr(10)) + 1}:" in done.stderr
    assert f": {field}" in done.stderr


def test_what_only_a_proposal_brings_may_stand_in_an_exclusive_group() -> None:
    jumper = next(
        line.split(":")[0].strip() for line in STARTER.splitlines() if "kind: breaker, normally: open" in line
    )
    assert run("validate", "-", text=f"{STARTER}exclusive: [[BRK-A, {jumper}]]\n").returncode == 0


def test_numbers_that_only_some_measures_need_are_asked_for_when_thorough() -> None:
    assert run("validate", "--thorough", "-", text=STARTER).returncode == 0
    text = STARTER.replace("BUS-A: {", "BUS-A: {failures_per_million_hours: 2000000, ")
    assert text != STARTER
    assert run("validate", "-", text=text).returncode == 0
    done = run("validate", "--thorough", "-", text=text)
    assert done.returncode == 2
    assert "components.BUS-A.failures_per_million_hours: 2e+06 failures per million hours" in done.stderr


def test_numbers_that_a_proposal_brings_are_checked_as_those_of_the_file() -> None:
    added = "{add: {components: {SPARE: {kind: bus, failures_per_million_hours: 2000000}}, feeds: [BUS-A -> SPARE]}}"
    text = STARTER.replace("proposals:\n", f"proposals:\n  J-ODD: {added}\n")
    assert text != STARTER
    done = run("validate", "--thorough", "-", text=text)
    assert done.returncode == 2
    assert "proposals.J-ODD.add.components.SPARE.failures_per_million_hours: 2e+06 failures" in done.stderr


def test_control_characters_never_reach_the_terminal() -> None:
    text = STARTER.replace("name: Two channels", 'name: "a\\u009b31m\\u202eb"')
    assert "\u202e" not in run("validate", "-", text=text.replace("\\u009b", "")).stdout
    done = run("validate", "-", text=STARTER + '"a\\nb\\u202e": 1\nstanding: {failed: ["x\\ny", "x\\ny"]}\n')
    assert done.returncode == 2
    assert "\u202e" not in done.stderr
    assert all(line.startswith(("<standard input>:", "error: ")) for line in done.stderr.splitlines())


# --- speed -----------------------------------------------------------------------------------------------------------


def processor_seconds(*arguments: str) -> float:
    """Processor time of a child process: unlike wall time it does not count other work on the machine."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *arguments], capture_output=True, check=True, timeout=120)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def test_the_demo_is_checked_within_fifteen_times_an_empty_interpreter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONDONTWRITEBYTECODE", "")
    monkeypatch.setenv("PYTHONPYCACHEPREFIX", str(tmp_path))  # compiled once, as an installed package is
    demo = Path(__file__).parent.parent / "topologies" / "orrin-fell.yaml"
    monkeypatch.chdir(Path(__file__).parent.parent)
    command = ("-m", "powerfault", "validate", str(demo))
    processor_seconds(*command)
    empty, checked = [], []
    for _ in range(30):  # the least of several: other work on the machine only ever adds to it
        empty.append(processor_seconds("-c", "pass"))
        checked.append(processor_seconds(*command))
        ratio = min(checked) / min(empty)
        if len(empty) >= 3 and ratio < 14:
            break
    assert ratio < 15, f"{ratio:.1f} times an empty interpreter"


def test_validate_imports_no_heavy_library() -> None:
    code = (
        "import sys, runpy\n"
        "sys.argv = ['powerfault', 'validate', '-']\n"
        "try:\n    runpy.run_module('powerfault', run_name='__main__')\n"
        "except SystemExit as end:\n    assert not end.code, end.code\n"
        "heavy = {'numpy', 'networkx', 'pandas', 'highspy', 'jinja2', 'graphviz'}\n"
        "heavy |= {'json', 'difflib', 'tempfile', 'pathlib', 'subprocess'}\n"
        "print(sorted(heavy & set(sys.modules)), file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], input=STARTER, capture_output=True, text=True, timeout=60, check=False,
        cwd=Path(__file__).parent.parent,
    )  # fmt: skip
    assert done.stderr == "[]\n"


# --- starter ---------------------------------------------------------------------------------------------------------


def test_starter_writes_a_valid_file_and_overwrites_nothing(tmp_path: Path) -> None:
    done = run("starter", "first.yaml", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (0, "wrote first.yaml; check it with: powerfault validate first.yaml\n")
    assert (tmp_path / "first.yaml").read_text() == STARTER
    (tmp_path / "first.yaml").write_text("mine")
    done = run("starter", "first.yaml", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "error: first.yaml is there already; choose another name, or --force to overwrite it\n"
    assert (tmp_path / "first.yaml").read_text() == "mine"
    assert run("starter", "--force", "first.yaml", cwd=tmp_path).returncode == 0
    assert (tmp_path / "first.yaml").read_text() == STARTER
    assert [path.name for path in tmp_path.iterdir()] == ["first.yaml"]
    assert run("starter", "-").stdout == STARTER
    (tmp_path / "file").write_text("")
    done = run("starter", "file/first.yaml", cwd=tmp_path)
    assert done.returncode == 2
    assert "cannot write" in done.stderr


def test_the_starter_shows_the_way() -> None:
    topology = read_topology_text(STARTER)
    assert topology.proposals
    assert topology.expect
    assert topology_warnings(topology) == ()
    assert all(len(line) <= 120 for line in STARTER.splitlines())


# --- schema ----------------------------------------------------------------------------------------------------------

VALIDATOR = jsonschema.Draft202012Validator(topology_schema())


def faults(text: str) -> list[str]:
    return [error.message for error in VALIDATOR.iter_errors(parse_yaml(text, "f").data)]


def test_schema_is_printed_as_json() -> None:
    done = run("schema")
    assert done.returncode == 0
    assert json.loads(done.stdout) == topology_schema()
    jsonschema.Draft202012Validator.check_schema(json.loads(done.stdout))


@pytest.mark.parametrize("path", TOPOLOGIES, ids=lambda path: path.stem)
def test_the_topologies_keep_the_schema(path: Path) -> None:
    assert faults(path.read_text(encoding="utf-8")) == []


def test_the_starter_keeps_the_schema() -> None:
    assert faults(STARTER) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("powerfault: 1 ", "powerfault: 2 "),
        ("phases:", "phase:"),
        ("kind: bus,", "kind: buss,"),
        ("kind: bus,", ""),
        ("voltage_v: 120", "voltage_v: -120"),
        ("voltage_v: 120", "voltage_v: '120'"),
        ("rating_a: 25", "rating: 25"),
        ("{kind: bus,", "{kind: bus, normally: open,"),
        ("{kind: bus,", "{kind: bus, can_fail: no,"),
        ("depth_limit: 0.8", "depth_limit: 80"),
        ("charged_by: [BUS-A]", "charged_by: BUS-A"),
        ("charged_by: [BUS-A]", "charged_by: []"),
        ("PV-A -> BUS-A", "PV-A --> BUS-A"),
        ("PV-A -> BUS-A", "PV-A"),
        ("severity: critical", "severity: high"),
        ("fed_by: [BRK-A], ", ""),
        ("of: [AIR, RADIO]", "of: [1, RADIO]"),
        ("at_least: 2", "at_least: 0"),
        ("gauge_awg: 6", "gauge_awg: 66"),
        ("crew_minutes: 45", "crew_minutes: fast"),
        ("{failed: [BRK-A]", "{failed: [BRK-A:jammed]"),
        ("AIR: uninterrupted", "AIR: fine"),
        ("  JUMPER:\n", "  JUMPER:\n    set: {BUS-A: {normaly: open}}\n"),
        ("  JUMPER:\n", "  JUMPER:\n    remove: {components: BUS-A}\n"),
    ],
)
def test_what_the_reader_refuses_by_type_the_schema_refuses(old: str, new: str) -> None:
    assert old in STARTER
    text = STARTER.replace(old, new, 1)
    assert faults(text)
    with pytest.raises(Exception, match=r"expected|unknown|must give|takes no|no arrow|links nothing"):
        read_topology_text(text)


def test_null_equals_absent_in_the_schema_too() -> None:
    text = STARTER.replace("{kind: bus,", "{kind: bus, normally: null, rating_kw: null, needs: null, can_fail: null,")
    text += "standing: null\nports: null\ndefaults: {rides_through: null}\n"
    assert faults(text) == []
    read_topology_text(text)


def test_the_schema_describes_every_field() -> None:
    def described(schema: Any) -> int:
        if isinstance(schema, list):
            return sum(map(described, schema))
        if not isinstance(schema, dict):
            return 0
        own = sum("description" in value for value in schema.get("properties", {}).values() if isinstance(value, dict))
        return own + sum(map(described, schema.values()))

    component = topology_schema()["$defs"]["component"]
    assert described({"properties": component["properties"]}) == len(component["properties"]) > 40
