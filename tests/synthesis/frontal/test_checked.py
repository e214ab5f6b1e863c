"""What lies outside the range in which the frontal model was checked is said on the card."""

import pytest
from frontal_support import FRONTAL

from crashsense.reporting.event_card import card
from crashsense.synthesis.frontal.checked import CHECKS, checks_of
from crashsense.synthesis.frontal.impact import FrontalParameters
from crashsense.synthesis.frontal.severity import LADDERS


@pytest.mark.parametrize(
    ("name", "outside"),
    [
        ("wall_full_56", None),
        ("wall_full_57_record", None),
        ("deer_90", None),
        ("wall_full_8", "speed 8 km/h (10 to 64)."),
        ("wall_full_13_hard", "stiffness 1.22 times nominal (assumed)."),
        ("odb_40_20_right", "speed 20 km/h (32 to 64)."),
        ("underride_10", "speed 10 km/h (40 to 56)."),
        ("bumper_barrier_10", "this obstacle; it follows from mechanics and memory."),
        ("car_offset_40_40", "this obstacle; it follows from mechanics and memory."),
    ],
)
def test_what_is_outside_is_named_on_the_card(name, outside):
    recipe = FRONTAL[name]
    lines = checks_of(recipe.parameters)
    found = [line for line in lines if line.startswith("Outside what was checked: ")]
    assert found == ([] if outside is None else [f"Outside what was checked: {outside}"])
    shown = card(recipe, recipe.events()[0])
    assert [line for line in shown if line in lines] == lines


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"vehicle_mass_kg": 2400.0}, "mass of the car 2400 kg (1354 to 1719)"),
        ({"payload_kg": 300.0}, "mass of the car 1800 kg (1354 to 1719)"),
        ({"speed_kmh": 90.0}, "speed 90 km/h (10 to 64)"),
    ],
)
def test_each_number_outside_is_named(changes, words):
    parameters = FrontalParameters(obstacle="rigid_wall", speed_kmh=56.0)
    assert len(checks_of(parameters)) == 1
    (_, line) = checks_of(parameters.model_copy(update=changes))
    assert line == f"Outside what was checked: {words}."


def test_kinds_are_those_of_the_ladders():
    assert CHECKS.keys() <= LADDERS.keys()
