"""Contact of round bodies: closed forms of the literature against the marched motion."""

from __future__ import annotations

from dataclasses import replace
from math import log, pi

import numpy as np
import pytest

from crashsense import engine
from crashsense.synthesis.dynamics.contact_chain import (
    ROWS,
    Contacts,
    Joint,
    Speeds,
    march_chains,
)
from crashsense.synthesis.misuse.contact import (
    MATERIALS,
    contact_peak,
    contact_time,
    effective_modulus,
    hertz_stiffness,
    plastic_restitution,
    yield_depth,
    yield_speed,
)

STEEL = effective_modulus(MATERIALS["steel"], MATERIALS["steel"])


def strike(masses, joint, *, speed, step_s=2e-7, samples=4000):
    chain = Contacts(
        masses=masses,
        joints=[joint],
        speeds=[speed, 0.0],
        size=1,
        samples=samples,
        rate_hz=1.0 / step_s,
        substeps=2,
    )
    (motion,) = march_chains([chain])
    return motion


@pytest.mark.parametrize(
    ("mass", "plate", "radius", "speed"),
    [(0.064, np.inf, 0.0125, 1.0), (0.5, np.inf, 0.025, 2.0), (0.064, 0.3, 0.0125, 0.4)],
)
def test_sphere_on_a_plate_lasts_and_peaks_as_hertz_says(mass, plate, radius, speed):
    # Johnson, Contact Mechanics (1985), section 11.4: T = 2.87 (m^2 / (R E*^2 v))^(1/5);
    # peak from 1/2 m v^2 = 2/5 K c^(5/2). A plate that is free to move: m = m1 m2 / (m1 + m2).
    stiffness = hertz_stiffness(STEEL, radius_m=radius)
    motion = strike([mass, plate], Joint(hertz=stiffness), speed=speed)
    force = motion.force[0][0]
    together = mass if np.isinf(plate) else mass * plate / (mass + plate)
    lasts = np.count_nonzero(force) * 2e-7
    expected = contact_time(together, modulus_pa=STEEL, radius_m=radius, speed_m_s=speed)
    assert lasts == pytest.approx(expected, rel=5e-3)
    deepest = (1.25 * together * speed**2 / stiffness) ** 0.4
    assert force.max() == pytest.approx(stiffness * deepest**1.5, rel=1e-3)
    assert contact_peak(together, stiffness=stiffness, speed_m_s=speed) == pytest.approx(
        stiffness * deepest**1.5, rel=1e-12
    )
    assert force.sum() * 2e-7 == pytest.approx(2.0 * together * speed, rel=1e-3)


def test_contact_time_against_its_integral():
    # T = 2 c_m / v int_0^1 dx / sqrt(1 - x^(5/2)); the integral is (2/5) B(2/5, 1/2)
    from scipy.special import beta

    mass, radius, speed = 1.5, 0.04, 3.0
    stiffness = hertz_stiffness(STEEL, radius_m=radius)
    deepest = (1.25 * mass * speed**2 / stiffness) ** 0.4
    exact = 2.0 * deepest / speed * 0.4 * beta(0.4, 0.5)
    quoted = contact_time(mass, modulus_pa=STEEL, radius_m=radius, speed_m_s=speed)
    assert quoted == pytest.approx(exact, rel=2e-3)


def test_effective_modulus_and_stiffness_of_steel_on_steel():
    # E* = E / (2 (1 - nu^2)) for equal bodies
    assert pytest.approx(2.1e11 / (2.0 * 0.91)) == STEEL
    assert hertz_stiffness(STEEL, radius_m=0.01) == pytest.approx(4 / 3 * STEEL * 0.1)


def test_first_yield_is_where_the_pressure_reaches_the_strength():
    # Johnson (1985), section 4.2: p_0 = (6 F E*^2 / (pi^3 R^2))^(1/3)
    radius, strength = 0.04, 0.9e9
    depth = yield_depth(STEEL, radius_m=radius, indentation_pa=strength)
    force = hertz_stiffness(STEEL, radius_m=radius) * depth**1.5
    assert (6 * force * STEEL**2 / (pi**3 * radius**2)) ** (1 / 3) == pytest.approx(strength)


