"""Seats: a rule that counts only while somebody sits there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from crashsense.event import Context
from crashsense.rules.composite import One
from crashsense.rules.contract import FloatArray
from crashsense.rules.parameters import parameter
from crashsense.sensing.samples import EcuSamples

if TYPE_CHECKING:
    from crashsense.rules.program import Writer


@dataclass(frozen=True)
class SeatOccupied(One):
    """A rule whose demand counts while a front seat is occupied; 0 for an empty seat.

    Equation
        demand = that of ``rule`` if the seat is occupied, else 0.
    Good at
        Passenger's bag and pretensioner: neither may fire for an empty seat.
    Weak at
        Seat occupancy is taken as the context says it: a mat that errs is not modelled.
    """

    family: ClassVar[str] = "seat_occupied"
    title: ClassVar[str] = "a rule that counts while a front seat is occupied: else demand 0"
    context_free = False

    seat: str = parameter(
        "passenger", kind="choice", choices=("passenger", "driver"), text="which front seat"
    )

    def occupied(self, samples: EcuSamples) -> bool:
        """True if somebody sits there."""
        return self._taken(samples.context)

    def _taken(self, context: Context) -> bool:
        found = {
            "passenger": context.passenger_seat_occupied,
            "driver": context.driver_seat_occupied,
        }
        return found[self.seat]

    def write(self, writer: Writer) -> int:
        """Write the demand, or 0 for an empty seat."""
        return writer.part(self.rule) if self._taken(writer.context) else writer.constant(0.0)

    def write_branches(self, writer: Writer) -> tuple[int, int, int]:
        """Write the branches of the rule, all 0 for an empty seat."""
        total, main, arming = self.rule.write_branches(writer)
        if self._taken(writer.context):
            return total, main, arming
        none = writer.constant(0.0)
        return none, none, arming if arming < 0 else none

    def combine(self, demands: Mapping[str, FloatArray], samples: EcuSamples) -> FloatArray:
        """Return the demand, or 0 for an empty seat."""
        return demands["rule"] if self.occupied(samples) else np.zeros_like(demands["rule"])

    def branch_demands(self, samples: EcuSamples) -> dict[str, FloatArray]:
        """Return the branches of the rule, all 0 for an empty seat."""
        found = self.rule.branch_demands(samples)
        if self.occupied(samples):
            return found
        return {name: np.zeros_like(demand) for name, demand in found.items()}

    def armed_by(self, samples: EcuSamples) -> tuple[frozenset[str], frozenset[str]] | None:
        """What arms the rule."""
        return self.rule.armed_by(samples)

    def unused(self, role: str, samples: EcuSamples, at: int) -> str:
        """The rule does not count for an empty seat."""
        return "" if self.occupied(samples) else f"the {self.seat} seat is empty"
