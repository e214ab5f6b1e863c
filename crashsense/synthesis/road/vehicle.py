"""The vehicle file of the ride model: read, checked, turned into a :class:`RideCar`."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from crashsense.arrays import FloatArray
from crashsense.errors import Fault, InputError
from crashsense.files import is_file, read_toml
from crashsense.resources import folder
from crashsense.synthesis.dynamics.half_car import RideCar
from crashsense.synthesis.model import Variation
from crashsense.synthesis.road.profile import tyre_path
from crashsense.wording import faults_of, misread

Positive = Annotated[float, Field(gt=0)]
Pair = tuple[Positive, Positive]
#: Frequency [Hz], damping ratio [-], share or inertance ratio [-]: see :mod:`.structure`.
Mode = tuple[Annotated[float, Field(gt=0, lt=600)], Annotated[float, Field(gt=0, lt=1)], float]


class Ride(BaseModel):
    """The ``[ride]`` table of a vehicle file; front and rear values are pairs."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    mass_kg: float = Field(gt=100)
    wheel_mass_kg: Pair
    wheelbase_m: Positive
    front_axle_load_share: float = Field(gt=0.2, lt=0.8)
    gravity_centre_height_m: Positive
    track_m: Positive
    pitch_inertia_kg_m2: Positive
    roll_inertia_kg_m2: Positive
    wheel_radius_m: float = Field(gt=0.1, lt=0.6)
    spring_n_per_m: Pair
    damper_bump_n_s_per_m: Pair
    damper_rebound_n_s_per_m: Pair
    damper_knee_m_per_s: Positive
    damper_fall: float = Field(gt=0, le=1)
    bump_travel_m: Pair
    rebound_travel_m: Pair
    stop_stiffness_n_per_m: Positive
    stop_length_m: Positive
    stop_dissipation_s_per_m: float = Field(ge=0, lt=5)
    tyre_stiffness_n_per_m: Positive
    tyre_damping_n_s_per_m: float = Field(ge=0)
    sidewall_m: Positive
    rim_stiffness_n_per_m: Positive
    bush_stiffness_n_per_m: Positive
    bush_damping_n_s_per_m: float = Field(ge=0)
    brake_front_share: float = Field(gt=0, lt=1)
    friction: Positive
    sensor_ahead_m: float
    sensor_below_m: float
    upfront_ahead_m: float
    upfront_below_m: float
    contact_patch_m: float = Field(ge=0, lt=0.3)
    tyre_x_modes: tuple[Mode, ...]
    tyre_z_modes: tuple[Mode, ...]
    central_x_modes: tuple[Mode, ...]
    central_z_modes: tuple[Mode, ...]
    upfront_x_modes: tuple[Mode, ...]
    x_of_z: float = Field(ge=0, le=1)
    y_of_z: float = Field(ge=0, le=1)

    def tyre_path(self, heights: FloatArray, *, step_m: float) -> FloatArray:
        """Path of a tyre over a profile: rigid wheel, then mean over the patch; same shape."""
        return tyre_path(
            heights, step_m=step_m, radius_m=self.wheel_radius_m, patch_m=self.contact_patch_m
        )

    @property
    def reach_m(self) -> float:
        """How far ahead of its centre a tyre meets a step at most [m]."""
        return self.wheel_radius_m + 0.5 * self.contact_patch_m

    def car(self, variation: Variation, *, speed_hold: float = 0.0) -> RideCar:
        """The car with the deviations of *variation* (mass, springs, tyres); arrays (draws,)."""
        mass = self.mass_kg * variation.factor("mass")
        warm = variation.factor("suspension_stiffness")
        tyre = self.tyre_stiffness_n_per_m * variation.factor("tyre_stiffness")
        base = self.wheelbase_m
        wheels = 2.0 * sum(self.wheel_mass_kg)
        front = (1.0 - self.front_axle_load_share) * base
        return RideCar(
            sprung_mass=mass - wheels,
            pitch_inertia=self.pitch_inertia_kg_m2 * variation.factor("mass"),
            roll_inertia=self.roll_inertia_kg_m2,
            front_length=front,
            rear_length=base - front,
            track=self.track_m,
            height=self.gravity_centre_height_m,
            wheel_radius=self.wheel_radius_m,
            wheel_mass=self.wheel_mass_kg,
            spring=_both(self.spring_n_per_m, warm),
            damper_bump=_both(self.damper_bump_n_s_per_m, warm),
            damper_rebound=_both(self.damper_rebound_n_s_per_m, warm),
            damper_knee=self.damper_knee_m_per_s,
            damper_fall=self.damper_fall,
            bump_travel=self.bump_travel_m,
            rebound_travel=self.rebound_travel_m,
            stop_stiffness=self.stop_stiffness_n_per_m * warm,
            stop_length=self.stop_length_m,
            stop_dissipation=self.stop_dissipation_s_per_m,
            tyre_stiffness=tyre,
            tyre_damping=self.tyre_damping_n_s_per_m,
            sidewall=self.sidewall_m,
            rim_stiffness=self.rim_stiffness_n_per_m,
            bush_stiffness=self.bush_stiffness_n_per_m * warm,
            bush_damping=self.bush_damping_n_s_per_m,
            brake_share=self.brake_front_share,
            friction=self.friction,
            speed_hold=speed_hold,
        )


def _both(pair: Pair, factor: Any) -> tuple[Any, Any]:
    return pair[0] * factor, pair[1] * factor


class _RideFile(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str
    title: str
    ride: Ride
    basis: dict[str, str]


def ride_path(name: str, *, near: str | None) -> Path:
    """The file of the ride vehicle *name*: beside the recipe, in its ``vehicles``, or shipped."""
    file = name if name.endswith(".toml") else f"{name}.toml"
    places = [Path(file)] if Path(file).is_absolute() else []
    if near:
        places += [Path(near) / file, Path(near) / "vehicles" / file]
        places += [Path(near).parent / "vehicles" / file]
    places.append(folder("pulses") / "vehicles" / file)
    for place in places:
        if is_file(place):
            return place
    shipped = sorted(p.stem for p in (folder("pulses") / "vehicles").glob("*_ride.toml"))
    raise InputError([Fault("", "vehicle", name, f"a ride vehicle file: {', '.join(shipped)}")])


@lru_cache(maxsize=32)
def load_ride(path: str) -> Ride:
    """Read a ride vehicle file; every fault at once."""
    data = read_toml(path)
    try:
        file = _RideFile.model_validate(data)
    except ValidationError as error:
        raise InputError(faults_of(error, file=path)) from None
    if faults := misread(data, file, file=path):
        raise InputError(faults)
    missing = [key for key in Ride.model_fields if key not in file.basis]
    if missing:
        raise InputError(
            [Fault(path, f"basis.{key}", None, "the source of the number") for key in missing]
        )
    return file.ride


def resolve_vehicle(value: str, *, near: str | None) -> str:
    """Return the path of a vehicle as a recipe names it, checked; for pydantic validators."""
    try:
        path = str(ride_path(value, near=near))
        load_ride(path)
    except InputError as error:
        raise ValueError("; ".join(str(f) for f in error.faults)) from None
    return value if near is None else _short(value, path)


def _short(value: str, path: str) -> str:
    shipped = str(folder("pulses") / "vehicles")
    return value if path.startswith(shipped) else path
