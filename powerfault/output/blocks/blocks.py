"""What a section of the report is made of, and how blocks become HTML and Markdown.

A section is a title, an anchor and a list of blocks; each block is rendered once as HTML (by the template
``blocks.html.j2``) and once as Markdown. A measure adds its own section in a module ``<measure>_section.py`` with a
function ``section(report) -> Section | None`` and its line in ``output.report``; tables in the blocks
are written as CSV files and workbook sheets without more ado.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

from powerfault.output.blocks.tables import Table, escape_markdown, markdown_table

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

_ID = re.compile(r"(?<![\w&#;])[A-Za-z][\w.]{0,20}(?:-[\w.]{1,20}){1,3}(?::\w+)?")


@dataclass(frozen=True, slots=True)
class Paragraph:
    """One paragraph. ``tone``: some of ``lead``, ``good``, ``bad``, ``doubt``, ``note``, or empty."""

    text: str
    tone: str = ""
    kind: str = field(default="paragraph", init=False)


@dataclass(frozen=True, slots=True)
class Heading:
    text: str
    kind: str = field(default="heading", init=False)


@dataclass(frozen=True, slots=True)
class Bullets:
    items: tuple[str, ...]
    kind: str = field(default="bullets", init=False)


@dataclass(frozen=True, slots=True)
class Figure:
    """``html`` is trusted markup made here (SVG); ``file`` the drawing's name beside the report, if written."""

    html: str
    caption: str
    file: str = ""
    wide: bool = False
    kind: str = field(default="figure", init=False)


@dataclass(frozen=True, slots=True)
class Raw:
    """Trusted markup made here, with what stands for it in Markdown."""

    html: str
    markdown: str = ""
    kind: str = field(default="raw", init=False)


@dataclass(frozen=True, slots=True)
class TableBlock:
    """A table on the page. ``folded``: the words to click that open it; empty where it stands open."""

    table: Table
    folded: str = ""
    kind: str = field(default="table", init=False)


@dataclass(frozen=True, slots=True)
class Columns:
    """Blocks side by side where there is room, else one column after the other."""

    columns: tuple[tuple[Block, ...], ...]
    kind: str = field(default="columns", init=False)


Block = Paragraph | Heading | Bullets | Figure | Raw | TableBlock | Columns


def flat(blocks: Iterable[Block]) -> Iterator[Block]:
    """``blocks`` in order, columns opened."""
    for block in blocks:
        if isinstance(block, Columns):
            for column in block.columns:
                yield from flat(column)
        else:
            yield block


@dataclass(frozen=True, slots=True)
class Section:
    title: str
    anchor: str
    blocks: tuple[Block, ...]
    files: tuple[Table, ...] = ()
    """Further tables, written as files but not shown."""
    break_before: bool = False
    """Whether it begins on a new sheet when printed."""

    def tables(self) -> Iterator[Table]:
        for block in flat(self.blocks):
            if isinstance(block, TableBlock):
                yield block.table
        yield from self.files


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The one door to jinja2: templates of this package, everything escaped."""
    import jinja2

    found = jinja2.Environment(
        loader=jinja2.PackageLoader("powerfault.output.page", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.filters["ids"] = unbroken_ids
    return found


def unbroken_ids(words: object) -> Markup:
    """``words`` escaped, with every hyphenated id kept on one line."""
    from markupsafe import Markup, escape

    return Markup(_ID.sub(r'<span class="id">\g<0></span>', str(escape(str(words)))))


def section_html(section: Section) -> str:
    return environment().get_template("blocks.html.j2").render(section=section)


def section_markdown(section: Section) -> str:
    out = [f"## {escape_markdown(section.title)}"]
    for block in flat(section.blocks):
        if isinstance(block, Paragraph):
            text = escape_markdown(block.text)
            out.append(f"**{text}**" if block.tone.startswith(("lead", "bad")) else text)
        elif isinstance(block, Heading):
            out.append(f"### {escape_markdown(block.text)}")
        elif isinstance(block, Bullets):
            out.append("\n".join(f"- {escape_markdown(item)}" for item in block.items))
        elif isinstance(block, TableBlock):
            if block.table.rows:
                out.append(f"{escape_markdown(block.table.title)}:\n\n{markdown_table(block.table)}")
        elif isinstance(block, Figure):
            caption = escape_markdown(block.caption)
            out.append(f"![{caption}]({block.file})" if block.file else f"*{caption}*")
        elif isinstance(block, Raw) and block.markdown:
            out.append(block.markdown)
    return "\n\n".join(out) + "\n"
