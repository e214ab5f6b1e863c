"""Limits of the checks of a record, at their edges."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from crashsense.records import quality
from crashsense.records.motion import VELOCITY_WINDOW_S


@pytest.mark.parametrize("rate_hz", [500.0, 8192.0, 9600.0, 12_000.0, 12_345.0, 20_000.0, 51_200.0])
def test_a_time_column_of_six_decimals_gives_back_its_rate(rate_hz):
    times = np.round(np.arange(4000) / rate_hz, 6)
    assert quality.step_of(times) == 1.0 / rate_hz


@pytest.mark.parametrize("tenths_us", [3, 7, 1234, 50_001])
def test_a_step_of_whole_tenths_of_a_microsecond_comes_back(tenths_us):
    """Where no whole rate gives it: the number that the file's writer had."""
    times = np.arange(4000) * (tenths_us * 1e-7)
    assert quality.step_of(times) == pytest.approx(tenths_us * 1e-7, rel=1e-12)


def test_another_step_is_rounded_to_a_nanosecond():
    step = 1.0 / 12_345.5
    found = quality.step_of(np.arange(400_000) * step)
    assert found * 1e9 == pytest.approx(round(step * 1e9), abs=1e-6)


@pytest.mark.parametrize(("mass_kg", "refused"), [
    (299.9, True), (300.0, False), (40_000.0, False), (40_000.1, True), (None, False),
])  # fmt: skip
def test_a_mass_is_that_of_a_vehicle(mass_kg, refused):
    vehicle = SimpleNamespace(number=1, mass_kg=mass_kg, speed_kmh=None)
    record = SimpleNamespace(
        path=SimpleNamespace(name="f"), vehicles=[vehicle],
        test=SimpleNamespace(closing_speed_kmh=None),
    )  # fmt: skip
    found = [one for one in quality.header(record) if "mass" in str(one)]
    assert len(found) == refused


@pytest.mark.parametrize(
    ("end_s", "flight_s", "change_m_s", "told"),
    [
        (0.1, 0.1, -10.0, "warning"),  # reached at the last sample; the window is not full
        (VELOCITY_WINDOW_S, 0.1, -10.0, None),
        (VELOCITY_WINDOW_S - 5e-5, 0.1, -10.0, None),  # half a sample of 10 kHz is no lack
        (0.1, 0.1001, -10.0, "error"),  # not reached, hard and short
        (0.1, np.nan, -10.0, "error"),
        (0.1, np.nan, -8.0 / 3.6, "error"),  # from 8 km/h on it is hard
        (0.1, np.nan, -2.0, "warning"),
        (VELOCITY_WINDOW_S - 5e-5, np.nan, -10.0, "warning"),
    ],
)
def test_a_record_is_long_enough_if_free_flight_ends_in_it(end_s, flight_s, change_m_s, told):
    found = []
    quality._check_length(
        SimpleNamespace(end_s=end_s, free_flight_s=flight_s, velocity_change_m_s=change_m_s),
        lambda severity, *rest: found.append(severity),
    )
    assert found == ([told] if told else [])


@pytest.mark.parametrize(("count", "words"), [(1, "the only one"), (2, "2 such values")])
def test_numbers_that_are_none_are_counted(count, words):
    values = np.zeros(200)
    values[50 : 50 + count] = np.nan
    times = np.arange(200) * 1e-4 - 0.01
    samples = SimpleNamespace(times_s=times, values=values, file="f")
    channel = SimpleNamespace(where="channel 1", points=None, step_s=None, first_point=None)
    found = [str(one) for one in quality.integrity(SimpleNamespace(), channel, samples)]
    assert any("sample 51" in line and words in line for line in found)
