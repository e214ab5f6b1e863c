"""Kernels of the signal chain, noise to codes, compiled (extra ``fast``); see :mod:`.kernels`.

Draws run side by side in groups of :data:`LANES`: a recursion along time would leave the processor
waiting. One pass takes a group from random words to codes, a piece of time after the other, in
arrays that stay in the nearest cache. A draw's result never depends on the draws beside it. Each
kernel has a numpy twin, named beside it.

Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled.caching import kernel
from crashsense.compiled.filters import CHUNK, SAMPLES, deck_of, filter_deck, set_at_rest
from crashsense.compiled.noise import fill_noise, noise_of_lanes, stream_of
from crashsense.compiled.vectors import LANES, aligned
from crashsense.compiled.words import Chain, Source, filtered_words

CodeArray = npt.NDArray[np.int32]

#: Added to a number and taken away again it leaves no room for a fraction.
_ROUND = 1.5 * 2.0**52

_jit: Any = kernel()


# --- noise ----------------------------------------------------------------------------------------


@_jit
def _noise_in_words(
    source: Source,
    sections: FloatArray,
    setting: IntArray,
    warm_up: int,
    first: int,
    width: int,
    out: FloatArray,
) -> None:
    """Noise in the words of a group of draws, of unit deviation ahead of the filter.

    *out* (lanes, words).
    """
    start, step, table, tail = source
    words = out.shape[1]
    deck = deck_of(sections, setting, first, width)
    stream = stream_of(start, step, first, width, table, tail)
    for t in range(0, warm_up + words, CHUNK):
        noise_of_lanes(stream, table, tail, deck, True)
        low = max(warm_up - t, 0)
        high = min(CHUNK, warm_up + words - t)
        for j in range(width):
            for i in range(low, high):
                out[j, t + i - warm_up] = deck[i * LANES + j]


# --- words ----------------------------------------------------------------------------------------


@_jit
def _quantised(
    line: FloatArray, grid: FloatArray, codes: CodeArray, values: FloatArray
) -> tuple[int, int]:
    """Round a row of words to codes; count words beyond the range, and beyond the last code.

    *grid*: step, largest code, full scale.
    """
    step, code_limit, full_scale = grid[0], grid[1], grid[2]
    outside = 0
    cut = 0
    for i in range(line.size):
        x = line[i]
        outside += abs(x) > full_scale
        # To the nearest whole number, halves to even, as rint does below 2**51.
        code = (x / step + _ROUND) - _ROUND
        cut += abs(code) > code_limit
        code = code_limit if code > code_limit else code
        code = -code_limit if code < -code_limit else code
        line[i] = code
    for i in range(line.size):
        codes[i] = np.int32(line[i])
        values[i] = line[i] * step
    return outside, cut


@_jit
def _words_of_row(
    tables: FloatArray,
    factors: FloatArray,
    first_part: int,
    row: int,
    offset: float,
    s: int,
    p: int,
    line: FloatArray,
) -> None:
    """Add the parts of a row to *line*: all tables but the last, offset, the last one (drift)."""
    words = line.size
    last = tables.shape[0] - 1
    for k in range(first_part, last):
        factor = factors[k, row]
        for i in range(words):
            line[i] += factor * tables[k, s, p, i]
    factor = factors[last, row]
    for i in range(words):
        line[i] = line[i] + offset + factor * tables[last, s, p, i]


@_jit
def words_of(
    tables: FloatArray,
    factors: FloatArray,
    offset: FloatArray,
    sigma: FloatArray,
    setting: IntArray,
    phase: IntArray,
    noise: FloatArray,
    source: Source,
    sections: FloatArray,
    warm_up: int,
    grid: FloatArray,
) -> tuple[CodeArray, FloatArray, IntArray, IntArray]:
    """Codes and values of the words of a linear chain, and the words beyond range and code limit.

    ``factors[k, row] tables[k, setting, phase]`` of all parts but the last, ``offset[row]``, the
    last part, ``sigma[row]`` times noise, added in this order, rounded, clipped. *tables* (parts,
    settings, phases, words), *factors* (parts, rows), *offset*, *sigma*, *setting*, *phase*
    (rows,). Noise: *noise* (rows, words), or made here where that has no rows, from *source* by
    *sections* (settings, sections, 6); without either there is none. *grid*: step,
    largest code, full scale. Twin: ``OneSensor._fast`` and ``chain.quantise``.
    """
    start, step, table, tail = source
    rows = offset.size
    words = tables.shape[3]
    codes = np.empty((rows, words), dtype=np.int32)
    values = np.empty((rows, words))
    after = np.zeros(rows, dtype=np.int64)
    beyond = np.zeros(rows, dtype=np.int64)
    line = np.empty(words)
    made = np.empty((LANES, words)) if start.size else np.empty((LANES, 0))
    for first in range(0, rows, LANES):
        width = min(LANES, rows - first)
        if start.size:
            _noise_in_words(source, sections, setting, warm_up, first, width, made)
        for j in range(width):
            row = first + j
            s, p = setting[row], phase[row]
            for i in range(words):
                line[i] = factors[0, row] * tables[0, s, p, i]
            _words_of_row(tables, factors, 1, row, offset[row], s, p, line)
            deviation = sigma[row]
            if start.size:
                for i in range(words):
                    line[i] += deviation * made[j, i]
            elif noise.shape[0]:
                for i in range(words):
                    line[i] += deviation * noise[row, i]
            after[row], beyond[row] = _quantised(line, grid, codes[row], values[row])
    return codes, values, after, beyond


@_jit
def _scaled(samples: FloatArray, factor: float, out: FloatArray) -> None:
    """*factor* times samples. Counted from nought in both: the compiler takes several at once."""
    for i in range(out.size):
        out[i] = factor * samples[i]


@_jit
def _add_scaled(samples: FloatArray, factor: float, out: FloatArray) -> None:
    for i in range(out.size):
        out[i] += factor * samples[i]


@_jit
def _cut_at(level: float, out: FloatArray) -> int:
    """Cut at *level*; count what lay beyond."""
    cut = 0
    for i in range(out.size):
        x = out[i]
        cut += abs(x) > level
        x = level if x > level else x
        out[i] = -level if x < -level else x
    return cut


@_jit
def _row_of(samples: FloatArray, row: int) -> FloatArray:
    """The row of a draw, or the one that all share."""
    return samples[row if samples.shape[0] > 1 else 0]


@_jit
def _felt_at_first(
    reading: FloatArray,
    other: FloatArray,
    third: FloatArray,
    factors: FloatArray,
    mine: int,
    row: int,
) -> float:
    """What a draw feels at its first sample: where it stood before."""
    x = factors[0, mine] * _row_of(reading, row)[0]
    if other.shape[0]:
        x += factors[1, mine] * _row_of(other, row)[0]
    if third.shape[0]:
        x += factors[2, mine] * _row_of(third, row)[0]
    return x


@_jit
def _felt(
    reading: FloatArray,
    other: FloatArray,
    third: FloatArray,
    factors: FloatArray,
    mine: int,
    row: int,
    first: int,
    here: FloatArray,
) -> None:
    """What a draw feels from sample *first* on, as many samples as *here* has room for."""
    last = first + here.size
    _scaled(_row_of(reading, row)[first:last], factors[0, mine], here)
    if other.shape[0]:
        _add_scaled(_row_of(other, row)[first:last], factors[1, mine], here)
    if third.shape[0]:
        _add_scaled(_row_of(third, row)[first:last], factors[2, mine], here)


@_jit
def _take_words(
    deck: FloatArray, from_word: int, every: int, size: int, lines: FloatArray, place: Any
) -> None:
    """Take the words of a lane that lie in a deck, the first of all at sample *from_word*.

    *place*: the lane, the number of its words, and in *lines* place of the first and step.
    """
    j, words, begin, step = place
    i = max(0, -(from_word // every))
    at = from_word + every * i
    while at < size and i < words:
        lines[begin + step * i] = deck[at * LANES + j]
        at += every
        i += 1


@_jit
def words_of_signals(
    reading: FloatArray,
    other: FloatArray,
    third: FloatArray,
    factors: FloatArray,
    element: FloatArray,
    rows: IntArray,
    ramp: FloatArray,
    drift: FloatArray,
    offset: FloatArray,
    sigma: FloatArray,
    setting: IntArray,
    phase: IntArray,
    chain: Chain,
    noise: FloatArray,
    source: Source,
    sections: FloatArray,
    warm_up: int,
    grid: FloatArray,
) -> tuple[CodeArray, FloatArray, IntArray, IntArray]:
    """As :func:`words_of`, where each draw has a signal of its own.

    *reading*, *other*, *third* (1 or draws, samples) at the internal rate, the last two perhaps
    without rows; *rows* (rows,) which of their rows; *factors* (3, rows); *element*: what has yet
    to read the first (:func:`filtered_words`). Their sum is filtered by the filters of *chain*,
    which have stood at its first value. Before its first sample a signal stands still. *ramp*
    (settings, phases, words), *drift* (rows,). Twin: ``OneSensor._fast`` and ``chain.quantise``.
    """
    start, step, table, tail = source
    count, words = rows.size, ramp.shape[2]
    codes = np.empty((count, words), dtype=np.int32)
    values = np.empty((count, words))
    after = np.zeros(count, dtype=np.int64)
    beyond = np.zeros(count, dtype=np.int64)
    made = np.empty((LANES, words)) if start.size else np.empty((LANES, 0))
    signals = (reading, other, third)
    room, line = aligned(words), np.empty(words)
    for first in range(0, count, LANES):
        width = min(LANES, count - first)
        if start.size:
            _noise_in_words(source, sections, setting, warm_up, first, width, made)
        filtered_words(signals, factors, rows, setting, phase, chain, element, first, width, room)
        for j in range(width):
            mine = first + j
            s, place = setting[mine], phase[mine]
            shift, slope, deviation = offset[mine], drift[mine], sigma[mine]
            for i in range(words):
                line[i] = room[i, j] + shift + slope * ramp[s, place, i]
            if start.size:
                for i in range(words):
                    line[i] += deviation * made[j, i]
            elif noise.shape[0]:
                for i in range(words):
                    line[i] += deviation * noise[mine, i]
            after[mine], beyond[mine] = _quantised(line, grid, codes[mine], values[mine])
    return codes, values, after, beyond


@_jit
def words_by_full_path(
    reading: FloatArray,
    other: FloatArray,
    third: FloatArray,
    factors: FloatArray,
    rows: IntArray,
    drift: FloatArray,
    offset: FloatArray,
    ramp: FloatArray,
    sigma: FloatArray,
    level: float,
    ahead: int,
    setting: IntArray,
    phase: IntArray,
    chain: Chain,
    words: int,
    source: Source,
    grid: FloatArray,
) -> tuple[CodeArray, FloatArray, IntArray, IntArray, IntArray]:
    """Noise at the internal rate, cut at *level* ahead of the filter; arguments as above.

    *ahead* samples of rest come first, so that noise has filled the filter; *word* counts from
    there. *ramp* (samples,). Returns as :func:`words_of_signals`, and the samples cut. Twin:
    ``OneSensor._full_block`` and ``chain.quantise``.
    """
    start, step, table, tail = source
    filters, rest, word, every = chain
    count, samples = rows.size, reading.shape[1]
    codes = np.empty((count, words), dtype=np.int32)
    values = np.empty((count, words))
    after = np.zeros(count, dtype=np.int64)
    beyond = np.zeros(count, dtype=np.int64)
    before = np.zeros(count, dtype=np.int64)
    line = np.empty((LANES, words))
    flat = line.reshape(-1)
    piece = np.empty(CHUNK)
    for first in range(0, count, LANES):
        width = min(LANES, count - first)
        deck = deck_of(filters, setting, first, width)
        still = np.zeros(LANES)
        stream = np.empty((0, 0))
        if start.size:
            stream = stream_of(start, step, first, width, table, tail)
        for j in range(width):
            row = rows[first + j]
            x = _felt_at_first(reading, other, third, factors, first + j, row)
            still[j] = x + offset[first + j] + drift[first + j] * ramp[0]
            set_at_rest(deck, rest[setting[first + j]], j, min(max(still[j], -level), level))
        for t in range(0, ahead + samples, CHUNK):
            if start.size:
                noise_of_lanes(stream, table, tail, deck, False)
            else:
                deck[:SAMPLES] = 0.0
            low = min(max(ahead - t, 0), CHUNK)
            high = min(CHUNK, ahead + samples - t)
            shift = t - ahead
            for j in range(width):
                row = rows[first + j]
                mine = first + j
                for i in range(low):
                    piece[i] = still[j]
                here = piece[low:high]
                _felt(reading, other, third, factors, mine, row, shift + low, here)
                constant, slope, deviation = offset[mine], drift[mine], sigma[mine]
                since = ramp[shift + low : shift + high]
                for i in range(here.size):
                    here[i] = here[i] + constant + slope * since[i]
                for i in range(high):
                    piece[i] = deviation * deck[i * LANES + j] + piece[i]
                _cut_at(level, piece[:low])
                before[mine] += _cut_at(level, here)
                for i in range(high):
                    deck[i * LANES + j] = piece[i]
            filter_deck(deck)
            for j in range(width):
                place = j, words, j * words, 1
                _take_words(deck, word[phase[first + j]] - t, every, high, flat, place)
        for j in range(width):
            mine = first + j
            after[mine], beyond[mine] = _quantised(line[j], grid, codes[mine], values[mine])
    return codes, values, after, beyond, before


def check_sensing() -> None:
    """Compile and run every kernel on next to nothing; arrays as the callers give them."""

    def given(array: Any) -> Any:
        array.setflags(write=False)
        return array

    one, none = np.ones(1, dtype=np.uint64), np.empty(0, dtype=np.uint64)
    table = given(np.ones(65536))
    fill_noise(one, one, table, table, np.empty((1, 2)))
    one, none = given(one), given(none)
    nothing, row = given(np.empty((0, 0))), given(np.ones((1, 4)))
    index, unit = given(np.zeros(1, dtype=np.int64)), given(np.ones(1))
    grid = given(np.array([1.0, 2.0, 2.0]))
    through = given(np.array([[[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]]]))
    state = given(np.zeros((1, 1, 2)))
    tables, ramp = given(np.ones((2, 1, 1, 4))), given(np.ones((1, 1, 4)))
    factors = given(np.ones((3, 1)))
    for start in (one, none):
        source = Source(start, start, table, table)
        noise = (nothing, source, through, 4)
        words_of(tables, factors, unit, unit, index, index, *noise, grid)
        words_of_signals(
            *(row, row, nothing, factors, grid, index, ramp, unit, unit, unit, index, index),
            *(Chain(through, state, index, 1), *noise, grid),
        )
        words_by_full_path(
            *(row, nothing, nothing, factors, index, unit, unit, row[0], unit, 2.0, 4),
            *(index, index, Chain(through, state, index, 1), 4, source, grid),
        )
