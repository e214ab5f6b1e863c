"""Kernels of white noise, draw by draw and in lanes (extra ``fast``); twin: ``draws.noise``.

Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

from crashsense.arrays import FloatArray
from crashsense.compiled.caching import kernel
from crashsense.compiled.filters import BLOCK, CHUNK, SAMPLES, sections_in, through
from crashsense.compiled.vectors import (
    LANES,
    LINE,
    ROW,
    VECTORS,
    WIDTH,
    Given,
    Memory,
    Vector,
    address,
    aligned,
    chosen_by_code,
)

#: Constants of the random words: those of :mod:`crashsense.draws`, which stands above this module.
GOLDEN = np.uint64(0x9E3779B97F4A7C15)
MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
MIX_2 = np.uint64(0x94D049BB133111EB)
_16_BITS = np.uint64(0xFFFF)
_1, _30, _27, _31, _48 = (np.uint64(n) for n in (1, 30, 27, 31, 48))

_jit: Any = kernel()


@_jit
def mix(word: Any) -> Any:
    """Mix 64 bits; twin: ``draws._mix``."""
    word = (word ^ (word >> _30)) * MIX_1
    word = (word ^ (word >> _27)) * MIX_2
    return word ^ (word >> _31)


@_jit
def fill_noise(start: Any, step: Any, table: FloatArray, tail: FloatArray, out: FloatArray) -> None:
    """Fill each row of *out* with white noise of unit deviation; twin: ``draws.noise``, same bits.

    *start*, *step* (rows,) of :func:`crashsense.draws.rows_of`; *table*, *tail* (65536,) of
    :func:`crashsense.draws.noise_tables`.
    """
    rows, width = out.shape
    count = (width + 3) // 4
    words = np.empty(count, dtype=np.uint64)
    for row in range(rows):
        first, by = start[row], step[row]
        for i in range(count):
            words[i] = mix(first + np.uint64(i + 1) * by)
        for i in range(count):
            word = words[i]
            for k in range(min(4, width - 4 * i)):
                field = np.int64((word >> np.uint64(16 * k)) & _16_BITS)
                value = table[field]
                if field == 0 or field == 65535:
                    value = _rare(word, k, field, tail)
                out[row, 4 * i + k] = value


@_jit
def _rare(word: Any, k: int, field: int, tail: FloatArray) -> float:
    """Number of an outermost class: divided once more."""
    more = mix(word + np.uint64(k + 1) * GOLDEN)
    value = tail[np.int64(more >> _48)]
    return -value if field else value


# --- draws side by side ---------------------------------------------------------------------------

# A *stream* makes the numbers of a group of draws. Its rows of lanes hold what the next word is
# counted from, the step, and two stages: words, table indexes of 16 bits, and the four rows of
# numbers that they give. Three blocks of numbers are in work at once: the first is taken away,
# the second copied from the table, words of the third are mixed. The copies wait for memory;
# arithmetic between them, of the filter too, costs next to nothing.
_COUNT, _STEP, _STAGES = 0, 1, 2
_WORDS, _FIELDS, _NUMBERS = 0, 1, 2
_STAGE = _NUMBERS + BLOCK

_WORD, _FIELD = ir.IntType(64), ir.IntType(16)
_WORD_LINE, _FIELD_LINE = ir.VectorType(_WORD, WIDTH), ir.VectorType(_FIELD, BLOCK * WIDTH)


class _Bits(Memory):
    """Rows of lanes as whole numbers."""

    def read(self, row: int, vector: int, kind: Any = _WORD_LINE) -> Any:
        return self.builder.load(self._at(row, vector, kind), align=8)

    def write(self, value: Any, row: int, vector: int) -> None:
        self.builder.store(value, self._at(row, vector, value.type), align=8)


def _all(number: int, kind: Any = _WORD_LINE) -> Any:
    return ir.Constant(kind, [number] * kind.count)


def _mixed(b: Any, word: Any) -> Any:
    """Write the instructions of :func:`mix`."""
    for shift, factor in ((_30, MIX_1), (_27, MIX_2)):
        word = b.mul(b.xor(word, b.lshr(word, _all(int(shift)))), _all(int(factor)))
    return b.xor(word, b.lshr(word, _all(int(_31))))


def next_numbers(
    g: Given, stream: Any, phase: Any, table: Any, take: Callable[[int, list[Vector]], None]
) -> Any:
    """Write instructions: the next four numbers of every lane are given to *take*, by vector.

    *phase*: 0 and 1 in turn, the stage that numbers are copied to. The result is not 0 if one of
    those is of an outermost class, and has to be divided then (:func:`_divide`).
    """
    b = g.builder

    def stage(number: Any) -> Any:
        return b.add(stream, b.mul(b.add(b.mul(number, g.whole(_STAGE)), g.whole(_STAGES)), row))

    row = g.whole(ROW)
    copied = stage(phase)
    counted, here, other = (
        _Bits(b, at) for at in (stream, copied, stage(b.sub(g.whole(1), phase)))
    )
    rare = None
    for j in range(VECTORS):
        word, numbers = other.read(_WORDS, j), []
        for k in range(BLOCK):
            # The table is antisymmetric: its lower half is read, by the highest bit of a quarter
            # the number or what it mirrors.
            sign = b.and_(b.shl(word, _all(16 * (BLOCK - 1 - k))), _all(1 << 63))
            bits = b.xor(other.read(_NUMBERS + k, j), sign)
            numbers.append(Vector(b, b.bitcast(bits, LINE)))
        outermost = b.icmp_unsigned("==", here.read(_FIELDS, j, _FIELD_LINE), _all(0, _FIELD_LINE))
        rare = outermost if rare is None else b.or_(rare, outermost)

        count = b.add(counted.read(_COUNT, j), counted.read(_STEP, j))
        counted.write(count, _COUNT, j)
        word = _mixed(b, count)
        other.write(word, _WORDS, j)
        field = b.bitcast(word, _FIELD_LINE)
        other.write(b.xor(field, b.ashr(field, _all(15, _FIELD_LINE))), _FIELDS, j)

        for lane in range(WIDTH * j, WIDTH * (j + 1)):
            for k in range(BLOCK):
                place = g.whole(_FIELDS * ROW + 8 * lane + 2 * k)
                index = b.load(b.inttoptr(b.add(copied, place), _FIELD.as_pointer()), align=2)
                at = b.add(table, b.mul(b.zext(index, _WORD), g.whole(8)))
                number = b.load(b.inttoptr(at, _WORD.as_pointer()), align=8)
                place = g.whole((_NUMBERS + k) * ROW + 8 * lane)
                b.store(number, b.inttoptr(b.add(copied, place), _WORD.as_pointer()), align=8)
        take(j, numbers)
    found = b.bitcast(rare, ir.IntType(BLOCK * WIDTH))
    return b.zext(b.icmp_unsigned("!=", found, ir.Constant(found.type, 0)), _WORD)


def _filtered_numbers(g: Given) -> Any:
    """Next numbers of the stream ``a`` into ``out``, through the ``n`` sections of ``memory``.

    ``first``: phase, ``weights``: table; the result as :func:`next_numbers`.
    """

    def take(j: int, numbers: list[Vector]) -> None:
        for k, y in enumerate(through(g, g.memory.address, g.n, j, numbers)):
            g.out.store(y, k, j)

    return next_numbers(g, g.a.address, g.first, g.weights, take)


_run = chosen_by_code({0: _filtered_numbers})


@_jit
def divide_outermost(stream: FloatArray, phase: int, tail: FloatArray) -> None:
    """Divide the outermost classes of a stage once more; twin: ``draws.noise``."""
    first = _STAGES + _STAGE * phase
    words = stream[first + _WORDS].view(np.uint64)
    fields = stream[first + _FIELDS].view(np.uint16)
    for j in range(LANES):
        for k in range(BLOCK):
            if fields[BLOCK * j + k] == 0:
                stream[first + _NUMBERS + k, j] = _rare(words[j], k, 0, tail)


@_jit
def stream_of(
    start: Any, step: Any, first: int, width: int, table: FloatArray, tail: FloatArray
) -> FloatArray:
    """Stream of the rows *first* and on; lanes without a row have numbers too, always the same."""
    stream = aligned(_STAGES + 2 * _STAGE)
    count, by = stream[_COUNT].view(np.uint64), stream[_STEP].view(np.uint64)
    count[:] = _1
    count[:width] = start[first : first + width]
    by[:width] = step[first : first + width]
    unused = aligned(BLOCK)
    at, out, numbers = address(stream), address(unused), address(table)
    _run(0, out, at, at, at, at, numbers, 0, 1, 0, BLOCK)  # words of the first block
    if _run(0, out, at, at, at, at, numbers, 0, 0, 0, BLOCK):  # its numbers, words of the second
        divide_outermost(stream, 0, tail)
    unused[0, 0] = 0.0  # kept until here: the kernel knows its address only
    return stream


@_jit
def noise_of_lanes(
    stream: FloatArray, table: FloatArray, tail: FloatArray, deck: FloatArray, filtered: bool
) -> None:
    """Fill the samples of a deck with the next numbers of each lane, through its filter or not."""
    count = sections_in(deck) if filtered else 0
    at, out, numbers = address(stream), address(deck), address(table)
    filters = out + 8 * SAMPLES
    # What counts references to arrays waits for all that is in work: addresses alone go on.
    for i in range(CHUNK // BLOCK):
        phase = 1 - i % 2
        if _run(0, out + i * BLOCK * ROW, at, at, at, filters, numbers, 0, phase, count, BLOCK):
            divide_outermost(stream, phase, tail)


# --- rows of lanes of one vector ------------------------------------------------------------------

#: Words of each lane that are mixed before their numbers are looked up: they stay in the nearest
#: cache.
_MIXED = 64
#: Rows of lanes that this takes: what the next word is counted from, step, words, table indexes.
NOISE_DESK = 2 + 2 * _MIXED
_LINE = 8 * WIDTH


def _line(b: Any, place: Any, row: Any, kind: Any) -> Any:
    return b.inttoptr(b.add(place, b.mul(row, ir.Constant(_WORD, _LINE))), kind.as_pointer())


@intrinsic  # type: ignore[untyped-decorator]
def _run_words(typing: Any, desk: Any, count: Any) -> Any:
    """Next words of each lane, and their indexes in the lower half of the table.

    The result is not 0 if a number among them is of an outermost class.
    """

    def generate(context: Any, b: Any, signature: Any, given: Any) -> Any:
        desk, count = given
        own, step = (_line(b, desk, ir.Constant(_WORD, row), _WORD_LINE) for row in (0, 1))
        by, total = b.load(step, align=8), cgutils.alloca_once_value(b, b.load(own, align=8))
        rare = cgutils.alloca_once_value(b, _all(0, ir.VectorType(ir.IntType(1), BLOCK * WIDTH)))
        with cgutils.for_range(b, count) as loop:
            b.store(b.add(b.load(total), by), total)
            word = _mixed(b, b.load(total))
            field = b.bitcast(word, _FIELD_LINE)
            index = b.xor(field, b.ashr(field, _all(15, _FIELD_LINE)))
            row = b.add(loop.index, ir.Constant(_WORD, 2))
            b.store(word, _line(b, desk, row, _WORD_LINE), align=8)
            row = b.add(row, ir.Constant(_WORD, _MIXED))
            b.store(index, _line(b, desk, row, _FIELD_LINE), align=8)
            outermost = b.icmp_unsigned("==", index, _all(0, _FIELD_LINE))
            b.store(b.or_(b.load(rare), outermost), rare)
        b.store(b.load(total), own, align=8)
        found = b.bitcast(b.load(rare), ir.IntType(BLOCK * WIDTH))
        return b.zext(b.icmp_unsigned("!=", found, ir.Constant(found.type, 0)), _WORD)

    return types.int64(types.int64, types.int64), generate


@intrinsic  # type: ignore[untyped-decorator]
def _run_lookup(typing: Any, desk: Any, table: Any, rows: Any, count: Any) -> Any:
    """Numbers of the words on the desk, four rows of lanes each."""

    def generate(context: Any, b: Any, signature: Any, given: Any) -> Any:
        desk, table, rows, count = given
        with cgutils.for_range(b, count) as loop:
            row = b.add(loop.index, ir.Constant(_WORD, 2))
            word = b.load(_line(b, desk, row, _WORD_LINE), align=8)
            row = b.add(row, ir.Constant(_WORD, _MIXED))
            indexes = b.ptrtoint(_line(b, desk, row, _FIELD), _WORD)
            for k in range(BLOCK):
                numbers = ir.Constant(_WORD_LINE, ir.Undefined)
                for lane in range(WIDTH):
                    place = b.add(indexes, ir.Constant(_WORD, 8 * lane + 2 * k))
                    index = b.load(b.inttoptr(place, _FIELD.as_pointer()), align=2)
                    at = b.add(table, b.mul(b.zext(index, _WORD), ir.Constant(_WORD, 8)))
                    number = b.load(b.inttoptr(at, _WORD.as_pointer()), align=8)
                    numbers = b.insert_element(numbers, number, ir.Constant(ir.IntType(32), lane))
                # Antisymmetric: see next_numbers.
                sign = b.and_(b.shl(word, _all(16 * (BLOCK - 1 - k))), _all(1 << 63))
                row = b.add(b.mul(loop.index, ir.Constant(_WORD, BLOCK)), ir.Constant(_WORD, k))
                b.store(b.xor(numbers, sign), _line(b, rows, row, _WORD_LINE), align=8)
        return context.get_dummy_value()

    return types.void(*[types.int64] * 4), generate


@_jit
def noise_of_rows(
    start: Any,
    step: Any,
    first: int,
    width: int,
    table: FloatArray,
    tail: FloatArray,
    desk: FloatArray,
    out: FloatArray,
) -> None:
    """Fill rows of lanes with the noise of the rows *first* and on; twin: ``draws.noise``.

    *start*, *step* (rows,); *desk* (NOISE_DESK, WIDTH): room; *out* (a multiple of 4, WIDTH); lanes
    without a row have the noise of the last one.
    """
    count, by = desk[0].view(np.uint64), desk[1].view(np.uint64)
    for j in range(WIDTH):
        count[j] = start[first + min(j, width - 1)]
        by[j] = step[first + min(j, width - 1)]
    for at in range(0, out.shape[0], BLOCK * _MIXED):
        words = min(_MIXED, (out.shape[0] - at) // BLOCK)
        rare = _run_words(address(desk), words)
        _run_lookup(address(desk), address(table), address(out) + _LINE * at, words)
        if rare != 0:
            _divide_in(desk, words, tail, out[at:])


@_jit
def _divide_in(desk: FloatArray, words: int, tail: FloatArray, out: FloatArray) -> None:
    """Divide the outermost classes among the numbers of the desk's words once more."""
    for i in range(words):
        word = desk[2 + i].view(np.uint64)
        index = desk[2 + _MIXED + i].view(np.uint16)
        for j in range(WIDTH):
            for k in range(BLOCK):
                if index[BLOCK * j + k] == 0:
                    field = np.int64((word[j] >> np.uint64(16 * k)) & _16_BITS)
                    out[BLOCK * i + k, j] = _rare(word[j], k, field, tail)
