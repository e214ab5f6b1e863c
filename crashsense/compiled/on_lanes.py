"""A march written in plain numbers, as instructions on lanes (extra ``fast``).

A march in time is written once, on floats and lists: Python itself runs it for few draws. Here its
source is run once more, on vectors of lanes (:mod:`crashsense.compiled.vectors`), while a kernel is
compiled: every operation then writes its instruction. ``a if b else c`` chooses in each lane; a
loop over numbers known then is written out, one over a number of steps becomes a loop.

A march reads and sets elements of its arguments. It calls nothing but ``min``, ``max``, ``abs``,
``int``, ``len``, ``range``, ``sqrt``, ``any`` (1 where something holds in any lane, 0 where in
none) and functions of its own that only add and multiply. What goes from one step to the next is
an element of an argument, never a variable, for the steps are written down once. Every result has
the bits that Python's numbers have.
"""

from __future__ import annotations

import ast
import inspect
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

from crashsense.compiled.vectors import LINE, NUMBER, WIDTH, Mask, Vector, everywhere, turned

_WORD, _PLACE = ir.IntType(64), ir.IntType(32)
_BYTES = 8 * WIDTH


class _Chosen(ast.NodeTransformer):
    """``a if b else c`` as a call."""

    def visit_IfExp(self, node: ast.IfExp) -> ast.AST:
        self.generic_visit(node)
        name = ast.Name("_chosen", ast.Load())
        return ast.Call(name, [node.test, node.body, node.orelse], [])


def on_lanes(march: Any) -> Any:
    """Return the function *march* for vectors, rows (:class:`Kept` and its like) and counts."""
    tree = _Chosen().visit(ast.parse(inspect.getsource(march)))
    # Annotations stay text, as in this module.
    code = compile(ast.fix_missing_locations(tree), march.__name__, "exec")
    space = {**march.__globals__, **_NAMES}
    exec(code, space)
    return space[march.__name__]


def _chosen(test: Any, then: Any, otherwise: Any) -> Any:
    if not isinstance(test, Mask):
        return then if test else otherwise
    like = then if isinstance(then, Vector) else otherwise
    return test.choose(like.like(then), otherwise)


def _smallest(a: Any, b: Any) -> Any:
    vector = a if isinstance(a, Vector) else b
    return (vector.like(b) < a).choose(vector.like(b), a)


def _largest(a: Any, b: Any) -> Any:
    vector = a if isinstance(a, Vector) else b
    return (vector.like(b) > a).choose(vector.like(b), a)


def _steps(count: Any) -> Iterator[Any]:
    if isinstance(count, int):
        yield from range(count)
        return
    with cgutils.for_range(count.builder, count.value) as loop:
        yield Count(count.builder, loop.index)


class Count:
    """A whole number that is known when a march runs."""

    def __init__(self, builder: Any, value: Any) -> None:
        self.builder, self.value = builder, value

    def _like(self, other: Count | int) -> Any:
        return other.value if isinstance(other, Count) else ir.Constant(_WORD, other)

    def __add__(self, other: Count | int) -> Count:
        return Count(self.builder, self.builder.add(self.value, self._like(other)))

    def __sub__(self, other: Count | int) -> Count:
        return Count(self.builder, self.builder.sub(self.value, self._like(other)))

    def __mul__(self, other: Count | int) -> Count:
        return Count(self.builder, self.builder.mul(self.value, self._like(other)))


class Met:
    """Numbers of which some are left out, the same in all lanes: those whose word is 0."""

    def __init__(self, builder: Any, address: Any, count: int) -> None:
        self.builder, self.address, self.count = builder, address, count

    def __iter__(self) -> Iterator[int]:
        b = self.builder
        for n in range(self.count):
            where = b.add(self.address, ir.Constant(_WORD, 8 * n))
            word = b.load(b.inttoptr(where, _WORD.as_pointer()), align=8)
            with b.if_then(b.icmp_signed("!=", word, ir.Constant(_WORD, 0))):
                yield n


