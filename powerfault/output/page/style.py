"""The style sheet of the page: ``page.css`` with the looks of the drawings, from the one table that names them."""

from __future__ import annotations

from importlib import resources

from powerfault.output.pictures.appearance import (
    ADDED,
    ADDED_HALO,
    EDGE_LOOKS,
    GREY,
    NODE_LOOKS,
    REMOVED_HALO,
    ROLE_DASHES,
)


def page_css(document: str = "") -> str:
    """The whole style sheet; ``document`` names the document and its revision at the head of each printed page."""
    # Only plain characters stand in the text of the style sheet: nothing in it can end the rule or the element.
    words = "".join(f"\\{ord(c):06x}" for c in document[:120] if c.isprintable())
    rules = [f'@page{{@top-right{{content:"{words}";font:8pt Arimo,Arial,sans-serif}}}}'] if words else []
    rules += [resources.files("powerfault.output.page").joinpath("page.css").read_text("utf-8").rstrip()]
    for name, look in NODE_LOOKS.items():
        dash = f";stroke-dasharray:{look.dash}" if look.dash else ""
        fill = f"fill:{look.fill};stroke:{look.border};stroke-width:{look.width:g}{dash};color:{look.text}"
        rules.append(f".s-{name}>g:not(.halo){{{fill}}}")
    for name, look in EDGE_LOOKS.items():
        dash = f";stroke-dasharray:{look.dash}" if look.dash else ""
        stroke = f"fill:{look.border};stroke:{look.border};stroke-width:{look.width:g}{dash}"
        rules.append(f".l-{name}{{{stroke}}}")
    for role, dash in ROLE_DASHES.items():
        rules.append(f".l-{role}{{fill:{GREY};stroke:{GREY};stroke-width:.9;stroke-dasharray:{dash}}}")
    rules.append(f".h-added rect{{fill:{ADDED_HALO};stroke:{ADDED}}}")
    rules.append(f".h-removed rect,.h-changed rect{{fill:{REMOVED_HALO};stroke:#D55E00}}")
    rules.append(f".line .under{{stroke:{ADDED_HALO};stroke-width:6;stroke-dasharray:none}}")
    rules.append(f".line .under.gone{{stroke:{REMOVED_HALO}}}")
    return "\n".join(rules) + "\n"
