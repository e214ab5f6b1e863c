"""The frontal model: one car of lumped masses against an obstacle in series, all draws at once.

Rigid-body motion from :mod:`crashsense.synthesis.dynamics.lumped`; lateral and vertical motion of
the cabin follow from the obstacle's force (yaw and pitch moments, no feedback on x); each sensing
location adds its local ringing (:mod:`crashsense.synthesis.location.ringing`).

The obstacle overlaps from the left, a slanted wall meets the left corner first; a recipe with
``struck_side = "right"`` is the mirror image.

Valid for impacts up to about 70 km/h of a small car; no wheels, no brakes, no gravity. The band
strength is fitted to one public crash record, so a study of sensor range on these events is no
independent evidence.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, model_validator

from crashsense.channels import CHANNELS
from crashsense.errors import InputError
from crashsense.signal import cumulative_trapezoid
from crashsense.synthesis.draw_blocks import in_blocks, pages_of, rows_of
from crashsense.synthesis.dynamics.lumped import Motion, System, integrate
from crashsense.synthesis.frontal.obstacles import (
    OBSTACLES,
    engine_share,
    lateral_ratio,
    nose_shares,
    slant_gaps,
)
from crashsense.synthesis.frontal.vehicle import FrontalVehicle, load_vehicle
from crashsense.synthesis.location.ringing import ROWS, Rows, ring
from crashsense.synthesis.model import PulseModel, Synthesis, Tolerance, Variation, register_model

FloatArray = npt.NDArray[np.float64]

RATE_HZ = 10000.0
START_S = -0.05
#: Samples from -50 ms to 250 ms.
SAMPLES = 3000
ZERO = 500
#: Samples after contact in which folding excites the band.
FOLDING = 1800

#: Draws in a block: many, because the steps in time are short.
BLOCK = 1000

#: Mass of the car whose structure the obstacle "car" has [kg].
OTHER_CAR_KG = 1719.0


class FrontalParameters(BaseModel):
    """Parameters of a frontal recipe: the obstacle and how it is met, never the car's structure."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    vehicle: str = "small_car"
    obstacle: Literal[
        "rigid_wall",
        "deformable_barrier",
        "moving_barrier",
        "centre_pole",
        "underride",
        "small_overlap",
        "car",
        "bumper_barrier",
    ]
    speed_kmh: float = Field(gt=0.0, le=100.0)
    overlap: float = Field(default=1.0, gt=0.0, le=1.0)
    angle_deg: float = Field(default=0.0, ge=0.0, le=45.0)
    obstacle_mass_kg: float | None = Field(default=None, gt=0.0)
    obstacle_speed_kmh: float = Field(default=0.0, ge=-50.0, le=100.0)
    #: a similar car of another mass: masses and forces scaled alike
    vehicle_mass_kg: float | None = Field(default=None, ge=500.0, le=4000.0)
    payload_kg: float = Field(default=0.0, ge=0.0, le=800.0)
    #: time from first touch to contact of the structure
    contact_delay_ms: float = Field(default=0.0, ge=0.0, le=100.0)
    #: channels whose sensor is torn off or dead from *damaged_from_ms* on (before 0: absent), as
    #: the left side is struck: a recipe struck on the right is the mirror image, these too
    damaged: tuple[str, ...] = ()
    damaged_from_ms: float = Field(default=-50.0, ge=-50.0, le=250.0)
    folder: str = Field(default="", exclude=True)

    @model_validator(mode="before")
    @classmethod
    def _where(cls, values: Any, info: ValidationInfo) -> Any:
        if isinstance(values, dict) and info.context and "folder" in info.context:
            return {**values, "folder": str(info.context["folder"])}
        return values

    @model_validator(mode="after")
    def _possible(self) -> FrontalParameters:
        obstacle = OBSTACLES[self.obstacle]
        if obstacle.moves and self.obstacle_mass_kg is None:
            raise ValueError(f"obstacle_mass_kg for obstacle {self.obstacle!r}, which moves")
        if not obstacle.moves and (self.obstacle_mass_kg is not None or self.obstacle_speed_kmh):
            raise ValueError(f"no obstacle mass or speed: obstacle {self.obstacle!r} stands fixed")
        if self.speed_kmh + self.obstacle_speed_kmh <= 0.0:
            raise ValueError("a closing speed above 0: the obstacle never touches")
        if self.angle_deg > 0.0 and obstacle.contact != "nose":
            raise ValueError(f"angle_deg 0 for obstacle {self.obstacle!r}")
        unknown = [name for name in self.damaged if name not in CHANNELS]
        if unknown:
            raise ValueError(f"channels in damaged; unknown: {', '.join(unknown)}")
        try:
            load_vehicle(self.vehicle, beside=self.folder or None)
        except InputError as error:
            raise ValueError("; ".join(str(fault) for fault in error.faults)) from None
        return self

    def car(self) -> FrontalVehicle:
        """The vehicle file."""
        return load_vehicle(self.vehicle, beside=self.folder or None)


