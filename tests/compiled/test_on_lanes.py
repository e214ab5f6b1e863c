"""A march in plain numbers gives on lanes, bit for bit, what Python gives for each lane."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

pytest.importorskip("numba", reason="needs the extra fast")

import numba
from numba.core import types
from numba.extending import intrinsic

from crashsense.compiled import on_lanes as lanes
from crashsense.compiled.vectors import WIDTH, address

SPRINGS, CELLS, STEPS = 3, 4, 11


def march(
    own: Any, common: Any, table: Any, springs: Any, state: Any, steps: Any, out: Any
) -> None:
    """Everything that a march may do; nothing of it has a meaning."""
    cells = len(table)
    for step in range(steps):
        state[3] = 0.0
        for n in springs:
            x = state[n] + own[n] * common[0] if state[4] > 0.0 else state[n]
            inside = min(max(x, 0.0), 9.0)
            cell = int(inside * common[1])
            cell = cell if cell < cells else cells - 1
            turn = inside - int(inside)
            if n < 2:
                turn = abs(turn - 0.5) / (1.0 + inside)
            state[n], state[3] = x - turn * table[cell], state[3] + turn
        state[4] = 1.0
        out[step] = -state[3] + len(own)


_lanes = lanes.on_lanes(march)


@intrinsic  # type: ignore[untyped-decorator]
def _run(
    typing: Any, own: Any, common: Any, table: Any, met: Any, state: Any, steps: Any, out: Any
) -> Any:
    def generate(context: Any, b: Any, signature: Any, given: Any) -> Any:
        own, common, table, met, state, steps, out = given
        told = lanes.Common(b, common, 3)
        with lanes.kept_in(lanes.Lanes(b, state, 5)) as kept:
            _lanes(
                lanes.Lanes(b, own, SPRINGS), told, lanes.Table(b, table, told[2]),
                lanes.Met(b, met, SPRINGS), kept, lanes.Count(b, steps), lanes.Lanes(b, out, 0),
            )  # fmt: skip
        return context.get_dummy_value()

    return types.void(*[types.int64] * 7), generate


@numba.njit
def run(own: Any, common: Any, table: Any, met: Any, state: Any, out: Any) -> None:
    """Run the march on one vector of lanes."""
    _run(
        *(address(own), address(common), address(table), address(met), address(state)),
        *(out.shape[0], address(out)),
    )


def test_a_march_on_lanes_has_the_bits_that_it_has_in_numbers() -> None:
    source = np.random.default_rng(4)
    own, start = source.normal(size=(SPRINGS, WIDTH)), source.normal(size=(5, WIDTH))
    start[:3] *= 4.0
    start[3:] = 0.0
    common, table = np.array([0.7, 0.45, CELLS]), source.normal(size=CELLS)
    for left_out in (None, 1):
        met = np.array([n != left_out for n in range(SPRINGS)], dtype=np.int64)
        state, out = start.copy(), np.empty((STEPS, WIDTH))
        run(own, common, table, met, state, out)
        for lane in range(WIDTH):
            one, found = start[:, lane].tolist(), [0.0] * STEPS
            springs = [n for n in range(SPRINGS) if n != left_out]
            march(
                own[:, lane].tolist(), common.tolist(), table.tolist(), springs, one, STEPS, found
            )
            assert state[:, lane].tolist() == one
            assert out[:, lane].tolist() == found
        assert (state[:SPRINGS].max(axis=1) > 1.0 / common[1]).any()  # beyond the first cell


@numba.njit
def turned(rows: Any, back: Any, width: int) -> Any:
    """Rows to lanes and back."""
    tile = np.zeros((rows.shape[1], WIDTH))
    count, stride = rows.shape[1] // WIDTH, 8 * rows.shape[1]
    lanes.rows_to_lanes(address(rows), stride, address(tile), count, width)
    lanes.lanes_to_rows(address(back), stride, address(tile), count, width)
    return tile


@pytest.mark.parametrize("width", [1, 5, WIDTH])
def test_rows_become_lanes_and_rows_again(width: int) -> None:
    rows = np.arange(3.0 * WIDTH * width).reshape(width, 3 * WIDTH)
    back = np.full((WIDTH, 3 * WIDTH), -1.0)
    tile = turned(rows, back, width)
    lane = np.minimum(np.arange(WIDTH), width - 1)  # the last row stands for those that are missing
    assert np.array_equal(tile, rows[lane].T)
    assert np.array_equal(back[:width], rows)
    assert (back[width:] == -1.0).all()


@numba.njit
def added(tile: Any, rows: Any, ticks: int, width: int) -> None:
    """Some rows of lanes onto the rows, from their second number on."""
    lanes.add_to_rows(address(rows) + 8, 8 * rows.shape[1], address(tile), ticks, width)


@pytest.mark.parametrize("ticks", [3, 8, 21])
@pytest.mark.parametrize("width", [1, 5, WIDTH])
def test_rows_of_lanes_are_added_to_rows(ticks: int, width: int) -> None:
    rng = np.random.default_rng(ticks)
    tile, rows = rng.normal(size=(24, WIDTH)), rng.normal(size=(WIDTH + 1, 23))
    expected = rows.copy()
    expected[:width, 1 : 1 + ticks] += tile[:ticks, :width].T
    added(tile, rows, ticks, width)
    np.testing.assert_array_equal(rows, expected)


@intrinsic  # type: ignore[untyped-decorator]
def _look(typing: Any, begins: Any, cell: Any, out: Any) -> Any:
    def generate(context: Any, b: Any, signature: Any, given: Any) -> Any:
        begins, cell, out = given
        rows, cells = lanes.Apart(b, begins), lanes.Lanes(b, cell, 0)
        lanes.Lanes(b, out, 0)[0] = rows[cells[0]] + cells[0]._call("sqrt")
        return context.get_dummy_value()

    return types.void(*[types.int64] * 3), generate


@numba.njit
def looked_up(rows: Any, cells: Any) -> Any:
    """What each lane finds in its own row."""
    begins, out = np.zeros(WIDTH, dtype=np.int64), np.empty((1, WIDTH))
    for lane in range(WIDTH):
        begins[lane] = address(rows) + 8 * rows.shape[1] * lane
    _look(address(begins), address(cells), address(out))
    begins[0] = 0
    return out


def test_each_lane_looks_up_its_own_row() -> None:
    source = np.random.default_rng(8)
    rows, cells = source.normal(size=(WIDTH, 20)), source.permutation(20)[:WIDTH]
    found = looked_up(rows, cells[None, :].astype(float))[0]
    assert found.tolist() == (rows[np.arange(WIDTH), cells] + np.sqrt(cells)).tolist()
