"""Channel frequency classes against the standards' numbers."""

from __future__ import annotations

import hypothesis.extra.numpy as hnp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.signal import sosfilt, sosfilt_zi, sosfreqz

from crashsense.errors import InputError
from crashsense.filters.channel_class import (
    ONE_PASS_CORNER,
    channel_class_filter,
    channel_class_sections,
)
from crashsense.signal import Signal

# Computed from the formula of SAE J211-1 Appendix C (from memory) in double precision, outside this
# project: rate, class, a0, b1, b2 (signs as the standard writes them), two-pass -3.0103 dB [Hz],
# two-pass dB at FH, FN and 2 FN.
TABLE = [
    (10000, 60, 0.00145236747, 1.88934322, -0.895152694, 100.018, -0.4535, -3.0085, -17.672),
    (10000, 180, 0.0117962711, 1.67011746, -0.717302548, 300.491, -0.4480, -2.9936, -17.869),
    (10000, 600, 0.0971846253, 0.945574009, -0.334312510, 1018.241, -0.3869, -2.8188, -20.493),
    (10000, 1000, 0.219231417, 0.311896545, -0.188822214, 1751.040, -0.2790, -2.3454, -27.938),
    (20000, 60, 0.000373000631, 1.94463305, -0.946125048, 100.004, -0.4540, -3.0099, -17.654),
    (20000, 180, 0.00318263625, 1.83419642, -0.846926967, 300.122, -0.4526, -3.0062, -17.703),
    (20000, 600, 0.029806072, 1.45572821, -0.574952502, 1004.553, -0.4370, -2.9636, -18.278),
    (20000, 1000, 0.0718930971, 1.11158618, -0.399158564, 1687.770, -0.4070, -2.7771, -19.151),
]
# UN R94 Rev.4 Annex 8 (as read in a transcription; it reproduces the ISO 6487 corridor):
# class -> FH, FN [Hz].
FH_FN = {60: (60, 100), 180: (180, 300), 600: (600, 1000), 1000: (1000, 1650)}

signals = hnp.arrays(
    np.float64, st.integers(60, 300), elements=st.floats(-1e3, 1e3, allow_subnormal=False)
)


def two_pass_db(frequency: float, rate: float, channel_class: int) -> float:
    sections = channel_class_sections(rate_hz=rate, channel_class=channel_class)
    response = sosfreqz(sections, worN=[frequency], fs=rate)[1]
    return float(2 * 20 * np.log10(np.abs(response[0])))


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row[0]}-{row[1]}")
def test_coefficients_and_gains_of_the_table(row):
    rate, channel_class, a0, b1, b2, corner, at_fh, at_fn, at_2fn = row
    section = channel_class_sections(rate_hz=rate, channel_class=channel_class)[0]
    assert section[:3] == pytest.approx([a0, 2 * a0, a0], rel=5e-9)
    assert -section[4] == pytest.approx(b1, rel=5e-9)
    assert -section[5] == pytest.approx(b2, rel=5e-9)
    assert section[:3].sum() / section[3:].sum() == pytest.approx(1.0, abs=1e-12)

    found = brentq(lambda f: two_pass_db(f, rate, channel_class) + 3.0103, corner / 2, corner * 1.5)
    assert found == pytest.approx(corner, abs=0.0006)
    fh, fn = FH_FN[channel_class]
    assert two_pass_db(fh, rate, channel_class) == pytest.approx(at_fh, abs=6e-5)
    assert two_pass_db(fn, rate, channel_class) == pytest.approx(at_fn, abs=6e-5)
    assert two_pass_db(2 * fn, rate, channel_class) == pytest.approx(at_2fn, abs=6e-4)


