"""Twins over the library: synthesis gives the same bits with numpy and with compiled kernels."""

from __future__ import annotations

import pytest

from crashsense import engine
from crashsense.synthesis import load_recipes

RECIPES = {recipe.name: recipe for recipe in load_recipes()}


def _kind(recipe):
    """What the parameters of a recipe choose among the branches of its model."""
    words = recipe.parameters.model_dump(mode="json").items()
    return (recipe.model.name, *(v for k, v in words if isinstance(v, str) and k != "road_class"))


#: One recipe for each model and branch: the others differ from it in numbers only.
MILD = list({_kind(recipe): name for name, recipe in reversed(RECIPES.items())}.values())
KINDS = ("signals", "facts", "trace", "gaps")
#: Enough draws for every branch over them.
MANY = list(range(11))


def parts(recipe, draws, *, name):
    with engine.using(name):
        synthesis = recipe.synthesise(draws, seed=5)
    return {(kind, key): v for kind in KINDS for key, v in getattr(synthesis, kind).items()}


def differences(ours, theirs, *, row=slice(None)):
    assert ours.keys() == theirs.keys()
    return [key for key, v in ours.items() if v.tobytes() != theirs[key][row].tobytes()]


@pytest.mark.slow
@pytest.mark.parametrize("name", list(RECIPES))
def test_engine_fast_gives_every_event_the_same_bits(name):
    pytest.importorskip("numba")
    one, other = (parts(RECIPES[name], [0], name=each) for each in engine.ENGINES)
    assert differences(one, other) == []


@pytest.mark.quick(5)
@pytest.mark.parametrize("name", MILD)
def test_a_draw_by_itself_has_the_bits_that_it_has_among_many(name):
    many = parts(RECIPES[name], MANY, name="numpy")
    assert differences(parts(RECIPES[name], [7], name="numpy"), many, row=[7]) == []


@pytest.mark.quick(5)
@pytest.mark.parametrize("name", MILD)
def test_arrays_and_kernels_give_many_draws_the_same_bits(name):
    pytest.importorskip("numba")
    many, same = (parts(RECIPES[name], MANY, name=each) for each in engine.ENGINES)
    assert differences(same, many) == []


@pytest.mark.parametrize("engine_name", engine.ENGINES)
@pytest.mark.parametrize(
    "name", ["bonnet_drop", "ball_door", "door_slam", "kerb_slide_10", "pothole_40", "gravel_60"]
)
def test_a_block_of_no_draw_is_empty(name, engine_name):
    if engine_name == "fast":
        pytest.importorskip("numba")
    with engine.using(engine_name):
        block = RECIPES[name].block([], seed=5)
        one = RECIPES[name].block([3], seed=5)
    assert block.signals.keys() == one.signals.keys()
    moving = [channel for channel, signal in one.signals.items() if signal.samples.any()]
    for channel in moving:
        samples = one.signals[channel].samples.shape[1]
        assert block.signals[channel].samples.shape == (0, samples)
