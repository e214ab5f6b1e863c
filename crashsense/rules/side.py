"""Side: satellite velocity and door pressure, each checked for plausibility by another element."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from crashsense.rules.amounts import Amount
from crashsense.rules.contract import FloatArray
from crashsense.rules.kernels import (
    finite_response,
    masked,
    read,
    samples_in,
    shifted,
    slope_weights,
    window_max,
    window_sum,
)
from crashsense.rules.parameters import Criterion, parameter
from crashsense.rules.program import Writer
from crashsense.sensing.samples import EcuSamples
from crashsense.units import STANDARD_GRAVITY

#: Ambient pressure [Pa], standard atmosphere at sea level (ISO 2533), to which a door's rise is
#: compared.
AMBIENT_PA = 101325.0


@dataclass(frozen=True)
class Plausible(Criterion):
    """Base: a criterion that another element must confirm as plausible."""

    plausible: str | None = parameter(
        None, kind="channel", optional=True, text="channel that must agree; none: no check"
    )
    plausible_g: float = parameter(
        1.5, unit="g", above=True, high=500.0, text="mean acceleration that agrees"
    )
    plausible_window_ms: float = parameter(
        2.0, unit="ms", above=True, high=200.0, text="window of that mean"
    )
    plausible_hold_ms: float = parameter(
        10.0, unit="ms", high=1000.0, text="how long agreement is held"
    )

    @classmethod
    def is_threshold(cls, name: str) -> bool:
        """Includes the threshold of the plausibility check."""
        return name.startswith("threshold") or name == "plausible_g"

    def agreed(self, demand: FloatArray, samples: EcuSamples) -> FloatArray:
        """Return the lesser of demand and the held demand of the other element."""
        if self.plausible is None:
            return demand
        values, valid = read(samples, self.plausible)
        ticks = samples_in(self.plausible_window_ms, samples.rate_hz)
        other = window_sum(values, ticks) / (ticks * self.plausible_g * STANDARD_GRAVITY)
        held = window_max(
            masked(other, valid), 1 + round(self.plausible_hold_ms * 1e-3 * samples.rate_hz)
        )
        return np.minimum(demand, held)

    def write_agreed(self, writer: Writer, demand: int) -> int:
        """Write the lesser of demand and the held demand of the other element."""
        if self.plausible is None:
            return demand
        ticks = writer.ticks(self.plausible_window_ms)
        other = writer.demand(
            writer.window_sum(writer.read(self.plausible), ticks),
            ticks * self.plausible_g * STANDARD_GRAVITY,
            self.plausible,
        )
        hold = writer.hold_ticks(self.plausible_hold_ms)
        return writer.least(demand, writer.window_max(other, hold))

    def amounts(self, samples: EcuSamples, at: int) -> tuple[Amount, ...]:
        """The criterion alone and, where one is asked for, the plausibility check."""
        alone = replace(self, plausible=None)
        own = self.over_threshold(float(alone.demand(samples)[0, at]))
        if self.plausible is None:
            return own
        endless = np.full((samples.draws, samples.size), np.inf)
        held = float(self.agreed(endless, samples)[0, at])
        name = f"plausibility, mean of {self.plausible}"
        return (*own, Amount(name, held * self.plausible_g, self.plausible_g, "g"))


@dataclass(frozen=True)
class SideVelocity(Plausible):
    """Side satellite: window velocity, with plausibility.

    Equation
        ``V_D = T sum of a over the window``, demand = min(V_D / threshold, held plausibility).
    Good at
        Barrier and pole into the door, 5-8 ms.
    Weak at
        Door slam, ball, trolley: the satellite alone cannot tell; plausibility by the central y or
        the other side costs 2-5 ms.
    Source
        Window 5-8 ms, 0.8-1.5 m/s, plausibility 1.5-3 g: from memory.
    """

    family: ClassVar[str] = "side_velocity"
    title: ClassVar[str] = "window velocity of a side satellite with plausibility"

    channel: str = parameter("+side_left_y", kind="channel", text="satellite in its sense")
    window_ms: float = parameter(8.0, unit="ms", above=True, high=200.0, text="window length")
    threshold_m_s: float = parameter(
        1.2, unit="m/s", above=True, high=50.0, text="velocity change that fires"
    )

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return demand with plausibility."""
        values, valid = read(samples, self.channel)
        ticks = samples_in(self.window_ms, samples.rate_hz)
        velocity = window_sum(values, ticks) / samples.rate_hz
        return self.agreed(masked(velocity / self.threshold_m_s, valid), samples)

    def write(self, writer: Writer) -> int:
        """Write demand with plausibility."""
        total = writer.window_sum(writer.read(self.channel), writer.ticks(self.window_ms))
        velocity = writer.over(total, writer.rate_hz)
        demand = writer.demand(velocity, self.threshold_m_s, self.channel)
        return self.write_agreed(writer, demand)


