"""Small kernels at their edges; longer ones have twins in test_twins.py."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from crashsense import engine
from crashsense.rules import kernels


def test_demand_is_never_negative_and_its_zero_has_no_sign() -> None:
    """A zero with a sign is equal to one without, and not the same bit for bit."""
    x = np.array([[-0.0, 0.0, -1.0, -1e-300, 1e-300, 2.0]])
    for masks in ([], [np.ones_like(x, dtype=bool)], [np.array([[1, 0, 1, 1, 1, 0]], dtype=bool)]):
        found = kernels.masked(x, *masks)
        assert not np.signbit(found).any()
        wanted = [max(v, 0.0) for v in x[0]]
        for mask in masks:
            wanted = [v if there else 0.0 for v, there in zip(wanted, mask[0], strict=True)]
        np.testing.assert_array_equal(found, [wanted])


@pytest.mark.parametrize("ticks", [1, 2, 5])
def test_it_is_quiet_after_so_many_samples_below_the_level_and_not_before(ticks: int) -> None:
    source = np.random.default_rng(ticks)
    x = np.where(source.random((3, 60)) < 0.2, 1.0, 0.99) * source.choice([-1.0, 1.0], (3, 60))
    wanted = np.zeros(x.shape, dtype=bool)
    for row, out in zip(x, wanted, strict=True):
        for n in range(ticks - 1, 60):
            out[n] = all(abs(v) < 1.0 for v in row[n - ticks + 1 : n + 1])
    found = kernels.quiet_restarts(x, level=1.0, ticks=ticks)
    assert found.dtype == bool
    np.testing.assert_array_equal(found, wanted)


def test_a_run_goes_from_a_mark_to_the_next_or_to_the_end() -> None:
    source = np.random.default_rng(2)
    for marks in (source.random((4, 25)) < 0.3, np.zeros((2, 5), bool), np.ones((2, 5), bool)):
        wanted = []
        for row, own in enumerate(marks.tolist()):
            places = [n for n, mark in enumerate(own) if mark]
            ends = [*places[1:], len(own)]
            wanted += [(row, a, b) for a, b in zip(places, ends, strict=False) if b - a > 1]
        assert kernels.runs_after(marks) == wanted


def test_what_stands_before_the_first_sample_counts_in_a_row_shorter_than_the_window() -> None:
    assert kernels.window_max(np.array([[-5.0]]), 3, fill=0.0).tolist() == [[0.0]]
    assert kernels.window_min(np.array([[5.0, 6.0]]), 4, fill=0.0).tolist() == [[0.0, 0.0]]
    assert kernels.any_within(np.array([[False]]), 3, fill=True).tolist() == [[True]]


@pytest.mark.parametrize("name", engine.ENGINES)
@pytest.mark.parametrize("dtype", [np.float32, np.int64, np.uint8, np.bool_])
def test_windows_of_other_numbers_are_those_of_the_same_floats(dtype: Any, name: str) -> None:
    """Numbers without sign have no negative, by which a least one is found as a largest."""
    if name == "fast" and not engine.installed():
        pytest.skip("numba is not installed")
    rows = (np.random.default_rng(9).random((5, 40)) * 100.0).astype(dtype)
    with engine.using(name):
        for of in (kernels.window_sum, kernels.window_max, kernels.window_min):
            np.testing.assert_array_equal(of(rows, 5), of(rows.astype(np.float64), 5))


@pytest.mark.parametrize(
    "of",
    [
        *(kernels.window_sum, kernels.sum_within, kernels.any_within),
        *(kernels.window_max, kernels.window_min),
    ],
)
@pytest.mark.parametrize("ticks", [0, -3])
def test_a_window_of_less_than_a_tick_is_refused(of: Callable[..., Any], ticks: int) -> None:
    with pytest.raises(ValueError, match=f"ticks: got {ticks}; expected 1 or more"):
        of(np.ones((2, 9)), ticks)


@pytest.mark.parametrize("kind", [np.float32, np.int32, np.uint64, np.bool_])
def test_a_running_maximum_of_other_than_64_bit_numbers_is_refused(kind: type) -> None:
    with pytest.raises(ValueError, match="expected float64"):
        kernels.running_max(np.ones((2, 9), dtype=kind))
