"""Rows convolved with an impulse response, each going on where the row before ends."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense.filters.causal import convolved


@pytest.mark.parametrize("count", [1, 2, 7, 8, 9, 16, 24, 31])
def test_each_row_is_convolved_as_if_alone(count: int) -> None:
    source = np.random.default_rng(count)
    taps = source.standard_normal(count) * 0.8 ** np.arange(count)
    rows = source.standard_normal((24, 73))
    rows[0] = rows[:, 73 - count + 1 :] = 0.0  # at rest before every row
    found = convolved(rows, taps=taps)
    expected = np.stack([np.convolve(row, taps)[:73] for row in rows[1:]])
    np.testing.assert_allclose(found, expected, rtol=1e-13, atol=1e-14)
    # Bit for bit: fewer rows, in another order, which begin elsewhere in memory.
    for chosen in ([0, 5], [0, 5, 6, 7], [0, *range(23, 0, -1)], [0, 3, 3]):
        again = convolved(rows[chosen], taps=taps)
        np.testing.assert_array_equal(again, found[np.array(chosen[1:]) - 1])


def test_what_is_before_a_row_is_the_end_of_the_row_before() -> None:
    rows = np.array([[0.0, 1.0, 2.0], [4.0, 8.0, 16.0]])
    taps = np.array([1.0, 10.0, 100.0])
    assert convolved(rows, taps=taps).tolist() == [[124.0, 248.0, 496.0]]
