"""Are the fields sound that only some measures use? ``validate --thorough`` asks before those measures are run.

The reader keeps ``ports``, ``open_points``, ``derating``, ``exclusive``, ``common_causes`` and ``switching_success`` as
they stand in the file; each is read by the module that uses it. Here all of these are asked once.
"""

from __future__ import annotations

from collections.abc import Callable

from powerfault.errors import ModelError, Problem
from powerfault.jumper.candidates import read_ports
from powerfault.jumper.open_points import read_rules
from powerfault.measures.derating import read_derating
from powerfault.measures.plant import build_plant
from powerfault.model.elements import Topology
from powerfault.model.likelihood_fields import likelihood_flaws
from powerfault.model.places import problem_at
from powerfault.network.graph import build_network


def later_field_problems(topology: Topology) -> list[Problem]:
    """Return every problem that a later measure would refuse ``topology`` for."""
    problems = [problem_at(topology, flaw.path, flaw.message) for flaw in likelihood_flaws(topology)]
    readers: tuple[Callable[[], object], ...] = (
        lambda: read_ports(topology),
        lambda: read_rules(topology),
        lambda: read_derating(topology),
        lambda: build_plant(build_network(topology)),
    )
    for read in readers:
        try:
            read()
        except ModelError as error:
            problems.extend(error.problems)
    return problems
