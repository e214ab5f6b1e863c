"""sense(): draws, blocks, paths, time bases, faults, absent channels."""

from __future__ import annotations

import importlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sensing.sensing_helpers import RATE, acceleration, crash, part, sensor_set, with_faults

from crashsense.errors import InputError
from crashsense.sensing import load_sensor_set, sense
from crashsense.sensing.chain import CORNER_SETTINGS
from crashsense.sensing.faults import (
    BrokenWire,
    DestroyedAtCrush,
    LooseMounting,
    LostFrames,
    NoiseBurst,
    OffsetStep,
    StuckValue,
    SwappedPolarity,
    make_fault,
)
from crashsense.sensing.tolerance import PHASES, draw_sensor, draw_unit
from crashsense.signal import Signal, cumulative_trapezoid
from crashsense.units import STANDARD_GRAVITY as G

CHANNELS = ["central_x", "central_safing_x"]


def signals(peak_g: float = 30.0, ringing_g: float = 5.0) -> dict[str, Signal]:
    true = crash(peak_g=peak_g, ringing_g=ringing_g)
    return {
        "central_x": acceleration(true),
        "central_y": acceleration(0.2 * true, axis="y"),
        "central_safing_x": acceleration(true),
    }


@pytest.mark.parametrize("path", ["auto", "full"])
@pytest.mark.parametrize("peak_g", [30.0, 200.0])
def test_a_draw_is_the_same_in_any_block(path: str, peak_g: float) -> None:
    standard = load_sensor_set()
    arguments = {"seed": 3, "occurrence": "wall", "channels": CHANNELS, "path": path}
    whole = sense(signals(peak_g), standard, draws=range(70), **arguments)
    for block in ([0], [5], [69, 2], list(range(30, 36))):
        got = sense(signals(peak_g), standard, draws=block, **arguments)
        for channel in CHANNELS:
            for table in ("channels", "codes", "valid"):
                np.testing.assert_array_equal(
                    getattr(got.samples, table)[channel],
                    getattr(whole.samples, table)[channel][block],
                )
        np.testing.assert_array_equal(got.samples.start_s, whole.samples.start_s[block])
        np.testing.assert_array_equal(got.paths, whole.paths[block])


def test_signals_of_each_draw_in_any_block() -> None:
    standard = load_sensor_set()
    rows = np.stack([crash(peak_g=20.0 + 4 * k) for k in range(40)])
    whole = sense({"central_x": acceleration(rows)}, standard, draws=range(40), occurrence="a")
    assert set(whole.paths) == {"fast", "full"}
    part_of = sense(
        {"central_x": acceleration(rows[17:21])}, standard, draws=range(17, 21), occurrence="a"
    )
    np.testing.assert_array_equal(
        part_of.samples.codes["central_x"], whole.samples.codes["central_x"][17:21]
    )


def test_other_channels_do_not_change_a_channel() -> None:
    standard = load_sensor_set()
    both = sense(signals(), standard, draws=range(5))
    one = sense(signals(), standard, draws=range(5), channels=["central_x"])
    np.testing.assert_array_equal(
        one.samples.channels["central_x"], both.samples.channels["central_x"]
    )


def test_occurrence_seed_and_channel_are_axes_and_the_set_is_none() -> None:
    standard = load_sensor_set()
    narrow = load_sensor_set("central_100g")
    base = sense(signals(), standard, draws=[4], seed=1, occurrence="a")
    other = sense(signals(), standard, draws=[4], seed=1, occurrence="b")
    seeded = sense(signals(), standard, draws=[4], seed=2, occurrence="a")
    assert (other.samples.codes["central_x"] != base.samples.codes["central_x"]).any()
    assert (seeded.samples.codes["central_x"] != base.samples.codes["central_x"]).any()
    # Another range meets the same draw: the readings differ by quantisation and the cubic part.
    ranged = sense(signals(), narrow, draws=[4], seed=1, occurrence="a")
    gap = ranged.samples.channels["central_x"] - base.samples.channels["central_x"]
    assert np.abs(gap).max() < 0.3 * G


