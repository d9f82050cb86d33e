"""The structure function of every consumer: exactly which combinations of events fail it, as decision diagrams.

The question: in which states of all components does a consumer fail (its outcome is worse than what it rides
through)? The answer is not sampled and not cut off at an order: the same fixpoints that evaluate cases
(``failures.energise``) run once on rows that are decision diagrams, so all 2^n states are judged
together by the very code that judges one.

Every row is a function of independent variables (``likelihood.variables``).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

from powerfault.failures.energise import energise
from powerfault.failures.influence import bit_positions
from powerfault.failures.plan import make_plan
from powerfault.model.elements import STAGES, Topology
from powerfault.network.graph import Network, build_network
from powerfault.reliability.decision_diagram import (
    FALSE,
    TRUE,
    Diagram,
    DiagramTooLargeError,
    Row,
    deep_recursion,
)
from powerfault.reliability.minimal_solutions import Solutions
from powerfault.reliability.variables import SharedCause, Variable, ordered_variables, places_in_file


@dataclass(frozen=True, slots=True)
class Failing:
    """When one consumer fails: for certain where ``lower`` is true, at most where ``upper`` is.

    Both are nodes of ``diagram``; they are the same node where the function is known exactly.
    """

    diagram: Diagram = field(repr=False)
    lower: int
    upper: int

    @property
    def exact(self) -> bool:
        return self.lower == self.upper


@dataclass(frozen=True, kw_only=True)
class Structure:
    """When each consumer fails, as functions of ``variables``; variable i has level i in every diagram."""

    topology: Topology
    modes: tuple[str, ...]
    variables: tuple[Variable, ...] = field(repr=False)
    failing: Mapping[str, Failing] = field(repr=False)

    def relevant(self, consumer: str) -> list[int]:
        """The numbers of the variables that can make a difference to a consumer, as far as is known."""
        return bit_positions(self._relevant[consumer])

    @cached_property
    def _relevant(self) -> dict[str, int]:
        roots: dict[int, list[int]] = {}
        diagrams = {id(own.diagram): own.diagram for own in self.failing.values()}
        for own in self.failing.values():
            roots.setdefault(id(own.diagram), []).extend((own.lower, own.upper))
        known = {of: diagrams[of].supports(found) for of, found in roots.items()}
        return {
            id_: known[id(own.diagram)][own.lower] | known[id(own.diagram)][own.upper]
            for id_, own in self.failing.items()
        }

    def solutions(self, consumer: str) -> Solutions:
        """What finds minimal cut sets, as sets of numbers of variables, in the diagram of a consumer."""
        diagram = self.failing[consumer].diagram
        found = self._solutions.get(id(diagram))
        if found is None:
            numbers: dict[str, int] = {}
            chains = {i: numbers.setdefault(v.component, len(numbers)) for i, v in enumerate(self.variables)}
            found = self._solutions[id(diagram)] = Solutions(diagram, chains)
        return found

    @cached_property
    def _solutions(self) -> dict[int, Solutions]:
        return {}

    @cached_property
    def file_order(self) -> tuple[int, ...]:
        """The place of each variable in the order of the file: events, then common causes, then operations."""
        return places_in_file(self.topology, self.variables)

    def minimal_cut_sets(self, consumer: str, order: int | None = None) -> list[tuple[Variable, ...]]:
        """Minimal cut sets up to ``order``, by size, then in the order of the file, within a cut set too.

        Where the function is not known exactly these are the cut sets found, minimal but perhaps not all. Raises
        :class:`DiagramTooLargeError` where there are too many to list.
        """
        at = self.file_order.__getitem__
        solutions = self.solutions(consumer)(self.failing[consumer].lower, order)
        found = [tuple(sorted(s, key=at)) for s in solutions]
        found.sort(key=lambda s: (len(s), [at(i) for i in s]))
        return [tuple(self.variables[i] for i in s) for s in found]


def build_structure(
    topology: Topology,
    modes: Sequence[str] = ("loss",),
    causes: Iterable[SharedCause] = (),
    operations: Collection[str] = (),
    *,
    node_limit: int | None = None,
    partial: bool = False,
) -> Structure:
    """Return the exact structure functions of all consumers of ``topology``.

    Variables are asked in the order of a walk through the network, which keeps the diagrams of chains, rings and
    ladders small; diagrams of large meshes grow exponentially all the same, and then this raises
    :class:`DiagramTooLargeError` (``likelihood.brackets`` gives bounds instead). With ``partial`` it
    returns the consumers done by then: stages are taken one after the other, and who rides through none or only the
    early ones is known before the switching of the later ones makes the diagrams large. ``node_limit`` is 3 million
    (about a gigabyte) up to 500 components that can fail and 600 thousand beyond, where bounds are the better use of
    time.
    """
    network = build_network(topology)
    variables = ordered_variables(network, modes, causes, operations)
    failing_components = {event.id for v in variables for event in v.events}
    nodes = node_limit or (3_000_000 if len(failing_components) <= 500 else 600_000)
    diagram = Diagram(nodes, 2 * nodes)
    plan = make_plan(network)
    riding = [(i, c.id, STAGES.index(topology.rides_through(c))) for i, c in enumerate(topology.consumers())]
    # Needs whose interruption is borne tie the early stages to the late ones: then all stages or none.
    first = len(STAGES) - 1 if plan.bearing else 0
    failing: dict[str, Failing] = {}
    try:
        with deep_recursion():
            failed = {key: Row(diagram, node) for key, node in happening(diagram, network, variables).items()}
            for last in range(first, len(STAGES)):
                if not any(ride >= last or ride <= last == first for _, _, ride in riding):
                    break
                active = frozenset(s for s in plan.active_stages if s <= last)
                unserved = energise(replace(plan, active_stages=active), DiagramLanes(diagram), failed).unserved
                for i, id_, ride in riding:
                    if ride == last or ride <= last == first:
                        failing[id_] = Failing(diagram, unserved[ride][i].node, unserved[ride][i].node)
    except DiagramTooLargeError:
        if not partial:
            raise
    # Most nodes were steps on the way and are wanted no more.
    slim, roots = diagram.compacted(*(own.lower for own in failing.values()))
    failing = {id_: Failing(slim, root, root) for id_, root in zip(failing, roots, strict=True)}
    return Structure(topology=topology, modes=tuple(modes), variables=variables, failing=failing)


class DiagramLanes:
    """Rows that are functions of a diagram (see ``failures.lanes``): every state is a lane."""

    def __init__(self, diagram: Diagram) -> None:
        self.zero = Row(diagram, FALSE)
        self.full = Row(diagram, TRUE)

    def same(self, a: Row, b: Row) -> bool:
        return a.node == b.node

    def empty(self, row: Row) -> bool:
        return row.node == FALSE


def happening(diagram: Diagram, network: Network, variables: Sequence[Variable]) -> dict[tuple[int, str], int]:
    """The function that says when each (node, mode) has happened, standing events included."""
    rows: dict[tuple[int, str], int] = {}
    for level, node in occurring(diagram, variables).items():
        for event in variables[level].events:
            key = (network.index[event.id], event.mode)
            rows[key] = diagram.disj(rows.get(key, FALSE), node)
    for event in network.topology.standing:
        rows[network.index[event.id], event.mode] = TRUE
    return rows


def occurring(diagram: Diagram, variables: Sequence[Variable], among: Iterable[int] | None = None) -> dict[int, int]:
    """For each variable the function that says that its event is so: a second mode takes the first not to be.

    ``among`` may name the numbers wanted; it then holds all variables of a component or none.
    """
    earlier: dict[str, int] = {}
    found = {}
    for level in range(len(variables)) if among is None else sorted(among):
        component = variables[level].component
        before = earlier.get(component, FALSE)
        node = diagram.variable(level)
        found[level] = diagram.conj(diagram.neg(before), node)
        earlier[component] = diagram.disj(before, node)
    return found
