"""Kernels of white noise, draw by draw and in lanes (extra ``fast``); twin: ``draws.noise``.

Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled_kernel import kernel
from crashsense.compiled_vectors import LANES

#: Instants that a group of draws takes at once (a multiple of the four numbers a word).
CHUNK = 64

#: Constants of the random words: those of :mod:`crashsense.draws`, which stands above this module.
GOLDEN = np.uint64(0x9E3779B97F4A7C15)
MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
MIX_2 = np.uint64(0x94D049BB133111EB)
_16_BITS = np.uint64(0xFFFF)
#: The lowest and the highest bit of each quarter.
_ONES, _TOPS = np.uint64(0x0001000100010001), np.uint64(0x8000800080008000)
_1, _2, _4, _27, _30, _31, _48, _56 = (np.uint64(n) for n in (1, 2, 4, 27, 30, 31, 48, 56))
#: Bits that are counted, and the pattern that makes a step more irregular.
_PAIRS, _FOURS = np.uint64(0x5555555555555555), np.uint64(0x3333333333333333)
_BYTES, _EACH = np.uint64(0x0F0F0F0F0F0F0F0F), np.uint64(0x0101010101010101)
_EVERY_OTHER = np.uint64(0xAAAAAAAAAAAAAAAA)

_jit: Any = kernel()


@_jit
def mix(word: Any) -> Any:
    """Mix 64 bits; twin: ``draws._mix``."""
    word = (word ^ (word >> _30)) * MIX_1
    word = (word ^ (word >> _27)) * MIX_2
    return word ^ (word >> _31)


@_jit
def fill_rows(keys: Any, draws: IntArray, fewest: int, start: Any, step: Any) -> None:
    """Start and step of every row, name after name; twin: ``draws._rows_of_names``, same bits.

    *keys* (names, 2 or more) words of each name's digest, *draws* (draws,) numbers, *fewest*: steps
    with fewer changes between neighbouring bits are made more irregular; *start*, *step* (names x
    draws,).
    """
    size = draws.size
    for name in range(keys.shape[0]):
        first, second = keys[name, 0], keys[name, 1]
        for i in range(size):
            number = np.uint64(draws[i]) * GOLDEN
            start[name * size + i] = mix(number + first)
            odd = mix(number + second) | _1
            # Bits that differ from their neighbour, counted in pairs, fours, bytes.
            bits = odd ^ (odd >> _1)
            bits -= (bits >> _1) & _PAIRS
            bits = (bits & _FOURS) + ((bits >> _2) & _FOURS)
            bits = ((bits + (bits >> _4)) & _BYTES) * _EACH
            few = np.int64(bits >> _56) < fewest
            step[name * size + i] = odd ^ _EVERY_OTHER if few else odd


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
                    value = _rare(word, k, field, tail)
                out[row, 4 * i + k] = value


@_jit
def _rare(word: Any, k: int, field: int, tail: FloatArray) -> float:
    """Number of an outermost class: divided once more."""
    more = mix(word + np.uint64(k + 1) * GOLDEN)
    value = tail[np.int64(more >> _48)]
    return -value if field else value


@_jit
def noise_of_lanes(
    start: Any, step: Any, first: int, table: FloatArray, tail: FloatArray, deck: FloatArray
) -> None:
    """Fill the samples of a deck with the numbers *first* and on of each lane's row."""
    words = np.empty(LANES, dtype=np.uint64)
    for i in range(CHUNK // 4):
        number = np.uint64(first // 4 + i + 1)
        rare = np.uint64(0)
        for j in range(LANES):
            word = mix(start[j] + number * step[j])
            words[j] = word
            # A quarter that is 0, or all ones: less 1 it borrows from its own highest bit.
            none, all_ones = (word - _ONES) & ~word, (~word - _ONES) & word
            rare |= (none | all_ones) & _TOPS
        for k in range(4):
            shift, at = np.uint64(16 * k), (4 * i + k) * LANES
            for j in range(LANES):
                deck[at + j] = table[np.int64((words[j] >> shift) & _16_BITS)]
        if rare:
            for k in range(4):
                shift, at = np.uint64(16 * k), (4 * i + k) * LANES
                for j in range(LANES):
                    field = np.int64((words[j] >> shift) & _16_BITS)
                    if field == 0 or field == 65535:
                        deck[at + j] = _rare(words[j], k, field, tail)
