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

import numba
import numpy as np

from crashsense import operations as op
from crashsense.arrays import FloatArray, IntArray
from crashsense.compiled_lanes import LANES, over

#: Ticks that an operation takes at once (16 kB a register): with fewer its calls would count.
PIECE = 64

_jit: Any = numba.njit(cache=True, nogil=True, fastmath=False, error_model="numpy")


# --- operations without memory --------------------------------------------------------------------


@_jit
def _alone(code: int, a: FloatArray, out: FloatArray, c: FloatArray) -> None:
    c0, c1, c2 = c[0], c[1], c[2]
    if code == op.CONSTANT:
        out[:] = c0
    elif code == op.LESS:
        for k in range(out.size):
            out[k] = a[k] - c0
    elif code == op.TIMES:
        for k in range(out.size):
            out[k] = c0 * a[k]
    elif code == op.OVER:
        inverse = 1.0 / c0
        for k in range(out.size):
            out[k] = over(a[k], c0, inverse)
    elif code == op.DEMAND:
        inverse = 1.0 / c0
        for k in range(out.size):
            x = over(a[k], c0, inverse)
            out[k] = x if x > 0.0 else 0.0
    elif code == op.MAGNITUDE:
        for k in range(out.size):
            out[k] = abs(a[k])
    elif code == op.POSITIVE:
        for k in range(out.size):
            x = a[k]
            out[k] = x if x > 0.0 else 0.0
    elif code == op.ROOT:
        for k in range(out.size):
            out[k] = np.sqrt(a[k])
    elif code == op.RAISE:
        for k in range(out.size):
            x = 1.0 + c0 * (a[k] - 1.0)
            x = x if x > 1.0 else 1.0
            out[k] = x if x < c1 else c1
    elif code == op.RAMP:
        for k in range(out.size):
            x = a[k] - c2
            out[k] = c0 + c1 * (0.001 * (x if x > 0.0 else 0.0))
    elif code == op.CODE:
        inverse = 1.0 / c0
        for k in range(out.size):
            x = np.rint(over(a[k], c0, inverse))
            x = x if x > c1 else c1
            out[k] = x if x < c2 else c2


@_jit
def _of_two(code: int, a: FloatArray, b: FloatArray, out: FloatArray, c: FloatArray) -> None:
    c0, c1 = c[0], c[1]
    if code == op.LESSER:
        for k in range(out.size):
            x, y = a[k], b[k]
            out[k] = x if x < y else y
    elif code == op.GREATER:
        for k in range(out.size):
            x, y = a[k], b[k]
            out[k] = x if x > y else y
    elif code == op.SUM:
        for k in range(out.size):
            out[k] = a[k] + b[k]
    elif code == op.DIFFERENCE:
        for k in range(out.size):
            out[k] = a[k] - b[k]
    elif code == op.PRODUCT:
        for k in range(out.size):
            out[k] = a[k] * b[k]
    elif code == op.RATIO:
        for k in range(out.size):
            out[k] = a[k] / b[k]
    elif code == op.GATE:
        for k in range(out.size):
            out[k] = b[k] if a[k] >= 1.0 else 0.0
    elif code == op.STEP:
        for k in range(out.size):
            out[k] = c1 if a[k] >= c0 else b[k]


@_jit
def _read(samples: FloatArray, sense: int, out: FloatArray) -> None:
    if sense == 0:
        for k in range(out.size):
            out[k] = samples[k]
    elif sense == 1:
        for k in range(out.size):
            out[k] = -samples[k]
    else:
        for k in range(out.size):
            out[k] = abs(samples[k])


@_jit
def _roll(rate: FloatArray, angle: FloatArray, out: FloatArray, c: FloatArray) -> None:
    """Where nothing rolls, which is nearly everywhere, no cosine is taken."""
    tip, pull, gyration, least, threshold = c[0], c[1], c[2], c[3], c[4]
    upright = max(np.sqrt(2.0 * (pull * (1.0 - np.cos(tip)))) / gyration, least) * threshold
    for k in range(out.size):
        demand = 0.0
        if rate[k] > 0.0:
            needed = upright
            if angle[k] != 0.0:
                lift = pull * (1.0 - np.cos(max(tip - angle[k], 0.0)))
                needed = max(np.sqrt(2.0 * lift) / gyration, least) * threshold
            demand = rate[k] / needed
        out[k] = demand


