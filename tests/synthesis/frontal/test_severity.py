"""Severity sweeps of frontal recipes. Ladders: rows of the event matrix, from memory."""

import pytest

from crashsense.errors import InputError
from crashsense.synthesis.frontal.severity import frontal_severity
from crashsense.synthesis.recipe import load_recipes

RECIPES = {recipe.name: recipe for recipe in load_recipes()}


def expectations(name, speed, restraint="front_airbag_stage_1"):
    (recipe,) = frontal_severity(RECIPES[name], speeds_kmh=[speed])
    return tuple(recipe.requirements[s][restraint].expectation for s in ("belted", "unbelted"))


@pytest.mark.parametrize(
    ("name", "speed", "wanted"),
    [
        ("wall_full_25", 13, ("no_fire", "no_fire")),
        ("wall_full_25", 16, ("no_fire", "open")),
        ("wall_full_25", 20, ("open", "fire")),
        ("wall_full_25", 25, ("fire", "fire")),
        ("wall_30deg_40", 10, ("open", "open")),
        ("wall_30deg_40", 32, ("fire", "fire")),
        ("odb_40_40", 20, ("no_fire", "open")),
        ("odb_40_40", 32, ("open", "fire")),
        ("pole_centre_40", 15, ("no_fire", "no_fire")),
        ("pole_centre_40", 29, ("fire", "fire")),
        ("repair_wall_15", 15, ("no_fire", "no_fire")),
        ("repair_wall_15", 30, ("open", "open")),
        ("bumper_barrier_8", 10, ("no_fire", "no_fire")),
        ("car_offset_40_40", 39, ("open", "open")),
    ],
)
def test_expectation_by_speed_and_belts(name, speed, wanted):
    assert expectations(name, speed) == wanted


def test_stage_2_stays_in_up_to_the_26_kmh_wall():
    stage_2 = {v: expectations("wall_full_25", v, "front_airbag_stage_2")[0] for v in (26, 33, 40)}
    assert stage_2 == {26: "no_fire", 33: "open", 40: "fire"}


def test_a_sweep_makes_events_whose_time_falls():
    sweep = frontal_severity(RECIPES["wall_full_25"], speeds_kmh=[25, 40, 56])
    events = [event for recipe in sweep for event in recipe.events()]
    assert [event.name for event in events][:2] == [
        "wall_full_25_at_25_belted",
        "wall_full_25_at_25_unbelted",
    ]
    times = [e.requirements["front_airbag_stage_1"].required_s for e in events[::2]]
    assert times[0] > times[1] > times[2]


def test_all_bad_speeds_and_other_models_are_refused():
    with pytest.raises(InputError) as caught:
        frontal_severity(RECIPES["wall_full_25"], speeds_kmh=[-1.0, 30.0, 400.0])
    assert len(caught.value.faults) == 2
    with pytest.raises(InputError, match="at least one speed"):
        frontal_severity(RECIPES["wall_full_25"], speeds_kmh=[])
    with pytest.raises(InputError, match="expected one of frontal_impact"):
        frontal_severity(RECIPES["side_pole_90_29"], speeds_kmh=[20.0])
