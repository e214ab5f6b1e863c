"""Blows against closed forms of contact, momentum, and the levels of the trade."""

from __future__ import annotations

from functools import cache
from math import pi

import numpy as np
import pytest
from scipy.linalg import expm

from crashsense.errors import InputError
from crashsense.occupant import flight_times
from crashsense.synthesis import load_recipes, parse_recipe
from crashsense.synthesis.dynamics.contact_chain import Contacts, Joint, march_chains
from crashsense.synthesis.frontal.obstacles import OBSTACLES
from crashsense.synthesis.frontal.vehicle import load_vehicle
from crashsense.synthesis.misuse.levels import levels_table, measure_levels

G = 9.80665


@pytest.fixture(scope="module")
def recipes():
    return {recipe.name: recipe for recipe in load_recipes()}


@pytest.fixture(scope="module")
def nominal(recipes):
    """Nominal draw of a recipe by name, with its trace: made once for tests that only read it."""

    @cache
    def made(name):
        synthesis = recipes[name].synthesise([0], seed=0)
        for values in (*synthesis.signals.values(), *synthesis.trace.values()):
            values.flags.writeable = False
        return synthesis

    return made


def strike(mass, stiffness, speed, **joint):
    chain = Contacts(
        masses=[mass, np.inf],
        joints=[Joint(stiffness, **joint)],
        speeds=[speed, 0.0],
        size=1,
        samples=400,
        rate_hz=20000.0,
        substeps=10,
    )
    (motion,) = march_chains([chain])
    return motion


@pytest.mark.parametrize(
    ("mass", "stiffness", "speed"), [(1.0, 1e6, 2.0), (3.0, 1e6, 5.0), (2.0, 4e6, 3.0)]
)
def test_contact_is_the_half_sine_of_a_mass_on_a_spring(mass, stiffness, speed):
    # closed form: F = v sqrt(k m) sin(w t), w = sqrt(k/m), lasts pi / w; impulse 2 m v
    motion = strike(mass, stiffness, speed)
    force = motion.force[0][0]
    omega = np.sqrt(stiffness / mass)
    assert force.max() == pytest.approx(speed * np.sqrt(stiffness * mass), rel=2e-3)
    duration = np.count_nonzero(force > 0) / 20000.0
    assert duration == pytest.approx(pi / omega, abs=1.1 / 20000.0)
    assert force.sum() / 20000.0 == pytest.approx(2 * mass * speed, rel=2e-3)
    t = (np.arange(force.size) + 0.5) / 20000.0
    expected = np.where(t < pi / omega, speed * np.sqrt(stiffness * mass) * np.sin(omega * t), 0)
    assert np.abs(force - expected).max() < 0.02 * force.max()


def test_damped_contact_gives_back_less():
    # Kelvin contact: restitution with the force kept positive, 0.1 of critical: about 0.8
    motion = strike(2.0, 1e6, 3.0, damping=2 * 0.1 * np.sqrt(2e6))
    back = -motion.speed[0][0, -1] / 3.0
    # e = exp(-z phi' / s) of the contact that ends at zero force, phi' = 2 arccos(z)
    z = 0.1
    expected = np.exp(-z / np.sqrt(1 - z * z) * 2 * np.arccos(z))
    assert back == pytest.approx(expected, rel=0.01)


def test_momentum_is_conserved_and_plastic_contact_shares_it():
    masses = [70.0, 25.0, 1475.0]
    chain = Contacts(
        masses=masses,
        joints=[
            Joint(4e4, damping=300.0, plastic=True),
            Joint(25.0 * (2 * pi * 35) ** 2, damping=1300.0, holds=True),
        ],
        speeds=[25.0, 0.0, 0.0],
        size=1,
        samples=3000,
        rate_hz=10000.0,
        substeps=5,
    )
    (motion,) = march_chains([chain])
    momentum = sum(m * v[0] for m, v in zip(masses, motion.speed, strict=True))
    assert momentum == pytest.approx(70.0 * 25.0, rel=1e-9)
    together = 70.0 * 25.0 / sum(masses)
    assert motion.speed[2][0, -1] == pytest.approx(together, rel=0.05)


