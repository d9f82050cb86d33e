"""How wide a text is in Arial and the fonts cut to its widths (Arimo, Liberation Sans).

Drawings are laid out before any browser sees them, so boxes are sized by the widths of the font's own characters,
in thousandths of the font size. Anything outside ASCII counts as wide as a capital M, which errs on the safe side.
"""

from __future__ import annotations

_WIDTHS = (
    "278 278 355 556 556 889 667 191 333 333 389 584 278 333 278 278 556 556 556 556 556 556 556 556 556 556 278 278 "
    "584 584 584 556 1015 667 667 722 722 667 611 778 722 278 500 667 556 833 722 778 667 778 722 667 611 722 667 944 "
    "667 667 611 278 278 278 469 556 333 556 556 500 556 556 278 556 556 222 222 500 222 833 556 556 556 556 333 500 "
    "278 556 500 722 500 500 500 334 260 334 584"
)
_BY_CHARACTER = {chr(32 + i): int(w) for i, w in enumerate(_WIDTHS.split())}
_OTHER = 833
_BOLD = 1.07


def text_width(text: str, size: float, bold: bool = False) -> float:
    """The width of ``text`` at font size ``size``, in the unit of ``size``.

    >>> round(text_width("BUS-A", 10), 2)
    30.56
    """
    width = sum(_BY_CHARACTER.get(c, _OTHER) for c in text) * size / 1000
    return width * _BOLD if bold else width


def shorten(text: str, most: int) -> str:
    """Cut ``text`` to ``most`` characters with an ellipsis in the middle; control characters become spaces.

    >>> shorten("a-very-long-identifier", 11)
    'a-ver…ifier'
    """
    clean = "".join(c if c.isprintable() else " " for c in text[: 4 * most] + text[4 * most :][-most:])
    if len(clean) <= most:
        return clean
    head = (most - 1) - (most - 1) // 2
    return f"{clean[:head]}…{clean[-((most - 1) // 2) :]}"