def test_draw_zero_is_nominal_and_free_of_noise() -> None:
    standard = load_sensor_set()
    zero = sense(signals(), standard, draws=[0, 1], seed=1)
    fixed = sense(signals(), standard, draws=[0, 1], seed=9, vary=False)
    for channel in CHANNELS:
        np.testing.assert_array_equal(
            zero.samples.codes[channel][0], fixed.samples.codes[channel][0]
        )
        np.testing.assert_array_equal(
            fixed.samples.codes[channel][0], fixed.samples.codes[channel][1]
        )
    assert (zero.samples.codes["central_x"][1] != zero.samples.codes["central_x"][0]).any()


def test_settings_and_phases_come_from_five_values_each() -> None:
    standard = load_sensor_set()
    draws = np.arange(2001)
    shared = draw_unit(draws, unit=standard.control_unit, seed=1, occurrence="x", vary=True)
    drawn = draw_sensor(
        draws,
        sensor=standard.sensor("central_x"),
        channel="central_x",
        shared=shared,
        seed=1,
        occurrence="x",
        vary=True,
    )
    for chosen, count in ((drawn.setting, len(CORNER_SETTINGS)), (shared.phase, len(PHASES))):
        # 2000 draws on 5 equal values: 400 +/- 18; five standard deviations.
        assert np.abs(np.bincount(chosen[1:], minlength=count) - 400).max() < 90
    assert drawn.setting[0] == 2
    assert shared.phase[0] == 0
    assert drawn.gain[0] == 1.0
    # Sensitivity 2 % and temperature 1e-4/K: standard deviation of the gain.
    assert drawn.gain[1:].std() == pytest.approx(0.0203, rel=0.08)
    assert np.abs(drawn.gain - 1).max() < 0.06 + 0.02


def test_nominal_phase_is_the_worst() -> None:
    # A step at time zero: the first word that shows it is processed latest at phase 0.
    step = np.where(-0.05 + np.arange(1500) / RATE > 1e-9, -80.0 * G, 0.0)
    tested = sensor_set(part(filter_kind="none"))
    out = sense({"central_x": acceleration(step)}, tested, draws=range(60)).samples
    seen = np.argmax(out.codes["central_x"] < -100, axis=-1)
    times = out.times_s[np.arange(60), seen]
    assert times[0] == pytest.approx(times.max(), abs=1e-9)
    assert np.unique(np.round(times, 7)).size == 5


@pytest.mark.parametrize("rate_hz", [1000.0, 2000.0, 5000.0, 20_000.0])
def test_any_input_rate(rate_hz: float) -> None:
    t = -0.1 + np.arange(round(0.6 * rate_hz)) / rate_hz
    true = 20 * G * np.sin(2 * np.pi * 15 * t) * np.exp(-((t - 0.2) ** 2) / 0.005)
    signal = acceleration(true, rate_hz=rate_hz, start_s=-0.1)
    standard = load_sensor_set()
    out = sense({"central_x": signal}, standard, channels=["central_x"]).samples
    true_at = out.times_s[0] - standard.delay_s("central_x")
    want = 20 * G * np.sin(2 * np.pi * 15 * true_at) * np.exp(-((true_at - 0.2) ** 2) / 0.005)
    inside = slice(40, out.size - 40)
    error = out.channels["central_x"][0][inside] - want[inside]
    assert np.abs(error).max() < 0.3 * G


def test_slow_sensor_holds_its_word() -> None:
    t = -0.2 + np.arange(2000) / 1000.0
    roll = Signal(
        np.radians(120) * np.sin(2 * np.pi * 1.0 * t),
        rate_hz=1000.0,
        start_s=-0.2,
        unit="rad/s",
        axis="roll",
        location="central",
    )
    out = sense({"central_roll_rate": roll}, load_sensor_set(), channels=["central_roll_rate"])
    codes = out.samples.codes["central_roll_rate"][0]
    changes = np.flatnonzero(np.diff(codes)) + 1
    assert np.unique(changes % 4).size == 1
    assert out.samples.rate_hz == 2000.0
    assert np.degrees(np.abs(out.samples.channels["central_roll_rate"]).max()) == pytest.approx(
        120, abs=1.0
    )


def test_absent_and_unknown_channels_come_out_failed() -> None:
    out = sense(signals(), load_sensor_set(), draws=range(2), channels=["central_x", "side_left_y"])
    assert np.isnan(out.samples.channels["side_left_y"]).all()
    assert not out.samples.valid["side_left_y"].any()
    assert (out.samples.codes["side_left_y"] == 500).all()
    assert "side_left_y" not in out.reports


