"""The compiled pass from noise to codes: equal to its numpy twins, and in any other block."""

from __future__ import annotations

import numpy as np
import pytest
from sensing.elements import COMB
from sensing.sensing_helpers import acceleration, crash, part, sensor_set

from crashsense import engine
from crashsense.rules import kernels
from crashsense.sensing import chain, load_sensor_set, one_pass, sense
from crashsense.sensing.noise import NoiseBank
from crashsense.sensing.sense import prepared
from crashsense.signal import Signal, resample
from crashsense.units import STANDARD_GRAVITY as G

pytest.importorskip("numba")

DRAWS = range(40)


def signals(draws: int, *, peak_g: float) -> dict[str, Signal]:
    """Half sines with ringing, another one for each draw, at 10 kHz and (y) at 2 kHz."""
    source = np.random.default_rng(3)
    out = {}
    for name, axis, rate in (("central_x", "x", 10_000.0), ("central_y", "y", 2_000.0)):
        t = np.arange(int(0.2 * rate)) / rate - 0.05
        level = peak_g * G * (1.0 + 0.2 * source.standard_normal((draws, 1)))
        pulse = np.where((t > 0) & (t < 0.06), np.sin(np.pi * t / 0.06), 0.0)
        samples = -level * (pulse + 0.2 * pulse * np.sin(2.0 * np.pi * 180.0 * t))
        out[name] = Signal(
            samples, rate_hz=rate, start_s=-0.05, unit="m/s^2", axis=axis, location="central"
        )
    return out


def sensed(name: str, *, draws=DRAWS, one_pulse=False, peak_g=30.0, path="auto"):
    """What the control unit receives, by the engine of that name."""
    true = signals(len(DRAWS), peak_g=peak_g)
    rows = slice(0, 1) if one_pulse else np.array(draws)
    true = {n: signal.replaced(signal.samples[rows], note="some") for n, signal in true.items()}
    with engine.using(name):
        return sense(
            true,
            load_sensor_set(),
            draws=list(draws),
            occurrence="a",
            channels=list(true),
            path=path,
        )


@pytest.mark.parametrize("one_pulse", [True, False])
@pytest.mark.parametrize(("peak_g", "path"), [(30.0, "auto"), (30.0, "full"), (150.0, "auto")])
def test_codes_are_those_of_the_stages(one_pulse, peak_g, path):
    engine.choose("fast")
    ours, theirs = (
        sensed(name, one_pulse=one_pulse, peak_g=peak_g, path=path) for name in engine.ENGINES
    )
    for channel, codes in ours.samples.codes.items():
        np.testing.assert_array_equal(theirs.samples.codes[channel], codes)
        one, other = ours.reports[channel], theirs.reports[channel]
        for count in ("clipped_before_filter", "clipped_after_filter", "clipped_at_code"):
            np.testing.assert_array_equal(getattr(one, count), getattr(other, count))
        assert codes.std() > 1.0


@pytest.mark.parametrize("path", ["auto", "full"])
def test_a_draw_has_the_same_codes_in_any_block(path):
    engine.choose("fast")
    whole, alone = sensed("fast", path=path), sensed("fast", draws=[37], path=path)
    some = sensed("fast", draws=[36, 37, 38], path=path)
    for channel, codes in whole.samples.codes.items():
        np.testing.assert_array_equal(alone.samples.codes[channel][0], codes[37])
        np.testing.assert_array_equal(some.samples.codes[channel][1], codes[37])


@pytest.mark.parametrize(("kind", "order"), [("bessel", 3), ("butterworth", 4), ("none", 2)])
@pytest.mark.parametrize(("first", "every"), [((0, 1, 2, 3, 4), 5), ((130, 67), 11), ((3,), 1)])
@pytest.mark.parametrize("ahead", [0, 70])
def test_a_signal_has_the_same_words_in_every_setting(kind, order, first, every, ahead):
    # More words than a chunk of the kernel holds, the last of them at the signal's end.
    engine.choose("fast")
    words = 90
    size = max(first) + every * (words - 1) + 1 - ahead
    samples = 1.0 + np.random.default_rng(5).standard_normal((1, size))
    sensor = part(filter_kind=kind, filter_order=order, quality_tolerance=0.02)
    design = chain.FilterDesign.of(sensor, rate_hz=10_000.0)
    tables = []
    for name in engine.ENGINES:
        line = np.full(len(chain.CORNER_SETTINGS) * len(first) * words + 3, np.nan)
        how = {"ahead": ahead, "first": first, "every": every, "words": words}
        with engine.using(name):
            chain.fill_words(line, samples, design=design, **how)
        tables.append(line)
    np.testing.assert_array_equal(*tables)
    assert tables[0][-3:].tolist() == [0.0] * 3
    assert np.ptp(tables[0][:-3].reshape(-1, words), axis=-1).min() > 0.0


