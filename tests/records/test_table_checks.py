"""Columns of a table against each other: each check is provoked, and silent on a sound table."""

from __future__ import annotations

import numpy as np
import pytest
from rough_pulse import rough_g
from table_writer import write

from crashsense.records import check_record, read_record

STAGE_1 = "front_airbag_stage_1"
TIMES = (np.arange(3001) - 500) / 1e4
FRONTAL = {
    "time_s": TIMES,
    "central_x_g": rough_g(-50.0),
    "central_y_g": rough_g(-2.0, seed=2),
    # The front stops within 40 ms.
    "upfront_left_x_g": rough_g(-55.0, duration_s=0.04, ringing_g=20.0, seed=3),
    "upfront_right_x_g": rough_g(-55.0, duration_s=0.04, ringing_g=20.0, seed=4),
}
SIDE = {
    "time_s": TIMES,
    "central_x_g": rough_g(-1.0, seed=5),
    "central_y_g": rough_g(20.0, duration_s=0.06, seed=6),
    "side_left_y_g": rough_g(30.0, duration_s=0.03, ringing_g=30.0, seed=7),
    "side_right_y_g": rough_g(20.0, duration_s=0.06, seed=8),
}
STRUCK_LEFT = ["family: side", "side_airbag_left: fire by 8 ms"]


def warnings(path, **wishes):
    return [f for f in check_record(path, **wishes) if f.severity == "warning"]


def test_sound_tables_pass(tmp_path):
    assert warnings(write(tmp_path / "f.csv", FRONTAL, stated=["family: frontal"])) == []
    assert warnings(write(tmp_path / "s.csv", SIDE, stated=STRUCK_LEFT)) == []


@pytest.mark.parametrize(
    ("column", "change", "told"),
    [
        ("upfront_left_x_g", lambda v: -v, "sign looks flipped"),
        ("upfront_right_x_g", lambda v: v * 9.80665, "looks like m/s^2 given as g"),
        ("upfront_right_x_g", lambda v: v / 9.80665, "is it in another unit"),
        ("central_y_g", lambda v: v * 40.0, "axes look swapped"),
        ("central_x_g", np.round, "coarser"),
    ],
)
def test_a_frontal_column_that_does_not_fit(tmp_path, column, change, told):
    table = {**FRONTAL, column: change(np.asarray(FRONTAL[column]))}
    found = warnings(write(tmp_path / "f.csv", table, stated=["family: frontal"]))
    assert [f for f in found if told in f.note and column in f.field], [str(f) for f in found]


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ({"side_left_y_g": -np.asarray(SIDE["side_left_y_g"])}, "sign looks flipped"),
        ({"side_left_y_g": np.asarray(SIDE["side_left_y_g"]) * 9.80665}, "m/s^2 given as g"),
        (
            {"side_left_y_g": SIDE["side_right_y_g"], "side_right_y_g": SIDE["side_left_y_g"]},
            "left and right look exchanged",
        ),
    ],
)
def test_a_side_column_that_does_not_fit(tmp_path, table, told):
    found = warnings(write(tmp_path / "s.csv", {**SIDE, **table}, stated=STRUCK_LEFT))
    assert [f for f in found if told in f.note], [str(f) for f in found]


def test_a_missing_central_column_is_said_aloud(tmp_path):
    table = {"time_s": TIMES, "rear_seat_crossmember_x_g": FRONTAL["central_x_g"]}
    path = write(tmp_path / "f.csv", table, stated=["family: frontal"])
    (found,) = warnings(path)
    assert "rear_seat_crossmember_x_g is used instead" in str(found)
    (event,) = read_record(path)
    assert any("used as the central sensor" in text for text in event.metadata["assumptions"])
    assert warnings(path, channel="rear_seat_crossmember_x_g") == []


def test_a_column_that_fails_sets_no_requirement(tmp_path):
    noisy = FRONTAL["central_x_g"] + 6.0 * np.random.default_rng(1).standard_normal(TIMES.size)
    path = write(tmp_path / "f.csv", {**FRONTAL, "central_x_g": noisy})
    (event,) = read_record(path)
    assert event.requirements[STAGE_1].expectation == "open"
    assert event.requirements[STAGE_1].required_s is None
    stated = write(
        tmp_path / "g.csv",
        {**FRONTAL, "central_x_g": noisy},
        stated=[f"{STAGE_1}: fire by 17.5 ms (agreed)"],
    )
    (event,) = read_record(stated)
    assert event.requirements[STAGE_1].required_s == pytest.approx(0.0175)
