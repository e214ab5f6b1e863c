"""Random numbers by name: a draw depends only on its axes and its number, never on who asks.

Axes are text or whole numbers: ``(seed, occurrence, channel, role)`` plus the draw number ``k``.
They are encoded with length prefixes before hashing, so two different names can never collide.
Draw 0 is nominal: its tolerances are zero and its sensors are noise-free.

Every draw of a name is a row of its own, from a generator that counts: number ``n`` of a row is
computed from ``n`` alone. A row therefore does not depend on the rows beside it, on the block, on
the machine or on how long it is; a longer row begins with a shorter one.

Word ``n`` of a row is ``mix(start + (n + 1) step)``, 64 bits, the generator of Steele, Lea and
Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014, section 4: *start* and the odd
*step* of the row come from the SHA-256 digest of the name and the number of the draw, as that
paper splits one generator into many. It needs no state, so that a processor makes several words at
once: 0.6 ns each compiled, where numpy's sequential generator takes 5 ns for a normal number, and
12 ns with the numpy engine.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from numpy.random.bit_generator import ISeedSequence

from crashsense import engine, normal
from crashsense.arrays import FloatArray

WordArray = npt.NDArray[np.uint64]

#: Draws that are computed together where nothing else asks for another number: their arrays stay in
#: the processor's cache.
PAGE = 32

#: Numbers that numpy makes at once, in arrays that a processor's second-level cache holds.
NOISE_NUMBERS = 160_000

#: Constants of the generator (section 4 of the paper): step between rows, and the mixing function.
GOLDEN = np.uint64(0x9E3779B97F4A7C15)
MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
MIX_2 = np.uint64(0x94D049BB133111EB)
#: Steps with fewer changes between neighbouring bits than this are made more irregular (ditto).
_FEWEST_CHANGES = 24

#: Largest number below 1.
_BELOW_ONE = 1.0 - 2.0**-53

#: Values of the noise table: one for each pattern of 16 bits, all equally likely.
_LEVELS = 65536

_30, _27, _31 = np.uint64(30), np.uint64(27), np.uint64(31)


def generator(seed: int, *axes: str | int) -> np.random.Generator:
    """Return a numpy generator for the named axes, for values that are not drawn by row.

    >>> float(generator(1, "a", "bc").random()) == float(generator(1, "ab", "c").random())
    False
    >>> float(generator(1, "a", 2).random()) == float(generator(1, "a", 2).random())
    True
    """
    start: Any = _Seeded(_digest_of((seed, *axes)))  # numpy takes it; its annotations do not say so
    return np.random.Generator(np.random.PCG64(start))


@lru_cache(maxsize=4096)
def _digest_of(axes: tuple[str | int, ...]) -> bytes:
    """SHA-256 of the axes. A whole number is the same axis whatever its type."""
    digest = hashlib.sha256()
    for axis in axes:
        text = (f"str:{axis}" if isinstance(axis, str) else f"int:{int(axis)}").encode()
        digest.update(len(text).to_bytes(8, "big"))
        digest.update(text)
    return digest.digest()


class _Seeded(ISeedSequence):
    """A SHA-256 digest as the seed of a bit generator: already well mixed, so used unchanged."""

    def __init__(self, digest: bytes) -> None:
        self._words = np.frombuffer(digest, dtype="<u8")

    def generate_state(self, n_words: int, dtype: Any = np.uint64) -> npt.NDArray[Any]:
        """Return the four 64-bit words that PCG64 starts from."""
        return self._words[:n_words].astype(dtype)


# --- rows of random words ------------------------------------------------------------------------


def _mix(words: WordArray) -> WordArray:
    """Mix in place; variant 13 of the paper's 64-bit mixing functions."""
    shifted = words >> _30
    words ^= shifted
    words *= MIX_1
    np.right_shift(words, _27, out=shifted)
    words ^= shifted
    words *= MIX_2
    np.right_shift(words, _31, out=shifted)
    words ^= shifted
    return words


def rows_of(
    draws: npt.NDArray[np.int64], *, kind: str, seed: int, axes: tuple[str | int, ...]
) -> tuple[WordArray, WordArray]:
    """Start and odd step of each draw's row, both of shape (draws,)."""
    return rows_of_names(draws, kind, seed, (axes,))


