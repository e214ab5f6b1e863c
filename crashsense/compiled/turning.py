"""Rows of draws into lanes and back, eight by eight in registers (extra ``fast``).

Twin: none; these kernels move numbers (:func:`add_in_lanes` adds them).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from crashsense.arrays import FloatArray
from crashsense.compiled.caching import kernel
from crashsense.compiled.vectors import (
    LANES,
    WIDTH,
    Given,
    Memory,
    address,
    chosen_by_code,
    turned,
)

_jit: Any = kernel()

_INTO, _ONTO, _BACK = 0, 1, 2


def _turn(code: int) -> Callable[[Given], Any]:
    """Write: ``n`` times eight rows, ``weights`` bytes apart from ``a`` on, to lanes at ``out``.

    Or back: rows at ``out``, lanes at ``a``. ``ticks``: samples, a multiple of eight.
    """

    def write(g: Given) -> Any:
        b = g.builder
        rows, lanes = (g.out, g.a) if code == _BACK else (g.a, g.out)
        with g.steps(g.n) as eight, g.steps(b.sdiv(g.ticks, g.whole(WIDTH))) as block:
            shift = b.mul(eight, g.whole(8 * WIDTH))
            here = Memory(b, b.add(lanes.address, shift))
            ticks = [b.add(b.mul(block, g.whole(WIDTH)), g.whole(k)) for k in range(WIDTH)]
            along = b.add(rows.address, b.mul(block, g.whole(8 * WIDTH)))
            lines = []
            for k in range(WIDTH):
                row = b.add(b.mul(eight, g.whole(WIDTH)), g.whole(k))
                lines.append(Memory(b, b.add(along, b.mul(row, g.weights))))
            source = [here.load(tick, 0) for tick in ticks] if code == _BACK else lines
            found = turned([x.load(0, 0) if isinstance(x, Memory) else x for x in source])
            for line, tick, value in zip(lines, ticks, found, strict=True):
                if code == _BACK:
                    line.store(value, 0, 0)
                elif code == _INTO:
                    here.store(value, tick, 0)
                else:
                    here.store(here.load(tick, 0) + value, tick, 0)
        return g.at

    return write


_run = chosen_by_code({code: _turn(code) for code in (_INTO, _ONTO, _BACK)})


@_jit
def put_in_lanes(
    rows: FloatArray, first: int, width: int, t: int, size: int, lanes: FloatArray
) -> None:
    """Put samples *t* to *t* + *size* of the rows *first* to *first* + *width* into lanes.

    *lanes* (*size* or more times LANES,): sample i of row j at ``LANES i + j``.
    """
    eights, even = width // WIDTH, size - size % WIDTH
    if eights > 0:
        at, apart = address(rows[first : first + width, t:]), 8 * rows.shape[1]
        here = address(lanes)
        _run(_INTO, here, at, at, here, here, apart, 0, 0, eights, even)
    for j in range(width):
        begin = even if j < WIDTH * eights else 0
        line = rows[first + j]
        for i in range(begin, size):
            lanes[LANES * i + j] = line[t + i]


@_jit
def add_in_lanes(
    rows: FloatArray, first: int, width: int, t: int, size: int, lanes: FloatArray
) -> None:
    """As :func:`put_in_lanes`; samples are added to what stands there."""
    eights, even = width // WIDTH, size - size % WIDTH
    if eights > 0:
        at, apart = address(rows[first : first + width, t:]), 8 * rows.shape[1]
        here = address(lanes)
        _run(_ONTO, here, at, at, here, here, apart, 0, 0, eights, even)
    for j in range(width):
        begin = even if j < WIDTH * eights else 0
        line = rows[first + j]
        for i in range(begin, size):
            lanes[LANES * i + j] += line[t + i]


@_jit
def take_from_lanes(
    lanes: FloatArray, first: int, width: int, t: int, size: int, rows: FloatArray
) -> None:
    """Put lanes back into samples of rows; arguments as :func:`put_in_lanes`."""
    eights, even = width // WIDTH, size - size % WIDTH
    if eights > 0:
        at, apart = address(rows[first : first + width, t:]), 8 * rows.shape[1]
        here = address(lanes)
        _run(_BACK, at, here, here, here, here, apart, 0, 0, eights, even)
    for j in range(width):
        begin = even if j < WIDTH * eights else 0
        line = rows[first + j]
        for i in range(begin, size):
            line[t + i] = lanes[LANES * i + j]
