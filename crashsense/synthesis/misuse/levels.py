"""Levels of misuse and rough road beside the ranges of the trade.

No public measurements of misuse exist; the ranges are from memory of the trade (rows of the event
matrix). A level below its range is a milder setting or a sensor further away; a level above it
would be an error of the model.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from crashsense.synthesis.model import Synthesis
from crashsense.synthesis.recipe import Recipe
from crashsense.units import STANDARD_GRAVITY

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


def _pressure(synthesis: Synthesis) -> float:
    if "door_left_pressure" not in synthesis.signals:
        return np.nan
    return 100.0 * float(synthesis.signals["door_left_pressure"][0].max()) / AMBIENT_PA


@dataclass(frozen=True, eq=False)
class Level:
    """A quantity of a row of the event matrix, and its range from memory of the trade."""

    quantity: str
    unit: str
    low: float
    high: float
    measure: Callable[[Synthesis], float]


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
        Level("side satellite, peak", "g", 20.0, 60.0, _peak("side_left_y")),
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
        levels = LEVELS.get(recipe.matrix, ())
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
                    )
                )
    return sorted(found, key=lambda m: (m.row, m.recipe))


def levels_table(measured: Iterable[Measured]) -> str:
    """A table in Markdown."""
    lines = [
        "# Levels of misuse, rough road and animal strikes",
        "",
        "Nominal draw of each recipe beside the range of its row of the event matrix. The ranges",
        "are from memory of the trade: no public measurements of misuse exist. *below*: a milder",
        "setting, or a sensor far from the struck place (the side satellite sits on the B-pillar,",
        "not in the door). *open*: meant to lie beyond the no-fire range. Synthetic data of one",
        "fictional car; no ground for a decision about a real one.",
        "",
        "| row | recipe | quantity | level | range | place |",
        "|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {m.row} | `{m.recipe}` | {m.quantity} | {m.value:.3g} {m.unit} "
        f"| {m.low:.3g} to {m.high:.3g} | {m.place} |"
        for m in measured
    ]
    return "\n".join(lines) + "\n"
