"""Ladder of severity, restitution, front sensors, planar contacts: in the mean of draws."""

import numpy as np
import pytest
from frontal_support import FRONTAL, peak_g, public, synthesis

from crashsense.synthesis.frontal.impact import build_system
from crashsense.synthesis.model import draw_variation

SPEEDS = (20.0, 25.0, 32.0, 40.0, 48.0, 56.0, 64.0)
DRAWS = 12

LADDERS = (
    "wall_full_40", "wall_30deg_40", "odb_40_40", "pole_centre_40", "underride_40",
    "small_overlap_64", "car_head_on_25_25", "car_offset_40_40",
)  # fmt: skip


def ladder(name):
    """Peak [g], velocity change [m/s], crush [m] by speed, means over draws."""
    made = [synthesis(name, DRAWS, speed) for speed in SPEEDS]
    return (
        np.array([peak_g(m.cabin_x).mean() for m in made]),
        np.array([m.facts["velocity_change_m_s"].mean() for m in made]),
        np.array([m.facts["stopping_distance_m"].mean() for m in made]),
    )


@pytest.mark.slow
@pytest.mark.parametrize("name", LADDERS)
def test_velocity_change_and_peak_rise_with_speed(name):
    peaks, change, crush = ladder(name)
    print(name, peaks.round(1), change.round(1), crush.round(2))
    assert np.all(np.diff(change) > 0)
    assert np.all(np.diff(peaks) > 0)
    if FRONTAL[name].parameters.obstacle != "car":
        assert np.all(np.diff(crush) > 0)


def test_wall_peak_at_56_is_that_of_the_population():
    """Population of 692 wall tests: 26, 39, 56 g (5, 50, 95 %; the author's slow filter).

    Peaks of the matrix were fitted: this shows that the fit holds.
    """
    found = peak_g(synthesis("wall_full_56").cabin_x)
    assert np.median(found) == pytest.approx(39.0, rel=0.15)
    assert found.min() > 26.0
    assert found.max() < 56.0


@pytest.mark.parametrize(
    ("speed", "low", "high"),
    [
        (10.0, 0.27, 0.42),
        (16.0, 0.22, 0.40),
        (25.0, 0.15, 0.32),
        (40.0, 0.1, 0.2),
        (48.0, 0.1, 0.2),
        (56.0, 0.1, 0.2),
        (64.0, 0.1, 0.2),
    ],
)
def test_restitution_of_a_full_wall(speed, low, high):
    """0.1-0.2 above 40 km/h, rising to 0.3-0.4 towards 10 km/h (trade, memory); 0.16-0.18 at 57
    km/h in test 10146. The front was fitted to this too: it shows that the fit holds."""
    made = synthesis("wall_full_40", DRAWS, speed)
    found = (made.facts["velocity_change_m_s"] / made.facts["speed_m_s"]).mean() - 1.0
    assert low <= found <= high


def upfront_change(made, side):
    return -(np.cumsum(made.signals[f"upfront_{side}_x"], axis=1) * 1e-4).min(axis=1)


@pytest.mark.parametrize("name", ["underride_20", "underride_40", "underride_56"])
def test_in_an_underride_front_sensors_read_the_cabin_late_and_weakly(name):
    """The rails pass below the bar and decelerate with the car: no perfect classifier."""
    made = synthesis(name, DRAWS)
    cabin = made.facts["velocity_change_m_s"]
    for side in ("left", "right"):
        assert upfront_change(made, side) == pytest.approx(cabin, rel=0.15)


