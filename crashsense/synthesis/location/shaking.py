"""Random shaking of sensing locations by folding: the law of measured levels.

While a structure crushes, folds form and close, joints slip and parts meet; a floor shakes by more
than the obstacle feels, and no linear answer to the obstacle's force explains it (public crash
record 10146: at most 0.17 of the variance out of sample). What public tests do support is a law for
the level of a band: with P/m the absorbed power per mass of the car,

    rms [m/s^2] = s sqrt(P/m [W/kg]).

Medians of s over ten floor and sill channels of five public tests (walls, head-on, small overlap;
1354 to 2873 kg; windows from 5 to 48 ms): 0.39, 0.94, 0.87, 0.79, 1.07 in the bands 20-60 (of which
the motion of the body makes a part), 60-200, 200-400, 400-1000, 1000-2500 Hz, scatter of ln s 0.6
to 1.1 over cars, places and windows. The band 60-200 falls from 1.4 at 5-15 ms to 0.8 at 25-48 ms,
the two upper ones rise from 0.4-0.6 to about 1 and 1.6: they are felt when the crush has come near.
*nearness* carries both.

Below 400 Hz neighbouring places share a common part (correlation of left and right floor in record
10146: 0.74 and 0.70); above, each place has its own (-0.05). Both take the colour of the modes of
the place (:mod:`crashsense.synthesis.location.place`); the level in a band does not depend on where
in it the modes lie.

The result is acceleration about the motion of the body; its mean over the modes' periods is zero.
"""

from __future__ import annotations

import itertools
import sys
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense import engine
from crashsense.arrays import ComplexArray, FloatArray
from crashsense.engine import given
from crashsense.synthesis.draw_blocks import GROUP, row_groups, rows_of
from crashsense.synthesis.location.place import Place, drawn_modes
from crashsense.synthesis.model import Variation

#: Bands of the law [Hz].
BANDS_HZ: tuple[tuple[float, float], ...] = (
    (20, 60),
    (60, 200),
    (200, 400),
    (400, 1000),
    (1000, 2500),
)
#: s of each band when the crush is near [(m/s^2) / sqrt(W/kg)].
LAW: tuple[float, ...] = (0.32, 0.78, 0.87, 1.0, 1.6)
#: Bands below this edge have the common part.
SHARED_BELOW_HZ = 400.0
#: Share of the common part in the power of a place below 400 Hz [-]. The correlation of two places
#: is less, because their modes differ: about 0.7.
COMMON = 0.85
#: Level of the bands below 200 Hz while the crush is far, over that when it is near [-].
EARLY = 2.0
#: The same of the bands above 400 Hz, and the nearness between which they rise.
FAR, FELT, FULL = 0.10, 0.42, 0.65

#: Draws that are transformed at once: what they take stays in the processor's cache.
_TOGETHER = 4

_LOW = sum(high <= SHARED_BELOW_HZ for _, high in BANDS_HZ)


def _bins(length: int, rate_hz: float) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Frequency bins inside the bands, and where in them each band starts (one more: the end)."""
    edges = [BANDS_HZ[0][0], *(high for _, high in BANDS_HZ)]
    borders = np.ceil(np.array(edges) * length / rate_hz).astype(np.int64)
    return np.arange(borders[0], borders[-1]), borders - borders[0]


def mode_powers(
    frequency_2: FloatArray,
    frequency_hz: FloatArray,
    damping: FloatArray,
    weight: FloatArray,
    out: FloatArray,
) -> None:
    """Power of the modes' answers to white force, sum of weight^2 abs(H)^2, shape (draws, bins).

    Modes have shape (draws, modes). The compiled loops have the same bits.
    """
    # weight^2 r^2 / ((1 - r)^2 + 4 z^2 r), r = (f / f_mode)^2
    ratio = frequency_2 / np.square(frequency_hz)[..., None]
    below = ratio + (4.0 * np.square(damping) - 2.0)[..., None]
    below *= ratio
    below += 1.0
    ratio *= weight[..., None]
    ratio *= ratio
    ratio /= below
    out[...] = ratio[:, 0]
    for mode in range(1, ratio.shape[1]):
        out += ratio[:, mode]


def put_spectra(
    own: FloatArray,
    common: FloatArray,
    share: float,
    rest: float,
    amplitude: FloatArray,
    edges: npt.NDArray[np.int64],
    first: int,
    out: ComplexArray,
) -> None:
    """Put normal numbers into the bins of each class of bands, shape (draws, classes, bins).

    Parameters
    ----------
    own : numbers of the place, real and imaginary, shape (draws, 2, bins of the bands)
    common : the same of its group, for the lowest bins, shape (draws, 2, those bins)
    share, rest : factor on *common*, and on *own* where there is a common part
    amplitude : shape (draws, bins of the bands)
    edges : where in the bands each class starts, and the end
    first : bin of the transform at which the bands start
    out : written to inside the bands alone
    """
    low = common.shape[2]
    noise = own * amplitude[:, None]
    noise[..., :low] = (own[..., :low] * rest + share * common) * amplitude[:, None, :low]
    for kind, (a, b) in enumerate(itertools.pairwise(edges)):
        bins = out[:, kind, first + a : first + b]
        bins.real, bins.imag = noise[:, 0, a:b], noise[:, 1, a:b]


def sum_in_envelopes(motion: FloatArray, envelope: FloatArray, out: FloatArray) -> None:
    """Sum of three motions, each in its envelope, shapes (draws, 3, samples or more)."""
    motion = motion[..., : envelope.shape[2]]
    motion *= envelope
    np.add(motion[:, 0] + motion[:, 1], motion[:, 2], out=out)


def _shares(nearness: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Factor on the level of the lowest and of the highest class of bands; 1 between them."""
    closer = np.clip(nearness, 0.0, 1.0)
    felt = np.clip((closer - FELT) / (FULL - FELT), 0.0, 1.0)
    return EARLY + (1.0 - EARLY) * closer, FAR + (1.0 - FAR) * felt


