"""Activity: energy, power, variance, high frequencies: structure that breaks, rings and folds."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import ClassVar

import numpy as np

from crashsense.errors import Fault, InputError
from crashsense.filters.causal import filter_rows
from crashsense.filters.design import bandpass
from crashsense.rules.contract import FloatArray, part_measure
from crashsense.rules.kernels import (
    finite_response,
    floored_sum,
    leaky_velocity,
    masked,
    one_pole,
    read,
    samples_in,
    slope_weights,
    window_max,
    window_min,
    window_sum,
)
from crashsense.rules.parameters import Criterion, parameter
from crashsense.rules.program import Writer
from crashsense.sensing.samples import EcuSamples
from crashsense.units import STANDARD_GRAVITY

G = STANDARD_GRAVITY


@dataclass(frozen=True)
class Jerk(Criterion):
    """Mean jerk: the least-squares slope of acceleration over a window.

    Equation
        ``J = sum (k - mean k) a_k / (T sum (k - mean k)^2)``, demand = J / threshold.
    Good at
        Early recognition of hard crashes.
    Weak at
        Noise; hammer. Alone it never decides.
    Source
        Patent literature (expired), from memory; window 5-10 ms.
    """

    family: ClassVar[str] = "jerk"
    title: ClassVar[str] = "least-squares slope of acceleration"

    channel: str = parameter("-central_x", kind="channel", text="channel in its sense")
    window_ms: float = parameter(8.0, unit="ms", above=True, high=200.0, text="slope window")
    threshold_g_ms: float = parameter(
        1.5, unit="g/ms", above=True, high=500.0, text="jerk that fires"
    )

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return J / threshold."""
        values, valid = read(samples, self.channel)
        ticks = max(2, samples_in(self.window_ms, samples.rate_hz))
        slope = finite_response(values, slope_weights(ticks, samples.rate_hz))
        return masked(slope / (self.threshold_g_ms * G * 1e3), valid)

    def write(self, writer: Writer) -> int:
        """Write J / threshold."""
        ticks = max(2, writer.ticks(self.window_ms))
        slope = writer.response(writer.read(self.channel), slope_weights(ticks, writer.rate_hz))
        return writer.demand(slope, self.threshold_g_ms * G * 1e3, self.channel)


@dataclass(frozen=True)
class Energy(Criterion):
    """Signal energy: the leaky sum of squared acceleration.

    Equation
        ``E[n] = max(0, E[n-1] + (a^2 - leak^2) T)`` of a in its sense (the other sense counts as
        0), demand = E / threshold. The pulse scale enters squared.
    Good at
        Its scale does not depend on duration.
    Weak at
        Misuse spikes.
    Source
        From memory.
    """

    family: ClassVar[str] = "energy"
    title: ClassVar[str] = "leaky sum of squared acceleration"

    channel: str = parameter("-central_x", kind="channel", text="channel in its sense")
    threshold_g2_ms: float = parameter(
        1200.0, unit="g^2 ms", above=True, high=1e9, text="energy that fires"
    )
    leak_g: float = parameter(3.0, unit="g", high=50.0, text="level whose square leaks")

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return E / threshold."""
        values, valid = read(samples, self.channel)
        push = np.maximum(values, 0.0) / G
        energy = floored_sum((push**2 - self.leak_g**2) * (1e3 / samples.rate_hz))
        return masked(energy / self.threshold_g2_ms, valid)

    def write(self, writer: Writer) -> int:
        """Write E / threshold."""
        push = writer.over(writer.positive(writer.read(self.channel)), G)
        power = writer.less(writer.product(push, push), self.leak_g**2)
        energy = writer.leaky_sum(writer.times(power, 1e3 / writer.rate_hz))
        return writer.demand(energy, self.threshold_g2_ms, self.channel)


@dataclass(frozen=True)
class Power(Criterion):
    """Specific power: mean acceleration times velocity change.

    Equation
        ``P = a_mean V`` [W/kg], a_mean over the window, V leaky and floored; demand = P/threshold.
    Good at
        Needs deceleration and velocity together: a spike without V, or a drift without a, counts
        little.
    Weak at
        The pulse scale enters squared; slow poles start with neither.
    Source
        From memory.
    """

    family: ClassVar[str] = "power"
    title: ClassVar[str] = "mean acceleration times velocity change"

    channel: str = parameter("-central_x", kind="channel", text="channel in its sense")
    threshold_w_kg: float = parameter(
        250.0, unit="W/kg", above=True, high=1e6, text="specific power that fires"
    )
    window_ms: float = parameter(5.0, unit="ms", above=True, high=200.0, text="window of a")
    leak_g: float = parameter(1.0, unit="g", high=50.0, text="constant leak of V")

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return P / threshold."""
        values, valid = read(samples, self.channel)
        ticks = samples_in(self.window_ms, samples.rate_hz)
        mean = np.maximum(window_sum(values, ticks) / ticks, 0.0)
        velocity = leaky_velocity(values, rate_hz=samples.rate_hz, leak_g=self.leak_g)
        return masked(mean * velocity / self.threshold_w_kg, valid)

    def write(self, writer: Writer) -> int:
        """Write P / threshold."""
        values = writer.read(self.channel)
        mean = writer.positive(writer.window_mean(values, writer.ticks(self.window_ms)))
        velocity = writer.velocity(values, leak_g=self.leak_g)
        return writer.demand(writer.product(mean, velocity), self.threshold_w_kg, self.channel)


