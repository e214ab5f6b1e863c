"""Blows: recipes of things that strike a car, locally or as a whole.

*Soft* blows (bonnet, trailer, animal, tow rope): a striking body meets a place of the car through a
contact of measured stiffness. *Hard* blows (hammer, mallet, stone): round contact by Hertz, with a
dent past first yield, on the sheet of the place (:mod:`crashsense.synthesis.misuse.contact`); its
duration, peak and rebound follow from masses, speed, materials and the stiffness of the sheet. The
place passes the blow on through its local spring, and each sensing location feels the body and its
own local modes. A kerb struck in a slide is a soft blow with an immovable striker. Time zero:
first contact. 10 kHz.
"""

from __future__ import annotations

import numpy as np
from pydantic import Field, ValidationInfo, field_validator, model_validator

from crashsense.arrays import FloatArray, after_zeros
from crashsense.errors import nearest
from crashsense.synthesis.bounds import (
    LEAST_KMH,
    ContactRadius,
    ContactTravel,
    Stiffness,
    StrikerMass,
)
from crashsense.synthesis.dynamics.contact_chain import (
    ChainMotion,
    Contacts,
    Joint,
    march_chains,
)
from crashsense.synthesis.dynamics.half_car import Riding, Road, initial_state, march_beside
from crashsense.synthesis.misuse.chain import (
    RATE_HZ,
    REST,
    TOLERANCES,
    OnStructure,
    SoftContact,
    event_of_blow,
    local_spring,
    substeps,
    together,
)
from crashsense.synthesis.misuse.contact import (
    MATERIALS,
    effective_modulus,
    hertz_stiffness,
    yield_depth,
)
from crashsense.synthesis.misuse.felt import felt
from crashsense.synthesis.misuse.structure import find_place
from crashsense.synthesis.model import PulseModel, Synthesis, Variation, register_model
from crashsense.synthesis.road.vehicle import load_ride, resolve_vehicle, ride_path
from crashsense.synthesis.side_by_side import March, Steps, at_once
from crashsense.units import STANDARD_GRAVITY

#: Steps a sample of what rings on after a hard blow.
STEPS_AFTER = 1


class AtPlace(OnStructure):
    """What every blow by a free body states.

    ``direction`` (x, y, z of J211): of the force on the car.
    """

    place: str
    striker_kg: StrikerMass
    speed_m_s: float = Field(ge=0.01, le=45)
    direction: tuple[float, float, float]

    @model_validator(mode="after")
    def _known(self) -> AtPlace:
        find_place(self.loaded(), self.place)
        length = sum(c * c for c in self.direction) ** 0.5
        if abs(length - 1.0) > 0.01:
            raise ValueError(f"direction: a unit vector; its length is {length:.3f}")
        return self


class Blow(AtPlace, SoftContact):
    """A body that strikes the car at a place through a contact of measured stiffness.

    A ``plastic`` contact ends when striker and place move together.
    """

    plastic: bool


class HardBlow(AtPlace):
    """A hammer, a mallet or a stone that strikes the sheet of a place.

    ``striker_radius_mm``: of the face at the point of contact. ``hysteresis_s_per_m``: loss of a
    rubber face (Hunt and Crossley), 0 for steel and stone. ``strike_s``: how long the contact is
    followed in small steps.
    """

    striker_material: str
    striker_radius_mm: ContactRadius
    hysteresis_s_per_m: float = Field(ge=0, lt=1)
    strike_s: float = Field(ge=0.001, le=0.2)

    @model_validator(mode="after")
    def _has_sheet(self) -> HardBlow:
        if self.striker_material not in MATERIALS:
            raise ValueError(f"striker_material: {nearest(self.striker_material, MATERIALS)}")
        if find_place(self.loaded(), self.place).sheet is None:
            raise ValueError(f"place: one that states a sheet; {self.place} does not")
        return self

    def steepest_n_per_m(self) -> float:
        """Stiffness of the nominal contact at its deepest, or at first yield if it yields."""
        joint = self.contact()
        deepest = (1.25 * self.striker_kg * self.speed_m_s**2 / joint.hertz) ** 0.4
        return float(1.5 * joint.hertz * min(deepest, joint.yield_depth) ** 0.5)

    def contact(self, *, factor: FloatArray | float = 1.0) -> Joint:
        """The round contact of striker and sheet; *factor*: on its stiffness, (draws,)."""
        place = find_place(self.loaded(), self.place)
        assert place.sheet is not None  # checked with the recipe
        one, other = MATERIALS[self.striker_material], MATERIALS[place.sheet.material]
        modulus = effective_modulus(one, other)
        radius = 1e-3 * self.striker_radius_mm
        weaker = min(one.indentation_pa, other.indentation_pa)
        return Joint(
            hertz=hertz_stiffness(modulus, radius_m=radius) * factor,
            yield_depth=min(yield_depth(modulus, radius_m=radius, indentation_pa=weaker), 1e9),
            hysteresis=self.hysteresis_s_per_m,
        )


