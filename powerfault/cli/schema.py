"""``powerfault schema``: print the JSON Schema of the topology format, or of saved results."""

from __future__ import annotations

import click


@click.command(short_help="print the JSON Schema of the topology format, or of saved results")
@click.argument("what", type=click.Choice(["topology", "results"]), default="topology")
def command(what: str) -> None:
    """Print the JSON Schema (draft 2020-12) of the topology format, for completion and checks in an editor.

    Save it beside your files and name it in the settings of your editor's YAML support. With 'results', print the
    schema of what 'powerfault faults --json' prints.
    """
    from powerfault.files import json_text

    if what == "results":
        from powerfault.tolerance.results import RESULTS

        click.echo(json_text(RESULTS, indent=2))
    else:
        from powerfault.model.schema import topology_schema

        click.echo(json_text(topology_schema(), indent=2))
