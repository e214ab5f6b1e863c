"""Words of a linear chain in lanes, where a lane program reads them (extra ``fast``).

What ``compiled_sensing.words_of`` writes row by row stands here with draws side by side, a tile a
group of :data:`LANES`, and never leaves the cache on its way to the rules.

Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
from numba.extending import intrinsic

from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled_sensing import (
    CHUNK,
    LANES,
    SAMPLES,
    _deck_of,
    _filter_deck,
    _noise_of_lanes,
    _set_at_rest,
)

__all__ = [
    "LANES",
    "check_lanes",
    "full_lanes_of",
    "lanes_of",
    "noise_in_lanes",
    "over",
    "to_lanes",
]

#: Added to a number and taken away again it leaves no room for a fraction.
_ROUND = 1.5 * 2.0**52

_jit: Any = numba.njit(cache=True, nogil=True, fastmath=False, error_model="numpy")


@intrinsic  # type: ignore[untyped-decorator]
def fused(typing: Any, a: Any, b: Any, c: Any) -> Any:
    """``a b + c``, rounded once."""
    number = numba.types.float64
    return number(number, number, number), lambda _, builder, __, given: builder.fma(*given)


@_jit
def over(x: float, divisor: float, inverse: float) -> float:
    """``x / divisor`` to the last bit, without division; *inverse*: 1 / divisor.

    The product with the inverse, mended by what is left over (Markstein 1990, IBM Journal of
    Research and Development 34; from memory).
    """
    found = x * inverse
    return fused(fused(-found, divisor, x), inverse, found)


@_jit
def to_lanes(values: FloatArray, places: IntArray, tiles: FloatArray, channel: int) -> None:
    """Put values (draws, ticks) of a channel into *tiles* (groups, channels, ticks, LANES).

    *places* (draws,): place of each draw, counted through the lanes of all groups. Twin: none; it
    moves numbers.
    """
    for row in range(values.shape[0]):
        tile, lane = tiles[places[row] // LANES, channel], places[row] % LANES
        line = values[row]
        for i in range(line.size):
            tile[i, lane] = line[i]


@_jit
def noise_in_lanes(
    start: Any,
    step: Any,
    table: FloatArray,
    tail: FloatArray,
    sections: FloatArray,
    setting: IntArray,
    warm_up: int,
    words: int,
) -> FloatArray:
    """Noise in the words, of unit deviation ahead of the filter, (groups, words, LANES).

    Arguments as ``compiled_sensing.words_of``. Twin: ``OneSensor._made_noise``.
    """
    rows = start.size
    groups = -(-rows // LANES)
    out = np.zeros((groups, words, LANES))
    begin = np.zeros(LANES, dtype=np.uint64)
    by = np.zeros(LANES, dtype=np.uint64)
    for group in range(groups):
        first = group * LANES
        width = min(LANES, rows - first)
        begin[:width] = start[first : first + width]
        by[:width] = step[first : first + width]
        deck = _deck_of(sections, setting, first, width)
        for t in range(0, warm_up + words, CHUNK):
            _noise_of_lanes(begin, by, t, table, tail, deck)
            _filter_deck(deck)
            low = max(warm_up - t, 0)
            high = min(CHUNK, warm_up + words - t)
            if high > low:
                made = out[group, t + low - warm_up : t + high - warm_up].reshape(-1)
                here = deck[low * LANES : high * LANES]
                for k in range(made.size):
                    made[k] = here[k]
    return out


@_jit
def _parts_of(
    lines: FloatArray, own: FloatArray, rows: FloatArray, at: IntArray, first: int, size: int
) -> None:
    """Words *first* and on of every lane: its factors times its own row of each table.

    Lane after lane, along the rows: half the time of gathering tick after tick.
    """
    parts = rows.shape[0]
    for j in range(LANES):
        begin = at[j] + first
        row, factor = rows[0, begin : begin + size], own[0, j]
        for i in range(size):
            lines[i, j] = factor * row[i]
        for k in range(1, parts - 1):
            row, factor = rows[k, begin : begin + size], own[k, j]
            for i in range(size):
                lines[i, j] += factor * row[i]
        row, factor, offset = (
            rows[parts - 1, begin : begin + size],
            own[parts - 1, j],
            own[parts, j],
        )
        for i in range(size):
            lines[i, j] = lines[i, j] + offset + factor * row[i]


@_jit
def _add_noise(lines: FloatArray, factor: FloatArray, noise: FloatArray, size: int) -> None:
    for i in range(size):
        out, made = lines[i], noise[i]
        for j in range(LANES):
            out[j] += factor[j] * made[j]


@_jit
def _coded(lines: FloatArray, out: FloatArray, grid: FloatArray) -> None:
    """Round to codes, cut, and turn into values again; *grid*: step, largest code, full scale."""
    step, limit = grid[0], grid[1]
    inverse = 1.0 / step
    for k in range(out.size):
        # To the nearest whole number, halves to even, as rint does below 2**51.
        code = (over(lines[k], step, inverse) + _ROUND) - _ROUND
        code = code if code < limit else limit
        code = code if code > -limit else -limit
        out[k] = code * step


@_jit
def _at_ticks(
    lines: FloatArray,
    coded: FloatArray,
    tile: FloatArray,
    word: int,
    early: int,
    ticks_a_word: int,
    grid: FloatArray,
) -> None:
    """Code words, from number *word* on, and put them at their ticks; *coded*: room for them."""
    size = lines.shape[0]
    if ticks_a_word == 1:
        _coded(lines.reshape(-1), tile[word : word + size].reshape(-1), grid)
        return
    _coded(lines.reshape(-1), coded.reshape(-1)[: size * LANES], grid)
    for i in range(size):
        begins = ticks_a_word * (word + i) - early
        for tick in range(max(begins, 0), min(begins + ticks_a_word, tile.shape[0])):
            tile[tick] = coded[i]


@_jit
def lanes_of(
    tables: FloatArray,
    factors: FloatArray,
    offset: FloatArray,
    sigma: FloatArray,
    setting: IntArray,
    phase: IntArray,
    noise: FloatArray,
    start: Any,
    step: Any,
    table: FloatArray,
    tail: FloatArray,
    sections: FloatArray,
    warm_up: int,
    grid: FloatArray,
    first_draw: int,
    early: int,
    ticks_a_word: int,
    tiles: FloatArray,
    channel: int,
) -> None:
    """Values of the draws *first_draw* and on at every tick, into *tiles*.

    Arguments as ``compiled_sensing.words_of``, of all draws; but *noise* (groups, words, LANES), of
    :func:`noise_in_lanes`, or without groups. Word k stands at the ticks ``ticks_a_word k - early``
    and on. *tiles* (groups, channels, ticks, LANES): as many groups as fit are filled. Twin:
    ``OneSensor._fast``, ``chain.quantise`` and ``OneSensor._at_ticks``.
    """
    parts, phases, words = tables.shape[0], tables.shape[2], tables.shape[3]
    draws = offset.size
    rows = tables.reshape((parts, tables.shape[1] * phases * words))
    own = np.zeros((parts + 2, LANES))  # factors, offset, deviation of the noise
    at = np.zeros(LANES, dtype=np.int64)
    begin = np.zeros(LANES, dtype=np.uint64)
    by = np.zeros(LANES, dtype=np.uint64)
    lines = np.empty((CHUNK, LANES))
    coded = np.empty((CHUNK, LANES))
    for group in range(min(tiles.shape[0], -(-(draws - first_draw) // LANES))):
        first = first_draw + group * LANES
        width = min(LANES, draws - first)
        tile = tiles[group, channel]
        for j in range(width):
            for k in range(parts):
                own[k, j] = factors[k, first + j]
            own[parts, j], own[parts + 1, j] = offset[first + j], sigma[first + j]
            at[j] = (setting[first + j] * phases + phase[first + j]) * words
        before = 0 if start.size == 0 else warm_up
        deck = np.zeros(SAMPLES) if start.size == 0 else _deck_of(sections, setting, first, width)
        if start.size:
            begin[:width] = start[first : first + width]
            by[:width] = step[first : first + width]
        for t in range(0, before + words, CHUNK):
            if start.size:
                _noise_of_lanes(begin, by, t, table, tail, deck)
                _filter_deck(deck)
            low, high = max(before - t, 0), min(CHUNK, before + words - t)
            if high <= low:
                continue
            word, size = t + low - before, high - low
            _parts_of(lines, own, rows, at, word, size)
            if start.size:
                here = deck[low * LANES : high * LANES].reshape((size, LANES))
                _add_noise(lines, own[parts + 1], here, size)
            elif noise.shape[0]:
                here = noise[first // LANES, word : word + size]
                _add_noise(lines, own[parts + 1], here, size)
            _at_ticks(lines[:size], coded, tile, word, early, ticks_a_word, grid)


@_jit
def _felt(
    deck: FloatArray,
    own: FloatArray,
    signals: FloatArray,
    ramp: FloatArray,
    level: float,
    low: int,
    high: int,
    first: int,
) -> None:
    """Turn noise in a deck into readings, cut at *level*; samples *low* to *high* - 1.

    The first of them is sample *first* of the signals; those before *low* are at rest, as the first
    sample of all is. Last row of *own*: samples cut so far.
    """
    parts = signals.shape[0]
    offset, drift, sigma, cut = own[parts], own[parts + 1], own[parts + 2], own[parts + 3]
    line = np.empty(LANES)
    for i in range(high):
        at = first + i - low if i >= low else 0
        counts = 1.0 if i >= low else 0.0
        here = deck[i * LANES : (i + 1) * LANES]
        x, since = signals[0, at], ramp[at]
        for j in range(LANES):
            line[j] = own[0, j] * x
        for k in range(1, parts):
            x = signals[k, at]
            for j in range(LANES):
                line[j] += own[k, j] * x
        for j in range(LANES):
            felt = line[j] + offset[j] + drift[j] * since
            felt = sigma[j] * here[j] + felt
            cut[j] += counts if abs(felt) > level else 0.0
            felt = felt if felt < level else level
            here[j] = felt if felt > -level else -level


@_jit
def full_lanes_of(
    signals: FloatArray,
    factors: FloatArray,
    offset: FloatArray,
    drift: FloatArray,
    ramp: FloatArray,
    sigma: FloatArray,
    level: float,
    ahead: int,
    setting: IntArray,
    phase: IntArray,
    filters: FloatArray,
    rest: FloatArray,
    word: IntArray,
    every: int,
    words: int,
    start: Any,
    step: Any,
    table: FloatArray,
    tail: FloatArray,
    grid: FloatArray,
    first_draw: int,
    early: int,
    ticks_a_word: int,
    tiles: FloatArray,
    channel: int,
    cut: IntArray,
) -> None:
    """As :func:`lanes_of`, with noise and filter at the internal rate, cut ahead of the filter.

    *signals* (parts, samples) that all draws share, *factors* (parts, draws); else as
    ``compiled_sensing.words_by_full_path``. *cut* (draws,): result, samples cut. Twin:
    ``OneSensor._full_block``, ``chain.quantise`` and ``OneSensor._at_ticks``.
    """
    parts, samples = signals.shape
    draws = offset.size
    own = np.zeros((parts + 4, LANES))  # factors, offset, drift, deviation, samples cut
    begin = np.zeros(LANES, dtype=np.uint64)
    by = np.zeros(LANES, dtype=np.uint64)
    lines = np.empty((words, LANES))
    coded = np.empty((words if ticks_a_word > 1 else 0, LANES))
    taken = np.zeros(LANES, dtype=np.int64)
    for group in range(min(tiles.shape[0], -(-(draws - first_draw) // LANES))):
        first = first_draw + group * LANES
        width = min(LANES, draws - first)
        own[:] = 0.0
        taken[:] = 0
        deck = _deck_of(filters, setting, first, width)
        if start.size:
            begin[:width] = start[first : first + width]
            by[:width] = step[first : first + width]
        for j in range(width):
            still = 0.0
            for k in range(parts):
                own[k, j] = factors[k, first + j]
                still += factors[k, first + j] * signals[k, 0]
            own[parts, j], own[parts + 1, j] = offset[first + j], drift[first + j]
            own[parts + 2, j] = sigma[first + j]
            still = still + offset[first + j] + drift[first + j] * ramp[0]
            _set_at_rest(deck, rest[setting[first + j]], j, min(max(still, -level), level))
        for t in range(0, ahead + samples, CHUNK):
            if start.size:
                _noise_of_lanes(begin, by, t, table, tail, deck)
            else:
                deck[:SAMPLES] = 0.0
            low, high = min(max(ahead - t, 0), CHUNK), min(CHUNK, ahead + samples - t)
            _felt(deck, own, signals, ramp, level, low, high, t - ahead + low)
            _filter_deck(deck)
            for j in range(width):
                at = word[phase[first + j]] + every * taken[j] - t
                while at < high and taken[j] < words:
                    lines[taken[j], j] = deck[at * LANES + j]
                    at += every
                    taken[j] += 1
        _at_ticks(lines, coded, tiles[group, channel], 0, early, ticks_a_word, grid)
        for j in range(width):
            cut[first + j] = int(own[parts + 3, j])


def check_lanes() -> None:
    """Compile and run every kernel on next to nothing; arrays as the callers give them."""

    def given(array: Any) -> Any:
        array.setflags(write=False)
        return array

    one, none = given(np.ones(1, dtype=np.uint64)), given(np.empty(0, dtype=np.uint64))
    table, index = given(np.ones(65536)), given(np.zeros(1, dtype=np.int64))
    through = given(np.array([[[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]]]))
    unit, grid = given(np.ones(1)), given(np.array([1.0, 2.0, 2.0]))
    tables, factors = given(np.ones((2, 1, 1, 4))), given(np.ones((2, 1)))
    tiles = np.empty((1, 1, 4, LANES))
    noise = given(noise_in_lanes(one, one, table, table, through, index, 4, 4))
    for start in (one, none):
        lanes_of(
            *(tables, factors, unit, unit, index, index, noise, start, start, table, table),
            *(through, 4, grid, 0, 0, 1, tiles, 0),
        )
        full_lanes_of(
            *(given(np.ones((1, 4))), factors, unit, unit, given(np.ones(4)), unit, 2.0, 4),
            *(index, index, through, given(np.zeros((1, 1, 2))), index, 1, 4, start, start),
            *(table, table, grid, 0, 0, 1, tiles, 0, np.zeros(1, dtype=np.int64)),
        )
    to_lanes(given(np.zeros((1, 4))), index, tiles, 0)
