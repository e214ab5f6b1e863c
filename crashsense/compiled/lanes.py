"""Words of a linear chain in lanes, where a lane program reads them (extra ``fast``).

What ``compiled.sensing.words_of`` writes row by row stands here with draws side by side, a tile a
group of :data:`LANES`, and never leaves the cache on its way to the rules.

Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
from numba.extending import intrinsic

from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled.caching import kernel
from crashsense.compiled.filters import (
    BLOCK,
    CHUNK,
    SAMPLES,
    deck_of,
    sections_in,
    set_at_rest,
    through,
)
from crashsense.compiled.noise import divide_outermost, next_numbers, noise_of_lanes, stream_of
from crashsense.compiled.steps import plain
from crashsense.compiled.vectors import (
    LANES,
    NUMBER,
    ROW,
    VECTORS,
    WIDTH,
    Given,
    Memory,
    Vector,
    address,
    aligned,
    chosen_by_code,
    everywhere,
    fetched_ahead,
    larger,
    smaller,
    turned,
)
from crashsense.compiled.words import (
    AHEAD,
    BEFORE,
    COUNT,
    EVERY,
    LEAD,
    LENGTH,
    OWN,
    PARTS,
    RAMP,
    SIGNALS,
    TOLD,
    Chain,
    Source,
    due_words,
    filtered_words,
    put_down,
    summed,
    within,
)
from crashsense.operations import NUMBERS

__all__ = [
    "LANES",
    "WIDTH",
    "check_lanes",
    "full_lanes_of",
    "lanes_of",
    "noise_in_lanes",
    "over",
    "signal_lanes_of",
    "to_lanes",
]

#: Added to a number and taken away again it leaves no room for a fraction.
_ROUND = 1.5 * 2.0**52

_jit: Any = kernel(error_model="numpy")


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
    source: Source,
    sections: FloatArray,
    setting: IntArray,
    warm_up: int,
    words: int,
) -> FloatArray:
    """Noise in the words, of unit deviation ahead of the filter, (groups, words, LANES).

    Arguments as ``compiled.sensing.words_of``. Twin: ``sensing.disturbance._noise``.
    """
    start, step, table, tail = source
    rows = start.size
    groups = -(-rows // LANES)
    out = np.zeros((groups, words, LANES))
    for group in range(groups):
        first = group * LANES
        width = min(LANES, rows - first)
        stream = stream_of(start, step, first, width, table, tail)
        deck = deck_of(sections, setting, first, width)
        for t in range(0, warm_up + words, CHUNK):
            noise_of_lanes(stream, table, tail, deck, True)
            low = max(warm_up - t, 0)
            high = min(CHUNK, warm_up + words - t)
            if high > low:
                made = out[group, t + low - warm_up : t + high - warm_up].reshape(-1)
                here = deck[low * LANES : high * LANES]
                for k in range(made.size):
                    made[k] = here[k]
    return out


def _coded(c: list[Vector], x: Vector) -> Vector:
    """Round to codes, cut, and turn into values again; *c*: step, largest code."""
    # To the nearest whole number, halves to even, as rint does below 2**51.
    code = larger(smaller(x.over(c[0]) + _ROUND - _ROUND, c[1]), -c[1])
    return code * c[0]


def _words(g: Given, *, tables: bool = True, filtered: bool = False) -> Any:
    """Values of words in all lanes: each lane's factors times its own row of each table, and noise.

    ``a``: noise by tick, ``b``: place of the first word of each lane in a table, then how many
    bytes ahead noise is fetched, ``c``: step and largest code; ``first``: tables of signals, of
    ``at`` numbers each, ``n`` of them, ``weights``: the table by which drift grows; ``memory``:
    factors of the signals, drift, offset, deviation of the noise, a row each. As many words as a
    vector has lanes are computed along the rows, lane after lane, and turned. Without
    *tables* nothing of a signal is there, or *filtered* ones: ``first`` is the address of their
    words in lanes.
    """
    b = g.builder
    drift, offset, deviation = (b.add(g.n, g.whole(k)) for k in range(3))
    signals, ahead = Memory(b, g.first), g.word(g.b.address, LANES)
    for j in range(VECTORS):
        sigma = g.memory.load(deviation, j)
        places = [g.word(g.b.address, WIDTH * j + lane) for lane in range(WIDTH)]

        def own(row: Any, lane: int, j: int = j) -> Vector:
            at = b.add(b.mul(row, g.whole(LANES)), g.whole(WIDTH * j + lane))
            return g.number(g.memory.address, at)

        def along(table: Any, lane: int, begin: Any, places: Any = places) -> Vector:
            return g.along(b.add(table, b.mul(b.add(places[lane], begin), g.whole(8))))

        def part(k: Any, lane: int, begin: Any, own: Any = own, along: Any = along) -> Vector:
            table = b.add(g.first, b.mul(b.mul(k, g.at), g.whole(8)))
            factor: Vector = own(k, lane)
            return factor * along(table, lane, begin)

        with g.pieces(WIDTH) as (begin, count):
            rows = [own(drift, lane) * along(g.weights, lane, begin) for lane in range(WIDTH)]
            if tables:
                sums = summed(
                    g,
                    g.n,
                    lambda lane: part(g.whole(0), lane, begin),
                    lambda k, lane: part(k, lane, begin),
                )
                for lane, found in enumerate(sums):
                    rows[lane] = found + own(offset, lane) + rows[lane]
            for i, line in enumerate(turned(rows)):
                with b.if_then(b.icmp_signed("<", g.whole(i), count)):
                    tick = b.add(begin, g.whole(i))
                    noise = b.add(g.a.address, b.mul(tick, g.whole(ROW)))
                    fetched_ahead(b, b.add(b.add(noise, ahead), g.whole(8 * WIDTH * j)))
                    if filtered:
                        line = signals.load(tick, j) + g.memory.load(offset, j) + line
                    elif not tables:
                        line = g.memory.load(offset, j) + line
                    g.out.store(_coded(g.c, line + sigma * g.a.load(tick, j)), tick, j)
    return g.at


def _full(g: Given) -> Any:
    """Next samples of all lanes: noise, what each draw feels, cut, filtered; words are put down.

    ``a``, ``first``, ``weights``, ``memory``, ``n``: as ``noise``, a stream of noise and a
    filter; ``at``: number of the first sample, the rest in front counted; ``b``: :data:`TOLD`:
    signals that all draws share (parts, samples), times by which drift grows, samples of rest (all
    are the first one, and not counted), how words are counted. What a lane owns: a row each,
    factors of the signals, offset, drift, deviation of the noise, samples cut so far at the level
    ``c[2]``, samples by which its words are later than the earliest ones.
    """
    b = g.builder
    told = [g.word(g.b.address, k) for k in range(TOLD)]
    samples, parts = told[LENGTH], told[PARTS]
    own, level = Memory(b, told[OWN]), g.c[2]
    offset, drift, sigma, cut, later = (b.add(parts, g.whole(k)) for k in range(5))

    places, counts = [], []
    for k in range(BLOCK):
        sample = b.sub(b.add(g.at, g.whole(k)), told[AHEAD])
        nearest = b.select(b.icmp_signed("<", sample, samples), sample, b.sub(samples, g.whole(1)))
        places.append(b.select(b.icmp_signed(">", nearest, g.whole(0)), nearest, g.whole(0)))
        counts.append(everywhere(b, b.uitofp(within(b, sample, samples), NUMBER)))
    due = due_words(g, told, g.at, BLOCK)

    def take(j: int, noise: list[Vector]) -> None:
        first = own.load(0, j)
        rooms = [g.kept(first * g.number(told[SIGNALS], place)) for place in places]
        with g.steps(b.sub(parts, g.whole(1))) as k:
            part = b.add(k, g.whole(1))
            factor, row = own.load(part, j), b.mul(part, samples)
            for room, place in zip(rooms, places, strict=True):
                x = g.number(told[SIGNALS], b.add(row, place))
                b.store((g.held(room) + factor * x).value, room)
        constant, slope, deviation = (own.load(row, j) for row in (offset, drift, sigma))
        beyond, readings = own.load(cut, j), []
        for room, place, one, x in zip(rooms, places, counts, noise, strict=True):
            felt = g.held(room) + constant + slope * g.number(told[RAMP], place)
            found = deviation * x + felt
            beyond = (found.magnitude() > level).choose(beyond + one, beyond)
            readings.append(larger(smaller(found, level), -level))
        own.store(beyond, cut, j)
        filtered = through(g, g.memory.address, g.n, j, readings)
        put_down(g, j, filtered, own.load(later, j), due)

    return next_numbers(g, g.a.address, g.first, g.weights, take)


_PLAIN, _OF_SIGNALS, _SILENT = 0, 1, 2

_words_of_lanes = chosen_by_code(
    {
        _PLAIN: _words,
        _OF_SIGNALS: lambda g: _words(g, tables=False, filtered=True),
        _SILENT: lambda g: _words(g, tables=False),
    }
)

_FULL, _CODED = 0, 1

_full_path = chosen_by_code({_FULL: _full, _CODED: plain(lambda c, a, b: _coded(c, a))})


@_jit
def _at_ticks(
    coded: FloatArray, tile: FloatArray, word: int, early: int, ticks_a_word: int, size: int
) -> None:
    """Put coded words, from number *word* on, at their ticks."""
    for i in range(size):
        begins = ticks_a_word * (word + i) - early
        for tick in range(max(begins, 0), min(begins + ticks_a_word, tile.shape[0])):
            tile[tick] = coded[i]


@_jit
def lanes_of(
    rows: FloatArray,
    factors: FloatArray,
    ramp: FloatArray,
    phases: int,
    words: int,
    drift: FloatArray,
    offset: FloatArray,
    sigma: FloatArray,
    setting: IntArray,
    phase: IntArray,
    noise: FloatArray,
    source: Source,
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

    Arguments as ``compiled.sensing.words_of``, of all draws; but *rows* (signals, settings phases
    words, and :data:`WIDTH` more; no signals where nothing happens) in place of tables, *factors*
    (signals, draws), and likewise *ramp* and *drift*, by which a draw grows; *noise* (groups,
    words, LANES), of :func:`noise_in_lanes`, or without groups. Word k stands at the ticks
    ``ticks_a_word k - early`` and on. *tiles* (groups, channels, ticks, LANES): as many groups as
    fit are filled. Twin: ``OneSensor._fast``, ``chain.quantise`` and ``OneSensor._at_ticks``.
    """
    parts = rows.shape[0]
    draws = offset.size
    own = aligned(parts + 3)  # factors, drift, offset, deviation of the noise
    at = np.zeros(LANES + 1, dtype=np.int64)
    for group in range(min(tiles.shape[0], -(-(draws - first_draw) // LANES))):
        first = first_draw + group * LANES
        width = min(LANES, draws - first)
        for j in range(width):
            for k in range(parts):
                own[k, j] = factors[k, first + j]
            own[parts, j], own[parts + 1, j] = drift[first + j], offset[first + j]
            own[parts + 2, j] = sigma[first + j]
            at[j] = (setting[first + j] * phases + phase[first + j]) * words
        _finish_words(
            *(aligned(0), rows, ramp, own, at, words, noise, source, sections, setting, warm_up),
            *(grid, first, width, early, ticks_a_word, tiles[group, channel]),
        )


@_jit
def _finish_words(
    filtered: FloatArray,
    rows: FloatArray,
    ramp: FloatArray,
    own: FloatArray,
    at: IntArray,
    words: int,
    noise: FloatArray,
    source: Source,
    sections: FloatArray,
    setting: IntArray,
    warm_up: int,
    grid: FloatArray,
    first: int,
    width: int,
    early: int,
    ticks_a_word: int,
    tile: FloatArray,
) -> None:
    """Add up the words of a group of draws and their noise; put their values at the ticks.

    *filtered* (words, LANES): of signals of their own; with neither these nor *rows* nothing
    happens. *own* (signals + 3, LANES): factors of *rows*, drift, offset, deviation of the noise;
    *at* (LANES + 1,): places in the rows, and room. Else as :func:`lanes_of`.
    """
    start, step, table, tail = source
    silent, nothing = aligned(CHUNK).reshape(-1), aligned(0)
    coded = aligned(CHUNK)
    c = np.zeros(NUMBERS)
    c[:2] = grid[:2]
    before = 0 if start.size == 0 else warm_up
    deck, stream = silent, nothing
    if start.size:
        deck = deck_of(sections, setting, first, width)
        stream = stream_of(start, step, first, width, table, tail)
    # Noise from a bank comes from far away: what the next piece needs is asked for in this one.
    at[LANES] = CHUNK * ROW if noise.shape[0] else 0
    code, signals = _PLAIN, address(rows)
    if filtered.shape[0] > 0:
        code, signals = _OF_SIGNALS, address(filtered)
    elif rows.shape[0] == 0:
        code = _SILENT
    for t in range(0, before + words, CHUNK):
        if start.size:
            noise_of_lanes(stream, table, tail, deck, True)
        low, high = max(before - t, 0), min(CHUNK, before + words - t)
        if high <= low:
            continue
        word, size = t + low - before, high - low
        made = address(deck) + low * ROW
        if noise.shape[0]:
            made = address(noise) + ((first // LANES) * words + word) * ROW
        out = address(coded) if ticks_a_word > 1 else address(tile) + word * ROW
        given = signals + (8 if rows.shape[0] else ROW) * word
        _words_of_lanes(
            *(code, out, made, address(at), address(c), address(own)),
            *(address(ramp) + 8 * word, rows.shape[1], given, rows.shape[0], size),
        )
        if ticks_a_word > 1:
            _at_ticks(coded, tile, word, early, ticks_a_word, size)


@_jit
def signal_lanes_of(
    reading: FloatArray,
    other: FloatArray,
    third: FloatArray,
    factors: FloatArray,
    element: FloatArray,
    rows: IntArray,
    ramp: FloatArray,
    phases: int,
    words: int,
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
    first_draw: int,
    early: int,
    ticks_a_word: int,
    tiles: FloatArray,
    channel: int,
) -> None:
    """As :func:`lanes_of`, where each draw has a signal of its own.

    *reading*, *other*, *third*, *factors*, *element*, *rows* and *chain* of all draws as
    ``compiled.sensing.words_of_signals``. Twin: ``OneSensor._fast``, ``chain.quantise``
    and ``OneSensor._at_ticks``.
    """
    draws = offset.size
    own, at = aligned(3), np.zeros(LANES + 1, dtype=np.int64)
    room, nothing = aligned(words), factors[:0]
    for group in range(min(tiles.shape[0], -(-(draws - first_draw) // LANES))):
        first = first_draw + group * LANES
        width = min(LANES, draws - first)
        signals = (reading, other, third)
        filtered_words(signals, factors, rows, setting, phase, chain, element, first, width, room)
        for j in range(width):
            own[0, j], own[1, j], own[2, j] = drift[first + j], offset[first + j], sigma[first + j]
            at[j] = (setting[first + j] * phases + phase[first + j]) * words
        _finish_words(
            *(room, nothing, ramp, own, at, words, noise, source, sections, setting, warm_up),
            *(grid, first, width, early, ticks_a_word, tiles[group, channel]),
        )


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
    chain: Chain,
    words: int,
    source: Source,
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
    ``compiled.sensing.words_by_full_path``. *cut* (draws,): result, samples cut. Twin:
    ``OneSensor._full_block``, ``chain.quantise`` and ``OneSensor._at_ticks``.
    """
    start, step, table, tail = source
    filters, rest, word, every = chain
    parts, samples = signals.shape
    draws = offset.size
    own = aligned(parts + 5)  # factors, offset, drift, deviation, samples cut, delay of the words
    coded = aligned(words if ticks_a_word > 1 else 0)
    c = np.zeros(NUMBERS)
    c[:2], c[2] = grid[:2], level
    earliest = word.min()
    lead = -earliest % every
    told = np.zeros(TOLD, dtype=np.int64)
    told[SIGNALS], told[RAMP], told[OWN] = address(signals), address(ramp), address(own)
    told[LENGTH], told[PARTS], told[COUNT] = samples, parts, words
    told[AHEAD], told[EVERY] = ahead, every
    told[LEAD], told[BEFORE] = lead, (earliest + lead) // every
    for group in range(min(tiles.shape[0], -(-(draws - first_draw) // LANES))):
        first = first_draw + group * LANES
        width = min(LANES, draws - first)
        own[:] = 0.0
        deck = deck_of(filters, setting, first, width)
        # Without a source every deviation is 0.
        noisy = width if start.size else 0
        stream = stream_of(start, step, first if noisy else 0, noisy, table, tail)
        for j in range(width):
            still = 0.0
            for k in range(parts):
                own[k, j] = factors[k, first + j]
                still += factors[k, first + j] * signals[k, 0]
            own[parts, j], own[parts + 1, j] = offset[first + j], drift[first + j]
            own[parts + 2, j] = sigma[first + j]
            own[parts + 4, j] = word[phase[first + j]] - earliest
            still = still + offset[first + j] + drift[first + j] * ramp[0]
            set_at_rest(deck, rest[setting[first + j]], j, min(max(still, -level), level))
        tile = tiles[group, channel]
        out = address(coded) if ticks_a_word > 1 else address(tile)
        at, own_filter, count = address(stream), address(deck) + 8 * SAMPLES, sections_in(deck)
        turn = 1
        for t in range(0, max(ahead + samples, earliest + every * words), BLOCK):
            state = (address(c), own_filter, address(table), t, turn, count, BLOCK)
            if _full_path(_FULL, out, at, address(told), *state):
                divide_outermost(stream, turn, tail)
            turn = 1 - turn
        _full_path(_CODED, out, out, out, address(c), 0, 0, 0, 0, 0, words)
        if ticks_a_word > 1:
            _at_ticks(coded, tile, 0, early, ticks_a_word, words)
        deck[0] = 0.0  # kept until here: the kernel knows its address only
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
    rows, factors = given(np.ones((2, 4 + WIDTH))), given(np.ones((2, 1)))
    ramp = given(np.ones(4 + WIDTH))
    row, nothing = given(np.ones((1, 4))), given(np.empty((0, 0)))
    tiles = np.empty((1, 1, 4, LANES))
    made = Source(one, one, table, table), through, index, 4, 4
    noise = given(noise_in_lanes(*made))
    chain = Chain(through, given(np.zeros((1, 1, 2))), index, 1)
    for start in (one, none):
        source = Source(start, start, table, table)
        lanes_of(
            *(rows, factors, ramp, 1, 4, unit, unit, unit, index, index, noise, source),
            *(through, 4, grid, 0, 0, 1, tiles, 0),
        )
        signal_lanes_of(
            *(row, nothing, nothing, given(np.ones((3, 1))), given(np.ones(3)), index),
            *(ramp, 1, 4, unit, unit, unit, index, index, chain),
            *(noise, source, through, 4, grid, 0, 0, 1, tiles, 0),
        )
        full_lanes_of(
            *(row, factors, unit, unit, given(np.ones(4)), unit, 2.0, 4),
            *(index, index, chain, 4, source, grid, 0, 0, 1, tiles, 0, np.zeros(1, dtype=np.int64)),
        )
    to_lanes(given(np.zeros((1, 4))), index, tiles, 0)
