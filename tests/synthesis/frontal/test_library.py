"""The frontal rows: order by speed, draws, times that follow from others."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense.channels import MIRRORED
from crashsense.event import RESTRAINTS
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


#: What befalls a front sensor: each side once.
DAMAGE = {
    "left_lost": ("upfront_left_x", {}),
    "right_stuck": ("upfront_right_x", {"damaged_as": "stuck", "damaged_from_ms": 6.0}),
}


def test_every_no_fire_crash_comes_with_each_front_sensor_lost_or_stuck(recipes):
    """A rule must hold them with either front sensor gone; the recipes differ in nothing else."""
    missing, checked = [], 0
    for recipe in recipes.values():
        if recipe.model.name != "frontal_impact" or recipe.parameters.damaged:
            continue
        for state, event in zip(recipe.belts, recipe.event_names, strict=True):
            wanted = recipe.requirements[state]
            if wanted["front_airbag_stage_1"].expectation != "no_fire":
                continue
            for suffix, (sensor, more) in DAMAGE.items():
                variant = recipes.get(f"{event}_{suffix}")
                if variant is None:
                    missing.append(f"{event}_{suffix}")
                    continue
                # A recipe struck on the right is the mirror image, its damage too.
                damaged = (MIRRORED[sensor] if recipe.is_mirrored else sensor,)
                expected = {**recipe.parameters.model_dump(), "damaged": damaged, **more}
                assert variant.parameters.model_dump() == expected, variant.name
                assert variant.struck_side == recipe.struck_side, variant.name
                assert variant.belts == (state,), variant.name
                for restraint in RESTRAINTS:
                    ours = variant.requirements[state][restraint].expectation
                    assert ours == wanted[restraint].expectation, (variant.name, restraint)
                checked += 1
    assert not missing
    assert checked >= 38


@pytest.mark.parametrize("name", ["wall_full_8_hard", "odb_40_20_right_belted"])
def test_a_damaged_front_sensor_is_the_one_that_is_named(recipes, name):
    lost = recipes[f"{name}_left_lost"].events()[0]
    assert "upfront_left_x" not in lost.signals
    assert "upfront_left_x" not in lost.quiet
    stuck = recipes[f"{name}_right_stuck"].events()[0].signals
    right, left = (stuck[f"upfront_{side}_x"].samples for side in ("right", "left"))
    broken = round((0.006 - stuck["upfront_right_x"].start_s) * stuck["upfront_right_x"].rate_hz)
    assert np.ptp(right[broken:]) == 0.0
    assert np.ptp(left[broken:]) > 1.0
