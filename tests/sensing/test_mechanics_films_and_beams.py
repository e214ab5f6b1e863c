"""Squeeze film, beams and pull-in under load, against limits and numerical solutions."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest

from crashsense.sensing import mechanics

PLATE = {"gap": 2e-6, "pressure": 101325.0, "viscosity": 1.81e-5}


@pytest.mark.parametrize(("shape", "share"), [(100.0, None), (2.0, 0.687), (1.0, 0.4217)])
def test_squeeze_film_of_a_slow_plate(shape: float, share: float | None) -> None:
    # Rectangles against the strip mu L w^3 / d^3: 2:1 0.687, square 0.4217. The same sum as in the
    # torsion of a bar and the flow in a duct, 1 - 192 w / (pi^5 L) sum tanh(n pi L / 2 w) / n^5
    # (Timoshenko and Goodier, Theory of Elasticity; from memory).
    width = 20e-6
    slow, spring = mechanics.squeeze_film(length=shape * width, width=width, hz=1.0, **PLATE)
    strip = PLATE["viscosity"] * shape * width * width**3 / PLATE["gap"] ** 3
    odd = np.arange(1, 400, 2)
    exact = 1 - 192 / (pi**5 * shape) * np.sum(np.tanh(odd * pi * shape / 2) / odd**5.0)
    assert slow / strip == pytest.approx(exact, rel=8e-3)
    if share is not None:
        assert exact == pytest.approx(share, abs=1e-3)
        assert slow / strip == pytest.approx(exact, rel=1e-3)
    assert spring < 1e-3 * 2 * pi * slow


def test_squeeze_film_of_a_fast_plate_is_a_spring_and_both_meet_in_between() -> None:
    # s -> inf: the gas has no time to leave, k = p A / d. Both forces are alike near the cut-off
    # squeeze number pi^2 (1 + c^2) (Blech 1983, from memory), exactly so for the first term of the
    # series; the other terms move it by some per cent.
    side = 500e-6
    fast, spring = mechanics.squeeze_film(length=side, width=side, hz=1e8, **PLATE)
    assert spring == pytest.approx(101325.0 * side**2 / 2e-6, rel=0.05)
    assert 2 * pi * 1e8 * fast < 0.05 * spring
    for shape in (1.0, 4.0):
        cut = pi**2 * (1 + 1 / shape**2)
        hz = cut * 101325.0 * 4e-12 / (12 * 1.81e-5 * side**2 * 2 * pi)
        damping, spring = mechanics.squeeze_film(length=shape * side, width=side, hz=hz, **PLATE)
        assert 2 * pi * hz * damping / spring == pytest.approx(1.0, abs=0.25)


@pytest.mark.parametrize("ratio", [5.0, 20.0, 60.0])
def test_beam_against_a_numerical_solution(ratio: float) -> None:
    # The fourth derivative of the deflection vanishes between the ends; clamped at one, guided at
    # the other with a unit force: scipy's boundary value problem, in units of length and E I.
    from scipy.integrate import solve_bvp

    length, across, along, young = ratio * 3e-6, 3e-6, 25e-6, 169e9
    inertia = along * across**3 / 12

    def rise(_: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.vstack([y[1], y[2], y[3], np.zeros_like(y[0])])

    def ends(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        return np.array([a[0], a[1], b[1], b[3] + 1.0])

    solved = solve_bvp(rise, ends, np.linspace(0, 1, 11), np.zeros((4, 11)))
    want = young * inertia / length**3 / solved.y[0, -1]
    got = mechanics.beam_stiffness(young=young, across=across, along=along, length=length)
    assert got == pytest.approx(want, rel=1e-6)
    # Largest stress: E w / 2 times the curvature at the clamp.
    curvature = abs(solved.y[2, 0]) / solved.y[0, -1] / length**2
    stress = mechanics.beam_stress(young=young, across=across, deflection=1e-6, length=length)
    assert stress == pytest.approx(young * across / 2 * curvature * 1e-6, rel=1e-6)


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
def test_snap_under_load_is_the_largest_load_that_can_be_held(share: float) -> None:
    from scipy.optimize import minimize_scalar

    k, d, area = 50.0, 2e-6, 1.2e-7
    volts = share * mechanics.pull_in_two_sided(stiffness=k, gap=d, area=area)
    numbers = {"stiffness": k, "gap": d, "area": area, "volts": volts}
    found = minimize_scalar(
        lambda x: -mechanics.load_at(deflection=x * d, **numbers),
        bounds=(0.0, 0.999),
        method="bounded",
        options={"xatol": 1e-10},
    )
    assert mechanics.snap_deflection(**numbers) / d == pytest.approx(found.x, abs=1e-5)


def test_ends_of_the_snap() -> None:
    numbers = {"stiffness": 50.0, "gap": 2e-6, "area": 1.2e-7}
    pull = mechanics.pull_in_two_sided(**numbers)
    assert mechanics.snap_deflection(volts=0.0, **numbers) == 2e-6
    assert mechanics.snap_deflection(volts=pull * 1.0001, **numbers) == 0.0
    assert mechanics.snap_deflection(volts=pull * 0.9999, **numbers) < 0.1e-6


@pytest.mark.parametrize("share", [0.1, 0.5, 0.99])
def test_one_sided_pull_in_by_the_roots_of_the_cubic(share: float) -> None:
    # k x = e A V^2 / 2 (d - x)^2, a cubic in x / d: below pull-in it has a root under 1/3, above
    # none but the one beyond the electrode.
    k, d, area = 1.0, 2e-6, 1e-8
    limit = mechanics.pull_in_one_sided(stiffness=k, gap=d, area=area)

    def real_roots(volts: float) -> np.ndarray:
        u = mechanics.PERMITTIVITY * area * volts**2 / (2 * k * d**3)
        roots = np.roots([1.0, -2.0, 1.0, -u])
        return np.sort(roots[np.abs(roots.imag) < 1e-9].real)

    below, above = real_roots(share * limit), real_roots(1.001 * limit)
    assert 0 < below[0] < 1 / 3
    assert above.size == 1
    assert above[0] > 1.0


def test_thermal_motion_by_equipartition() -> None:
    # The noise density through the element's own response, integrated: k <x^2> = kB T.
    from scipy.integrate import quad

    mass, f0, q = 1e-8, 8e3, 2.5
    density = mechanics.noise_density(mass=mass, resonance_hz=f0, quality=q)
    stiffness = mass * (2 * pi * f0) ** 2

    def power(r: float) -> float:
        return 1.0 / ((1 - r * r) ** 2 + (r / q) ** 2)

    total = quad(power, 0, 5, limit=200)[0] + quad(power, 5, np.inf)[0]
    motion = density / (2 * pi * f0) ** 2 * sqrt(f0 * total)
    assert motion == pytest.approx(mechanics.thermal_motion(stiffness=stiffness), rel=1e-6)


def test_viscosity_and_free_path() -> None:
    # Air at 20 degC 18.1 to 18.2, at 100 degC 21.8 uPa s (handbook, from memory).
    assert mechanics.viscosity(293.15) == pytest.approx(18.15e-6, rel=5e-3)
    assert mechanics.viscosity(373.15) == pytest.approx(21.8e-6, rel=5e-3)
    # A wide gap at full pressure changes nothing; in thin gas viscosity goes with p^1.159.
    wide = mechanics.thinned_viscosity(1.0, gap=1e-3, pressure_25=1e5)
    assert wide == pytest.approx(1.0, abs=2e-3)
    thin = [mechanics.thinned_viscosity(1.0, gap=2e-6, pressure_25=p) for p in (0.1, 0.2)]
    assert thin[1] / thin[0] == pytest.approx(2**1.159, rel=1e-3)
