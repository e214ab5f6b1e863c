"""The vehicle file of the frontal recipes: masses, crush springs, ties, sensing locations.

One file serves all frontal recipes. Forces are those of the car at its own total mass; a recipe
that names another mass scales masses and forces alike (a similar car: equal accelerations), so that
a heavier car of the same make-up can be compared with a record.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from crashsense.errors import Fault, InputError, nearest
from crashsense.files import is_file, read_toml
from crashsense.resources import folder
from crashsense.synthesis.dynamics.lumped_system import CELL_M, CELLS
from crashsense.synthesis.location.place import Place
from crashsense.synthesis.recipe import VEHICLES
from crashsense.wording import faults_of, misread

# Far beyond any road vehicle (barrier forces of heavy trucks reach some 5 MN): what lies above is a
# slip of the unit or of the keyboard.
_FORCE_KN, _STIFFNESS_KN_PER_M, _DAMPING_KN_S_PER_M, _INERTIA_KG_M2 = 1e5, 1e7, 1e4, 1e6

Force = Annotated[float, Field(ge=0.0, le=_FORCE_KN)]
Stiffness = Annotated[float, Field(ge=1e-3, le=_STIFFNESS_KN_PER_M)]
Damping = Annotated[float, Field(ge=0.0, le=_DAMPING_KN_S_PER_M)]
Inertia = Annotated[float, Field(ge=1.0, le=_INERTIA_KG_M2)]
Position = Annotated[float, Field(ge=-20.0, le=20.0)]
Point = tuple[Annotated[float, Field(ge=0.0)], Force]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Spring(_Strict):
    """Loading polyline ((m, kN), ...) from a gap on, and unloading stiffness.

    ``length_m``: what folds; the unloading stiffness is that of the uncrushed spring and grows as
    less of it is straight. Without it the stiffness stays.
    """

    gap_m: float = Field(default=0.0, ge=0.0, le=1.5)
    points: tuple[Point, ...] = Field(min_length=2)
    unloading_kn_per_m: Stiffness
    length_m: float | None = Field(default=None, ge=0.1, le=3.0)

    @model_validator(mode="after")
    def _physical(self) -> Spring:
        travel = [point[0] for point in self.points]
        force = [point[1] for point in self.points]
        if travel[0] != 0.0 or force[0] != 0.0:
            raise ValueError("a polyline that starts at 0 m, 0 kN")
        if any(b - a < 1e-9 for a, b in zip(travel, travel[1:], strict=False)):
            raise ValueError("compressions that grow from point to point")
        steepest = float(np.max(np.diff(force) / np.diff(travel)))
        if self.unloading_kn_per_m <= steepest:
            raise ValueError(
                f"unloading stiffer than loading: unloading_kn_per_m above {steepest:g} kN/m"
                " (softer unloading would give back more energy than went in)"
            )
        if travel[-1] > CELL_M * CELLS:
            raise ValueError(f"compressions up to {CELL_M * CELLS:g} m")
        return self


class Masses(_Strict):
    """Total mass and how it is shared; the cabin has the rest."""

    total_kg: float = Field(ge=50.0, le=10000.0)
    front_end_share: float = Field(gt=0.005, lt=0.5)
    powertrain_share: float = Field(gt=0.005, lt=0.6)

    @model_validator(mode="after")
    def _cabin_left(self) -> Masses:
        if self.front_end_share + self.powertrain_share >= 0.9:
            raise ValueError("front_end_share + powertrain_share below 0.9, the rest is the cabin")
        return self


class Springs(_Strict):
    """Crush springs: nose, rails, firewall, cross-beam centre, engine, sill and upper body."""

    nose: Spring
    rails: Spring
    engine: Spring
    firewall: Spring
    centre: Spring
    upper: Spring
    sill: Spring


class Rate(_Strict):
    """Rate effect, folding ripple, and damping of what is crushed (share of critical)."""

    effect_s_per_m: float = Field(ge=0.0, le=0.1)
    ripple: float = Field(ge=0.0, lt=1.0)
    fold_m: float = Field(gt=0.005, le=0.5)
    crushed_damping: float = Field(default=0.8, ge=0.0, lt=1.0)


class Tie(_Strict):
    """Elastic-plastic tie with damping."""

    stiffness_kn_per_m: Stiffness
    yield_kn: Force
    damping_kn_s_per_m: Damping


class Ties(_Strict):
    """Powertrain mounts; cross-beam between the front ends."""

    mounts: Tie
    beam: Tie


class Joints(_Strict):
    """Joints of the rails: force in tension at which they tear or straighten, friction."""

    pull_kn: Force
    slip_kn: Force
    slip_kn_s_per_m: Damping


class Geometry(_Strict):
    """What turns force into yaw and pitch, and where sensors sit."""

    yaw_inertia_kg_m2: Inertia
    rail_half_span_m: float = Field(ge=0.01, le=1.5)
    width_m: float = Field(gt=0.5, le=3.0)
    wheel_ahead_m: Position
    wheelbase_m: float = Field(default=2.5, gt=0.5, le=6.0)
    tyre_grip: float = Field(default=0.7, ge=0.0, le=1.5)
    half_track_m: float = Field(ge=0.01, le=1.5)
    bonnet_ahead_m: Position
    side_sensor_ahead_m: Position
    centre_of_gravity_to_front_m: float = Field(ge=0.1, le=10.0)
    sensor_ahead_m: Position
    pitch_inertia_kg_m2: Inertia
    force_below_centre_of_gravity_m: float = Field(ge=-2.0, le=2.0)


class Location(_Strict):
    """A sensing location; the fields of :class:`crashsense.synthesis.location.Place`."""

    level: float = Field(default=1.0, ge=0.0, le=20.0)
    level_high: float = Field(default=1.0, ge=0.0, le=20.0)
    group: str = ""
    lowest_hz: float = Field(default=70.0, ge=20.0, le=2000.0)
    modes: int = Field(default=9, ge=1, le=20)
    damping: float = Field(default=0.05, ge=1e-4, lt=1.0)
    mass_kg: float = Field(default=20.0, ge=0.01, le=1000.0)

    def place(self) -> Place:
        """The location as the model of a place takes it."""
        return Place(**self.model_dump())


class FitEntry(_Strict):
    """Where fitted numbers come from: the record, the search, and the values that it began with."""

    record: str
    speed_kmh: float
    mass_kg: float
    seed: int
    rounds: int
    fitted: int
    to: int
    start_cost: float
    cost: float
    start: dict[str, float]


class FrontalVehicle(_Strict):
    """A vehicle file, validated."""

    name: str
    title: str
    basis: dict[str, str]
    masses: Masses
    springs: Springs
    rate: Rate
    ties: Ties
    joints: Joints
    geometry: Geometry
    locations: dict[str, Location]
    fit: FitEntry | None = None


@lru_cache(maxsize=32)
def _read(path: str, _changed: float) -> FrontalVehicle:
    data = read_toml(path)
    try:
        made = FrontalVehicle.model_validate(data)
    except ValidationError as error:
        raise InputError(faults_of(error, file=path)) from None
    if faults := misread(data, made, file=path):
        raise InputError(faults)
    return made


def vehicle_path(name: str, *, beside: str | None = None) -> Path:
    """The file of the vehicle *name*.

    A name is looked for in *beside*/vehicles, its parent's, and the shipped ones; a file name
    (``my_car.toml``, with folders or without) from *beside*, then from the working directory.

    Raises
    ------
    InputError : where there is none; an unknown name answers with the nearest
    """
    if name.endswith(".toml"):
        near = [] if beside is None else [Path(beside), Path(beside) / VEHICLES]
        for root in (*near, Path()):
            if is_file(root / name):
                return (root / name).resolve()
        raise InputError([Fault("", "vehicle", name, "a vehicle file (crashsense new vehicle)")])
    roots = [folder("pulses")]
    if beside is not None:
        roots = [Path(beside), Path(beside).parent, *roots]
    for root in roots:
        path = root / VEHICLES / f"{name}.toml"
        if is_file(path):
            return path
    known = [p.stem for p in (roots[-1] / VEHICLES).glob("*.toml")]
    raise InputError([Fault("", "vehicle", name, nearest(name, known))])


def load_vehicle(name: str, *, beside: str | None = None) -> FrontalVehicle:
    """Read the vehicle *name*, looked for as in :func:`vehicle_path`.

    Raises
    ------
    InputError : with one fault a field
    """
    path = vehicle_path(name, beside=beside)
    return _read(str(path), path.stat().st_mtime)


def sensing_places(name: str) -> dict[str, Place]:
    """The sensing locations of the vehicle *name*, by channel."""
    return {channel: one.place() for channel, one in load_vehicle(name).locations.items()}
