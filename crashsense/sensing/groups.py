"""Draws in groups so small that their samples stay in the processor's cache (engine ``numpy``)."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from crashsense.arrays import IntArray
from crashsense.draws import NOISE_ROWS, PAGE


def in_groups(at: IntArray) -> Iterator[IntArray]:
    """Cut places of draws into groups whose arrays stay in the cache."""
    for first in range(0, at.size, NOISE_ROWS):
        yield at[first : first + NOISE_ROWS]


def of_one_setting(setting: IntArray) -> Iterator[IntArray]:
    """Places of draws with equal filter settings, so few that their samples stay in the cache."""
    for s in np.unique(setting):
        mine = np.flatnonzero(setting == s)
        for first in range(0, mine.size, PAGE):
            yield mine[first : first + PAGE]


def place(at: IntArray) -> IntArray | slice:
    """Rising places as a slice where none lies between them: numpy then copies nothing."""
    first, last = int(at[0]), int(at[-1]) + 1
    return slice(first, last) if last - first == at.size else at
