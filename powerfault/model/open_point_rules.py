"""How many open points does an isolation ask for? The rules under ``open_points``.

A whole number, or a mapping of ``points``, ``converters_block`` (an isolated converter stops what comes from its
output) and ``load_inputs`` (``block`` or ``conduct``: whether a load with isolated inputs joins its feeds). The default
of two open points is a convention, not a law.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from powerfault.errors import ModelError, RequestError, nearest
from powerfault.model.elements import Topology
from powerfault.model.places import problem_at

DEFAULT_POINTS = 2
MAX_POINTS = 9
_FIELDS = ("points", "converters_block", "load_inputs")


@dataclass(frozen=True, slots=True)
class OpenPointRules:
    """What the file (or the caller) asks of an isolation."""

    points: int = DEFAULT_POINTS
    converters_block: bool = True
    load_inputs_block: bool = True


def read_rules(topology: Topology, points: int | None = None) -> OpenPointRules:
    """Return the rules in ``open_points`` of the file: a whole number, or a mapping of the three fields.

    ``points`` overrides the count. Raises :class:`ModelError` at the field, :class:`RequestError` for ``points``.
    """
    if points is not None and not 1 <= points <= MAX_POINTS:
        raise RequestError(f"open points must be from 1 to {MAX_POINTS}, found {points}")
    given = topology.later.get("open_points")
    if given is None:
        return OpenPointRules(points or DEFAULT_POINTS)

    def refuse(path: str, message: str) -> ModelError:
        return ModelError([problem_at(topology, path, message)])

    def whole(path: str, value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= MAX_POINTS:
            raise refuse(path, f"must be a whole number from 1 to {MAX_POINTS}, found {value!r}")
        return value

    if not isinstance(given, Mapping):
        return OpenPointRules(points or whole("open_points", given))
    for name in given:
        if name not in _FIELDS:
            known = ", ".join(_FIELDS)
            raise refuse(f"open_points.{name}", f"unknown field{nearest(str(name), _FIELDS)}; expected some of {known}")
    count = whole("open_points.points", given.get("points", DEFAULT_POINTS))
    block = given.get("converters_block", True)
    if not isinstance(block, bool):
        raise refuse("open_points.converters_block", f"must be true or false, found {block!r}")
    inputs = given.get("load_inputs", "block")
    if inputs not in ("block", "conduct"):
        raise refuse("open_points.load_inputs", f"must be block or conduct, found {inputs!r}")
    return OpenPointRules(points or count, block, inputs == "block")
