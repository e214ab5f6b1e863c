"""Rear impact: a moving barrier on the rear structure, or the pulse of a rear sled.

Bodies along the car, the striker first: barrier trolley - honeycomb - face - rear end - cabin -
powertrain on its mounts. The car stands; the cabin is pushed forward (+x, SAE J1733). With an
overlap below 1 only that share of the rear structure is met, on the left, and the car yaws: the
lateral channels see the yaw acceleration times their distance from the centre of gravity.

The sled reproduces a prescribed triangle: there the pulse *is* the test condition, and no structure
model is needed. Valid to about 200 ms; no pitch.
"""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from crashsense.arrays import FloatArray
from crashsense.synthesis.bounds import LEAST_KMH, CrushStiffness, FaceMass, Payload, StrikerMass
from crashsense.synthesis.draw_blocks import in_blocks
from crashsense.synthesis.dynamics.spring_chain import (
    CrushSpring,
    SpringChainMotion,
    integrate_chains,
)
from crashsense.synthesis.location import absorbed_power, with_folds
from crashsense.synthesis.model import (
    PulseModel,
    Synthesis,
    Tolerance,
    Variation,
    register_model,
)
from crashsense.synthesis.side.crash import (
    FOLDING_S,
    RATE_HZ,
    SAMPLES,
    START_S,
    CrashVehicle,
    add_shaking,
    crash_chain,
    crush_power,
    folding_power,
    on_time_base,
)
from crashsense.synthesis.side.vehicle import Point, curve_faults, curve_si, read_vehicle
from crashsense.synthesis.side_by_side import March, Steps, at_once

SUBSTEPS = 1
#: Springs of the car that fold.
OWN_SPRINGS = ("rear", "floor")
#: Crush at which it has come near to the tunnel [m], as in the frontal crashes.
NEAR_M = 0.45
#: Locations that it is at from the first contact on, and those that it never comes near to.
AT_THE_CRUSH: tuple[str, ...] = ("rear_seat_crossmember_x",)
FRONT: tuple[str, ...] = ("upfront_left_x", "upfront_right_x")

Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]


class RearVehicle(CrashVehicle):
    """The vehicle file of a rear impact."""

    rear_end_mass_kg: Positive
    powertrain_mass_kg: Positive
    rear_curve: tuple[Point, ...]
    rear_unloading_kn_per_mm: Positive
    floor_curve: tuple[Point, ...]
    floor_unloading_kn_per_mm: Positive
    floor_damper_kns_per_m: NotNegative
    mount_kn_per_mm: Positive
    mount_damper_kns_per_m: NotNegative
    rate_effect_s_per_m: Annotated[float, Field(ge=0.0, le=0.04)]
    width_m: Positive
    yaw_inertia_kg_m2: Positive
    central_ahead_m: float
    satellite_ahead_m: float

    @model_validator(mode="after")
    def _possible(self) -> RearVehicle:
        faults = [
            curve_faults(self.rear_curve, self.rear_unloading_kn_per_mm, what="rear_curve"),
            curve_faults(self.floor_curve, self.floor_unloading_kn_per_mm, what="floor_curve"),
        ]
        if self.rear_end_mass_kg + self.powertrain_mass_kg >= 0.5 * self.mass_kg:
            faults.append("mass_kg: more than twice rear end and powertrain")
        text = "; ".join(fault for fault in faults if fault)
        if text:
            raise ValueError(text)
        return self