@pytest.mark.parametrize(("rate", "channel_class"), [row[:2] for row in TABLE])
def test_inside_the_gain_corridor(rate, channel_class):
    # UN R94 Annex 8, letters of the corridor as read: a +/-0.5 dB, b +0.5/-1 dB at FH, c +0.5/-4 dB
    # at FN, above it between -9 and -24 dB/octave (placement of the letters from memory).
    fh, fn = FH_FN[channel_class]
    low = [two_pass_db(f, rate, channel_class) for f in np.linspace(0.1, fh * 0.9, 20)]
    assert max(np.abs(low)) <= 0.5
    assert -1.0 <= two_pass_db(fh, rate, channel_class) <= 0.5
    assert -4.0 <= two_pass_db(fn, rate, channel_class) <= 0.5
    assert -4.0 - 24.0 <= two_pass_db(2 * fn, rate, channel_class) <= 0.5 - 9.0


def test_constant_2_0775_is_the_one_pass_corner():
    # 2.0775 = (5/3) / (sqrt2 - 1)^(1/4), computed; forward and backward give 5/3 of the class.
    assert pytest.approx((5 / 3) / (np.sqrt(2) - 1) ** 0.25, abs=2e-5) == ONE_PASS_CORNER
    sections = channel_class_sections(rate_hz=10000, channel_class=60)
    response = sosfreqz(sections, worN=[60 * ONE_PASS_CORNER], fs=10000)[1]
    assert abs(response[0]) == pytest.approx(1 / np.sqrt(2), abs=1e-12)


def test_one_pass_step_response():
    # Computed outside from the formula, class 60, 10 kHz, zero initial state.
    sections = channel_class_sections(rate_hz=10000, channel_class=60)
    step = sosfilt(sections, np.ones(200))
    assert step[[9, 19, 49]] == pytest.approx([0.192328477, 0.540429258, 1.034432986], abs=1e-8)
    assert int(step.argmax()) == 56
    assert step.max() == pytest.approx(1.043314800, abs=1e-8)


@pytest.mark.parametrize(
    ("peak_g", "duration_s", "filtered_g", "tolerance"),
    [(20.0, 0.100, 19.99995, 1e-4), (100.0, 0.010, 95.079, 1e-3)],
)
def test_half_sine_through_class_60(peak_g, duration_s, filtered_g, tolerance):
    # Computed outside: two-pass peaks of half-sines at 10 kHz.
    times = np.arange(-2000, 4000) / 10000
    inside = (times >= 0) & (times <= duration_s)
    pulse = np.where(inside, peak_g * np.sin(np.pi * times / duration_s), 0.0)
    out = channel_class_filter(pulse, rate_hz=10000, channel_class=60)
    assert out.max() == pytest.approx(filtered_g, abs=tolerance)
    assert times[out.argmax()] == pytest.approx(duration_s / 2, abs=1e-9)


def test_one_causal_pass_is_not_the_class_filter():
    # Computed outside: one causal pass with these coefficients is -3 dB at 124.65 Hz, not 100.
    sections = channel_class_sections(rate_hz=10000, channel_class=60)

    def one_pass_db(frequency):
        return 20 * np.log10(abs(sosfreqz(sections, worN=[frequency], fs=10000)[1][0]))

    assert brentq(lambda f: one_pass_db(f) + 3.0103, 50, 200) == pytest.approx(124.65, abs=0.01)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(signals, st.floats(-10, 10), st.sampled_from([60, 180, 600, 1000]))
def test_linear(samples, scale, channel_class):
    other = np.cos(np.arange(samples.size))
    both = channel_class_filter(
        samples * scale + other, rate_hz=10000.0, channel_class=channel_class
    )
    one = channel_class_filter(samples, rate_hz=10000.0, channel_class=channel_class)
    two = channel_class_filter(other, rate_hz=10000.0, channel_class=channel_class)
    np.testing.assert_allclose(both, scale * one + two, atol=1e-8 * (1 + abs(scale)) * 1e3)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(signals, st.integers(1, 200))
def test_shift_invariant_and_zero_phase(samples, shift):
    # Far from the ends; the quiet around the signal is longer than the filter remembers.
    quiet = np.zeros(1500)
    early = np.concatenate([quiet, samples, np.zeros(shift), quiet])
    late = np.concatenate([quiet, np.zeros(shift), samples, quiet])
    first = channel_class_filter(early, rate_hz=10000.0, channel_class=180)
    second = channel_class_filter(late, rate_hz=10000.0, channel_class=180)
    np.testing.assert_allclose(second[shift:], first[: first.size - shift], atol=1e-7)
    backwards = channel_class_filter(early[::-1], rate_hz=10000.0, channel_class=180)[::-1]
    np.testing.assert_allclose(backwards, first, atol=1e-7)


