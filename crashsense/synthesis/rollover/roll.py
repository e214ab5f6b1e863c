"""Rollover and near-rollover: ramp, kerb trip, soil trip, steering.

A rigid body in the lateral plane (y right, z down, roll positive right side down, SAE J1733): the
centre of gravity at height h, contact points of the wheels at half the track, edges of sill and
roof. Contact points push up by spring, damper and bump stop, never pull; what pushes the car
sideways differs by manoeuvre:

* ``ramp``: the left wheels climb a ramp of shape ``H (s / L)^n``; the car is thrown to the right;
* ``kerb``: the right wheels meet a kerb, a spring with dissipation, while they are below its top;
* ``soil``: the right wheels plough; the force grows with the way ploughed;
* ``steer``: a steering profile on a single-track car; the tyres' grip is limited.

Energy to tip over, from rest on level ground (static stability factor SSF = track / 2 h):
``E = m g (sqrt(h^2 + (track/2)^2) - h)``; rigid body, no suspension.

Signals are specific force in body axes less the level rest value: in free fall ``central_z`` reads
+1 g, and a tilted car reads its tilt. Integrated in steps of 1 ms (the fastest motion of the body,
a kerb or a sill on the ground, takes 100 ms a period) and given at 2 kHz. Valid until the roof has
touched the ground; no pitch, no aerodynamics.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from crashsense.arrays import FloatArray
from crashsense.errors import InputError, nearest
from crashsense.synthesis.bounds import LEAST_KMH, GroundForce, Payload
from crashsense.synthesis.draw_blocks import in_blocks
from crashsense.synthesis.frontal.vehicle import sensing_places
from crashsense.synthesis.location import Path, blow_response
from crashsense.synthesis.model import (
    CABIN,
    PulseModel,
    Synthesis,
    Tolerance,
    Variation,
    register_model,
)
from crashsense.synthesis.rollover.march import RollSystem, march_roll
from crashsense.synthesis.side.vehicle import read_vehicle
from crashsense.units import STANDARD_GRAVITY as G

RATE_HZ = 2_000.0
#: Integration step [s]: two samples.
STEP_S = 1e-3
SAMPLES_A_STEP = 2
QUIET_S = 0.050
#: The soil holds less as the wheel rises out of it, nothing at this height [m] (assumed).
SOIL_DEPTH_M = 0.12

Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]


class RollVehicle(BaseModel):
    """The vehicle file of a rollover."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    mass_kg: Positive
    height_m: Positive
    track_m: Positive
    wheelbase_m: Positive
    front_share_m: Positive
    roll_inertia_kg_m2: Positive
    yaw_inertia_kg_m2: Positive
    side_stiffness_kn_per_m: Positive
    side_damping_kns_per_m: NotNegative
    bump_travel_m: Positive
    bump_stiffness_kn_per_m: NotNegative
    bump_dissipation_s_per_m: NotNegative
    sill_height_m: Positive
    sill_half_width_m: Positive
    roof_half_width_m: Positive
    roof_height_m: Positive
    body_stiffness_kn_per_m: Positive
    body_damping_kns_per_m: NotNegative
    cornering_kn_per_rad: Positive
    front_grip_share: Annotated[float, Field(gt=0.5, le=1.2)]
    unit_below_cg_m: float
    satellite_half_width_m: Positive
    satellite_below_cg_m: float
    #: vehicle file of the frontal crashes, which states the sensing locations
    locations: str
    #: channel -> share of the wheels' force that reaches its local modes [-], frequency above
    #: which less arrives [Hz]; for a roll to the right
    paths: dict[str, tuple[Positive, Positive]]

    @model_validator(mode="after")
    def _possible(self) -> RollVehicle:
        faults = []
        if not self.front_share_m < self.wheelbase_m:
            faults.append("front_share_m: inside the wheelbase")
        if not self.sill_height_m < self.height_m < self.roof_height_m:
            faults.append("height_m: between sill and roof")
        step = STEP_S
        total = 1e3 * (2.0 * self.side_stiffness_kn_per_m + 2.0 * self.bump_stiffness_kn_per_m)
        total += 4e3 * self.body_stiffness_kn_per_m
        if step * step * total / self.mass_kg > 0.25:
            faults.append("stiffness: softer contacts; the step of 1 ms would be unstable")
        try:
            known = sensing_places(self.locations)
            faults += [nearest(name, known) for name in self.paths if name not in known]
        except InputError as error:
            faults += [str(fault) for fault in error.faults]
        text = "; ".join(fault for fault in faults if fault)
        if text:
            raise ValueError(text)
        return self


