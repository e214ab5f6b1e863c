"""Random shaking of places with a draw in each lane (extra ``fast``); see :mod:`.kernels`.

Twin: :func:`crashsense.synthesis.location.transform.shake_rows` by numpy, same bits; steps:
:mod:`.transform`. Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled import transform
from crashsense.compiled.caching import kernel
from crashsense.compiled.marches import take_rows
from crashsense.compiled.noise import NOISE_DESK, noise_of_rows
from crashsense.compiled.on_lanes import add_to_rows, instruction
from crashsense.compiled.vectors import WIDTH, address, lines

_jit: Any = kernel()

#: Bytes of a row of lanes, and of a number.
_ROW, _NUMBER = 8 * WIDTH, 8
#: Rows between tables of a power of 2 of rows: without them they would compete for the same lines
#: of the cache (a tenth of the transform's time; a third where a row is not in one line).
_GAP = 9
#: Numbers of a spectrum that is transformed within the nearest cache: passes over a longer one
#: leave parts of this length, and each of these is brought to its end by itself.
_SMALL = 256

_run_amplitude = instruction(
    transform.amplitude_march, "common", *["lanes"] * 4, *["words"] * 2, *["count"] * 2,
    1, 1, 1, "lanes",
)  # fmt: skip
_run_numbers = instruction(
    transform.numbers_march, *["lanes"] * 4, *["number"] * 2, "lanes", *["count"] * 2
)
_run_spectrum = instruction(transform.spectrum_march, *["lanes"] * 2, *["count"] * 4, "lanes")
_run_halves, _run_quarters = (
    instruction(march, "lanes", *["count"] * 4, *["common"] * 2, "lanes")
    for march in (transform.halves_march, transform.quarters_march)
)
_run_levels = instruction(transform.levels_march, "lanes", "count", "lanes")
_run_classes = instruction(transform.classes_march, "lanes", "count", "common", *["lanes"] * 3)
_run_first, _run_more = (
    instruction(march, *["lanes"] * 2, *["count"] * 2, "lanes")
    for march in (transform.first_march, transform.more_march)
)


@_jit
def _passes(now: int, then: int, length: int, least: int, turns: int) -> tuple[int, int]:
    """Passes over a spectrum, to and fro between two places, until its parts have *least* numbers.

    *turns*: cosine of 2 pi k / length, behind them sine. Return where the parts are, one after the
    other, and their number.
    """
    sine = turns + _NUMBER * (length // 2)
    parts, left = 1, length
    # Of a length that is no power of 4 the pass of radix 2 comes first.
    while left % 4 == 0:
        left //= 4
    while parts * least < length:
        radix = 2 if left == 2 and parts == 1 else 4
        size = length // (radix * parts)
        about = parts, size, (size - 1) // 2, parts if size % 2 == 0 else 0, turns, sine, then
        if radix == 2:
            _run_halves(now, *about)
        else:
            _run_quarters(now, *about)
        parts *= radix
        now, then = then, now
    return now, parts


@_jit
def _put_modes(
    modes: FloatArray, gain: FloatArray, begin: int, count: int, first: int, width: int, deck: Any
) -> None:
    """What the amplitudes depend on, a row each: 1 / frequency^2, bend, weight; gain of bands.

    Of *count* modes from number *begin* on.
    """
    for j in range(WIDTH):
        draw = first + min(j, width - 1)
        for m in range(count):
            own_hz, damping = modes[0, draw, begin + m], modes[1, draw, begin + m]
            deck[m, j] = 1.0 / (own_hz * own_hz)
            deck[count + m, j] = 4.0 * (damping * damping) - 2.0
            deck[2 * count + m, j] = modes[2, draw, begin + m]
        for band in range(gain.shape[1]):
            deck[3 * count + band, j] = gain[draw, band]


@_jit
def shake_places(
    start: Any,
    step: Any,
    table: FloatArray,
    tail: FloatArray,
    told: IntArray,
    share: float,
    rest: float,
    frequency_2: FloatArray,
    low: int,
    modes: FloatArray,
    gain: FloatArray,
    borders: IntArray,
    edges: IntArray,
    turns: FloatArray,
    power: FloatArray,
    near: FloatArray,
    law: FloatArray,
) -> None:
    """Add the shaking of places to their signals, rows in memory.

    Parameters
    ----------
    start, step : rows of random words of each place, then of each group, (names, draws); *table*,
        *tail*: of ``draws.noise_tables``
    told : of each place: row of its group's words or -1, first of its modes, their number, address
        of the first sample that it is added to, bytes from a draw to the next, (places, 5)
    share, rest : factor on the numbers of the group, and on its own beside them, in the *low*
        lowest bins
    frequency_2 : square of the frequency of each bin, (bins)
    modes : frequency, damping, weight, (3, draws, modes of all places)
    gain : of each band, (places, draws, bands)
    borders : first bin of each band in the spectrum, and the end
    edges : first bin of each class of bands, from 0 on, and the end: one class, or three, of which
        *near* changes the lowest and the highest
    turns : cosine and sine of 2 pi k / length, (2, length / 2)
    power : absorbed power per mass, (draws, samples)
    near : nearness, (draws, samples); of no samples if there is one class
    law : see ``transform.classes_march``
    """
    draws, samples = power.shape
    bins, length = frequency_2.size, 2 * turns.shape[1]
    classes, bands, most = edges.size - 1, borders.size - 1, told[:, 2].max()
    wide = -(-samples // WIDTH) * WIDTH
    of_band = np.empty((2, bands), dtype=np.int64)
    for band in range(bands):
        of_band[0, band] = borders[band + 1] - borders[band]
        of_band[1, band] = borders[band] - borders[0]
    size = min(length, _SMALL)
    own_turns = np.empty((2, size // 2))
    for k in range(size // 2):
        own_turns[0, k] = turns[0, k * (length // size)]
        own_turns[1, k] = turns[1, k * (length // size)]
    # Numbers and those of the group by whole words, amplitudes, modes, levels of the classes, sum,
    # two places for a spectrum, one for a part of it, room for making noise.
    numbers_of, shared_of = -(-2 * bins // 4) * 4, -(-2 * low // 4) * 4
    sizes = (
        numbers_of, shared_of, bins, 3 * most + bands, classes * wide, wide, length, length, size,
        NOISE_DESK,
    )  # fmt: skip
    begins = np.zeros(len(sizes) + 1, dtype=np.int64)
    for n in range(len(sizes)):
        begins[n + 1] = begins[n] + sizes[n] + _GAP
    room = lines(begins[-1])
    numbers = room[: sizes[0]]
    shared = room[begins[1] : begins[1] + sizes[1]]
    deck = room[begins[3] : begins[3] + sizes[3]]
    levels = room[begins[4] : begins[4] + sizes[4]]
    desk = room[begins[9] : begins[9] + sizes[9]]
    amplitude, total = address(room) + _ROW * begins[2], address(room) + _ROW * begins[5]
    now, then = address(room) + _ROW * begins[6], address(room) + _ROW * begins[7]
    small = address(room) + _ROW * begins[8]
    level = levels[:wide] if classes == 1 else levels[wide : 2 * wide]
    of_class, of_mode, of_group = address(levels), address(deck), address(shared)
    real, imaginary = address(numbers), address(numbers) + _ROW * bins
    for first in range(0, draws, WIDTH):
        width = min(WIDTH, draws - first)
        take_rows(power, first, width, 0, samples, level)
        _run_levels(address(level), samples, address(level))
        if classes > 1:
            take_rows(near, first, width, 0, samples, levels)
            _run_classes(
                of_class, samples, address(law), address(level), of_class,
                of_class + 2 * _ROW * wide,
            )  # fmt: skip
        there = -1
        for place in range(told.shape[0]):
            group, count = told[place, 0], told[place, 2]
            _put_modes(modes, gain[place], told[place, 1], count, first, width, deck)
            _run_amplitude(
                address(frequency_2), of_mode, of_mode + _ROW * count,
                of_mode + 2 * _ROW * count, of_mode + 3 * _ROW * count, address(of_band),
                address(of_band) + _NUMBER * bands, bands, count, amplitude,
            )  # fmt: skip
            noise_of_rows(start[place], step[place], first, width, table, tail, desk, numbers)
            if group >= 0 and group != there:
                there = group
                noise_of_rows(start[group], step[group], first, width, table, tail, desk, shared)
            _run_numbers(
                real, imaginary, of_group, of_group + _ROW * low, share, rest, amplitude, bins,
                low if group >= 0 else 0,
            )  # fmt: skip
            for kind in range(classes):
                width_of = edges[kind + 1] - edges[kind]
                _run_spectrum(real, imaginary, edges[kind], width_of, borders[0], length, now)
                spectra, parts = _passes(now, then, length, size, address(turns))
                for part in range(parts):
                    here = spectra + _ROW * size * part
                    motion, _ = _passes(here, small, size, 1, address(own_turns))
                    in_class = of_class + _ROW * (kind * wide + part)
                    about = (samples - part + parts - 1) // parts, parts, total + _ROW * part
                    if kind == 0:
                        _run_first(motion, in_class, *about)
                    else:
                        _run_more(motion, in_class, *about)
            row = told[place, 3] + first * told[place, 4]
            add_to_rows(row, told[place, 4], total, samples, width)
    # Kept until here: the steps know their addresses only.
    room[0, 0], of_band[0, 0], own_turns[0, 0] = 0.0, 0, 0.0


def check_shaking() -> None:
    """Compile and run the kernel on next to nothing."""

    def told(*values: float, shape: tuple[int, ...]) -> FloatArray:
        made = np.resize(np.array(values), shape)
        made.setflags(write=False)
        return made

    words, out = np.ones((1, 1), dtype=np.uint64), np.ones((1, 2))
    of_place = np.array([[-1, 0, 1, out.ctypes.data, 16]])
    for given in (words, of_place):
        given.setflags(write=False)
    pair, table = told(1.0, shape=(1, 2)), told(1.0, shape=(65536,))
    borders, edges = told(1, 2, shape=(2,)), told(0, 1, shape=(2,))
    shake_places(
        words, words, table, table, of_place, 1.0, 1.0, pair[0, :1], 0, told(1.0, shape=(3, 1, 1)),
        told(1.0, shape=(1, 1, 1)), borders, edges, told(1.0, shape=(2, 8)), pair,
        pair[:, :0], told(1.0, shape=(6,)),
    )  # fmt: skip
