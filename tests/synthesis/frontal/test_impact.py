"""Frontal recipes: the real crash, the event matrix, draws, variants, bad input."""

import numpy as np
import pytest
from frontal_support import public, synthesis
from record_figures import engine_of_10146, slow

from crashsense.errors import InputError
from crashsense.synthesis.frontal.vehicle import load_vehicle
from crashsense.synthesis.recipe import load_recipes, parse_recipe

LIBRARY = load_recipes()
FRONTAL = {r.name: r for r in LIBRARY if r.model.name == "frontal_impact"}
RECORD = FRONTAL["wall_full_57_record"]


def record_pulse(record_folder):
    """Deceleration [m/s^2] of the mean of both floor channels of record 10146, from contact on."""
    from crashsense.records import read_record

    pulses = []
    for event in read_record(record_folder):
        signal = event.signals["central_x"]
        first = round(-signal.start_s * signal.rate_hz)
        pulses.append(-(signal.samples - signal.samples[:first].mean())[first:])
    assert len(pulses) == 2
    return np.mean([p[:1500] for p in pulses], axis=0)


def test_rigid_motion_against_the_record(record_folder):
    """Mean of draws against both floor channels: velocity, free travel, crush."""
    measured = np.cumsum(record_pulse(record_folder)) * 1e-4
    made = synthesis("wall_full_57_record", 12)
    change = np.cumsum(-made.cabin_x[:, 500:2000], axis=1) * 1e-4
    flight = np.cumsum(change, axis=1) * 1e-4
    crush = (made.facts["speed_m_s"][:, None] - change).cumsum(axis=1).max(axis=1) * 1e-4
    own = np.cumsum(measured) * 1e-4
    for time, tolerance in ((17, 0.45), (30, 0.9), (40, 0.9), (60, 1.2), (100, 0.8)):
        found = change[:, 10 * time].mean()
        print(f"{time} ms: model {found:.2f}, record {measured[10 * time]:.2f} m/s")
        assert found == pytest.approx(measured[10 * time], abs=tolerance), time
    t127 = np.argmax(flight >= 0.127, axis=1).mean() / 10.0
    assert t127 == pytest.approx(np.argmax(own >= 0.127) / 10.0, abs=2.0)
    assert crush.mean() == pytest.approx(0.746, rel=0.06)


def test_a_second_wall_is_predicted_from_its_speed_and_mass():
    """Public test 2320, 56.5 km/h, 1354 kg, not fitted to. The record ends at 49.5 ms.

    Tolerances are those of the record that was fitted; 1 ms of t127 is 2 % (as found).
    """
    table = np.genfromtxt(public("nhtsa_02320/v02320_078.csv"), delimiter=",", names=True)
    step = float(table["time_s"][1])
    measured = np.cumsum(-9.80665 * table["acc_g"]) * step
    own = RECORD.with_parameters(name="wall_56_2320", speed_kmh=56.5, vehicle_mass_kg=1354.0)
    change = np.cumsum(-own.synthesise(range(1, 13), seed=1).cabin_x[:, 500:1000], axis=1) * 1e-4
    for time, tolerance in ((20, 0.45), (30, 0.9), (40, 0.9), (49, 0.9)):
        found, wanted = change[:, 10 * time].mean(), measured[round(1e-3 * time / step)]
        print(f"{time} ms: model {found:.2f}, record {wanted:.2f} m/s")
        assert found == pytest.approx(wanted, abs=tolerance), time
    t127 = np.argmax(np.cumsum(change, axis=1) * 1e-4 >= 0.127, axis=1).mean() / 10.0
    wanted = 1e3 * step * np.argmax(np.cumsum(measured) * step >= 0.127)
    print(f"127 mm: model {t127:.1f}, record {wanted:.1f} ms")
    assert t127 == pytest.approx(wanted, abs=1.0)


