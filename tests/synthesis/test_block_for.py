"""Signals that nobody reads may be left out; those that are made are the same."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from crashsense import engine
from crashsense.channels import CHANNELS
from crashsense.event import SelectiveSource, SteppingSource
from crashsense.synthesis.recipe import recipe_of_event
from crashsense.synthesis.side_by_side import side_by_side

READ = ("central_safing_x", "central_z", "upfront_left_x", "side_left_y")


@pytest.mark.parametrize(
    ("name", "channels"),
    [
        ("odb_40_56", READ),
        ("odb_40_56_right", READ),
        ("kerb_then_wall_40_20", READ),
        ("side_pole_90_29", READ),
        ("side_pole_75_32", ("powertrain_x",)),
    ],
)
def test_a_block_for_some_channels_has_them_as_the_whole_block(
    name: str, channels: tuple[str, ...]
) -> None:
    recipe = recipe_of_event(name)
    assert isinstance(recipe, SelectiveSource)
    whole = recipe.block([0, 3], seed=2)
    some = recipe.block_for([0, 3], seed=2, channels=channels)
    for channel in channels:
        assert (channel in whole.signals) == (channel in some.signals)
        if channel in whole.signals:
            made, found = (block.signals[channel].samples for block in (whole, some))
            assert made.tobytes() == found.tobytes(), channel
    for event, times in whole.required_s.items():
        for restraint, values in times.items():
            assert np.array_equal(values, some.required_s[event][restraint], equal_nan=True)


def test_locations_that_move_alike_share_their_samples_and_keep_their_own_names() -> None:
    block = recipe_of_event("kerb_climb_30").block([0, 2], seed=1)
    addresses = {name: one.samples.ctypes.data for name, one in block.signals.items()}
    assert 2 < len(set(addresses.values())) < len(addresses)
    assert addresses["central_x"] == addresses["central_safing_x"]
    for name, one in block.signals.items():
        card = CHANNELS[name]
        assert (one.location, one.axis, one.unit) == (card.location, card.axis, card.unit)
        assert one.samples.shape[0] in (1, 2)
        assert not one.samples.flags.writeable


@pytest.mark.quick(1)
@pytest.mark.parametrize("engine_name", ["numpy", "fast"])
def test_blocks_made_side_by_side_are_those_made_alone(engine_name: str) -> None:
    """Of models that wait for their marches, once or twice, and of those that do not."""
    if engine_name == "fast":
        pytest.importorskip("numba")
    names = (
        "odb_40_56_right", "kerb_then_wall_40_20", "wall_full_13_hard", "hammer_tunnel",
        "pothole_60", "kerb_climb_30",
    )  # fmt: skip
    recipes = [recipe_of_event(name) for name in names]
    how: dict[str, Any] = {"seed": 2, "channels": READ}
    with engine.using(engine_name):
        assert all(isinstance(recipe, SteppingSource) for recipe in recipes)
        found = side_by_side([recipe.block_in_steps([1, 3], **how) for recipe in recipes])
        for recipe, block in zip(recipes, found, strict=True):
            alone = recipe.block_for([1, 3], **how)
            assert block.signals.keys() == alone.signals.keys()
            for channel, signal in alone.signals.items():
                assert block.signals[channel].samples.tobytes() == signal.samples.tobytes()
            assert repr(block.required_s) == repr(alone.required_s)


def test_what_is_not_read_is_not_made() -> None:
    recipe = recipe_of_event("odb_40_56_right")
    some = recipe.block_for([3], seed=2, channels=READ)
    moving = {name for name, signal in some.signals.items() if signal.samples.any()}
    assert moving < {name for name in CHANNELS if name in recipe.block([3], seed=2).signals}
    assert not moving & {"powertrain_x", "rear_seat_crossmember_x", "side_right_y"}
    assert "velocity_change_m_s" not in some.facts
    # Nothing that moves is read: what is silent is, as long as the event lasts.
    assert recipe.block_for([3], seed=2, channels=["door_left_pressure"]).signals


@pytest.mark.parametrize("channels", [(), ("upfront_left_x",), ("door_left_pressure",)])
def test_a_block_for_few_channels_has_nothing_else_in_part(channels: tuple[str, ...]) -> None:
    """Of a crash after a ride: both are in every signal, or it is not there."""
    recipe = recipe_of_event("kerb_then_wall_40_20")
    bare = replace(
        recipe, requirements=dict.fromkeys(recipe.requirements, {})
    )  # no fact is read either
    whole, some = (
        recipe.block([3], seed=2),
        bare.block_for([3], seed=2, channels=channels),
    )
    for channel, signal in some.signals.items():
        assert signal.samples.tobytes() == whole.signals[channel].samples.tobytes(), channel


def test_silence_lasts_as_long_where_the_only_signal_is_lost() -> None:
    recipe = recipe_of_event("car_offset_40_40")
    lost = {"damaged": ("central_x", "central_safing_x"), "damaged_from_ms": -50.0}
    broken = replace(recipe, parameters=recipe.parameters.model_copy(update=lost))
    some = broken.block_for([3], seed=2, channels=["door_left_pressure"])
    assert "central_x" not in some.signals
    whole = recipe.block([3], seed=2)
    silent = some.signals["door_left_pressure"].samples
    assert silent.shape[-1] == whole.signals["central_x"].samples.shape[-1]


def test_times_that_restraints_share_cannot_be_written_to() -> None:
    block = recipe_of_event("kerb_climb_30").block([0, 2], seed=1)
    times = [values for rows in block.required_s.values() for values in rows.values()]
    assert len(times) > 1 == len({values.ctypes.data for values in times})
    assert np.isnan(times).all()
    assert not any(values.flags.writeable for values in times)
