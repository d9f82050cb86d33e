"""The report: what it says equals what was computed, the same input gives the same bytes, and nothing hostile runs."""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import json
import random
import re
import zipfile
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from powerfault.cli import program
from powerfault.errors import OutputError, ToolError
from powerfault.failures.case_state import case_states
from powerfault.model.elements import OUTCOMES, Component, Event, Load, Topology
from powerfault.model.modify import apply_proposals
from powerfault.model.reader import load_topology
from powerfault.network.graph import build_network
from powerfault.output.blocks.blocks import section_markdown, unbroken_ids
from powerfault.output.blocks.tables import Table, csv_text, markdown_table, plain
from powerfault.output.report import build_sections, write_report
from powerfault.output.sections.cases_section import page_cases, page_events
from powerfault.output.sections.report_input import ReportInput, minimal
from powerfault.tolerance.comparison.study import compare
from powerfault.tolerance.study import study
from tests.build import events, topology

TOPOLOGIES = Path(__file__).parent.parent / "topologies"
TEACHING = TOPOLOGIES / "two-channels.yaml"


@pytest.fixture(scope="module")
def teaching() -> ReportInput:
    before = load_topology(TEACHING)
    comparison = compare(before, apply_proposals(before, ("J-1",)))
    return ReportInput(comparison.before, comparison, {"file": "two-channels.yaml"})


@pytest.fixture(scope="module")
def demo_shorts() -> ReportInput:
    before = load_topology(TOPOLOGIES / "orrin-fell.yaml")
    comparison = compare(before, apply_proposals(before, ("J-LAB",)), 2, ("loss", "short"))
    return ReportInput(comparison.before, comparison, {"file": "orrin-fell.yaml"}, 6)


