"""The front door: each command as a function, with the same options and the same JSON as the command line."""

from __future__ import annotations

import inspect
import json
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

import powerfault as pf
from powerfault import api
from powerfault.cli import COMMANDS, program

TOPOLOGIES = Path(__file__).parent.parent / "topologies"
SMALL = TOPOLOGIES / "two-channels.yaml"
DEMO = TOPOLOGIES / "orrin-fell.yaml"
PLAN = TOPOLOGIES / "orrin-fell-outing.yaml"
NOT_FUNCTIONS = {"validate", "starter", "schema", "show", "gather", "tables"}
"""Commands about files as such."""
NAMES = {"with": "with_", "from": "from_", "budget-min": "budget_min", "max-length-m": "max_length_m"}
NOT_OPTIONS = {
    "json",
    "fail-on-unmet",
    "output",
    "o",
    "csv",
    "xlsx",
    "md",
    "parquet",
    "yes",
    "jobs",
    "after",
    "answered",
}
"""Of printing and files, not of the question; the system after answered failures is a topology of its own."""
BY_CALLING_TWICE = {
    "compare": {"each"},
    "report": {"plan", "rank", "budget-min", "cap", "pdf", "drawings"},
}
"""Options that add the answer of another function."""


def printed(*arguments: str) -> object:
    done = CliRunner().invoke(program, [*arguments, "--json"], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def a_case() -> tuple[str, str]:
    topology = pf.load(SMALL)
    return next(iter(topology.components)), next(iter(topology.loads))


def test_each_function_gives_the_json_of_its_command() -> None:
    event, load = a_case()
    file, proposal = str(SMALL), next(iter(pf.load(SMALL).proposals))
    pairs = [
        (pf.faults(file, modes="loss,short"), ("faults", file, "--modes", "loss,short")),
        (pf.compare(file, with_=proposal), ("compare", file, "--with", proposal)),
        (pf.explain(file, event, load), ("explain", file, "--fail", event, "--load", load)),
        (pf.capacity(file, with_=proposal), ("capacity", file, "--with", proposal)),
        (pf.restore(file, event), ("restore", file, "--fail", event)),
        (pf.size(DEMO, with_="J-LAB", of="JMP-LAB"), ("size", str(DEMO), "--with", "J-LAB", "--of", "JMP-LAB")),
        (pf.voltages(DEMO, phase="dark"), ("voltages", str(DEMO), "--phase", "dark")),
        (pf.endurance(DEMO, fail="BUS-H"), ("endurance", str(DEMO), "--fail", "BUS-H")),
        (pf.protection(DEMO, with_=["J-LAB"]), ("protection", str(DEMO), "--with", "J-LAB")),
        (pf.likelihood(DEMO, hours=500, samples=10), ("likelihood", str(DEMO), "--hours", "500", "--samples", "10")),
        (pf.rank(file), ("rank", file)),
        (pf.isolate(DEMO, with_="J-LAB"), ("isolate", str(DEMO), "--with", "J-LAB")),
        (pf.outing(DEMO, PLAN, find_order=False), ("outing", str(DEMO), str(PLAN), "--no-order")),
    ]
    for result, arguments in pairs:
        assert json.loads(result.to_json()) == printed(*arguments), arguments[0]
        assert len(result.frame.columns) > 1, arguments[0]
        assert result.__repr__().strip(), arguments[0]
        assert result._repr_html_().startswith("<pre>")


@pytest.mark.parametrize("name", sorted(set(COMMANDS) - NOT_FUNCTIONS))
def test_each_command_is_a_function_with_its_options(name: str) -> None:
    parameters = inspect.signature(getattr(pf, name)).parameters
    if any(p.kind is p.VAR_KEYWORD for p in parameters.values()):
        return
    command = program.get_command(click.Context(program), name)
    assert command is not None
    for option in (p for p in command.params if isinstance(p, click.Option)):
        long = max(option.opts, key=len).lstrip("-")
        if long not in NOT_OPTIONS | BY_CALLING_TWICE.get(name, set()):
            wanted = {NAMES.get(long, long.replace("-", "_")), option.name, long.replace("no-order", "find_order")}
            assert wanted & set(parameters), f"{name} --{long}"


def test_a_string_is_one_item_never_letters() -> None:
    assert api.as_list("J-1") == ("J-1",)
    proposal = next(iter(pf.load(SMALL).proposals))
    assert pf.compare(SMALL, proposal).met == pf.compare(SMALL, [proposal]).met


def test_met_is_a_value() -> None:
    before, after, total = pf.compare(SMALL, next(iter(pf.load(SMALL).proposals))).met
    assert 0 <= before <= total
    assert 0 <= after <= total


def test_wrong_questions_are_said() -> None:
    event, _ = a_case()
    with pytest.raises(pf.RequestError, match="no load or function"):
        pf.explain(SMALL, event, "NOBODY")
    with pytest.raises(pf.RequestError, match="nothing to compare"):
        pf.compare(SMALL)
    with pytest.raises(pf.RequestError, match="no phase"):
        pf.voltages(DEMO, phase="dusk")
    with pytest.raises(AttributeError):
        _ = pf.faults(SMALL).nothing_of_that_name


def test_a_graph_with_kinds_ratings_and_states() -> None:
    topology = pf.load(DEMO)
    plain = topology.to_networkx()
    assert set(plain) == {*topology.components, *topology.loads, *topology.functions}
    assert plain.nodes["BUS-H"]["kind"] == "bus"
    assert "state" not in plain.nodes["BUS-H"]
    feeds = [(a, b) for a, b, relation in plain.edges(data="relation") if relation == "feeds"]
    assert set(feeds) == {*topology.links, *topology.load_links()}
    states = dict(topology.to_networkx(case="BUS-H").nodes(data="state"))
    assert states["BUS-H"] == "failed"
    assert set(states.values()) <= {"failed", "in fault zone", "live", "restored", "de-energised"}
    found = pf.explain(DEMO, "BUS-H", next(iter(topology.loads))).data
    assert found["outcome"] in ("uninterrupted", "automatic", "commanded", "manual", "lost")


def test_the_report_as_a_function(tmp_path: Path) -> None:
    names = pf.report(SMALL, tmp_path / "report", with_=next(iter(pf.load(SMALL).proposals)), order=1)
    assert "report.html" in names
    assert (tmp_path / "report" / "report.html").stat().st_size > 10_000