def test_rate_is_raised_to_the_same_bits():
    engine.choose("fast")
    rows = np.random.default_rng(5).standard_normal((3, 301))
    for to_hz in (4_000.0, 10_000.0, 14_000.0):
        with engine.using("fast"):
            ours = resample(rows, rate_hz=2_000.0, to_hz=to_hz)
        np.testing.assert_array_equal(ours, resample(rows, rate_hz=2_000.0, to_hz=to_hz))


@pytest.mark.parametrize("ticks", [1, 2, 5, 40, 90, 91, 300])
@pytest.mark.parametrize("fill", [0.0, -np.inf])
def test_window_maxima_have_the_same_bits(ticks, fill):
    engine.choose("fast")
    rows = np.random.default_rng(6).standard_normal((11, 91))
    with engine.using("fast"):
        ours = kernels.window_max(rows, ticks, fill=fill)
    np.testing.assert_array_equal(ours, kernels.window_max(rows, ticks, fill=fill))


def test_a_reading_at_the_stop_has_the_same_bits():
    engine.choose("fast")
    sensor = load_sensor_set().sensors["central_x"]
    rows = 3.0 * sensor.stop * np.random.default_rng(7).standard_normal((4, 200))
    with engine.using("fast"):
        ours = chain.respond(rows, sensor=sensor, rate_hz=10_000.0)
    theirs = chain.respond(rows, sensor=sensor, rate_hz=10_000.0)
    assert theirs[1].min() > 0
    for one, other in zip(ours, theirs, strict=True):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("path", ["full", "fast"])
def test_a_part_without_a_filter_has_the_codes_of_the_stages(path):
    engine.choose("fast")
    chosen = sensor_set(part(filter_kind="none", noise_density=0.01 * G))
    true = {"central_x": acceleration(np.array([[1.0], [0.6], [0.8]]) * crash()[:900])}
    found = []
    for name in engine.ENGINES:
        with engine.using(name):
            out = sense(true, chosen, draws=[1, 2, 3], path=path)
            found.append(out.samples.codes["central_x"])
    np.testing.assert_array_equal(*found)
    assert (found[0].std(axis=-1) > 1.0).all()


@pytest.mark.parametrize("path", ["full", "fast"])
def test_noise_of_each_element_as_made_is_that_of_the_stages(path):
    engine.choose("fast")
    chosen = part(**{**COMB.part_numbers(), "element": COMB, "bits": 16})
    quiet = {"central_x": acceleration(np.zeros(900))}
    found = []
    for name in engine.ENGINES:
        with engine.using(name):
            out = sense(quiet, sensor_set(chosen), draws=range(1, 9), path=path)
            found.append(out.samples.codes["central_x"])
    np.testing.assert_array_equal(*found)
    # The elements do differ: their noise by some per cent of hundreds of codes.
    assert np.ptp(found[0].std(axis=-1)) > 0.0


@pytest.mark.parametrize("draws", [[3], [3, 4]])
def test_draws_that_are_all_alike_are_computed_as_one(draws):
    engine.choose("fast")
    true = {"central_x": acceleration(crash(peak_g=150.0))}
    found = []
    for name in engine.ENGINES:
        with engine.using(name):
            out = sense(true, sensor_set(part()), draws=draws, path="full", vary=False)
            found.append(out.samples.codes["central_x"])
    np.testing.assert_array_equal(*found)
    assert (found[0] == found[0][0]).all()


@pytest.mark.parametrize("path", ["fast", "full"])
@pytest.mark.parametrize("with_bank", [False, True])
@pytest.mark.parametrize("density_g", [0.0, 0.05])
def test_values_in_lanes_are_those_of_the_stages_with_a_bank_of_noise_or_without(
    path, with_bank, density_g
):
    """Tiles are (groups of 32 draws, channels, ticks, draws of a group)."""
    engine.choose("fast")
    chosen = sensor_set(part(noise_density=density_g * G, offset_tolerance=G, bits=16))
    true, draws = {"central_x": acceleration(crash()[:900])}, np.arange(1, 41)
    bank = NoiseBank(most_bytes=10**8) if with_bank else None
    with engine.using("fast"):
        kernels = engine.kernels()
        (made,) = prepared(true, chosen, draws=draws, bank=bank, path=path)
        one = made.sensors["central_x"]
        tiles = kernels.aligned(2 * made.base.ticks).reshape(2, 1, made.base.ticks, 32)
        if path == "fast":
            one_pass.in_lanes(one)(0, tiles, 0)
        else:
            assert not one_pass.full_in_lanes(one)(0, tiles, 0).any()
    got = tiles[:, 0].transpose(0, 2, 1).reshape(64, -1)[:40]
    want = sense(true, chosen, draws=draws, path=path).samples.channels["central_x"]
    np.testing.assert_array_equal(got, want)
    # Noise of the words is kept where there is a bank, and nothing where there is no noise.
    kept = with_bank and path == "fast" and density_g > 0.0
    if bank is not None:
        assert any("lanes" in key for key in bank._kept) == kept
