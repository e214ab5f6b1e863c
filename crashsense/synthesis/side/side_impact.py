"""Side impact: striking barrier or pole, door skin, door, sill and pillar, cabin, door cavity.

The model works on a hit to the **left** side (inward = +y, SAE J1733); a recipe for the right side
is its mirror image. Bodies, outermost first:

    striker [barrier trolley - honeycomb - face] or pole (fixed)
    skin - door - sill and pillar - cabin,   and face or pole - sill once the stand-off is closed.

The satellite sits on sill and pillar, the central unit on the cabin, the pressure sensor in the
door whose cavity follows the indentation of the skin relative to the door. Along the car the
striker drags by friction until the relative speed is gone. The car rolls about its springs
because the force acts below the centre of gravity.

Valid to about 200 ms and closing speeds up to 25 m/s; no yaw, no restraint of the far side.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from crashsense.arrays import FloatArray
from crashsense.synthesis.bounds import LEAST_KMH, CrushStiffness, FaceMass, Payload, StrikerMass
from crashsense.synthesis.draw_blocks import cached_rows, in_blocks
from crashsense.synthesis.dynamics.spring_chain import (
    CrushSpring,
    SpringChainMotion,
    integrate_chains,
)
from crashsense.synthesis.location.blow import modal_answer
from crashsense.synthesis.model import (
    PulseModel,
    Synthesis,
    Tolerance,
    Variation,
    register_model,
)
from crashsense.synthesis.side.crash import (
    RATE_HZ,
    SAMPLES,
    START_S,
    ZERO,
    acceleration_of,
    add_shaking,
    crash_chain,
    lasting_power,
)
from crashsense.synthesis.side.door_cavity import (
    AMBIENT_PA,
    SOUND_M_S,
    cavity_overpressure,
    delayed,
)
from crashsense.synthesis.side.vehicle import (
    NamedSideVehicle,
    Point,
    SideVehicle,
    curve_faults,
    curve_si,
)
from crashsense.synthesis.side_by_side import March, Steps, at_once
from crashsense.units import STANDARD_GRAVITY

SUBSTEPS = 3
#: Springs of the car that fold: all of them; those at the struck satellite, on sill and pillar, and
#: those further away from it (the panel hangs on the door); those that carry the cabin.
OWN_SPRINGS = ("skin", "door", "sill", "pillar")
NEAR_SPRINGS, FAR_SPRINGS, CABIN_SPRINGS = ("door", "sill", "pillar"), ("skin",), ("pillar",)


class SideParameters(BaseModel):
    """Parameters of a side impact.

    ``angle_deg`` is the angle between the direction of relative motion and the car's long axis: 90
    straight from the side, 75 the oblique pole, 63 the crabbed barrier (27 degrees).
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    obstacle: Literal["pole", "barrier"]
    speed_kmh: Annotated[float, Field(ge=LEAST_KMH, le=120.0)]
    angle_deg: Annotated[float, Field(ge=45.0, le=90.0)] = 90.0
    vehicle: NamedSideVehicle
    contact: Literal["door", "axle"] = "door"
    striker_mass_kg: StrikerMass | None = None
    face_mass_kg: FaceMass = 30.0
    face_curve: tuple[Point, ...] | None = None
    face_unloading_kn_per_mm: CrushStiffness = 3.0
    #: cells that fold one after the other, air pressed out of them (assumed)
    face_damper_kns_per_m: Annotated[float, Field(ge=0.0, le=1000.0)] = 5.0
    sill_overlap_stand_off_mm: Annotated[float, Field(ge=0.0, le=1000.0)] = 0.0
    dent_area_m2: Annotated[float, Field(ge=1e-4, le=10.0)]
    friction: Annotated[float, Field(ge=0.0, le=1.0)] = 0.25
    payload_kg: Payload = 0.0

    @model_validator(mode="after")
    def _possible(self) -> SideParameters:
        faults = []
        if self.obstacle == "barrier":
            if self.striker_mass_kg is None:
                faults.append("striker_mass_kg: a mass in kg for a barrier")
            if self.face_curve is None:
                faults.append("face_curve: [[mm, kN], ...] for a barrier")
            else:
                faults.append(
                    curve_faults(self.face_curve, self.face_unloading_kn_per_mm, what="face_curve")
                )
        elif self.striker_mass_kg is not None or self.face_curve is not None:
            faults.append(
                "no striker_mass_kg and no face_curve for a pole, which is fixed and rigid"
            )
        if self.striker_mass_kg is not None and self.striker_mass_kg <= 2.0 * self.face_mass_kg:
            faults.append(f"striker_mass_kg: more than twice the face ({self.face_mass_kg:g} kg)")
        panel = self.vehicle.skin_width_m * self.vehicle.skin_height_m
        if self.dent_area_m2 > panel:
            faults.append(f"dent_area_m2: no more than the panel of the door ({panel:g} m2)")
        text = "; ".join(fault for fault in faults if fault)
        if text:
            raise ValueError(text)
        return self


