"""The number that each lesson teaches, against a hand calculation or a handbook.

Right-hand sides are worked out here from the formula named beside them; left-hand sides are what
the lesson computed when it ran.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from crashsense.lessons import find_lesson
from crashsense.lessons.running import run_lesson

G = 9.80665


@lru_cache(maxsize=1)
def names_of(number: int) -> dict[str, Any]:
    return run_lesson(find_lesson(number))[1]


def test_1_deflection_and_capacitance():
    names = names_of(1)
    assert names["x"] == pytest.approx(G / (2 * math.pi * 16_000) ** 2)  # Newton and Hooke
    assert 1e9 * names["x"] == pytest.approx(0.970, abs=5e-4)
    plates = 8.8541878128e-12 * 40 * 120e-6 * 25e-6 / 2e-6  # e A / d
    assert names["rest"] == pytest.approx(plates)
    one, other = plates / (1 - names["x"] / 2e-6), plates / (1 + names["x"] / 2e-6)
    assert float(names["change"]) == pytest.approx(one - other, rel=1e-6)


def test_2_range_goes_with_resonance_squared_and_pull_in_is_at_a_third():
    names = names_of(2)
    by_range = (2 * math.pi * names["resonance_hz"]) ** 2 * names["travel"] / G
    assert by_range == pytest.approx(480.0)
    # At x = d/3 force and slope of force are both in balance (any text on microsystems).
    force = 8.8541878128e-12 * names["area"] * names["volts"] ** 2
    d, k = names["gap"], names["stiffness"]
    assert force / (2 * (2 * d / 3) ** 2) == pytest.approx(k * d / 3)
    assert force / (2 * d / 3) ** 3 == pytest.approx(k)


def test_3_one_code_of_ten_bits():
    names = names_of(3)
    assert names["all_codes"].step / G == pytest.approx(120 / 511)
    assert round(names["all_codes"].step / G, 2) == 0.23
    assert names["rounding"] == pytest.approx(names["part"].step / math.sqrt(12))
    # Spread of an even distribution, from numbers.
    even = np.random.default_rng(1).uniform(-0.5, 0.5, 200_000).std() * names["part"].step
    assert names["rounding"] == pytest.approx(even, rel=0.01)


def test_4_delay_of_the_bessel_filter():
    from scipy.optimize import brentq

    # s^3 + 6 s^2 + 15 s + 15 has delay 1; its -3 dB point by the formula of the magnitude.
    corner = brentq(lambda w: (15 - 6 * w**2) ** 2 + (15 * w - w**3) ** 2 - 2 * 15**2, 1, 3)
    assert corner == pytest.approx(1.756, abs=1e-3)
    names = names_of(4)
    sections = names["lowpass_sections"](kind="bessel", order=3, corner_hz=400.0, rate_hz=1e6)
    found = names["lowpass_delay"](sections, rate_hz=1e6)
    assert found == pytest.approx(corner / (2 * math.pi * 400), rel=1e-3)
    assert round(1e3 * found, 2) == 0.70


def test_5_free_flight_and_the_event_by_hand():
    names = names_of(5)
    pulse = np.full(2000, 10 * G)
    flight = float(names["free_flight_time"](pulse, rate_hz=10_000.0))
    assert flight == pytest.approx(math.sqrt(2 * 0.127 / (10 * G)), rel=1e-4)
    assert round(1e3 * flight, 1) == 50.9
    by_hand = names["time_of_travel"](names["cabin"], 0.127) - 30
    assert by_hand == pytest.approx(1e3 * names["stage_1"].required_s, abs=0.05)


@pytest.mark.slow
def test_6_half_sine_and_the_better_criterion():
    names = names_of(6)
    times = np.linspace(0, 1e-3, 2001)
    pulse = 100 * G * np.sin(np.pi * times / 1e-3)
    change = names["cumulative_trapezoid"](pulse, step_s=times[1])[-1]
    assert change == pytest.approx(2 * 100 * G * 1e-3 / math.pi, rel=1e-5)  # 2 A T / pi
    assert round(change, 3) == 0.624
    must, must_not = names["must"], names["must_not"]
    assert must["event"].nunique() >= 5
    assert must_not["event"].nunique() >= 20
    passed = {}
    for name in ("peak", "velocity"):
        c = must.loc[must["algorithm"] == name, "demand_at_required_time"].min()
        others = must_not[must_not["algorithm"] == name]
        passed[name] = int((others["max_demand"] >= c).sum())
    assert passed["velocity"] < passed["peak"]  # what the lesson says


@pytest.mark.slow
def test_7_the_rule_fires_when_the_formula_says():
    names = names_of(7)
    for leak in (0.0, 4.0):
        demand = names["LeakyVelocity"](leak_g=leak).demand(names["constant"](10.0))[0]
        fires = (np.argmax(demand >= 1) + 1) / 2000.0
        by_hand = 1.5 / ((10 - leak) * G)  # V / (a - leak)
        assert by_hand - 1e-9 <= fires <= by_hand + 0.0005 + 1e-9
    assert len(names["checks"]) >= 10
    assert [check.name for check in names["checks"] if check.failed] == []


@pytest.mark.slow
def test_8_the_ceiling_of_a_velocity_threshold():
    names = names_of(8)
    # d/da (sqrt(2 s a) - a T) = 0 at a = s / (2 T^2), value s / (2 T).
    assert max(names["built_up"]) == pytest.approx(0.127 / (2 * 0.030), rel=1e-3)
    assert names["levels"][names["best"]] == pytest.approx(0.127 / (2 * 0.030**2) / G, abs=0.1)
    assert len(names["dots"]) == 3
    assert len(names["tops"]) == 3


def test_9_hidden_clipping_takes_what_the_formula_says():
    names = names_of(9)
    velocity, largest = {}, {}
    for range_g, (_, received) in names["results"].items():
        velocity[range_g] = received.sum() * G / 2000.0
        largest[range_g] = np.abs(received).max()
    missing = (20 + 60 - 50) / 2 * G * 0.020  # mean + swing - limit, half of the time
    assert missing == pytest.approx(2.94, abs=0.01)
    assert velocity[120] == pytest.approx(20 * G * 0.020, rel=0.02)
    assert velocity[120] - velocity[50] == pytest.approx(missing, rel=0.03)
    assert largest[50] < 0.5 * 50  # no code is near its limit


@pytest.mark.slow
def test_10_pressure_of_a_tenth_of_the_volume():
    names = names_of(10)
    tenth = float(names["adiabatic_overpressure"](np.array(0.9)))
    assert tenth == pytest.approx(101_325 * (0.9**-1.4 - 1))  # Poisson
    assert round(tenth / 1e3, 1) == 16.1
    assert names["speed"] * 0.006 == pytest.approx(0.048, abs=5e-4)


def test_11_stability_factor_and_critical_sliding_velocity():
    names = names_of(11)
    assert names["static_stability_factor"](**names["car"]) == pytest.approx(1.50 / (2 * 0.55))
    arm = math.hypot(0.55, 0.75)
    energy = 1500 * G * (arm - 0.55)
    assert names["energy"] == pytest.approx(energy)
    inertia = 480 + 1500 * arm**2
    # m v h = I w and I w^2 / 2 = E.
    assert names["speed"] == pytest.approx(math.sqrt(2 * energy / inertia) * inertia / 825.0)


def test_12_zero_failures():
    names = names_of(12)
    bound = names["upper_bound_without_failure"](200)
    assert (1 - bound) ** 200 == pytest.approx(0.05)  # binomial law
    assert round(100 * bound, 2) == 1.49
    needed = names["draws_without_failure"](0.999, confidence=0.95)
    assert 0.999**needed <= 0.05 < 0.999 ** (needed - 1)
