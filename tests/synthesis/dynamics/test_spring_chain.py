"""The chain integrator against closed forms, and the balances that must hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crashsense.errors import InputError
from crashsense.synthesis.dynamics.spring_chain import (
    Chain,
    CrushSpring,
    integrate_chains,
    largest_stable_step,
)


def line(stiffness: float, *, to: float = 1.0) -> np.ndarray:
    return np.array([[0.0, 0.0], [to, stiffness * to]])


def run(masses, springs, speeds, *, duration=0.2, substeps=2):
    chain = Chain(
        np.asarray(masses, dtype=float),
        springs,
        np.asarray(speeds, dtype=float),
        duration,
        stored_step_s=1e-4,
        substeps=substeps,
        ledger=True,
    )
    (motion,) = integrate_chains([chain])
    return motion


def test_elastic_spring_of_a_mass_on_a_fixed_body() -> None:
    # Undamped spring: C = V sqrt(m / k) at t = (pi / 2) sqrt(m / k); the mass leaves with -V.
    mass, stiffness, speed = 1000.0, 8e5, 10.0
    spring = CrushSpring("s", 0, 1, line(stiffness), stiffness)
    motion = run([[mass], [np.inf]], [spring], [[speed], [0.0]])
    crush = motion.compression[:, 0, 0]
    assert crush.max() == pytest.approx(speed * np.sqrt(mass / stiffness), rel=1e-4)
    at = np.argmax(crush) * 1e-4
    assert at == pytest.approx(0.5 * np.pi * np.sqrt(mass / stiffness), abs=1.5e-4)
    assert motion.velocity[-1, 0, 0] == pytest.approx(-speed, rel=1e-3)


def test_plastic_two_body_impact_ends_at_the_common_speed() -> None:
    # Two-body momentum: v = m1 V / (m1 + m2) (1 + e) for the struck body, e -> 0.
    spring = CrushSpring("s", 0, 1, line(5e5), 5e8)
    motion = run([[950.0], [1500.0]], [spring], [[50 / 3.6], [0.0]], substeps=8)
    common = 950.0 / 2450.0 * 50 / 3.6
    assert motion.velocity[-1, 1, 0] == pytest.approx(common, rel=0.04)
    assert motion.velocity[-1, 1, 0] >= common


def test_restitution_of_a_bilinear_spring() -> None:
    # Loading k, unloading K: e = sqrt(k / K) exactly.
    for ratio in (1.0, 4.0, 25.0):
        spring = CrushSpring("s", 0, 1, line(4e5), 4e5 * ratio)
        motion = run([[1200.0], [1500.0]], [spring], [[12.0], [0.0]], substeps=4)
        e = (motion.velocity[-1, 1, 0] - motion.velocity[-1, 0, 0]) / 12.0
        assert e == pytest.approx(np.sqrt(1.0 / ratio), rel=0.01)


def polygon_chain(*, rate=0.01, damper=2e3):
    springs = [
        CrushSpring(
            "outer",
            0,
            1,
            np.array([[0, 0], [0.05, 3e4], [0.2, 8e4], [0.4, 2.5e5]]),
            4e6,
            rate_s_per_m=rate,
        ),
        CrushSpring(
            "inner",
            1,
            2,
            np.array([[0, 0], [0.1, 1.2e5], [0.3, 1e5], [0.5, 4e5]]),
            6e6,
            damper_n_s_per_m=damper,
            holds=True,
            stand_off=0.0,
        ),
    ]
    return np.array([[900.0], [60.0], [1400.0]]), springs, np.array([[14.0], [0.0], [0.0]])


def test_momentum_and_energy_balance() -> None:
    masses, springs, speeds = polygon_chain()
    motion = run(masses, springs, speeds, substeps=8)
    momentum = (masses[None] * motion.velocity).sum(axis=1)[:, 0]
    np.testing.assert_allclose(momentum, 900.0 * 14.0, rtol=1e-10)
    kinetic = motion.kinetic_energy().sum(axis=1)[:, 0]
    elastic = motion.elastic_energy().sum(axis=1)[:, 0]
    absorbed = motion.absorbed_energy().sum(axis=1)[:, 0]
    total = kinetic + elastic + absorbed
    # Kinetic + elastic + absorbed = initial within 0.5 %; absorbed comes from the curves alone.
    np.testing.assert_allclose(total, kinetic[0], rtol=5e-3)
    assert absorbed[-1] > 0.5 * kinetic[0]
    assert (np.diff(absorbed) > -1e-6 * kinetic[0]).all()


def test_stand_off_delays_contact() -> None:
    spring = CrushSpring("s", 0, 1, line(5e5), 5e5, stand_off=np.array([0.0, 0.05]))
    motion = run(np.full((2, 2), 1000.0), [spring], [[10.0, 10.0], [0.0, 0.0]])
    touched = [np.argmax(motion.force[:, 0, row] > 0) for row in (0, 1)]
    assert touched[1] - touched[0] == pytest.approx(50, abs=1)


def test_rows_do_not_depend_on_their_neighbours() -> None:
    masses, springs, speeds = polygon_chain()
    wide = [CrushSpring(**{**s.__dict__, "scale": np.linspace(0.8, 1.2, 7)}) for s in springs]
    all_rows = run(np.repeat(masses, 7, axis=1), wide, np.repeat(speeds, 7, axis=1))
    for row in (0, 3, 6):
        alone = [CrushSpring(**{**s.__dict__, "scale": s.scale[row : row + 1]}) for s in wide]
        one = run(masses, alone, speeds)
        assert np.array_equal(one.velocity[..., 0], all_rows.velocity[..., row])


def test_impossible_springs_are_refused_together() -> None:
    soft = CrushSpring("soft", 0, 1, line(5e5), 1e5)
    back = CrushSpring("back", 0, 1, np.array([[0, 0], [0.2, 1e4], [0.1, 2e4]]), 1e7)
    loose = CrushSpring("loose", 0, 1, line(1e5), 1e6, damper_n_s_per_m=10.0)
    with pytest.raises(InputError, match="no softer than the steepest") as caught:
        run([[1.0], [1.0]], [soft, back, loose], [[1.0], [0.0]])
    assert [fault.field for fault in caught.value.faults] == [
        "soft.unloading",
        "back",
        "loose.damper",
    ]


def test_an_unstable_step_is_refused() -> None:
    spring = CrushSpring("s", 0, 1, line(5e9), 5e9)
    with pytest.raises(InputError, match="step"):
        run([[1.0], [1500.0]], [spring], [[1.0], [0.0]])
    assert largest_stable_step([1.0, np.inf], [spring]) == pytest.approx(2 / np.sqrt(1e10))


@pytest.mark.parametrize("ledger", [False, True])
def test_chains_side_by_side_have_the_bits_of_each_by_itself(ledger: bool) -> None:
    """Curves of one ramp and of two, a chain of three bodies, another duration."""
    bent = np.array([[0.0, 0.0], [0.1, 3e4], [0.5, 2e5]])
    soft = CrushSpring("s", 0, 1, line(4e5), 2e6, scale=np.array([1.0, 1.2]), rate_s_per_m=0.02)
    held = CrushSpring("h", 0, 1, bent, 3e6, stand_off=0.02, damper_n_s_per_m=2e3, holds=True)
    last = CrushSpring("t", 1, 2, line(3e5), 3e6)
    chains = [
        Chain(
            np.full((bodies, size), 900.0) + 100.0 * np.arange(size),
            springs,
            np.repeat([[12.0], [0.0], [-3.0]][:bodies], size, axis=1),
            duration,
            1e-4,
            2,
            ledger,
        )
        for bodies, size, springs, duration in (
            (2, 2, [soft], 0.1), (2, 3, [held], 0.1), (2, 1, [held], 0.08),
            (3, 2, [soft, last], 0.1),
        )
    ]  # fmt: skip
    # Of other steps, in one number each.
    chains += [
        replace(chains[1], stored_step_s=1.25e-4, duration_s=0.125),
        replace(chains[1], substeps=3),
        replace(chains[1], ledger=not ledger),
    ]
    found = integrate_chains(chains)
    assert found[0].velocity.base is found[1].velocity.base  # marched as one
    for chain, motion in zip(chains, found, strict=True):
        (alone,) = integrate_chains([chain])
        for name in ("velocity", "position", "force", "compression", "largest", "masses"):
            assert getattr(motion, name).tobytes() == getattr(alone, name).tobytes(), name
        assert motion.springs == alone.springs
