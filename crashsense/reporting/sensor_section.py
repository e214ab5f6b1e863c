"""The sensors of a run on its page: parts by channel, and the element that a part comes from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from crashsense.plotting import BLUE, GREY, INK
from crashsense.reporting import svg

#: Size of the three small charts of an element.
WIDTH, HEIGHT = 380.0, 220.0


def element_charts(element: Mapping[str, Any]) -> list[str]:
    """Return charts of capacitance over acceleration, frequency response and step response."""
    name = element["name"]
    load, farads = (np.array(element[key]) for key in ("load_g", "capacitance_ff"))
    hz, gain = (np.log10(np.array(element[key])) for key in ("hz", "gain"))
    times, step = (np.array(element[key]) for key in ("step_us", "step"))
    middle = load.size // 2
    slope = (farads[middle + 1] - farads[middle - 1]) / (load[middle + 1] - load[middle - 1])
    scales: Mapping[str, float] = element["full_scales_g"]
    marks = [
        svg.Mark(f"by {what} {value:.4g} g", value, INK, "5 3")
        for what, value in scales.items()
        if value <= load[-1]
    ]

    def small(lines: list[svg.Line], label: str, **about: Any) -> str:
        x = lines[0].x
        return svg.line_chart(
            lines,
            label=f"{name}: {label}",
            x_range=(float(x[0]), float(x[-1])),
            width=WIDTH,
            height=HEIGHT,
            **about,
        )

    return [
        small(
            [
                svg.Line("element", load, farads, BLUE, 1.8),
                svg.Line("linear", load, slope * load, GREY, 1.2, "4 3"),
            ],
            "change of capacitance over acceleration, with its full scales",
            x_label="acceleration [g]",
            y_label="change of capacitance [fF]",
            marks=marks,
        ),
        small(
            [svg.Line("element", hz, gain, BLUE, 1.8)],
            "frequency response",
            x_label="frequency [Hz]",
            y_label="frequency response [-]",
            levels=[("−3 dB", float(np.log10(0.5) / 2.0))],
            decades=True,
        ),
        small(
            [svg.Line("element", times, step, BLUE, 1.8)],
            "step response",
            x_label="time [µs]",
            y_label="step response [-]",
            levels=[("end value", 1.0)],
        ),
    ]


def sensor_parts(entries: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return the section of each sensor set: rows by channel, elements with charts."""
    return [
        {
            **entry,
            "elements": [
                {**element, "charts": element_charts(element), "groups": _groups(element["rows"])}
                for element in entry["elements"]
            ],
            "has_element": any(channel["element"] for channel in entry["channels"]),
        }
        for entry in entries
    ]


def _groups(rows: Sequence[Mapping[str, str]]) -> list[tuple[str, list[Mapping[str, str]]]]:
    found: dict[str, list[Mapping[str, str]]] = {}
    for row in rows:
        found.setdefault(row["group"], []).append(row)
    return list(found.items())
