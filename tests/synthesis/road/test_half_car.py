"""The ride model against the linear quarter-car, energy, and itself in other blocks."""

from __future__ import annotations

from dataclasses import replace
from math import pi

import numpy as np
import pytest
from synthesis.road.quarter_car import QuarterCar

from crashsense import engine
from crashsense.synthesis.dynamics import few_draws
from crashsense.synthesis.dynamics.half_car import (
    RideCar,
    Riding,
    Road,
    initial_state,
    march,
    march_beside,
)
from crashsense.synthesis.model import Variation
from crashsense.synthesis.road import profile as rp
from crashsense.synthesis.road.vehicle import load_ride, ride_path
from crashsense.units import STANDARD_GRAVITY

# saloon quarter car of a textbook (Wong; from memory)
SALOON = QuarterCar(sprung=454.5, unsprung=45.45, spring=22e3, tyre=176e3)


def nominal(size: int = 1) -> Variation:
    return Variation(draws=np.arange(size), seed=0, occurrence="x")


def shipped_car() -> RideCar:
    return load_ride(str(ride_path("small_car_ride", near=None))).car(nominal())


def linear_car(quarter: QuarterCar) -> RideCar:
    """Four equal corners, linear dampers, no stops within reach."""
    return RideCar(
        sprung_mass=4 * quarter.sprung,
        pitch_inertia=2000.0,
        roll_inertia=500.0,
        front_length=1.25,
        rear_length=1.25,
        track=1.5,
        height=0.5,
        wheel_radius=0.3,
        wheel_mass=(quarter.unsprung,) * 2,
        spring=(quarter.spring,) * 2,
        damper_bump=(quarter.damping,) * 2,
        damper_rebound=(quarter.damping,) * 2,
        damper_knee=1e3,
        damper_fall=1.0,
        bump_travel=(10.0, 10.0),
        rebound_travel=(10.0, 10.0),
        stop_stiffness=2e5,
        stop_length=0.02,
        stop_dissipation=0.0,
        tyre_stiffness=quarter.tyre,
        tyre_damping=0.0,
        sidewall=10.0,
        rim_stiffness=0.0,
        bush_stiffness=1e7,
        bush_damping=1e4,
        brake_share=0.6,
        friction=1.2,
        speed_hold=1e9,
    )


FLAT = Road(np.zeros((1, 40)), start_m=-10.0, step_m=1.0)


def test_modes_of_the_textbook_saloon():
    # published about 1.04 Hz and 10.5 Hz (Wong, from memory); coupled 1.0433, 10.5113 (computed)
    assert SALOON.modes_hz() == pytest.approx((1.0433, 10.5113), abs=5e-5)
    uncoupled = (
        np.sqrt(1 / (1 / 22e3 + 1 / 176e3) / 454.5) / (2 * pi),
        np.sqrt((22e3 + 176e3) / 45.45) / (2 * pi),
    )
    assert uncoupled == pytest.approx((1.0440, 10.5048), abs=5e-5)


def test_modes_of_the_golden_car():
    # IRI constants from memory and a secondary source; modes and damping computed, per sprung mass
    golden = QuarterCar(sprung=1.0, unsprung=0.15, spring=63.3, tyre=653.0, damping=6.0)
    assert golden.modes_hz() == pytest.approx((1.2083, 11.0047), abs=5e-5)
    assert 6.0 / (2 * np.sqrt(63.3)) == pytest.approx(0.3771, abs=5e-5)


def test_transmissibility_against_scipy():
    from scipy.signal import freqs

    quarter = replace(SALOON, damping=1500.0)
    frequency = np.linspace(0.2, 30.0, 200)
    link = np.array([quarter.damping, quarter.spring])
    body = np.array([quarter.sprung, *link])
    wheel = np.array([quarter.unsprung, quarter.damping, quarter.spring + quarter.tyre])
    below = np.polysub(np.polymul(body, wheel), np.polymul(link, link))
    _, response = freqs(quarter.tyre * link, below, worN=2 * pi * frequency)
    assert quarter.transmissibility(frequency) == pytest.approx(np.abs(response), rel=1e-9)
    assert quarter.transmissibility(np.array([1e-3]))[0] == pytest.approx(1.0, abs=1e-4)
    # the eigenvalues of the state space are the roots of the same denominator
    roots = np.sort_complex(np.roots(below))
    assert np.sort_complex(np.linalg.eigvals(quarter.state_space()[0])) == pytest.approx(roots)


