"""Every family against the closed form of a simple pulse: fire time to within one sample.

Closed forms are elementary calculus on square wave, half-sine and ramp; g_n = 9.80665 m/s^2.
"""

from __future__ import annotations

from math import acos, cos, pi, sqrt

import numpy as np
import pytest
from rules_support import RATE, G, fire_time, half_sine, ramp, samples, square
from scipy.optimize import brentq

from crashsense.rules import rule_from_table
from crashsense.rules.polyline import along_ray

TICK = 1.0 / RATE
A, D = 20.0 * G, 0.1


def rule(**table):
    return rule_from_table(table)


def near(found: float | None, expected: float) -> None:
    assert found is not None
    assert abs(found - expected) <= TICK * 1.001


def sensed(x: np.ndarray):
    return samples(central_x=-x)


# Half-sine: V(t) = (A D / pi)(1 - cos(pi t / D)); square: V = A t; ramp: V = r t^2 / 2.
@pytest.mark.parametrize("threshold", [0.5, 1.5, 4.0, 9.0])
def test_velocity_change(threshold: float) -> None:
    one = rule(family="velocity_change", threshold_m_s=threshold)
    near(fire_time(one, sensed(half_sine(A, D))), D / pi * acos(1 - threshold * pi / (A * D)))
    near(fire_time(one, sensed(square(A, D))), threshold / A)
    near(fire_time(one, sensed(ramp(5000.0))), sqrt(2 * threshold / 5000.0))


def test_velocity_change_with_constant_leak() -> None:
    # Above the leak a half-sine less its leak: V = integral from t0 of (A sin - leak).
    leak, threshold = 4.0, 1.5
    one = rule(family="velocity_change", threshold_m_s=threshold, leak_g=leak)
    near(fire_time(one, sensed(square(A, D))), threshold / (A - leak * G))
    # Ramp: begins at t0 = leak / r, then V = r (t - t0)^2 / 2.
    near(fire_time(one, sensed(ramp(5000.0))), leak * G / 5000.0 + sqrt(2 * threshold / 5000.0))


def test_velocity_change_with_exponential_leak() -> None:
    # Square wave: V = A tau (1 - exp(-t / tau)).
    tau, threshold = 0.03, 3.0
    one = rule(family="velocity_change", threshold_m_s=threshold, time_constant_ms=tau * 1e3)
    near(fire_time(one, sensed(square(A, D))), -tau * np.log(1 - threshold / (A * tau)))


def test_velocity_never_reached_with_exponential_leak() -> None:
    tau = 0.03
    one = rule(family="velocity_change", threshold_m_s=1.01 * A * tau, time_constant_ms=30.0)
    assert fire_time(one, sensed(square(A, D))) is None


def test_fixed_point_is_near_floating_point() -> None:
    x = sensed(half_sine(A, D))
    near(
        fire_time(rule(family="velocity_change_fixed_point", threshold_m_s=1.5, lsb_mg=50), x),
        fire_time(rule(family="velocity_change", threshold_m_s=1.5), x),
    )


def test_fixed_point_loses_what_lies_below_half_a_code() -> None:
    x = sensed(square(0.4 * G, D))
    coarse = rule(family="velocity_change_fixed_point", threshold_m_s=0.1, lsb_mg=1000)
    fine = rule(family="velocity_change_fixed_point", threshold_m_s=0.1, lsb_mg=10)
    assert fire_time(coarse, x) is None
    near(fire_time(fine, x), 0.1 / (0.4 * G))


def test_rear_velocity() -> None:
    one = rule(family="rear_velocity", threshold_m_s=2.0, leak_g=1.0)
    near(fire_time(one, samples(central_x=square(10 * G, D))), 2.0 / (9 * G))
    assert fire_time(one, samples(central_x=-square(10 * G, D))) is None


def test_left_right_difference() -> None:
    one = rule(family="left_right_difference", threshold_m_s=1.0, leak_g=2.0)
    left, right = -square(12 * G, D), -square(5 * G, D)
    near(fire_time(one, samples(upfront_left_x=left, upfront_right_x=right)), 1.0 / (7 * G))
    near(fire_time(one, samples(upfront_left_x=right, upfront_right_x=left)), 1.0 / (7 * G))


def test_window_velocity() -> None:
    one = rule(family="window_velocity", window_ms=20.0, threshold_m_s=3.0)
    near(fire_time(one, sensed(square(A, D))), 3.0 / A)
    # Ramp, after the window is full: V_D = r D (t - D / 2).
    near(fire_time(one, sensed(ramp(5000.0))), 3.0 / (5000.0 * 0.02) + 0.01)
    assert fire_time(one, sensed(square(0.99 * 3.0 / 0.02, D))) is None