@_jit
def _line(a: FloatArray, out: FloatArray, vertices: FloatArray, n: int) -> None:
    """As ``numpy.interp``, vertex after vertex."""
    out[:] = vertices[n]
    for vertex in range(n):
        place, value, slope = vertices[vertex], vertices[n + vertex], vertices[2 * n + vertex]
        for k in range(out.size):
            x = a[k]
            out[k] = slope * (x - place) + value if x >= place else out[k]


@_jit
def _ray(a: FloatArray, b: FloatArray, out: FloatArray, vertices: FloatArray, n: int) -> None:
    """As ``polyline.along_ray``: the last part of the line that holds is the one that counts."""
    u0, v0 = vertices[0], vertices[1]
    level = v0 > 0.0
    divisor = v0 if level else u0
    inverse = 1.0 / divisor
    for k in range(out.size):
        x = b[k] if level else a[k]
        out[k] = over(x if x > 0.0 else 0.0, divisor, inverse)
    for vertex in range(n):
        u0, v0 = vertices[2 * vertex], vertices[2 * vertex + 1]
        if vertex + 1 < n:
            u1, v1 = vertices[2 * vertex + 2], vertices[2 * vertex + 3]
            by_u, by_v, divisor = v0 - v1, u1 - u0, u1 * v0 - u0 * v1
        elif v0 > 0.0:
            by_u, by_v, divisor = 0.0, 1.0, v0
        else:
            by_u, by_v, divisor = 1.0, 0.0, u0
        inverse = 1.0 / divisor
        for k in range(out.size):
            u = a[k] if a[k] > 0.0 else 0.0
            v = b[k] if b[k] > 0.0 else 0.0
            here = over(by_u * u + by_v * v, divisor, inverse)
            out[k] = here if v * u0 <= u * v0 else out[k]


# --- operations with memory -----------------------------------------------------------------------


@_jit
def _velocity(a: FloatArray, out: FloatArray, memory: FloatArray, c: FloatArray, size: int) -> None:
    shift, divisor, decay, lowest, rest = c[0], c[1], c[2], c[3], c[4]
    inverse = 1.0 / divisor
    v = memory[0]
    for i in range(size):
        x, y = a[i], out[i]
        for j in range(LANES):
            z = decay * v[j] + over(x[j] - shift, divisor, inverse)
            z = z if z > lowest else lowest
            v[j] = z
            y[j] = z if z >= rest else 0.0


@_jit
def _leaky_sum(
    a: FloatArray, out: FloatArray, memory: FloatArray, c: FloatArray, size: int
) -> None:
    decay, lowest = c[0], c[1]
    v = memory[0]
    for i in range(size):
        x, y = a[i], out[i]
        for j in range(LANES):
            z = decay * v[j] + x[j]
            z = z if z > lowest else lowest
            v[j] = z
            y[j] = z


@_jit
def _window_sum(
    a: FloatArray, out: FloatArray, memory: FloatArray, at: int, n: int, size: int
) -> int:
    total = memory[0]
    for i in range(size):
        x, y, before = a[i], out[i], memory[1 + at]
        for j in range(LANES):
            t = total[j] + x[j]
            total[j] = t
            y[j] = t - before[j]
            before[j] = t
        at = at + 1 if at + 1 < n else 0
    return at


@_jit
def _window_max(
    a: FloatArray, out: FloatArray, memory: FloatArray, at: int, n: int, size: int
) -> int:
    """As ``compiled.window_max``: *memory* holds the top, a piece of *n* ticks, and its ends."""
    top = memory[0]
    for i in range(size):
        x, y, kept, end = a[i], out[i], memory[1 + at], memory[1 + n + at + 1]
        for j in range(LANES):
            t = x[j] if x[j] > top[j] else top[j]
            top[j] = t
            kept[j] = x[j]
            y[j] = t if t > end[j] else end[j]
        at += 1
        if at == n:
            top[:] = -np.inf
            for k in range(n - 1, -1, -1):
                kept, end = memory[1 + k], memory[1 + n + k]
                for j in range(LANES):
                    t = kept[j] if kept[j] > top[j] else top[j]
                    top[j] = t
                    end[j] = t
            top[:] = -np.inf
            at = 0
    return at