@pytest.mark.parametrize("speed", [40.0, 56.0, 64.0])
def test_front_sensors_read_no_more_than_the_obstacle_can_give(speed):
    """A front end that stops at a wall loses its speed, with some rebound; a honeycomb gives less
    than a wall at the same speed."""
    wall = synthesis("wall_full_40", DRAWS, speed)
    barrier = synthesis("odb_40_40", DRAWS, speed)
    hard = [upfront_change(wall, "left").mean(), peak_g(wall.signals["upfront_left_x"]).mean()]
    soft = [
        upfront_change(barrier, "left").mean(),
        peak_g(barrier.signals["upfront_left_x"]).mean(),
    ]
    print(speed, hard, soft)
    assert hard[0] < 1.5 * speed / 3.6
    assert soft[0] < 1.4 * speed / 3.6
    assert soft[1] < hard[1]


def test_a_slanted_wall_leaves_what_mechanics_leaves():
    """30 degrees, restitution 0.15, friction 0.3: about 1.0 V in x and 0.24 V in y (impulse and
    momentum, see test_lumped)."""
    for name in ("wall_30deg_32", "wall_30deg_40", "wall_30deg_48"):
        made = synthesis(name, DRAWS)
        along = made.facts["velocity_change_m_s"] / made.facts["speed_m_s"]
        aside = made.facts["lateral_velocity_m_s"] / made.facts["speed_m_s"]
        assert 0.85 < along.mean() < 1.1, name
        assert 0.15 < aside.mean() < 0.33, name


def test_small_overlap_lies_within_21_published_tests():
    """x 9.8-17.7 m/s, y 2.7-4.2 m/s, yaw 61-244 deg/s at 64 km/h (range check only)."""
    facts = synthesis("small_overlap_64").facts
    assert 9.8 <= facts["velocity_change_m_s"].mean() <= 17.7
    assert 2.7 <= np.abs(facts["lateral_velocity_m_s"]).mean() <= 4.2
    assert 61.0 <= np.degrees(np.abs(facts["largest_yaw_rate_rad_s"])).mean() <= 244.0
    wall = peak_g(synthesis("wall_full_64", DRAWS).cabin_x).mean()
    assert peak_g(synthesis("small_overlap_64").cabin_x).mean() < 0.85 * wall


def test_side_channels_see_the_yaw():
    made = synthesis("odb_40_56", DRAWS)
    struck, far = made.signals["side_left_y"], made.signals["side_right_y"]
    assert np.abs(made.trace["yaw"]).max() > 20.0
    assert not np.array_equal(struck, far)
    full = synthesis("wall_full_56", 0)
    assert not full.cabin_y.any()


@pytest.mark.parametrize(
    ("name", "kg", "kmh"), [("deer_90", 70.0, 90.0), ("trolley_front_50", 30.0, 50.0)]
)
def test_light_obstacles_by_momentum(name, kg, kmh):
    """m / (m + M) V, 1.1 m/s of a 1500 kg car for 70 kg at 90 km/h; no more comes back than springs
    hold elastically at the largest force: e^2 <= sum of F^2 / k over m_r V^2 (elementary)."""
    made = synthesis(name, 0)
    nominal = draw_variation(np.array([0]), seed=0, occurrence=name, tolerances={})
    system = build_system(FRONTAL[name].parameters, nominal)
    force = float(made.trace["obstacle_force"].max())
    compliance = sum(
        float(1.0 / sum(system.stiffness[f"{kind}{side}"] for side in sides))
        for kind, sides in (("nose_", ("left", "right")), ("rail_", ("left", "right")))
    ) + 1.0 / system.stiffness["obstacle"]  # fmt: skip
    reduced = kg * 1500.0 / (kg + 1500.0)
    most = np.sqrt(force**2 * compliance / reduced) / (kmh / 3.6)
    assert most < 0.2
    change = float(made.facts["velocity_change_m_s"][0])
    plastic = kg / (kg + 1500.0) * kmh / 3.6
    print(name, change / plastic - 1.0, most)
    assert plastic <= change <= (1.0 + most) * plastic


def oblique():
    """The barrier of test 8789 at its assumed speed and mass against a car of 1800 kg; nominal."""
    recipe = FRONTAL["oblique_barrier_90"]
    return recipe.with_parameters(name="oblique", vehicle_mass_kg=1800.0).synthesise([0], seed=0)