def rows_of_names(
    draws: npt.NDArray[np.int64], kind: str, seed: int, names: Sequence[tuple[str | int, ...]]
) -> tuple[WordArray, WordArray]:
    """As :func:`rows_of`, of several names one after the other, shape (names x draws,).

    Twin: ``compiled.fill_rows``, the same bits.
    """
    keys = _keys_of(kind, seed, tuple(names))
    compiled = engine.kernels()
    if compiled is not None:
        both = np.empty((2, len(names) * draws.size), dtype=np.uint64)
        compiled.fill_rows(keys, engine.given(draws), _FEWEST_CHANGES, *both)
        return both[0], both[1]
    number = draws.astype(np.uint64) * GOLDEN
    start, step = (_mix((number + keys[:, k, None]).reshape(-1)) for k in (0, 1))
    step |= np.uint64(1)
    changes = np.bitwise_count(step ^ (step >> np.uint64(1)))
    weak = changes < _FEWEST_CHANGES
    step[weak] ^= np.uint64(0xAAAAAAAAAAAAAAAA)
    return start, step


@lru_cache(maxsize=256)
def _keys_of(kind: str, seed: int, names: tuple[tuple[str | int, ...], ...]) -> WordArray:
    """Four words of each name's digest, shape (names, 4)."""
    digests = b"".join(_digest_of((seed, *axes, kind)) for axes in names)
    keys = np.frombuffer(digests, dtype="<u8").astype(np.uint64).reshape(-1, 4)
    keys.setflags(write=False)
    return keys


def _words(start: WordArray, step: WordArray, count: int) -> WordArray:
    """Words 0 to *count* - 1 of each row, shape (rows, count)."""
    words = np.arange(1, count + 1, dtype=np.uint64) * step[:, None]
    words += start[:, None]
    return _mix(words)


def _fractions(start: WordArray, step: WordArray, width: int) -> FloatArray:
    """53-bit uniform numbers inside (0, 1), shape (rows, width); twin: ``compiled``, same bits."""
    compiled = engine.kernels()
    if compiled is not None:
        made = np.empty((start.size, width))
        compiled.fill_fractions(start, step, made)
        return made
    words = _words(start, step, width)
    words >>= np.uint64(11)
    out = words.astype(np.float64)
    out += 0.5
    out *= 2.0**-53
    return np.minimum(out, _BELOW_ONE, out=out)  # the largest word is rounded up


def uniforms(
    draws: Sequence[int] | npt.NDArray[np.int64],
    width: int,
    *,
    seed: int,
    axes: tuple[str | int, ...],
) -> FloatArray:
    """Return numbers uniform in (0, 1), shape (draws, width); the row of draw 0 is zero."""
    return uniforms_of([axes], draws, width=width, seed=seed)[0]


def uniforms_of(
    names: Sequence[tuple[str | int, ...]],
    draws: Sequence[int] | npt.NDArray[np.int64],
    *,
    width: int,
    seed: int,
) -> FloatArray:
    """As :func:`uniforms`, for the axes of several names at once, shape (names, draws, width)."""
    numbers = np.asarray(draws, dtype=np.int64)
    out = _fractions(*rows_of_names(numbers, "uniform", seed, names), width)
    return _silent(out.reshape(len(names), numbers.size, width), numbers)


def normals(
    draws: Sequence[int] | npt.NDArray[np.int64],
    width: int,
    *,
    seed: int,
    axes: tuple[str | int, ...],
) -> FloatArray:
    """Return standard normal numbers, shape (draws, width); the row of draw 0 is zero.

    By inversion of the normal distribution at 53 bits: for tolerances, few of which a draw needs.
    Long rows come from :func:`noise`.

    >>> bool((normals([3, 40], 2, seed=7, axes=("a",)) == normals(range(50), 2, seed=7,
    ...     axes=("a",))[[3, 40]]).all())
    True
    """
    return normals_of([axes], draws, width=width, seed=seed)[0]


def normals_of(
    names: Sequence[tuple[str | int, ...]],
    draws: Sequence[int] | npt.NDArray[np.int64],
    *,
    width: int,
    seed: int,
) -> FloatArray:
    """As :func:`normals`, for the axes of several names at once, shape (names, draws, width).

    One call for many names costs numpy a fraction of many calls. Twin: ``compiled.fill_normals``,
    the same bits.
    """
    numbers = np.asarray(draws, dtype=np.int64)
    start, step = rows_of_names(numbers, "normal", seed, names)
    compiled = engine.kernels()
    if compiled is None:
        out = normal.quantile(_fractions(start, step, width))
    else:
        out = np.empty((start.size, width))
        compiled.fill_normals(start, step, out)
    return _silent(out.reshape(len(names), numbers.size, width), numbers)