TOLERANCES = {
    "speed": Tolerance(
        "scale", 0.01, "test speed within 1 % (laboratories hold +/-1 km/h; memory)"
    ),
    "mass": Tolerance("scale", 0.02, "equipment and dummies, 30 kg in 1500 (assumed)"),
    "stiffness": Tolerance("scale", 0.06, "build scatter (assumed)"),
    "temperature": Tolerance("uniform", 0.10, "-40 to 85 degC: 10 to 15 % of stiffness (memory)"),
    "overlap": Tolerance("shift", 0.01, "20 mm of contact point (UN R94 as read: +/-20 mm)"),
    "angle": Tolerance("shift", 1.0, "degrees; slanted walls only (assumed)"),
    "mode_frequency": Tolerance("scale", 0.05, "mounting and build (assumed)"),
    "fold_left": Tolerance("phase", 1.0, "where the first fold forms is unknown"),
    "fold_right": Tolerance("phase", 1.0, "where the first fold forms is unknown"),
}


def build_system(
    parameters: FrontalParameters, variation: Variation, *, car: FrontalVehicle | None = None
) -> System:
    """Lumped-mass system of a recipe for the draws of *variation*; *car* replaces its vehicle."""
    car = parameters.car() if car is None else car
    obstacle = OBSTACLES[parameters.obstacle]
    ones = np.ones(variation.size)
    scale = (parameters.vehicle_mass_kg or car.masses.total_kg) / car.masses.total_kg
    total = scale * car.masses.total_kg * variation.factor("mass")
    front = total * (0.5 * car.masses.front_end_share)
    powertrain = total * car.masses.powertrain_share
    cabin = total - 2.0 * front - powertrain + parameters.payload_kg
    speed = parameters.speed_kmh / 3.6 * variation.factor("speed")
    opposite = -parameters.obstacle_speed_kmh / 3.6 * ones
    stiff = variation.factor("stiffness") * variation.factor("temperature")
    overlap = np.clip(parameters.overlap + variation.deviation("overlap"), 0.02, 1.0)
    overlap = overlap if parameters.overlap < 1.0 else ones
    angle = parameters.angle_deg * ones
    if parameters.angle_deg > 0.0:
        angle = np.maximum(0.0, angle + variation.deviation("angle"))
    left, right = nose_shares(overlap, angle_deg=angle)
    engine = engine_share(overlap)
    centre, direct = 0.0 * ones, 0.0 * ones
    direct_spring = car.springs.upper
    if obstacle.contact == "centre":
        left, right, centre, engine = 0.0 * ones, 0.0 * ones, ones, ones
    elif obstacle.contact == "upper":
        left, right, direct, engine = 0.0 * ones, 0.0 * ones, ones, 0.0 * ones
    elif obstacle.contact == "outboard":
        left, right, direct, engine = ones, 0.0 * ones, ones, 0.0 * ones
        direct_spring = car.springs.sill
    gap_engine, gap_right = slant_gaps(angle, half_span_m=car.geometry.rail_half_span_m)
    springs = {
        "nose_left": (car.springs.nose, 0.5), "nose_right": (car.springs.nose, 0.5),
        "rail_left": (car.springs.rails, 0.5), "rail_right": (car.springs.rails, 0.5),
        "centre": (car.springs.centre, 1.0), "engine": (car.springs.engine, 1.0),
        "firewall": (car.springs.firewall, 1.0), "direct": (direct_spring, 1.0),
    }  # fmt: skip
    kilo = 1e3 * scale
    envelopes = {
        name: tuple((x, kilo * half * force) for x, force in spring.points)
        for name, (spring, half) in springs.items()
    }
    stiffness = {
        name: kilo * half * spring.unloading_kn_m for name, (spring, half) in springs.items()
    }
    envelopes["obstacle"], stiffness["obstacle"] = obstacle.spring, obstacle.unloading
    fixed = np.full(variation.size, np.inf)
    other_scale = 1.0
    far = fixed
    if obstacle.moves and parameters.obstacle_mass_kg is not None:
        far = (parameters.obstacle_mass_kg - obstacle.face_kg) * ones
        if parameters.obstacle == "car":
            other_scale = (
                parameters.obstacle_mass_kg / OTHER_CAR_KG * min(1.0, 0.2 + parameters.overlap)
            )
    lateral = obstacle.nose_share
    return System(
        mass={
            "front_left": front, "front_right": front, "powertrain": powertrain, "cabin": cabin,
            "face": obstacle.face_kg * ones, "far": far,
        },
        velocity={
            "front_left": speed, "front_right": speed, "powertrain": speed, "cabin": speed,
            "face": opposite, "far": opposite,
        },
        envelopes=envelopes,
        stiffness=stiffness,
        share={
            "nose_left": left * stiff * lateral, "nose_right": right * stiff * lateral,
            "rail_left": stiff, "rail_right": stiff, "centre": centre * stiff,
            "engine": engine * stiff, "firewall": stiff, "direct": direct * stiff,
            "obstacle": other_scale * ones,
        },
        gap={
            "nose_left": 0.0 * ones, "nose_right": gap_right, "rail_left": 0.0 * ones,
            "rail_right": 0.0 * ones, "centre": 0.0 * ones,
            "engine": car.springs.engine.gap_m + obstacle.engine_gap_m + gap_engine,
            "firewall": car.springs.firewall.gap_m * ones,
            "direct": direct_spring.gap_m * ones, "obstacle": 0.0 * ones,
        },
        rate=car.rate.effect_s_m,
        ripple=car.rate.ripple,
        fold_m=car.rate.fold_m,
        phase={
            "nose_left": variation.deviation("fold_left"),
            "nose_right": variation.deviation("fold_right"),
            "rail_left": variation.deviation("fold_left"),
            "rail_right": variation.deviation("fold_right"),
        },
        ties={
            name: (kilo * tie.stiffness_kn_m, kilo * tie.yield_kn, kilo * tie.damping_kn_s_m)
            for name, tie in (("mounts", car.ties.mounts), ("beam", car.ties.beam))
        },
    )  # fmt: skip


