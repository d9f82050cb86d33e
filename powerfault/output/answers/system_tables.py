"""How is a system written as tables, one sheet a kind, so that gathering them gives the same system?

Elements with a value that no cell can hold, and every other section, go into a file beside the workbook.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from powerfault.model.feeds import read_feed
from powerfault.model.fields import Field
from powerfault.model.tables.cells import CellError, cell_text, cell_value
from powerfault.model.tables.description import HOLDS
from powerfault.output.blocks.tables import Cell, Table, plain


def system_tables(data: Mapping[str, Any], file: str, rest: str) -> tuple[list[Table], dict[str, Any], dict[str, Any]]:
    """Return the sheets of the plain ``data`` of a topology, the description that gathers them, and the rest.

    ``file`` and ``rest`` are the names that the workbook and the file of the rest will have.
    """
    tables: list[Table] = []
    lists: list[dict[str, Any]] = []
    left = {k: v for k, v in data.items() if k not in ("components", "loads", "functions", "feeds", "name", "about")}
    for section in ("components", "loads", "functions"):
        groups: dict[str, list[tuple[int, str, Mapping[str, Any]]]] = {}
        for number, (id_, values) in enumerate((data.get(section) or {}).items(), 1):
            given = {name: value for name, value in values.items() if value is not None}
            if not all(_fits(value, HOLDS[section].get(name)) for name, value in given.items()):
                left.setdefault(section, {})[id_] = values
                continue
            kind = str(given.pop("kind")) if section == "components" else section
            groups.setdefault(kind, []).append((number, id_, given))
        for kind, elements in groups.items():
            used = {name for _, _, given in elements for name in given}
            names = [name for name in HOLDS[section] if name in used]
            rows = [(id_, *(_cell(given.get(n)) for n in names), number) for number, id_, given in elements]
            fixed = {"kind": kind} if section == "components" else {}
            _add(tables, lists, kind, section, ("id", *names, "order"), rows, file, fixed)
    links: list[tuple[Cell, ...]] = []
    for line in data.get("feeds") or ():
        pairs = read_feed(line)[0]
        while pairs:
            both = len(pairs) > 1 and pairs[1] == pairs[0][::-1]
            links.append((*pairs[0], "yes" if both else "no"))
            pairs = pairs[1 + both :]
    if links:
        _add(tables, lists, "links", "links", ("from", "to", "both_ways"), links, file, {})
    description = {"powerfault_lists": 1, **{k: data[k] for k in ("name", "about") if data.get(k) is not None}}
    return tables, {**description, **({"include": [rest]} if len(left) > 1 else {}), "lists": lists}, left


def result_table(consumers: list[dict[str, Any]]) -> Table:
    """A row for each load and function with its verdict, from the JSON of the results."""
    columns = ("id", "type", "severity", "must_tolerate", "tolerates", "meets", "minimal_cut_sets")
    words = {True: "yes", False: "no", None: "not judged"}
    rows = []
    for entry in consumers:
        tolerates = f"at least {entry['tolerates']}" if entry["lower_bound"] else entry["tolerates"]
        cuts = "; ".join(" + ".join(cut) or "nothing failed" for cut in entry["minimal_cut_sets"])
        row = (*(entry[name] for name in columns[:4]), tolerates, words[entry["meets"]], cuts)
        rows.append(row)
    return Table("results", "Failures tolerated", columns, tuple(rows))


def _add(
    tables: list[Table], lists: list[dict[str, Any]], name: str, holds: str, columns: tuple[str, ...],
    rows: list[tuple[Cell, ...]], file: str, fixed: dict[str, Any],
) -> None:  # fmt: skip
    tables.append(Table(name, name, columns, tuple(rows)))
    entry = {"file": file, "sheet": name, "holds": holds, "columns": {c: c for c in columns}}
    lists.append({**entry, **({"fixed": fixed} if fixed else {})})


def _cell(value: Any) -> Cell:
    if isinstance(value, float) and float(f"{value:.16g}") != value:
        return repr(value)  # a workbook keeps 16 digits of a number
    found: Cell = None if value is None else cell_text(value)
    return found


def _fits(value: Any, field: Field | None) -> bool:
    """Whether a cell gives the value back as it is."""
    if field is None:
        return False
    try:
        return bool(cell_value(plain(_cell(value)), field, {}, None, frozenset()) == value)
    except CellError:
        return False
