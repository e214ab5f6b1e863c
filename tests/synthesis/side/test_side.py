"""Side impact: balances, bounds, timing seen beforehand in a trial, mirror image."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from crashsense.channels import CHANNELS, MIRRORED
from crashsense.event import MIRRORED_RESTRAINTS
from crashsense.filters.causal import causal_lowpass, lowpass_sections
from crashsense.resources import folder as shipped_folder
from crashsense.synthesis.dynamics.spring_chain import integrate_chains
from crashsense.synthesis.model import Synthesis, draw_variation
from crashsense.synthesis.recipe import Recipe, load_recipes
from crashsense.synthesis.side import side_impact as side
from crashsense.synthesis.side.crash import crash_chain
from crashsense.units import STANDARD_GRAVITY as G

SIDE = {recipe.name: recipe for recipe in load_recipes(shipped_folder("pulses") / "side")}
#: Struck on the left; the others are mirror images of some of these.
RECIPES = {name: recipe for name, recipe in SIDE.items() if recipe.struck_side == "left"}
RIGHT = sorted(set(SIDE) - set(RECIPES))
DOOR = sorted(name for name, r in RECIPES.items() if r.parameters.contact == "door")


def nominal(recipe: Recipe):
    return draw_variation(
        np.array([0]), seed=1, occurrence=recipe.occurrence, tolerances=recipe.tolerances
    )


@cache
def draw_of(name: str) -> Synthesis:
    """Nominal draw with its trace: made once for all tests, which only read it."""
    return RECIPES[name].synthesise([0], seed=1)


@cache
def motion_of(name: str, *, substeps: int = side.SUBSTEPS):
    """The motion alone, likewise."""
    recipe = RECIPES[name]
    masses, speeds, springs, body = side.build_chain(recipe.parameters, nominal(recipe))
    (motion,) = integrate_chains(
        [crash_chain(masses, springs, speeds=speeds, substeps=substeps, ledger=True)]
    )
    return motion, masses, speeds, body


@pytest.mark.quick(2)
@pytest.mark.parametrize("name", sorted(RECIPES))
def test_energy_and_momentum(name: str) -> None:
    motion, masses, speeds, body = motion_of(name, substeps=8)
    kinetic = motion.kinetic_energy().sum(axis=1)[:, 0]
    total = kinetic + motion.elastic_energy().sum(axis=1)[:, 0]
    total = total + motion.absorbed_energy().sum(axis=1)[:, 0]
    # Kinetic + elastic + absorbed = initial within 0.5 %.
    np.testing.assert_allclose(total, kinetic[0], rtol=5e-3)
    if np.isfinite(masses).all():
        momentum = (masses[None] * motion.velocity).sum(axis=1)[:, 0]
        np.testing.assert_allclose(momentum, momentum[0], rtol=1e-9)


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", ["side_pole_75_32", "side_barrier_90_60", "side_pole_90_10"])
def test_impulse_is_mass_times_velocity_change(name: str) -> None:
    synthesis = draw_of(name)
    motion, masses, speeds, body = motion_of(name)
    car = [n for n in ("skin", "door", "pillar", "cabin") if n in body]
    rows = [body[n] for n in car]
    change = (masses[rows, 0] * (motion.velocity[-1, rows, 0] - speeds[rows, 0])).sum()
    impulse = synthesis.trace["striker_force"].sum() / side.RATE_HZ
    # Within 0.5 % of the force history as stored every 0.1 ms.
    assert impulse == pytest.approx(change, rel=5e-3)


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", ["side_pole_75_32", "side_barrier_90_60", "side_barrier_90_12"])
def test_halving_the_step_changes_velocity_by_less_than_a_thousandth(name: str) -> None:
    coarse, *_, body = motion_of(name)
    fine, *_ = motion_of(name, substeps=2 * side.SUBSTEPS)
    for part in ("pillar", "cabin"):
        a, b = (m.velocity[:, body[part], 0] for m in (coarse, fine))
        assert np.abs(a - b).max() < 1e-3 * np.ptp(b)


@pytest.mark.quick(2)
@pytest.mark.parametrize("name", sorted(n for n in RECIPES if "barrier" in n))
def test_barrier_velocity_change_lies_between_plastic_and_restitution_one_third(name: str) -> None:
    # Two-body momentum: v = m_b V / (m_b + m_c) (1 + e). Masses and speeds: 49 CFR 571.214 (53 km/h
    # as read; 1368 kg, 27 degrees from memory), UN R95 (950 kg, 50 km/h, from memory).
    recipe = RECIPES[name]
    p = recipe.parameters
    change = 3.6 * float(draw_of(recipe.name).facts["velocity_change_m_s"][0])
    plastic = p.striker_mass_kg * p.speed_kmh * np.sin(np.radians(p.angle_deg))
    plastic /= p.striker_mass_kg + p.vehicle.mass_kg
    assert plastic < change < 1.33 * plastic


@pytest.mark.slow
def test_levels_of_the_barrier_rows() -> None:
    # Ranges from memory of the trade: car 25-30 km/h, 20 g, 80 ms, satellite 60-150 g (50 km/h, up
    # to 1400 kg); crabbed 53 km/h 20-25 km/h; 1900 kg 60 km/h 30-35; 32 km/h 15; 10-12 km/h 5-6.
    # Momentum alone allows no less than 24.1, 22.5 and 33.5 km/h for the first three; with the
    # restitution of this car, 0.13 to 0.15, crabbed and 1900 kg stand 1 and 3 km/h above the range.
    expected = {
        "side_barrier_90_50_1400kg": (25, 30),
        "side_barrier_crabbed_53": (20, 26),
        "side_barrier_90_60": (30, 38.5),
        "side_barrier_90_32": (12, 17),
        "side_barrier_90_12": (4.5, 6.5),
    }
    for name, (low, high) in expected.items():
        synthesis = draw_of(name)
        assert low < 3.6 * float(synthesis.facts["velocity_change_m_s"][0]) < high, name
    hit = draw_of("side_barrier_90_50_1400kg")
    assert 60 < np.abs(hit.signals["side_left_y"]).max() / G < 150
    mean = np.convolve(hit.cabin_y[0], np.ones(50) / 50, mode="same")
    assert 12 < mean.max() / G < 22
    assert 60 < (hit.cabin_y[0] > 0.05 * hit.cabin_y[0].max()).sum() / 10 < 110


def chain_reading(samples: np.ndarray) -> np.ndarray:
    """3-pole Bessel of 400 Hz, 2 kHz, at the worst sample phase: what a control unit works on."""
    sections = lowpass_sections(kind="bessel", order=3, corner_hz=400.0, rate_hz=side.RATE_HZ)
    return np.asarray(causal_lowpass(samples, sections=sections))[::5]


def crossing_ms(reading: np.ndarray, threshold: float) -> float:
    # 1.1 ms of transport and task.
    over = np.flatnonzero(reading >= threshold)
    return float("nan") if over.size == 0 else 1e3 * side.START_S + 0.5 * float(over[0]) + 1.1


def timing(name: str) -> dict[str, float]:
    signals = draw_of(name).signals
    pressure = chain_reading(signals["door_left_pressure"][0]) / side.AMBIENT_PA
    satellite = chain_reading(signals["side_left_y"][0])
    central = chain_reading(signals["central_y"][0])
    speed = np.cumsum(satellite) / 2000.0
    window = speed.copy()
    window[16:] -= speed[:-16]
    return {
        "pressure 3 %": crossing_ms(pressure, 0.03),
        "satellite 4 g": crossing_ms(satellite, 4 * G),
        "window 1 m/s": crossing_ms(window, 1.0),
        "central 1 g": crossing_ms(central, G),
    }


@pytest.mark.slow
def test_timing_beside_the_trial(capsys: pytest.CaptureFixture[str]) -> None:
    """Seen beforehand in a trial: pole 32 km/h, 400 Hz, 2 kHz, 1.1 ms transport and task.

    Pressure passes 3 % near 3 ms, the satellite 4 g at 6-9 ms, its 8 ms window velocity 1 m/s at
    8-12 ms, central y 1 g at 10-13 ms (next test). What differs: the trial's cavity follows the
    pole without delay; here the way of the sound (0.44 ms), the inertia of the skin and the leak
    come first.
    """
    rows = {name: timing(name) for name in DOOR}
    trial = {
        "pressure 3 %": (2.5, 4.5),
        "satellite 4 g": (6.0, 9.0),
        "window 1 m/s": (8.0, 12.0),
    }
    with capsys.disabled():
        print("\nside timing, ms             " + "".join(f"{k:>16}" for k in rows[DOOR[0]]))
        print(f"{'trial, pole 32 km/h':28}" + f"{'3':>16}{'6-9':>16}{'8-12':>16}{'10-13':>16}")
        for name, row in rows.items():
            print(f"{name:28}" + "".join(f"{value:16.1f}" for value in row.values()))
    for quantity, (low, high) in trial.items():
        assert low <= rows["side_pole_75_32"][quantity] <= high, quantity


@pytest.mark.xfail(
    strict=True,
    reason="the tunnel shakes by the law of frontal crashes, which the trial's did not: 8.6 ms",
)
def test_central_unit_beside_the_trial() -> None:
    assert 10.0 <= timing("side_pole_75_32")["central 1 g"] <= 13.0


@pytest.mark.quick(2)
@pytest.mark.parametrize("name", DOOR)
def test_pressure_rises_before_the_satellite(name: str) -> None:
    # The skin moves at once, sill and pillar when the door has been crushed on them.
    row = timing(name)
    assert row["pressure 3 %"] < row["satellite 4 g"] - 1.0


def test_a_lumped_door_would_delay_pressure_by_milliseconds() -> None:
    # Trial: 3.1 ms when the cavity follows the skin, 6.6 ms with a lumped door of 28 kg: 3 ms more.
    recipe = RECIPES["side_pole_75_32"]
    motion, *_, body = motion_of(recipe.name)
    skin = motion.position[:, body["skin"], 0] - motion.position[0, body["skin"], 0]
    free = -recipe.parameters.speed_kmh / 3.6 * np.sin(np.radians(75.0)) * 1e-4
    still = free * np.arange(skin.size)
    dent = skin - still
    door = motion.position[:, body["door"], 0] - still
    litres = 0.03 / 1.4 * recipe.parameters.vehicle.door_volume_l * 1e-3
    depth = litres / recipe.parameters.dent_area_m2
    delay = (np.argmax(door > depth) - np.argmax(dent > depth)) / 10.0
    assert 2.0 < delay < 8.0


def test_no_fire_hits_overlap_the_pole_in_pressure() -> None:
    # Trial: no-fire hits (pole 10, barrier 12 km/h) peak at 10-16 % pressure while the 32 km/h pole
    # stands at 12 % at 6 ms: a peak threshold does not separate them, slope or a time window does.
    # Here the no-fire hits peak at 7-10 %: the leak has more time to work in a slow hit.
    pole = draw_of("side_pole_75_32").signals["door_left_pressure"][0]
    at_6 = round((6.0 - 1.1) * 2) + 100
    known = chain_reading(pole)[at_6] / side.AMBIENT_PA
    assert known == pytest.approx(0.12, abs=0.03)
    for name in ("side_pole_90_10", "side_barrier_90_12"):
        slow = draw_of(name).signals["door_left_pressure"][0]
        reading = chain_reading(slow) / side.AMBIENT_PA
        assert 0.5 * known < reading.max() < 0.16
        assert reading[at_6] < 0.5 * known


@pytest.mark.slow
def test_gap_closure_is_offered_beside_the_explicit_time(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Trial: gap closure 3.4 ms (barrier 60 km/h), 11-15 ms (poles 29-32 km/h), the bag's 10 ms
    (thorax 8-12 ms, from memory) taken off."""
    with capsys.disabled():
        print("\ngap closure less 10 ms beside the explicit time, ms")
        for name in DOOR:
            gap = 1e3 * float(draw_of(name).facts["gap_closure_s"][0]) - 10
            event = RECIPES[name].events()[0]
            told = event.requirements["side_airbag_left"].required_s
            text = "-" if told is None else f"{1e3 * told:.1f}"
            print(f"{name:28}{gap:8.1f}{text:>8}")
    recipe = RECIPES["side_pole_90_29"]
    closed = float(draw_of(recipe.name).facts["gap_closure_s"][0])
    assert 0.010 < closed - 0.010 < 0.016
    entry = recipe.requirements["belted"]["side_airbag_left"]
    by_gap = entry.model_copy(
        update={"timing": "gap_closure", "gap": "door_to_occupant_left", "inflation_ms": 10.0}
    )
    from dataclasses import replace

    changed = replace(recipe, requirements={"belted": {**recipe.requirements["belted"]}})
    changed.requirements["belted"]["side_airbag_left"] = by_gap
    required = changed.block([0], seed=1).required_s["side_pole_90_29"]["side_airbag_left"][0]
    assert required == pytest.approx(closed - 0.010, abs=1e-4)


