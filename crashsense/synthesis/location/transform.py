"""Amplitudes and motions of random shaking by numpy; formulas: ``crashsense.compiled.transform``.

:func:`crashsense.compiled.shaking.shake_places` does the same with a draw in each lane, the same
bits.
"""

from __future__ import annotations

import functools
import itertools
import math

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray
from crashsense.compiled.transform import with_mode

IntArray = npt.NDArray[np.int64]

#: Draws that are transformed at once: what they take stays in the processor's cache.
_TOGETHER = 16


@functools.lru_cache(maxsize=8)
def turns(length: int) -> FloatArray:
    """Cosine and sine of 2 pi k / *length*, shape (2, length / 2), as ``numpy.fft`` has them.

    Each is that of a coarse angle turned by a fine one, and theirs are computed within an eighth of
    a turn.
    """
    fine = 2
    while fine * fine < (length + 2) // 2:
        fine *= 2
    found = np.empty((2, length // 2))
    for k in range(length // 2):
        (a, b), (c, d) = _turn(k % fine, length), _turn(k - k % fine, length)
        found[:, k] = a * c - b * d, a * d + b * c
    found.setflags(write=False)
    return found


@functools.lru_cache(maxsize=256)
def _turn(k: int, length: int) -> tuple[float, float]:
    """Cosine and sine of 2 pi k / *length*, less than half a turn."""
    eighths, at = divmod(8 * k, length)
    angle = math.pi / 4.0 / length
    if eighths % 2 == 0:
        c, s = math.cos(angle * at), math.sin(angle * at)
    else:
        c, s = math.sin(angle * (length - at)), math.cos(angle * (length - at))
    return (c, s) if eighths < 2 else (-s, c)


def mode_powers(frequency_2: FloatArray, modes: FloatArray) -> FloatArray:
    """Power of the modes' answers to white force, sum of weight^2 abs(H)^2, shape (draws, bins).

    *frequency_2*: squares of frequencies, shape (bins,); *modes* (3, draws, modes): frequency,
    damping, weight.
    """
    frequency, damping, weight = modes[..., np.newaxis]
    ratio = frequency_2 * (1.0 / (frequency * frequency))
    below = ratio + (4.0 * (damping * damping) - 2.0)
    below *= ratio
    below += 1.0
    ratio *= weight
    ratio *= ratio
    top, under = ratio[:, 0], below[:, 0]
    for mode in range(1, ratio.shape[1]):
        top, under = with_mode(ratio[:, mode], below[:, mode], top, under)
    return np.asarray(top / under)


def amplitudes(
    frequency_2: FloatArray, modes: FloatArray, gain: FloatArray, borders: IntArray
) -> FloatArray:
    """Amplitude of every bin, shape (draws, bins), that gives each band its root mean square.

    *gain* (draws, bands); *borders*: first bin of each band, and the end, of the spectrum.
    """
    power = mode_powers(frequency_2, modes)
    out = np.sqrt(power)
    for band, (a, b) in enumerate(itertools.pairwise(borders - borders[0])):
        # In order: the same bits as one sum after the other.
        energy = np.cumsum(power[:, a:b], axis=1)[:, -1]
        out[:, a:b] *= (gain[:, band] / np.sqrt(energy))[:, np.newaxis]
    return out


def motions(real: FloatArray, imaginary: FloatArray, first: int, length: int) -> FloatArray:
    """Samples of real signals from some bins of their spectra, shape (signals, length).

    *real*, *imaginary* (signals, bins), of which *first* is the first; it is not bin 0, nor is the
    last one bin length / 2. The compiled passes have the same bits.
    """
    spectrum = np.zeros((real.shape[0], length // 2 + 1), dtype=np.complex128)
    bins = spectrum[:, first : first + real.shape[1]]
    bins.real, bins.imag = real, imaginary
    return np.fft.irfft(spectrum, n=length, axis=-1, norm="forward")


def shares(nearness: FloatArray, law: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Factor on the level of the lowest and of the highest class of bands; 1 between them.

    *law*: see :func:`crashsense.compiled.transform.classes_march`.
    """
    closer = np.clip(nearness, 0.0, 1.0)
    felt = np.clip((closer - law[2]) / law[3], 0.0, 1.0)
    return law[0] + law[1] * closer, law[4] + law[5] * felt


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
    length: int,
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
    modes : frequency, damping, weight, (3, draws, modes)
    gain : of each band, (draws, bands)

    For the rest see the compiled twin.
    """
    draws, samples = power.shape
    for at in range(0, draws, _TOGETHER):
        rows = slice(at, at + _TOGETHER)
        size, low = power[rows].shape[0], common.shape[1] // 2
        numbers = own[rows].reshape(size, 2, -1) * 1.0
        shared = common[rows].reshape(size, 2, low)
        numbers[..., :low] = numbers[..., :low] * rest + share * shared
        numbers *= amplitudes(frequency_2, modes[:, rows], gain[rows], borders)[:, np.newaxis]
        level = np.sqrt(np.maximum(power[rows], 0.0))
        levels = [level]
        if near.size:
            lowest, highest = shares(near[rows], law)
            levels = [level * lowest, level, level * highest]
        classes = []
        for (a, b), envelope in zip(itertools.pairwise(edges), levels, strict=True):
            bins = numbers[..., a:b]
            motion = motions(bins[:, 0], bins[:, 1], borders[0] + a, length)
            classes.append(motion[:, :samples] * envelope)
        out[rows, begin : begin + samples] += functools.reduce(np.add, classes)