class Lanes:
    """Rows of numbers, one a lane, in memory."""

    def __init__(self, builder: Any, address: Any, count: int) -> None:
        self.builder, self.address, self.count = builder, address, count

    def _at(self, n: Any) -> Any:
        b = self.builder
        n = n.value if isinstance(n, Count) else ir.Constant(_WORD, n)
        where = b.add(self.address, b.mul(n, ir.Constant(_WORD, _BYTES)))
        return b.inttoptr(where, LINE.as_pointer())

    def __getitem__(self, n: Any) -> Vector:
        return Vector(self.builder, self.builder.load(self._at(n), align=8))

    def __setitem__(self, n: Any, value: Vector | float) -> None:
        if not isinstance(value, Vector):
            value = Vector(self.builder, ir.Constant(LINE, [value] * WIDTH))
        self.builder.store(value.value, self._at(n), align=8)

    def rows(self, *counts: int) -> list[Lanes]:
        """Its rows in parts, one after the other."""
        b, found, first = self.builder, [], 0
        for count in counts:
            at = b.add(self.address, ir.Constant(_WORD, _BYTES * first))
            found.append(Lanes(b, at, count))
            first += count
        return found

    def tables(self, *counts: Count) -> list[Lanes]:
        """The same with numbers of rows that are known when a march runs."""
        b, found, at = self.builder, [], self.address
        for count in counts:
            found.append(Lanes(b, at, 0))
            at = b.add(at, (count * _BYTES).value)
        return found


class Words:
    """Whole numbers in memory."""

    def __init__(self, builder: Any, address: Any) -> None:
        self.builder, self.address = builder, address

    def __getitem__(self, n: Count) -> Count:
        b = self.builder
        where = b.add(self.address, b.mul(n.value, ir.Constant(_WORD, 8)))
        return Count(b, b.load(b.inttoptr(where, _WORD.as_pointer()), align=8))


