"""Stages of the chain, and the whole chain against an independent computation."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal as ss
from hypothesis import given, settings
from hypothesis import strategies as st
from sensing.sensing_helpers import RATE, acceleration, crash, part, sensor_set

from crashsense.errors import InputError
from crashsense.sensing import chain, load_sensor_set, sense
from crashsense.sensing.noise import autocovariance, word_noise
from crashsense.signal import cumulative_trapezoid
from crashsense.units import STANDARD_GRAVITY as G


@pytest.mark.parametrize(("order", "delay_ms"), [(2, 0.56270), (3, 0.79577), (4, 1.03973)])
def test_butterworth_delay(order: int, delay_ms: float) -> None:
    # Computed: 1 / (2 pi fc sin(pi / 2N)) at fc = 400 Hz, the analogue value; the bilinear
    # transform with its corner pre-warped approaches it as the rate rises.
    sensor = part(filter_kind="butterworth", filter_order=order)
    delay = chain.filter_delay_s(sensor, rate_hz=1e6)
    assert delay * 1e3 == pytest.approx(delay_ms, abs=2e-5)
    assert chain.filter_delay_s(sensor, rate_hz=RATE) * 1e3 == pytest.approx(delay_ms, rel=6e-3)


def test_bessel_delay() -> None:
    # "About 0.70 ms" for 3 poles, -3 dB at 400 Hz (from memory): a Bessel filter of order 3 in its
    # delay normalisation has -3 dB at w = 1.7557, so its delay is 1.7557 / (2 pi 400) = 0.6986 ms.
    assert chain.filter_delay_s(part(), rate_hz=1e6) * 1e3 == pytest.approx(0.6986, abs=1e-4)


@pytest.mark.parametrize("kind", ["bessel", "butterworth"])
@pytest.mark.parametrize("order", [2, 3, 4])
def test_frequency_response_of_the_chain(kind: str, order: int) -> None:
    # The chain's impulse response, taken word by word at each of the five sample phases, against
    # scipy's own design and frequency response.
    sensor = part(filter_kind=kind, filter_order=order, bits=24, range=1e6, sample_rate_hz=2000.0)
    signal = np.zeros(3000)
    signal[600] = 1e5
    response = np.zeros(2400)
    # Move the impulse instead of the sample phase: word n sees impulse sample 5 n - shift.
    for shift in range(5):
        moved = np.roll(signal, -shift)
        out = sense({"central_x": acceleration(moved)}, sensor_set(sensor)).samples
        words = out.channels["central_x"][0]
        response[shift::5] = words[120:600][:480]
    f, got = ss.freqz(response / 1e5, worN=512, fs=RATE)
    if kind == "bessel":
        sos = ss.bessel(order, 400.0, fs=RATE, norm="mag", output="sos")
    else:
        sos = ss.butter(order, 400.0, fs=RATE, output="sos")
    _, want = ss.sosfreqz(sos, worN=512, fs=RATE)
    assert np.abs(got - want).max() < 2e-4
    low = f < 800
    _, delay_got = ss.group_delay((response / 1e5, [1.0]), w=f[low][1:40], fs=RATE)
    b, a = ss.sos2tf(sos)
    _, delay_want = ss.group_delay((b, a), w=f[low][1:40], fs=RATE)
    np.testing.assert_allclose(delay_got, delay_want, rtol=5e-3)


@pytest.mark.parametrize("path", ["full", "fast"])
def test_whole_chain_against_a_plain_script(path: str) -> None:
    sensor = part(filter_kind="butterworth", filter_order=4)
    true = crash()
    out = sense({"central_x": acceleration(true)}, sensor_set(sensor), path=path).samples
    smooth = ss.sosfilt(ss.butter(4, 400.0, fs=RATE, output="sos"), true)
    codes = np.clip(np.rint(smooth[::5] / (100 * G / 480)), -480, 480)
    n = out.size
    np.testing.assert_array_equal(out.codes["central_x"][0], codes[:n])
    np.testing.assert_allclose(out.channels["central_x"][0], codes[:n] * 100 * G / 480, rtol=1e-14)
    # -50 ms is a tick; reading 0.45 ms and task 0.5 ms later.
    assert out.start_s[0] == pytest.approx(-0.05 + 0.00095)


def test_ideal_chain_is_a_pure_delay() -> None:
    sensor = part(filter_kind="none", bits=24, resonance_hz=1e6)
    true = crash()
    ideal = sensor_set(sensor)
    out = sense({"central_x": acceleration(true)}, ideal).samples
    np.testing.assert_allclose(
        out.channels["central_x"][0], true[::5][: out.size], atol=100 * G / 2**23
    )
    late = out.times_s[0] - (-0.05 + np.arange(out.size) / 2000.0)
    np.testing.assert_allclose(late, ideal.delay_s("central_x"), atol=1e-12)


@pytest.mark.parametrize(
    ("channel", "change"),
    [
        ("central_x", {}),
        ("upfront_left_x", {}),
        ("upfront_left_x", {"slot_start_s": 600e-6}),
        ("central_x", {"resonance_hz": 1500.0, "quality": 0.7}),
        ("central_x", {"sample_rate_hz": 5000.0, "combine": "mean"}),
    ],
)
def test_total_delay_is_what_the_card_states(channel: str, change: dict[str, float]) -> None:
    # A slow ramp comes out delayed by exactly the low-frequency delay.
    sensor = load_sensor_set().sensor(channel).changed(bits=24, nonlinearity=0.0, **change)
    rate = {"tick_rate_hz": 1000.0} if "combine" in change else {}
    tested = sensor_set(sensor, channel=channel, **rate)
    t = -0.05 + np.arange(3000) / RATE
    slope = 100.0
    out = sense({channel: acceleration(slope * t)}, tested).samples
    settled = slice(out.size // 2, out.size - 20)
    late = out.times_s[0][settled] - out.channels[channel][0][settled] / slope
    np.testing.assert_allclose(late, tested.delay_s(channel), atol=2e-6)


def test_clipping_before_the_filter_hides_behind_it() -> None:
    # Ringing of +/-90 g at 1.2 kHz on a 30 g pulse: at +/-50 g half of it is cut, after the filter
    # nothing shows.
    t = -0.05 + np.arange(2000) / RATE
    true = -(30 + 90 * np.sin(2 * np.pi * 1200 * t)) * G * ((t > 0) & (t < 0.05))
    narrow = sensor_set(part(range=50 * G))
    result = sense({"central_x": acceleration(true)}, narrow)
    report = result.reports["central_x"]
    assert result.path == "full"
    assert report.clipped_before_filter[0] == np.count_nonzero(np.abs(true) > 50 * G)
    assert report.clipped_before_filter[0] > 150
    assert report.clipped_after_filter[0] == 0
    sensed = result.samples.channels["central_x"][0].sum() / 2000.0
    assert abs(sensed) < 0.8 * abs(true.sum() / RATE)


def test_clipping_of_record_10146(record_folder) -> None:  # noqa: ANN001
    # NHTSA vehicle crash test 10146, rear-seat cross-member, channels 093 and 094, each alone.
    # Derived from the record: raw peaks 168 and 145 g, 54 and 51 g after a 3-pole 400 Hz Bessel;
    # clipping at +/-50 g costs 1.4 m/s of velocity by 60 ms, at +/-100 g about 0.1; 14.5 and 17.3 %
    # of samples clipped in 0-60 ms. The record was band-limited to 2.8 kHz when it was made, so
    # clipping of the true signal can only be more: these figures are a lower bound.
    from crashsense.records import read_record

    events = read_record(record_folder)
    assert len(events) == 2
    figures = [(168.0, 54.0, 14.5, 1.40), (145.0, 51.0, 17.3, 1.35)]
    for event, (raw, smooth, share, loss) in zip(events, figures, strict=True):
        true = event.signals["rear_seat_crossmember_x"]
        a, t = true.samples, true.times_s
        assert np.abs(a).max() / G == pytest.approx(raw, abs=1.0)
        wide = part(range=300 * G, bits=24)
        out = chain.lowpass(a[None], sensor=wide, rate_hz=true.rate_hz, rest=a[:1])
        assert np.abs(out).max() / G == pytest.approx(smooth, abs=0.6)
        inside = (t >= 0) & (t <= 0.06)
        at_60 = np.searchsorted(t, 0.06 - 1e-9)
        for limit, cost, tolerance in ((50.0, loss, 0.05), (100.0, 0.1, 0.06)):
            clipped, beyond = chain.stop_at(a[None], level=limit * G)
            lost = cumulative_trapezoid(clipped - a, step_s=1e-4)[0]
            lost = lost[at_60] - lost[np.searchsorted(t, -1e-9)]
            assert lost == pytest.approx(cost, abs=tolerance)
            if limit == 50.0:
                fraction = 100 * np.mean(np.abs(a[inside]) > limit * G)
                assert fraction == pytest.approx(share, abs=0.3)
                assert beyond[0] == np.count_nonzero(np.abs(a) > limit * G)


@settings(max_examples=30, deadline=None)
@given(
    scale=st.floats(0.01, 0.99),
    bits=st.sampled_from([8, 10, 12, 16]),
    peak=st.floats(1.0, 5000.0),
)
def test_code_range_and_linear_scaling(scale: float, bits: int, peak: float) -> None:
    true = crash(peak_g=peak, ringing_g=peak / 3)
    sensor = part(range=120 * G, bits=bits)
    out = sense({"central_x": acceleration(true)}, sensor_set(sensor)).samples
    assert np.abs(out.codes["central_x"]).max() <= sensor.code_limit
    # Below saturation the chain is linear: scaled signal, scaled reading, to one code.
    small = crash(peak_g=60.0, ringing_g=20.0)
    one = sense({"central_x": acceleration(small)}, sensor_set(sensor)).samples
    less = sense({"central_x": acceleration(scale * small)}, sensor_set(sensor)).samples
    difference = less.channels["central_x"] - scale * one.channels["central_x"]
    assert np.abs(difference).max() <= sensor.step * (0.5 + 0.5 * scale) * (1 + 1e-9)


def test_sample_by_sample_equals_blocks() -> None:
    # The obvious per-sample recursion of the low-pass against the block filter.
    rng = np.random.default_rng(3)
    sensor = part(filter_kind="butterworth", filter_order=3)
    rows = rng.standard_normal((3, 200)) * 50
    sections = chain.filter_sections(sensor, rate_hz=RATE)
    got = chain.lowpass(rows, sensor=sensor, rate_hz=RATE, rest=rows[:, 0])
    state = ss.sosfilt_zi(sections)
    for r in range(3):
        z = state * rows[r, 0]
        for n in range(200):
            x = rows[r, n]
            for s, (b0, b1, b2, _, a1, a2) in enumerate(sections):
                y = b0 * x + z[s, 0]
                z[s, 0] = b1 * x - a1 * y + z[s, 1]
                z[s, 1] = b2 * x - a2 * y
                x = y
            assert got[r, n] == pytest.approx(x, abs=1e-10)


def test_prefix_of_the_signal_gives_the_prefix_of_the_words() -> None:
    # Causality: words do not change when the signal is cut later.
    standard = load_sensor_set()
    true = crash(peak_g=150.0, ringing_g=60.0)
    whole = sense(
        {"central_x": acceleration(true)}, standard, draws=range(4), channels=["central_x"]
    )
    cut = sense(
        {"central_x": acceleration(true[:1500])},
        standard,
        draws=[0],
        channels=["central_x"],
    )
    n = cut.samples.size
    assert n < whole.samples.size
    np.testing.assert_array_equal(
        cut.samples.codes["central_x"][0], whole.samples.codes["central_x"][0, :n]
    )


def test_noise_density_by_welch() -> None:
    # Band-averaged over 2,500 and more periodograms: standard error 1/sqrt(2500) = 2 % per bin, far
    # less over the band. White noise of 1 mg/sqrt(Hz), read without filter at the internal rate.
    density = 1e-3 * G
    sensor = part(
        filter_kind="none", range=2 * G, bits=24, noise_density=density, sample_rate_hz=10_000.0
    )
    tested = sensor_set(sensor, tick_rate_hz=10_000.0)
    draws = range(1, 129)
    out = sense(
        {"central_x": acceleration(np.zeros(5200))}, tested, draws=draws, seed=4, path="full"
    ).samples.channels["central_x"]
    f, power = ss.welch(out, fs=RATE, nperseg=256, noverlap=0, axis=-1, detrend=False)
    averages = out.shape[0] * (out.shape[1] // 256)
    assert averages >= 2500
    band = (f > 100) & (f < 4900)
    assert np.sqrt(power.mean(axis=0)[band].mean()) == pytest.approx(density, rel=0.02)
    # And through the filter, both paths, at the rate of the words: density below the corner.
    filtered = sensor_set(part(range=2 * G, bits=24, noise_density=density))
    for path in ("full", "fast"):
        out = sense(
            {"central_x": acceleration(np.zeros(26_000))}, filtered, draws=draws, seed=5, path=path
        ).samples.channels["central_x"]
        f, power = ss.welch(out, fs=2000.0, nperseg=256, noverlap=0, axis=-1, detrend=False)
        assert out.shape[0] * (out.shape[1] // 256) >= 2500
        band = (f > 15) & (f < 60)
        assert np.sqrt(power.mean(axis=0)[band].mean()) == pytest.approx(density, rel=0.02)


def test_offset_cancellation_removes_offset_and_leaves_the_pulse() -> None:
    # A corner fc eats about pi fc T of the velocity of a pulse of length T: 0.3 % at 0.01 Hz.
    plain = part(offset_tolerance=2 * G, bits=16)
    base = sensor_set(plain)
    slow = sensor_set(plain.changed(offset_cancellation_hz=0.01))
    pulse = -20 * G * ((t := -0.05 + np.arange(2500) / RATE) > 0) * (t < 0.1)
    sig = {"central_x": acceleration(pulse)}
    for draw in (1, 2, 3):
        with_offset = sense(sig, base, draws=[draw]).samples.channels["central_x"][0]
        without = sense(sig, slow, draws=[draw]).samples.channels["central_x"][0]
        assert abs(with_offset[:90].mean()) > 0.05 * G
        assert abs(without[:90].mean()) < 0.01 * G
    # 5 ms after the end of the pulse, when the low-pass has let go.
    until = round((0.05 + 0.105) * 2000)
    eaten = sense(sig, slow).samples.channels["central_x"][0][:until].sum() / 2000.0
    whole = sense(sig, base).samples.channels["central_x"][0][:until].sum() / 2000.0
    assert whole == pytest.approx(-2 * G, rel=1e-4)
    assert 1 - eaten / whole == pytest.approx(np.pi * 0.01 * 0.1, rel=0.12)


def test_lost_frames_are_counted_and_held_or_flagged() -> None:
    true = {"central_x": acceleration(crash())}
    held = sense(true, sensor_set(part(lost_frame_probability=0.1)), draws=range(20), seed=2)
    report = held.reports["central_x"]
    assert report.lost_frames[0] == 0
    assert report.lost_frames[1:].mean() / report.words == pytest.approx(0.1, abs=0.02)
    flagged = sense(
        true,
        sensor_set(part(lost_frame_probability=0.1, on_lost="flag")),
        draws=range(20),
        seed=2,
    )
    missing = ~flagged.samples.valid["central_x"]
    np.testing.assert_array_equal(missing.sum(axis=-1), report.lost_frames)
    assert np.isnan(flagged.samples.channels["central_x"][missing]).all()
    assert (flagged.samples.codes["central_x"][missing] == 500).all()
    # Before its first word a draw has none; after it, none of these gaps is too long to bridge.
    none_yet = np.cumsum(~missing, axis=-1) == 0
    assert none_yet.any()
    np.testing.assert_array_equal(~held.samples.valid["central_x"], none_yet)
    # A held word repeats the one before.
    codes = held.samples.codes["central_x"]
    row, at = np.argwhere(missing[:, 1:])[0]
    assert codes[row, at + 1] == codes[row, at]


def test_late_words_wait_for_the_next_tick() -> None:
    punctual = sensor_set(part())
    late = sensor_set(part(slot_start_s=0.7e-3))
    assert late.held_ticks("central_x") == 1
    true = {"central_x": acceleration(crash())}
    a = sense(true, punctual).samples.codes["central_x"][0]
    b = sense(true, late).samples.codes["central_x"][0]
    np.testing.assert_array_equal(b[1:], a[:-1])
    # The word of the first tick was sampled before the record: there is none.
    assert sense(true, late).samples.valid["central_x"][0].tolist() == [False] + [True] * (
        b.size - 1
    )
    jittery = sense(true, sensor_set(part(slot_start_s=0.40e-3, jitter_s=0.05e-3)), draws=range(33))
    share = jittery.reports["central_x"].lost_frames[1:].mean() / jittery.reports["central_x"].words
    # Late beyond +50 us, one standard deviation: 15.87 % of a normal distribution.
    assert share == pytest.approx(0.1587, abs=0.012)


def test_impossible_ticks_and_channels_are_refused() -> None:
    with pytest.raises(InputError, match="unit"):
        sense({"central_roll_rate": acceleration(crash())}, load_sensor_set())
    with pytest.raises(InputError, match="1 row or one for each"):
        sense({"central_x": acceleration(np.zeros((3, 500)))}, load_sensor_set(), draws=range(2))
    with pytest.raises(InputError, match="did you mean"):
        sense({"central_xx": acceleration(crash())}, load_sensor_set())


@pytest.mark.parametrize("order", [2, 3, 4])
@pytest.mark.parametrize("kind", ["bessel", "butterworth"])
def test_a_drawn_quality_leaves_natural_frequencies_and_the_gain_at_rest(
    kind: str, order: int
) -> None:
    """Each pair of poles, brought back to s: the same w0, its quality times the factor.

    A pair of a Bessel filter of order 4 has a quality of 0.52: below 1/2 it becomes two real poles.
    """

    def resonances(sensor: object, setting: int) -> list[tuple[float, float]]:
        sections = chain.filter_sections(sensor, rate_hz=RATE, setting=setting)
        assert ss.sosfreqz(sections, [0.0])[1][0] == pytest.approx(1.0, rel=1e-12)
        pairs = [np.log(np.roots(row[3:]).astype(complex)) for row in sections if row[5] != 0.0]
        # s^2 + (w0 / Q) s + w0^2
        w0 = [float(np.sqrt(np.prod(pair).real)) for pair in pairs]
        return [(w, w / -float(np.sum(pair).real)) for w, pair in zip(w0, pairs, strict=True)]

    plain = part(filter_kind=kind, filter_order=order)
    varied = plain.changed(quality_tolerance=0.05)
    for setting, factor in enumerate(chain.QUALITY_SETTINGS):
        pairs = zip(resonances(plain, setting), resonances(varied, setting), strict=True)
        for (w0, quality), (w1, other) in pairs:
            assert w1 == pytest.approx(w0, rel=1e-9)
            assert other == pytest.approx(quality * (1 + 0.05 * factor), rel=1e-9)


def test_settings_are_the_means_of_five_equal_slices_of_a_normal_distribution() -> None:
    from scipy.stats import norm

    edges = norm.ppf(np.linspace(0, 1, 6))
    # The mean of a slice is the difference of the densities at its ends over its share.
    means = (norm.pdf(edges[:-1]) - norm.pdf(edges[1:])) * 5
    np.testing.assert_allclose(chain.CORNER_SETTINGS, means, atol=5e-5)
    assert sorted(chain.QUALITY_SETTINGS) == list(chain.CORNER_SETTINGS)
    assert chain.QUALITY_SETTINGS[chain.NOMINAL_SETTING] == 0.0
    assert abs(np.corrcoef(chain.CORNER_SETTINGS, chain.QUALITY_SETTINGS)[0, 1]) < 0.2


@pytest.mark.parametrize("kind", ["bessel", "butterworth", "none"])
@pytest.mark.parametrize("path", ["full", "fast"])
def test_a_sensor_at_rest_reads_its_offset_from_the_first_code_on(kind: str, path: str) -> None:
    """To the last of 24 bits: the filter has stood at the offset, not at 0 nor at a limit."""
    still = part(filter_kind=kind, bits=24, offset_tolerance=5.0 * G)
    out = sense(
        {"central_x": acceleration(np.zeros(800))}, sensor_set(still), draws=range(1, 7), path=path
    )
    codes = out.samples.codes["central_x"]
    assert (np.ptp(codes, axis=-1) <= 1).all()
    assert np.unique(codes[:, 0]).size == 6


def test_noise_without_a_filter_is_white() -> None:
    model = word_noise(None, every=5)
    np.testing.assert_array_equal(autocovariance(model.sections, every=1, lags=4), [1, 0, 0, 0])
    assert (model.deviation, model.warm_up, model.error) == (1.0, 0, 0.0)
    density = 0.01 * G
    plain = part(filter_kind="none", noise_density=density, bits=24)
    quiet = {"central_x": acceleration(np.zeros(2500))}
    for path in ("full", "fast"):
        out = sense(quiet, sensor_set(plain), draws=range(1, 33), path=path)
        # 32 x 500 normal numbers of the density over half the internal rate: sure to 0.6 %.
        want = density * np.sqrt(RATE / 2)
        assert out.samples.channels["central_x"].std() == pytest.approx(want, rel=0.03)


def test_offset_cancellation_sample_by_sample() -> None:
    """The slow estimate of the docstring, which has stood at the rest value for long."""
    values = np.random.default_rng(7).normal(3.0, 2.0, (3, 200))
    rest = np.array([3.0, 0.0, -1.0])
    got = chain.cancel_offset(values, corner_hz=4.0, rate_hz=2000.0, rest=rest)
    c = 1.0 - np.exp(-2 * np.pi * 4.0 / 2000.0)
    for row in range(3):
        estimate = rest[row]
        for n in range(200):
            assert got[row, n] == pytest.approx(values[row, n] - estimate, abs=1e-12)
            estimate += c * (values[row, n] - estimate)


@pytest.mark.parametrize("words", [1, 2, 5])
def test_words_of_a_tick_are_averaged(words: int) -> None:
    values = np.random.default_rng(8).normal(size=(2, 23))
    whole = 23 // words
    want = values[:, : whole * words].reshape(2, whole, words).mean(axis=-1)
    np.testing.assert_allclose(chain.average_words(values, words=words), want, rtol=1e-12)
    with pytest.raises(InputError, match="1 or more codes a tick"):
        chain.average_words(values, words=0)
