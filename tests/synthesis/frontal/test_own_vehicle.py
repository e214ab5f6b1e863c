"""A vehicle of one's own: template, plan, fit to a record, the shipped fit again."""

import numpy as np
import pytest
from click.testing import CliRunner
from frontal_support import public

from crashsense.cli import cli
from crashsense.cli.fit import read_wall
from crashsense.errors import InputError
from crashsense.plan import resolve_plan
from crashsense.synthesis.frontal.fit import (
    WallRecord,
    fit_vehicle,
    fitted_names,
    misses,
    numbers_of,
    started,
    to_toml,
)
from crashsense.synthesis.frontal.vehicle import load_vehicle


def run(*arguments):
    return CliRunner().invoke(cli, [str(a) for a in arguments])


def test_a_plan_puts_my_car_into_every_frontal_event(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    made = run("new", "vehicle", "my_car.toml")
    assert made.exit_code == 0, made.output
    assert load_vehicle("my_car.toml").name == "my_car"
    text = (tmp_path / "my_car.toml").read_text(encoding="utf-8")
    heavy = text.replace("total_kg = 1500.0", "total_kg = 1900.0")
    (tmp_path / "my_car.toml").write_text(heavy, encoding="utf-8")
    plan = 'events = ["wall_full_40", "door_slam"]\nalgorithms = ["plain"]\n'
    (tmp_path / "shipped.toml").write_text(plan, encoding="utf-8")
    (tmp_path / "mine.toml").write_text(plan + 'vehicle = "my_car.toml"\n', encoding="utf-8")
    shipped, mine = (
        {e.name: e for e in resolve_plan(tmp_path / f"{name}.toml").events}
        for name in ("shipped", "mine")
    )
    assert mine.keys() == shipped.keys()
    ours, theirs = (e["wall_full_40"].metadata["facts"] for e in (mine, shipped))
    assert ours["stopping_distance_m"] > 1.05 * theirs["stopping_distance_m"]
    again = resolve_plan(tmp_path / "mine.toml").keys.vehicle
    assert again == str((tmp_path / "my_car.toml").resolve())
    (tmp_path / "mine.toml").write_text(plan + 'vehicle = "no_car.toml"\n', encoding="utf-8")
    with pytest.raises(InputError, match="no_car.toml"):
        resolve_plan(tmp_path / "mine.toml")


def wall_record():
    """The pulse of a stiffer car, as if it had been measured."""
    time = np.arange(1500) / 1e4
    pulse = np.where(time < 0.085, 30.0 * np.sin(np.pi * time / 0.085), 0.0)
    return WallRecord(
        name="made", speed_kmh=56.0, mass_kg=1600.0, deceleration_g=pulse, rate_hz=1e4
    )


def test_a_fit_is_repeatable_costs_less_and_holds_its_start(tmp_path):
    car = load_vehicle("small_car")
    one, other = (fit_vehicle(car, wall_record(), seed=3, rounds=6) for _ in range(2))
    assert one.vehicle == other.vehicle
    entry = one.vehicle.fit
    assert entry.cost < entry.start_cost
    assert (entry.fitted, entry.to) == (len(fitted_names(car)), 52)
    (tmp_path / "mine.toml").write_text(to_toml(one.vehicle), encoding="utf-8")
    again = load_vehicle(str(tmp_path / "mine.toml"))
    assert again == one.vehicle
    names = fitted_names(car)
    assert numbers_of(started(again), names) == numbers_of(car, names)


def test_the_command_fits_a_record_and_says_what_it_did_not(record_folder, tmp_path):
    target = tmp_path / "mine.toml"
    done = run("fit", "vehicle", record_folder, "--out", target, "--rounds", 2)
    assert done.exit_code == 0, done.output
    assert "numbers fitted to 52 values" in done.output
    assert "Not fitted, kept from the start" in done.output
    assert load_vehicle(str(target)).fit.speed_kmh == pytest.approx(57.1, abs=0.2)
    twice = run("fit", "vehicle", record_folder, "--out", target)
    assert twice.exit_code != 0


def test_the_shipped_fit_says_where_it_comes_from():
    car = load_vehicle("small_car")
    entry = car.fit
    assert entry.fitted == len(fitted_names(car)) == len(entry.start)
    assert entry.cost < entry.start_cost
    start = started(car)
    assert numbers_of(start, [*entry.start]) == entry.start
    assert sum(misses(start, wall_record()).values()) > 0.0


def test_the_shipped_fit_costs_what_its_file_says(record_folder):
    """Before and after, with the model as it is now: a change of the model asks for a new fit."""
    car = load_vehicle("small_car")
    force = public("nhtsa_10146_wall/wall_force.csv")
    record = read_wall(str(record_folder), speed_kmh=None, mass_kg=None, wall_force=str(force))
    for each, said in ((car, car.fit.cost), (started(car), car.fit.start_cost)):
        assert sum(misses(each, record).values()) == pytest.approx(said, abs=0.01)
