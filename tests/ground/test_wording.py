"""Faults of files in plain words: no phrase of a library reaches the user."""

from __future__ import annotations

import re

import pytest

from crashsense.errors import InputError
from crashsense.plan.resolve import read_plan_file
from crashsense.resources import folder
from crashsense.synthesis.misuse.structure import load_structure
from crashsense.synthesis.recipe import parse_recipe
from crashsense.synthesis.road.vehicle import load_ride

RAW = re.compile(
    r"Input should|should (have|be|match)|validation|valid (integer|number|string)|Value error"
)
WALL = (folder("pulses") / "frontal" / "wall_full_25.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("speed_kmh = 25.0", "speed_kmh = nan", "parameters.speed_kmh: got nan; expected a finite"),
        (
            "speed_kmh = 25.0",
            "speed_kmh = -3",
            "parameters.speed_kmh: got -3; expected 0 to 100",
        ),
        ("speed_kmh = 25.0", "speed_kmh = true", "speed_kmh: got True; expected a number"),
        ("speed_kmh = 25.0", "speed_kmh = 900.0", "got 900.0; expected 0 to 100"),
        ("speed_kmh = 25.0", 'speed_kmh = "fast"', "got 'fast'; expected a number"),
        (
            'name = "wall_full_25"',
            'name = "Wall 25"',
            "name: got 'Wall 25'; expected small letters",
        ),
        ('name = "wall_full_25"', "name = 25", "name: got 25; expected text"),
        ('belts = ["belted"]', "belts = []", "belts: expected at least 1 entry, not 0"),
        ('belts = ["belted"]', 'belts = ["belt"]', "got 'belt'; expected 'belted' or 'unbelted'"),
        ("title = ", "titel = ", "titel: got "),
        ("title = ", "titel = ", "title: expected a value; the field is missing"),
        ('family = "frontal"', 'family = "front"', "family: got 'front'; expected 'frontal', "),
    ],
)
def test_recipe(old, new, words):
    assert old in WALL
    with pytest.raises(InputError) as caught:
        parse_recipe(WALL.replace(old, new), path="mine.toml")
    lines = str(caught.value).splitlines()
    assert any(words in line for line in lines)
    assert all(line.startswith("mine.toml: ") for line in lines)
    assert not RAW.search(str(caught.value))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("draws = -1", "draws: got -1; expected 0 or more"),
        ("draws = 1.5", "draws: got 1.5; expected a whole number"),
        ('draws = "many"', "draws: got 'many'; expected a whole number"),
        ('events = "wall_full_25"', "events: got 'wall_full_25'; expected a list"),
        ("sensor_sets = []", "sensor_sets: expected at least 1 entry, not 0"),
    ],
)
def test_plan(tmp_path, text, words):
    path = tmp_path / "plan.toml"
    path.write_text(text + "\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_plan_file(path)
    assert words in str(caught.value)
    assert not RAW.search(str(caught.value))


@pytest.mark.parametrize(("load", "name"), [(load_ride, "ride"), (load_structure, "blows")])
def test_vehicle_files(tmp_path, load, name):
    path = tmp_path / "mine.toml"
    text = (folder("pulses") / "vehicles" / f"small_car_{name}.toml").read_text(encoding="utf-8")
    changed = re.sub(r"(?m)^mass_kg = .*$", "mass_kg = -1.0", text, count=1)
    assert changed != text
    path.write_text(changed, encoding="utf-8")
    with pytest.raises(InputError, match="mass_kg: got -1.0; expected more than") as caught:
        load(str(path))
    assert not RAW.search(str(caught.value))
