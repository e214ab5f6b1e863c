"""Kernels compiled by numba (extra ``fast``); each has a numpy twin, named beside it.

Module level and ``cache=True``: compiled once on a machine, loaded in a fraction of a second after.
Rows run in groups of :data:`LANES`, so that the processor works on several rows at once where a
recursion along time would leave it waiting. A row's result never depends on the rows beside it.

Import only through :mod:`crashsense.engine`. The signal chain stands in
:mod:`crashsense.compiled.sensing` and :mod:`crashsense.compiled.lanes`, rules as operations in
:mod:`crashsense.compiled.rules`, the steps of the crash and ride models in
:mod:`crashsense.compiled.synthesis`, :mod:`crashsense.compiled.marches`,
:mod:`crashsense.compiled.car_marches` and :mod:`crashsense.compiled.shaking`; reached here.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled.caching import kernel
from crashsense.compiled.car_marches import (
    check_car_marches,
    ride_steps,
    roll_steps,
)
from crashsense.compiled.filters import check_filters, fill_words
from crashsense.compiled.lanes import (
    WIDTH,
    check_lanes,
    full_lanes_of,
    lanes_of,
    noise_in_lanes,
    signal_lanes_of,
    to_lanes,
)
from crashsense.compiled.marches import (
    blow_steps,
    chain_steps,
    check_marches,
    crush_steps,
    lasting_power,
    leak_steps,
    modal_steps,
)
from crashsense.compiled.normal import (
    check_normal,
    fill_fractions,
    fill_normals,
    fill_rows,
)
from crashsense.compiled.parts import parts_of, share_loops
from crashsense.compiled.places import check_places, put_motion, put_power
from crashsense.compiled.readings import (
    check_readings,
    deviations_of,
    peaks,
    static_reading,
    upsampled,
)
from crashsense.compiled.rules import check_rules, run_program
from crashsense.compiled.sensing import (
    Chain,
    Source,
    check_sensing,
    fill_noise,
    words_by_full_path,
    words_of,
    words_of_signals,
)
from crashsense.compiled.shaking import check_shaking, shake_places
from crashsense.compiled.synthesis import (
    check_steps,
    contact_steps,
    tyre_path,
)
from crashsense.compiled.vectors import aligned

__all__ = [
    "WIDTH",
    "Chain",
    "Source",
    "aligned",
    "blow_steps",
    "chain_steps",
    "check",
    "check_car_marches",
    "check_lanes",
    "check_marches",
    "check_normal",
    "check_places",
    "check_readings",
    "check_rules",
    "check_sensing",
    "check_steps",
    "contact_steps",
    "crush_steps",
    "deviations_of",
    "fill_fractions",
    "fill_noise",
    "fill_normals",
    "fill_rows",
    "fill_words",
    "filter_by_setting",
    "filter_rows",
    "first_tick",
    "floored_sum",
    "full_lanes_of",
    "lanes_of",
    "lasting_power",
    "leak_steps",
    "modal_steps",
    "noise_in_lanes",
    "parts_of",
    "peaks",
    "put_motion",
    "put_power",
    "ride_steps",
    "roll_steps",
    "run_program",
    "shake_places",
    "share_loops",
    "signal_lanes_of",
    "static_reading",
    "summary_of",
    "times_at_scales",
    "to_lanes",
    "tyre_path",
    "upsampled",
    "window_max",
    "window_sum",
    "words_by_full_path",
    "words_of",
    "words_of_signals",
]


#: Rows of a group: of a plain recursion, and of a filter, whose longer chain of operations needs
#: more of them to keep the processor busy (3 sections: 8 rows 4.1 ns, 32 rows 2.3 ns a sample).
LANES = 8
FILTER_LANES = 32

#: Instants that are filtered at once: all lanes of a chunk stay in the nearest cache.
CHUNK = 64

_jit: Any = kernel()


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
    """Maximum over the last *ticks* samples; twin: ``rules.kernels.window_max``, same bits.

    Pieces of *ticks* samples: a window is the end of one piece and the beginning of the next, and
    their maxima run along. *fill* stands before the first sample (van Herk 1992, Pattern
    Recognition Letters 13; from memory).
    """
    rows, n = values.shape
    out = np.empty((rows, n))
    ends = np.empty((ticks + 1, LANES))
    top = np.empty(LANES)
    for first in range(0, rows, LANES):
        width = min(LANES, rows - first)
        ends[:ticks] = fill
        ends[ticks] = -np.inf
        for start in range(0, n, ticks):
            size = min(ticks, n - start)
            top[:] = -np.inf
            for i in range(size):
                for j in range(width):
                    x = values[first + j, start + i]
                    t = x if x > top[j] else top[j]
                    top[j] = t
                    before = ends[i + 1, j]
                    out[first + j, start + i] = t if t > before else before
            if size == ticks:
                top[:] = -np.inf
                for i in range(ticks - 1, -1, -1):
                    for j in range(width):
                        x = values[first + j, start + i]
                        t = x if x > top[j] else top[j]
                        top[j] = t
                        ends[i, j] = t
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
    told = np.ones((2, 4))
    told.setflags(write=False)
    through = np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]])
    index = np.zeros(2, dtype=np.int64)
    filter_rows(through, rows, np.zeros((1, 2, 2)))
    filter_by_setting(through[None], index, rows.copy(), np.zeros((1, 2, 2)))
    both = np.ones(2)
    floored_sum(told, 1.0, True)
    window_sum(told, 2)
    window_max(told, 2, 0.0)
    summary_of(told, index, index)
    first_tick(told)
    times_at_scales(rows, np.array([0.5, 1.0]), both, 1.0)
    check_normal()
    check_sensing()
    check_readings()
    check_filters()
    check_lanes()
    check_rules()
    check_steps()
    check_marches()
    check_car_marches()
    check_places()
    check_shaking()
    aligned(0)
