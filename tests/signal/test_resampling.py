"""Resampling: content that fits stays, content that does not fit is taken out, nothing moves."""

from __future__ import annotations

import hypothesis.extra.numpy as hnp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import resample_poly

from crashsense import engine
from crashsense.errors import InputError
from crashsense.signal import Signal, _kaiser_lowpass, resample


def tone(frequency: float, rate: float, seconds: float = 1.0):
    return np.sin(2 * np.pi * frequency * np.arange(round(seconds * rate)) / rate)


@pytest.mark.parametrize(
    ("rate", "to"), [(10000.0, 2000.0), (12500.0, 10000.0), (20000.0, 10000.0), (8000.0, 10000.0)]
)
def test_content_inside_stays_where_it_is(rate, to):
    frequency = 0.35 * min(rate, to)
    out = resample(tone(frequency, rate), rate_hz=rate, to_hz=to)
    wanted = tone(frequency, to)[: out.size]
    assert out.size == pytest.approx(to, abs=1)
    np.testing.assert_allclose(out[200:-200], wanted[200:-200], atol=1e-3)


def test_content_outside_is_taken_out():
    # 1300 Hz would fold to 700 Hz at 2 kHz: plain picking of every fifth sample keeps all of it.
    samples = tone(1300.0, 10000.0)
    assert np.sqrt(2 * np.mean(samples[::5] ** 2)) == pytest.approx(1.0, abs=0.01)
    left = resample(samples, rate_hz=10000.0, to_hz=2000.0)[200:-200]
    assert np.abs(left).max() < 2e-4


def test_line_is_kept_to_its_ends():
    line = np.arange(1000) * 0.01 + 3.0
    out = resample(line, rate_hz=10000.0, to_hz=2000.0)
    np.testing.assert_allclose(out, line[::5], atol=1e-9)


@settings(max_examples=20, deadline=None, derandomize=True)
@given(
    hnp.arrays(np.float64, st.integers(60, 200), elements=st.floats(-100, 100)), st.floats(-3, 3)
)
def test_linear_and_row_by_row(samples, scale):
    other = np.cos(np.arange(samples.size) / 7)
    block = resample(np.stack([samples, other]), rate_hz=12500.0, to_hz=10000.0)
    assert np.array_equal(block[0], resample(samples, rate_hz=12500.0, to_hz=10000.0))
    both = resample(scale * samples + other, rate_hz=12500.0, to_hz=10000.0)
    np.testing.assert_allclose(both, scale * block[0] + block[1], atol=1e-9)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    hnp.arrays(np.float64, st.integers(1, 90), elements=st.floats(-100, 100)),
    st.sampled_from([(2000.0, 10000.0), (5000.0, 10000.0), (10000.0, 2000.0), (8000.0, 10000.0)]),
    st.sampled_from([(), (1,), (3,), (2, 2)]),
)
def test_compiled_equals_the_published_polyphase_filter(samples, rates, rows):
    """Up by a whole number is compiled; every other ratio is scipy's compiled function's."""
    pytest.importorskip("numba")
    rate, to = rates
    block = np.resize(samples, (*rows, samples.size)) * 1.0
    block[..., -1] += np.arange(np.prod(rows, dtype=int)).reshape(rows)
    plain = resample(block, rate_hz=rate, to_hz=to)
    with engine.using("fast"):
        compiled = resample(block, rate_hz=rate, to_hz=to)
    assert compiled.shape == plain.shape
    np.testing.assert_allclose(compiled, plain, rtol=0, atol=1e-10)


