"""Road events: recipes of driving over obstacles and rough roads, and of braking.

The ride model of :mod:`crashsense.synthesis.dynamics.half_car` on the profiles of
:mod:`crashsense.synthesis.road.profile`. Time zero: the front wheels touch the obstacle. Signals
are specific force in body axes less the level rest value (SAE J211): a nose-up pitch reads +x, free
fall reads +1 g in z. 2 kHz: the highest mode lies at 165 Hz, the shortest contact lasts
milliseconds.
"""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import dataclass
from math import pi
from typing import ClassVar, Literal

import numpy as np
from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationInfo,
    field_validator,
    model_validator,
)

from crashsense.arrays import FloatArray
from crashsense.draws import generator
from crashsense.synthesis.bounds import LEAST_KMH, RoadDetail, RoadLength
from crashsense.synthesis.draw_blocks import in_blocks
from crashsense.synthesis.dynamics.half_car import Road, initial_state
from crashsense.synthesis.model import (
    PulseModel,
    Synthesis,
    Tolerance,
    Variation,
    register_model,
)
from crashsense.synthesis.road import profile as road_profile
from crashsense.synthesis.road.locations import RideLocations
from crashsense.synthesis.road.vehicle import Ride, load_ride, resolve_vehicle, ride_path
from crashsense.synthesis.side_by_side import Steps, at_once
from crashsense.units import STANDARD_GRAVITY

#: Rate of the signals of road events, and of their steps [Hz]: the fastest motion, a wheel on its
#: rim, takes 30 ms a period.
RATE_HZ = 2000.0
#: Draws in a block: many, because the steps in time are short.
BLOCK = 512
#: Quiet before time zero [s].
QUIET_S = 0.1
#: The fact that a drive states.
CHANGE = "velocity_change_m_s"


TOLERANCES = {
    "speed": Tolerance("scale", 0.025, "drivers hold a speed within 5-10 % (memory)"),
    "mass": Tolerance("scale", 0.04, "load 200-500 kg above the empty car (memory)"),
    "suspension_stiffness": Tolerance("scale", 0.05, "-40/+85 degC, stiffness 10-15 % (memory)"),
    "tyre_stiffness": Tolerance("scale", 0.05, "pressure and make of the tyre (memory)"),
    "height": Tolerance("scale", 0.03, "scatter of built obstacles (memory)"),
    "mode_frequency": Tolerance("scale", 0.03, "body to body (memory)"),
}


