"""What if all thresholds were scaled: fire times at every step of the slider."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.reporting.words import finite, restraint_words
from crashsense.results.nominal import DemandChart

FloatArray = npt.NDArray[np.float64]

#: Threshold scales of the what-if slider.
SCALES = np.round(np.arange(0.5, 2.0001, 0.01), 2)


@dataclass
class WhatIf:
    """Fire time of every required row at every threshold scale of the slider (nominal draw)."""

    rows: list[dict[str, Any]] = field(default_factory=list)
    left_out: int = 0

    def add(self, row: Any, chart: DemandChart, *, not_before_ms: float = 0.0) -> None:
        """Add one verdict row with its demand; a rule that must be re-run is counted only."""
        if chart.swept is None:
            self.left_out += 1
            return
        self.rows.append(
            {
                "e": row.event,
                "r": restraint_words(row.restraint),
                "a": row.algorithm,
                "s": row.sensor_set,
                "x": row.expectation,
                "q": finite(row.required_time_ms),
                "b": not_before_ms,
                "f": fire_curve(chart.swept.times_ms, chart.swept.values),
            }
        )

    def json(self) -> str:
        """The rows as JSON that is safe inside a script element."""
        text = json.dumps(self.rows, separators=(",", ":"), allow_nan=False)
        return text.replace("<", "\\u003c")


def fire_curve(times_ms: FloatArray, demand: FloatArray) -> list[list[float]]:
    """Fire time at every scale of :data:`SCALES`, as steps ``[last scale, time]``.

    Scales above the last step never fire. Exact at the scales of the slider.

    >>> fire_curve(np.array([1.0, 2.0]), np.array([0.6, 1.2]))
    [[0.6, 1.0], [1.2, 2.0]]
    """
    running = np.maximum.accumulate(np.nan_to_num(demand, nan=0.0, posinf=1e9))
    index = np.searchsorted(running, SCALES - 1e-12, side="left")
    steps: list[list[float]] = []
    for scale, first in zip(SCALES.tolist(), index.tolist(), strict=True):
        if first >= running.size:
            break
        time = round(float(times_ms[first]), 2)
        if steps and steps[-1][1] == time:
            steps[-1][0] = scale
        else:
            steps.append([scale, time])
    return steps
