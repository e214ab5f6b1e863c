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

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense import engine
from crashsense.arrays import FloatArray
from crashsense.draws import PAGE, noise_tables
from crashsense.engine import given
from crashsense.synthesis.draw_blocks import rows_of
from crashsense.synthesis.location import transform
from crashsense.synthesis.location.place import Place, modes_of
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
    out = {name: np.zeros(power.shape) for name in places} if into is None else into
    for name in places:
        there = out[name]
        if there.shape[0] != draws or there.shape[1] < begin + samples or not _in_order(there):
            raise ValueError(f"into {name}: expected {draws} rows of {begin + samples} samples")
    if not places:
        return out
    edges = borders[[0, _LOW - 1, _LOW, -1]] - borders[0]
    law = np.array(LAW)
    near = np.asarray(nearness, dtype=np.float64)
    if near.ndim == 0:
        # One nearness throughout: the classes differ by a factor, and go into one spectrum.
        lowest, highest = transform.shares(near, _NEARNESS)
        law = law * ([lowest] * (_LOW - 1) + [1.0] + [highest] * (len(LAW) - _LOW))
        edges, near = edges[[0, -1]], np.empty((draws, 0))
    spectrum = _Spectrum(length, borders, edges, law, rate_hz)
    shake_some = _shake_by_numpy if engine.kernels() is None else _shake_compiled
    for rows in (slice(at, at + _TOGETHER) for at in range(0, draws, _TOGETHER)):
        to = [out[name][rows] for name in places]
        part = rows_of(variation, rows)
        shake_some(places, spectrum, power[rows], near[rows], part, to, begin)
    return out


@dataclass(frozen=True, eq=False)
class _Spectrum:
    """Bins and bands of a transform of *length* samples.

    ``borders``: first bin of each band, and the end; ``edges``: of each class of bands, from 0 on;
    ``law``: level of each band.
    """

    length: int
    borders: npt.NDArray[np.int64]
    edges: npt.NDArray[np.int64]
    law: FloatArray
    rate_hz: float

    @property
    def bins(self) -> int:
        """Number of all bins."""
        return int(self.borders[-1] - self.borders[0])

    @property
    def low(self) -> int:
        """Number of those that places share."""
        return int(self.borders[_LOW] - self.borders[0])

    @property
    def frequency_2(self) -> FloatArray:
        """Square of the frequency of each bin [Hz^2]."""
        hz = (self.borders[0] + np.arange(self.bins)) * (self.rate_hz / self.length)
        return np.square(hz)

    def gain(self, place: Place, level: FloatArray) -> FloatArray:
        """Factor on the random numbers of each band; *level*: of the place's modes.

        A sum over bins has half the variance of its normal numbers twice: of the real and of the
        imaginary part, in the bin and in its mirror image.
        """
        of_place = np.where(np.arange(len(LAW)) < _LOW, place.level, place.level_high)
        return np.asarray(0.5 * of_place * self.law * level)


def _shake_by_numpy(
    places: Mapping[str, Place],
    spectrum: _Spectrum,
    power: FloatArray,
    near: FloatArray,
    variation: Variation,
    out: Sequence[FloatArray],
    begin: int,
) -> None:
    """Add the shaking of some draws to *out*, place by place."""
    modes = modes_of(places, variation=variation)
    groups = {place.group for place in places.values()}
    common = {g: variation.noise(_role(g), 2 * spectrum.low) for g in groups if g}
    common[""] = np.empty((variation.size, 0))
    for (name, place), rows in zip(places.items(), out, strict=True):
        own = modes[name]
        transform.shake_rows(
            variation.noise(_role(name), 2 * spectrum.bins), common[place.group],
            COMMON**0.5, (1.0 - COMMON) ** 0.5, spectrum.frequency_2,
            np.stack(own.of_mode),
            spectrum.gain(place, own.level), spectrum.borders, spectrum.edges, spectrum.length,
            power, near, _NEARNESS, rows, begin,
        )  # fmt: skip


def _shake_compiled(
    places: Mapping[str, Place],
    spectrum: _Spectrum,
    power: FloatArray,
    near: FloatArray,
    variation: Variation,
    out: Sequence[FloatArray],
    begin: int,
) -> None:
    """The same with a draw in each lane, all places in one go; the same bits."""
    modes = modes_of(places, variation=variation)
    own = [modes[name] for name in places]
    groups = sorted({place.group for place in places.values()} - {""})
    start, step = variation.noise_rows([_role(name) for name in (*places, *groups)])
    counts = np.array([place.modes for place in places.values()])
    told = np.empty((len(own), 5), dtype=np.int64)
    of_group = {group: len(own) + k for k, group in enumerate(groups)}
    told[:, 0] = [of_group.get(place.group, -1) for place in places.values()]
    told[:, 1], told[:, 2] = np.cumsum(counts) - counts, counts
    # A kernel that takes arrays takes one kind of each: signals go by address and stride.
    told[:, 3] = [rows.ctypes.data + rows.strides[1] * begin for rows in out]
    told[:, 4] = [rows.strides[0] for rows in out]
    laws = [np.concatenate(rows, axis=1) for rows in zip(*(m.of_mode for m in own), strict=True)]
    gain = [spectrum.gain(place, m.level) for place, m in zip(places.values(), own, strict=True)]
    kernels: Any = engine.kernels()
    kernels.shake_places(
        given(start), given(step), *noise_tables(), given(told), COMMON**0.5, (1.0 - COMMON) ** 0.5,
        given(spectrum.frequency_2), spectrum.low, given(np.stack(laws)), given(np.stack(gain)),
        given(spectrum.borders), given(spectrum.edges), transform.turns(spectrum.length),
        given(power), given(near), _NEARNESS,
    )  # fmt: skip


def _in_order(array: FloatArray) -> bool:
    """True where numbers stand in memory as a kernel finds them by their address."""
    return array.dtype == np.float64 and array.flags.c_contiguous and array.flags.writeable


def _role(name: str) -> str:
    """Name of the random numbers of a place, or of a group of places."""
    return f"{name} shaking"