def _silent(numbers: FloatArray, draws: npt.NDArray[np.int64]) -> FloatArray:
    """Numbers (names, draws, width) with those of the nominal draw set to zero, in place."""
    for place in np.flatnonzero(draws == 0).tolist():
        numbers[:, place] = 0.0
    return numbers


# --- rows of noise -------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def noise_tables() -> tuple[FloatArray, FloatArray]:
    """Table of normal numbers indexed by 16 bits, and its lower tail indexed by 16 further bits.

    The first table holds the mean of the normal distribution in each of 65,536 classes of equal
    probability, so that mean and variance are those of the distribution (variance 1 - 2e-6). The
    two outermost classes, 1 number in 32,768, are divided once more in the same way: the second
    table, for the lower one; the upper one is its mirror image. Its last value is -6.4.
    """

    def means(lowest: float, highest: float) -> FloatArray:
        borders = normal.quantile(np.linspace(lowest, highest, _LEVELS + 1))
        density = np.exp(-0.5 * borders**2) / np.sqrt(2.0 * np.pi)
        return np.asarray((density[:-1] - density[1:]) * (_LEVELS / (highest - lowest)))

    table = means(0.0, 1.0)
    half = 0.5 * (table - table[::-1])  # symmetric to the last bit
    tail = means(0.0, 1.0 / _LEVELS)
    for values in (half, tail):
        values.setflags(write=False)
    return half, tail


def largest_noise() -> float:
    """Size of the largest number that :func:`noise` returns."""
    return -float(noise_tables()[1][0])


def noise(
    draws: Sequence[int] | npt.NDArray[np.int64],
    width: int,
    *,
    seed: int,
    axes: tuple[str | int, ...],
) -> FloatArray:
    """Return white noise of unit deviation, shape (draws, width); the row of draw 0 is zero.

    Standard normal by :func:`noise_tables`, four numbers per 64-bit word: meant for long rows that
    then pass a filter or a modal response. The distribution function is right within 8e-6, beyond
    4.2 deviations within 1.3e-10. Twin: ``compiled.fill_noise``, the same bits.

    >>> a = noise([1, 2], 100, seed=7, axes=("a",))
    >>> bool((a[:, :40] == noise([1, 2], 40, seed=7, axes=("a",))).all())
    True
    """
    numbers = np.asarray(draws, dtype=np.int64)
    out = noise_of(*rows_of(numbers, kind="noise", seed=seed, axes=axes), width)
    out[numbers == 0] = 0.0
    return out


def noise_of(start: WordArray, step: WordArray, width: int) -> FloatArray:
    """White noise of rows of kind ``noise`` (:func:`rows_of`), shape (rows, width)."""
    table, tail = noise_tables()
    compiled = engine.kernels()
    if compiled is not None:
        out = np.empty((start.size, width))
        compiled.fill_noise(start, step, table, tail, out)
        return out
    out = np.empty((start.size, 4 * -(-width // 4)))
    flat, count = out.reshape(-1), out.shape[1] // 4
    most = max(1, NOISE_NUMBERS // max(1, width))
    rare = []
    for first in range(0, start.size, most):
        rows = slice(first, first + most)
        words = _words(start[rows], step[rows], count).reshape(-1)
        fields = words.astype("<u8", copy=False).view("<u2")
        begin = first * out.shape[1]
        table.take(fields, out=flat[begin : begin + fields.size], mode="wrap")
        place = ((fields + np.uint16(1)) <= 1).nonzero()[0]
        rare.append((place + begin, fields[place], words[place >> 2]))
    if rare:
        place, field, word = map(np.concatenate, zip(*rare, strict=True))
        # The word, told apart by its quarter, mixed once more: 16 bits that nothing else uses.
        more = _mix(word + (place % 4 + 1).astype(np.uint64) * GOLDEN)
        value = tail[(more >> np.uint64(48)).astype(np.int64)]
        flat[place] = np.where(field == 0, value, -value)
    return out[:, :width]
