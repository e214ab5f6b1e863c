"""Two-dimensional maps: a fire region behind a threshold polyline."""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from crashsense.errors import Fault
from crashsense.rules.amounts import Amount
from crashsense.rules.contract import FloatArray, Rule, part_demand, part_measure
from crashsense.rules.displacement import travel
from crashsense.rules.kernels import (
    finite_response,
    floored_sum,
    leaky_velocity,
    masked,
    read,
    samples_in,
    slope_weights,
    ticks_since,
    window_sum,
)
from crashsense.rules.parameters import Criterion, parameter
from crashsense.rules.polyline import along_ray, ray_faults, time_faults
from crashsense.rules.program import Writer
from crashsense.sensing.samples import EcuSamples
from crashsense.units import STANDARD_GRAVITY

#: Name and unit of both coordinates of a map.
Axes = tuple[tuple[str, str], tuple[str, str]]


@dataclass(frozen=True)
class PlaneMap(Criterion):
    """Base: a fire region in a plane of two measures, behind a line that each ray crosses once."""

    axes: ClassVar[Axes]
    channel: str
    line: tuple[tuple[float, float], ...]

    @abstractmethod
    def coordinates(self, samples: EcuSamples) -> tuple[FloatArray, FloatArray]:
        """Return both measures."""

    def further_faults(self) -> list[Fault]:
        """Each ray must cross the line once."""
        return ray_faults(self.line, where=f"rule {self.family}", field="line")

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return demand along the ray."""
        _, valid = read(samples, self.channel)
        return masked(along_ray(*self.coordinates(samples), self.line), valid)

    @abstractmethod
    def write_coordinates(self, writer: Writer) -> tuple[int, int]:
        """Write both measures."""

    def write(self, writer: Writer) -> int:
        """Write demand along the ray."""
        demand = writer.along_ray(*self.write_coordinates(writer), self.line)
        return writer.demand(demand, 1.0, self.channel)

    def at_scale(self, factor: float) -> Rule | None:
        """The line moves away along every ray."""
        return replace(self, line=tuple((factor * u, factor * v) for u, v in self.line))

    def amounts(self, samples: EcuSamples, at: int) -> tuple[Amount, ...]:
        """Both axes, against the point of the line on the same ray."""
        demand = float(part_demand(self, samples)[0, at])
        if not demand > 0.0:
            return ()
        found = []
        for (name, unit), axis in zip(self.axes, self.coordinates(samples), strict=True):
            value = float(axis[0, at])
            if value > 0.0:  # the ray runs along the other axis otherwise
                found.append(Amount(name, value, value / demand, unit))
        return tuple(reversed(found))


@dataclass(frozen=True)
class VelocityDisplacementMap(PlaneMap):
    """Map of velocity change over displacement.

    Equation
        V leaky and floored [m/s], S its sum since V last left zero [m]; demand = distance of (S, V)
        from the origin over that of the line on the same ray.
    Good at
        The rough-road "ramp": a high threshold at small S, falling later.
    Weak at
        Calibration effort; each vertex is a trade between two events.
    Source
        Patent literature (expired), from memory.
    """

    family: ClassVar[str] = "velocity_displacement_map"
    title: ClassVar[str] = "map of velocity change over displacement, threshold polyline"
    axes: ClassVar[Axes] = (("displacement", "mm"), ("velocity change", "m/s"))

    channel: str = parameter("-central_x", kind="channel", text="channel in its sense")
    line: tuple[tuple[float, float], ...] = parameter(
        ((0.0, 1.6), (5.0, 1.5), (30.0, 1.2), (120.0, 1.0)),
        kind="polyline",
        text="vertices [[S mm, V m/s], ...]",
    )
    leak_g: float = parameter(1.0, unit="g", high=50.0, text="constant leak")

    def coordinates(self, samples: EcuSamples) -> tuple[FloatArray, FloatArray]:
        """Return S [mm] and V [m/s]."""
        values, _ = read(samples, self.channel)
        velocity, moved = travel(values, rate_hz=samples.rate_hz, leak_g=self.leak_g)
        return moved * 1e3, velocity

    def write_coordinates(self, writer: Writer) -> tuple[int, int]:
        """Write S [mm] and V [m/s]."""
        velocity = writer.velocity(writer.read(self.channel), leak_g=self.leak_g)
        return writer.times(writer.travel(velocity), 1e3), velocity


@dataclass(frozen=True)
class VelocityOverTime(Criterion):
    """Base: velocity change against a threshold that depends on the time since the event began."""

    channel: str
    leak_g: float

    @abstractmethod
    def threshold_at(self, elapsed_ms: FloatArray) -> FloatArray:
        """Return the threshold [m/s] at times since the event began [ms]."""

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return V over the threshold of the time."""
        _, valid = read(samples, self.channel)
        velocity, elapsed_ms = self.motion(samples)
        return masked(velocity / self.threshold_at(elapsed_ms), valid)

    def amounts(self, samples: EcuSamples, at: int) -> tuple[Amount, ...]:
        """Velocity change against the threshold of its time."""
        demand = float(part_demand(self, samples)[0, at])
        elapsed = float(self.elapsed_ms(samples)[0, at])
        threshold = float(self.threshold_at(np.array([elapsed]))[0])
        note = f"{elapsed:.1f} ms after it began"
        return (Amount("velocity change", demand * threshold, threshold, "m/s", note),)

    def elapsed_ms(self, samples: EcuSamples) -> FloatArray:
        """Return the time since the event began [ms], as the rule sees it."""
        return self.motion(samples)[1]

    def motion(self, samples: EcuSamples) -> tuple[FloatArray, FloatArray]:
        """Return V [m/s] and the time since it last left zero [ms]."""

        def measured() -> tuple[FloatArray, FloatArray]:
            values, _ = read(samples, self.channel)
            velocity = leaky_velocity(values, rate_hz=samples.rate_hz, leak_g=self.leak_g)
            elapsed = ticks_since(velocity <= 0.0) * (1e3 / samples.rate_hz)
            return velocity, np.asarray(elapsed, dtype=np.float64)

        key = ("velocity over time", self.channel, self.leak_g)
        velocity, elapsed_ms = part_measure(key, samples, measured)
        return velocity, elapsed_ms

    @abstractmethod
    def write_threshold(self, writer: Writer, elapsed_ms: int) -> int:
        """Write the threshold [m/s]."""

    def write(self, writer: Writer) -> int:
        """Write V over the threshold of the time."""
        velocity = writer.velocity(writer.read(self.channel), leak_g=self.leak_g)
        threshold = self.write_threshold(writer, writer.elapsed_ms(velocity))
        return writer.demand(writer.ratio(velocity, threshold), 1.0, self.channel)


