"""What the samples of one channel tell: each check is provoked, and silent on a sound channel.

The sound channels are a made pulse as rough as a measured one, and the public record 10146 where it
is at hand.
"""

from __future__ import annotations

import numpy as np
import pytest
from rough_pulse import rough_g

from crashsense.filters.channel_class import channel_class_filter
from crashsense.records import signal_checks
from crashsense.records.exchange import _two_columns
from crashsense.records.motion import Judged, motion, onset_by_energy
from crashsense.units import STANDARD_GRAVITY

RATE = 10000.0
CHECKS = ("dropouts", "resolution", "flat_tops", "filtered", "tail")


def judged(values_g, *, start_s: float = -0.05, rate_hz: float = RATE) -> Judged:
    return Judged(np.asarray(values_g) * STANDARD_GRAVITY, rate_hz, start_s, 0.0, ())


def told(check: str, channel: Judged):
    return getattr(signal_checks, check)("channel 1", channel, file="f")


@pytest.fixture(scope="module")
def measured(record_folder):
    times, values = _two_columns(record_folder / "v10146.093")
    return values - values[times < -0.001].mean()


@pytest.mark.parametrize("check", CHECKS)
def test_a_sound_channel_passes(check):
    assert told(check, judged(rough_g(-55.0))) == []


@pytest.mark.parametrize("check", CHECKS)
def test_the_public_record_passes(check, measured):
    assert told(check, judged(measured)) == []


@pytest.fixture(params=["made", "public"])
def sound(request):
    if request.param == "made":
        return rough_g(-55.0)
    return request.getfixturevalue("measured")


@pytest.mark.parametrize("channel_class", [20, 60])
def test_an_earlier_filter(sound, channel_class):
    whole = sound
    if channel_class == 20:
        # Two passes of class 60 stand for a slower filter.
        sound = channel_class_filter(sound, rate_hz=RATE, channel_class=60)
    slow = channel_class_filter(sound, rate_hz=RATE, channel_class=60)
    (found,) = told("filtered", judged(slow))
    assert "already filtered" in str(found)
    assert not found.disqualifies
    light = channel_class_filter(whole, rate_hz=RATE, channel_class=600)
    assert told("filtered", judged(light)) == []


def test_missing_samples(sound):
    held = sound.copy()
    held[900:910] = held[900]
    (found,) = told("dropouts", judged(held))
    assert "from 40.0 ms" in str(found)
    assert found.disqualifies
    dead = sound.copy()
    dead[1100:] = 12.0
    (found,) = told("dropouts", judged(dead))
    assert "the channel died" in str(found)


def test_resolution(sound):
    (found,) = told("resolution", judged(np.round(sound)))
    assert "got '1 g'" in str(found)
    assert not found.disqualifies
    (found,) = told("resolution", judged(np.round(sound / 4.0) * 4.0))
    assert found.disqualifies
    assert told("resolution", judged(np.round(sound / 0.2) * 0.2)) == []
    (found,) = told("resolution", judged(np.sign(sound)))
    assert "no measurement" in str(found)
    assert found.disqualifies


@pytest.mark.parametrize("limit_g", [30.0, 41.0])
def test_clipping_below_full_scale(measured, limit_g):
    noise = 0.01 * np.random.default_rng(2).standard_normal(measured.size)
    clipped = np.clip(measured, -limit_g, limit_g) + noise
    found = told("flat_tops", judged(clipped))
    assert found
    assert "looks clipped" in str(found[0])
    assert found[0].disqualifies


def moving(rms_g, *, rate_hz=RATE, seed=4):
    """Noise of the given rms [g] from time zero on, after 50 ms of rest; no value comes twice."""
    source = np.random.default_rng(seed)
    quiet = 0.001 * source.standard_normal(round(0.05 * rate_hz))
    return np.concatenate([quiet, rms_g * source.standard_normal(round(0.25 * rate_hz))])


@pytest.mark.parametrize(
    ("rate_hz", "least"),
    # 0.6 ms, and no fewer than 5 samples
    [(20_000.0, 12), (RATE, 6), (2000.0, 5)],
)
def test_a_repeated_value_is_a_dropout_from_its_length_on(rate_hz, least):
    values = moving(10.0, rate_hz=rate_hz)
    at = round(0.1 * rate_hz)
    for count in (least - 1, least):
        held = values.copy()
        held[at : at + count] = 1.25
        found = told("dropouts", judged(held, rate_hz=rate_hz))
        assert len(found) == (count == least), (rate_hz, count)
    assert f"the value 1.2 g {least} times from 50.0 ms" in str(found[0])
    # Not where it is the extreme (clipping is another finding), nor before time zero.
    top = values.copy()
    top[at : at + 3 * least] = 1.5 * values.max()
    assert told("dropouts", judged(top, rate_hz=rate_hz)) == []
    early = values.copy()
    early[10 : 10 + 3 * least] = 0.5
    assert told("dropouts", judged(early, rate_hz=rate_hz)) == []