def test_half_car_steps_like_the_linear_quarter_car():
    """All wheels and the body lifted together over a lowered road: the response to a step."""
    from scipy.signal import StateSpace, lsim

    quarter = replace(SALOON, damping=1500.0)
    car = linear_car(quarter)
    state = initial_state(1, position=np.zeros(1), speed=np.zeros(1), tracks=1)
    state[2] = 0.02
    state[[8, 12]] = 0.02
    out, _ = march(car, state, roads=[FLAT], steps=16000, step_s=1 / 8000)
    a, b = quarter.state_space()
    system = StateSpace(a, b, np.array([a[1]]), np.array([[b[1, 0]]]))
    t = np.arange(16000) / 8000
    _, expected, _ = lsim(system, np.zeros(16000), t, X0=[0.02, 0.0, 0.02, 0.0])
    assert np.abs(out["z_acc"][0]).max() == pytest.approx(np.abs(expected).max(), rel=0.01)
    assert out["z_acc"][0] == pytest.approx(expected, abs=0.01 * np.abs(expected).max())
    assert np.abs(out["pitch"]).max() < 1e-12


@pytest.mark.parametrize("frequency", [1.5, 6.0, 12.0])
def test_half_car_shakes_like_the_linear_quarter_car(frequency):
    """Waves as long as the wheelbase lift both axles together; amplitude by transmissibility."""
    quarter = replace(SALOON, damping=1500.0)
    car = linear_car(quarter)
    amplitude, wave = 0.004, 2.5
    s = np.arange(-10.0, 150.0, 0.01)
    road = Road(amplitude * np.sin(2 * pi * s / wave)[None], start_m=-10.0, step_m=0.01)
    speed = np.array([wave * frequency])
    state = initial_state(1, position=np.zeros(1), speed=speed, tracks=1)
    steps = 4000 * 4
    # the speed is held stiffly: no more than one wheel force moves the car
    car = replace(car, speed_hold=2e5)
    out, _ = march(car, state, roads=[road], steps=steps, step_s=1 / 4000)
    cycle = round(4000 / frequency)
    last = out["z_acc"][0, -cycle:]
    reached = 0.5 * (last.max() - last.min()) / (2 * pi * frequency) ** 2
    expected = amplitude * quarter.transmissibility(np.array([frequency]))[0]
    assert reached == pytest.approx(expected, rel=0.03)


