"""YAML to plain data with positions: the 1.2 core schema, what is refused, and hostile input."""

from __future__ import annotations

import math
import time
from pathlib import Path

import pytest
import yaml

from powerfault.errors import ModelError
from powerfault.model import yaml_lines
from powerfault.model.yaml_lines import MAX_DEPTH, ZeroPadded, decode, parse_yaml, read_bytes


def data(text: str) -> object:
    return parse_yaml(text, "f.yaml").data


def refusal(text: str) -> list[str]:
    with pytest.raises(ModelError) as caught:
        parse_yaml(text, "f.yaml")
    return [str(problem) for problem in caught.value.problems]


# The core schema of YAML 1.2.2, section 10.3.2 (https://yaml.org/spec/1.2.2/#1032-tag-resolution): its examples of each
# regular expression, and forms of YAML 1.1 that are plain text in 1.2.
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("null", None), ("Null", None), ("NULL", None), ("~", None), ("", None),
        ("true", True), ("True", True), ("TRUE", True), ("false", False), ("False", False), ("FALSE", False),
        ("0", 0), ("-19", -19), ("+3", 3), ("0o7", 7), ("0x3A", 58), ("0xff", 255),
        ("0.", 0.0), ("-0.0", -0.0), (".5", 0.5), ("+12e03", 12000.0), ("-2E+05", -200000.0), ("1e-6", 1e-6),
        (".inf", math.inf), ("-.Inf", -math.inf), ("+.INF", math.inf),
        ("off", "off"), ("no", "no"), ("On", "On"), ("yes", "yes"), ("y", "y"), ("tRUE", "tRUE"),
        ("12:30", "12:30"), ("1_000", "1_000"), ("2024-01-01", "2024-01-01"), ("0b1", "0b1"), ("<<", "<<"), ("=", "="),
        ("'5'", "5"), ('"true"', "true"), ("'~'", "~"), ("nullify", "nullify"), ("e3", "e3"), ("-", None),
    ],
)  # fmt: skip
def test_scalars_follow_the_core_schema(text: str, value: object) -> None:
    if text == "-":
        assert data("a:\n  -") == {"a": [None]}
        return
    found = data(f"a: {text}")
    assert found == {"a": value}
    assert type(found["a"]) is type(value)  # type: ignore[index]


def test_not_a_number_is_read_as_a_number() -> None:
    found = data("a: .NaN")
    assert isinstance(found, dict)
    assert math.isnan(found["a"])


@pytest.mark.parametrize(("text", "value"), [("00", 0), ("012", 12), ("-007", -7), ("0000", 0)])
def test_leading_zeros_are_kept_apart(text: str, value: int) -> None:
    found = data(f"a: {text}")
    assert isinstance(found, dict)
    assert isinstance(found["a"], ZeroPadded)
    assert (found["a"], found["a"].text) == (value, text)


def test_a_very_long_number_is_read_fast_and_as_a_float() -> None:
    begun = time.perf_counter()
    assert data("a: " + "9" * 200_000) == {"a": math.inf}
    assert data("a: 0x" + "f" * 200_000) == {"a": "0x" + "f" * 200_000}
    assert time.perf_counter() - begun < 5


def test_positions_of_values_and_keys() -> None:
    document = parse_yaml("a: 1\nlist:\n  - x\n  - {b: 2, c: [3]}\nblock:\n  d:\n  e: 'q'\n", "f.yaml")
    assert document.values == {
        "": (1, 1), "a": (1, 4), "list": (2, 1), "list[0]": (3, 5), "list[1]": (4, 5), "list[1].b": (4, 9),
        "list[1].c": (4, 15), "list[1].c[0]": (4, 16), "block": (5, 1), "block.d": (6, 3), "block.e": (7, 6),
    }  # fmt: skip
    assert document.keys["list[1].c"] == (4, 12)


def test_columns_count_characters_not_bytes() -> None:
    assert parse_yaml("{å: ø, b: 1}", "f").values["b"] == (1, 11)
    assert refusal("{ø: å, ø: 1}")[0].startswith("f.yaml:1:8: ø: is given twice")


def test_equal_data_to_the_library_on_plain_input() -> None:
    source = "a:\n  b: [1, 2.5, true, null, text]\n  c: 'q'\n  d: |\n    x\n    y\n  e: >-\n    folded\n    text\n"
    assert data(source) == yaml.safe_load(source)


