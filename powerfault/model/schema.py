"""The topology format as a JSON Schema (draft 2020-12), for editors that complete and check while one types.

Made from the table of fields, so that it cannot differ from what the reader takes. A schema cannot say everything:
that an id exists, that voltages agree or that minutes rise is found by ``powerfault validate`` alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from powerfault.model.elements import MODES, OUTCOMES
from powerfault.model.fields import (
    ADD,
    CHANNEL,
    COMPONENT,
    DEFAULTS,
    EXPECT,
    FUNCTION,
    GAUGE_NAMES,
    LOAD,
    NEED,
    PHASE,
    PROPOSAL,
    REMOVE,
    SMALLEST,
    STAGE_MINUTES,
    STANDING,
    TOP,
    Field,
)
from powerfault.model.places import MAX_ID_LENGTH

_ID = "[A-Za-z][A-Za-z0-9_.-]*"
_NULL = {"type": "null"}
_USE = {
    "type": "object",
    "properties": {
        "pattern": {"description": "the name of the pattern", "type": "string"},
        "as": {"description": "the name of each copy, such as '{ch}'", "type": ["string", "null"]},
        "with": {"description": "the parameters of each copy", "type": "array", "items": {"type": "object"},
                 "minItems": 1},
    },
    "required": ["pattern", "with"],
    "additionalProperties": False,
}  # fmt: skip
_IDS = {"pattern": f"^{_ID}$", "maxLength": MAX_ID_LENGTH}


def topology_schema() -> dict[str, Any]:
    """Return the schema of a topology file as plain data."""
    schema = _mapping(TOP)
    properties = schema["properties"]
    properties["powerfault"]["const"] = 1
    del properties["powerfault"]["type"]
    for name, table in (("defaults", DEFAULTS), ("stage_minutes", STAGE_MINUTES), ("standing", STANDING)):
        properties[name] |= _or_null(_mapping(table))
    for name, table in (("phases", PHASE), ("channels", CHANNEL)):
        properties[name] |= _or_null(_by_name(_or_null(_mapping(table))))
    for name in ("components", "loads", "functions"):
        properties[name] |= _or_null(_by_id({"$ref": f"#/$defs/{name[:-1]}"}))
    properties["proposals"] |= _or_null(_by_id(_or_null(_proposal())))
    expect = _mapping(EXPECT)
    expect["properties"]["outcomes"] |= {"type": "object", "additionalProperties": {"enum": [*OUTCOMES, None]}}
    properties["include"] |= {"type": ["array", "null"], "items": {"type": "string"}}
    properties["patterns"] |= _or_null(_by_name({"type": "object", "required": ["parameters"]}))
    properties["use"] |= {"type": ["array", "null"], "items": _USE}
    properties["expect"] |= {"type": ["array", "null"], "items": expect}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "powerfault topology",
        "description": "One power system and the changes proposed to it. Null equals an absent field everywhere.",
        **schema,
        "$defs": {
            "component": _component(),
            "load": _mapping(LOAD),
            "function": _mapping(FUNCTION),
            "event": {"type": "string", "pattern": rf"^\s*{_ID}\s*(:\s*({'|'.join(MODES)})\s*)?$"},
            "feed": {"type": "string", "pattern": rf"^\s*{_ID}(\s*<?->\s*{_ID})+\s*$"},
            "need": {"anyOf": [{"type": "string", **_IDS}, _mapping(NEED)]},
        },
    }


def _component(required: bool = True) -> dict[str, Any]:
    """A component; a field that only some kinds take must be absent or null for the others."""
    schema = _mapping(COMPONENT, required)
    by_kinds: dict[tuple[str, ...], list[str]] = {}
    for field in COMPONENT.values():
        if field.kinds:
            by_kinds.setdefault(field.kinds, []).append(field.name)
    if required:
        schema["allOf"] = [
            {
                "if": {"properties": {"kind": {"enum": list(kinds)}}, "required": ["kind"]},
                "else": {"properties": dict.fromkeys(names, _NULL)},
            }
            for kinds, names in by_kinds.items()
        ]
    return schema


def _proposal() -> dict[str, Any]:
    schema = _mapping(PROPOSAL)
    add = _mapping(ADD)
    for name in ("components", "loads", "functions"):
        add["properties"][name] |= _or_null(_by_id({"$ref": f"#/$defs/{name[:-1]}"}))
    replaced = {"anyOf": [_component(required=False), _mapping(LOAD, False), _mapping(FUNCTION, False), _NULL]}
    schema["properties"]["add"] |= _or_null(add)
    schema["properties"]["remove"] |= _or_null(_mapping(REMOVE))
    schema["properties"]["set"] |= _or_null(_by_id(replaced))
    return schema


def _or_null(schema: dict[str, Any]) -> dict[str, Any]:
    if schema.get("type") == "object":
        return {**schema, "type": ["object", "null"]}
    return {"anyOf": [schema, _NULL]}


def _by_id(item: dict[str, Any]) -> dict[str, Any]:
    return {"type": "object", "propertyNames": _IDS, "additionalProperties": item}


def _by_name(item: dict[str, Any]) -> dict[str, Any]:
    return {"type": "object", "propertyNames": {"minLength": 1, "maxLength": 200}, "additionalProperties": item}


def _mapping(table: Mapping[str, Field], required: bool = True) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "type": "object",
        "properties": {field.name: _field(field) for field in table.values()},
        "additionalProperties": False,
    }
    names = [field.name for field in table.values() if field.required]
    if required and names:
        schema["required"] = names
    return schema


def mapping_schema(table: Mapping[str, Field]) -> dict[str, Any]:
    """The schema of a mapping whose fields are those of ``table``."""
    return _mapping(table)


def named_schema(item: dict[str, Any]) -> dict[str, Any]:
    """The schema of a mapping from names to ``item``."""
    return _by_name(item)


def _field(field: Field) -> dict[str, Any]:
    schema = {"description": field.doc, **_type(field)}
    if field.default is not None:
        schema["default"] = field.default
    return schema


def _type(field: Field) -> dict[str, Any]:
    """The schema of a field's values; null is one of them unless the field is required."""
    null = [] if field.required else ["null"]
    number: dict[str, Any] = {"type": ["integer" if field.type == "whole" else "number", *null]}
    for bound, word in ((field.least, "minimum"), (field.above, "exclusiveMinimum"), (field.most, "maximum")):
        if bound is not None:
            number[word] = bound
    if field.type == "whole":
        number.setdefault("maximum", 1_000_000)
    else:
        number["not"] = {"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": SMALLEST}
    if field.type in ("whole", "number"):
        return number
    if field.type in ("per_phase", "per_mode"):
        each: dict[str, Any] = {"type": "object", "additionalProperties": {**number, "type": ["number", "null"]}}
        if field.type == "per_mode":
            each["propertyNames"] = {"enum": list(MODES)}
        return {"anyOf": [number, each]}
    if field.type == "choice":
        return {"enum": [*field.choices, *([] if field.required else [None])]}
    if field.type == "gauge":
        return {"anyOf": [{"type": "integer", "minimum": 0, "maximum": 40}, {"enum": [*GAUGE_NAMES, None]}]}
    if field.type in ("text", "id"):
        return {"type": ["string", *null]}
    if field.type == "flag":
        return {"type": ["boolean", *null]}
    items: dict[str, Any] = {
        "ids": {"type": "string", **_IDS},
        "words": {"enum": list(field.choices)} if field.choices else {"type": "string"},
        "needs": {"$ref": "#/$defs/need"},
        "events": {"$ref": "#/$defs/event"},
        "feeds": {"$ref": "#/$defs/feed"},
    }.get(field.type, {})
    if items:
        least = ({"minItems": 1} if field.at_least_one else {}) | ({"uniqueItems": True} if field.once else {})
        return {"type": ["array", *null], "items": items, **least}
    return {"type": ["object", *null]} if field.type == "mapping" else {}