def simulate(parameters: FrontalParameters, variation: Variation) -> Synthesis:
    """Integrate all draws of *variation* and return signals at the sensing locations."""
    system = build_system(parameters, variation)
    delay = int(round(1e-3 * parameters.contact_delay_ms * RATE_HZ))
    first = ZERO + delay
    motion = integrate(system, duration_s=(SAMPLES - first) / RATE_HZ, rest=first)
    return _signals(parameters, variation, system, motion, first)


def _signals(
    parameters: FrontalParameters,
    variation: Variation,
    system: System,
    motion: Motion,
    first: int,
) -> Synthesis:
    """Place the motion on the common time base and add lateral motion, pitch and ringing."""
    car = parameters.car()
    total = sum(system.mass[body] for body in ("front_left", "front_right", "powertrain", "cabin"))
    total = np.asarray(total)[:, None]
    body = motion.acceleration
    drive = motion.obstacle_force / total
    power = motion.power
    power /= total
    cabin_y = _lateral(parameters, car, drive, total, system)
    geometry = car.geometry
    lever = geometry.force_below_centre_of_gravity_m / geometry.pitch_inertia_kg_m2
    pitch = drive * (geometry.sensor_ahead_m * lever * car.masses.total_kg)
    rigid = {
        "central_x": body["cabin"], "rear_seat_crossmember_x": body["cabin"],
        "upfront_left_x": body["front_left"], "upfront_right_x": body["front_right"],
        "powertrain_x": body["powertrain"], "central_y": cabin_y, "side_left_y": cabin_y,
        "side_right_y": cabin_y, "central_z": pitch,
    }  # fmt: skip
    last = min(SAMPLES, first + FOLDING)
    structures = {name: location.structure() for name, location in car.locations.items()}

    def folding(channel: str, rows: Rows) -> FloatArray:
        return rows_of(variation, rows).noise(f"{channel} folding", last - first)

    signals = ring(
        rigid, structures=structures, drive=drive, power=power, rate_hz=RATE_HZ,
        frequency_factor=variation.factor("mode_frequency"), noise=folding,
        pages=pages_of(variation), first=first, last=last,
        spent=frozenset({"upfront_left_x", "upfront_right_x", "central_z"}),
    )  # fmt: skip
    # The second element sits beside the first on the same board: it sees the same motion. What
    # makes it independent (its own offset, noise, sensitivity) belongs to the sensor.
    signals["central_safing_x"] = signals["central_x"]
    signals["central_safing_y"] = signals["central_y"]
    facts = _facts(body["cabin"], system, first)
    quiet = frozenset({"door_left_pressure", "door_right_pressure", "central_roll_rate"})
    from_sample = int(round((1e-3 * parameters.damaged_from_ms - START_S) * RATE_HZ))
    for channel in parameters.damaged:
        if from_sample <= ZERO:
            signals.pop(channel, None)
            quiet = quiet - {channel}
        elif channel in signals:
            signals[channel] = signals[channel].copy()
            signals[channel][:, from_sample:] = 0.0
    return Synthesis(
        signals=signals,
        rate_hz=RATE_HZ,
        start_s=START_S,
        cabin_x=body["cabin"],
        cabin_y=cabin_y,
        quiet=quiet,
        facts=facts,
        trace={
            "obstacle_force": motion.obstacle_force,
            "powertrain": body["powertrain"],
        },
    )


