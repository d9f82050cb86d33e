"""Blocks of a section as text for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from powerfault.output.blocks.blocks import Block, Bullets, Heading, Paragraph, TableBlock, flat
from powerfault.output.blocks.screen import Screen
from powerfault.output.blocks.tables import Table, ToneCell

TONES = ("good", "bad", "doubt")
LONG = 44
"""A column with longer cells is written below its row, not in it."""
WIDTH = 110


def print_blocks(blocks: Iterable[Block], screen: Screen, rows_shown: int | None = None) -> None:
    """Write ``blocks``; of each table at most ``rows_shown`` rows, with a line on how many are left out."""
    for block in flat(blocks):
        if isinstance(block, Paragraph):
            for line in textwrap.wrap(block.text, WIDTH):
                screen.line(screen.paint(line, block.tone) if block.tone in TONES else line)
        elif isinstance(block, Heading):
            screen.heading(block.text)
        elif isinstance(block, Bullets):
            for item in block.items:
                screen.line(textwrap.fill(item, WIDTH, initial_indent="  - ", subsequent_indent="    "))
        elif isinstance(block, TableBlock):
            _print_table(block.table, screen, rows_shown)


def _print_table(table: Table, screen: Screen, rows_shown: int | None) -> None:
    screen.heading(table.title)
    rows = table.rows if rows_shown is None else table.rows[:rows_shown]
    cells = [["-" if c is None else _clean(str(c)) for c in row] for row in rows]
    looks = {c.text: c.tone for row in rows for c in row if isinstance(c, ToneCell) and c.tone}
    long = [i for i in range(len(table.columns)) if any(len(row[i]) > LONG for row in cells)]
    if not long:
        screen.table(table.columns, cells, looks)
    else:
        _print_long(table, screen, cells, looks, long)
    if len(rows) < len(table.rows):
        screen.line(f"  and {len(table.rows) - len(rows):,} more; --json lists all")


def _print_long(table: Table, screen: Screen, cells: list[list[str]], looks: dict[str, str], long: list[int]) -> None:
    """Short columns aligned; one long column at the end of its row, several below it."""
    short = [i for i in range(len(table.columns)) if i not in long]
    widths = {i: max(len(table.columns[i]), *(len(row[i]) for row in cells)) for i in short}
    inline = long == [len(table.columns) - 1]
    heads = [table.columns[i].ljust(widths[i]) for i in short] + ([table.columns[-1]] if inline else [])
    screen.line("  " + "  ".join(heads).rstrip())
    screen.line("  " + "  ".join("-" * len(h) for h in heads))
    indent = 2 + sum(widths[i] + 2 for i in short)
    for row in cells:
        padded = [row[i].ljust(widths[i]) for i in short]
        shown = [screen.paint(p, looks[row[i]]) if row[i] in looks else p for i, p in zip(short, padded, strict=True)]
        lead = "  " + "  ".join(shown)
        if inline:
            first, *rest = textwrap.wrap(row[-1], max(40, WIDTH - indent)) or [""]
            screen.line(f"{lead}  {first}".rstrip())
            for line in rest:
                screen.line(" " * indent + line)
            continue
        screen.line(lead.rstrip())
        for i in long:
            if row[i]:
                told = f"{table.columns[i]}: {row[i]}"
                screen.line(textwrap.fill(told, WIDTH, initial_indent="      ", subsequent_indent="        "))


def _clean(text: str) -> str:
    """Control characters of a file never reach the terminal."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
