"""What a sensor's mounting adds to the motion of the body it sits on.

Each mounting is a few damped oscillators, driven by the acceleration of the body: a share p of the
mounting moves as the oscillator does (transmissibility T), the rest with the body,

    a_sensor = a_body + sum_i p_i (T_i - 1) a_body,   T = (2 z w s + w^2)/(s^2 + 2 z w s + w^2).

T(0) = 1: ringing changes no velocity in the long run. Tearing and folding of sheet metal adds a
broad band whose strength follows the square root of the crush power (energy per time).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crashsense.arrays import FloatArray

#: Mode frequencies are rounded to whole hertz, so that draws share filters.
FREQUENCY_DECIMALS = 0


def mounting_ringing(
    body: FloatArray,
    *,
    frequencies_hz: FloatArray,
    damping: Sequence[float],
    shares: Sequence[float],
    rate_hz: float,
) -> FloatArray:
    """Return what the modes add to the acceleration of the body, shape (draws, samples).

    Parameters
    ----------
    body : acceleration of the body [m/s^2], (draws, samples)
    frequencies_hz : shape (modes, draws), rounded to 1 Hz; below a quarter of *rate_hz*
    damping : ratio z per mode [-]
    shares : p per mode [-]
    rate_hz : sampling rate [Hz]; bilinear transform, warped to the mode's frequency
    """
    from scipy.signal import lfilter

    out = np.zeros_like(body)
    for mode, (z, share) in enumerate(zip(damping, shares, strict=True)):
        rounded = np.round(frequencies_hz[mode], FREQUENCY_DECIMALS)
        for frequency in np.unique(rounded):
            rows = np.flatnonzero(rounded == frequency)
            w = 2.0 * np.pi * float(frequency)
            k = w / np.tan(0.5 * w / rate_hz)
            # (T - 1) = -s^2 / (s^2 + 2 z w s + w^2) with s = k (1 - q) / (1 + q)
            top = np.array([-k * k, 2.0 * k * k, -k * k]) * share
            bottom = np.array(
                [
                    k * k + 2 * z * w * k + w * w,
                    2 * w * w - 2 * k * k,
                    k * k - 2 * z * w * k + w * w,
                ]
            )
            first = bottom[0]
            out[rows] += lfilter(top / first, bottom / first, body[rows], axis=-1)
    return out


def fracture_noise(
    power: FloatArray,
    white: FloatArray,
    *,
    strength: float,
    band_hz: tuple[float, float],
    rate_hz: float,
) -> FloatArray:
    """Return broad-band acceleration [m/s^2] of rms ``strength * sqrt(power)``, (draws, samples).

    Parameters
    ----------
    power : crush power [W], >= 0, (draws, samples)
    white : standard normal numbers, (draws, samples)
    strength : [(m/s^2) / sqrt(W)]
    band_hz : corners of a second-order band pass
    rate_hz : sampling rate [Hz]
    """
    from scipy.signal import butter, sosfilt

    sections = butter(2, band_hz, btype="bandpass", fs=rate_hz, output="sos")
    share = (band_hz[1] - band_hz[0]) / (0.5 * rate_hz)
    shaped = white * np.sqrt(np.maximum(power, 0.0))
    return np.asarray(strength * sosfilt(sections, shaped, axis=-1) / np.sqrt(share))
