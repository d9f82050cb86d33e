"""``powerfault likelihood``: probabilities, importance and their uncertainty."""

from __future__ import annotations

import click

from powerfault.cli.options import (
    NumberRange,
    Progress,
    after_options,
    answer,
    check_sheet_name,
    file_argument,
    given_option,
    json_option,
    modes_option,
    print_json,
    show_blocks,
    with_option,
)


@click.command("likelihood")
@file_argument
@with_option
@click.option(
    "--hours",
    type=NumberRange(min=0, min_open=True, max=1e9),
    default=1000.0,
    show_default=True,
    help="Length of the mission in hours.",
)
@click.option("--order", type=click.IntRange(1, 12), default=3, show_default=True, help="Cut sets listed, at most.")
@modes_option
@given_option
@after_options
@click.option(
    "--consumer",
    "consumers",
    multiple=True,
    metavar="ID",
    help="Look closely at this consumer: curves, importance, cut sets (repeatable; default: those that change most).",
)
@click.option(
    "--success",
    multiple=True,
    metavar="STAGE=P",
    help="Success of switching at this stage, instead of the file's switching_success (repeatable).",
)
@click.option(
    "--samples",
    type=click.IntRange(0, 1_000_000),
    default=1000,
    show_default=True,
    help="Samples of the rates for their uncertainty.",
)
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Seed of the samples.")
@click.option("--alike", is_flag=True, help="Components of the same kind, rates and error factor draw the same rate.")
@click.option(
    "--gap",
    type=NumberRange(1e-6, 1.0),
    default=0.005,
    show_default=True,
    help="Relative gap between the bounds to work for, where the exact value is out of reach.",
)
@json_option
@click.option("-o", "output", type=click.Path(), help="Write the picture (.svg) or the whole sheet (.md) to this file.")
def command(
    file: str,
    proposals: tuple[str, ...],
    hours: float,
    order: int,
    modes: tuple[str, ...],
    given: tuple[str, ...],
    earlier: tuple[str, ...],
    answered: str,
    consumers: tuple[str, ...],
    success: tuple[str, ...],
    samples: int,
    seed: int,
    alike: bool,
    gap: float,
    as_json: bool,
    output: str | None,
) -> int:
    """Find how likely each consumer fails within a mission, before and after, and what that rests on."""
    from powerfault.errors import RequestError, nearest
    from powerfault.model.modify import apply_proposals
    from powerfault.model.reader import load_topology

    check_sheet_name(output)
    before = load_topology(file)
    after = apply_proposals(before, proposals) if proposals else None
    if after is not None:
        after = answer(after, earlier, answered, given)[0]
    before, given, _ = answer(before, earlier, answered, given)
    for asked in after.question_changes if after else ():
        click.echo(f"the question was changed: {asked}", err=True)
    last = after or before
    for id_ in consumers:
        if id_ not in last.loads and id_ not in last.functions:
            known = [*last.loads, *last.functions]
            raise RequestError(f"--consumer {id_}: no load or function of that id{nearest(id_, known)}")
    from powerfault.network.failure_modes import parse_event
    from powerfault.reliability.change import compare_likelihoods
    from powerfault.reliability.study import Settings

    settings = Settings(
        hours=hours,
        modes=modes,
        order=order,
        samples=samples,
        seed=seed,
        alike=alike,
        gap=gap,
        success=_successes(success),
    )
    events = [parse_event(before, text) for text in given]
    with Progress("consumers") as progress:
        change = compare_likelihoods(before, after, settings, events, progress)
    focus = list(consumers) or change.focus()
    if output:
        from powerfault.files import write_atomically

        if output.endswith(".svg"):
            from powerfault.output.pictures.likelihood_picture import likelihood_picture

            write_atomically(output, likelihood_picture(change, focus))
        else:
            from powerfault.output.blocks.blocks import Section, section_markdown
            from powerfault.output.sections.likelihood_section import likelihood_blocks

            blocks = tuple(likelihood_blocks(change, focus, len(focus)))
            sheet = Section(f"{before.name}: how likely it is", "likelihood", blocks)
            write_atomically(output, section_markdown(sheet) + "\n")
    if as_json:
        from powerfault.output.answers.likelihood_tables import likelihood_json

        print_json(likelihood_json(change, focus))
    elif output:
        from powerfault.output.sections.likelihood_section import sentence

        click.echo(sentence(change))
    else:
        from powerfault.output.sections.likelihood_section import likelihood_blocks

        show_blocks(likelihood_blocks(change, focus, len(consumers) or 1), 40 if consumers else 14)
    return 0


def _successes(texts: tuple[str, ...]) -> dict[str, float]:
    """Read ``STAGE=P`` options."""
    from powerfault.errors import RequestError

    found = {}
    for text in texts:
        stage, equals, value = text.partition("=")
        try:
            number = float(value)
        except ValueError:
            number = float("nan")
        if not equals or not 0 <= number <= 1:
            raise RequestError(f"--success {text}: expected STAGE=P with a probability from 0 to 1")
        found[stage.strip()] = number
    return found