def test_required_times_are_those_of_the_matrix() -> None:
    # From memory of the trade: barrier 950 or 1400 kg 50 km/h 8 ms, crabbed 9, 1900 kg 60 km/h 6,
    # poles 6; grey rows carry their time as information.
    times = {
        "side_barrier_90_50": ("fire", 8.0),
        "side_barrier_90_50_1400kg": ("fire", 8.0),
        "side_barrier_crabbed_53": ("fire", 9.0),
        "side_barrier_90_60": ("fire", 6.0),
        "side_barrier_90_32": ("open", 12.0),
        "side_barrier_90_12": ("no_fire", None),
        "side_pole_75_32": ("fire", 6.0),
        "side_pole_90_29": ("fire", 6.0),
        "side_pole_90_20": ("open", 10.0),
        "side_pole_90_10": ("no_fire", None),
        "side_barrier_axle_50": ("open", None),
    }
    assert set(times) == set(RECIPES)
    for name, (expectation, ms) in times.items():
        (event,) = RECIPES[name].events()
        requirement = event.requirements["side_airbag_left"]
        assert requirement.expectation == expectation, name
        told = requirement.required_s
        assert told is None if ms is None else told == pytest.approx(1e-3 * ms), name
        assert event.requirements["side_airbag_right"].expectation == "no_fire"


