"""Impulse and momentum in the plane: slanted and eccentric contacts, obstacles that turn, tyres."""

from dataclasses import replace
from math import cos, pi, radians, sin, sqrt

import numpy as np
import pytest
from lumped_support import MASS, SPEED, single

from crashsense.synthesis.dynamics.lumped import SPRINGS, STEP_S, integrate

#: Half-plastic contact: loading 400 kN/m to 4 MN/m unloading gives restitution sqrt(0.1).
STIFF = (((0.0, 0.0), (2.0, 800e3)), 4e6)


@pytest.mark.quick(1)
@pytest.mark.parametrize(("degrees", "friction"), [(30.0, 0.0), (30.0, 0.3), (45.0, 0.2)])
def test_a_slanted_wall_by_impulse_and_momentum(degrees, friction):
    """Sliding throughout: J = (1 + e) V cos a along the normal, mu J against the sliding.

    Elementary; for 30 degrees, e = 0.15, mu = 0.3: 1.01 V in x and 0.24 V in y.
    """
    system = single(
        springs={"direct": STIFF},
        mass={"cabin": MASS, "y": MASS},
        velocity={"cabin": SPEED},
        angle=radians(degrees),
        friction=friction,
    )
    motion = integrate(system, duration_s=0.4, ledger=True)
    _, _, _, x, y, *_ = motion.ledger["velocity"][-1, :, 0]
    c, s = cos(radians(degrees)), sin(radians(degrees))
    restitution = -(c * x - s * y) / (SPEED * c)
    assert restitution == pytest.approx(sqrt(0.1), rel=0.01)
    normal = (1.0 + restitution) * SPEED * c
    assert SPEED - x == pytest.approx(normal * (c + friction * s), rel=0.01)
    assert y == pytest.approx(normal * (s - friction * c), rel=0.01)


def test_the_published_pair_of_a_thirty_degree_wall():
    c, s, e, mu = cos(pi / 6), sin(pi / 6), 0.15, 0.3
    assert (1 + e) * c * (c + mu * s) == pytest.approx(1.01, abs=0.01)
    assert (1 + e) * c * (s - mu * c) == pytest.approx(0.24, abs=0.01)


def test_enough_friction_stops_the_sliding():
    system = single(
        springs={"direct": STIFF},
        mass={"cabin": MASS, "y": MASS},
        velocity={"cabin": SPEED},
        angle=radians(15.0),
        friction=1.5,
    )
    _, _, _, x, y, *_ = integrate(system, duration_s=0.4, ledger=True).ledger["velocity"][-1, :, 0]
    along = sin(radians(15.0)) * x + cos(radians(15.0)) * y
    assert abs(along) < 0.02 * SPEED


@pytest.mark.quick(1)
@pytest.mark.parametrize("right", [-0.6, 0.6])
def test_an_eccentric_blow_turns_the_car_by_impulse_and_momentum(right):
    """J = (1 + e) V / (1 / m + b^2 / I), dv = J / m, yaw rate = b J / I (elementary); a blow on the
    left turns the nose to the left: yaw is positive to the right."""
    inertia = 2300.0
    system = single(
        springs={"direct": STIFF},
        mass={"cabin": MASS, "y": MASS, "yaw": inertia},
        velocity={"cabin": SPEED},
        direct_right_m=right,
    )
    _, _, _, x, y, yaw, *_ = integrate(system, duration_s=0.4, ledger=True).ledger["velocity"][
        -1, :, 0
    ]
    restitution = -(x - right * yaw) / SPEED
    impulse = (1.0 + restitution) * SPEED / (1.0 / MASS + right**2 / inertia)
    assert SPEED - x == pytest.approx(impulse / MASS, rel=1e-3)
    assert yaw == pytest.approx(right * impulse / inertia, rel=1e-3)
    assert y == 0.0
    assert np.sign(yaw) == np.sign(right)


@pytest.mark.slow
def test_an_obstacle_struck_beside_its_centre_of_gravity_turns_by_impulse_and_momentum():
    """J = (1 + e) V / (1 / m + 1 / M + b^2 / I), turn -b J / I (elementary)."""
    trolley, inertia, right = 1400.0, 2600.0, 0.6
    system = single(
        springs={"direct": STIFF, "obstacle": (((0.0, 0.0), (2.0, 1e9)), 1e9)},
        mass={"cabin": MASS, "y": MASS, "face": 20.0, "far": trolley, "turn": inertia},
        velocity={"cabin": 3.0},
        contact_right_m=right,
    )
    last = integrate(system, duration_s=0.3, step_s=5e-5, ledger=True).ledger["velocity"][-1, :, 0]
    point = last[7] - right * last[9]
    impulse = MASS * (3.0 - last[3])
    restitution = (point - last[3]) / 3.0
    expected = (1.0 + restitution) * 3.0 / (1.0 / MASS + 1.0 / trolley + right**2 / inertia)
    assert impulse == pytest.approx(expected, rel=0.03)  # the face of 20 kg is left out
    assert last[9] == pytest.approx(-right * trolley * last[7] / inertia, rel=1e-3)
    assert last[9] < -0.1


