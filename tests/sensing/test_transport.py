"""Words of the open two-wire interface PSI5: arithmetic from its bit time, codes from memory."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from crashsense.errors import InputError
from crashsense.sensing import find_part
from crashsense.sensing.transport import Payload, arrived_in_time, hold_last, word_time_s


def test_word_timing() -> None:
    # 8 us a bit at 125 kbit/s; 2 start bits + 10 data bits + parity = 13 bits = 104 us (computed).
    assert word_time_s(10) == pytest.approx(104e-6)
    assert word_time_s(16) == pytest.approx(19 * 8e-6)


def test_three_slots_of_ten_bits_fit_in_500_us() -> None:
    # Period 500 us with three 10-bit slots at 125 kbit/s (from memory); starts of shipped parts.
    starts = [
        find_part(name).slot_start_s
        for name in ("side_240g", "upfront_240g", "door_pressure_40kpa")
    ]
    ends = [start + word_time_s(10) for start in starts]
    assert all(end <= after for end, after in zip(ends, [*starts[1:], 500e-6], strict=True))


def test_ten_bit_codes() -> None:
    # From memory of the specification: data -480..+480, +500 defect.
    assert Payload.of(10) == Payload(bits=10, limit=480, defect=500)


@pytest.mark.parametrize(("g", "lsb"), [(120, 0.25), (240, 0.5)])
def test_value_of_one_code(g: int, lsb: float) -> None:
    # Computed: +/-480 codes over +/-120 g are 0.25 g a code, over +/-240 g 0.5 g.
    part = find_part(f"upfront_{g}g")
    assert part.step / 9.80665 == pytest.approx(lsb)
    assert part.latency_s == pytest.approx(181.3e-6 + 104e-6)


@pytest.mark.parametrize("bits", range(4, 25))
def test_the_status_code_never_lies_in_the_payload(bits: int) -> None:
    payload = Payload.of(bits)
    assert payload.limit < payload.defect < 2 ** (bits - 1)


def test_hold_last() -> None:
    codes = np.array([[1, 2, 3, 4, 5], [9, 8, 7, 6, 5], [1, 1, 1, 1, 1]], dtype=np.int32)
    arrived = np.zeros((3, 5), dtype=bool)
    arrived[0, [0, 3]] = arrived[1, 2:] = True
    held = [[1, 1, 1, 4, 4], [500, 500, 7, 6, 5], [500] * 5]
    assert hold_last(codes, arrived=arrived, most=2, failed=500).tolist() == held
    shorter = [[1, 1, 500, 4, 4], *held[1:]]
    assert hold_last(codes, arrived=arrived, most=1, failed=500).tolist() == shorter
    never = [[1, 500, 500, 4, 500], *held[1:]]
    assert hold_last(codes, arrived=arrived, most=0, failed=500).tolist() == never


@given(
    arrived=arrays(bool, (3, 12)),
    later=arrays(bool, (3, 12)),
    codes=arrays(np.int32, (3, 12), elements=st.integers(-480, 480)),
    other=arrays(np.int32, (3, 12), elements=st.integers(-480, 480)),
    cut=st.integers(0, 12),
    most=st.integers(0, 13),
)
def test_later_words_change_nothing_before_them(
    arrived: np.ndarray,
    later: np.ndarray,
    codes: np.ndarray,
    other: np.ndarray,
    cut: int,
    most: int,
) -> None:
    options = {"most": most, "failed": 500}
    before = hold_last(codes, arrived=arrived, **options)[:, :cut]
    future = np.arange(12) >= cut
    after = hold_last(
        np.where(future, other, codes), arrived=np.where(future, later, arrived), **options
    )[:, :cut]
    np.testing.assert_array_equal(before, after)


def test_impossible_word_length() -> None:
    with pytest.raises(InputError, match="4 to 24 bits"):
        Payload.of(2)


def test_codes_that_all_arrive_need_no_list() -> None:
    draws, noisy = np.arange(4), np.array([False, True, True, True])
    axes = {"seed": 1, "axes": ("e", "central_x")}
    none = arrived_in_time(draws, 50, lost=0.0, jitter_s=0.0, room_s=0.0, noisy=noisy, **axes)
    assert none is None
    still = arrived_in_time(
        draws, 50, lost=0.5, jitter_s=1.0, room_s=0.0, noisy=np.zeros(4, dtype=bool), **axes
    )
    assert still is None


def test_codes_are_lost_by_chance_or_late_by_a_normal_delay() -> None:
    """Each by itself, both together; never in the nominal draw."""
    draws, noisy = np.arange(4), np.array([False, True, True, True])
    options = {"noisy": noisy, "seed": 1, "axes": ("e", "central_x")}
    words = 20_000
    some = arrived_in_time(draws, words, lost=0.2, jitter_s=0.0, room_s=0.0, **options)
    late = arrived_in_time(draws, words, lost=0.0, jitter_s=2e-5, room_s=2e-5, **options)
    both = arrived_in_time(draws, words, lost=0.2, jitter_s=2e-5, room_s=2e-5, **options)
    assert some is not None
    assert late is not None
    assert some[0].all()
    assert late[0].all()
    # 60,000 codes: shares are sure to 0.2 %; one deviation of a normal distribution: 15.87 %.
    assert 1.0 - some[1:].mean() == pytest.approx(0.2, abs=0.01)
    assert 1.0 - late[1:].mean() == pytest.approx(0.1587, abs=0.01)
    np.testing.assert_array_equal(both, some & late)
