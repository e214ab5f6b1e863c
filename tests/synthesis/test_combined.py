"""Kerb, then wall: continuing state, and free flight from the wall."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense.synthesis import load_recipes

DELAYS = (20, 100, 200)


@pytest.fixture(scope="module")
def recipes():
    return {recipe.name: recipe for recipe in load_recipes()}


@pytest.mark.quick(1)
@pytest.mark.parametrize("delay", DELAYS)
def test_wall_is_met_at_the_speed_that_the_kerb_left(recipes, delay):
    recipe = recipes[f"kerb_then_wall_40_{delay}"]
    event = recipe.synthesise([0], seed=0)
    assert event.facts["wall_contact_s"][0] == pytest.approx(1e-3 * delay)
    kerb = -np.cumsum(event.cabin_x[0])[round((0.05 + 1e-3 * delay) * 1e4) - 1] / 1e4
    left = event.facts["speed_at_wall_m_s"][0]
    assert 40 / 3.6 - kerb == pytest.approx(left, abs=2e-3)
    # the car is stopped: what the wall takes is the speed left and a rebound
    total = -np.cumsum(event.cabin_x[0]) / 1e4
    assert total.max() == pytest.approx(kerb + event.facts["wall_velocity_change_m_s"][0], abs=0.4)
    assert event.facts["wall_velocity_change_m_s"][0] > left


@pytest.mark.quick(1)
@pytest.mark.parametrize("delay", DELAYS)
def test_required_time_counts_from_the_wall_and_earlier_is_early(recipes, delay):
    """Event matrix row M11 (memory): F07 plus the time of the wall."""
    wall = recipes["wall_full_40"].events()[0].requirements["front_airbag_stage_1"]
    both = recipes[f"kerb_then_wall_40_{delay}"].events()[0]
    requirement = both.requirements["front_airbag_stage_1"]
    assert requirement.expectation == "fire"
    assert requirement.origin_s == requirement.not_before_s == pytest.approx(1e-3 * delay)
    assert requirement.required_s - 1e-3 * delay == pytest.approx(wall.required_s, abs=0.003)


@pytest.mark.slow
def test_before_the_wall_the_event_is_the_kerb_alone(recipes):
    both = recipes["kerb_then_wall_40_200"].synthesise([0], seed=0)
    kerb = recipes["kerb_climb_40"].synthesise([0], seed=0)
    assert recipes["kerb_climb_40"].parameters.height_mm == 125.0
    index = np.arange(round(0.19 * 2000))
    coarse = kerb.cabin_x[0][round(0.1 * 2000) + index]
    fine = both.cabin_x[0][500 + 5 * index]
    # other step, same motion
    assert np.cumsum(coarse)[-1] / 2000 == pytest.approx(np.cumsum(fine)[-1] / 2000, abs=0.03)
    assert np.abs(coarse - fine).max() < 0.1 * np.abs(coarse).max()


@pytest.mark.slow
def test_draws_differ_and_do_not_depend_on_the_block(recipes):
    recipe = recipes["kerb_then_wall_40_100"]
    block = recipe.synthesise(range(13), seed=2)
    alone = recipe.synthesise([7], seed=2)
    for name, samples in block.signals.items():
        assert np.array_equal(samples[7:8], alone.signals[name]), name
    assert np.ptp(block.facts["speed_at_wall_m_s"]) > 0.01
