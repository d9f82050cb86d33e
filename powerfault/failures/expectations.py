"""Do the author's own checks hold? Runs the ``expect`` entries of a topology and reports where the outcome differs.

Expectations with the same proposals share one network and are evaluated together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from powerfault.errors import ModelError, Problem
from powerfault.failures.case_state import failed_rows
from powerfault.failures.energise import energise
from powerfault.failures.lanes import WholeNumberLanes
from powerfault.failures.plan import make_plan
from powerfault.model.elements import OUTCOMES, Event, Expectation, Topology
from powerfault.model.events import event_fault
from powerfault.model.modify import apply_proposals
from powerfault.model.places import Suggestions, problem_at, shorten
from powerfault.network.graph import build_network


def unmet_expectations(
    topology: Topology, applied: Mapping[tuple[str, ...], Topology] | None = None
) -> tuple[int, list[Problem]]:
    """Return how many expectations hold, and a problem at the line of everything that differs.

    ``topology`` is as read from the file, without proposals applied; ``applied`` may hold topologies to which
    proposals were applied already.
    """
    groups: dict[tuple[str, ...], list[tuple[int, Expectation]]] = {}
    for number, expectation in enumerate(topology.expect):
        groups.setdefault(expectation.proposals, []).append((number, expectation))
    problems: list[Problem] = []
    held = 0
    for proposals, members in groups.items():
        try:
            changed = (applied or {}).get(proposals) or apply_proposals(topology, proposals)
        except ModelError as error:
            problems.extend(error.problems)
            continue
        met, unmet = _check_group(topology, changed, members)
        held += met
        problems.extend(unmet)
    return held, problems


def _check_group(
    topology: Topology, changed: Topology, members: Sequence[tuple[int, Expectation]]
) -> tuple[int, list[Problem]]:
    suggest = Suggestions()
    problems: list[Problem] = []
    sound: list[tuple[int, Expectation]] = []
    for number, expectation in members:
        faults = []
        for place, event in enumerate(expectation.failed):
            fault = event_fault(changed, event, suggest)
            if fault is None and any(event.id == other.id and event != other for other in changed.standing):
                fault = f"{event.id} stands failed already, and a component has one event at most", None
            if fault:
                faults.append((f"failed[{place}]", fault[0]))
        for name in expectation.outcomes:
            if name not in changed.loads and name not in changed.functions:
                hint = suggest(name, {**changed.loads, **changed.functions})
                faults.append((f"outcomes.{name}", f"{shorten(name)!r} is no load or function{hint}"))
        problems.extend(problem_at(topology, f"expect[{number}].{path}", message) for path, message in faults)
        if not faults:
            sound.append((number, expectation))
    if not sound:
        return 0, problems
    # An event that stands failed already is part of every case and is not given again.
    standing = set(changed.standing)
    cases = [tuple(event for event in expectation.failed if event not in standing) for _, expectation in sound]
    held = 0
    for (number, expectation), outcomes in zip(sound, _outcomes(changed, cases), strict=True):
        differs = False
        for name, expected in expectation.outcomes.items():
            if outcomes[name] != expected:
                differs = True
                message = f"expected {expected}, found {outcomes[name]} ({_case(expectation)})"
                problems.append(problem_at(topology, f"expect[{number}].outcomes.{name}", message))
        held += not differs
    return held, problems


def _outcomes(topology: Topology, cases: Sequence[tuple[Event, ...]]) -> list[dict[str, str]]:
    """The outcome of every consumer in each case; what ``case_states`` finds besides would cost as much again."""
    network = build_network(topology)
    lanes = WholeNumberLanes(len(cases))
    unserved = energise(make_plan(network), lanes, failed_rows(network, cases, topology.standing, lanes)).unserved
    names = [network.ids[node] for node in network.consumers]
    return [
        {name: OUTCOMES[sum(rows[place] >> case & 1 for rows in unserved)] for place, name in enumerate(names)}
        for case in range(len(cases))
    ]


def _case(expectation: Expectation) -> str:
    failed = shorten(", ".join(map(str, expectation.failed)), 200)
    text = f"with {failed} failed" if failed else "with nothing failed"
    return f"{text} and {shorten(', '.join(expectation.proposals), 200)} applied" if expectation.proposals else text
