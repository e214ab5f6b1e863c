"""Kernels ahead of the words, compiled (extra ``fast``): reading of an element, a raised rate.

Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir

from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled.caching import kernel
from crashsense.compiled.vectors import (
    LINE,
    VECTORS,
    WIDTH,
    Given,
    Vector,
    address,
    chosen_by_code,
    interleaved,
)

_jit: Any = kernel()


#: All bits of a number but its sign: of numbers without one the larger has the larger bits.
_WITHOUT_SIGN = np.int64(0x7FFFFFFFFFFFFFFF)


@_jit
def _largest(bits: IntArray) -> Any:
    """Bits of the largest absolute value of a row, of those of its numbers."""
    most = np.int64(0)
    for i in range(bits.size):
        most = max(most, bits[i] & _WITHOUT_SIGN)
    return most


@_jit
def peaks(samples: FloatArray) -> FloatArray:
    """Largest absolute value of each row, no finite number where one of them is none.

    Twin: ``peaks.largest_of_rows``, same bits.
    """
    out = np.empty(samples.shape[0])
    bits, found = samples.view(np.int64), out.view(np.int64)
    for row in range(samples.shape[0]):
        found[row] = _largest(bits[row])
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


#: Phases that are made side by side (all of a signal at 2 kHz that is raised to 10 kHz), and
#: samples of each whose sums stay in registers.
PHASES = 5
PIECE = 2 * WIDTH


def _raised(g: Given) -> Any:
    """Write: :data:`PIECE` sums a phase of ``n`` taps at ``weights`` times a row at ``a``.

    Taps of all phases stand side by side; sums go to ``out``, in order of time.
    """
    b = g.builder
    none = Vector(b, ir.Constant(LINE, [0.0] * WIDTH))
    vectors = range(PIECE // WIDTH)
    sums = [[g.kept(none) for _ in vectors] for _ in range(PHASES)]
    with g.steps(g.n) as k:
        here = b.add(g.a.address, b.mul(k, g.whole(8)))
        felt = [g.along(b.add(here, g.whole(8 * WIDTH * v))) for v in vectors]
        taps = b.mul(k, g.whole(PHASES))
        for p, own in enumerate(sums):
            tap = g.number(g.weights, b.add(taps, g.whole(p)))
            for total, x in zip(own, felt, strict=True):
                b.store((g.held(total) + tap * x).value, total)
    for v in vectors:
        for k, in_turn in enumerate(interleaved([g.held(own[v]) for own in sums])):
            place = PHASES * v + k
            g.out.store(in_turn, place // VECTORS, place % VECTORS)
    return g.at


_run = chosen_by_code({0: _raised})


@_jit
def upsampled(samples: FloatArray, taps: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Raise the rate by a whole factor; twin: ``scipy.signal.resample_poly``, same bits.

    *samples* (rows, n), continued along the line through the first and the last of each row; *taps*
    (factor, 2 reach + 1): the filter by phase, newest sample first. Also the largest absolute value
    of each row, found while the row is near.
    """
    rows, n = samples.shape
    up, count = taps.shape
    reach = (count - 1) // 2
    groups = (up + PHASES - 1) // PHASES
    out, largest = np.empty((rows, n * up)), np.empty(rows)
    bits, found = out.view(np.int64), largest.view(np.int64)
    line = np.zeros(n + 2 * reach + PIECE)
    own = np.zeros((groups, count, PHASES))
    for p in range(up):
        for k in range(count):  # oldest first, as the twin adds them
            own[p // PHASES, k, p % PHASES] = taps[p, count - 1 - k]
    total = np.empty((groups, PIECE, PHASES))
    told, weights, here = address(line), address(own), address(total)
    for row in range(rows):
        slope = (samples[row, n - 1] - samples[row, 0]) / (n - 1)
        for i in range(reach):
            line[i] = samples[row, 0] + (i - reach) * slope
            line[reach + n + i] = samples[row, n - 1] + (i + 1) * slope
        for i in range(n):
            line[reach + i] = samples[row, i]
        for first in range(0, n, PIECE):
            at = told + 8 * first
            if up == PHASES and first + PIECE <= n:
                into = address(out) + 8 * up * (row * n + first)
                _run(0, into, at, at, at, at, weights, 0, 0, count, 0)
                continue
            for g in range(groups):
                into, by = here + 8 * PIECE * PHASES * g, weights + 8 * count * PHASES * g
                _run(0, into, at, at, at, at, by, 0, 0, count, 0)
            raised = out[row, first * up : min(first + PIECE, n) * up].reshape((-1, up))
            for i in range(raised.shape[0]):
                for p in range(up):
                    raised[i, p] = total[p // PHASES, i, p % PHASES]
        found[row] = _largest(bits[row])
    # Kept until here: the sums know addresses only.
    line[0] = own[0, 0, 0] + total[0, 0, 0]
    return out, largest


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