HAMMERS = [
    f"hammer_{place}{end}"
    for place in ("bolt", "bracket", "bumper_beam", "rail", "sill", "tunnel")
    for end in ("", "_severe")
]


@pytest.mark.quick(4)
@pytest.mark.parametrize("name", HAMMERS)
def test_a_hammer_blow_lasts_1_to_3_ms_and_moves_nothing(nominal, name):
    # Ranges of the trade (memory): contact 1-3 ms, 50-400 g at the mounting, velocity change of the
    # control unit below 0.3 m/s once the ringing is over (20 ms after contact).
    event = nominal(name)
    # The fact counts samples of 0.1 ms in which the bodies touch: up to one more than they do.
    assert 1.0e-3 <= event.facts["contact_s"][0] < 3.15e-3
    assert 50 * G <= event.facts["place_peak_m_s2"][0] <= 400 * G
    for channel in ("central_x", "central_y", "central_z"):
        if channel in event.signals:
            speed = np.cumsum(event.signals[channel][0]) / event.rate_hz
            assert abs(speed[round(0.080 * event.rate_hz)]) < 0.3
            assert abs(speed[-100:].mean()) < 0.05


def test_hammer_blows_span_the_range_of_the_trade(nominal):
    """50 to 400 g (memory) are three octaves: there are blows in each of them.

    That the hardest are as hard as they should be is the next test's affair.
    """
    peaks = [nominal(n).facts["place_peak_m_s2"][0] / G for n in HAMMERS]
    assert {int(np.log2(peak / 50.0)) for peak in peaks} == {0, 1, 2}


@pytest.mark.parametrize("name", ["hammer_bracket_severe", "hammer_bolt_severe"])
def test_peak_at_the_bracket_is_that_of_two_bodies_on_two_springs(recipes, nominal, name):
    """What makes several hundred g: a contact that is as stiff as the bracket's own spring.

    Striker and sheet together (M) on the sheet's spring k, the local mass (m) on the bracket's
    spring K, both with their dampers: the exact motion of the linear chain (matrix exponential)
    until the contact lets go. The dent under the hammer and the sheet's own mass stay out.
    """
    recipe = recipes[name]
    place = recipe.parameters.loaded().places[recipe.parameters.place]
    sheet, mass = place.sheet, place.local_mass_kg
    both = recipe.parameters.striker_kg + sheet.mass_kg
    rub = 2.0 * sheet.damping * (sheet.n_per_m * both) ** 0.5
    soft, hard = sheet.n_per_m, place.local_stiffness
    inertia = np.array([[both], [mass]])
    stiff = np.array([[soft, -soft], [-soft, soft + hard]]) / inertia
    damp = np.array([[rub, -rub], [-rub, rub + place.local_damper]]) / inertia
    chain = np.block([[np.zeros((2, 2)), np.eye(2)], [-stiff, -damp]])
    state = np.array([0.0, 0.0, recipe.parameters.striker_kg * recipe.parameters.speed_m_s, 0.0])
    state[2] /= both
    step = expm(chain * 1e-6)
    peak, time = 0.0, 0.0
    while state[0] >= state[1]:
        state = step @ state
        time += 1e-6
        peak = max(peak, abs(float((chain @ state)[3])))
    event = nominal(recipe.name)
    assert event.facts["place_peak_m_s2"][0] == pytest.approx(peak, rel=0.05)
    assert event.facts["contact_s"][0] == pytest.approx(time, rel=0.06)


def test_severe_blows_saturate_a_100_g_sensor_before_its_filter(recipes):
    from crashsense.sensing import load_sensor_set, sense

    sensors = load_sensor_set()
    clipped = {}
    for name, channel in (
        ("hammer_bolt_severe", "central_x"),
        ("hammer_bracket_severe", "central_x"),
        ("hammer_rail_severe", "upfront_left_x"),
        ("hammer_sill_severe", "side_left_y"),
    ):
        event = recipes[name].events()[0]
        narrow = sensors.changed(channel, range=100 * G)
        report = sense(event.signals, narrow, occurrence=event.occurrence).reports[channel]
        clipped[name] = int(report.clipped_before_filter[0])
        assert int(report.clipped_after_filter[0]) == 0  # the filter hides it
    assert min(clipped.values()) > 0, clipped


