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
from crashsense.compiled.on_lanes import instruction, lanes_to_rows
from crashsense.compiled.vectors import WIDTH, address, lines

_jit: Any = kernel()

#: Bytes of a row of lanes, and of a number.
_ROW, _NUMBER = 8 * WIDTH, 8
#: Rows between tables of a power of 2 of rows: without them they would compete for the same lines
#: of the cache (a tenth of the transform's time; a third where a row is not in one line).
_GAP = 9

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
    instruction(march, *["lanes"] * 2, "count", "lanes")
    for march in (transform.first_march, transform.more_march)
)


@_jit
def _transform(now: int, then: int, length: int, turns: int) -> int:
    """Transform a spectrum to and fro between two places; return where its samples are.

    *turns*: cosine of 2 pi k / length, behind them sine.
    """
    sine = turns + _NUMBER * (length // 2)
    parts, left = 1, length
    # Of a length that is no power of 4 the pass of radix 2 comes first.
    while left % 4 == 0:
        left //= 4
    while parts < length:
        radix = 2 if left == 2 and parts == 1 else 4
        size = length // (radix * parts)
        about = parts, size, (size - 1) // 2, parts if size % 2 == 0 else 0, turns, sine, then
        if radix == 2:
            _run_halves(now, *about)
        else:
            _run_quarters(now, *about)
        parts *= radix
        now, then = then, now
    return now


@_jit
def _put_modes(
    modes: FloatArray, gain: FloatArray, first: int, width: int, deck: FloatArray
) -> None:
    """What the amplitudes depend on, a row each: 1 / frequency^2, bend, weight; gain of bands."""
    count = modes.shape[2]
    for j in range(WIDTH):
        draw = first + min(j, width - 1)
        for m in range(count):
            own_hz, damping = modes[0, draw, m], modes[1, draw, m]
            deck[m, j] = 1.0 / (own_hz * own_hz)
            deck[count + m, j] = 4.0 * (damping * damping) - 2.0
            deck[2 * count + m, j] = modes[2, draw, m]
        for band in range(gain.shape[1]):
            deck[3 * count + band, j] = gain[draw, band]


@_jit
def shake_rows(
    own: FloatArray,
    common: FloatArray,
    share: float,
    rest: float,
    frequency_2: FloatArray,
    modes: FloatArray,
    gain: FloatArray,
    borders: IntArray,
    edges: IntArray,
    turns: FloatArray,
    power: FloatArray,
    near: FloatArray,
    law: FloatArray,
    out: FloatArray,
    begin: int,
) -> None:
    """Add the shaking of a place to rows (draws, samples), from sample *begin* on.

    Parameters
    ----------
    own, common : random numbers of its bins, and of its group for the lowest of them, (draws, 2
        bins), real parts first; *share*, *rest*: factor on the common ones, on its own beside them
    frequency_2 : square of the frequency of each bin, (bins)
    modes : frequency, damping, weight, (3, draws, modes)
    gain : of each band, (draws, bands)
    borders : first bin of each band in the spectrum, and the end
    edges : first bin of each class of bands, from 0 on, and the end: one class, or three, of which
        *near* changes the lowest and the highest
    turns : cosine and sine of 2 pi k / length, (2, length / 2)
    power : absorbed power per mass, (draws, samples)
    near : nearness, (draws, samples); of no samples if there is one class
    law : see ``transform.classes_march``
    """
    draws, samples = power.shape
    bins, low, length = own.shape[1] // 2, common.shape[1] // 2, 2 * turns.shape[1]
    classes, bands, count = edges.size - 1, borders.size - 1, modes.shape[2]
    wide = -(-samples // WIDTH) * WIDTH
    told = np.empty((2, bands), dtype=np.int64)
    for band in range(bands):
        told[0, band] = borders[band + 1] - borders[band]
        told[1, band] = borders[band] - borders[0]
    # Numbers, those of the group, amplitudes, modes, levels of the classes, sum, two transforms.
    sizes = (2 * bins, 2 * low, bins, 3 * count + bands, classes * wide, wide, 2 * length)
    rows = len(sizes) * _GAP
    for size in sizes:
        rows += size
    room = lines(rows)
    numbers, at = room[: 2 * bins], 2 * bins + _GAP
    shared, at = room[at : at + 2 * low], at + 2 * low + _GAP
    amplitude, at = address(room) + _ROW * at, at + bins + _GAP
    deck, at = room[at : at + 3 * count + bands], at + 3 * count + bands + _GAP
    levels, at = room[at : at + classes * wide], at + classes * wide + _GAP
    total, at = address(room) + _ROW * at, at + wide + _GAP
    now, then = address(room) + _ROW * at, address(room) + _ROW * (at + length + _GAP)
    by_draw = room[at : at + wide].reshape((WIDTH, wide))
    level = levels[:wide] if classes == 1 else levels[wide : 2 * wide]
    of_class, of_mode = address(levels), address(deck)
    real, imaginary = address(numbers), address(numbers) + _ROW * bins
    for first in range(0, draws, WIDTH):
        width = min(WIDTH, draws - first)
        _put_modes(modes, gain, first, width, deck)
        _run_amplitude(
            address(frequency_2), of_mode, of_mode + _ROW * count, of_mode + 2 * _ROW * count,
            of_mode + 3 * _ROW * count, address(told), address(told) + _NUMBER * bands, bands,
            count, amplitude,
        )  # fmt: skip
        take_rows(own, first, width, 0, 2 * bins, numbers)
        take_rows(common, first, width, 0, 2 * low, shared)
        _run_numbers(
            real, imaginary, address(shared), address(shared) + _ROW * low, share, rest,
            amplitude, bins, low,
        )  # fmt: skip
        take_rows(power, first, width, 0, samples, level)
        _run_levels(address(level), samples, address(level))
        if classes > 1:
            take_rows(near, first, width, 0, samples, levels)
            _run_classes(
                of_class, samples, address(law), address(level), of_class,
                of_class + 2 * _ROW * wide,
            )  # fmt: skip
        for kind in range(classes):
            width_of = edges[kind + 1] - edges[kind]
            _run_spectrum(real, imaginary, edges[kind], width_of, borders[0], length, now)
            motion = _transform(now, then, length, address(turns))
            if kind == 0:
                _run_first(motion, of_class, samples, total)
            else:
                _run_more(motion, of_class + _ROW * kind * wide, samples, total)
        lanes_to_rows(address(by_draw), _NUMBER * wide, total, wide // WIDTH, width)
        for j in range(width):
            for n in range(samples):
                out[first + j, begin + n] += by_draw[j, n]
    room[0, 0], told[0, 0] = 0.0, 0  # kept until here: the steps know their addresses only


def check_shaking() -> None:
    """Compile and run the kernel on next to nothing."""

    def told(*values: float, shape: tuple[int, ...]) -> FloatArray:
        made = np.resize(np.array(values), shape)
        made.setflags(write=False)
        return made

    pair, words = told(1.0, shape=(1, 2)), told(1, 2, shape=(2,))
    shake_rows(
        pair, pair[:, :0], 1.0, 1.0, pair[0, :1], told(1.0, shape=(3, 1, 1)), pair[:, :1], words,
        words - 1, told(1.0, shape=(2, 8)), pair, pair[:, :0], told(1.0, shape=(6,)),
        np.ones((1, 2)), 0,
    )  # fmt: skip
