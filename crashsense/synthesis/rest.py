"""Whether an event ends at rest within the noise of its sensors: one criterion for all."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.filters.causal import causal_lowpass, lowpass_sections

#: The end of an event that is looked at [s].
END_S = 0.020


class Listener(Protocol):
    """What the criterion takes of a sensor: its low-pass, noise and rounding, SI."""

    @property
    def filter_kind(self) -> str:
        """Kind of the low-pass."""

    @property
    def filter_order(self) -> int:
        """Order of the low-pass."""

    @property
    def corner_hz(self) -> float:
        """Corner of the low-pass [Hz]."""

    @property
    def noise_density(self) -> float:
        """Noise before the low-pass [unit / sqrt(Hz)]."""

    @property
    def step(self) -> float:
        """Value of one code [unit]."""


def noise_floor(sensor: Listener) -> float:
    """Standard deviation of noise and rounding in the codes of a sensor [unit].

    White noise through a low-pass of corner f has the variance density^2 f (times 1.0 to 1.1 for
    the orders in use); rounding to steps has step^2 / 12.
    """
    return float(np.sqrt(sensor.noise_density**2 * sensor.corner_hz + sensor.step**2 / 12.0))


def moving_channels(
    signals: Mapping[str, FloatArray], *, rate_hz: float, sensors: Mapping[str, Listener]
) -> dict[str, float]:
    """Channels that are not at rest at the end: channel -> level over the noise of its sensor.

    The level is the root mean square of the last 20 ms behind the sensor's low-pass; what lies at
    or below the noise floor is at rest, and left out.

    Parameters
    ----------
    signals : channel -> samples of one draw, SI, shape (samples,)
    rate_hz : sampling rate [Hz]
    sensors : channel -> sensor; a channel without one is not judged
    """
    found = {}
    for name, samples in signals.items():
        if name not in sensors or not samples.any():
            continue
        sensor = sensors[name]
        sections = lowpass_sections(
            kind=sensor.filter_kind,
            order=sensor.filter_order,
            corner_hz=sensor.corner_hz,
            rate_hz=rate_hz,
        )
        end = causal_lowpass(samples, sections=sections)[-max(1, round(END_S * rate_hz)) :]
        level = float(np.sqrt(np.mean(np.square(end)))) / noise_floor(sensor)
        if level > 1.0:
            found[name] = level
    return found
