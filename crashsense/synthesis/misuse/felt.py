"""What the sensing locations feel of a blow: the car as a body, and their own local modes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from crashsense import engine
from crashsense.arrays import FloatArray
from crashsense.synthesis.frontal.vehicle import sensing_places
from crashsense.synthesis.location import Path, blow_sections, modal_answer, shake
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
    rest: int,
) -> dict[str, FloatArray]:
    """Acceleration [m/s^2] of every channel along which the blow has a component.

    Shape (draws, *rest* + samples): 0 before the blow.

    Parameters
    ----------
    cosines : axis -> component of the force's direction [-]
    body, local : acceleration of the car and of the local mass along the blow [m/s^2], shape
        (draws, samples)
    passed : force that the local spring passes on [N]; the modes of the locations answer to it
    power : power that the car's own metal takes up, per mass of the car [W/kg]: folding shakes the
        locations by the same law as in crashes; None where a blow folds nothing
    rest : samples before the blow
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
    modes = blow_sections(places=places, paths=paths, variation=variation, rate_hz=rate_hz)
    found = _felt_at(
        [modes.get(name) for name in places],
        shares=[place.shares.get(location, 0.0) for location, _ in axes],
        cosines=[cosines[axis] for _, axis in axes],
        motion=(passed, body, local),
        rest=rest,
    )
    if power is not None:
        shaken = shake(places, power=power, variation=variation, rate_hz=rate_hz)
        for name, total in zip(places, found, strict=True):
            if name in shaken:
                total[:, rest:] += shaken[name]
    out: dict[str, FloatArray] = {}
    for channels, total in zip(axes.values(), found, strict=True):
        out |= dict.fromkeys(channels, total)
    return out


def _felt_at(
    modes: Sequence[FloatArray | None],
    *,
    shares: Sequence[float],
    cosines: Sequence[float],
    motion: tuple[FloatArray, FloatArray, FloatArray],
    rest: int,
) -> FloatArray:
    """What some locations feel without shaking, shape (locations, draws, rest + samples).

    *modes* of each (draws, modes, 5), None: none; its *share* of the motion of what is struck, its
    *cosine*; *motion*: force that is passed on, acceleration of the car, of what is struck.
    """
    passed, body, local = motion
    size, samples = passed.shape
    out = np.empty((len(modes), size, rest + samples))
    compiled = engine.kernels()
    if compiled is not None:
        known = [np.empty((size, 0, 5)) if own is None else own for own in modes]
        counts = np.array([own.shape[1] for own in known], dtype=np.int64)
        told = (np.concatenate(known, axis=1), counts, np.array(shares), np.array(cosines))
        compiled.blow_steps(*map(engine.given, (*motion, *told)), out)
        return out
    out[:, :, :rest] = 0.0
    moved = local - body
    for total, own, share, cosine in zip(out[:, :, rest:], modes, shares, cosines, strict=True):
        total[:] = body + share * moved if share else body
        if own is not None:
            total += modal_answer(own, passed)
        total *= cosine
    return out
