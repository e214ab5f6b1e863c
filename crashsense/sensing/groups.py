"""Draws in groups so small that their samples stay in the processor's cache (engine ``numpy``)."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from crashsense.arrays import IntArray
from crashsense.draws import PAGE

#: Draws whose codes are computed at once: their arrays stay in the cache.
GROUP = 2 * PAGE


def in_groups(draws: int) -> Iterator[slice]:
    """Cut some draws into groups, of even size, whose arrays stay in the cache.

    >>> [(group.start, group.stop) for group in in_groups(2 * GROUP + 1)]
    [(0, 64), (64, 129)]
    """
    count = max(1, round(draws / GROUP))
    for number in range(count):
        yield slice(number * draws // count, (number + 1) * draws // count)


def runs_of(setting: IntArray) -> Iterator[slice]:
    """Cut draws in the order of their filter settings into groups of one setting, as small."""
    edges = np.flatnonzero(np.diff(setting, append=-1)) + 1
    for first, last in zip([0, *edges[:-1].tolist()], edges.tolist(), strict=True):
        for begin in range(first, last, PAGE):
            yield slice(begin, min(begin + PAGE, last))


def place(at: IntArray) -> IntArray | slice:
    """Rising places as a slice where none lies between them: numpy then copies nothing."""
    first, last = int(at[0]), int(at[-1]) + 1
    return slice(first, last) if last - first == at.size else at
