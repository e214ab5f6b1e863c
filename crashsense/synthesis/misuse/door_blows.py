"""Blows at a door: slam, trolley, ball, bicycle, elbow; all at the left front door.

Bodies in a row: (striker,) skin, inner panel with the intrusion beam, edge of the door with hinges
and latch, B-pillar, car. The skin follows the striker at once, the rest later; past the beam gap
the skin meets the beam. Inner panel and edge bend against each other in the lowest mode of the door
frame. The movement of the skin against the inner panel compresses the air of the cavity
(:mod:`crashsense.synthesis.side.door_cavity`). In a slam the whole door flies into seal and latch;
skin and inner panel move on by their own mass.
The satellite sits on the B-pillar. Time zero: first contact. 10 kHz.
"""

from __future__ import annotations

from math import pi

import numpy as np
from pydantic import Field

from crashsense.arrays import FloatArray, after_zeros
from crashsense.synthesis.dynamics.contact_chain import (
    ChainMotion,
    Contacts,
    Joint,
    march_chains,
)
from crashsense.synthesis.misuse.chain import (
    RATE_HZ,
    REST,
    TOLERANCES,
    OnStructure,
    SoftContact,
    event_of_blow,
    local_spring,
    substeps,
)
from crashsense.synthesis.misuse.felt import felt
from crashsense.synthesis.misuse.structure import Structure, find_place
from crashsense.synthesis.model import (
    PulseModel,
    Synthesis,
    Tolerance,
    Variation,
    register_model,
)
from crashsense.synthesis.side.door_cavity import cavity_overpressure
from crashsense.synthesis.side_by_side import March, Steps, at_once

#: Where the door meets the body.
PILLAR = "pillar_left"

DOOR_TOLERANCES = {
    **TOLERANCES,
    "skin_stiffness": Tolerance("scale", 0.06, "-40/+85 degC, stiffness 10-15 % (memory)"),
    "leak_area": Tolerance("scale", 0.12, "drain holes and window seals (memory, weak)"),
}


class DoorBlow(OnStructure, SoftContact):
    """A body that strikes the skin of the closed left front door."""

    speed_m_s: float = Field(ge=0.01, le=40)
    dent_area_share: float = Field(ge=0.001, le=1)


class DoorSlam(OnStructure):
    """The left front door flies shut."""

    speed_m_s: float = Field(ge=0.01, le=8)


def _inner_joints(
    structure: Structure, variation: Variation, *, skin_n_per_m: float
) -> list[Joint]:
    """Skin - inner panel (with the beam behind the skin), inner panel - edge, pillar - car."""
    door, place = structure.door, find_place(structure, PILLAR)
    skin = variation.factor("skin_stiffness")
    warm = variation.factor("local_stiffness")
    damping = 2.0 * door.skin_damping * (skin_n_per_m * door.skin_kg) ** 0.5
    return [
        Joint(
            skin_n_per_m * skin,
            damping=damping,
            bend=door.beam_gap_m,
            stiffness_past_bend=skin_n_per_m + door.beam_n_per_m,
            holds=True,
        ),
        Joint(door.frame_n_per_m * warm, damping=door.frame_damper * warm, holds=True),
        local_spring(place, variation),
    ]


def door_blow_in_steps(parameters: DoorBlow, variation: Variation) -> Steps[Synthesis]:
    """March striker, skin, inner panel, edge, pillar and car."""
    structure = parameters.loaded()
    door, place = structure.door, find_place(structure, PILLAR)
    skin, frame, pillar = _inner_joints(structure, variation, skin_n_per_m=door.skin_n_per_m)
    chain = Contacts(
        masses=[
            parameters.striker_kg,
            door.skin_kg,
            door.inner_kg,
            door.edge_kg,
            place.local_mass_kg,
            _rest_of_car(structure, variation),
        ],
        joints=[
            parameters.soft_joint(variation, struck_kg=door.skin_kg),
            skin,
            frame,
            Joint(door.latch_n_per_m, damping=door.latch_damping_n_s_per_m, holds=True),
            pillar,
        ],
        speeds=[parameters.speed_m_s * variation.factor("speed"), 0.0, 0.0, 0.0, 0.0, 0.0],
        size=variation.size,
        samples=round(parameters.duration_s * RATE_HZ),
        rate_hz=RATE_HZ,
        substeps=_steps(structure),
    )
    motion: ChainMotion = yield March(march_chains, chain)
    return _read(
        motion,
        structure=structure,
        variation=variation,
        skin_body=1,
        area_m2=door.swept_area_m2 * parameters.dent_area_share,
    )