class Drive(BaseModel):
    """Parameters common to all road recipes."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    #: distance between the heights of the profile [m]
    grid_m: ClassVar[float] = 0.005
    #: drive force that holds the speed [N s/m], 0 for obstacles
    speed_hold: ClassVar[float] = 0.0

    vehicle: str
    speed_kmh: float = Field(ge=LEAST_KMH, le=150)
    duration_s: float = Field(ge=0.05, le=20)  # a wheel rolls its own length within it

    @field_validator("vehicle")
    @classmethod
    def _vehicle(cls, value: str, info: ValidationInfo) -> str:
        near = (info.context or {}).get("folder")
        return resolve_vehicle(value, near=near)

    @property
    def one_sided(self) -> bool:
        """True if only the left wheels meet the obstacle."""
        return False

    @abstractmethod
    def heights(self, s: FloatArray, variation: Variation) -> FloatArray:
        """Height of the road [m] at distances *s* [m], shape (draws, points)."""

    def brake(self, times: FloatArray, variation: Variation) -> FloatArray | None:
        """Wanted deceleration [m/s^2], shape (draws, times), or None."""
        return None


class _Obstacle(Drive):
    def heights(self, s: FloatArray, variation: Variation) -> FloatArray:
        return np.asarray(self.shape(s) * variation.factor("height")[:, None])

    @abstractmethod
    def shape(self, s: FloatArray) -> FloatArray:
        """Nominal height [m] at distances *s* [m]."""


class KerbClimb(_Obstacle):
    """A kerb climbed head-on by both front wheels."""

    height_mm: float = Field(ge=0.1, lt=250)

    def shape(self, s: FloatArray) -> FloatArray:
        return road_profile.kerb(s, height_m=1e-3 * self.height_mm)


class Pothole(_Obstacle):
    """A hole with sharp edges under the left wheels, or a trench under both."""

    depth_mm: float = Field(ge=0.1, lt=250)
    length_m: RoadLength
    wheels: Literal["left", "both"]

    @property
    def one_sided(self) -> bool:
        return self.wheels == "left"

    def shape(self, s: FloatArray) -> FloatArray:
        return road_profile.pothole(s, depth_m=1e-3 * self.depth_mm, length_m=self.length_m)


class RoadHump(_Obstacle):
    """A speed hump of circular profile."""

    height_mm: float = Field(ge=0.1, lt=250)
    length_m: RoadLength

    def shape(self, s: FloatArray) -> FloatArray:
        return road_profile.circular_hump(s, height_m=1e-3 * self.height_mm, length_m=self.length_m)


class RoadDip(_Obstacle):
    """A smooth dip in which the car bottoms."""

    depth_mm: float = Field(ge=0.1, lt=600)
    length_m: RoadLength

    def shape(self, s: FloatArray) -> FloatArray:
        return road_profile.dip(s, depth_m=1e-3 * self.depth_mm, length_m=self.length_m)


class JumpLanding(_Obstacle):
    """A ramp with a lip: the car flies and lands."""

    height_mm: float = Field(ge=0.1, lt=1000)
    length_m: RoadLength

    def shape(self, s: FloatArray) -> FloatArray:
        return road_profile.ramp_and_drop(s, height_m=1e-3 * self.height_mm, length_m=self.length_m)


class RailCrossing(_Obstacle):
    """Tracks that rise above a settled road; the deck between their rails has settled or not."""

    step_mm: float = Field(ge=0.1, lt=100)
    deck_below_rails_mm: float = Field(default=0.0, ge=0, lt=100)
    head_mm: RoadDetail
    flank_mm: RoadDetail = 60.0
    gauge_m: float = Field(ge=0.2, le=3)
    tracks: int = Field(ge=1, le=6)
    track_distance_m: RoadLength

    @model_validator(mode="after")
    def _deck_above_road(self) -> RailCrossing:
        if self.deck_below_rails_mm > self.step_mm:
            raise ValueError(
                f"deck_below_rails_mm: at most step_mm ({self.step_mm:g}), the level of the road"
            )
        return self

    def shape(self, s: FloatArray) -> FloatArray:
        return road_profile.rail_crossing(
            s,
            step_m=1e-3 * self.step_mm,
            deck=self.deck_below_rails_mm / self.step_mm,
            head_m=1e-3 * self.head_mm,
            flank_m=1e-3 * self.flank_mm,
            gauge_m=self.gauge_m,
            tracks=self.tracks,
            track_distance_m=self.track_distance_m,
        )


class RandomRoadDrive(Drive):
    """A stretch of random road of a class of ISO 8608 at constant speed, smooth road after it."""

    grid_m: ClassVar[float] = 0.01
    speed_hold: ClassVar[float] = 1500.0

    road_class: Literal["A", "B", "C", "D", "E", "F"]
    #: smooth road at the end of the event: the body comes to rest
    settle_s: float = Field(default=0.9, ge=0, le=5)

    def heights(self, s: FloatArray, variation: Variation) -> FloatArray:
        driven = self.speed_kmh / 3.6 * max(self.duration_s - self.settle_s, 0.1)
        rough = self.compose(s, self.random(s, variation), variation)
        return np.asarray(rough * fade_in(driven - s))

    def compose(self, s: FloatArray, random: FloatArray, variation: Variation) -> FloatArray:
        """The whole profile from its random part: regular waves added, faded in at s = 0."""
        regular = self.regular(s) * variation.factor("height")[:, None]
        return np.asarray((regular + random) * fade_in(s))

    def regular(self, s: FloatArray) -> FloatArray:
        """Regular part of the profile [m] at distances *s* [m]."""
        return np.zeros_like(s)

    def random(self, s: FloatArray, variation: Variation) -> FloatArray:
        """Random part of the profile, from s = 0 on."""
        road = road_profile.rough_road(self.road_class, step_m=self.grid_m)
        first = int(np.searchsorted(s, 0.0))
        points = s.size - first
        normals = [
            road_normals(variation, block=number, width=road.normals_per_block)
            for number in range(road.blocks_for(points))
        ]
        heights = road.heights(normals, points=points)
        out = np.zeros((heights.shape[0], s.size))
        out[:, first:] = heights
        scale = np.sqrt(variation.factor("height"))
        return np.asarray(out * scale[:, None])


class Washboard(RandomRoadDrive):
    """Regular waves on a random road."""

    height_mm: float = Field(ge=0.1, lt=100)
    pitch_m: float = Field(gt=0.2, lt=5)

    def regular(self, s: FloatArray) -> FloatArray:
        return road_profile.washboard(s, height_m=1e-3 * self.height_mm, pitch_m=self.pitch_m)


class Cobbles(RandomRoadDrive):
    """Domed stones on a random road."""

    crown_mm: float = Field(ge=0.1, lt=60)
    pitch_m: float = Field(gt=0.05, lt=1)

    def regular(self, s: FloatArray) -> FloatArray:
        return road_profile.cobbles(s, crown_m=1e-3 * self.crown_mm, pitch_m=self.pitch_m)


class Braking(Drive):
    """Hard braking with the ripple of the anti-lock system, then a bump in the road."""

    grid_m: ClassVar[float] = 0.01

    deceleration_g: float = Field(ge=0.01, le=1.25)
    ramp_s: float = Field(ge=0.001, le=20)
    ripple_g: float = Field(ge=0, lt=0.5)
    ripple_hz: float = Field(ge=0.1, lt=30)
    bump_height_mm: float = Field(ge=0, lt=250)
    bump_length_m: RoadLength
    bump_at_s: float = Field(ge=0.01, le=20)

    def heights(self, s: FloatArray, variation: Variation) -> FloatArray:
        speed = self.speed_kmh / 3.6
        at = speed * self.bump_at_s - 0.5 * self.deceleration_g * STANDARD_GRAVITY * (
            max(self.bump_at_s - 0.5 * self.ramp_s, 0.0) ** 2
        )
        shape = road_profile.circular_hump(
            s - at, height_m=max(1e-3 * self.bump_height_mm, 1e-9), length_m=self.bump_length_m
        )
        return np.asarray(shape * variation.factor("height")[:, None])

    def brake(self, times: FloatArray, variation: Variation) -> FloatArray:
        rise = np.clip(times / self.ramp_s, 0.0, 1.0)
        level = self.deceleration_g * rise
        ripple = self.ripple_g * np.sin(2.0 * pi * self.ripple_hz * times) * rise
        wanted = STANDARD_GRAVITY * (level + ripple)
        return np.asarray(wanted * variation.factor("brake")[:, None])


def road_normals(variation: Variation, *, block: int, width: int) -> FloatArray:
    """Normal numbers of a block of road, shape (draws, width).

    The nominal road is one stretch for all recipes: classes scale it, they do not redraw it.
    """
    normals = variation.noise(f"road block {block}", width)
    nominal = variation.draws == 0
    if nominal.any():
        normals[nominal] = generator(0, "nominal road", block).standard_normal(width)
    return normals


def fade_in(s: FloatArray, *, length_m: float = 1.5) -> FloatArray:
    """Weight [-] from 0 at s = 0 to 1 at *length_m*: a rough road begins without a step."""
    share = np.clip(s / length_m, 0.0, 1.0)
    return np.asarray(share * share * (3.0 - 2.0 * share))


@dataclass(frozen=True, eq=False)
class RoadSetting:
    """A recipe prepared for the march: roads, start, brake."""

    ride: Ride
    roads: list[Road]
    state: FloatArray
    start_m: FloatArray


def lay_out(
    parameters: Drive, variation: Variation, *, heights: FloatArray | None = None
) -> RoadSetting:
    """Build the profile and the state in which the front wheels touch the obstacle."""
    ride = load_ride(str(ride_path(parameters.vehicle, near=None)))
    size = variation.size
    speed = parameters.speed_kmh / 3.6 * variation.factor("speed")
    grid = parameters.grid_m
    behind = ride.wheelbase_m + 2.0 * ride.wheel_radius_m
    ahead = 1.12 * parameters.speed_kmh / 3.6 * parameters.duration_s + 2.0
    first = -int(np.ceil(behind / grid))
    s = np.asarray((first + np.arange(int(np.ceil((behind + ahead) / grid)))) * grid)
    heights = parameters.heights(s, variation)
    path = ride.tyre_path(heights, step_m=grid)
    touched = np.abs(path) > 1e-9
    index = np.where(touched.any(axis=-1), touched.argmax(axis=-1), -first)
    if parameters.brake(np.zeros(1), variation) is not None:
        index = np.full(size, -first)
    position = s[np.maximum(index - 1, 0)]
    roads = [Road(path, start_m=first * grid, step_m=grid)]
    if parameters.one_sided:
        roads.append(Road(np.zeros_like(path), start_m=first * grid, step_m=grid))
    state = initial_state(size, position=position, speed=speed, tracks=len(roads))
    return RoadSetting(ride, roads, state, position)


def drive_in_steps(parameters: Drive, variation: Variation) -> Steps[Synthesis]:
    """March the car over the road and read the sensing locations."""
    setting = lay_out(parameters, variation)
    ride, one_sided = setting.ride, parameters.one_sided
    steps, step = round(parameters.duration_s * RATE_HZ), 1.0 / RATE_HZ
    driven = yield from RideLocations(ride, variation, rate_hz=RATE_HZ, one_sided=one_sided).drive(
        ride.car(variation, speed_hold=parameters.speed_hold),
        setting.state,
        roads=setting.roads,
        brake=parameters.brake(np.asarray(np.arange(steps) * step), variation),
        steps=steps,
        step_s=step,
        rest=round(QUIET_S * RATE_HZ),
        keeps=variation.only is None or variation.reads(CHANGE),
    )
    felt, motion = driven.felt, driven.motion
    signals = {
        "central_x": felt["central_x"],
        "central_safing_x": felt["central_x"],
        "central_z": felt["central_z"],
        "upfront_left_x": felt["upfront_x"],
        "upfront_right_x": felt["upfront_x"],
    }
    quiet = {"door_left_pressure", "door_right_pressure"}
    lateral = {"central_y", "central_safing_y", "side_left_y", "side_right_y", "central_roll_rate"}
    if one_sided:
        signals["central_y"] = signals["central_safing_y"] = felt["central_y"]
        signals["side_left_y"], signals["side_right_y"] = felt["side_left_y"], felt["side_right_y"]
        signals["central_roll_rate"] = felt["roll_rate"]
    else:
        quiet |= lateral
    speed = motion.get("speed")
    return Synthesis(
        signals=signals,
        rate_hz=RATE_HZ,
        start_s=-QUIET_S,
        cabin_x=felt["x_acc"],
        quiet=frozenset(quiet),
        facts={} if speed is None else {CHANGE: speed[:, -1] - speed[:, 0]},
        trace=motion,
    )


simulate_drive = at_once(drive_in_steps)


def _register(name: str, parameters: type[Drive], title: str, **more: Tolerance) -> PulseModel:
    tolerances = {**TOLERANCES, **more}
    simulate = in_blocks(simulate_drive, rows=BLOCK)
    return register_model(
        PulseModel(name, parameters, simulate, tolerances, title, steps=drive_in_steps)
    )


_register("kerb_climb", KerbClimb, "half-car over a vertical step, rigid-wheel path, rim contact")
_register("pothole", Pothole, "car with roll, left wheels through a hole with sharp edges")
_register("road_hump", RoadHump, "half-car over a circular hump")
_register("road_dip", RoadDip, "half-car through a cosine dip, bump stops")
_register("jump_landing", JumpLanding, "half-car over a lip: flight, landing, bump stops, rims")
_register("rail_crossing", RailCrossing, "half-car over the rails and decks of railway tracks")
_register("random_road", RandomRoadDrive, "half-car on a random profile of an ISO 8608 class")
_register("washboard", Washboard, "half-car on regular waves and a random profile")
_register("cobbles", Cobbles, "half-car on domed stones and a random profile")
_register(
    "braking",
    Braking,
    "half-car braked at the ground, anti-lock ripple, nose dive, then a bump",
    brake=Tolerance("scale", 0.03, "friction of road and tyre (memory)"),
)