def test_quiet_channel_shows_offset_and_noise_only() -> None:
    out = sense(
        signals(),
        load_sensor_set(),
        draws=range(20),
        channels=["side_left_y"],
        quiet=["side_left_y"],
    )
    values = out.samples.channels["side_left_y"]
    assert out.samples.valid["side_left_y"].all()
    assert (values[0] == 0).all()
    assert 0 < np.abs(values[1:]).max() < 6 * G


def test_one_signal_for_all_is_computed_as_one(monkeypatch: pytest.MonkeyPatch) -> None:
    # Clipped, nominal sensors: one row through the filter, however many draws a part has.
    from crashsense.sensing import chain

    rows = []
    original = chain.apply_setting
    monkeypatch.setattr(
        chain,
        "apply_setting",
        lambda samples, **k: rows.append(len(samples)) or original(samples, **k),
    )
    out = sense(
        signals(peak_g=200.0),
        load_sensor_set(),
        draws=range(64),
        vary=False,
        channels=["central_x"],
    )
    assert out.path == "full"
    assert set(rows) == {1}
    assert out.samples.channels["central_x"].shape[0] == 64


def test_long_blocks_are_sensed_in_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    module = importlib.import_module("crashsense.sensing.sense")
    rows = np.stack([crash(peak_g=20.0 + 15 * k) for k in range(9)])
    true = {"central_x": acceleration(rows), "central_safing_x": acceleration(crash())}
    whole = sense(true, load_sensor_set(), draws=range(9), channels=CHANNELS)
    monkeypatch.setattr(module, "PIECE_SAMPLES", 4 * rows.shape[1])
    pieces = sense(true, load_sensor_set(), draws=range(9), channels=CHANNELS)
    for channel in CHANNELS:
        np.testing.assert_array_equal(
            pieces.samples.channels[channel], whole.samples.channels[channel]
        )
        np.testing.assert_array_equal(
            pieces.reports[channel].clipped_before_filter,
            whole.reports[channel].clipped_before_filter,
        )
    np.testing.assert_array_equal(pieces.samples.start_s, whole.samples.start_s)
    np.testing.assert_array_equal(pieces.paths, whole.paths)
    with pytest.raises(InputError, match="one for each of the 8 draws"):
        sense(true, load_sensor_set(), draws=range(8))


def test_bad_arguments() -> None:
    standard = load_sensor_set()
    with pytest.raises(InputError, match="draw numbers"):
        sense(signals(), standard, draws=[-1])
    with pytest.raises(InputError, match="did you mean"):
        sense(signals(), standard, path="ful")
    with pytest.raises(InputError, match="can reach a stop"):
        sense(signals(peak_g=500.0), standard, path="fast")
    with pytest.raises(InputError, match="share at least two ticks"):
        sense({"central_x": acceleration(np.zeros(3))}, standard)


# --- faults --------------------------------------------------------------------------------------


def faulty(*faults: object, draws: int = 3, peak_g: float = 30.0):  # noqa: ANN201
    base = sensor_set(part())
    true = {"central_x": acceleration(crash(peak_g=peak_g))}
    good = sense(true, base, draws=range(draws))
    bad = sense(true, with_faults(base, *faults), draws=range(draws))
    return good, bad


def test_stuck_value_gives_constant_codes() -> None:
    _, bad = faulty(StuckValue(code=37))
    assert (bad.samples.codes["central_x"] == 37).all()
    good, bad = faulty(StuckValue(from_s=0.03))
    times = bad.samples.times_s - 0.00095
    for row in range(3):
        late = times[row] >= 0.03 - 1e-9
        codes = bad.samples.codes["central_x"][row]
        assert np.unique(codes[late]).size == 1
        np.testing.assert_array_equal(codes[~late], good.samples.codes["central_x"][row, ~late])
        assert codes[late][0] == codes[~late][-1]


def test_offset_step() -> None:
    good, bad = faulty(OffsetStep(step=10 * G, from_s=0.1))
    gap = (bad.samples.channels["central_x"] - good.samples.channels["central_x"]) / G
    assert np.abs(gap[:, :290]).max() == 0.0
    np.testing.assert_allclose(gap[:, 320:], 10.0, atol=0.22)
    assert set(bad.paths) == {"full"}


