"""Which fields may stand where in a plan of outings? One table, which drives the reader and the JSON Schema."""

from __future__ import annotations

from typing import Any

from powerfault.fitting.outing.plan import ACTIONS
from powerfault.model.fields import Field
from powerfault.model.schema import mapping_schema, named_schema

PROOFS = ("meter", "telemetry")


def _table(*fields: Field) -> dict[str, Field]:
    return {field.name: field for field in fields}


PRACTICE = _table(
    Field("earth", "flag", "whether both ends are earthed before hands touch them", default=True),
    Field("cover", "flag", "whether adjacent live parts are covered", default=True),
    Field("see_open", "flag", "whether each open device is seen open (visible break or indication)", default=True),
)
SITE = _table(
    Field("room", "whole", "how many may work there at once", least=1, default=2),
    Field("label", "text", "the name to show"),
)
STEP = _table(
    Field("id", "text", "its own name, unique in the plan", required=True),
    Field("do", "choice", "what is done", choices=tuple(ACTIONS), required=True),
    Field("who", "plain", "who does it: a crew member, a list of them, both or inside", required=True),
    Field("what", "plain", "the component or load it is done to, or a list of them"),
    Field("minutes", "number", "how long it takes", least=0),
    Field("after", "plain", "the steps that have ended before it begins (default: the one before it in the list)"),
    Field("site", "text", "where it is done"),
    Field("to", "text", "where a travel goes"),
    Field("at_min", "number", "a fixed start, in minutes of the outing", least=0),
    Field("by", "choice", "how absence of voltage is proved", choices=PROOFS, default="meter"),
    Field("label", "text", "the words to show"),
    Field("notes", "text", "free text"),
)
JOB = _table(
    Field("label", "text", "the name to show"),
    Field("fits", "plain", "the proposals that it fits, or goes on fitting"),
    Field("priority", "whole", "1 comes first", least=1, default=1),
    Field("after", "plain", "jobs that come before it"),
    Field("steps", "plain", "its steps, in order", required=True),
)
OUTING = _table(
    Field("label", "text", "the name to show"),
    Field("limit_min", "number", "the longest it may last", least=0),
    Field("start_site", "text", "where the crew begins"),
    Field("end_site", "text", "where the crew ends"),
    Field("start_phase", "text", "the phase in which it begins"),
    Field("into_phase_min", "number", "how far into that phase", least=0, default=0),
    Field("jobs", "mapping", "its jobs by name, done one after another", required=True),
)
PLAN = _table(
    Field("outing_plan", "whole", "the version of the plan format: 1", required=True),
    Field("name", "text", "the name of the plan"),
    Field("about", "text", "free text"),
    Field("crew", "words", "the two crew members", required=True),
    Field("sites", "mapping", "the sites by name"),
    Field("travel_min", "mapping", "minutes from site to site, the same both ways"),
    Field("outings", "mapping", "the outings by name", required=True),
    Field("open_points", "whole", "open devices asked on every path (default: the topology's)", least=1, most=9),
    Field("practice", "mapping", "which steps of good practice the site asks for (default: all)"),
)


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a plan of outings as plain data."""
    words = {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}, {"type": "null"}]}
    step = mapping_schema(STEP)
    for name in ("who", "what", "after"):
        step["properties"][name] |= words
    job = mapping_schema(JOB)
    for name in ("fits", "after"):
        job["properties"][name] |= words
    job["properties"]["steps"] |= {"type": "array", "minItems": 1, "items": step}
    outing = mapping_schema(OUTING)
    outing["properties"]["jobs"] |= named_schema(job)
    schema = mapping_schema(PLAN)
    properties = schema["properties"]
    properties["outing_plan"] = {"description": PLAN["outing_plan"].doc, "const": 1}
    properties["outings"] |= named_schema(outing)
    properties["sites"] |= named_schema(mapping_schema(SITE))
    properties["travel_min"] |= named_schema(named_schema({"type": "number", "minimum": 0}))
    properties["practice"] |= mapping_schema(PRACTICE)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "powerfault plan of outings",
        "description": "Who does what, where, for how long and after what. Null equals an absent field.",
        **schema,
    }
