"""Local ringing: what a sensing location adds to the rigid-body motion of its body.

Two parts. *Structural modes* (engine on its mounts, tunnel, floor, brackets) answer the history of
the exciting force: each is a decaying sine excited by dF/dt. A *broad band* answers folding and
fracture of sheet metal: random, limited to a band, its mean square proportional to the power that
the structure absorbs.

Both are oscillations about the rigid-body motion: once the excitation has ended and the modes have
rung down they have added no velocity.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from math import cos, pi, sin

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Deviations of mode frequencies are rounded to this step, so that draws share filters [-].
FREQUENCY_STEP = 0.02


@dataclass(frozen=True)
class Mode:
    """One structural mode of a location.

    Impulse response to dF/dt: gain * w * exp(-z w t) * sin(w t) (per unit of drive), which is the
    band-pass gain * w s / (s^2 + 2 z w s + w^2); amplification at resonance gain / (2 z).

    Parameters
    ----------
    frequency_hz : natural frequency w / (2 pi) [Hz]
    damping : fraction z of critical damping [-], 0 < z < 1
    gain : weight [-]

    Source: form and ranges (30-400 Hz, z 0.03-0.10) from memory of crash-sensing practice.
    """

    frequency_hz: float
    damping: float
    gain: float


@dataclass(frozen=True)
class Band:
    """Broad-band vibration by folding and fracture.

    Mean square of the acceleration = strength^2 * absorbed power per vehicle mass.

    Parameters
    ----------
    low_hz, high_hz : band edges (-3 dB) [Hz]
    strength : root mean square acceleration [m/s^2] at 1 W/kg of absorbed power
    """

    low_hz: float
    high_hz: float
    strength: float


@dataclass(frozen=True)
class LocalStructure:
    """The local structure of one sensing location: modes and band."""

    modes: tuple[Mode, ...] = ()
    band: Band | None = None


@lru_cache(maxsize=4096)
def _mode_sections(
    frequency_hz: float, damping: float, rate_hz: float
) -> tuple[tuple[float, ...], ...]:
    """Band-pass w s / (s^2 + 2 z w s + w^2) by the bilinear map, exact at w, as one section."""
    angle = 2.0 * pi * frequency_hz / rate_hz
    alpha = damping * sin(angle)
    scale = 1.0 / (1.0 + alpha)
    # The digital peak gain is 1; the analogue one is 1 / (2 z).
    b = alpha * scale / (2.0 * damping)
    return ((b, 0.0, -b, 1.0, -2.0 * cos(angle) * scale, (1.0 - alpha) * scale),)


@lru_cache(maxsize=256)
def _band_sections(
    low_hz: float, high_hz: float, rate_hz: float
) -> tuple[tuple[tuple[float, ...], ...], float]:
    """Second-order Butterworth band-pass and the factor that gives white noise unit variance."""
    from scipy.signal import butter, sosfilt

    sections = butter(2, (low_hz, high_hz), btype="bandpass", fs=rate_hz, output="sos")
    impulse = np.zeros(8192)
    impulse[0] = 1.0
    energy = float(np.sum(np.square(sosfilt(sections, impulse))))
    return tuple(map(tuple, sections.tolist())), 1.0 / energy**0.5


def mode_response(
    drive: FloatArray, *, mode: Mode, rate_hz: float, frequency_factor: FloatArray
) -> FloatArray:
    """Answer of one mode to *drive*, shape (draws, samples) like it.

    Parameters
    ----------
    drive : exciting force over vehicle mass [m/s^2], shape (draws, samples), from rest
    mode : the mode
    rate_hz : sampling rate [Hz]
    frequency_factor : factor on the frequency, shape (draws,); rounded to FREQUENCY_STEP
    """
    from scipy.signal import sosfilt

    steps = np.round((frequency_factor - 1.0) / FREQUENCY_STEP).astype(np.int64)
    levels = np.unique(steps)
    if levels.size == 1:
        frequency = mode.frequency_hz * (1.0 + FREQUENCY_STEP * int(levels[0]))
        shared = np.array(_mode_sections(frequency, mode.damping, rate_hz))
        return np.asarray(sosfilt(shared, drive, axis=-1)) * mode.gain
    out = np.empty_like(drive)
    for level in levels:
        rows = np.flatnonzero(steps == level)
        frequency = mode.frequency_hz * (1.0 + FREQUENCY_STEP * int(level))
        sections = np.array(_mode_sections(frequency, mode.damping, rate_hz))
        out[rows] = sosfilt(sections, drive[rows], axis=-1)
    out *= mode.gain
    return out


def band_response(
    power: FloatArray, *, band: Band, rate_hz: float, noise: FloatArray
) -> FloatArray:
    """Broad-band acceleration [m/s^2], shape (draws, samples).

    Parameters
    ----------
    power : absorbed (crush) power per vehicle mass [W/kg], shape (draws, samples)
    band : the band
    rate_hz : sampling rate [Hz]
    noise : standard normal numbers, shape (draws, samples)
    """
    from scipy.signal import sosfilt

    sections, unit = _band_sections(band.low_hz, band.high_hz, rate_hz)
    excitation = np.sqrt(np.maximum(power, 0.0))
    excitation *= noise
    excitation *= unit * band.strength
    return np.asarray(sosfilt(np.array(sections), excitation, axis=-1))


def ring(
    drive: FloatArray,
    *,
    power: FloatArray,
    structure: LocalStructure,
    rate_hz: float,
    frequency_factor: FloatArray,
    noise: FloatArray | None,
    first: int = 0,
    last: int | None = None,
) -> FloatArray:
    """Local ringing of one location [m/s^2], to be added to the rigid-body acceleration.

    Parameters
    ----------
    drive : exciting force over vehicle mass [m/s^2], shape (draws, samples), zero before *first*
    power : absorbed power per vehicle mass [W/kg], shape (draws, samples)
    structure : modes and band of the location
    rate_hz : sampling rate [Hz]
    frequency_factor : factor on all mode frequencies, shape (draws,)
    noise : standard normal numbers, shape (draws, last - first); None without a band
    first : index of the first sample that can differ from zero
    last : index behind the last sample with power; the band has rung down soon after

    Rows depend on nothing but themselves: a block gives what its rows give one by one.
    """
    out = np.zeros_like(drive)
    tail = out[:, first:]
    for mode in structure.modes:
        tail += mode_response(
            drive[:, first:], mode=mode, rate_hz=rate_hz, frequency_factor=frequency_factor
        )
    if structure.band is not None and noise is not None:
        end = drive.shape[1] if last is None else last
        out[:, first:end] += band_response(
            power[:, first:end], band=structure.band, rate_hz=rate_hz, noise=noise
        )
    return out


def structures_from(table: Mapping[str, Mapping[str, object]]) -> dict[str, LocalStructure]:
    """Build local structures by channel from plain tables (a vehicle file's ``[locations]``).

    Each table: ``modes`` (list of [frequency_hz, damping, gain]) and ``band``
    ([low_hz, high_hz, strength], optional).

    >>> structures_from({"central_x": {"modes": [[120.0, 0.05, 0.3]]}})["central_x"].modes[0].gain
    0.3
    """
    out = {}
    for channel, entry in table.items():
        modes = tuple(Mode(*map(float, mode)) for mode in entry.get("modes", ()))  # type: ignore[attr-defined]
        band = entry.get("band")
        edges = None if band is None else Band(*map(float, band))  # type: ignore[call-overload]
        out[channel] = LocalStructure(modes, edges)
    return out


#: Makes noise of a named role: (role, width) -> shape (draws, width).
NoiseSource = Callable[[str, int], FloatArray]