def test_static_deflection_and_rest():
    """At rest nothing moves; the loads carry the weight; a heavier body sinks by its weight."""
    car = shipped_car()
    loads = car.static_loads()
    weight = 2 * (sum(loads) + sum(car.wheel_mass) * STANDARD_GRAVITY)
    assert weight == pytest.approx(car.total_mass * STANDARD_GRAVITY)
    base = car.front_length + car.rear_length
    assert loads[0] * base == pytest.approx(loads[1] * base + (loads[0] - loads[1]) * base)
    assert loads[0] * car.front_length == pytest.approx(loads[1] * car.rear_length)
    state = initial_state(1, position=np.zeros(1), speed=np.array([5.0]), tracks=1)
    out, _ = march(car, state, roads=[FLAT], steps=500, step_s=1 / 2000)
    for name in ("x_acc", "z_acc", "pitch_acc"):
        assert np.abs(out[name]).max() < 1e-9
    # a soft road that sinks by 50 mm under a slow car: the body sinks by as much
    slope = np.clip(np.arange(-5.0, 60.0, 0.01) / 20.0, 0.0, 1.0)
    sunk = Road(-0.05 * slope[None], start_m=-5.0, step_m=0.01)
    state = initial_state(1, position=np.zeros(1), speed=np.array([6.0]), tracks=1)
    _, end = march(car, state, roads=[sunk], steps=2000 * 6, step_s=1 / 2000)
    assert end[2, 0] == pytest.approx(-0.05, abs=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize("tracks", [1, 2])
def test_work_of_the_wheel_forces_is_energy_plus_loss(tracks):
    """Kinetic + stored + lost - work of the wheel forces stays what it was, over a kerb."""
    car = shipped_car()
    s = np.arange(-4.0, 15.0, 0.005)
    path = rp.wheel_path(rp.kerb(s, height_m=0.12)[None], step_m=0.005, radius_m=0.30)
    roads = [Road(path, start_m=-4.0, step_m=0.005)]
    if tracks == 2:
        roads.append(Road(np.zeros_like(path), start_m=-4.0, step_m=0.005))
    state = initial_state(1, position=np.array([-0.4]), speed=np.array([8.0]), tracks=tracks)
    out, _ = march(car, state, roads=roads, steps=16000, step_s=1 / 32000, audit=True)
    start = out["kinetic"][0, 0] + out["stored"][0, 0]
    balance = out["kinetic"] + out["stored"] + out["lost"] - out["wheel_work"] - start
    exchanged = np.abs(out["wheel_work"]).max()
    assert exchanged > 500.0  # J: the kerb does real work
    assert np.abs(balance).max() < 0.01 * exchanged
    assert out["lost"][0, -1] > 100.0


def test_halving_the_step_moves_the_velocity_little():
    car = shipped_car()
    s = np.arange(-4.0, 15.0, 0.005)
    path = rp.wheel_path(rp.kerb(s, height_m=0.12)[None], step_m=0.005, radius_m=0.30)
    road = Road(path, start_m=-4.0, step_m=0.005)
    ends = []
    for factor in (1, 2):
        state = initial_state(1, position=np.array([-0.4]), speed=np.array([8.0]), tracks=1)
        out, _ = march(car, state, roads=[road], steps=2400 * factor, step_s=1 / (4000 * factor))
        ends.append(out["speed"][0, ::factor])
    assert np.abs(ends[0] - ends[1]).max() < 0.001 * 8.0
    assert abs(ends[0][-1] - 8.0) > 0.3


def test_draws_alone_and_together_agree_bit_for_bit():
    ride = load_ride(str(ride_path("small_car_ride", near=None)))
    rng = np.random.default_rng(4)
    size = 13
    variation = Variation(
        draws=np.arange(size),
        seed=0,
        occurrence="x",
        deviations={"mass": 0.1 * rng.random(size), "tyre_stiffness": 0.1 * rng.random(size)},
    )
    s = np.arange(-4.0, 12.0, 0.01)
    heights = rp.kerb(s, height_m=0.1) * (1 + 0.1 * rng.random((size, 1)))
    path = rp.wheel_path(heights, step_m=0.01, radius_m=0.3)
    road = Road(path, start_m=-4.0, step_m=0.01)
    state = initial_state(size, position=np.full(size, -0.4), speed=8 + rng.random(size), tracks=1)
    many, end = march(ride.car(variation), state, roads=[road], steps=900, step_s=1 / 2000)
    for row in (0, 7, 12):
        one = Variation(
            draws=np.array([row]),
            seed=0,
            occurrence="x",
            deviations={k: v[row : row + 1] for k, v in variation.deviations.items()},
        )
        alone, last = march(
            ride.car(one),
            state[:, row : row + 1],
            roads=[Road(path[row : row + 1], start_m=-4.0, step_m=0.01)],
            steps=900,
            step_s=1 / 2000,
        )
        for name, values in alone.items():
            assert np.array_equal(values[0], many[name][row]), name
        assert np.array_equal(last[:, 0], end[:, row])
    assert np.abs(many["x_acc"]).max() > 5.0


@pytest.mark.parametrize("tracks", [1, 2])
def test_arrays_and_numbers_of_python_give_the_same_bits(tracks, monkeypatch):
    """Uneven ground, brakes, a push from outside; on two tracks a moment rolls the car."""
    size, steps = 3, 500
    rng = np.random.default_rng(5)
    roads = [
        Road(
            0.03 * rng.standard_normal((size, 1200)).cumsum(axis=1) / 10, start_m=-4.0, step_m=0.01
        )
        for _ in range(tracks)
    ]
    state = initial_state(
        size, position=np.full(size, -0.4), speed=8 + rng.random(size), tracks=tracks
    )
    inputs = {"brake": 6.0, "push": 20.0} | ({"roll_moment": 2000.0} if tracks == 2 else {})
    given = {name: top * rng.random((size, steps)) for name, top in inputs.items()}
    how = {"roads": roads, "steps": steps, "step_s": 1 / 2000, **given}
    car = load_ride(str(ride_path("small_car_ride", near=None))).car(nominal(size))
    with engine.using("numpy"):
        numbers, last = march(car, state, **how)
        monkeypatch.setattr(few_draws, "FEW", 0)
        arrays, end = march(car, state, **how)
    for name, values in arrays.items():
        assert np.array_equal(values, numbers[name]), name
    assert np.array_equal(end, last)
    assert np.abs(arrays["roll_rate"]).max() > 0.1 or tracks == 1
    assert np.abs(arrays["z_acc"]).max() > 5.0


@pytest.mark.parametrize("size", [1, few_draws.FEW + 1])
def test_a_ride_of_no_step_ends_where_it_begins(size):
    road = Road(np.zeros((size, 9)), start_m=-1.0, step_m=0.5)
    state = initial_state(size, position=np.zeros(size), speed=np.ones(size), tracks=1)
    car = load_ride(str(ride_path("small_car_ride", near=None))).car(nominal(size))
    with engine.using("numpy"):
        motion, end = march(car, state, roads=[road], steps=0, step_s=1 / 2000)
    assert np.array_equal(end, state)
    assert motion["x_acc"].shape == (size, 0)


def test_rides_side_by_side_have_the_bits_of_each_by_itself():
    """Of one track and two, braked or not, roads and durations of their own, few draws and many."""
    rng = np.random.default_rng(4)
    rides = []
    for size, tracks, steps, braked in (
        (9, 1, 500, False), (2, 1, 620, False), (5, 2, 300, False), (6, 2, 340, False),
        (3, 1, 200, True),
    ):  # fmt: skip
        roads = [
            Road(
                0.03 * rng.standard_normal((size, 700 + steps)).cumsum(axis=1) / 10,
                start_m=-4.0,
                step_m=0.01 if size > 5 else 0.02,
            )
            for _ in range(tracks)
        ]
        at = np.full(size, -0.4)
        state = initial_state(size, position=at, speed=8 + rng.random(size), tracks=tracks)
        car = load_ride(str(ride_path("small_car_ride", near=None))).car(nominal(size))
        brake = 6.0 * rng.random((size, steps)) if braked else None
        rides.append(Riding(car, state, roads, steps, 1 / 2000, brake))
    rides.append(replace(rides[1], step_s=1 / 2500))
    with engine.using("numpy"):
        found = march_beside(rides)
        alone = [
            march(r.car, r.state, roads=r.roads, steps=r.steps, step_s=r.step_s, brake=r.brake)
            for r in rides
        ]
    assert found[0][0]["x_acc"].base is found[1][0]["x_acc"].base  # marched as one
    assert found[2][0]["x_acc"].base is found[3][0]["x_acc"].base
    for (motion, end), (own, last) in zip(found, alone, strict=True):
        assert motion.keys() == own.keys()
        assert all(values.tobytes() == own[name].tobytes() for name, values in motion.items())
        assert end.tobytes() == last.tobytes()
