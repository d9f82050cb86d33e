"""``powerfault validate``: check a topology file and the author's own expectations."""

from __future__ import annotations

from collections import Counter

import click

from powerfault.errors import ModelError, Problem
from powerfault.model.elements import KINDS, Topology
from powerfault.model.places import printable

MAX_WARNINGS = 200


@click.command(short_help="check a topology file and the author's own expectations")
@click.argument("file", type=click.Path())
@click.option("--with", "proposals", multiple=True, metavar="PROPOSAL", help="Apply this proposal first (repeatable).")
@click.option("--thorough", is_flag=True, help="Check also the numbers that likelihoods and ratings need (slower).")
@click.option("--quiet", is_flag=True, help="Say nothing but problems.")
def command(file: str, proposals: tuple[str, ...], thorough: bool, quiet: bool) -> int:
    """Check FILE (- for standard input) and report everything that is wrong with it.

    Every problem is shown as file:line:column: path: message. Each proposal is applied alone to see that it can be,
    and the checks under 'expect' are run. Warnings do not fail the check. Exit code 0 if FILE is valid, 2 if not.

    With --thorough, failure rates out of proportion and what capacity needs (durations of phases where the energy of a
    storage counts) are problems too.
    """
    from powerfault.model.modify import apply_proposals, check_each
    from powerfault.model.places import in_order
    from powerfault.model.reader import load_topology, topology_warnings

    topology = load_topology(file)
    problems, warnings, made = check_each(topology)
    if thorough or topology.later:
        from powerfault.electrical.fields import field_problems

        problems.extend(field_problems((topology, *made.values()), thorough=thorough))
    if problems:
        raise ModelError(in_order(problems))
    applied = apply_proposals(topology, proposals)
    held, unmet = 0, list[Problem]()
    if topology.expect:  # the evaluator is loaded only where there is something to evaluate
        from powerfault.failures.expectations import unmet_expectations

        held, unmet = unmet_expectations(topology, made)
    warnings.extend(topology_warnings(applied))
    if not quiet:
        _print_warnings(in_order(warnings))
    if unmet:
        for problem in in_order(unmet):
            click.echo(str(problem), err=True)
        click.echo(f"error: {held} of {_count(len(topology.expect), 'expectation')} hold", err=True)
        return 2
    if not quiet:
        _print_summary(applied, len(warnings), held)
    return 0


def _print_warnings(warnings: list[Problem]) -> None:
    for problem in warnings[:MAX_WARNINGS]:
        click.echo(f"{problem.place}: warning: {problem.text}", err=True)
    if len(warnings) > MAX_WARNINGS:
        click.echo(f"and {len(warnings) - MAX_WARNINGS} more warnings", err=True)


def _print_summary(topology: Topology, warnings: int, held: int) -> None:
    kinds = Counter(component.kind for component in topology.components.values())
    by_kind = ", ".join(_count(kinds[kind], kind) for kind in KINDS if kinds[kind])
    applied = f" with {', '.join(topology.applied)}" if topology.applied else ""
    click.echo(f"{printable(topology.file)}: valid{applied}")
    click.echo(f"  {printable(topology.name[:200])}")
    click.echo(f"  {_count(len(topology.components), 'component')}{f': {by_kind}' if by_kind else ''}")
    parts = [(len(topology.links), "link"), (len(topology.loads), "load"), (len(topology.functions), "function"),
             (len(topology.phases), "phase"), (len(topology.channels), "channel"),
             (len(topology.standing), "standing failure"), (len(topology.proposals), "proposal")]  # fmt: skip
    click.echo("  " + ", ".join(_count(*part) for part in parts))
    click.echo(f"  {_count(held, 'expectation')} {'holds' if held == 1 else 'hold'}; {_count(warnings, 'warning')}")


def _count(number: int, noun: str) -> str:
    if number == 1:
        return f"1 {noun}"
    plural = f"{noun}es" if noun.endswith(("s", "ch")) else f"{noun}s"
    return f"{number} {plural}"
