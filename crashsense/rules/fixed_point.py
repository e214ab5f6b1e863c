"""Fixed point: the plain velocity rule in integer arithmetic, as a control unit runs it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from crashsense.errors import Fault, InputError
from crashsense.rules.amounts import Amount
from crashsense.rules.contract import FloatArray, part_demand
from crashsense.rules.kernels import masked, read
from crashsense.rules.parameters import Criterion, parameter
from crashsense.rules.program import Writer
from crashsense.sensing.samples import EcuSamples
from crashsense.units import STANDARD_GRAVITY

_WORD = 2**15 - 1
_ACCUMULATOR = 2**31 - 1


@dataclass(frozen=True)
class FixedPointVelocityChange(Criterion):
    """Velocity change in 16-bit samples and a 32-bit accumulator.

    Equation
        ``code = clip(round(a / lsb))`` to 16 bits, ``leak_code = round(leak / lsb)``,
        ``V[n] = max(0, V[n-1] + code - leak_code)`` in whole numbers,
        ``threshold_code = round(threshold / (lsb T))``, demand = V / threshold_code.
    Valid range
        Accumulator within 32 bits: a record that could pass it is refused.
    Weak at
        A coarse ``lsb_mg`` rounds the leak and the threshold; weak pulses below half a code vanish.
    Source
        Definition of this project: the formula of ``velocity_change`` in integers. That control
        units sum 16-bit samples into 32 bits: from memory; word lengths, rounding to the nearest
        and the 100 mg of a code are assumed.
    """

    family: ClassVar[str] = "velocity_change_fixed_point"
    title: ClassVar[str] = "plain velocity change in 16/32-bit whole numbers"
    scales: ClassVar[bool] = False  # type: ignore[misc]  # the threshold is rounded

    channel: str = parameter("-central_x", kind="channel", text="channel in its sense")
    threshold_m_s: float = parameter(
        1.5, unit="m/s", above=True, high=50.0, text="velocity change that fires"
    )
    leak_g: float = parameter(0.0, unit="g", high=50.0, text="constant leak")
    lsb_mg: float = parameter(
        100.0, unit="mg", above=True, high=10000.0, text="acceleration of one code"
    )

    @property
    def lsb_m_s2(self) -> float:
        """Acceleration of one code [m/s^2]."""
        return self.lsb_mg * 1e-3 * STANDARD_GRAVITY

    @property
    def leak_code(self) -> int:
        """Leak in codes a tick."""
        return round(self.leak_g * 1e3 / self.lsb_mg)

    def threshold_code(self, rate_hz: float) -> int:
        """Return the threshold in codes."""
        code = round(self.threshold_m_s * rate_hz / (self.lsb_mg * 1e-3 * STANDARD_GRAVITY))
        if not 1 <= code <= _ACCUMULATOR:
            expected = f"a threshold of 1 to {_ACCUMULATOR} codes, it comes to {code}"
            raise InputError(
                [Fault(f"rule {self.family}", "threshold_m_s", self.threshold_m_s, expected)]
            )
        return code

    def amounts(self, samples: EcuSamples, at: int) -> tuple[Amount, ...]:
        """Velocity change against the rounded threshold."""
        threshold = self.threshold_code(samples.rate_hz) * self.lsb_m_s2 / samples.rate_hz
        demand = float(part_demand(self, samples)[0, at])
        return (Amount("velocity change", demand * threshold, threshold, "m/s"),)

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return V / threshold in whole numbers."""
        values, valid = read(samples, self.channel)
        threshold = self.threshold_code(samples.rate_hz)
        codes = np.clip(np.rint(values / self.lsb_m_s2), -_WORD - 1, _WORD).astype(np.int64)
        total = np.cumsum(codes - self.leak_code, axis=-1)
        total -= np.minimum(np.minimum.accumulate(total, axis=-1), 0)
        # A control unit saturates its accumulator; beyond that the sum is of no further use.
        return masked(np.minimum(total, _ACCUMULATOR) / threshold, valid)

    def write(self, writer: Writer) -> int:
        """Write V / threshold; whole numbers of this size are exact in floating point too."""
        values = writer.read(self.channel)
        code = writer.code(values, step=self.lsb_m_s2, least=-_WORD - 1, most=_WORD)
        total = writer.leaky_sum(writer.less(code, self.leak_code))
        held = writer.least(total, writer.constant(_ACCUMULATOR))
        return writer.demand(held, self.threshold_code(writer.rate_hz), self.channel)
