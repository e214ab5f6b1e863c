"""Recipes that cannot be: refused with file, field and reason, all faults of a file at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from crashsense.errors import InputError
from crashsense.resources import folder as shipped_folder
from crashsense.synthesis.recipe import load_recipes, parse_recipe

PULSES = shipped_folder("pulses")


def edited(name: str, *changes: tuple[str, str]) -> str:
    text = (PULSES / name).read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return text


@pytest.mark.parametrize(
    ("name", "changes", "reason"),
    [
        (
            "side/side_pole_90_29.toml",
            [("speed_kmh = 29.0", "speed_kmh = -29.0")],
            "expected 0.1 to 120",
        ),
        ("side/side_pole_90_29.toml", [("angle_deg = 90.0", "angle_deg = 30.0")], "angle_deg"),
        ("side/side_pole_90_29.toml", [("small_car_side", "small_cat")], "small_car_side"),
        (
            "side/side_pole_90_29.toml",
            [("dent_area_m2 = 0.2", "dent_area_m2 = 2.")],
            "no more than the panel",
        ),
        (
            "side/side_barrier_90_50.toml",
            [("striker_mass_kg = 950.0", "striker_mass_kg = -950.0")],
            "striker_mass_kg",
        ),
        (
            "side/side_barrier_90_50.toml",
            [("face_unloading_kn_per_mm = 60.0", "face_unloading_kn_per_mm = 0.1")],
            "create energy",
        ),
        (
            "side/side_barrier_90_50.toml",
            [("face_curve = [[0, 0], [40, 40]", "face_curve = [[0, 0], [140, 40]")],
            "compressions that increase",
        ),
        ("rear/rear_sled_16.toml", [("peak_at_ms = 27.0", "peak_at_ms = 127.0")], "before the end"),
        (
            "rear/rear_barrier_24.toml",
            [("striker_mass_kg = 1400.0", "striker_mass_kg = 60.0")],
            "more than twice",
        ),
        (
            "rollover/rollover_ramp_70.toml",
            [("duration_s = 1.3", "duration_s = 0.2")],
            "leave the ramp",
        ),
        (
            "rollover/rollover_kerb_25.toml",
            [('manoeuvre = "kerb"', 'manoeuvre = "soil"')],
            "belongs to manoeuvre kerb",
        ),
        (
            "rollover/near_roll_j_turn_75.toml",
            [("[0.18, 12.0], [0.48, 12.0]", "[0.48, 12.0], [0.18, 12.0]")],
            "times that increase",
        ),
    ],
)
def test_impossible_recipes_are_refused(
    name: str, changes: list[tuple[str, str]], reason: str
) -> None:
    with pytest.raises(InputError, match=reason) as caught:
        parse_recipe(edited(name, *changes), path=str(PULSES / name))
    assert all(fault.file.endswith(".toml") for fault in caught.value.faults)
    assert all(fault.field.startswith("parameters") for fault in caught.value.faults)


def test_a_pole_has_no_mass_and_a_barrier_needs_one() -> None:
    pole = edited(
        "side/side_pole_90_29.toml",
        ("speed_kmh = 29.0", "striker_mass_kg = 900.0\nspeed_kmh = 29.0"),
    )
    pole = pole.replace("[basis]", '[basis]\nstriker_mass_kg = "x"')
    with pytest.raises(InputError, match="no striker_mass_kg"):
        parse_recipe(pole, path="a.toml")
    barrier = edited("side/side_barrier_90_50.toml", ("striker_mass_kg = 950.0\n", ""))
    with pytest.raises(InputError, match="a mass in kg for a barrier"):
        parse_recipe(barrier, path="a.toml")


def test_all_faults_of_a_file_at_once() -> None:
    text = edited(
        "side/side_pole_90_29.toml",
        ("speed_kmh = 29.0", "speed_kmh = 0.0"),
        ("friction = 0.25", "friction = 7.0"),
        ("side_airbag_left =", "side_airbag_near ="),
        ('obstacle = "rigid', 'obstacles = "rigid'),
    )
    with pytest.raises(InputError, match="speed_kmh") as caught:
        parse_recipe(text, path="a.toml")
    fields = {fault.field for fault in caught.value.faults}
    assert {
        "parameters.speed_kmh",
        "parameters.friction",
        "requirements.side_airbag_near",
        "basis.obstacle",
    } <= fields


def test_a_vehicle_file_of_the_user_is_found_and_checked(tmp_path: Path) -> None:
    recipe = edited("side/side_pole_90_29.toml", ("small_car_side", "mine"))
    (tmp_path / "vehicles").mkdir()
    vehicle = (PULSES / "vehicles" / "small_car_side.toml").read_text(encoding="utf-8")
    (tmp_path / "mine_pole.toml").write_text(recipe, encoding="utf-8")
    mine = tmp_path / "vehicles" / "mine.toml"
    mine.write_text(vehicle.replace("door_mass_kg = 24.0", "door_mass_kg = 30.0"), encoding="utf-8")
    (loaded,) = load_recipes(tmp_path)
    assert loaded.parameters.vehicle.door_mass_kg == 30.0
    mine.write_text(
        vehicle.replace("pillar_unloading_kn_per_mm = 30.0", "pillar_unloading_kn_per_mm = 0.5"),
        encoding="utf-8",
    )
    with pytest.raises(InputError, match="steepest loading slope"):
        load_recipes(tmp_path)
    mine.write_text(vehicle.replace("mass_kg = 1500.0", "mass_kg = -1500.0", 1), encoding="utf-8")
    with pytest.raises(InputError, match="vehicle.mass_kg"):
        load_recipes(tmp_path)