class Common:
    """Numbers in memory that all lanes share."""

    def __init__(self, builder: Any, address: Any, count: int) -> None:
        self.builder, self.address, self.count = builder, address, count

    def _plus(self, n: Count | int) -> Any:
        b = self.builder
        n = n.value if isinstance(n, Count) else ir.Constant(_WORD, n)
        return b.add(self.address, b.mul(n, ir.Constant(_WORD, 8)))

    def __getitem__(self, n: Count | int) -> Vector:
        b = self.builder
        return everywhere(b, b.load(b.inttoptr(self._plus(n), NUMBER.as_pointer()), align=8))

    def rows(self, *counts: int) -> list[Common]:
        """Its numbers in parts, one after the other."""
        found, first = [], 0
        for count in counts:
            found.append(Common(self.builder, self._plus(first), count))
            first += count
        return found

    def table(self, columns: int) -> list[Common]:
        """Its numbers as rows of a table."""
        return self.rows(*[columns] * (self.count // columns))


class Table:
    """A row of a table in memory, *count* numbers long, that each lane looks up for itself."""

    def __init__(self, builder: Any, address: Any, count: Vector) -> None:
        self.builder, self.address, self.count = builder, address, count

    def rows(self, count: int) -> list[Table]:
        """Rows of the table, of which this is the first."""
        b = self.builder
        length = b.extract_element(self.count.value, ir.Constant(_PLACE, 0))
        size = b.mul(b.fptosi(length, _WORD), ir.Constant(_WORD, 8))
        at = [b.add(self.address, b.mul(size, ir.Constant(_WORD, n))) for n in range(count)]
        return [Table(b, one, self.count) for one in at]

    def __getitem__(self, cell: Vector) -> Vector:
        return _looked_up(self.builder, cell, [self.address] * WIDTH)


class Apart:
    """A row of numbers of each lane, in memory, in which the lane looks up its own.

    *begins*: address of the addresses at which the lanes' rows begin.
    """

    def __init__(self, builder: Any, begins: Any) -> None:
        self.builder = b = builder
        at = [b.add(begins, ir.Constant(_WORD, 8 * lane)) for lane in range(WIDTH)]
        self.begins = [b.load(b.inttoptr(one, _WORD.as_pointer()), align=8) for one in at]

    def __getitem__(self, cell: Vector) -> Vector:
        return _looked_up(self.builder, cell, self.begins)


def _looked_up(b: Any, cell: Vector, begins: Sequence[Any]) -> Vector:
    """The number in a cell of each lane's row."""
    places = b.fptosi(cell.value, ir.VectorType(_WORD, WIDTH))
    found = ir.Constant(LINE, ir.Undefined)
    for lane, begin in enumerate(begins):
        at = ir.Constant(_PLACE, lane)
        where = b.add(begin, b.shl(b.extract_element(places, at), ir.Constant(_WORD, 3)))
        number = b.load(b.inttoptr(where, NUMBER.as_pointer()), align=8)
        found = b.insert_element(found, number, at)
    return Vector(b, found)


class Kept:
    """Numbers that a march changes: each in a place of its own, in the processor where it can."""

    def __init__(self, builder: Any, count: int) -> None:
        self.builder, self.count = builder, count
        zero = ir.Constant(LINE, [0.0] * WIDTH)
        self.places = [cgutils.alloca_once_value(builder, zero) for _ in range(count)]

    def __getitem__(self, n: int) -> Vector:
        return Vector(self.builder, self.builder.load(self.places[n]))

    def __setitem__(self, n: int, value: Any) -> None:
        if not isinstance(value, Vector):
            value = self[n].like(value)
        self.builder.store(value.value, self.places[n])


@contextmanager
def kept_in(memory: Lanes) -> Iterator[Kept]:
    """Rows of memory in :class:`Kept` as long as the context lasts, and then in memory again."""
    kept = Kept(memory.builder, memory.count)
    for n in range(memory.count):
        kept[n] = memory[n]
    yield kept
    for n in range(memory.count):
        memory[n] = kept[n]


#: What a march may call, on vectors.
_NAMES: dict[str, Any] = {
    "_chosen": _chosen,
    "min": _smallest,
    "max": _largest,
    "abs": lambda a: a.magnitude(),
    "int": lambda a: a._call("trunc"),
    "len": lambda row: row.count,
    "range": _steps,
    "sqrt": lambda a: a.root(),
    "any": lambda mask: Count(mask.builder, mask.once()),
}


# --- a march as an instruction --------------------------------------------------------------------


def _argument(b: Any, kind: str | int, left: Iterator[Any]) -> Any:
    if isinstance(kind, int):
        return Kept(b, kind)
    value = next(left)
    if kind == "lanes":
        return Lanes(b, value, 0)
    if kind == "common":
        return Common(b, value, 0)
    if kind == "words":
        return Words(b, value)
    return Count(b, value) if kind == "count" else everywhere(b, value)


def instruction(march: Any, *kinds: str | int) -> Any:
    """Return the instruction that runs a march once, with the march's arguments.

    *kinds*: what each of them is: ``lanes``, ``common`` and ``words`` are given by an address;
    ``count``, ``number``; room for so many numbers is made here, and is no argument.
    """
    run_on_lanes = on_lanes(march)
    told = [kind for kind in kinds if not isinstance(kind, int)]

    def run(typing: Any, *given: Any) -> Any:
        def generate(context: Any, b: Any, signature: Any, values: Any) -> Any:
            left = iter(values)
            run_on_lanes(*[_argument(b, kind, left) for kind in kinds])
            return context.get_dummy_value()

        own = [types.float64 if kind == "number" else types.int64 for kind in told]
        return types.void(*own), generate

    # Numba looks at the signature to see how many arguments there are.
    names = ["typing", *(f"a{n}" for n in range(len(told)))]
    kind = inspect.Parameter.POSITIONAL_OR_KEYWORD
    vars(run)["__signature__"] = inspect.Signature([inspect.Parameter(n, kind) for n in names])
    return intrinsic(run)


# --- from rows in time to lanes, and back ---------------------------------------------------------


def _turn(builder: Any, given: Any, *, to_lanes: bool, add: bool = False) -> None:
    """Blocks of :data:`WIDTH` neighbours of the rows of some lanes into rows of lanes, or back.

    *add*: to the numbers that the rows hold.
    """
    b = builder
    rows, stride, lanes, blocks, width = given
    last = b.sub(width, ir.Constant(_WORD, 1))
    tile = Lanes(b, lanes, 0)
    with cgutils.for_range(b, blocks) as loop:
        first = Count(b, b.mul(loop.index, ir.Constant(_WORD, WIDTH)))
        start = b.add(rows, b.mul(first.value, ir.Constant(_WORD, 8)))

        def row(lane: Any) -> Any:
            return b.inttoptr(b.add(start, b.mul(stride, lane)), LINE.as_pointer())

        numbers = [ir.Constant(_WORD, lane) for lane in range(WIDTH)]
        if to_lanes:
            at = [b.select(b.icmp_signed("<", n, last), n, last) for n in numbers]
            found = turned([Vector(b, b.load(row(n), align=8)) for n in at])
            for k, line in enumerate(found):
                tile[first + k] = line
            return
        for n, line in zip(numbers, turned([tile[first + k] for k in range(WIDTH)]), strict=True):
            with b.if_then(b.icmp_signed("<=", n, last)):
                there = row(n)
                value = b.fadd(b.load(there, align=8), line.value) if add else line.value
                b.store(value, there, align=8)


@intrinsic  # type: ignore[untyped-decorator]
def rows_to_lanes(typing: Any, rows: Any, stride: Any, lanes: Any, blocks: Any, width: Any) -> Any:
    """Put blocks of :data:`WIDTH` neighbours of each lane's row at *lanes*, a row of lanes each.

    *rows*: address in the row of the first lane, the next one *stride* bytes further; *width*:
    lanes that have a row, the others take the last one's.
    """

    def generate(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        _turn(builder, given, to_lanes=True)
        return context.get_dummy_value()

    return types.void(*[types.int64] * 5), generate


@intrinsic  # type: ignore[untyped-decorator]
def lanes_to_rows(typing: Any, rows: Any, stride: Any, lanes: Any, blocks: Any, width: Any) -> Any:
    """The way back of :func:`rows_to_lanes`."""

    def generate(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        _turn(builder, given, to_lanes=False)
        return context.get_dummy_value()

    return types.void(*[types.int64] * 5), generate


@intrinsic  # type: ignore[untyped-decorator]
def add_to_rows(typing: Any, rows: Any, stride: Any, lanes: Any, ticks: Any, width: Any) -> Any:
    """Add *ticks* rows of lanes to the rows of the lanes; arguments as of :func:`rows_to_lanes`."""

    def generate(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        b = builder
        rows, stride, lanes, ticks, width = given
        blocks = b.sdiv(ticks, ir.Constant(_WORD, WIDTH))
        _turn(b, (rows, stride, lanes, blocks, width), to_lanes=False, add=True)
        done = b.mul(blocks, ir.Constant(_WORD, WIDTH))
        with cgutils.for_range(b, b.sub(ticks, done)) as loop:
            at = b.add(done, loop.index)
            line = Lanes(b, lanes, 0)[Count(b, at)].value
            for lane in range(WIDTH):
                with b.if_then(b.icmp_signed("<", ir.Constant(_WORD, lane), width)):
                    row = b.add(rows, b.mul(stride, ir.Constant(_WORD, lane)))
                    where = b.add(row, b.mul(at, ir.Constant(_WORD, 8)))
                    there = b.inttoptr(where, NUMBER.as_pointer())
                    found = b.extract_element(line, ir.Constant(_PLACE, lane))
                    b.store(b.fadd(b.load(there, align=8), found), there, align=8)
        return context.get_dummy_value()

    return types.void(*[types.int64] * 5), generate