def test_offset_and_ramp_pass_without_start_up():
    # Interior: a zero-phase filter of gain 1 keeps lines; the mirrored ends keep them there too.
    ramp = 5.0 + 0.01 * np.arange(3500)
    out = channel_class_filter(ramp, rate_hz=10000.0, channel_class=60)
    np.testing.assert_allclose(out, ramp, atol=2e-3)
    np.testing.assert_allclose(out[500:-500], ramp[500:-500], atol=1e-9)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    hnp.arrays(np.float64, st.integers(2, 80), elements=st.floats(-1e3, 1e3)),
    st.sampled_from([300.0, 500.0, 1000.0]),
)
def test_ends_are_mirrored_through_their_end_points(samples, rate):
    """Against the recipe in words: 0.05 s at each end, of a shorter record all but its end."""
    mirrored = min(samples.size - 1, round(0.05 * rate))
    before = 2.0 * samples[0] - samples[1 : mirrored + 1][::-1]
    after = 2.0 * samples[-1] - samples[-mirrored - 1 : -1][::-1]
    out = np.concatenate([before, samples, after])
    section = channel_class_sections(rate_hz=rate, channel_class=60)
    for _ in range(2):  # there and back; each pass starts settled on its first value
        out = sosfilt(section, out, zi=sosfilt_zi(section) * out[0])[0][::-1]
    found = channel_class_filter(samples, rate_hz=rate, channel_class=60)
    np.testing.assert_allclose(found, out[mirrored : mirrored + samples.size], rtol=0, atol=1e-8)


def test_rows_come_out_as_alone():
    block = np.random.default_rng(3).normal(size=(5, 700))
    together = channel_class_filter(block, rate_hz=10000.0, channel_class=180)
    alone = [channel_class_filter(row, rate_hz=10000.0, channel_class=180) for row in block]
    assert np.array_equal(together, np.array(alone))


def test_unknown_class_and_low_rate_are_refused():
    with pytest.raises(InputError, match="channel_class: got 61; expected one of 60, 180"):
        channel_class_sections(rate_hz=10000.0, channel_class=61)
    with pytest.raises(InputError, match="rate_hz: got 2000"):
        channel_class_sections(rate_hz=2000.0, channel_class=1000)


def test_the_rate_must_be_more_than_twice_the_corner_of_one_pass():
    # 2.0775 * 1000 Hz is the corner of one pass: at 4155 Hz it stands at half the rate.
    with pytest.raises(InputError, match="above 4155 Hz for class 1000"):
        channel_class_sections(rate_hz=4155.0, channel_class=1000)
    stable = channel_class_sections(rate_hz=4155.1, channel_class=1000)
    assert np.abs(np.roots(stable[0, 3:])).max() < 1.0


def test_a_signal_is_filtered_to_a_signal():
    wave = np.sin(np.arange(400) / 5.0)
    signal = Signal(wave, rate_hz=1e4, start_s=-0.01, unit="m/s^2", axis="x", location="central")
    out = channel_class_filter(signal, channel_class=60)
    assert (out.rate_hz, out.start_s, out.unit) == (1e4, -0.01, "m/s^2")
    assert np.array_equal(out.samples, channel_class_filter(wave, rate_hz=1e4, channel_class=60))
    assert "channel class 60" in out.history[-1]
    with pytest.raises(InputError, match="a signal has its own rate"):
        channel_class_filter(signal, rate_hz=1e4, channel_class=60)


def test_what_cannot_be_filtered_is_named():
    with pytest.raises(InputError, match="rate_hz: expected the sampling rate"):
        channel_class_filter(np.ones(50), channel_class=60)
    with pytest.raises(InputError, match="finite values"):
        channel_class_filter(np.array([0.0, np.nan]), rate_hz=1e4, channel_class=60)
