"""Frontal crashes on the right are the mirror image of those on the left."""

import numpy as np
import pytest

from crashsense.event import MIRRORED_RESTRAINTS
from crashsense.synthesis.recipe import load_recipes

RECIPES = {recipe.name: recipe for recipe in load_recipes() if recipe.family == "frontal"}
RIGHT = sorted(name for name in RECIPES if name.endswith("_right"))


@pytest.fixture
def without_ringing(monkeypatch):
    monkeypatch.setattr("crashsense.synthesis.frontal.felt.shake", lambda places, **_: {})


def test_rows_that_the_matrix_has_on_both_sides_are_there():
    assert {RECIPES[name].matrix for name in RIGHT} >= {"F11", "F12", "F13", "F14", "F18", "F21"}
    for name in RIGHT:
        left = RECIPES[name.removesuffix("_right")]
        assert RECIPES[name].parameters.model_dump() == left.parameters.model_dump(), name
        assert (left.struck_side, RECIPES[name].struck_side) == ("left", "right")


@pytest.mark.parametrize("name", RIGHT)
def test_rigid_motion_is_mirrored(name, without_ringing):
    left = RECIPES[name.removesuffix("_right")].synthesise([0], seed=0)
    right = RECIPES[name].synthesise([0], seed=0)
    struck = left.signals["upfront_left_x"]
    assert not np.array_equal(struck, left.signals["upfront_right_x"])
    assert np.array_equal(right.signals["upfront_right_x"], struck)
    assert np.array_equal(right.signals["upfront_left_x"], left.signals["upfront_right_x"])
    for channel in ("central_x", "rear_seat_crossmember_x", "powertrain_x", "central_z"):
        assert np.array_equal(right.signals[channel], left.signals[channel]), channel
    assert np.abs(left.signals["central_y"]).max() > 1.0
    assert np.array_equal(right.signals["central_y"], -left.signals["central_y"])
    assert np.array_equal(right.signals["side_left_y"], -left.signals["side_right_y"])
    assert np.array_equal(right.signals["side_right_y"], -left.signals["side_left_y"])
    for fact in ("velocity_change_m_s", "stopping_distance_m"):
        assert right.facts[fact] == left.facts[fact]


@pytest.mark.parametrize("name", RIGHT)
def test_required_times_and_expectations_are_mirrored(name):
    left, right = RECIPES[name.removesuffix("_right")], RECIPES[name]
    here, there = right.nominal().required_s, left.nominal().required_s
    for ours, theirs in zip(right.event_names, left.event_names, strict=True):
        for restraint, time in there[theirs].items():
            mirrored = MIRRORED_RESTRAINTS[restraint]
            assert np.array_equal(here[ours][mirrored], time, equal_nan=True), restraint
    for state, entries in left.requirements.items():
        for restraint, entry in entries.items():
            other = right.requirements[state][MIRRORED_RESTRAINTS[restraint]]
            assert entry.expectation == other.expectation, restraint
    far = {state: entries["side_airbag_left"] for state, entries in right.requirements.items()}
    assert all(entry.expectation == "no_fire" for entry in far.values())


def test_draws_on_the_right_are_its_own():
    left, right = (RECIPES[name].block([1], seed=3) for name in ("odb_40_56", "odb_40_56_right"))
    assert not np.array_equal(left.signals["central_x"].samples, right.signals["central_x"].samples)
