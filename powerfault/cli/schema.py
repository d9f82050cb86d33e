"""``powerfault schema``: print the JSON Schema of the topology format, of a plan of outings, or of saved results."""

from __future__ import annotations

import click


@click.command(short_help="print the JSON Schema of a file format")
@click.argument("what", type=click.Choice(["topology", "lists", "plan", "results"]), default="topology")
def command(what: str) -> None:
    """Print the JSON Schema (draft 2020-12) of the topology format, for completion and checks in an editor.

    Save it beside your files and name it in the settings of your editor's YAML support. With 'plan', print the schema
    of a plan of outings; with 'lists', that of the description that 'powerfault gather' reads; with 'results', that
    of what 'powerfault faults --json' prints.
    """
    from powerfault.files import json_text

    if what == "results":
        from powerfault.tolerance.results import RESULTS

        click.echo(json_text(RESULTS, indent=2))
    elif what == "plan":
        from powerfault.fitting.outing.fields import plan_schema

        click.echo(json_text(plan_schema(), indent=2))
    elif what == "lists":
        from powerfault.model.tables.description import lists_schema

        click.echo(json_text(lists_schema(), indent=2))
    else:
        from powerfault.model.schema import topology_schema

        click.echo(json_text(topology_schema(), indent=2))