@dataclass(frozen=True)
class DoorPressure(Plausible):
    """Door pressure: the relative rise of pressure in the cavity, with plausibility.

    Equation
        ``p = dp / p0``, p0 = 101325 Pa; demand = min(p / threshold, held plausibility).
    Good at
        The earliest signal of a side crash: the skin moves before the cabin.
    Weak at
        A slow hit reaches the same peak later: no-fire hits pass 10 %. A threshold on the peak
        alone does not separate; see ``door_pressure_slope``. Door slam: +1-3 %.
    Source
        dp/p0 of 1-5 %: from memory; the principle: paper on side-impact sensing (abstract).
    """

    family: ClassVar[str] = "door_pressure"
    title: ClassVar[str] = "relative rise of door pressure with plausibility"

    channel: str = parameter("+door_left_pressure", kind="channel", text="pressure channel")
    threshold_percent: float = parameter(
        3.0, unit="%", above=True, high=200.0, text="rise over ambient pressure that fires"
    )

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return demand with plausibility."""
        values, valid = read(samples, self.channel)
        ratio = values * (100.0 / AMBIENT_PA)
        return self.agreed(masked(ratio / self.threshold_percent, valid), samples)

    def write(self, writer: Writer) -> int:
        """Write demand with plausibility."""
        ratio = writer.times(writer.read(self.channel), 100.0 / AMBIENT_PA)
        demand = writer.demand(ratio, self.threshold_percent, self.channel)
        return self.write_agreed(writer, demand)


@dataclass(frozen=True)
class DoorPressureSlope(Plausible):
    """Door pressure: how fast it rises, with plausibility.

    Equation
        Least-squares slope of dp/p0 over the window [%/ms], demand = min(slope / threshold, held
        plausibility).
    Good at
        Fast against slow hits of the same peak.
    Weak at
        Ball and door slam are fast too, though small: pair it with ``door_pressure``.
    Source
        From memory; that slope separates better than peak: computed with a lumped door model.
    """

    family: ClassVar[str] = "door_pressure_slope"
    title: ClassVar[str] = "rate of rise of door pressure with plausibility"

    channel: str = parameter("+door_left_pressure", kind="channel", text="pressure channel")
    window_ms: float = parameter(3.0, unit="ms", above=True, high=100.0, text="slope window")
    threshold_percent_ms: float = parameter(
        1.0, unit="%/ms", above=True, high=200.0, text="rate of rise that fires"
    )

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return demand with plausibility."""
        values, valid = read(samples, self.channel)
        ticks = max(2, samples_in(self.window_ms, samples.rate_hz))
        slope = finite_response(values, slope_weights(ticks, samples.rate_hz))
        ratio = slope * (100.0 / AMBIENT_PA * 1e-3)
        return self.agreed(masked(ratio / self.threshold_percent_ms, valid), samples)

    def write(self, writer: Writer) -> int:
        """Write demand with plausibility."""
        ticks = max(2, writer.ticks(self.window_ms))
        slope = writer.response(writer.read(self.channel), slope_weights(ticks, writer.rate_hz))
        ratio = writer.times(slope, 100.0 / AMBIENT_PA * 1e-3)
        demand = writer.demand(ratio, self.threshold_percent_ms, self.channel)
        return self.write_agreed(writer, demand)


@dataclass(frozen=True)
class DoorPressureRise(Plausible):
    """Door pressure: how much it has risen within a time window, with plausibility.

    Equation
        ``p(t) - p(t - window)`` of dp/p0 [%], demand = min(rise / threshold, held plausibility).
    Good at
        Between level and slope: a hit must reach a given rise within a given time.
    Weak at
        The window must fit the structure; see ``door_pressure_slope``.
    Source
        From memory.
    """

    family: ClassVar[str] = "door_pressure_rise"
    title: ClassVar[str] = "rise of door pressure within a time window with plausibility"

    channel: str = parameter("+door_left_pressure", kind="channel", text="pressure channel")
    window_ms: float = parameter(4.0, unit="ms", above=True, high=100.0, text="time window")
    threshold_percent: float = parameter(
        5.0, unit="%", above=True, high=200.0, text="rise within the window that fires"
    )

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return demand with plausibility."""
        values, valid = read(samples, self.channel)
        rise = values - shifted(values, samples_in(self.window_ms, samples.rate_hz))
        ratio = rise * (100.0 / AMBIENT_PA)
        return self.agreed(masked(ratio / self.threshold_percent, valid), samples)

    def write(self, writer: Writer) -> int:
        """Write demand with plausibility."""
        values = writer.read(self.channel)
        before = writer.delayed(values, writer.ticks(self.window_ms))
        ratio = writer.times(writer.difference(values, before), 100.0 / AMBIENT_PA)
        demand = writer.demand(ratio, self.threshold_percent, self.channel)
        return self.write_agreed(writer, demand)
