"""Saved results: whole, unchanged and of comparable systems, or refused in words; never a traceback."""

from __future__ import annotations

import copy
import json
import random
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import powerfault
from powerfault.cli import program
from powerfault.errors import RequestError
from powerfault.tolerance.comparison.saved import read_saved_result
from powerfault.tolerance.results import RESULTS, digest
from powerfault.tolerance.study import study

SMALL = Path(__file__).parent.parent / "topologies" / "two-channels.yaml"


@pytest.fixture(scope="module")
def result() -> dict[str, Any]:
    return study(powerfault.load(SMALL), 2, ("loss", "short")).to_json()


def refusal(tmp_path: Path, content: Any) -> str:
    path = tmp_path / "r.json"
    if isinstance(content, bytes):
        path.write_bytes(content)
    else:
        path.write_text(json.dumps(content), "utf-8")
    with pytest.raises(RequestError) as caught:
        read_saved_result(path)
    return str(caught.value)


def test_a_result_fits_its_schema_and_keeps_its_digest_in_any_spelling(tmp_path: Path, result: dict[str, Any]) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    jsonschema.Draft202012Validator.check_schema(RESULTS)
    jsonschema.validate(result, RESULTS)
    path = tmp_path / "r.json"
    path.write_text(json.dumps(result, indent=3, sort_keys=True, ensure_ascii=True), "utf-8")
    assert read_saved_result(path).data == result
    shown = CliRunner().invoke(program, ["schema", "results"])
    assert json.loads(shown.output) == RESULTS


def test_what_was_cut_or_edited_is_refused(tmp_path: Path, result: dict[str, Any]) -> None:
    cut = copy.deepcopy(result)
    del cut["cases"][::2]
    assert "does not fit its digest" in refusal(tmp_path, cut)
    edited = copy.deepcopy(result)
    edited["consumers"][0]["meets"] = not edited["consumers"][0]["meets"]
    assert "does not fit its digest" in refusal(tmp_path, edited)
    without = copy.deepcopy(result)
    del without["digest"]
    assert "digest is missing" in refusal(tmp_path, without)


@pytest.mark.parametrize(("change", "said"), [
    (lambda r: r.update(case_count=r["case_count"] - 1), "its events make"),
    (lambda r: r["events"].append(r["events"][0]), "an event is listed twice"),
    (lambda r: r["cases"].append(r["cases"][0]), "stands there twice"),
    (lambda r: r["cases"][0].update(failed=["NOPE"]), "other events than those listed"),
    (lambda r: r["cases"][0]["outcomes"].update(NOPE="lost"), "no load or function"),
    (lambda r: r["nothing_failed"].update(NOPE="lost"), "no load or function"),
    (lambda r: r["consumers"][0].update(tolerates=9), "does not fit its minimal cut sets"),
    (lambda r: r["cases"].clear(), "is no case in which it fails"),
    (lambda r: r["consumers"].append(r["consumers"][0]), "listed twice"),
])  # fmt: skip
def test_counts_and_verdicts_that_disagree_are_refused_even_with_a_digest(
    tmp_path: Path, result: dict[str, Any], change: Any, said: str
) -> None:
    changed = copy.deepcopy(result)
    change(changed)
    changed["digest"] = digest(changed)
    assert said in refusal(tmp_path, changed)


@pytest.mark.parametrize("content", [
    b"", b"{", b"null", b"[]", b"[" * 100_000, b"NaN", b'{"format": 1}', b"\xff\xfe{}", b'{"format": Infinity}',
    b"1" * 10_000,
])  # fmt: skip
def test_what_is_no_result_is_refused(tmp_path: Path, content: bytes) -> None:
    assert "r.json" in refusal(tmp_path, content)


def test_no_mutant_ends_in_anything_but_a_refusal(tmp_path: Path, result: dict[str, Any]) -> None:
    """Values of every kind at every place, with a digest that fits."""
    generator = random.Random(1)
    values: list[Any] = [None, True, -1, 0, 1, 10**30, 1.5, "", "x", "\ud800", "a:b:c", [], {}, [[]], {"x": 1}, ["A"]]
    path = tmp_path / "r.json"
    small = {**result, "cases": result["cases"][:6]}
    refused = 0
    for _ in range(600):
        mutant = copy.deepcopy(small)
        holder, key = generator.choice(list(places(mutant)))
        holder[key] = copy.deepcopy(generator.choice(values))
        try:
            mutant["digest"] = digest(mutant)
        except (ValueError, TypeError):
            mutant["digest"] = "sha256:" + "0" * 64
        path.write_text(json.dumps(mutant), "utf-8")
        try:
            read_saved_result(path)
        except RequestError:
            refused += 1
    assert refused > 450


def places(value: Any) -> Any:
    """Every (container, key) below ``value``."""
    for key in list(value) if isinstance(value, dict) else range(len(value)):
        yield value, key
        if isinstance(value[key], dict | list):
            yield from places(value[key])


def test_results_of_different_systems_are_compared_with_a_warning(tmp_path: Path) -> None:
    text = SMALL.read_text("utf-8")
    names = []
    for name, content in (
        ("a", text),
        ("b", text + "\n# another state\n"),
        ("c", text.replace("name: ", "name: Not ")),
    ):
        source, saved = tmp_path / f"{name}.yaml", tmp_path / f"{name}.json"
        source.write_text(content, "utf-8")
        saved.write_text(CliRunner().invoke(program, ["faults", str(source), "--json"]).stdout, "utf-8")
        names.append(str(saved))
    same, state, system = (CliRunner().invoke(program, ["compare", names[0], other]) for other in names)
    assert (same.exit_code, same.stderr) == (0, "")
    assert state.exit_code == system.exit_code == 0
    assert "warning: the two results are of different states of the file" in state.stderr
    assert "warning: the two results are of different systems: " in system.stderr