def test_several_windows_take_the_largest() -> None:
    x = sensed(half_sine(A, D))
    parts = [
        rule(family="window_velocity", window_ms=w, threshold_m_s=t)
        for w, t in ((5.0, 0.6), (20.0, 1.5))
    ]
    both = rule(family="window_velocity", windows=[[5.0, 0.6], [20.0, 1.5]])
    np.testing.assert_array_equal(
        both.demand(x), np.maximum(parts[0].demand(x), parts[1].demand(x))
    )


def test_window_difference() -> None:
    # Square wave: short mean A t / D_s, long mean A t / D_l.
    one = rule(family="window_difference", short_ms=5.0, long_ms=25.0, threshold_g=8.0)
    near(fire_time(one, sensed(square(A, D))), 8.0 * G / (A * (1 / 0.005 - 1 / 0.025)))
    assert fire_time(one, sensed(np.full(400, 30 * G))) is not None  # switched on: a step
    assert one.demand(sensed(np.full(400, 30 * G)))[0, 60:].max() < 1e-9


def test_displacement() -> None:
    # Square wave: S = A t^2 / 2; half-sine: S = (A D / pi)(t - (D / pi) sin(pi t / D)).
    one = rule(family="displacement", travel_mm=20.0, guard_m_s=0.1, leak_g=0.0)
    near(fire_time(one, sensed(square(A, D))), sqrt(2 * 0.02 / A))
    expected = brentq(lambda t: A * D / pi * (t - D / pi * np.sin(pi * t / D)) - 0.02, 1e-4, D)
    near(fire_time(one, sensed(half_sine(A, D))), expected)


def test_displacement_waits_for_its_guard() -> None:
    one = rule(family="displacement", travel_mm=1.0, guard_m_s=4.0, leak_g=0.0)
    near(fire_time(one, sensed(square(A, D))), 4.0 / A)


def test_predicted_displacement() -> None:
    # Square wave, smoothing of one sample: S_p = A t^2/2 + A t tau + A tau^2/2 = A (t + tau)^2 / 2.
    travel, tau = 0.125, 0.03
    one = rule(family="predicted_displacement", travel_mm=125.0, look_ahead_ms=30.0,
               smoothing_ms=0.5, guard_m_s=0.01, leak_g=0.0)  # fmt: skip
    near(fire_time(one, sensed(square(A, D))), sqrt(2 * travel / A) - tau)


def test_hard_braking_does_not_pass_the_velocity_guard_with_leak() -> None:
    one = rule(family="predicted_displacement")
    braking = np.minimum(ramp(50.0, size=6000), 0.99 * G)
    assert fire_time(one, sensed(braking)) is None
    without = rule(family="predicted_displacement", leak_g=0.0, guard_m_s=0.01)
    assert fire_time(without, sensed(braking)) is not None


def test_velocity_displacement_map() -> None:
    # Level line: V alone decides. Steep line at S alone: S decides.
    level = rule(family="velocity_displacement_map", line=[[0.0, 2.0]], leak_g=0.0)
    near(fire_time(level, sensed(square(A, D))), 2.0 / A)
    # Straight line V/2 + S/40 mm = 1 on a square wave: A t / 2 + A t^2 / 2 / 0.04 = 1.
    slope = rule(family="velocity_displacement_map", line=[[0.0, 2.0], [40.0, 0.0]], leak_g=0.0)
    expected = brentq(lambda t: A * t / 2 + A * t * t / 0.08 - 1, 0, 0.1)
    near(fire_time(slope, sensed(square(A, D))), expected)


def test_velocity_time_map() -> None:
    # Threshold 1 + 0.05 t [m/s, ms] on a square wave: A t = 1 + 50 t.
    one = rule(family="velocity_time_map", line=[[0.0, 1.0], [100.0, 6.0]], leak_g=0.0)
    near(fire_time(one, sensed(square(A, D))), 1.0 / (A - 50.0))


def test_window_velocity_jerk_map() -> None:
    # On a ramp r the slope is r: with the straight line V/2 + J/4 = 1, V_D = r t^2 / 2 at first.
    r = 2.0 * G * 1e3
    one = rule(family="window_velocity_jerk_map", window_ms=40.0, jerk_ms=4.0,
               line=[[0.0, 2.0], [4.0, 0.0]])  # fmt: skip
    near(fire_time(one, sensed(ramp(r))), sqrt(2 * 2.0 * (1 - 2.0 / 4.0) / r))


