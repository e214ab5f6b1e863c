"""Causal low-pass: -3 dB at the corner, delays, and the slow obvious formula beside it."""

from __future__ import annotations

import hypothesis.extra.numpy as hnp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import sosfilt, sosfreqz

from crashsense import engine
from crashsense.errors import InputError
from crashsense.filters.causal import (
    _direct_form,
    causal_lowpass,
    filter_noise,
    filter_rows,
    lowpass_delay,
    lowpass_sections,
)

signals = hnp.arrays(
    np.float64, st.integers(10, 120), elements=st.floats(-1e3, 1e3, allow_subnormal=False)
)
designs = st.tuples(st.sampled_from(["bessel", "butterworth"]), st.integers(2, 4))


def gain_db(sections, frequency: float, rate: float) -> float:
    return float(20 * np.log10(abs(sosfreqz(sections, worN=[frequency], fs=rate)[1][0])))


def per_sample(sections, samples):
    """The difference equation, one sample at a time, state at rest."""
    out = [float(x) for x in samples]
    for b0, b1, b2, _, a1, a2 in sections:
        x1 = x2 = y1 = y2 = 0.0
        for n, x in enumerate(out):
            y = b0 * x + b1 * x1 + b2 * x2 - a1 * y1 - a2 * y2
            x1, x2, y1, y2 = x, x1, y, y1
            out[n] = y
    return np.array(out)


@pytest.mark.parametrize("kind", ["bessel", "butterworth"])
@pytest.mark.parametrize("order", [2, 3, 4])
@pytest.mark.parametrize(("corner", "rate"), [(400.0, 10000.0), (180.0, 10000.0), (400.0, 2e4)])
def test_minus_3_db_exactly_at_the_corner(kind, order, corner, rate):
    sections = lowpass_sections(kind=kind, order=order, corner_hz=corner, rate_hz=rate)
    assert gain_db(sections, corner, rate) == pytest.approx(-10 * np.log10(2), abs=1e-9)
    assert gain_db(sections, 1e-3, rate) == pytest.approx(0.0, abs=1e-9)


def test_bessel_is_not_the_phase_normalised_design():
    # Computed with the analogue design: 3 poles at 400 Hz delay by 0.70 ms when -3 dB stands at the
    # corner; the phase-normalised design would be at -6.2 dB there and delay by 0.98 ms.
    sections = lowpass_sections(kind="bessel", order=3, corner_hz=400.0, rate_hz=10000.0)
    assert lowpass_delay(sections, rate_hz=10000.0) == pytest.approx(0.70e-3, abs=0.01e-3)


@pytest.mark.parametrize(("order", "delay_ms"), [(2, 0.56270), (3, 0.79577), (4, 1.03973)])
def test_butterworth_delay(order, delay_ms):
    # Analogue: 1 / (2 pi fc sin(pi / 2N)), computed for 400 Hz. The bilinear transform comes to it
    # as the rate grows; the pre-warped corner costs (pi fc / fs)^2 / 3 in proportion.
    for rate in (1e4, 1e5, 1e6):
        sections = lowpass_sections(kind="butterworth", order=order, corner_hz=400.0, rate_hz=rate)
        warp = (np.pi * 400.0 / rate) / np.tan(np.pi * 400.0 / rate)
        found = lowpass_delay(sections, rate_hz=rate) * 1e3
        assert found == pytest.approx(delay_ms * warp, abs=6e-6)


def test_delay_is_that_of_a_slow_ramp():
    sections = lowpass_sections(kind="bessel", order=4, corner_hz=400.0, rate_hz=10000.0)
    ramp = np.arange(2000.0)
    late = ramp - causal_lowpass(ramp, sections=sections)
    assert late[-1] / 10000.0 == pytest.approx(lowpass_delay(sections, rate_hz=1e4), rel=1e-9)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(signals, designs)
def test_equals_the_difference_equation(samples, design):
    kind, order = design
    sections = lowpass_sections(kind=kind, order=order, corner_hz=400.0, rate_hz=10000.0)
    fast = causal_lowpass(samples, sections=sections)
    np.testing.assert_allclose(fast, per_sample(sections, samples), atol=1e-9, rtol=1e-9)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(signals, designs, st.integers(1, 60), st.floats(-5, 5))
