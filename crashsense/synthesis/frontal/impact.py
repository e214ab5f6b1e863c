"""The frontal model: one car of lumped masses against an obstacle, in the plane, all draws at once.

Rigid-body motion from :mod:`crashsense.synthesis.dynamics.lumped`: front ends, powertrain and cabin
along x, the whole car in y and yaw, the obstacle's face along its normal with friction. What the
sensors make of it stands in :mod:`crashsense.synthesis.frontal.felt`.

The obstacle overlaps from the left, a slanted wall meets the left corner first; a recipe with
``struck_side = "right"`` is the mirror image.

Valid for impacts of a small car up to about 70 km/h and 20 degrees of yaw; no brakes, no vertical
motion; tyres hold the car sideways only. A trolley or another car is a planar body as well: struck
beside its centre of gravity, it turns.
"""

from __future__ import annotations

from math import inf
from typing import Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, model_validator

from crashsense.arrays import FloatArray
from crashsense.channels import CHANNELS
from crashsense.errors import InputError
from crashsense.synthesis.bounds import LEAST_KMH, StrikerMass
from crashsense.synthesis.draw_blocks import in_blocks
from crashsense.synthesis.dynamics.lumped import Crash, Motion, System, integrate_beside
from crashsense.synthesis.frontal.felt import RATE_HZ, SAMPLES, START_S, ZERO, facts_of, felt
from crashsense.synthesis.frontal.obstacles import MET, OBSTACLES, Obstacle, slant_gaps
from crashsense.synthesis.frontal.vehicle import FrontalVehicle, load_vehicle
from crashsense.synthesis.model import PulseModel, Synthesis, Tolerance, Variation, register_model
from crashsense.synthesis.side_by_side import March, Steps, at_once
from crashsense.units import STANDARD_GRAVITY

#: Draws in a block: many, because the steps in time are short.
BLOCK = 512

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
        "oblique_barrier",
        "centre_pole",
        "underride",
        "small_overlap",
        "car",
        "bumper_barrier",
        "animal",
        "tall_animal",
        "light_object",
    ]
    #: of the car; 0: it stands, and something that moves strikes it
    speed_kmh: float = Field(ge=0.0, le=100.0)
    overlap: float = Field(default=1.0, ge=0.02, le=1.0)
    angle_deg: float = Field(default=0.0, ge=0.0, le=45.0)
    obstacle_mass_kg: StrikerMass | None = None
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
    #: ``lost``: reads zero from then on; ``stuck``: keeps its last reading
    damaged_as: Literal["lost", "stuck"] = "lost"
    #: on all forces of the car: a cold or hard front
    stiffness_factor: float = Field(default=1.0, ge=0.5, le=2.0)
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
        if self.obstacle_mass_kg is not None and self.obstacle_mass_kg <= obstacle.face_kg < inf:
            raise ValueError(f"obstacle_mass_kg: more than its face ({obstacle.face_kg:g} kg)")
        if not obstacle.moves and (self.obstacle_mass_kg is not None or self.obstacle_speed_kmh):
            raise ValueError(
                "obstacle_mass_kg and obstacle_speed_kmh: neither, as obstacle "
                f"{self.obstacle!r} stands fixed"
            )
        if self.speed_kmh + self.obstacle_speed_kmh < LEAST_KMH:
            raise ValueError(
                f"speed_kmh and obstacle_speed_kmh: {LEAST_KMH:g} or more together; otherwise the"
                " obstacle never touches"
            )
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
    "friction": Tolerance("scale", 0.2, "0.3 +/- 0.06 of sheet metal on a wall (assumed)"),
    "arrival": Tolerance("shift", 0.015, "m, of powertrain and firewall: build, engine (assumed)"),
    "fold_height": Tolerance("scale", 0.3, "levels of section peaks (assumed)"),
    "mode_frequency": Tolerance("scale", 0.05, "mounting and build (assumed)"),
    "fold_left": Tolerance("phase", 1.0, "where the first fold forms is unknown"),
    "fold_right": Tolerance("phase", 1.0, "where the first fold forms is unknown"),
    "fold_rail_left": Tolerance("phase", 1.0, "where the first fold forms is unknown"),
    "fold_rail_right": Tolerance("phase", 1.0, "where the first fold forms is unknown"),
}


