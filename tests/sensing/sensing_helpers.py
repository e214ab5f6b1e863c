"""Signals and sensor sets for the tests of the sensing chain."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from crashsense.sensing import ControlUnit, Sensor, SensorSet
from crashsense.signal import Signal
from crashsense.units import STANDARD_GRAVITY as G

RATE = 10_000.0


def acceleration(
    samples: Any, *, rate_hz: float = RATE, start_s: float = -0.05, axis: str = "x"
) -> Signal:
    return Signal(
        np.asarray(samples, dtype=float),
        rate_hz=rate_hz,
        start_s=start_s,
        unit="m/s^2",
        axis=axis,
        location="central",
    )


def crash(*, peak_g: float = 30.0, ringing_g: float = 5.0, samples: int = 2500) -> np.ndarray:
    """A haversine of 80 ms with a ringing tail, forward deceleration negative [m/s^2]."""
    t = -0.05 + np.arange(samples) / RATE
    inside = (t > 0) & (t < 0.08)
    pulse = peak_g * np.sin(np.pi * t / 0.08) ** 2 * inside
    ring = ringing_g * np.sin(2 * np.pi * 317.0 * t) * np.exp(-30 * t) * (t > 0)
    return -(pulse + ring) * G


def part(**values: Any) -> Sensor:
    chosen: dict[str, Any] = {"part": "test", "range": 100 * G, "corner_hz": 400.0} | values
    return Sensor(**chosen)


def sensor_set(sensor: Sensor, *, channel: str = "central_x", **unit: Any) -> SensorSet:
    return SensorSet("test", sensors={channel: sensor}, control_unit=ControlUnit(**unit))


def with_faults(base: SensorSet, *faults: Any) -> SensorSet:
    return replace(
        base, sensors={name: s.changed(faults=faults) for name, s in base.sensors.items()}
    )
