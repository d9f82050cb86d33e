"""The command likelihood from outside, its pictures and texts, and its section of the report."""

from __future__ import annotations

import json
import math
import re
import time
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner, Result

import powerfault
from powerfault.cli import main
from powerfault.cli.likelihood import command
from powerfault.errors import PowerfaultError
from powerfault.output.blocks.blocks import section_html, section_markdown
from powerfault.output.blocks.chances import chance_text, number_text, span_text
from powerfault.output.sections.likelihood_section import section
from powerfault.output.sections.report_input import ReportInput
from powerfault.reliability.probability import Span
from powerfault.reliability.study import Settings, likelihood

FOLDER = Path(__file__).parents[1] / "topologies"
DEMO, TEACHING = str(FOLDER / "orrin-fell.yaml"), str(FOLDER / "two-channels.yaml")

SMALL = """powerfault: 1
name: "<script>alert(1)</script> & co"
components:
  SRC-A: {kind: source, failures_per_million_hours: 5, error_factor: 3, label: "=1+1 <b>"}
  SRC-B: {kind: source, failures_per_million_hours: 5}
  BUS-A: {kind: bus, failures_per_million_hours: 0.1}
loads:
  L: {fed_by: [BUS-A], severity: critical}
  N: {fed_by: [SRC-B], label: "<img src=x>"}
feeds: [SRC-A -> BUS-A]
common_causes: {dust: {members: [SRC-A, SRC-B], beta: 0.1}}
proposals:
  J: {add: {components: {JMP: {kind: jumper, failures_per_million_hours: 1}}, feeds: [SRC-B -> JMP -> BUS-A]}}
"""


def run(*arguments: str) -> Result:
    return CliRunner().invoke(command, list(arguments), catch_exceptions=False)


@pytest.fixture
def small(tmp_path: Path) -> str:
    path = tmp_path / "small.yaml"
    path.write_text(SMALL, encoding="utf-8")
    return str(path)


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """Run through the program's front door; return what it said on refusing."""
    with pytest.raises(SystemExit) as caught:
        main(["likelihood", *arguments])
    assert caught.value.code == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "Traceback" not in said.err
    return said.err


def test_json_holds_every_number_unrounded(small: str) -> None:
    data = json.loads(run(small, "--with", "J", "--json", "--hours", "2000").output)
    assert data["format"] == 1
    assert (data["hours"], data["modes"], data["with"], data["missing"]) == (2000.0, ["loss"], ["J"], [])
    before = {c["id"]: c for c in data["before"]["consumers"]}
    after = {c["id"]: c for c in data["after"]["consumers"]}
    assert before["L"]["exact"] is True
    q = -math.expm1(-5e-6 * 2000)
    bus = -math.expm1(-0.1e-6 * 2000)
    assert before["L"]["unavailability"]["low"] == pytest.approx(1 - (1 - q) * (1 - bus), rel=1e-12)
    assert before["L"]["unavailability"]["low"] == before["L"]["unavailability"]["high"]
    change = next(c for c in data["changes"] if c["id"] == "L")
    ratio = before["L"]["unavailability"]["low"] / after["L"]["unavailability"]["low"]
    assert change["ratio"]["low"] == pytest.approx(ratio, rel=1e-12)
    assert change["ratio_quantiles"]["p05"] < change["ratio_quantiles"]["p95"]
    assert after["L"]["independent"]["low"] < after["L"]["unavailability"]["low"]
    found = {x["id"]: x for x in data["importance"]["L"]}
    assert found["JMP"]["before"] is None
    assert found["JMP"]["after"]["birnbaum"] > 0
    assert {c["role"] for c in data["importance"]["L"]} == {"event", "cause"}
    assert {tuple(c["events"]) for c in after["L"]["cut_sets"]} >= {("BUS-A",), ("cause dust",), ("SRC-A", "SRC-B")}


def test_the_same_question_gives_the_same_answer(small: str) -> None:
    first, second = (run(small, "--with", "J", "--json").output for _ in range(2))
    assert first == second
    assert run(small, "--with", "J", "--json", "--seed", "2").output != first


