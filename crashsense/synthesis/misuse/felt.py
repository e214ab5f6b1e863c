"""What the sensing locations feel of a blow: the car as a body, and their own local modes."""

from __future__ import annotations

from collections.abc import Mapping

from crashsense.arrays import FloatArray
from crashsense.synthesis.frontal.vehicle import sensing_places
from crashsense.synthesis.location import Path, blow_response, shake
from crashsense.synthesis.misuse.structure import LOCATIONS, StruckPlace, Structure
from crashsense.synthesis.model import Variation

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
    local: FloatArray,
    passed: FloatArray,
    power: FloatArray | None,
    variation: Variation,
    rate_hz: float,
) -> dict[str, FloatArray]:
    """Acceleration [m/s^2] of every channel along which the blow has a component.

    Parameters
    ----------
    cosines : axis -> component of the force's direction [-]
    body, local : acceleration of the car and of the local mass along the blow [m/s^2], shape
        (draws, samples)
    passed : force that the local spring passes on [N]; the modes of the locations answer to it
    power : power that the car's own metal takes up, per mass of the car [W/kg]: folding shakes the
        locations by the same law as in crashes; None where a blow folds nothing
    """
    sensing = sensing_places(structure.vehicle)
    axes = {
        (location, axis): channels
        for location in LOCATIONS
        for axis, channels in READ_BY[location].items()
        if cosines[axis] != 0.0
    }
    places = {channels[0]: sensing[channels[0]] for channels in axes.values()}
    paths = {
        channels[0]: Path(*place.paths[location])
        for (location, _), channels in axes.items()
        if location in place.paths
    }
    answers = blow_response(
        passed, places=places, paths=paths, variation=variation, rate_hz=rate_hz
    )
    shaken: Mapping[str, FloatArray] = {}
    if power is not None:
        shaken = shake(places, power=power, variation=variation, rate_hz=rate_hz)
    moved = local - body
    out: dict[str, FloatArray] = {}
    for (location, axis), channels in axes.items():
        name = channels[0]
        share = place.shares.get(location, 0.0)
        total = body + share * moved if share else body.copy()
        if name in answers:
            total += answers[name]
        total *= cosines[axis]
        if name in shaken:
            total += shaken[name]
        out |= dict.fromkeys(channels, total)
    return out
