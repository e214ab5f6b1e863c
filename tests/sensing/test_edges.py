"""Limits of the chain, each by an independent count or formula: equality, rounding, cut, corner."""

from __future__ import annotations

from math import ceil, floor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sensing.sensing_helpers import acceleration, part, sensor_set

from crashsense.errors import InputError
from crashsense.sensing import ControlUnit, chain, sense
from crashsense.sensing.timebase import at_internal_rate, time_base
from crashsense.sensing.tolerance import PHASES, ROLES, draw_sensor, draw_unit
from crashsense.units import STANDARD_GRAVITY as G


def plain(**values: object):  # noqa: ANN201
    return part(filter_kind="none", nonlinearity=0.0, bits=10, **values)


# --- equality at full scale ----------------------------------------------------------------------


@pytest.mark.parametrize("path", ["full", "fast"])
def test_a_reading_exactly_at_full_scale_is_not_clipped(path: str) -> None:
    sensor = plain(range=100.0, stop=100.0)
    true = acceleration(np.full(2500, 100.0))
    out = sense({"central_x": true}, sensor_set(sensor), path=path)
    report = out.reports["central_x"]
    assert (out.samples.codes["central_x"] == sensor.code_limit).all()
    assert out.samples.channels["central_x"][0, 0] == pytest.approx(100.0)
    for count in ("at_stop", "clipped_before_filter", "clipped_after_filter", "clipped_at_code"):
        assert getattr(report, count)[0] == 0


def test_a_reading_just_beyond_full_scale_is_clipped_and_counted() -> None:
    above = acceleration(np.full(2500, np.nextafter(100.0, 200.0)))
    out = sense({"central_x": above}, sensor_set(plain(range=100.0, stop=200.0)))
    report = out.reports["central_x"]
    assert report.clipped_before_filter[0] == report.internal_samples == 2500
    assert report.clipped_after_filter[0] == 0  # cut to the full scale before
    both = np.where(np.arange(2500) < 700, np.nextafter(100.0, 200.0), 100.0)
    mixed = sense({"central_x": acceleration(both)}, sensor_set(plain(range=100.0, stop=200.0)))
    assert mixed.reports["central_x"].clipped_before_filter[0] == 700
    wide = sense({"central_x": above}, sensor_set(plain(range=100.0, front_end=150.0, stop=200.0)))
    assert wide.reports["central_x"].clipped_before_filter[0] == 0
    assert wide.reports["central_x"].clipped_after_filter[0] == wide.reports["central_x"].words
    assert wide.reports["central_x"].clipped_at_code[0] == 0  # half a code is still to go
    at_stop = sense({"central_x": above}, sensor_set(plain(range=100.0, stop=100.0)))
    assert at_stop.reports["central_x"].at_stop[0] == 2500


def test_the_last_code_begins_half_a_code_below_and_saturation_half_a_code_above() -> None:
    step = 100.0 / 480
    values = np.array([[479.4, 479.6, 480.4, 480.6, -480.4, -480.6]]) * step
    codes, beyond = chain.quantise(values, step=step, limit=480)
    assert codes.tolist() == [[479, 480, 480, 480, -480, -480]]
    assert beyond[0] == 2


def test_the_fast_path_ends_exactly_where_the_front_end_does() -> None:
    at, above = np.full(2500, 100.0), np.full(2500, np.nextafter(100.0, 200.0))
    for samples, path in ((at, "fast"), (above, "full")):
        out = sense({"central_x": acceleration(samples)}, sensor_set(plain(range=100.0)))
        assert out.path == path