def test_mounting_peak_follows_from_contact_and_sheet(recipes, nominal):
    # Without losses and with a mounting that stands still, striker and sheet on the sheet's spring:
    # half sine of pi sqrt((m + m_s) / k), peak force v m sqrt(k / (m + m_s)). The mounting yields
    # and the sheet has mass of its own: within a fifth and a quarter.
    for name in ("hammer_rail_severe", "hammer_sill_severe"):
        recipe = recipes[name]
        event = nominal(recipe.name)
        sheet = recipe.parameters.loaded().places[recipe.parameters.place].sheet
        mass, speed = recipe.parameters.striker_kg, recipe.parameters.speed_m_s
        both = mass + sheet.mass_kg
        force = event.trace["into_force"][0]
        expected = speed * mass * np.sqrt(sheet.n_per_m / both)
        assert force.max() == pytest.approx(expected, rel=0.25)
        lasts = pi * np.sqrt(both / sheet.n_per_m)
        assert event.facts["contact_s"][0] == pytest.approx(lasts, rel=0.2)
        impulse = event.trace["contact_force"][0].sum() / event.rate_hz
        change = speed - event.trace["striker_speed"][0, -1]
        assert impulse == pytest.approx(mass * change, rel=1e-9)
        assert mass * speed < impulse < 2 * mass * speed


def test_a_door_rings_in_its_own_mode(recipes, nominal):
    """Inner panel and edge swing against each other at the stated frequency, and make no energy."""
    recipe = recipes["trolley_door"]
    structure = recipe.parameters.loaded()
    door = structure.door
    joint = Joint(door.frame_n_per_m, damping=door.frame_damper, holds=True)
    masses = [door.inner_kg, door.edge_kg]
    chain = Contacts(
        masses=masses,
        joints=[joint],
        speeds=[1.0, 0.0],
        size=1,
        samples=4000,
        rate_hz=10000.0,
        substeps=4,
    )
    (motion,) = march_chains([chain])
    apart = (motion.speed[0] - motion.speed[1])[0]
    rises = np.flatnonzero((apart[:-1] < 0.0) & (apart[1:] >= 0.0))
    damped = door.frame_hz * (1.0 - door.frame_damping**2) ** 0.5
    assert 10000.0 / np.diff(rises).mean() == pytest.approx(damped, rel=0.01)
    event = nominal(recipe.name)
    speeds = [event.trace[f"speed_{number}"][0] for number in range(6)]
    bodies = [recipe.parameters.striker_kg, door.skin_kg, *masses]
    bodies += [structure.places["pillar_left"].local_mass_kg]
    bodies += [structure.mass_kg - sum(bodies[1:])]
    energy = sum(0.5 * m * v**2 for m, v in zip(bodies, speeds, strict=True))
    start = 0.5 * recipe.parameters.striker_kg * recipe.parameters.speed_m_s**2
    assert energy.max() < 1.01 * start
    momentum = sum(m * v[-1] for m, v in zip(bodies, speeds, strict=True))
    assert momentum == pytest.approx(bodies[0] * recipe.parameters.speed_m_s, rel=1e-6)


@pytest.mark.slow
def test_a_blow_makes_no_energy(recipes, nominal):
    checked = 0
    for recipe in recipes.values():
        if recipe.model.name not in ("blow", "hard_blow"):
            continue
        parameters = recipe.parameters
        place = parameters.loaded().places[parameters.place]
        event = nominal(recipe.name)
        masses = {
            "striker_speed": parameters.striker_kg,
            "local_speed": place.local_mass_kg,
            "car_speed": parameters.loaded().mass_kg - place.local_mass_kg,
        }
        if "sheet_speed" in event.trace:
            masses["sheet_speed"] = place.sheet.mass_kg
            masses["car_speed"] -= place.sheet.mass_kg
        energy = sum(0.5 * m * event.trace[key][0] ** 2 for key, m in masses.items())
        start = 0.5 * parameters.striker_kg * parameters.speed_m_s**2
        # 1 %: what a step that does not end at the end of the contact may add
        assert energy.max() < 1.01 * start, recipe.name
        assert energy[-1] < start, recipe.name
        assert event.facts["rebound_m_s"][0] < parameters.speed_m_s, recipe.name
        checked += 1
    assert checked > 25