@_jit
def _running_max(a: FloatArray, out: FloatArray, memory: FloatArray, size: int) -> None:
    top = memory[0]
    for i in range(size):
        x, y = a[i], out[i]
        for j in range(LANES):
            t = x[j] if x[j] > top[j] else top[j]
            top[j] = t
            y[j] = t


@_jit
def _delay(a: FloatArray, out: FloatArray, memory: FloatArray, at: int, n: int, size: int) -> int:
    for i in range(size):
        x, y, before = a[i], out[i], memory[at]
        for j in range(LANES):
            y[j] = before[j]
            before[j] = x[j]
        at = at + 1 if at + 1 < n else 0
    return at


@_jit
def _travel(a: FloatArray, out: FloatArray, memory: FloatArray, c: FloatArray, size: int) -> None:
    divisor = c[0]
    inverse = 1.0 / divisor
    total, at_zero = memory[0], memory[1]
    for i in range(size):
        x, y = a[i], out[i]
        for j in range(LANES):
            t = total[j] + x[j]
            total[j] = t
            z = at_zero[j] if x[j] > 0.0 or t < at_zero[j] else t
            at_zero[j] = z
            y[j] = over(t - z, divisor, inverse)


@_jit
def _elapsed(
    a: FloatArray, out: FloatArray, memory: FloatArray, c: FloatArray, first: int, size: int
) -> None:
    tick_ms = c[0]
    last = memory[0]
    for i in range(size):
        x, y = a[i], out[i]
        now = float(first + i)
        for j in range(LANES):
            z = last[j] if x[j] > 0.0 else now
            last[j] = z
            y[j] = (now - z) * tick_ms


@_jit
def _response(
    a: FloatArray,
    out: FloatArray,
    memory: FloatArray,
    weights: FloatArray,
    at: int,
    n: int,
    size: int,
) -> int:
    for i in range(size):
        x, y = a[i], out[i]
        newest = memory[at]
        for j in range(LANES):
            newest[j] = x[j]
            y[j] = weights[0] * x[j]
        for lag in range(1, n):
            before = memory[at - lag if at >= lag else at - lag + n]
            weight = weights[lag]
            for j in range(LANES):
                y[j] += weight * before[j]
        at = at + 1 if at + 1 < n else 0
    return at


@_jit
def _change(a: FloatArray, out: FloatArray, memory: FloatArray, first: int, size: int) -> None:
    before = memory[0]
    for i in range(size):
        x, y = a[i], out[i]
        for j in range(LANES):
            y[j] = abs(x[j] - before[j])
            before[j] = x[j]
        if first + i == 0:
            y[:] = 0.0


@_jit
def _section(a: FloatArray, out: FloatArray, memory: FloatArray, c: FloatArray, size: int) -> None:
    b0, b1, b2, a1, a2 = c[0], c[1], c[2], c[3], c[4]
    p, q = memory[0], memory[1]
    for i in range(size):
        x, y = a[i], out[i]
        for j in range(LANES):
            z = b0 * x[j] + p[j]
            p[j] = b1 * x[j] - a1 * z + q[j]
            q[j] = b2 * x[j] - a2 * z
            y[j] = z


@_jit
def _since(
    a: FloatArray, b: FloatArray, out: FloatArray, memory: FloatArray, awake: int, size: int
) -> None:
    """*awake*: ticks of this piece that count as going on, whatever *b* is."""
    top = memory[0]
    for i in range(size):
        x, going, y = a[i], b[i], out[i]
        for j in range(LANES):
            t = x[j] if x[j] > top[j] or (i >= awake and going[j] < 1.0) else top[j]
            top[j] = t
            y[j] = t


