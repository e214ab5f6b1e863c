"""What the sensing locations feel of a blow: the car as a body, and their own local modes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from crashsense.synthesis.location import Path, blow_response, shake
from crashsense.synthesis.misuse.structure import (
    LOCATIONS,
    StruckPlace,
    Structure,
    sensing_places,
)
from crashsense.synthesis.model import Variation

FloatArray = npt.NDArray[np.float64]

#: Location -> the channels that read it, by axis; the first of them names its local modes.
READ_BY: dict[str, dict[str, tuple[str, ...]]] = {
    "central": {
        "x": ("central_x", "central_safing_x"),
        "y": ("central_y", "central_safing_y"),
        "z": ("central_z",),
    },
    "upfront_left": {"x": ("upfront_left_x",)},
    "upfront_right": {"x": ("upfront_right_x",)},
    "side_left": {"y": ("side_left_y",)},
    "side_right": {"y": ("side_right_y",)},
}


def felt(
    structure: Structure,
    place: StruckPlace,
    *,
    cosines: Mapping[str, float],
    body: FloatArray,
    into: FloatArray,
    passed: FloatArray,
    power: FloatArray | None,
    variation: Variation,
    rate_hz: float,
) -> dict[str, FloatArray]:
    """Acceleration [m/s^2] of every channel along which the blow has a component.

    Parameters
    ----------
    cosines : axis -> component of the force's direction [-]
    body : acceleration of the car along the blow [m/s^2], shape (draws, samples)
    into, passed : force on the local mass of the place, and on the car behind it [N]. A location
        on the place answers to the first, with the local mass of the place; others to the second
    power : power that the car's own metal takes up, per mass of the car [W/kg]: folding shakes the
        locations by the same law as in crashes; None where a blow folds nothing
    """
    sensing = sensing_places(structure.vehicle)
    here: dict[str, Path] = {}
    away: dict[str, Path] = {}
    places = {}
    for location in LOCATIONS:
        for axis, channels in READ_BY[location].items():
            name = channels[0]
            if cosines[axis] == 0.0:
                continue
            places[name] = sensing[name]
            if location in place.here:
                here[name] = Path()
                places[name] = replace(sensing[name], mass_kg=place.local_mass_kg)
            elif location in place.paths:
                gain, corner_hz = place.paths[location]
                away[name] = Path(gain, corner_hz)
    answers: dict[str, FloatArray] = {}
    for force, paths in ((into, here), (passed, away)):
        if paths:
            answers |= blow_response(
                force, places=places, paths=paths, variation=variation, rate_hz=rate_hz
            )
    shaken = (
        {} if power is None else shake(places, power=power, variation=variation, rate_hz=rate_hz)
    )
    out: dict[str, FloatArray] = {}
    for by in READ_BY.values():
        for axis, channels in by.items():
            if cosines[axis] == 0.0:
                continue
            total = body + answers.get(channels[0], 0.0)
            total = cosines[axis] * total + shaken.get(channels[0], 0.0)
            out |= dict.fromkeys(channels, total)
    return out
