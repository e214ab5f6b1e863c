"""Velocity change: the basic criterion of the trade; plain, leaky, floored, with reset."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from crashsense.errors import Fault
from crashsense.rules.contract import FloatArray
from crashsense.rules.kernels import leaky_velocity, masked, quiet_restarts, read, samples_in
from crashsense.rules.parameters import Criterion, parameter
from crashsense.rules.program import Writer
from crashsense.sensing.samples import EcuSamples
from crashsense.units import STANDARD_GRAVITY


@dataclass(frozen=True)
class VelocityChange(Criterion):
    """Velocity change with leak, floor and reset, over a threshold.

    Equation
        ``V[n] = max(0, exp(-T/time_constant) V[n-1] + (a[n] - leak) T)``,
        demand = V / threshold; a in the stated sense [m/s^2], T the tick [s].
    Options
        ``leak_g`` = 0 and no ``time_constant_ms``: plain. ``floor = "no"`` lets V go negative (a
        recorder's integral). With ``reset_ms``: V returns to 0 when abs(a) has stayed below
        ``reset_below_g`` for that long.
    Valid range
        Any tick; any record short enough that V stays within the range of a float.
    Good at
        Walls and everything whose severity is its velocity change; needs no time zero.
    Weak at
        Without leak it drifts and accumulates rough road; with leak, long soft pulses (deformable
        barrier, underride, pole) are late or missed.
    Source
        Kendall and Solomon 2014 name velocity as a deployment variable (abstract); formula and
        the usual leak of 2-6 g from memory.
    """

    family: ClassVar[str] = "velocity_change"
    title: ClassVar[str] = "velocity change with constant and exponential leak, floor, reset"

    channel: str = parameter("-central_x", kind="channel", text="channel in its sense")
    threshold_m_s: float = parameter(
        1.5, unit="m/s", above=True, high=50.0, text="velocity change that fires"
    )
    leak_g: float = parameter(0.0, unit="g", high=50.0, text="constant leak, 2-6 g usual")
    time_constant_ms: float | None = parameter(
        None, unit="ms", above=True, high=1e5, text="exponential leak", optional=True
    )
    floor: str = parameter("yes", kind="choice", choices=("yes", "no"), text="floor at zero")
    reset_ms: float | None = parameter(
        None, unit="ms", above=True, high=1e5, text="quiet time that resets V", optional=True
    )
    reset_below_g: float = parameter(
        1.0, unit="g", above=True, high=50.0, text="what counts as quiet"
    )

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return V / threshold."""
        values, valid = read(samples, self.channel)
        restart = None
        if self.reset_ms is not None:
            restart = quiet_restarts(
                values,
                level=self.reset_below_g * STANDARD_GRAVITY,
                ticks=samples_in(self.reset_ms, samples.rate_hz),
            )
        velocity = leaky_velocity(
            values,
            rate_hz=samples.rate_hz,
            leak_g=self.leak_g,
            time_constant_ms=self.time_constant_ms,
            floor=self.floor == "yes",
            restart=restart,
        )
        return masked(velocity / self.threshold_m_s, valid)

    def write(self, writer: Writer) -> int:
        """Write V / threshold."""
        values, going = writer.read(self.channel), None
        if self.reset_ms is not None:
            ticks = writer.ticks(self.reset_ms)
            largest = writer.window_max(writer.magnitude(values), ticks)
            level = self.reset_below_g * STANDARD_GRAVITY
            loud = writer.step(largest, level=level, then=1.0, otherwise=writer.constant(0.0))
            going = loud, ticks - 1
        velocity = writer.velocity(
            values,
            leak_g=self.leak_g,
            time_constant_ms=self.time_constant_ms,
            floor=self.floor == "yes",
            going=going,
        )
        return writer.demand(velocity, self.threshold_m_s, self.channel)


@dataclass(frozen=True)
class RearVelocity(Criterion):
    """Rear impact: forward velocity change of the cabin, for belts and head restraints only.

    Equation
        ``V[n] = max(0, V[n-1] + (a - leak) T)`` of +x, demand = V / threshold.
    Weak at
        Firm launches and bumper taps just below the threshold; says nothing about front airbags.
    Source
        Threshold 2-3 m/s: from memory.
    """

    family: ClassVar[str] = "rear_velocity"
    title: ClassVar[str] = "forward velocity change in a rear impact"
    criterion: ClassVar[str] = "velocity change"

    channel: str = parameter("+central_x", kind="channel", text="channel in its sense")
    threshold_m_s: float = parameter(
        2.5, unit="m/s", above=True, high=50.0, text="velocity change that fires"
    )
    leak_g: float = parameter(1.0, unit="g", high=50.0, text="constant leak")

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return V / threshold."""
        values, valid = read(samples, self.channel)
        velocity = leaky_velocity(values, rate_hz=samples.rate_hz, leak_g=self.leak_g)
        return masked(velocity / self.threshold_m_s, valid)

    def write(self, writer: Writer) -> int:
        """Write V / threshold."""
        velocity = writer.velocity(writer.read(self.channel), leak_g=self.leak_g)
        return writer.demand(velocity, self.threshold_m_s, self.channel)


@dataclass(frozen=True)
class LeftRightDifference(Criterion):
    """Offset flag: difference of the velocity changes of two sensors.

    Equation
        ``|V_left - V_right| / threshold``, V leaky and floored, each from its own sensor.
    Good at
        Telling an offset or angled hit from a full one; used to move a threshold, not to fire.
    Weak at
        A destroyed front sensor reads as an offset: where either is not valid, demand is 0.
    Source
        Patent literature (expired), from memory.
    """

    family: ClassVar[str] = "left_right_difference"
    title: ClassVar[str] = "left-right difference of velocity change, an offset flag"
    criterion: ClassVar[str] = "left-right difference of velocity"

    left: str = parameter("-upfront_left_x", kind="channel", text="left channel in its sense")
    right: str = parameter("-upfront_right_x", kind="channel", text="right channel in its sense")
    threshold_m_s: float = parameter(
        2.0, unit="m/s", above=True, high=50.0, text="difference that raises the flag"
    )
    leak_g: float = parameter(2.0, unit="g", high=50.0, text="constant leak")

    def further_faults(self) -> list[Fault]:
        """Refuse the same channel twice."""
        if self.left == self.right:
            return [Fault(f"rule {self.family}", "right", self.right, "another channel than left")]
        return []

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the difference over its threshold."""
        left, left_valid = read(samples, self.left)
        right, right_valid = read(samples, self.right)
        difference = leaky_velocity(
            left, rate_hz=samples.rate_hz, leak_g=self.leak_g
        ) - leaky_velocity(right, rate_hz=samples.rate_hz, leak_g=self.leak_g)
        return masked(abs(difference) / self.threshold_m_s, left_valid, right_valid)

    def write(self, writer: Writer) -> int:
        """Write the difference over its threshold."""
        left, right = (
            writer.velocity(writer.read(sense), leak_g=self.leak_g)
            for sense in (self.left, self.right)
        )
        apart = writer.magnitude(writer.difference(left, right))
        return writer.demand(apart, self.threshold_m_s, self.left, self.right)
