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
    from powerfault.electrical.sizing.study import study_size as size
    from powerfault.electrical.voltages import study_voltages as voltages
    from powerfault.errors import ModelError, OutputError, PowerfaultError, RequestError, TooLargeError, ToolError
    from powerfault.likelihood.change import compare_likelihoods as likelihood
    from powerfault.likelihood.study import Settings as LikelihoodSettings
    from powerfault.model.elements import Event, Topology
    from powerfault.model.modify import apply_proposals as apply
    from powerfault.model.reader import load_topology as load
    from powerfault.model.reader import read_topology_text
    from powerfault.output.pictures.case_pictures import draw
    from powerfault.tolerance.comparison.study import Comparison, compare
    from powerfault.tolerance.study import Study
    from powerfault.tolerance.study import study as faults

__version__ = "0.1.0"
_WHERE = {
    "ModelError": "errors",
    "OutputError": "errors",
    "PowerfaultError": "errors",
    "RequestError": "errors",
    "TooLargeError": "errors",
    "ToolError": "errors",
    "Event": "model.elements",
    "LikelihoodSettings": "likelihood.study:Settings",
    "likelihood": "likelihood.change:compare_likelihoods",
    "Topology": "model.elements",
    "apply": "model.modify:apply_proposals",
    "load": "model.reader:load_topology",
    "read_topology_text": "model.reader",
    "Comparison": "tolerance.comparison.study",
    "Study": "tolerance.study",
    "compare": "tolerance.comparison.study",
    "draw": "output.pictures.case_pictures",
    "faults": "tolerance.study:study",
    "size": "electrical.sizing.study:study_size",
    "voltages": "electrical.voltages:study_voltages",
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