def test_an_undercarriage_strike_is_broad_band(nominal):
    # A stone on a subframe: content in every band from 60 Hz to 2.5 kHz while it lasts [g rms]
    from scipy.signal import butter, sosfiltfilt

    event = nominal("undercarriage_40")
    start = round(-event.start_s * event.rate_hz)
    levels = []
    for band in ((60, 200), (200, 400), (400, 1000), (1000, 2500)):
        sections = butter(4, band, btype="bandpass", fs=event.rate_hz, output="sos")
        part = sosfiltfilt(sections, event.signals["central_x"][0])[start : start + 250] / G
        levels.append(float(np.sqrt(np.mean(part**2))))
    assert min(levels) > 0.5, levels
    assert max(levels) < 15 * min(levels), levels


def test_hammer_rings_hardest_where_it_strikes(nominal):
    def peak(name, channel):
        return np.abs(nominal(name).signals[channel][0]).max()

    assert peak("hammer_bracket", "central_x") > 2 * peak("hammer_bracket", "upfront_left_x")
    assert peak("hammer_rail", "upfront_left_x") > 2 * peak("hammer_rail", "upfront_right_x")
    assert peak("hammer_rail", "upfront_left_x") > peak("hammer_rail", "central_x")
    assert peak("hammer_sill", "side_left_y") > 2 * peak("hammer_sill", "central_y")


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    ("name", "mass", "speed", "behind"),
    [("deer_90", 70.0, 25.0, ("nose", "rails")), ("moose_70", 450.0, 19.444, ("upper",))],
)
def test_animal_strike_shares_momentum(recipes, nominal, name, mass, speed, behind):
    """delta-V = (1 + e) m_a V / (m_a + m_c) (computed), e near 0 (memory).

    e from energy: what the body of the animal and the parts of the car that it meets, in series,
    hold elastically at the largest force is the most that can come back: e^2 <= F^2 / k / (mu V^2).
    """
    car = load_vehicle("small_car")
    total = car.masses.total_kg
    event = nominal(name)
    change = -np.cumsum(event.cabin_x[0])[-1] / event.rate_hz
    restitution = change / (mass * speed / (mass + total)) - 1.0
    springs = [1e3 * getattr(car.springs, part).unloading_kn_per_m for part in behind]
    springs.append(OBSTACLES[recipes[name].parameters.obstacle].unloading)
    compliance = sum(1.0 / stiffness for stiffness in springs)
    moved = mass * total / (mass + total)
    most = event.trace["obstacle_force"][0].max() * (compliance / moved) ** 0.5 / speed
    assert 0.0 <= restitution <= most < 0.1


#: Two remembered numbers that exclude each other: a plastic body of 70 kg takes pi / 2 sqrt(m / k),
#: 64 to 105 ms, to stop on 40 to 15 kN/m (computed).
SOFT = pytest.mark.xfail(
    strict=True,
    reason="54 ms: the row's 40 ms ask for 42 kN in the mean, more than the remembered stiffness",
)


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    ("name", "lasts_ms"), [pytest.param("deer_90", 40.0, marks=SOFT), ("moose_70", 150.0)]
)
def test_animals_push_as_long_as_remembered(nominal, name, lasts_ms):
    # rows F34 and F35 of the event matrix (memory); duration as its column has it: above 5 percent
    # of the largest force, which in the one-mass model of that column is the deceleration's
    event = nominal(name)
    force = event.trace["obstacle_force"][0]
    pushes = force > 0.05 * force.max()
    assert 1e3 * pushes.sum() / event.rate_hz == pytest.approx(lasts_ms, rel=0.15)


@pytest.mark.slow
def test_braking_moves_the_free_occupant_past_127_mm(nominal):
    # computed: 1 g for 0.25 s is 0.3 m of free travel; a displacement rule alone would fire
    event = nominal("braking_bump_100")
    time = flight_times(-event.cabin_x[0], rate_hz=event.rate_hz, start_s=event.start_s)
    assert 0.15 < float(time) < 0.35
    # nose dive: the pitching body reads more than the brakes give
    held = slice(round(0.6 * event.rate_hz), round(1.4 * event.rate_hz))
    assert event.signals["central_x"][0, held].mean() < event.cabin_x[0, held].mean()