def test_jerk() -> None:
    one = rule(family="jerk", window_ms=8.0, threshold_g_ms=1.0)
    x = sensed(ramp(2.0 * G * 1e3))
    assert one.demand(x)[0, 200] == pytest.approx(2.0, rel=1e-9)
    # Least squares over a window N of which the newest m lie on the ramp:
    # slope r m^2 (3N - 2m) / N^3.
    fraction = brentq(lambda u: 2.0 * u * u * (3 - 2 * u) - 1.0, 0, 1)
    near(fire_time(one, x), fraction * 0.008)


def test_energy() -> None:
    # Half-sine: integral of a^2 = A^2 (t / 2 - D sin(2 pi t / D) / (4 pi)).
    one = rule(family="energy", threshold_g2_ms=4000.0, leak_g=0.0)
    near(fire_time(one, sensed(square(A, D))), 4000.0 / 400.0 * 1e-3)
    expected = brentq(
        lambda t: 400.0 * (t / 2 - D * np.sin(2 * pi * t / D) / (4 * pi)) * 1e3 - 4000.0, 1e-4, D
    )
    near(fire_time(one, sensed(half_sine(A, D))), expected)


def test_power() -> None:
    # Square wave with a full window: P = A V = A^2 t.
    one = rule(family="power", threshold_w_kg=800.0, window_ms=1.0, leak_g=0.0)
    near(fire_time(one, sensed(square(A, D))), 800.0 / A**2)


def test_variance_of_a_sine() -> None:
    # A sine of amplitude B has standard deviation B / sqrt(2).
    t = np.arange(400) / RATE
    one = rule(family="variance", window_ms=20.0, threshold_g=10.0)
    demand = one.demand(sensed(30 * G * np.sin(2 * pi * 100.0 * t)))
    assert demand[0, 200] == pytest.approx(30 / sqrt(2) / 10, rel=1e-6)
    assert one.demand(sensed(np.full(400, 300.0)))[0, 60:].max() < 1e-6


def test_variance_of_a_step() -> None:
    # A share u of the window at A, the rest at 0: s = A sqrt(u (1 - u)).
    one = rule(family="variance", window_ms=20.0, threshold_g=6.0)
    share = (1 - sqrt(1 - 4 * (6.0 / 20.0) ** 2)) / 2
    near(fire_time(one, sensed(square(A, D))), share * 0.02)


def test_high_frequency_velocity_of_a_sine() -> None:
    # Above the corner |1 - 1/(1 + j f/fc)| = (f/fc) / sqrt(1 + (f/fc)^2); mean |sin| = 2/pi. The
    # impulse-invariant pole comes near it well below the tick rate.
    t = np.arange(2000) / RATE
    one = rule(family="high_frequency_velocity", corner_hz=20.0, window_ms=100.0, threshold_m_s=1.0)
    found = one.demand(sensed(10 * G * np.sin(2 * pi * 50.0 * t)))[0, 1500]
    expected = 10 * G * 0.1 * 2 / pi * (2.5 / sqrt(1 + 2.5**2))
    assert found == pytest.approx(expected, rel=0.08)
    assert one.demand(sensed(np.full(2000, 300.0)))[0, 1900] < 1e-6


def test_peak_to_peak() -> None:
    t = np.arange(400) / RATE
    one = rule(family="peak_to_peak", window_ms=20.0, threshold_g=30.0)
    assert one.demand(sensed(15 * G * np.sin(2 * pi * 100.0 * t)))[0, 300] == pytest.approx(1.0)
    near(fire_time(one, sensed(ramp(3000.0 * G))), 0.01)


def test_signal_length() -> None:
    # A half-sine up and down: its length is twice its peak; every step loses the floor.
    x = sensed(half_sine(A, 0.02))
    one = rule(family="signal_length", window_ms=50.0, threshold_g=10.0, floor_g=0.0)
    assert one.demand(x)[0, 160] == pytest.approx(4.0, rel=1e-9)
    floored = rule(family="signal_length", window_ms=50.0, threshold_g=10.0, floor_g=100.0)
    assert floored.demand(x).max() == 0.0


def test_band_energy() -> None:
    t = np.arange(4000) / RATE
    one = rule(family="band_energy", low_hz=50, high_hz=150, window_ms=100.0, threshold_g=5.0)
    # In the middle of the band (geometric mean) the gain is 1: effective value B / sqrt(2).
    inside = one.demand(sensed(10 * G * np.sin(2 * pi * sqrt(50 * 150) * t)))[0, 3900]
    assert inside == pytest.approx(10 / sqrt(2) / 5, rel=0.03)
    outside = one.demand(sensed(10 * G * np.sin(2 * pi * 4.0 * t)))[0, 3900]
    assert outside < 0.2 * inside


