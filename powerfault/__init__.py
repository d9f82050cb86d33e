"""powerfault: which loads lose power under every failure, before and after a jumper is fitted.

::

    import powerfault as pf

    topology = pf.load("outpost.yaml")
    found = pf.faults(topology, order=2)
    change = pf.compare(topology, ["J-OUT"])
    change.changes_frame
    chances = pf.likelihood(topology, pf.apply(topology, ["J-OUT"]))
    pf.draw(topology, change.after.topology, ["BUS-A"], side="both")
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from powerfault.before_after import Comparison, compare
    from powerfault.errors import ModelError, OutputError, PowerfaultError, RequestError, TooLargeError, ToolError
    from powerfault.jumper.likelihood_change import compare_likelihoods as likelihood
    from powerfault.measures.likelihood import Settings as LikelihoodSettings
    from powerfault.measures.size_study import study_size as size
    from powerfault.measures.voltage_study import study_voltages as voltages
    from powerfault.model.elements import Event, Topology
    from powerfault.model.modify import apply_proposals as apply
    from powerfault.model.reader import load_topology as load
    from powerfault.model.reader import read_topology_text
    from powerfault.output.case_pictures import draw
    from powerfault.study import Study
    from powerfault.study import study as faults

__version__ = "0.1.0"
_WHERE = {
    "ModelError": "errors",
    "OutputError": "errors",
    "PowerfaultError": "errors",
    "RequestError": "errors",
    "TooLargeError": "errors",
    "ToolError": "errors",
    "Event": "model.elements",
    "LikelihoodSettings": "measures.likelihood:Settings",
    "likelihood": "jumper.likelihood_change:compare_likelihoods",
    "Topology": "model.elements",
    "apply": "model.modify:apply_proposals",
    "load": "model.reader:load_topology",
    "read_topology_text": "model.reader",
    "Comparison": "before_after",
    "Study": "study",
    "compare": "before_after",
    "draw": "output.case_pictures",
    "faults": "study:study",
    "size": "measures.size_study:study_size",
    "voltages": "measures.voltage_study:study_voltages",
}
__all__ = [
    "Comparison", "Event", "LikelihoodSettings", "ModelError", "OutputError", "PowerfaultError", "RequestError",
    "Study", "TooLargeError", "ToolError", "Topology", "__version__", "apply", "compare", "draw", "faults",
    "likelihood", "load", "read_topology_text", "size", "voltages",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    """Import a public name when it is first asked for, so that the command line starts without NumPy."""
    if name not in _WHERE:
        raise AttributeError(f"module 'powerfault' has no attribute {name!r}")
    place, _, attribute = _WHERE[name].partition(":")
    found = getattr(importlib.import_module(f"powerfault.{place}"), attribute or name)
    globals()[name] = found
    return found