TOLERANCES = {
    "speed": Tolerance("scale", 0.01, "test speed +/-1 km/h at 32 to 60 km/h (regulations)"),
    "mass": Tolerance("scale", 0.03, "load and equipment, assumed"),
    "stiffness": Tolerance("scale", 0.08, "-40/+85 degC and build: +/-10-15 %, from memory"),
    "obstacle_stiffness": Tolerance("scale", 0.05, "honeycomb crush strength, assumed"),
    "angle": Tolerance("shift", 1.0, "degrees; +/-3 deg allowed (49 CFR 571.214 S10)"),
    "contact_point": Tolerance("shift", 0.013, "m; aim +/-38 mm (49 CFR 571.214 S10) is 3 sigma"),
    "leak": Tolerance("scale", 0.12, "drain holes, seals and speaker, assumed"),
    "volume": Tolerance("scale", 0.03, "equipment in the door, assumed"),
    "mode_frequency": Tolerance("scale", 0.05, "mounting and build, assumed"),
}


def register() -> PulseModel:
    """Make the model known to recipes."""
    return register_model(
        PulseModel(
            name="side_impact",
            parameters=SideParameters,
            simulate=in_blocks(simulate_side),
            steps=side_in_steps,
            tolerances=TOLERANCES,
            title="side impact by a pole or a barrier: skin, door, sill and pillar, cabin, cavity",
            struck_left=True,
        )
    )


