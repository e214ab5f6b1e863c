"""What a summary says of the sensors of a run: parts by channel, and elements that they come from.

Plain values, so that a page written again later shows them without the files of the sensors.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.channels import CHANNELS
from crashsense.sensing import SensorSet
from crashsense.sensing.element_card import ElementCurves, ElementSection, element_sections
from crashsense.units import STANDARD_GRAVITY

#: Points of a curve of an element at most: as many as a small chart shows.
CURVE_POINTS = 81


def sensor_entries(sensor_sets: Iterable[SensorSet]) -> list[dict[str, Any]]:
    """Return an entry for each sensor set, of plain numbers and words.

    ``channels``: channel, part, range in *unit*, corner of the filter [Hz], total delay [ms] and
    the name of the element; ``elements``: cards and curves, empty without an element.
    """
    return [
        {
            "sensor_set": one.name,
            "title": one.title,
            "channels": [_channel(one, channel) for channel in one.sensors],
            "elements": [_element(section) for section in element_sections(one)],
        }
        for one in sensor_sets
    ]


def _channel(sensor_set: SensorSet, channel: str) -> dict[str, Any]:
    sensor = sensor_set.sensor(channel)
    return {
        "channel": channel,
        "part": sensor.part,
        "range": _short(sensor.range / CHANNELS[channel].file_scale),
        "unit": CHANNELS[channel].file_unit,
        "corner_hz": None if sensor.filter_kind == "none" else sensor.corner_hz,
        "delay_ms": _short(1e3 * sensor_set.delay_s(channel)),
        "element": "" if sensor.element is None else sensor.element.name,
        "faults": [fault.kind for fault in sensor.faults],
    }


def _element(section: ElementSection) -> dict[str, Any]:
    return {
        "name": section.name,
        "title": section.title,
        "channels": list(section.channels),
        "rows": [
            {
                "group": row.group,
                "name": row.name,
                "value": row.shown,
                "unit": row.unit,
                "formula": row.formula,
                "source": row.source,
            }
            for row in section.rows
        ],
        "tolerances": {name: _short(value) for name, value in section.tolerances.items()},
        "basis": dict(section.basis),
        **_curves(section.curves),
    }


def _curves(curves: ElementCurves) -> dict[str, Any]:
    return {
        "load_g": _thin(curves.acceleration / STANDARD_GRAVITY),
        "capacitance_ff": _thin(1e15 * curves.capacitance),
        "hz": _thin(curves.hz),
        "gain": _thin(curves.gain),
        "step_us": _thin(1e6 * curves.times),
        "step": _thin(curves.step),
        "full_scales_g": {
            name: _short(value / STANDARD_GRAVITY) for name, value in curves.scales.items()
        },
    }


def _thin(values: FloatArray) -> list[float]:
    """Evenly chosen values of a smooth curve, the ends among them."""
    at = np.unique(np.linspace(0, values.size - 1, CURVE_POINTS).round().astype(int))
    return [_short(value) for value in values[at].tolist()]


def _short(value: float) -> float:
    return float(f"{value:.5g}")
