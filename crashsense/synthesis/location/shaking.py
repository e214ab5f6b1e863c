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

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense import engine
from crashsense.arrays import FloatArray
from crashsense.draws import PAGE
from crashsense.engine import given
from crashsense.synthesis.draw_blocks import rows_of
from crashsense.synthesis.location import transform
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

#: The last five as ``transform.shares`` takes them.
_NEARNESS = np.array([EARLY, 1.0 - EARLY, FELT, FULL - FELT, FAR, 1.0 - FAR])
_NEARNESS.setflags(write=False)

#: Draws whose random numbers are made at once: what they take stays in the processor's cache.
_TOGETHER = 2 * PAGE

_LOW = sum(high <= SHARED_BELOW_HZ for _, high in BANDS_HZ)


def _borders(length: int, rate_hz: float) -> npt.NDArray[np.int64]:
    """First bin of each band, and the end, of a transform of *length* samples."""
    edges = [BANDS_HZ[0][0], *(high for _, high in BANDS_HZ)]
    return np.ceil(np.array(edges) * length / rate_hz).astype(np.int64)


def shake(
    places: Mapping[str, Place],
    *,
    power: FloatArray,
    nearness: FloatArray | float = 1.0,
    variation: Variation,
    rate_hz: float,
    into: Mapping[str, FloatArray] | None = None,
    begin: int = 0,
) -> Mapping[str, FloatArray]:
    """Random acceleration of each place [m/s^2], by channel, shape (draws, samples).

    Parameters
    ----------
    places : channel -> place
    power : absorbed power per mass of the car [W/kg], shape (draws, samples), from first contact
        on; negative values count as none. Its definition is that of the law: force that slows the
        car times the velocity still to be lost, over mass
    nearness : 0 (the crush is far away) to 1 (near), shape (draws, samples) or one number
    variation : the draws; their random numbers depend on (seed, occurrence, draw, channel) alone
    rate_hz : sampling rate [Hz], at least 6 kHz; above 15 kHz the signals must be long enough for
        every band to have a frequency
    into : channel -> signals that it is added to, from sample *begin* on; None: to nothing

    Each draw is made by itself, so that it is the same in any block.
    """
    draws, samples = power.shape
    if rate_hz < 2.4 * BANDS_HZ[-1][1]:
        raise ValueError(f"rate_hz {rate_hz:g}; expected at least {2.4 * BANDS_HZ[-1][1]:g}")
    length = max(256, 1 << max(samples - 1, 1).bit_length())
    borders = _borders(length, rate_hz)
    if not np.diff(borders).all():
        raise ValueError(
            f"{samples} samples at rate_hz {rate_hz:g}; expected more samples, or a lower rate: so "
            "short a signal has no frequency in one of the bands"
        )
    bins = int(borders[-1] - borders[0])
    frequency_2 = np.square((borders[0] + np.arange(bins)) * (rate_hz / length))
    low = int(borders[_LOW] - borders[0])
    out = {name: np.zeros(power.shape) for name in places} if into is None else into
    edges = borders[[0, _LOW - 1, _LOW, -1]] - borders[0]
    law = np.array(LAW)
    near = np.asarray(nearness, dtype=np.float64)
    if near.ndim == 0:
        # One nearness throughout: the classes differ by a factor, and go into one spectrum.
        lowest, highest = transform.shares(near, _NEARNESS)
        law = law * ([lowest] * (_LOW - 1) + [1.0] + [highest] * (len(LAW) - _LOW))
        edges, near = edges[[0, -1]], np.empty((draws, 0))
    numpy_or_compiled: Any = engine.kernels() or transform
    for rows in (slice(at, at + _TOGETHER) for at in range(0, draws, _TOGETHER)):
        part = rows_of(variation, rows)
        groups = {place.group for place in places.values()}
        common = {g: part.noise(f"{g} shaking", 2 * low) for g in groups if g}
        common[""] = np.empty((part.size, 0))
        for name, place in places.items():
            modes = drawn_modes(place, name, variation=part)
            level = np.where(np.arange(len(LAW)) < _LOW, place.level, place.level_high)
            # A sum over bins has half the variance of its normal numbers twice: of the real and
            # of the imaginary part, in the bin and in its mirror image. Arrays are given to the
            # kernel as where it is tried: for others it would be compiled once more.
            numpy_or_compiled.shake_rows(
                given(part.noise(f"{name} shaking", 2 * bins)), given(common[place.group]),
                COMMON**0.5, (1.0 - COMMON) ** 0.5, given(frequency_2),
                given(np.stack([modes.frequency_hz, modes.damping, modes.weight])),
                given(0.5 * level * law * modes.level), given(borders), edges,
                transform.turns(length), given(power[rows]), given(near[rows]), given(_NEARNESS),
                out[name][rows], begin,
            )  # fmt: skip
    return out