@pytest.mark.parametrize("shape", [(2,), (3, 17), (2, 2, 300)])
@pytest.mark.parametrize(
    ("up", "down"), [(2, 1), (5, 1), (7, 1), (1, 2), (1, 5), (4, 5), (5, 4), (3, 7), (100, 99)]
)
def test_a_rate_is_changed_as_by_the_published_polyphase_filter_to_the_last_bit(shape, up, down):
    values = np.random.default_rng(3).standard_normal(shape)
    largest = max(up, down)
    taps = _kaiser_lowpass(2 * 26 * largest + 1, 0.9 / largest)
    wanted = resample_poly(values, up, down, axis=-1, window=taps, padtype="line")
    found = resample(values, rate_hz=down * 1000.0, to_hz=up * 1000.0)
    assert found.shape == wanted.shape
    assert np.array_equal(found, wanted)


@pytest.mark.parametrize(("to_hz", "size"), [(10000.0, 5), (2500.0, 2), (1000.0, 1), (200.0, 1)])
@pytest.mark.parametrize("name", ["numpy", "fast"])
def test_one_sample_stays_level(to_hz, size, name):
    if name == "fast":
        pytest.importorskip("numba")
    values = np.array([[3.0], [-4.0]])
    with engine.using(name):
        found = resample(values, rate_hz=2000.0, to_hz=to_hz)
        # As many samples as of any signal: those that begin before it ends.
        assert found.shape == (2, size)
        assert resample(np.ones(100), rate_hz=2000.0, to_hz=to_hz).size == 100 * to_hz / 2000.0
    np.testing.assert_array_equal(found, np.repeat(values, size, axis=1))


@pytest.mark.parametrize(("to_hz", "size"), [(10000.0, 100), (3000.0, 30), (700.0, 7)])
@pytest.mark.parametrize("shape", [(0, 20), (0, 2, 20), (2, 0, 20)])
@pytest.mark.parametrize("name", ["numpy", "fast"])
def test_no_draws_stay_none(to_hz, size, shape, name):
    if name == "fast":
        pytest.importorskip("numba")
    with engine.using(name):
        found = resample(np.empty(shape), rate_hz=2000.0, to_hz=to_hz)
    assert found.shape == (*shape[:-1], size)


def test_velocity_survives_resampling():
    t = np.arange(-1000, 3000) / 20000
    pulse = np.where((t > 0) & (t < 0.1), 200 * np.sin(np.pi * t / 0.1), 0.0)
    signal = Signal(
        pulse, rate_hz=20000.0, start_s=t[0], unit="m/s^2", axis="x", location="central"
    )
    slower = signal.resampled(10000.0)
    assert slower.start_s == signal.start_s
    assert slower.rate_hz == 10000.0
    assert "anti-aliased" in slower.history[-1]
    wanted = signal.velocity().samples[-1]
    assert slower.velocity().samples[-1] == pytest.approx(wanted, rel=1e-5)
    assert signal.resampled(20000.0) is signal


def test_ratios_that_are_not_whole_numbers_are_refused():
    with pytest.raises(InputError, match="to_hz: got 9999.9"):
        resample(np.ones(10), rate_hz=10000.0, to_hz=9999.9)
    with pytest.raises(InputError, match="rate_hz: got 0"):
        resample(np.ones(10), rate_hz=0.0, to_hz=100.0)
    with pytest.raises(InputError, match="up to 1000 to 1 Hz"):
        resample(np.ones(3), rate_hz=1.0, to_hz=1001.0)
    assert resample(np.ones(3), rate_hz=1.0, to_hz=1000.0).shape == (3000,)


@pytest.mark.parametrize("rate", [-1.0, 0.0, np.inf, np.nan])
def test_a_rate_is_finite_and_above_0(rate):
    for rates in ({"rate_hz": rate, "to_hz": 10.0}, {"rate_hz": 10.0, "to_hz": rate}):
        with pytest.raises(InputError, match=f"got {rate}; expected a positive rate in Hz"):
            resample(np.ones(10), **rates)
    with pytest.raises(InputError, match="a positive rate in Hz"):
        Signal(np.ones(10), rate_hz=rate, start_s=0.0, unit="m/s^2", axis="x", location="central")
    # However low it is.
    assert resample(np.ones(10), rate_hz=0.5, to_hz=0.1).shape == (2,)