def test_text_begins_with_the_verdict_and_ends_with_what_it_rests_on(small: str) -> None:
    text = run(small, "--with", "J").output
    assert text.startswith("With J, over 1000 h: 1 of 2 consumers less likely to be down, most of all L")
    for words in ("Unavailability at 1000 h", "What matters most to L", "common causes", "never replace", "seed 1"):
        assert words in text.replace("\n", " ")
    assert "\x1b" not in text


def test_without_a_proposal_one_system_is_described(small: str) -> None:
    text = run(small).output
    assert text.startswith("The likeliest to fail is L: unavailability")
    assert "times less likely" not in text


@pytest.mark.parametrize("consumer", ["L", "N"])
def test_picture_is_sound_and_carries_no_markup_of_the_file(small: str, tmp_path: Path, consumer: str) -> None:
    out = tmp_path / "picture.svg"
    result = run(small, "--with", "J", "--consumer", consumer, "-o", str(out))
    assert result.exit_code == 0
    svg = out.read_text(encoding="utf-8")
    root = ElementTree.fromstring(svg)
    texts = ["".join(t.itertext()) for t in root.iter("{http://www.w3.org/2000/svg}text")]
    assert "before" in texts
    assert "after" in texts
    assert any(t.startswith("What matters most") for t in texts)
    assert "<script" not in svg
    assert "<img" not in svg


def test_sheet_is_written_as_markdown(small: str, tmp_path: Path) -> None:
    out = tmp_path / "sheet.md"
    run(small, "--with", "J", "-o", str(out))
    text = out.read_text(encoding="utf-8")
    assert "| consumer | severity |" in text
    assert "<script" not in text


def test_a_missing_rate_is_listed_and_gives_no_number() -> None:
    result = run(TEACHING, "--with", "J-1")
    assert result.exit_code == 0
    assert "rate is missing. Give failures_per_million_hours for" in result.output.replace("\n", " ")
    data = json.loads(run(TEACHING, "--json").output)
    assert data["missing"]
    assert all(c["unavailability"] is None and c["missing"] for c in data["before"]["consumers"])


def test_given_events_stand_in_both_systems(small: str) -> None:
    data = json.loads(run(small, "--with", "J", "--given", "SRC-A", "--json").output)
    before = next(c for c in data["before"]["consumers"] if c["id"] == "L")
    assert before["always_fails"] is True
    assert before["unavailability"] == {"low": 1.0, "high": 1.0}
    after = next(c for c in data["after"]["consumers"] if c["id"] == "L")
    assert 0 < after["unavailability"]["low"] < 0.1


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--consumer", "LL"], "no load or function of that id (did you mean 'L'?)"),
        (["--with", "K"], "K"),
        (["-o", "picture.pdf"], "a picture ends in .svg"),
        (["--success", "commanded"], "expected STAGE=P"),
        (["--success", "commanded=2"], "expected STAGE=P"),
        (["--success", "comanded=0.5"], "did you mean 'commanded'"),
        (["--given", "SRC-C"], "SRC-C"),
        (["--hours", "0"], "hours"),
        (["--hours", "-5"], "hours"),
        (["--modes", "bang"], "bang"),
    ],
)
def test_wrong_questions_are_refused(
    small: str, capsys: pytest.CaptureFixture[str], arguments: list[str], message: str
) -> None:
    assert message in refused(capsys, small, *arguments)


@pytest.mark.parametrize(
    ("old", "new", "line", "message"),
    [
        ("failures_per_million_hours: 0.1", "failures_per_million_hours: -0.1", 6, "number of at least 0"),
        ("failures_per_million_hours: 0.1", "failures_per_million_hours: 1/yr", 6, "found text '1/yr'"),
        ("failures_per_million_hours: 0.1", "failures_per_million_hours: 1e7", 6, "more than one an hour"),
        ("failures_per_million_hours: 0.1", "failures_per_million_hours: 1e-7", 6, "a rate per hour is written 0.1"),
        ("[SRC-A, SRC-B], beta", "[SRC-A, SRC-X], beta", 11, "'SRC-X' is no component"),
        ("beta: 0.1", "beta: 1.2", 11, "from 0 to 1, found the number 1.2"),
    ],
)
def test_wrong_files_are_refused_with_their_place(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, line: int, message: str
) -> None:
    path = tmp_path / "bad.yaml"
    path.write_text(SMALL.replace(old, new), encoding="utf-8")
    said = refused(capsys, str(path))
    assert re.match(rf"{re.escape(str(path))}:{line}:\d+: ", said)
    assert message in said


