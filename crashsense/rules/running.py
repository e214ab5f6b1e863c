"""Sums and extremes that run along rows, by numpy in half the time of ``ufunc.accumulate``.

That stores every result and loads it again for the next one: 7 or 8 cycles a sample, whatever it
combines. Here a row is cut into groups of :data:`GROUP` samples, and samples at the same place of
their groups are brought together (:func:`apart`). All groups then run side by side; only their
last samples have to wait for each other, and what came before a group is combined with all of it at
the end (:func:`run`). Sample n depends on samples 0..n of its row only, bit for bit. A sum of terms
that are not negative never falls, and while terms are 0 it stays as it is.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

#: Samples of a group: fewer leave more to wait for, more take more calls of numpy.
GROUP = 12

#: Of fewer samples, all rows together, the calls take longer than they spare.
FEW_SAMPLES = 7_000


def to_extreme(values: npt.NDArray[Any], combine: np.ufunc) -> None:
    """Turn rows into their running extreme, in place; *combine*: ``maximum`` or ``minimum``."""
    if values.size < FEW_SAMPLES:
        combine.accumulate(values, axis=-1, out=values)
        return
    planes = apart(values)
    run(planes, combine)
    together(planes, values)


def apart(rows: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return a copy of rows, shape (place in the group, row, group).

    What the last group lacks is 0.
    """
    full, rest = divmod(rows.shape[1], GROUP)
    planes = np.empty((GROUP, len(rows), full + (rest > 0)), dtype=rows.dtype)
    planes[:, :, :full] = _full_groups(rows)
    if rest:
        planes[:rest, :, -1] = rows[:, -rest:].T
        planes[rest:, :, -1] = 0
    return planes


def together(planes: npt.NDArray[Any], rows: npt.NDArray[Any]) -> None:
    """Put into rows what :func:`apart` made of others of that shape."""
    full, rest = divmod(rows.shape[1], GROUP)
    _full_groups(rows)[...] = planes[:, :, :full]
    if rest:
        rows[:, -rest:] = planes[:rest, :, -1].T


def _full_groups(rows: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """View of rows, shape (place in the group, row, group), without an unfinished group."""
    full = rows.shape[1] // GROUP
    return rows[:, : full * GROUP].reshape(len(rows), full, GROUP).transpose(2, 0, 1)


def run(planes: npt.NDArray[Any], combine: np.ufunc) -> None:
    """Combine every sample with all before it, in place.

    *planes*: as from :func:`apart`; or rows with groups of one sample, shape (1, row, sample).
    """
    for earlier, now in pairwise(planes):
        combine(earlier, now, out=now)
    last, others = planes[-1], planes[:-1]
    combine.accumulate(last, axis=-1, out=last)
    if others.size:
        before = np.empty_like(last)
        before[:, 1:] = last[:, :-1]
        # Nothing is before the first group: 0 for a sum, and for an extreme its own first sample.
        before[:, :1] = others[0, :, :1] if combine.identity is None else combine.identity
        combine(before, others, out=others)
