"""Sums and extremes that run along rows in groups, against numpy's own and against their terms."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from crashsense.arrays import FloatArray
from crashsense.rules import kernels, running

#: Lengths around whole groups, and around what a leak of 0.99 sums up in one segment.
LENGTHS = [1, 2, 11, 12, 13, 24, 25, 300, 1374, 1375, 2900]


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize("dtype", [np.float64, np.int64, np.uint64])
def test_what_is_brought_apart_comes_together_again(length: int, dtype: type) -> None:
    rows = np.random.default_rng(1).integers(0, 99, (3, length)).astype(dtype)
    planes = running.apart(rows)
    assert planes.shape == (running.GROUP, 3, -(-length // running.GROUP))
    in_time = planes.transpose(1, 2, 0).reshape(3, -1)
    np.testing.assert_array_equal(in_time[:, :length], rows)
    assert not in_time[:, length:].any()
    found = np.full_like(rows, 7)
    running.together(planes, found)
    np.testing.assert_array_equal(found, rows)


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize("rows", [1, 3, 24, 40])
@pytest.mark.parametrize("combine", [np.maximum, np.minimum])
def test_a_running_extreme_is_numpys(length: int, rows: int, combine: np.ufunc) -> None:
    """Of numbers below 0 and above, and of whole numbers far below 0."""
    values = np.random.default_rng(2).normal(size=(rows, length))
    for these in (values, values - 50.0, (values * 1e6).astype(np.int64) - 2**40):
        found = these.copy()
        running.to_extreme(found, combine)
        np.testing.assert_array_equal(found, combine.accumulate(these, axis=-1))


@pytest.mark.parametrize("length", LENGTHS)
def test_a_running_sum_is_closer_to_its_terms_than_numpys(length: int) -> None:
    """About a third as far from them in long rows: fewer numbers are added in turn."""
    rows = np.random.default_rng(3).normal(size=(40, length)) + 0.5
    found, plain = kernels.running_sum(rows), np.cumsum(rows, axis=-1)
    exact = [sum(map(Fraction, row)) for row in rows.tolist()]
    wrong = [
        sum(abs(float(Fraction(x) - t)) for x, t in zip(by[:, -1].tolist(), exact, strict=True))
        for by in (found, plain)
    ]
    assert wrong[0] <= wrong[1] * (0.6 if length >= 300 else 1.0)
    np.testing.assert_allclose(found, plain, rtol=0, atol=1e-11)


def test_a_sum_of_nothing_stays_and_one_of_motion_never_falls() -> None:
    """On both, rules rely that ask when a velocity was last zero."""
    terms = np.random.default_rng(4).random((50, 700))
    terms[:, 200:] *= np.arange(700)[200:] % 90 < 40
    total = kernels.running_sum(terms)
    steps = np.diff(total, axis=-1)
    assert (steps >= 0.0).all()
    np.testing.assert_array_equal(steps == 0.0, terms[:, 1:] == 0.0)
    # What has come to rest at the floor stays there.
    pulse = np.concatenate([terms[:, :99], -terms[:, :99] * 1.5, np.zeros((50, 99))], axis=-1)
    for decay in (1.0, 0.997):
        assert not kernels.floored_sum(pulse, decay=decay)[:, -99:].any()


CAUSAL: dict[str, Callable[[FloatArray], FloatArray]] = {
    "sum": kernels.running_sum,
    "floored": kernels.floored_sum,
    "leaky": lambda v: kernels.floored_sum(v, decay=0.99),
    "low-passed": lambda v: kernels.floored_sum(v, decay=0.9, floor=False),
    "maximum": lambda v: kernels.running_max(abs(v)),
    "window": lambda v: kernels.window_sum(v, 20),
    "window alone": lambda v: kernels.sum_within(v, 21),
    "since": lambda v: kernels.ticks_since(v > 1.0).astype(np.float64),
}


@pytest.mark.parametrize("name", CAUSAL)
def test_a_sample_does_not_depend_on_later_ones_nor_on_other_rows(name: str) -> None:
    rows = np.random.default_rng(5).normal(size=(30, LENGTHS[-1]))
    whole = CAUSAL[name](rows)
    for length in LENGTHS:
        np.testing.assert_array_equal(CAUSAL[name](rows[:, :length]), whole[:, :length])
    for some in ([0], [29], [3, 4, 5], list(range(15, 30))):
        np.testing.assert_array_equal(CAUSAL[name](rows[some]), whole[some])


def test_a_window_of_its_samples_alone_forgets_all_others() -> None:
    values = np.random.default_rng(6).normal(size=(4, 200))
    values[0, 50:] = values[1, 70] = 0.0
    values[2, 60] = np.nan
    for ticks in (1, 2, 3, 19, 20, 21, 63, 64):
        found = kernels.sum_within(values, ticks)
        assert not found[0, 49 + ticks :].any()
        assert np.flatnonzero(np.isnan(found[2])).tolist() == list(range(60, 60 + ticks))
        assert not np.isnan(found[[0, 1, 3]]).any()
    assert not np.shares_memory(kernels.sum_within(values, 1), values)
    whole = np.arange(12).reshape(2, 6)
    assert kernels.sum_within(whole, 2).tolist() == [[0, 1, 3, 5, 7, 9], [6, 13, 15, 17, 19, 21]]


@pytest.mark.parametrize(
    "ordered",
    [np.asfortranarray, lambda v: np.repeat(v, 2, axis=1)[:, ::2], lambda v: v[:, ::-1, ::-1]],
    ids=["fortran", "every_other_row", "backwards"],
)
def test_a_running_extreme_of_rows_in_any_order_is_not_lost(ordered: Callable[..., Any]) -> None:
    values = ordered(np.random.default_rng(8).random((4, 3, 50)))
    marks = values > 0.9
    expected = np.maximum.accumulate(values, axis=-1)
    np.testing.assert_array_equal(
        kernels.ticks_since(marks), kernels.ticks_since(np.ascontiguousarray(marks))
    )
    found = kernels.running_max(values)
    assert found is values
    np.testing.assert_array_equal(values, expected)


@pytest.mark.parametrize("rows", [1, 20])
def test_ticks_since_a_mark_count_from_its_last_place(rows: int) -> None:
    mark = np.random.default_rng(7).random((rows, 200)) < 0.05
    found = kernels.ticks_since(mark)
    for row, ticks in zip(mark, found.tolist(), strict=True):
        last = -(2**40)
        for n, (marked, passed) in enumerate(zip(row, ticks, strict=True)):
            last = n if marked else last
            assert passed == n - last
