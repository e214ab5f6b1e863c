"""Loops of the random shaking of places, compiled by numba (extra ``fast``); see :mod:`.kernels`.

Each has a twin in numpy, of the same name, in :mod:`crashsense.synthesis.location.shaking`, and
gives the same bits. Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.arrays import ComplexArray, FloatArray
from crashsense.compiled.caching import kernel

_jit: Any = kernel()


@_jit
def mode_powers(
    frequency_2: FloatArray,
    frequency_hz: FloatArray,
    damping: FloatArray,
    weight: FloatArray,
    out: FloatArray,
) -> None:
    """Power of the modes' answers to white force, a row a draw; twin in ``location.shaking``."""
    rows, modes = frequency_hz.shape
    for row in range(rows):
        for mode in range(modes):
            own_2 = frequency_hz[row, mode] * frequency_hz[row, mode]
            bend = 4.0 * (damping[row, mode] * damping[row, mode]) - 2.0
            part = weight[row, mode]
            for n in range(frequency_2.size):
                ratio = frequency_2[n] / own_2
                below = (ratio + bend) * ratio + 1.0
                answer = ratio * part
                power = answer * answer / below
                out[row, n] = power if mode == 0 else out[row, n] + power


@_jit
def put_spectra(
    own: FloatArray,
    common: FloatArray,
    share: float,
    rest: float,
    amplitude: FloatArray,
    edges: npt.NDArray[np.int64],
    first: int,
    out: ComplexArray,
) -> None:
    """Bins of each class of bands, a row a draw; twin in ``location.shaking``."""
    low = common.shape[2]
    for row in range(own.shape[0]):
        for kind in range(edges.size - 1):
            for n in range(edges[kind], edges[kind + 1]):
                real, imaginary = own[row, 0, n], own[row, 1, n]
                if n < low:
                    real = real * rest + share * common[row, 0, n]
                    imaginary = imaginary * rest + share * common[row, 1, n]
                level = amplitude[row, n]
                out[row, kind, first + n] = complex(real * level, imaginary * level)


@_jit
def sum_in_envelopes(motion: FloatArray, envelope: FloatArray, out: FloatArray) -> None:
    """Sum of three motions, each in its envelope, a row a draw; twin in ``location.shaking``."""
    for row in range(envelope.shape[0]):
        for n in range(envelope.shape[2]):
            out[row, n] = (
                motion[row, 0, n] * envelope[row, 0, n] + motion[row, 1, n] * envelope[row, 1, n]
            ) + motion[row, 2, n] * envelope[row, 2, n]


def check_shaking() -> None:
    """Compile and run every kernel on next to nothing."""
    one = np.ones((1, 1))
    told = np.ones((1, 1))
    told.setflags(write=False)
    mode_powers(told[0], told, told, told, one.copy())
    edges = np.zeros(4, dtype=np.int64)
    put_spectra(
        np.ones((1, 2, 1)), np.ones((1, 2, 0)), 1.0, 1.0, one, edges, 0,
        np.zeros((1, 3, 1), dtype=np.complex128),
    )  # fmt: skip
    sum_in_envelopes(np.ones((1, 3, 2)), np.ones((1, 3, 1)), one.copy())
