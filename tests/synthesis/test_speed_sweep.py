"""One function runs a crash recipe of any family over a range of speeds."""

import pytest

from crashsense.errors import InputError
from crashsense.synthesis.recipe import load_recipes
from crashsense.synthesis.severity import register_speed_sweep, speed_sweep, swept_models

RECIPES = {recipe.name: recipe for recipe in load_recipes()}


@pytest.mark.parametrize(
    ("name", "restraint", "state", "speeds", "wanted"),
    [
        # Rows F02 to F05, F12, F15, F17, L03, L06 and R02 of the event matrix, from memory.
        ("wall_full_25", "front_airbag_stage_1", "belted", (13, 20, 25), "no_fire open fire"),
        ("wall_full_25", "front_airbag_stage_1", "unbelted", (13, 16, 20), "no_fire open fire"),
        ("wall_30deg_40_right", "front_airbag_stage_1", "belted", (20, 32), "open fire"),
        ("odb_40_56_right", "front_airbag_stage_1", "belted", (20, 32, 40), "no_fire open fire"),
        ("side_pole_90_29", "side_airbag_left", "belted", (10, 20, 29), "no_fire open fire"),
        ("side_barrier_90_50", "curtain_left", "belted", (12, 32, 50), "no_fire open fire"),
    ],
)
def test_requirements_by_speed_in_every_family(name, restraint, state, speeds, wanted):
    swept = speed_sweep(RECIPES[name], speeds_kmh=speeds)
    assert [r.name for r in swept] == [f"{name}_at_{speed}" for speed in speeds]
    assert [r.parameters.speed_kmh for r in swept] == list(speeds)
    told = [r.requirements[state][restraint].expectation for r in swept]
    assert told == wanted.split()


@pytest.mark.slow
def test_every_crash_recipe_with_a_speed_ladder_is_swept():
    """And yields events: the requirement of an event is that of its recipe."""
    swept = [r for r in RECIPES.values() if r.model.name in swept_models()]
    assert {r.family for r in swept} == {"frontal", "side", "rear"}
    for name in ("odb_40_20", "side_pole_75_32", "rear_barrier_24"):
        (recipe,) = speed_sweep(RECIPES[name], speeds_kmh=[30.0])
        events = recipe.events()
        assert [e.name for e in events] == list(recipe.event_names)
        for event, state in zip(events, recipe.belts, strict=True):
            for restraint, entry in recipe.requirements[state].items():
                assert event.requirements[restraint].expectation == entry.expectation


@pytest.mark.parametrize("name", ["hammer_tunnel", "kerb_then_wall_40_20"])
def test_a_recipe_without_requirements_by_speed_is_refused(name):
    with pytest.raises(InputError, match="frontal_impact, rear_impact, side_impact"):
        speed_sweep(RECIPES[name], speeds_kmh=[30.0])


@pytest.mark.parametrize("name", ["wall_full_25", "side_pole_90_29"])
def test_all_refused_speeds_are_named_at_once(name):
    with pytest.raises(InputError) as refused:
        speed_sweep(RECIPES[name], speeds_kmh=[-5.0, 30.0, 900.0])
    assert len(refused.value.faults) == 2
    with pytest.raises(InputError, match="at least one speed"):
        speed_sweep(RECIPES[name], speeds_kmh=[])


def test_a_model_has_one_speed_sweep():
    with pytest.raises(ValueError, match="two speed sweeps"):
        register_speed_sweep("side_impact", sweep=lambda recipe, speeds: [])


def test_a_sweep_takes_a_name_and_says_what_it_takes():
    for name in ("wall_full_20", "wall_full_20_unbelted"):
        (swept,) = speed_sweep(name, speeds_kmh=[30.0])
        assert swept.name == "wall_full_20_at_30"
    with pytest.raises(InputError, match="did you mean 'wall_full_20'"):
        speed_sweep("wal_full_20", speeds_kmh=[30.0])
    with pytest.raises(InputError, match="expected a recipe, or the name of one"):
        speed_sweep(20, speeds_kmh=[30.0])


def test_a_time_derived_from_stage_1_says_so():
    swept = speed_sweep(RECIPES["wall_full_25"], speeds_kmh=[50.0])
    derived = {
        (recipe.name, state, restraint): entry
        for recipe in [*RECIPES.values(), *swept]
        for state in recipe.belts
        for restraint, entry in recipe.requirements[state].items()
        if entry.expectation == "fire" and entry.extra_ms
    }
    assert len(derived) >= 12
    for key, entry in derived.items():
        assert key[2] == "front_airbag_stage_2"
        assert f"RTTF + {entry.extra_ms:g} ms" in entry.basis
        assert "127 mm less 30 ms" not in entry.basis
