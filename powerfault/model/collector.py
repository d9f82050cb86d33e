"""How are very many values made at once without the collector of cycles looking through them again and again?

Each time a number of containers was made, Python looks through those that it holds for cycles that nothing refers to.
Where a million lists and dicts are made to be kept, that takes as long as making them, and there is nothing to find.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def collector_paused() -> Iterator[None]:
    """Pause the collector of cycles; also a decorator of functions (not of generators).

    >>> with collector_paused():
    ...     gc.isenabled()
    False
    >>> gc.isenabled()
    True
    """
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            gc.enable()