@pytest.mark.parametrize("name", ["trailer_bump", "tow_jerk"])
def test_push_and_pull_from_behind_or_ahead_drive_the_car_forward(nominal, name):
    event = nominal(name)
    assert event.facts["velocity_change_m_s"][0] > 0.3
    assert event.cabin_x[0].sum() > 0


def test_kerb_slide_pushes_the_car_right_and_rolls_it_left(nominal):
    event = nominal("kerb_slide_10")
    assert event.signals["central_y"][0].max() > 5 * G
    assert event.signals["central_roll_rate"][0].min() < 0
    struck = 10 / 3.6
    assert event.facts["velocity_change_m_s"][0] < 1.25 * struck


@pytest.fixture(scope="module")
def measured(recipes):
    return measure_levels(recipes.values())


@pytest.mark.slow
def test_a_level_below_its_range_is_explained_on_the_card(measured):
    below = {(m.recipe, m.quantity): m for m in measured}
    below = {key: m for key, m in below.items() if m.place == "below"}
    assert below  # mild settings exist; the table says so
    assert [key for key, m in below.items() if not m.notes] == []
    # every one of them has a harder twin inside the range, but for what a single wheel, a ball do
    names = {name.removesuffix("_severe") for name, _ in below if name.endswith("_severe")}
    assert names <= {"pothole_50_left", "ball_door"}
    # the text of the table carries the reasons
    text = levels_table(below.values())
    assert "## Why a level lies below its range" in text
    assert all(m.notes in text for m in below.values())


def test_ranges_that_are_closed_forms(recipes):
    found = {
        m.recipe: m
        for m in measure_levels([recipes["hump_3700_40"], recipes["mallet_tunnel"]])
        if m.basis != "memory"
    }
    hump, mallet = found["hump_3700_40"], found["mallet_tunnel"]
    # 11.1 m/s over an entry of 0.081: 0.9 m/s. Dampers 0.75 kN a wheel on 1340 kg; 137 kN/m, 389 kg
    rise = 40 / 3.6 * np.tan(np.arcsin(1.85 / 22.854))
    force = 2 * 1300.0 * (0.4 + 0.35 * (rise - 0.4))
    assert hump.low == pytest.approx(force / 1340.0 / G, rel=1e-3)
    assert hump.high == pytest.approx(
        rise * (1 / (1 / 4e5 + 1 / 2.1e5) / 388.6) ** 0.5 / G, rel=1e-3
    )
    # Hertz: K = 4/3 E* sqrt(R), F = K^(2/5) (5/4 m v^2)^(3/5), over 11 kg
    stiffness = 4 / 3 * 2.63e7 * 0.04**0.5
    least = stiffness**0.4 * (1.25 * (11 / 12) * 2.0**2) ** 0.6 / 11 / G
    most = stiffness**0.4 * (1.25 * (33 / 14) * 5.0**2) ** 0.6 / 11 / G
    assert (mallet.low, mallet.high) == pytest.approx((least, most), rel=0.01)


@pytest.mark.slow
def test_every_row_reaches_its_range_and_no_recipe_passes_it(measured):
    """Ranges of the event matrix (memory); the anchored block is meant to lie beyond."""
    above = {(m.recipe, m.quantity) for m in measured if m.place == "above"}
    # The row remembers a deer of 70 kg and ends at 1.39 m/s; the severe setting's 85 kg are 1.34 by
    # momentum alone, 1.44 in the model. Left to be seen, and said in the recipe.
    severe = ("deer_90_severe", "deer_90_severe_left_lost", "deer_90_severe_right_stuck")
    assert above == {(name, "velocity change") for name in severe}, above
    rows = {(m.row, m.quantity) for m in measured}
    within = {(m.row, m.quantity) for m in measured if m.place == "within"}
    assert rows == within
    assert {row for row, _ in rows} >= {f"M{k:02d}" for k in range(1, 13) if k != 11} | {
        "F34",
        "F35",
    }


