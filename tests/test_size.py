"""What a jumper must carry and the conductor it needs: transfers, gauges, sheet, picture, command line."""

from __future__ import annotations

import itertools
import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from click.testing import CliRunner

from powerfault.cli import program
from powerfault.electrical.currents.bus_voltages import solve_voltages
from powerfault.electrical.currents.conductors import line_state, loop_resistance_ohm
from powerfault.electrical.currents.derating import Derating
from powerfault.electrical.currents.layout import lay_out
from powerfault.electrical.served.positions import positions_of, rated_positions
from powerfault.electrical.sizing.study import study_size
from powerfault.electrical.sizing.transfer import find_need
from powerfault.electrical.voltages import study_voltages
from powerfault.errors import PowerfaultError, RequestError, TooLargeError
from powerfault.failures.case_state import case_states
from powerfault.model.elements import STAGES, Event, Topology
from powerfault.model.modify import apply_proposals
from powerfault.model.reader import load_topology, read_topology_text
from powerfault.network.failure_modes import list_events
from powerfault.network.graph import build_network
from powerfault.output.answers.size_tables import figure, gauge_table, verdict_sentence
from powerfault.output.blocks.blocks import section_html, section_markdown
from powerfault.output.pictures.size_picture import gauge_picture
from powerfault.output.sections import endurance_section, size_section
from powerfault.output.sections.report_input import ReportInput
from powerfault.tolerance.comparison.study import compare
from powerfault.tolerance.study import study

TOPOLOGIES = Path(__file__).parent.parent / "topologies"

TIE = """
powerfault: 1
name: two channels and a tie (invented)
phases:
  sunlit: {duration_h: 1.0}
  dark: {duration_h: 0.6}
components:
  S-A: {kind: source}
  CV-A: {kind: converter, voltage_v: 120, efficiency: 0.95, rating_kw: 5}
  DB-A: {kind: bus, voltage_v: 120}
  S-B: {kind: source}
  CV-B: {kind: converter, voltage_v: 120, efficiency: 0.95, rating_kw: 5}
  DB-B: {kind: bus, voltage_v: 120}
  BRK: {kind: breaker, normally: open, operated: commanded}
  JMP: {kind: jumper, length_m: 10, gauge_awg: 12, conductor_c: 70}
feeds:
  - S-A -> CV-A -> DB-A
  - S-B -> CV-B -> DB-B
  - DB-A <-> BRK <-> JMP <-> DB-B
loads:
  FAN: {fed_by: [DB-A], demand_kw: {sunlit: 3, dark: 2}, min_voltage_v: 110}
  PUMP: {fed_by: [DB-B], demand_kw: {sunlit: 0.5, dark: 1.5}, min_voltage_v: 110}
derating: {drop_percent: 2, rule: ac-43.13-1b, conductor_rating_c: 150}
"""


def tie(**replaced: str) -> Topology:
    text = TIE
    for old, new in replaced.items():
        assert old in text
        text = text.replace(old, new)
    return read_topology_text(text)


def test_greatest_transfer_of_each_direction_and_phase() -> None:
    need = find_need(tie(), "JMP")
    found = {(t.phase, t.sends, t.receives): (t.power_kw, [str(e) for e in t.failed], t.stage)
             for t in need.greatest.values()}  # fmt: skip
    first_a, first_b = ["S-A"], ["S-B"]  # of equal cases the one listed first
    assert found == {
        ("sunlit", "DB-B", "BRK"): (pytest.approx(3), first_a, "commanded"),
        ("dark", "DB-B", "BRK"): (pytest.approx(2), first_a, "commanded"),
        ("sunlit", "BRK", "DB-B"): (pytest.approx(0.5), first_b, "commanded"),
        ("dark", "BRK", "DB-B"): (pytest.approx(1.5), first_b, "commanded"),
    }
    assert need.cases_needing == 4  # either source, either converter
    assert [(t.receives, round(t.power_kw, 6)) for t in need.governing()] == [("BRK", 3.0), ("DB-B", 1.5)]
    assert need.governing()[0].depends == ("FAN",)


