"""Tables in and out: lists that disagree, cells that hold no value, and the same system again after a round trip."""

from __future__ import annotations

import datetime
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsonschema
import openpyxl
import pandas as pd
import pytest
import yaml
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from powerfault import files
from powerfault.cli import program
from powerfault.errors import ModelError, PowerfaultError
from powerfault.model.reader import load_topology, read_topology_text
from powerfault.model.tables.description import STARTER, lists_schema
from powerfault.model.tables.gather import gather

TOPOLOGIES = Path(__file__).parent.parent / "topologies"
EQUIPMENT = [("Tag", "Type", "Description", "Rating", "Status")]
LOADS = [("Load", "Demand", "Severity")]
WIRES = [("Wire", "From", "To", "Length", "Gauge")]


def csv_of(rows: list[tuple[Any, ...]]) -> str:
    return "".join(",".join("" if c is None else str(c) for c in row) + "\n" for row in rows)


def workbook(path: Path, sheets: dict[str, list[tuple[Any, ...]]]) -> None:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(path)


def three_lists(folder: Path, channels: int = 25) -> Path:
    """A system of ``channels`` channels in three lists as ``STARTER`` describes them, some 300 rows that agree."""
    equipment, loads, wires = list(EQUIPMENT), list(LOADS), list(WIRES)
    for n in range(1, channels + 1):
        equipment += [
            (f"PV-{n}", "PV", f"Array {n}", "-", "in use"), (f"BUS-{n}", "BUS", "", "n/a", "in use"),
            (f"CV-{n}", "DCDC", "", 6000, "in use"), (f"DB-{n}", "BUS", "", None, "in use"),
        ]  # fmt: skip
        loads.append((f"FAN-{n}", 400, "critical" if n % 2 else "Minor"))
        wires += [
            (f"W-{n}a", f"PV-{n}:1", f"SPL-{n}", 10, "4 AWG"), (f"W-{n}b", f"SPL-{n}", f"BUS-{n}:2", 20, "#4"),
            (f"W-{n}c", f"BUS-{n}", f"CV-{n}:IN", 3, "2/0"), (f"W-{n}d", f"CV-{n}:OUT", f"DB-{n}", 3, 4),
            (f"W-{n}e", f"DB-{n}", f"FAN-{n}", 12, 8), (f"W-{n}f", f"DB-{n}:7", f"FAN-{n % channels + 1}", 12, 8),
            (f"W-{n}g", f"DB-{n}", f"BUS-{n}x" if n == 0 else f"DB-{n % channels + 1}", 2, 4),
        ]  # fmt: skip
    equipment.append(("OLD-1", "BUS", "", "", "deleted"))
    assert len(equipment) + len(loads) + len(wires) >= 300
    (folder / "equipment.csv").write_text(csv_of(equipment), encoding="utf-8")
    (folder / "loads.csv").write_text(csv_of(loads), encoding="utf-8")
    workbook(folder / "wires.xlsx", {"W1": wires})
    by_hand = "functions: {air: {of: [FAN-1, FAN-2]}}\nproposals: {P: {set: {FAN-1: {priority: 2}}}}\n"
    (folder / "by-hand.yaml").write_text(by_hand, encoding="utf-8")
    (folder / "lists.yaml").write_text(STARTER.replace("# collapse", "collapse"), encoding="utf-8")
    return folder / "lists.yaml"


@dataclass(frozen=True)
class Done:
    exit_code: int
    output: str


def run(*arguments: str | Path) -> Done:
    """Run a command as the program does: errors of the package's own are messages and exit code 2."""
    files._read.clear()  # each command is a process of its own
    done = CliRunner().invoke(program, list(map(str, arguments)))
    if done.exception is None or isinstance(done.exception, SystemExit):
        return Done(done.exit_code, done.output)
    if not isinstance(done.exception, PowerfaultError):
        raise done.exception
    return Done(2, f"{done.output}{done.exception}")


def edit(path: Path, *changes: tuple[str, str]) -> None:
    text = path.read_text(encoding="utf-8")
    for before, after in changes:
        assert before in text
        text = text.replace(before, after, 1)
    path.write_text(text, encoding="utf-8")


