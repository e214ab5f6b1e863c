"""Displacement and predicted displacement: how far the occupant has moved, or will have moved."""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from crashsense.rules.amounts import Amount
from crashsense.rules.contract import FloatArray
from crashsense.rules.kernels import (
    leaky_velocity,
    masked,
    read,
    running_max,
    running_sum,
    samples_in,
    window_sum,
)
from crashsense.rules.parameters import Criterion, parameter
from crashsense.rules.program import Writer
from crashsense.sensing.samples import EcuSamples


def travel(values: FloatArray, *, rate_hz: float, leak_g: float) -> tuple[FloatArray, FloatArray]:
    """Return leaky velocity V [m/s] and its sum S [m]; S restarts whenever V is back at zero."""
    velocity = leaky_velocity(values, rate_hz=rate_hz, leak_g=leak_g)
    total = running_sum(velocity)
    # V is never negative, so the total at the last zero of V is the largest one at any zero of V.
    total -= running_max(total * (velocity <= 0.0))
    total /= rate_hz
    return velocity, total


class Guarded(Criterion):
    """Base: displacement of the occupant, guarded by velocity."""

    travel_mm: float
    guard_m_s: float

    @classmethod
    def is_threshold(cls, name: str) -> bool:
        """Travel and guard."""
        return name in ("travel_mm", "guard_m_s")

    def write_guarded(self, writer: Writer, velocity: int, moved: int, channel: str) -> int:
        """Write the lesser of the way over the travel and the velocity over the guard."""
        least = writer.least(
            writer.over(moved, self.travel_mm * 1e-3), writer.over(velocity, self.guard_m_s)
        )
        return writer.demand(least, 1.0, channel)

    @abstractmethod
    def motion(self, samples: EcuSamples) -> tuple[FloatArray, FloatArray]:
        """Return V [m/s] and the displacement [m]."""

    def amounts(self, samples: EcuSamples, at: int) -> tuple[Amount, ...]:
        """The displacement and the velocity change: both are needed."""
        velocity, moved = (float(values[0, at]) for values in self.motion(samples))
        return (
            Amount(self.called, max(1e3 * moved, 0.0), self.travel_mm, "mm"),
            Amount("velocity change", velocity, self.guard_m_s, "m/s"),
        )


@dataclass(frozen=True)
class Displacement(Guarded):
    """Free displacement, guarded by velocity.

    Equation
        V leaky and floored, ``S = sum of V T`` since V last left zero,
        demand = min(S / travel, V / guard).
    Good at
        A direct tie to the free travel of the occupant.
    Weak at
        Inherently late: 127 mm is reached 30 ms after the bag should have been fired, so ``travel``
        must be much smaller. Long braking accumulates it, hence the velocity guard and the leak.
    Source
        Displacement as a deployment variable: Kendall and Solomon 2014 (abstract); from memory.
    """

    family: ClassVar[str] = "displacement"
    title: ClassVar[str] = "free displacement with a velocity guard"

    channel: str = parameter("-central_x", kind="channel", text="channel in its sense")
    travel_mm: float = parameter(
        10.0, unit="mm", above=True, high=2000.0, text="free travel that fires"
    )
    guard_m_s: float = parameter(
        0.8, unit="m/s", above=True, high=50.0, text="velocity change needed as well"
    )
    leak_g: float = parameter(1.0, unit="g", high=50.0, text="constant leak")

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return min(S / travel, V / guard)."""
        _, valid = read(samples, self.channel)
        velocity, moved = self.motion(samples)
        return masked(np.minimum(moved / (self.travel_mm * 1e-3), velocity / self.guard_m_s), valid)

    def write(self, writer: Writer) -> int:
        """Write min(S / travel, V / guard)."""
        velocity = writer.velocity(writer.read(self.channel), leak_g=self.leak_g)
        return self.write_guarded(writer, velocity, writer.travel(velocity), self.channel)

    def motion(self, samples: EcuSamples) -> tuple[FloatArray, FloatArray]:
        """Return V [m/s] and S [m]."""
        values, _ = read(samples, self.channel)
        return travel(values, rate_hz=samples.rate_hz, leak_g=self.leak_g)


@dataclass(frozen=True)
class PredictedDisplacement(Guarded):
    """Displacement predicted for the time at which the bag is full, guarded by velocity.

    Equation
        ``S_p = S + V tau + a tau^2 / 2``, a the mean over ``smoothing_ms``, V leaky and floored, S
        its sum since V last left zero; demand = min(S_p / travel, V / guard).
    Good at
        Looks ahead by the fill time; ties severity to the required time.
    Weak at
        a tau^2 / 2 is 4.4 mm per g at 30 ms: ringing enters with full weight, hence smoothing and
        the guard. Long gentle braking passes without the guard.
    Source
        From memory; velocity, acceleration, displacement as variables: Kendall and Solomon 2014
        (abstract). Reference travel 127 mm and 30 ms: rule of thumb.
    """

    family: ClassVar[str] = "predicted_displacement"
    title: ClassVar[str] = "displacement predicted over the fill time, with a velocity guard"

    channel: str = parameter("-central_x", kind="channel", text="channel in its sense")
    travel_mm: float = parameter(
        125.0, unit="mm", above=True, high=2000.0, text="predicted free travel that fires"
    )
    look_ahead_ms: float = parameter(
        30.0, unit="ms", high=200.0, text="prediction time, the fill time of the bag"
    )
    smoothing_ms: float = parameter(
        6.0, unit="ms", above=True, high=200.0, text="window of the mean acceleration"
    )
    guard_m_s: float = parameter(
        0.8, unit="m/s", above=True, high=50.0, text="velocity change needed as well"
    )
    leak_g: float = parameter(1.0, unit="g", high=50.0, text="constant leak")

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return min(S_p / travel, V / guard)."""
        _, valid = read(samples, self.channel)
        velocity, predicted = self.motion(samples)
        return masked(
            np.minimum(predicted / (self.travel_mm * 1e-3), velocity / self.guard_m_s), valid
        )

    def write(self, writer: Writer) -> int:
        """Write min(S_p / travel, V / guard)."""
        values = writer.read(self.channel)
        velocity = writer.velocity(values, leak_g=self.leak_g)
        mean = writer.window_mean(values, writer.ticks(self.smoothing_ms))
        ahead = self.look_ahead_ms * 1e-3
        moved = writer.sum(writer.travel(velocity), writer.times(velocity, ahead))
        predicted = writer.sum(moved, writer.times(mean, 0.5 * ahead**2))
        return self.write_guarded(writer, velocity, predicted, self.channel)

    def motion(self, samples: EcuSamples) -> tuple[FloatArray, FloatArray]:
        """Return V [m/s] and S_p [m]."""
        values, _ = read(samples, self.channel)
        rate = samples.rate_hz
        velocity, moved = travel(values, rate_hz=rate, leak_g=self.leak_g)
        ticks = samples_in(self.smoothing_ms, rate)
        mean = window_sum(values, ticks)
        mean /= ticks
        ahead = self.look_ahead_ms * 1e-3
        mean *= 0.5 * ahead**2
        moved += velocity * ahead
        moved += mean
        return velocity, moved
