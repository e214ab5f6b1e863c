"""Sections designed with numpy alone are those of scipy.signal, but for its rounding."""

from __future__ import annotations

import itertools
import subprocess
import sys

import numpy as np
import pytest
from scipy.signal import bessel, butter, firwin, sosfilt_zi, sosfiltfilt, tf2sos

from crashsense.errors import InputError
from crashsense.filters.design import (
    BESSEL,
    bandpass,
    lowpass,
    sections_of_fraction,
    state_at_one,
)
from crashsense.filters.zero_phase import forth_and_back
from crashsense.sensing import noise
from crashsense.signal import _kaiser_lowpass

CORNERS = (0.001, 0.02, 0.0437, 0.1, 0.31, 0.49)


def same(found, wanted):
    """Equal but for rounding, which differs from one release of scipy to the next."""
    return np.allclose(found, wanted, rtol=1e-9, atol=1e-12 * np.abs(wanted).max())


def scipy_design(kind, order, corner_hz, rate_hz):
    """The same filter by scipy."""
    if kind == "bessel":
        return bessel(order, corner_hz, "low", output="sos", norm="mag", fs=rate_hz)
    return butter(order, corner_hz, "low", output="sos", fs=rate_hz)


@pytest.mark.parametrize("order", range(1, 9))
@pytest.mark.parametrize("kind", ["bessel", "butterworth"])
def test_low_passes_and_their_state_are_those_of_scipy(kind, order):
    for rate_hz in (2000.0, 10_000.0, 44_123.7):
        for share in CORNERS:
            wanted = scipy_design(kind, order, share * rate_hz, rate_hz)
            found = lowpass(kind, order, corner_hz=share * rate_hz, rate_hz=rate_hz)
            assert same(found, wanted), (rate_hz, share)
            assert same(state_at_one(wanted), sosfilt_zi(wanted)), (rate_hz, share)


@pytest.mark.parametrize("order", range(1, 9))
def test_band_passes_are_those_of_scipy(order):
    for rate_hz in (2000.0, 10_000.0, 44_123.7):
        for low, high in itertools.combinations(CORNERS, 2):
            edges = [low * rate_hz, high * rate_hz]
            wanted = butter(order, edges, "bandpass", output="sos", fs=rate_hz)
            found = bandpass(order, low_hz=edges[0], high_hz=edges[1], rate_hz=rate_hz)
            assert same(found, wanted), (rate_hz, low, high)


@pytest.mark.parametrize(
    ("low", "high", "field"),
    [(600.0, 700.0, "low_hz"), (100.0, 500.0, "high_hz"), (0.0, 100.0, "low_hz")]
    + [(-10.0, 100.0, "low_hz"), (np.nan, 100.0, "low_hz"), (300.0, 200.0, "high_hz")]
    + [(200.0, 200.0, "high_hz")],
)
def test_band_passes_that_the_rate_does_not_hold_are_refused(low, high, field):
    with pytest.raises(InputError, match=field):
        bandpass(2, low_hz=low, high_hz=high, rate_hz=1000.0)


@pytest.mark.parametrize("corner_hz", [-1.0, 0.0, 500.0, 600.0, np.nan])
def test_low_passes_that_the_rate_does_not_hold_are_refused(corner_hz):
    with pytest.raises(InputError, match="corner_hz: got .*below half the rate"):
        lowpass("bessel", 2, corner_hz=corner_hz, rate_hz=1000.0)


def test_bessel_prototypes_fall_by_half_the_power_at_one():
    """By their definition, whatever scipy's own constants are."""
    for gain, upper in BESSEL.values():
        poles = np.array([*upper, *(p.conjugate() for p in upper if p.imag)])
        assert abs(gain / np.prod(1j - poles)) == pytest.approx(np.sqrt(0.5), rel=1e-12)
        assert abs(gain / np.prod(-poles)) == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize("every", [1, 5, 10])