@dataclass(frozen=True)
class VelocityTimeMap(VelocityOverTime):
    """Velocity change against a threshold line over the time since the event began.

    Equation
        demand = V / threshold(t); t counts from the sample at which V last left zero. Linear
        between the vertices, constant outside them.
    Good at
        Reads like a requirement: this much velocity by that time.
    Weak at
        t depends on the leak (which decides what counts as begun); a pre-hit starts the clock too
        early.
    Source
        From memory.
    """

    family: ClassVar[str] = "velocity_time_map"
    title: ClassVar[str] = "velocity change over a threshold that depends on time since wake-up"

    channel: str = parameter("-central_x", kind="channel", text="channel in its sense")
    line: tuple[tuple[float, float], ...] = parameter(
        ((0.0, 2.0), (10.0, 1.4), (40.0, 1.8), (100.0, 4.0)),
        kind="polyline",
        text="vertices [[t ms, V m/s], ...]",
    )
    leak_g: float = parameter(2.0, unit="g", high=50.0, text="constant leak")

    def further_faults(self) -> list[Fault]:
        """Time rises, thresholds are above 0."""
        return time_faults(self.line, where=f"rule {self.family}", field="line")

    def at_scale(self, factor: float) -> Rule | None:
        """The thresholds; their times stay."""
        return replace(self, line=tuple((time, factor * least) for time, least in self.line))

    def threshold_at(self, elapsed_ms: FloatArray) -> FloatArray:
        """Return the threshold, linear between the vertices."""
        times, thresholds = np.array(self.line, dtype=np.float64).T
        return np.asarray(np.interp(elapsed_ms, times, thresholds))

    def write_threshold(self, writer: Writer, elapsed_ms: int) -> int:
        """Write the threshold, linear between the vertices."""
        return writer.along_line(elapsed_ms, self.line)


