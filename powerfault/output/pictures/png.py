"""A drawing as PNG: our own SVG through a Chromium, else the plainer picture that the layout program paints."""

from __future__ import annotations

from powerfault.errors import ToolError
from powerfault.output.pictures.browser import find_browser, svg_to_png
from powerfault.output.pictures.diagrams import Drawing
from powerfault.output.pictures.dot_program import run_dot
from powerfault.output.pictures.svg_parts import size_of

_PLAIN_NOTE = (
    "note: no usable Chromium, so the PNG shows the plain picture of the layout program (no marks, no legend); "
    "install Chromium, or write .svg for the full drawing"
)


def png_of(drawing: Drawing, plain_dot: str) -> tuple[bytes, str]:
    """PNG bytes of ``drawing``, and a note for the user where ``plain_dot`` had to be painted instead."""
    if find_browser() is not None:
        width, height = size_of(drawing.svg)
        try:
            return svg_to_png(drawing.svg, width, height), ""
        except ToolError as error:
            return run_dot(plain_dot, "png"), f"{_PLAIN_NOTE} ({error})"
    return run_dot(plain_dot, "png"), _PLAIN_NOTE