def test_engine_against_the_record():
    """Middle of the engine of test 10146, mean of top and bottom, which dies at 67 ms; its channels
    were not fitted to. Tolerance of the peak 15 %, of velocities 1.5 m/s (a tenth of the largest).

    The engine pitches (top 107 g, bottom 211): the model's, a point, is held against its middle.
    """
    public("nhtsa_10146/v10146.096")
    measured = engine_of_10146()["middle"]
    pulse = -synthesis("wall_full_57_record", 12).signals["powertrain_x"][:, 500:1150]
    lost, wanted = np.cumsum(pulse.mean(axis=0)) * 1e-4, np.cumsum(measured) * 9.80665e-4
    for time in (20, 30, 40, 50, 60):
        print(f"{time} ms: model {lost[10 * time]:.1f}, record {wanted[10 * time]:.1f} m/s")
    peaks = [slow(p, 1e4).max() for p in (pulse.mean(axis=0) / 9.80665, measured[:650])]
    print("peak, CFC 60: model {:.0f}, record {:.0f} g".format(*peaks))
    assert peaks[0] == pytest.approx(peaks[1], rel=0.15)
    for time in (20, 40, 50, 60):
        assert lost[10 * time] == pytest.approx(wanted[10 * time], abs=1.5), time


def test_force_on_the_wall_against_the_record():
    """Load cells of test 10146: impulse, and force over windows of 10 ms.

    Within 18 %, which another three-mass model reached on this record from 190 to 743 mm of crush
    (derived): 10 to 70 ms; before and after that within as much of the largest force.
    """
    table = np.genfromtxt(public("nhtsa_10146_wall/wall_force.csv"), delimiter=",", names=True)
    force = table["total_kn"][table["time_s"] > -5e-5][:1000]
    made = synthesis("wall_full_57_record", 12)
    found = made.trace["obstacle_force"][:, 500:1500].mean(axis=0) / 1e3
    ours, theirs = (f.reshape(10, 100).mean(axis=1) for f in (found, force))
    print(np.round(ours), np.round(theirs))
    assert found.sum() == pytest.approx(force.sum(), rel=0.08)
    assert ours[1:7] == pytest.approx(theirs[1:7], rel=0.18)
    assert ours == pytest.approx(theirs, abs=0.18 * theirs.max())


@pytest.mark.parametrize("name", ["wall_full_57_record", "wall_full_40_late_contact"])
def test_force_on_the_wall_is_the_momentum_that_the_car_loses(name):
    """From first contact on, and in N: integral of force = mass times velocity change (momentum).

    The cabin stands for the car: at the end of the event its parts move together within 2 %.
    """
    recipe = FRONTAL[name]
    made = synthesis(name, 0)
    force = made.trace["obstacle_force"][0]
    first = 500 + round(10.0 * recipe.parameters.contact_delay_ms)
    assert not force[:first].any()
    assert force[first : first + 20].any()
    assert force.min() >= 0.0
    mass = recipe.parameters.vehicle_mass_kg or recipe.parameters.car().masses.total_kg
    change = -made.cabin_x[0].sum() / made.rate_hz
    assert change > recipe.parameters.speed_kmh / 3.6
    assert force.sum() / made.rate_hz == pytest.approx(mass * change, rel=0.02)


#: Event matrix, 127 mm column [ms]: derived from the one-mass model.
MATRIX_MS = {
    "wall_full_20": 34.5, "wall_full_25": 30, "wall_full_32": 25, "wall_full_40": 22,
    "wall_full_48": 20, "wall_full_56": 18, "wall_full_64": 16, "wall_30deg_32": 35,
    "wall_30deg_40": 32, "wall_30deg_48": 29, "odb_40_32": 41, "odb_40_40": 37, "odb_40_56": 32,
    "odb_40_64": 30, "pole_centre_29": 54, "pole_centre_40": 39, "pole_centre_56": 28,
    "underride_40": 67, "underride_56": 49, "car_head_on_25_25": 30, "car_offset_40_40": 38,
}  # fmt: skip

#: Rows outside 15 %, and why. No recipe is tuned to its row; the front was fitted to 15 of them.
OUTSIDE = {
    "car_offset_40_40": "one rail is met in full at half overlap and the other car's front end has "
    "mass; the matrix halves the whole wall curve",
}


def test_required_times_against_the_matrix():
    """Tolerance 15 %: the matrix is another, simpler model."""
    far = {}
    for name, wanted in MATRIX_MS.items():
        found = 1e3 * float(synthesis(name, 0).facts["free_flight_127mm_s"][0]) - 30.0
        print(f"{name:24}{found:7.1f}{wanted:7.1f}")
        if abs(found / wanted - 1.0) > 0.15:
            far[name] = found
    assert far.keys() <= OUTSIDE.keys(), far