@pytest.mark.parametrize("name", sorted(RECIPES))
def test_locations_are_modelled_or_said_to_be_quiet(name: str) -> None:
    (event,) = RECIPES[name].events()
    assert set(event.signals) == set(CHANNELS)
    assert "door_right_pressure" in event.quiet
    assert {"side_left_y", "side_right_y", "central_y", "central_safing_y"}.isdisjoint(event.quiet)
    assert ("door_left_pressure" in event.quiet) == (name == "side_barrier_axle_50")
    for signal in event.signals.values():
        assert not signal.samples[signal.times_s < 0].any()
        assert signal.times_s[0] == pytest.approx(-0.05)
    assert event.signals["side_left_y"].velocity().samples[-1] > 0.5
    assert event.signals["central_roll_rate"].samples.min() < 0


def test_ringing_leaves_no_velocity_behind() -> None:
    synthesis = draw_of("side_pole_75_32")
    change = float(synthesis.facts["velocity_change_m_s"][0])
    roll = synthesis.trace["roll_angle"][0]
    tilt = (-G * np.sin(roll)).sum() / side.RATE_HZ
    for channel in ("central_y", "central_safing_y", "side_right_y", "side_left_y"):
        end = synthesis.signals[channel][0].sum() / side.RATE_HZ - tilt
        assert end == pytest.approx(change, rel=0.04), channel


