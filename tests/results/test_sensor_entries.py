"""What a summary says of sensors, against the sensors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crashsense.channels import CHANNELS
from crashsense.results.sensor_entries import CURVE_POINTS, _curves, _thin, sensor_entries
from crashsense.sensing import load_sensor_set
from crashsense.sensing.element_card import ElementCurves

G = 9.80665


def test_a_channel_is_told_in_the_unit_of_files_and_its_corner_only_where_there_is_a_filter():
    standard = load_sensor_set("standard")
    name = "central_x"
    plain = replace(standard.sensor(name), filter_kind="none")
    without = replace(standard, name="without", sensors={**standard.sensors, name: plain})
    for one, entry in zip((standard, without), sensor_entries([standard, without]), strict=True):
        assert (entry["sensor_set"], entry["title"]) == (one.name, one.title)
        assert [row["channel"] for row in entry["channels"]] == list(one.sensors)
        for row in entry["channels"]:
            sensor, card = one.sensor(row["channel"]), CHANNELS[row["channel"]]
            assert row["unit"] == card.file_unit
            assert row["range"] * card.file_scale == pytest.approx(sensor.range, rel=1e-4)
            assert row["delay_ms"] == pytest.approx(1e3 * one.delay_s(row["channel"]), rel=1e-4)
            filtered = sensor.filter_kind != "none"
            assert row["corner_hz"] == (sensor.corner_hz if filtered else None)
    told = sensor_entries([without])[0]["channels"]
    assert [row["channel"] for row in told if row["corner_hz"] is None] == [name]


@pytest.mark.parametrize("size", [1, 2, CURVE_POINTS - 1, CURVE_POINTS, CURVE_POINTS + 1, 200])
def test_a_curve_keeps_its_ends_and_points_at_even_steps(size: int) -> None:
    chosen = np.array(_thin(np.arange(float(size))))
    assert chosen.size == min(size, CURVE_POINTS)
    assert (chosen[0], chosen[-1]) == (0, size - 1)
    steps = np.diff(chosen)
    assert steps.size == 0 or steps.max() - steps.min() <= 1


def test_curves_of_an_element_are_told_in_the_units_of_their_keys() -> None:
    curves = ElementCurves(
        acceleration=np.array([-G, G]), deflection=np.array([-1e-9, 1e-9]),
        capacitance=np.array([1e-15, 2e-15]), hz=np.array([10.0, 2e4]), gain=np.array([1.0, 0.7]),
        times=np.array([0.0, 1e-6]), step=np.array([0.0, 1.0]), scales={"gap": 50.0 * G},
        package_hz=2e4,
    )  # fmt: skip
    assert _curves(curves) == {
        "load_g": [-1.0, 1.0], "capacitance_ff": [1.0, 2.0], "hz": [10.0, 20000.0],
        "gain": [1.0, 0.7], "step_us": [0.0, 1.0], "step": [0.0, 1.0],
        "full_scales_g": {"gap": 50.0},
    }  # fmt: skip
