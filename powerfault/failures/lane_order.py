"""Where each combination of k of q things stands in a row of lanes.

Combinations come by size, and of one size in colexicographic order, in which the combinations of the first things
come first; the place of c1 < c2 < ... < ck among those of size k is then C(c1, 1) + C(c2, 2) + ... + C(ck, k) (the
combinatorial number system).
"""

from __future__ import annotations

from functools import lru_cache
from math import comb

import numpy as np
from numpy.typing import NDArray


def sizes(q: int, order: int) -> list[int]:
    """Return how many combinations there are of 0, 1, ... ``order`` of ``q`` things."""
    return [comb(q, k) for k in range(order + 1)]


@lru_cache(maxsize=64)
def _binomials(q: int, k: int) -> NDArray[np.int64]:
    """C(0, k), C(1, k), ... C(q, k)."""
    return np.array([comb(i, k) for i in range(q + 1)], np.int64)


def rank(combinations: NDArray[np.int64], q: int) -> NDArray[np.int64]:
    """Return the places of ascending combinations, shape (n, k), among those of their size."""
    place = np.zeros(len(combinations), np.int64)
    for i in range(combinations.shape[1]):
        place += _binomials(q, i + 1)[combinations[:, i]]
    return place


def unrank(places: NDArray[np.int64], q: int, k: int) -> NDArray[np.int64]:
    """Return the combinations of size k of q things at ``places``, shape (n, k), each ascending."""
    left = np.asarray(places, np.int64)
    found = np.empty((len(left), k), np.int64)
    for i in range(k, 0, -1):
        table = _binomials(q, i)
        chosen = np.searchsorted(table, left, side="right") - 1
        found[:, i - 1] = chosen
        left = left - table[chosen]
    return found
