"""A number with what stands behind it: formula, source and assumption.

A board that signs a size wants to see, beside each number, how it came about. Measures that end in such a number
hand it on as a :class:`Quantity`; the output floor prints it and never has to explain it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Quantity:
    """``value`` in ``unit`` (``None``: it could not be found, and ``assumption`` says why)."""

    name: str
    value: float | None
    unit: str
    formula: str
    source: str = ""
    assumption: str = ""

    def to_json(self) -> dict[str, Any]:
        return {
            "name": self.name, "value": self.value, "unit": self.unit, "formula": self.formula,
            "source": self.source, "assumption": self.assumption,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Finding:
    """Something the reader must see: ``grave`` is ``unmet`` (fails), ``unknown`` (cannot be told) or ``note``."""

    grave: str
    id: str
    text: str

    def to_json(self) -> dict[str, Any]:
        return {"grave": self.grave, "id": self.id, "text": self.text}


UNMET, UNKNOWN, NOTE = "unmet", "unknown", "note"