@pytest.mark.parametrize("ratio", [2.0, 1.0, 0.5, 0.1, 0.02])
def test_rebound_past_yield_is_that_of_thornton(ratio):
    # Thornton, J. Appl. Mech. 64 (1997) 383: closed form, against the march of the same contact
    radius, mass = 0.0125, 0.064
    stiffness = hertz_stiffness(STEEL, radius_m=radius)
    depth = yield_depth(STEEL, radius_m=radius, indentation_pa=0.9e9)
    speed = yield_speed(mass, stiffness=stiffness, depth_m=depth) / ratio
    motion = strike([mass, np.inf], Joint(hertz=stiffness, yield_depth=depth), speed=speed)
    assert -motion.speed[0][0, -1] / speed == pytest.approx(
        float(plastic_restitution(ratio)), rel=1e-4
    )


def test_rebound_of_a_rubber_face_is_that_of_hunt_and_crossley():
    # m v dv/dx = -K x^(3/2) (1 + h v), integrated in and out: h (v + v') = ln((1+hv)/(1-hv'))
    h, speed = 0.15, 3.0
    motion = strike(
        [1.0, np.inf], Joint(hertz=1e7, hysteresis=h), speed=speed, step_s=5e-6, samples=3000
    )
    back = -float(motion.speed[0][0, -1])
    assert 0.3 * speed < back < 0.9 * speed
    assert h * (speed + back) == pytest.approx(log((1 + h * speed) / (1 - h * back)), rel=1e-3)


@pytest.mark.parametrize(
    "joint",
    [
        Joint(hertz=1e9),
        Joint(hertz=1e9, yield_depth=1e-5),
        Joint(hertz=1e7, hysteresis=0.1),
        Joint(1e6, damping=50.0),
        Joint(1e5, bend=2e-3, stiffness_past_bend=1e6, plastic=True),
    ],
)
def test_a_contact_makes_no_energy(joint):
    masses = [1.5, 0.4]
    motion = strike(masses, joint, speed=3.0, step_s=1e-5, samples=1500)
    energy = sum(0.5 * m * v[0] ** 2 for m, v in zip(masses, motion.speed, strict=True))
    assert energy.max() <= 0.5 * 1.5 * 3.0**2 * (1 + 1e-3)
    assert energy[-1] <= 0.5 * 1.5 * 3.0**2 * (1 + 1e-3)
    assert motion.force[0][0, -1] == 0.0
    momentum = sum(m * v[0] for m, v in zip(masses, motion.speed, strict=True))
    assert momentum == pytest.approx(4.5, rel=1e-9)


def test_numpy_and_compiled_march_give_the_same_bits():
    pytest.importorskip("numba")
    source = np.random.default_rng(3)
    spread = 1.0 + 0.2 * source.standard_normal((6, 9))
    found = []
    for name in engine.ENGINES:
        with engine.using(name):
            chain = Contacts(
                masses=[1.5 * spread[0], 0.3, 5.0, 1500.0],
                joints=[
                    Joint(hertz=3e10 * spread[1], yield_depth=6e-6, hysteresis=0.01),
                    Joint(4e6 * spread[2], damping=400.0, bend=1e-3, stiffness_past_bend=9e6),
                    Joint(3.5e7 * spread[3], damping=900.0, gap=1e-5, holds=True),
                ],
                speeds=[3.0 * spread[4], 0.0, 0.0, 0.0],
                size=9,
                samples=300,
                rate_hz=10000.0,
                substeps=2,
                fine_samples=60,
                fine_substeps=20,
            )
            found += march_chains([chain])
    for kind in ("force", "speed"):
        for one, other in zip(*(getattr(f, kind) for f in found), strict=True):
            assert np.array_equal(one, other), kind
    for one, other in zip(*([f.way(body) for body in range(4)] for f in found), strict=True):
        assert np.array_equal(one, other)


def test_either_engine_marches_more_draws_than_numpy_takes_at_once():
    """Forces of every joint and draw, and not only of the first group of draws."""
    pytest.importorskip("numba")
    speeds = np.linspace(1.0, 4.0, ROWS + 1)
    local = Joint(4e6, damping=400.0, holds=True)
    one = Contacts(
        masses=[1.5, 0.3, 1500.0], joints=[Joint(1e6), local], speeds=[speeds, 0.0, 0.0],
        size=speeds.size, samples=20, rate_hz=10000.0, substeps=2,
    )  # fmt: skip
    found = []
    for name in engine.ENGINES:
        with engine.using(name):
            (motion,) = march_chains([one])
            found.append(np.array(motion.force))
    assert np.abs(found[0][1]).max(axis=-1).all()
    np.testing.assert_array_equal(found[1], found[0])


