"""Units of files by a library's table, and what a channel code says, letter by letter."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import constants

from crashsense.channels import CHANNELS
from crashsense.records.series import CLASS_CORNER_HZ, Series, channel_info
from crashsense.records.units import acceleration_scale, scale_to, time_scale

SPELLINGS = {
    "central_x": {
        "g": constants.g, "G'S": constants.g, "gn": constants.g, "m/s^2": 1.0, "M/S**2": 1.0,
        "m/s²": 1.0, "m/sec2": 1.0, "MPS2": 1.0, "meter per second squared": 1.0, "mm/s^2": None,
        "mg": None, "N": None, "": None,
    },
    "central_roll_rate": {
        "rad/s": 1.0, "RAD/SEC": 1.0, "deg/s": constants.degree, "°/s": constants.degree,
        "dps": constants.degree, "deg/sec": constants.degree, "rpm": None, "g": None,
    },
    "door_left_pressure": {
        "Pa": 1.0, "hPa": constants.hecto, "kPa": constants.kilo, "mbar": constants.milli * 1e5,
        "bar": constants.bar, "MPa": constants.mega, "psi": None, "g": None,
    },
}  # fmt: skip


@pytest.mark.parametrize(
    ("name", "unit", "si"),
    [(name, unit, si) for name, units in SPELLINGS.items() for unit, si in units.items()],
)
def test_a_spelling_of_a_unit_by_its_value_in_si(name: str, unit: str, si: float | None) -> None:
    channel = CHANNELS[name]
    # What one of the file's unit is in the channel's: g, deg/s, kPa.
    own = {"m/s^2": constants.g, "rad/s": constants.degree, "Pa": constants.kilo}[channel.unit]
    found = scale_to(unit, channel)
    assert found == (None if si is None else pytest.approx(si / own, rel=1e-15))
    if name == "central_x":
        assert acceleration_scale(unit) == si


@pytest.mark.parametrize(
    ("unit", "seconds"),
    [("SEC", 1.0), ("s", 1.0), ("", 1.0), ("msec", 1e-3), ("Milliseconds", 1e-3), ("us", None)],
)
def test_units_of_time(unit: str, seconds: float | None) -> None:
    assert time_scale(unit) == seconds


def test_corner_of_a_filter_class() -> None:
    """SAE J211: the corner of class 1000 is 1650 Hz, of the others 5/3 of the class."""
    for letters, corner in (
        ("AE", 1650.0), ("BF", 600 * 5 / 3), ("CG", 180 * 5 / 3), ("DH", 60 * 5 / 3),
    ):  # fmt: skip
        assert [CLASS_CORNER_HZ[letter] for letter in letters] == pytest.approx([corner] * 2)


def series(name: str, *, unit: str = "g", words: str = "", first: float = -0.02) -> Series:
    times = first + np.arange(101) * 1e-3
    return Series(name, unit, times, np.zeros(101), words)


def test_a_code_says_object_place_axis_class_and_redundancy() -> None:
    found = channel_info(series("11CHST0000H3ACXC", words="upper"), 7)
    assert (found.number, found.vehicle, found.occupant, found.sensor) == (7, 1, "1", "AC")
    assert (found.attachment, found.axis, found.prefilter_hz) == ("CHST0000", "X", 300.0)
    assert found.words == "UPPER"
    assert not found.redundant
    body = channel_info(series("20SILLLE00RDACYA"), 1)
    assert (body.vehicle, body.occupant, body.axis) == (2, "", "Y")
    assert body.redundant
    # An object that is no number is none of the vehicles; axes may be numbered.
    barrier = channel_info(series("B0BARR000000FO1P"), 1)
    assert (barrier.vehicle, barrier.axis, barrier.prefilter_hz) == (0, "X", None)
    for digit, letter in zip("123", "XYZ", strict=True):
        assert channel_info(series(f"10VEHCCG0000AC{digit}A"), 1).axis == letter


def test_a_name_that_is_no_code_is_words() -> None:
    found = channel_info(series("left_rear_sill x", unit="m/s^2", words="  tested "), 3)
    assert (found.vehicle, found.sensor, found.axis, found.attachment) == (1, "AC", "", "")
    assert found.words == "LEFT REAR SILL X TESTED"
    assert channel_info(series("force", unit="N"), 3).sensor == "OTHER"


def test_places_of_samples_count_from_time_zero() -> None:
    found = channel_info(series("sill"), 1)
    assert found.step_s == pytest.approx(1e-3)
    assert (found.first_point, found.last_point, found.points) == (-20, 80, 101)
    empty = channel_info(Series("sill", "g", np.zeros(0), np.zeros(0)), 1)
    assert (empty.step_s, empty.first_point, empty.last_point, empty.points) == (None,) * 4
    still = channel_info(Series("sill", "g", np.zeros(5), np.zeros(5)), 1)
    assert (still.step_s, still.first_point) == (None, None)
