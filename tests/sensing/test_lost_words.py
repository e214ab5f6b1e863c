"""Lost words: what the control unit has without them, and that it never has a later one."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from sensing.sensing_helpers import acceleration, crash, part, sensor_set

from crashsense.errors import InputError
from crashsense.rules import rule_from_table
from crashsense.sensing import ANY_OCCURRENCE, SensorSet, sense
from crashsense.sensing.faults import LostFrames, NoiseBurst
from crashsense.units import STANDARD_GRAVITY as G


def channel(sensors: SensorSet, samples: np.ndarray, **options: Any) -> tuple[Any, Any, Any, Any]:
    """Values, codes, validity and times of the central channel."""
    out = sense({"central_x": acceleration(samples)}, sensors, **options).samples
    return out.channels["central_x"], out.codes["central_x"], out.valid["central_x"], out.times_s


def test_before_the_first_word_the_control_unit_has_none() -> None:
    sensors = sensor_set(part(faults=(LostFrames(from_s=-1.0, until_s=0.02),)))
    values, codes, valid, times = channel(sensors, crash(peak_g=40.0))
    # A tick is over 0.95 ms after the sampling instant of its word.
    known = times[0] - 0.95e-3 > 0.02 - 1e-9
    np.testing.assert_array_equal(valid[0], known)
    assert np.isnan(values[0, ~known]).all()
    assert (codes[0, ~known] == 500).all()
    samples = sense({"central_x": acceleration(crash(peak_g=40.0))}, sensors).samples
    demand = rule_from_table({"family": "velocity_change"}).demand(samples)
    assert demand[0, ~known].max() == 0.0
    assert demand[0, known].max() > 1.0


def test_a_row_without_any_word_stays_without() -> None:
    sensors = sensor_set(part(faults=(LostFrames(from_s=-1.0, until_s=9.0),)))
    values, _, valid, _ = channel(sensors, crash())
    assert np.isnan(values).all()
    assert not valid.any()


@pytest.mark.parametrize(("limit_s", "ticks"), [(0.005, 10), (0.0, 0), (0.0024, 4)])
def test_a_word_is_held_for_so_long_and_no_longer(limit_s: float, ticks: int) -> None:
    lost = LostFrames(from_s=0.01, until_s=9.0)
    sensors = sensor_set(part(faults=(lost,), hold_limit_s=limit_s))
    _, _, valid, times = channel(sensors, crash())
    last_word = int(np.flatnonzero(times[0] - 0.95e-3 < 0.01 - 1e-9)[-1])
    assert int(np.flatnonzero(valid[0])[-1]) == last_word + ticks


def test_a_limit_below_zero_is_refused() -> None:
    with pytest.raises(InputError, match="hold_limit_s"):
        part(hold_limit_s=-1e-3)


SENSORS = {
    "one word a tick": part(),
    "late by a tick": part(slot_start_s=0.7e-3),
    "slower than the ticks": part(sample_rate_hz=500.0, corner_hz=100.0),
    "slower, offset cancelled": part(
        sample_rate_hz=500.0, corner_hz=100.0, offset_cancellation_hz=0.5
    ),
    "faster, averaged": part(sample_rate_hz=10_000.0, combine="mean", offset_cancellation_hz=1.0),
    "flagged": part(on_lost="flag", offset_cancellation_hz=1.0),
}


@pytest.mark.parametrize("name", SENSORS)
@pytest.mark.parametrize("cut_s", [-0.0493, 0.0131, 0.0402])
def test_what_happens_later_never_changes_an_earlier_tick(name: str, cut_s: float) -> None:
    true = crash(peak_g=30.0)
    times = -0.05 + np.arange(true.size) / 10_000.0
    changed = np.where(times > cut_s, 25.0 * G * np.cos(900.0 * times), true)
    lost = {"lost_frame_probability": 0.3, "noise_density": 0.01 * G, "offset_tolerance": 0.2 * G}
    gone = LostFrames(from_s=cut_s + 1e-6, until_s=0.06)
    base = SENSORS[name].changed(**lost)
    options: dict[str, Any] = {"draws": range(8), "seed": 3, "path": "full"}
    before = channel(sensor_set(base), true, **options)
    later = [
        channel(sensor_set(base), changed, **options),
        channel(sensor_set(base.changed(faults=(gone,))), true, **options),
    ]
    # A tick is over 0.95 ms after its own sampling instant: no word in it is younger than that.
    past = before[3] - 0.95e-3 <= cut_s + 1e-9
    assert past.any(axis=-1).sum() >= 6
    for after in later:
        for was, now in zip(before[:3], after[:3], strict=True):
            np.testing.assert_array_equal(was[past], now[past])
        assert not np.array_equal(before[0], after[0], equal_nan=True)


@pytest.mark.parametrize("name", SENSORS)
def test_what_a_draw_has_lost_is_its_own(name: str) -> None:
    """Values, codes and validity of a draw alone are those that it has beside others."""
    lost = {"lost_frame_probability": 0.3, "noise_density": 0.01 * G, "offset_tolerance": 0.2 * G}
    sensors = sensor_set(SENSORS[name].changed(**lost))
    options: dict[str, Any] = {"seed": 3, "path": "full"}
    together = channel(sensors, crash(), draws=range(5, 9), **options)
    assert 0.0 < together[2].mean() < 1.0 or SENSORS[name].on_lost == "hold"
    for row, draw in enumerate(range(5, 9)):
        alone = channel(sensors, crash(), draws=[draw], **options)
        for found, wanted in zip(together, alone, strict=True):
            np.testing.assert_array_equal(found[row], wanted[0])


@pytest.mark.parametrize(
    "changes",
    [
        {"lost_frame_probability": 0.2},
        {"slot_start_s": 0.40e-3, "jitter_s": 0.05e-3},
        {"faults": (NoiseBurst(level=5.0 * G, from_s=0.0, until_s=0.05),)},
        {"noise_density": 0.01 * G},
    ],
    ids=["lost frames", "jitter", "noise burst", "noise"],
)
def test_shared_draws_are_the_same_in_an_event_that_ends_sooner(changes: dict[str, Any]) -> None:
    options = {"draws": range(40), "occurrence": ANY_OCCURRENCE, "path": "full"}
    sensors = sensor_set(part(**changes))
    _, whole, _, _ = channel(sensors, crash(), **options)
    _, cut, _, _ = channel(sensors, crash()[:2000], **options)
    np.testing.assert_array_equal(whole[:, : cut.shape[1]], cut)
    # The draws do differ from one another.
    assert (whole[1] != whole[2]).any()
