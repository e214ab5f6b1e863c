"""Sensors held as they were built: what is written is what every draw has."""

from __future__ import annotations

import numpy as np
import pytest
from sensing.sensing_helpers import part, sensor_set

from crashsense.errors import InputError
from crashsense.sensing.build import MOST_SIGMA, STATED, Built, as_built, built_sets, parse_built
from crashsense.sensing.chain import CORNER_SETTINGS
from crashsense.sensing.tolerance import FILTER, ROLES, UnitDraws, draw_sensor, draw_unit

PART = part(
    sensitivity_tolerance=0.02, offset_tolerance=2.0, drift_tolerance=3.0,
    sensitivity_temperature=1e-4, offset_temperature=0.1, misalignment_tolerance=0.01,
    cross_axis_tolerance=0.02,
)  # fmt: skip


@pytest.mark.parametrize("role", STATED)
def test_every_role_can_be_stated_and_reads_back(role: str) -> None:
    for value in ("0", "4") if role == FILTER else ("-6", "0", "2.5", "6"):
        text = f"central_x:{role}:{value}"
        one = parse_built(text, file="plan")
        assert one == Built("central_x", role, float(value))
        assert str(one) == text


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("central_x:offset", "CHANNEL:ROLE:VALUE"),
        ("central_x:offset:1:2", "CHANNEL:ROLE:VALUE"),
        ("central_q:offset:1", "did you mean 'central_"),
        ("central_x:ofset:1", "did you mean 'offset'"),
        ("central_x:offset:much", "standard deviations, -6 to 6"),
        ("central_x:offset:nan", "standard deviations, -6 to 6"),
        (f"central_x:offset:{np.nextafter(MOST_SIGMA, 9)!r}", "standard deviations, -6 to 6"),
        (f"central_x:offset:{-np.nextafter(MOST_SIGMA, 9)!r}", "standard deviations, -6 to 6"),
        ("central_x:filter:5", "a setting of the filter, 0 to 4"),
        ("central_x:filter:-1", "a setting of the filter, 0 to 4"),
        ("central_x:filter:1.5", "a setting of the filter, 0 to 4"),
        ("central_x:filter:low", "a setting of the filter, 0 to 4"),
    ],
)
def test_what_cannot_be_built_is_refused(text: str, told: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_built(text.replace("np.float64(", "").replace(")", ""), file="plan")
    assert told in str(caught.value)
    assert len(caught.value.faults) == 1


def test_a_role_stands_in_every_draw_and_the_others_are_drawn() -> None:
    base = sensor_set(PART)
    for role in ROLES:
        held = as_built(base, [Built("central_x", role, -2.0)]).sensor("central_x")
        drawn = []
        for sensor in (PART, held):
            shared = UnitDraws(np.zeros(9, dtype=np.int64), np.full(9, 10.0))
            arguments = {"seed": 1, "occurrence": "e", "vary": True, "shared": shared}
            drawn.append(draw_sensor(np.arange(9), sensor=sensor, channel="central_x", **arguments))
        free, stated = drawn
        moved = {
            "sensitivity": "gain", "offset": "offset", "drift": "drift",
            "sensitivity_temperature": "gain", "offset_temperature": "offset",
            "misalignment": "gain", "cross_axis_first": "", "cross_axis_second": "",
        }[role]  # fmt: skip
        for name in ("gain", "offset", "drift"):
            same = np.array_equal(getattr(free, name), getattr(stated, name))
            assert same == (name != moved)
        if role == "drift":
            np.testing.assert_allclose(stated.drift, -6.0)
        if role == "cross_axis_second":
            scale = stated.cross["central_z"] / free.gain
            np.testing.assert_allclose(scale, -2.0 * 0.02, rtol=1e-3)


def test_filter_and_temperature_stand_in_every_draw() -> None:
    built = as_built(sensor_set(PART), [Built("central_x", FILTER, 4.0)], temperature_c=85.0)
    draws = np.arange(6)
    arguments = {"seed": 1, "occurrence": "e", "vary": True}
    shared = draw_unit(draws, unit=built.control_unit, **arguments)
    np.testing.assert_array_equal(shared.warmer_k, 60.0)
    sensor = built.sensor("central_x")
    drawn = draw_sensor(draws, sensor=sensor, channel="central_x", shared=shared, **arguments)
    assert set(drawn.setting.tolist()) == {len(CORNER_SETTINGS) - 1}
    still = draw_unit(draws, unit=built.control_unit, **arguments | {"vary": False})
    np.testing.assert_array_equal(still.warmer_k, 60.0)
    with pytest.raises(InputError, match="the sensor has none"):
        as_built(sensor_set(part(filter_kind="none")), [Built("central_x", FILTER, 0.0)])


def test_sets_of_a_plan() -> None:
    sets = [sensor_set(PART), sensor_set(part())]
    assert built_sets(sets, [], temperature_c=None) == sets
    texts = ["central_x:offset:1", "central_x:sensitivity:-1"]
    for one in built_sets(sets, texts, temperature_c=-40.0):
        assert one.sensor("central_x").build == {"offset": 1.0, "sensitivity": -1.0}
        assert one.control_unit.fixed_c == -40.0
    warm = built_sets(sets, [], temperature_c=60.0)
    assert [one.control_unit.fixed_c for one in warm] == [60.0, 60.0]
    with pytest.raises(InputError, match="central_x:offset'; expected each role once"):
        built_sets(sets, ["central_x:offset:1", "central_x:offset:2"], temperature_c=None)


def test_temperatures_of_draws_fill_the_range_evenly() -> None:
    """Between the ends that the control unit states, uniform, less the 25 degC of the trim."""
    from scipy.stats import kstest

    unit = sensor_set(PART, temperature_c=(-30.0, 70.0)).control_unit
    draws = np.arange(2001)
    found = draw_unit(draws, unit=unit, seed=1, occurrence="e", vary=True)
    celsius = found.warmer_k[1:] + 25.0
    assert kstest(celsius, "uniform", args=(-30.0, 100.0)).pvalue > 0.01
    assert celsius.min() >= -30.0
    assert celsius.max() <= 70.0
    assert found.warmer_k[0] == 0.0


def test_the_range_of_temperature_of_a_control_unit_that_states_none() -> None:
    # Grade 3 of AEC-Q100, for the passenger's compartment: -40 to +85 degC (from memory).
    assert sensor_set(part()).control_unit.temperature_c == (-40.0, 85.0)


def test_a_part_of_which_nothing_is_stated_is_ideal() -> None:
    """No tolerance, no noise, no other axis: every draw is the nominal one."""
    bare = part()
    shared = UnitDraws(np.zeros(9, dtype=np.int64), np.full(9, 10.0))
    arguments = {"seed": 1, "occurrence": "e", "vary": True, "shared": shared}
    drawn = draw_sensor(np.arange(9), sensor=bare, channel="central_x", **arguments)
    np.testing.assert_array_equal(drawn.gain, 1.0)
    for values in (drawn.offset, drawn.drift, *drawn.cross.values()):
        np.testing.assert_array_equal(values, 0.0)
    ideal = ("nonlinearity", "quadratic", "corner_tolerance", "quality_tolerance", "noise_density",
             "jitter_s", "lost_frame_probability", "slot_start_s", "bit_time_s",
             "offset_cancellation_hz")  # fmt: skip
    assert [getattr(bare, name) for name in ideal] == [0.0] * len(ideal)