#: Time [s] and angle at the front wheels [deg].
SteerPoint = tuple[
    Annotated[float, Field(ge=-1.0, le=20.0)], Annotated[float, Field(ge=-60.0, le=60.0)]
]


class RolloverParameters(BaseModel):
    """Parameters of a rollover manoeuvre; each manoeuvre takes its own."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    manoeuvre: Literal["ramp", "kerb", "soil", "steer"]
    vehicle: Annotated[RollVehicle, BeforeValidator(read_vehicle)]
    speed_kmh: Annotated[float, Field(ge=LEAST_KMH, le=150.0)]
    duration_s: Annotated[float, Field(gt=0.1, le=10.0)]
    friction: Annotated[float, Field(ge=0.0, le=1.5)]
    payload_kg: Payload = 0.0
    payload_height_m: Annotated[float, Field(ge=0.05, le=5.0)] | None = None
    ramp_height_m: Annotated[float, Field(ge=0.01, le=3.0)] | None = None
    ramp_length_m: Annotated[float, Field(gt=0.5, le=60.0)] | None = None
    ramp_power: Annotated[float, Field(ge=1.0, le=4.0)] | None = None
    ramp_returns: bool = False
    kerb_height_m: Annotated[float, Field(ge=0.01, le=0.5)] | None = None
    kerb_stiffness_kn_per_m: Annotated[float, Field(ge=1.0, le=5000.0)] | None = None
    kerb_dissipation_s_per_m: Annotated[float, Field(ge=0.0, le=10.0)] | None = None
    soil_start_kn: GroundForce | None = None
    soil_growth_kn_per_m: Annotated[float, Field(ge=0.0, le=1e4)] | None = None
    soil_limit_kn: Annotated[float, Field(ge=0.01, le=1000.0)] | None = None
    steer_deg: tuple[SteerPoint, ...] | None = None

    @model_validator(mode="after")
    def _possible(self) -> RolloverParameters:
        needed = {
            "ramp": ("ramp_height_m", "ramp_length_m", "ramp_power"),
            "kerb": ("kerb_height_m", "kerb_stiffness_kn_per_m", "kerb_dissipation_s_per_m"),
            "soil": ("soil_start_kn", "soil_growth_kn_per_m", "soil_limit_kn"),
            "steer": ("steer_deg",),
        }
        faults = []
        for manoeuvre, names in needed.items():
            for name in names:
                given = getattr(self, name) is not None
                if manoeuvre == self.manoeuvre and not given:
                    faults.append(f"{name}: a value for manoeuvre {manoeuvre}")
                if manoeuvre != self.manoeuvre and given:
                    faults.append(f"{name}: nothing; it belongs to manoeuvre {manoeuvre}")
        if self.manoeuvre == "ramp" and self.ramp_length_m is not None:
            reached = self.speed_kmh / 3.6 * self.duration_s
            if reached < self.ramp_length_m:
                driven = f"{reached:.1f} m driven at speed_kmh"
                faults.append(f"duration_s: long enough to leave the ramp ({driven})")
        if self.manoeuvre == "steer" and self.steer_deg is not None:
            times = [t for t, _ in self.steer_deg]
            if len(times) < 2 or any(b <= a for a, b in zip(times, times[1:], strict=False)):
                faults.append(
                    "steer_deg: [[s, degrees at the wheel], ...] with times that increase"
                )
        if self.kerb_stiffness_kn_per_m is not None:
            step = STEP_S
            if step * step * 1e3 * self.kerb_stiffness_kn_per_m / self.vehicle.mass_kg > 0.25:
                faults.append("kerb_stiffness_kn_per_m: softer; the step would be unstable")
        text = "; ".join(faults)
        if text:
            raise ValueError(text)
        return self


TOLERANCES = {
    "speed": Tolerance("scale", 0.02, "manoeuvres are driven or towed, assumed"),
    "mass": Tolerance("scale", 0.03, "load, assumed"),
    "height": Tolerance("scale", 0.015, "load, assumed"),
    "stiffness": Tolerance("scale", 0.08, "springs, tyres and temperature, assumed"),
    "ground": Tolerance("scale", 0.08, "soil, kerb and grip, assumed"),
    "mode_frequency": Tolerance("scale", 0.05, "mounting and build, assumed"),
}


def tipping_energy(*, mass_kg: float, height_m: float, track_m: float) -> float:
    """Energy to lift a rigid car from rest over its wheels [J].

    >>> round(tipping_energy(mass_kg=1500.0, height_m=0.55, track_m=1.5), 0)
    5591.0
    """
    return mass_kg * G * (float(np.hypot(height_m, 0.5 * track_m)) - height_m)


def static_stability_factor(*, height_m: float, track_m: float) -> float:
    """Track over twice the height of the centre of gravity [-]: lateral g that tips a rigid car.

    >>> round(static_stability_factor(height_m=0.55, track_m=1.5), 3)
    1.364
    """
    return 0.5 * track_m / height_m


def critical_sliding_speed(
    *, mass_kg: float, height_m: float, track_m: float, roll_inertia_kg_m2: float
) -> float:
    """Lowest speed [m/s] at which a rigid car that is tripped plastically goes over.

    Angular momentum about the kerb m v h = I_o w, then 1/2 I_o w^2 = tipping energy; I_o = I + m
    (h^2 + (track/2)^2). From memory: the critical sliding velocity of the rollover literature.
    """
    arm2 = height_m**2 + (0.5 * track_m) ** 2
    inertia = roll_inertia_kg_m2 + mass_kg * arm2
    energy = tipping_energy(mass_kg=mass_kg, height_m=height_m, track_m=track_m)
    return float(np.sqrt(2.0 * energy * inertia)) / (mass_kg * height_m)


@dataclass(frozen=True, eq=False)
class _Roll:
    """Motion of the body in the lateral plane over time, each (draws, samples)."""

    roll: FloatArray
    rate: FloatArray
    roll_acceleration: FloatArray
    acceleration_y: FloatArray
    acceleration_z: FloatArray
    speed_y: FloatArray
    height: FloatArray
    ground_force: FloatArray

    @cached_property
    def turn(self) -> tuple[FloatArray, FloatArray]:
        """Sine and cosine of the roll angle."""
        return np.sin(self.roll), np.cos(self.roll)

    @cached_property
    def at_centre(self) -> tuple[FloatArray, FloatArray]:
        """Specific force at the centre of gravity in body y and z [m/s^2]."""
        sin, cos = self.turn
        down = self.acceleration_z - G
        y, z = self.acceleration_y * cos, self.acceleration_y * -sin
        y += down * sin
        z += np.multiply(down, cos, out=down)
        return y, z

    @cached_property
    def rate_squared(self) -> FloatArray:
        """Square of the roll rate [rad^2/s^2]."""
        return self.rate * self.rate


def _ramp_lift(parameters: RolloverParameters, times: FloatArray, speed: FloatArray) -> FloatArray:
    """Height of the ground under the left wheels [m] (mean of both axles), (samples, draws)."""
    car = parameters.vehicle
    length = float(parameters.ramp_length_m or 1.0)
    top = float(parameters.ramp_height_m or 0.0)
    power = float(parameters.ramp_power or 1.0)
    way = times[:, None] * speed[None, :]

    def height(s: FloatArray) -> FloatArray:
        share = np.clip(s / length, 0.0, 1.0)
        if parameters.ramp_returns:
            return np.asarray(top * np.sin(np.pi * share) ** 2)
        return np.asarray(np.where(share < 1.0, top * share**power, 0.0))

    if parameters.ramp_returns:
        return np.asarray(0.5 * (height(way) + height(way - car.wheelbase_m)))
    # Off the end the ground is level; the car is still carried by the axle on the ramp.
    front, rear = height(way), height(way - car.wheelbase_m)
    off = way >= length
    return np.asarray(np.where(off, 0.0, 0.5 * (front + rear)))


def _between_steps(values: FloatArray) -> FloatArray:
    """Put the mean of its neighbours between every two steps, (draws, steps) -> samples."""
    out = np.empty((values.shape[0], SAMPLES_A_STEP * (values.shape[1] - 1) + 1))
    out[:, ::2] = values
    between = values[:, :-1] + values[:, 1:]
    between *= 0.5
    out[:, 1::2] = between
    return out


def _loaded(
    parameters: RolloverParameters, variation: Variation
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mass [kg], height of the centre of gravity [m], roll inertia [kg m^2] with the payload."""
    car = parameters.vehicle
    empty = car.mass_kg * variation.factor("mass")
    mass = empty + parameters.payload_kg
    h = car.height_m * variation.factor("height")
    inertia = car.roll_inertia_kg_m2 * variation.factor("mass")
    if parameters.payload_height_m is not None:
        # A load on the roof raises the centre of gravity; both turn about the common one.
        apart = parameters.payload_height_m - h
        h = h + apart * parameters.payload_kg / mass
        inertia = inertia + apart * apart * empty * parameters.payload_kg / mass
    return mass, h, inertia