@dataclass(frozen=True)
class Variance(Criterion):
    """Variance of acceleration in a window, as its standard deviation.

    Equation
        ``s^2 = mean of a^2 - (mean of a)^2`` over the window, demand = s / threshold.
    Good at
        Hard structure breaking, pole.
    Weak at
        Hammer, undercarriage: both are mostly variance. Also a roughness measure for adaptation.
    Source
        Patent literature (expired), from memory.
    """

    family: ClassVar[str] = "variance"
    title: ClassVar[str] = "standard deviation of acceleration in a window"
    criterion: ClassVar[str] = "standard deviation of acceleration"

    channel: str = parameter("-central_x", kind="channel", text="channel")
    window_ms: float = parameter(15.0, unit="ms", above=True, high=1000.0, text="window length")
    threshold_g: float = parameter(
        12.0, unit="g", above=True, high=500.0, text="standard deviation that fires"
    )

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return s / threshold."""
        values, valid = read(samples, self.channel)
        ticks = samples_in(self.window_ms, samples.rate_hz)
        mean = window_sum(values, ticks) / ticks
        square = window_sum(values**2, ticks) / ticks
        spread = np.sqrt(np.maximum(square - mean**2, 0.0))
        return masked(spread / (self.threshold_g * G), valid)

    def write(self, writer: Writer) -> int:
        """Write s / threshold."""
        values, ticks = writer.read(self.channel), writer.ticks(self.window_ms)
        mean = writer.window_mean(values, ticks)
        square = writer.window_mean(writer.product(values, values), ticks)
        spread = writer.positive(writer.difference(square, writer.product(mean, mean)))
        return writer.demand(writer.root(spread), self.threshold_g * G, self.channel)


@dataclass(frozen=True)
class HighFrequencyVelocity(Criterion):
    """Velocity carried by high frequencies.

    Equation
        ``sum of |a - LP(a)| T`` over the window, LP a first-order low-pass at ``corner_hz``;
        demand = sum / threshold.
    Good at
        Structure that breaks; offset and pole show it before velocity.
    Weak at
        Hammer and undercarriage; needs the sensor's bandwidth.
    Source
        Patent literature (expired), from memory.
    """

    family: ClassVar[str] = "high_frequency_velocity"
    title: ClassVar[str] = "velocity carried by content above a corner frequency"

    channel: str = parameter("-central_x", kind="channel", text="channel")
    corner_hz: float = parameter(50.0, unit="Hz", above=True, high=2000.0, text="low-pass corner")
    window_ms: float = parameter(20.0, unit="ms", above=True, high=1000.0, text="window length")
    threshold_m_s: float = parameter(1.0, unit="m/s", above=True, high=100.0, text="sum that fires")

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the windowed high-frequency velocity over its threshold."""
        values, valid = read(samples, self.channel)

        def measured() -> tuple[FloatArray]:
            rate = samples.rate_hz
            high = np.abs(values - one_pole(values, corner_hz=self.corner_hz, rate_hz=rate))
            return (window_sum(high, samples_in(self.window_ms, rate)) / rate,)

        key = (self.family, self.channel, self.corner_hz, self.window_ms)
        (total,) = part_measure(key, samples, measured)
        return masked(total / self.threshold_m_s, valid)

    def write(self, writer: Writer) -> int:
        """Write the windowed high-frequency velocity over its threshold."""
        values = writer.read(self.channel)
        low = writer.low_passed(values, corner_hz=self.corner_hz)
        high = writer.magnitude(writer.difference(values, low))
        total = writer.window_sum(high, writer.ticks(self.window_ms))
        return writer.demand(writer.over(total, writer.rate_hz), self.threshold_m_s, self.channel)


