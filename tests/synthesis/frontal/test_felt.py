"""What is felt in a frontal crash: formulas, and the compiled steps against arrays."""

import numpy as np
import pytest

from crashsense import engine
from crashsense.compiled.felt import cosine_and_sine
from crashsense.synthesis.dynamics.lumped import ROWS, Motion
from crashsense.synthesis.frontal import felt
from crashsense.synthesis.frontal.impact import FrontalParameters, build_system
from crashsense.synthesis.model import Variation


def test_cosine_and_sine_are_those_of_the_mathematical_library():
    angle = np.concatenate([np.linspace(-3.2, 3.2, 6401), [0.0, 1e-9, -1e-300]])
    cosine, sine = cosine_and_sine(angle)
    np.testing.assert_allclose(cosine, np.cos(angle), rtol=0, atol=2e-15)
    np.testing.assert_allclose(sine, np.sin(angle), rtol=0, atol=2e-15)
    turn = np.linspace(-2.0 * np.pi, 2.0 * np.pi, 6401)
    np.testing.assert_allclose(cosine_and_sine(turn), [np.cos(turn), np.sin(turn)], atol=5e-12)
    small = angle[np.abs(angle) < 0.3]
    np.testing.assert_allclose(cosine_and_sine(small)[1], np.sin(small), rtol=1e-15)


def some_motion(draws, samples, rest):
    """Rows of a motion that is nothing but random, at rest before contact."""
    rng = np.random.default_rng(draws)
    rows = rng.normal(scale=100.0, size=(len(ROWS), draws, samples))
    rows[ROWS.index("yaw")] *= 0.3
    rows[ROWS.index("power")] = np.abs(rows[ROWS.index("power")])
    rows[ROWS.index("power"), :, samples // 2 :] *= 1e-3  # less than the least that divides
    rows[:, :, :rest] = 0.0
    return Motion(rate_hz=felt.RATE_HZ, rows=rows, ledger={})


@pytest.mark.parametrize(("draws", "samples"), [(1, 900), (8, 403), (11, 1001)])
def test_steps_are_the_same_by_either_engine(draws, samples):
    pytest.importorskip("numba")
    motion = some_motion(draws, samples, 50)
    parameters = FrontalParameters(
        obstacle="moving_barrier", speed_kmh=50.0, obstacle_mass_kg=900.0
    )
    system = build_system(parameters, Variation(draws=np.arange(draws), seed=1, occurrence="some"))
    found = []
    for name in engine.ENGINES:
        with engine.using(name):
            home = engine.kernels() or felt
            places = np.empty((3, draws, samples))
            home.put_motion(
                engine.given(motion.rows),
                *(engine.given(np.array(one)) for one in ([3, 0, 3], [0.4, 0.0, -1.0])),
                engine.given(np.array([-0.7, 0.0, 0.2])),
                engine.given(np.array([True, False, False])),
                1.0 / felt.RATE_HZ,
                places,
            )
            power, near = np.empty((2, draws, samples - 50))
            felt.put_power(system, motion, 50, power, near)
            found.append((places, power, near))
    for one, other in zip(*found, strict=True):
        assert np.ptp(one) > 0.0
        np.testing.assert_array_equal(one, other)


def test_a_place_moves_as_a_rigid_body_in_its_own_axes():
    """Constant yaw acceleration from rest: w = w' t, angle = w' t^2 / 2 but for a step's width."""
    samples, step = 500, 1.0 / felt.RATE_HZ
    rows = np.zeros((len(ROWS), 1, samples))
    rows[3], rows[4], rows[5] = -200.0, 30.0, 40.0
    out = np.empty((2, 1, samples))
    felt.put_motion(
        rows, np.array([3, 3]), np.array([1.2, 1.2]), np.array([0.5, 0.5]),
        np.array([False, True]), step, out,
    )  # fmt: skip
    n = np.arange(1, samples + 1)
    rate, angle = 40.0 * n * step, 40.0 * n * (n + 1) / 2 * step**2
    x = -200.0 * np.cos(angle) + 30.0 * np.sin(angle) - 0.5 * 40.0 - 1.2 * rate**2
    y = 30.0 * np.cos(angle) + 200.0 * np.sin(angle) + 1.2 * 40.0 - 0.5 * rate**2
    np.testing.assert_allclose(out[0, 0], x, rtol=1e-12)
    np.testing.assert_allclose(out[1, 0], y, rtol=1e-12)