def test_broken_wire_is_flagged() -> None:
    _, bad = faulty(BrokenWire(from_s=0.02))
    late = bad.samples.times_s - 0.00095 >= 0.02 - 1e-9
    np.testing.assert_array_equal(bad.samples.valid["central_x"], ~late)
    assert (bad.samples.codes["central_x"][late] == 500).all()


def test_swapped_polarity() -> None:
    good, bad = faulty(SwappedPolarity())
    np.testing.assert_array_equal(bad.samples.codes["central_x"], -good.samples.codes["central_x"])


def test_loose_mounting_rings() -> None:
    good, bad = faulty(LooseMounting(resonance_hz=300.0, quality=8.0))
    before = good.samples.channels["central_x"][0]
    after = bad.samples.channels["central_x"][0]
    assert np.abs(np.diff(after)).sum() > 1.5 * np.abs(np.diff(before)).sum()
    # The velocity of the pulse stays: the bracket's gain at zero frequency is 1.
    assert after.sum() == pytest.approx(before.sum(), rel=0.01)
    with pytest.raises(InputError, match="quarter of the internal rate"):
        faulty(LooseMounting(resonance_hz=4000.0))


def test_noise_burst_also_in_the_nominal_draw() -> None:
    good, bad = faulty(NoiseBurst(level=20 * G, from_s=0.02, until_s=0.04))
    gap = np.abs(bad.samples.channels["central_x"] - good.samples.channels["central_x"])
    assert gap[:, :139].max() == 0.0
    assert (gap[:, 145:180].max(axis=-1) > 2 * G).all()
    _, again = faulty(NoiseBurst(level=20 * G, from_s=0.02, until_s=0.04))
    np.testing.assert_array_equal(again.samples.codes["central_x"], bad.samples.codes["central_x"])


def test_lost_frames_fault_is_counted_held_and_then_flagged() -> None:
    good, bad = faulty(LostFrames(from_s=0.02, until_s=0.03))
    assert (bad.reports["central_x"].lost_frames == 20).all()
    assert (good.reports["central_x"].lost_frames == 0).all()
    codes, valid = bad.samples.codes["central_x"], bad.samples.valid["central_x"]
    # 5 ms at 2 kHz: ten words are bridged by the last one, then the control unit gives up.
    assert (codes[0, 140:150] == codes[0, 139]).all()
    assert (codes[0, 150:160] == 500).all()
    assert valid[0].tolist() == [True] * 150 + [False] * 10 + [True] * (valid.shape[1] - 160)


def test_destroyed_at_crush() -> None:
    # Against a fixed wall crush = v0 t + double integral of cabin acceleration.
    fault = DestroyedAtCrush(crush_m=0.3, closing_speed_m_s=12.0)
    _, bad = faulty(fault)
    t = -0.05 + np.arange(2500) / RATE
    way = cumulative_trapezoid(
        cumulative_trapezoid(np.where(t >= 0, crash(), 0.0), step_s=1e-4), step_s=1e-4
    ) + 12.0 * np.maximum(t, 0)
    dead = t[np.argmax(way >= 0.3)]
    assert 0.02 < dead < 0.04
    late = bad.samples.times_s - 0.00095 >= dead - 1e-9
    np.testing.assert_array_equal(bad.samples.valid["central_x"], ~late)


def test_unknown_fault_and_values() -> None:
    with pytest.raises(InputError, match="did you mean 'stuck_value'"):
        make_fault("stuck_valu")
    with pytest.raises(InputError) as caught:
        make_fault("noise_burst", levle=3.0, until_s="x")
    assert [fault.field for fault in caught.value.faults] == ["levle", "level", "until_s"]
    with pytest.raises(InputError, match="later than"):
        NoiseBurst(level=1.0, from_s=1.0, until_s=0.5)


@settings(max_examples=15, deadline=None)
@given(first=st.integers(0, 200), count=st.integers(1, 5), seed=st.integers(0, 5))
def test_blocks_property(first: int, count: int, seed: int) -> None:
    tested = sensor_set(part(noise_density=0.01, sensitivity_tolerance=0.02, corner_tolerance=0.03))
    true = {"central_x": acceleration(crash(samples=900))}
    block = sense(true, tested, draws=range(first, first + count), seed=seed).samples
    last = sense(true, tested, draws=[first + count - 1], seed=seed).samples
    np.testing.assert_array_equal(block.codes["central_x"][-1:], last.codes["central_x"])
