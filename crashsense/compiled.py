"""Kernels compiled by numba (extra ``fast``); each has a numpy twin, named beside it.

Module level and ``cache=True``: compiled once on a machine, loaded in a fraction of a second after.
Rows run in groups of :data:`LANES`, so that the processor works on several rows at once where a
recursion along time would leave it waiting. A row's result never depends on the rows beside it.

Import only through :mod:`crashsense.engine`. The steps of the crash and ride models stand in
:mod:`crashsense.compiled_synthesis` and :mod:`crashsense.compiled_rollover`; reached here.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
import numpy.typing as npt

from crashsense.compiled_rollover import check_roll, roll_steps
from crashsense.compiled_synthesis import (
    chain_steps,
    check_steps,
    contact_steps,
    crush_steps,
    highest_under,
    modal_steps,
    ride_steps,
)

__all__ = [
    "chain_steps",
    "check",
    "check_roll",
    "check_steps",
    "contact_steps",
    "crush_steps",
    "fill_noise",
    "filter_by_setting",
    "filter_rows",
    "first_tick",
    "floored_sum",
    "highest_under",
    "modal_steps",
    "ride_steps",
    "roll_steps",
    "summary_of",
    "times_at_scales",
    "window_max",
    "window_sum",
    "words_of",
]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Rows of a group: of a plain recursion, and of a filter, whose longer chain of operations needs
#: more of them to keep the processor busy (3 sections: 8 rows 4.1 ns, 32 rows 2.3 ns a sample).
LANES = 8
FILTER_LANES = 32

#: Instants that are filtered at once: all lanes of a chunk stay in the nearest cache.
CHUNK = 64

#: Added to a number and taken away again it leaves no room for a fraction.
_ROUND = 1.5 * 2.0**52

#: Constants of the random words: those of :mod:`crashsense.draws`, which stands above this module.
GOLDEN = np.uint64(0x9E3779B97F4A7C15)
MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
MIX_2 = np.uint64(0x94D049BB133111EB)
_16_BITS = np.uint64(0xFFFF)
_30, _27, _31 = np.uint64(30), np.uint64(27), np.uint64(31)

_jit: Any = numba.njit(cache=True, nogil=True, fastmath=False)


@_jit
def mix(word: Any) -> Any:
    """Mix 64 bits; twin: ``draws._mix``."""
    word = (word ^ (word >> _30)) * MIX_1
    word = (word ^ (word >> _27)) * MIX_2
    return word ^ (word >> _31)


@_jit
def fill_noise(start: Any, step: Any, table: FloatArray, tail: FloatArray, out: FloatArray) -> None:
    """Fill each row of *out* with white noise of unit deviation; twin: ``draws.noise``, same bits.

    *start*, *step* (rows,) of :func:`crashsense.draws.rows_of`; *table*, *tail* (65536,) of
    :func:`crashsense.draws.noise_tables`.
    """
    rows, width = out.shape
    count = (width + 3) // 4
    words = np.empty(count, dtype=np.uint64)
    for row in range(rows):
        first, by = start[row], step[row]
        for i in range(count):
            words[i] = mix(first + np.uint64(i + 1) * by)
        for i in range(count):
            word = words[i]
            for k in range(min(4, width - 4 * i)):
                field = np.int64((word >> np.uint64(16 * k)) & _16_BITS)
                value = table[field]
                if field == 0 or field == 65535:
                    more = mix(word + np.uint64(k + 1) * GOLDEN)
                    value = tail[np.int64(more >> np.uint64(48))]
                    if field:
                        value = -value
                out[row, 4 * i + k] = value


@_jit
def _section(
    lanes: FloatArray, size: int, section: FloatArray, p: FloatArray, q: FloatArray
) -> None:
    """One second-order section over *size* instants of all lanes, in place; *p*, *q* its state."""
    b0, b1, b2, a1, a2 = section[0], section[1], section[2], section[4], section[5]
    for i in range(size):
        for j in range(lanes.shape[1]):
            x = lanes[i, j]
            y = b0 * x + p[j]
            p[j] = b1 * x - a1 * y + q[j]
            q[j] = b2 * x - a2 * y
            lanes[i, j] = y


@_jit
def _filter_some(
    sections: FloatArray,
    samples: FloatArray,
    chosen: IntArray,
    state: FloatArray,
    out: FloatArray,
) -> None:
    """Filter the *chosen* rows of *samples* into those of *out*, which may be *samples*."""
    n = samples.shape[1]
    count = sections.shape[0]
    first = 0
    while first < chosen.size:
        left = chosen.size - first
        lane_count = FILTER_LANES if left > 20 else 8 if left > 2 else 1
        width = min(lane_count, left)
        lanes = np.zeros((CHUNK, lane_count))
        p = np.zeros((count, lane_count))
        q = np.zeros((count, lane_count))
        if state.size:
            for k in range(count):
                for j in range(width):
                    p[k, j] = state[k, chosen[first + j], 0]
                    q[k, j] = state[k, chosen[first + j], 1]
        for start in range(0, n, CHUNK):
            size = min(CHUNK, n - start)
            for j in range(width):
                row = chosen[first + j]
                for i in range(size):
                    lanes[i, j] = samples[row, start + i]
            for k in range(count):
                _section(lanes, size, sections[k], p[k], q[k])
            for j in range(width):
                row = chosen[first + j]
                for i in range(size):
                    out[row, start + i] = lanes[i, j]
        first += width


@_jit
def filter_rows(sections: FloatArray, samples: FloatArray, state: FloatArray) -> FloatArray:
    """Second-order sections along each row; twin: ``scipy.signal.sosfilt`` with ``zi``.

    *sections* (sections, 6), *samples* (rows, n), *state* (sections, rows, 2), read only.
    """
    out = np.empty(samples.shape)
    _filter_some(sections, samples, np.arange(samples.shape[0]), state, out)
    return out


@_jit
def filter_by_setting(
    sections: FloatArray, setting: IntArray, samples: FloatArray, state: FloatArray
) -> None:
    """Filter each row of *samples* with its own setting's sections, in place.

    *sections* (settings, sections, 6), *setting* (rows,), *state* (sections, rows, 2) or empty for
    a start from zero. Rows of one setting run side by side.
    """
    for s in range(sections.shape[0]):
        chosen = np.flatnonzero(setting == s)
        if chosen.size:
            _filter_some(sections[s], samples, chosen, state, samples)


@_jit
def front_end(
    noise: FloatArray,
    sigma: float,
    signals: FloatArray,
    factors: FloatArray,
    offset: FloatArray,
    drift: FloatArray,
    ramp: FloatArray,
    level: float,
) -> tuple[IntArray, FloatArray]:
    """Readings ahead of the filter, in place of unit *noise*, cut at *level*.

    ``signals[k] factors[k, row]`` of all k, ``offset[row]``, ``drift[row] ramp``, added in this
    order, then *sigma* times noise. *signals* (parts, 1 or rows, n), *noise* (rows, ahead + n):
    before its first sample the reading stands still. Returns the samples cut and the reading at
    rest, of shape (rows,). Twin: ``OneSensor._readings``.
    """
    rows, n = noise.shape[0], signals.shape[2]
    ahead = noise.shape[1] - n
    cut = np.zeros(rows, dtype=np.int64)
    rest = np.empty(rows)
    line = np.empty(n)
    for row in range(rows):
        own = row if signals.shape[1] > 1 else 0
        for i in range(n):
            line[i] = factors[0, row] * signals[0, own, i]
        for k in range(1, signals.shape[0]):
            factor = factors[k, row]
            for i in range(n):
                line[i] += factor * signals[k, own, i]
        shift, slope = offset[row], drift[row]
        for i in range(n):
            line[i] = line[i] + shift + slope * ramp[i]
        first = line[0]
        rest[row] = min(max(first, -level), level)
        for i in range(ahead):
            x = sigma * noise[row, i] + first
            x = level if x > level else x
            noise[row, i] = -level if x < -level else x
        beyond = 0
        for i in range(n):
            x = sigma * noise[row, ahead + i] + line[i]
            beyond += abs(x) > level
            x = level if x > level else x
            noise[row, ahead + i] = -level if x < -level else x
        cut[row] = beyond
    return cut, rest


@_jit
def words_of(
    tables: FloatArray,
    factors: FloatArray,
    offset: FloatArray,
    noise: FloatArray,
    sigma: float,
    setting: IntArray,
    phase: IntArray,
    step: float,
    code_limit: float,
    full_scale: float,
) -> tuple[npt.NDArray[np.int32], FloatArray, IntArray, IntArray]:
    """Codes and values of the words of a linear chain, and the words beyond range and code limit.

    ``factors[k, row] tables[k, setting, phase]`` of all parts but the last, ``offset[row]``, the
    last part, ``sigma noise[row]``, added in this order, rounded to *step*, clipped. *tables*
    (parts, settings, phases, words), *factors* (parts, rows), *noise* (rows, words or 0). Twin:
    ``OneSensor._fast`` and ``chain.quantise``.
    """
    rows = offset.size
    parts, words = tables.shape[0], tables.shape[3]
    codes = np.empty((rows, words), dtype=np.int32)
    values = np.empty((rows, words))
    after = np.zeros(rows, dtype=np.int64)
    beyond = np.zeros(rows, dtype=np.int64)
    line = np.empty(words)
    for row in range(rows):
        s, p = setting[row], phase[row]
        for i in range(words):
            line[i] = factors[0, row] * tables[0, s, p, i]
        for k in range(1, parts - 1):
            factor = factors[k, row]
            for i in range(words):
                line[i] += factor * tables[k, s, p, i]
        shift = offset[row]
        for i in range(words):
            line[i] += shift
        factor = factors[parts - 1, row]
        for i in range(words):
            line[i] += factor * tables[parts - 1, s, p, i]
        if noise.shape[1]:
            for i in range(words):
                line[i] += sigma * noise[row, i]
        outside = 0
        cut = 0
        for i in range(words):
            x = line[i]
            outside += abs(x) > full_scale
            # To the nearest whole number, halves to even, as rint does below 2**51.
            code = (x / step + _ROUND) - _ROUND
            cut += abs(code) > code_limit
            code = code_limit if code > code_limit else code
            code = -code_limit if code < -code_limit else code
            line[i] = code
        for i in range(words):
            codes[row, i] = np.int32(line[i])
            values[row, i] = line[i] * step
        after[row] = outside
        beyond[row] = cut
    return codes, values, after, beyond


@_jit
def floored_sum(increments: FloatArray, decay: float, floor: bool) -> FloatArray:
    """``v = max(0, decay v + x)`` along each row; twin: ``rules.kernels.floored_sum``."""
    rows, n = increments.shape
    out = np.empty((rows, n))
    v = np.empty(LANES)
    lowest = 0.0 if floor else -np.inf
    for first in range(0, rows, LANES):
        width = min(LANES, rows - first)
        v[:] = 0.0
        for i in range(n):
            for j in range(width):
                value = max(decay * v[j] + increments[first + j, i], lowest)
                v[j] = value
                out[first + j, i] = value
    return out


@_jit
def window_sum(values: FloatArray, ticks: int) -> FloatArray:
    """Sum over the last *ticks* samples of each row; twin: ``rules.kernels.window_sum``."""
    rows, n = values.shape
    out = np.empty((rows, n))
    total = np.empty(n)
    for row in range(rows):
        running = 0.0
        for i in range(n):
            running += values[row, i]
            total[i] = running
        for i in range(min(ticks, n)):
            out[row, i] = total[i]
        for i in range(ticks, n):
            out[row, i] = total[i] - total[i - ticks]
    return out


@_jit
def window_max(values: FloatArray, ticks: int, fill: float) -> FloatArray:
    """Maximum over the last *ticks* samples; twin: ``rules.kernels.window_max``, same bits."""
    rows, n = values.shape
    out = np.empty((rows, n))
    now = np.empty(n)
    then = np.empty(n)
    for row in range(rows):
        for i in range(n):
            now[i] = values[row, i]
        span = 1
        while span < ticks:
            step = min(span, ticks - span)
            for i in range(min(step, n)):
                then[i] = max(now[i], fill)
            for i in range(step, n):
                then[i] = max(now[i], now[i - step])
            for i in range(n):
                now[i] = then[i]
            span += step
        for i in range(n):
            out[row, i] = now[i]
    return out


@_jit
def summary_of(
    total: FloatArray, allowed: IntArray, until: IntArray
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """First tick with demand >= 1 (-1 without), and largest demand in four spans.

    In all, up to the required time, before the allowed time, between both. Twin: ``scoring`` by
    numpy, same bits.
    """
    rows, n = total.shape
    fire = np.empty(rows, dtype=np.int64)
    largest = np.empty(rows)
    at_required = np.empty(rows)
    before = np.empty(rows)
    in_time = np.empty(rows)
    for row in range(rows):
        fired = -1
        top = 0.0
        required = 0.0
        early = 0.0
        inside = 0.0
        for i in range(n):
            x = total[row, i]
            if fired < 0 and x >= 1.0:
                fired = i
            if x > top:
                top = x
            if i < until[row]:
                if x > required:
                    required = x
                if i >= allowed[row] and x > inside:
                    inside = x
            if i < allowed[row] and x > early:
                early = x
        fire[row] = fired
        largest[row] = top
        at_required[row] = required
        before[row] = early
        in_time[row] = inside
    return fire, largest, at_required, before, in_time


@_jit
def first_tick(demand: FloatArray) -> IntArray:
    """First tick with demand 1 or more in each row, -1 without. Twin: ``scoring._first_tick``."""
    rows, n = demand.shape
    out = np.full(rows, -1, dtype=np.int64)
    for row in range(rows):
        for i in range(n):
            if demand[row, i] >= 1.0:
                out[row] = i
                break
    return out


@_jit
def times_at_scales(
    demand: FloatArray, scales: FloatArray, start_s: FloatArray, rate_hz: float
) -> FloatArray:
    """Time [s] at which demand first reaches each of the rising *scales*, NaN without.

    Sweep inside one pass: shape (rows, scales). Twin: ``scoring.fire_times_at_scales``.
    """
    rows, n = demand.shape
    out = np.full((rows, scales.size), np.nan)
    for row in range(rows):
        place = 0
        level = scales[0] if scales.size else np.inf
        for i in range(n):
            if demand[row, i] >= level:
                time = start_s[row] + i / rate_hz
                while place < scales.size and demand[row, i] >= scales[place]:
                    out[row, place] = time
                    place += 1
                if place == scales.size:
                    break
                level = scales[place]
    return out


def check() -> None:
    """Compile and run every kernel on next to nothing: raises where the compiler fails."""
    rows = np.ones((2, 4))
    one = np.ones(1, dtype=np.uint64)
    fill_noise(one, one, np.ones(65536), np.ones(65536), np.empty((1, 2)))
    through = np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]])
    index = np.zeros(2, dtype=np.int64)
    filter_rows(through, rows, np.zeros((1, 2, 2)))
    filter_by_setting(through[None], index, rows.copy(), np.zeros((1, 2, 2)))
    both = np.ones(2)
    front_end(rows.copy(), 1.0, np.ones((1, 1, 4)), both[None], both, both, np.ones(4), 2.0)
    tables = np.ones((2, 1, 1, 4))
    words_of(tables, rows[:, :2].copy(), both, rows, 1.0, index, index, 1.0, 2.0, 2.0)
    floored_sum(rows, 1.0, True)
    window_sum(rows, 2)
    window_max(rows, 2, 0.0)
    summary_of(rows, index, index)
    first_tick(rows)
    times_at_scales(rows, np.array([0.5, 1.0]), both, 1.0)
    check_steps()
    check_roll()
