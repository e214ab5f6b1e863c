"""What if all thresholds were scaled: fire times at every step of the slider."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.reporting.view import DemandChart
from crashsense.reporting.words import finite, restraint_words

FloatArray = npt.NDArray[np.float64]

#: Threshold scales of the what-if slider.
SCALES = np.round(np.arange(0.5, 2.0001, 0.01), 2)


@dataclass
class WhatIf:
    """Fire time of every required row at every threshold scale of the slider (nominal draw)."""

    rows: list[dict[str, Any]] = field(default_factory=list)

    def add(self, row: Any, chart: DemandChart, *, not_before_ms: float = 0.0) -> None:
        """Add one verdict row with its demand traces."""
        times, demand = effective_demand(chart)
        self.rows.append(
            {
                "e": row.event,
                "r": restraint_words(row.restraint),
                "a": row.algorithm,
                "s": row.sensor_set,
                "x": row.expectation,
                "q": finite(row.required_time_ms),
                "b": not_before_ms,
                "f": fire_curve(times, demand),
            }
        )

    def json(self) -> str:
        """The rows as JSON that is safe inside a script element."""
        text = json.dumps(self.rows, separators=(",", ":"), allow_nan=False)
        return text.replace("<", "\\u003c")


def effective_demand(chart: DemandChart) -> tuple[FloatArray, FloatArray]:
    """Demand whose threshold is scaled: the main branch where the rule is armed, else 0.

    Scaling leaves arming alone. Without arming the total is scaled.
    """
    traces = {trace.name: trace for trace in chart.traces}
    main = traces.get("main", traces["total"])
    if "arming" not in traces:
        return main.times_ms, main.values
    return main.times_ms, np.where(traces["arming"].values >= 1.0, main.values, 0.0)


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
