"""Front sensors of records: found by words and codes, checked against the cell, left out if odd."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from exchange_writer import WrittenChannel, pulse_g, wall

import crashsense
from crashsense.records import read_record
from crashsense.records.writing import write_iso13499

CELL = pulse_g(-55.0)
#: The front stops within 40 ms, and rings more; a live channel is never still.
FRONT = pulse_g(-58.0, duration_s=0.04, ringing_g=20.0)
FRONT = FRONT + np.random.default_rng(1).normal(0.0, 0.2, FRONT.size)


def record(*front: WrittenChannel):
    whole = wall()
    sill = WrittenChannel(1, CELL, "LEFT REAR SILL X")
    return replace(whole, channels=[sill, *front])


@pytest.mark.parametrize(
    ("words", "attachment", "name"),
    [
        ("RADIATOR SUPPORT LEFT X", "OTHR", "upfront_left_x"),
        ("RIGHT UPFRONT SENSOR X", "OTHR", "upfront_right_x"),
        ("X", "RACMLE", "upfront_left_x"),
    ],
)
def test_words_and_codes_name_a_front_sensor(tmp_path, words, attachment, name) -> None:
    front = WrittenChannel(2, FRONT, words, attachment=attachment)
    (event,) = read_record(record(front).write(tmp_path))
    assert {n for n in event.signals if n.startswith("upfront")} == {name}
    # As it measured, its offset taken off.
    expected = FRONT - np.mean(FRONT[:400])
    np.testing.assert_allclose(event.signals[name].samples / 9.80665, expected, atol=0.5)


@pytest.mark.parametrize(
    ("values", "told"),
    [
        (-FRONT, "sign looks flipped"),
        (FRONT / 9.80665, "another unit"),
        (FRONT[:700], ""),  # it ends early: never padded
        (None, ""),
    ],
)
def test_one_that_is_not_what_a_front_does_stays_out(tmp_path, values, told) -> None:
    front = WrittenChannel(2, values, "RADIATOR SUPPORT LEFT X")
    good = WrittenChannel(3, FRONT, "RADIATOR SUPPORT RIGHT X")
    (event,) = read_record(record(front, good).write(tmp_path))
    assert "upfront_left_x" not in event.signals
    assert "upfront_right_x" in event.signals
    said = " ".join(map(str, event.metadata["findings"]))
    assert told in said


def test_one_in_the_middle_and_a_rear_impact_name_none(tmp_path) -> None:
    middle = WrittenChannel(2, FRONT, "RADIATOR SUPPORT CENTER X")
    (event,) = read_record(record(middle).write(tmp_path / "middle"))
    assert not any(name.startswith("upfront") for name in event.signals)


def test_front_sensors_survive_iso_13499(tmp_path) -> None:
    (event,) = crashsense.load_events(["wall_full_32"])
    write_iso13499(event, tmp_path / "wall.zip")
    (again,) = read_record(tmp_path / "wall.zip")
    for name in ("upfront_left_x", "upfront_right_x"):
        one, two = event.signals[name], again.signals[name]
        span = min(one.end_s, two.end_s)
        a, b = (signal.between(0.0, span).samples for signal in (one, two))
        np.testing.assert_allclose(b, a, atol=0.5)


def test_one_that_cannot_be_read_stays_out_with_the_reason(tmp_path) -> None:
    front = WrittenChannel(2, FRONT, "RADIATOR SUPPORT LEFT X", time_unit="FORTNIGHT")
    (event,) = read_record(record(front).write(tmp_path))
    assert "upfront_left_x" not in event.signals
    (found,) = [f for f in event.metadata["findings"] if f.check == "front sensor"]
    assert found.note == "fails the check; left out"
