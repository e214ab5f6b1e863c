"""Rollover: tipping energy, stability factor, signs, free fall, near-roll."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense import engine
from crashsense.channels import CHANNELS
from crashsense.resources import folder as shipped_folder
from crashsense.synthesis.model import draw_variation
from crashsense.synthesis.recipe import Recipe, load_recipes
from crashsense.synthesis.rollover import roll as rollover
from crashsense.units import STANDARD_GRAVITY as G

ROLL = {recipe.name: recipe for recipe in load_recipes(shipped_folder("pulses") / "rollover")}
OVER = ("rollover_kerb_25", "rollover_ramp_70", "rollover_soil_45")
NEAR = ("near_roll_fishhook_75", "near_roll_j_turn_75", "near_roll_ramp_60")


def roll_motion(recipe: Recipe):
    variation = draw_variation(np.array([0]), seed=1, occurrence="test", tolerances={})
    return rollover.integrate_roll(recipe.parameters, variation)


def changed(name: str, **values) -> Recipe:
    return ROLL[name].with_parameters(name="changed", **values)


def test_energy_to_tip_and_stability_factor() -> None:
    # Rigid car over its wheels: E = m g (sqrt(h^2 + (t/2)^2) - h); SSF = t / 2h.
    energy = rollover.tipping_energy(mass_kg=1500, height_m=0.55, track_m=1.50)
    assert energy == pytest.approx(1500 * 9.80665 * (np.sqrt(0.3025 + 0.5625) - 0.55))
    assert rollover.static_stability_factor(height_m=0.55, track_m=1.50) == 1.50 / 1.10


def rigid() -> dict:
    """The car with suspension and bump stop so stiff that it is all but rigid."""
    car = ROLL["rollover_soil_45"].parameters.vehicle.model_dump()
    return {**car, "side_stiffness_kn_per_m": 170.0, "side_damping_kns_per_m": 10.0}


@pytest.mark.parametrize(("share", "over"), [(0.85, False), (1.12, True)])
def test_a_constant_side_force_tips_the_car_at_the_stability_factor(
    share: float, over: bool
) -> None:
    # A rigid car tips when the lateral deceleration exceeds SSF g. The soil force grows slowly to
    # share * SSF * m g (no friction elsewhere): below it the car stays on its wheels.
    factor = rollover.static_stability_factor(height_m=0.55, track_m=1.50)
    limit = share * factor * 1500 * G / 1e3
    recipe = changed(
        "rollover_soil_45",
        vehicle=rigid(),
        friction=0.0,
        speed_kmh=150.0,
        soil_start_kn=0.0,
        soil_growth_kn_per_m=limit / 15.0,
        soil_limit_kn=limit,
        duration_s=3.0,
    )
    motion = roll_motion(recipe)
    held = np.abs(np.degrees(motion.roll[0]))
    assert (held.max() > 60.0) == over
    if not over:
        assert held.max() < 20.0


def test_kerb_trip_brackets_the_critical_sliding_speed() -> None:
    # Plastic trip of a rigid car (from memory: critical sliding velocity). The model's car rolls on
    # springs and its kerb gives some energy back, so only the order is asked: well below, it stays;
    # well above, it goes over.
    car = ROLL["rollover_kerb_25"].parameters.vehicle
    critical = 3.6 * rollover.critical_sliding_speed(
        mass_kg=car.mass_kg,
        height_m=car.height_m,
        track_m=car.track_m,
        roll_inertia_kg_m2=car.roll_inertia_kg_m2,
    )
    assert 17 < critical < 23
    slow = roll_motion(changed("rollover_kerb_25", speed_kmh=0.55 * critical, duration_s=2.0))
    fast = roll_motion(changed("rollover_kerb_25", speed_kmh=1.25 * critical, duration_s=2.0))
    assert np.degrees(np.abs(slow.roll).max()) < 50.0
    assert abs(np.degrees(slow.roll[0, -1])) < 8.0
    assert np.degrees(np.abs(fast.roll).max()) > 85.0


def test_energy_falls_except_by_what_drives_it() -> None:
    # Kerb trip: kinetic + potential energy may only fall, the kerb and the springs store no more
    # than what the slide brought.
    recipe = ROLL["rollover_kerb_25"]
    motion = roll_motion(recipe)
    car = recipe.parameters.vehicle
    v_z = -np.gradient(motion.height[0], 1 / rollover.RATE_HZ)
    energy = (
        0.5 * car.mass_kg * (motion.speed_y[0] ** 2 + v_z**2)
        + 0.5 * car.roll_inertia_kg_m2 * motion.rate[0] ** 2
        + car.mass_kg * G * (motion.height[0] - car.height_m)
    )
    assert energy[0] == pytest.approx(0.5 * 1500 * (25 / 3.6) ** 2, rel=1e-6)
    assert energy.max() < 1.01 * energy[0]
    assert energy[-1] < 0.6 * energy[0]


def test_free_fall_reads_plus_one_g_in_z() -> None:
    # Specific force is nil in free fall; the level rest value (-g along +z down) is taken off.
    # After the kerb trip the car is off the ground for a while.
    motion = roll_motion(ROLL["rollover_kerb_25"])
    flying = np.abs(motion.acceleration_z[0] - G) < 1e-9
    still = np.flatnonzero(flying & (np.abs(motion.acceleration_y[0]) < 1e-9))
    assert still.size > 50
    at = still[still.size // 2]
    f_y, f_z = rollover.specific_force(motion, right_m=0.0, below_m=0.0)
    assert f_z[0, at] == pytest.approx(G)
    assert f_y[0, at] == pytest.approx(0.0, abs=1e-9)


def test_a_tilted_car_at_rest_reads_its_tilt() -> None:
    # Roll phi right side down: f_y = -g sin(phi), f_z + g = g (1 - cos(phi)).
    phi = np.radians(20.0)
    one = np.zeros((1, 1))
    still = rollover._Roll(one + phi, one, one, one, one, one, one, one)
    f_y, f_z = rollover.specific_force(still, right_m=0.7, below_m=0.2)
    assert f_y[0, 0] == pytest.approx(-G * np.sin(phi))
    assert f_z[0, 0] == pytest.approx(G * (1 - np.cos(phi)))


def test_signs() -> None:
    # Left wheels up, or a trip at the right wheels: right side down, positive roll rate. A turn to
    # the right rolls the body to the left.
    for name in OVER:
        (event,) = ROLL[name].events()
        rate = event.signals["central_roll_rate"]
        until = rate.times_s < 0.3
        assert rate.samples[until].max() > 0.5
        assert rate.samples[until].min() > -0.1
    (turn,) = ROLL["near_roll_j_turn_75"].events()
    assert turn.signals["central_roll_rate"].samples.min() < -0.1
    assert turn.signals["central_y"].samples.max() > 0.6 * G
    (kerb,) = ROLL["rollover_kerb_25"].events()
    assert kerb.signals["central_y"].velocity().samples[400] < -3.0
    mirrored = ROLL["rollover_kerb_25"].mirrored().events()[0]
    assert np.array_equal(
        mirrored.signals["central_roll_rate"].samples,
        -kerb.signals["central_roll_rate"].samples,
    )


@pytest.mark.slow
def test_rollover_levels(capsys: pytest.CaptureFixture[str]) -> None:
    """From memory of the trade: ramp 120-180 deg/s; kerb a_y 8-15 g; soil 1.5-3 g until the car is
    over; sensing before 45-55 degrees plus 25-30 ms of the curtain; near-roll below 60 deg/s."""
    rows = {}
    for name in (*OVER, *NEAR):
        motion = roll_motion(ROLL[name])
        at_50 = float(rollover.time_of_roll(motion, angle_deg=50.0)[0])
        end = motion.roll.shape[1] if not np.isfinite(at_50) else int(at_50 * rollover.RATE_HZ)
        rows[name] = (
            float(np.degrees(np.abs(motion.rate[0, :end]).max())),
            float(np.abs(motion.acceleration_y[0, :end]).max() / G),
            1e3 * at_50,
        )
    with capsys.disabled():
        print("\nrollover up to 50 degrees   deg/s     a_y g   50 deg at ms   required ms")
        for name, (rate, a_y, at_50) in rows.items():
            event = ROLL[name].events()[0]
            told = event.requirements["curtain_left"].required_s
            text = "-" if told is None else f"{1e3 * told:.0f}"
            print(f"{name:26}{rate:8.0f}{a_y:10.1f}{at_50:14.0f}{text:>14}")
    assert 120 < rows["rollover_ramp_70"][0] < 180
    assert 8 < rows["rollover_kerb_25"][1] < 15
    assert 1.5 < rows["rollover_soil_45"][1] < 3.0
    for name in OVER:
        told = ROLL[name].events()[0].requirements["curtain_left"].required_s
        assert told is not None
        assert 1e3 * told < rows[name][2]
    for name in NEAR:
        assert rows[name][0] < 60
        assert rows[name][2] == np.inf


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", NEAR)
def test_near_roll_stays_below_the_tipping_energy(name: str) -> None:
    recipe = ROLL[name]
    motion = roll_motion(recipe)
    car = recipe.parameters.vehicle
    tip = rollover.tipping_energy(mass_kg=car.mass_kg, height_m=car.height_m, track_m=car.track_m)
    # Energy of rolling over the low side: rotation, and lift of the body above the road below it.
    rolling = 0.5 * car.roll_inertia_kg_m2 * motion.rate[0] ** 2
    lift = car.mass_kg * G * np.maximum(motion.height[0] - car.height_m, 0.0)
    assert (rolling + lift).max() < tip
    assert np.degrees(np.abs(motion.roll).max()) < 30.0


@pytest.mark.parametrize("name", NEAR)
def test_near_rolls_reach_the_edge_and_return_in_every_draw(name: str) -> None:
    # from memory of the trade: on the limit wheels lift, 30-60 deg/s, 8-25 degrees, and back
    with engine.using("fast" if engine.installed() else "numpy"):
        synthesis = ROLL[name].synthesise(range(65), seed=1)
    facts = synthesis.facts
    roll = np.degrees(facts["largest_roll_rad"])
    assert 8 < roll[0] < 25
    assert 30 < np.degrees(facts["largest_roll_rate_rad_s"][0]) < 60
    if name != "near_roll_ramp_60":  # there the ramp lifts the car, not the wheels
        assert facts["largest_wheel_lift_m"][0] > 0.001
    assert roll.max() < 30
    end = synthesis.trace["roll_angle"][:, -100:]
    assert np.degrees(np.abs(end).max()) < 1.0


def test_a_load_on_the_roof_lowers_the_stability_factor() -> None:
    # h' = (m h + p h_p) / (m + p), inertia by the parallel axes of both bodies (closed forms)
    recipe = ROLL["near_roll_j_turn_75"]
    variation = draw_variation(np.array([0]), seed=1, occurrence="test", tolerances={})
    mass, height, inertia = rollover._loaded(recipe.parameters, variation)
    assert mass[0] == 1740.0
    assert height[0] == pytest.approx((1500 * 0.55 + 240 * 1.65) / 1740)
    apart = 1500 * (height[0] - 0.55) ** 2 + 240 * (1.65 - height[0]) ** 2
    assert inertia[0] == pytest.approx(480.0 + apart)
    factor = rollover.static_stability_factor(height_m=float(height[0]), track_m=1.5)
    assert factor == pytest.approx(1.07, abs=0.005)


def test_rollover_requirements_and_channels() -> None:
    times = {"rollover_ramp_70": 0.6, "rollover_kerb_25": 0.12, "rollover_soil_45": 0.4}
    assert set(ROLL) == set(OVER) | set(NEAR)
    for name, recipe in ROLL.items():
        (event,) = recipe.events()
        assert set(event.signals) == set(CHANNELS)
        assert {"central_x", "central_safing_x", "door_left_pressure"} <= event.quiet
        assert {"central_y", "central_z", "central_safing_y", "central_roll_rate"}.isdisjoint(
            event.quiet
        )
        for side in ("left", "right"):
            curtain = event.requirements[f"curtain_{side}"]
            if name in times:
                assert curtain.expectation == "fire"
                assert curtain.required_s == pytest.approx(times[name])
            else:
                assert curtain.expectation == "no_fire"
        for signal in event.signals.values():
            assert signal.rate_hz == 2000.0
            assert signal.times_s[0] == pytest.approx(-0.05)
            assert not signal.samples[signal.times_s < 0].any()


@pytest.mark.slow
def test_rollover_variants_are_bit_identical_whatever_the_batch() -> None:
    for name in ("rollover_kerb_25", "near_roll_j_turn_75"):
        block = ROLL[name].block(range(4), seed=3)
        one = ROLL[name].block([3], seed=3)
        for channel, signal in block.signals.items():
            if signal.samples.any():
                assert np.array_equal(signal.samples[3], one.signals[channel].samples[0])
        rate = block.signals["central_roll_rate"].samples
        assert not np.array_equal(rate[1], rate[2])


def test_halving_the_step_moves_the_roll_little(monkeypatch: pytest.MonkeyPatch) -> None:
    recipe = ROLL["rollover_ramp_70"]
    coarse = roll_motion(recipe).roll[0]
    monkeypatch.setattr(rollover, "STEP_S", 0.5e-3)
    fine = roll_motion(recipe).roll[0][::2][: coarse.size]
    until = int(0.6 * rollover.RATE_HZ)
    assert np.degrees(np.abs(coarse[:until] - fine[:until]).max()) < 0.5
