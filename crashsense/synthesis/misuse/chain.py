"""What all blows share: parameters, joints of the chain, and the event that comes of it.

Rate and time base, the structure that a recipe names, the contact of measured stiffness, the local
spring of a place, and how readings become an event (:func:`event_of_blow`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache
from math import ceil
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator

from crashsense.arrays import FloatArray, after_zeros
from crashsense.synthesis.bounds import ContactTravel, Stiffness, StrikerMass
from crashsense.synthesis.dynamics.contact_chain import Joint
from crashsense.synthesis.misuse.felt import READ_BY
from crashsense.synthesis.misuse.structure import (
    StruckPlace,
    Structure,
    load_structure,
    resolve_structure,
    structure_path,
)
from crashsense.synthesis.model import CABIN, Synthesis, Tolerance, Variation

RATE_HZ = 10000.0
#: Integration steps a radian of the fastest oscillation while bodies touch.
STEPS_A_RADIAN = 10.0
QUIET_S = 0.06
#: Samples before first contact.
REST = round(QUIET_S * RATE_HZ)

#: Channels that blows know of: a blow that does not reach one leaves it quiet.
HEARD = frozenset(name for by in READ_BY.values() for names in by.values() for name in names) | {
    "central_roll_rate",
    "door_left_pressure",
    "door_right_pressure",
}

Positive = Annotated[float, Field(gt=0)]

TOLERANCES = {
    "speed": Tolerance("scale", 0.05, "speed 5-10 % (memory)"),
    "mass": Tolerance("scale", 0.04, "load 200-500 kg above the empty car (memory)"),
    "contact_stiffness": Tolerance("scale", 0.08, "contact point and temperature (memory)"),
    "local_stiffness": Tolerance("scale", 0.06, "-40/+85 degC, stiffness 10-15 % (memory)"),
}


class OnStructure(BaseModel):
    """What every recipe of a blow states."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    structure: str
    duration_s: float = Field(gt=0.02, le=2.0)

    @field_validator("structure")
    @classmethod
    def _structure(cls, value: str, info: ValidationInfo) -> str:
        return resolve_structure(value, near=(info.context or {}).get("folder"))

    def loaded(self) -> Structure:
        """The structure file that the recipe names."""
        return _structure(self.structure)


@lru_cache(maxsize=32)
def _structure(name: str) -> Structure:
    """The structure of a name: looked for once, as a blow asks for it in every block of draws."""
    return load_structure(str(structure_path(name, near=None)))


class SoftContact(BaseModel):
    """A striking body and its contact of measured stiffness.

    ``contact_n_per_m`` acts over the first ``bend_mm``, ``contact_past_bend_n_per_m`` beyond;
    ``contact_damping`` is relative to critical for striker and struck mass.
    """

    striker_kg: StrikerMass
    contact_n_per_m: Stiffness
    contact_damping: float = Field(ge=0, lt=2)
    bend_mm: ContactTravel
    contact_past_bend_n_per_m: Stiffness

    def soft_joint(self, variation: Variation, *, struck_kg: float, plastic: bool = False) -> Joint:
        """The contact with a struck mass; *plastic*: it ends when the two move together."""
        factor = variation.factor("contact_stiffness")
        moved = together(self.striker_kg, struck_kg)
        return Joint(
            self.contact_n_per_m * factor,
            damping=2.0 * self.contact_damping * (self.contact_n_per_m * moved) ** 0.5,
            bend=1e-3 * self.bend_mm,
            stiffness_past_bend=self.contact_past_bend_n_per_m * factor,
            plastic=plastic,
        )


def together(one: float, other: float) -> float:
    """Mass of two bodies that move against each other [kg]."""
    return one * other / (one + other)


def substeps(*oscillations: tuple[float, float]) -> int:
    """Integration steps a sample for (stiffness [N/m], mass [kg]) pairs of nominal draws."""
    fastest = max(stiffness / mass for stiffness, mass in oscillations) ** 0.5
    return max(1, ceil(STEPS_A_RADIAN * fastest / RATE_HZ))


def local_spring(place: StruckPlace, variation: Variation) -> Joint:
    """The spring through which a struck place passes a blow on to the car."""
    warm = variation.factor("local_stiffness")
    return Joint(place.local_stiffness * warm, damping=place.local_damper * warm, holds=True)


def event_of_blow(
    signals: Mapping[str, FloatArray],
    *,
    variation: Variation,
    body: FloatArray,
    cosines: Mapping[str, float],
    facts: Mapping[str, Callable[[], FloatArray]],
    trace: Callable[[], Mapping[str, FloatArray]],
) -> Synthesis:
    """The event of a blow.

    *signals*: of the channels that feel it, with the time before; *body*: acceleration of the car
    along the blow [m/s^2], shape (draws, samples) from first contact on, *cosines*: axis ->
    component of the blow; *facts*, *trace*: called for, where they are read.
    """
    cabin = dict.fromkeys("xy")
    if variation.reads(CABIN):
        cabin = {axis: after_zeros(cosines[axis] * body, count=REST) for axis in "xy"}
    return Synthesis(
        signals=signals,
        rate_hz=RATE_HZ,
        start_s=-QUIET_S,
        cabin_x=cabin["x"],
        cabin_y=cabin["y"],
        quiet=HEARD - signals.keys(),
        facts={name: made() for name, made in facts.items() if variation.reads(name)},
        trace=trace() if variation.only is None else {},
    )
