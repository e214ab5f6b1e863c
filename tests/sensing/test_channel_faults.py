"""Single faults of a channel, by name and time: what each does to the words, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sensing.sensing_helpers import acceleration, crash

from crashsense.channels import CHANNELS
from crashsense.errors import InputError
from crashsense.sensing import Sensed, load_sensor_set, sense
from crashsense.sensing.channel_faults import (
    CHANNEL_FAULTS,
    ChannelFault,
    parse_channel_fault,
    partner_of,
    single_faults,
    with_channel_faults,
)
from crashsense.sensing.faults import ALWAYS_S, LateWord, SwappedChannel
from crashsense.units import STANDARD_GRAVITY as G

SET = load_sensor_set()
SIGNALS = {
    "central_x": acceleration(crash()),
    "central_y": acceleration(0.4 * crash(peak_g=20.0), axis="y"),
}
DRAWS = [0, 1, 2]
READ_S = 0.00095  # reading and task, after the sampling instant


def sensed(*texts: str) -> Sensed:
    faulty = with_channel_faults(SET, [parse_channel_fault(text) for text in texts])
    # Faults ahead of the words take the full path, whose noise is not that of the fast one.
    return sense(SIGNALS, faulty, draws=DRAWS, channels=["central_x", "central_y"], path="full")


def late(out: Sensed, from_ms: float) -> np.ndarray:
    """True for words sampled at or after a time."""
    return out.samples.times_s - READ_S >= from_ms * 1e-3 - 1e-9


def test_nothing_happens_before_the_fault_begins() -> None:
    # The low-pass looks back only, so the words before are those of the good sensor, bit for bit.
    good = sensed()
    for kind in CHANNEL_FAULTS:
        bad = sensed(f"central_x:{kind}:20")
        before = ~late(good, 20.0)
        for channel in ("central_x", "central_y"):
            np.testing.assert_array_equal(
                bad.samples.codes[channel][before], good.samples.codes[channel][before]
            )
        changed = bad.samples.codes["central_x"] != good.samples.codes["central_x"]
        assert changed.any()


def test_what_each_kind_does() -> None:
    good = sensed()
    codes, values = good.samples.codes["central_x"], good.samples.channels["central_x"]
    after = late(good, 20.0)

    def bad(kind: str) -> Sensed:
        return sensed(f"central_x:{kind}:20")

    lost = bad("lost").samples
    np.testing.assert_array_equal(lost.valid["central_x"], ~after)
    stuck = bad("stuck").samples.codes["central_x"]
    for row in range(3):
        at = np.argmax(after[row])
        assert (stuck[row, at:] == codes[row, at - 1]).all()
    limit = SET.sensor("central_x").code_limit
    assert (bad("saturated").samples.codes["central_x"][after] == limit).all()
    assert (bad("saturated_negative").samples.codes["central_x"][after] == -limit).all()
    settled = late(good, 40.0)
    step = SET.sensor("central_x").step
    moved = bad("offset").samples.channels["central_x"] - values
    np.testing.assert_allclose(moved[settled], 12.0 * G, atol=1.01 * step)
    halved = bad("wrong_gain").samples.channels["central_x"]
    np.testing.assert_allclose(halved[settled], 0.5 * values[settled], atol=0.76 * step)


def test_inverted_and_swapped_without_tolerances() -> None:
    def nominal(*texts: str) -> Sensed:
        faulty = with_channel_faults(SET, [parse_channel_fault(text) for text in texts])
        plain = faulty.changed("central_x", "central_y", nonlinearity=0.0)
        return sense(SIGNALS, plain, channels=["central_x", "central_y"])

    good = nominal()
    np.testing.assert_array_equal(
        nominal("central_x:inverted").samples.codes["central_x"], -good.samples.codes["central_x"]
    )
    # Both parts are the same, so exchanged plugs exchange the words.
    swapped = nominal("central_x:swapped").samples.codes
    np.testing.assert_array_equal(swapped["central_x"], good.samples.codes["central_y"])
    np.testing.assert_array_equal(swapped["central_y"], good.samples.codes["central_x"])


def test_a_late_word_is_the_one_before() -> None:
    good = sensed().samples
    bad = sensed("central_x:late_word").samples
    np.testing.assert_array_equal(bad.codes["central_x"][:, 1:], good.codes["central_x"][:, :-1])
    assert not bad.valid["central_x"][:, 0].any()
    assert bad.valid["central_x"][:, 1:].all()
    with pytest.raises(InputError, match="1 to 1000 words"):
        LateWord(words=0)


def test_every_single_fault_of_the_standard_set() -> None:
    faults = single_faults(SET)
    assert len(set(faults)) == len(faults)
    assert {fault.kind for fault in faults} == set(CHANNEL_FAULTS)
    swaps = [fault.channel for fault in faults if fault.kind == "swapped"]
    pairs = {frozenset((name, partner_of(name))) for name in swaps}
    assert len(pairs) == len(swaps)
    assert frozenset(("upfront_left_x", "upfront_right_x")) in pairs
    assert len(faults) == 8 * len(SET.sensors) + len(swaps)
    few = single_faults(SET, channels=["central_x"], from_s=0.01)
    assert [fault.kind for fault in few] == list(CHANNEL_FAULTS)
    for fault in few:
        assert parse_channel_fault(str(fault)) == fault


def test_a_partner_is_mutual() -> None:
    found = {name: partner_of(name) for name in CHANNELS}
    assert {name for name, partner in found.items() if partner is not None} >= {
        "central_x",
        "side_left_y",
        "door_left_pressure",
    }
    for name, partner in found.items():
        if partner is not None:
            assert partner_of(partner) == name


def test_what_cannot_be_parsed_is_told_at_once() -> None:
    for text, words in (
        ("central_x", "CHANNEL:KIND or CHANNEL:KIND:FROM_MS"),
        ("central_q:lost", "did you mean 'central_"),
        ("central_x:stuk", "did you mean 'stuck'"),
        ("central_x:lost:soon", "ms from time zero"),
        ("central_x:lost:nan", "ms from time zero"),
        ("central_x:lost:1e9", "ms from time zero"),
        ("central_z:swapped", "a channel with a partner"),
    ):
        with pytest.raises(InputError) as caught:
            parse_channel_fault(text)
        assert words in str(caught.value)
    with pytest.raises(InputError) as caught:
        parse_channel_fault("central_q:stuk:x")
    assert [fault.value for fault in caught.value.faults] == ["central_q", "stuk", "x"]
    few = load_sensor_set().changed(name="few")
    with pytest.raises(InputError, match="powertrain_x:lost"):
        with_channel_faults(few, [ChannelFault("powertrain_x", "lost")])
    faulty = SET.changed("central_x", faults=(SwappedChannel(partner="side_left_y"),))
    with pytest.raises(InputError, match="signal in m/s"):
        sense(SIGNALS, faulty, channels=["central_x"])


@settings(max_examples=60, deadline=None)
@given(
    channel=st.sampled_from(sorted(SET.sensors)),
    kind=st.sampled_from(sorted(set(CHANNEL_FAULTS) - {"swapped"})),
    from_ms=st.none() | st.integers(-50, 500),
)
def test_text_and_fault_say_the_same(channel: str, kind: str, from_ms: int | None) -> None:
    text = f"{channel}:{kind}" + ("" if from_ms is None else f":{from_ms}")
    fault = parse_channel_fault(text)
    assert str(fault) == text
    assert fault.from_s == (ALWAYS_S if from_ms is None else from_ms * 1e-3)
