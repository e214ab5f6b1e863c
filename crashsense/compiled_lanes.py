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
)

__all__ = ["LANES", "check_lanes", "lanes_of", "noise_in_lanes", "over", "to_lanes"]

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
def _add(out: FloatArray, factor: FloatArray, table: FloatArray, at: IntArray, word: int) -> None:
    """Add each lane's factor times its word in its own row of a table."""
    for j in range(LANES):
        out[j] += factor[j] * table[at[j] + word]


@_jit
def _coded(line: FloatArray, out: FloatArray, grid: FloatArray) -> None:
    """Round to codes, cut, and turn into values again; *grid*: step, largest code, full scale."""
    step, limit = grid[0], grid[1]
    inverse = 1.0 / step
    for j in range(LANES):
        # To the nearest whole number, halves to even, as rint does below 2**51.
        code = (over(line[j], step, inverse) + _ROUND) - _ROUND
        code = limit if code > limit else code
        code = -limit if code < -limit else code
        out[j] = code * step


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
    draws, ticks = offset.size, tiles.shape[2]
    lines = tables.reshape((parts, tables.shape[1] * phases * words))
    own = np.zeros((parts + 2, LANES))  # factors, offset, deviation of the noise
    at = np.zeros(LANES, dtype=np.int64)
    begin = np.zeros(LANES, dtype=np.uint64)
    by = np.zeros(LANES, dtype=np.uint64)
    line = np.empty(LANES)
    coded = np.empty(LANES)
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
            for i in range(max(before - t, 0), min(CHUNK, before + words - t)):
                word = t + i - before
                line[:] = 0.0
                for k in range(parts - 1):
                    _add(line, own[k], lines[k], at, word)
                for j in range(LANES):
                    line[j] += own[parts, j]
                _add(line, own[parts - 1], lines[parts - 1], at, word)
                if start.size:
                    made = deck[i * LANES : (i + 1) * LANES]
                    for j in range(LANES):
                        line[j] += own[parts + 1, j] * made[j]
                elif noise.shape[0]:
                    made = noise[first // LANES, word]
                    for j in range(LANES):
                        line[j] += own[parts + 1, j] * made[j]
                if ticks_a_word == 1:
                    _coded(line, tile[word], grid)
                else:
                    _coded(line, coded, grid)
                    begins = ticks_a_word * word - early
                    for tick in range(max(begins, 0), min(begins + ticks_a_word, ticks)):
                        tile[tick] = coded


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
    to_lanes(given(np.zeros((1, 4))), index, tiles, 0)