# --- read-out ------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    share=st.floats(-1.5, 1.5),
    cubic=st.integers(-200, 200).map(lambda n: n / 1000),
    quadratic=st.integers(-200, 200).map(lambda n: n / 1000),
)
def test_read_out_is_the_polynomial_of_its_card(
    share: float, cubic: float, quadratic: float
) -> None:
    # Independent: numpy's polynomial in u / range, 0 + 1 s + quadratic s^2 + cubic s^3.
    full = 120 * G
    sensor = part(range=full, stop=3 * full, nonlinearity=cubic, quadratic=quadratic)
    got, _ = chain.respond(np.array([[share * full]]), sensor=sensor, rate_hz=1e4)
    want = full * np.polynomial.polynomial.polyval(share, [0.0, 1.0, quadratic, cubic])
    assert got[0, 0] == pytest.approx(want, rel=1e-12, abs=1e-9)


def test_read_out_acts_behind_the_stop() -> None:
    sensor = part(range=100.0, stop=150.0, nonlinearity=0.1)
    got, hits = chain.respond(np.array([[1000.0]]), sensor=sensor, rate_hz=1e4)
    assert got[0, 0] == pytest.approx(150.0 * (1 + 0.1 * 1.5**2))
    assert hits[0] == 1


# --- three sigma ---------------------------------------------------------------------------------


def drawn(draws: np.ndarray, **values: float):  # noqa: ANN201
    unit = ControlUnit(temperature_c=(25.0, 25.0))
    shared = draw_unit(draws, unit=unit, seed=3, occurrence="e", vary=True)
    arguments = {"seed": 3, "occurrence": "e", "vary": True}
    sensor = part(**values)
    return draw_sensor(draws, sensor=sensor, channel="central_x", shared=shared, **arguments)


def test_tolerances_are_cut_at_three_sigma_and_not_before() -> None:
    # Of 20,000 normal numbers 0.27 % lie beyond 3: 54 +/- 7. They lie at the cut, not beyond, and
    # what lies between 2.5 and 3 (0.97 %) stays.
    n = 20_000
    offset = drawn(np.arange(1, n + 1), offset_tolerance=2.0).offset / 2.0
    assert np.abs(offset).max() == 3.0
    cut = np.count_nonzero(np.abs(offset) == 3.0)
    assert 54 - 4 * 7.3 < cut < 54 + 4 * 7.3
    between = np.count_nonzero((np.abs(offset) > 2.5) & (np.abs(offset) < 3.0))
    assert between / n == pytest.approx(0.0097, abs=0.003)


@pytest.mark.parametrize("z", [-9.0, -3.0, -2.999, 0.5, 2.999, 3.0, 3.001, 9.0])
def test_designed_numbers_are_cut_likewise(z: float) -> None:
    draws = np.array([1])
    shared = draw_unit(draws, unit=ControlUnit(), seed=1, occurrence="", vary=False)
    deviates = np.zeros((1, len(ROLES)))
    deviates[0, ROLES.index("sensitivity")] = z
    got = draw_sensor(
        draws, sensor=part(sensitivity_tolerance=0.02), channel="central_x", shared=shared, seed=1,
        occurrence="", vary=True, deviates=deviates,
    )  # fmt: skip
    assert got.gain[0] == pytest.approx(1 + 0.02 * min(max(z, -3.0), 3.0), rel=1e-12)


# --- first tick ----------------------------------------------------------------------------------


@settings(max_examples=200, deadline=None)
@given(
    start=st.integers(-3000, 400),
    beyond=st.floats(-0.49, 0.49),
    size=st.integers(60, 400),
    every=st.sampled_from([1, 2, 5, 10]),
)
def test_ticks_by_counting(start: int, beyond: float, size: int, every: int) -> None:
    # A start between two internal samples goes to the nearest one; ticks are multiples of *every*
    # counted from time zero; at every sample phase all of them lie inside the signal.
    rate = 10_000.0
    signal = acceleration(np.zeros(size), start_s=(start + beyond) / rate)
    base = time_base({"central_x": signal}, unit=ControlUnit(tick_rate_hz=rate / every))
    assert base.first == start
    inside = [number for number in range(start, start + size) if number % every == 0]
    assert base.tick == inside[0]
    latest = floor(PHASES[-1] * every + 1e-9)
    fitting = [number for number in inside if number + latest <= start + base.size - 1]
    assert base.ticks == len(fitting)
    assert base.size == size


