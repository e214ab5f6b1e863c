"""Kernels ahead of the words, compiled (extra ``fast``): reading of an element, a raised rate.

Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled.caching import kernel

_jit: Any = kernel()


#: All bits of a number but its sign: of numbers without one the larger has the larger bits.
_WITHOUT_SIGN = np.int64(0x7FFFFFFFFFFFFFFF)


@_jit
def peaks(samples: FloatArray) -> FloatArray:
    """Largest absolute value of each row. Twin: ``peaks.largest_of_rows``, same bits."""
    out = np.empty(samples.shape[0])
    bits, found = samples.view(np.int64), out.view(np.int64)
    for row in range(samples.shape[0]):
        most = np.int64(0)
        for i in range(samples.shape[1]):
            most = max(most, bits[row, i] & _WITHOUT_SIGN)
        found[row] = most
    return out


@_jit
def static_reading(
    samples: FloatArray, stop: float, full_scale: float, quadratic: float, cubic: float
) -> tuple[FloatArray, IntArray]:
    """Reading of an element without dynamics, and samples at the stop.

    Twin: ``chain.stop_at`` and ``chain.read_out``, same bits.
    """
    rows, n = samples.shape
    out = np.empty((rows, n))
    beyond = np.zeros(rows, dtype=np.int64)
    for row in range(rows):
        hits = 0
        for i in range(n):
            x = samples[row, i]
            hits += abs(x) > stop
            x = stop if x > stop else x
            out[row, i] = -stop if x < -stop else x
        beyond[row] = hits
        if quadratic != 0.0:
            for i in range(n):
                share = out[row, i] / full_scale
                out[row, i] = out[row, i] * (1.0 + quadratic * share + cubic * (share * share))
        elif cubic != 0.0:
            for i in range(n):
                share = out[row, i] / full_scale
                out[row, i] = out[row, i] * (1.0 + cubic * (share * share))
    return out, beyond


@_jit
def _add_one(line: FloatArray, factor: float, total: FloatArray) -> None:
    for i in range(total.size):
        total[i] += factor * line[i]


@_jit
def _add_four(
    line: FloatArray, f0: float, f1: float, f2: float, f3: float, total: FloatArray
) -> None:
    for i in range(total.size):
        one = (total[i] + f0 * line[i]) + f1 * line[i + 1]
        total[i] = (one + f2 * line[i + 2]) + f3 * line[i + 3]


@_jit
def upsampled(samples: FloatArray, taps: FloatArray) -> FloatArray:
    """Raise the rate by a whole factor; twin: ``scipy.signal.resample_poly``, same bits.

    *samples* (rows, n), continued along the line through the first and the last of each row; *taps*
    (factor, 2 reach + 1): the filter by phase, newest sample first.
    """
    rows, n = samples.shape
    up, count = taps.shape
    reach = (count - 1) // 2
    fours = count - count % 4
    out = np.empty((rows, n * up))
    line = np.zeros(n + 2 * reach + 4)
    piece = 256
    totals = np.empty(piece)
    for row in range(rows):
        slope = (samples[row, n - 1] - samples[row, 0]) / (n - 1)
        for i in range(reach):
            line[i] = samples[row, 0] + (i - reach) * slope
            line[reach + n + i] = samples[row, n - 1] + (i + 1) * slope
        for i in range(n):
            line[reach + i] = samples[row, i]
        for first in range(0, n, piece):
            size = min(piece, n - first)
            total = totals[:size]
            for p in range(up):
                total[:] = 0.0
                # Oldest first, as the twin adds them.
                own = taps[p, ::-1]
                for k in range(0, fours, 4):
                    here = line[first + k : first + k + size + 4]
                    _add_four(here, own[k], own[k + 1], own[k + 2], own[k + 3], total)
                for k in range(fours, count):
                    _add_one(line[first + k : first + k + size], own[k], total)
                for i in range(size):
                    out[row, (first + i) * up + p] = total[i]
    return out


@_jit
def deviations_of(z: FloatArray, numbers: FloatArray, warmer: FloatArray, out: FloatArray) -> None:
    """Gain, offset, drift and shares of other axes of every sensor and draw.

    *z* (sensors, draws, roles) deviations by role; *numbers* (sensors, 9 or more): tolerance and
    temperature coefficient of sensitivity, the same of offset, tolerance of the angle, cosine and
    sine of the nominal one, tolerances of drift and of cross-axis shares, and nominal share of each
    other axis; *warmer* (draws,); *out* (sensors, 3 or more, draws). Twin:
    ``sensing.tolerance._deviations``, the same bits.
    """
    for s in range(z.shape[0]):
        own = numbers[s]
        for i in range(z.shape[1]):
            role = z[s, i]
            sensitivity = 1.0 + own[0] * role[0] + own[1] * role[3] * warmer[i]
            small = own[4] * role[5]
            cosine = 1.0 - small * small / 2.0
            sine = small - small * small * small / 6.0
            out[s, 0, i] = sensitivity * (own[5] * cosine - own[6] * sine)
            out[s, 1, i] = own[2] * role[1] + own[3] * role[4] * warmer[i]
            out[s, 2, i] = own[7] * role[2]
            for k in range(out.shape[1] - 3):
                share = own[9 + k] + own[8] * role[6 + k]
                if k == 0:
                    share = own[6] * cosine + own[5] * sine + share
                out[s, 3 + k, i] = share * sensitivity


def check_readings() -> None:
    """Compile and run the kernels on next to nothing; arrays as the callers give them."""
    row, taps, roles, warmer = np.ones((1, 4)), np.ones((2, 3)), np.ones((1, 1, 8)), np.ones(1)
    numbers = np.ones((1, 11))
    for given in (row, taps, roles, warmer, numbers):
        given.setflags(write=False)
    deviations_of(roles, numbers, warmer, np.empty((1, 5, 1)))
    peaks(row)
    static_reading(row, 2.0, 2.0, 0.0, 0.0)
    upsampled(row, taps)
