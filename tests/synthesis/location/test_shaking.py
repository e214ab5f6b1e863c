"""Steps of random shaking: against the formula of an oscillator, compiled against arrays."""

import numpy as np
import pytest

from crashsense import engine
from crashsense.synthesis.location import Place, shake
from crashsense.synthesis.location.shaking import mode_powers, put_spectra, sum_in_envelopes
from crashsense.synthesis.model import Variation


def test_power_of_the_modes_is_that_of_oscillators():
    """H = s^2 / (s^2 + 2 z w s + w^2): acceleration of an oscillator against its base, as handbooks
    of vibration have it."""
    rng = np.random.default_rng(7)
    frequency, damping = rng.uniform(50, 2000, (3, 4)), rng.uniform(0.01, 0.3, (3, 4))
    weight = rng.uniform(0.1, 1.0, (3, 4))
    at_hz = np.linspace(20.0, 2500.0, 311)
    found = np.empty((3, at_hz.size))
    mode_powers(np.square(at_hz), frequency, damping, weight, found)
    for row in range(3):
        expected = 0.0
        for f, z, w in zip(frequency[row], damping[row], weight[row], strict=True):
            s, own = 2j * np.pi * at_hz, 2 * np.pi * f
            answer = s * s / (s * s + 2 * z * own * s + own * own)
            expected = expected + w * w * (np.abs(answer) ** 2)
        np.testing.assert_allclose(found[row], expected, rtol=1e-9)


def test_bins_hold_own_and_common_numbers_in_their_class():
    own = np.arange(1.0, 13.0).reshape(1, 2, 6)
    common = np.full((1, 2, 2), 100.0)
    out = np.zeros((1, 3, 9), dtype=complex)
    amplitude = np.array([[1.0, 2.0, 1.0, 1.0, 1.0, 3.0]])
    put_spectra(own, common, 0.5, 0.25, amplitude, np.array([0, 1, 2, 6]), 2, out)
    expected = np.zeros((3, 9), dtype=complex)
    expected[0, 2] = (0.25 * 1 + 50) + 1j * (0.25 * 7 + 50)
    expected[1, 3] = 2 * (0.25 * 2 + 50) + 2j * (0.25 * 8 + 50)
    expected[2, 4:8] = [3 + 9j, 4 + 10j, 5 + 11j, 3 * (6 + 12j)]
    np.testing.assert_allclose(out[0], expected)


def test_compiled_loops_give_the_bits_of_arrays():
    pytest.importorskip("numba")
    rng = np.random.default_rng(1)
    with engine.using("fast"):
        compiled = engine.kernels()
    frequency_2 = engine.given(np.square(np.linspace(20.0, 2500.0, 509)))
    modes = [engine.given(rng.uniform(0.01, 900.0, (5, 9))) for _ in range(3)]
    found = [np.empty((5, 509)) for _ in range(2)]
    compiled.mode_powers(frequency_2, *modes, found[0])
    mode_powers(frequency_2, *modes, found[1])
    np.testing.assert_array_equal(*found)

    own, common = rng.normal(size=(5, 2, 509)), rng.normal(size=(5, 2, 77))
    amplitude = rng.uniform(size=(5, 509))
    edges = np.array([0, 36, 77, 509])
    bins = [np.zeros((5, 3, 1025), dtype=complex) for _ in range(2)]
    for function, out in zip((compiled.put_spectra, put_spectra), bins, strict=True):
        function(own, common, 0.9, 0.4, amplitude, edges, 4, out)
    np.testing.assert_array_equal(*bins)

    motion, envelope = rng.normal(size=(5, 3, 64)), rng.uniform(size=(5, 3, 50))
    sums = [np.empty((5, 50)) for _ in range(2)]
    compiled.sum_in_envelopes(motion.copy(), envelope, sums[0])
    sum_in_envelopes(motion.copy(), envelope, sums[1])
    np.testing.assert_array_equal(*sums)


@pytest.mark.parametrize("draws", [1, 3, 4, 37])
def test_shaking_is_the_same_by_either_engine(draws):
    pytest.importorskip("numba")
    rng = np.random.default_rng(draws)
    places = {"central_x": Place(group="floor"), "side_left_y": Place()}
    question = {
        "power": rng.uniform(-10, 900, (draws, 600)),
        "nearness": rng.uniform(0, 1.2, (draws, 600)),
        "variation": Variation(draws=np.arange(draws), seed=3, occurrence="wall"),
        "rate_hz": 10000.0,
    }
    answers = []
    for name in engine.ENGINES:
        with engine.using(name):
            answers.append(shake(places, **question))
    for channel in places:
        np.testing.assert_array_equal(answers[0][channel], answers[1][channel])


@pytest.mark.parametrize("nearness", [0.0, 0.5, 1.0])
def test_one_nearness_is_the_same_as_a_history_of_it(nearness):
    """One spectrum for all bands instead of one for each class: the same to rounding."""
    rng = np.random.default_rng(8)
    places = {"central_x": Place(group="floor", level_high=0.7), "side_left_y": Place()}
    power = rng.uniform(-10, 900, (5, 600))
    about = {
        "power": power,
        "variation": Variation(draws=np.arange(5), seed=3, occurrence="wall"),
        "rate_hz": 10000.0,
    }
    one = shake(places, nearness=nearness, **about)
    history = shake(places, nearness=np.full(power.shape, nearness), **about)
    for channel in places:
        largest = np.abs(history[channel]).max()
        np.testing.assert_allclose(one[channel], history[channel], rtol=0, atol=1e-13 * largest)