def build_chain(
    parameters: SideParameters, variation: Variation
) -> tuple[FloatArray, FloatArray, list[CrushSpring], dict[str, int]]:
    """Return masses (bodies, draws), initial speeds, springs and the numbers of the bodies."""
    car = parameters.vehicle
    size = variation.size
    angle = np.radians(np.minimum(parameters.angle_deg + variation.deviation("angle"), 90.0))
    speed = parameters.speed_kmh / 3.6 * variation.factor("speed") * np.sin(angle)
    stiffness = variation.factor("stiffness")
    pole = parameters.obstacle == "pole"
    door = parameters.contact == "door"
    names = ["striker"] + ([] if pole else ["face"]) + (["skin", "door"] if door else [])
    body = {name: number for number, name in enumerate([*names, "pillar", "cabin"])}
    masses = np.empty((len(body), size))
    speeds = np.zeros((len(body), size))
    if pole:
        masses[body["striker"]] = np.inf
        speeds[1:] = -speed
    else:
        striker = float(parameters.striker_mass_kg or 0.0)
        masses[body["striker"]] = striker - parameters.face_mass_kg
        masses[body["face"]] = parameters.face_mass_kg
        speeds[body["striker"]] = speed
        speeds[body["face"]] = speed
    total = car.mass_kg * variation.factor("mass") + parameters.payload_kg
    masses[body["pillar"]] = car.pillar_mass_kg
    masses[body["cabin"]] = total - car.pillar_mass_kg
    if door:
        masses[body["skin"]] = car.skin_mass_kg
        masses[body["door"]] = car.door_mass_kg
        masses[body["cabin"]] -= car.skin_mass_kg + car.door_mass_kg
    front = body["striker"] if pole else body["face"]
    springs = []
    if not pole and parameters.face_curve is not None:
        springs.append(
            CrushSpring(
                "honeycomb",
                body["striker"],
                body["face"],
                curve_si(parameters.face_curve),
                1e6 * parameters.face_unloading_kn_per_mm,
                damper_n_s_per_m=1e3 * parameters.face_damper_kns_per_m,
                scale=variation.factor("obstacle_stiffness"),
                holds=True,
            )
        )
    stand_off = np.zeros(size)
    if door:
        springs += [
            # Panel on a rigid face: stiff, and of little consequence but to press the skin along.
            CrushSpring(
                "contact",
                front,
                body["skin"],
                np.array([[0.0, 0.0], [1.0, 6.0e6]]),
                3.0e7,
                rate_s_per_m=0.05,
            ),
            CrushSpring(
                "skin",
                body["skin"],
                body["door"],
                curve_si(car.skin_curve),
                1e6 * car.skin_unloading_kn_per_mm,
                damper_n_s_per_m=1e3 * car.skin_damper_kns_per_m,
                scale=stiffness,
                rate_s_per_m=car.rate_effect_s_per_m,
                holds=True,
            ),
            CrushSpring(
                "door",
                body["door"],
                body["pillar"],
                curve_si(car.door_curve),
                1e6 * car.door_unloading_kn_per_mm,
                damper_n_s_per_m=1e3 * car.door_damper_kns_per_m,
                scale=stiffness,
                rate_s_per_m=car.rate_effect_s_per_m,
                holds=True,
            ),
        ]
        stand_off = stand_off + 1e-3 * (
            car.sill_stand_off_mm + parameters.sill_overlap_stand_off_mm
        )
    springs += [
        CrushSpring(
            "sill",
            front,
            body["pillar"],
            curve_si(car.sill_contact_curve),
            1e6 * car.sill_contact_unloading_kn_per_mm,
            stand_off=stand_off,
            scale=stiffness,
            rate_s_per_m=car.rate_effect_s_per_m,
        ),
        CrushSpring(
            "pillar",
            body["pillar"],
            body["cabin"],
            curve_si(car.pillar_curve),
            1e6 * car.pillar_unloading_kn_per_mm,
            damper_n_s_per_m=1e3 * car.pillar_damper_kns_per_m,
            scale=stiffness,
            rate_s_per_m=car.rate_effect_s_per_m,
            holds=True,
        ),
    ]
    return masses, speeds, springs, body


def side_in_steps(parameters: SideParameters, variation: Variation) -> Steps[Synthesis]:
    """Integrate all draws and return the signals of a hit on the left side."""
    car = parameters.vehicle
    masses, speeds, springs, body = build_chain(parameters, variation)
    chain = crash_chain(masses, springs, speeds=speeds, substeps=SUBSTEPS)
    motion: SpringChainMotion = yield March(integrate_chains, chain)
    cabin = acceleration_of(motion, body["cabin"])
    door = parameters.contact == "door"
    struck = acceleration_of(motion, body["pillar"]) if door else cabin
    total = masses[body["pillar"] :].sum(axis=0) if not door else _car_mass(masses, body)
    force = _striker_force(motion, body)
    cabin_x = _dragged(parameters, variation, force, total)
    roll_rate, roll = _roll(car, force, variation)
    tilt = -STANDARD_GRAVITY * np.sin(roll)
    quiet = {"central_z", "door_right_pressure"}
    along = ["upfront_left_x", "upfront_right_x", "rear_seat_crossmember_x"]
    if parameters.angle_deg == 90.0:
        quiet |= {*along, "powertrain_x"}
        along = []
    oblique, along = bool(along), [name for name in along if variation.reads(name)]
    # Where there is no door, the axle or fender is struck: the satellite rides with the cabin.
    signals = {
        "side_left_y": struck + tilt,
        "side_right_y": cabin + tilt,
        "central_y": cabin + tilt,
        # The whole car is dragged along.
        **{name: cabin_x.copy() for name in ("central_x", *along)},
    }
    places = car.places(sorted(signals))
    if door:
        # What folds at the satellite shakes it as a place at the crush; what folds further away
        # shakes it as the law has it for a crush that is still far.
        low, high = car.struck_shaking
        far = replace(places.pop("side_left_y"), group="")
        near = replace(far, level=low, level_high=high)
        for place, folding, nearness in ((far, FAR_SPRINGS, 0.0), (near, NEAR_SPRINGS, 1.0)):
            add_shaking(
                signals,
                places={"side_left_y": place},
                power=lasting_power(motion, folding, mass_kg=total),
                nearness=nearness,
                variation=variation,
            )
    add_shaking(
        signals,
        places=places,
        power=lasting_power(motion, CABIN_SPRINGS, mass_kg=total),
        variation=variation,
    )
    # The second element sits beside the first on the same board: it sees the same motion.
    signals["central_safing_x"] = signals["central_x"]
    signals["central_safing_y"] = signals["central_y"]
    signals["central_roll_rate"] = roll_rate
    if oblique:
        signals["powertrain_x"] = cabin_x
    facts = {"velocity_change_m_s": motion.velocity[-1, body["cabin"]] - speeds[body["cabin"]]}
    for name, rows in (("peak_cabin_m_s2", cabin), ("roll_angle_rad", roll)):
        if variation.reads(name):
            facts[name] = np.abs(rows).max(axis=-1)
    gaps = {}
    if door:
        dent, signals["door_left_pressure"] = _pressure(parameters, variation, motion, body)
        gaps["door_to_occupant_left"] = gap = _occupant_gap(car, motion, body, speeds)
        facts |= _door_facts(dent, signals["door_left_pressure"], gap, motion, body, variation)
    else:
        quiet.add("door_left_pressure")
    return Synthesis(
        signals=signals,
        rate_hz=RATE_HZ,
        start_s=START_S,
        cabin_x=cabin_x,
        cabin_y=cabin,
        gaps=gaps,
        quiet=frozenset(quiet),
        facts=facts,
        trace={
            "striker_force": force,
            "roll_angle": roll,
        },
    )