def test_nothing_is_asked_before_the_breaker_can_be_closed() -> None:
    need = find_need(tie(), "JMP", stages=(0, 1))
    assert not need.greatest
    assert need.cases_needing == 0


def test_the_published_sizing_example() -> None:
    # 120 V, 3 kW, 10 m one way, 70 C, 2 %: AWG 12 drops 3.2029 V and fails; AWG 10 drops 1.9937 V and passes.
    study = study_size(tie())
    (size,) = study.sizes
    assert size.fits is False
    assert size.smallest == 10
    rows = {r.gauge: r for r in size.directions[0].rows}
    assert rows[12].present
    assert rows[12].state.drop_v == pytest.approx(3.2029, abs=5e-5)
    assert any("drop 2.67 % above 2 %" in x for x in rows[12].fails)
    assert rows[10].state.drop_v == pytest.approx(1.9937, abs=5e-5)
    assert rows[10].state.voltage_v == pytest.approx(118.0063, abs=5e-5)
    assert rows[10].state.current_a == pytest.approx(25.4224, abs=5e-5)
    assert rows[10].fits  # 25.42 A of 26 A at 150 C
    assert rows[14].fits is False
    numbers = {q.name: q for q in size.directions[0].quantities if q.unit != "%"}
    assert numbers["voltage drop"].value == pytest.approx(3.2029, abs=5e-5)
    assert numbers["greatest transferable power"].value == pytest.approx(
        120**2 / (4 * loop_resistance_ohm(12, 10, conductor_c=70)) / 1000
    )
    assert all(q.formula and (q.value is not None or q.assumption) for q in size.directions[0].quantities)
    thicker = study_size(tie(**{"gauge_awg: 12": "gauge_awg: 10"}))
    assert thicker.sizes[0].fits
    assert thicker.fits


def test_rating_alone_can_decide() -> None:
    # Without a drop limit AWG 12 stays inside every window, yet carries 25.69 A against 19 A.
    study = study_size(tie(**{"drop_percent: 2, ": ""}))
    rows = {r.gauge: r for r in study.sizes[0].directions[0].rows}
    assert [x for x in rows[12].fails if "19 A" in x]
    assert study.sizes[0].smallest == 10
    assert study_size(tie(), rule="none").sizes[0].smallest == 10
    unlimited = study_size(tie(**{"drop_percent: 2, ": ""}), rule="none").sizes[0]
    assert unlimited.smallest is not None
    assert unlimited.smallest > 12  # only the windows are left
    low = {r.gauge: r.low_loads for r in unlimited.directions[0].rows}
    assert low[unlimited.smallest] == ()
    assert low[18] == ("FAN",)


def test_without_criteria_no_gauge_is_named() -> None:
    text = TIE.replace(", min_voltage_v: 110", "").split("derating:")[0]
    (size,) = study_size(read_topology_text(text)).sizes
    assert size.smallest is None
    assert size.fits is None
    assert len(size.not_judged) == 4


def test_the_feeders_bound_the_transfer() -> None:
    study = study_size(tie(**{"efficiency: 0.95, rating_kw: 5}\n  DB-B": "efficiency: 0.95, rating_kw: 2.5}\n  DB-B"}))
    t = study.sizes[0].need.governing()[0]
    assert (t.needed_kw, t.supply_kw, t.power_kw) == (pytest.approx(3), 2.5, 2.5)
    assert "loads must be shed" in study.sizes[0].directions[0].findings[0].text