@dataclass(frozen=True)
class VelocityTimeRamp(VelocityOverTime):
    """Velocity change against a threshold that is first flat, then rises: three numbers.

    Equation
        demand = V / threshold(t), ``threshold = start + then_g max(0, t - flat_ms)``; t counts from
        the sample at which V last left zero. It never falls and is convex.
    Good at
        Few numbers, each with a meaning: what a hard crash must reach at once, how long that holds,
        and the mean deceleration that a later one must have kept up since.
    Weak at
        Crashes that are soft first and hard later (poles, underrides); as the map, a pre-hit
        starts the clock too early.
    Source
        From memory.
    """

    family: ClassVar[str] = "velocity_time_ramp"
    title: ClassVar[str] = "velocity change over a threshold that is flat, then rises with time"

    channel: str = parameter("-central_x", kind="channel", text="channel in its sense")
    start_m_s: float = parameter(
        1.5, unit="m/s", above=True, high=50.0, text="threshold of the flat part"
    )
    flat_ms: float = parameter(20.0, unit="ms", high=1000.0, text="how long it is flat")
    then_g: float = parameter(6.0, unit="g", high=200.0, text="how fast it rises then")
    leak_g: float = parameter(1.0, unit="g", high=50.0, text="constant leak")

    @classmethod
    def is_threshold(cls, name: str) -> bool:
        """The flat part and the rise."""
        return name in ("start_m_s", "then_g")

    def threshold_at(self, elapsed_ms: FloatArray) -> FloatArray:
        """Return the threshold."""
        late_s = 1e-3 * np.maximum(elapsed_ms - self.flat_ms, 0.0)
        return self.start_m_s + self.then_g * STANDARD_GRAVITY * late_s

    def write_threshold(self, writer: Writer, elapsed_ms: int) -> int:
        """Write the threshold."""
        slope = self.then_g * STANDARD_GRAVITY
        return writer.ramp(elapsed_ms, start=self.start_m_s, slope=slope, flat_ms=self.flat_ms)


@dataclass(frozen=True)
class WindowVelocityJerkMap(PlaneMap):
    """Map of window velocity over jerk.

    Equation
        V_D over ``window_ms`` [m/s], J the least-squares slope over ``jerk_ms`` [g/ms]; demand
        along the ray in the plane (J, V_D).
    Good at
        A crash that gets harder (high J) may fire at less V_D.
    Weak at
        Noise and hammer blows in J: keep the line high at small V_D.
    Source
        From memory.
    """

    family: ClassVar[str] = "window_velocity_jerk_map"
    title: ClassVar[str] = "map of window velocity over jerk, threshold polyline"
    axes: ClassVar[Axes] = (("jerk", "g/ms"), ("window velocity", "m/s"))

    channel: str = parameter("-central_x", kind="channel", text="channel in its sense")
    window_ms: float = parameter(20.0, unit="ms", above=True, high=1000.0, text="velocity window")
    jerk_ms: float = parameter(8.0, unit="ms", above=True, high=200.0, text="slope window")
    line: tuple[tuple[float, float], ...] = parameter(
        ((0.0, 2.0), (1.0, 1.6), (4.0, 1.0)),
        kind="polyline",
        text="vertices [[J g/ms, V_D m/s], ...]",
    )

    def coordinates(self, samples: EcuSamples) -> tuple[FloatArray, FloatArray]:
        """Return J [g/ms] and V_D [m/s]."""
        values, _ = read(samples, self.channel)
        rate = samples.rate_hz
        velocity = window_sum(values, samples_in(self.window_ms, rate)) / rate
        weights = slope_weights(max(2, samples_in(self.jerk_ms, rate)), rate)
        return finite_response(values, weights) / (STANDARD_GRAVITY * 1e3), velocity

    def write_coordinates(self, writer: Writer) -> tuple[int, int]:
        """Write J [g/ms] and V_D [m/s]."""
        values, rate = writer.read(self.channel), writer.rate_hz
        total = writer.window_sum(values, writer.ticks(self.window_ms))
        weights = slope_weights(max(2, writer.ticks(self.jerk_ms)), rate)
        slope = writer.over(writer.response(values, weights), STANDARD_GRAVITY * 1e3)
        return slope, writer.over(total, rate)


