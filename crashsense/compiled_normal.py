"""Kernels of few numbers a draw, uniform or normal by inversion (extra ``fast``).

Twins: ``draws.uniforms`` and ``draws.normals``, the same bits.

Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from math import frexp, sqrt
from typing import Any

import numpy as np

from crashsense import normal
from crashsense.arrays import FloatArray
from crashsense.compiled_kernel import kernel
from crashsense.compiled_noise import mix

_jit: Any = kernel(error_model="numpy")

_logarithm = _jit(normal.logarithm)
_of_middle = _jit(normal.of_middle)
_of_near_tail = _jit(normal.of_near_tail)
_of_far_tail = _jit(normal.of_far_tail)

_MIDDLE, _NEAR, _LEAST_FRACTION = normal.MIDDLE, normal.NEAR, normal.LEAST_FRACTION
_11 = np.uint64(11)
#: Numbers that are computed as if all lay in the middle, several at once, before the tails are.
_PIECE = 256
#: Largest number below 1.
_BELOW_ONE = 1.0 - 2.0**-53


@_jit
def _of_tails(p: float) -> float:
    """Quantile of a probability inside (0, 1), far from 1/2; twin: ``normal._of_tails``."""
    fraction, power = frexp(min(p, 1.0 - p))
    if fraction < _LEAST_FRACTION:
        fraction, power = 2.0 * fraction, power - 1
    root = sqrt(-_logarithm(fraction, float(power)))
    size = _of_near_tail(root) if root <= _NEAR else _of_far_tail(root)
    return -size if p < 0.5 else size


@_jit
def fill_fractions(start: Any, step: Any, out: FloatArray) -> None:
    """Fill each row of *out* with numbers uniform in (0, 1); twin: ``draws._fractions``, same bits.

    *start*, *step* (rows,) of its words: :func:`crashsense.draws.rows_of`.
    """
    rows, width = out.shape
    for row in range(rows):
        first, by = start[row], step[row]
        for i in range(width):
            word = mix(first + np.uint64(i + 1) * by)
            out[row, i] = min((float(word >> _11) + 0.5) * 2.0**-53, _BELOW_ONE)


@_jit
def fill_normals(start: Any, step: Any, out: FloatArray) -> None:
    """Fill each row of *out* with standard normal numbers; as :func:`fill_fractions`."""
    fill_fractions(start, step, out)
    flat = out.reshape(-1)
    middle = np.empty(_PIECE)
    for begin in range(0, flat.size, _PIECE):
        size = min(_PIECE, flat.size - begin)
        here = flat[begin : begin + size]
        for i in range(size):
            middle[i] = _of_middle(here[i] - 0.5)
        for i in range(size):
            p = here[i]
            here[i] = middle[i] if abs(p - 0.5) <= _MIDDLE else _of_tails(p)


def check_normal() -> None:
    """Compile and run the kernels on next to nothing."""
    one = np.ones(1, dtype=np.uint64)
    fill_fractions(one, one, np.empty((1, 2)))
    fill_normals(one, one, np.empty((1, 2)))