def test_ratings_may_ask_more_than_paths() -> None:
    # CV-A lives, but can give 1 kW of FAN's 3: no path depends on the tie, and yet it carries the rest.
    topology = tie(**{"efficiency: 0.95, rating_kw: 5}\n  DB-A": "efficiency: 0.95, rating_kw: 1}\n  DB-A"})
    given = ["S-B"]
    without = study_size(topology, order=1).sizes[0].need
    towards_a = {t.receives: t for t in without.governing()}["BRK"]
    assert towards_a.failed != ()
    healthy = {t.phase: t for t in study_size(topology, order=1, ratings=True).sizes[0].need.greatest.values()
               if t.receives == "BRK"}  # fmt: skip
    assert healthy["sunlit"].power_kw == pytest.approx(3)  # no less than what the path needs
    lost = study_size(topology, order=1, given=given, ratings=True).sizes[0].need
    assert all(t.power_kw <= 1 + 1e-9 for t in lost.greatest.values() if t.receives == "DB-B")
    weak = tie(**{
        "S-A: {kind: source}": "S-A: {kind: source, can_fail: false}",
        "CV-A: {kind: converter, voltage_v: 120, efficiency: 0.95, rating_kw: 5}":
            "CV-A: {kind: converter, voltage_v: 120, efficiency: 0.95, rating_kw: 1, can_fail: false}",
        "DB-A: {kind: bus, voltage_v: 120}": "DB-A: {kind: bus, voltage_v: 120, can_fail: false}",
    })  # fmt: skip
    assert "BRK" not in {t.receives for t in study_size(weak).sizes[0].need.governing()}
    rated = {t.receives: t for t in study_size(weak, ratings=True).sizes[0].need.governing()}
    assert rated["BRK"].power_kw == pytest.approx(2)
    assert rated["BRK"].depends == ()


def test_converters_behind_the_jumper_add_their_loss() -> None:
    text = TIE.replace("  BRK:", "  LV: {kind: converter, voltage_v: 28, efficiency: 0.9}\n  BRK:")
    text = text.replace("  - S-B", "  - DB-A -> LV\n  - S-B").replace("FAN: {fed_by: [DB-A]", "FAN: {fed_by: [LV]")
    need = find_need(read_topology_text(text.replace("min_voltage_v: 110", "min_voltage_v: 25")), "JMP")
    assert need.governing()[0].power_kw == pytest.approx(3 / 0.9)


def test_charging_through_the_jumper_sizes_it() -> None:
    text = TIE.replace("  BRK:", "  BAT: {kind: storage, energy_kwh: 4, capacity_kw: 4, charged_by: [DB-A], "
                       "charge_kw: 2.2}\n  BRK:").replace("  - S-B", "  - BAT -> DB-A\n  - S-B")  # fmt: skip
    need = find_need(read_topology_text(text), "JMP")
    t = need.governing()[0]
    assert t.charging_kw == 2.2
    assert t.needed_kw == pytest.approx(3 + 2.2)
    assert "BAT" in t.depends


def test_transfer_is_that_of_every_case_by_brute_force() -> None:
    """No pruning, no caching, no bits: every case and stage alone, with the jumper and with it lost."""
    topology = apply_proposals(load_topology(TOPOLOGIES / "two-channels.yaml"), ("J-1",))
    need = find_need(topology, "JMP-1", order=2)
    network, layout = build_network(topology), lay_out(topology)
    events = [e for e in list_events(topology) if e.id != "JMP-1"]
    best: dict[tuple[str, str, str], float] = {}
    for k in range(3):
        for case in itertools.combinations(events, k):
            own = case_states(network, [case])[0]
            other = case_states(network, [case], (Event("JMP-1"),))[0]
            for stage, phase in itertools.product(range(len(STAGES)), topology.phase_names):
                loads = set(topology.loads) & own.live[stage][phase] - other.live[stage][phase]
                charged = own.charged[stage] - other.charged[stage]
                if (not loads and not charged) or "JMP-1" not in own.live[stage][phase]:
                    continue
                positions = positions_of(layout, own, stage, phase)
                flow = solve_voltages(layout, positions.conducting, phase, Derating(), ideal=("JMP-1",))
                state = flow.conductors.get("JMP-1")
                if state is not None and state.power_kw > 1e-9:
                    way = phase, state.sends, state.receives
                    best[way] = max(best.get(way, 0.0), min(state.power_kw, state.supply_kw))
    assert best
    assert {k: pytest.approx(v) for k, v in best.items()} == {k: t.power_kw for k, t in need.greatest.items()}


