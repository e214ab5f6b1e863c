"""Filtering forth and back: no delay, for what is known to its end. Never for a decision."""

from __future__ import annotations

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.filters.causal import filter_rows
from crashsense.filters.design import state_at_one


def mirrored_by(sections: FloatArray) -> int:
    """Samples that are mirrored at each end: three times those that a pass looks back."""
    missing = min((sections[:, 2] == 0.0).sum(), (sections[:, 5] == 0.0).sum())
    return 3 * (2 * len(sections) + 1 - int(missing))


def forth_and_back(
    samples: FloatArray, *, sections: FloatArray, mirrored: int | None = None
) -> FloatArray:
    """Filter along the last axis, then the result from its end to its start.

    Both ends are mirrored through their end point, and each pass starts settled on its first value.
    Twin of ``scipy.signal.sosfiltfilt``, the same bits, with whichever engine computes here.

    Parameters
    ----------
    samples : shape (..., samples)
    sections : shape (sections, 6)
    mirrored : samples that are mirrored at each end, fewer than there are; None: three times those
        that a pass looks back

    >>> sections = np.array([[0.25, 0.5, 0.25, 1.0, 0.0, 0.0]])
    >>> forth_and_back(np.arange(12.0), sections=sections).tolist() == list(range(12))
    True
    """
    if mirrored is None:
        mirrored = mirrored_by(sections)
    rows = samples.reshape(-1, samples.shape[-1])
    if mirrored:
        before = 2 * rows[:, :1] - rows[:, mirrored:0:-1]
        after = 2 * rows[:, -1:] - rows[:, -2 : -(mirrored + 2) : -1]
        rows = np.concatenate([before, rows, after], axis=-1)
    rest = state_at_one(sections)[:, np.newaxis, :]
    for _ in range(2):
        rows = filter_rows(rows, sections=sections, state=rest * rows[np.newaxis, :, :1])
        rows = rows[:, ::-1]
    return np.ascontiguousarray(rows[:, mirrored : rows.shape[-1] - mirrored]).reshape(
        samples.shape
    )