@pytest.mark.parametrize(("kind", "order"), [("bessel", 3), ("butterworth", 4), ("bessel", 5)])
def test_sections_of_the_noise_models_are_those_of_scipy(monkeypatch, kind, order, every):
    met = []

    def both(numerator, denominator):
        met.append(tf2sos(numerator, denominator))
        found = sections_of_fraction(numerator, denominator)
        assert same(found, met[-1])
        return found

    monkeypatch.setattr(noise, "sections_of_fraction", both)
    for corner_hz in (180.0, 400.0, 437.3, 1500.0):
        sections = lowpass(kind, order, corner_hz=corner_hz, rate_hz=10_000.0)
        noise.word_noise(sections, every=every)
    assert len(met) == 4


def test_sections_of_real_and_paired_roots_are_those_of_scipy():
    """Several real poles and zeros, of which the nearest to each other meet."""
    rng = np.random.default_rng(5)
    for _ in range(200):
        pairs, real = rng.integers(0, 3, 2)
        if pairs + real == 0:
            continue
        sides = [
            np.real(np.poly([*turning, *turning.conj(), *rng.uniform(-0.98, 0.98, real)]))
            for turning in (
                rng.uniform(0.1, 0.98, pairs) * np.exp(1j * rng.uniform(0.1, 3.0, pairs)),
                rng.uniform(0.1, 0.98, pairs) * np.exp(1j * rng.uniform(0.1, 3.0, pairs)),
            )
        ]
        assert same(sections_of_fraction(*sides), tf2sos(*sides))


@pytest.mark.parametrize("factor", [2, 3, 5, 7])
def test_taps_that_raise_the_rate_are_those_of_scipy_to_rounding(factor):
    count = 2 * 26 * factor + 1
    wanted = firwin(count, 0.9 / factor, window=("kaiser", 8.0))
    assert np.allclose(_kaiser_lowpass(count, 0.9 / factor), wanted, rtol=1e-13, atol=1e-17)


@pytest.mark.parametrize("mirrored", [None, 0, 7, 49])
@pytest.mark.parametrize("order", [1, 2, 3])
def test_forth_and_back_is_that_of_scipy(order, mirrored):
    rows = np.random.default_rng(2).normal(size=(2, 3, 50))
    sections = lowpass("butterworth", order, corner_hz=20.0, rate_hz=1000.0)
    wanted = sosfiltfilt(sections, rows, padlen=mirrored)
    assert same(forth_and_back(rows, sections=sections, mirrored=mirrored), wanted)


def test_engine_fast_filters_forth_and_back_to_the_same_bits():
    pytest.importorskip("numba")
    from crashsense import engine

    rows = np.random.default_rng(2).normal(size=(3, 400))
    sections = lowpass("bessel", 3, corner_hz=40.0, rate_hz=1000.0)
    with engine.using("fast"):
        fast = forth_and_back(rows, sections=sections)
    assert np.array_equal(fast, forth_and_back(rows, sections=sections))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["numpy", "fast"])
def test_trials_do_not_import_scipy_signal(name):
    """It takes longer to import than they do: by the full path, then by the usual one."""
    if name == "fast":
        pytest.importorskip("numba")
    script = (
        "import sys\n"
        "import crashsense\n"
        "from crashsense import engine, load_algorithm, load_events, load_sensor_set, trial\n"
        f"with engine.using({name!r}):\n"
        "    event, = load_events(['wall_full_56'])\n"
        "    trial(event, sensor_set=load_sensor_set('standard'),\n"
        "          algorithm=load_algorithm('guarded'), draw=1)\n"
        "names = ['wall_full_56', 'rail_crossing_50', 'hammer_tunnel']\n"
        f"crashsense.evaluate(events=names, draws=1, engine={name!r}, workers=1)\n"
        "print(sorted({'scipy.signal', 'scipy.linalg'} & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert (done.stdout.strip(), done.stderr) == ("[]", "")