def integrate_roll(parameters: RolloverParameters, variation: Variation) -> _Roll:
    """March all draws and put a sample between every two steps."""
    car = parameters.vehicle
    size = variation.size
    step = STEP_S
    count = round(parameters.duration_s / step) + 1
    times = np.asarray(np.arange(count) * step, dtype=np.float64)
    speed = parameters.speed_kmh / 3.6 * variation.factor("speed")
    mass, h, inertia = _loaded(parameters, variation)
    stiffness = variation.factor("stiffness")
    ground = variation.factor("ground")
    half = 0.5 * car.track_m
    # Wheels hang lower by the static deflection, so that the car is in balance at z = -h, roll 0.
    side_k = 1e3 * car.side_stiffness_kn_per_m * stiffness
    rest = 0.5 * mass * G / side_k
    sill, roof = car.sill_half_width_m, car.roof_half_width_m
    lift = np.zeros((count, size))
    if parameters.manoeuvre == "ramp":
        lift = _ramp_lift(parameters, times, speed)
    angle = np.zeros(count)
    if parameters.steer_deg is not None:
        points = np.array(parameters.steer_deg)
        angle = np.radians(np.interp(times, points[:, 0], points[:, 1]))

    def at_points(*pairs: FloatArray | float) -> FloatArray:
        """Values of the two wheels, sills and edges of the roof, (6, draws)."""
        return np.array([np.broadcast_to(np.asarray(value), (size,)) for value in pairs])

    body_k, body_d = 1e3 * car.body_stiffness_kn_per_m, 1e3 * car.body_damping_kns_per_m
    side_d = 1e3 * car.side_damping_kns_per_m
    grip = parameters.friction * ground
    low, sill_z, roof_z = h + rest, h - car.sill_height_m, h - car.roof_height_m
    system = RollSystem(
        manoeuvre=parameters.manoeuvre,
        step_s=step,
        mass=mass,
        inertia=inertia,
        height=h,
        speed=speed,
        ground=ground,
        rest=rest,
        y=at_points(-half, half, -sill, sill, -roof, roof),
        z=at_points(low, low, sill_z, sill_z, roof_z, roof_z),
        stiffness=at_points(side_k, side_k, body_k, body_k, body_k, body_k),
        damping=at_points(side_d, side_d, body_d, body_d, body_d, body_d),
        grip=at_points(grip, grip, 0.5, 0.5, 0.5, 0.5),
        bump=(
            car.bump_travel_m,
            1e3 * car.bump_stiffness_kn_per_m,
            car.bump_dissipation_s_per_m,
        ),
        lift=lift,
        angle=angle,
        axles=(car.front_share_m, car.wheelbase_m - car.front_share_m, car.wheelbase_m),
        cornering=1e3 * car.cornering_kn_per_rad,
        front_grip=car.front_grip_share,
        yaw_inertia=car.yaw_inertia_kg_m2,
        start_y=half,
        kerb=(
            1e3 * float(parameters.kerb_stiffness_kn_per_m or 0.0),
            float(parameters.kerb_dissipation_s_per_m or 0.0),
            -float(parameters.kerb_height_m or 0.0),
        ),
        soil=(
            1e3 * float(parameters.soil_start_kn or 0.0),
            1e3 * float(parameters.soil_growth_kn_per_m or 0.0),
            1e3 * float(parameters.soil_limit_kn or 0.0),
        ),
        soil_depth=SOIL_DEPTH_M,
    )
    return _Roll(**{name: _between_steps(kept) for name, kept in march_roll(system).items()})