def _lateral(
    parameters: FrontalParameters,
    car: FrontalVehicle,
    drive: FloatArray,
    total: FloatArray,
    system: System,
) -> FloatArray:
    """Lateral acceleration of the cabin at the control unit [m/s^2], +y right.

    Force on the left front pushes back at y = -span: it turns the nose to the left (-y); a wall
    slanted away to the right pushes the nose to the right (+y). Rigid yaw, no feedback on x.
    """
    geometry = car.geometry
    left, right = system.share["nose_left"], system.share["nose_right"]
    outboard = OBSTACLES[parameters.obstacle].contact in ("nose", "outboard")
    offset = (left - right) / np.maximum(left + right, 1e-9) if outboard else 0.0 * left
    if parameters.angle_deg > 0.0 and parameters.overlap == 1.0:
        offset = 0.3 + 0.0 * left
    ratio = lateral_ratio(parameters.angle_deg)
    inertia = geometry.yaw_inertia_kg_m2 * total[:, 0] / car.masses.total_kg
    arm = geometry.centre_of_gravity_to_front_m * ratio - offset * geometry.rail_half_span_m
    per_drive = ratio + total[:, 0] * arm * geometry.sensor_ahead_m / inertia
    return drive * per_drive[:, None]


def _facts(cabin: FloatArray, system: System, first: int) -> dict[str, FloatArray]:
    speed = np.asarray(system.velocity["cabin"])
    change, distance, time = (np.empty(speed.size) for _ in range(3))
    for at in range(0, speed.size, ROWS):
        rows = slice(at, at + ROWS)
        velocity = cumulative_trapezoid(cabin[rows, first:], step_s=1.0 / RATE_HZ)
        change[rows] = -velocity.min(axis=1)
        velocity += speed[rows, None]
        travel = cumulative_trapezoid(velocity, step_s=1.0 / RATE_HZ)
        distance[rows] = travel.max(axis=1)
        time[rows] = travel.argmax(axis=1) / RATE_HZ
    return {
        "speed_m_s": speed,
        "velocity_change_m_s": change,
        "stopping_distance_m": distance,
        "stopping_time_s": time,
        "contact_s": np.full(speed.size, START_S + first / RATE_HZ),
    }


FRONTAL = register_model(
    PulseModel(
        name="frontal_impact",
        parameters=FrontalParameters,
        simulate=in_blocks(simulate, rows=BLOCK),
        tolerances=TOLERANCES,
        title="frontal impact of a lumped-mass car",
        struck_left=True,
    )
)