def test_more_failures_never_ask_less() -> None:
    topology = apply_proposals(load_topology(TOPOLOGIES / "orrin-fell.yaml"), ("J-LAB",))
    one, two = (find_need(topology, "JMP-LAB", order=k, stages=(2,)) for k in (1, 2))
    assert set(one.greatest) <= set(two.greatest)
    assert all(two.greatest[way].power_kw >= t.power_kw - 1e-9 for way, t in one.greatest.items())
    assert two.cases_needing > one.cases_needing


def test_demo_jumper() -> None:
    topology = apply_proposals(load_topology(TOPOLOGIES / "orrin-fell.yaml"), ("J-LAB",))
    study = study_size(topology)
    (size,) = study.sizes
    assert size.need.cases_needing > 0
    assert len(size.need.governing()) == 2  # it helps either side
    for direction in size.directions:
        row = next(r for r in direction.rows if r.present)
        state = line_state(row.state.sending_v, row.resistance_ohm, 1000 * direction.transfer.power_kw)
        assert row.state == state
        # Thicker wire never drops more.
        drops = [r.state.drop_v for r in direction.rows if r.state.drop_v is not None]
        assert drops == sorted(drops)
    assert {g.conductor for g in study.protection.guards} == {size.need.conductor.id}


def test_bare_jumper_is_not_protected() -> None:
    topology = apply_proposals(load_topology(TOPOLOGIES / "orrin-fell.yaml"), ("J-HAB",))
    study = study_size(topology)
    assert [g.protects for g in study.protection.guards] == [False, False]
    assert any("not protected" in f.text for f in study.findings)


def test_positions_close_the_fewest_switches() -> None:
    topology = tie()
    state = case_states(build_network(topology), [(Event("CV-A"),)])[0]
    layout = lay_out(topology)
    before, after = (positions_of(layout, state, stage, "sunlit") for stage in (0, 2))
    assert (before.closed, "FAN" in layout.energised(before.conducting)) == ((), False)
    assert (after.closed, after.dark) == (("BRK",), ())
    assert "FAN" in layout.energised(after.conducting)
    healthy = case_states(build_network(topology), [()])[0]
    assert positions_of(layout, healthy, 3, "sunlit").closed == ()


def test_rated_positions_shed_what_cannot_be_carried() -> None:
    topology = tie(**{"efficiency: 0.95, rating_kw: 5}\n  DB-B": "efficiency: 0.95, rating_kw: 3.2}\n  DB-B"})
    found = rated_positions(topology, (Event("CV-A"),), "commanded", "sunlit")
    assert found.dark == ("PUMP",)  # 3 kW of FAN and 0.5 kW of PUMP, 3.2 kW to give
    assert "FAN" in found.conducting
    assert "PUMP" not in found.conducting


def test_bad_requests() -> None:
    topology = tie()
    with pytest.raises(RequestError, match="CV-A is a converter"):
        study_size(topology, ["CV-A"])
    with pytest.raises(RequestError, match="did you mean 'JMP'"):
        study_size(topology, ["JMPP"])
    with pytest.raises(RequestError, match="no jumper"):
        study_size(load_topology(TOPOLOGIES / "two-channels.yaml"))
    with pytest.raises(RequestError, match="failed already"):
        study_size(topology, given=["JMP"])
    with pytest.raises(TooLargeError, match="cases, more than the 1,000"):
        study_size(apply_proposals(load_topology(TOPOLOGIES / "orrin-fell.yaml"), ["J-LAB"]), order=3, limit=1000)
    with pytest.raises(RequestError, match="known: none"):
        study_size(read_topology_text("powerfault: 1\nname: x\ncomponents: {A: {kind: source}}\n"))


def test_missing_figures_are_named() -> None:
    study = study_size(tie(**{"length_m: 10, gauge_awg: 12, ": ""}))
    (size,) = study.sizes
    assert [f.text.split(" ")[0] for f in size.findings] == ["gauge_awg", "length_m"]
    assert size.directions[0].rows == ()
    assert size.need.governing()[0].power_kw == pytest.approx(3)