def specific_force(
    motion: _Roll, *, right_m: float, below_m: float
) -> tuple[FloatArray, FloatArray]:
    """Reading in body y and z [m/s^2], less the level rest value, at a point of the body.

    f = a - g in body axes; the point adds ``-alpha z - w^2 y`` to y and ``alpha y - w^2 z`` to z.
    """
    f_z = motion.at_centre[1] + motion.roll_acceleration * right_m
    f_z -= motion.rate_squared * below_m
    f_z += G
    return specific_force_y(motion, right_m=right_m, below_m=below_m), f_z


def specific_force_y(motion: _Roll, *, right_m: float, below_m: float) -> FloatArray:
    """As :func:`specific_force`, in body y alone."""
    f_y = motion.at_centre[0] - motion.roll_acceleration * below_m
    f_y -= motion.rate_squared * right_m
    return f_y


def time_of_roll(motion: _Roll, *, angle_deg: float) -> FloatArray:
    """First time [s] at which the car has rolled by *angle_deg* to either side; inf if never."""
    passed = np.abs(motion.roll) >= np.radians(angle_deg)
    return np.asarray(np.where(passed.any(axis=-1), np.argmax(passed, axis=-1) / RATE_HZ, np.inf))


def wheel_lift(parameters: RolloverParameters, variation: Variation, motion: _Roll) -> FloatArray:
    """Largest height of a hanging wheel above the road [m] up to a quarter turn, shape (draws,).

    On a ramp the road under the left wheels is not level: there the right wheels count.
    """
    hanging = _wheel_drop(parameters, variation)[:, None]
    half = 0.5 * parameters.vehicle.track_m
    sin, cos = motion.turn
    across = -half * sin if parameters.manoeuvre == "ramp" else half * np.abs(sin)
    lift = motion.height + across - hanging * cos
    return np.asarray(np.where(cos > 0.0, lift, 0.0).max(axis=-1).clip(0.0))


