"""Several files and patterns: the same system as one file written by hand, and problems at both places."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from powerfault.cli import program
from powerfault.errors import ModelError
from powerfault.model.expansion import MAX_COPIES
from powerfault.model.reader import load_topology, read_topology_text
from powerfault.model.yaml_lines import parse_yaml
from powerfault.model.yaml_text import yaml_text

TOPOLOGIES = Path(__file__).parent.parent / "topologies"
MAIN = """\
powerfault: 1
name: two wings
include: [parts/*.yaml]
patterns:
  channel:
    parameters: {ch: null, kw: 6}
    components:
      PV-{ch}: {kind: source, capacity_kw: "{kw}"}
      BUS-{ch}: {kind: bus, label: "Bus {ch} of {as}"}
    feeds: ["PV-{ch} -> BUS-{ch}"]
    loads:
      L-{ch}: {fed_by: ["BUS-{ch}"], demand_kw: 1}
use:
  - {pattern: channel, as: "wing {ch}", with: [{ch: H}, {ch: T, kw: 3}]}
feeds: [BUS-H -> TIE -> BUS-T]
standing: {failed: [PV-H]}
"""
TIE = """\
components:
  TIE: {kind: breaker, normally: open}
standing: {failed: [TIE]}
"""
BY_HAND = """\
powerfault: 1
name: two wings
components:
  TIE: {kind: breaker, normally: open}
  PV-H: {kind: source, capacity_kw: 6}
  BUS-H: {kind: bus, label: Bus H of wing H}
  PV-T: {kind: source, capacity_kw: 3}
  BUS-T: {kind: bus, label: Bus T of wing T}
feeds: [BUS-H -> TIE -> BUS-T, PV-H -> BUS-H, PV-T -> BUS-T]
loads:
  L-H: {fed_by: [BUS-H], demand_kw: 1}
  L-T: {fed_by: [BUS-T], demand_kw: 1}
standing: {failed: [PV-H, TIE]}
"""


def written(folder: Path, main: str = MAIN, tie: str = TIE) -> Path:
    (folder / "parts").mkdir()
    (folder / "parts" / "tie.yaml").write_text(tie, encoding="utf-8")
    (folder / "main.yaml").write_text(main, encoding="utf-8")
    return folder / "main.yaml"


def problems(path: Path) -> list[str]:
    with pytest.raises(ModelError) as caught:
        load_topology(path)
    return [str(problem).replace(str(path.parent) + "/", "") for problem in caught.value.problems]


def test_files_and_patterns_are_the_system_that_one_file_says(tmp_path: Path) -> None:
    expanded = load_topology(written(tmp_path))
    assert expanded == read_topology_text(BY_HAND)
    (tmp_path / "parts" / "tie.yaml").write_text(TIE + "# a remark\n", encoding="utf-8")
    assert load_topology(tmp_path / "main.yaml").sha256 != expanded.sha256


def test_show_expanded_prints_one_file_of_the_same_meaning(tmp_path: Path) -> None:
    file = written(tmp_path)
    done = CliRunner().invoke(program, ["show", "--expanded", str(file)])
    assert done.exit_code == 0
    assert read_topology_text(done.output) == load_topology(file)
    assert "main.yaml:8, pattern channel as wing T, used at" in done.output
    summary = CliRunner().invoke(program, ["show", str(file)]).output
    assert "tie.yaml: 1 component" in summary
    assert "pattern channel as wing H" in summary


@pytest.mark.parametrize("file", ["orrin-fell", "tallow-ledge", "two-channels", "coolant-lines"])
def test_the_examples_read_back_the_same_from_one_file(file: str) -> None:
    path = TOPOLOGIES / f"{file}.yaml"
    done = CliRunner().invoke(program, ["show", "--expanded", str(path)])
    assert read_topology_text(done.output) == load_topology(path)


@pytest.mark.parametrize(
    ("change", "tie", "said"),
    [
        (("demand_kw: 1", "demand: 1"), TIE,
         "loads.L-T.demand: unknown field of a load; give the unit: demand_kw "
         "(pattern channel as wing T, used at main.yaml:14:57)"),
        (("", ""), TIE + "feeds: [TIE -> BUS-X]\n", "parts/tie.yaml:4:9: feeds[1]: 'BUS-X' is no component"),
        (("", ""), "components: {TIE: {kind: bus}, BUS-H: {kind: bus}}",
         "main.yaml:9:17: components.BUS-H: is given twice (first in parts/tie.yaml:1); remove or rename one "
         "(pattern channel as wing H, used at main.yaml:14:48)"),
        (("{ch: H}", "{cg: H}"), TIE, "use[0].with[0].cg: the pattern channel has no parameter 'cg'"),
        (("{ch: H}", "{kw: 4}"), TIE, "use[0].with[0]: the pattern channel needs ch, which is not given"),
        (("{ch: H}", "{ch: T}"), TIE, "use[0].with[1]: there are two copies of channel called 'wing T'"),
        (("{ch: H}", "{ch: [H]}"), TIE, "use[0].with[0].ch: expected text or a number, found a list"),
        (("pattern: channel", "pattern: chanel"), TIE, "use[0].pattern: expected the name of a pattern, found"),
        (("of {as}", "of {wing}"), TIE, "{wing} is no parameter of the pattern channel"),
        (("parts/*", "parts/no*"), TIE, "main.yaml:3:11: include[0]: no file matches 'parts/no*.yaml'"),
        (("parts/*", "absent"), TIE, "cannot be read: No such file or directory"),
        (("parts/*.yaml", "main.yaml"), TIE, "is included already"),
        (("", ""), "include: [../main.yaml]", "parts/tie.yaml:1:11"),
        (("", ""), "- a list", "expected"),
        (("", ""), "components: {", "parts/tie.yaml:"),
        (("", ""), "powerfault: 2", "expected 1, the only format version read"),
        (("", ""), "name: another", "parts/tie.yaml:1:7: name: is given twice (first in main.yaml:2)"),
    ],
)  # fmt: skip
def test_problems_name_the_file_and_line_of_what_is_wrong(
    tmp_path: Path, change: tuple[str, str], tie: str, said: str
) -> None:
    found = problems(written(tmp_path, MAIN.replace(*change) if change[0] else MAIN, tie))
    assert any(said in problem for problem in found), found


def test_copies_are_bounded(tmp_path: Path) -> None:
    many = ", ".join(f"{{ch: x{n}}}" for n in range(MAX_COPIES + 1))
    found = problems(written(tmp_path, MAIN.replace("{ch: H}, {ch: T, kw: 3}", many)))
    assert any("the most that are made" in problem for problem in found)


TEXT = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), max_size=12)
SCALAR = st.one_of(st.none(), st.booleans(), st.integers(-(10**9), 10**9), TEXT,
                   st.floats(allow_nan=False, allow_infinity=False))  # fmt: skip
TREE = st.recursive(SCALAR, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3))


@given(st.dictionaries(TEXT, TREE, max_size=4))
def test_what_is_written_reads_back_the_same(data: dict[str, object]) -> None:
    assert parse_yaml(yaml_text({"first": 1, **data}), "x").data == {"first": 1, **data}


def test_words_that_other_readers_take_for_booleans_are_quoted() -> None:
    assert yaml_text({"a": {"x": ["on", "No", "1e-6", "012", "A <-> B", "a -> b"]}}) == (
        'a:\n  x: ["on", "No", "1e-6", "012", A <-> B, a -> b]\n'
    )
