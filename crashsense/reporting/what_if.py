"""Data of the page's sliders: scaled thresholds, and other free travel of occupants."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.reporting.words import finite
from crashsense.results.views import DemandChart, MotionView

#: Threshold scales of the what-if slider.
SCALES = np.round(np.arange(0.5, 2.0001, 0.01), 2)

#: Demand that reaches a scale.
_REACHED = SCALES - 1e-12

#: Verdicts whose rows follow the sliders.
JUDGED_VERDICTS = ("on_time", "late", "missed", "early", "held", "inadvertent")

#: Free travels that the slider offers [mm], and points of a way at most.
TRAVELS_MM = (50.0, 300.0)
WAY_POINTS = 40


#: Keys of a row that hold a name; the page has each name once.
_NAMED = ("e", "r", "a", "s", "x")


@dataclass
class WhatIf:
    """Fire time of every required row at every threshold scale of the slider (nominal draw).

    ``flights``: event -> travel of a free occupant around the allowed one, for those whose
    required time comes from it.
    """

    rows: list[dict[str, Any]] = field(default_factory=list)
    flights: dict[str, dict[str, Any]] = field(default_factory=dict)
    left_out: int = 0

    def add(
        self, row: Any, chart: DemandChart, *, not_before_ms: float = 0.0, flies: bool = False
    ) -> None:
        """Add one verdict row with its demand; a rule that must be re-run is counted only."""
        if chart.swept is None:
            self.left_out += 1
            return
        found: dict[str, Any] = {
            "e": row.event,
            "r": row.restraint,
            "a": row.algorithm,
            "s": row.sensor_set,
            "x": row.expectation,
            "f": fire_curve(chart.swept.times_ms, chart.swept.values),
        }
        due = finite(row.required_time_ms)
        if due is not None:
            found["q"] = round(due, 4)
        if not_before_ms:
            found["b"] = round(not_before_ms, 4)
        if flies and row.event in self.flights:
            found["w"] = 1
        self.rows.append(found)

    def add_flight(self, event: str, motion: MotionView | None) -> None:
        """Add the travel of a free occupant, where a required time comes from it."""
        if motion is None or motion.travel is None or motion.free_travel_mm is None:
            return
        way = motion.travel
        wide = (way.values >= 0.6 * TRAVELS_MM[0]) & (way.values <= 1.1 * TRAVELS_MM[1])
        at = np.flatnonzero(wide)
        if at.size < 2:
            return
        at = at[np.unique(np.linspace(0, at.size - 1, WAY_POINTS).astype(int))]
        rising = np.concatenate([[True], np.diff(np.maximum.accumulate(way.values[at])) > 0.0])
        at = at[rising]
        if at.size < 2:
            return
        self.flights[event] = {
            "t": np.round(way.times_ms[at], 3).tolist(),
            "m": np.round(way.values[at], 2).tolist(),
            "d": motion.free_travel_mm,
            "i": motion.inflation_ms or 0.0,
        }

    def json(self) -> str:
        """Rows and flights as JSON that is safe inside a script element."""
        names: dict[str, int] = {}
        rows: list[dict[str, Any]] = [
            {k: names.setdefault(v, len(names)) if k in _NAMED else v for k, v in row.items()}
            for row in self.rows
        ]
        for row in rows:
            row["f"] = packed(row["f"])
        found = {"names": list(names), "rows": rows, "flights": self.flights}
        text = json.dumps(found, separators=(",", ":"), allow_nan=False)
        return text.replace("<", "\\u003c")


def packed(steps: list[list[float]]) -> list[int]:
    """Steps as whole numbers, in hundredths, each the difference from the one before.

    Scale, time, scale, time ...; the page unpacks them.

    >>> packed([[0.6, 1.0], [1.2, 2.5]])
    [60, 100, 60, 150]
    """
    found: list[int] = []
    scale = time = 0
    for step in steps:
        now = round(100.0 * step[0]), round(100.0 * step[1])
        found += [now[0] - scale, now[1] - time]
        scale, time = now
    return found


def flight_time(flight: dict[str, Any], travel_mm: float) -> float:
    """Time [ms] at which the travel reaches *travel_mm*.

    Linear between its points, and beyond them as at the nearest end.

    >>> flight_time({"t": [40.0, 50.0, 60.0], "m": [50.0, 100.0, 160.0]}, 130.0)
    55.0
    >>> flight_time({"t": [40.0, 50.0, 60.0], "m": [50.0, 100.0, 160.0]}, 190.0)
    65.0
    """
    times, way = flight["t"], flight["m"]
    at = 1
    while at < len(way) - 1 and way[at] < travel_mm:
        at += 1
    slope = (times[at] - times[at - 1]) / (way[at] - way[at - 1])
    return float(times[at - 1] + slope * (travel_mm - way[at - 1]))


def required_ms(
    row: dict[str, Any], flight: dict[str, Any] | None, *, travel_mm: float, inflation_ms: float
) -> float:
    """Required time [ms] of a row for another free travel and inflation time.

    The time of the run moves by what the free flight moves, so that agreed extra times and contacts
    stay; a time that does not come from free flight stays.
    """
    due = float(row["q"])
    if flight is None or not row.get("w"):
        return due
    moved = flight_time(flight, travel_mm) - flight_time(flight, flight["d"])
    return due + moved - (inflation_ms - float(flight["i"]))


def fire_curve(times_ms: FloatArray, demand: FloatArray) -> list[list[float]]:
    """Fire time at every scale of :data:`SCALES`, as steps ``[last scale, time]``.

    Scales above the last step never fire. Exact at the scales of the slider.

    >>> fire_curve(np.array([1.0, 2.0]), np.array([0.6, 1.2]))
    [[0.6, 1.0], [1.2, 2.0]]
    >>> fire_curve(np.array([1.0, 2.0]), np.array([0.1, 0.49]))
    []
    """
    if not np.fmax.reduce(demand, initial=0.0) >= _REACHED[0]:  # as most events that must not fire
        return []
    running = np.maximum.accumulate(np.where(np.isnan(demand), 0.0, demand))
    index = np.searchsorted(running, _REACHED, side="left")
    index = index[index < running.size]
    last = np.flatnonzero(np.diff(index, append=-1))  # the last scale that fires at a sample
    steps: list[list[float]] = []
    for scale, time in zip(SCALES[last].tolist(), times_ms[index[last]].tolist(), strict=True):
        rounded = round(time, 2)
        if steps and steps[-1][1] == rounded:
            steps[-1][0] = scale
        else:
            steps.append([scale, rounded])
    return steps
