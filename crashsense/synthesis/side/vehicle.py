"""The car as seen from the side: the vehicle file, and how recipes name it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import BeforeValidator, Field, ValidationInfo, model_validator

from crashsense.arrays import FloatArray
from crashsense.errors import InputError
from crashsense.files import is_file, read_toml
from crashsense.resources import folder as shipped_folder
from crashsense.synthesis.side.crash import CrashVehicle, Level

#: Compression [mm] and force [kN].
Point = tuple[Annotated[float, Field(ge=0.0, le=5000.0)], Annotated[float, Field(ge=0.0, le=1e5)]]
Positive = Annotated[float, Field(gt=0.0)]


def curve_si(points: tuple[Point, ...]) -> FloatArray:
    """Convert [[mm, kN], ...] to [[m], [N]], shape (points, 2)."""
    return np.asarray(points, dtype=np.float64) * np.array([1e-3, 1e3])


def curve_faults(points: tuple[Point, ...], unloading_kn_per_mm: float, *, what: str) -> str:
    """Return the physical impossibilities of a curve; empty if there are none."""
    compressions = [c for c, _ in points]
    if len(points) < 2 or points[0] != (0.0, 0.0):
        return f"{what}: at least two points [mm, kN], the first [0, 0]"
    if any(b <= a for a, b in zip(compressions, compressions[1:], strict=False)):
        return f"{what}: compressions that increase"
    if any(force < 0 for _, force in points):
        return f"{what}: forces of 0 or more"
    steepest = max(
        (f1 - f0) / (c1 - c0) for (c0, f0), (c1, f1) in zip(points, points[1:], strict=False)
    )
    if unloading_kn_per_mm < steepest * (1.0 - 1e-9):
        return (
            f"{what}: unloading of at least {steepest:.4g} kN/mm, the steepest loading slope "
            "(softer unloading would create energy)"
        )
    return ""


class SideVehicle(CrashVehicle):
    """The vehicle file: masses, curves and sensing locations of the struck side."""

    skin_mass_kg: Positive
    door_mass_kg: Positive
    pillar_mass_kg: Positive
    skin_curve: tuple[Point, ...]
    skin_unloading_kn_per_mm: Positive
    door_curve: tuple[Point, ...]
    door_unloading_kn_per_mm: Positive
    pillar_curve: tuple[Point, ...]
    pillar_unloading_kn_per_mm: Positive
    skin_damper_kns_per_m: Annotated[float, Field(ge=0.0)]
    door_damper_kns_per_m: Annotated[float, Field(ge=0.0)]
    pillar_damper_kns_per_m: Annotated[float, Field(ge=0.0)]
    rate_effect_s_per_m: Annotated[float, Field(ge=0.0, le=0.04)]
    sill_stand_off_mm: Annotated[float, Field(ge=0.0)]
    sill_contact_curve: tuple[Point, ...]
    sill_contact_unloading_kn_per_mm: Positive
    door_volume_l: Positive
    door_leak_cm2: Annotated[float, Field(ge=0.0)]
    skin_width_m: Positive
    skin_height_m: Positive
    pressure_path_m: Annotated[float, Field(ge=0.0)]
    occupant_gap_mm: Positive
    roll_arm_m: float
    roll_inertia_kg_m2: Positive
    roll_stiffness_knm_per_rad: Positive
    roll_damping: Annotated[float, Field(ge=0.0, lt=1.0)]
    #: level of random shaking of the struck satellite, which the crush is at
    struck_shaking: Level

    @model_validator(mode="after")
    def _possible(self) -> SideVehicle:
        faults = [
            curve_faults(getattr(self, f"{part}_curve"), unloading, what=f"{part}_curve")
            for part, unloading in (
                ("skin", self.skin_unloading_kn_per_mm),
                ("door", self.door_unloading_kn_per_mm),
                ("pillar", self.pillar_unloading_kn_per_mm),
                ("sill_contact", self.sill_contact_unloading_kn_per_mm),
            )
        ]
        parts = self.skin_mass_kg + self.door_mass_kg + self.pillar_mass_kg
        if parts >= 0.5 * self.mass_kg:
            faults.append(f"mass_kg: more than twice skin, door and pillar ({parts:g} kg)")
        text = "; ".join(fault for fault in faults if fault)
        if text:
            raise ValueError(text)
        return self


def read_vehicle(value: Any, info: ValidationInfo) -> Any:
    """Turn the name of a vehicle file into its contents; anything else passes through.

    Looked for as ``vehicles/NAME.toml`` in the recipe's folder, then above it, then in the library.
    """
    if not isinstance(value, str):
        return value
    context = info.context if isinstance(info.context, dict) else {}
    places = []
    if "folder" in context:
        here = Path(context["folder"])
        places += [here / "vehicles", here.parent / "vehicles"]
    places.append(shipped_folder("pulses") / "vehicles")
    for place in places:
        path = place / f"{value}.toml"
        if is_file(path):
            try:
                return read_toml(path)
            except InputError as error:
                raise ValueError(str(error)) from None
    known = sorted({p.stem for place in places if place.is_dir() for p in place.glob("*.toml")})
    raise ValueError(f"a vehicle file {value}.toml; known: {', '.join(known) or 'none'}")


NamedSideVehicle = Annotated[SideVehicle, BeforeValidator(read_vehicle)]
