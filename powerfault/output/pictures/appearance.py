"""How a thing in a given state looks: one table of fills, borders, marks and words for all drawings.

Fills are those of Okabe and Ito (2008), which people with the common colour vision deficiencies tell apart; text
is black on all but black and blue. No state rests on colour alone: each has its own border or mark, and a word.
The same table gives the inline attributes of separate SVG files, the style sheet of the page, the legend and the
colours of DOT files.
"""

from __future__ import annotations

from dataclasses import dataclass

BLACK = "#000000"
ORANGE = "#E69F00"
SKY = "#56B4E9"
GREEN = "#009E73"
YELLOW = "#F0E442"
BLUE = "#0072B2"
VERMILION = "#D55E00"
PURPLE = "#CC79A7"
WHITE = "#FFFFFF"
GREY = "#6B6B6B"

FONT = "Arimo, 'Liberation Sans', Arial, Helvetica, sans-serif"


@dataclass(frozen=True, slots=True)
class Look:
    """The look of a node in one state. ``dash`` is an SVG dash list, ``mark`` the id of a mark or empty."""

    word: str
    fill: str
    text: str = BLACK
    border: str = BLACK
    width: float = 1.1
    dash: str = ""
    mark: str = ""
    about: str = ""


NODE_LOOKS: dict[str, Look] = {
    "live": Look("live", WHITE, about="has power throughout"),
    "idle": Look("idle", WHITE, GREY, GREY, 1.0, "5 2", about="without power even with nothing failed"),
    "open": Look("open", WHITE, GREY, GREY, 1.0, "2 2", "open", "switch standing open (valve: shut), as normally"),
    "loss": Look("failed", VERMILION, width=2.6, mark="loss", about="failed: gives nothing, passes nothing"),
    "short": Look("shorted", VERMILION, width=2.6, mark="short", about="failed as a short circuit"),
    "leak": Look("leaking", VERMILION, width=2.6, mark="leak", about="failed: loses its coolant"),
    "stuck": Look("stuck", VERMILION, width=2.6, mark="stuck", about="failed: stays in its normal position"),
    "closed": Look("stands closed", VERMILION, width=2.6, mark="closed", about="failed: closed unasked"),
    "zone": Look(
        "in the fault zone",
        PURPLE,
        width=2.0,
        dash="6 2",
        mark="zone",
        about="dead, pulled down by a short, or drained by a leak",
    ),
    "tripped": Look("tripped", YELLOW, width=2.0, dash="8 2 2 2", mark="tripped", about="opened by the fault"),
    "back1": Look(
        "restored automatically",
        GREEN,
        mark="back1",
        about="interrupted, or carried so long; back at stage automatic",
    ),
    "back2": Look(
        "restored on command",
        SKY,
        mark="back2",
        about="interrupted, or carried so long; back at stage commanded",
    ),
    "back3": Look(
        "restored by hand", ORANGE, mark="back3", about="interrupted, or carried so long; back at stage manual"
    ),
    "held": Look(
        "on storage",
        WHITE,
        border=BLUE,
        width=2.4,
        dash="10 2",
        mark="held",
        about="carried until a storage is flat, or while an interruption is borne; then without power",
    ),
    "dark": Look("dark", BLACK, WHITE, BLACK, 1.1, mark="dark", about="without power, not restored"),
    "absent": Look("not fitted", WHITE, "#767676", "#9A9A9A", 1.0, "1 3", about="not in this system"),
}
"""By state name; the name is the CSS class with ``s-`` before it. Order is the order of the legend."""

EDGE_LOOKS: dict[str, Look] = {
    "live": Look("live link", BLACK, width=1.1),
    "zone": Look("link in the fault zone", PURPLE, border=PURPLE, width=2.6, dash="6 2"),
    "back": Look("link restored", BLUE, border=BLUE, width=1.4, dash="8 2"),
    "dark": Look("dark link", GREY, border=GREY, width=1.0, dash="3 3"),
    "absent": Look("link not fitted", "#9A9A9A", border="#9A9A9A", width=0.9, dash="1 4"),
}

MARK_PATHS: dict[str, str] = {
    "loss": "M-3.2,-3.2 L3.2,3.2 M-3.2,3.2 L3.2,-3.2",
    "short": "M1.6,-4.2 L-2,0.6 L1.8,-0.4 L-1.4,4.2",
    "leak": "M0,-4 C2.4,-0.6 3,0.4 3,1.4 A3,3 0 0 1 -3,1.4 C-3,0.4 -2.4,-0.6 0,-4 Z",
    "stuck": "M-3,-3 H3 V3 H-3 Z M-3,0 H3",
    "closed": "M-4,0 H4 M-1.6,-2.6 V2.6 M1.6,-2.6 V2.6",
    "zone": "M-4,1 C-2.6,-3.4 -1.2,-3.4 0,0 S2.6,3.4 4,-1",
    "tripped": "M-4.2,1.6 H-1.6 L2.4,-2.8 M2,1.6 H4.2",
    "open": "M-4.2,1.6 H-1.6 L2.4,-2.8 M2,1.6 H4.2",
    "back1": "M-2.8,3.4 L0,-3.4 L2.8,3.4 M-1.7,0.9 H1.7",
    "back2": "M2.7,-2.1 C0.6,-4.4 -2.9,-3.2 -2.9,0 S0.6,4.4 2.7,2.1",
    "back3": "M-3,3.2 V-3.2 L0,0.8 L3,-3.2 V3.2",
    "held": "M-3.6,-2.2 H2.8 V2.2 H-3.6 Z M2.8,-0.9 H4.2 V0.9 H2.8",
    "dark": "M-3.4,0 H3.4",
    "added": "M-3.4,0 H3.4 M0,-3.4 V3.4",
    "removed": "M-3.4,0 H3.4",
    "changed": "M0,-3.4 L3.4,2.6 H-3.4 Z",
}
"""Strokes of the marks in a circle of radius 6 about (0, 0); drawn, so that no font is needed for them."""

MARK_RINGS = {"added": BLUE, "removed": BLUE, "changed": BLUE}

ROLE_DASHES = {"need": "1 3", "charge": "5 3 1 3", "command": "1 2 4 2", "member": "3 2"}
"""Dashes of the lines that carry no power: what is needed, charges, operates, or belongs to a function."""
ROLE_WORDS = {"need": "is needed by", "charge": "charges", "command": "operates", "member": "is a member of"}

ADDED = BLUE
ADDED_HALO = "#BFE0F5"
REMOVED_HALO = "#F3D9C4"
