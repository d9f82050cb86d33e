"""powerfault: which loads lose power under every failure, before and after a jumper is fitted.

Every command of the command line is a function here, with the same options and the same JSON (``api``)::

    import powerfault as pf

    hut = pf.load("hut.yaml")
    change = pf.compare(hut, with_="J-1")
    change.frame
    pf.explain(hut, fail="CV-N", load="PUMP", with_="J-1")
    pf.draw(hut, with_="J-1", fail="CV-N", side="both")
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from powerfault.api import (
        Result,
        capacity,
        compare,
        draw,
        endurance,
        explain,
        faults,
        isolate,
        likelihood,
        outing,
        protection,
        rank,
        report,
        restore,
        size,
        voltages,
        worksheet,
    )  # fmt: skip
    from powerfault.errors import ModelError, OutputError, PowerfaultError, RequestError, TooLargeError, ToolError
    from powerfault.model.elements import Event, Topology
    from powerfault.model.modify import apply_proposals as apply
    from powerfault.model.reader import load_topology as load
    from powerfault.model.reader import read_topology_text
    from powerfault.reliability.study import Settings as LikelihoodSettings
    from powerfault.tolerance.comparison.study import Comparison
    from powerfault.tolerance.study import Study

__version__ = "0.1.0"
_COMMANDS = (
    "Result", "capacity", "compare", "draw", "endurance", "explain", "faults", "isolate", "likelihood", "outing",
    "protection", "rank", "report", "restore", "sequence", "size", "to_networkx", "voltages", "worksheet",
)  # fmt: skip
_ERRORS = ("ModelError", "OutputError", "PowerfaultError", "RequestError", "TooLargeError", "ToolError")
_WHERE = {
    **dict.fromkeys(_COMMANDS, "api"),
    **dict.fromkeys(_ERRORS, "errors"),
    "Event": "model.elements",
    "Topology": "model.elements",
    "apply": "model.modify:apply_proposals",
    "load": "model.reader:load_topology",
    "read_topology_text": "model.reader",
    "LikelihoodSettings": "reliability.study:Settings",
    "Comparison": "tolerance.comparison.study",
    "Study": "tolerance.study",
}
__all__ = [
    "Comparison", "Event", "LikelihoodSettings", "ModelError", "OutputError", "PowerfaultError", "RequestError",
    "Result", "Study", "TooLargeError", "ToolError", "Topology", "__version__", "apply", "capacity", "compare", "draw",
    "endurance", "explain", "faults", "isolate", "likelihood", "load", "outing", "protection", "rank",
    "read_topology_text", "report", "restore", "sequence", "size", "to_networkx",
    "voltages", "worksheet",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    """Import a public name when it is first asked for, so that the command line starts without NumPy."""
    if name not in _WHERE:
        raise AttributeError(f"module 'powerfault' has no attribute {name!r}")
    place, _, attribute = _WHERE[name].partition(":")
    found = getattr(importlib.import_module(f"powerfault.{place}"), attribute or name)
    globals()[name] = found
    return found
