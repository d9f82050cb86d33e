"""``powerfault faults``: which consumers fail under every single and double failure."""

from __future__ import annotations

from pathlib import Path

import click

from powerfault.cli import EXIT_UNMET
from powerfault.cli.options import (
    Progress,
    after_options,
    answer,
    file_argument,
    json_option,
    load_applied,
    print_json,
    question_options,
    ratings_option,
    unmet_option,
    with_option,
)


@click.command("faults")
@file_argument
@question_options
@with_option
@after_options
@json_option
@click.option("--by-phase", is_flag=True, help="Give the outcomes of each phase too (with --json or --csv).")
@click.option("--csv", "csv_file", type=click.Path(), help="Write every case and consumer touched to this file.")
@click.option("--parquet", "parquet_file", type=click.Path(), help="Write the same as Parquet (needs pyarrow).")
@click.option(
    "--cut-sets-only", is_flag=True, help="Leave the cases out of --json: verdicts and minimal cut sets alone."
)
@click.option("--jobs", type=click.IntRange(1, 1024), help="Processes to share the work (default: as many as pay).")
@click.option(
    "--keep", type=click.Path(), metavar="DIR", help="Keep finished pieces here; a stopped run goes on from them."
)
@ratings_option
@click.option(
    "--when-flat", is_flag=True, help="Also give the outcomes at once, before storages are flat; count must_last_h."
)
@unmet_option
def command(
    file: str,
    order: int,
    modes: tuple[str, ...],
    given: tuple[str, ...],
    earlier: tuple[str, ...],
    answered: str,
    yes: bool,
    proposals: tuple[str, ...],
    as_json: bool,
    by_phase: bool,
    csv_file: str | None,
    parquet_file: str | None,
    cut_sets_only: bool,
    jobs: int | None,
    keep: str | None,
    ratings: bool,
    when_flat: bool,
    fail_on_unmet: bool,
) -> int:
    """Find which loads and functions fail under every case of one to ORDER failures."""
    topology = load_applied(file, proposals)
    topology, given, state = answer(topology, earlier, answered, given)
    from powerfault.tolerance.study import LANES_WITHOUT_ASKING, refuse_many, study

    cases = not cut_sets_only
    if cut_sets_only and (csv_file or parquet_file or by_phase or keep):
        raise click.UsageError("--cut-sets-only keeps no cases: leave out --csv, --parquet, --by-phase and --keep")
    if cut_sets_only and (jobs or 1) > 1:
        raise click.UsageError("--cut-sets-only is the work of one process: leave out --jobs")
    if ratings and (cut_sets_only or by_phase or keep):
        raise click.UsageError("--ratings goes without --cut-sets-only, --by-phase and --keep")
    if when_flat and (cut_sets_only or ratings):
        raise click.UsageError("--when-flat goes without --cut-sets-only and --ratings")
    if cases and (as_json or csv_file or parquet_file):
        refuse_many(topology, order, modes, yes=yes)
    with Progress() as progress:
        found = study(
            topology,
            order,
            modes,
            given,
            by_phase=by_phase,
            limit=None if yes else LANES_WITHOUT_ASKING,
            jobs=jobs,
            keep=Path(keep) if keep else None,
            cut_sets_only=cut_sets_only,
            ratings=ratings,
            when_flat=when_flat,
            progress=progress,
        )
    if csv_file:
        from powerfault.output.blocks.case_files import write_cases_csv

        write_cases_csv(csv_file, found)
    if parquet_file:
        from powerfault.output.blocks.case_files import write_cases_parquet

        write_cases_parquet(parquet_file, found)
    if as_json:
        print_json(found.to_json(cases=cases) | (state.to_json() if state else {}))
    else:
        from powerfault.output.answers.verdicts_text import print_study
        from powerfault.output.blocks.screen import Screen

        if state:
            click.echo(state.sentence())
        print_study(found, Screen())
    return EXIT_UNMET if fail_on_unmet and any(v.meets is False for v in found.verdicts) else 0
