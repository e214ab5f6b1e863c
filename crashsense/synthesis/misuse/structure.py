"""The structure file of the blows: where a car can be struck, and what the sensors there feel.

A *place* has a local mass on a local spring (bracket, rail end, sill), through which a blow reaches
the car. A sensing location near the place takes a share of the local motion; a location further
away feels modes that the force excites, each with a modal mass: ``a = F / m H(s)``.
"""

from __future__ import annotations

from functools import lru_cache
from math import pi
from pathlib import Path
from typing import Annotated, Literal, get_args

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from crashsense.errors import Fault, InputError, nearest
from crashsense.files import read_toml
from crashsense.resources import folder
from crashsense.synthesis.location.modes import mode_response
from crashsense.synthesis.wording import faults_of

FloatArray = npt.NDArray[np.float64]
Positive = Annotated[float, Field(gt=0)]
#: Frequency [Hz], damping ratio [-], modal mass [kg].
ForcedMode = tuple[Positive, Positive, Positive]

Location = Literal["central", "upfront_left", "upfront_right", "side_left", "side_right"]
LOCATIONS: tuple[Location, ...] = get_args(Location)


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Place(_Strict):
    """A place where the car is struck."""

    title: str
    local_mass_kg: Positive
    local_hz: Positive
    local_damping: float = Field(gt=0, lt=1)
    #: share of the local motion that a location takes [-]
    shares: dict[Location, Annotated[float, Field(ge=0, le=1)]] = {}
    #: modes that the force excites at a location
    modes: dict[Location, tuple[ForcedMode, ...]] = {}
    basis: str

    @property
    def local_stiffness(self) -> float:
        """Stiffness of the local spring [N/m]: m (2 pi f)^2."""
        return self.local_mass_kg * (2.0 * pi * self.local_hz) ** 2

    @property
    def local_damper(self) -> float:
        """Damping of the local spring [N s/m]: 2 zeta m (2 pi f)."""
        return 2.0 * self.local_damping * self.local_mass_kg * 2.0 * pi * self.local_hz


class Door(_Strict):
    """A front door with its cavity, seal and latch."""

    skin_kg: Positive
    frame_kg: Positive
    skin_n_per_m: Positive
    skin_damping: float = Field(gt=0, lt=1)
    #: lowest mode of the skin under its own mass (spread, hence stiffer than under a point load)
    panel_hz: Positive
    beam_gap_m: Positive
    beam_n_per_m: Positive
    seal_n_per_m: Positive
    seal_travel_m: Positive
    latch_n_per_m: Positive
    latch_damping_n_s_per_m: float = Field(ge=0)
    cavity_volume_m3: Positive
    leak_area_m2: Positive
    swept_area_m2: Positive
    basis: dict[str, str]


class Structure(_Strict):
    """The whole structure file."""

    name: str
    title: str
    mass_kg: float = Field(gt=100)
    roll_inertia_kg_m2: Positive
    gravity_centre_height_m: Positive
    sensor_below_m: float
    basis: dict[str, str]
    door: Door
    places: dict[str, Place]


def structure_path(name: str, *, near: str | None) -> Path:
    """The structure file *name*: beside the recipe, in its ``vehicles``, or shipped."""
    file = name if name.endswith(".toml") else f"{name}.toml"
    candidates = [Path(file)] if Path(file).is_absolute() else []
    if near:
        candidates += [Path(near) / file, Path(near) / "vehicles" / file]
        candidates += [Path(near).parent / "vehicles" / file]
    candidates.append(folder("pulses") / "vehicles" / file)
    for candidate in candidates:
        if candidate.is_file():
            return candidate
    raise InputError([Fault("", "structure", name, "a structure file, e.g. small_car_blows")])


@lru_cache(maxsize=32)
def load_structure(path: str) -> Structure:
    """Read a structure file; every fault at once."""
    try:
        file = Structure.model_validate(read_toml(path))
    except ValidationError as error:
        raise InputError(faults_of(error, file=path)) from None
    return file


def resolve_structure(value: str, *, near: str | None) -> str:
    """Return the structure as a recipe names it, checked; a user's own as an absolute path."""
    try:
        path = structure_path(value, near=near)
        load_structure(str(path))
    except InputError as error:
        raise ValueError("; ".join(str(fault) for fault in error.faults)) from None
    return value if folder("pulses") in path.parents else str(path.resolve())


def find_place(structure: Structure, name: str) -> Place:
    """Return the place called *name*; an unknown one is answered with the nearest known."""
    if name not in structure.places:
        raise ValueError(nearest(name, structure.places))
    return structure.places[name]


def felt_at(
    location: Location,
    *,
    place: Place,
    body: FloatArray,
    local: FloatArray,
    force: FloatArray,
    factor: FloatArray,
    rate_hz: float,
) -> FloatArray:
    """Acceleration along the line of the blow that a location feels [m/s^2], (draws, samples).

    Parameters
    ----------
    body, local : acceleration of the car body and of the local mass [m/s^2]
    force : force that the local spring passes to the body [N]
    factor : on the frequencies of the modes, shape (draws,)
    """
    share = place.shares.get(location, 0.0)
    out = body + share * (local - body)
    for frequency, damping, mass in place.modes.get(location, ()):
        out += (
            mode_response(force, frequency_hz=frequency * factor, damping=damping, rate_hz=rate_hz)
            / mass
        )
    return out