def _dragged(
    parameters: SideParameters, variation: Variation, force: FloatArray, total: FloatArray
) -> FloatArray:
    """Acceleration along the car [m/s^2]: friction of the striker until that speed is gone."""
    out = np.zeros_like(force)
    if parameters.angle_deg == 90.0:
        return out
    share = (
        np.ones_like(total)
        if parameters.obstacle == "pole"
        else 1.0 / (1.0 + total / float(parameters.striker_mass_kg or np.inf))
    )
    most = share * _longitudinal_speed(parameters, variation)
    for rows in cached_rows(*force.shape):
        change = np.maximum(force[rows], 0.0)
        change *= parameters.friction
        np.cumsum(change, axis=-1, out=change)
        change /= RATE_HZ
        change /= total[rows, None]
        np.minimum(change, most[rows, None], out=change)
        np.subtract(change[:, :-1], change[:, 1:], out=out[rows, 1:])
        out[rows, 1:] *= RATE_HZ
    return out


def _occupant_gap(
    car: SideVehicle, motion: SpringChainMotion, body: dict[str, int], speeds: FloatArray
) -> FloatArray:
    """Gap between door and occupant [m], (draws, SAMPLES).

    The occupant stays where inertia leaves it; trim moves with the inner door.
    """
    instants, _, draws = motion.position.shape
    whole = np.full((draws, SAMPLES), 1e-3 * car.occupant_gap_mm)
    gap = whole[:, ZERO : ZERO + instants]
    np.multiply(speeds[body["cabin"]][:, None], np.arange(instants) / RATE_HZ, out=gap)
    np.subtract(motion.position[:, body["door"]].T, gap, out=gap)
    np.subtract(1e-3 * car.occupant_gap_mm, gap, out=gap)
    return whole


def _door_facts(
    dent: FloatArray,
    pressure: FloatArray,
    gap: FloatArray,
    motion: SpringChainMotion,
    body: dict[str, int],
    variation: Variation,
) -> dict[str, FloatArray]:
    """Figures of each draw about the door, none if none is read."""
    names = ("peak_pressure_share", "largest_dent_m", "largest_intrusion_m", "gap_closure_s")
    if not variation.reads(*names):
        return {}
    intrusion = motion.position[:, body["door"]] - motion.position[:, body["cabin"]]
    closing = motion.velocity[-1, body["door"]] - motion.velocity[0, body["cabin"]]
    found = (
        pressure.max(axis=-1) / AMBIENT_PA, dent.max(axis=-1), intrusion.max(axis=0),
        _first_closed(gap, closing),
    )  # fmt: skip
    return dict(zip(names, found, strict=True))


