"""Operations that go from tick to tick, each said once, as a step at one tick (extra ``fast``).

An :class:`Operation` has a loop of its own when it is called, which is what
:func:`crashsense.compiled.vectors.chosen_by_code` wants; or it is one step of a loop that it shares
with others (:mod:`crashsense.compiled.fused`), where its result stays in the processor. Both are
written from the same three methods, so that they cannot differ.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numba.core import cgutils

from crashsense.compiled.vectors import VECTORS, Given, Vector, larger


class Operation(ABC):
    """What is done at every tick to the vectors of a row, side by side."""

    def begin(self, g: Given) -> Any:
        """Return what it holds while ticks pass: rooms, loaded from what it remembers."""
        return None

    @abstractmethod
    def tick(
        self, g: Given, held: Any, i: Any, a: Sequence[Vector], b: Sequence[Vector]
    ) -> Sequence[Vector | None]:
        """Return its result at tick *i* for each vector of *a* and *b* (None: it has none)."""

    def end(self, g: Given, held: Any) -> Any:
        """Put what it holds back into its memory; return its result: where its ring then is."""
        return g.at

    def __call__(self, g: Given) -> Any:
        """Write a loop over ticks, from registers to a register; return what :meth:`end` does."""
        held = self.begin(g)
        with g.steps(g.ticks) as i:
            a, b = g.a.row(i), g.b.row(i)
            for j, found in enumerate(self.tick(g, held, i, a, b)):
                if found is not None:
                    g.out.store(found, i, j)
        return self.end(g, held)


class _Plain(Operation):
    def __init__(self, step: Callable[[list[Vector], Vector, Vector], Vector]) -> None:
        self.step = step

    def tick(
        self, g: Given, held: Any, i: Any, a: Sequence[Vector], b: Sequence[Vector]
    ) -> list[Vector]:
        return [self.step(g.c, a[j], b[j]) for j in range(VECTORS)]


def plain(step: Callable[[list[Vector], Vector, Vector], Vector]) -> Operation:
    """Return an operation without memory: ``step(c, a, b)`` at every tick."""
    return _Plain(step)


Rooms = list[list[Any]]


def _loaded(g: Given, rows: int) -> Rooms:
    """Rooms with the first rows of what is remembered, for each vector."""
    return [[g.kept(g.memory.load(k, j)) for k in range(rows)] for j in range(VECTORS)]


def _stored(g: Given, rooms: Rooms) -> None:
    """The way back of :func:`_loaded`."""
    for j, own in enumerate(rooms):
        for k, room in enumerate(own):
            g.memory.store(g.held(room), k, j)


class _Remembering(Operation):
    def __init__(self, rows: int, step: Callable[..., tuple[Vector | None, ...]]) -> None:
        self.rows, self.step = rows, step

    def begin(self, g: Given) -> Rooms:
        return _loaded(g, self.rows)

    def tick(
        self, g: Given, held: Rooms, i: Any, a: Sequence[Vector], b: Sequence[Vector]
    ) -> list[Vector | None]:
        now = g.now(i)
        results = []
        for j, own in enumerate(held):
            found, *then = self.step(g.c, a[j], b[j], now, *(g.held(room) for room in own))
            for room, value in zip(own, then, strict=True):
                assert value is not None  # the result alone may be none
                g.builder.store(value.value, room)
            results.append(found)
        return results

    def end(self, g: Given, held: Rooms) -> Any:
        _stored(g, held)
        return g.at


def remembering(rows: int, step: Callable[..., tuple[Vector | None, ...]]) -> Operation:
    """Return an operation that remembers *rows* numbers a lane.

    ``step(c, a, b, now, *remembered)`` gives the result (or None) and what is remembered then.
    """
    return _Remembering(rows, step)


def _next(g: Given, at: Any) -> Any:
    """The place in the ring after *at*."""
    after = g.builder.add(at, g.whole(1))
    return g.builder.select(g.builder.icmp_signed("<", after, g.n), after, g.whole(0))


class _Ring(Operation):
    def __init__(self, rows: int, step: Callable[..., tuple[Vector, ...]]) -> None:
        self.rows, self.step = rows, step

    def begin(self, g: Given) -> tuple[Rooms, Any]:
        return _loaded(g, self.rows), cgutils.alloca_once_value(g.builder, g.at)

    def tick(
        self, g: Given, held: Any, i: Any, a: Sequence[Vector], b: Sequence[Vector]
    ) -> list[Vector]:
        rooms, place = held
        at = g.builder.load(place)
        row = g.builder.add(at, g.whole(self.rows))
        results = []
        for j, own in enumerate(rooms):
            before = g.memory.load(row, j)
            found, kept, *then = self.step(g.c, a[j], before, *(g.held(room) for room in own))
            g.memory.store(kept, row, j)
            for room, value in zip(own, then, strict=True):
                g.builder.store(value.value, room)
            results.append(found)
        g.builder.store(_next(g, at), place)
        return results

    def end(self, g: Given, held: Any) -> Any:
        rooms, place = held
        _stored(g, rooms)
        return g.builder.load(place)


def ring(rows: int, step: Callable[..., tuple[Vector, ...]]) -> Operation:
    """Return an operation that remembers *rows* numbers, and one for each of the last ``n`` ticks.

    ``step(c, a, before, *remembered)``, *before*: what was kept ``n`` ticks ago; it gives the
    result, what is kept, and what is remembered.
    """
    return _Ring(rows, step)


class _WindowMax(Operation):
    """As ``compiled.window_max``: memory holds the top, ``n`` ticks, and a row that is lowest.

    Up to the present tick these are the piece of ``n`` ticks that runs, behind it the largest from
    each tick of the last piece to its end.
    """

    def begin(self, g: Given) -> tuple[Rooms, Any]:
        return _loaded(g, 1), cgutils.alloca_once_value(g.builder, g.at)

    def tick(
        self, g: Given, held: Any, i: Any, a: Sequence[Vector], b: Sequence[Vector]
    ) -> list[Vector]:
        rooms, place = held
        write, one = g.builder, g.whole(1)
        row = write.add(write.load(place), one)
        behind = write.add(row, one)
        results = []
        for j, (room,) in enumerate(rooms):
            top = larger(a[j], g.held(room))
            write.store(top.value, room)
            results.append(larger(top, g.memory.load(behind, j)))
            g.memory.store(a[j], row, j)
        write.store(row, place)
        with write.if_then(write.icmp_signed("==", row, g.n), likely=False):
            self._end_piece(g, rooms)
            write.store(g.whole(0), place)
        return results

    def _end_piece(self, g: Given, rooms: Rooms) -> None:
        lowest = g.c[0].like(-np.inf)
        for (room,) in rooms:
            g.builder.store(lowest.value, room)
        with g.steps(g.n) as back:
            row = g.builder.sub(g.n, back)
            for j, (room,) in enumerate(rooms):
                top = larger(g.memory.load(row, j), g.held(room))
                g.builder.store(top.value, room)
                g.memory.store(top, row, j)
        for (room,) in rooms:
            g.builder.store(lowest.value, room)

    def end(self, g: Given, held: Any) -> Any:
        rooms, place = held
        _stored(g, rooms)
        return g.builder.load(place)


class _Response(Operation):
    """Sum of the last ``n`` ticks, newest first, times weights."""

    def begin(self, g: Given) -> Any:
        sums = [g.kept(g.c[0]) for _ in range(VECTORS)]
        return sums, cgutils.alloca_once_value(g.builder, g.at)

    def tick(
        self, g: Given, held: Any, i: Any, a: Sequence[Vector], b: Sequence[Vector]
    ) -> list[Vector]:
        sums, place = held
        write = g.builder
        at = write.load(place)
        newest = g.number(g.weights, 0)
        for j, room in enumerate(sums):
            g.memory.store(a[j], at, j)
            write.store((newest * a[j]).value, room)
        with g.steps(write.sub(g.n, g.whole(1))) as back:
            lag = write.add(back, g.whole(1))
            row = write.sub(at, lag)
            row = write.select(write.icmp_signed(">=", at, lag), row, write.add(row, g.n))
            weight = g.number(g.weights, lag)
            for j, room in enumerate(sums):
                write.store((g.held(room) + weight * g.memory.load(row, j)).value, room)
        write.store(_next(g, at), place)
        return [g.held(room) for room in sums]

    def end(self, g: Given, held: Any) -> Any:
        return g.builder.load(held[1])


class _Line(Operation):
    """A line through ``n`` vertices: as ``numpy.interp``, vertex after vertex."""

    def begin(self, g: Given) -> Any:
        return [g.kept(g.c[0]) for _ in range(VECTORS)]

    def tick(
        self, g: Given, held: Any, i: Any, a: Sequence[Vector], b: Sequence[Vector]
    ) -> list[Vector]:
        write = g.builder
        before = g.number(g.weights, g.n)
        for room in held:
            write.store(before.value, room)
        with g.steps(g.n) as vertex:
            behind = write.add(vertex, g.n)
            place, value = g.number(g.weights, vertex), g.number(g.weights, behind)
            slope = g.number(g.weights, write.add(behind, g.n))
            for j, room in enumerate(held):
                found = slope * (a[j] - place) + value
                write.store((a[j] >= place).choose(found, g.held(room)).value, room)
        return [g.held(room) for room in held]


class _Ray(Operation):
    """As ``polyline.along_ray``: the last part of the line that holds is the one that counts."""

    def begin(self, g: Given) -> Any:
        last = g.builder.sub(g.n, g.whole(1))
        first = self._vertex(g, g.whole(0))
        ends = [(at, self._beyond(at)) for at in (first, self._vertex(g, last))]
        return [g.kept(g.c[0]) for _ in range(VECTORS)], last, ends

    def tick(
        self, g: Given, held: Any, i: Any, a: Sequence[Vector], b: Sequence[Vector]
    ) -> list[Vector]:
        rooms, last, ((_, (_, upward, divisor)), end) = held
        us, vs = ([larger(x, 0.0) for x in given] for given in (a, b))
        for u, v, room in zip(us, vs, rooms, strict=True):
            found = (upward > 0.0).choose(v, u).over(divisor)
            g.builder.store(found.value, room)
        with g.steps(last) as vertex:
            u0, v0 = self._vertex(g, vertex)
            u1, v1 = self._vertex(g, g.builder.add(vertex, g.whole(1)))
            part = (u0, v0), (v0 - v1, u1 - u0, u1 * v0 - u0 * v1)
            self._along(g, rooms, us, vs, part)
        self._along(g, rooms, us, vs, end)
        return [g.held(room) for room in rooms]

    def _vertex(self, g: Given, number: Any) -> tuple[Vector, Vector]:
        place = g.builder.mul(g.whole(2), number)
        return g.number(g.weights, place), g.number(g.weights, g.builder.add(place, g.whole(1)))

    def _beyond(self, end: tuple[Vector, Vector]) -> tuple[Vector, Vector, Vector]:
        """Beyond an end of the line: level, or upright where it ends at 0."""
        u, v = end
        level, zero, one = v > 0.0, u.like(0.0), u.like(1.0)
        return level.choose(zero, one), level.choose(one, zero), level.choose(v, u)

    def _along(
        self, g: Given, rooms: Any, us: Sequence[Vector], vs: Sequence[Vector], part: Any
    ) -> None:
        """Take the distance over that of a part of the line where its ray is on it, or behind."""
        (u0, v0), (by_u, by_v, divisor) = part
        for u, v, room in zip(us, vs, rooms, strict=True):
            here = (by_u * u + by_v * v).over(divisor)
            found = (v * u0 <= u * v0).choose(here, g.held(room))
            g.builder.store(found.value, room)


class _Roll(Operation):
    """Roll rate ``a`` at roll angle ``b`` over the rate that tips the car.

    Where nothing rolls, which is nearly everywhere, no cosine is taken.
    """

    def begin(self, g: Given) -> Any:
        return self._tips(g, g.c[0]), [g.kept(g.c[0]) for _ in range(VECTORS)]

    def _tips(self, g: Given, left: Vector) -> Vector:
        """The rate at which the rest *left* of the angle is overcome."""
        pull, gyration, least, threshold = g.c[1:5]
        speed = (2.0 * (pull * (1.0 - left.cosine()))).root()
        return larger(speed / gyration, least) * threshold

    def tick(
        self, g: Given, held: Any, i: Any, a: Sequence[Vector], b: Sequence[Vector]
    ) -> list[Vector]:
        upright, rooms = held
        results = []
        for rate, angle, room in zip(a, b, rooms, strict=True):
            g.builder.store(rate.over(upright).value, room)
            leans = angle.magnitude() > 0.0
            with g.where((leans & (rate > 0.0)).any()):
                tips = self._tips(g, larger(g.c[0] - angle, 0.0))
                g.builder.store((rate / leans.choose(tips, upright)).value, room)
            results.append((rate > 0.0).choose(g.held(room), 0.0))
        return results


class _Most(Operation):
    """Largest ``a`` of a piece into row 0 of the memory; the result: not 0 if 1 or more.

    Row 1 of the memory then is a number only if every ``a`` was finite.
    """

    def begin(self, g: Given) -> Any:
        tops = [g.kept(g.c[0].like(0.0)) for _ in range(VECTORS)]
        return tops, [g.kept(g.memory.load(1, j)) for j in range(VECTORS)]

    def tick(
        self, g: Given, held: Any, i: Any, a: Sequence[Vector], b: Sequence[Vector]
    ) -> list[None]:
        for x, top, unsound in zip(a, *held, strict=True):
            g.builder.store(larger(x, g.held(top)).value, top)
            # 0 times what is no finite number is none either.
            g.builder.store(x.times_plus(x.like(0.0), g.held(unsound)).value, unsound)
        return [None] * VECTORS

    def end(self, g: Given, held: Any) -> Any:
        reached = g.whole(0)
        for j, (room, unsound) in enumerate(zip(*held, strict=True)):
            top = g.held(room)
            g.memory.store(top, 0, j)
            g.memory.store(g.held(unsound), 1, j)
            reached = g.builder.or_(reached, (top >= 1.0).any())
        return reached


window_max, response, most = _WindowMax(), _Response(), _Most()
line, ray, roll = _Line(), _Ray(), _Roll()