@dataclass(frozen=True)
class RollRateAngleMap(PlaneMap):
    """Rollover: map of roll rate over roll angle.

    Equation
        ``phi = sum of w T`` in the stated sense, less a leak, since it last left zero; demand along
        the ray in the plane (phi [deg], w [deg/s]).
    Good at
        Corkscrew ramps and embankments.
    Weak at
        Load and worn dampers shift the line; offset drift of the rate sensor fills phi.
    Source
        Secondary; tolerance influence: book chapter, record only.
    """

    family: ClassVar[str] = "roll_rate_angle_map"
    title: ClassVar[str] = "map of roll rate over roll angle, threshold polyline"
    axes: ClassVar[Axes] = (("roll angle", "deg"), ("roll rate", "deg/s"))

    channel: str = parameter("-central_roll_rate", kind="channel", text="roll rate in its sense")
    line: tuple[tuple[float, float], ...] = parameter(
        ((0.0, 240.0), (20.0, 150.0), (45.0, 40.0), (60.0, 0.0)),
        kind="polyline",
        text="vertices [[angle deg, rate deg/s], ...]",
    )
    leak_deg_s: float = parameter(
        3.0, unit="deg/s", high=100.0, text="leak, above the offset drift of the sensor"
    )

    def coordinates(self, samples: EcuSamples) -> tuple[FloatArray, FloatArray]:
        """Return roll angle [deg] and roll rate [deg/s]."""
        values, _ = read(samples, self.channel)
        rate_deg = np.degrees(values)
        return roll_angle(rate_deg, leak=self.leak_deg_s, rate_hz=samples.rate_hz), rate_deg

    def write_coordinates(self, writer: Writer) -> tuple[int, int]:
        """Write roll angle [deg] and roll rate [deg/s]."""
        rate_deg = writer.times(writer.read(self.channel), 180.0 / np.pi)
        return writer.angle(rate_deg, leak=self.leak_deg_s), rate_deg


def roll_angle(rate: FloatArray, *, leak: float, rate_hz: float) -> FloatArray:
    """Return the roll angle in one sense: the leaky floored sum of the rate."""
    return floored_sum((rate - leak) / rate_hz)


@dataclass(frozen=True)
class RollEnergy(Criterion):
    """Rollover: rotational energy against the energy that is still needed to tip.

    Equation
        Per mass and with ``r`` the distance of the centre of gravity from the tipping edge and
        ``k`` the radius of gyration about it: tipping needs
        ``k^2 w^2 / 2 >= g r (1 - cos(phi_tip - phi))``. Demand = w / w_needed(phi), that is the
        square root of the energy ratio; w_needed has a floor of ``minimum_deg_s``, beyond
        phi_tip it stays there.
    Good at
        Physics instead of a drawn line: load and track width enter explicitly.
    Weak at
        Soil trip and kerb trip, where the lateral force still does work: use a_y as well.
    Source
        Rigid-body tipping, elementary mechanics.
    """

    family: ClassVar[str] = "roll_energy"
    title: ClassVar[str] = "roll energy over the energy still needed to tip"

    channel: str = parameter("-central_roll_rate", kind="channel", text="roll rate in its sense")
    tip_angle_deg: float = parameter(
        52.0, unit="deg", above=True, high=89.0, text="angle at which the car tips by itself"
    )
    radius_m: float = parameter(
        0.95, unit="m", above=True, high=5.0, text="centre of gravity to tipping edge"
    )
    gyration_m: float = parameter(
        1.15, unit="m", above=True, high=5.0, text="radius of gyration about the tipping edge"
    )
    threshold: float = parameter(1.0, above=True, high=100.0, text="factor on the needed roll rate")
    minimum_deg_s: float = parameter(
        20.0, unit="deg/s", above=True, high=500.0, text="floor of the needed roll rate"
    )
    leak_deg_s: float = parameter(3.0, unit="deg/s", high=100.0, text="leak of the angle")

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return roll rate over the needed roll rate."""
        values, valid = read(samples, self.channel)
        angle = roll_angle(values, leak=float(np.radians(self.leak_deg_s)), rate_hz=samples.rate_hz)
        left = np.maximum(np.radians(self.tip_angle_deg) - angle, 0.0)
        lift = STANDARD_GRAVITY * self.radius_m * (1.0 - np.cos(left))
        needed = np.maximum(np.sqrt(2.0 * lift) / self.gyration_m, np.radians(self.minimum_deg_s))
        return masked(values / (needed * self.threshold), valid)

    def write(self, writer: Writer) -> int:
        """Write roll rate over the needed roll rate."""
        rate = writer.read(self.channel)
        angle = writer.angle(rate, leak=float(np.radians(self.leak_deg_s)))
        numbers = (
            float(np.radians(self.tip_angle_deg)),
            STANDARD_GRAVITY * self.radius_m,
            self.gyration_m,
            float(np.radians(self.minimum_deg_s)),
            self.threshold,
        )
        return writer.demand(writer.roll(rate, angle, numbers=numbers), 1.0, self.channel)

    def amounts(self, samples: EcuSamples, at: int) -> tuple[Amount, ...]:
        """Roll rate against the one that tips the car from the angle it has reached."""
        demand = float(part_demand(self, samples)[0, at])
        rate = float(np.degrees(read(samples, self.channel)[0][0, at]))
        return (Amount("roll rate", rate, rate / demand, "deg/s"),) if demand > 0.0 else ()
