"""A sensing location: law of levels, shared part, blows, independence of the block of draws."""

import numpy as np
import pytest
from scipy.signal import butter, lsim, sosfiltfilt

from crashsense.synthesis.location import (
    BANDS_HZ,
    LAW,
    Path,
    Place,
    blow_response,
    drawn_modes,
    shake,
)
from crashsense.synthesis.model import Variation

RATE_HZ = 10000.0
FLOOR = {name: Place(group="floor") for name in ("central_x", "rear_seat_crossmember_x")}


def variation(draws, occurrence="wall", seed=1):
    return Variation(draws=np.asarray(draws), seed=seed, occurrence=occurrence)


def in_band(samples, band):
    sections = butter(4, band, btype="bandpass", fs=RATE_HZ, output="sos")
    return sosfiltfilt(sections, samples)


@pytest.fixture(scope="module")
def shaken():
    power = np.full((64, 1800), 900.0)
    return shake(FLOOR, power=power, variation=variation(range(1, 65)), rate_hz=RATE_HZ)


@pytest.mark.parametrize(("band", "level"), list(zip(BANDS_HZ, LAW, strict=True)))
def test_levels_follow_the_law(shaken, band, level):
    """rms = s sqrt(P/m): measured on public tests (see shaking.py); the median over draws."""
    rms = [np.sqrt(np.mean(in_band(row, band) ** 2)) for row in shaken["central_x"]]
    assert np.median(rms) / 30.0 == pytest.approx(level, rel=0.25)
    # Levels deviate from draw to draw, by less than cars and places do (0.6 to 1.1).
    assert 0.2 < np.std(np.log(rms)) < 0.6


@pytest.mark.parametrize(("band", "low", "high"), [(1, 0.6, 0.82), (2, 0.6, 0.82), (3, -0.1, 0.1)])
def test_neighbours_share_what_lies_below_400_hz(shaken, band, low, high):
    """0.74, 0.70, -0.05 between left and right floor in public record 10146."""
    left, right = (in_band(rows, BANDS_HZ[band]) for rows in shaken.values())
    found = np.mean([np.corrcoef(a, b)[0, 1] for a, b in zip(left, right, strict=True)])
    assert low < found < high


def test_shaking_is_silent_without_power_and_far_crush_is_felt_less_above_400_hz():
    power = np.concatenate([np.full((8, 600), 900.0), np.zeros((8, 400))], axis=1)
    draws = variation(range(1, 9))
    near = shake(FLOOR, power=power, variation=draws, rate_hz=RATE_HZ)["central_x"]
    far = shake(FLOOR, power=power, nearness=0.0, variation=draws, rate_hz=RATE_HZ)["central_x"]
    assert not near[:, 600:].any()
    assert near[:, :600].any()
    for band, share in zip(BANDS_HZ[1:], (2.0, 1.0, 0.10, 0.10), strict=True):
        found = in_band(far, band)[:, 50:550].std() / in_band(near, band)[:, 50:550].std()
        assert found == pytest.approx(share, rel=0.15, abs=0.06), band


def test_a_draw_is_the_same_bit_for_bit_in_any_block():
    power = np.linspace(0.0, 2000.0, 1500) * np.ones((40, 1))
    force = np.zeros((40, 800))
    force[:, :30] = 1e3
    paths = {"central_x": Path(0.3, 300.0), "rear_seat_crossmember_x": Path()}
    for some in ([7], [0, 39, 12]):
        whole = shake(FLOOR, power=power, variation=variation(range(40)), rate_hz=RATE_HZ)
        part = shake(FLOOR, power=power[some], variation=variation(some), rate_hz=RATE_HZ)
        blows = [
            blow_response(f, places=FLOOR, paths=paths, variation=v, rate_hz=RATE_HZ)
            for f, v in ((force, variation(range(40))), (force[some], variation(some)))
        ]
        for name in FLOOR:
            assert np.array_equal(whole[name][some], part[name])
            assert np.array_equal(blows[0][name][some], blows[1][name])


