"""How numpy is led through arrays: the same numbers, faster."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense.arrays import row_by_row


@pytest.mark.parametrize("shape", [(1, 1), (3, 600), (66, 625), (2, 9000)])
def test_rows_combined_one_by_one_are_the_same(shape: tuple[int, int]) -> None:
    source = np.random.default_rng(1)
    values, numbers = source.standard_normal(shape), source.standard_normal((shape[0], 1))
    line = source.standard_normal(shape[1])
    expected = (values * numbers + line) / line
    with row_by_row():
        assert np.array_equal((values * numbers + line) / line, expected)


def test_the_size_of_the_buffer_is_set_back_whatever_happens() -> None:
    before, inside = np.getbufsize(), []

    def failing() -> None:
        with row_by_row():
            inside.append(np.getbufsize())
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        failing()
    assert inside[0] < before == np.getbufsize()
