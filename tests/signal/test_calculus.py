"""Velocity and displacement against closed forms and the laboratory shock table."""

from __future__ import annotations

import inspect

import hypothesis.extra.numpy as hnp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crashsense import engine
from crashsense.errors import InputError
from crashsense.signal import Signal, cumulative_trapezoid

RATE = 100000.0

signals = hnp.arrays(
    np.float64, st.integers(3, 200), elements=st.floats(-1e3, 1e3, allow_subnormal=False)
)


def acceleration(samples, *, rate_hz=RATE, start_s=0.0) -> Signal:
    return Signal(
        samples, rate_hz=rate_hz, start_s=start_s, unit="m/s^2", axis="x", location="central"
    )


def shape(kind: str, duration: float, *, rate_hz: float = RATE):
    """Unit-peak pulse sampled at its own end points."""
    count = round(duration * rate_hz)
    t = np.arange(count + 1) / count
    if kind == "half_sine":
        return np.sin(np.pi * t)
    if kind == "haversine":
        return 0.5 * (1 - np.cos(2 * np.pi * t))
    if kind == "square":
        return np.ones(count + 1)
    if kind == "saw_tooth":
        return t
    if kind == "trapezoid":
        return np.minimum(1.0, np.minimum(t, 1 - t) / 0.1)
    if kind == "triangle":
        return 1 - np.abs(2 * t - 1)
    raise ValueError(kind)


# IEC 60068-2-27 table (one decimal as printed, from memory; three decimals computed with
# 9.81 m/s^2): peak g, ms, half-sine, final-peak saw-tooth, trapezoid [m/s].
SHOCKS = [
    (15, 11, (1.0, 1.030), (0.8, 0.809), (1.5, 1.457)),
    (30, 6, (1.1, 1.124), (0.9, 0.883), (1.6, 1.589)),
    (30, 11, (2.1, 2.061), (1.6, 1.619), (2.9, 2.914)),
    (30, 18, (3.4, 3.372), (2.6, 2.649), (4.8, 4.768)),
    (50, 3, (0.9, 0.937), (0.7, 0.736), (1.3, 1.324)),
    (50, 11, (3.4, 3.435), (2.7, 2.698), (4.9, 4.856)),
    (100, 6, (3.7, 3.747), (2.9, 2.943), (5.3, 5.297)),
    (100, 11, (6.9, 6.870), (5.4, 5.3955), (9.7, 9.712)),
    (200, 3, (3.7, 3.747), (2.9, 2.943), (5.3, 5.297)),
    (200, 6, (7.5, 7.494), (5.9, 5.886), (10.6, 10.595)),
    (500, 1, (3.1, 3.123), None, None),
    (1000, 1, (6.2, 6.245), None, None),
    (1500, 0.5, (4.7, 4.684), None, None),
    (3000, 0.2, (3.7, 3.747), None, None),
]


@pytest.mark.parametrize("row", SHOCKS, ids=lambda row: f"{row[0]}g-{row[1]}ms")
def test_velocity_change_of_laboratory_shocks(row):
    peak, ms, *expected = row
    for kind, values in zip(("half_sine", "saw_tooth", "trapezoid"), expected, strict=True):
        if values is None:
            continue
        printed, exact = values
        pulse = peak * 9.81 * shape(kind, ms / 1000, rate_hz=1e6)
        change = acceleration(pulse, rate_hz=1e6).velocity().samples[-1]
        assert change == pytest.approx(exact, abs=6e-4)
        assert round(change, 1) == pytest.approx(printed, abs=1e-9)


def test_peak_is_in_standard_gravity_not_in_rounded_si():
    # 50 g 11 ms half-sine is 3.43 m/s; 500 m/s^2 gives 3.50 (computed).
    pulse = shape("half_sine", 0.011, rate_hz=1e6)
    changes = [
        acceleration(peak * pulse, rate_hz=1e6).velocity().samples[-1] for peak in (490.3325, 500)
    ]
    assert changes == pytest.approx([3.43366, 3.50141], abs=1e-4)


# Elementary calculus: velocity change over A D, displacement over A D^2 (from rest).
CLOSED_FORMS = [
    ("square", 1.0, 0.5),
    ("half_sine", 2 / np.pi, 1 / np.pi),
    ("haversine", 0.5, 0.25),
    ("triangle", 0.5, 0.25),
    ("trapezoid", 0.9, 0.45),
]