def build_system(
    parameters: FrontalParameters, variation: Variation, *, car: FrontalVehicle | None = None
) -> System:
    """Lumped-mass system of a recipe for the draws of *variation*; *car* replaces its vehicle."""
    car = parameters.car() if car is None else car
    obstacle = OBSTACLES[parameters.obstacle]
    geometry = car.geometry
    ones = np.ones(variation.size)
    scale = (parameters.vehicle_mass_kg or car.masses.total_kg) / car.masses.total_kg
    total = scale * car.masses.total_kg * variation.factor("mass")
    front = total * (0.5 * car.masses.front_end_share)
    powertrain = total * car.masses.powertrain_share
    cabin = total - 2.0 * front - powertrain + parameters.payload_kg
    whole = total + parameters.payload_kg
    speed = parameters.speed_kmh / 3.6 * variation.factor("speed")
    stiff = variation.factor("stiffness") * variation.factor("temperature")
    stiff = stiff * parameters.stiffness_factor
    angle = np.radians(obstacle.edge_deg) * ones
    if parameters.angle_deg > 0.0:
        degrees = parameters.angle_deg + variation.deviation("angle")
        angle = np.radians(np.maximum(0.0, degrees))
    overlap = ones
    if parameters.overlap < 1.0:
        overlap = np.clip(parameters.overlap + variation.deviation("overlap"), 0.02, 1.0)
    springs = {
        "nose_left": (car.springs.nose, 0.5), "nose_right": (car.springs.nose, 0.5),
        "rail_left": (car.springs.rails, 0.5), "rail_right": (car.springs.rails, 0.5),
        "centre": (car.springs.centre, 1.0), "engine": (car.springs.engine, 1.0),
        "firewall": (car.springs.firewall, 1.0),
        "direct": (car.springs.sill if obstacle.contact == "outboard" else car.springs.upper, 1.0),
    }  # fmt: skip
    kilo = 1e3 * scale
    envelopes = {
        name: tuple((x, kilo * half * force) for x, force in spring.points)
        for name, (spring, half) in springs.items()
    }
    stiffness = {
        name: kilo * half * spring.unloading_kn_per_m for name, (spring, half) in springs.items()
    }
    length = {n: s.length_m for n, (s, _) in springs.items() if s.length_m is not None}
    envelopes["obstacle"], stiffness["obstacle"] = obstacle.spring, obstacle.unloading
    share = {name: stiff * part for name, part in _met(obstacle).items()}
    share |= dict.fromkeys(("rail_left", "rail_right", "firewall"), stiff)
    far, share["obstacle"] = _behind(parameters, obstacle, ones)
    trolley = np.isfinite(obstacle.gyration_m2)
    body = far + obstacle.face_kg if trolley else np.inf * ones
    gap_engine, gap_right = slant_gaps(angle, half_span_m=geometry.rail_half_span_m)
    arrival = variation.deviation("arrival")
    opposite = -parameters.obstacle_speed_kmh / 3.6 * ones
    # The obstacle moves along its normal; what it moves across it, it slides along the car.
    outboard = obstacle.contact == "outboard"
    width = parameters.overlap if parameters.overlap < 1.0 else (0.25 if outboard else np.inf)
    direct = (geometry.wheel_ahead_m, -geometry.half_track_m)
    direct = direct if outboard else (geometry.bonnet_ahead_m, 0.0)
    ripple = np.minimum(0.95, car.rate.ripple * variation.factor("fold_height"))
    return System(
        mass={
            "front_left": front, "front_right": front, "powertrain": powertrain, "cabin": cabin,
            "y": whole, "yaw": geometry.yaw_inertia_kg_m2 * whole / car.masses.total_kg,
            "face": obstacle.face_kg * ones, "far": far, "side": body,
            "turn": body * obstacle.gyration_m2,
        },
        velocity={
            "front_left": speed, "front_right": speed, "powertrain": speed, "cabin": speed,
            "y": 0.0 * ones, "yaw": 0.0 * ones, "face": opposite, "far": opposite,
            "side": 0.0 * ones, "turn": 0.0 * ones,
        },
        envelopes=envelopes,
        stiffness=stiffness,
        length=length,
        share=share,
        gap={
            "nose_left": 0.0 * ones, "nose_right": gap_right, "rail_left": 0.0 * ones,
            "rail_right": 0.0 * ones, "centre": 0.0 * ones,
            "engine": car.springs.engine.gap_m + obstacle.engine_gap_m + gap_engine + arrival,
            "firewall": car.springs.firewall.gap_m + arrival,
            "direct": springs["direct"][0].gap_m * ones, "obstacle": 0.0 * ones,
        },
        rate=car.rate.effect_s_per_m,
        ripple=dict.fromkeys(("nose_left", "nose_right", "rail_left", "rail_right"), ripple),
        fold_m=car.rate.fold_m,
        crushed_damping=car.rate.crushed_damping,
        phase={
            "nose_left": variation.deviation("fold_left"),
            "nose_right": variation.deviation("fold_right"),
            "rail_left": variation.deviation("fold_rail_left"),
            "rail_right": variation.deviation("fold_rail_right"),
        },
        pull_n=kilo * car.joints.pull_kn,
        slip_n=kilo * car.joints.slip_kn,
        slip_n_s_m=kilo * car.joints.slip_kn_s_per_m,
        ties={
            name: (
                kilo * tie.stiffness_kn_per_m, kilo * tie.yield_kn, kilo * tie.damping_kn_s_per_m
            )
            for name, tie in (("mounts", car.ties.mounts), ("beam", car.ties.beam))
        },
        angle=angle,
        friction=obstacle.friction * variation.factor("friction"),
        width_m=width * geometry.width_m * ones,
        half_span_m=geometry.rail_half_span_m,
        front_ahead_m=geometry.centre_of_gravity_to_front_m,
        direct_ahead_m=direct[0],
        direct_right_m=direct[1],
        overlap=overlap,
        met=_met_by_overlap(obstacle, geometry.width_m),
        car_width_m=geometry.width_m if parameters.overlap < 1.0 else np.inf,
        contact_right_m=_off_centre(obstacle, overlap, geometry.width_m),
        contact_ahead_m=obstacle.ahead_m,
        grip_n=geometry.tyre_grip * STANDARD_GRAVITY * whole,
        axles_m=(geometry.wheel_ahead_m, geometry.wheelbase_m - geometry.wheel_ahead_m),
    )  # fmt: skip


