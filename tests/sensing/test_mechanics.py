"""The element against worked exercises.

Statements of the exercises from secondary sources; answers computed in double precision from the
textbook formulas with kB = 1.380649e-23 J/K and 300 K, g_n = 9.80665 m/s^2.
"""

from __future__ import annotations

from math import pi

import numpy as np
import pytest

from crashsense.sensing import mechanics
from crashsense.sensing.dynamics import step_element
from crashsense.units import STANDARD_GRAVITY


def test_exercise_proof_mass_of_silicon() -> None:
    # 200 x 200 x 10 um, 2330 kg/m^3, k 1.2 N/m, b 5e-6 kg/s.
    mass = 200e-6 * 200e-6 * 10e-6 * mechanics.SILICON_DENSITY
    f0 = mechanics.resonance_hz(mass=mass, stiffness=1.2)
    q = mechanics.quality(mass=mass, stiffness=1.2, damping=5e-6)
    noise = mechanics.noise_density(mass=mass, resonance_hz=f0, quality=q)
    assert mass == pytest.approx(0.932e-9)
    assert f0 == pytest.approx(5710.9, abs=0.05)
    assert q == pytest.approx(6.688, abs=5e-4)
    assert noise == pytest.approx(3.0882e-4, rel=2e-5)
    assert noise / STANDARD_GRAVITY == pytest.approx(31.49e-6, rel=2e-4)
    assert noise / (2 * pi * f0) ** 2 == pytest.approx(2.398e-13, rel=3e-4)
    assert mechanics.thermal_motion(stiffness=1.2) == pytest.approx(58.75e-12, rel=1e-4)


def test_exercise_heavy_and_damped() -> None:
    # m 0.1 mg, k 1 N/m, b 5e-3 N s/m.
    f0 = mechanics.resonance_hz(mass=1e-7, stiffness=1.0)
    q = mechanics.quality(mass=1e-7, stiffness=1.0, damping=5e-3)
    noise = mechanics.noise_density(mass=1e-7, resonance_hz=f0, quality=q)
    assert f0 == pytest.approx(503.29, abs=5e-3)
    assert q == pytest.approx(0.06325, abs=5e-6)
    assert noise == pytest.approx(9.1016e-5, rel=2e-5)


def test_exercise_capacitance_per_g() -> None:
    # m 1 mg, k 150 N/m, gap 1 um, 4 pF in all, so 2 pF a side.
    f0 = mechanics.resonance_hz(mass=1e-6, stiffness=150.0)
    x = mechanics.deflection(STANDARD_GRAVITY, resonance_hz=f0)
    # The exercise takes the linear change 2 C0 x / d.
    per_g = 2 * 2e-12 * x / 1e-6
    assert f0 == pytest.approx(1949.24, abs=5e-3)
    assert x == pytest.approx(65.378e-9, rel=1e-5)
    assert per_g == pytest.approx(261.51e-15, rel=2e-5)
    assert 1e-15 / per_g == pytest.approx(3.824e-3, rel=1e-4)
    exact = mechanics.capacitance_difference(1e-3, rest=2e-12)
    assert exact == pytest.approx(2 * 2e-12 * 1e-3, rel=2e-6)


def test_exercise_critically_damped() -> None:
    # m 300 ng, 25 kHz, Q = 0.5.
    k = 300e-12 * (2 * pi * 25e3) ** 2
    noise = mechanics.noise_density(mass=300e-12, resonance_hz=25e3, quality=0.5)
    assert k == pytest.approx(7.4022, rel=1e-5)
    assert mechanics.thermal_motion(stiffness=k) == pytest.approx(23.65e-12, rel=2e-4)
    assert noise / STANDARD_GRAVITY == pytest.approx(424.7e-6, rel=2e-4)


@pytest.mark.parametrize(
    ("f0", "nm"),
    [(1e3, 248.41), (5e3, 9.9362), (10e3, 2.4841), (20e3, 0.62101), (25e3, 0.39745)],
)
def test_static_deflection_per_g(f0: float, nm: float) -> None:
    # Computed from x = a / w0^2.
    assert mechanics.deflection(STANDARD_GRAVITY, resonance_hz=f0) * 1e9 == pytest.approx(
        nm, rel=2e-5
    )


