"""Tyre, chassis and body above the rigid motion, against the analogue responses."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
from scipy.signal import freqs

from crashsense import engine
from crashsense.synthesis import load_recipes
from crashsense.synthesis.road.structure import RoadPath, _table
from crashsense.synthesis.road.vehicle import load_ride, ride_path
from crashsense.units import STANDARD_GRAVITY as G

RATE = 2000.0
RECIPES = {recipe.name: recipe for recipe in load_recipes()}
RIDES = [name for name, recipe in RECIPES.items() if recipe.family == "rough_road"]


def gain(path: RoadPath, frequency: float, *, road: bool = True) -> float:
    tone = np.sin(2 * pi * frequency * np.arange(8000) / RATE)[None]
    still = np.zeros_like(tone)
    out = path(tone, still) if road else path(still, tone)
    late = out[0, -2000:]
    return float(np.sqrt(2.0 * np.mean(late**2)))


@pytest.mark.parametrize("frequency", [20.0, 75.0, 95.0])
def test_belt_and_mode_in_series_follow_their_formula(frequency):
    belt, mode = (75.0, 0.10, 0.75), (92.0, 0.07, 4.0)
    w, z, p = 2 * pi * belt[0], belt[1], belt[2]
    v, y, r = 2 * pi * mode[0], mode[1], mode[2]
    upper = np.polymul([1 - p, 2 * z * w, w * w], [r * 2 * y * v, 0.0])
    lower = np.polymul([1, 2 * z * w, w * w], [1, 2 * y * v, v * v])
    _, expected = freqs(upper, lower, worN=[2 * pi * frequency])
    path = RoadPath(tyre=[belt], body=[mode], factor=np.ones(1), rate_hz=RATE)
    assert gain(path, frequency) == pytest.approx(abs(expected[0]), rel=0.04)


def test_first_bending_of_a_uniform_body_moves_the_tunnel_against_the_axles():
    # free-free beam of 3.9 m, cosh(b) cos(b) = 1 (b = 4.730): textbook of vibrations, from memory.
    # At resonance R = phi(wheel) phi(tunnel) / (2 zeta), shapes of mean square 1.
    length, b = 3.9, 4.730041
    assert np.cosh(b) * np.cos(b) == pytest.approx(1.0, abs=1e-4)
    ratio = (np.cosh(b) - np.cos(b)) / (np.sinh(b) - np.sin(b))

    def shape(x):
        y = b * x / length
        return np.cosh(y) + np.cos(y) - ratio * (np.sinh(y) + np.sin(y))

    assert np.mean(shape(np.linspace(0, length, 4001)) ** 2) == pytest.approx(1.0, rel=1e-3)
    ride = load_ride(str(ride_path("small_car_ride", near=None)))
    [(_, damping, inertance)] = [mode for mode in ride.central_z_modes if 24 < mode[0] < 32]
    front = 0.8
    tunnel = front + (1 - ride.front_axle_load_share) * ride.wheelbase_m - ride.sensor_ahead_m
    axles = 0.5 * (shape(front) + shape(front + ride.wheelbase_m))
    uniform = axles * shape(tunnel) / (2 * damping)
    assert uniform == pytest.approx(-4.9, abs=0.1)
    # the engine moves the front node to the axle: less than the uniform beam, same sign
    assert uniform < inertance < 0.3 * uniform


def test_suspension_forces_pass_by_the_tyre_and_add_no_velocity():
    path = RoadPath(
        tyre=[(75.0, 0.10, 0.75)], body=[(92.0, 0.07, 4.0)], factor=np.ones(1), rate_hz=RATE
    )
    assert gain(path, 92.0, road=False) == pytest.approx(4.0, rel=1e-3)
    push = np.zeros((1, 4000))
    push[:, 100:140] = 50.0
    assert abs(path(push, push).sum()) / RATE < 1e-4


def test_pieces_go_on_where_the_last_ended_and_engines_agree():
    rng = np.random.default_rng(1)
    drive = rng.standard_normal((3, 1000))
    make = {
        "tyre": [(75.0, 0.1, 0.75)],
        "body": [(48.0, 0.1, 3.0), (165.0, 0.06, 5.0)],
        "factor": np.array([1.0, 1.03, 0.97]),
        "rate_hz": RATE,
    }
    with engine.using("numpy"):
        whole = RoadPath(**make)(drive, drive)
    kept = RoadPath(**make, keep=True)
    parts = [kept(drive[:, a:b], drive[:, a:b]) for a, b in ((0, 300), (300, 1000))]
    assert np.array_equal(np.concatenate(parts, axis=1), whole)
    if engine.installed():
        with engine.using("fast"):
            assert np.array_equal(RoadPath(**make)(drive, drive), whole)
    alone = RoadPath(**{**make, "factor": make["factor"][1:2]})(drive[1:2], drive[1:2])
    assert np.array_equal(alone[0], whole[1])


def band_rms(samples: np.ndarray, rate: float, low: float, high: float) -> float:
    spectrum = np.fft.rfft(samples)
    frequency = np.fft.rfftfreq(samples.size, 1 / rate)
    spectrum[(frequency < low) | (frequency >= high)] = 0.0
    return float(np.sqrt(np.mean(np.fft.irfft(spectrum, samples.size) ** 2)))


@pytest.mark.parametrize("name", RIDES)
def test_rides_have_wheel_hop_chassis_content_and_z_above_x(name):
    # from memory of the trade: hop 10-15 Hz, x 0.2-0.4 of z (more where a wheel strikes an edge),
    # content of chassis and body in 40-300 Hz
    event = RECIPES[name].synthesise([0], seed=0)
    x, z = event.signals["central_x"][0], event.signals["central_z"][0]
    assert np.abs(z).max() > np.abs(x).max()
    hop, slow = band_rms(z, event.rate_hz, 8, 20), band_rms(z, event.rate_hz, 0, 8)
    assert hop > 0.08 * slow
    rough = band_rms(z, event.rate_hz, 40, 300)
    assert rough > 0.002 * G
    if not name.startswith("hump_3700"):
        assert rough > 0.15 * hop
    if name.startswith("washboard"):
        return  # a tone by its nature: waves at 13 Hz and their harmonics
    tone = band_rms(x, event.rate_hz, 24, 30)
    assert tone < 0.75 * band_rms(x, event.rate_hz, 0, 500)


@pytest.mark.parametrize("draws", [1, 5, 19])
@pytest.mark.parametrize("tyres", [0, 2])
def test_engine_fast_follows_the_path_of_every_draw_to_the_same_bits(draws, tyres):
    pytest.importorskip("numba")
    source = np.random.default_rng(9)
    road, suspension = source.standard_normal((2, draws, 531))
    path = RoadPath(
        tyre=[(75.0, 0.10, 0.75), (220.0, 0.05, 0.2)][:tyres],
        body=[(50.0, 0.10, 3.0), (92.0, 0.07, 4.0), (150.0, 0.05, -1.0)],
        factor=1.0 + 0.03 * source.standard_normal(draws),
        rate_hz=RATE,
    )
    found = []
    for name in engine.ENGINES:
        with engine.using(name):
            found.append(path(road, suspension))
    np.testing.assert_array_equal(*found)
    assert found[0].std() > 0.5


def test_sections_that_paths_share_cannot_be_written_to():
    shared = _table((), ((50.0, 0.10, 3.0),), 2, RATE)
    assert shared is _table((), ((50.0, 0.10, 3.0),), 2, RATE)
    with pytest.raises(ValueError, match="read-only"):
        shared[0, 0] = 0.0
