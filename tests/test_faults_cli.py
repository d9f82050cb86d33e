"""The commands faults, compare and explain from outside: exit codes, forms of output, errors, saved results."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from powerfault.cli import EXIT_UNMET, EXIT_USAGE
from powerfault.tolerance.results import digest

TEACHING = str(Path(__file__).parents[1] / "topologies" / "two-channels.yaml")
DEMO = str(Path(__file__).parents[1] / "topologies" / "orrin-fell.yaml")


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "powerfault", *arguments], capture_output=True, text=True, check=False, timeout=120
    )


def proposals(file: str) -> list[str]:
    from powerfault.model.reader import load_topology

    return list(load_topology(file).proposals)


def test_json_holds_the_object_of_the_format() -> None:
    data = json.loads(run("faults", TEACHING, "--json", "--by-phase", "--modes", "loss,short").stdout)
    assert {"format", "topology", "sha256", "order", "modes", "with", "standing", "events", "case_count"} <= set(data)
    assert (data["format"], data["order"], data["modes"]) == (1, 2, ["loss", "short"])
    assert set(data["consumers"][0]) == {
        "id", "type", "severity", "must_tolerate", "rides_through", "tolerates", "lower_bound", "meets",
        "minimal_cut_sets",
    }  # fmt: skip
    for case in data["cases"]:
        assert set(case) == {"failed", "outcomes", "by_phase"}
        assert case["outcomes"]
        assert "uninterrupted" not in case["outcomes"].values()
        for consumer, outcome in case["outcomes"].items():
            order = ["uninterrupted", "automatic", "commanded", "manual", "lost"]
            phases = [order.index(own.get(consumer, order[0])) for own in case["by_phase"].values()]
            assert max(phases, default=0) == order.index(outcome)


def test_terminal_output_has_the_verdict_first_and_no_colour_in_a_pipe() -> None:
    result = run("faults", TEACHING)
    assert result.returncode == 0
    assert "requirements met" in result.stdout.splitlines()[0]
    assert "\x1b" not in result.stdout
    for heading in ("Requirements", "Single points of failure", "Pairs that matter", "What this result rests on"):
        assert heading in result.stdout


def test_exit_codes() -> None:
    assert run("faults", TEACHING, "--fail-on-unmet").returncode == EXIT_UNMET
    for arguments in (
        ("faults", "nowhere.yaml"),
        ("faults", TEACHING, "--modes", "lossy"),
        ("faults", TEACHING, "--given", "NOT-THERE"),
        ("faults", TEACHING, "--with", "NOT-THERE"),
        ("faults", TEACHING, "--order", "0"),
        ("compare", TEACHING),
        ("explain", TEACHING, "--fail", "NOT-THERE", "--load", "X"),
    ):
        result = run(*arguments)
        assert result.returncode == EXIT_USAGE, arguments
        assert "Traceback" not in result.stderr
        assert result.stderr.strip()
        assert result.stdout == ""


@pytest.mark.parametrize(
    ("option", "why"), [(["--jobs", "2"], "one process: leave out --jobs"), (["--keep", "kept"], "keeps no cases")]
)
def test_cut_sets_alone_refuse_what_they_would_not_heed(option: list[str], why: str) -> None:
    done = run("faults", TEACHING, "--cut-sets-only", *option)
    assert (done.returncode, done.stdout) == (2, "")
    assert why in done.stderr


def test_a_mode_that_does_not_apply_names_those_that_do() -> None:
    result = run("faults", DEMO, "--given", "PV-H1:short")
    assert result.returncode == EXIT_USAGE
    assert "does not apply to this source; expected loss" in result.stderr


def test_csv_holds_every_case_and_nothing_is_left_when_it_cannot_be_written(tmp_path: Path) -> None:
    assert run("faults", TEACHING, "--csv", str(tmp_path / "c.csv")).returncode == 0
    with (tmp_path / "c.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    data = json.loads(run("faults", TEACHING, "--json").stdout)
    assert len(rows) == sum(len(c["outcomes"]) for c in data["cases"])
    (tmp_path / "file").write_text("")
    result = run("faults", TEACHING, "--csv", str(tmp_path / "file" / "c.csv"))
    assert result.returncode == EXIT_USAGE
    assert "cannot write" in result.stderr
    assert sorted(p.name for p in tmp_path.iterdir()) == ["c.csv", "file"]


def test_parquet_holds_the_rows_of_the_csv(tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    run("faults", TEACHING, "--csv", str(tmp_path / "c.csv"), "--parquet", str(tmp_path / "c.parquet"))
    with (tmp_path / "c.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    table = parquet.read_table(tmp_path / "c.parquet").to_pylist()
    assert [(r["failed"], r["consumer"], r["outcome"]) for r in rows] == [
        (r["failed"], r["consumer"], r["outcome"]) for r in table
    ]


def test_two_runs_print_the_same_bytes() -> None:
    first, second = (run("faults", TEACHING, "--json", "--modes", "loss,short,stuck,closed").stdout for _ in range(2))
    assert first == second


def test_compare_takes_several_proposals_in_either_form_and_each_by_itself() -> None:
    names = proposals(DEMO)[:2]
    together = json.loads(run("compare", DEMO, "--with", names[0], "--with", names[1], "--order", "1", "--json").stdout)
    alike = json.loads(run("compare", DEMO, "--with", *names, "--order", "1", "--json", "--each").stdout)
    assert together["after"]["with"] == alike["after"]["with"] == names
    assert together["changes"] == alike["changes"]
    assert [e["after"]["with"] for e in alike["each"]] == [[n] for n in names]


def test_saved_results_compare_as_the_files_do(tmp_path: Path) -> None:
    name = proposals(TEACHING)[0]
    for file, extra in (("a.json", ()), ("b.json", ("--with", name))):
        (tmp_path / file).write_text(run("faults", TEACHING, "--json", "--modes", "loss,short", *extra).stdout)
    saved = json.loads(run("compare", str(tmp_path / "a.json"), str(tmp_path / "b.json"), "--json").stdout)
    direct = json.loads(run("compare", TEACHING, "--with", name, "--modes", "loss,short", "--json").stdout)
    assert saved["changes"] == direct["changes"]


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda d: d | {"order": 1}, "its events make"),
        (lambda d: d | {"modes": ["short"]}, "not comparable: modes"),
        (lambda d: {k: v for k, v in d.items() if k != "cases"}, "holds no cases"),
        (lambda d: d | {"events": d["events"][:-1]}, "its events make"),
        (lambda _: {"format": 2}, "is missing"),
    ],
)
def test_saved_results_that_cannot_be_compared_say_why(tmp_path: Path, change: object, reason: str) -> None:
    text = run("faults", TEACHING, "--json").stdout
    (tmp_path / "a.json").write_text(text)
    changed = change(json.loads(text))  # type: ignore[operator]
    (tmp_path / "b.json").write_text(json.dumps({**changed, "digest": digest(changed)}))
    result = run("compare", str(tmp_path / "a.json"), str(tmp_path / "b.json"))
    assert result.returncode == EXIT_USAGE
    assert reason in result.stderr


def test_a_changed_question_is_said_in_every_result(tmp_path: Path) -> None:
    text = Path(TEACHING).read_text()
    from powerfault.model.reader import load_topology

    load = next(iter(load_topology(TEACHING).loads))
    (tmp_path / "t.yaml").write_text(
        text.replace("proposals:\n", f"proposals:\n  EASY: {{set: {{{load}: {{must_tolerate: 0}}}}}}\n")
    )
    data = json.loads(run("compare", str(tmp_path / "t.yaml"), "--with", "EASY", "--json").stdout)
    assert data["question_changes"]
    assert any("question was changed" in note for note in data["after"]["notes"])
    assert "The question itself was changed" in run("compare", str(tmp_path / "t.yaml"), "--with", "EASY").stdout


def test_saved_results_say_that_the_question_was_changed(tmp_path: Path) -> None:
    (tmp_path / "t.yaml").write_text(
        "powerfault: 1\ncomponents: {PV: {kind: source}}\nloads: {FAN: {fed_by: [PV]}}\n"
        "proposals: {EASY: {set: {FAN: {must_tolerate: 0}}}}\n"
    )
    for file, extra in (("a.json", ()), ("b.json", ("--with", "EASY"))):
        (tmp_path / file).write_text(run("faults", str(tmp_path / "t.yaml"), "--json", *extra).stdout)
    files = (str(tmp_path / "a.json"), str(tmp_path / "b.json"))
    said = "EASY sets must_tolerate of FAN from not given to 0"
    assert json.loads(run("compare", *files, "--json").stdout)["question_changes"] == [said]
    assert f"The question itself was changed: {said}." in run("compare", *files).stdout
    back = json.loads(run("compare", *files[::-1], "--json").stdout)
    assert back["question_changes"] == ["must_tolerate of FAN: 0 before, not given after"]


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("rides_through: manual", "rides_through: manual", []),
        ("must_tolerate: 1", "severity: critical", ["severity of FAN: not given before, critical after"]),
        ("severity: critical", "{severity: critical, must_tolerate: 0}", ["must_tolerate of FAN: 1 before, 0 after"]),
        ("priority: 1", "rides_through: manual", ["rides_through of FAN: uninterrupted before, manual after"]),
    ],
)
def test_two_files_that_ask_differently_are_told_apart(
    tmp_path: Path, before: str, after: str, said: list[str]
) -> None:
    for name, fields in (("a", before), ("b", after)):
        (tmp_path / f"{name}.yaml").write_text(
            "powerfault: 1\ncomponents: {PV: {kind: source}}\nfeeds: []\n"
            f"loads: {{FAN: {{fed_by: [PV], {fields.strip('{}')}}}}}\n"
        )
        (tmp_path / f"{name}.json").write_text(run("faults", str(tmp_path / f"{name}.yaml"), "--json").stdout)
    for kind in ("yaml", "json"):
        files = (str(tmp_path / f"a.{kind}"), str(tmp_path / f"b.{kind}"))
        assert json.loads(run("compare", *files, "--json").stdout)["question_changes"] == said
        printed = run("compare", *files).stdout
        assert [line for line in printed.splitlines() if "question itself" in line] == [
            f"The question itself was changed: {change}." for change in said
        ]


def test_a_component_that_may_no_longer_fail_in_the_second_file_is_told(tmp_path: Path) -> None:
    for name, fields in (("a", ""), ("b", ", can_fail: false"), ("c", ", normally: open")):
        (tmp_path / f"{name}.yaml").write_text(
            f"powerfault: 1\ncomponents: {{PV: {{kind: source}}, SW: {{kind: switch{fields}}}}}\n"
            "feeds: [PV -> SW]\nloads: {FAN: {fed_by: [SW]}}\n"
        )
    a, b, c = (str(tmp_path / f"{name}.yaml") for name in "abc")
    said = "the modes of SW: [loss, short, stuck] before, [] after"
    assert json.loads(run("compare", a, b, "--json").stdout)["question_changes"] == [said]
    assert json.loads(run("compare", a, c, "--json").stdout)["question_changes"] == []  # the system, not the question


@pytest.mark.parametrize("command", ["compare", "likelihood"])
def test_an_event_given_that_the_change_takes_away_is_refused(tmp_path: Path, command: str) -> None:
    (tmp_path / "t.yaml").write_text(
        "powerfault: 1\ncomponents: {PV: {kind: source}, PW: {kind: source}}\nloads: {FAN: {fed_by: [PV, PW]}}\n"
        "proposals: {OFF: {remove: {components: [PW]}}}\n"
    )
    result = run(command, str(tmp_path / "t.yaml"), "--with", "OFF", "--given", "PW", "--json")
    assert (result.returncode, result.stdout) == (EXIT_USAGE, "")
    assert result.stderr == (
        "error: event 'PW': no component of that id after the change; a given event must exist before and after\n"
    )


def test_rates_missing_of_what_is_down_already_are_named_for_no_consumer(tmp_path: Path) -> None:
    (tmp_path / "t.yaml").write_text(
        "powerfault: 1\ncomponents: {PV: {kind: source}, B: {kind: bus}}\nfeeds: [PV -> B]\n"
        "loads: {FAN: {fed_by: [B]}}\nproposals: {OFF: {remove: {components: [PV]}}}\n"
    )
    said = run("likelihood", str(tmp_path / "t.yaml"), "--with", "OFF").stdout
    assert "\nRates are missing. Give failures_per_million_hours for PV, B.\n" in said
    assert "No number for :" not in said


def test_the_order_of_two_files_makes_no_cut_set_new(tmp_path: Path) -> None:
    rest = "feeds: [PV -> A, PV -> B]\nloads: {FAN: {fed_by: [A, B]}}\n"
    for file, buses in (("a.yaml", "A: {kind: bus}, B: {kind: bus}"), ("b.yaml", "B: {kind: bus}, A: {kind: bus}")):
        (tmp_path / file).write_text(f"powerfault: 1\ncomponents: {{PV: {{kind: source}}, {buses}}}\n{rest}")
    (change,) = json.loads(run("compare", str(tmp_path / "a.yaml"), str(tmp_path / "b.yaml"), "--json").stdout)[
        "changes"
    ]
    assert change["tolerates_before"] == 0
    assert {name: change[name] for name in ("gone", "new", "cured", "eased", "worsened", "broken")} == {
        name: [] for name in ("gone", "new", "cured", "eased", "worsened", "broken")
    }


def test_help_lists_every_command() -> None:
    from powerfault.cli import COMMANDS, program

    listed = CliRunner().invoke(program, ["--help"]).output
    for name in COMMANDS:
        assert f"\n  {name} " in listed
        assert CliRunner().invoke(program, [name, "--help"]).exit_code == 0
