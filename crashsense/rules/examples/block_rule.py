"""Example: a rule of your own on a block of draws, with declared parameters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crashsense.rules.contract import FloatArray
from crashsense.rules.kernels import leaky_velocity, masked, read, samples_in, window_max
from crashsense.rules.parameters import Criterion, parameter
from crashsense.sensing.samples import EcuSamples


@dataclass(frozen=True)
class VelocityWithPeak(Criterion):
    """Velocity change, counted only where a peak has been seen shortly before.

    Equation
        demand = min(V / threshold, largest a within the last ``peak_hold_ms`` / peak).
    """

    family = "velocity_with_peak"
    title = "velocity change with a recent peak"
    #: Both thresholds times k give demand / k: one evaluation answers every threshold.
    scales = True

    channel: str = parameter("-central_x", kind="channel", text="channel in its sense")
    threshold_m_s: float = parameter(1.5, unit="m/s", above=True, text="velocity change that fires")
    threshold_peak_g: float = parameter(12.0, unit="g", above=True, text="peak needed as well")
    peak_hold_ms: float = parameter(15.0, unit="ms", above=True, text="how long a peak counts")

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return demand, shape (draws, samples)."""
        values, valid = read(samples, self.channel)
        velocity = leaky_velocity(values, rate_hz=samples.rate_hz, leak_g=1.0)
        peak = window_max(values, samples_in(self.peak_hold_ms, samples.rate_hz))
        demand = np.minimum(velocity / self.threshold_m_s, peak / (self.threshold_peak_g * 9.80665))
        return masked(demand, valid)
