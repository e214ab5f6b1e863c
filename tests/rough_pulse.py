"""A pulse as rough as a measured one: for tests of what only the samples of a channel tell."""

from __future__ import annotations

import numpy as np


def rough_g(
    speed_change_kmh: float,
    *,
    duration_s: float = 0.1,
    rate_hz: float = 10000.0,
    start_s: float = -0.05,
    end_s: float = 0.25,
    noise_g: float = 0.1,
    ringing_g: float = 8.0,
    late_s: float = 0.0,
    step_g: float = 0.06,
    seed: int = 1,
):
    """A haversine of the given velocity change under broad ringing, with recorder noise [g].

    The ringing sets in within 2 ms, adds no velocity, and lies between 100 Hz and 2 kHz.
    """
    random = np.random.default_rng(seed)
    first, last = round(start_s * rate_hz), round(end_s * rate_hz)
    times = np.arange(first, last + 1) / rate_hz - late_s
    inside = (times >= 0) & (times <= duration_s)
    peak = speed_change_kmh / 3.6 / (0.5 * duration_s) / 9.80665
    pulse = np.where(inside, 0.5 * (1 - np.cos(2 * np.pi * times / duration_s)), 0.0) * peak
    spectrum = np.fft.rfft(random.standard_normal(times.size))
    hz = np.fft.rfftfreq(times.size, 1.0 / rate_hz)
    spectrum[(hz < 100.0) | (hz > min(2000.0, 0.4 * rate_hz))] = 0.0
    rough = np.fft.irfft(spectrum, times.size)
    rough *= ringing_g / rough.std()
    envelope = np.clip(times / 0.002, 0.0, 1.0) * np.exp(-np.clip(times - 0.07, 0.0, None) / 0.01)
    ringing = rough * envelope
    # What the envelope left of velocity is taken off evenly.
    ringing -= np.where(inside, ringing.sum() / max(inside.sum(), 1), 0.0)
    values = pulse + ringing + noise_g * random.standard_normal(times.size)
    return np.round(values / step_g) * step_g
