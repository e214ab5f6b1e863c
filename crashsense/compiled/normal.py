"""Kernels of rows of random words and of few numbers a draw, uniform or normal (extra ``fast``).

Twins: ``draws.rows_of``, ``draws.uniforms`` and ``draws.normals``, the same bits.

Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from math import frexp, sqrt
from typing import Any

import numpy as np
from llvmlite import ir

from crashsense import normal
from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled.caching import kernel
from crashsense.compiled.noise import GOLDEN, mix
from crashsense.compiled.vectors import (
    LANES,
    LINE,
    VECTORS,
    WIDTH,
    Given,
    Vector,
    address,
    chosen_by_code,
    smaller,
)

_jit: Any = kernel(error_model="numpy")

_logarithm = _jit(normal.logarithm)
_of_middle = _jit(normal.of_middle)
_of_near_tail = _jit(normal.of_near_tail)
_of_far_tail = _jit(normal.of_far_tail)

_MIDDLE, _NEAR, _LEAST_FRACTION = normal.MIDDLE, normal.NEAR, normal.LEAST_FRACTION
_1, _2, _4, _11, _56 = (np.uint64(n) for n in (1, 2, 4, 11, 56))
#: Bits that are counted, and the pattern that makes a step more irregular.
_PAIRS, _FOURS = np.uint64(0x5555555555555555), np.uint64(0x3333333333333333)
_BYTES, _EACH = np.uint64(0x0F0F0F0F0F0F0F0F), np.uint64(0x0101010101010101)
_EVERY_OTHER = np.uint64(0xAAAAAAAAAAAAAAAA)
#: Bits of a number: its power of two stands above these.
_FRACTION_BITS = 52
#: Largest number below 1.
_BELOW_ONE = 1.0 - 2.0**-53


@_jit
def _of_tails(p: float) -> float:
    """Quantile of a probability inside (0, 1), far from 1/2; twin: ``normal._of_tails``."""
    fraction, power = frexp(min(p, 1.0 - p))
    if fraction < _LEAST_FRACTION:
        fraction, power = 2.0 * fraction, power - 1
    root = sqrt(-_logarithm(fraction, float(power)))
    size = _of_near_tail(root) if root <= _NEAR else _of_far_tail(root)
    return -size if p < 0.5 else size


@_jit
def fill_rows(keys: Any, draws: IntArray, fewest: int, start: Any, step: Any) -> None:
    """Start and step of every row, name after name; twin: ``draws.rows_of_names``, same bits.

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
def fill_fractions(start: Any, step: Any, out: FloatArray) -> None:
    """Fill each row of *out* with numbers uniform in (0, 1); twin: ``draws._fractions``, same bits.

    *start*, *step* (rows,) of its words: :func:`crashsense.draws.rows_of`.
    """
    rows, width = out.shape
    for row in range(rows):
        first, by = start[row], step[row]
        for i in range(width):
            word = mix(first + np.uint64(i + 1) * by)
            out[row, i] = min((float(word >> _11) + 0.5) * 2.0**-53, _BELOW_ONE)


def _split(x: Vector) -> tuple[Vector, Vector]:
    """Write instructions: fractions, 1/2 to 1, and powers of two of positive numbers, as frexp."""
    b = x.builder
    words = ir.VectorType(ir.IntType(64), WIDTH)

    def everywhere(number: int) -> Any:
        return ir.Constant(words, [number] * WIDTH)

    bits = b.bitcast(x.value, words)
    own = b.and_(bits, everywhere(2**_FRACTION_BITS - 1))
    half = everywhere(1022 << _FRACTION_BITS)
    fraction = b.bitcast(b.or_(own, half), LINE)
    power = b.sub(b.lshr(bits, everywhere(_FRACTION_BITS)), everywhere(1022))
    return Vector(b, fraction), Vector(b, b.sitofp(power, LINE))


def _quantiles(g: Given) -> Any:
    """Quantiles of the probabilities ``a``, rows of lanes; tails only where there are some."""
    b = g.builder
    with g.steps(g.ticks) as i:
        for j in range(VECTORS):
            p = g.a.load(i, j)
            found = normal.of_middle(p - 0.5)
            far = (p - 0.5).magnitude() > _MIDDLE
            room = g.kept(found)
            with g.where(far.any()):
                fraction, power = _split(smaller(p, 1.0 - p))
                small = fraction < _LEAST_FRACTION
                fraction = small.choose(2.0 * fraction, fraction)
                root = (-normal.logarithm(fraction, small.choose(power - 1.0, power))).root()
                near = normal.of_near_tail(root)
                size = g.kept(near)
                beyond = root > _NEAR
                with g.where(beyond.any()):
                    b.store(beyond.choose(normal.of_far_tail(root), near).value, size)
                tail = g.held(size)
                b.store(far.choose((p < 0.5).choose(-tail, tail), found).value, room)
            g.out.store(g.held(room), i, j)
    return g.at


_run = chosen_by_code({0: _quantiles})


@_jit
def to_quantiles(flat: FloatArray) -> None:
    """Put quantiles in the place of probabilities, 2^-1022 or more and below 1.

    Twin: ``normal.quantile``, the same bits.
    """
    at, rows = address(flat), flat.size // LANES
    _run(0, at, at, at, at, at, 0, 0, 0, 0, rows)
    for i in range(rows * LANES, flat.size):
        p = flat[i]
        flat[i] = _of_middle(p - 0.5) if abs(p - 0.5) <= _MIDDLE else _of_tails(p)


@_jit
def fill_normals(start: Any, step: Any, out: FloatArray) -> None:
    """Fill each row of *out* with standard normal numbers; as :func:`fill_fractions`."""
    fill_fractions(start, step, out)
    to_quantiles(out.reshape(-1))


def check_normal() -> None:
    """Compile and run the kernels on next to nothing."""
    one = np.ones(1, dtype=np.uint64)
    keys, draws = np.ones((1, 4), dtype=np.uint64), np.zeros(1, dtype=np.int64)
    for given in (keys, draws):
        given.setflags(write=False)
    fill_rows(keys, draws, 24, one, one)
    fill_fractions(one, one, np.empty((1, 2)))
    fill_normals(one, one, np.empty((1, 2)))