def test_three_lists_that_agree(tmp_path: Path) -> None:
    lists = three_lists(tmp_path)
    target = tmp_path / "system.yaml"
    done = run("gather", lists, "-o", target)
    assert done.exit_code == 0, done.output
    topology = load_topology(target)
    assert topology.components["CV-3"].rating_kw == 6
    assert topology.components["W-3a"].length_m == pytest.approx(3.048)  # 10 ft; the foot is 0.3048 m exactly
    assert topology.components["W-3c"].gauge_awg == -1
    assert topology.loads["FAN-2"].fed_by == ("W-1f", "W-2e")
    assert topology.loads["FAN-2"].severity == "minor"
    assert {("PV-3", "W-3a"), ("W-3a", "W-3b"), ("W-3b", "BUS-3"), ("CV-3", "W-3d")} <= set(topology.links)
    assert not any(id_.startswith(("SPL", "OLD")) for id_ in topology.components)
    assert list(topology.functions) == ["air"]
    text = target.read_text(encoding="utf-8")
    assert "kind: converter, rating_kw: 6}  # equipment.csv, row 4" in text
    assert "# wires.xlsx, sheet W1, row 2; wires.xlsx, sheet W1, row 3" in text  # the links at a splice
    assert "# note: equipment.csv: skipped as described (Status is deleted): rows 102" in text
    # Gathered again after a list changed: the file is written anew, what was written by hand stays.
    edit(tmp_path / "equipment.csv", ("6000", "7000"))
    assert run("gather", lists, "-o", target).exit_code == 0
    assert load_topology(target).components["CV-1"].rating_kw == 7
    assert run("gather", lists, "-o", tmp_path / "by-hand.yaml").exit_code == 2


def test_what_the_lists_disagree_about_is_named_and_nothing_is_written(tmp_path: Path) -> None:
    lists = three_lists(tmp_path)
    edit(
        tmp_path / "equipment.csv",
        ("OLD-1,BUS,,,deleted", "CV-7,DCDC,,5500,in use\nLONE,BUS,,,in use\nFAN-4,CB,,,in use"),
    )
    edit(tmp_path / "loads.csv", ("FAN-9,400,critical", "FAN-9,400,critical\nHEAT-1,200,major"))
    book = openpyxl.load_workbook(tmp_path / "wires.xlsx")
    book["W1"].append(("W-x", "DB-1", "FAN-111", 4, 8))
    book["W1"].append(("W-y", "DB-1", "SPL-99", 4, 8))
    book.save(tmp_path / "wires.xlsx")
    target = tmp_path / "system.yaml"
    done = run("gather", lists, "-o", target)
    assert done.exit_code == 2
    assert not target.exists()
    for said in (
        "equipment.csv, row 28: CV-7.rating_kw: 6 here, but 5.5 in equipment.csv, row 102; correct a list, or write "
        "decide: {CV-7.rating_kw: ...}",
        "loads.csv, row 5: FAN-4: FAN-4 is listed under loads here and under components in equipment.csv, row 104",
        "wires.xlsx, sheet W1, row 177: W-x: leads to FAN-111, which is in no list of components or loads",
        "wires.xlsx, sheet W1, row 178: SPL-99: is to be collapsed, but nothing passes through it",
        "loads.csv, row 11: HEAT-1",
        "note: equipment.csv, row 103: LONE: this component is in no wire of any list",
        "note: equipment.csv, row 102: CV-7: is listed before in the same list",
    ):
        assert said in done.output
    draft = run("gather", lists, "-o", target, "--draft")
    assert draft.exit_code == 0
    text = target.read_text(encoding="utf-8")
    assert "# not decided: equipment.csv, row 28: CV-7.rating_kw" in text
    assert "rating_kw" not in next(line for line in text.splitlines() if line.startswith("  CV-7:"))
    # What is decided is taken, and said to be decided.
    three_lists(tmp_path)
    edit(tmp_path / "equipment.csv", ("OLD-1,BUS,,,deleted", "CV-7,DCDC,,5500,in use"))
    edit(lists, ("# decide: {CV-1.rating_kw: 6}", "decide: {CV-7.rating_kw: 5.5, CV-8.rating_kw: 1}"))
    done = run("gather", lists, "-o", target)
    assert done.exit_code == 0, done.output
    assert load_topology(target).components["CV-7"].rating_kw == 5.5
    assert "decide.CV-8.rating_kw: the lists do not disagree about it" in done.output


