"""What a summary says of sensors, against the sensors."""

from __future__ import annotations

from dataclasses import replace

import pytest

from crashsense.channels import CHANNELS
from crashsense.results.sensor_entries import sensor_entries
from crashsense.sensing import load_sensor_set


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
