"""Rear impact: two-body momentum, balances, pulse levels, the sled's closed form."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense.channels import CHANNELS
from crashsense.resources import folder as shipped_folder
from crashsense.synthesis.dynamics.spring_chain import integrate_chains
from crashsense.synthesis.model import draw_variation
from crashsense.synthesis.recipe import load_recipes
from crashsense.synthesis.side import rear_impact as rear
from crashsense.synthesis.side.crash import crash_chain
from crashsense.units import STANDARD_GRAVITY as G

REAR = {recipe.name: recipe for recipe in load_recipes(shipped_folder("pulses") / "rear")}
BARRIERS = ("rear_barrier_24", "rear_barrier_offset_80")


def rear_motion(name: str, *, substeps: int):
    recipe = REAR[name]
    variation = draw_variation(
        np.array([0]), seed=1, occurrence=recipe.occurrence, tolerances=recipe.tolerances
    )
    masses, speeds, springs = rear.build_chain(recipe.parameters, variation)
    (motion,) = integrate_chains(
        [crash_chain(masses, springs, speeds=speeds, substeps=substeps, ledger=True)]
    )
    return motion, masses, speeds


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", BARRIERS)
def test_rear_balances(name: str) -> None:
    motion, masses, _ = rear_motion(name, substeps=8)
    kinetic = motion.kinetic_energy().sum(axis=1)[:, 0]
    total = kinetic + motion.elastic_energy().sum(axis=1)[:, 0]
    total = total + motion.absorbed_energy().sum(axis=1)[:, 0]
    np.testing.assert_allclose(total, kinetic[0], rtol=5e-3)
    momentum = (masses[None] * motion.velocity).sum(axis=1)[:, 0]
    np.testing.assert_allclose(momentum, momentum[0], rtol=1e-9)
    coarse, *_ = rear_motion(name, substeps=rear.SUBSTEPS)
    fine, *_ = rear_motion(name, substeps=2 * rear.SUBSTEPS)
    cabin = np.abs(coarse.velocity[:, 3] - fine.velocity[:, 3]).max()
    assert cabin < 1e-3 * np.ptp(fine.velocity[:, 3])


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", BARRIERS)
def test_velocity_change_is_two_body_momentum_with_restitution(name: str) -> None:
    # Struck car: dV = m1 V (1 + e) / (m1 + m2), with e = relative speed after / before.
    motion, masses, speeds = rear_motion(name, substeps=4)
    striker, car = masses[:2, 0].sum(), masses[2:, 0].sum()
    mean = (masses[:, 0] * motion.velocity[-1, :, 0]) / np.r_[[striker] * 2, [car] * 3]
    after, change = mean[:2].sum(), mean[2:].sum()
    e = (change - after) / speeds[0, 0]
    assert change == pytest.approx(striker * speeds[0, 0] * (1 + e) / (striker + car), rel=1e-9)
    assert 0.0 < e < 0.25
    told = float(REAR[name].synthesise([0], seed=1).facts["velocity_change_m_s"][0])
    assert told == pytest.approx(change, rel=0.03)


def test_rear_levels() -> None:
    # From memory of the trade: R01 12-15 km/h, 6-10 g, 100 ms; R02 35-45 km/h, 15-20 g, 120 ms;
    # R03 16 km/h, 10 g, 90 ms. R02 stands at the upper end: momentum alone gives 38 km/h.
    expected = {
        "rear_barrier_24": ((12, 15), (6, 10), (80, 120)),
        "rear_barrier_offset_80": ((35, 45), (15, 20), (100, 140)),
        "rear_sled_16": ((15.8, 16.2), (9.5, 10.5), (80, 95)),
    }
    assert set(expected) == set(REAR)
    for name, (change, peak, length) in expected.items():
        synthesis = REAR[name].synthesise([0], seed=1)
        cabin = synthesis.cabin_x[0]
        mean = np.convolve(cabin, np.ones(50) / 50, mode="same")
        assert change[0] < 3.6 * cabin.sum() / rear.RATE_HZ < change[1], name
        assert peak[0] < mean.max() / G < peak[1], name
        assert length[0] < (cabin > 0.05 * cabin.max()).sum() / 10 < length[1], name


def test_sled_triangle_has_its_closed_form() -> None:
    # Triangle: dV = A T / 2.
    times = -0.05 + np.arange(2501) / 1e4
    pulse = rear.triangle(
        times,
        change_m_s=np.array([16 / 3.6]),
        length_s=np.array([0.09]),
        peak_s=np.array([0.027]),
    )[0]
    assert pulse.sum() / 1e4 == pytest.approx(16 / 3.6, rel=1e-9)
    assert pulse.max() == pytest.approx(2 * 16 / 3.6 / 0.09, rel=5e-3)
    assert 1e3 * times[pulse.argmax()] == pytest.approx(27.0, abs=0.15)


def test_rear_requirements() -> None:
    for recipe in REAR.values():
        for event in recipe.events():
            for stage in ("front_airbag_stage_1", "front_airbag_stage_2"):
                assert event.requirements[stage].expectation == "no_fire"
            belt = event.requirements["belt_pretensioner"]
            if recipe.matrix == "R02":
                assert (belt.expectation, belt.required_s) == ("fire", pytest.approx(0.025))
                assert event.context.belted
            else:
                assert belt.expectation == "open"
                assert not event.context.belted


@pytest.mark.parametrize("name", sorted(REAR))
def test_rear_channels(name: str) -> None:
    (event,) = REAR[name].events()
    assert set(event.signals) == set(CHANNELS)
    assert event.signals["central_x"].velocity().samples[-1] > 3.0
    assert {"central_x", "central_safing_x", "rear_seat_crossmember_x"}.isdisjoint(event.quiet)
    assert ("central_y" in event.quiet) == (name != "rear_barrier_offset_80")
    for signal in event.signals.values():
        assert not signal.samples[signal.times_s < 0].any()


def test_rear_variants_are_bit_identical_whatever_the_batch() -> None:
    for recipe in REAR.values():
        block = recipe.block(range(4), seed=3)
        one = recipe.block([3], seed=3)
        for channel, signal in block.signals.items():
            if signal.samples.any():
                assert np.array_equal(signal.samples[3], one.signals[channel].samples[0])


def test_offset_turns_the_nose_away_and_mirrors() -> None:
    recipe = REAR["rear_barrier_offset_80"]
    (left,), (right,) = recipe.events(), recipe.mirrored().events()
    assert np.array_equal(left.signals["central_y"].samples, -right.signals["central_y"].samples)
    # Force forward on the left turns the nose right: ahead of the centre of gravity +y.
    speed = left.signals["central_y"].velocity().samples[-1]
    assert speed > 0 > left.signals["side_left_y"].velocity().samples[-1]