def blow_in_steps(parameters: Blow, variation: Variation) -> Steps[Synthesis]:
    """March striker, local mass and car; read the sensing locations."""
    structure = parameters.loaded()
    place = find_place(structure, parameters.place)
    striker, local = parameters.striker_kg, place.local_mass_kg
    car = structure.mass_kg * variation.factor("mass") - local
    chain = Contacts(
        masses=[striker, local, car],
        joints=[
            parameters.soft_joint(variation, struck_kg=local, plastic=parameters.plastic),
            local_spring(place, variation),
        ],
        speeds=[parameters.speed_m_s * variation.factor("speed"), 0.0, 0.0],
        size=variation.size,
        samples=round(parameters.duration_s * RATE_HZ),
        rate_hz=RATE_HZ,
        substeps=substeps(
            (parameters.contact_n_per_m, together(striker, local)),
            (parameters.contact_past_bend_n_per_m, together(striker, local)),
            (place.local_stiffness, local),
        ),
    )
    motion: ChainMotion = yield March(march_chains, chain)
    return _read(parameters, variation, motion, car=car)


def hard_blow_in_steps(parameters: HardBlow, variation: Variation) -> Steps[Synthesis]:
    """March striker, sheet, local mass and car; read the sensing locations."""
    structure = parameters.loaded()
    place = find_place(structure, parameters.place)
    sheet = place.sheet
    assert sheet is not None  # checked with the recipe
    contact = variation.factor("contact_stiffness")
    moved = parameters.striker_kg + sheet.mass_kg
    metal = Joint(
        sheet.n_per_m * contact,
        damping=2.0 * sheet.damping * (sheet.n_per_m * moved) ** 0.5,
        bend=1e-3 * sheet.bend_mm,
        stiffness_past_bend=sheet.past_bend_n_per_m * contact,
        holds=True,
    )
    car = structure.mass_kg * variation.factor("mass") - place.local_mass_kg - sheet.mass_kg
    chain = Contacts(
        masses=[parameters.striker_kg, sheet.mass_kg, place.local_mass_kg, car],
        joints=[parameters.contact(factor=contact), metal, local_spring(place, variation)],
        speeds=[parameters.speed_m_s * variation.factor("speed"), 0.0, 0.0, 0.0],
        size=variation.size,
        samples=round(parameters.duration_s * RATE_HZ),
        rate_hz=RATE_HZ,
        substeps=STEPS_AFTER,
        fine_samples=round(parameters.strike_s * RATE_HZ),
        fine_substeps=substeps(
            (parameters.steepest_n_per_m(), together(parameters.striker_kg, sheet.mass_kg)),
            (max(sheet.n_per_m, sheet.past_bend_n_per_m), sheet.mass_kg),
            (place.local_stiffness, place.local_mass_kg),
        ),
    )
    motion: ChainMotion = yield March(march_chains, chain)
    return _read(parameters, variation, motion, car=car)


def _read(
    parameters: AtPlace, variation: Variation, motion: ChainMotion, *, car: FloatArray
) -> Synthesis:
    """Signals of a blow from the motion of its chain: ..., local mass, car."""
    structure = parameters.loaded()
    place = find_place(structure, parameters.place)
    into, passed = motion.force[-2], motion.force[-1]
    body = passed / car[:, None]
    local_acc = into - passed
    local_acc /= place.local_mass_kg
    power = None
    if place.crushes:
        power = motion.speed.closing_power(1)
        power /= car[:, None]
    cosines = dict(zip("xyz", parameters.direction, strict=True))
    readings = felt(
        structure,
        place,
        cosines=cosines,
        body=body,
        local=local_acc,
        passed=passed,
        power=power,
        variation=variation,
        rate_hz=RATE_HZ,
        rest=REST,
    )
    contact, speed = motion.force[0], motion.speed
    last = np.s_[:, -1]
    return event_of_blow(
        readings,
        variation=variation,
        body=body,
        cosines=cosines,
        facts={
            "velocity_change_m_s": lambda: speed[-1][last],
            "contact_peak_n": lambda: contact.max(axis=-1),
            "contact_s": lambda: (
                (contact.shape[1] - np.argmax(contact[:, ::-1] > 0.0, axis=-1)) / RATE_HZ
            ),
            "rebound_m_s": lambda: speed[-1][last] - speed[0][last],
            "place_peak_m_s2": lambda: np.abs(local_acc).max(axis=-1),
        },
        trace=lambda: {
            "contact_force": contact,
            "into_force": into,
            "passed_force": passed,
            "striker_speed": speed[0],
            **({"sheet_speed": speed[1]} if len(speed) == 4 else {}),
            "local_speed": speed[-2],
            "car_speed": speed[-1],
        },
    )


class KerbSlide(OnStructure):
    """The car slides sideways, to its left, with its left wheels against a kerb."""

    vehicle: str
    speed_kmh: float = Field(ge=LEAST_KMH, le=40)
    place: str
    rim_n_per_m: Stiffness
    tyre_n_per_m: Stiffness
    tyre_travel_mm: ContactTravel
    rim_damping: float = Field(ge=0, lt=2)
    hit_height_m: float = Field(ge=0.01, lt=0.5)

    @field_validator("vehicle")
    @classmethod
    def _vehicle(cls, value: str, info: ValidationInfo) -> str:
        return resolve_vehicle(value, near=(info.context or {}).get("folder"))

    @model_validator(mode="after")
    def _known(self) -> KerbSlide:
        find_place(self.loaded(), self.place)
        return self