def test_rounding_shows_nought_and_one_only_where_they_are_exact() -> None:
    assert chance_text(1e-320) == "below 1e-300"
    assert chance_text(1.0) == "above 1 - 1e-15"
    assert chance_text(0.9996) == "1 - 4.00e-4"
    assert chance_text(0.99951) == "1 - 4.90e-4"
    assert span_text(Span(0.0, 1e-9)) == "0 to 1.00e-9"
    assert span_text(Span(0.2, 0.9999)) == "0.200 to 1 - 9.99e-5"
    assert span_text(Span(0.2, 0.99)) == "0.200 to 0.990"
    assert span_text(Span(0.2, 1.0)) == "0.200 to 1.00"
    for value in (1e-12, 0.000999999, 0.09999, 0.1, 0.99949, 12345.678):
        assert float(number_text(value)) == pytest.approx(value, rel=5.1e-3)
    low, _, high = span_text(Span(1.2345e-5, 1.2345000001e-5)).partition(" to ")
    assert float(low) <= 1.2345e-5
    assert float(high) >= 1.2345000001e-5


def test_the_report_has_a_section_where_rates_are_given() -> None:
    demo = powerfault.load(DEMO)
    base = powerfault.faults(demo, order=1)
    found = section(ReportInput(base, powerfault.compare(base, powerfault.apply(demo, ["J-LAB"]))))
    assert found is not None
    page, text = section_html(found), section_markdown(found)
    for words in ("What these numbers rest on", "Common cause lab-tray", "Switching succeeds", "times less likely"):
        assert words in text
    assert page.count("<svg") == 3
    assert found.tables()
    assert {t.name for t in found.tables()} >= {"likelihood", "likelihood-switching", "likelihood-common-causes"}
    teaching = powerfault.load(TEACHING)
    assert section(ReportInput(powerfault.faults(teaching, order=1))) is None


def test_the_report_counts_the_modes_asked_for_and_names_those_without_a_rate(small: str) -> None:
    demo = powerfault.load(DEMO)
    after = powerfault.apply(demo, ["J-LAB"])
    modes = ("loss", "short")
    base = powerfault.faults(demo, order=1, modes=modes)
    begun = time.process_time()
    found = section(ReportInput(base, powerfault.compare(base, after)))
    assert time.process_time() - begun < 60  # five on a quiet core
    assert found is not None
    text = section_markdown(found)
    assert "Failure modes counted: loss, short." in text
    assert "unlike the rest of this report" not in text
    assert "none likelier but 9 by less than 0.05 %." in text  # a short of the jumper on either side
    found = section(ReportInput(powerfault.faults(powerfault.load(small), order=1, modes=modes)))
    assert found is not None
    assert "Of loss alone, unlike the rest of this report: no component has a rate of short." in section_markdown(found)


def test_several_modes_over_the_demo_are_exact_within_seconds() -> None:
    for modes, count in (("loss,short", 387), ("loss,short,stuck,closed", 481)):
        begun = time.process_time()
        result = likelihood(powerfault.load(DEMO), Settings(modes=tuple(modes.split(","))))
        assert time.process_time() - begun < 30  # two and four on a quiet core
        assert result.exact
        assert len(result.structure.variables) == count
        assert result.missing == ()


def test_the_demo_is_exact_before_and_after() -> None:
    data = json.loads(run(DEMO, "--with", "J-LAB", "--json", "--samples", "0").output)
    assert data["before"]["exact"]
    assert data["after"]["exact"]
    assert data["missing"] == []
    for side in ("before", "after"):
        for c in data[side]["consumers"]:
            assert 0 < c["unavailability"]["low"] < 0.05
            assert c["mean_unavailability"]["low"] <= c["unavailability"]["high"]


def test_every_refusal_is_of_the_one_kind(small: str) -> None:
    with pytest.raises(PowerfaultError):
        run(small, "--consumer", "LL")