def _first_closed(gap: FloatArray, closing: FloatArray) -> FloatArray:
    """Time at which the gap has closed [s], from time zero; beyond the end at constant speed."""
    closed = gap <= 0.0
    inside = START_S + np.argmax(closed, axis=-1) / RATE_HZ
    end = START_S + (SAMPLES - 1) / RATE_HZ
    beyond = end + gap[:, -1] / np.maximum(closing, 1e-3)
    return np.asarray(np.where(closed.any(axis=-1), inside, beyond))


def _car_mass(masses: FloatArray, body: dict[str, int]) -> FloatArray:
    return np.asarray(
        masses[body["skin"]] + masses[body["door"]] + masses[body["pillar"]] + masses[body["cabin"]]
    )


def _striker_force(motion: SpringChainMotion, body: dict[str, int]) -> FloatArray:
    """Force between the striker's face (or the pole) and the car [N], (draws, SAMPLES)."""
    out = np.zeros((motion.velocity.shape[2], SAMPLES))
    active = out[:, ZERO : ZERO + motion.velocity.shape[0]]
    for number, spring in enumerate(motion.springs):
        if spring.name in ("contact", "sill"):
            active += motion.force[:, number].T
    return out


def _longitudinal_speed(parameters: SideParameters, variation: Variation) -> FloatArray:
    angle = np.radians(np.minimum(parameters.angle_deg + variation.deviation("angle"), 90.0))
    return np.asarray(parameters.speed_kmh / 3.6 * variation.factor("speed") * np.cos(angle)) * (
        parameters.angle_deg < 90.0
    )


def _roll(
    car: SideVehicle, force: FloatArray, variation: Variation
) -> tuple[FloatArray, FloatArray]:
    """Roll rate [rad/s] and angle [rad] on the suspension, positive right side down."""
    stiffness = 1e3 * car.roll_stiffness_knm_per_rad
    inertia = car.roll_inertia_kg_m2
    w = np.sqrt(stiffness / inertia)
    z = car.roll_damping
    k = 2.0 * RATE_HZ
    bottom = np.array([k * k + 2 * z * w * k + w * w, 2 * w * w - 2 * k * k, 0.0])
    bottom[2] = k * k - 2 * z * w * k + w * w
    moment = -car.roll_arm_m * force / inertia
    tops = (np.array([k, 0.0, -k]), np.array([1.0, 2.0, 1.0]))
    rate, angle = (_answer(top / bottom[0], bottom / bottom[0], moment) for top in tops)
    return rate, angle


def _answer(top: FloatArray, bottom: FloatArray, rows: FloatArray) -> FloatArray:
    """Answer of a fraction of second order, from rest, to each row; the same bits by any engine."""
    sections = np.tile(np.concatenate([top, bottom[1:]]), (len(rows), 1, 1))
    return modal_answer(sections, rows)


def _pressure(
    parameters: SideParameters,
    variation: Variation,
    motion: SpringChainMotion,
    body: dict[str, int],
) -> tuple[FloatArray, FloatArray]:
    """Indentation of the skin [m] and overpressure at the sensor [Pa], (draws, SAMPLES)."""
    car = parameters.vehicle
    whole = np.zeros((variation.size, SAMPLES))
    dent = whole[:, ZERO : ZERO + motion.position.shape[0]]
    skin, door = (motion.position[:, body[name]].T for name in ("skin", "door"))
    np.subtract(skin, door, out=dent)
    np.maximum(dent, 0.0, out=dent)
    pressure = cavity_overpressure(
        parameters.dent_area_m2 * whole,
        volume_m3=1e-3 * car.door_volume_l * variation.factor("volume"),
        leak_area_m2=1e-4 * car.door_leak_cm2 * variation.factor("leak"),
        rate_hz=RATE_HZ,
    )
    way = np.maximum(car.pressure_path_m + variation.deviation("contact_point"), 0.0)
    return whole, delayed(pressure, delay_s=way / SOUND_M_S, rate_hz=RATE_HZ)


simulate_side = at_once(side_in_steps)
register()