@_jit
def _restarted(
    a: FloatArray,
    b: FloatArray,
    out: FloatArray,
    memory: FloatArray,
    c: FloatArray,
    awake: int,
    size: int,
) -> None:
    """As :func:`_velocity`; *awake* as in :func:`_since`."""
    shift, divisor, decay, lowest, rest = c[0], c[1], c[2], c[3], c[4]
    inverse = 1.0 / divisor
    v = memory[0]
    for i in range(size):
        x, going, y = a[i], b[i], out[i]
        for j in range(LANES):
            z = decay * v[j] + over(x[j] - shift, divisor, inverse)
            z = z if z > lowest else lowest
            z = 0.0 if i >= awake and going[j] < 1.0 else z
            v[j] = z
            y[j] = z if z >= rest else 0.0


# --- scores ---------------------------------------------------------------------------------------


@_jit
def _first_tick(demand: FloatArray, found: FloatArray, first: int, size: int) -> None:
    for i in range(size):
        x = demand[i]
        now = float(first + i)
        for j in range(LANES):
            tick = now if x[j] >= 1.0 else np.inf
            found[j] = tick if tick < found[j] else found[j]


@_jit
def _most(demand: FloatArray, top: FloatArray, unsound: FloatArray, size: int) -> bool:
    """Largest demand of a piece of time by lane; say whether any is 1 or more."""
    top[:] = 0.0
    for i in range(size):
        x = demand[i]
        for j in range(LANES):
            d = x[j]
            top[j] = d if d > top[j] else top[j]
            # Nothing, but where it is no finite number.
            unsound[j] += d - d
    reached = 0
    for j in range(LANES):
        reached += int(top[j] >= 1.0)
    return reached > 0


@_jit
def _raise(level: FloatArray, to: FloatArray) -> None:
    for j in range(LANES):
        level[j] = to[j] if to[j] > level[j] else level[j]


@_jit
def _summary(
    total: FloatArray,
    allowed: FloatArray,
    until: FloatArray,
    s: FloatArray,
    top: FloatArray,
    first: int,
    size: int,
) -> None:
    """Largest demand in the spans of ``scoring.Reached``; *s*: so far, *top*: in this piece."""
    required, early, inside = s[4], s[5], s[6]
    _raise(s[3], top)
    if first >= until.max() and first >= allowed.max():
        return
    if first >= allowed.max() and first + size <= until.min():
        _raise(required, top)
        _raise(inside, top)
        return
    for i in range(size):
        x = total[i]
        now = float(first + i)
        for j in range(LANES):
            d = x[j]
            in_time = d if now < until[j] else 0.0
            required[j] = in_time if in_time > required[j] else required[j]
            before = d if now < allowed[j] else 0.0
            early[j] = before if before > early[j] else early[j]
            in_time = in_time if now >= allowed[j] else 0.0
            inside[j] = in_time if in_time > inside[j] else inside[j]


@_jit
def _operate(
    registers: FloatArray,
    memory: FloatArray,
    row: IntArray,
    c: FloatArray,
    weights: FloatArray,
    at: int,
    first: int,
    size: int,
) -> int:
    """Run one operation over *size* ticks; return where its ring now is."""
    code, n = row[0], row[4]
    out, a, b = registers[row[1]], registers[row[2]], registers[row[3]]
    flat = size * LANES
    each, one, two = out.reshape(-1)[:flat], a.reshape(-1)[:flat], b.reshape(-1)[:flat]
    if code <= op.ROOT or code == op.RAISE or code == op.RAMP or code == op.CODE:
        _alone(code, one, each, c)
    elif code <= op.STEP:
        _of_two(code, one, two, each, c)
    elif code == op.ROLL:
        _roll(one, two, each, c)
    elif code == op.LINE:
        _line(one, each, weights[row[6] :], n)
    elif code == op.RAY:
        _ray(one, two, each, weights[row[6] :], n)
    else:
        own = memory[row[5] :]
        if code == op.VELOCITY:
            _velocity(a, out, own, c, size)
        elif code == op.LEAKY_SUM:
            _leaky_sum(a, out, own, c, size)
        elif code == op.WINDOW_SUM:
            at = _window_sum(a, out, own, at, n, size)
        elif code == op.WINDOW_MAX:
            at = _window_max(a, out, own, at, n, size)
        elif code == op.RUNNING_MAX:
            _running_max(a, out, own, size)
        elif code == op.DELAY:
            at = _delay(a, out, own, at, n, size)
        elif code == op.TRAVEL:
            _travel(a, out, own, c, size)
        elif code == op.ELAPSED:
            _elapsed(a, out, own, c, first, size)
        elif code == op.RESPONSE:
            at = _response(a, out, own, weights[row[6] :], at, n, size)
        elif code == op.CHANGE:
            _change(a, out, own, first, size)
        elif code == op.SECTION:
            _section(a, out, own, c, size)
        elif code == op.SINCE:
            _since(a, b, out, own, n - first, size)
        elif code == op.RESTARTED:
            _restarted(a, b, out, own, c, n - first, size)
    return at


