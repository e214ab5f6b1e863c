"""What side and rear impacts share: crush power, and shaking by the law of the frontal crashes."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense import engine
from crashsense.errors import InputError
from crashsense.synthesis.dynamics.spring_chain import integrate_chains
from crashsense.synthesis.location import BANDS_HZ, LAW
from crashsense.synthesis.location.place import drawn_modes
from crashsense.synthesis.model import draw_variation
from crashsense.synthesis.recipe import load_recipes
from crashsense.synthesis.side import crash, side_impact

RECIPES = {r.name: r for r in load_recipes() if r.family in ("side", "rear")}


NOMINAL = draw_variation(np.array([0]), seed=1, occurrence="any", tolerances={})


def pole_motion(name: str, variation=NOMINAL):
    recipe = RECIPES[name]
    masses, speeds, springs, body = side_impact.build_chain(recipe.parameters, variation)
    (motion,) = integrate_chains(
        [crash.crash_chain(masses, springs, speeds=speeds, substeps=side_impact.SUBSTEPS)]
    )
    return motion, masses, speeds, body


def pole_power(name: str, *, names=side_impact.OWN_SPRINGS, variation=NOMINAL):
    motion, masses, speeds, body = pole_motion(name, variation)
    mass = masses[1:].sum(axis=0)
    power = crash.crush_power(motion, names, mass_kg=mass)
    return power, speeds[body["cabin"], 0]


def test_crush_power_sums_to_the_energy_of_the_crash() -> None:
    # A car against a rigid pole loses V^2 / 2 per mass in its own springs; what they store and give
    # back counts while they load, which leaves a tenth on top.
    power, speed = pole_power("side_pole_90_29")
    power = power[0]
    assert power.sum() / crash.RATE_HZ == pytest.approx(0.5 * speed**2, rel=0.12)
    assert not power[: crash.ZERO].any()


@pytest.mark.parametrize("names", [(), ("skin",), ("door", "sill", "pillar")])
def test_power_that_rings_down_is_the_same_by_either_engine(names) -> None:
    recipe = RECIPES["side_pole_75_32"]
    draws = draw_variation(np.arange(11), seed=1, occurrence="any", tolerances=recipe.tolerances)
    motion, masses, *_ = pole_motion("side_pole_75_32", draws)
    mass = masses[1:].sum(axis=0)
    power = crash.crush_power(motion, names, mass_kg=mass)
    rings = crash.folding_power(power)
    assert (rings >= power[:, crash.ZERO :][:, : rings.shape[1]] * (1.0 - 1e-12)).all()
    assert rings.any() == bool(names)
    np.testing.assert_array_equal(crash.lasting_power(motion, names, mass_kg=mass), rings)
    pytest.importorskip("numba", reason="needs the extra fast")
    with engine.using("fast"):
        found = crash.lasting_power(motion, names, mass_kg=mass)
    np.testing.assert_array_equal(found, rings)


def test_acceleration_on_the_time_base_is_that_of_the_motion() -> None:
    motion, *_, body = pole_motion("side_pole_90_29")
    for number in body.values():
        expected = crash.on_time_base(motion.body_acceleration(number))
        np.testing.assert_array_equal(crash.acceleration_of(motion, number), expected)


def test_side_shaking_follows_the_law() -> None:
    """rms of a band = level s sqrt(P/m), of the shaking alone: reading less motion and tilt.

    Each draw with its own crush power and drawn level, so that the mean square over draws is that
    of the law. A band-pass of order 4, forth and back, passes (1 - 1/8) (pi/8) / sin(pi/8) of the
    power of a band (computed). Tolerance: three standard errors, of the draws themselves.
    """
    from scipy.signal import butter, sosfiltfilt

    recipe = RECIPES["side_pole_90_29"]
    numbers = np.arange(1, 49)
    synthesis = recipe.synthesise(numbers, seed=4)
    tilt = -9.80665 * np.sin(synthesis.trace["roll_angle"])
    shaken = synthesis.signals["central_y"] - synthesis.cabin_y - tilt
    variation = draw_variation(
        numbers, seed=4, occurrence=recipe.occurrence, tolerances=recipe.tolerances
    )
    power, _ = pole_power("side_pole_90_29", names=side_impact.CABIN_SPRINGS, variation=variation)
    car = recipe.parameters.vehicle
    level = car.shaking["central_y"]
    place = car.places(["central_y"])["central_y"]
    drawn = drawn_modes(place, "central_y", variation=variation).level
    passed = (1.0 - 1.0 / 8.0) * (np.pi / 8.0) / np.sin(np.pi / 8.0)
    window = slice(crash.ZERO + 200, crash.ZERO + 450)
    root = np.sqrt(power[:, window].mean(axis=-1))
    for number, ((low, high), law) in list(enumerate(zip(BANDS_HZ, LAW, strict=True)))[2:]:
        sections = butter(4, (low, high), "bandpass", fs=crash.RATE_HZ, output="sos")
        heard = np.mean(sosfiltfilt(sections, shaken)[:, window] ** 2, axis=-1)
        wanted = level[high > 400] * law * root * drawn[:, number]
        share = heard / wanted**2 / passed
        error = 3.0 * share.std() / numbers.size**0.5
        assert error < 0.25, (low, high)
        assert share.mean() == pytest.approx(1.0, abs=error), (low, high)


def test_shaking_names_a_channel_that_the_vehicle_does_not_state(tmp_path) -> None:
    recipe = RECIPES["side_pole_90_29"]
    values = recipe.parameters.vehicle.model_dump()
    values["shaking"] = {"central_q": (1.0, 1.0)}
    with pytest.raises(InputError, match="central_q|did you mean"):
        recipe.with_parameters(name="wrong", vehicle=values)


@pytest.mark.slow
def test_a_channel_without_a_level_does_not_shake() -> None:
    recipe = RECIPES["side_pole_90_29"]
    values = recipe.parameters.vehicle.model_dump()
    values["shaking"] = {k: v for k, v in values["shaking"].items() if k != "central_x"}
    still = recipe.with_parameters(name="still", vehicle=values).synthesise([0], seed=1)
    assert not still.signals["central_x"].any()
    assert recipe.synthesise([0], seed=1).signals["central_x"].any()
