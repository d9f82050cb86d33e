"""The failure worksheet: columns in the sense of MIL-STD-1629A task 101 and ECSS-Q-ST-30-02C (both from memory)."""

from __future__ import annotations

import csv
import io
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from powerfault.cli import program
from powerfault.failures.case_state import case_states
from powerfault.model.elements import MODES, OUTCOMES
from powerfault.model.reader import load_topology, read_topology_text
from powerfault.network.failure_modes import list_events
from powerfault.network.graph import build_network
from powerfault.output.answers.worksheet import worksheet_csv, worksheet_markdown, worksheet_xlsx
from powerfault.tolerance.worksheet import COLUMNS, worksheet_rows

TEXT = """
powerfault: 1
name: sheet
phases: {sunlit: {duration_h: 1}, dark: {duration_h: 0.5}}
components:
  PV: {kind: source, capacity_kw: {sunlit: 4}, detection: "=bus voltage", compensation: battery}
  BAT: {kind: storage, charged_by: [BUS], notes: spare held}
  BUS: {kind: bus}
  BRK: {kind: breaker}
  DB: {kind: bus}
feeds: [PV -> BUS, BAT -> BUS, BUS -> BRK -> DB]
loads:
  FAN: {fed_by: [DB], severity: catastrophic, severity_basis: crew air, must_tolerate: 1}
"""


def test_rows_say_the_effects_at_each_level_and_mark_single_points_and_waivers() -> None:
    rows = {str(r.event): r for r in worksheet_rows(build_network(read_topology_text(TEXT)), MODES)}
    pv = rows["PV"]
    # With PV gone the battery has no charger in any phase: the loss is total, once the battery is flat.
    assert pv.next_effect == "none"
    lasting = "served from BAT until it is flat (hours not known), then lost: FAN"
    assert (pv.end_before, pv.end_after) == ("none", lasting)
    assert rows["BUS"].next_effect == "de-energised at once: BRK"
    assert (rows["BUS"].end_before, rows["BUS"].end_after) == ("FAN", "lost: FAN")
    assert pv.phase_outcomes == "sunlit: lost; dark: lost"
    assert (pv.severity, pv.severity_basis, pv.single_point) == (1, "FAN: crew air", True)
    assert pv.waivers == "FAN: must tolerate 1 instead of 2"
    assert (pv.detection, pv.compensation) == ("=bus voltage", "battery")
    short = rows["DB:short"]
    assert short.local_effect == "takes down itself alone; cleared by BRK"
    assert rows["BRK:stuck"].end_after == "none"
    assert not rows["BRK:stuck"].single_point


def test_every_event_has_a_row_that_agrees_with_the_engine() -> None:
    topology = load_topology(Path(__file__).parents[1] / "topologies" / "orrin-fell.yaml")
    network = build_network(topology)
    rows = worksheet_rows(network, MODES)
    assert [r.event for r in rows] == list(list_events(topology, MODES))
    nothing, *states = case_states(network, [(), *((r.event,) for r in rows)])
    for row, state in zip(rows, states, strict=True):
        fails = [
            c.id
            for c in topology.consumers()
            if OUTCOMES.index(state.outcomes[c.id]) > OUTCOMES.index(topology.rides_through(c))
            and OUTCOMES.index(nothing.outcomes[c.id]) <= OUTCOMES.index(topology.rides_through(c))
        ]
        assert row.single_point == bool(fails)


def test_csv_is_guarded_against_formulas_and_markdown_against_markup() -> None:
    rows = worksheet_rows(build_network(read_topology_text(TEXT.replace("spare held", "<b>|x|</b>"))), ("loss",))
    table = list(csv.reader(io.StringIO(worksheet_csv(rows))))
    assert tuple(table[0]) == COLUMNS
    assert table[1][COLUMNS.index("detection")] == "'=bus voltage"
    text = worksheet_markdown("<script>", rows)
    assert "<script>" not in text
    assert "&lt;b&gt;\\|x\\|" in text
    assert "never replaces" in text


@pytest.mark.parametrize("form", ["csv", "md", "xlsx"])
def test_the_command_writes_each_form(tmp_path: Path, form: str) -> None:
    (tmp_path / "t.yaml").write_text(TEXT)
    result = CliRunner().invoke(program, ["worksheet", str(tmp_path / "t.yaml"), "-o", str(tmp_path / f"w.{form}")])
    assert result.exit_code == 0, result.output
    data = (tmp_path / f"w.{form}").read_bytes()
    assert data[:2] == b"PK" if form == "xlsx" else b"single point" in data


def test_a_form_that_contradicts_the_name_is_refused(tmp_path: Path) -> None:
    (tmp_path / "t.yaml").write_text(TEXT)
    result = CliRunner().invoke(
        program, ["worksheet", str(tmp_path / "t.yaml"), "--csv", "-o", str(tmp_path / "w.xlsx")]
    )
    assert result.exit_code == 2
    assert "contradict each other" in result.output
    assert not (tmp_path / "w.xlsx").exists()


def test_the_workbook_is_the_same_at_any_time() -> None:
    pytest.importorskip("xlsxwriter")
    first = worksheet_xlsx("x", [])
    time.sleep(1.1)
    assert worksheet_xlsx("x", []) == first
