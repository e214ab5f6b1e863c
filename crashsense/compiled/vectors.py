"""Arithmetic on several lanes at once, as instructions of the processor (extra ``fast``).

Where a loop over lanes is written out, the compiler must prove that no array overlaps another and
counts references to views; both cost more than the arithmetic. Here a step is said once, as an
expression on :class:`Vector`; :mod:`crashsense.compiled.steps` makes loops over ticks and lanes
around it. They work on addresses: arrays are kept by those who call.

Every result has the bits of the same expression on numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np
from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

from crashsense.arrays import FloatArray
from crashsense.compiled.caching import kernel
from crashsense.operations import NUMBERS

#: Lanes of one vector, and of a group of draws.
WIDTH = 8
LANES = 32

NUMBER = ir.DoubleType()
LINE = ir.VectorType(NUMBER, WIDTH)
_WORD = ir.IntType(64)
#: Vectors of a row of lanes, and its bytes.
VECTORS = LANES // WIDTH
ROW = 8 * LANES
_STEP = 8 * WIDTH

_jit: Any = kernel(error_model="numpy")


@_jit
def address(array: FloatArray) -> int:
    """Where an array in C order begins; it must be kept as long as that is used."""
    if not array.flags.c_contiguous:  # what is known by its address would be sought elsewhere
        raise ValueError("an array whose numbers do not follow one another")
    return np.int64(array.ctypes.data)  # type: ignore[return-value]


@_jit
def aligned(rows: int) -> FloatArray:
    """Rows of lanes, all 0, that begin where a line of the cache does."""
    room = np.zeros((rows + 1) * LANES)
    skip = (-address(room) % 64) // 8
    return room[skip : skip + rows * LANES].reshape((rows, LANES))


@_jit
def lines(rows: int) -> FloatArray:
    """Rows of one vector each, all 0, that begin where a line of the cache does.

    A vector across two lines costs two accesses, and each step of a march makes many.
    """
    return aligned(-(-rows // VECTORS)).reshape((-1, WIDTH))[:rows]


class Vector:
    """Numbers of :data:`WIDTH` lanes while a kernel is compiled; arithmetic writes instructions."""

    def __init__(self, builder: Any, value: Any) -> None:
        self.builder, self.value = builder, value

    def like(self, other: Vector | float) -> Vector:
        """A number in every lane; a vector as it is."""
        if isinstance(other, Vector):
            return other
        return Vector(self.builder, ir.Constant(LINE, [float(other)] * WIDTH))

    def _with(self, name: str, a: Vector, b: Vector) -> Vector:
        return Vector(self.builder, getattr(self.builder, name)(a.value, b.value))

    def __add__(self, other: Vector | float) -> Vector:
        return self._with("fadd", self, self.like(other))

    def __sub__(self, other: Vector | float) -> Vector:
        return self._with("fsub", self, self.like(other))

    def __mul__(self, other: Vector | float) -> Vector:
        return self._with("fmul", self, self.like(other))

    def __truediv__(self, other: Vector | float) -> Vector:
        return self._with("fdiv", self, self.like(other))

    def __radd__(self, other: float) -> Vector:
        return self.like(other) + self

    def __rsub__(self, other: float) -> Vector:
        return self.like(other) - self

    def __rmul__(self, other: float) -> Vector:
        return self.like(other) * self

    def __rtruediv__(self, other: float) -> Vector:
        return self.like(other) / self

    def __neg__(self) -> Vector:
        return Vector(self.builder, self.builder.fneg(self.value))

    def _is(self, sign: str, other: Vector | float) -> Mask:
        found = self.builder.fcmp_ordered(sign, self.value, self.like(other).value)
        return Mask(self.builder, found)

    def __gt__(self, other: Vector | float) -> Mask:
        return self._is(">", other)

    def __ge__(self, other: Vector | float) -> Mask:
        return self._is(">=", other)

    def __le__(self, other: Vector | float) -> Mask:
        return self._is("<=", other)

    def __lt__(self, other: Vector | float) -> Mask:
        return self._is("<", other)

    def equals(self, other: Vector | float) -> Mask:
        """Where both are the same number."""
        return self._is("==", other)

    def _call(self, name: str, *others: Vector) -> Vector:
        kind = ir.FunctionType(LINE, [LINE] * (1 + len(others)))
        module = self.builder.module
        function = cgutils.get_or_insert_function(module, kind, f"llvm.{name}.v{WIDTH}f64")
        given = [self.value, *(other.value for other in others)]
        return Vector(self.builder, self.builder.call(function, given))

    def magnitude(self) -> Vector:
        """``|a|``."""
        return self._call("fabs")

    def root(self) -> Vector:
        """Square root."""
        return self._call("sqrt")

    def cosine(self) -> Vector:
        """Cosine of each lane, as the mathematical library has it."""
        return self._call("cos")

    def whole(self) -> Vector:
        """The nearest whole number, halves to even."""
        return self._call("nearbyint")

    def times_plus(self, factor: Vector, addend: Vector) -> Vector:
        """``a factor + addend``, rounded once."""
        return self._call("fma", factor, addend)

    def over(self, divisor: Vector) -> Vector:
        """``a / divisor`` to the last bit; twin: ``compiled.lanes.over``."""
        inverse = 1.0 / divisor
        found = self * inverse
        return (-found).times_plus(divisor, self).times_plus(inverse, found)


class Mask:
    """What a comparison of vectors found."""

    def __init__(self, builder: Any, value: Any) -> None:
        self.builder, self.value = builder, value

    def choose(self, then: Vector, otherwise: Vector | float) -> Vector:
        """*then* where it holds."""
        chosen = self.builder.select(self.value, then.value, then.like(otherwise).value)
        return Vector(self.builder, chosen)

    def __and__(self, other: Mask) -> Mask:
        return Mask(self.builder, self.builder.and_(self.value, other.value))

    def any(self) -> Any:
        """A number that is not 0 if it holds in any lane."""
        bits = self.builder.bitcast(self.value, ir.IntType(WIDTH))
        return self.builder.zext(bits, _WORD)

    def once(self) -> Any:
        """1 if it holds in any lane, else 0."""
        found = self.builder.icmp_signed("!=", self.any(), ir.Constant(_WORD, 0))
        return self.builder.zext(found, _WORD)


def larger(a: Vector, b: Vector | float) -> Vector:
    """``a if a > b else b``."""
    return (a > b).choose(a, b)


def smaller(a: Vector, b: Vector | float) -> Vector:
    """``a if a < b else b``."""
    return (a < b).choose(a, b)


class Memory:
    """Rows of lanes in memory, from an address; a row is one tick, or one thing remembered."""

    def __init__(self, builder: Any, address: Any) -> None:
        self.builder, self.address = builder, address

    def _at(self, row: Any, vector: int, kind: Any) -> Any:
        b = self.builder
        if isinstance(row, int):
            row = ir.Constant(_WORD, row)
        at = b.add(b.mul(row, ir.Constant(_WORD, ROW)), ir.Constant(_WORD, _STEP * vector))
        return b.inttoptr(b.add(self.address, at), kind.as_pointer())

    def load(self, row: Any, vector: int) -> Vector:
        """A vector of a row."""
        return Vector(self.builder, self.builder.load(self._at(row, vector, LINE), align=8))

    def row(self, row: Any) -> list[Vector]:
        """All vectors of a row."""
        return [self.load(row, j) for j in range(VECTORS)]

    def store(self, value: Vector, row: Any, vector: int) -> None:
        """Set a vector of a row."""
        self.builder.store(value.value, self._at(row, vector, LINE), align=8)


def fetched_ahead(builder: Any, address: Any) -> None:
    """Write: ask for a line of memory before it is needed; nothing happens where there is none."""
    byte, number = ir.IntType(8).as_pointer(), ir.IntType(32)
    kind = ir.FunctionType(ir.VoidType(), [byte, number, number, number])
    function = cgutils.get_or_insert_function(builder.module, kind, "llvm.prefetch.p0i8")
    read, keep, data = number(0), number(3), number(1)
    builder.call(function, [builder.inttoptr(address, byte), read, keep, data])


def everywhere(builder: Any, number: Any) -> Vector:
    """The same number in every lane."""
    none = ir.Constant(LINE, ir.Undefined)
    one = builder.insert_element(none, number, ir.Constant(ir.IntType(32), 0))
    places = ir.Constant(ir.VectorType(ir.IntType(32), WIDTH), [0] * WIDTH)
    return Vector(builder, builder.shuffle_vector(one, none, places))


class Given:
    """Arguments of an operation: where its result goes, what it works on, what it remembers.

    ``c``: its numbers, the last is ``n``; ``at``: place in its ring; ``first``: number of the first
    tick; ``n``: its number of ticks; ``ticks``: how many are to be done; ``weights``: their
    address.
    """

    def __init__(self, builder: Any, given: Sequence[Any]) -> None:
        out, a, b, numbers, memory, weights, self.at, self.first, self.n, self.ticks = given
        self.builder = builder
        self.out, self.a, self.b = (Memory(builder, address) for address in (out, a, b))
        self.memory, self.weights = Memory(builder, memory), weights
        self.c = [self.number(numbers, k) for k in range(NUMBERS)]
        self.c.append(everywhere(builder, builder.sitofp(self.n, NUMBER)))

    def number(self, address: Any, place: Any) -> Vector:
        """A number from memory, in every lane."""
        b = self.builder
        if isinstance(place, int):
            place = self.whole(place)
        where = b.add(address, b.mul(place, ir.Constant(_WORD, 8)))
        return everywhere(b, b.load(b.inttoptr(where, NUMBER.as_pointer()), align=8))

    def whole(self, number: int) -> Any:
        """A whole number."""
        return ir.Constant(_WORD, number)

    def word(self, address: Any, place: int) -> Any:
        """A whole number from memory."""
        b = self.builder
        where = b.add(address, self.whole(8 * place))
        return b.load(b.inttoptr(where, _WORD.as_pointer()), align=8)

    def along(self, address: Any) -> Vector:
        """Neighbouring numbers in memory, one a lane."""
        where = self.builder.inttoptr(address, LINE.as_pointer())
        return Vector(self.builder, self.builder.load(where, align=8))

    @contextmanager
    def steps(self, count: Any) -> Iterator[Any]:
        """Repeat what is written inside, for 0 to *count* - 1."""
        with cgutils.for_range(self.builder, count) as loop:
            yield loop.index

    @contextmanager
    def where(self, number: Any) -> Iterator[None]:
        """Do what is written inside if a number is not 0, which is rare."""
        with self.builder.if_then(
            self.builder.icmp_signed("!=", number, self.whole(0)), likely=False
        ):
            yield

    @contextmanager
    def pieces(self, size: int) -> Iterator[tuple[Any, Any]]:
        """Repeat what is written inside for pieces of ticks: the first, and how many are left."""
        b = self.builder
        count = b.sdiv(b.add(self.ticks, self.whole(size - 1)), self.whole(size))
        with self.steps(count) as k:
            begin = b.mul(k, self.whole(size))
            yield begin, b.sub(self.ticks, begin)

    def kept(self, value: Vector) -> Any:
        """Room for a vector that a loop changes."""
        return cgutils.alloca_once_value(self.builder, value.value)

    def held(self, room: Any) -> Vector:
        """What the room holds."""
        return Vector(self.builder, self.builder.load(room))

    def now(self, i: Any) -> Vector:
        """Number of tick *i*."""
        b = self.builder
        return everywhere(b, b.sitofp(b.add(self.first, i), NUMBER))


def turned(rows: Sequence[Vector]) -> list[Vector]:
    """Lanes as rows and rows as lanes, of :data:`WIDTH` vectors: by perfect shuffles."""
    half = WIDTH // 2
    places = [
        [(k // 2 if k % 2 == 0 else WIDTH + k // 2) + part for k in range(WIDTH)]
        for part in (0, half)
    ]
    kind = ir.VectorType(ir.IntType(32), WIDTH)
    found = list(rows)
    for _ in range(WIDTH.bit_length() - 1):
        found = [
            Vector(a.builder, a.builder.shuffle_vector(a.value, b.value, ir.Constant(kind, order)))
            for a, b in zip(found[:half], found[half:], strict=True)
            for order in places
        ]
    return found


def interleaved(rows: Sequence[Vector]) -> list[Vector]:
    """Number k of every row, row after row, then number k + 1: as many vectors as rows."""
    b, count = rows[0].builder, len(rows)
    kind = ir.VectorType(ir.IntType(32), WIDTH)
    found = []
    for first in range(0, count * WIDTH, WIDTH):
        value = rows[0].value
        for number, row in enumerate(rows):
            # Lanes whose turn it is take theirs from this row, the others stay as they are.
            order = [
                WIDTH + place // count if place % count == number else place - first
                for place in range(first, first + WIDTH)
            ]
            value = b.shuffle_vector(value, row.value, ir.Constant(kind, order))
        found.append(Vector(b, value))
    return found


#: Writes an operation, and returns its result: where its ring then is.
Written = Callable[[Given], Any]


def chosen_by_code(operations: Mapping[int, Written]) -> Any:
    """Return one instruction for several operations: ``run(code, ...)``, arguments of a Given."""

    @intrinsic  # type: ignore[untyped-decorator]
    def run(
        typing: Any,
        code: Any,
        out: Any,
        a: Any,
        b: Any,
        numbers: Any,
        memory: Any,
        weights: Any,
        at: Any,
        first: Any,
        n: Any,
        ticks: Any,
    ) -> Any:
        def generate(context: Any, builder: Any, signature: Any, given: Any) -> Any:
            g = Given(builder, given[1:])
            result = cgutils.alloca_once_value(builder, g.at)
            done = builder.append_basic_block("done")
            choice = builder.switch(given[0], done)
            for number, write in operations.items():
                block = builder.append_basic_block(f"operation_{abs(number)}")
                choice.add_case(ir.Constant(_WORD, number), block)
                builder.position_at_end(block)
                builder.store(write(g), result)
                builder.branch(done)
            builder.position_at_end(done)
            return builder.load(result)

        return types.int64(*[types.int64] * 11), generate

    return run