@pytest.mark.parametrize(("kind", "velocity", "displacement"), CLOSED_FORMS)
def test_closed_forms_of_pulses(kind, velocity, displacement):
    peak, duration = 200.0, 0.1
    signal = acceleration(peak * shape(kind, duration))
    assert signal.velocity().samples[-1] == pytest.approx(velocity * peak * duration, rel=1e-7)
    moved = signal.displacement().samples[-1]
    assert moved == pytest.approx(displacement * peak * duration**2, rel=1e-6)


def test_half_sine_and_haversine_at_every_instant():
    # v = (AD/pi)(1 - cos(pi t/D)), x = (AD/pi)(t - (D/pi) sin(pi t/D)); haversine alike.
    peak, duration = 244.0, 0.1
    t = np.arange(round(duration * RATE) + 1) / RATE
    signal = acceleration(peak * shape("half_sine", duration))
    scale = peak * duration / np.pi
    velocity = scale * (1 - np.cos(np.pi * t / duration))
    displacement = scale * (t - duration / np.pi * np.sin(np.pi * t / duration))
    np.testing.assert_allclose(signal.velocity().samples, velocity, atol=1e-6)
    np.testing.assert_allclose(signal.displacement().samples, displacement, atol=1e-8)

    signal = acceleration(peak * shape("haversine", duration))
    w = 2 * np.pi / duration
    np.testing.assert_allclose(
        signal.velocity().samples, peak / 2 * (t - np.sin(w * t) / w), atol=1e-6
    )
    np.testing.assert_allclose(
        signal.displacement().samples, peak / 2 * (t**2 / 2 - (1 - np.cos(w * t)) / w**2), atol=1e-8
    )


@pytest.mark.parametrize("peak_at", [0.25, 0.5, 0.8])
def test_triangle_with_any_peak_time(peak_at):
    # x_D = A D (2 D - tp) / 6 and stopping distance A D (D + tp) / 6 = dV times centroid.
    peak, duration = 300.0, 0.1
    t = np.arange(round(duration * RATE) + 1) / RATE
    tp = peak_at * duration
    pulse = peak * np.where(t <= tp, t / tp, (duration - t) / (duration - tp))
    signal = acceleration(pulse)
    change = signal.velocity().samples[-1]
    moved = signal.displacement().samples[-1]
    assert moved == pytest.approx(peak * duration * (2 * duration - tp) / 6, rel=1e-6)
    assert change * duration - moved == pytest.approx(
        peak * duration * (duration + tp) / 6, rel=1e-6
    )


def test_sled_pulse_of_the_regulation():
    # FMVSS 208 S13.1 names a velocity change of about 48 km/h; nominal half-sine 17.2 g, 125 ms
    # (from memory). Computed: 48.32 km/h and 0.83892 m.
    signal = acceleration(17.2 * 9.80665 * shape("half_sine", 0.125))
    assert signal.velocity().samples[-1] * 3.6 == pytest.approx(48.32, abs=0.01)
    assert signal.displacement().samples[-1] == pytest.approx(0.83892, abs=1e-5)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(signals, st.floats(-4, 4), st.floats(-50, 50))
def test_velocity_of_a_scaled_pulse_is_the_scaled_velocity(samples, scale, offset):
    signal = acceleration(samples)
    scaled = acceleration(scale * samples + offset)
    times = np.arange(samples.size) / RATE
    np.testing.assert_allclose(
        scaled.velocity().samples,
        scale * signal.velocity().samples + offset * times,
        atol=1e-9 * (1 + np.abs(samples).max()),
    )


@settings(max_examples=40, deadline=None, derandomize=True)
@given(signals)
def test_integral_is_causal_and_row_by_row(samples):
    out = cumulative_trapezoid(samples, step_s=1e-3)
    half = samples.size // 2
    assert np.array_equal(cumulative_trapezoid(samples[: half + 1], step_s=1e-3), out[: half + 1])
    block = np.stack([samples, -samples, 2 * samples])
    assert np.array_equal(cumulative_trapezoid(block, step_s=1e-3)[0], out)


def test_velocity_counts_from_a_given_time():
    signal = acceleration(np.ones(101), rate_hz=1000.0, start_s=-0.05)
    velocity = signal.velocity(from_s=0.0)
    assert velocity.samples[50] == 0.0
    assert velocity.samples[-1] == pytest.approx(0.05)
    assert velocity.samples[0] == pytest.approx(-0.05)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(signals, st.integers(-30, 230), st.floats(-0.4, 0.4), st.floats(-2.0, 2.0))
