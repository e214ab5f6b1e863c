"""Adaptation: thresholds moved by another measure, within bounds."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from crashsense.errors import Fault
from crashsense.rules.composite import Composite, child
from crashsense.rules.contract import FloatArray, NotWritten, Rule, Sweep, part_demand
from crashsense.rules.kernels import window_max
from crashsense.rules.parameters import parameter
from crashsense.rules.program import Writer
from crashsense.sensing.samples import EcuSamples


@dataclass(frozen=True)
class Adapted(Composite):
    """Base: demand of ``rule`` divided by a factor on its threshold that ``measure`` sets."""

    by_level: ClassVar[bool] = True
    unswept: ClassVar[frozenset[str]] = frozenset({"measure"})
    apart: ClassVar[frozenset[str]] = frozenset({"measure"})
    moving: ClassVar[frozenset[str]] = frozenset({"measure"})

    rule: Rule = child()
    measure: Rule = child()

    @abstractmethod
    def factor(self, measure: FloatArray, samples: EcuSamples) -> FloatArray:
        """Return the factor on the threshold, above 0, from the demand of the measure."""

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return demand over the factor."""
        return demands["rule"] / self.factor(demands["measure"], samples)

    def write(self, writer: Writer) -> int:
        """Write demand over the factor."""
        return writer.ratio(writer.part(self.rule), self.write_factor(writer))

    def write_factor(self, writer: Writer) -> int:
        """Write the factor on the threshold."""
        raise NotWritten

    def combine_swept(self, sweep: Sweep, level: FloatArray) -> FloatArray:
        """The rule is compared with the level times the factor, sample by sample."""
        measure = sweep.below("measure")
        if measure.touched:
            raise measure.again("its demand moves a threshold")
        factor = self.factor(part_demand(self.measure, sweep.samples), sweep.samples)
        return sweep.below("rule").demand(level * factor) / factor

    def deciding(self, samples: EcuSamples, at: int) -> frozenset[str]:
        """The measure is part of the reason only if it moved the threshold."""
        here, _, value = self.demands_at(samples, at)
        return frozenset(here if here["rule"] != value else {"rule"})

    def threshold_factor(self, samples: EcuSamples, at: int) -> float:
        """The factor that the measure sets."""
        return float(self.factor(part_demand(self.measure, samples), samples)[0, at])


def _hold_ticks(hold_ms: float, samples: EcuSamples) -> int:
    return min(1 + round(hold_ms * 1e-3 * samples.rate_hz), samples.size)


@dataclass(frozen=True)
class RaisedBy(Adapted):
    """Threshold raised by a measure of roughness.

    Equation
        factor = clip(1 + gain (m - 1), 1, maximum), m the measure's demand, held.
    Good at
        Rough road and undercarriage: what rings without moving the car raises the bar.
    Weak at
        A crash rings as well: ``maximum`` bounds the delay that this can cause.
    """

    family: ClassVar[str] = "raised_by"
    title: ClassVar[str] = "threshold raised by a measure of roughness, within a bound"

    gain: float = parameter(0.5, above=True, high=100.0, text="rise per unit of demand above 1")
    maximum: float = parameter(2.0, low=1.0, high=100.0, text="largest factor on the threshold")
    hold_ms: float = parameter(20.0, unit="ms", high=1e5, text="how long roughness is held")

    def factor(self, measure: FloatArray, samples: EcuSamples) -> FloatArray:
        """Return the factor."""
        held = window_max(measure, _hold_ticks(self.hold_ms, samples))
        return np.clip(1.0 + self.gain * (held - 1.0), 1.0, self.maximum)

    def write_factor(self, writer: Writer) -> int:
        """Write the factor."""
        held = writer.window_max(writer.part(self.measure), writer.hold_ticks(self.hold_ms))
        return writer.raised(held, gain=self.gain, most=self.maximum)


@dataclass(frozen=True)
class LoweredBy(Adapted):
    """Threshold lowered within a time box after another measure has reached 1.

    Equation
        factor = ``to`` while the measure was at 1 or more within the last ``box_ms``, else 1.
    Good at
        Upfront gating: the front end knows of pole and deformable barrier before the cabin does.
    Weak at
        A front sensor that is destroyed or whose wire is broken: its demand is 0 and the default
        map stays in force.
    Source
        Patent literature (expired), from memory.
    """

    family: ClassVar[str] = "lowered_by"
    title: ClassVar[str] = "threshold lowered in a time box after an upfront sensor has seen it"

    to: float = parameter(0.5, above=True, high=1.0, text="factor on the threshold in the box")
    box_ms: float = parameter(40.0, unit="ms", above=True, high=1e5, text="length of the time box")

    def factor(self, measure: FloatArray, samples: EcuSamples) -> FloatArray:
        """Return the factor."""
        held = window_max(measure, _hold_ticks(self.box_ms, samples))
        return np.where(held >= 1.0, self.to, 1.0)

    def write_factor(self, writer: Writer) -> int:
        """Write the factor."""
        held = writer.window_max(writer.part(self.measure), writer.hold_ticks(self.box_ms))
        return writer.step(held, level=1.0, then=self.to, otherwise=writer.constant(1.0))


@dataclass(frozen=True)
class Staged(Adapted):
    """Threshold that goes through stages as the event progresses.

    Equation
        ``stages`` = [[level, factor], ...]: the factor of the last level that the measure's demand
        has reached and held; 1 below the first.
    Good at
        A high threshold while the car is quiet, another one as velocity builds up.
    Weak at
        Many parameters.
    Source
        Patent literature (expired), from memory.
    """

    family: ClassVar[str] = "staged"
    title: ClassVar[str] = "threshold in stages as another measure progresses"

    stages: tuple[tuple[float, float], ...] = parameter(
        ((0.5, 0.9), (1.0, 0.8)), kind="stages", text="[[level of the measure, factor], ...]"
    )
    hold_ms: float = parameter(50.0, unit="ms", high=1e5, text="how long a stage is held")

    def further_faults(self) -> list[Fault]:
        """Levels rise, factors are above 0."""
        faults = list(super().further_faults())
        for number, (level, factor) in enumerate(self.stages):
            here = f"stages[{number}]"
            if level <= 0.0 or factor <= 0.0:
                faults.append(
                    Fault(f"rule {self.family}", here, (level, factor), "two numbers above 0")
                )
            elif number and level <= self.stages[number - 1][0]:
                expected = f"a level above {self.stages[number - 1][0]:g}"
                faults.append(Fault(f"rule {self.family}", here, (level, factor), expected))
        return faults

    def factor(self, measure: FloatArray, samples: EcuSamples) -> FloatArray:
        """Return the factor."""
        held = window_max(measure, _hold_ticks(self.hold_ms, samples))
        levels = np.array([level for level, _ in self.stages])
        factors = np.array([1.0, *(factor for _, factor in self.stages)])
        return np.asarray(factors[np.searchsorted(levels, held, side="right")], dtype=np.float64)

    def write_factor(self, writer: Writer) -> int:
        """Write the factor."""
        held = writer.window_max(writer.part(self.measure), writer.hold_ticks(self.hold_ms))
        found = writer.constant(1.0)
        for level, factor in self.stages:
            found = writer.step(held, level=level, then=factor, otherwise=found)
        return found