class RearParameters(BaseModel):
    """Parameters of a rear impact."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    obstacle: Literal["barrier", "sled"]
    vehicle: Annotated[RearVehicle, BeforeValidator(read_vehicle)]
    speed_kmh: Annotated[float, Field(ge=LEAST_KMH, le=120.0)]
    overlap: Annotated[float, Field(ge=0.2, le=1.0)] = 1.0
    striker_mass_kg: StrikerMass | None = None
    face_mass_kg: FaceMass = 40.0
    face_curve: tuple[Point, ...] | None = None
    face_unloading_kn_per_mm: CrushStiffness = 40.0
    pulse_ms: Annotated[float, Field(ge=10.0, le=1e3 * FOLDING_S)] | None = None
    peak_at_ms: Annotated[float, Field(ge=1.0, le=1e3 * FOLDING_S)] | None = None
    payload_kg: Payload = 0.0

    @model_validator(mode="after")
    def _possible(self) -> RearParameters:
        faults = []
        barrier = (self.striker_mass_kg, self.face_curve)
        sled = (self.pulse_ms, self.peak_at_ms)
        if self.obstacle == "barrier":
            if self.striker_mass_kg is None:
                faults.append("striker_mass_kg: a mass in kg for a barrier")
            elif self.striker_mass_kg <= 2.0 * self.face_mass_kg:
                faults.append("striker_mass_kg: more than twice the mass of the face")
            if self.face_curve is None:
                faults.append("face_curve: [[mm, kN], ...] for a barrier")
            else:
                faults.append(
                    curve_faults(self.face_curve, self.face_unloading_kn_per_mm, what="face_curve")
                )
            if any(value is not None for value in sled):
                faults.append("no pulse_ms and peak_at_ms for a barrier: the model gives the pulse")
        else:
            if self.pulse_ms is None or self.peak_at_ms is None:
                faults.append("pulse_ms and peak_at_ms in ms for a sled")
            elif not self.peak_at_ms < self.pulse_ms:
                faults.append("peak_at_ms: before the end of the pulse (pulse_ms)")
            if any(value is not None for value in barrier):
                faults.append("no striker_mass_kg and face_curve for a sled")
        text = "; ".join(fault for fault in faults if fault)
        if text:
            raise ValueError(text)
        return self


TOLERANCES = {
    "speed": Tolerance("scale", 0.01, "test speed about +/-1 km/h, from memory"),
    "mass": Tolerance("scale", 0.03, "load and equipment, assumed"),
    "stiffness": Tolerance("scale", 0.08, "-40/+85 degC and build: +/-10-15 %, from memory"),
    "obstacle_stiffness": Tolerance("scale", 0.05, "honeycomb crush strength, assumed"),
    "contact_point": Tolerance("shift", 0.017, "m across the car; +/-50 mm is 3 sigma, assumed"),
    "pulse_length": Tolerance("scale", 0.02, "sled reproduction, assumed"),
    "mode_frequency": Tolerance("scale", 0.05, "mounting and build, assumed"),
}


def triangle(
    times_s: FloatArray, *, change_m_s: FloatArray, length_s: FloatArray, peak_s: FloatArray
) -> FloatArray:
    """Triangular pulse [m/s^2] of the velocity change A T / 2, shape (draws, samples).

    Each sample is the mean of the exact triangle over the step that ends there, so that the sum
    times the step is the velocity change.
    """
    step = times_s[1] - times_s[0]
    top = (2.0 * change_m_s / length_s)[:, None]
    length, peak = length_s[:, None], peak_s[:, None]

    def velocity(t: FloatArray) -> FloatArray:
        inside = np.clip(t, 0.0, length)
        up = np.minimum(inside, peak)
        down = np.maximum(inside - peak, 0.0)
        fall = length - peak
        return np.asarray(top * (0.5 * up * up / peak + down - 0.5 * down * down / fall))

    t = times_s[None, :]
    return (velocity(t) - velocity(t - step)) / step


def build_chain(
    parameters: RearParameters, variation: Variation
) -> tuple[FloatArray, FloatArray, list[CrushSpring]]:
    """Return masses, initial speeds and springs; bodies 0 trolley to 4 powertrain."""
    car = parameters.vehicle
    size = variation.size
    total = car.mass_kg * variation.factor("mass") + parameters.payload_kg
    striker = float(parameters.striker_mass_kg or 0.0)
    masses = np.empty((5, size))
    masses[0] = striker - parameters.face_mass_kg
    masses[1] = parameters.face_mass_kg
    masses[2] = car.rear_end_mass_kg
    masses[3] = total - car.rear_end_mass_kg - car.powertrain_mass_kg
    masses[4] = car.powertrain_mass_kg
    speeds = np.zeros((5, size))
    speeds[:2] = parameters.speed_kmh / 3.6 * variation.factor("speed")
    stiffness = variation.factor("stiffness")
    share: FloatArray | float = parameters.overlap
    if parameters.overlap < 1.0:
        share = np.clip(share + variation.deviation("contact_point") / car.width_m, 0.1, 1.0)
    mount = 1e6 * car.mount_kn_per_mm
    face = parameters.face_curve or ((0.0, 0.0), (1.0, 1.0))
    springs = [
        CrushSpring(
            "honeycomb",
            0,
            1,
            curve_si(face),
            1e6 * parameters.face_unloading_kn_per_mm,
            scale=variation.factor("obstacle_stiffness"),
            holds=True,
        ),
        CrushSpring(
            "rear",
            1,
            2,
            curve_si(car.rear_curve),
            1e6 * car.rear_unloading_kn_per_mm,
            scale=stiffness * share,
            rate_s_per_m=car.rate_effect_s_per_m,
        ),
        CrushSpring(
            "floor",
            2,
            3,
            curve_si(car.floor_curve),
            1e6 * car.floor_unloading_kn_per_mm,
            scale=stiffness,
            damper_n_s_per_m=1e3 * car.floor_damper_kns_per_m,
            holds=True,
        ),
        CrushSpring(
            "mounts",
            3,
            4,
            np.array([[0.0, 0.0], [1.0, mount]]),
            mount,
            damper_n_s_per_m=1e3 * car.mount_damper_kns_per_m,
            holds=True,
        ),
    ]
    return masses, speeds, springs


def _shake(
    signals: dict[str, FloatArray],
    parameters: RearParameters,
    variation: Variation,
    motion: SpringChainMotion,
    *,
    cabin: FloatArray,
) -> None:
    """Add how the folding rear shakes the locations: near to it at once, further off later."""
    car = parameters.vehicle
    striker, struck = motion.masses[:2].sum(axis=0), motion.masses[2:].sum(axis=0)
    common = motion.masses[0] * motion.velocity[0, 0] + motion.masses[1] * motion.velocity[0, 1]
    power = absorbed_power(
        cabin,
        speed=common / (striker + struck),
        rest=np.zeros(variation.size),
        rate_hz=RATE_HZ,
    )
    crushing = crush_power(motion, OWN_SPRINGS, mass_kg=struck)
    power = folding_power(with_folds(power, crushing=crushing, rate_hz=RATE_HZ))
    near = np.minimum(on_time_base(motion.largest[:, 1].T) / NEAR_M, 1.0)
    places = car.places(sorted(signals))
    at_the_crush = {n: places.pop(n) for n in AT_THE_CRUSH if n in places}
    far = {n: places.pop(n) for n in FRONT if n in places}
    for nearness, group in ((1.0, at_the_crush), (near, places), (0.0, far)):
        add_shaking(signals, places=group, power=power, nearness=nearness, variation=variation)


def rear_in_steps(parameters: RearParameters, variation: Variation) -> Steps[Synthesis]:
    """Integrate all draws and return the signals."""
    car = parameters.vehicle
    facts: dict[str, FloatArray] = {}
    if parameters.obstacle == "sled":
        change = parameters.speed_kmh / 3.6 * variation.factor("speed")
        stretch = 1e-3 * variation.factor("pulse_length")
        cabin = triangle(
            START_S + np.arange(SAMPLES) / RATE_HZ,
            change_m_s=change,
            length_s=float(parameters.pulse_ms or 0.0) * stretch,
            peak_s=float(parameters.peak_at_ms or 0.0) * stretch,
        )
        powertrain, force = cabin, np.zeros_like(cabin)
        facts["velocity_change_m_s"] = change
    else:
        masses, speeds, springs = build_chain(parameters, variation)
        chain = crash_chain(masses, springs, speeds=speeds, substeps=SUBSTEPS, ledger=True)
        motion: SpringChainMotion = yield March(integrate_chains, chain)
        cabin = on_time_base(motion.body_acceleration(3))
        powertrain = on_time_base(motion.body_acceleration(4))
        force = on_time_base(motion.force[:, 1].T)
        facts["velocity_change_m_s"] = motion.velocity[-1, 3]
        facts["largest_crush_m"] = motion.largest[-1, 1]
    facts["peak_cabin_m_s2"] = np.abs(cabin).max(axis=-1)
    signals = {
        name: cabin.copy()
        for name in ("central_x", "upfront_left_x", "upfront_right_x", "rear_seat_crossmember_x")
    }
    quiet = {"central_z", "central_roll_rate", "door_left_pressure", "door_right_pressure"}
    lateral = {
        "central_y": car.central_ahead_m,
        "side_left_y": car.satellite_ahead_m,
        "side_right_y": car.satellite_ahead_m,
    }
    if parameters.overlap < 1.0:
        # Force forward on the left turns the nose right: yaw acceleration +z, a_y = yaw * ahead.
        arm = 0.5 * (1.0 - parameters.overlap) * car.width_m - variation.deviation("contact_point")
        yaw = force * arm[:, None] / car.yaw_inertia_kg_m2
        signals |= {name: yaw * ahead for name, ahead in lateral.items()}
    else:
        quiet |= {*lateral, "central_safing_y"}
    if parameters.obstacle == "barrier":
        _shake(signals, parameters, variation, motion, cabin=cabin)
    # The second element sits beside the first on the same board: it sees the same motion.
    signals |= {
        f"central_safing_{axis}": signals[f"central_{axis}"]
        for axis in "xy"
        if f"central_{axis}" in signals
    }
    signals["powertrain_x"] = powertrain
    return Synthesis(
        signals=signals,
        rate_hz=RATE_HZ,
        start_s=START_S,
        cabin_x=cabin,
        quiet=frozenset(quiet),
        facts=facts,
        trace={"striker_force": force},
    )


simulate_rear = at_once(rear_in_steps)


register_model(
    PulseModel(
        name="rear_impact",
        parameters=RearParameters,
        simulate=in_blocks(simulate_rear),
        steps=rear_in_steps,
        tolerances=TOLERANCES,
        title="rear impact by a moving barrier, or a rear sled: rear end, cabin, powertrain",
    )
)
