"""The library's prediction beside a record: the arithmetic, the command, and the public record."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from exchange_writer import wall
from rough_pulse import rough_g

from crashsense.cli import run
from crashsense.errors import InputError
from crashsense.records import read_record
from crashsense.records.writing import write_signals
from crashsense.studies.model_against_record import BANDS_HZ, as_text, obstacles, predict
from crashsense.synthesis import load_events, load_recipes


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    folder = tmp_path_factory.mktemp("record")
    return wall(50.0, channel={"values": rough_g(-55.0)}).write(folder)


def value(found, name, column):
    return float(found.rows.set_index("quantity").loc[name, column])


#: Obstacle -> recipe, and what makes its closing speed 50 km/h: against something that moves only
#: the difference counts; an oblique barrier moves along its own normal against a car that stands.
MADE = {
    "rigid_wall": ("wall_full_56", {"speed_kmh": 50.0}),
    "moving_barrier": ("mpdb_50_50", {"speed_kmh": 50.0, "obstacle_speed_kmh": 0.0}),
    "oblique_barrier": ("oblique_barrier_90", {"speed_kmh": 0.0, "obstacle_speed_kmh": 50.0}),
}


@pytest.mark.quick(1)
@pytest.mark.parametrize("obstacle", MADE)
def test_a_record_made_by_the_model_agrees_with_it(tmp_path, obstacle):
    """What the model itself made comes out equal in every row."""
    name, closing = MADE[obstacle]
    recipe = next(r for r in load_recipes() if r.name == name)
    made = recipe.with_parameters(name="made", vehicle_mass_kg=1500.0, **closing)
    write_signals(made.events()[0], tmp_path / "made.csv")
    (event,) = read_record(tmp_path / "made.csv")
    found = predict(event, obstacle=obstacle, speed_kmh=50.0, mass_kg=1500.0, draws=0)
    assert np.allclose(found.rows["record"], found.rows["model"], rtol=2e-3, atol=2e-2)


@pytest.mark.parametrize(
    ("rate_hz", "left_out"),
    [(2500.0, []), (2000.0, ["400 to 1000"]), (500.0, ["200 to 400", "400 to 1000"])],
)
def test_a_record_at_a_low_rate_is_compared_without_bands_beyond_it(rate_hz, left_out):
    (made,) = load_events(["wall_full_56"])
    slow = made.signals["central_x"].resampled(rate_hz)
    event = replace(made, signals={"central_x": slow}, cabin={})
    found = predict(event, obstacle="rigid_wall", speed_kmh=56.0, draws=0)
    bands = [f"{low:.0f} to {high:.0f}" for low, high in BANDS_HZ]
    compared = [name for name in bands if found.rows["quantity"].str.contains(name).any()]
    assert compared == [name for name in bands if name not in left_out]
    assert np.isfinite(found.rows["record"]).all()
    told = f"The rate of the record is too low for {', '.join(left_out)} Hz."
    assert (told in as_text([found])) == bool(left_out)


@pytest.mark.slow
def test_figures_of_a_known_pulse(record):
    (event,) = read_record(record)
    found = predict(event, draws=2)
    # A haversine of 100 ms and 55 km/h: v(t) = v / T (t - T / (2 pi) sin(2 pi t / T)).
    total = 55.0 / 3.6
    for ms in (10, 30, 50):
        t = ms / 1e3
        wanted = total / 0.1 * (t - 0.1 / (2 * np.pi) * np.sin(2 * np.pi * t / 0.1))
        seen = value(found, f"velocity change at {ms} ms", "record")
        assert seen == pytest.approx(wanted, abs=0.25)
    assert value(found, "velocity change", "record") == pytest.approx(total, abs=0.3)
    flight = value(found, "free flight of 127 mm (t127)", "record")
    assert flight == pytest.approx(event.metadata["free_flight_ms"], abs=0.01)
    # The travel of a constant speed less the twice integrated haversine: v (t - T/2) at the end.
    assert value(found, "crush (car's travel)", "record") > 400.0
    assert found.asked["obstacle"] == "rigid_wall"
    assert found.asked["vehicle_mass_kg"] == 1500.0
    assert found.model_velocity.shape[0] == 3


def test_what_is_not_known_is_asked_for(tmp_path):
    (event,) = load_events(["side_pole_90_29"])
    with pytest.raises(InputError, match="family: got 'side'; expected a frontal record"):
        predict(event)
    folder = wall(50.0, channel={"values": rough_g(-55.0)}).write(tmp_path)
    (frontal,) = read_record(folder)
    with pytest.raises(InputError, match="did you mean 'rigid_wall'"):
        predict(frontal, obstacle="rigid_wal")
    assert "rigid_wall" in obstacles()


@pytest.mark.slow
def test_command(record, tmp_path, capsys):
    figure = tmp_path / "model.png"
    assert run(["study", "model", str(record), "--draws", "2", "--figure", str(figure)]) == 0
    out = capsys.readouterr().out
    assert "CAUTION" in out
    assert "free flight of 127 mm (t127) [ms]" in out
    assert "This command fits nothing to the record" in " ".join(out.split())
    assert figure.stat().st_size > 5000
    assert run(["study", "model", str(record), "--figure", "x.txt"]) == 2
    assert "a name that ends in .png, .svg or .pdf" in capsys.readouterr().err


@pytest.mark.slow
def test_the_public_record(record_folder):
    for event in read_record(record_folder):
        found = predict(event, draws=4)
        assert found.asked["obstacle"] == "rigid_wall"
        assert found.asked["vehicle_mass_kg"] == 1719.0
        assert value(found, "velocity change", "record") == pytest.approx(18.4, abs=0.3)
        assert value(found, "crush (car's travel)", "record") == pytest.approx(746.0, abs=12.0)
