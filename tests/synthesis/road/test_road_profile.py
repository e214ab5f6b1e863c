"""Random roads against the band formula, conventions, obstacles."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense import engine
from crashsense.draws import generator
from crashsense.synthesis.road import profile as rp

CLASSES = "ABCDEF"


def ensemble(road: rp.RandomRoad, *, points: int, size: int) -> np.ndarray:
    normals = [
        generator(3, "ensemble", block).standard_normal((size, road.normals_per_block))
        for block in range(road.blocks_for(points))
    ]
    return road.heights(normals, points=points)


@pytest.fixture(scope="module")
def class_a() -> np.ndarray:
    """300 profiles of class A, 328 m each, step 20 mm."""
    road = rp.RandomRoad(rp.density_at_reference_cycles("A"), step_m=0.02)
    return ensemble(road, points=16384, size=300)


def test_octave_bands_lie_within_the_class_limits(class_a):
    # ISO 8608 (class limits from memory; geometric means also from a table citing ISO 8608:2016):
    # a profile of class A has Gd(n) below 32e-6 (n/0.1)^-2; the mean spectrum is 16e-6 (n/0.1)^-2.
    from scipy.signal import periodogram

    n, density = periodogram(class_a, fs=1 / 0.02, window="hann", detrend=False, axis=-1)
    density = density.mean(axis=0)
    lower, upper = rp.class_limits_at_reference_cycles("A")
    assert (lower, upper) == (0.0, pytest.approx(32e-6))
    edges = 0.02 * 2.0 ** np.arange(0, 9)
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        inside = (n >= low) & (n < high)
        assert inside.sum() >= 3
        scaled = float((density[inside] * (n[inside] / 0.1) ** 2).mean())
        assert 8e-6 < scaled < 32e-6
        assert scaled == pytest.approx(16e-6, rel=0.12)


def whole_range(name: str) -> rp.RandomRoad:
    return rp.RandomRoad(rp.density_at_reference_cycles(name), step_m=0.025, block_points=8192)


@pytest.fixture(scope="module")
def many_profiles() -> np.ndarray:
    """1200 profiles of class A: a block holds few long waves, so that an estimate needs many."""
    return ensemble(whole_range("A"), points=8192, size=1200)


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", CLASSES)
def test_variance_matches_the_band_formula(many_profiles, name):
    # sigma^2 = Gd(n0) n0^2 (1/n1 - 1/n2), computed; the whole range of the profile 0.01..10.
    density = rp.density_at_reference_cycles(name)
    expected = rp.band_variance(0.01, 10.0, at_reference_cycles=density)
    # The same random numbers give every class the same profile but for the root of its density:
    # twenty profiles say so, and the variance of 1200 is then known without making them again.
    factor = density / rp.density_at_reference_cycles("A")
    some = ensemble(whole_range(name), points=8192, size=20)
    np.testing.assert_allclose(some, factor**0.5 * many_profiles[:20], rtol=1e-9, atol=1e-15)
    variance = factor * many_profiles.var(axis=0).mean()
    assert variance == pytest.approx(expected, rel=0.05)


def test_roughness_of_the_classes_over_the_recommended_range():
    # computed from the formula: A 3.9980, B 7.9960, C 15.9920, D 31.984 mm over 0.01-10 cycle/m
    sigma = [
        1e3
        * rp.band_variance(0.01, 10.0, at_reference_cycles=rp.density_at_reference_cycles(c)) ** 0.5
        for c in "ABCD"
    ]
    assert sigma == pytest.approx([3.9980, 7.9960, 15.9920, 31.984], abs=5e-4)


def test_both_conventions_tie_and_cannot_be_mixed():
    # 16e-6 m^3 at 0.1 cycle/m is 1.0053e-6 m^3 at 1 rad/m (computed); 4^k from memory.
    for power, name in enumerate("ABCDEFGH"):
        radians = 1e6 * rp.density_at_reference_radians(name)
        assert radians == pytest.approx(1.0053 * 4**power, rel=1e-4)
        assert 1e6 * rp.density_at_reference_cycles(name) == pytest.approx(16 * 4**power)
    names = [n for n in dir(rp) if n.startswith("density")]
    assert all("cycles" in n or "radians" in n for n in names)
    with pytest.raises(TypeError, match="positional"):
        rp.displacement_density(np.array([0.1]), 16e-6)


def test_profile_is_the_same_in_any_block_of_draws():
    road = rp.RandomRoad(16e-6)
    normals = [generator(5, "x", b).standard_normal((7, road.normals_per_block)) for b in range(3)]
    whole = road.heights(normals, points=8000)
    alone = road.heights([n[4:5] for n in normals], points=8000)
    assert np.array_equal(whole[4:5], alone)


def test_circular_hump():
    # arc radius of the 3.7 m hump, R = ((L/2)^2 + h^2) / 2h: 22.854 m (75 mm), 17.1625 m (100 mm)
    assert rp.hump_radius(length_m=3.7, height_m=0.075) == pytest.approx(22.854, abs=5e-4)
    assert rp.hump_radius(length_m=3.7, height_m=0.100) == pytest.approx(17.1625, abs=5e-5)
    s = np.linspace(-1.0, 5.0, 6001)
    z = rp.circular_hump(s, height_m=0.075, length_m=3.7)
    assert z.max() == pytest.approx(0.075, abs=1e-9)
    assert np.all(z[(s <= 0) | (s >= 3.7)] == 0.0)
    inside = (s > 0.2) & (s < 3.5)
    curvature = np.gradient(np.gradient(z, s), s)[inside]
    slope = np.gradient(z, s)[inside]
    radius = (1 + slope**2) ** 1.5 / -curvature
    assert np.median(radius) == pytest.approx(22.854, rel=1e-3)


def test_wheel_meets_a_kerb_at_the_angle_of_the_closed_form():
    # rigid wheel on a step: cos(theta) = 1 - h / R, F_x / F_z = tan(theta)
    step, radius, height = 0.0005, 0.30, 0.12
    s = np.arange(-1.0, 1.0, step)
    path = rp.wheel_path(rp.kerb(s, height_m=height)[None], step_m=step, radius_m=radius)[0]
    slope = np.diff(path) / step
    theta = np.arccos(1 - height / radius)
    assert slope.max() == pytest.approx(np.tan(theta), rel=0.01)
    first = s[np.argmax(path > 1e-9)]
    assert first == pytest.approx(-radius * np.sin(theta), abs=2 * step)
    assert path[-1] == pytest.approx(height)


def test_wheel_cannot_reach_the_bottom_of_a_short_hole():
    step, radius = 0.002, 0.30
    s = np.arange(-1.0, 1.5, step)
    path = rp.wheel_path(
        rp.pothole(s, depth_m=0.12, length_m=0.2)[None], step_m=step, radius_m=radius
    )[0]
    # sagitta of a chord of the hole's length
    assert path.min() == pytest.approx(-(radius - np.sqrt(radius**2 - 0.1**2)), abs=2e-3)


def test_rails_are_step_pairs_where_the_deck_has_settled_too():
    s = np.arange(-1.0, 7.0, 0.005)
    more = {"head_m": 0.07, "flank_m": 0.03, "gauge_m": 1.435, "tracks": 2, "track_distance_m": 4.0}
    level = rp.rail_crossing(s, step_m=0.035, deck=0.0, **more)
    proud = rp.rail_crossing(s, step_m=0.035, deck=1.0, **more)
    half = rp.rail_crossing(s, step_m=0.035, deck=0.5, **more)
    climbs = [int((np.diff((height > 0.03).astype(int)) > 0).sum()) for height in (level, proud)]
    assert climbs == [2, 4]  # one step up for each track, or one for each rail
    between = np.argmin(np.abs(s - 0.75))
    assert [float(h[between]) for h in (level, half, proud)] == pytest.approx([0.035, 0.0175, 0.0])
    assert proud.max() == level.max() == pytest.approx(0.035)
    rails = s[np.flatnonzero(np.diff((proud > 0.03).astype(int)) > 0)]
    assert rails[1] - rails[0] == pytest.approx(1.435 + 0.07, abs=0.006)


def test_tyre_patch_is_a_mean_that_keeps_height_and_energy():
    # over a step the mean path climbs from -a to a about the edge; its slope is the height over the
    # patch, never steeper; a rail head narrower than the patch is swallowed in part
    step, patch = 0.001, 0.11
    s = np.arange(-0.5, 0.5, step)
    climb = rp.patch_mean(np.where(s >= 0, 0.03, 0.0)[None], step_m=step, patch_m=patch)[0]
    assert np.gradient(climb, step).max() == pytest.approx(0.03 / patch, rel=0.02)
    assert climb[-1] == pytest.approx(0.03)
    narrow = rp.patch_mean(np.where(np.abs(s) < 0.02, 0.03, 0.0)[None], step_m=step, patch_m=patch)[
        0
    ]
    assert narrow.max() == pytest.approx(0.03 * 0.04 / patch, rel=0.05)


@pytest.mark.parametrize("height_m", [0.0, 0.001, 0.02, 0.3])
def test_engine_fast_finds_the_same_highest_points_under_a_wheel(height_m):
    pytest.importorskip("numba")
    rough = height_m * generator(4, "rough", 0).standard_normal((3, 700))
    rough[1] = np.where(np.arange(700) >= 333, height_m, 0.0)  # a step
    found = []
    for name in engine.ENGINES:
        with engine.using(name):
            found.append(rp.wheel_path(rough, step_m=0.005, radius_m=0.3))
    np.testing.assert_array_equal(*found)
    assert np.array_equal(found[0], rough) == (height_m == 0.0)