def _met(obstacle: Obstacle) -> dict[str, float]:
    """Share of each contact that an obstacle of full width meets [-]."""
    met = dict.fromkeys(("nose_left", "nose_right", "centre", "engine", "direct"), 0.0)
    if obstacle.contact == "centre":
        return met | {"centre": 1.0, "engine": 1.0}
    if obstacle.contact == "upper":
        return met | {"direct": 1.0}
    nose = obstacle.nose_share
    if obstacle.contact == "outboard":
        return met | {"nose_left": nose, "direct": 1.0}
    return met | {"nose_left": nose, "nose_right": nose, "engine": 1.0}


def _met_by_overlap(
    obstacle: Obstacle, car_width_m: float
) -> dict[str, tuple[float, float, float]]:
    """How what is met grows with the overlap, for :class:`.lumped_system.System`."""
    met = dict(MET) if obstacle.contact == "nose" else {}
    if obstacle.spring_overlap > 0.0:
        per = 1.0 / obstacle.spring_overlap
        met["obstacle"] = (0.0, per, per * min(1.0, obstacle.width_m / car_width_m))
    return met


def _off_centre(obstacle: Obstacle, overlap: FloatArray, car_width_m: float) -> FloatArray:
    """Middle of what is met, to the right of the middle of the obstacle's face [m]."""
    width = obstacle.width_m or car_width_m
    off = 0.5 * np.maximum(width - overlap * car_width_m, 0.0)
    return np.where(overlap < 1.0, off, 0.0)


def _behind(
    parameters: FrontalParameters, obstacle: Obstacle, ones: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mass behind the obstacle's face [kg] and share of its spring [-]."""
    if not obstacle.moves or parameters.obstacle_mass_kg is None:
        return np.inf * ones, ones
    share = 1.0
    if parameters.obstacle == "car":
        share = parameters.obstacle_mass_kg / OTHER_CAR_KG * min(1.0, 0.2 + parameters.overlap)
    return (parameters.obstacle_mass_kg - obstacle.face_kg) * ones, share * ones


def simulate_in_steps(parameters: FrontalParameters, variation: Variation) -> Steps[Synthesis]:
    """Integrate all draws of *variation* and return signals at the sensing locations."""
    car = parameters.car()
    system = build_system(parameters, variation, car=car)
    delay = int(round(1e-3 * parameters.contact_delay_ms * RATE_HZ))
    first = ZERO + delay
    crash = Crash(system, duration_s=(SAMPLES - first) / RATE_HZ, rest=first)
    motion = yield March(integrate_beside, crash)
    return _synthesis(parameters, variation, car, system, motion, first)


simulate = at_once(simulate_in_steps)


def _synthesis(
    parameters: FrontalParameters,
    variation: Variation,
    car: FrontalVehicle,
    system: System,
    motion: Motion,
    first: int,
) -> Synthesis:
    """Signals, free flight and facts of a motion."""
    signals = felt(car, system, motion, variation=variation, first=first)
    quiet = frozenset({"door_left_pressure", "door_right_pressure", "central_roll_rate"})
    from_sample = int(round((1e-3 * parameters.damaged_from_ms - START_S) * RATE_HZ))
    for channel in parameters.damaged:
        if from_sample <= ZERO:
            signals.pop(channel, None)
            quiet = quiet - {channel}
        elif channel in signals:
            signals[channel] = signals[channel].copy()
            stuck = parameters.damaged_as == "stuck"
            last = signals[channel][:, from_sample - 1 : from_sample]
            signals[channel][:, from_sample:] = last if stuck else 0.0
    body = motion.acceleration
    return Synthesis(
        signals=signals,
        rate_hz=RATE_HZ,
        start_s=START_S,
        cabin_x=body["cabin"],
        cabin_y=body["y"],
        quiet=quiet,
        facts=facts_of(system, motion, variation=variation, first=first),
        trace={
            "obstacle_force": motion.obstacle_force,
            "powertrain": body["powertrain"],
            "yaw": body["yaw"],
        },
    )


FRONTAL = register_model(
    PulseModel(
        name="frontal_impact",
        parameters=FrontalParameters,
        simulate=in_blocks(simulate, rows=BLOCK),
        steps=simulate_in_steps,
        tolerances=TOLERANCES,
        title="frontal impact of a lumped-mass car",
        struck_left=True,
    )
)
