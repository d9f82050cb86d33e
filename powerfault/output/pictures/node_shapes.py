"""The outline of a box by kind, as an SVG path, and the strokes drawn inside it.

The outlines follow the one-line diagram's habit of a shape per function; the kind also stands in the box as a word.
"""

from __future__ import annotations

from powerfault.output.pictures.layout import Rect


def _f(*values: float) -> str:
    return ",".join(f"{v:.1f}".removesuffix(".0") for v in values)


def _polygon(*points: tuple[float, float]) -> str:
    return "M" + " L".join(_f(*p) for p in points) + " Z"


def outline(kind: str, r: Rect) -> str:
    """The closed path of the outline of ``kind`` within ``r``."""
    x, y, x2, y2 = r.x, r.y, r.right, r.bottom
    middle, cut = (y + y2) / 2, 7.0
    if kind in ("source", "pump"):
        radius = r.height / 2
        return (f"M{_f(x + radius, y)} L{_f(x2 - radius, y)} A{_f(radius, radius)} 0 0 1 {_f(x2 - radius, y2)} "
                f"L{_f(x + radius, y2)} A{_f(radius, radius)} 0 0 1 {_f(x + radius, y)} Z")  # fmt: skip
    if kind == "storage":
        return _polygon((x, y), (x2 - 4, y), (x2 - 4, middle - 6), (x2, middle - 6), (x2, middle + 6),
                        (x2 - 4, middle + 6), (x2 - 4, y2), (x, y2))  # fmt: skip
    if kind == "converter":
        return _polygon((x + cut, y), (x2, y), (x2, y2 - cut), (x2 - cut, y2), (x, y2), (x, y + cut))
    if kind == "regulator":
        return _polygon((x, y), (x2 - cut, y), (x2, y + cut), (x2, y2), (x + cut, y2), (x, y2 - cut))
    if kind in ("switch", "breaker", "valve"):
        return _polygon((x, middle), (x + cut, y), (x2 - cut, y), (x2, middle), (x2 - cut, y2), (x + cut, y2))
    if kind == "diode":
        return _polygon((x, y), (x2 - cut, y), (x2, middle), (x2 - cut, y2), (x, y2))
    if kind in ("cable", "jumper", "line", "coolant_jumper"):
        return _polygon((x + cut, y), (x2, y), (x2 - cut, y2), (x, y2))
    if kind == "connector":
        return _polygon((x, y), (x2 - cut, y), (x2, middle), (x2 - cut, y2), (x, y2), (x + cut, middle))
    if kind in ("load", "function"):
        k = 7.0
        return (f"M{_f(x + k, y)} L{_f(x2 - k, y)} Q{_f(x2, y)} {_f(x2, y + k)} L{_f(x2, y2 - k)} "
                f"Q{_f(x2, y2)} {_f(x2 - k, y2)} L{_f(x + k, y2)} Q{_f(x, y2)} {_f(x, y2 - k)} L{_f(x, y + k)} "
                f"Q{_f(x, y)} {_f(x + k, y)} Z")  # fmt: skip
    return _polygon((x, y), (x2, y), (x2, y2), (x, y2))


def detail(kind: str, r: Rect) -> str:
    """Open strokes drawn over the outline, or an empty string."""
    x, y, x2, y2 = r.x, r.y, r.right, r.bottom
    if kind == "bus":
        return f"M{_f(x, y + 1.2)} H{_f(x2)} M{_f(x, y2 - 1.2)} H{_f(x2)}"
    if kind == "breaker":
        return f"M{_f(x + 7, y)} V{_f(y2)} M{_f(x2 - 7, y)} V{_f(y2)}"
    if kind == "valve":
        return f"M{_f(x + 7, y)} L{_f(x + 12, y2)} M{_f(x2 - 7, y)} L{_f(x2 - 12, y2)}"
    if kind == "radiator":
        fins = (x + 6, x + 12, x2 - 12, x2 - 6)
        return " ".join(f"M{_f(fin, y)} V{_f(y + 4)} M{_f(fin, y2 - 4)} V{_f(y2)}" for fin in fins)
    if kind in ("line", "coolant_jumper"):
        return f"M{_f(x + 8, y + 2.5)} H{_f(x2 - 2)} M{_f(x + 2, y2 - 2.5)} H{_f(x2 - 8)}"
    if kind == "group":
        return f"M{_f(x + 3, y2 + 2.5)} H{_f(x2 + 2.5)} V{_f(y + 3)}"
    if kind == "fuse":
        return f"M{_f(x + 5, y)} V{_f(y2)} M{_f(x2 - 5, y)} V{_f(y2)}"
    if kind == "diode":
        return f"M{_f(x2, y)} V{_f(y2)}"
    if kind == "function":
        return f"M{_f(x + 3.5, y + 6)} V{_f(y2 - 6)} M{_f(x2 - 3.5, y + 6)} V{_f(y2 - 6)}"
    if kind == "load":
        return f"M{_f(x + 3.5, y + 5)} V{_f(y2 - 5)}"
    return ""
