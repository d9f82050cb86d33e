"""How is plain data written as YAML that reads back the same? A line an element, with an optional comment to each."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from powerfault.model.yaml_lines import ZeroPadded, parse_yaml

_PLAIN = re.compile(r"[A-Za-z](?:[\w./()+-]| (?=[\w(<-])|(?<= )<?->)*\Z", re.ASCII)
_BOOLEANS = {"y", "n", "yes", "no", "on", "off", "true", "false", "null"}
_BLOCK_DEPTH = 1  # sections and their elements stand in lines of their own
_DEEPER = {"proposals": 3, "patterns": 3}


def yaml_text(data: Mapping[str, Any], comments: Mapping[str, str] | None = None) -> str:
    """``data`` as YAML text, an element of a section a line; ``comments`` are added to the lines of their paths.

    Raises :class:`AssertionError` where the text would not read back as ``data``: a defect of this module.

    >>> print(yaml_text({"components": {"A": {"kind": "bus", "label": "a: b"}}}, {"components.A": "row 2"}), end="")
    components:
      A: {kind: bus, label: "a: b"}  # row 2
    """
    lines: list[str] = []
    for key, value in data.items():
        _write(key, value, "", key, _DEEPER.get(key, _BLOCK_DEPTH), comments or {}, lines)
    text = "".join(f"{line}\n" for line in lines)
    assert parse_yaml(text, "<text>").data == data
    return text


def _write(
    label: str, value: Any, indent: str, path: str, depth: int, comments: Mapping[str, str], lines: list[str]
) -> None:
    head = f"{indent}{_scalar(label)}:"
    if depth and isinstance(value, Mapping) and value:
        lines.append(head + _comment(comments.get(path)))
        for key, item in value.items():
            _write(key, item, indent + "  ", f"{path}.{key}", depth - 1, comments, lines)
    elif depth and isinstance(value, (list, tuple)) and value:
        lines.append(head + _comment(comments.get(path)))
        for number, item in enumerate(value):
            lines.append(f"{indent}  - {_flow(item)}{_comment(comments.get(f'{path}[{number}]'))}")
    else:
        lines.append(f"{head} {_flow(value)}{_comment(comments.get(path))}")


def _comment(text: str | None) -> str:
    return f"  # {' '.join(text.split())}" if text else ""


def _flow(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_scalar(key)}: {_flow(item)}" for key, item in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_flow, value)) + "]"
    return _scalar(value)


def _scalar(value: Any) -> str:
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, ZeroPadded):
        return value.text
    if isinstance(value, float):
        # A float that is whole is written as one; the reader takes both for the same number.
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, int):
        return str(value)
    if _PLAIN.match(value) and value.lower() not in _BOOLEANS:
        return str(value)
    return json.dumps(value, ensure_ascii=False)
