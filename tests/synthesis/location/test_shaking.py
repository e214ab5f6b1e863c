"""Steps of random shaking: against formulas, compiled against arrays and numpy's transform."""

import numpy as np
import pytest

from crashsense import engine
from crashsense.synthesis.location import Place, shake
from crashsense.synthesis.location.place import drawn_modes as place_modes
from crashsense.synthesis.location.place import modes_of
from crashsense.synthesis.location.transform import amplitudes, mode_powers
from crashsense.synthesis.model import Variation


def drawn_modes(rng, draws=3, modes=4):
    """Frequency, damping and weight of some modes."""
    shape = (draws, modes)
    return np.stack(
        [rng.uniform(50, 2000, shape), rng.uniform(0.01, 0.3, shape), rng.uniform(0.1, 1.0, shape)]
    )


def test_power_of_the_modes_is_that_of_oscillators():
    """H = s^2 / (s^2 + 2 z w s + w^2): acceleration of an oscillator against its base, as handbooks
    of vibration have it."""
    modes = drawn_modes(np.random.default_rng(7))
    at_hz = np.linspace(20.0, 2500.0, 311)
    found = mode_powers(np.square(at_hz), modes)
    for row in range(3):
        expected = 0.0
        for f, z, w in modes[:, row].T:
            s, own = 2j * np.pi * at_hz, 2 * np.pi * f
            answer = s * s / (s * s + 2 * z * own * s + own * own)
            expected = expected + w * w * (np.abs(answer) ** 2)
        np.testing.assert_allclose(found[row], expected, rtol=1e-9)


def test_amplitudes_give_each_band_its_level_and_the_colour_of_the_modes():
    rng = np.random.default_rng(5)
    modes, gain = drawn_modes(rng), rng.uniform(0.5, 2.0, (3, 2))
    frequency_2, borders = np.square(np.linspace(30.0, 900.0, 60)), np.array([4, 24, 64])
    found = amplitudes(frequency_2, modes, gain, borders)
    colour = mode_powers(frequency_2, modes)
    for band, part in enumerate((slice(0, 20), slice(20, 60))):
        np.testing.assert_allclose(np.square(found[:, part]).sum(axis=1), gain[:, band] ** 2)
        share = np.square(found[:, part]) / colour[:, part]
        np.testing.assert_allclose(share, np.broadcast_to(share[:, :1], share.shape))


@pytest.mark.parametrize(
    ("draws", "samples", "near"),
    [(1, 600, True), (3, 301, True), (4, 1029, False), (37, 200, True), (70, 130, False)],
)
def test_shaking_is_the_same_by_either_engine(draws, samples, near):
    """Odd and even numbers of samples, transforms of a power of 4 and of twice that, groups
    that are full and not, one class of bands and three; added to what is there, from a sample
    on. Where numpy is compiled with fused multiplication, its transform may differ in a last bit.
    """
    pytest.importorskip("numba")
    rng = np.random.default_rng(draws)
    places = {
        "central_x": Place(group="floor"), "side_left_y": Place(modes=4),
        "central_y": Place(group="sill", level=0.4), "side_right_y": Place(group="floor", modes=1),
    }  # fmt: skip
    there = {name: rng.normal(size=(draws, samples + 7)) for name in places}
    question = {
        "power": rng.uniform(-10, 900, (draws, samples)),
        "nearness": rng.uniform(0, 1.2, (draws, samples)) if near else 0.3,
        "variation": Variation(draws=np.arange(draws), seed=3, occurrence="wall"),
        "rate_hz": 10000.0,
    }
    answers = []
    for name in engine.ENGINES:
        with engine.using(name):
            into = {channel: values.copy() for channel, values in there.items()}
            answers.append(shake(places, into=into, begin=5, **question))
    for channel, before in there.items():
        np.testing.assert_array_equal(answers[0][channel], answers[1][channel])
        added = answers[0][channel] != before
        assert not added[:, :5].any()
        assert not added[:, samples + 5 :].any()
        assert added[:, 5 : samples + 5].mean() > 0.9


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


@pytest.mark.parametrize(
    "signal",
    [
        np.zeros((5, 604)),
        np.zeros((4, 800)),
        np.zeros((6, 800)),
        np.zeros((800, 5)).T,
        np.zeros((5, 800), np.float32),
        np.frombuffer(bytes(8 * 5 * 800)).reshape(5, 800),  # read only
    ],
)
def test_signals_that_a_kernel_would_not_find_are_refused(signal):
    about = {
        "power": np.ones((5, 600)),
        "variation": Variation(draws=np.arange(5), seed=3, occurrence="wall"),
        "rate_hz": 10000.0,
    }
    with pytest.raises(ValueError, match="into central_x: expected 5 rows of 605 samples"):
        shake({"central_x": Place()}, into={"central_x": signal}, begin=5, **about)


def test_modes_of_several_places_are_those_of_each():
    places = {"central_x": Place(), "side_left_y": Place(modes=4), "central_y": Place(damping=0.1)}
    variation = Variation(draws=np.arange(7), seed=3, occurrence="wall")
    together = modes_of(places, variation=variation)
    for name, place in places.items():
        alone = place_modes(place, name, variation=variation)
        for found, expected in zip(together[name].of_mode, alone.of_mode, strict=True):
            np.testing.assert_array_equal(found, expected)
    assert not np.array_equal(together["central_x"].weight, together["central_y"].weight)
