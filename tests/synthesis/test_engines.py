"""Twins over the whole library: synthesis gives the same bits with each of them."""

from __future__ import annotations

import pytest

from crashsense import engine
from crashsense.synthesis import load_recipes

RECIPES = {recipe.name: recipe for recipe in load_recipes()}
#: The severe variants differ from these in numbers only.
MILD = [name for name in RECIPES if not name.endswith("_severe")]
KINDS = ("signals", "facts", "trace", "gaps")
#: More draws than the twins in plain floats take.
MANY = list(range(11))


def parts(recipe, draws, *, name):
    with engine.using(name):
        synthesis = recipe.synthesise(draws, seed=5)
    return {(kind, key): v for kind in KINDS for key, v in getattr(synthesis, kind).items()}


def differences(ours, theirs, *, row=slice(None)):
    assert ours.keys() == theirs.keys()
    return [key for key, v in ours.items() if v.tobytes() != theirs[key][row].tobytes()]


@pytest.mark.parametrize("name", list(RECIPES))
def test_engine_fast_gives_every_event_the_same_bits(name):
    pytest.importorskip("numba")
    one, other = (parts(RECIPES[name], [0], name=each) for each in engine.ENGINES)
    assert differences(one, other) == []


@pytest.mark.parametrize("name", MILD)
def test_floats_arrays_and_kernels_give_many_draws_the_same_bits(name):
    recipe = RECIPES[name]
    many = parts(recipe, MANY, name="numpy")
    assert differences(parts(recipe, [7], name="numpy"), many, row=[7]) == []
    if engine.installed():
        assert differences(parts(recipe, MANY, name="fast"), many) == []