def test_oblique_hit_drags_along_the_car() -> None:
    # The car's own forward speed V cos 75 is the most that friction can take away.
    pole = draw_of("side_pole_75_32")
    along = float(pole.cabin_x[0].sum() / side.RATE_HZ)
    assert -32 / 3.6 * np.cos(np.radians(75.0)) <= along < -1.0
    assert not draw_of("side_pole_90_29").cabin_x.any()


@pytest.mark.parametrize("name", ["side_pole_75_32", "side_barrier_crabbed_53"])
def test_mirrored_recipe_exchanges_left_and_right(name: str) -> None:
    recipe = RECIPES[name]
    (left,), (right,) = recipe.events(), recipe.mirrored().events()
    for channel, signal in left.signals.items():
        sign = -1.0 if CHANNELS[channel].axis in ("y", "roll") else 1.0
        other = right.signals[MIRRORED[channel]]
        assert np.array_equal(other.samples, sign * signal.samples), channel
    for restraint, requirement in left.requirements.items():
        assert right.requirements[MIRRORED_RESTRAINTS[restraint]] == requirement
    assert right.quiet == {MIRRORED[channel] for channel in left.quiet}


def test_a_recipe_for_the_right_side_is_the_mirror_image(tmp_path: Path) -> None:
    source = Path(RECIPES["side_pole_90_29"].file).read_text(encoding="utf-8")
    text = source.replace('struck_side = "left"', 'struck_side = "right"')
    text = text.replace("airbag_left", "airbag_right").replace("curtain_left", "curtain_right")
    text = text.replace('name = "side_pole_90_29"', 'name = "side_pole_90_29_right"')
    (tmp_path / "right.toml").write_text(text, encoding="utf-8")
    (recipe,) = load_recipes(tmp_path)
    (event,) = recipe.events()
    assert event.signals["side_right_y"].velocity().samples[-1] < -0.5
    assert event.signals["door_right_pressure"].samples.max() > 5000.0
    assert event.requirements["side_airbag_right"].expectation == "fire"
    assert event.requirements["side_airbag_left"].expectation == "no_fire"
    (mirrored,) = RECIPES["side_pole_90_29"].mirrored().events()
    assert mirrored.requirements == event.requirements


