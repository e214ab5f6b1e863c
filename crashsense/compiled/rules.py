"""The kernel that runs rules of the house over draws side by side (extra ``fast``).

A rule is a flat list of operations (:mod:`crashsense.operations`), written by the rule itself
(:mod:`crashsense.rules.program`). Registers hold a piece of time of :data:`LANES` draws; what an
operation remembers stays in the nearest cache as well. Every result has the bits that the numpy
twin, ``Rule.branch_demands`` and ``scoring.reached``, gives with engine ``fast``; a roll energy
may differ in the last one.

Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from crashsense import operations as op
from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled.caching import kernel
from crashsense.compiled.fused import run_fused
from crashsense.compiled.steps import (
    line,
    most,
    plain,
    ray,
    remembering,
    response,
    ring,
    roll,
    window_max,
)
from crashsense.compiled.vectors import (
    LANES,
    ROW,
    Vector,
    address,
    aligned,
    chosen_by_code,
    larger,
    smaller,
)

#: Ticks that an operation takes at once (4 kB a register): with fewer its calls would count.
PIECE = 16

#: What an operation gives, and the one number that it remembers.
Pair = tuple[Vector, Vector]

_jit: Any = kernel(error_model="numpy")


# --- operations -----------------------------------------------------------------------------------


def _demand(c: list[Vector], a: Vector, b: Vector) -> Vector:
    return larger(a.over(c[0]), 0.0)


def _raised(c: list[Vector], a: Vector, b: Vector) -> Vector:
    return smaller(larger(1.0 + c[0] * (a - 1.0), 1.0), c[1])


def _ramp(c: list[Vector], a: Vector, b: Vector) -> Vector:
    return c[0] + c[1] * (0.001 * larger(a - c[2], 0.0))


def _velocity(c: list[Vector], a: Vector, b: Vector, now: Vector, v: Vector) -> Pair:
    shift, divisor, decay, lowest, rest = c[:5]
    v = larger(decay * v + (a - shift).over(divisor), lowest)
    return (v >= rest).choose(v, 0.0), v


def _leaky_sum(c: list[Vector], a: Vector, b: Vector, now: Vector, v: Vector) -> Pair:
    v = larger(c[0] * v + a, c[1])
    return v, v


def _running_max(c: list[Vector], a: Vector, b: Vector, now: Vector, top: Vector) -> Pair:
    top = larger(a, top)
    return top, top


def _travel(
    c: list[Vector], a: Vector, b: Vector, now: Vector, total: Vector, at_rest: Vector
) -> tuple[Vector, Vector, Vector]:
    total = total + a
    at_rest = (a > 0.0).choose(at_rest, (total < at_rest).choose(at_rest, total))
    return (total - at_rest).over(c[0]), total, at_rest


def _elapsed(c: list[Vector], a: Vector, b: Vector, now: Vector, last: Vector) -> Pair:
    last = (a > 0.0).choose(last, now)
    return (now - last) * c[0], last


def _change(c: list[Vector], a: Vector, b: Vector, now: Vector, before: Vector) -> Pair:
    return (now > 0.0).choose((a - before).magnitude(), 0.0), a


def _window_sum(
    c: list[Vector], a: Vector, before: Vector, total: Vector
) -> tuple[Vector, Vector, Vector]:
    total = total + a
    return total - before, total, total


def _code(c: list[Vector], a: Vector, b: Vector) -> Vector:
    return smaller(larger(a.over(c[0]).whole(), c[1]), c[2])


def _section(
    c: list[Vector], a: Vector, b: Vector, now: Vector, p: Vector, q: Vector
) -> tuple[Vector, Vector, Vector]:
    z = c[0] * a + p
    return z, c[1] * a - c[3] * z + q, c[2] * a - c[4] * z


def _since(c: list[Vector], a: Vector, b: Vector, now: Vector, top: Vector) -> Pair:
    top = ((now >= c[5]) & (b < 1.0)).choose(a, larger(a, top))
    return top, top


def _restarted(c: list[Vector], a: Vector, b: Vector, now: Vector, v: Vector) -> Pair:
    _, v = _velocity(c, a, b, now, v)
    v = ((now >= c[5]) & (b < 1.0)).choose(v.like(0.0), v)
    return (v >= c[4]).choose(v, 0.0), v


#: Reading a channel has the code of its sense, 0 or less.
OPERATIONS = {
    -op.SENSES["+"]: plain(lambda c, a, b: a),
    -op.SENSES["-"]: plain(lambda c, a, b: -a),
    -op.SENSES["|"]: plain(lambda c, a, b: a.magnitude()),
    op.CONSTANT: plain(lambda c, a, b: c[0]),
    op.LESS: plain(lambda c, a, b: a - c[0]),
    op.TIMES: plain(lambda c, a, b: c[0] * a),
    op.OVER: plain(lambda c, a, b: a.over(c[0])),
    op.DEMAND: plain(_demand),
    op.MAGNITUDE: plain(lambda c, a, b: a.magnitude()),
    op.POSITIVE: plain(lambda c, a, b: larger(a, 0.0)),
    op.ROOT: plain(lambda c, a, b: a.root()),
    op.LESSER: plain(lambda c, a, b: smaller(a, b)),
    op.GREATER: plain(lambda c, a, b: larger(a, b)),
    op.SUM: plain(lambda c, a, b: a + b),
    op.DIFFERENCE: plain(lambda c, a, b: a - b),
    op.PRODUCT: plain(lambda c, a, b: a * b),
    op.RATIO: plain(lambda c, a, b: a / b),
    op.GATE: plain(lambda c, a, b: (a >= 1.0).choose(b, 0.0)),
    op.STEP: plain(lambda c, a, b: (a >= c[0]).choose(c[1], b)),
    op.RAISE: plain(_raised),
    op.RAMP: plain(_ramp),
    op.CODE: plain(_code),
    op.VELOCITY: remembering(1, _velocity),
    op.LEAKY_SUM: remembering(1, _leaky_sum),
    op.RUNNING_MAX: remembering(1, _running_max),
    op.TRAVEL: remembering(2, _travel),
    op.ELAPSED: remembering(1, _elapsed),
    op.CHANGE: remembering(1, _change),
    op.SECTION: remembering(2, _section),
    op.SINCE: remembering(1, _since),
    op.RESTARTED: remembering(1, _restarted),
    op.DELAY: ring(0, lambda c, a, before: (before, a)),
    op.WINDOW_SUM: ring(1, _window_sum),
    op.WINDOW_MAX: window_max,
    op.RESPONSE: response,
    op.LINE: line,
    op.RAY: ray,
    op.ROLL: roll,
}
_operation = chosen_by_code(OPERATIONS)


# --- scores ---------------------------------------------------------------------------------------

#: Rows of what is kept of a demand: first ticks (total, main, arming), largest in all, up to the
#: required time, before the allowed time, between; both times; largest of a piece; soundness.
_FIRST, _LARGEST, _UP_TO, _UNTIL, _ALLOWED, _TOP, _UNSOUND, _KEPT = 0, 3, 4, 7, 8, 9, 10, 11

_MOST, _FIRST_TICK, _SPANS = 0, 1, 2


def _earlier(c: list[Vector], a: Vector, b: Vector, now: Vector, found: Vector) -> Any:
    return None, smaller((a >= 1.0).choose(now, np.inf), found)


def _in_spans(
    c: list[Vector],
    a: Vector,
    b: Vector,
    now: Vector,
    required: Vector,
    early: Vector,
    inside: Vector,
    until: Vector,
    allowed: Vector,
) -> Any:
    in_time = (now < until).choose(a, 0.0)
    before = (now < allowed).choose(a, 0.0)
    between = (now >= allowed).choose(in_time, 0.0)
    levels = larger(in_time, required), larger(before, early), larger(between, inside)
    return None, *levels, until, allowed


_reduction = chosen_by_code(
    {_MOST: most, _FIRST_TICK: remembering(1, _earlier), _SPANS: remembering(5, _in_spans)}
)


@_jit
def _raise(level: FloatArray, to: FloatArray) -> None:
    for j in range(LANES):
        level[j] = to[j] if to[j] > level[j] else level[j]


@_jit
def _note(demand: FloatArray, tick: int, s: FloatArray, first: int, size: int) -> None:
    """Largest demand of a piece of time, and the first tick at which it is 1 or more."""
    rows, here = address(s), address(demand)
    if not _reduction(_MOST, 0, here, here, rows, rows + _TOP * ROW, 0, 0, first, 0, size):
        return
    for j in range(LANES):
        if s[_TOP, j] >= 1.0 and s[tick, j] == np.inf:
            _reduction(_FIRST_TICK, 0, here, here, rows, rows + tick * ROW, 0, 0, first, 0, size)
            return


@_jit
def _summary(demand: FloatArray, s: FloatArray, first: int, size: int) -> None:
    """Largest demand in the spans of ``scoring.Reached``."""
    top, until, allowed = s[_TOP], s[_UNTIL], s[_ALLOWED]
    _raise(s[_LARGEST], top)
    if first >= until.max() and first >= allowed.max():
        return
    if first >= allowed.max() and first + size <= until.min():
        _raise(s[_UP_TO], top)
        _raise(s[_UP_TO + 2], top)
        return
    rows, here = address(s), address(demand)
    _reduction(_SPANS, 0, here, here, rows, rows + _UP_TO * ROW, 0, 0, first, 0, size)


@_jit
def _one_by_one(
    values: FloatArray,
    rows: IntArray,
    numbers: FloatArray,
    rings: IntArray,
    tile: int,
    kept: int,
    weighed: int,
    first: int,
    n: int,
    size: int,
) -> None:
    """Run operations over *size* ticks, each from registers to its own register."""
    here, told = address(values), address(numbers)
    room = values.shape[1] * ROW
    for k in range(rows.shape[0]):
        code, n_k = rows[k, 0], rows[k, 4]
        a, b = here + rows[k, 2] * room, here + rows[k, 3] * room
        if code == op.READ:
            code = -n_k
            a = tile + (rows[k, 2] * n + first) * ROW
        rings[k] = _operation(
            *(code, here + rows[k, 1] * room, a, b, told + 8 * op.NUMBERS * k),
            *(kept + rows[k, 5] * ROW, weighed + 8 * rows[k, 6]),
            *(rings[k], first, n_k, size),
        )


@_jit
def run_program(
    tiles: FloatArray,
    operations: IntArray,
    numbers: FloatArray,
    weights: FloatArray,
    initial: FloatArray,
    parts: IntArray,
    piece: int,
    registers: int,
    roots: IntArray,
    allowed: FloatArray,
    until: FloatArray,
    begin: int,
    ticks: IntArray,
    largest: FloatArray,
) -> bool:
    """Run a program over the draws *begin* and on; say if every demand was a finite number.

    *tiles* (groups, channels, ticks, LANES); *operations* (operations, 7), *numbers* (operations,
    5), *weights*, *initial* (rows of memory,), *registers*: of the program; *parts* (parts, 3):
    first operation, the one after the last, address of their fused loop (0: one by one); *piece*:
    ticks that are done at once; *roots* (roots, 3): registers of total, main and arming demand, -1
    without; *allowed*, *until* (roots, draws): ticks before the allowed time and up to the required
    one. Results: *ticks* (3, roots, draws) first tick with demand 1 or more (-1: never, arming -2:
    no arming), *largest* (4, roots, draws) largest demand in all, up to the required time, before
    the allowed time, and between. Twin: ``Rule.branch_demands`` and ``scoring.reached``.
    """
    n = tiles.shape[2]
    rows = allowed.shape[1]
    groups = min(tiles.shape[0], -(-(rows - begin) // LANES))
    values = aligned(registers * (piece + 1)).reshape((registers, piece + 1, LANES))
    memory = aligned(initial.size + 1)
    scores = aligned(roots.shape[0] * _KEPT).reshape((roots.shape[0], _KEPT, LANES))
    rings = np.empty(operations.shape[0], dtype=np.int64)
    here, kept, weighed = address(values), address(memory), address(weights)
    room = values.shape[1] * ROW
    sound = True
    for group in range(groups):
        for k in range(initial.size):
            memory[k] = initial[k]
        rings[:] = 0
        scores[:] = 0.0
        scores[:, _FIRST:_LARGEST] = np.inf
        start = begin + group * LANES
        width = min(LANES, rows - start)
        for k in range(roots.shape[0]):
            for j in range(LANES):  # lanes without a draw are asked as the first one is
                lane = j if j < width else 0
                scores[k, _UNTIL, j] = until[k, start + lane]
                scores[k, _ALLOWED, j] = allowed[k, start + lane]
        tile = address(tiles[group])
        for first in range(0, n, piece):
            size = min(piece, n - first)
            for part in range(parts.shape[0]):
                a, b, fused = parts[part, 0], parts[part, 1], parts[part, 2]
                if fused:
                    run_fused(
                        *(fused, tile, here, room, address(numbers[a:b]), kept, weighed),
                        *(address(operations[a:b]), address(rings[a:b]), first, n, size),
                    )
                else:
                    _one_by_one(
                        *(values, operations[a:b], numbers[a:b], rings[a:b]),
                        *(tile, kept, weighed, first, n, size),
                    )
            for k in range(roots.shape[0]):
                total, main, arming = roots[k, 0], roots[k, 1], roots[k, 2]
                if main != total:
                    _note(values[main], 1, scores[k], first, size)
                if arming >= 0:
                    _note(values[arming], 2, scores[k], first, size)
                _note(values[total], 0, scores[k], first, size)
                _summary(values[total], scores[k], first, size)
        for k in range(roots.shape[0]):
            for j in range(width):
                for m in range(3):
                    tick = scores[k, _FIRST + m, j]
                    ticks[m, k, start + j] = -1 if tick == np.inf else np.int64(tick)
                if roots[k, 1] == roots[k, 0]:
                    ticks[1, k, start + j] = ticks[0, k, start + j]
                if roots[k, 2] < 0:
                    ticks[2, k, start + j] = -2
                for m in range(4):
                    largest[m, k, start + j] = scores[k, _LARGEST + m, j]
                sound = sound and scores[k, _UNSOUND, j] == 0.0
    # Kept to the end: operations know their addresses only.
    return sound and values.size + memory.size > 0


def check_rules() -> None:
    """Compile and run the kernels on next to nothing; arrays as the callers give them."""

    def given(array: Any) -> Any:
        array.setflags(write=False)
        return array

    tiles = np.zeros((1, 1, 2, LANES))
    operations = np.zeros((1, op.COLUMNS), dtype=np.int64)
    numbers, one = given(np.zeros((1, op.NUMBERS))), given(np.zeros((1, 1)))
    nothing, roots = given(np.zeros(0)), given(np.array([[0, 0, -1]]))
    ticks, largest = np.zeros((3, 1, 1), dtype=np.int64), np.zeros((4, 1, 1))
    run_program(
        *(tiles, given(operations), numbers, nothing, nothing, given(np.array([[0, 1, 0]]))),
        *(PIECE, 1, roots, one, one, 0, ticks, largest),
    )