@pytest.mark.slow
def test_every_event_is_quiet_for_50_ms_and_states_its_channels(recipes, nominal):
    checked = 0
    for recipe in recipes.values():
        if recipe.family not in ("misuse", "rough_road"):
            continue
        if recipe.model.name == "kerb_then_wall":
            continue
        event = nominal(recipe.name)
        before = round((0.0 - event.start_s) * event.rate_hz)
        assert before >= 0.05 * event.rate_hz
        for name, samples in event.signals.items():
            assert not samples[:, :before].any(), (recipe.name, name)
            assert np.isfinite(samples).all()
        named = set(event.signals) | set(event.quiet)
        assert named >= {
            "central_x",
            "central_y",
            "central_z",
            "central_safing_x",
            "central_safing_y",
            "upfront_left_x",
            "upfront_right_x",
            "side_left_y",
            "side_right_y",
            "door_left_pressure",
            "door_right_pressure",
        }, recipe.name
        assert not set(event.signals) & set(event.quiet)
        checked += 1
    assert checked >= 50


@pytest.mark.quick(2)
@pytest.mark.parametrize(
    "name",
    [
        "hammer_rail",
        "trolley_door",
        "kerb_climb_30",
        "cobbles_50",
        "door_slam",
        "pothole_50_left",
        "braking_bump_100",
        "kerb_slide_10",
    ],
)
def test_a_draw_is_the_same_in_any_block(recipes, name):
    recipe = recipes[name]
    block = recipe.synthesise(range(13), seed=3)
    pair = recipe.synthesise([0, 7], seed=3)
    for channel, samples in block.signals.items():
        assert np.array_equal(samples[[0, 7]], pair.signals[channel]), channel
    assert any((s[7] != s[0]).any() for s in block.signals.values())
    again = recipe.synthesise([0], seed=99)
    for channel, samples in again.signals.items():
        assert np.array_equal(samples[0], block.signals[channel][0]), channel


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", ["hammer_bracket", "undercarriage_30", "trolley_pillar"])
def test_finer_steps_change_little(recipes, nominal, name, monkeypatch):
    from crashsense.synthesis.misuse import blows, chain

    coarse = nominal(name)
    monkeypatch.setattr(chain, "STEPS_A_RADIAN", 40.0)
    monkeypatch.setattr(blows, "STEPS_AFTER", 6)
    fine = recipes[name].synthesise([0], seed=0)
    a, b = coarse.trace["car_speed"][0], fine.trace["car_speed"][0]
    assert np.abs(a - b).max() < 0.01 * np.abs(b).max()


def test_faults_of_a_recipe_are_all_reported():
    text = """
name = "bad_blow"
title = "Bad"
family = "misuse"
model = "blow"
belts = ["unbelted"]
[parameters]
structure = "small_car_blows"
duration_s = 0.15
place = "tunnel"
striker_kg = -1.0
speed_m_s = 99.0
contact_n_per_m = 0.0
contact_damping = 0.1
bend_mm = 10.0
contact_past_bend_n_per_m = 1e6
plastic = false
direction = [1.0, 0.0, 0.0]
[basis]
"""
    with pytest.raises(InputError) as caught:
        parse_recipe(text, path="bad.toml")
    fields = {fault.field for fault in caught.value.faults}
    assert {"parameters.striker_kg", "parameters.speed_m_s", "parameters.contact_n_per_m"} <= fields
    assert "basis.striker_kg" in fields


def test_unknown_place_and_vehicle_are_answered_with_what_there_is():
    text = """
name = "bad_place"
title = "Bad"
family = "misuse"
model = "blow"
belts = ["unbelted"]
[parameters]
structure = "small_car_blows"
duration_s = 0.15
place = "tunel"
striker_kg = 1.0
speed_m_s = 3.0
contact_n_per_m = 1e6
contact_damping = 0.1
bend_mm = 10.0
contact_past_bend_n_per_m = 1e6
plastic = false
direction = [1.0, 0.0, 0.0]
[basis]
"""
    with pytest.raises(InputError, match="tunnel"):
        parse_recipe(text, path="bad.toml")
    with pytest.raises(InputError, match="structure"):
        parse_recipe(text.replace("small_car_blows", "nowhere"), path="bad.toml")
