"""``powerfault faults``: which consumers fail under every single and double failure."""

from __future__ import annotations

import click

from powerfault.cli import EXIT_UNMET
from powerfault.cli.options import (
    Progress,
    file_argument,
    json_option,
    load_applied,
    question_options,
    unmet_option,
    with_option,
)


@click.command("faults")
@file_argument
@question_options
@with_option
@json_option
@click.option("--by-phase", is_flag=True, help="Give the outcomes of each phase too (with --json or --csv).")
@click.option("--csv", "csv_file", type=click.Path(), help="Write every case and consumer touched to this file.")
@unmet_option
def command(
    file: str,
    order: int,
    modes: tuple[str, ...],
    given: tuple[str, ...],
    yes: bool,
    proposals: tuple[str, ...],
    as_json: bool,
    by_phase: bool,
    csv_file: str | None,
    fail_on_unmet: bool,
) -> int:
    """Find which loads and functions fail under every case of one to ORDER failures."""
    topology = load_applied(file, proposals)
    from powerfault.study import CASES_WITHOUT_ASKING, study

    with Progress() as progress:
        found = study(
            topology,
            order,
            modes,
            given,
            by_phase=by_phase,
            limit=None if yes else CASES_WITHOUT_ASKING,
            progress=progress,
        )
    if csv_file:
        from powerfault.output.case_files import write_cases_csv

        write_cases_csv(csv_file, found)
    if as_json:
        import json

        click.echo(json.dumps(found.to_json(), ensure_ascii=False))
    else:
        from powerfault.output.terminal import Screen, print_study

        print_study(found, Screen())
    return EXIT_UNMET if fail_on_unmet and any(v.meets is False for v in found.verdicts) else 0
