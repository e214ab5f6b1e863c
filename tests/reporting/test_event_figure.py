"""The figure of an event: right axes, labels apart, free flight where it counts, the caution."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from crashsense.reporting.event_channels import event_readings
from crashsense.reporting.event_figure import event_figure, event_motion
from crashsense.synthesis import load_recipes

RECIPES = {recipe.name: recipe for recipe in load_recipes()}


@cache
def motion(name: str, draws: int = 0):
    """What the figure of an event draws; several tests look at the same one."""
    recipe = RECIPES[name]
    return event_motion(recipe, recipe.events()[0], draws=draws)


@pytest.mark.parametrize(
    ("name", "times", "labels"),
    [
        ("side_pole_75_32", 1, ["side_airbag_left, curtain_left"]),
        ("wall_full_56", 2, ["front_airbag_stage_1, belt_pretensioner", "front_airbag_stage_2"]),
    ],
)
def test_restraints_of_one_time_share_a_label(name, times, labels):
    drawn = event_figure(motion(name))
    (legend,) = drawn.legends
    texts = [text.get_text() for text in legend.get_texts()]
    assert len(texts) == times
    assert [text.split(": ")[1] for text in texts] == labels
    # nothing is written inside the panels, where it could lie over something else
    assert not [text for axes in drawn.axes for text in axes.texts]


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", ["wall_full_56", "side_pole_75_32", "hammer_rail"])
def test_caution_stands_on_the_figure(name):
    words = " ".join(event_figure(motion(name)).get_supxlabel().split())
    assert "CAUTION: Not qualified for any decision about a real vehicle." in words


@pytest.mark.quick(3)
@pytest.mark.parametrize(
    ("name", "drawn"),
    [
        ("wall_full_56", True),
        ("moose_70", True),
        ("side_pole_75_32", False),
        ("rollover_kerb_25", False),
        ("hammer_rail", False),
        ("rear_sled_16", False),
        ("washboard_35", False),
    ],
)
def test_free_flight_only_where_it_counts(name, drawn):
    taken = motion(name)
    assert (taken.travel is not None) == drawn
    assert len(event_figure(taken).axes) == len(taken.readings) + (3 if drawn else 2)


@pytest.mark.slow
def test_free_flight_counts_from_the_contact_of_the_requirement():
    taken = motion("kerb_then_wall_40_100")
    assert not taken.travel[taken.times_ms <= 99.9].any()
    # 127 mm of it less 30 ms is the required time
    first = taken.times_ms[np.argmax(taken.travel >= 0.127)]
    assert first - 30.0 == pytest.approx(taken.required[0][0], abs=0.2)


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", ["side_pole_75_32", "side_barrier_90_60", "rear_barrier_24"])
def test_the_bodies_are_integrated_to_the_last_sample(name):
    """They still swing: a cut would stand in the signal as a step."""
    rigid = motion(name).rigid
    assert abs(rigid[-1]) > 0.0
    bends = np.abs(np.diff(rigid[-700:], 2))  # a swing bends little from sample to sample
    assert bends.max() < 0.1 * np.abs(rigid[-700:]).max()


@pytest.mark.parametrize("mirrored", [False, True])
def test_rollover_compares_channel_and_body_in_the_same_axes(mirrored):
    recipe = RECIPES["rollover_kerb_25"]
    if mirrored:
        recipe = recipe.mirrored()
    taken = event_motion(recipe, recipe.events()[0])
    assert taken.channel == "central_y"
    # Roof on the ground at 620 ms, the car rolled by more than 90 degrees: sideways over ground
    # the body is pushed one way, what it feels across itself points the other way.
    at = (taken.times_ms > 616.0) & (taken.times_ms < 625.0)
    assert np.mean(taken.rigid[at]) * np.mean(taken.reading[at]) > 0.0
    # The roof's blow makes the place ring: compared over two periods of its lowest mode (60 Hz).
    ring = (taken.times_ms > 616.0) & (taken.times_ms < 650.0)
    assert np.mean(taken.rigid[ring]) == pytest.approx(np.mean(taken.reading[ring]), rel=0.1)
    ground = recipe.synthesise([0], seed=0).cabin_y[0]
    assert np.mean(ground[at]) * np.mean(taken.reading[at]) < 0.0
    # before anything rings both are the same
    early = taken.times_ms < 0.0
    assert np.array_equal(taken.rigid[early], taken.reading[early])
    assert "over ground" in taken.velocity_words


@pytest.mark.quick(2)
@pytest.mark.parametrize(
    ("name", "channels"),
    [
        ("wall_full_56", ["central_x", "upfront_left_x", "upfront_right_x"]),
        ("side_pole_90_29", ["side_left_y", "door_left_pressure", "central_y", "side_right_y"]),
        (
            "side_pole_90_29_right",
            ["side_right_y", "door_right_pressure", "central_y", "side_left_y"],
        ),
        ("near_roll_ramp_60", ["central_roll_rate", "roll_angle", "central_y", "central_z"]),
        ("pothole_40", ["central_x", "central_z", "upfront_left_x"]),
    ],
)
def test_the_figure_shows_what_the_rules_of_the_family_read(name, channels):
    taken = motion(name)
    assert [reading.channel for reading in taken.readings] == channels
    # the front rules read x, however loud z is
    assert taken.channel == next(c for c in channels if c.startswith("central_") and c[-2] == "_")
    drawn = event_figure(taken)
    words = [axes.get_ylabel() for axes in drawn.axes]
    assert all(f"{c}\n" in words[k] for k, c in enumerate(channels))


@pytest.mark.slow
def test_velocity_starts_at_the_speed_of_the_car():
    for name, kmh in (("wall_full_56", 56.0), ("kerb_then_wall_40_100", 40.0)):
        taken = motion(name)
        assert 3.6 * taken.velocity[0] == pytest.approx(kmh)
        at_zero = np.argmin(np.abs(taken.times_ms))
        assert taken.moved[at_zero] == 0.0


def bands(drawn):
    return [len(axes.collections) for axes in drawn.axes]


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", ["wall_full_56", "hammer_tunnel", "pothole_40"])
def test_the_range_of_the_draws_lies_behind_the_nominal_lines(name):
    taken = motion(name, draws=16)
    for reading in taken.readings:
        for line, (low, high) in (
            (reading.raw, reading.raw_spread),
            (reading.sensed, reading.sensed_spread),
        ):
            moving = high - low > 1e-3 * np.ptp(line)
            assert moving.mean() > 0.1
            # of 17 values that are alike, the first is the least or the greatest twice in 17
            inside = (low <= line) & (line <= high)
            assert inside[moving].mean() > 0.7
    # a low-pass of the range is not the range of what the low-pass gives
    recipe = RECIPES[name]
    alone = recipe.synthesise([3], seed=1)
    for reading in taken.readings:
        (one,) = [r for r in event_readings(recipe, alone) if r.channel == reading.channel]
        low, high = reading.sensed_spread
        slack = 1e-9 * np.ptp(reading.raw)
        assert np.all((low - slack <= one.sensed) & (one.sensed <= high + slack))
    read = len(taken.readings)
    drawn = event_figure(taken)
    assert bands(drawn) == [2] * read + [1] * (len(drawn.axes) - read)
    texts = [text.get_text() for text in drawn.legends[0].get_texts()]
    assert any("range of 16 random draws; lines: nominal draw" in text for text in texts)


@pytest.mark.slow
def test_without_draws_the_figure_is_the_nominal_draw_alone():
    alone, varied = motion("pothole_40"), motion("pothole_40", draws=4)
    drawn = event_figure(alone)
    assert not any(bands(drawn))
    assert not drawn.legends
    # the lines are those of the nominal draw, however many draws lie behind them
    for one, other in zip(alone.readings, varied.readings, strict=True):
        assert np.allclose(one.raw, other.raw, rtol=0.0, atol=1e-9 * np.ptp(one.raw))
    assert np.allclose(alone.velocity, varied.velocity, rtol=0.0, atol=1e-9)


def test_an_event_that_does_not_vary_has_no_band():
    recipe = replace(RECIPES["hammer_tunnel"], tolerances={})
    taken = event_motion(recipe, recipe.events()[0], draws=16)
    assert taken.draws == 0
    assert not any(bands(event_figure(taken)))
