"""The fast path is the full path: same process of noise, same fire times."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal as ss
import scipy.stats
from sensing.sensing_helpers import RATE, acceleration, crash, part, sensor_set

from crashsense.filters.design import lowpass
from crashsense.sensing import SensorSet, chain, load_sensor_set, sense
from crashsense.sensing.noise import autocovariance, word_noise
from crashsense.units import STANDARD_GRAVITY as G


@pytest.mark.parametrize("kind", ["bessel", "butterworth"])
@pytest.mark.parametrize("order", [2, 3, 4])
@pytest.mark.parametrize("corner_hz", [50.0, 300.0, 400.0, 450.0, 900.0])
def test_autocovariance_of_the_word_noise(kind: str, order: int, corner_hz: float) -> None:
    sensor = part(
        filter_kind=kind,
        filter_order=order,
        corner_hz=corner_hz,
        corner_tolerance=0.033,
        quality_tolerance=0.02,
    )
    for setting in range(5):
        sections = chain.filter_sections(sensor, rate_hz=RATE, setting=setting)
        model = word_noise(sections, every=5)
        # Direct: the impulse response against itself.
        pulse = np.zeros(6000)
        pulse[0] = 1.0
        h = ss.sosfilt(sections, pulse)
        want = np.array([(h[: 6000 - 5 * k] * h[5 * k :]).sum() for k in range(20)])
        got = autocovariance(model.sections, every=1, lags=20)
        np.testing.assert_allclose(got, want, atol=1e-9 * want[0])
        assert model.deviation == pytest.approx(np.sqrt(want[0]))
        assert model.error < 1e-8


def noisy_set(density_g: float = 0.05) -> SensorSet:
    return sensor_set(
        part(noise_density=density_g * G, range=200 * G, bits=16, corner_tolerance=0.033)
    )


def fire_times(values: np.ndarray, *, threshold: float) -> np.ndarray:
    """First tick at which a leaky velocity change passes the threshold; the size if never."""
    leaky = ss.lfilter([1 / 2000.0], [1.0, -0.98], -values, axis=-1)
    passed = leaky >= threshold
    return np.where(passed.any(axis=-1), np.argmax(passed, axis=-1), values.shape[-1])


def plain_noise(n: int, ticks: int) -> np.ndarray:
    """White noise at the rate of the words with the variance of the filtered noise: wrong."""
    sensor = noisy_set().sensor("central_x")
    model = word_noise(chain.filter_sections(sensor, rate_hz=RATE), every=5)
    sigma = chain.noise_deviation(sensor, rate_hz=RATE) * model.deviation
    return sigma * np.random.default_rng(8).standard_normal((n, ticks))


@pytest.mark.parametrize(("kind", "order"), [("butterworth", 8), ("bessel", 7), ("bessel", 6)])
@pytest.mark.parametrize("corner_hz", [50.0, 180.0])
@pytest.mark.parametrize("every", [1, 4])
def test_a_model_of_many_slow_poles_holds_or_says_that_it_does_not(
    kind: str, order: int, corner_hz: float, every: int
) -> None:
    sections = lowpass(kind, order, corner_hz=corner_hz, rate_hz=RATE)
    model = word_noise(sections, every=every)
    want = autocovariance(sections, every=every, lags=20)
    assert model.deviation == pytest.approx(np.sqrt(want[0]))
    if model.error < 1e-6:
        got = autocovariance(model.sections, every=1, lags=20)
        np.testing.assert_allclose(got, want, atol=1e-6 * want[0])
    else:
        assert model.error >= 1e-6  # not nan: the sensor takes its full path


def test_same_distribution_of_fire_times_with_power() -> None:
    # A rule that integrates noise: whether it ever fires depends on the correlation between
    # neighbouring words. Two paths, 4000 draws each: the fire times come from one distribution, and
    # the same test rejects plain white noise of equal variance at the rate of the words.
    quiet = {"central_x": acceleration(np.zeros(2500))}
    n = 4000
    draws = range(1, n + 1)
    values = {
        path: sense(
            quiet, noisy_set(), draws=draws, seed=11, occurrence="power", path=path
        ).samples.channels["central_x"]
        for path in ("full", "fast")
    }
    ticks = values["full"].shape[1]
    threshold = 0.009 * G
    full, fast = (fire_times(values[path], threshold=threshold) for path in ("full", "fast"))
    plain = fire_times(plain_noise(n, ticks), threshold=threshold)
    share = np.mean(full < ticks)
    assert 0.1 < share < 0.9
    assert scipy.stats.ks_2samp(full, fast).pvalue > 0.01
    counts = [[np.sum(full < ticks), np.sum(full == ticks)]]
    fast_counts = [np.sum(fast < ticks), np.sum(fast == ticks)]
    plain_counts = [np.sum(plain < ticks), np.sum(plain == ticks)]
    assert scipy.stats.fisher_exact([*counts, fast_counts]).pvalue > 0.01
    assert scipy.stats.fisher_exact([*counts, plain_counts]).pvalue < 1e-6
    assert scipy.stats.ks_2samp(full, plain).pvalue < 1e-6


def test_words_of_both_paths_have_the_same_moments() -> None:
    quiet = {"central_x": acceleration(np.zeros(1500))}
    draws = range(1, 2001)
    for path in ("full", "fast"):
        values = sense(quiet, noisy_set(), draws=draws, seed=2, path=path).samples.channels[
            "central_x"
        ]
        model = word_noise(
            chain.filter_sections(noisy_set().sensor("central_x"), rate_hz=RATE), every=5
        )
        sigma = 0.05 * G * np.sqrt(RATE / 2) * model.deviation
        # 2000 rows: stationary from the first word on, standard error of a deviation 1.6 %.
        assert values[:, 0].std() == pytest.approx(sigma, rel=0.07)
        assert values[:, -1].std() == pytest.approx(sigma, rel=0.07)
        neighbours = (values[:, 1:] * values[:, :-1]).mean() / (values**2).mean()
        want = autocovariance(model.sections, every=1, lags=2)
        assert neighbours == pytest.approx(want[1] / want[0], abs=0.01)


def test_identical_codes_and_fire_times_without_noise() -> None:
    # Tolerances, cross-axis, drift, all five settings and phases, but no noise.
    standard = load_sensor_set()
    silent = standard.changed("central_x", noise_density=0.0)
    true = {
        "central_x": acceleration(crash()),
        "central_y": acceleration(0.3 * crash(), axis="y"),
    }
    arguments = {"draws": range(400), "seed": 6, "occurrence": "e", "channels": ["central_x"]}
    fast = sense(true, silent, path="fast", **arguments)
    full = sense(true, silent, path="full", **arguments)
    assert fast.path == "fast"
    assert full.path == "full"
    np.testing.assert_array_equal(fast.samples.start_s, full.samples.start_s)
    a, b = fast.samples.codes["central_x"], full.samples.codes["central_x"]
    # A value that lies on the border of two codes to the last digit may fall either way.
    assert np.mean(a != b) < 1e-5
    for threshold in (0.5, 1.0, 2.0, 4.0):
        np.testing.assert_array_equal(
            fire_times(fast.samples.channels["central_x"], threshold=threshold),
            fire_times(full.samples.channels["central_x"], threshold=threshold),
        )


def test_the_path_is_chosen_by_draw_and_never_hides_clipping() -> None:
    standard = load_sensor_set()
    # 117 g peak, sensitivity 2 %: some draws reach 120 g, others do not.
    true = {"central_x": acceleration(crash(peak_g=117.0, ringing_g=0.0))}
    auto = sense(true, standard, draws=range(1, 401), channels=["central_x"])
    full = sense(true, standard, draws=range(1, 401), channels=["central_x"], path="full")
    assert auto.path == "mixed"
    clipped = full.reports["central_x"].clipped_before_filter > 0
    assert clipped.any()
    assert (auto.paths[clipped] == "full").all()
    slow = auto.paths == "full"
    np.testing.assert_array_equal(
        auto.samples.codes["central_x"][slow], full.samples.codes["central_x"][slow]
    )


def test_reaching_the_stop_forces_the_full_path() -> None:
    sensor = part(range=100 * G, front_end=1000 * G, stop=100 * G)
    true = {"central_x": acceleration(crash(peak_g=150.0))}
    out = sense(true, sensor_set(sensor))
    assert out.path == "full"
    assert out.reports["central_x"].at_stop[0] > 0
