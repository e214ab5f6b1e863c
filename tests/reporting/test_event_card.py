"""The card of an event: one set of units, every number once, no dumps."""

from __future__ import annotations

import re

import pytest

from crashsense.reporting.event_card import card, expectation_words, key_figures
from crashsense.results.nominal import _facts
from crashsense.synthesis import load_recipes

RECIPES = {recipe.name: recipe for recipe in load_recipes()}


def figures(name: str) -> dict[str, str]:
    recipe = RECIPES[name]
    return dict(key_figures(recipe, recipe.events()[0]))


def test_velocity_change_largest_and_at_the_end_in_one_unit():
    found = figures("wall_full_56")
    facts = RECIPES["wall_full_56"].nominal().facts
    largest = found["cabin x: velocity change, largest"]
    # the model's own fact, in the unit of the card: 18.69 m/s is 67.3 km/h
    assert float(largest.split()[0]) == pytest.approx(
        -3.6 * facts["velocity_change_m_s"][0], abs=0.05
    )
    assert re.fullmatch(r"-\d+\.\d km/h at \d+ ms", largest)
    last = found["cabin x: velocity change, at the end"]
    assert abs(float(last.split()[0])) < abs(float(largest.split()[0]))
    assert last.endswith("at 250 ms")
    # one velocity change, not a second one in another unit
    changes = [label for label in found if "velocity change" in label]
    assert changes == [
        "cabin x: velocity change, largest",
        "cabin x: velocity change, at the end",
    ]


@pytest.mark.quick(2)
@pytest.mark.parametrize(
    "name",
    [
        "wall_full_56",
        "side_pole_75_32",
        "rollover_kerb_25",
        "hammer_tunnel",
        "kerb_then_wall_40_20",
    ],
)
def test_every_figure_has_a_unit_of_the_card(name):
    found = figures(name)
    assert len(found) > 5
    for label, value in found.items():
        assert "_m_s" not in label
        assert re.search(r"\d (g|km/h|ms|mm|deg|deg/s|kN|kPa|% of ambient)( at -?\d+ ms)?$", value)


def test_blow_off_the_axes_says_along_what():
    assert "velocity change along the line of the blow" in figures("undercarriage_40")
    assert "velocity change along the line of the blow" not in figures("hammer_rail")


@pytest.mark.parametrize(
    ("name", "vehicle"),
    [("side_pole_75_32", "small_car_side"), ("rollover_kerb_25", "small_car_rollover")],
)
def test_vehicle_stands_by_its_name(name, vehicle):
    recipe = RECIPES[name]
    lines = card(recipe, recipe.events()[0])
    (line,) = [line for line in lines if line.startswith("  vehicle ")]
    assert line.split()[1] == vehicle
    assert max(map(len, lines)) < 200


def test_changed_vehicle_and_long_curve_are_told_by_size():
    recipe = RECIPES["side_barrier_90_50"]
    changed = recipe.with_parameters(name="changed")
    lines = card(changed, changed.events()[0])
    (line,) = [line for line in lines if line.startswith("  face_curve ")]
    assert re.search(r"\d+ entries, \[", line)


def test_speed_of_the_report_is_in_km_h():
    kmh = _facts({"parameters": {"speed_kmh": 10.0}})
    si = _facts({"parameters": {"speed_m_s": 11.1111}})
    assert kmh["speed"] == "10 km/h"
    assert si["speed"] == "40 km/h"


def test_words_name_every_restraint_that_differs():
    assert expectation_words({"a": "fire", "b": "fire"}) == "fire a, b"
    assert expectation_words({"a": "open", "b": "no_fire", "c": "open"}) == "open; no fire b"
