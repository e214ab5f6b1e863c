"""Words of the open two-wire interface PSI5: arithmetic from its bit time, codes from memory."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from crashsense.errors import InputError
from crashsense.sensing import find_part
from crashsense.sensing.transport import (
    Payload,
    crc3,
    even_parity,
    hold_last,
    slots_fit,
    word_time_s,
)


def test_word_timing() -> None:
    # 8 us a bit at 125 kbit/s; 2 start bits + 10 data bits + parity = 13 bits = 104 us (computed).
    assert word_time_s(10) == pytest.approx(104e-6)
    assert word_time_s(16, check="crc") == pytest.approx(21 * 8e-6)


def test_three_slots_of_ten_bits_fit_in_500_us() -> None:
    # Period 500 us with three 10-bit slots at 125 kbit/s (from memory); starts of shipped parts.
    starts = tuple(
        find_part(name).slot_start_s
        for name in ("side_240g", "upfront_240g", "door_pressure_40kpa")
    )
    assert slots_fit(10, slot_starts_s=starts)
    assert not slots_fit(10, slot_starts_s=(*starts, 440e-6))
    assert not slots_fit(20, slot_starts_s=starts)


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (0, "data"),
        (480, "data"),
        (-480, "data"),
        (481, "status"),
        (511, "status"),
        (-481, "initialisation"),
        (-512, "initialisation"),
        (512, "no word"),
        (-513, "no word"),
    ],
)
def test_ten_bit_code_ranges(code: int, kind: str) -> None:
    # From memory of the specification: data -480..+480, status +481..+511, start-up -512..-481.
    assert Payload.of(10).kind(code) == kind


def test_ten_bit_status_codes() -> None:
    # From memory: +487 ready, +488 busy, +489 service mode, +500 defect.
    payload = Payload.of(10)
    assert (payload.ready, payload.busy, payload.service, payload.defect) == (487, 488, 489, 500)


@pytest.mark.parametrize(("g", "lsb"), [(120, 0.25), (240, 0.5)])
def test_value_of_one_code(g: int, lsb: float) -> None:
    # Computed: +/-480 codes over +/-120 g are 0.25 g a code, over +/-240 g 0.5 g.
    part = find_part(f"upfront_{g}g")
    assert part.step / 9.80665 == pytest.approx(lsb)
    assert part.latency_s == pytest.approx(181.3e-6 + 104e-6)


@pytest.mark.parametrize("bits", range(4, 25))
def test_status_codes_never_lie_in_the_payload(bits: int) -> None:
    payload = Payload.of(bits)
    for code in (payload.ready, payload.busy, payload.service, payload.defect):
        assert payload.limit < code < 2 ** (bits - 1)


def test_parity_is_even() -> None:
    for code in range(-512, 512):
        ones = (code & 1023).bit_count() + even_parity(code, bits=10)
        assert ones % 2 == 0


def test_crc_finds_every_single_and_double_neighbour_error() -> None:
    word = 0b1011001110
    good = crc3(word, bits=10)
    flips = [1 << i for i in range(10)] + [3 << i for i in range(9)]
    assert all(crc3(word ^ flip, bits=10) != good for flip in flips)


def test_crc_is_the_remainder_of_polynomial_division() -> None:
    # 1 + x + x^3, start value 111 (from memory): long division of start bits, data and three zeros.
    for word in (0, 1, 5, 0b1111100000, 1023):
        number = (0b111 << 13) | (word << 3)
        for position in range(15, 2, -1):
            if number >> position & 1:
                number ^= 0b1011 << (position - 3)
        assert crc3(word, bits=10) == number


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
