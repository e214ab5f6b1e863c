"""Types of the arrays that functions take and return; each docstring gives the shapes."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
ComplexArray = npt.NDArray[np.complex128]


@lru_cache(maxsize=1)
def reuse_memory() -> None:
    """Let this process keep the memory of arrays that it has dropped, for the next ones.

    The C library of Linux returns arrays of 128 kB and more to the system, which then clears every
    page that is asked for again: a tenth of the time of sensing and judging with numpy, a sixth on
    the full path. Once it has been given back a larger array it keeps those up to this size (glibc,
    ``mallopt``: dynamic threshold, at most 32 MB). Elsewhere this does nothing.
    """
    np.empty(4_000_000)
