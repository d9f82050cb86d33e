"""What does a saved result look like, and is this one whole? Its JSON Schema, its digest, and what must agree in it.

The digest is of the content and not of the text: of the object without ``digest``, its keys sorted, without spaces. It
tells a result that was cut or edited; it is no signature, and proves nothing of who made it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from typing import Any

from powerfault.errors import RequestError
from powerfault.failures.cases import count_cases
from powerfault.model.elements import MODES, OUTCOMES, SEVERITIES, STAGES, Event
from powerfault.model.places import describe, shorten

_TEXT: dict[str, Any] = {"type": "string"}
_TEXTS = {"type": "array", "items": _TEXT}
_OUTCOMES = {"type": "object", "additionalProperties": {"enum": list(OUTCOMES)}}
_COUNT = {"type": "integer", "minimum": 0}
_CONSUMER = {
    "type": "object",
    "required": ["id", "type", "severity", "must_tolerate", "rides_through", "tolerates", "lower_bound", "meets",
                 "minimal_cut_sets"],
    "properties": {
        "id": _TEXT,
        "type": {"enum": ["load", "function"]},
        "severity": {"enum": [*SEVERITIES, None]},
        "must_tolerate": {"type": ["integer", "null"], "minimum": 0},
        "rides_through": {"enum": list(STAGES)},
        "tolerates": {"type": "integer", "minimum": -1},
        "lower_bound": {"type": "boolean"},
        "meets": {"type": ["boolean", "null"]},
        "minimal_cut_sets": {"type": "array", "items": _TEXTS},
    },
}  # fmt: skip
_CASE = {
    "type": "object",
    "required": ["failed", "outcomes"],
    "properties": {
        "failed": _TEXTS,
        "outcomes": _OUTCOMES,
        "by_phase": {"type": "object", "additionalProperties": _OUTCOMES},
        "when_flat": _OUTCOMES,
    },
}
RESULTS: dict[str, Any] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "powerfault results",
    "description": "What 'powerfault faults --json' prints: verdicts, minimal cut sets and every case that matters.",
    "type": "object",
    "required": ["format", "topology", "sha256", "order", "modes", "with", "standing", "events", "case_count",
                 "nothing_failed", "consumers", "digest"],
    "properties": {
        "format": {"const": 1},
        "topology": _TEXT,
        "sha256": {"type": "string", "pattern": "^([0-9a-f]{64})?$"},
        "order": {"type": "integer", "minimum": 1},
        "modes": {"type": "array", "items": {"enum": list(MODES)}},
        "with": _TEXTS,
        "standing": _TEXTS,
        "events": _TEXTS,
        "case_count": _COUNT,
        "notes": _TEXTS,
        "nothing_failed": _OUTCOMES,
        "consumers": {"type": "array", "items": _CONSUMER},
        "cases": {"type": "array", "items": _CASE},
        "digest": {"type": "string", "pattern": "^sha256:[0-9a-f]{64}$",
                   "description": "of the object without it, as JSON with sorted keys and without spaces, in UTF-8"},
    },
}  # fmt: skip
"""The JSON Schema of a result; what it does not name may stand there too."""
_TYPES: dict[str, type | tuple[type, ...]] = {
    "object": dict, "array": list, "string": str, "boolean": bool, "integer": int, "null": type(None),
}  # fmt: skip


def digest(result: Mapping[str, Any]) -> str:
    """The digest of a result, by its content without ``digest``."""
    content = {key: value for key, value in result.items() if key != "digest"}
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return f"sha256:{hashlib.sha256(text.encode('utf-8')).hexdigest()}"


def check_result(path: str, data: Any) -> None:
    """Raise :class:`RequestError` for the first thing that is wrong with a saved result read from ``path``."""
    wrong = next(_schema_flaws(data, RESULTS, ""), None)
    if wrong is None and digest(data) != data["digest"]:
        wrong = "its content does not fit its digest: it was cut or changed after it was saved"
    if wrong is None:
        wrong = next(_disagreements(data), None)
    if wrong is not None:
        raise RequestError(f"{path}: {wrong}; save it again with 'powerfault faults FILE --json'")


def _schema_flaws(value: Any, schema: Mapping[str, Any], where: str) -> Iterator[str]:
    """What breaks ``schema``, of which the words used in :data:`RESULTS` alone are understood."""
    place = where or "the result"
    if "const" in schema and value != schema["const"]:
        yield f"{place}: expected {schema['const']}, found {describe(value)}"
    if "enum" in schema and not any(value is x or (isinstance(value, str) and value == x) for x in schema["enum"]):
        yield f"{place}: expected one of {', '.join(map(str, schema['enum']))}, found {describe(value)}"
        return
    if "type" in schema:
        names = schema["type"] if isinstance(schema["type"], list) else [schema["type"]]
        good = any(isinstance(value, _TYPES[n]) and (n != "integer" or not isinstance(value, bool)) for n in names)
        if not good:
            yield f"{place}: expected {' or '.join(names)}, found {describe(value)}"
            return
    if "minimum" in schema and isinstance(value, int) and value < schema["minimum"]:
        yield f"{place}: expected at least {schema['minimum']}, found {value}"
    if "pattern" in schema:
        import re

        if not re.search(schema["pattern"], value):
            yield f"{place}: expected text of the form {schema['pattern']}, found {describe(value)}"
    if isinstance(value, dict):
        for name in schema.get("required", ()):
            if name not in value:
                yield f"{place}: {name} is missing"
        inner = schema.get("properties", {})
        for name, item in value.items():
            rule = inner.get(name, schema.get("additionalProperties"))
            if isinstance(rule, dict):
                yield from _schema_flaws(item, rule, f"{where}.{shorten(name)}" if where else shorten(name))
    elif isinstance(value, list) and "items" in schema:
        for number, item in enumerate(value):
            yield from _schema_flaws(item, schema["items"], f"{where}[{number}]")


def _disagreements(data: Mapping[str, Any]) -> Iterator[str]:
    """What cannot be so: counts against events, cases of unknown events, verdicts against their cut sets."""
    events, order = data["events"], data["order"]
    known, consumers = set(events), [c["id"] for c in data["consumers"]]
    if len(known) != len(events):
        yield "an event is listed twice"
    if len(set(consumers)) != len(consumers):
        yield "a load or function is listed twice"
    made = [Event(*(e.partition(":")[::2] if ":" in e else (e,))) for e in events]
    if (count := sum(count_cases(made, min(order, len(events)))[1:])) != data["case_count"]:
        yield f"case_count is {data['case_count']:,}, but its events make {count:,} cases of up to {order}"
    names = set(consumers)
    if not names.issuperset(data["nothing_failed"]):
        yield "nothing_failed names what is no load or function of it"
    seen = set()
    for case in data.get("cases", ()):
        failed = frozenset(case["failed"])
        if not known.issuperset(failed) or not 1 <= len(failed) == len(case["failed"]) <= order:
            yield f"a case is of other events than those listed, or of too many: {shorten(' + '.join(case['failed']))}"
        if failed in seen:
            yield f"a case stands there twice: {shorten(' + '.join(case['failed']))}"
        seen.add(failed)
        if not names.issuperset(case["outcomes"]):
            yield f"the case {shorten(' + '.join(case['failed']))} names what is no load or function of it"
    stage = {outcome: number for number, outcome in enumerate(OUTCOMES)}
    outcomes = {frozenset(case["failed"]): case["outcomes"] for case in data.get("cases", ())}
    outcomes[frozenset()] = data["nothing_failed"]
    for c in data["consumers"]:
        sizes = [len(cut) for cut in c["minimal_cut_sets"]]
        expected = min(sizes) - 1 if sizes else order
        if c["tolerates"] != expected or c["lower_bound"] is bool(sizes):
            yield f"{shorten(c['id'])}: tolerates {c['tolerates']} does not fit its minimal cut sets"
        for cut in c["minimal_cut_sets"] if "cases" in data else ():
            found = outcomes.get(frozenset(cut), {}).get(c["id"], OUTCOMES[0])
            if stage[found] <= stage[c["rides_through"]]:
                yield f"{shorten(c['id'])}: its minimal cut set {shorten(' + '.join(cut))} is no case in which it fails"