def measured_oblique():
    """Velocity changes in x and y [m/s], yaw rate [deg/s] of test 8789 from contact on, 2 kHz."""
    table = np.genfromtxt(public("nhtsa_08789/v08789_cg.csv"), delimiter=",", names=True)
    after = table["time_s"] >= 0.0
    names = ("deceleration_x_g", "acceleration_y_g", "yaw_acceleration_deg_s2")
    factors = (9.80665, 9.80665, 1.0)
    return [f * np.cumsum(table[n][after]) / 2000.0 for n, f in zip(names, factors, strict=True)]


def turning(made):
    """Yaw rate of the nominal draw from contact on [deg/s], 10 kHz."""
    return np.degrees(np.cumsum(made.trace["yaw"][0, 500:])) * 1e-4


def test_oblique_barrier_turns_the_car_as_in_public_test_8789():
    """82 deg/s at 100 ms: no number was fitted to it, mechanisms were added with it in view."""
    found, measured = turning(oblique())[1000], measured_oblique()[2][200]
    print(f"yaw rate at 100 ms: model {found:.0f}, record {measured:.0f} deg/s")
    assert found == pytest.approx(measured, rel=0.4)


@pytest.mark.xfail(
    strict=True,
    reason="59 deg/s at 35 ms, 2 in the record: there the force on the car slants by 7 degrees"
    " in the first 15 ms, less than the face (15), as only a front that bends sideways passes it,"
    " and acts 0.6 m left of the middle until 35 ms (from x, y, yaw); the front of the model does"
    " not bend, so friction is in full, and its force acts at the rail, 0.45 m",
)
def test_oblique_barrier_begins_to_turn_the_car_as_late_as_in_public_test_8789():
    assert turning(oblique())[350] == pytest.approx(measured_oblique()[2][70], abs=25.0)


def test_oblique_barrier_against_public_test_8789():
    """A 2490 kg barrier at 15 degrees, 35 % overlap, about 90 km/h; the car's mass is not in the
    file (1544-2153 kg in the series): x 14.2 m/s, y 4.9 m/s, free travel 127 mm at 49.5 ms, peak
    32 g. No number was fitted to this record; mechanisms were added with it in view."""
    x, y, _ = measured_oblique()
    assert x.max() == pytest.approx(14.2, abs=0.3)
    made = oblique()
    change = float(made.facts["velocity_change_m_s"][0])
    aside = float(made.facts["lateral_velocity_m_s"][0])
    flight = np.cumsum(np.cumsum(-made.cabin_x[0, 500:])) * 1e-8
    free_ms = np.argmax(flight >= 0.127) / 10
    print(f"model {change:.1f}, {aside:.1f} m/s, {free_ms:.1f} ms, {peak_g(made.cabin_x)} g")
    assert change == pytest.approx(x.max(), rel=0.1)
    assert aside == pytest.approx(np.abs(y).max(), rel=0.3)
    assert free_ms == pytest.approx(49.5, rel=0.06)
    assert peak_g(made.cabin_x)[0] == pytest.approx(32.0, rel=0.15)


@pytest.mark.parametrize("mass_kg", [1544.0, 2153.0])
def test_oblique_prediction_bears_the_unknown_mass_of_the_car(mass_kg):
    """Lightest and heaviest car of the series: by momentum within 13 % of 1800 kg."""
    made = (
        FRONTAL["oblique_barrier_90"]
        .with_parameters(name="oblique", vehicle_mass_kg=mass_kg)
        .synthesise([0], seed=0)
    )
    change = float(made.facts["velocity_change_m_s"][0])
    print(mass_kg, change, made.facts["free_flight_127mm_s"])
    assert change == pytest.approx(14.2, rel=0.2)
    assert 1e3 * made.facts["free_flight_127mm_s"][0] == pytest.approx(49.5, rel=0.12)