@pytest.mark.slow
def test_tyres_stop_an_axle_that_slides_sideways():
    """mu g of each axle's own load: no turn, and 5 m/s are lost in v / (mu g) (elementary).

    Below 1 m/s the force falls with the speed, so that the last metre a second dies away."""
    system = single(mass={"cabin": MASS, "y": MASS, "yaw": 2300.0}, velocity={"y": 6.0})
    system = replace(system, grip_n=0.7 * 9.80665 * MASS, axles_m=(1.15, 1.35))
    ledger = integrate(system, duration_s=1.5, ledger=True).ledger
    speed = ledger["velocity"][:, 4, 0]
    assert np.argmax(speed < 1.0) * STEP_S == pytest.approx(5.0 / (0.7 * 9.80665), rel=1e-3)
    assert abs(speed[-1]) < 0.05
    assert np.abs(ledger["velocity"][:, 5, 0]).max() < 1e-9


@pytest.mark.slow
def test_a_face_that_turns_pushes_along_its_own_normal():
    """Struck on its right the obstacle turns, and its face then pushes the car to the right."""
    system = single(
        springs={"direct": STIFF, "obstacle": (((0.0, 0.0), (2.0, 1e9)), 1e9)},
        mass={"cabin": MASS, "y": MASS, "face": 20.0, "far": 1400.0, "turn": 1000.0},
        velocity={"cabin": SPEED},
        contact_right_m=0.6,
    )
    ledger = integrate(system, duration_s=0.2, step_s=5e-5, ledger=True).ledger
    turn = ledger["travel"][:, 9, 0]
    force = ledger["force"][:, list(SPRINGS).index("direct"), 0]
    aside = np.cumsum(force * np.sin(-turn)) * 5e-5 / MASS
    assert aside[-1] > 0.02 * SPEED
    assert ledger["velocity"][-1, 4, 0] == pytest.approx(aside[-1], rel=0.01)


def test_an_oblique_obstacle_comes_to_cover_more_of_the_car():
    """Its edge moves by travel times sin a across the car; what it covers then is met."""
    plateau = (((0.0, 0.0), (0.005, 100e3), (2.0, 100e3)), 50e6)
    system = single(
        springs={"engine": plateau},
        mass={"powertrain": 1e6, "far": 1e9, "face": 1e9},
        velocity={"far": -10.0, "face": -10.0},
        angle=radians(15.0),
        overlap=0.2,
        met={"engine": (-1.0 / 3.0, 1.0 / 0.6, 1.0)},
        car_width_m=1.7,
    )
    force = integrate(system, duration_s=0.1).obstacle_force[0]
    covered = 0.2 + 10.0 * np.array([0.02, 0.05, 0.09]) * sin(radians(15.0)) / 1.7
    found = force[[200, 500, 900]]
    assert found == pytest.approx(100e3 * (covered - 0.2) / 0.6, rel=0.02)


def test_a_slanted_contact_turns_the_car_by_what_is_left_ahead_of_it():
    """The face stays where it is: its lever about the centre of gravity shortens by the crush."""
    inertia = 2300.0
    system = single(
        springs={"engine": STIFF},
        ties={"mounts": (4e6, 1e12, 0.0)},
        mass={"powertrain": 0.5 * MASS, "cabin": 0.5 * MASS, "y": MASS, "yaw": inertia},
        velocity={"powertrain": SPEED, "cabin": SPEED},
        angle=radians(20.0),
    )
    motion = integrate(system, duration_s=0.3, ledger=True)
    travel, velocity = motion.ledger["travel"], motion.ledger["velocity"]
    sideways = motion.obstacle_force[0] * sin(radians(20.0))
    lever = 1.75 - travel[:, 3, 0]
    assert lever.min() < 1.3
    turned = (lever * sideways).sum() * STEP_S / inertia
    assert velocity[-1, 5, 0] == pytest.approx(turned, rel=0.01)
    # With the lever of the uncrushed front it would turn a quarter faster.
    assert 1.75 * sideways.sum() * STEP_S / inertia > 1.15 * velocity[-1, 5, 0]


@pytest.mark.slow
def test_an_obstacle_that_the_car_has_left_sideways_pushes_no_more():
    system = single(
        springs={"direct": STIFF},
        mass={"cabin": MASS, "y": MASS},
        velocity={"cabin": SPEED},
        angle=radians(30.0),
        width_m=0.05,
    )
    motion = integrate(system, duration_s=0.4, ledger=True)
    gone = motion.ledger["travel"][:, 4, 0] > 0.05
    assert gone.any()
    assert not motion.obstacle_force[0][gone].any()
    assert motion.ledger["velocity"][-1, 3, 0] > 0.3 * SPEED


def test_a_rail_pulls_its_front_end_along_up_to_its_tension():
    """Cabin stopped by a wall of its own; the rail pulls the front end back, 40 kN at most."""
    rail = (((0.0, 0.0), (2.0, 0.0)), 10e6)
    system = replace(
        single(
            springs={"direct": STIFF, "rail_left": rail},
            mass={"cabin": MASS, "front_left": 30.0},
            velocity={"cabin": SPEED, "front_left": SPEED},
        ),
        pull_n=40e3,
    )
    motion = integrate(system, duration_s=0.2, ledger=True)
    force = motion.ledger["force"][:, list(SPRINGS).index("rail_left"), 0]
    assert force.min() >= -40e3 - 1.0
    assert motion.ledger["velocity"][-1, 0, 0] == pytest.approx(
        motion.ledger["velocity"][-1, 3, 0], abs=0.1 * SPEED
    )