@pytest.mark.parametrize(("rms_g", "dropout"), [(1.6, False), (2.4, True)])
def test_a_repeated_value_counts_where_the_body_moves_by_2_g(rms_g, dropout):
    held = moving(rms_g)
    held[1000:1010] = 0.1
    assert len(told("dropouts", judged(held))) == dropout


@pytest.mark.parametrize(
    ("rms_g", "end_g", "last_ms", "died"),
    [
        (10.0, 0.5, 12.0, True),  # it moved until then
        (0.01, 6.0, 12.0, True),  # it ends where no car rolls
        (0.01, 4.0, 12.0, False),  # it may roll
        (10.0, 0.5, 8.0, False),  # too short to tell
    ],
)
def test_a_value_that_lasts_to_the_end(rms_g, end_g, last_ms, died):
    values = moving(rms_g)
    values[-round(1e-3 * last_ms * RATE) :] = end_g
    found = told("dropouts", judged(values))
    assert len(found) == died
    assert not died or "the channel died" in str(found[0])


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("top_g", "clipped"),
    [
        ([30.0] * 4, True),  # the same value four times
        ([30.0] * 3, False),
        ([30.0, 29.97, 29.99, 29.96, 29.98], True),  # five within 0.2 %
        ([30.0, 29.97, 29.99, 29.96], False),
        ([4.9] * 8, False),  # nothing below 5 g is looked at
    ],
)
def test_a_plateau_with_steep_sides_is_clipping(top_g, clipped, sign):
    values = 0.4 * moving(1.0)
    values[1000 : 1000 + len(top_g)] = top_g
    found = told("flat_tops", judged(sign * values))
    assert len(found) == clipped
    if clipped:
        assert found[0].disqualifies
        assert f"{sign * 30.0:.1f} g for {len(top_g)} samples" in str(found[0])


def test_a_plateau_at_either_end_of_the_record_or_without_steep_sides_is_no_clipping():
    """It may go on outside; and a flat top that is reached slowly is a peak."""
    for place in (slice(0, 8), slice(-8, None)):
        values = 0.4 * moving(1.0)
        values[place] = 30.0
        assert told("flat_tops", judged(values)) == []
    for at in (1, 2992 - 1):
        values = 0.4 * moving(1.0)
        values[at : at + 8] = 30.0
        assert len(told("flat_tops", judged(values))) == 1
    slow = 30.0 - 1e-4 * np.square(np.arange(3000) - 1500.0)
    assert told("flat_tops", judged(np.maximum(slow, 0.0))) == []


@pytest.mark.parametrize("step_g", [0.45, 0.6, 1.9, 2.2])
def test_steps_of_a_converter_from_half_a_g_and_from_2_g_on(step_g):
    values = step_g * np.round(moving(15.0) / step_g)
    found = told("resolution", judged(values))
    assert len(found) == (step_g > 0.5)
    if found:
        assert f"got '{step_g:.2g} g'" in str(found[0])
        assert found[0].disqualifies == (step_g > 2.0)


@pytest.mark.parametrize("limit_g", [30.0, 41.0])
def test_a_made_pulse_that_is_clipped(limit_g):
    """As the public record above, for those who do not have it."""
    sound = rough_g(-55.0)
    assert np.abs(sound).max() > limit_g
    found = told("flat_tops", judged(np.clip(sound, -limit_g, limit_g)))
    assert found
    assert "looks clipped" in str(found[0])


@pytest.mark.parametrize(
    ("shift_ms", "severity"), [(-9, "warning"), (-6, "warning"), (0, "info"), (12, "warning")]
)
def test_time_zero_of_a_made_pulse_shifted(shift_ms, severity):
    """Its onset is at 1 ms: before -1 ms and after 9 ms it is no contact with a fixed obstacle."""
    channel = judged(rough_g(-55.0), start_s=-0.05 + shift_ms / 1e3)
    seen = motion(channel)
    (found,) = signal_checks.contact("made", channel, seen, file="f", fixed=True, struck=True)
    assert (found.severity, found.disqualifies) == (severity, shift_ms < 0)
    # Against what may give way, or in a slow impact, late is no fault.
    (free,) = signal_checks.contact("made", channel, seen, file="f", fixed=False, struck=True)
    assert free.severity == ("info" if shift_ms >= 0 else severity)
    assert signal_checks.contact("made", channel, seen, file="f", fixed=True, struck=False) == []