def test_nominal_depends_on_no_name_and_no_seed():
    power = np.full((1, 500), 900.0)
    one, other = (
        shake(FLOOR, power=power, variation=variation([0], name, seed), rate_hz=RATE_HZ)
        for name, seed in (("wall", 1), ("a_copy", 2))
    )
    assert np.array_equal(one["central_x"], other["central_x"])
    assert one["central_x"].any()
    assert not np.array_equal(one["central_x"], one["rear_seat_crossmember_x"])
    modes = drawn_modes(Place(), "central_x", variation=variation([0, 1]))
    assert np.allclose(modes.frequency_hz[0], Place().nominal_hz)
    assert np.all(modes.level[0] == 1.0)
    assert np.abs(modes.frequency_hz[1] / modes.frequency_hz[0] - 1.0).max() > 0.02


def test_a_blow_is_answered_as_by_oscillators_side_by_side():
    """Against scipy's solution of the differential equations, mode by mode."""
    place = Place(lowest_hz=80.0, modes=4, damping=0.06, mass_kg=12.0)
    time = np.arange(1000) / RATE_HZ
    force = np.where(time < 0.004, 5e3 * np.sin(np.pi * time / 0.004) ** 2, 0.0)[None]
    draws = variation([5])
    found = blow_response(
        force, places={"x": place}, paths={"x": Path()}, variation=draws, rate_hz=RATE_HZ
    )
    modes = drawn_modes(place, "x", variation=draws)
    wanted = np.zeros(time.size)
    for frequency, damping, weight in zip(
        modes.frequency_hz[0], modes.damping[0], modes.weight[0], strict=True
    ):
        w = 2.0 * np.pi * frequency
        system = ([1.0, 0.0, 0.0], [1.0, 2.0 * damping * w, w * w])
        wanted += weight / place.mass_kg * lsim(system, force[0], time)[1]
    assert np.abs(found["x"][0] - wanted).max() < 0.03 * np.abs(wanted).max()
    # A mode returns to rest: it keeps no velocity.
    assert abs(found["x"].sum()) < 0.01 * np.abs(found["x"]).sum()


def test_a_distant_place_feels_less_of_a_blow_and_less_of_its_high_modes():
    force = np.zeros((16, 600))
    force[:, :10] = 4e3
    near, far = (
        blow_response(
            force,
            places=FLOOR,
            paths={"central_x": path},
            variation=variation(range(16)),
            rate_hz=RATE_HZ,
        )["central_x"]
        for path in (Path(), Path(0.3, 200.0))
    )
    shares = [in_band(far, b).std() / in_band(near, b).std() for b in (BANDS_HZ[1], BANDS_HZ[4])]
    assert shares[0] < 0.3
    assert shares[1] < 0.7 * shares[0]


def test_a_rate_that_cannot_carry_the_bands_is_refused():
    with pytest.raises(ValueError, match="rate_hz 2000; expected at least 6000"):
        shake(FLOOR, power=np.ones((1, 10)), variation=variation([0]), rate_hz=2000.0)


@pytest.mark.parametrize(("samples", "rate_hz", "carried"), [
    (10, 15000.0, True), (10, 16000.0, False), (257, 16000.0, True), (257, 40000.0, False),
])  # fmt: skip
def test_a_signal_too_short_for_a_band_is_refused(samples, rate_hz, carried):
    """A bin is 1/256 or 1/512 of the rate: of 20 to 60 Hz none is left."""
    about = {"power": np.ones((1, samples)), "variation": variation([0]), "rate_hz": rate_hz}
    if carried:
        assert shake(FLOOR, **about)["central_x"].any()
    else:
        told = f"{samples} samples at rate_hz {rate_hz:g}; expected more samples, or a lower rate"
        with pytest.raises(ValueError, match=told):
            shake(FLOOR, **about)
