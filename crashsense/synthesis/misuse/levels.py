"""Levels of misuse and rough road beside the ranges of the trade.

No public measurements of misuse exist; the ranges are from memory of the trade (rows of the event
matrix). A level below its range is a milder setting than the row's range is meant for, and the
recipe's notes say why; a level above it would be an error of the model. Where a row's own words
exclude an event from its range, the range is a closed form, and ``basis`` says so:

* a hump longer than a row's pulse (:func:`long_hump_range`);
* a mallet whose rubber face lasts longer than the row's hammers (:func:`rubber_range_g`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.synthesis.model import Synthesis
from crashsense.synthesis.recipe import Recipe
from crashsense.units import STANDARD_GRAVITY

if TYPE_CHECKING:
    from crashsense.synthesis.misuse.blows import HardBlow
    from crashsense.synthesis.road.vehicle import Ride

#: Ambient pressure [Pa] to which pressure levels relate.
AMBIENT_PA = 101325.0


def _peak(*channels: str) -> Callable[[Synthesis], float]:
    def measure(synthesis: Synthesis) -> float:
        found = [synthesis.signals[name][0] for name in channels if name in synthesis.signals]
        return max((float(np.abs(samples).max()) for samples in found), default=0.0) / (
            STANDARD_GRAVITY
        )

    return measure


def _fact(name: str, scale: float = 1.0) -> Callable[[Synthesis], float]:
    def measure(synthesis: Synthesis) -> float:
        return abs(float(synthesis.facts[name][0])) / scale if name in synthesis.facts else np.nan

    return measure


def _lost(synthesis: Synthesis) -> float:
    """Largest forward speed lost [m/s], rigid body."""
    if synthesis.cabin_x is None:
        return np.nan
    return float(-np.cumsum(synthesis.cabin_x[0]).min() / synthesis.rate_hz)


def _mean_level(synthesis: Synthesis) -> float:
    """Largest mean deceleration over half a second [g], rigid body."""
    if synthesis.cabin_x is None:
        return np.nan
    width = round(0.5 * synthesis.rate_hz)
    total = np.cumsum(synthesis.cabin_x[0])
    return float(-(total[width:] - total[:-width]).min() / width / STANDARD_GRAVITY)


def _mean_5_ms(synthesis: Synthesis) -> float:
    """Peak of the 5 ms moving mean of central x [g]."""
    width = round(0.005 * synthesis.rate_hz)
    total = np.cumsum(synthesis.signals["central_x"][0])
    return float(np.abs(total[width:] - total[:-width]).max() / width / STANDARD_GRAVITY)


def _late_velocity(synthesis: Synthesis) -> float:
    """Largest mean over the last 10 ms of the integrated central signals [m/s]."""
    width = round(0.010 * synthesis.rate_hz)
    speeds = [
        np.cumsum(samples[0])[-width:].mean() / synthesis.rate_hz
        for name, samples in synthesis.signals.items()
        if name.startswith("central_") and name != "central_roll_rate"
    ]
    return float(np.abs(speeds).max())


def _struck_satellite(synthesis: Synthesis) -> float:
    """Peak [g] where a satellite near the blow would sit.

    A door's inner panel where its skin is struck: the library's own satellite sits on the B-pillar
    and feels little of that. The satellite itself where the pillar is struck.
    """
    if "inner_panel_peak_m_s2" in synthesis.facts:
        return float(synthesis.facts["inner_panel_peak_m_s2"][0]) / STANDARD_GRAVITY
    return _peak("side_left_y")(synthesis)


def _pressure(synthesis: Synthesis) -> float:
    if "door_left_pressure" not in synthesis.signals:
        return np.nan
    return 100.0 * float(synthesis.signals["door_left_pressure"][0].max()) / AMBIENT_PA


@dataclass(frozen=True, eq=False)
class Level:
    """A quantity of a row of the event matrix, its range, and where the range is from."""

    quantity: str
    unit: str
    low: float
    high: float
    measure: Callable[[Synthesis], float]
    basis: str = "memory"


#: Row of the event matrix -> what is measured and its range (all from memory).
LEVELS: dict[str, tuple[Level, ...]] = {
    "M01": (Level("deceleration, mean over 0.5 s", "g", 1.0, 1.2, _mean_level),),
    "M02": (
        Level("central x, peak", "g", 3.0, 15.0, _peak("central_x")),
        Level("speed lost", "m/s", 0.5, 1.5, _lost),
    ),
    "M03": (Level("central y, peak", "g", 5.0, 20.0, _peak("central_y")),),
    "M04": (
        Level("central x, peak", "g", 5.0, 15.0, _peak("central_x")),
        Level("central z, peak", "g", 5.0, 20.0, _peak("central_z")),
    ),
    "M05": (Level("central x or z, peak", "g", 2.0, 8.0, _peak("central_x", "central_z")),),
    "M06": (
        Level("central z, peak", "g", 5.0, 15.0, _peak("central_z")),
        Level("central x, peak", "g", 2.0, 5.0, _peak("central_x")),
    ),
    "M07": (
        Level("central x, peak", "g", 20.0, 80.0, _peak("central_x")),
        Level("velocity change", "m/s", 0.8, 2.5, _fact("velocity_change_m_s")),
    ),
    "M08": (
        Level("struck place, peak", "g", 50.0, 400.0, _fact("place_peak_m_s2", STANDARD_GRAVITY)),
        Level("central velocity, last 10 ms", "m/s", 0.0, 0.3, _late_velocity),
    ),
    "M09": (
        Level("side satellite, peak", "g", 20.0, 80.0, _peak("side_left_y")),
        Level("door pressure, peak", "%", 1.0, 3.0, _pressure),
    ),
    "M10": (
        Level("satellite at the struck place, peak", "g", 20.0, 60.0, _struck_satellite),
        Level("door pressure, peak", "%", 1.0, 4.0, _pressure),
    ),
    "M12": (
        Level(
            "any location, peak",
            "g",
            1.0,
            6.0,
            _peak("central_x", "central_y", "side_left_y", "upfront_left_x", "upfront_right_x"),
        ),
    ),
    "F34": (
        Level("velocity change", "m/s", 3.0 / 3.6, 5.0 / 3.6, _fact("velocity_change_m_s")),
        Level("central x, peak", "g", 5.0, 10.0, _peak("central_x")),
    ),
    "F35": (
        Level("velocity change", "m/s", 12.0 / 3.6, 18.0 / 3.6, _fact("velocity_change_m_s")),
        Level("central x, 5 ms mean", "g", 4.0, 8.0, _mean_5_ms),
    ),
}

#: Longest obstacle [m] whose pulse lasts no more than the 60 ms of row M06, at its 70 km/h.
LONGEST_HUMP_M = 0.060 * 70.0 / 3.6
#: Masses [kg] and speeds [m/s] of the hammers of row M08, least and most (memory).
HAMMERS = ((1.0, 2.0), (3.0, 5.0))


def long_hump_range(
    ride: Ride, *, speed_m_s: float, height_m: float, length_m: float
) -> tuple[float, float]:
    """Least and most z [g] of a car over a round hump that is long against its pulse.

    The road rises with v = V tan(entry), tan(entry) = (L / 2) / (R - h). Least: the front dampers
    alone push the body, 2 c(v) / M. Most: the front corner meets bump stop (at its first length)
    and tyre in series at that speed, v sqrt(k / m).

    >>> from crashsense.synthesis.road.vehicle import load_ride, ride_path
    >>> ride = load_ride(str(ride_path("small_car_ride", near=None)))
    >>> low, high = long_hump_range(ride, speed_m_s=40 / 3.6, height_m=0.075, length_m=3.7)
    >>> round(low, 2), round(high, 1)
    (0.11, 1.7)
    """
    half = 0.5 * length_m
    radius = (half**2 + height_m**2) / (2.0 * height_m)
    rise = speed_m_s * half / (radius - height_m)
    body = ride.mass_kg - 2.0 * sum(ride.wheel_mass_kg)
    knee = ride.damper_knee_m_per_s
    slow = min(rise, knee) + ride.damper_fall * max(rise - knee, 0.0)
    least = 2.0 * ride.damper_bump_n_s_per_m[0] * slow / body
    stop, tyre = 2.0 * ride.stop_stiffness_n_per_m, ride.tyre_stiffness_n_per_m
    corner = 0.5 * ride.front_axle_load_share * body
    most = rise * (stop * tyre / (stop + tyre) / corner) ** 0.5
    return least / STANDARD_GRAVITY, most / STANDARD_GRAVITY


def rubber_range_g(blow: HardBlow) -> tuple[float, float]:
    """Least and most peak [g] of the struck place under a rubber face of the row's hammers.

    Hertz, elastic, over the local mass: :func:`crashsense.synthesis.misuse.contact.contact_peak`.
    """
    from crashsense.synthesis.misuse.contact import (
        MATERIALS,
        contact_peak,
        effective_modulus,
        hertz_stiffness,
    )
    from crashsense.synthesis.misuse.structure import find_place

    place = find_place(blow.loaded(), blow.place)
    assert place.sheet is not None  # checked with the recipe
    modulus = effective_modulus(MATERIALS[blow.striker_material], MATERIALS[place.sheet.material])
    stiffness = hertz_stiffness(modulus, radius_m=1e-3 * blow.striker_radius_mm)
    local = place.local_mass_kg
    least, most = (
        contact_peak(mass * local / (mass + local), stiffness=stiffness, speed_m_s=speed)
        / (local * STANDARD_GRAVITY)
        for mass, speed in HAMMERS
    )
    return float(least), float(most)


def levels_of(recipe: Recipe) -> tuple[Level, ...]:
    """What is measured of a recipe: the levels of its row, or the closed form that replaces one."""
    row = LEVELS.get(recipe.matrix, ())
    own: Any = recipe.parameters
    model = recipe.model.name
    if row and model == "road_hump" and own.length_m > LONGEST_HUMP_M:
        from crashsense.synthesis.road.vehicle import load_ride, ride_path

        low, high = long_hump_range(
            load_ride(str(ride_path(own.vehicle, near=None))),
            speed_m_s=own.speed_kmh / 3.6,
            height_m=1e-3 * own.height_mm,
            length_m=own.length_m,
        )
        return (Level(row[0].quantity, "g", low, high, row[0].measure, "dampers to bump stop"),)
    if row and model == "hard_blow" and own.striker_material == "hard_rubber":
        low, high = rubber_range_g(own)
        first = Level(row[0].quantity, "g", low, high, row[0].measure, "rubber face, Hertz")
        return (first, *row[1:])
    return row


#: Anchored block and the like: made to lie beyond the range of the no-fire row.
BEYOND = ("undercarriage_anchored",)


@dataclass(frozen=True)
class Measured:
    """One level of one recipe beside its range."""

    row: str
    recipe: str
    quantity: str
    unit: str
    value: float
    low: float
    high: float
    basis: str = "memory"
    #: notes of the recipe: they say why a level lies below its range
    notes: str = ""

    @property
    def place(self) -> str:
        """``within``, ``below``, ``above`` or ``open`` (meant to lie beyond the range)."""
        if self.recipe.startswith(BEYOND):
            return "open"
        if self.value < self.low:
            return "below"
        return "above" if self.value > self.high else "within"


def measure_levels(recipes: Iterable[Recipe]) -> list[Measured]:
    """Measure every recipe whose row has ranges, nominal draw, in the order of the matrix."""
    found: list[Measured] = []
    for recipe in recipes:
        levels = levels_of(recipe)
        if not levels:
            continue
        synthesis = recipe.nominal_synthesis()
        for level in levels:
            value = level.measure(synthesis)
            # A location that is quiet in the event has no level.
            if np.isfinite(value) and (value > 0.0 or level.low == 0.0):
                found.append(
                    Measured(
                        recipe.matrix,
                        recipe.name,
                        level.quantity,
                        level.unit,
                        value,
                        level.low,
                        level.high,
                        level.basis,
                        recipe.notes,
                    )
                )
    return sorted(found, key=lambda m: (m.row, m.recipe))


def levels_table(measured: Iterable[Measured]) -> str:
    """A table in Markdown, and for each recipe below a range the reason that it states."""
    measured = list(measured)
    lines = [
        "# Levels of misuse, rough road and animal strikes",
        "",
        "Nominal draw of each recipe beside the range of its row of the event matrix. The ranges",
        "are from memory of the trade, as no public measurements of misuse exist, or a closed form",
        "where the row's own words exclude the event (a hump longer than its pulse, a rubber face",
        "softer than its hammers). *below*: the reason stands after the table. *open*: meant to",
        "lie beyond the no-fire range. *Satellite at the struck place*: the inner panel of a",
        "struck door; the library's own satellite sits on the B-pillar and feels less. Synthetic",
        "data of one fictional car; no ground for a decision about a real one.",
        "",
        "| row | recipe | quantity | level | range | range from | place |",
        "|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {m.row} | `{m.recipe}` | {m.quantity} | {m.value:.3g} {m.unit} "
        f"| {m.low:.3g} to {m.high:.3g} | {m.basis} | {m.place} |"
        for m in measured
    ]
    below = {m.recipe: m.notes for m in measured if m.place == "below"}
    if below:
        lines += ["", "## Why a level lies below its range", ""]
        lines += [f"- `{name}`: {why or 'the recipe does not say.'}" for name, why in below.items()]
    return "\n".join(lines) + "\n"