# The command line --------------------------------------------------------------------------------------------------


@pytest.fixture
def tie_file(tmp_path: Path) -> Path:
    path = tmp_path / "tie.yaml"
    path.write_text(TIE)
    return path


def run(*arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(program, list(arguments), standalone_mode=False)
    if isinstance(result.exception, PowerfaultError):
        return 2, str(result.exception)
    assert result.exception is None, result.exception
    return result.return_value or 0, result.output


def test_size_command(tie_file: Path, tmp_path: Path) -> None:
    code, shown = run("size", str(tie_file))
    assert code == 0
    for words in ("JMP must carry 3 kW towards BRK", "AWG 10 (smallest)", "AWG 12 (as it stands)", "ASTM B258",
                  "What these sizes rest on", "licensed practice"):  # fmt: skip
        assert words in " ".join(shown.split())
    assert run("size", str(tie_file), "--fail-on-unmet")[0] == 3
    assert run("size", str(tie_file), "--fail-on-unmet", "--max-drop", "5", "--derating", "none")[0] == 0
    code, shown = run("size", str(tie_file), "--json")
    told = json.loads(shown)
    assert told["conductors"][0]["smallest_gauge_awg"] == 10
    assert told["fits"] is False
    assert len(told["conductors"][0]["directions"]) == 2
    assert run("size", str(tie_file), "-o", str(tmp_path / "a.svg"))[0] == 0
    ET.fromstring((tmp_path / "a.svg").read_text())
    assert run("size", str(tie_file), "-o", str(tmp_path / "a.md"))[0] == 0
    assert "| AWG 10 (smallest) |" in (tmp_path / "a.md").read_text()
    assert run("size", str(tie_file), "-o", str(tmp_path / "a.pdf"))[0] == 2
    assert run("size", str(tie_file), "--of", "DB-A")[0] == 2
    assert not (tmp_path / "a.pdf").exists()


def test_voltages_command(tie_file: Path) -> None:
    code, shown = run("voltages", str(tie_file), "--fail", "CV-A", "--phase", "sunlit", "--json")
    assert code == 0
    told = json.loads(shown)["phases"]["sunlit"]
    line = line_state(120, loop_resistance_ohm(12, 10, conductor_c=70), 3000)
    assert told["voltage_v"]["FAN"] == pytest.approx(line.voltage_v)
    assert told["closed"] == ["BRK"]
    assert "closed for it: BRK" in run("voltages", str(tie_file), "--fail", "CV-A")[1]
    assert run("voltages", str(tie_file), "--phase", "night")[0] == 2
    assert run("voltages", str(tie_file), "--fail", "CV-Z")[0] == 2
    thin = tie_file.with_name("thin.yaml")
    thin.write_text(TIE.replace("gauge_awg: 12", "gauge_awg: 30"))
    code, shown = run("voltages", str(thin), "--fail", "CV-A", "--fail-on-unmet")
    assert code == 3
    assert "no operating point" in shown
    assert study_voltages(load_topology(thin)).sound


def test_endurance_and_protection_commands() -> None:
    file = str(TOPOLOGIES / "two-channels.yaml")
    code, shown = run("endurance", file)
    assert code == 0
    assert "flat after h" in shown
    told = json.loads(run("endurance", file, "--fail", "PV-N", "--json")[1])
    # 30 kWh to a depth of 0.6, less a night of 15 h at 0.425 kW / 0.93, at that power.
    drawn = 0.425 / 0.93
    hours = next(s["flat_after_h"] for s in told["cases"][0]["storages"] if s["id"] == "BAT-N")
    assert hours == pytest.approx((18 - 15 * drawn) / drawn)
    assert run("protection", file)[0] == 0
    demo = str(TOPOLOGIES / "orrin-fell.yaml")
    assert run("protection", demo, "--with", "J-HAB", "--fail-on-unmet")[0] == 3
    bare = json.loads(run("protection", demo, "--with", "J-HAB", "--json")[1])
    assert any(g["protects"] is False for g in bare["conductors"])


def test_picture_marks_by_shape_and_word() -> None:
    svg = gauge_picture(study_size(tie()).sizes[0])
    ET.fromstring(svg)
    for words in ("allowed 2 %", "does", "fails", "as it stands", "towards BRK", "no operating point"):
        assert words in svg


def test_every_drop_stands_at_its_own_height_in_the_picture() -> None:
    topology = apply_proposals(load_topology(TOPOLOGIES / "orrin-fell.yaml"), ["J-LAB"])
    size = study_size(topology).sizes[0]
    root = ET.fromstring(gauge_picture(size))
    heights = [
        [float(point.split(",")[1]) for point in line.get("points", "").split()]
        for line in root.iter("{http://www.w3.org/2000/svg}polyline")
    ]
    for direction, found in zip([d for d in size.directions if d.rows], heights, strict=True):
        drops = [r.state.drop_fraction for r in direction.rows if r.state.drop_fraction is not None][: len(found)]
        assert len(found) >= 3
        assert max(drops) > 0.2  # far beyond the drop allowed, and not cut off
        # One scale for all: equal differences of drop are equal differences of height.
        unit = (found[0] - found[-1]) / (drops[-1] - drops[0])
        for drop, y in zip(drops, found, strict=True):
            assert found[0] - y == pytest.approx(unit * (drop - drops[0]), abs=0.2)


def test_smallest_one_way_is_not_called_the_smallest() -> None:
    # Towards the second bus nothing can be judged: neither a rule, nor an allowed drop, nor a voltage asked for.
    text = TIE.replace("{sunlit: 0.5, dark: 1.5}, min_voltage_v: 110", "1.5").replace(", drop_percent: 2", "")
    text = re.sub("^derating: .*$", "derating: {rule: none}", text, flags=re.MULTILINE)
    size = study_size(read_topology_text(text)).sizes[0]
    assert size.smallest is None
    assert [d.smallest is None for d in size.directions] == [False, True]
    names = [str(row[0]) for row in gauge_table(size, size.directions[0]).rows]
    assert sum("(smallest this way)" in n for n in names) == 1
    assert not any("smallest)" in n for n in names)
    receives = size.directions[1].transfer.receives
    assert f"No smallest gauge can be named for power towards {receives}" in verdict_sentence(size)


def test_hostile_names_stay_text() -> None:
    topology = tie(**{"name: two channels and a tie (invented)": "name: '<script>alert(1)</script>'"})
    assert "<script>" not in gauge_picture(study_size(topology).sizes[0])


@pytest.mark.parametrize(("value", "shown"), [(0.0, "0"), (1e-7, "1e-07"), (99999.6, "100000"), (-2.5, "-2.5")])
def test_figures(value: float, shown: str) -> None:
    assert figure(value) == shown


def test_sections_of_the_report() -> None:
    before = load_topology(TOPOLOGIES / "two-channels.yaml")
    comparison = compare(before, ["J-1"])
    report = ReportInput(comparison.before, comparison)
    size, lasts = size_section.section(report), endurance_section.section(report)
    assert size is not None
    assert lasts is not None
    words = section_markdown(size)
    assert "JMP-1 must carry" in words
    assert "ASTM B258" in words
    assert "licensed practice" in words
    assert section_html(size).count("<svg") == 1
    assert "flat after h" in section_markdown(lasts)
    assert section_html(size) == section_html(size_section.section(report) or size)
    assert size_section.section(ReportInput(comparison.before)) is None
    # Without durations the report says what is missing, and is written all the same.
    broken = read_topology_text(
        (TOPOLOGIES / "two-channels.yaml").read_text().replace("dark:   {duration_h: 15}", "dark: {}")
    )
    told = endurance_section.section(ReportInput(study(broken)))
    assert told is not None
    assert "duration_h" in section_markdown(told).replace("\\", "")