@pytest.mark.parametrize("name", ["small_overlap_64", "mpdb_50_50"])
def test_times_come_from_the_events_own_free_flight(name):
    event = FRONTAL[name].events()[0]
    own = event.metadata["facts"]["free_flight_127mm_s"] - 0.030
    assert event.requirements["front_airbag_stage_1"].required_s == pytest.approx(own, abs=2e-4)


def test_a_stated_time_later_than_the_own_free_flight_needs_a_reason():
    text = RECIPE.format(obstacle="rigid_wall", speed="56.0", more="") + (
        '[requirements]\nfront_airbag_stage_1 = {{ expectation = "fire", timing = "explicit",'
        ' required_ms = 35.0, basis = "test"{more} }}\n'
    )
    with pytest.raises(InputError, match="own free flight gives"):
        parse_recipe(text.format(more=""), path="mine.toml").events()
    reasoned = text.format(more=', reason = "agreed with the customer"')
    event = parse_recipe(reasoned, path="mine.toml").events()[0]
    assert event.requirements["front_airbag_stage_1"].required_s == pytest.approx(0.035)


@pytest.mark.parametrize("name", ["wall_full_40", "odb_40_40", "pole_centre_40", "wall_30deg_40"])
def test_velocity_change_grows_and_required_time_falls_with_speed(name):
    recipe = FRONTAL[name]
    blocks = [
        recipe.with_parameters(name=f"{name}_{v}", speed_kmh=float(v)).nominal()
        for v in (20, 30, 40, 50, 60)
    ]
    change = [float(b.facts["velocity_change_m_s"][0]) for b in blocks]
    times = [float(next(iter(b.required_s.values()))["front_airbag_stage_1"][0]) for b in blocks]
    assert np.all(np.diff(change) > 0)
    assert np.all(np.diff(times) < 0)


def test_rows_do_not_depend_on_the_block():
    recipe = FRONTAL["odb_40_40"]
    whole = recipe.block(range(12), seed=5)
    for few in ([3], [0, 11, 4]):
        part = recipe.block(few, seed=5)
        assert part.signals.keys() == whole.signals.keys()
        for name, signal in part.signals.items():
            rows = whole.signals[name].samples
            rows = rows if rows.shape[0] == 1 else rows[few]
            assert np.array_equal(signal.samples, rows), name
        for event, times in part.required_s.items():
            for restraint, values in times.items():
                assert np.array_equal(
                    values, whole.required_s[event][restraint][few], equal_nan=True
                )
    assert np.array_equal(
        recipe.block([0], seed=1).signals["central_x"].samples,
        recipe.block([0], seed=2).signals["central_x"].samples,
    )
    spread = whole.required_s["odb_40_40"]["front_airbag_stage_1"]
    assert np.unique(spread).size == 12


def test_signals_are_quiet_before_contact_and_name_every_location():
    for recipe in (FRONTAL[n] for n in ("wall_full_56", "odb_40_40", "small_overlap_64")):
        signals = recipe.nominal().signals
        for name, signal in signals.items():
            assert signal.start_s == -0.05
            assert signal.rate_hz == 10000.0
            assert signal.end_s > 0.249
            assert not signal.samples[:, :500].any(), (recipe.name, name)
    assert len(FRONTAL["wall_full_56"].nominal().signals) == 14


def test_offset_turns_to_the_struck_side_and_a_slanted_wall_pushes_away():
    offset = FRONTAL["odb_40_56"].synthesise([0], seed=0).cabin_y[0]
    slanted = FRONTAL["wall_30deg_40"].synthesise([0], seed=0)
    assert offset.sum() > 0
    assert slanted.cabin_y[0].sum() > 0
    # Largest velocities: tyres then slow the car that slides aside.
    aside, along = (np.abs(np.cumsum(part[0])).max() for part in (slanted.cabin_y, slanted.cabin_x))
    assert 0.15 < aside / along < 0.4
    assert not FRONTAL["wall_full_56"].synthesise([0], seed=0).cabin_y[0].any()