@pytest.mark.slow
def test_variants_are_bit_identical_whatever_the_batch() -> None:
    for name in ("side_pole_75_32", "side_barrier_90_50"):
        recipe = RECIPES[name]
        block = recipe.block(range(6), seed=3)
        for draw in (0, 2, 5):
            one = recipe.block([draw], seed=3)
            for channel, signal in block.signals.items():
                if signal.samples.any():
                    assert np.array_equal(signal.samples[draw], one.signals[channel].samples[0])
        assert not np.array_equal(
            block.signals["central_y"].samples[1], block.signals["central_y"].samples[2]
        )
        other = recipe.block([0], seed=99).signals["side_left_y"].samples[0]
        assert np.array_equal(block.signals["side_left_y"].samples[0], other)


@pytest.mark.slow
def test_velocity_change_grows_with_speed() -> None:
    recipe = RECIPES["side_pole_90_29"]
    changes = [
        float(
            recipe.with_parameters(name=f"v{speed}", speed_kmh=float(speed))
            .synthesise([0], seed=1)
            .facts["velocity_change_m_s"][0]
        )
        for speed in (8, 12, 18, 24, 32)
    ]
    assert (np.diff(changes) > 0).all()


@pytest.mark.parametrize("name", RIGHT)
def test_events_from_the_right_are_mirror_images(name: str) -> None:
    left = RECIPES[name.removesuffix("_right")].events()[0]
    right = SIDE[name].events()[0]
    for channel, signal in right.signals.items():
        other = left.signals[MIRRORED[channel]].samples
        sign = -1.0 if CHANNELS[channel].axis in ("y", "roll") else 1.0
        assert np.array_equal(signal.samples, sign * other), channel
    for restraint, entry in right.requirements.items():
        twin = left.requirements[MIRRORED_RESTRAINTS[restraint]]
        assert (entry.expectation, entry.required_s) == (twin.expectation, twin.required_s)


def test_every_side_restraint_is_required_somewhere() -> None:
    fired = {
        restraint
        for recipe in SIDE.values()
        for event in recipe.events()
        for restraint, entry in event.requirements.items()
        if entry.expectation == "fire"
    }
    assert {
        f"{part}_{s}" for part in ("side_airbag", "curtain") for s in ("left", "right")
    } <= fired


@pytest.mark.quick(2)
@pytest.mark.parametrize("name", DOOR)
def test_struck_pillar_keeps_the_velocity_of_the_inner_door(name: str) -> None:
    """From the first time that sill and door have met: no swing of 3 m/s, door and sill together.

    Velocity gained by 20 ms is not given back by half, then taken again: the largest fall below a
    velocity already reached, up to the end of the push, stays under 2.5 m/s.
    """
    motion, _, speeds, body = motion_of(name)
    start = speeds[body["cabin"], 0]
    pillar = motion.velocity[:, body["pillar"], 0] - start
    door = motion.velocity[:, body["door"], 0] - start
    push = slice(0, 600)
    fall = (np.maximum.accumulate(pillar) - pillar)[push].max()
    assert fall < 2.5
    apart = np.abs(door - pillar)[300:600].max()
    assert apart < 3.0


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", ["side_pole_75_32", "side_barrier_90_50", "side_pole_90_10"])
def test_struck_satellite_keeps_the_velocity_of_its_pillar(name: str) -> None:
    """Shaking adds no lasting velocity; the far side and the tunnel move as one cabin."""
    signals = draw_of(name)
    motion, _, speeds, body = motion_of(name)
    tilt = -G * np.sin(signals.trace["roll_angle"][0])
    for channel, part in (("side_left_y", "pillar"), ("side_right_y", "cabin")):
        read = np.cumsum(signals.signals[channel][0] - tilt)[side.ZERO :] / side.RATE_HZ
        moved = motion.velocity[:, body[part], 0] - speeds[body["cabin"], 0]
        assert np.abs(read - moved).max() < 0.35, channel
    far, tunnel = (
        np.cumsum(signals.signals[n][0])[side.ZERO :] / side.RATE_HZ
        for n in ("side_right_y", "central_y")
    )
    assert np.abs(far - tunnel).max() < 0.35
