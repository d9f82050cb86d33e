"""The scripts of the page, joined from their parts: the evaluator, and one closure around everything else."""

from __future__ import annotations

from importlib import resources

ENGINE = "engine.js"
PARTS = (
    "parts.js", "drawings.js", "states.js", "explorer.js", "matrix.js", "cases.js", "tables.js",
    "page.js",
)  # fmt: skip


def page_engine() -> str:
    """The evaluator, which defines ``PowerfaultEngine``."""
    return _read(ENGINE)


def page_script() -> str:
    """All other parts in one closure, so that nothing of theirs is global but what they hand out."""
    return "(() => {\n" + '"use strict";\n' + "".join(_read(part) for part in PARTS) + "})();\n"


def _read(name: str) -> str:
    return resources.files("powerfault.output.page").joinpath(name).read_text("utf-8")