def test_level() -> None:
    one = rule(family="level", threshold_g=5.0, window_ms=4.0)
    near(fire_time(one, samples(central_safing_x=-square(A, D))), 5.0 / 20.0 * 0.004)
    near(fire_time(one, samples(central_safing_x=-ramp(5000.0))), 5.0 * G / 5000.0 + 0.002)


def test_side_velocity_and_its_plausibility() -> None:
    alone = rule(family="side_velocity", window_ms=8.0, threshold_m_s=1.0)
    near(fire_time(alone, samples(side_left_y=square(50 * G, D))), 1.0 / (50 * G))
    agreed = rule(family="side_velocity", window_ms=8.0, threshold_m_s=1.0,
                  plausible="+central_y", plausible_g=2.0, plausible_window_ms=0.5)  # fmt: skip
    both = samples(side_left_y=square(50 * G, D), central_y=ramp(2000.0))
    near(fire_time(agreed, both), 2.0 * G / 2000.0)
    slam = samples(side_left_y=square(50 * G, 0.01), central_y=np.zeros(400))
    assert fire_time(agreed, slam) is None


P0 = 101325.0  # ISO 2533 standard atmosphere at sea level


def test_door_pressure() -> None:
    x = samples(door_left_pressure=np.minimum(ramp(P0 * 20.0), 0.1 * P0))  # 2 %/ms, to 10 %
    near(fire_time(rule(family="door_pressure", threshold_percent=6.0), x), 0.003)
    assert fire_time(rule(family="door_pressure", threshold_percent=10.5), x) is None
    slope = rule(family="door_pressure_slope", window_ms=2.0, threshold_percent_ms=1.0)
    near(fire_time(slope, x), 0.5 * 0.002)  # u^2 (3 - 2u) = 1/2 at u = 1/2
    assert slope.demand(x).max() == pytest.approx(2.0, rel=0.05)
    rise = rule(family="door_pressure_rise", window_ms=4.0, threshold_percent=6.0)
    near(fire_time(rise, x), 0.003)
    assert rise.demand(x).max() == pytest.approx(8.0 / 6.0)


def test_roll_maps() -> None:
    rate = np.radians(100.0)
    x = samples(central_roll_rate=-np.where(np.arange(1200) >= 100, rate, 0.0))
    # Constant rate 100 deg/s: along the straight line w/200 + phi/40 = 1, phi = 20 deg at 200 ms.
    one = rule(family="roll_rate_angle_map", line=[[0.0, 200.0], [40.0, 0.0]], leak_deg_s=0.0)
    near(fire_time(one, x), 0.2)
    energy = rule(family="roll_energy", leak_deg_s=0.0)
    # k^2 w^2 / 2 = g r (1 - cos(left)): fires with so much angle left.
    left = acos(1 - 1.15**2 * rate**2 / (2 * G * 0.95))
    near(fire_time(energy, x), (np.radians(52.0) - left) / rate)
    assert cos(left) < 1.0


@pytest.mark.parametrize("scale", [0.5, 1.0, 3.0])
def test_demand_along_a_ray(scale: float) -> None:
    line = [(0.0, 2.0), (10.0, 1.5), (40.0, 0.0)]
    # Points on the line (vertices and between them) have demand 1; twice as far, 2.
    points = [(0.0, 2.0), (5.0, 1.75), (10.0, 1.5), (25.0, 0.75), (40.0, 0.0)]
    u, v = (np.array(axis) * scale for axis in zip(*points, strict=True))
    np.testing.assert_allclose(along_ray(u, v, line), scale, rtol=1e-12)
    # Before the first vertex and beyond the last the line goes on level.
    level = [(5.0, 2.0), (10.0, 1.5)]
    found = along_ray(np.array([1.0, 50.0, -3.0]), np.array([2.0, 1.5, 2.0]), level)
    np.testing.assert_allclose(found, 1.0, rtol=1e-12)
    assert along_ray(np.zeros(1), np.zeros(1), line)[0] == 0.0


def test_fixed_point_counts_in_whole_codes() -> None:
    # 0.25 g a code at 2 kHz; 0.6 of a code rounds to 1, 0.4 to 0. The threshold is 1000 codes.
    lsb = 0.25 * G
    rule_ = rule(family="velocity_change_fixed_point", lsb_mg=250.0,
                 threshold_m_s=1000 * lsb / RATE)  # fmt: skip
    codes = np.array([0.4, 0.6, 2.0, -1.0, -9.0, 3.0])
    found = rule_.demand(samples(central_x=-codes * lsb))[0]
    assert found.tolist() == [0.0, 0.001, 0.003, 0.002, 0.0, 0.003]
