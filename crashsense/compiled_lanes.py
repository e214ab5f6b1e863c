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
from crashsense.compiled_kernel import kernel
from crashsense.compiled_noise import CHUNK, noise_of_lanes
from crashsense.compiled_sensing import (
    LANES,
    SAMPLES,
    Chain,
    Source,
    _deck_of,
    _filter_deck,
    _set_at_rest,
    _take_words,
)
from crashsense.compiled_steps import plain
from crashsense.compiled_vectors import (
    ROW,
    VECTORS,
    WIDTH,
    Given,
    Vector,
    address,
    aligned,
    chosen_by_code,
    everywhere,
    larger,
    smaller,
    turned,
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

    Arguments as ``compiled_sensing.words_of``. Twin: ``OneSensor._made_noise``.
    """
    start, step, table, tail = source
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
            noise_of_lanes(begin, by, t, table, tail, deck)
            _filter_deck(deck)
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


def _words(g: Given) -> Any:
    """Values of words in all lanes: each lane's factors times its own row of each table, and noise.

    ``a``: noise by tick, ``b``: place of the first word of each lane in a table, ``c``: step and
    largest code, ``memory``: factors of the tables, offset, deviation of the noise, a row each;
    ``weights``: tables, of ``at`` numbers each; ``n``: how many there are. As many words as a
    vector has lanes are computed along the rows, lane after lane, and turned.
    """
    b = g.builder
    last = b.sub(g.n, g.whole(1))
    for j in range(VECTORS):
        sigma = g.memory.load(b.add(g.n, g.whole(1)), j)
        places = [g.word(g.b.address, WIDTH * j + lane) for lane in range(WIDTH)]
        rooms = [g.kept(sigma) for _ in range(WIDTH)]

        def part(k: Any, lane: int, begin: Any, j: int = j, places: Any = places) -> Vector:
            own = b.add(b.mul(k, g.whole(LANES)), g.whole(WIDTH * j + lane))
            factor = g.number(g.memory.address, own)
            at = b.add(b.add(b.mul(k, g.at), places[lane]), begin)
            return factor * g.along(b.add(g.weights, b.mul(at, g.whole(8))))

        with g.pieces(WIDTH) as (begin, count):
            for lane, room in enumerate(rooms):
                b.store(part(g.whole(0), lane, begin).value, room)
            with g.steps(b.sub(last, g.whole(1))) as k:
                for lane, room in enumerate(rooms):
                    found = g.held(room) + part(b.add(k, g.whole(1)), lane, begin)
                    b.store(found.value, room)
            rows = []
            for lane, room in enumerate(rooms):
                own = b.add(b.mul(g.n, g.whole(LANES)), g.whole(WIDTH * j + lane))
                offset = g.number(g.memory.address, own)
                rows.append(g.held(room) + offset + part(last, lane, begin))
            for i, line in enumerate(turned(rows)):
                with b.if_then(b.icmp_signed("<", g.whole(i), count)):
                    tick = b.add(begin, g.whole(i))
                    g.out.store(_coded(g.c, line + sigma * g.a.load(tick, j)), tick, j)
    return g.at


def _felt(g: Given) -> Any:
    """Readings: what each draw feels, and noise, cut at the level ``c[2]`` ahead of the filter.

    ``a``: noise by sample; ``weights``: signals that all draws share, ``at`` samples each, ``n`` of
    them; ``b``: the time by which drift grows; ``first``: 1, or 0 where all samples are the first
    one, which are not counted; ``memory``: a row each, factors of the signals, offset, drift,
    deviation of the noise, samples cut so far.
    """
    b = g.builder
    level, last = g.c[2], b.sub(g.n, g.whole(1))
    rows = [b.add(g.n, g.whole(k)) for k in range(4)]
    cuts = [g.kept(g.memory.load(rows[3], j)) for j in range(VECTORS)]
    felt = [g.kept(level) for _ in range(VECTORS)]
    one = everywhere(b, b.sitofp(g.first, g.c[0].value.type.element))
    with g.steps(g.ticks) as i:
        sample = b.mul(i, g.first)
        since = g.number(g.b.address, sample)
        x = g.number(g.weights, sample)
        for j, room in enumerate(felt):
            b.store((g.memory.load(0, j) * x).value, room)
        with g.steps(last) as k:
            part = b.add(k, g.whole(1))
            x = g.number(g.weights, b.add(b.mul(part, g.at), sample))
            for j, room in enumerate(felt):
                b.store((g.held(room) + g.memory.load(part, j) * x).value, room)
        for j, room in enumerate(felt):
            offset, drift, sigma = (g.memory.load(rows[k], j) for k in range(3))
            found = sigma * g.a.load(i, j) + (g.held(room) + offset + drift * since)
            beyond = (found.magnitude() > level).choose(one, 0.0)
            b.store((g.held(cuts[j]) + beyond).value, cuts[j])
            g.out.store(larger(smaller(found, level), -level), i, j)
    for j, room in enumerate(cuts):
        g.memory.store(g.held(room), rows[3], j)
    return g.at


_WORDS, _CODED, _FELT = 0, 1, 2

_lanes = chosen_by_code({_WORDS: _words, _CODED: plain(lambda c, a, b: _coded(c, a)), _FELT: _felt})


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
    phases: int,
    words: int,
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
    first_draw: int,
    early: int,
    ticks_a_word: int,
    tiles: FloatArray,
    channel: int,
) -> None:
    """Values of the draws *first_draw* and on at every tick, into *tiles*.

    Arguments as ``compiled_sensing.words_of``, of all draws; but *rows* (parts, settings phases
    words, and :data:`WIDTH` more) in place of tables, and *noise* (groups, words, LANES), of
    :func:`noise_in_lanes`, or without groups. Word k stands at the ticks ``ticks_a_word k - early``
    and on. *tiles* (groups, channels, ticks, LANES): as many groups as fit are filled. Twin:
    ``OneSensor._fast``, ``chain.quantise`` and ``OneSensor._at_ticks``.
    """
    start, step, table, tail = source
    parts = rows.shape[0]
    draws = offset.size
    own = aligned(parts + 2)  # factors, offset, deviation of the noise
    at = np.zeros(LANES, dtype=np.int64)
    begin = np.zeros(LANES, dtype=np.uint64)
    by = np.zeros(LANES, dtype=np.uint64)
    coded = aligned(CHUNK)
    c = np.zeros(NUMBERS)
    c[:2] = grid[:2]
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
                noise_of_lanes(begin, by, t, table, tail, deck)
                _filter_deck(deck)
            low, high = max(before - t, 0), min(CHUNK, before + words - t)
            if high <= low:
                continue
            word, size = t + low - before, high - low
            made = address(deck) + low * ROW
            if noise.shape[0]:
                made = address(noise) + ((first // LANES) * words + word) * ROW
            out = address(coded) if ticks_a_word > 1 else address(tile) + word * ROW
            _lanes(
                *(_WORDS, out, made, address(at), address(c), address(own)),
                *(address(rows) + 8 * word, rows.shape[1], 0, parts, size),
            )
            if ticks_a_word > 1:
                _at_ticks(coded, tile, word, early, ticks_a_word, size)


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
    ``compiled_sensing.words_by_full_path``. *cut* (draws,): result, samples cut. Twin:
    ``OneSensor._full_block``, ``chain.quantise`` and ``OneSensor._at_ticks``.
    """
    start, step, table, tail = source
    filters, rest, word, every = chain
    parts, samples = signals.shape
    draws = offset.size
    own = aligned(parts + 4)  # factors, offset, drift, deviation, samples cut
    begin = np.zeros(LANES, dtype=np.uint64)
    by = np.zeros(LANES, dtype=np.uint64)
    lines = aligned(words)
    flat = lines.reshape(-1)
    coded = aligned(words if ticks_a_word > 1 else 0)
    c = np.zeros(NUMBERS)
    c[:2], c[2] = grid[:2], level
    for group in range(min(tiles.shape[0], -(-(draws - first_draw) // LANES))):
        first = first_draw + group * LANES
        width = min(LANES, draws - first)
        own[:] = 0.0
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
                noise_of_lanes(begin, by, t, table, tail, deck)
            else:
                deck[:SAMPLES] = 0.0
            low, high = min(max(ahead - t, 0), CHUNK), min(CHUNK, ahead + samples - t)
            # Before the first sample all is at rest, as it is there.
            made, since, x = address(deck), address(ramp), address(signals)
            rest_of = (address(c), address(own), x, samples, 0, parts, low)
            _lanes(_FELT, made, made, since, *rest_of)
            made, begun = made + low * ROW, 8 * (t - ahead + low)
            felt_of = (address(c), address(own), x + begun, samples, 1, parts, high - low)
            _lanes(_FELT, made, made, since + begun, *felt_of)
            _filter_deck(deck)
            for j in range(width):
                place = j, words, j, LANES
                _take_words(deck, word[phase[first + j]] - t, every, high, flat, place)
        tile = tiles[group, channel]
        out, made = address(coded) if ticks_a_word > 1 else address(tile), address(lines)
        _lanes(_CODED, out, made, made, address(c), 0, 0, 0, 0, 0, words)
        if ticks_a_word > 1:
            _at_ticks(coded, tile, 0, early, ticks_a_word, words)
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
    tiles = np.empty((1, 1, 4, LANES))
    made = Source(one, one, table, table), through, index, 4, 4
    noise = given(noise_in_lanes(*made))
    chain = Chain(through, given(np.zeros((1, 1, 2))), index, 1)
    for start in (one, none):
        source = Source(start, start, table, table)
        lanes_of(
            *(rows, 1, 4, factors, unit, unit, index, index, noise, source),
            *(through, 4, grid, 0, 0, 1, tiles, 0),
        )
        full_lanes_of(
            *(given(np.ones((1, 4))), factors, unit, unit, given(np.ones(4)), unit, 2.0, 4),
            *(index, index, chain, 4, source, grid, 0, 0, 1, tiles, 0, np.zeros(1, dtype=np.int64)),
        )
    to_lanes(given(np.zeros((1, 4))), index, tiles, 0)