def test_a_smooth_peak_is_no_plateau():
    times = np.arange(-500, 2500) / RATE
    smooth = -30.0 * np.where((times > 0) & (times < 0.1), np.sin(np.pi * times / 0.1) ** 2, 0.0)
    assert told("flat_tops", judged(smooth)) == []


@pytest.mark.parametrize(("shift_g", "lost"), [(3.0, False), (-6.0, True)])
def test_a_zero_that_moves(sound, shift_g, lost):
    moved = sound.copy()
    moved[1000:] += shift_g
    (found,) = told("tail", judged(moved))
    assert found.disqualifies == lost


def test_onset_by_energy(measured):
    assert onset_by_energy(judged(measured)) == pytest.approx(0.0041, abs=0.0005)
    for late in (0.0, 0.003, 0.012):
        assert onset_by_energy(judged(rough_g(-55.0, late_s=late))) == pytest.approx(
            late + 0.001, abs=0.0015
        )
    assert np.isnan(onset_by_energy(judged(np.zeros(3000))))


@pytest.mark.parametrize(
    ("shift_ms", "severity"),
    [(-12, "warning"), (-6, "warning"), (-3, "info"), (3, "info"), (6, "warning"), (12, "warning")],
)
def test_time_zero_of_the_public_record_shifted(measured, shift_ms, severity):
    """Onset at 4 ms: 6 ms show both ways; 3 ms lie within what sound records show."""
    channel = judged(measured, start_s=-0.05 + shift_ms / 1e3)
    seen = motion(channel)
    (found,) = signal_checks.contact("channel 93", channel, seen, file="f", fixed=True, struck=True)
    assert found.severity == severity
    # What is late bars a requirement: energy before time zero may be a disturbance as well.
    assert found.disqualifies == (shift_ms <= -6)


def test_a_pole_of_another_kind_has_no_fixed_limit(measured):
    channel = judged(measured, start_s=-0.05 + 0.012)
    (found,) = signal_checks.contact(
        "channel 93", channel, motion(channel), file="f", fixed=False, struck=True
    )
    assert found.severity == "info"


@pytest.mark.parametrize(
    ("start_s", "place"), [(-0.05, 50), (0.02, 0), (-1.0, 299), (-0.2994, 299)]
)
def test_time_zero_is_a_sample_of_the_channel(start_s, place):
    """Where it lies outside, nothing, or all, is after contact."""
    channel = Judged(np.full(300, 2.0), 1000.0, start_s, 0.0, ())
    assert channel.contact == place
    at = np.array([0.0, 0.1, 9.0])
    longest = (299 - place) / 1000.0
    got = signal_checks.velocity_at(channel, at)
    np.testing.assert_allclose(got, 2.0 * np.minimum(at, longest), rtol=1e-12)
    if longest > 0.0:
        change = motion(channel).velocity_change_m_s
        assert change == pytest.approx(2.0 * min(0.15, longest))


@pytest.mark.parametrize(
    ("end_s", "last_s"),
    # 20 ms at least, else the second half of what lies after 150 ms; nothing before 170 ms.
    [(0.169, None), (0.172, 0.020), (0.19, 0.020), (0.25, 0.050), (0.35, 0.100)],
)
@pytest.mark.parametrize(("level_g", "told"), [(1.99, ""), (2.01, "warning"), (-5.01, "lost")])
def test_the_tail_is_the_mean_over_its_last_part(end_s, last_s, level_g, told):
    size = round((end_s + 0.05) * 1000.0) + 1
    values = 50.0 * np.ones(size)
    if last_s is not None:
        values[-round(last_s * 1000.0) :] = level_g + 3.0 * np.resize(
            [1.0, -1.0], round(last_s * 1e3)
        )
    findings = signal_checks.tail("w", judged(values, rate_hz=1000.0), file="f")
    assert bool(findings) == (bool(told) and last_s is not None)
    assert not findings or findings[0].disqualifies == (told == "lost")


@pytest.mark.parametrize(("size_g", "levels", "told_so"), [(0.99, 7, False), (1.0, 7, True),
                                                           (5.0, 8, False)])  # fmt: skip
def test_fewer_than_eight_values_of_what_was_felt_are_no_measurement(size_g, levels, told_so):
    """From 1 g between the least and the largest on; eight values may be a coarse one."""
    values = np.resize(np.linspace(0.0, size_g, levels), 300)
    found = told("resolution", judged(values))
    assert any("different values" in str(one.value) for one in found) == told_so
