"""Which numbers of a frontal recipe lie outside the range in which the model was checked.

Checked against measurements: a full-width wall (public test 2320) and an oblique moving barrier
(8789), both predicted; ranges of published small-overlap tests. The front structure was *fitted* to
another wall (public test 10146), to restitution of walls from memory and to required times of the
event matrix (one-mass models): agreement with these shows that the fit holds, it is no prediction.
Animals: momentum. The rest follows from mechanics alone.
"""

from __future__ import annotations

from dataclasses import dataclass

from crashsense.synthesis.frontal.impact import FrontalParameters
from crashsense.synthesis.frontal.severity import crash_kind


@dataclass(frozen=True)
class Check:
    """What a kind of crash was checked against, and between which speeds [km/h].

    ``object_kg``: masses [kg] of a moving obstacle; ``measured``: against a record.
    """

    against: str
    speed_kmh: tuple[float, float]
    object_kg: tuple[float, float] | None = None
    measured: bool = False


#: Kind of crash -> check; a kind that is missing follows from mechanics and memory alone.
CHECKS: dict[str, Check] = {
    "wall": Check(
        "public test 2320 at 57 km/h, predicted from speed and mass; fitted to: public test 10146"
        " at 57 km/h, restitution from memory and matrix times from 10 to 64 km/h",
        (10.0, 64.0),
        measured=True,
    ),
    "slanted wall": Check(
        "impulse and momentum; fitted to: times of matrix rows F12-F14", (32.0, 48.0)
    ),
    "deformable_barrier": Check("nothing but a fit to times of matrix rows F16-F19", (32.0, 64.0)),
    "moving_barrier": Check(
        "mechanics shared with the oblique barrier of public test 8789", (100.0, 100.0)
    ),
    "oblique_barrier": Check(
        "public test 8789, predicted, closing at about 90 km/h, speed and mass assumed; the car"
        " turns too early",
        (80.0, 100.0),
        (2300.0, 2600.0),
        measured=True,
    ),
    "small_overlap": Check("ranges of 21 published tests at 64 km/h", (64.0, 64.0), measured=True),
    "centre_pole": Check("times of matrix rows F24-F26", (29.0, 56.0)),
    "underride": Check("times of matrix rows F28 and F29", (40.0, 56.0)),
    "car": Check("time of matrix row F30", (50.0, 50.0), (1500.0, 1719.0)),
    "animal": Check("momentum of a deer, row F34", (90.0, 90.0), (60.0, 100.0)),
    "large animal": Check(
        "momentum and duration of a moose, row F35", (70.0, 70.0), (400.0, 500.0)
    ),
    "light_object": Check("momentum", (50.0, 50.0), (20.0, 60.0)),
}

#: The vehicle that was held against them.
CAR = "small_car"
#: Masses of the cars whose records the model was held against [kg].
CAR_KG = (1354.0, 1719.0)


def checks_of(parameters: FrontalParameters) -> list[str]:
    """Sentences for the event's card: what was checked, then each number outside of it.

    >>> checks_of(FrontalParameters(obstacle="rigid_wall", speed_kmh=8.0))[-1]
    'Outside what was checked: speed 8 km/h (10 to 64).'
    >>> len(checks_of(FrontalParameters(obstacle="rigid_wall", speed_kmh=56.0)))
    1
    """
    check = CHECKS.get(crash_kind(parameters))
    if check is None:
        return ["Outside what was checked: this obstacle; it follows from mechanics and memory."]
    kind = "" if check.measured else "; nothing measured"
    lines = [f"Checked: {check.against}{kind}."]
    closing = parameters.speed_kmh + parameters.obstacle_speed_kmh
    car = parameters.vehicle_mass_kg or parameters.car().masses.total_kg
    outside = [
        f"{name} {value:g} {unit} ({low:g} to {high:g})" if low < high
        else f"{name} {value:g} {unit} ({low:g})"
        for name, value, unit, limits in (
            ("closing speed" if parameters.obstacle_speed_kmh else "speed", closing, "km/h",
             check.speed_kmh),
            ("mass of the car", car + parameters.payload_kg, "kg", CAR_KG),
            ("mass of what is met", parameters.obstacle_mass_kg, "kg", check.object_kg),
        )
        if value is not None and limits is not None
        for low, high in [limits]
        if not low - 1e-9 <= value <= high + 1e-9
    ]  # fmt: skip
    if parameters.vehicle != CAR:
        outside.append(f"vehicle {parameters.vehicle} ({CAR})")
    if parameters.stiffness_factor != 1.0:
        outside.append(f"stiffness {parameters.stiffness_factor:g} times nominal (assumed)")
    if outside:
        lines.append(f"Outside what was checked: {'; '.join(outside)}.")
    return lines