@dataclass(frozen=True)
class PeakToPeak(Criterion):
    """Largest less smallest acceleration in a window.

    Equation
        ``max a - min a`` over the window, demand = difference / threshold.
    Good at
        Telling oscillation (misuse) from push: to raise a threshold.
    Weak at
        Sensors of small bandwidth.
    Source
        From memory.
    """

    family: ClassVar[str] = "peak_to_peak"
    title: ClassVar[str] = "largest less smallest acceleration in a window"
    criterion: ClassVar[str] = "peak-to-peak acceleration"

    channel: str = parameter("-central_x", kind="channel", text="channel")
    window_ms: float = parameter(10.0, unit="ms", above=True, high=1000.0, text="window length")
    threshold_g: float = parameter(
        40.0, unit="g", above=True, high=1000.0, text="difference that fires"
    )

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the difference over its threshold."""
        values, valid = read(samples, self.channel)
        ticks = samples_in(self.window_ms, samples.rate_hz)
        span = window_max(values, ticks) - window_min(values, ticks)
        return masked(span / (self.threshold_g * G), valid)

    def write(self, writer: Writer) -> int:
        """Write the difference over its threshold."""
        values, ticks = writer.read(self.channel), writer.ticks(self.window_ms)
        span = writer.difference(writer.window_max(values, ticks), writer.window_min(values, ticks))
        return writer.demand(span, self.threshold_g * G, self.channel)


@dataclass(frozen=True)
class SignalLength(Criterion):
    """Length of the signal in a window: the sum of the steps beyond a noise floor.

    Equation
        ``sum of max(0, |a[n] - a[n-1]| - floor)`` over the window, demand = sum / threshold.
    Good at
        Cheap measure of high-frequency energy.
    Weak at
        Needs a noise floor of its own; grows with the tick rate.
    Source
        From memory (the arc length without its constant part).
    """

    family: ClassVar[str] = "signal_length"
    title: ClassVar[str] = "sum of sample-to-sample steps in a window"

    channel: str = parameter("-central_x", kind="channel", text="channel")
    window_ms: float = parameter(15.0, unit="ms", above=True, high=1000.0, text="window length")
    threshold_g: float = parameter(150.0, unit="g", above=True, high=1e5, text="length that fires")
    floor_g: float = parameter(0.5, unit="g", high=100.0, text="step that noise makes")

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the length over its threshold."""
        values, valid = read(samples, self.channel)
        steps = np.zeros_like(values)
        steps[..., 1:] = np.abs(values[..., 1:] - values[..., :-1])
        steps = np.maximum(steps - self.floor_g * G, 0.0)
        total = window_sum(steps, samples_in(self.window_ms, samples.rate_hz))
        return masked(total / (self.threshold_g * G), valid)

    def write(self, writer: Writer) -> int:
        """Write the length over its threshold."""
        change = writer.change(writer.read(self.channel))
        steps = writer.positive(writer.less(change, self.floor_g * G))
        total = writer.window_sum(steps, writer.ticks(self.window_ms))
        return writer.demand(total, self.threshold_g * G, self.channel)


@dataclass(frozen=True)
class BandEnergy(Criterion):
    """Energy in a frequency band, as the effective value of the band-passed signal.

    Equation
        A band-pass of ``sections`` second-order sections (Butterworth), squared, averaged over the
        window; demand = root mean square / threshold.
    Good at
        Structure breaking in bands such as 50-150 and 150-400 Hz.
    Weak at
        Phase delay of the sections; bands must lie below half the tick rate.
    Source
        Textbook filter design; bands from memory.
    """

    family: ClassVar[str] = "band_energy"
    title: ClassVar[str] = "effective value in a frequency band, by biquads"
    criterion: ClassVar[str] = "effective value in the band"

    channel: str = parameter("-central_x", kind="channel", text="channel")
    low_hz: float = parameter(50.0, unit="Hz", above=True, high=1000.0, text="lower edge")
    high_hz: float = parameter(150.0, unit="Hz", above=True, high=1000.0, text="upper edge")
    sections: int = parameter(1, low=1, high=3, kind="whole", text="second-order sections")
    window_ms: float = parameter(15.0, unit="ms", above=True, high=1000.0, text="window length")
    threshold_g: float = parameter(
        8.0, unit="g", above=True, high=500.0, text="effective value that fires"
    )

    def further_faults(self) -> list[Fault]:
        """The upper corner must lie above the lower one."""
        if self.high_hz <= self.low_hz:
            expected = f"above low_hz = {self.low_hz:g}"
            return [Fault(f"rule {self.family}", "high_hz", self.high_hz, expected)]
        return []

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the effective value over its threshold."""
        values, valid = read(samples, self.channel)
        band = filter_rows(values, sections=self.design(samples.rate_hz))
        ticks = samples_in(self.window_ms, samples.rate_hz)
        level = np.sqrt(np.maximum(window_sum(band**2, ticks), 0.0) / ticks)
        return masked(level / (self.threshold_g * G), valid)

    def write(self, writer: Writer) -> int:
        """Write the effective value over its threshold."""
        band = writer.sections(writer.read(self.channel), self.design(writer.rate_hz))
        mean = writer.window_mean(writer.product(band, band), writer.ticks(self.window_ms))
        return writer.demand(writer.root(writer.positive(mean)), self.threshold_g * G, self.channel)

    def design(self, rate_hz: float) -> FloatArray:
        """Return the second-order sections of the band-pass, (sections, 6)."""
        if self.high_hz >= 0.5 * rate_hz:
            expected = f"below half the tick rate, {0.5 * rate_hz:g} Hz"
            raise InputError([Fault(f"rule {self.family}", "high_hz", self.high_hz, expected)])
        return _band_pass(int(self.sections), self.low_hz, self.high_hz, rate_hz).copy()


@lru_cache(maxsize=64)
def _band_pass(sections: int, low_hz: float, high_hz: float, rate_hz: float) -> FloatArray:
    return bandpass(sections, low_hz=low_hz, high_hz=high_hz, rate_hz=rate_hz)
