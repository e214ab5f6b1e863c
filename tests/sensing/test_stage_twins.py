"""Stages of the chain against loops and formulas of their own: offset, drift, noise, settings."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import scipy.stats
from sensing.sensing_helpers import RATE, acceleration, crash, part, sensor_set

from crashsense.sensing import SensorSet, chain, sense
from crashsense.sensing.faults import (
    ALWAYS_S,
    FAULT_KINDS,
    DestroyedAtCrush,
    LostFrames,
    SwappedChannel,
)
from crashsense.sensing.sense import prepared
from crashsense.signal import Signal
from crashsense.units import STANDARD_GRAVITY as G

#: From the sampling instant of a word to the tick that reads it [s].
READ_S = 0.95e-3


def front(samples: Any) -> Signal:
    return Signal(
        np.asarray(samples, dtype=float), rate_hz=RATE, start_s=-0.05, unit="m/s^2", axis="x",
        location="upfront_left",
    )  # fmt: skip


# --- control unit --------------------------------------------------------------------------------


def naive_cancelled(values: np.ndarray, good: np.ndarray, *, rest: float, c: float) -> np.ndarray:
    """The high-pass tick by tick; while codes are missing the last good one goes on."""
    estimate, held, out = rest, rest, []
    for value, is_good in zip(values, good, strict=True):
        held = value if is_good else held
        out.append(held - estimate if is_good else np.nan)
        estimate += c * (held - estimate)
    return np.array(out)


@pytest.mark.parametrize(
    "gaps",
    [
        [],
        [(-1.0, -0.03)],  # nothing before
        [(-0.0497, -0.02)],  # the first word alone
        [(-0.0492, -0.048), (0.01, 0.03)],
        [(-1.0, 9.0)],
    ],
)
def test_offset_cancellation_over_gaps_is_that_of_a_loop(gaps: list[tuple[float, float]]) -> None:
    """It begins from what was found at rest: here half a code, which no word shows."""
    true = 1.0 + crash()
    base = part(filter_kind="none", on_lost="flag", nonlinearity=0.0)
    assert abs(1.0 - base.step * round(1.0 / base.step)) > 0.9
    plain = sense({"central_x": acceleration(true)}, sensor_set(base)).samples
    cancelled = base.changed(
        offset_cancellation_hz=3.0,
        faults=[LostFrames(from_s=first, until_s=last) for first, last in gaps],
    )
    found = sense({"central_x": acceleration(true)}, sensor_set(cancelled)).samples
    sampled = plain.times_s[0] - READ_S + 1e-9
    good = np.ones(sampled.size, dtype=bool)
    for first, last in gaps:
        good &= ~((sampled >= first) & (sampled < last))
    np.testing.assert_array_equal(found.valid["central_x"][0], good)
    want = naive_cancelled(
        plain.channels["central_x"][0], good, rest=1.0, c=1.0 - np.exp(-2.0 * np.pi * 3.0 / 2000.0)
    )
    np.testing.assert_allclose(found.channels["central_x"][0], want, atol=1e-9)


# --- readings ------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["full", "fast"])
def test_drift_grows_from_time_zero(path: str) -> None:
    """2 sigma of 10 m/s^2 in a second, on a quiet road."""
    drifting = part(
        filter_kind="none", bits=16, drift_tolerance=10.0, build={"drift": 2.0}, range=50.0
    )
    quiet = {"central_x": acceleration(np.zeros(2500))}
    out = sense(quiet, sensor_set(drifting), draws=[1, 2], path=path).samples
    want = 20.0 * np.maximum(out.times_s - READ_S, 0.0)
    got = out.channels["central_x"]
    assert got.max() > 3.0
    np.testing.assert_allclose(got, want, atol=0.51 * drifting.step)


def test_the_two_paths_draw_their_noise_by_names_of_their_own() -> None:
    """In the words, or at the internal rate: equal in size, not in numbers."""
    noisy = sensor_set(part(noise_density=0.05 * G, range=200 * G, bits=16))
    quiet = {"central_x": acceleration(np.zeros(2500))}
    words = {
        path: sense(quiet, noisy, draws=range(1, 9), path=path).samples.channels["central_x"]
        for path in ("fast", "full")
    }
    assert words["fast"].std() == pytest.approx(words["full"].std(), rel=0.1)
    shared = np.corrcoef(words["fast"].ravel(), words["full"].ravel())[0, 1]
    assert abs(shared) < 0.1


# --- what a sensor needs -------------------------------------------------------------------------


def test_signals_that_a_fault_reads_are_brought_to_it() -> None:
    """The crush needs the cabin's motion, exchanged plugs the other sensor's."""
    signals = {"central_x": acceleration(crash()), "upfront_left_x": front(0.5 * crash())}
    gone = DestroyedAtCrush(crush_m=0.3, closing_speed_m_s=12.0)
    swapped = SwappedChannel(partner="central_x")
    for fault in (gone, swapped):
        tested = SensorSet("t", sensors={"upfront_left_x": part(faults=(fault,))})
        out = sense(signals, tested, channels=["upfront_left_x"]).samples
        got = out.channels["upfront_left_x"]
        if fault is gone:
            assert np.isnan(got[0, -1])
            assert not np.isnan(got[0, 0])
        else:
            alone = sense({"central_x": signals["central_x"]}, sensor_set(part())).samples
            np.testing.assert_array_equal(got, alone.channels["central_x"])
    # A channel without a sensor counts as failed, whatever is asked for.
    out = sense(signals, sensor_set(part()), channels=["central_x", "upfront_left_x"]).samples
    assert np.isnan(out.channels["upfront_left_x"]).all()
    assert not out.valid["upfront_left_x"].any()


def test_each_draw_is_crushed_by_its_own_motion() -> None:
    levels = np.array([[0.6], [0.2], [0.8], [1.0]])
    true = {"central_x": acceleration(levels * crash()), "upfront_left_x": front(crash())}
    fault = DestroyedAtCrush(crush_m=0.45, closing_speed_m_s=12.0)
    tested = SensorSet("t", sensors={"upfront_left_x": part(faults=(fault,))})
    (made,) = prepared(true, tested, draws=np.arange(4))
    sensor = made.sensors["upfront_left_x"]
    whole, part_of = sensor.run(slice(0, 4)), sensor.run(slice(2, 4))
    for all_draws, some in zip(whole[:3], part_of[:3], strict=True):
        np.testing.assert_array_equal(all_draws[2:], some)
    lasts = np.isfinite(whole[0]).sum(axis=-1)
    assert (np.diff(lasts[np.argsort(levels[:, 0])]) > 0).all()  # slowed more, crushed later


# --- settings of the filter ----------------------------------------------------------------------


def test_settings_are_the_means_of_the_five_slices_of_a_normal_distribution() -> None:
    edges = scipy.stats.norm.ppf(np.linspace(0.0, 1.0, 6))
    # Of probability 1/5: the mean is the difference of the densities at its ends, times 5.
    want = 5.0 * -np.diff(scipy.stats.norm.pdf(edges))
    np.testing.assert_allclose(chain.CORNER_SETTINGS, want, atol=5e-4)
    assert chain.CORNER_SETTINGS[chain.NOMINAL_SETTING] == 0.0
    # The quality factor in another order, not tied to the corner.
    assert sorted(chain.QUALITY_SETTINGS) == sorted(chain.CORNER_SETTINGS)
    assert np.dot(chain.QUALITY_SETTINGS, chain.CORNER_SETTINGS) == pytest.approx(0.0, abs=1e-9)
    assert chain.QUALITY_SETTINGS[chain.NOMINAL_SETTING] == 0.0


# --- defaults ------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", FAULT_KINDS)
def test_a_fault_begins_at_time_zero_or_was_always_there(kind: str) -> None:
    defaults = {name: item.default for name, item in FAULT_KINDS[kind].__dataclass_fields__.items()}
    assert defaults.get("from_s", 0.0) in (0.0, ALWAYS_S)
    if "until_s" in defaults:
        assert defaults["until_s"] > defaults["from_s"]
