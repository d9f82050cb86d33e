"""``powerfault explain``: why a consumer drops in one case, and what restores it."""

from __future__ import annotations

from pathlib import Path

import click

from powerfault.cli.options import (
    after_options,
    answer,
    file_argument,
    json_option,
    load_applied,
    print_json,
    with_option,
)
from powerfault.errors import RequestError, nearest


@click.command("explain")
@file_argument
@click.option("--fail", "failed", multiple=True, required=True, metavar="EVENT", help="ID or ID:mode (repeatable).")
@click.option("--load", "consumer", required=True, metavar="ID", help="The load or function to explain.")
@click.option("--phase", help="The phase to explain (default: the one in which it fares worst).")
@with_option
@after_options
@json_option
@click.option("-o", "--output", type=click.Path(), help="Draw the part that matters to this file (.svg, .png or .dot).")
def command(
    file: str,
    failed: tuple[str, ...],
    consumer: str,
    phase: str | None,
    proposals: tuple[str, ...],
    earlier: tuple[str, ...],
    answered: str,
    as_json: bool,
    output: str | None,
) -> None:
    """Say why a load or function drops when something fails: the chain from event to consumer, and what restores it."""
    if output and Path(output).suffix.lower() not in (".svg", ".png", ".dot"):
        raise click.UsageError(f"-o {output}: the name should end with one of .svg, .png, .dot")
    topology = load_applied(file, proposals)
    topology, given, _ = answer(topology, earlier, answered)
    from powerfault.failures.case_state import case_states
    from powerfault.network.failure_modes import parse_event
    from powerfault.network.graph import build_network
    from powerfault.tolerance.explain.carried import hours_of
    from powerfault.tolerance.explain.reasons import explain

    known = {**topology.loads, **topology.functions}
    if consumer not in known:
        raise RequestError(f"--load {consumer!r}: no load or function of that id{nearest(consumer, known)}")
    if phase is not None and phase not in topology.phase_names:
        raise RequestError(f"--phase {phase!r}: expected one of {', '.join(topology.phase_names)}")
    network = build_network(topology)
    beforehand = [parse_event(topology, e) for e in given]
    state = case_states(network, [[parse_event(topology, e) for e in failed]], beforehand, at_once=True)[0]
    found = explain(network, state, consumer, phase, hours_of(topology, state.failed, beforehand))
    if output:
        from powerfault.output.pictures.reason_drawing import save_reasons

        note = save_reasons(network, state, found, output)
        if note:
            click.echo(note, err=True)
    if as_json:
        print_json(found.to_json())
        return
    for sentence in found.sentences():
        click.echo(sentence)
    first = "At once, because:" if found.carried is None else f"Without {found.carried.carrier}, because:"
    for title, tree in ((first, found.at_once), ("And to the end, because:", found.still)):
        if tree is None:
            continue
        if tree is found.still and tree.same_as(found.at_once):
            click.echo("\nAnd the same holds to the end.")
            continue
        click.echo(f"\n{title}")
        for depth, reason in tree.walk(1):
            click.echo("  " * min(depth, 40) + reason.text)
