"""``powerfault restore``: the switching that restores service after a failure, step by step."""

from __future__ import annotations

import click

from powerfault.cli.options import (
    NumberRange,
    file_argument,
    given_option,
    json_option,
    load_applied,
    print_json,
    with_option,
)


@click.command("restore")
@file_argument
@click.option("--fail", "failed", multiple=True, required=True, metavar="EVENT", help="What fails (repeatable).")
@given_option
@with_option
@click.option("--phase", "phases", multiple=True, help="Only this phase (repeatable).")
@click.option("--seconds", type=NumberRange(min=0.01), help="Time allowed to each call of the solver.")
@json_option
@click.option("-o", "--output", type=click.Path(), help="Also write a drawing (.svg, .png) of each phase's end state.")
def command(
    file: str,
    failed: tuple[str, ...],
    given: tuple[str, ...],
    proposals: tuple[str, ...],
    phases: tuple[str, ...],
    seconds: float | None,
    as_json: bool,
    output: str | None,
) -> int:
    """Plan the switching after a failure: what to open, then to close, at which stage, and what each step brings back.

    Loads that ratings cannot carry are shed by priority; what stays dark is listed with its reason.
    """
    topology = load_applied(file, proposals)
    from powerfault.electrical.restore.study import plan_restoration

    found = plan_restoration(topology, failed, given, phases=phases or None, seconds=seconds or float("inf"))
    if output:
        from powerfault.output.pictures.restore_picture import write_pictures

        for path in write_pictures(found, output):
            click.echo(f"wrote {path}", err=True)
    if as_json:
        print_json(found.to_json())
    else:
        from powerfault.output.answers.restore_text import print_restoration
        from powerfault.output.blocks.screen import Screen

        print_restoration(found, Screen())
    return 0
