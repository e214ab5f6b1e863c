"""Motion of sensing locations, compiled by numba (extra ``fast``); see :mod:`.kernels`.

Each loop has a twin in numpy, of the same name, in :mod:`crashsense.synthesis.frontal.felt`, and
gives the same bits. Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.compiled.caching import kernel

_jit: Any = kernel()


@_jit
def yaw_of(yaw: FloatArray, step: float, square: FloatArray, turned: FloatArray) -> None:
    """Square of the yaw rate, and yaw angle, a row a draw; twin in ``frontal.felt``."""
    for row in range(yaw.shape[0]):
        # Only -0.0 leaves the first number as it is, whatever its sign.
        rates = angles = -0.0
        for n in range(yaw.shape[1]):
            rates += yaw[row, n]
            rate = rates * step
            angles += rate
            turned[row, n] = angles * step
            square[row, n] = rate * rate


@_jit
def body_axes(
    along: FloatArray,
    y: FloatArray,
    yaw: FloatArray,
    square: FloatArray,
    cosine: FloatArray,
    sine: FloatArray,
    ahead: float,
    right: float,
    across: bool,
    out: FloatArray,
) -> None:
    """Acceleration of a place in body axes, a row a draw; twin in ``frontal.felt``."""
    for row in range(out.shape[0]):
        for n in range(out.shape[1]):
            if across:
                own = y[row, n] * cosine[row, n] - along[row, n] * sine[row, n]
                out[row, n] = (own + ahead * yaw[row, n]) - right * square[row, n]
            else:
                own = along[row, n] * cosine[row, n] + y[row, n] * sine[row, n]
                out[row, n] = (own - right * yaw[row, n]) - ahead * square[row, n]


def check_places() -> None:
    """Compile and run every kernel on next to nothing."""
    one = np.ones((1, 2))
    yaw_of(one, 1.0, one.copy(), one.copy())
    body_axes(one, one, one, one, one, one, 1.0, 1.0, True, one.copy())