def test_cells_that_give_no_value_are_all_named_at_once(tmp_path: Path) -> None:
    lists = three_lists(tmp_path)
    edit(tmp_path / "equipment.csv", ("CV-1,DCDC,,6000", "CV-1,DCDC,,6 kW"), ("CV-2,DCDC,,6000", 'CV-2,DCDC,,"6000,5"'),
         ("BUS-3,BUS", "BUS-3,BSU"), ("DB-4,BUS", ",BUS"))  # fmt: skip
    edit(tmp_path / "loads.csv", ("FAN-1,400", "FAN-1,-"), ("FAN-2,400", "FAN-2,400\N{NO-BREAK SPACE}"),
         ("FAN-3,", "FAN 3,"))  # fmt: skip
    book = openpyxl.load_workbook(tmp_path / "wires.xlsx")
    sheet = book["W1"]
    sheet["D5"], sheet["D6"], sheet["E7"], sheet["D8"] = datetime.datetime(2024, 3, 1), "=D5*2", "thick", "#REF!"
    sheet["D8"].data_type = "e"
    book.save(tmp_path / "wires.xlsx")
    with pytest.raises(ModelError) as caught:
        gather(lists)
    said = [str(problem) for problem in caught.value.problems]
    for wanted in (
        "equipment.csv, row 4: column Rating: expected a number, found text '6 kW'; write the number alone",
        "equipment.csv, row 8: column Rating: expected a number, found text '6000,5'; write 6000.5 with a decimal",
        "equipment.csv, row 11: column Type: expected source, ",
        "equipment.csv, row 17: column Tag: expected an id, found nothing; or skip the row",
        "loads.csv, row 2: column Demand: expected a number, found text '-'; leave the cell empty, or name the word",
        "loads.csv, row 3: column Demand: holds a no-break space",
        "loads.csv, row 4: column Load: 'FAN 3' is no id",
        "wires.xlsx, sheet W1, row 5: cell D5 (Length): expected a number, found the date or time 2024-03-01",
        "wires.xlsx, sheet W1, row 6: cell D6 (Length): holds a formula whose value was not saved",
        "wires.xlsx, sheet W1, row 7: cell E7 (Gauge): expected a wire gauge",
        "wires.xlsx, sheet W1, row 8: cell D8 (Length): holds the error #REF!",
    ):
        assert any(problem.startswith(wanted) for problem in said), (wanted, said)
    assert len(said) == 11


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda sheet: sheet.merge_cells("A3:A4"), "row 3: the cells A3:A4 are merged"),
        (
            lambda sheet: sheet.__setitem__("E1", "Length"),
            "row 1: cell D1 (Length): the title 'Length' stands over two",
        ),
        (lambda sheet: sheet.__setitem__("B1", "Form"), "row 1: no column is called 'From' (did you mean 'Form'?)"),
        (lambda sheet: sheet.__setitem__("H9", "x"), "row 9: holds 'x' in a column without a title"),
        (lambda sheet: sheet.__setattr__("title", "W2"), "has no sheet 'W1'; it has: W2"),
        (lambda sheet: sheet.delete_rows(1, 999), "expected the titles of the columns here, found nothing"),
    ],
)
def test_sheets_that_cannot_be_read(tmp_path: Path, change: Any, said: str) -> None:
    lists = three_lists(tmp_path)
    book = openpyxl.load_workbook(tmp_path / "wires.xlsx")
    change(book["W1"])
    book.save(tmp_path / "wires.xlsx")
    with pytest.raises(ModelError, match=r"wires\.xlsx") as caught:
        gather(lists)
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("holds: links", "holds: link"), "lists[2].holds"),
        (("from: From", "form: From"), "lists[2].columns.form: unknown field of links"),
        (("Length: ft", "Length: fathomette"), "the unit 'fathomette' is unknown"),
        (("Length: ft", "Length: kg"), "is none of length_m"),
        (("Length: ft", "Len: ft"), "is no column named above"),
        (("file: loads.csv", "file: load.csv"), "load.csv: cannot be read"),
        (("file: loads.csv", "file: loads.ods"), "expected a file that ends in .csv, .xlsx or .parquet"),
        (("powerfault_lists: 1", "powerfault_lists: 2"), "the only version read"),
        (("skip: {Status: [deleted, spare]}", "skip: {State: [deleted]}"), "no column is called 'State'"),
        (("severity: Severity", "severities: Severity"), "unknown field of loads (did you mean 'severity'?)"),
    ],
)
def test_descriptions_that_are_wrong(tmp_path: Path, change: tuple[str, str], said: str) -> None:
    lists = three_lists(tmp_path)
    edit(lists, change)
    done = run("gather", lists, "-o", tmp_path / "x.yaml")
    assert done.exit_code == 2
    assert said in done.output