@_jit
def run_program(
    tiles: FloatArray,
    operations: IntArray,
    numbers: FloatArray,
    weights: FloatArray,
    initial: FloatArray,
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
    5), *weights*, *initial* (rows of memory,), *registers*: of the program; *roots* (roots, 3):
    registers of total, main and arming demand, -1 without; *allowed*, *until* (roots, draws): ticks
    before the allowed time and up to the required one. Results: *ticks* (3, roots, draws) first
    tick with demand 1 or more (-1: never, arming -2: no arming), *largest* (4, roots, draws)
    largest demand in all, up to the required time, before the allowed time, and between. Twin:
    ``Rule.branch_demands`` and ``scoring.reached``.
    """
    n = tiles.shape[2]
    rows = allowed.shape[1]
    groups = min(tiles.shape[0], -(-(rows - begin) // LANES))
    values = np.zeros((registers, PIECE, LANES))
    memory = np.empty((initial.size + 1, LANES))
    scores = np.empty((roots.shape[0], 8, LANES))
    spans = np.zeros((2, roots.shape[0], LANES))
    top = np.empty(LANES)
    rings = np.empty(operations.shape[0], dtype=np.int64)
    sound = True
    for group in range(groups):
        for k in range(initial.size):
            memory[k] = initial[k]
        rings[:] = 0
        scores[:, :3] = np.inf
        scores[:, 3:] = 0.0
        start = begin + group * LANES
        width = min(LANES, rows - start)
        for k in range(roots.shape[0]):
            for j in range(LANES):  # lanes without a draw are asked as the first one is
                lane = j if j < width else 0
                spans[0, k, j] = allowed[k, start + lane]
                spans[1, k, j] = until[k, start + lane]
        for first in range(0, n, PIECE):
            size = min(PIECE, n - first)
            for k in range(operations.shape[0]):
                row = operations[k]
                if row[0] == op.READ:
                    here = tiles[group, row[2], first : first + size].reshape(-1)
                    _read(here, row[4], values[row[1]].reshape(-1)[: size * LANES])
                else:
                    rings[k] = _operate(
                        values, memory, row, numbers[k], weights, rings[k], first, size
                    )
            for k in range(roots.shape[0]):
                total, main, arming = roots[k, 0], roots[k, 1], roots[k, 2]
                unsound = scores[k, 7]
                if main != total and _most(values[main], top, unsound, size):
                    _first_tick(values[main], scores[k, 1], first, size)
                if arming >= 0 and _most(values[arming], top, unsound, size):
                    _first_tick(values[arming], scores[k, 2], first, size)
                if _most(values[total], top, unsound, size):
                    _first_tick(values[total], scores[k, 0], first, size)
                _summary(values[total], spans[0, k], spans[1, k], scores[k], top, first, size)
        for k in range(roots.shape[0]):
            for j in range(width):
                for m in range(3):
                    tick = scores[k, m, j]
                    ticks[m, k, start + j] = -1 if tick == np.inf else np.int64(tick)
                if roots[k, 1] == roots[k, 0]:
                    ticks[1, k, start + j] = ticks[0, k, start + j]
                if roots[k, 2] < 0:
                    ticks[2, k, start + j] = -2
                for m in range(4):
                    largest[m, k, start + j] = scores[k, 3 + m, j]
                sound = sound and scores[k, 7, j] == 0.0
    return sound


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
        *(tiles, given(operations), numbers, nothing, nothing, 1, roots, one, one),
        *(0, ticks, largest),
    )
