"""Level: the mean over a short window against a threshold; used for arming and plausibility."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from crashsense.rules.contract import FloatArray
from crashsense.rules.kernels import masked, read, samples_in, window_sum
from crashsense.rules.parameters import Criterion, parameter
from crashsense.rules.program import Writer
from crashsense.sensing.samples import EcuSamples
from crashsense.units import STANDARD_GRAVITY


@dataclass(frozen=True)
class Level(Criterion):
    """Mean acceleration over a short window.

    Equation
        ``mean of a over the window / threshold``; in the sense ``|...|`` the mean of the magnitude.
    Good at
        Arming and plausibility: cheap, quick, no memory.
    Weak at
        Says nothing about severity: rough road often passes 2-4 g.
    Source
        Arming level 2-4 g, held 50-100 ms: from memory.
    """

    family: ClassVar[str] = "level"
    title: ClassVar[str] = "mean acceleration over a short window, for arming and plausibility"
    criterion: ClassVar[str] = "mean acceleration"

    channel: str = parameter("-central_safing_x", kind="channel", text="channel in its sense")
    threshold_g: float = parameter(
        3.0, unit="g", above=True, high=500.0, text="mean acceleration that counts"
    )
    window_ms: float = parameter(4.0, unit="ms", above=True, high=1000.0, text="window length")

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the mean over the threshold."""
        values, valid = read(samples, self.channel)
        ticks = samples_in(self.window_ms, samples.rate_hz)
        mean = window_sum(values, ticks) / ticks
        return masked(mean / (self.threshold_g * STANDARD_GRAVITY), valid)

    def write(self, writer: Writer) -> int:
        """Write the mean over the threshold."""
        mean = writer.window_mean(writer.read(self.channel), writer.ticks(self.window_ms))
        return writer.demand(mean, self.threshold_g * STANDARD_GRAVITY, self.channel)
