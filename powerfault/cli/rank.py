"""``powerfault rank``: which candidate jumpers are worth the crew's hours."""

from __future__ import annotations

import click

from powerfault.cli.options import (
    NumberRange,
    Progress,
    check_sheet_name,
    file_argument,
    json_option,
    modes_option,
    order_option,
    print_json,
)


@click.command("rank")
@file_argument
@click.option("--budget-min", type=NumberRange(min=0), help="Crew minutes for which to choose the best set.")
@order_option
@modes_option
@click.option("--max-length-m", type=NumberRange(min=0), help="Leave out what is longer.")
@click.option(
    "--from",
    "origin",
    type=click.Choice(["both", "proposals", "ports"]),
    default="both",
    show_default=True,
    help="Candidates: the file's proposals, ties between its spare ports, or both.",
)
@click.option("--only", multiple=True, metavar="PROPOSAL", help="Of the proposals, only this one (repeatable).")
@json_option
@click.option("-o", "output", type=click.Path(), help="Write the picture (.svg) or the tables (.md) to this file.")
def command(
    file: str,
    budget_min: float | None,
    order: int,
    modes: tuple[str, ...],
    max_length_m: float | None,
    origin: str,
    only: tuple[str, ...],
    as_json: bool,
    output: str | None,
) -> int:
    """Rank candidate jumpers, name the efficient ones and choose the best set for the crew's minutes."""
    from powerfault.fitting.ranking.study import rank_candidates
    from powerfault.model.reader import load_topology

    check_sheet_name(output)
    topology = load_topology(file)
    with Progress("sets") as progress:
        ranking = rank_candidates(
            topology,
            order=order,
            modes=modes,
            budget_min=budget_min,
            max_length_m=max_length_m,
            proposals=origin != "ports",
            ports=origin != "proposals",
            only=only,
            progress=progress,
        )
    if output:
        from powerfault.files import write_atomically

        if output.endswith(".svg"):
            from powerfault.output.pictures.ranking_picture import ranking_svg

            write_atomically(output, ranking_svg(ranking))
        else:
            from powerfault.output.answers.ranking_text import ranking_markdown

            write_atomically(output, ranking_markdown(ranking))
    if as_json:
        from powerfault.output.answers.ranking_text import ranking_json

        print_json(ranking_json(ranking))
    elif output:
        from powerfault.output.answers.ranking_text import best_sentences, summary

        for sentence in (summary(ranking), *best_sentences(ranking)):
            click.echo(sentence)
    else:
        from powerfault.output.answers.ranking_text import print_ranking
        from powerfault.output.blocks.screen import Screen

        print_ranking(ranking, Screen())
    return 0
