"""Operations in one compiled loop give what they give one by one, bit for bit."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

pytest.importorskip("numba", reason="needs the extra fast")

import numba

from crashsense import operations as op
from crashsense.channels import CHANNELS
from crashsense.compiled.caching import Kept
from crashsense.compiled.fused import Fused, run_fused
from crashsense.compiled.rules import OPERATIONS, _one_by_one
from crashsense.compiled.vectors import LANES, ROW, address, aligned
from crashsense.event import Context
from crashsense.rules.program import Program, Writer

RATE, TICKS = 1000.0, 61


@numba.njit
def _in_one_loop(
    fused: int,
    values: Any,
    rows: Any,
    numbers: Any,
    rings: Any,
    tile: int,
    kept: int,
    weighed: int,
    first: int,
    n: int,
    size: int,
) -> None:
    run_fused(
        *(fused, tile, address(values), values.shape[1] * ROW, address(numbers), kept, weighed),
        *(address(rows), address(rings), first, n, size),
    )


class Lines:
    """A program whose lines are all read in the end: each keeps a register of its own."""

    def __init__(self) -> None:
        self.writer = Writer(rate_hz=RATE, size=TICKS, there=frozenset(CHANNELS), context=Context())

    def program(self) -> Program:
        return self.writer.program([(k, k, -1) for k in range(len(self.writer.lines))])


def values_of(program: Program, pieces: list[int], folder: Path | None) -> tuple[Any, ...]:
    """Every register at every tick, memory, and rings, by the way named: one loop with a folder."""
    rows, numbers, weights = program.operations, program.numbers, np.append(program.weights, 0.0)
    source = np.random.default_rng(7)
    tile = aligned(len(program.channels) * TICKS)
    tile[:] = source.choice([-1.0, 1.0, 1.0, 30.0], size=tile.shape) * source.normal(
        size=tile.shape
    )
    # Zeros of both signs, and a lane that stays at rest.
    tile[source.uniform(size=tile.shape) < 0.1] *= 0.0
    tile[:, 5] = 0.0
    memory = aligned(program.initial.size + 1)
    memory[:-1] = program.initial[:, None]
    rings = np.zeros(len(rows), dtype=np.int64)
    found = np.zeros((program.registers, TICKS, LANES))
    how: Any = _one_by_one
    if folder is not None:
        fused = Fused(rows, range(program.registers))
        write = partial(fused.write, operations=OPERATIONS)
        kept = Kept(folder, most=100)
        kept.make(fused.name, write)
        how = partial(_in_one_loop, kept.address(fused.name))
    first = 0
    for size in pieces:
        values = np.zeros((program.registers, size, LANES))
        how(
            *(values, rows, numbers, rings, address(tile), address(memory), address(weights)),
            *(first, TICKS, size),
        )
        found[:, first : first + size] = values
        first += size
    return found[:, :first], memory, rings


def same_bits(a: Any, b: Any) -> None:
    """Equal, zeros of the same sign; of what is no number the bits do not count."""
    np.testing.assert_array_equal(a, b)
    number = ~np.isnan(a)
    np.testing.assert_array_equal(np.signbit(a)[number], np.signbit(b)[number])


def every_operation(lines: Lines) -> None:
    """Each operation at least once, on values that make it take all its ways."""
    w = lines.writer
    x, y, size = w.read("+central_x"), w.read("-central_y"), w.read("|central_z|")
    level = w.times(size, 0.9)
    w.constant(1.25)
    w.demand(x, 0.7)
    w.over(w.less(y, 0.3), 3.0)
    w.root(w.magnitude(w.ratio(x, y)))
    w.gated(level, w.least(x, y, w.positive(y)))
    w.step(x, level=0.5, then=2.0, otherwise=w.greatest(x, w.product(y, size)))
    w.raised(x, gain=0.4, most=1.7)
    speed = w.velocity(x, leak_g=0.01, time_constant_ms=30.0)
    w.ramp(w.elapsed_ms(speed), start=0.5, slope=40.0, flat_ms=3.0)
    w.travel(speed)
    w.velocity(y, floor=False, going=(level, 4))
    w.leaky_sum(w.sum(x, y), decay=0.9)
    w.low_passed(w.difference(x, y), corner_hz=60.0)
    for ticks in (1, 5, 17):
        w.window_sum(x, ticks)
        w.window_max(y, ticks)
        w.delayed(size, ticks)
    w.window_max(x, 9, fill=0.5)
    w.window_max(x, TICKS)
    w.response(x, np.array([0.5, -0.25, 0.125, 0.3]))
    w.change(y)
    w.code(x, step=0.4, least=-3.0, most=4.0)
    w.sections(x, np.array([[0.2, 0.4, 0.2, 1.0, -0.3, 0.1]]))
    w.most_since(x, (level, 3))
    w.roll(x, w.angle(y, leak=0.5), numbers=(0.8, 6.0, 1.4, 0.05, 1.1))
    for vertices in ([(0.5, 2.0), (1.5, 1.0), (3.0, 0.5)], [(0.7, 0.0)], [(0.0, 1.0), (2.0, 0.0)]):
        w.along_ray(x, y, vertices)
    for vertices in ([(0.5, 2.0), (1.5, 1.0), (3.0, 0.5)], [(0.7, 3.0)]):
        w.along_line(x, vertices)


def test_every_operation_in_one_loop_is_the_operation_itself(tmp_path: Path) -> None:
    lines = Lines()
    every_operation(lines)
    program = lines.program()
    codes = {v for k, v in vars(op).items() if k.isupper() and isinstance(v, int)}
    left = codes - set(program.operations[:, 0].tolist()) - {op.COLUMNS, op.NUMBERS}
    assert not left, "operations that no line says"
    pieces = [16, 1, 31, 13]  # the last one shorter than the rest
    expected, found = (values_of(program, pieces, way) for way in (None, tmp_path))
    for a, b in zip(expected, found, strict=True):
        same_bits(a, b)
    quiet = [row for row in found[0] if not np.ptp(row[np.isfinite(row)])]
    assert len(quiet) <= 2  # the constant, and a line of one vertex


UNARY = {
    "magnitude": (),
    "positive": (),
    "change": (),
    "travel": (),
    "elapsed_ms": (),
    "demand": (0.8,),
    "times": (-0.7,),
    "less": (0.2,),
    "over": (3.0,),
    "window_sum": (6,),
    "window_max": (7,),
    "delayed": (3,),
    "leaky_sum": (),
    "velocity": (),
}
BINARY = ("sum", "difference", "product", "ratio", "least", "greatest", "gated")


@settings(max_examples=10, deadline=None)
@given(
    steps=st.lists(
        st.tuples(st.sampled_from([*UNARY, *BINARY]), st.integers(0, 2**16), st.integers(0, 2**16)),
        min_size=1,
        max_size=12,
    ),
    pieces=st.lists(st.integers(1, 20), min_size=1, max_size=3),
)
def test_any_program_in_one_loop_is_the_same_one_by_one(
    tmp_path_factory: Any, steps: list[tuple[str, int, int]], pieces: list[int]
) -> None:
    lines = Lines()
    w = lines.writer
    w.read("+central_x"), w.read("-central_z")
    for name, a, b in steps:
        known = len(w.lines)
        inputs = (a % known,) if name in UNARY else (a % known, b % known)
        getattr(w, name)(*inputs, *UNARY.get(name, ()))
    program = lines.program()
    folder = tmp_path_factory.mktemp("code")
    for a, b in zip(*(values_of(program, pieces, way) for way in (None, folder)), strict=True):
        same_bits(a, b)


def test_programs_that_differ_in_numbers_share_a_loop() -> None:
    def name(ticks: int, threshold: float) -> str:
        lines = Lines()
        w = lines.writer
        w.demand(w.window_sum(w.window_max(w.read("+central_x"), ticks), ticks + 2), threshold)
        program = lines.program()
        return Fused(program.operations, [program.registers - 1]).name

    assert name(5, 1.0) != ""
    assert name(5, 2.0) == name(9, 3.0)
    # What is read later is stored, and belongs to the structure.
    lines = Lines()
    lines.writer.read("+central_x")
    rows = lines.program().operations
    assert Fused(rows, [0]).name != Fused(rows, []).name
