"""``powerfault schema``: print the JSON Schema of the topology format."""

from __future__ import annotations

import click


@click.command(short_help="print the JSON Schema of the topology format")
def command() -> None:
    """Print the JSON Schema (draft 2020-12) of the topology format, for completion and checks in an editor.

    Save it beside your files and name it in the settings of your editor's YAML support.
    """

    from powerfault.files import json_text
    from powerfault.model.schema import topology_schema

    click.echo(json_text(topology_schema(), indent=2))
