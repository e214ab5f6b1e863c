"""Largest absolute values of signals: what decides whether a sample can reach a stop or a cut."""

from __future__ import annotations

import numpy as np

from crashsense import engine
from crashsense.arrays import FloatArray


def largest_of_rows(samples: FloatArray) -> FloatArray:
    """Largest absolute value of each row; twin: ``compiled.readings.peaks``."""
    kernels = engine.kernels()
    if kernels is not None and samples.flags.c_contiguous:
        return np.asarray(kernels.peaks(engine.given(samples)))
    return np.asarray(np.maximum(samples.max(axis=-1), -samples.min(axis=-1)))


class Peaks:
    """Largest absolute value of each row of some signals, found once for all who feel them."""

    def __init__(self) -> None:
        #: beside the samples: as long as these are kept no others have their ids
        self._found: dict[int, tuple[FloatArray, FloatArray]] = {}
        self._most: dict[int, float] = {}

    def tell(self, samples: FloatArray, largest: FloatArray) -> None:
        """Note what is known of *samples* already."""
        self._found[id(samples)] = samples, largest

    def most(self, samples: FloatArray) -> float:
        """The largest of all rows of *samples*, as :meth:`of`."""
        key = id(samples)
        if key not in self._most:
            self._most[key] = float(self.of(samples).max())
        return self._most[key]

    def of(self, samples: FloatArray) -> FloatArray:
        """Those of *samples*, (rows, samples), which must not change again."""
        key = id(samples)
        if key not in self._found:
            self._found[key] = samples, largest_of_rows(samples)
        return self._found[key][1]