def test_a_contact_of_round_bodies_that_holds_is_refused():
    with pytest.raises(ValueError, match="never pulls"):
        Joint(hertz=np.array([0.0, 1e9]), holds=True)


def test_chains_side_by_side_have_the_bits_of_each_by_itself():
    """Round contacts and plastic ones, bends or none, some that never touch, other durations."""
    spread = 1.0 + 0.2 * np.random.default_rng(5).standard_normal((4, 4))

    def chain(first, *, size, samples, speed=3.0):
        metal = Joint(4e6 * spread[2][:size], damping=400.0, holds=True)
        return Contacts(
            masses=[1.5 * spread[0][:size], 0.3, 1500.0], joints=[first, metal],
            speeds=[speed, 0.0, 0.0], size=size, samples=samples, rate_hz=10000.0, substeps=2,
            fine_samples=30, fine_substeps=10,
        )  # fmt: skip

    round_one = Joint(hertz=3e10 * spread[1][:3], yield_depth=6e-6, hysteresis=0.01)
    bent = Joint(1e6, bend=1e-3, stiffness_past_bend=4e6, plastic=True)
    chains = [
        chain(round_one, size=3, samples=200),
        chain(bent, size=2, samples=150),
        chain(Joint(hertz=2e10, gap=1e-3), size=1, samples=240, speed=-1.0),
        chain(Joint(2e6, plastic=True), size=4, samples=150),
        chain(replace(bent, gap=2e-3), size=2, samples=180),
    ]
    # Of other steps, in one number each.
    other = {"rate_hz": 8000.0, "substeps": 3, "fine_samples": 20, "fine_substeps": 9}
    chains += [replace(chains[3], **{name: value}) for name, value in other.items()]
    found = march_chains(chains)
    assert found[0].force[0].base is found[2].force[0].base  # marched as one
    assert found[1].force[0].base is found[4].force[0].base
    assert found[1].force[0].base is not found[3].force[0].base  # one bends, the other does not
    for one, motion in zip(chains, found, strict=True):
        (alone,) = march_chains([one])
        for made, own in ((motion.force, alone.force), (motion.speed, alone.speed)):
            assert [m.tobytes() for m in made] == [a.tobytes() for a in own]


def test_speeds_and_ways_follow_from_the_forces():
    # A free flight into a stiff wall: way before contact is speed times time
    motion = strike([2.0, np.inf], Joint(1e6, gap=1e-3), speed=1.0, step_s=1e-5, samples=600)
    before = np.flatnonzero(motion.force[0][0] > 0)[0]
    assert motion.way(0)[0, before - 1] == pytest.approx(before * 1e-5)
    assert before * 1e-5 == pytest.approx(1e-3, abs=2e-5)
    assert not motion.way(1).any()
    assert motion.speed[0][0, -1] == pytest.approx(-1.0, rel=1e-3)


def test_speeds_are_those_of_the_impulses_and_made_once():
    """Speed of a body: start plus the impulses of its joints over its mass; the last one by -1."""
    rng = np.random.default_rng(3)
    force, inverse, start = rng.normal(size=(2, 4, 9)), rng.uniform(size=(3, 4)), np.ones((3, 4))
    speeds = Speeds(force, inverse * 1e-3, start)
    assert len(speeds) == 3
    middle = 1.0 + np.cumsum(force[0] - force[1], axis=-1) * 1e-3 * inverse[1][:, None]
    np.testing.assert_allclose(speeds[1], middle, rtol=1e-12)
    assert speeds[-1] is speeds[2]
    assert len(list(speeds)) == 3


def test_power_of_joints_is_force_times_speed_of_closing():
    """Some rows at a time: as many as fill a group, and one more."""
    rng = np.random.default_rng(4)
    force, inverse, start = rng.normal(size=(3, 5, 7)), rng.uniform(size=(4, 5)), np.ones((4, 5))
    speeds = Speeds(force, inverse * 1e-3, start)
    closing = [np.maximum(speeds[i] - speeds[i + 1], 0.0) for i in range(3)]
    for first in (0, 1):
        expected = sum(force[i] * closing[i] for i in range(first, 3))
        assert np.array_equal(speeds.closing_power(first), expected)