def door_slam_in_steps(parameters: DoorSlam, variation: Variation) -> Steps[Synthesis]:
    """March skin, inner panel, edge, pillar and car; the door meets the seal at time zero."""
    structure = parameters.loaded()
    door, place = structure.door, find_place(structure, PILLAR)
    contact = variation.factor("contact_stiffness")
    spread = door.skin_kg * (2.0 * pi * door.panel_hz) ** 2
    skin, frame, pillar = _inner_joints(structure, variation, skin_n_per_m=spread)
    speed = parameters.speed_m_s * variation.factor("speed")
    chain = Contacts(
        masses=[
            door.skin_kg,
            door.inner_kg,
            door.edge_kg,
            place.local_mass_kg,
            _rest_of_car(structure, variation),
        ],
        joints=[
            skin,
            frame,
            Joint(
                door.seal_n_per_m * contact,
                damping=door.latch_damping_n_s_per_m,
                bend=door.seal_travel_m,
                stiffness_past_bend=door.latch_n_per_m * contact,
            ),
            pillar,
        ],
        speeds=[speed, speed, speed, 0.0, 0.0],
        size=variation.size,
        samples=round(parameters.duration_s * RATE_HZ),
        rate_hz=RATE_HZ,
        substeps=_steps(structure),
    )
    motion: ChainMotion = yield March(march_chains, chain)
    return _read(
        motion,
        structure=structure,
        variation=variation,
        skin_body=0,
        area_m2=door.swept_area_m2,
    )


def _steps(structure: Structure) -> int:
    """Integration steps a sample: the intrusion beam and the latch are the stiffest."""
    door = structure.door
    local = find_place(structure, PILLAR).local_mass_kg
    return substeps(
        (door.skin_n_per_m + door.beam_n_per_m, door.skin_kg),
        (door.latch_n_per_m, local),
    )


def _rest_of_car(structure: Structure, variation: Variation) -> FloatArray:
    door, place = structure.door, find_place(structure, PILLAR)
    parts = door.skin_kg + door.inner_kg + door.edge_kg + place.local_mass_kg
    return np.asarray(structure.mass_kg * variation.factor("mass") - parts)


def _read(
    motion: ChainMotion,
    *,
    structure: Structure,
    variation: Variation,
    skin_body: int,
    area_m2: float,
) -> Synthesis:
    """Signals from the chain: pillar, car, and the cavity behind the skin."""
    door, place = structure.door, find_place(structure, PILLAR)
    passed, latch = motion.force[-1], motion.force[-2]
    body = passed / _rest_of_car(structure, variation)[:, None]
    dent = motion.way(skin_body) - motion.way(skin_body + 1)
    pressure = cavity_overpressure(
        area_m2 * dent,
        volume_m3=door.cavity_volume_m3,
        leak_area_m2=door.leak_area_m2 * variation.factor("leak_area"),
        rate_hz=RATE_HZ,
    )
    pillar = (latch - passed) / place.local_mass_kg

    def inner() -> FloatArray:
        return (motion.force[skin_body] - motion.force[skin_body + 1]) / door.inner_kg

    aside = {"x": 0.0, "y": 1.0, "z": 0.0}
    readings = felt(
        structure,
        place,
        cosines=aside,
        body=body,
        local=pillar,
        passed=passed,
        power=None,
        variation=variation,
        rate_hz=RATE_HZ,
        rest=REST,
    )
    readings["door_left_pressure"] = after_zeros(pressure, count=REST)
    return event_of_blow(
        readings,
        variation=variation,
        body=body,
        cosines=aside,
        facts={
            "velocity_change_m_s": lambda: motion.speed[-1][:, -1],
            "dent_m": lambda: dent.max(axis=-1),
            "place_peak_m_s2": lambda: np.abs(pillar).max(axis=-1),
            "inner_panel_peak_m_s2": lambda: np.abs(inner()).max(axis=-1),
            "pressure_peak_pa": lambda: pressure.max(axis=-1),
        },
        trace=lambda: {
            "dent": dent,
            "latch_force": latch,
            "passed_force": passed,
            "contact_force": motion.force[0],
            **{f"speed_{number}": values for number, values in enumerate(motion.speed)},
        },
    )


register_model(
    PulseModel(
        "door_blow",
        DoorBlow,
        at_once(door_blow_in_steps),
        DOOR_TOLERANCES,
        "striker, door skin, inner panel, edge, pillar and car; adiabatic cavity with leak",
        steps=door_blow_in_steps,
    )
)
register_model(
    PulseModel(
        "door_slam",
        DoorSlam,
        at_once(door_slam_in_steps),
        DOOR_TOLERANCES,
        "door into seal and latch, skin and inner panel on springs; adiabatic cavity with leak",
        steps=door_slam_in_steps,
    )
)
