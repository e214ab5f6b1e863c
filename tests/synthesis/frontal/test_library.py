"""The frontal rows: order by speed, draws, times that follow from others."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense.synthesis import load_recipes

WALLS = (25, 32, 40, 48, 56, 64)


@pytest.fixture(scope="module")
def recipes():
    return {recipe.name: recipe for recipe in load_recipes()}


def test_harder_walls_change_speed_more_and_leave_less_time(recipes):
    events = [recipes[f"wall_full_{speed}"].events()[0] for speed in WALLS]
    change = [event.metadata["facts"]["velocity_change_m_s"] for event in events]
    required = [event.requirements["front_airbag_stage_1"].required_s for event in events]
    assert np.all(np.diff(np.abs(change)) > 0)
    assert np.all(np.diff(required) < 0)


def test_velocity_change_lies_between_plastic_and_elastic(recipes):
    # Conservation of momentum against a fixed wall: V (1 + e) with 0 <= e <= 1.
    for speed in WALLS:
        event = recipes[f"wall_full_{speed}"].events()[0]
        change = abs(event.metadata["facts"]["velocity_change_m_s"])
        assert speed / 3.6 <= change <= 2 * speed / 3.6


def test_variants_are_the_same_bits_in_any_block(recipes):
    recipe = recipes["odb_40_56"]
    whole = recipe.block(range(40), seed=5)
    some = recipe.block([0, 3, 39], seed=5)
    for channel, signal in some.signals.items():
        other = whole.signals[channel].samples
        rows = other if other.shape[0] == 1 else other[[0, 3, 39]]
        assert np.array_equal(signal.samples, rows), channel
    ours, theirs = (b.required_s[recipe.event_names[0]] for b in (some, whole))
    assert np.array_equal(ours["front_airbag_stage_1"], theirs["front_airbag_stage_1"][[0, 3, 39]])
    assert np.ptp(theirs["front_airbag_stage_1"][1:]) > 0


def test_nominal_is_the_same_for_every_seed(recipes):
    recipe = recipes["wall_full_40"]
    one, other = (recipe.block([0], seed=seed).signals["central_x"] for seed in (1, 2))
    assert np.array_equal(one.samples, other.samples)


def test_second_stage_is_due_ten_milliseconds_after_the_first(recipes):
    # Convention of the library's requirements: stage 2 by the required time plus 10 ms.
    for draws in ([0], [0, 1, 2]):
        recipe = recipes["wall_full_56"]
        required = recipe.block(draws, seed=1).required_s[recipe.event_names[0]]
        later = required["front_airbag_stage_2"] - required["front_airbag_stage_1"]
        np.testing.assert_allclose(later, 0.010, rtol=0, atol=1e-12)
    combined = recipes["kerb_then_wall_40_100"]
    required = combined.block([0, 1, 2], seed=1).required_s[combined.event_names[0]]
    later = required["front_airbag_stage_2"] - required["front_airbag_stage_1"]
    np.testing.assert_allclose(later, 0.010, rtol=0, atol=1e-12)
