"""Are the fields sound that only some measures use? ``validate`` asks before those measures are run.

The reader keeps ``ports``, ``open_points``, ``derating``, ``exclusive``, ``common_causes`` and ``switching_success`` as
they stand in the file; each is read by a module of its own, which is loaded only for a file that has the field.
"""

from __future__ import annotations

from powerfault.errors import ModelError, Problem
from powerfault.model.elements import Topology
from powerfault.model.places import Flaw, problem_at


def later_field_problems(topology: Topology) -> list[Problem]:
    """Return what is wrong with the fields kept for later, as the commands that use them would say it."""
    later = topology.later
    problems: list[Problem] = []
    if "common_causes" in later or "switching_success" in later:
        from powerfault.model.likelihood_fields import shared_flaws

        problems.extend(_problem(topology, flaw) for flaw in shared_flaws(topology))
    for field in ("ports", "open_points", "derating", "exclusive"):
        if field in later:
            try:
                _read(topology, field)
            except ModelError as error:
                problems.extend(error.problems)
    return problems


def _read(topology: Topology, field: str) -> None:
    if field == "ports":
        from powerfault.model.ports import read_ports

        read_ports(topology)
    elif field == "open_points":
        from powerfault.model.open_point_rules import read_rules

        read_rules(topology)
    elif field == "derating":
        from powerfault.electrical.currents.derating import read_derating

        read_derating(topology)
    else:
        from powerfault.model.exclusive import exclusive_groups

        exclusive_groups(topology)


def number_problems(topology: Topology) -> list[Problem]:
    """Return what likelihoods and ratings would refuse: rates out of proportion, durations and voltages that lack."""
    from powerfault.electrical.served.plant import build_plant
    from powerfault.model.likelihood_fields import rate_flaws
    from powerfault.network.graph import build_network

    problems = [
        _problem(topology, flaw) for component in topology.components.values() for flaw in rate_flaws(component)
    ]
    try:
        build_plant(build_network(topology))
    except ModelError as error:
        problems.extend(error.problems)
    return problems


def _problem(topology: Topology, flaw: Flaw) -> Problem:
    return problem_at(topology, flaw.path, flaw.message)