def test_velocity_is_zero_at_the_sample_nearest_to_the_time_it_counts_from(
    samples, place, beside, start
):
    """Against the definition, wherever the signal starts; outside, the nearest is an end."""
    signal = acceleration(samples, rate_hz=1000.0, start_s=start)
    counted = signal.velocity(from_s=start + (place + beside) / 1000.0)
    plain = signal.velocity().samples
    nearest = min(max(place, 0), samples.size - 1)
    assert counted.samples[nearest] == 0.0
    assert np.array_equal(counted.samples, plain - plain[nearest])
    # Draws are counted each from its own value at that sample.
    block = acceleration(np.stack([samples, -2.0 * samples]), rate_hz=1000.0, start_s=start)
    both = block.displacement(from_s=start + (place + beside) / 1000.0).samples
    assert both.shape == (2, samples.size)
    assert both[:, nearest].tolist() == [0.0, 0.0]
    np.testing.assert_allclose(both[1], -2.0 * both[0], rtol=0, atol=1e-12 * np.abs(both).max())


def test_all_but_the_samples_of_a_signal_are_given_by_name():
    parameters = inspect.signature(Signal).parameters.values()
    assert [p.name for p in parameters if p.kind is not p.KEYWORD_ONLY] == ["samples"]


def test_only_acceleration_is_integrated_to_velocity():
    velocity = acceleration(np.ones(5)).velocity()
    with pytest.raises(InputError, match="'m/s'; expected 'm/s\\^2'"):
        velocity.velocity()
    with pytest.raises(InputError, match="unit: got 'm'"):
        velocity.displacement().displacement()


def test_samples_are_copied_unless_they_are_handed_over():
    mine = np.ones(4)
    signal = acceleration(mine)
    mine[0] = 7.0
    assert signal.samples[0] == 1.0
    # Read-only for one name may be open to another: that is no reason not to copy.
    open_view = mine[:]
    mine.setflags(write=False)
    assert not np.shares_memory(acceleration(mine).samples, open_view)
    given = np.ones(4)
    kept = Signal.owning(
        given, rate_hz=10.0, start_s=0.0, unit="m/s^2", axis="x", location="central"
    )
    assert type(kept.samples) is np.ndarray
    assert np.shares_memory(kept.samples, given)
    with pytest.raises(ValueError, match="read-only"):
        kept.samples[0] = 2.0


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_samples_must_be_finite_and_may_be_huge(bad):
    huge = np.full(9, 1e308)  # the sum overflows, no sample does
    assert acceleration(huge).samples.max() == 1e308
    huge[4] = bad
    with pytest.raises(InputError, match="non-finite at \\[4\\]"):
        acceleration(huge)


def test_a_kernel_that_looks_for_samples_that_are_not_finite_tells_the_largest():
    pytest.importorskip("numba")
    rows = 1e3 * np.random.default_rng(2).standard_normal((5, 40))
    largest = np.abs(rows).max(axis=-1)
    with engine.using("fast"):
        block = acceleration(rows)
        np.testing.assert_array_equal(block.largest, largest)
        np.testing.assert_array_equal(block.rows(slice(1, 3), note="two").largest, largest[1:3])
        np.testing.assert_array_equal(block.row(3, note="one").largest, largest[3:4])
        np.testing.assert_array_equal(block.as_block(note="all").largest, largest)
        assert acceleration(rows[0]).largest is None  # one signal does not wait for a kernel
        for bad in (np.nan, np.inf, -np.inf):
            rows[2, 7] = bad
            with pytest.raises(InputError, match="non-finite at \\[2, 7\\]"):
                acceleration(rows)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.integers(2, 60), st.integers(-80, 80), st.integers(-80, 80), st.floats(0.0, 0.98))
def test_between_keeps_exactly_the_samples_of_the_interval(size, first, length, shift):
    """Against the definition: every sample whose time lies in [first, last], both included."""
    rate, start = 100.0, -0.2
    signal = acceleration(np.arange(size, dtype=float), rate_hz=rate, start_s=start)
    from_s, to_s = (first + shift) / rate, (first + shift + abs(length)) / rate
    times = start + np.arange(size) / rate
    wanted = np.flatnonzero((times >= from_s - 1e-8) & (times <= to_s + 1e-8))
    if wanted.size == 0:
        with pytest.raises(InputError, match="interval"):
            signal.between(from_s, to_s)
        return
    part = signal.between(from_s, to_s)
    assert part.samples.tolist() == wanted.tolist()
    assert part.start_s == pytest.approx(times[wanted[0]], abs=1e-12)
    assert part.end_s == pytest.approx(times[wanted[-1]], abs=1e-12)


def test_a_signal_says_what_it_is_on_one_line():
    shown = repr(acceleration(np.zeros((3, 40)), rate_hz=1000.0, start_s=-0.02))
    assert shown == (
        "Signal(central x [m/s^2], 3 draws of 40 samples at 1000 Hz, -0.02 to 0.019 s)"
    )
