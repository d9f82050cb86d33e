"""``powerfault tables``: write a system as a workbook, one sheet a kind, to be edited and gathered again."""

from __future__ import annotations

import os
from pathlib import Path

import click

from powerfault.cli.options import file_argument
from powerfault.errors import OutputError


@click.command(short_help="write a system as a workbook, to be edited and gathered again")
@file_argument
@click.option("-o", "--output", required=True, metavar="FILE.xlsx", help="Where the workbook goes.")
@click.option("--results", is_flag=True, help="Add a sheet with the failures that each load and function tolerates.")
@click.option("--force", is_flag=True, help="Overwrite the files if they exist.")
def command(file: str, output: str, results: bool, force: bool) -> None:
    """Write the system in FILE as FILE.xlsx, one sheet a kind of equipment.

    Beside it stand FILE.lists.yaml, which says what the columns mean, and FILE.rest.yaml with what is no table:
    proposals, phases, expectations. 'powerfault gather FILE.lists.yaml -o new.yaml' gives the same system again.
    """
    from powerfault.files import check_output, write_atomically
    from powerfault.model.reader import expanded_data, load_topology
    from powerfault.model.yaml_text import yaml_text
    from powerfault.output.answers.system_tables import result_table, system_tables
    from powerfault.output.blocks.tables import write_workbook

    if not output.lower().endswith(".xlsx"):
        raise OutputError(f"cannot write {output}: a workbook ends in .xlsx")
    stem = output[: -len(".xlsx")]
    beside = {"lists": f"{stem}.lists.yaml", "rest": f"{stem}.rest.yaml"}
    data, _ = expanded_data(file)
    topology = load_topology(file)
    data.setdefault("name", topology.name)
    for name in (output, *beside.values()):
        check_output(name)
        if os.path.lexists(name) and not force:
            raise OutputError(f"{name} is there already; choose another name, or --force to overwrite it")
    tables, lists, rest = system_tables(data, os.path.basename(output), os.path.basename(beside["rest"]))
    if results:
        from powerfault.tolerance.study import study

        tables.append(result_table(study(topology).to_json(cases=False)["consumers"]))
    write_workbook(Path(output), tables)
    written = [output]
    if "include" in lists:
        write_atomically(beside["rest"], yaml_text(rest))
        written.append(beside["rest"])
    write_atomically(beside["lists"], yaml_text(lists))
    click.echo(f"wrote {', '.join([*written, beside['lists']])}")
    click.echo(f"edit it, then: powerfault gather {beside['lists']} -o NEW.yaml")