@pytest.fixture(scope="module")
def written(teaching: ReportInput, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report") / "out"
    report = ReportInput(teaching.study, teaching.comparison, teaching.options, 40, "drawings")
    write_report(report, folder, drawings=True, workbook=True)
    return folder


class Page(HTMLParser):
    """What a browser would see: elements, attributes, text by element."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[str, str]] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag in self.open:
            del self.open[len(self.open) - 1 - self.open[::-1].index(tag) :]

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.texts.append((self.open[-1] if self.open else "", data))

    def count(self, tag: str) -> int:
        return sum(t == tag for t, _ in self.tags)


def section_order(page: str) -> list[str]:
    return re.findall(r'<section id="([\w-]+)"', page)


def test_the_report_has_all_its_files(written: Path) -> None:
    names = {p.name for p in written.iterdir()}
    assert {
        "report.html",
        "report.md",
        "results.json",
        "cases.csv",
        "consumers.csv",
        "tables.xlsx",
        "drawings",
    } <= names
    assert any(p.name.endswith("-after.svg") for p in (written / "drawings").iterdir())


def test_the_page_is_in_the_order_a_board_reads(written: Path) -> None:
    ours = section_order((written / "report.html").read_text("utf-8"))
    # Sections of further measures stand between the drawings and the table of all cases.
    assert [*ours[:8], *ours[-4:]] == [
        "board", "verdict", "cures", "harms", "singles", "pairs", "explore", "drawings", "cases", "assumptions",
        "provenance",
        "signoff",
    ]  # fmt: skip


def test_the_verdict_is_that_of_the_comparison(teaching: ReportInput, written: Path) -> None:
    assert teaching.comparison is not None
    was, now, total = teaching.comparison.met
    text = (written / "report.md").read_text("utf-8")
    assert f"With J-1, {now} of {total} requirements are met, {was} without" in text
    rows = list(csv.DictReader(io.StringIO((written / "consumers.csv").read_text("utf-8"))))
    for row in rows:
        id_ = row["consumer"].split(",")[0]
        verdict = teaching.verdict_after(id_)
        assert verdict is not None
        words = {True: "met", False: "NOT MET", None: "order too low to tell"}[verdict.meets]
        assert row["requirement after"] == (words if verdict.must_tolerate is not None else "none stated")
        assert row["tolerates after"].removeprefix("at least ") == str(verdict.tolerates)


def test_results_are_the_contracts_object(teaching: ReportInput, written: Path) -> None:
    assert teaching.comparison is not None
    found = json.loads((written / "results.json").read_text("utf-8"))
    assert found == json.loads(json.dumps(teaching.comparison.to_json()))


def test_every_case_is_in_the_csv(teaching: ReportInput, written: Path) -> None:
    assert teaching.comparison is not None
    rows = list(csv.DictReader(io.StringIO((written / "cases.csv").read_text("utf-8"))))
    for name, side in (("before", teaching.comparison.before), ("after", teaching.comparison.after)):
        expected = {(" + ".join(map(str, f)), c): o for f, outcomes in side.iter_cases() for c, o in outcomes.items()}
        found = {(r["failed"], r["consumer"]): r[name] for r in rows if not r[f"not in the system {name}"]}
        assert {key: o for key, o in found.items() if o not in ("uninterrupted", "not in this system")} == expected


def less(case: tuple[Event, ...], system: Topology) -> tuple[Event, ...]:
    return tuple(e for e in case if e.id in system.components or e.id in system.loads)


def test_a_case_of_the_proposals_own_parts_is_compared_without_them(demo_shorts: ReportInput) -> None:
    """Both sides of a sample of the cases again, one by one; what a system does not have is left out there."""
    report = demo_shorts
    assert report.after is not None
    events = page_events(report)
    rows = report.side_by_side
    own = [r for r in rows if any(r.absent)]
    sample = [*random.Random(3).sample(own, 60), *random.Random(4).sample(rows, 60)]
    for side, system in enumerate((report.before, report.after)):
        network = build_network(system)
        rides = {c.id: OUTCOMES.index(system.rides_through(c)) for c in system.consumers()}
        cases = [tuple(events[i] for i in r.events) for r in sample]
        for row, case, state in zip(sample, cases, case_states(network, [less(c, system) for c in cases]), strict=True):
            found = {c: o for c, o in state.outcomes.items() if o != "uninterrupted"}
            assert dict(row.effect.outcomes[side]) == found, case
            assert set(row.effect.fails[side]) == {c for c, o in found.items() if OUTCOMES.index(o) > rides[c]}
            assert {events[i] for i in row.absent[side]} == set(case) - set(less(case, system))


def test_a_failure_of_an_added_breaker_is_blamed_for_no_more_than_it_does(demo_shorts: ReportInput) -> None:
    events = page_events(demo_shorts)
    named = {" + ".join(str(events[i]) for i in r.events): r for r in demo_shorts.side_by_side}
    both, alone = named["CN-W1:short + BRK-JLH:short"], named["CN-W1:short"]
    assert both.effect.fails[0] == alone.effect.fails[0]
    assert len(both.effect.fails[0]) == 13
    assert set(both.effect.fails[1]) - set(both.effect.fails[0]) == {"FUR-1"}
    worse = [r for r in demo_shorts.side_by_side if "worse" in r.effect.change]
    assert 0 < len(worse) == sum(bool(set(r.effect.fails[1]) - set(r.effect.fails[0])) for r in worse)


def test_every_changed_case_is_in_the_page_however_few_it_may_hold(demo_shorts: ReportInput) -> None:
    found = page_cases(demo_shorts, most=10)
    changed = [r for r in demo_shorts.side_by_side if r.effect.change != "as before"]
    assert found.total == len(demo_shorts.side_by_side)
    kept = {(*first, pairs[i]) for first, pairs in found.data["groups"] for i in range(0, len(pairs), 2)}
    assert {r.events for r in changed} <= kept
    assert len(kept) == found.kept < found.total
    assert sum(found.changes.values()) == found.total


def test_the_same_input_gives_the_same_bytes(teaching: ReportInput, written: Path, tmp_path: Path) -> None:
    again = ReportInput(teaching.study, teaching.comparison, teaching.options, 40, "drawings")
    write_report(again, tmp_path / "again", drawings=True, workbook=True)
    first = {str(p.relative_to(written)): p.read_bytes() for p in sorted(written.rglob("*")) if p.is_file()}
    second = {
        str(p.relative_to(tmp_path / "again")): p.read_bytes() for p in (tmp_path / "again").rglob("*") if p.is_file()
    }
    assert first.keys() == second.keys()
    assert [name for name in first if first[name] != second[name]] == []


def test_nothing_else_lies_beside_the_report(written: Path) -> None:
    assert [p.name for p in written.parent.iterdir()] == [written.name]


def test_the_page_needs_no_network_and_says_so(written: Path) -> None:
    text = (written / "report.html").read_text("utf-8")
    page = Page(text)
    policy = next(
        a["content"] for t, a in page.tags if t == "meta" and a.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy is not None
    assert policy.startswith("default-src 'none'")
    for body in re.findall(r"<script>(.*?)</script>", text, re.S) + re.findall(r"<style>(.*?)</style>", text, re.S):
        assert base64.b64encode(hashlib.sha256(body.encode()).digest()).decode() in policy
    assert not [a for _, a in page.tags for k in a if k.startswith("on")]
    for _, attributes in page.tags:
        for name in ("src", "href"):
            assert (attributes.get(name) or "#").startswith(("#", "data:"))
    assert set(re.findall(r"https?://[^\s\"'<>]+", text)) <= {"http://www.w3.org/2000/svg"}


def test_headings_can_be_linked_and_are_in_the_contents(written: Path) -> None:
    text = (written / "report.html").read_text("utf-8")
    for anchor in section_order(text):
        assert f'<li><a href="#{anchor}">' in text
        assert f'class="anchor" href="#{anchor}"' in text


def test_where_nothing_is_worse_it_says_nothing_plainly(written: Path) -> None:
    harms = (written / "report.md").read_text("utf-8").split("## What it makes worse")[1].split("\n## ")[0]
    assert "Nothing: in no case" in harms or "In the modes enumerated, nothing" in harms


def bare_tie() -> ReportInput:
    """A tie without a breaker between two buses: it cures the loss of a source and lets a short take both."""
    parts: dict[str, Any] = {"PV-A": "source", "PV-B": "source", "BUS-A": {"kind": "bus", "channel": "a"},
             "BUS-B": {"kind": "bus", "channel": "b"}}  # fmt: skip
    loads: dict[str, Any] = {
        "A": {"fed_by": "BUS-A", "severity": "critical"},
        "B": {"fed_by": "BUS-B", "severity": "critical"},
    }
    feeds = ["PV-A -> BUS-A", "PV-B -> BUS-B"]
    before = topology(parts, feeds, loads=loads)
    after = topology(
        {**parts, "TIE": "jumper"}, [*feeds, "BUS-A <-> TIE <-> BUS-B"], loads=loads, added=frozenset({"TIE"})
    )
    comparison = compare(before, after, 1, ("loss", "short"))
    return ReportInput(comparison.before, comparison)


def markdown_of(report: ReportInput) -> str:
    return "\n".join(section_markdown(s) for s in build_sections(report, page_cases(report)))


def test_harm_is_named_with_its_cases() -> None:
    harms = markdown_of(bare_tie()).split("## What it makes worse")[1].split("\n## ")[0]
    # Across the tie a short of the other bus now takes the load; and a short of the tie itself takes both.
    assert re.search(r"\| BUS-A:short \| 1 \| B \|", harms)
    assert re.search(r"\| BUS-B:short \| 1 \| A \|", harms)
    assert re.search(r"\| TIE:short \| 1 \| A, B \|", harms)
    assert "Nothing" not in harms


def test_cures_are_minimal() -> None:
    cures = markdown_of(bare_tie()).split("## What it cures")[1].split("\n## ")[0]
    assert re.search(r"\| PV-A \| 1 \| A \|", cures)
    assert "+" not in cures.split("Cured")[1]


def test_minimal_drops_cases_that_hold_another() -> None:
    a, b, c = Event("A"), Event("B"), Event("C")
    assert minimal([(a,), (a, b), (b, c), (a, b, c)]) == [(a,), (b, c)]
    assert minimal([(b, c), (a, b, c)]) == [(b, c)]


def test_drawings_beyond_the_cap_are_counted() -> None:
    report = bare_tie()
    capped = ReportInput(report.study, report.comparison, {}, 2)
    text = markdown_of(capped)
    assert f"2 are drawn; {len(report.failing_cases) - 2} more in cases.csv" in text


def test_a_report_of_one_system_has_no_before_and_after(tmp_path: Path) -> None:
    found = study(load_topology(TEACHING))
    write_report(ReportInput(found), tmp_path / "one")
    text = (tmp_path / "one" / "report.html").read_text("utf-8")
    assert section_order(text)[:3] == ["board", "verdict", "singles"]
    assert "requirement before" not in text
    rows = list(csv.DictReader(io.StringIO((tmp_path / "one" / "cases.csv").read_text("utf-8"))))
    assert rows
    assert set(rows[0]) == {"failed", "failures", "consumer", "outcome", "fails"}


HOSTILE = (
    "<script>alert(1)</script>", "</script><script>alert(2)</script>", '"><img src=x onerror=alert(3)>', "]]><b>",
    "\u2028alert(4)\u2029", "\u202etxt.exe", "=HYPERLINK(1)", "{{ 7*7 }}", "a|b\n# not a heading", "<!--",
)  # fmt: skip


@pytest.mark.parametrize("words", HOSTILE)
def test_hostile_words_stay_words(words: str, tmp_path: Path) -> None:
    system = Topology(
        name=words,
        about=words,
        components={
            "PV": Component(id="PV", kind="source", label=words, channel=words, site=words),
            "BUS": Component(id="BUS", kind="bus", label=words),
        },
        loads={"FAN": Load(id="FAN", fed_by=("BUS",), label=words, severity="critical", severity_basis=words)},
        links=(("PV", "BUS"),),
        later={"title_block": {words: words}},
    )
    report = ReportInput(study(system), None, {"file": words})
    write_report(report, tmp_path / "x", drawings=True)
    text = (tmp_path / "x" / "report.html").read_text("utf-8")
    page = Page(text)
    # The three script elements are ours: the data and two scripts; none has become another, and no handler exists.
    assert page.count("script") == 3
    assert page.count("img") == 0
    assert not [a for _, a in page.tags for k in a if k.startswith("on")]
    data = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.S)
    assert data is not None
    assert not set(data[1]) & set("<>\u2028\u2029")
    json.loads(data[1])
    assert "49" not in re.findall(r"<h1>(.*?)</h1>", text)[0]
    for path in (tmp_path / "x").glob("*.csv"):
        for row in csv.reader(io.StringIO(path.read_text("utf-8"), newline="")):
            assert not [c for c in row if c.startswith(("=", "+", "-", "@", "\t", "\r"))]
    markdown = (tmp_path / "x" / "report.md").read_text("utf-8")
    assert "<script" not in markdown
    assert "\n# not a heading" not in markdown
    assert "<img" not in markdown


def test_cells_are_guarded_and_numbers_are_not() -> None:
    assert [plain(c) for c in ("=1", "+1", "-1", "@x", "\tx", "\rx", -1, 2.5, None, "a=1")] == [
        "'=1", "'+1", "'-1", "'@x", "'\tx", "'\rx", -1, 2.5, "", "a=1",
    ]  # fmt: skip
    assert csv_text(["=h"], [["-x"]]) == "'=h\n'-x\n"


def test_a_workbook_holds_text_not_formulas(written: Path) -> None:
    with zipfile.ZipFile(written / "tables.xlsx") as book:
        sheets = [book.read(n).decode() for n in book.namelist() if n.startswith("xl/worksheets/")]
    assert len(sheets) >= 4
    assert not [s for s in sheets if "<f>" in s]


def test_markdown_tables_are_cut_with_a_count() -> None:
    table = Table("t", "T", ("a",), (("1|2",), ("x",), ("y",)), shown=1)
    assert markdown_table(table) == "| a |\n|---|\n| 1\\|2 |\n\n2 more in t.csv."


def test_ids_stay_on_one_line_and_markup_stays_escaped() -> None:
    assert unbroken_ids("ALM-1 & <b>") == '<span class="id">ALM-1</span> &amp; &lt;b&gt;'


def test_a_failure_on_the_way_leaves_the_old_report(
    teaching: ReportInput, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_report(teaching, tmp_path / "r")
    before = {p.name: p.read_bytes() for p in (tmp_path / "r").iterdir()}

    def broken(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("powerfault.output.sections.cases_section.write_cases", broken)
    with pytest.raises(OutputError, match="No space left"):
        write_report(ReportInput(teaching.study), tmp_path / "r")
    assert {p.name: p.read_bytes() for p in (tmp_path / "r").iterdir()} == before
    assert [p.name for p in tmp_path.iterdir()] == ["r"]


def test_the_command_writes_and_names_the_report(tmp_path: Path) -> None:
    result = CliRunner().invoke(program, ["report", str(TEACHING), "--with", "J-1", "-o", str(tmp_path / "r")])
    assert result.exit_code == 0, result.output
    assert "report.html" in result.output
    assert (tmp_path / "r" / "report.html").stat().st_size < 5_000_000


def test_pdf_without_a_browser_says_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nonexistent")
    monkeypatch.delenv("POWERFAULT_CHROMIUM", raising=False)
    result = CliRunner().invoke(program, ["report", str(TEACHING), "--pdf", "-o", str(tmp_path / "r")])
    assert isinstance(result.exception, ToolError)
    assert "print it to PDF" in str(result.exception)
    assert not (tmp_path / "r").exists()


def test_a_file_in_the_way_is_named(tmp_path: Path) -> None:
    (tmp_path / "r").write_text("x")
    result = CliRunner().invoke(program, ["report", str(TEACHING), "-o", str(tmp_path / "r")])
    assert isinstance(result.exception, OutputError)
    assert "give a folder" in str(result.exception)


def test_given_failures_are_named_in_every_place(tmp_path: Path) -> None:
    before = load_topology(TEACHING)
    found = study(before, given=events("CV-N"))
    write_report(ReportInput(found), tmp_path / "g")
    text = (tmp_path / "g" / "report.md").read_text("utf-8")
    assert "Failed already, in every case" in text
    assert "| given | CV-N |" in text


def test_every_file_of_the_report_has_a_name_of_its_own(teaching: ReportInput) -> None:
    names = [t.name for s in build_sections(teaching, page_cases(teaching)) for t in s.tables()]
    assert len(names) == len(set(names))
    assert all(re.fullmatch(r"[A-Za-z0-9_.-]+", n) for n in names)
    anchors = [s.anchor for s in build_sections(teaching, page_cases(teaching))]
    assert len(anchors) == len(set(anchors))


def test_progress_names_what_is_worked_out(teaching: ReportInput, tmp_path: Path) -> None:
    said: list[str] = []
    write_report(ReportInput(teaching.study), tmp_path / "p", drawings=True, told=said.append)
    assert {"working out verdict", "working out cures", "working out harms", "working out pairs"} <= set(said)
    assert len(set(said)) == len(said)
    assert any(line.startswith("drawing case 1 of ") for line in said)