def _wheel_drop(parameters: RolloverParameters, variation: Variation) -> FloatArray:
    """How far a hanging wheel's foot lies below the centre of gravity [m]."""
    mass, height, _ = _loaded(parameters, variation)
    side_k = 1e3 * parameters.vehicle.side_stiffness_kn_per_m * variation.factor("stiffness")
    return np.asarray(height + 0.5 * mass * G / side_k)


def _add_local_answers(
    signals: dict[str, FloatArray],
    parameters: RolloverParameters,
    variation: Variation,
    motion: _Roll,
) -> None:
    """Add the response of the local modes to the forces on the car, along y and z, in place.

    The same model of a place and of a force's path to it as in blows. Modes above 0.36 of the rate
    (720 Hz) are omitted; the march has no content there.
    """
    car = parameters.vehicle
    mass, *_ = _loaded(parameters, variation)
    places = sensing_places(car.locations)
    for axis, acceleration in (("y", motion.acceleration_y), ("z", motion.acceleration_z)):
        paths = {name: Path(*p) for name, p in car.paths.items() if name.endswith(f"_{axis}")}
        answers = blow_response(
            mass[:, None] * acceleration,
            places=places,
            paths=paths,
            variation=variation,
            rate_hz=RATE_HZ,
        )
        for name, values in answers.items():
            signals[name][:, -values.shape[1] :] += values


