"""Steps said once for several lanes give what the same steps give number by number."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

pytest.importorskip("numba", reason="needs the extra fast")

import numba

from crashsense.compiled import steps, vectors
from crashsense.compiled.vectors import LANES, Vector, address, aligned, larger

TICKS = 13  # no multiple of the lanes of a vector


def _decayed(c: Any, a: Vector, b: Vector, now: Vector, v: Vector) -> tuple[Vector, Vector]:
    v = larger(c[0] * v + a - b, 0.0)
    return v + now, v


def _before(c: Any, a: Vector, before: Vector) -> tuple[Vector, Vector]:
    return before, a


def _interleaved(g: vectors.Given) -> Any:
    for k, vector in enumerate(vectors.interleaved([g.a.load(row, 0) for row in range(5)])):
        g.out.store(vector, k, 0)
    return g.at


OVER, DECAYED, BEFORE, MOST, INTERLEAVED = range(5)

_run = vectors.chosen_by_code(
    {
        OVER: steps.plain(lambda c, a, b: a.over(b)),
        DECAYED: steps.remembering(1, _decayed),
        BEFORE: steps.ring(0, _before),
        MOST: steps.most,
        INTERLEAVED: _interleaved,
    }
)


@numba.njit
def run(
    code: int, out: Any, a: Any, b: Any, c: Any, memory: Any, at: int, first: int, n: int
) -> int:
    """Run an operation over all rows of *a*."""
    return _run(
        *(code, address(out), address(a), address(b), address(c), address(memory)),
        *(0, at, first, n, a.shape[0]),
    )


@pytest.fixture
def rows() -> tuple[Any, Any, Any, Any]:
    """Two inputs, room for the result, and numbers."""
    source = np.random.default_rng(5)
    a, b = aligned(TICKS), aligned(TICKS)
    a[:], b[:] = source.normal(size=(2, TICKS, LANES))
    return a, b, np.full((TICKS, LANES), np.nan), np.array([0.75, 0.0, 0.0, 0.0, 0.0])


def test_rows_begin_where_a_line_of_the_cache_does() -> None:
    assert [address(aligned(n)) % 64 for n in (1, 2, 7)] == [0, 0, 0]


def test_a_quotient_has_the_bits_of_a_division(rows: Any) -> None:
    a, b, out, c = rows
    run(OVER, out, a, b, c, a, 0, 0, 0)
    np.testing.assert_array_equal(out, a / b)


def test_rows_are_interleaved_number_by_number(rows: Any) -> None:
    a, b, out, c = rows
    run(INTERLEAVED, out, a, b, c, a, 0, 0, 0)
    width = vectors.WIDTH
    np.testing.assert_array_equal(out[:5, :width].ravel(), a[:5, :width].T.ravel())


def test_what_is_remembered_goes_from_piece_to_piece(rows: Any) -> None:
    a, b, out, c = rows
    memory = np.zeros((1, LANES))
    for first, last in ((0, 5), (5, TICKS)):
        run(DECAYED, out[first:last], a[first:last], b[first:last], c, memory, 0, first, 0)
    v = np.zeros(LANES)
    for tick in range(TICKS):
        v = np.maximum(0.75 * v + a[tick] - b[tick], 0.0)
        np.testing.assert_array_equal(out[tick], v + tick)
    np.testing.assert_array_equal(memory[0], v)


def test_a_ring_gives_what_was_kept_so_many_ticks_ago(rows: Any) -> None:
    a, b, out, c = rows
    memory = np.zeros((3, LANES))
    at = run(BEFORE, out[:4], a[:4], b, c, memory, 0, 0, 3)
    assert at == 1
    run(BEFORE, out[4:], a[4:], b, c, memory, at, 4, 3)
    np.testing.assert_array_equal(out[:3], 0.0)
    np.testing.assert_array_equal(out[3:], a[:-3])


@pytest.mark.parametrize(("largest", "reached"), [(0.5, False), (1.0, True)])
def test_the_largest_demand_says_if_any_lane_reached_one(
    rows: Any, largest: float, reached: bool
) -> None:
    a, _, _, c = rows
    a[:] = 0.25
    a[TICKS - 1, LANES - 1] = largest
    memory = np.zeros((2, LANES))
    assert bool(run(MOST, a, a, a, c, memory, 0, 0, 0)) is reached
    np.testing.assert_array_equal(memory[0], a.max(axis=0))
    np.testing.assert_array_equal(memory[1], 0.0)
    a[3, 7] = np.inf
    run(MOST, a, a, a, c, memory, 0, 0, 0)
    assert np.flatnonzero(memory[1] != 0.0).tolist() == [7]


def test_the_address_of_a_view_between_whose_rows_lies_more_is_refused() -> None:
    whole = np.zeros((3, 5))
    assert address(whole[1:]) == whole.ctypes.data + whole.strides[0]
    with pytest.raises(ValueError, match="do not follow one another"):
        address(whole[:, 1:])