def test_pull_in() -> None:
    # Computed: k 1 N/m, d 2 um, A 1e-8 m^2: 5.17409 V; at x = d/3 the net stiffness is 0.
    volts = mechanics.pull_in_one_sided(stiffness=1.0, gap=2e-6, area=1e-8)
    assert volts == pytest.approx(5.17409, abs=1e-5)
    d, x = 2e-6, 2e-6 / 3
    force = mechanics.PERMITTIVITY * 1e-8 * volts**2 / (2 * (d - x) ** 2)
    gradient = mechanics.PERMITTIVITY * 1e-8 * volts**2 / (d - x) ** 3
    assert force == pytest.approx(1.0 * x)
    assert gradient == pytest.approx(1.0)
    both = mechanics.pull_in_two_sided(stiffness=1.0, gap=2e-6, area=1e-8)
    softening = mechanics.electrostatic_softening(area=1e-8, gap=2e-6, volts=both)
    assert 2 * softening == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("z", "percent"), [(0.1, 72.925), (0.2, 52.662), (0.5, 16.303), (0.7071, 4.3214)]
)
def test_overshoot_formula_and_stepped_element(z: float, percent: float) -> None:
    # Computed from exp(-pi z / sqrt(1 - z^2)); the stepped element must show the same.
    assert 100 * mechanics.overshoot(z) == pytest.approx(percent, abs=6e-4)
    rate, f0 = 10_000.0, 500.0
    step = np.zeros((1, 2000))
    step[0, 100:] = 1.0
    out, hits = step_element(
        step,
        rate_hz=rate,
        resonance_hz=f0,
        quality=1 / (2 * z),
        stop=np.inf,
        oversampling=1,
    )
    fine, _ = step_element(
        np.repeat(step, 20, axis=1),
        rate_hz=20 * rate,
        resonance_hz=f0,
        quality=1 / (2 * z),
        stop=np.inf,
    )
    assert fine.max() - 1 == pytest.approx(percent / 100, abs=2e-4)
    assert hits[0] == 0
    assert out[0, -1] == pytest.approx(1.0, abs=1e-9)


def test_the_difference_of_capacitances_is_cubic() -> None:
    small = np.linspace(-0.1, 0.1, 41)
    difference = mechanics.capacitance_difference(small, rest=0.5)
    np.testing.assert_allclose(difference, small * (1 + small**2), atol=1.1e-5)


def test_stop_holds_and_lets_go() -> None:
    rate = 10_000.0
    pulse = np.zeros((2, 1000))
    pulse[0, 200:400] = 300.0
    pulse[1] = pulse[0] * 0.2
    out, hits = step_element(
        pulse, rate_hz=rate, resonance_hz=1000.0, quality=0.7, stop=100.0, oversampling=2
    )
    assert np.abs(out[0]).max() == 100.0
    assert 190 <= hits[0] <= 201
    assert hits[1] == 0
    assert abs(out[0, -1]) < 1e-6
    # The row that never touches the stop is what it is alone.
    alone, _ = step_element(
        pulse[1:], rate_hz=rate, resonance_hz=1000.0, quality=0.7, stop=100.0, oversampling=2
    )
    np.testing.assert_array_equal(out[1:], alone)


def test_stepping_with_and_without_stop_agree_where_the_stop_is_not_reached() -> None:
    # The sample-by-sample step against the filter form of the same exact step.
    from crashsense.sensing.dynamics import _exact_step, _step_with_stop

    rng = np.random.default_rng(5)
    signal = np.cumsum(rng.standard_normal((2, 400)), axis=-1)
    move, now, then = _exact_step(resonance_hz=900.0, quality=2.0, step_s=1e-4)
    slow, _ = _step_with_stop(signal, move, now, then, 1e9)
    quick, _ = step_element(signal, rate_hz=1e4, resonance_hz=900.0, quality=2.0, stop=1e9)
    np.testing.assert_allclose(quick, slow, atol=1e-9)


def test_squeeze_number() -> None:
    assert mechanics.squeeze_number(width=20e-6, gap=2e-6, hz=10e3) == pytest.approx(
        12 * 1.81e-5 * 2 * pi * 1e4 * 4e-10 / (101325 * 4e-12)
    )