def test_variants_of_contact_and_damage():
    late = FRONTAL["wall_full_40_late_contact"].events()[0]
    plain = FRONTAL["wall_full_40"].events()[0]
    times = [e.requirements["front_airbag_stage_1"] for e in (late, plain)]
    assert times[0].origin_s == pytest.approx(0.020)
    assert times[0].required_s - times[1].required_s == pytest.approx(0.020, abs=2e-4)
    torn = FRONTAL["odb_40_56_upfront_lost"].events()[0].signals["upfront_left_x"]
    assert not torn.samples[620:].any()
    assert torn.samples[500:620].any()
    absent = FRONTAL["pole_centre_40_upfront_absent"].events()[0]
    assert "upfront_left_x" not in absent.signals
    assert "upfront_left_x" not in absent.quiet


def test_belts_yield_two_events_where_the_matrix_says_so():
    belted, unbelted = FRONTAL["wall_full_20"].events()
    assert (belted.name, unbelted.name) == ("wall_full_20_belted", "wall_full_20_unbelted")
    assert belted.occurrence == unbelted.occurrence
    assert belted.requirements["front_airbag_stage_1"].expectation == "open"
    assert unbelted.requirements["front_airbag_stage_1"].expectation == "fire"
    assert belted.signals["central_x"].samples is not None


RECIPE = """
name = "mine"
title = "Mine"
family = "frontal"
model = "frontal_impact"
belts = ["belted"]
[parameters]
vehicle = "small_car"
obstacle = "{obstacle}"
speed_kmh = {speed}
{more}
[basis]
vehicle = "test"
obstacle = "test"
speed_kmh = "test"
"""


@pytest.mark.parametrize(
    ("obstacle", "speed", "more", "text"),
    [
        ("rigid_wal", "40.0", "", "parameters.obstacle: got 'rigid_wal'"),
        ("rigid_wall", "-3.0", "", "parameters.speed_kmh: got -3.0"),
        ("car", "40.0", "", "obstacle_mass_kg for obstacle 'car'"),
        ("rigid_wall", "40.0", "obstacle_mass_kg = 900.0", "stands fixed"),
        ("car", "20.0", "obstacle_mass_kg = 900.0\nobstacle_speed_kmh = -30.0", "never touches"),
        ("rigid_wall", "40.0", 'damaged = ["nose"]', "unknown: nose"),
    ],
)
def test_bad_recipes_are_refused_with_the_reason(obstacle, speed, more, text):
    with pytest.raises(InputError) as caught:
        parse_recipe(RECIPE.format(obstacle=obstacle, speed=speed, more=more), path="mine.toml")
    assert text in str(caught.value)


def test_a_users_own_folder_with_its_own_vehicle(tmp_path):
    """All faults of a vehicle file come at once, and a good one is used, also at other speeds."""
    from crashsense.resources import folder

    text = (folder("pulses") / "vehicles" / "small_car.toml").read_text(encoding="utf-8")
    (tmp_path / "vehicles").mkdir()
    (tmp_path / "frontal").mkdir()
    file = tmp_path / "vehicles" / "small_car.toml"
    recipe = RECIPE.format(obstacle="rigid_wall", speed="40.0", more="")
    (tmp_path / "frontal" / "mine.toml").write_text(recipe, encoding="utf-8")
    soft = text.replace("yaw_inertia_kg_m2 = 2300.0", "yaw_inertia_kg_m2 = -1.0")
    soft = soft.replace("total_kg = 1500.0", "total_kg = -1500.0")
    soft = soft.replace("[springs.upper]", "[springs.upper]\nunloading_kn_per_m = 100.0\n#", 1)
    lines = soft.splitlines()
    at = lines.index("[springs.upper]")
    old = next(i for i in range(at + 2, len(lines)) if lines[i].startswith("unloading_kn_per_m"))
    del lines[old]
    lines = [line.lstrip("#") if line.startswith("#points") else line for line in lines]
    file.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_recipes(tmp_path)
    assert "masses.total_kg" in str(caught.value)
    assert "yaw_inertia_kg_m2" in str(caught.value)
    assert "unloading stiffer than loading" in str(caught.value)
    file.write_text(text.replace("total_kg = 1500.0", "total_kg = 1800.0"), encoding="utf-8")
    own = load_recipes(tmp_path)[0]
    shipped = FRONTAL["wall_full_40"]
    ours = float(own.nominal().facts["stopping_distance_m"][0])
    assert ours > float(shipped.nominal().facts["stopping_distance_m"][0])
    again = own.with_parameters(name="again", speed_kmh=40.0)
    assert float(again.nominal().facts["stopping_distance_m"][0]) == ours
    assert load_vehicle("small_car").masses.total_kg == 1500.0
