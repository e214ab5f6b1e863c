"""The structure file of the blows: where a car can be struck, and how a blow reaches the sensors.

A *struck place* has a local mass on a local spring (bracket, rail end, sill), through which a blow
reaches the car, and where steel or stone meets it a *sheet*: the metal close to the point of
contact, with its own small mass and stiffness. A sensing location near the place takes a *share*
of its motion. What the local spring passes on reaches each location by a *path* and excites its
local modes (:mod:`crashsense.synthesis.location`), the same as in crashes.
"""

from __future__ import annotations

from functools import lru_cache
from math import pi
from pathlib import Path
from typing import Annotated, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from crashsense.errors import Fault, InputError, nearest
from crashsense.files import is_file, read_toml
from crashsense.resources import folder
from crashsense.synthesis.misuse.contact import MATERIALS
from crashsense.wording import faults_of

Positive = Annotated[float, Field(gt=0)]
#: How the force that a place passes on gets to a location: share [-], frequency above which less
#: of it arrives [Hz]; the second is left out where the force acts at the location itself.
PathTo = tuple[Positive] | tuple[Positive, Positive]

Location = Literal["central", "upfront_left", "upfront_right", "side_left", "side_right"]
LOCATIONS: tuple[Location, ...] = get_args(Location)


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Sheet(_Strict):
    """The metal close to the point of contact: its mass moves with the striker, then springs back.

    ``n_per_m`` acts over the first ``bend_mm``, ``past_bend_n_per_m`` beyond. ``damping`` is
    relative to critical for the mass of the sheet and the striker together.
    """

    mass_kg: Positive
    n_per_m: Positive
    damping: float = Field(ge=0, lt=1)
    material: str
    bend_mm: Positive = 1000.0
    past_bend_n_per_m: Positive = 1.0
    basis: str

    @field_validator("material")
    @classmethod
    def _known(cls, value: str) -> str:
        if value not in MATERIALS:
            raise ValueError(nearest(value, MATERIALS))
        return value


class StruckPlace(_Strict):
    """A place where the car is struck."""

    title: str
    local_mass_kg: Positive
    local_hz: Positive
    local_damping: float = Field(gt=0, lt=1)
    #: share of the motion of the place that a location makes too [-]
    shares: dict[Location, Annotated[float, Field(ge=0, le=1)]] = {}
    #: paths of the force passed on to the local modes of a location
    paths: dict[Location, PathTo] = {}
    #: needed where a recipe strikes the place with a hard body
    sheet: Sheet | None = None
    #: True where a blow crushes so much sheet metal that folding shakes the car
    crushes: bool = False
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
    #: inner panel with the intrusion beam; edge with hinges and latch
    inner_kg: Positive
    edge_kg: Positive
    #: lowest mode of the door without its skin, inner panel against edge
    frame_hz: Positive
    frame_damping: float = Field(gt=0, lt=1)
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

    @property
    def frame_n_per_m(self) -> float:
        """Stiffness between inner panel and edge [N/m]: mu (2 pi f)^2, mu = m1 m2 / (m1 + m2)."""
        return self._frame_mass * (2.0 * pi * self.frame_hz) ** 2

    @property
    def frame_damper(self) -> float:
        """Damping between inner panel and edge [N s/m]: 2 zeta mu (2 pi f)."""
        return 2.0 * self.frame_damping * self._frame_mass * 2.0 * pi * self.frame_hz

    @property
    def _frame_mass(self) -> float:
        return self.inner_kg * self.edge_kg / (self.inner_kg + self.edge_kg)


class Structure(_Strict):
    """The whole structure file."""

    name: str
    title: str
    #: vehicle file of the frontal crashes, which states the sensing locations
    vehicle: str
    mass_kg: float = Field(gt=100)
    roll_inertia_kg_m2: Positive
    gravity_centre_height_m: Positive
    sensor_below_m: float
    basis: dict[str, str]
    door: Door
    places: dict[str, StruckPlace]


def structure_path(name: str, *, near: str | None) -> Path:
    """The structure file *name*: beside the recipe, in its ``vehicles``, or shipped."""
    file = name if name.endswith(".toml") else f"{name}.toml"
    candidates = [Path(file)] if Path(file).is_absolute() else []
    if near:
        candidates += [Path(near) / file, Path(near) / "vehicles" / file]
        candidates += [Path(near).parent / "vehicles" / file]
    candidates.append(folder("pulses") / "vehicles" / file)
    for candidate in candidates:
        if is_file(candidate):
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
    """Return the structure as a recipe names it, checked; a user's file as an absolute path."""
    try:
        path = structure_path(value, near=near)
        load_structure(str(path))
    except InputError as error:
        raise ValueError("; ".join(str(fault) for fault in error.faults)) from None
    return value if folder("pulses") in path.parents else str(path.resolve())


def find_place(structure: Structure, name: str) -> StruckPlace:
    """Return the place called *name*; an unknown one is answered with the nearest known."""
    if name not in structure.places:
        raise ValueError(nearest(name, structure.places))
    return structure.places[name]
