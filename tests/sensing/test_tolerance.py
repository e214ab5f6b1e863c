"""What a drawn sensor reads: formulas of gain, cross-axis, offset and drift, written out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sensing.sensing_helpers import part

from crashsense import engine
from crashsense.sensing import load_sensor_set
from crashsense.sensing.tolerance import ROLES, UnitDraws, draw_sensor, draw_sensors, draw_unit

deviates = st.lists(st.floats(-4.0, 4.0), min_size=len(ROLES), max_size=len(ROLES))


@settings(max_examples=40, derandomize=True)
@given(deviates, st.integers(-600, 600), st.floats(-60.0, 60.0))
def test_a_reading_follows_from_the_deviations_by_plain_trigonometry(z, milliradians, warmer_k):
    """The tool takes sine and cosine of a small angle by series; here they are taken in one."""
    angle = milliradians / 1000.0
    sensor = part(
        sensitivity_tolerance=0.02, sensitivity_temperature=2e-4, offset_tolerance=3.0,
        offset_temperature=0.05, drift_tolerance=0.4, mounting_angle=angle,
        misalignment_tolerance=0.02, cross_axis=0.01, cross_axis_tolerance=0.005,
    )  # fmt: skip
    drawn = draw_sensor(
        np.array([5]),
        sensor=sensor,
        channel="central_x",
        shared=UnitDraws(np.zeros(1, dtype=np.int64), np.array([warmer_k])),
        seed=1,
        occurrence="any",
        vary=False,
        deviates=np.array([z]),
    )
    cut = dict(zip(ROLES, np.clip(z, -3.0, 3.0), strict=True))
    sensitivity = 1.0 + 0.02 * cut["sensitivity"]
    sensitivity += 2e-4 * cut["sensitivity_temperature"] * warmer_k
    turned = angle + 0.02 * cut["misalignment"]
    close = {"rtol": 0.0, "atol": 2e-6}
    np.testing.assert_allclose(drawn.gain, sensitivity * np.cos(turned), **close)
    first, second = (0.01 + 0.005 * cut[f"cross_axis_{which}"] for which in ("first", "second"))
    assert list(drawn.cross) == ["central_y", "central_z"]
    wanted = sensitivity * (np.sin(turned) + first)
    np.testing.assert_allclose(drawn.cross["central_y"], wanted, **close)
    np.testing.assert_allclose(drawn.cross["central_z"], sensitivity * second, **close)
    offset = 3.0 * cut["offset"] + 0.05 * cut["offset_temperature"] * warmer_k
    np.testing.assert_allclose(drawn.offset, offset, **close)
    np.testing.assert_allclose(drawn.drift, 0.4 * cut["drift"], **close)


def drawn_by(name, draws, **how):
    """Deviations of some sensors of the standard set, by the engine of that name."""
    sensor_set = load_sensor_set()
    sensors = {name: sensor_set.sensors[name] for name in ("central_x", "central_y", "side_left_y")}
    with engine.using(name):
        about = {"seed": 3, "occurrence": "a", "vary": True}
        shared = draw_unit(draws, unit=sensor_set.control_unit, **about)
        return draw_sensors(draws, sensors=sensors, shared=shared, **about, **how)


def test_both_engines_draw_the_same_sensors_to_the_last_bit():
    pytest.importorskip("numba")
    engine.choose("fast")
    draws = np.arange(70)
    theirs, ours = (drawn_by(name, draws) for name in engine.ENGINES)
    for channel, one in ours.items():
        other = theirs[channel]
        assert list(one.cross) == list(other.cross)
        for name in ("gain", "offset", "drift", "setting", "noisy"):
            np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
        for name, share in one.cross.items():
            np.testing.assert_array_equal(share, other.cross[name])
        assert one.gain.std() > 0.0


@pytest.mark.parametrize("felt", [(), ("central_x",), ("central_z",), ("central_y", "central_z")])
def test_axes_where_nothing_happens_change_no_other_number(felt):
    draws = np.arange(40)
    whole, some = drawn_by("numpy", draws), drawn_by("numpy", draws, felt=felt)
    for channel, one in some.items():
        there = whole[channel]
        for name in ("gain", "offset", "drift", "setting"):
            np.testing.assert_array_equal(getattr(one, name), getattr(there, name))
        assert set(felt) & set(there.cross) <= set(one.cross) <= set(there.cross)
        for name, share in one.cross.items():
            np.testing.assert_array_equal(share, there.cross[name])
    assert bool(some["central_y"].cross) is bool({"central_x", "central_z"} & set(felt))