def kerb_slide_in_steps(parameters: KerbSlide, variation: Variation) -> Steps[Synthesis]:
    """March wheels and car against a kerb, then let the ride model roll on its springs.

    The force F acts *lever* below the centre of gravity. During the hit the body yields in roll:
    effective mass 1 / (1/M + lever^2 / I). The rim bends: it does not throw the car back. The roll
    moment F lever goes to the ride model (springs, stops, wheels that lift), and a place *b* below
    the centre of gravity reads ``F/M - roll'' b - g sin(roll)``.
    """
    structure = parameters.loaded()
    place = find_place(structure, parameters.place)
    mass = structure.mass_kg * variation.factor("mass")
    inertia = structure.roll_inertia_kg_m2 * variation.factor("mass")
    lever = structure.gravity_centre_height_m - parameters.hit_height_m
    effective = 1.0 / (1.0 / mass + lever * lever / inertia)
    contact = variation.factor("contact_stiffness")
    damping = 2.0 * parameters.rim_damping * (parameters.rim_n_per_m * place.local_mass_kg) ** 0.5
    speed = parameters.speed_kmh / 3.6 * variation.factor("speed")
    chain = Contacts(
        masses=[np.inf, place.local_mass_kg, effective],
        joints=[
            Joint(
                parameters.tyre_n_per_m * contact,
                damping=damping,
                bend=1e-3 * parameters.tyre_travel_mm,
                stiffness_past_bend=parameters.rim_n_per_m * contact,
                plastic=True,
            ),
            local_spring(place, variation),
        ],
        speeds=[speed, 0.0, 0.0],
        size=variation.size,
        samples=round(parameters.duration_s * RATE_HZ),
        rate_hz=RATE_HZ,
        substeps=substeps(
            (parameters.rim_n_per_m, place.local_mass_kg),
            (place.local_stiffness, place.local_mass_kg),
        ),
    )
    motion: ChainMotion = yield March(march_chains, chain)
    strike, passed = motion.force
    local_acc = (strike - passed) / place.local_mass_kg
    rolling = yield from _roll_on_springs(parameters, variation, moment=-lever * passed)
    body = passed / mass[:, None] - rolling["roll_acc"] * structure.sensor_below_m
    body -= STANDARD_GRAVITY * np.sin(rolling["roll"])
    aside = {"x": 0.0, "y": 1.0, "z": 0.0}
    readings = felt(
        structure,
        place,
        cosines=aside,
        body=body,
        local=local_acc,
        passed=passed,
        power=None,
        variation=variation,
        rate_hz=RATE_HZ,
        rest=REST,
    )
    readings["central_roll_rate"] = after_zeros(rolling["roll_rate"], count=REST)
    rigid = passed / mass[:, None]
    return event_of_blow(
        readings,
        variation=variation,
        body=rigid,
        cosines=aside,
        facts={
            "velocity_change_m_s": lambda: rigid.sum(axis=-1) / RATE_HZ,
            "contact_peak_n": lambda: strike.max(axis=-1),
            "place_peak_m_s2": lambda: np.abs(local_acc).max(axis=-1),
        },
        trace=lambda: {"contact_force": strike, "passed_force": passed},
    )


def _roll_on_springs(
    parameters: KerbSlide, variation: Variation, *, moment: FloatArray
) -> Steps[dict[str, FloatArray]]:
    """Roll of the ride model at rest on level ground under an outer moment [N m]."""
    ride = load_ride(str(ride_path(parameters.vehicle, near=None)))
    size = variation.size
    flat = Road(np.zeros((size, 16)), start_m=-8.0, step_m=1.0)
    state = initial_state(size, position=np.zeros(size), speed=np.zeros(size), tracks=2)
    car = ride.car(variation)
    riding = Riding(car, state, [flat, flat], moment.shape[1], 1.0 / RATE_HZ, roll_moment=moment)
    rolling, _ = yield March(march_beside, riding)
    return rolling


register_model(
    PulseModel(
        "blow",
        Blow,
        at_once(blow_in_steps),
        TOLERANCES,
        "striking body, contact, local mass and spring, car; modes at the sensing locations",
        steps=blow_in_steps,
    )
)
register_model(
    PulseModel(
        "hard_blow",
        HardBlow,
        at_once(hard_blow_in_steps),
        TOLERANCES,
        "hammer or stone: round contact, sheet, local mass and car; modes at the sensing locations",
        steps=hard_blow_in_steps,
    )
)
register_model(
    PulseModel(
        "kerb_slide",
        KerbSlide,
        at_once(kerb_slide_in_steps),
        TOLERANCES,
        "wheels and rolling car against a kerb, sideways",
        steps=kerb_slide_in_steps,
    )
)