@settings(max_examples=100, deadline=None)
@given(first=st.integers(-900, 0), second=st.integers(-900, 0), more=st.integers(200, 900))
def test_common_span_of_two_signals(first: int, second: int, more: int) -> None:
    rate = 10_000.0
    one = acceleration(np.arange(float(more - first)), start_s=first / rate)
    two = acceleration(np.arange(float(more + 7 - second)), start_s=second / rate, axis="y")
    common, base = at_internal_rate(
        {"central_x": one, "central_y": two}, unit=ControlUnit(), draws=1
    )
    assert base.first == max(first, second)
    assert base.size == more - base.first
    # A signal counts its own samples from its start: sample k of the span is that of time zero + k.
    assert common["central_x"][0, 0] == base.first - first
    assert common["central_y"][0, -1] == more - 1 - second


@pytest.mark.parametrize(
    ("slot_us", "ticks"), [(0.0, 0), (346.0, 0), (346.1, 1), (846.0, 1), (846.1, 2), (1346.1, 3)]
)
def test_late_words_wait_whole_ticks(slot_us: float, ticks: int) -> None:
    # 13 bits of 8 us after the slot's start, read 450 us after the sampling instant, 500 us a tick.
    sensor = part(slot_start_s=slot_us * 1e-6, bit_time_s=8e-6)
    tested = sensor_set(sensor)
    assert tested.held_ticks("central_x") == ticks
    assert ticks == max(0, ceil((slot_us + 13 * 8 - 450) / 500 - 1e-9))


def test_a_word_that_ends_exactly_at_the_reading_waits_no_tick_more() -> None:
    # 450 us are there for a word of 104 us: what begins at 346 us + n x 500 us waits n ticks,
    # however the times are rounded.
    for n in range(190):
        sensor = part(slot_start_s=(346 + 500 * n) * 1e-6, bit_time_s=8e-6)
        assert sensor_set(sensor).held_ticks("central_x") == n


# --- corners -------------------------------------------------------------------------------------


@settings(max_examples=100, deadline=None)
@given(corner=st.floats(50.0, 6000.0), tolerance=st.integers(0, 300))
def test_every_corner_that_is_let_through_can_be_made(corner: float, tolerance: int) -> None:
    # The corner stays at or below half the sampling rate, and with its tolerance below half the
    # internal rate, in each of the five settings. The house keeps 1.5 sigma for them.
    share = tolerance / 1000
    values = {"corner_hz": corner, "corner_tolerance": share, "sample_rate_hz": 10_000.0}
    allowed = corner <= 5000.0 and corner < 5000.0 / (1 + 1.5 * share)
    if not allowed:
        with pytest.raises(InputError, match="corner"):
            sensor_set(part(**values), tick_rate_hz=10_000.0)
        return
    tested = sensor_set(part(**values), tick_rate_hz=10_000.0).sensor("central_x")
    for setting, deviation in enumerate(chain.CORNER_SETTINGS):
        assert corner * (1 + share * deviation) < 5000.0
        sections = chain.filter_sections(tested, rate_hz=10_000.0, setting=setting)
        assert np.isfinite(sections).all()


def test_corner_at_half_the_sampling_rate_is_the_last() -> None:
    assert part(corner_hz=1000.0, sample_rate_hz=2000.0).corner_hz == 1000.0
    with pytest.raises(InputError, match="alias"):
        part(corner_hz=np.nextafter(1000.0, 2000.0), sample_rate_hz=2000.0)
    assert part(corner_hz=1.0).corner_hz == 1.0
    with pytest.raises(InputError, match="1 Hz or more"):
        part(corner_hz=np.nextafter(1.0, 0.0))
