"""Limits of the checks of a record, at their edges."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from crashsense.records import quality
from crashsense.records.findings import Finding
from crashsense.records.motion import VELOCITY_WINDOW_S, Judged
from crashsense.units import STANDARD_GRAVITY


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


def header_of(closing_kmh: float | None, *speeds_kmh: float | None) -> list[Finding]:
    vehicles = [
        SimpleNamespace(number=number, mass_kg=None, speed_kmh=speed)
        for number, speed in enumerate(speeds_kmh, start=1)
    ]
    record = SimpleNamespace(
        path=SimpleNamespace(name="f"),
        vehicles=vehicles,
        test=SimpleNamespace(closing_speed_kmh=closing_kmh),
    )
    return quality.header(record)


@pytest.mark.parametrize(
    ("closing", "speeds", "told"),
    [
        (50.0, (50.0,), False), (50.0, (-50.0,), False), (50.0, (47.6,), False),
        (50.0, (47.4,), True), (50.0, (52.4,), False), (50.0, (52.6,), True),
        # Two: anything from their difference to their sum, less and more by a twentieth.
        (20.0, (50.0, 30.0), False), (80.0, (50.0, -30.0), False), (19.1, (50.0, 30.0), False),
        (18.9, (50.0, 30.0), True), (84.0, (50.0, 30.0), False), (84.5, (50.0, 30.0), True),
        # Nothing to compare with.
        (None, (50.0,), False), (50.0, (0.0,), False), (50.0, (None, 10.0), False),
        (50.0, (10.0, 10.0, 10.0), False), (50.0, (), False),
    ],
)  # fmt: skip
def test_the_closing_speed_is_that_of_the_vehicles(closing, speeds, told):
    assert bool(header_of(closing, *speeds)) == told


@pytest.mark.parametrize(
    ("rate_hz", "severity"),
    [(8000.0, None), (8000.0 * (1 - 5e-7), None), (7999.0, "warning"), (1000.0, "warning"),
     (999.9, "error")],
)  # fmt: skip
def test_rate_for_class_1000_is_eight_times_its_class(rate_hz, severity):
    found = quality.rate("channel 1", rate_hz, file="f")
    assert [one.severity for one in found] == ([severity] if severity else [])
    assert not found or "8000 Hz or more for class 1000 (8 x FH)" in found[0].expected
    slow = quality.rate("time_s", 1500.0, file="f", wanted_hz=2000.0)
    assert [one.expected for one in slow] == ["2000 Hz or more"]


@pytest.mark.parametrize(
    ("prefilter_hz", "rate_hz", "told"),
    [
        (None, 1e4, []), (5000.0, 1e4, []), (5001.0, 1e4, ["aliasing is possible"]),
        (1000.0, 1e4, []), (999.0, 1e4, ["already filtered: ringing and clipping"]),
        (600.0, 1e3, ["aliasing is possible", "already filtered: ringing and clipping"]),
    ],
)  # fmt: skip
def test_a_prefilter_lies_between_the_class_and_half_the_rate(prefilter_hz, rate_hz, told):
    values = np.zeros(300)
    channel = SimpleNamespace(where="channel 1", prefilter_hz=prefilter_hz, rating=None)
    judged = Judged(values, rate_hz, -0.05, 0.0, ())
    found = [f for f in quality.sampling(channel, judged, file="f") if "prefilter" in f.field]
    assert [f.note[: len(words)] for f, words in zip(found, told, strict=True)] == told


@pytest.mark.parametrize(("peak_g", "told"), [(100.05, False), (100.15, True), (-100.15, True)])
def test_values_stay_within_the_range_of_the_instrument(peak_g, told):
    """To a thousandth, the offset that was taken off added again."""
    values = np.zeros(300)
    values[100] = (peak_g - 0.5) * STANDARD_GRAVITY
    judged = Judged(values, 1e4, -0.05, 0.5 * STANDARD_GRAVITY, ())
    channel = SimpleNamespace(where="channel 1", rating=100.0)
    found = [f for f in quality.peaks(channel, judged, file="f") if "instrument" in f.expected]
    assert bool(found) == told


@pytest.mark.parametrize(("status", "redundant", "severities"), [
    ("AM", False, []), ("CF", False, ["warning"]), ("ZZ", False, ["warning"]),
    ("AM", True, ["info"]), ("ZZ", True, ["warning", "info"]),
])  # fmt: skip
def test_flags_of_a_channel_that_is_used(status, redundant, severities):
    channel = SimpleNamespace(where="channel 1", status=status, redundant=redundant)
    record = SimpleNamespace(path=SimpleNamespace(name="f"))
    assert [one.severity for one in quality.status(record, channel)] == severities


@pytest.mark.parametrize(
    ("size", "step_s", "last_s", "check"),
    [
        (99, 1e-4, None, "number of samples"), (100, 1e-4, None, ""), (200, 0.00499, None, ""),
        (200, 0.0051, None, "time step"), (200, 0.9e-7, 0.1, "time step"),
        (200, 1e-4, 0.0051, ""), (200, 1e-4, 0.0049, "length"),
    ],
)  # fmt: skip
def test_times_that_a_crash_has(size, step_s, last_s, check):
    times = (np.arange(size) - size // 4) * step_s
    if last_s is not None:
        times += last_s - times[-1]
    samples = SimpleNamespace(times_s=times, values=np.zeros(size), file="f")
    channel = SimpleNamespace(where="channel 1", points=None, step_s=None, first_point=None)
    found = quality.integrity(SimpleNamespace(), channel, samples)
    assert [one.check for one in found] == ([check] if check else [])