def test_both_loaders_give_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    text = "a: {b: [1, x], c: 'q'}\nlist:\n- {d: off}\n- e\n"
    fast = parse_yaml(text, "f")
    monkeypatch.delattr(yaml, "CSafeLoader")
    slow = parse_yaml(text, "f")
    assert (slow.data, slow.values, slow.keys) == (fast.data, fast.values, fast.keys)
    assert refusal("a: 1\na: 2") == ["f.yaml:2:1: a: is given twice (first in line 1); remove or rename one"]
    assert len(refusal("a: [\n")) == 1


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a: 1\nb: {c: 1, c: 2}", ["f.yaml:2:11: b.c: is given twice (first in line 2); remove or rename one"]),
        ("a: 1\na: 2\na: 3", ["f.yaml:2:1: a: is given twice", "f.yaml:3:1: a: is given twice"]),
        ("a: &x 1\nb: *x", ["f.yaml:1:4: anchors are not read (&x)", "f.yaml:2:4: aliases are not read (*x)"]),
        ("a: !!python/object/apply:os.system [ls]", ["f.yaml:1:4: tags are not read"]),
        ("!t\na: 1", ["f.yaml:1:1: tags are not read (!t)"]),
        ("1: x", ["f.yaml:1:1: a key must be text, found a number ('1'); put it in quotes"]),
        ("true: x", ["f.yaml:1:1: a key must be text, found a boolean ('true')"]),
        ("? [a]\n: 1", ["f.yaml:1:3: a key must be text, found a list or mapping"]),
        ("a: 1\n---\nb: 2", ["f.yaml:2:1: a second document begins"]),
        ("a:\n\t- b", ["f.yaml:2:1: is not valid YAML: while scanning for the next token", "never tabs"]),
        ("a: [1, 2", ["is not valid YAML"]),
        ("a: b: c", ["f.yaml:1:5: is not valid YAML: mapping values are not allowed", "quotes"]),
        ("a: `x`", ["f.yaml:1:4: is not valid YAML", "quotes"]),
        ("a: \x07", ["f.yaml:1:4: holds the control character U+0007"]),
        ('a: "\\0"', ["f.yaml:1:4: a: text may not hold control characters"]),
        ('a: "\\u200e\\x1b[31m"', ["f.yaml:1:4: a: text may not hold control characters"]),
        ('"\\x07": 1', ["f.yaml:1:1: a key may not hold control characters"]),
        ('a: "\\ud800"', ["f.yaml:1:7: is not valid YAML"]),
    ],
)
def test_what_is_refused(text: str, expected: list[str]) -> None:
    found = "\n".join(refusal(text))
    for part in expected:
        assert part in found


def test_a_quoted_number_or_word_is_a_good_key() -> None:
    assert data("'1': x\n\"true\": y") == {"1": "x", "true": "y"}


def test_several_faults_are_reported_at_once() -> None:
    assert len(refusal("a: &x 1\na: *x\n1: !t y\n")) == 5


def test_a_million_laughs_are_refused_at_once() -> None:
    lines = ["a0: &a0 [lol]"]
    lines += [f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 9)}]" for i in range(1, 30)]
    begun = time.perf_counter()
    found = refusal("\n".join(lines))
    assert time.perf_counter() - begun < 2
    assert "f.yaml:1:5: anchors are not read (&a0)" in found[0]


@pytest.mark.parametrize("text", ["[" * 100_000, "{a: " * 100_000, "- " * 100_000, "? " * 100_000])
def test_deep_nesting_is_refused_without_recursion(text: str) -> None:
    begun = time.perf_counter()
    found = refusal(text)
    assert time.perf_counter() - begun < 10
    assert any(word in found[0] for word in ("nested more than", "nesting depth", "key must be text"))


def test_the_depth_allowed_is_read() -> None:
    assert data("[" * MAX_DEPTH + "]" * MAX_DEPTH) is not None
    assert "nested more than" in refusal("[" * (MAX_DEPTH + 1) + "]" * (MAX_DEPTH + 1))[0]


def test_too_many_values_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(yaml_lines, "MAX_VALUES", 1000)
    assert "holds more than 1,000 values" in refusal("[" + "x, " * 1001 + "]")[0]
    assert "holds more than 1,000 values" in refusal("[" + "[], " * 1001 + "]")[0]
    assert data("[" + "x, " * 990 + "]") is not None


@pytest.mark.parametrize("text", ["", "\n", "# only a comment\n", "---\n", "~"])
def test_an_empty_file_holds_nothing(text: str) -> None:
    assert data(text) is None


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"a: 1\nb: \xff", "x:2:4: is not UTF-8 text (byte 0xff here)"),
        ("å: 1\nå".encode() + b"\xc3(", "x:2:2: is not UTF-8"),
        ("﻿a: ".encode() + b"\x80", "x:1:5: is not UTF-8"),
        ("a: 1".encode("utf-16"), "x:1:1: is written in UTF-16"),
        (b"\x7fELF\x02\x01\x00\x00", "x:1:7: is not a text file (it holds a zero byte)"),
        (b"PK\x03\x04\x00\x00", "x:1:5: is not a text file"),
    ],
)
def test_what_is_no_text_is_refused(content: bytes, expected: str) -> None:
    with pytest.raises(ModelError) as caught:
        decode(content, "x")
    assert expected in str(caught.value)


def test_a_byte_order_mark_is_passed_over() -> None:
    assert data(decode("﻿a: 1".encode(), "x")) == {"a": 1}


def test_a_file_too_large_is_refused(tmp_path: Path) -> None:
    large = tmp_path / "large.yaml"
    with large.open("wb") as stream:
        stream.truncate(50_000_000)
    with pytest.raises(ModelError, match="larger than 20 MB"):
        read_bytes(large)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="cannot be read: No such file"):
        read_bytes(tmp_path / "absent.yaml")
    with pytest.raises(ModelError, match="cannot be read: Is a directory; give the file in it"):
        read_bytes(tmp_path)
    (tmp_path / "kelp.yaml").touch()
    with pytest.raises(ModelError, match=r"No such file or directory \(did you mean 'kelp.yaml'\?\)"):
        read_bytes(tmp_path / "kelp.yml")
    with pytest.raises(ModelError, match=r"No such file or directory; there is no folder \S*nowhere$"):
        read_bytes(tmp_path / "nowhere" / "kelp.yaml")
    with pytest.raises(ModelError, match="cannot be read"):
        read_bytes("a\0b")
