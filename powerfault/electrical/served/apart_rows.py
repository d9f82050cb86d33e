"""Rows that keep outputs apart which must not be paralleled, for the program of served load.

For each such output, columns say how far along closed paths it reaches, and two that are live must not reach each
other. Liveness must then be exact in both directions, so rows also force a component live where its feeds, position and
needs are. Two outputs joined by what cannot be opened are counted; the model keeps them as few as can be, and the
result names them. The paths are first shrunk to islands between switches, without dead ends.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import TYPE_CHECKING

from powerfault.electrical.served.configuration import conducting, reached_outputs
from powerfault.electrical.served.solver import Program

if TYPE_CHECKING:
    from powerfault.electrical.served.service_model import ServiceModel

Terms = list[tuple[int, float]]


def keep_apart(model: ServiceModel) -> list[int]:
    """Add the rows; return columns that count pairs of live outputs joined by what cannot be opened."""
    plant, program, surviving = model.plant, model.program, model.surviving
    watched = [v for v in plant.rivals if v in model.e]
    if len(watched) < 2:
        return []
    widest = conducting(plant, surviving, model.movable, model.mateable)
    narrowest = conducting(plant, surviving, (), ())
    widest_reach = {v: reached_outputs(plant, widest, v) for v in watched}
    narrow_reach = {v: reached_outputs(plant, narrowest, v, {}) for v in watched}
    pairs = [(a, b) for a in watched for b in watched if a != b and b in widest_reach[a]]
    if not pairs:
        return []
    _force(model, {v for pair in pairs for v in pair})
    clashes: dict[tuple[int, int], int] = {}
    free: dict[int, list[int]] = {}
    for a, b in pairs:
        if b in narrow_reach[a]:
            pair = min(a, b), max(a, b)
            if pair not in clashes:
                clashes[pair] = program.binary()
                program.row([(model.e[a], 1.0), (model.e[b], 1.0), (clashes[pair], -1.0)], upper=1.0)
        else:
            free.setdefault(a, []).append(b)
    paths = _Paths(model, widest, {v for pair in pairs for v in pair})
    for a, partners in free.items():
        reach = _reach_columns(program, paths, paths.island(a))
        for b in partners:
            column = reach.get(paths.island(b))
            if column is not None:
                program.row([(column, 1.0), (model.e[a], 1.0), (model.e[b], 1.0)], upper=2.0)
    return list(clashes.values())


def _reach_columns(program: Program, paths: _Paths, start: int) -> dict[int, int]:
    """Columns that are 1 at every island which ``start`` reaches in the chosen positions."""
    column = {start: program.column(1.0, 1.0)}
    waiting = [start]
    while waiting:
        b = waiting.pop()
        for c, gates in paths.steps.get(b, ()):
            if c == start:
                continue
            if c not in column:
                column[c] = program.column(0.0, 1.0)
                waiting.append(c)
            # Reaching c asks that every gate on the step is closed.
            terms: Terms = [(column[c], 1.0), (column[b], -1.0), *((g, -1.0) for g in gates)]
            program.row(terms, lower=-float(len(gates)))
    return column


def _force(model: ServiceModel, watched: Iterable[int]) -> None:
    """Make the liveness of ``watched`` exact: a node is live wherever its feeds, position and needs are."""
    plant, program, network = model.plant, model.program, model.plant.network
    exact = {v for v in model.dependencies(watched) if v in model.on and v not in model.founded}
    for v in sorted(exact):
        wants = [n for n in plant.need_nodes[v] if (v, n) not in model.surviving.waived]
        if v in model.s or any(n not in model.on for n in wants):
            continue
        own = model.on[v]
        terms: Terms = [(own, 1.0)]
        lower = 0.0
        if v in model.p:
            terms.append((model.p[v], -1.0))
            lower -= 1.0
        for n in wants:
            terms.append((model.on[n], -1.0))
            lower -= 1.0
        feeds = [] if v in plant.sources else [u for u in network.members[v] or network.upstream[v] if u in model.on]
        if v in plant.sources:
            program.row(terms, lower=lower + 1.0)
        elif network.threshold[v] == 1:
            for u in feeds:
                program.row([*terms, (model.on[u], -1.0)], lower=lower)
        elif len(feeds) >= network.threshold[v]:
            k, m = float(network.threshold[v]), float(len(feeds))
            wide = m - k + 1.0
            scaled = [(c, wide * x) for c, x in terms]
            program.row([*scaled, *((model.on[u], -1.0) for u in feeds)], lower=lower * wide + 1.0 - k)


class _Paths:
    """The closed paths that positions may open, between islands that nothing parts.

    ``steps[i]`` holds (island, columns of the gates that must all be closed). Dead ends are left out.
    """

    def __init__(self, model: ServiceModel, widest: Collection[int], ends: Collection[int]) -> None:
        plant = model.plant
        n = len(plant.network.ids)
        self.parent: dict[int, int] = {}
        gated: list[tuple[int, int, bool, int | None]] = []
        for a, b, both in plant.wires:
            u, w = a % n, b % n
            if u not in widest or w not in widest:
                continue
            choice = model.choice_between(u, w) if u != w else None
            if both and choice is None and u not in model.p and w not in model.p:
                self.parent[self.island(a)] = self.island(b)
            else:
                gated.append((a, b, both, choice))
        kept = {self.island(v) for v in ends}
        degree: dict[int, set[int]] = {}
        for a, b, _, _ in gated:
            left, right = self.island(a), self.island(b)
            if left != right:
                degree.setdefault(left, set()).add(right)
                degree.setdefault(right, set()).add(left)
        waiting = [i for i, near in degree.items() if len(near) < 2 and i not in kept]
        while waiting:
            i = waiting.pop()
            for near in degree.pop(i, ()):
                degree[near].discard(i)
                if len(degree[near]) < 2 and near not in kept:
                    waiting.append(near)
        self.steps: dict[int, list[tuple[int, tuple[int, ...]]]] = {}
        for a, b, both, choice in gated:
            left, right = self.island(a), self.island(b)
            if left == right or left not in degree or right not in degree:
                continue
            for start, end, node in ((left, right, b % n), (right, left, a % n)) if both else ((left, right, b % n),):
                gates = [model.p[node]] if node in model.p else []
                if choice is not None:
                    gates.append(choice)
                self.steps.setdefault(start, []).append((end, tuple(gates)))

    def island(self, terminal: int) -> int:
        while (above := self.parent.setdefault(terminal, terminal)) != terminal:
            self.parent[terminal] = self.parent[above]
            terminal = above
        return terminal