def test_linear_shift_invariant_and_causal(samples, design, shift, scale):
    kind, order = design
    sections = lowpass_sections(kind=kind, order=order, corner_hz=400.0, rate_hz=10000.0)
    out = causal_lowpass(samples, sections=sections)
    later = causal_lowpass(np.concatenate([np.zeros(shift), samples]), sections=sections)
    assert np.array_equal(later[shift:], out)
    np.testing.assert_allclose(
        causal_lowpass(scale * samples, sections=sections), scale * out, atol=1e-7
    )
    changed = samples.copy()
    changed[samples.size // 2 :] += 1.0e6
    past = causal_lowpass(changed, sections=sections)[: samples.size // 2]
    assert np.array_equal(past, out[: samples.size // 2])


def test_steady_start_and_rest_start():
    sections = lowpass_sections(kind="butterworth", order=3, corner_hz=400.0, rate_hz=10000.0)
    offset = np.full((2, 50), 3.0)
    np.testing.assert_allclose(causal_lowpass(offset, sections=sections, steady=True), 3.0)
    assert abs(causal_lowpass(offset, sections=sections)[0, 0]) < 0.1


@pytest.mark.parametrize("name", ["numpy", "fast"])
@pytest.mark.parametrize("what", ["sections", "a0", "state"])
def test_what_does_not_fit_the_rows_is_refused(name, what):
    if name == "fast":
        pytest.importorskip("numba")
    sections = lowpass_sections(kind="bessel", order=3, corner_hz=400.0, rate_hz=10000.0)
    step = np.ones((3, 5))
    with engine.using(name):  # a list fits
        found = causal_lowpass(step, sections=sections.tolist(), steady=True)
        np.testing.assert_array_equal(found, causal_lowpass(step, sections=sections, steady=True))
    state = np.zeros((2, 4 if what == "state" else 3, 2))
    if what == "a0":
        sections[1, 3] = 2.0
    given = sections[:, :5] if what == "sections" else sections
    with engine.using(name), pytest.raises(ValueError, match=what):
        filter_rows(np.ones((3, 5)), sections=given, state=state)
    if what != "state":
        for steady in (False, True):
            with engine.using(name), pytest.raises(ValueError, match=what):
                causal_lowpass(np.ones((3, 5)), sections=given, steady=steady)


def test_rows_come_out_as_alone():
    sections = lowpass_sections(kind="bessel", order=4, corner_hz=400.0, rate_hz=10000.0)
    block = np.random.default_rng(5).normal(size=(7, 400))
    for steady in (False, True):
        together = causal_lowpass(block, sections=sections, steady=steady)
        alone = [causal_lowpass(row, sections=sections, steady=steady) for row in block]
        assert np.array_equal(together, np.array(alone))


def test_all_faults_of_a_design_at_once():
    with pytest.raises(InputError) as caught:
        lowpass_sections(kind="besel", order=0, corner_hz=6000.0, rate_hz=10000.0)
    text = str(caught.value)
    assert "did you mean 'bessel'" in text
    assert "order: got 0" in text
    assert "corner_hz: got 6000.0" in text


def test_orders_and_corners_at_the_ends_of_their_ranges():
    """1 to 8 poles; corners above 0 and below half the rate."""
    allowed = {"kind": "bessel", "order": 3, "corner_hz": 400.0, "rate_hz": 10000.0}
    for good in ({"order": 1}, {"order": 8}, {"corner_hz": 0.5}, {"corner_hz": 4999.9}):
        lowpass_sections(**{**allowed, **good})
    for bad in (
        *({"order": 0}, {"order": 9}, {"order": 2.5}, {"order": True}),
        *({"corner_hz": 0.0}, {"corner_hz": 5000.0}, {"corner_hz": np.nan}),
    ):
        with pytest.raises(InputError, match=next(iter(bad))):
            lowpass_sections(**{**allowed, **bad})


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", engine.ENGINES)
@pytest.mark.parametrize("given_state", [False, True])
def test_rows_filtered_from_a_state_equal_the_difference_equation(name, given_state):
    if name == "fast":
        pytest.importorskip("numba")
    source = np.random.default_rng(6)
    sections = lowpass_sections(kind="bessel", order=3, corner_hz=400.0, rate_hz=10000.0)
    history, block = source.normal(size=(3, 40)), source.normal(size=(3, 60))
    whole = np.array([per_sample(sections, r) for r in np.concatenate([history, block], axis=1)])
    state = sosfilt(sections, history, zi=np.zeros((2, 3, 2)))[1] if given_state else None
    alone = np.array([per_sample(sections, row) for row in block])
    with engine.using(name):
        out = filter_rows(block, sections=sections, state=state)
    wanted = whole[:, 40:] if given_state else alone
    np.testing.assert_allclose(out, wanted, rtol=0, atol=1e-12)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(designs, st.floats(0.01, 0.49), st.floats(1e-3, 1e6))
def test_only_the_ratio_of_corner_and_rate_counts(design, ratio, rate):
    kind, order = design
    sections = lowpass_sections(kind=kind, order=order, corner_hz=ratio * rate, rate_hz=rate)
    unit = lowpass_sections(kind=kind, order=order, corner_hz=ratio, rate_hz=1.0)
    np.testing.assert_allclose(sections, unit, rtol=1e-6, atol=1e-12)


@pytest.mark.parametrize("rate", [0.0, -1.0, np.nan, np.inf])
def test_a_rate_that_is_none_is_named_and_nothing_else(rate):
    with pytest.raises(InputError) as caught:
        lowpass_sections(kind="bessel", order=3, corner_hz=400.0, rate_hz=rate)
    assert [fault.field for fault in caught.value.faults] == ["rate_hz"]


@pytest.mark.parametrize(("corner_hz", "direct"), [(400.0, True), (8.0, False)])
@pytest.mark.parametrize("kind", ["bessel", "butterworth"])
def test_filtered_noise_is_that_of_the_sections(kind: str, corner_hz: float, direct: bool) -> None:
    # As one filter of the whole order only where it rounds no worse; any row as it is alone.
    sections = lowpass_sections(kind=kind, order=4, corner_hz=corner_hz, rate_hz=10000.0)
    assert (_direct_form(sections.tobytes()) is not None) == direct
    noise = np.random.default_rng(3).standard_normal((5, 900))
    found = filter_noise(noise, sections=sections)
    np.testing.assert_allclose(found, sosfilt(sections, noise), rtol=0.0, atol=1e-12)
    half = sections.astype(np.float32)
    of_half = filter_noise(noise, sections=half)
    np.testing.assert_array_equal(of_half, filter_noise(noise, sections=half.astype(np.float64)))
    with pytest.raises(ValueError, match="sections: got shape"):
        filter_noise(noise, sections=sections.reshape(1, -1))
    for row in range(5):
        alone = filter_noise(noise[row : row + 1], sections=sections)
        np.testing.assert_array_equal(alone[0], found[row])
