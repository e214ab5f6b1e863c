"""What the locations of a riding car feel, as they are read while it marches."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense import engine
from crashsense.synthesis.recipe import recipe_of_event
from crashsense.synthesis.road import profile

#: More draws than one vector has lanes.
MANY = range(1, 11)


@pytest.mark.parametrize(
    "name", ["kerb_climb_20", "pothole_50_left", "braking_bump_100", "kerb_then_wall_40_20"]
)
def test_read_as_it_marches_a_ride_has_the_bits_of_its_whole_motion(name: str) -> None:
    pytest.importorskip("numba")
    recipe = recipe_of_event(name)
    with engine.using("numpy"):
        whole = recipe.block(MANY, seed=3)
    channels = [channel for channel in whole.signals if not channel.startswith(("rear", "power"))]
    with engine.using("fast"):
        some = recipe.block_for(MANY, seed=3, channels=channels)
    assert recipe.model.name == "kerb_then_wall" or "velocity_change_m_s" not in some.facts
    for channel in channels:
        made, found = (block.signals[channel].samples for block in (whole, some))
        assert made.tobytes() == found.tobytes(), channel


@pytest.mark.parametrize("patch_m", [0.0, 0.06, 0.15])
@pytest.mark.parametrize("points", [3, 32, 33, 500])
def test_a_compiled_tyre_path_has_the_bits_of_wheel_and_patch(patch_m: float, points: int) -> None:
    pytest.importorskip("numba")
    road = np.random.default_rng(1).normal(scale=0.02, size=(3, points))
    road[1, points // 3 :] = 0.1  # a step, and level road behind it
    how = {"step_m": 0.01, "radius_m": 0.3}
    with engine.using("numpy"):
        path = profile.wheel_path(road, **how)
        expected = profile.patch_mean(path, step_m=0.01, patch_m=patch_m)
    with engine.using("fast"):
        found = profile.tyre_path(road, patch_m=patch_m, **how)
        assert profile.wheel_path(road, **how).tobytes() == path.tobytes()
    assert found.tobytes() == expected.tobytes()