def test_problems_of_the_whole_name_the_row(tmp_path: Path) -> None:
    lists = three_lists(tmp_path)
    edit(tmp_path / "equipment.csv", ("CV-1,DCDC,,6000", "CV-1,DCDC,,-6000"))
    edit(tmp_path / "loads.csv", ("FAN-25,400,critical", "FAN-25,400,critical\nALONE,1,"))
    done = run("gather", lists, "-o", tmp_path / "x.yaml")
    assert "equipment.csv, row 4: CV-1.rating_kw: expected a number of at least 0, found the number -6" in done.output
    assert "loads.csv, row 27: ALONE: must give fed_by" in done.output


def test_the_schema_takes_the_starter_and_refuses_what_the_reader_refuses(tmp_path: Path) -> None:
    schema = lists_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(yaml.safe_load(STARTER), schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(yaml.safe_load(STARTER.replace("holds: links", "holds: link")), schema)
    assert run("schema", "lists").output.startswith("{")
    assert run("starter", "--lists", tmp_path / "l.yaml").exit_code == 0
    assert (tmp_path / "l.yaml").read_text(encoding="utf-8") == STARTER


def test_parquet_is_read_and_numbers_keep_their_words(tmp_path: Path) -> None:
    three_lists(tmp_path)
    frame = pd.DataFrame([(f"FAN-{n}", 0.4, "major") for n in range(1, 26)], columns=["Load", "kW", "Sev"])
    frame.to_parquet(tmp_path / "loads.parquet")
    edit(tmp_path / "lists.yaml", ("file: loads.csv", "file: loads.parquet"), ("    units: {Demand: W}\n", ""),
         ("Demand, severity: Severity", "kW, severity: Sev"))  # fmt: skip
    found = gather(tmp_path / "lists.yaml", str(tmp_path / "x.yaml"))
    assert found.problems == found.disagreements == []
    assert "FAN-1: {demand_kw: 0.4, severity: major, fed_by: [W-1e, W-25f]}  # demand_kw, severity: loads" in found.text
    assert "loads.parquet, row 25" in found.text


def test_a_splice_that_joins_three_wires_links_each_pair(tmp_path: Path) -> None:
    (tmp_path / "e.csv").write_text("id,kind\nS,source\nA,bus\nB,bus\n", encoding="utf-8")
    (tmp_path / "w.csv").write_text("from,to,both\nS,X,no\nX,A,yes\nX,B,yes\n", encoding="utf-8")
    (tmp_path / "l.yaml").write_text(
        "powerfault_lists: 1\ncollapse: [X]\nlists:\n"
        "  - {file: e.csv, holds: components, columns: {id: id, kind: kind}}\n"
        "  - {file: w.csv, holds: links, columns: {from: from, to: to, both_ways: both}}\n",
        encoding="utf-8",
    )
    topology = read_topology_text(gather(tmp_path / "l.yaml").text)
    assert set(topology.links) == {("S", "A"), ("S", "B"), ("A", "B"), ("B", "A")}


def round_trip(text: str, folder: Path) -> None:
    (folder / "first.yaml").write_text(text, encoding="utf-8")
    wrote = run("tables", folder / "first.yaml", "-o", folder / "t.xlsx", "--force")
    assert wrote.exit_code == 0, wrote.output
    back = run("gather", folder / "t.lists.yaml", "-o", folder / "back.yaml")
    assert back.exit_code == 0, back.output
    first, second = load_topology(folder / "first.yaml"), load_topology(folder / "back.yaml")
    assert first == second
    for section in ("components", "loads", "functions"):
        assert list(getattr(first, section)) == list(getattr(second, section))


@pytest.mark.parametrize("file", ["orrin-fell", "tallow-ledge", "two-channels", "coolant-lines"])
def test_the_examples_come_back_from_a_workbook(tmp_path: Path, file: str) -> None:
    round_trip((TOPOLOGIES / f"{file}.yaml").read_text(encoding="utf-8"), tmp_path)


def test_a_component_written_by_hand_in_an_included_file_may_end_a_wire(tmp_path: Path) -> None:
    (tmp_path / "e.csv").write_text("id,kind\nS,source\n", encoding="utf-8")
    (tmp_path / "w.csv").write_text("from,to\nS,A\n", encoding="utf-8")
    (tmp_path / "hand.yaml").write_text("components: {A: {kind: bus}}\n", encoding="utf-8")
    (tmp_path / "l.yaml").write_text(
        "powerfault_lists: 1\ninclude: [hand.yaml]\nlists:\n"
        "  - {file: e.csv, holds: components, columns: {id: id, kind: kind}}\n"
        "  - {file: w.csv, holds: links, columns: {from: from, to: to}}\n",
        encoding="utf-8",
    )
    done = run("gather", tmp_path / "l.yaml", "-o", tmp_path / "back.yaml")
    assert done.exit_code == 0, done.output
    assert set(load_topology(tmp_path / "back.yaml").links) == {("S", "A")}


HARD = ["=1+1", "'=x", "''", "-", "012", "1e5", "a b", "yes", "2024-03-01"]
LABEL = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), min_size=1, max_size=8).filter(
    lambda x: x == x.strip()
)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(labels=st.lists(LABEL | st.sampled_from(HARD), min_size=3, max_size=3),
       kw=st.floats(0, 1e6).filter(lambda kw: kw == 0 or kw >= 1e-9), phases=st.booleans())  # fmt: skip
