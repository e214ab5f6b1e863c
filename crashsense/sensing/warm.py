"""Filters and noise models of a sensor set, made before they are asked for."""

from __future__ import annotations

import numpy as np

from crashsense.channels import CHANNELS
from crashsense.sensing.sense import sense
from crashsense.sensing.sensor import SensorSet
from crashsense.signal import Signal

#: Length [samples] and rate of a silence that every sensor can read.
SILENCE, RATE_HZ = 1000, 10_000.0


def design_filters(sensor_set: SensorSet) -> None:
    """Read a silence with every sensor, so that its filters in all settings are in memory.

    Models of their noise too; for signals at :data:`RATE_HZ`, as those of the shipped events are.
    """
    silence = {
        name: Signal(
            np.zeros(SILENCE),
            rate_hz=RATE_HZ,
            start_s=0.0,
            unit=CHANNELS[name].unit,
            axis=CHANNELS[name].axis,
            location=CHANNELS[name].location,
        )
        for name in sensor_set.sensors
    }
    sense(silence, sensor_set, draws=range(1, 9), occurrence="silence")
