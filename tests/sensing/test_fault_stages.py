"""Each fault at its own stage: it begins with the sample of its time, and is its formula there."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import scipy.signal as ss

from crashsense.errors import InputError
from crashsense.sensing.fault_cards import FAULT_CARDS, fault_lines
from crashsense.sensing.faults import (
    BrokenWire,
    DestroyedAtCrush,
    LateWord,
    LooseMounting,
    LostFrames,
    NoiseBurst,
    OffsetStep,
    Scene,
    StuckValue,
    SwappedChannel,
    SwappedPolarity,
    WrongGain,
    make_fault,
)

RATE, FIRST = 10_000.0, 40
TIMES = (np.arange(100) - 20) / RATE
TRUE = np.random.default_rng(3).uniform(5.0, 9.0, (2, TIMES.size))
OTHER = np.random.default_rng(4).uniform(-9.0, -5.0, (2, TIMES.size))
CODES = np.arange(2 * TIMES.size, dtype=np.int32).reshape(2, -1) % 97 + 1


def scene(times: np.ndarray = TIMES, **values: Any) -> Scene:
    given = {
        "draws": np.array([3, 4]), "seed": 1, "occurrence": "e", "channel": "central_x",
        "rate_hz": RATE, "times_s": times, "central_x": TRUE, "internal_times_s": TIMES,
        "failed_code": 500, "truth": {"central_x": TRUE, "central_y": OTHER},
    }  # fmt: skip
    return Scene(**given | values)


@pytest.mark.parametrize(
    ("fault", "want"),
    [
        (OffsetStep(step=2.5, from_s=TIMES[FIRST]), TRUE + 2.5),
        (WrongGain(factor=0.4, from_s=TIMES[FIRST]), TRUE * 0.4),
        (SwappedPolarity(from_s=TIMES[FIRST]), -TRUE),
        (SwappedChannel(partner="central_y", from_s=TIMES[FIRST]), OTHER),
    ],
    ids=["offset", "gain", "polarity", "channel"],
)
def test_a_reading_changes_from_the_very_sample_on(fault: Any, want: np.ndarray) -> None:
    stages = {"input": fault.at_input, "front_end": fault.at_front_end}
    got = stages.pop(fault.stage)(TRUE, scene())
    np.testing.assert_array_equal(got[:, :FIRST], TRUE[:, :FIRST])
    np.testing.assert_array_equal(got[:, FIRST:], want[:, FIRST:])
    # And at no other stage.
    (other,) = stages.values()
    assert other(TRUE, scene()) is TRUE
    arrived = np.ones(CODES.shape, dtype=bool)
    assert fault.at_word(CODES, arrived, scene()) == (CODES, arrived)


@pytest.mark.parametrize(
    ("fault", "want"),
    [
        (BrokenWire(from_s=TIMES[FIRST]), np.full_like(CODES, 500)),
        (StuckValue(from_s=TIMES[FIRST], code=-7), np.full_like(CODES, -7)),
        (StuckValue(from_s=TIMES[FIRST]), np.repeat(CODES[:, FIRST - 1 : FIRST], 100, axis=1)),
        (LateWord(words=3, from_s=TIMES[FIRST]), np.roll(CODES, 3, axis=1)),
    ],
    ids=["broken", "stuck at a code", "stuck", "late"],
)
def test_codes_change_from_the_very_word_on(fault: Any, want: np.ndarray) -> None:
    arrived = np.ones(CODES.shape, dtype=bool)
    codes, came = fault.at_word(CODES, arrived, scene(np.stack([TIMES, TIMES])))
    np.testing.assert_array_equal(codes[:, :FIRST], CODES[:, :FIRST])
    np.testing.assert_array_equal(codes[:, FIRST:], want[:, FIRST:])
    assert came.all()


def test_codes_stuck_or_late_from_the_beginning() -> None:
    arrived = np.ones(CODES.shape, dtype=bool)
    times = np.stack([TIMES, TIMES])
    stuck, _ = StuckValue(from_s=-1.0).at_word(CODES, arrived, scene(times))
    np.testing.assert_array_equal(stuck, np.repeat(CODES[:, :1], 100, axis=1))
    never, _ = StuckValue(from_s=1.0).at_word(CODES, arrived, scene(times))
    np.testing.assert_array_equal(never, CODES)
    # Words that were sent before the record began: none; what did not arrive comes late as well.
    arrived[0, 10] = False
    late, came = LateWord(words=2).at_word(CODES, arrived, scene(times))
    assert (late[:, :2] == 500).all()
    np.testing.assert_array_equal(late[:, 2:], CODES[:, :-2])
    assert np.argwhere(~came).tolist() == [[0, 12]]


@pytest.mark.parametrize("words", [0, 1001])
def test_words_that_no_word_is_late_by(words: int) -> None:
    with pytest.raises(InputError, match="1 to 1000 words"):
        LateWord(words=words)
    assert LateWord(words=1).words == 1
    assert LateWord(words=1000).words == 1000


def test_between_two_times_the_first_counts_and_the_last_does_not() -> None:
    last = 60
    between = {"from_s": TIMES[FIRST], "until_s": TIMES[last]}
    arrived = np.ones(CODES.shape, dtype=bool)
    codes, came = LostFrames(**between).at_word(CODES, arrived, scene(np.stack([TIMES, TIMES])))
    assert codes is CODES
    lost = np.arange(TIMES.size)
    np.testing.assert_array_equal(~came[0], (lost >= FIRST) & (lost < last))
    noisy = NoiseBurst(level=2.0, **between).at_front_end(TRUE, scene()) - TRUE
    assert np.flatnonzero(noisy[0]).tolist() == list(range(FIRST, last))
    assert NoiseBurst(level=0.0, from_s=0.0, until_s=1e-9).level == 0.0
    for kind, more in (("lost_frames", {}), ("noise_burst", {"level": 1.0})):
        with pytest.raises(InputError, match="later than the beginning, 10 ms"):
            make_fault(kind, from_s=0.01, until_s=0.01, **more)


def test_a_burst_is_white_noise_of_its_level_another_in_every_draw() -> None:
    long = np.zeros((3, 20_000))
    times = np.arange(20_000) / RATE
    fault = NoiseBurst(level=3.0, from_s=0.0, until_s=9.0)
    draws = np.array([0, 1, 2])
    got = fault.at_front_end(long, scene(times, draws=draws))
    # 20,000 normal numbers: the deviation is sure to 0.5 %.
    np.testing.assert_allclose(got.std(axis=-1), 3.0, rtol=0.03)
    assert np.abs(np.corrcoef(got) - np.eye(3)).max() < 0.03
    assert abs(np.corrcoef(got[1, 1:], got[1, :-1])[0, 1]) < 0.03
    seeded = fault.at_front_end(long, scene(times, draws=draws, seed=2))
    np.testing.assert_array_equal(got[0], seeded[0])  # the nominal draw knows no seed
    assert (got[1] != seeded[1]).any()


@pytest.mark.parametrize(("hz", "quality"), [(180.0, 8.0), (900.0, 1.5)])
def test_a_loose_bracket_is_a_resonance_by_scipy(hz: float, quality: float) -> None:
    w = 2 * RATE * np.tan(np.pi * hz / RATE)  # the bilinear transform, its resonance pre-warped
    b, a = ss.bilinear([w * w], [1.0, w / quality, w * w], fs=RATE)
    got = LooseMounting(resonance_hz=hz, quality=quality).at_input(TRUE, scene())
    want = TRUE[:, :1] + ss.lfilter(b, a, TRUE - TRUE[:, :1])
    np.testing.assert_allclose(got, want, rtol=1e-9)
    LooseMounting(resonance_hz=np.nextafter(2500.0, 0.0)).at_input(TRUE, scene())
    with pytest.raises(InputError, match="below a quarter of the internal rate, 2500 Hz"):
        LooseMounting(resonance_hz=2500.0).at_input(TRUE, scene())
    for name in ("resonance_hz", "quality"):
        with pytest.raises(InputError, match="above 0"):
            LooseMounting(**{name: 0.0})


def test_crush_against_a_wall_by_uniform_deceleration() -> None:
    """Way v0 t - a t^2 / 2 from contact on, whatever was before it."""
    times = (np.arange(2000) - 500) / RATE
    braked = np.where(times >= 0, -100.0, 7.0)[None]
    given = {"central_x": braked, "internal_times_s": times}
    for crush in (0.1, 0.3):
        fault = DestroyedAtCrush(crush_m=crush, closing_speed_m_s=10.0)
        # 10 t - 50 t^2 = crush
        want = (10.0 - np.sqrt(100.0 - 200.0 * crush)) / 100.0
        found = fault.destroyed_s(scene(times, **given))
        assert found == pytest.approx(want, abs=1.01e-4)
        at = int(np.flatnonzero(times >= found[0])[0])
        codes = np.ones((1, times.size), dtype=np.int32)
        dead, _ = fault.at_word(codes, codes > 0, scene(times[None], **given))
        assert np.flatnonzero(dead[0] == 500).tolist() == list(range(at, times.size))
    # The car stops after 0.5 m.
    deep = DestroyedAtCrush(crush_m=0.51, closing_speed_m_s=10.0)
    assert np.isinf(deep.destroyed_s(scene(times[:1500], **given | {
        "central_x": braked[:, :1500], "internal_times_s": times[:1500]}))).all()  # fmt: skip
    for name in ("crush_m", "closing_speed_m_s"):
        with pytest.raises(InputError, match="above 0"):
            DestroyedAtCrush(**{"crush_m": 1.0, "closing_speed_m_s": 1.0} | {name: 0.0})
    with pytest.raises(InputError, match="central_x"):
        deep.destroyed_s(scene(central_x=None))


@pytest.mark.parametrize("kind", FAULT_CARDS)
def test_the_card_of_a_fault_gives_defaults_in_units_of_the_file(kind: str) -> None:
    text = "\n".join(fault_lines(kind))
    for words in FAULT_CARDS[kind][1].values():
        assert words.text in text
    if kind == "noise_burst":
        assert "default 20: when it ends" in text  # 0.02 s
        assert "default 0: when it begins" in text
        assert "level_g" in text
        assert "(level_kpa or level_deg_s for another kind of sensor)" in text
        assert "required: standard deviation" in text
