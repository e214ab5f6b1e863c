"""A sweep asks at a recipe's own speed what the recipe asks."""

import pytest

from crashsense.synthesis.recipe import load_recipes
from crashsense.synthesis.severity import speed_sweep, swept_models

SWEPT = {r.name: r for r in load_recipes() if r.model.name in swept_models()}

#: Recipes whose required time is not that of the sweep, and why.
OTHER_TIME = {
    "side_barrier_crabbed_53": "row L02 is the crabbed hit; the ladder is that of 90 degrees",
}


def differences(recipe):
    """(belt state, restraint, what) where sweep and recipe differ; a time only where one counts."""
    (at,) = speed_sweep(recipe, speeds_kmh=[recipe.parameters.speed_kmh])
    found = []
    swept = dict(zip(at.belts, at.events(), strict=True))
    for state, event in zip(recipe.belts, recipe.events(), strict=True):
        for restraint in recipe.requirements[state]:
            ours, theirs = (e.requirements[restraint] for e in (event, swept[state]))
            if ours.expectation != theirs.expectation:
                found.append((state, restraint, f"{ours.expectation} -> {theirs.expectation}"))
            elif ours.expectation == "fire" and theirs.required_s != pytest.approx(
                ours.required_s, abs=1e-6
            ):
                found.append((state, restraint, "time"))
    return found


@pytest.mark.quick(3)
@pytest.mark.parametrize("name", sorted(SWEPT.keys() - OTHER_TIME.keys()))
def test_at_its_own_speed_a_sweep_asks_what_the_recipe_asks(name):
    assert differences(SWEPT[name]) == []


@pytest.mark.parametrize("name", sorted(OTHER_TIME))
def test_exceptions_differ_in_time_only(name):
    assert {what for _, _, what in differences(SWEPT[name])} == {"time"}


@pytest.mark.parametrize(
    ("speed", "wanted"),
    [
        # F02: class N belted and unbelted. F03: the pretensioner is allowed belted.
        (8.0, ("no_fire", "no_fire")),
        (13.0, ("no_fire", "no_fire")),
        (14.0, ("open", "open")),
        (16.0, ("open", "open")),
        (25.0, ("fire", "open")),
    ],
)
def test_pretensioner_of_the_wall(speed, wanted):
    (at,) = speed_sweep("wall_full_13", speeds_kmh=[speed])
    told = [at.requirements[s]["belt_pretensioner"].expectation for s in ("belted", "unbelted")]
    assert tuple(told) == wanted
