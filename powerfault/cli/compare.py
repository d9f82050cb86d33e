"""``powerfault compare``: before and after a proposal, two files, or two saved results."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from powerfault.cli import EXIT_UNMET
from powerfault.cli.options import (
    Progress,
    json_option,
    print_json,
    question_options,
    ratings_option,
    unmet_option,
    with_option,
)
from powerfault.errors import RequestError

if TYPE_CHECKING:
    from powerfault.tolerance.comparison.study import Comparison


@click.command("compare")
@click.argument("file", type=click.Path())
@click.argument("more", nargs=-1)
@question_options
@with_option
@click.option("--each", is_flag=True, help="Judge each proposal by itself first, then all together.")
@json_option
@ratings_option
@unmet_option
def command(
    file: str,
    more: tuple[str, ...],
    order: int,
    modes: tuple[str, ...],
    given: tuple[str, ...],
    yes: bool,
    proposals: tuple[str, ...],
    each: bool,
    as_json: bool,
    ratings: bool,
    fail_on_unmet: bool,
) -> int:
    """Compare FILE before and after its proposals, or with a second file, or two saved results.

    \b
    powerfault compare FILE --with PROPOSAL ...
    powerfault compare BEFORE.yaml AFTER.yaml
    powerfault compare BEFORE.json AFTER.json
    """
    second, proposals = _second_file(file, more, proposals)
    if file.endswith(".json"):
        return _compare_saved(file, second, as_json)
    from powerfault.model.reader import load_topology
    from powerfault.tolerance.comparison.study import compare
    from powerfault.tolerance.study import CASES_WITHOUT_ASKING, refuse_many, study

    limit = None if yes else CASES_WITHOUT_ASKING
    before = load_topology(file)
    refuse_many(before, order, modes, yes=yes)
    if second is None and not proposals:
        known = ", ".join(before.proposals) or "none"
        raise RequestError(
            f"nothing to compare with: name a proposal by --with (the file has: {known}) or a second file"
        )
    from powerfault.model.modify import apply_proposals

    with Progress() as progress:
        base = study(before, order, modes, given, limit=limit, ratings=ratings, progress=progress)
        after = apply_proposals(load_topology(second) if second else before, proposals)
        separately: list[Comparison] = []
        if each and len(proposals) > 1:
            separately = [compare(base, [p], limit=limit, progress=progress) for p in proposals]
        together = compare(base, after, limit=limit, progress=progress)
    if as_json:
        result: dict[str, Any] = together.to_json()
        if separately:
            result["each"] = [c.to_json() for c in separately]
        print_json(result)
    else:
        from powerfault.output.answers.verdicts_text import print_comparison
        from powerfault.output.blocks.screen import Screen

        screen = Screen()
        for comparison in separately:
            print_comparison(comparison, screen, notes=False)
            screen.line()
        print_comparison(together, screen)
    return EXIT_UNMET if fail_on_unmet and any(v.meets is False for v in together.after.verdicts) else 0


def _second_file(file: str, more: tuple[str, ...], proposals: tuple[str, ...]) -> tuple[str | None, tuple[str, ...]]:
    """Sort words after FILE: a second file, or further proposals (``--with A B`` as well as ``--with A --with B``)."""
    second: str | None = None
    for word in more:
        if second is None and (Path(word).is_file() or (not proposals and Path(word).suffix != "")):
            second = word
        elif proposals:
            proposals = (*proposals, word)
        else:
            raise RequestError(
                f"{word!r} is neither a file nor follows --with; see 'powerfault compare --help' ({file})"
            )
    return second, proposals


def _compare_saved(first: str, second: str | None, as_json: bool) -> int:
    from powerfault.tolerance.comparison.cases import compare_consumers
    from powerfault.tolerance.comparison.question import consumer_differences
    from powerfault.tolerance.comparison.saved import check_comparable, read_saved_result, system_differences

    if second is None or not second.endswith(".json"):
        raise RequestError(f"{first} is a saved result: name a second saved result (.json) to compare it with")
    before, after = read_saved_result(first), read_saved_result(second)
    check_comparable(before, after)
    differences = system_differences(before, after)
    for difference in differences:
        click.echo(f"warning: {difference}", err=True)
    changes = compare_consumers(before.judged, after.judged)
    question = [c for c in after.question_changes if c not in before.question_changes]
    question += consumer_differences(before.judged.verdicts, after.judged.verdicts, question)
    if as_json:
        result = {
            "format": 1,
            "before": before.data,
            "after": after.data,
            "changes": [c.to_json() for c in changes],
            "question_changes": question,
            "warnings": list(differences),
        }
        print_json(result)
    else:
        from powerfault.output.answers.verdicts_text import print_changes
        from powerfault.output.blocks.screen import Screen

        screen = Screen()
        screen.line(screen.paint(f"{first} against {second}", "strong"))
        for change in question:
            screen.line(screen.paint(f"The question itself was changed: {change}.", "bad"))
        print_changes(changes, screen)
    return 0