def test_any_label_and_number_comes_back(tmp_path: Path, labels: list[str], kw: float, phases: bool) -> None:
    demand = {"day": kw, "night": 0} if phases else kw
    data = {
        "powerfault": 1, "phases": {"day": None, "night": None},
        "components": {"B": {"kind": "bus", "label": labels[0], "needs": [{"id": "A", "bears": "manual"}]},
                       "A": {"kind": "source", "capacity_kw": demand, "notes": labels[1]}},
        "feeds": ["A <-> B"],
        "loads": {"L": {"fed_by": ["B"], "demand_kw": demand, "label": labels[2], "rides_through_min": None}},
    }  # fmt: skip
    from powerfault.model.yaml_text import yaml_text

    round_trip(yaml_text(data), tmp_path)


def test_results_stand_beside_the_system(tmp_path: Path) -> None:
    done = run("tables", TOPOLOGIES / "two-channels.yaml", "-o", tmp_path / "t.xlsx", "--results")
    assert done.exit_code == 0
    sheet = openpyxl.load_workbook(tmp_path / "t.xlsx")["results"]
    rows = list(sheet.iter_rows(values_only=True))
    topology = load_topology(TOPOLOGIES / "two-channels.yaml")
    assert [row[0] for row in rows[1:]] == [consumer.id for consumer in topology.consumers()]
    again = run("tables", TOPOLOGIES / "two-channels.yaml", "-o", tmp_path / "t.xlsx")
    assert again.exit_code == 2
    assert "is there already" in again.output


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
def test_a_workbook_made_by_libreoffice_is_read(tmp_path: Path) -> None:
    lists = three_lists(tmp_path)
    (tmp_path / "wires.xlsx").rename(tmp_path / "made.xlsx")
    subprocess.run(["soffice", "--headless", "--convert-to", "ods", "made.xlsx"], cwd=tmp_path, check=True, timeout=120)
    (tmp_path / "made.ods").rename(tmp_path / "wires.ods")
    subprocess.run(
        ["soffice", "--headless", "--convert-to", "xlsx", "wires.ods"], cwd=tmp_path, check=True, timeout=120
    )
    assert gather(lists, str(tmp_path / "x.yaml")).disagreements == []
