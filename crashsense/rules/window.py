"""Moving-window velocity: the velocity change of the last few milliseconds."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from crashsense.errors import Fault
from crashsense.rules.amounts import Amount
from crashsense.rules.contract import FloatArray, Rule
from crashsense.rules.kernels import masked, read, samples_in, window_sum
from crashsense.rules.parameters import Criterion, parameter
from crashsense.rules.program import Writer
from crashsense.sensing.samples import EcuSamples
from crashsense.units import STANDARD_GRAVITY


@dataclass(frozen=True)
class WindowVelocity(Criterion):
    """Velocity change in a moving window.

    Equation
        ``V_D[n] = T sum of a over the last D``, demand = V_D / threshold. Several windows, each
        with a threshold: ``windows`` = [[D ms, threshold m/s], ...]; the largest demand counts.
        ``leak_g`` is subtracted from every sample.
    Good at
        Side and pole (steep), no drift, no reset needed.
    Weak at
        One window serves one kind of crash; short windows pass hammer blows.
    Source
        From memory; windows of 5-30 ms are usual.
    """

    family: ClassVar[str] = "window_velocity"
    title: ClassVar[str] = "velocity change in one or several moving windows"

    channel: str = parameter("-central_x", kind="channel", text="channel in its sense")
    window_ms: float = parameter(
        10.0, unit="ms", above=True, high=1000.0, text="window length, 5-30 ms usual"
    )
    threshold_m_s: float = parameter(
        1.0, unit="m/s", above=True, high=50.0, text="velocity change that fires"
    )
    windows: tuple[tuple[float, float], ...] | None = parameter(
        None,
        kind="polyline",
        optional=True,
        text="several windows [[ms, m/s], ...] in place of one",
    )
    leak_g: float = parameter(0.0, unit="g", high=50.0, text="constant leak")

    def further_faults(self) -> list[Fault]:
        """Each window and each threshold must be above 0."""
        return [
            Fault(f"rule {self.family}", f"windows[{i}]", pair, "two numbers above 0 [ms, m/s]")
            for i, pair in enumerate(self.windows or ())
            if min(pair) <= 0.0
        ]

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the largest V_D / threshold."""
        values, valid = read(samples, self.channel)
        values = values - self.leak_g * STANDARD_GRAVITY if self.leak_g else values
        out: FloatArray | None = None
        for window_ms, threshold in self.pairs:
            ticks = samples_in(window_ms, samples.rate_hz)
            part = window_sum(values, ticks)
            part /= samples.rate_hz * threshold
            out = part if out is None else np.maximum(out, part, out=out)
        return masked(np.zeros_like(values) if out is None else out, valid)

    def write(self, writer: Writer) -> int:
        """Write the largest V_D / threshold."""
        values = writer.read(self.channel)
        values = writer.less(values, self.leak_g * STANDARD_GRAVITY) if self.leak_g else values
        parts = [
            writer.over(writer.window_sum(values, writer.ticks(ms)), writer.rate_hz * threshold)
            for ms, threshold in self.pairs
        ]
        return writer.demand(writer.greatest(*parts), 1.0, self.channel)

    @property
    def pairs(self) -> tuple[tuple[float, float], ...]:
        """Every window [ms] with its threshold [m/s]."""
        return self.windows if self.windows is not None else ((self.window_ms, self.threshold_m_s),)

    def at_scale(self, factor: float) -> Rule | None:
        """Every window keeps its length."""
        windows = self.windows and tuple((ms, factor * least) for ms, least in self.windows)
        return replace(self, windows=windows, threshold_m_s=self.threshold_m_s * factor)

    def amounts(self, samples: EcuSamples, at: int) -> tuple[Amount, ...]:
        """The window that counts, the first of several."""
        found = []
        for window_ms, threshold in self.pairs:
            one = replace(self, windows=((window_ms, threshold),))
            demand = float(one.demand(samples)[0, at])
            name = f"velocity change in {window_ms:g} ms"
            found.append((demand, Amount(name, demand * threshold, threshold, "m/s")))
        return (max(found, key=lambda pair: pair[0])[1],)


@dataclass(frozen=True)
class WindowDifference(Criterion):
    """Difference of the mean acceleration in a short and a long window.

    Equation
        ``(V_short/D_short - V_long/D_long) / threshold``: how much harder it gets now.
    Good at
        The engine contact of a pole crash; a steady brake or slope reads zero.
    Weak at
        Every steep misuse (hammer, undercarriage): use with a velocity guard.
    Source
        From memory.
    """

    family: ClassVar[str] = "window_difference"
    title: ClassVar[str] = "difference of mean acceleration in a short and a long window"

    channel: str = parameter("-central_x", kind="channel", text="channel in its sense")
    short_ms: float = parameter(5.0, unit="ms", above=True, high=1000.0, text="short window")
    long_ms: float = parameter(25.0, unit="ms", above=True, high=1000.0, text="long window")
    threshold_g: float = parameter(
        8.0, unit="g", above=True, high=500.0, text="difference of means that fires"
    )

    def further_faults(self) -> list[Fault]:
        """The long window must be longer."""
        if self.long_ms <= self.short_ms:
            expected = f"a window longer than short_ms = {self.short_ms:g}"
            return [Fault(f"rule {self.family}", "long_ms", self.long_ms, expected)]
        return []

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the difference over its threshold."""
        values, valid = read(samples, self.channel)
        short = samples_in(self.short_ms, samples.rate_hz)
        long = samples_in(self.long_ms, samples.rate_hz)
        difference = window_sum(values, short) / short - window_sum(values, long) / long
        return masked(difference / (self.threshold_g * STANDARD_GRAVITY), valid)

    def write(self, writer: Writer) -> int:
        """Write the difference over its threshold."""
        values = writer.read(self.channel)
        short, long = (
            writer.window_mean(values, writer.ticks(ms)) for ms in (self.short_ms, self.long_ms)
        )
        difference = writer.difference(short, long)
        return writer.demand(difference, self.threshold_g * STANDARD_GRAVITY, self.channel)