def simulate_rollover(parameters: RolloverParameters, variation: Variation) -> Synthesis:
    """Integrate all draws and return the signals; the car rolls to the right (kerb, soil, ramp)."""
    car = parameters.vehicle
    motion = integrate_roll(parameters, variation)
    quiet = round(QUIET_S * RATE_HZ)
    size, count = motion.roll.shape

    def whole(values: FloatArray) -> FloatArray:
        out = np.zeros((size, quiet + count))
        out[:, quiet:] = values
        return out

    central_y, central_z = specific_force(motion, right_m=0.0, below_m=car.unit_below_cg_m)
    wide, low = car.satellite_half_width_m, car.satellite_below_cg_m
    left_y = specific_force_y(motion, right_m=-wide, below_m=low)
    right_y = specific_force_y(motion, right_m=wide, below_m=low)
    signals = {
        "central_y": whole(central_y),
        "central_z": whole(central_z),
        "side_left_y": whole(left_y),
        "side_right_y": whole(right_y),
        "central_roll_rate": whole(motion.rate),
    }
    _add_local_answers(signals, parameters, variation, motion)
    # The second element sits beside the first on the same board: it sees the same motion.
    signals["central_safing_y"] = signals["central_y"]
    facts: dict[str, Callable[[], FloatArray]] = {
        "largest_roll_rad": lambda: np.abs(motion.roll).max(axis=-1),
        "largest_roll_rate_rad_s": lambda: np.abs(motion.rate).max(axis=-1),
        "peak_lateral_m_s2": lambda: np.abs(motion.acceleration_y).max(axis=-1),
        "largest_wheel_lift_m": lambda: wheel_lift(parameters, variation, motion),
    }
    trace = {}
    if variation.only is None:
        trace = {
            "roll_angle": whole(motion.roll),
            # What central_y is before its mounting rings: body axes, with tilt and rotation.
            "reading_y": whole(central_y),
            "time_at_50_deg_s": time_of_roll(motion, angle_deg=50.0),
        }
    return Synthesis(
        signals=signals,
        rate_hz=RATE_HZ,
        start_s=-QUIET_S,
        cabin_y=whole(motion.acceleration_y) if variation.reads(CABIN) else None,
        quiet=frozenset(
            {
                "central_x",
                "central_safing_x",
                "upfront_left_x",
                "upfront_right_x",
                "door_left_pressure",
                "door_right_pressure",
                "rear_seat_crossmember_x",
                "powertrain_x",
            }
        ),
        facts={name: made() for name, made in facts.items() if variation.reads(name)},
        trace=trace,
    )


register_model(
    PulseModel(
        name="rollover",
        parameters=RolloverParameters,
        simulate=in_blocks(simulate_rollover),
        tolerances=TOLERANCES,
        title="rollover in the lateral plane: ramp, kerb trip, soil trip, steering",
    )
)
