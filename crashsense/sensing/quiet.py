"""A sensor's codes on a quiet road: noise and quantisation, no motion."""

from __future__ import annotations

import numpy as np

from crashsense.channels import CHANNELS
from crashsense.sensing.sense import sense
from crashsense.sensing.sensor import SensorSet
from crashsense.signal import Signal

#: How long the words are watched [s], and in how many draws.
QUIET_S, QUIET_DRAWS = 0.5, 16


def quiet_noise(sensor_set: SensorSet, channel: str, *, seed: int = 1) -> float:
    """Root mean square of the codes without motion, each draw's own mean removed [SI].

    >>> from crashsense.sensing import load_sensor_set
    >>> 0.0 < quiet_noise(load_sensor_set(), "central_x") < 2.0
    True
    """
    unit = sensor_set.control_unit
    still = Signal(
        np.zeros(round(QUIET_S * unit.internal_rate_hz)),
        rate_hz=unit.internal_rate_hz,
        start_s=-0.05,
        unit=CHANNELS[channel].unit,
        axis=CHANNELS[channel].axis,
        location=CHANNELS[channel].location,
    )
    words = sense(
        {channel: still},
        sensor_set,
        draws=range(1, QUIET_DRAWS + 1),
        seed=seed,
        occurrence="quiet road",
        channels=[channel],
    ).samples.channels[channel]
    centred = words - np.mean(words, axis=-1, keepdims=True)
    return float(np.sqrt(np.mean(centred**2)))
