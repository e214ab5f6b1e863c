"""One loop for many operations: kernels compiled for the structure of a program (extra ``fast``).

Operation by operation, :func:`crashsense.compiled.rules.run_program` puts every register into the
nearest cache and reads it again. Here the steps of the same operations
(:mod:`crashsense.compiled.steps`) stand in one loop over the ticks of a piece: values go from one
to the next in the processor. All vectors of a row go side by side: while one waits for what it
remembers, another goes on (four at once took a tenth less time than two, a fifth less than one,
although they do not all stay in registers). Numbers (thresholds, leaks), numbers of ticks and
places in memory are read where the loop begins, so that programs which differ in them alone share a
kernel.

Results are those of the operations one by one, bit for bit: which of the two runs never changes a
number.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

from crashsense import operations as op
from crashsense.arrays import IntArray
from crashsense.compiled.steps import Operation
from crashsense.compiled.vectors import ROW, VECTORS, Given, Memory

_WORD = ir.IntType(64)

#: Arguments of a fused loop: tile of the group, registers, bytes from register to register,
#: numbers, memory, weights, rows of the operations, their rings, first tick, ticks of a draw, and
#: how many are to be done.
_ARGUMENTS = 11


class Fused:
    """Operations that follow each other, and those of their registers that are read later.

    Parameters
    ----------
    rows : (operations, COLUMNS), as in a program
    read : registers that are read after them
    """

    def __init__(self, rows: IntArray, read: Collection[int]) -> None:
        self.rows = rows.copy()
        # What is read where the loop begins does not tell loops apart.
        self.rows[rows[:, 0] != op.READ, 4] = 0
        self.rows[:, 5:] = 0
        self.kept = sorted(set(read) & set(rows[:, 1].tolist()))
        told = self.rows.tobytes() + repr(self.kept).encode()
        self.name = f"fused_{hashlib.sha256(told).hexdigest()[:32]}"

    def write(self, module: Any, operations: Mapping[int, Operation]) -> None:
        """Put the function into a module."""
        kind = ir.FunctionType(ir.VoidType(), [_WORD] * _ARGUMENTS)
        function = ir.Function(module, kind, self.name)
        builder = ir.IRBuilder(function.append_basic_block("begin"))
        loop = _Loop(builder, function.args)
        steps = [loop.step(k, row, operations) for k, row in enumerate(self.rows.tolist())]
        held = [one.operation.begin(one.g) for one in steps]
        with cgutils.for_range(builder, loop.ticks) as tick:
            self._tick(loop, steps, held, tick.index)
        for one, rooms in zip(steps, held, strict=True):
            loop.note(one, one.operation.end(one.g, rooms))
        builder.ret_void()

    def _tick(self, loop: _Loop, steps: Sequence[_Step], held: Sequence[Any], i: Any) -> None:
        """Write every operation at tick *i*: what one gives stays where the next one takes it."""
        values: dict[int, Sequence[Any]] = {}
        last = {one.out: one for one in steps}
        for one, rooms in zip(steps, held, strict=True):
            for register in one.inputs:
                if register not in values:  # of a part before
                    values[register] = loop.register(register).row(i)
            given = [values[register] for register in one.inputs]
            if one.code == op.READ:
                given = [one.g.a.row(i)]
            # What an operation does not look at may be anything.
            a, b = (*given, *[[one.g.c[0]] * VECTORS] * 2)[:2]
            values[one.out] = one.operation.tick(one.g, rooms, i, a, b)
            if one.out in self.kept and last[one.out] is one:
                for j, vector in enumerate(values[one.out]):
                    loop.register(one.out).store(vector, i, j)


class _Step:
    """An operation in its place: its number, code, registers and what it is given."""

    def __init__(self, number: int, row: Sequence[int], operation: Operation, g: Given) -> None:
        self.number, self.code, self.out = number, row[0], row[1]
        self.inputs = row[2 : 2 + op.INPUTS.get(self.code, 1)]
        self.operation, self.g = operation, g


class _Loop:
    """Arguments of a fused loop while it is written."""

    def __init__(self, builder: Any, given: Sequence[Any]) -> None:
        self.builder = builder
        self.read, self.here, self.room, self.told, self.memory, self.weights = given[:6]
        self.rows, self.rings, self.first, self.n, self.ticks = given[6:]

    def _plus(self, address: Any, count: Any, size: int) -> Any:
        return self.builder.add(address, self.builder.mul(count, ir.Constant(_WORD, size)))

    def _word(self, address: Any, place: int) -> Any:
        at = self._plus(address, ir.Constant(_WORD, place), 8)
        return self.builder.load(self.builder.inttoptr(at, _WORD.as_pointer()), align=8)

    def register(self, number: int) -> Memory:
        """A register."""
        b = self.builder
        return Memory(b, b.add(self.here, b.mul(self.room, ir.Constant(_WORD, number))))

    def step(self, k: int, row: Sequence[int], operations: Mapping[int, Operation]) -> _Step:
        """Load what operation *k* is given."""
        b, none = self.builder, ir.Constant(_WORD, 0)
        n, own, weights = (self._word(self.rows, op.COLUMNS * k + place) for place in (4, 5, 6))
        a, code = none, row[0]
        if code == op.READ:
            code = -row[4]
            tick = b.add(b.mul(self.n, ir.Constant(_WORD, row[2])), self.first)
            a = self._plus(self.read, tick, ROW)
        given = (
            *(none, a, none, b.add(self.told, ir.Constant(_WORD, 8 * op.NUMBERS * k))),
            *(self._plus(self.memory, own, ROW), self._plus(self.weights, weights, 8)),
            *(self._word(self.rings, k), self.first, n, self.ticks),
        )
        return _Step(k, row, operations[code], Given(b, given))

    def note(self, one: _Step, result: Any) -> None:
        """Keep where the ring of an operation is."""
        if result is not one.g.at:
            at = self._plus(self.rings, ir.Constant(_WORD, one.number), 8)
            self.builder.store(result, self.builder.inttoptr(at, _WORD.as_pointer()), align=8)


@intrinsic  # type: ignore[untyped-decorator]
def run_fused(
    typing: Any,
    function: Any,
    read: Any,
    here: Any,
    room: Any,
    told: Any,
    memory: Any,
    weights: Any,
    rows: Any,
    rings: Any,
    first: Any,
    n: Any,
    ticks: Any,
) -> Any:
    """Call the fused loop at an address."""

    def generate(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        kind = ir.FunctionType(ir.VoidType(), [_WORD] * _ARGUMENTS)
        builder.call(builder.inttoptr(given[0], kind.as_pointer()), given[1:])
        return context.get_dummy_value()

    return types.void(*[types.int64] * (1 + _ARGUMENTS)), generate
