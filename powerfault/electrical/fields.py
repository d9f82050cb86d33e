"""Is the file sound for every command that reads it? All checks of the file that are made beyond the reader's own.

A command that needs a field reads it itself and refuses it in the same words. ``validate`` runs every check here on the
file and on the file with each of its proposals, so that it passes nothing that another command refuses. Modules are
loaded only for a file that has what they read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from powerfault.errors import ModelError, Problem
from powerfault.model.elements import Topology
from powerfault.model.places import Flaw, problem_at

Check = Callable[[Topology], object]
"""Reads what a command needs; raises :class:`ModelError` with what is wrong, or returns flaws."""


def _ports(topology: Topology) -> object:
    from powerfault.model.ports import read_ports

    return read_ports(topology)


def _open_points(topology: Topology) -> object:
    from powerfault.model.open_point_rules import read_rules

    return read_rules(topology)


def _derating(topology: Topology) -> object:
    from powerfault.electrical.currents.derating import read_derating

    return read_derating(topology)


def _exclusive(topology: Topology) -> object:
    from powerfault.model.exclusive import exclusive_groups

    return exclusive_groups(topology)


def _shared(topology: Topology) -> list[Flaw]:
    from powerfault.model.likelihood_fields import shared_flaws

    return list(shared_flaws(topology))


def _rates(topology: Topology) -> list[Flaw]:
    from powerfault.model.likelihood_fields import rate_flaws

    return [flaw for component in topology.components.values() for flaw in rate_flaws(component)]


def _ratings(topology: Topology) -> object:
    from powerfault.electrical.served.plant import build_plant
    from powerfault.network.graph import build_network

    return build_plant(build_network(topology))


FIELD_CHECKS: dict[tuple[str, ...], Check] = {
    ("common_causes", "switching_success"): _shared,
    ("ports",): _ports,
    ("open_points",): _open_points,
    ("derating",): _derating,
    ("exclusive",): _exclusive,
}
"""By the optional top-level fields that a check reads: it runs where the file has one of them."""
NUMBER_CHECKS: tuple[Check, ...] = (_rates, _ratings)
"""Checks of what likelihoods and ratings need: slower, and only asked for with ``validate --thorough``."""


def field_problems(topologies: Iterable[Topology], *, thorough: bool = False) -> list[Problem]:
    """Return what the commands would refuse of a file and of the file with its proposals, each problem once."""
    found: dict[Problem, None] = {}
    for topology in topologies:
        checks = [check for fields, check in FIELD_CHECKS.items() if any(f in topology.later for f in fields)]
        for check in (*checks, *(NUMBER_CHECKS if thorough else ())):
            found.update(dict.fromkeys(_problems(topology, check)))
    return list(found)


def _problems(topology: Topology, check: Check) -> list[Problem]:
    try:
        result: Any = check(topology)
    except ModelError as error:
        return list(error.problems)
    flaws = result if isinstance(result, list) else []
    return [problem_at(topology, flaw.path, flaw.message) for flaw in flaws if isinstance(flaw, Flaw)]