def shake(
    places: Mapping[str, Place],
    *,
    power: FloatArray,
    nearness: FloatArray | float = 1.0,
    variation: Variation,
    rate_hz: float,
) -> dict[str, FloatArray]:
    """Random acceleration of each place [m/s^2], by channel, shape (draws, samples).

    Parameters
    ----------
    places : channel -> place
    power : absorbed power per mass of the car [W/kg], shape (draws, samples), from first contact
        on; negative values count as none. Its definition is that of the law: force that slows the
        car times the velocity still to be lost, over mass
    nearness : 0 (the crush is far away) to 1 (near), shape (draws, samples) or one number
    variation : the draws; their random numbers depend on (seed, occurrence, draw, channel) alone
    rate_hz : sampling rate [Hz], at least 6 kHz

    Each draw is made by itself, so that it is the same in any block.
    """
    samples = power.shape[1]
    if rate_hz < 2.4 * BANDS_HZ[-1][1]:
        raise ValueError(f"rate_hz {rate_hz:g}; expected at least {2.4 * BANDS_HZ[-1][1]:g}")
    length = max(256, 1 << max(samples - 1, 1).bit_length())
    bins, borders = _bins(length, rate_hz)
    frequency_2 = np.square(bins * (rate_hz / length))
    widths = np.diff(borders)
    low = int(borders[_LOW])
    modes = {name: drawn_modes(place, name, variation=variation) for name, place in places.items()}
    groups = sorted({place.group for place in places.values() if place.group})
    out = {name: np.empty(power.shape) for name in places}
    level = np.sqrt(np.maximum(power, 0.0))
    lowest, highest = _shares(np.asarray(nearness, dtype=np.float64))
    share, rest = COMMON**0.5, (1.0 - COMMON) ** 0.5
    # Real and imaginary part of each bin: normal numbers of variance length / 2 are white noise of
    # unit variance; a band's variance is its sum of power over half the length.
    law = np.array(LAW)
    edges = np.array([0, borders[_LOW - 1], low, bins.size])
    factors = [lowest, np.ones(()), highest]
    if np.ndim(nearness) == 0:
        # One nearness throughout: the classes differ by a factor, and go into one spectrum.
        law = law * ([lowest] * (_LOW - 1) + [1.0] + [highest] * (len(LAW) - _LOW))
        edges, factors = edges[[0, -1]], [np.ones(())]
    gains = {
        name: 0.5 * length * np.where(np.arange(len(LAW)) < _LOW, place.level, place.level_high)
        * law * modes[name].level
        for name, place in places.items()
    }  # fmt: skip
    compiled: Any = engine.kernels() or sys.modules[__name__]
    classes = len(factors)
    spectra = np.zeros((_TOGETHER, classes, length // 2 + 1), dtype=np.complex128)
    motions = np.empty((_TOGETHER, classes, length))
    levels = np.empty((GROUP, classes, samples))
    powers = np.empty((GROUP, bins.size))
    for rows in row_groups(variation.size):
        size = rows.stop - rows.start
        for kind, factor in enumerate(factors):
            np.multiply(
                level[rows], np.broadcast_to(factor, level.shape)[rows], out=levels[:size, kind]
            )
        part = rows_of(variation, rows)
        common = {g: part.noise(f"{g} shaking", 2 * low).reshape(-1, 2, low) for g in groups}
        common[""] = np.empty((size, 2, 0))
        own = {
            name: part.noise(f"{name} shaking", 2 * bins.size).reshape(-1, 2, bins.size)
            for name in places
        }
        amplitude = {}
        for name in places:
            of_rows = [
                given(a[rows])
                for a in (modes[name].frequency_hz, modes[name].damping, modes[name].weight)
            ]
            colour = powers[:size]
            compiled.mode_powers(given(frequency_2), *of_rows, colour)
            energy = np.add.reduceat(colour, borders[:-1], axis=1)
            amplitude[name] = np.sqrt(colour)
            amplitude[name] *= np.repeat(gains[name][rows] / np.sqrt(energy), widths, axis=1)
        for start in range(0, size, _TOGETHER):
            few = slice(start, min(start + _TOGETHER, size))
            count = few.stop - start
            spectrum, motion = spectra[:count], motions[:count]
            mine = slice(rows.start + start, rows.start + few.stop)
            for name, place in places.items():
                compiled.put_spectra(
                    own[name][few], common[place.group][few], share, rest, amplitude[name][few],
                    edges, int(bins[0]), spectrum,
                )  # fmt: skip
                np.fft.irfft(spectrum, n=length, axis=-1, out=motion)
                if classes == 1:
                    np.multiply(motion[:, 0, :samples], levels[few, 0], out=out[name][mine])
                else:
                    compiled.sum_in_envelopes(motion, levels[few], out[name][mine])
    return out
