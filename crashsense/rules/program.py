"""Rules of the house as a flat list of operations, which a kernel runs over draws side by side.

A rule writes its own demand (:meth:`Rule.write <crashsense.rules.contract.Rule.write>`) with a
:class:`Writer`, beside ``demand``, which says the same with numpy; equal operations on equal inputs
are written once, whichever rules ask for them. The operations are those of
:mod:`crashsense.operations`, the kernel is ``compiled.rules.run_program``. What cannot be written,
above all a user-written rule, is computed by ``demand``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import reduce

import numpy as np

from crashsense import operations as op
from crashsense.arrays import FloatArray, IntArray
from crashsense.event import Context
from crashsense.rules.contract import NotWritten, Rule
from crashsense.rules.kernels import AT_REST_M_S, samples_in
from crashsense.rules.parameters import sense_parts
from crashsense.rules.polyline import Vertices
from crashsense.units import STANDARD_GRAVITY

#: A time at which nothing was ever at rest, in ticks; see ``kernels.ticks_since``.
_NEVER = -float(2**40)

#: Memory of an operation that keeps one number, 0 at first.
_ONE = ((0.0, 1),)

#: Most operations of a program; rules of more are computed by numpy.
MOST = 4000


@dataclass(frozen=True, eq=False)
class Program:
    """What ``compiled.rules.run_program`` takes; its docstring says what the arrays hold.

    *channels*: the channels that it reads, in the order of its tiles.
    """

    channels: tuple[str, ...]
    operations: IntArray
    numbers: FloatArray
    weights: FloatArray
    initial: FloatArray
    registers: int
    roots: IntArray


@dataclass
class _Line:
    """One operation: its code, what it works on (numbers of lines), its numbers and memory."""

    code: int
    inputs: tuple[int, ...]
    numbers: tuple[float, ...]
    n: int
    memory: tuple[tuple[float, int], ...]
    weights: tuple[float, ...]


@dataclass
class Writer:
    """Writes the demand of rules as operations. What its methods return is the number of a line.

    Parameters
    ----------
    rate_hz, size : tick rate [Hz] and number of ticks of a draw
    there : channels that are valid at every tick of every draw; all others are at none
    context : what the control unit knows besides
    """

    rate_hz: float
    size: int
    there: frozenset[str]
    context: Context
    lines: list[_Line] = field(default_factory=list)
    channels: list[str] = field(default_factory=list)
    _known: dict[tuple[object, ...], int] = field(default_factory=dict)
    _parts: dict[int, tuple[Rule, int]] = field(default_factory=dict)

    # -- rules ---------------------------------------------------------------------------------

    def part(self, rule: Rule) -> int:
        """Write the demand of a rule, once."""
        if id(rule) not in self._parts:
            self._parts[id(rule)] = (rule, rule.write(self))
        return self._parts[id(rule)][1]

    def branches(self, rule: Rule, context: Context) -> tuple[int, int, int]:
        """Write total, main and arming demand of a rule in a context."""
        if context != self.context:
            # What a rule says may depend on the context; equal operations are found again.
            self.context, self._parts = context, {}
        return rule.write_branches(self)

    def parts(self, rules: Sequence[Rule]) -> list[int]:
        """Write the demand of several rules."""
        return [self.part(rule) for rule in rules]

    # -- samples -------------------------------------------------------------------------------

    def read(self, sense: str) -> int:
        """A channel in the stated sense; 0 where it is not there."""
        sign, name = sense_parts(sense)
        if name not in self.there:
            return self.constant(0.0)
        if name not in self.channels:
            self.channels.append(name)
        return self._line(op.READ, (self.channels.index(name),), n=op.SENSES[sign])

    def ticks(self, duration_ms: float) -> int:
        """Number of ticks in a duration, at least 1."""
        return samples_in(duration_ms, self.rate_hz)

    def hold_ticks(self, duration_ms: float) -> int:
        """Number of ticks over which something is held, the present one included."""
        return 1 + round(duration_ms * 1e-3 * self.rate_hz)

    # -- without memory ------------------------------------------------------------------------

    def constant(self, value: float) -> int:
        """The same number at every tick."""
        return self._line(op.CONSTANT, (), (value,))

    def demand(self, value: int, threshold: float, *senses: str) -> int:
        """``max(value / threshold, 0)``; 0 where one of the channels read is not there."""
        if any(sense_parts(sense)[1] not in self.there for sense in senses):
            return self.constant(0.0)
        line = self.lines[value]
        if threshold == 1.0 and line.code == op.OVER:
            return self._line(op.DEMAND, line.inputs, line.numbers)
        if threshold == 1.0:
            return self.positive(value)
        return self._line(op.DEMAND, (value,), (threshold,))

    def less(self, value: int, amount: float) -> int:
        """``value - amount``."""
        return self._line(op.LESS, (value,), (amount,))

    def times(self, value: int, factor: float) -> int:
        """``factor value``."""
        return self._line(op.TIMES, (value,), (factor,))

    def over(self, value: int, divisor: float) -> int:
        """``value / divisor``."""
        if divisor == 1.0:
            return value
        return self._line(op.OVER, (value,), (divisor,))

    def magnitude(self, value: int) -> int:
        """``|value|``."""
        return self._line(op.MAGNITUDE, (value,))

    def positive(self, value: int) -> int:
        """``max(value, 0)``."""
        return self._line(op.POSITIVE, (value,))

    def root(self, value: int) -> int:
        """Square root."""
        return self._line(op.ROOT, (value,))

    def least(self, *values: int) -> int:
        """The least of several."""
        return reduce(lambda a, b: self._line(op.LESSER, (a, b)), values)

    def greatest(self, *values: int) -> int:
        """The greatest of several."""
        return reduce(lambda a, b: self._line(op.GREATER, (a, b)), values)

    def ranked(self, values: Sequence[int], rank: int) -> int:
        """The *rank*-th largest of several: the largest is taken out again and again."""
        left = list(values)
        for _ in range(rank):
            for k in range(len(left) - 1):
                pair = left[k], left[k + 1]
                left[k], left[k + 1] = self.least(*pair), self.greatest(*pair)
            found = left.pop()
        return found

    def sum(self, a: int, b: int) -> int:
        """``a + b``."""
        return self._line(op.SUM, (a, b))

    def difference(self, a: int, b: int) -> int:
        """``a - b``."""
        return self._line(op.DIFFERENCE, (a, b))

    def product(self, a: int, b: int) -> int:
        """``a b``."""
        return self._line(op.PRODUCT, (a, b))

    def ratio(self, a: int, b: int) -> int:
        """``a / b``."""
        return self._line(op.RATIO, (a, b))

    def gated(self, gate: int, value: int) -> int:
        """*value* where the gate is 1 or more, else 0."""
        return self._line(op.GATE, (gate, value))

    def step(self, value: int, *, level: float, then: float, otherwise: int) -> int:
        """*then* where *value* is *level* or more, else what line *otherwise* is."""
        return self._line(op.STEP, (value, otherwise), (level, then))

    def raised(self, value: int, *, gain: float, most: float) -> int:
        """``clip(1 + gain (value - 1), 1, most)``."""
        return self._line(op.RAISE, (value,), (gain, most))

    def ramp(self, elapsed_ms: int, *, start: float, slope: float, flat_ms: float) -> int:
        """*start*, and from *flat_ms* on *slope* times the time since [s]."""
        return self._line(op.RAMP, (elapsed_ms,), (start, slope, flat_ms))

    def roll(self, rate: int, angle: int, *, numbers: tuple[float, ...]) -> int:
        """Roll rate over the rate that tips the car; numbers as :data:`crashsense.operations`."""
        return self._line(op.ROLL, (rate, angle), numbers)

    def code(self, value: int, *, step: float, least: float, most: float) -> int:
        """``value / step`` to the nearest whole number, cut at *least* and *most*."""
        return self._line(op.CODE, (value,), (step, least, most))

    def along_line(self, value: int, vertices: Vertices) -> int:
        """A line through vertices, constant outside them; twin: ``numpy.interp``."""
        places, values = np.array(vertices, dtype=np.float64).T
        slopes = np.append(np.diff(values) / np.diff(places), 0.0)
        told = tuple(np.concatenate([places, values, slopes]).tolist())
        return self._line(op.LINE, (value,), n=places.size, weights=told)

    def along_ray(self, u: int, v: int, vertices: Vertices) -> int:
        """Distance from the origin over that of a line; twin: ``polyline.along_ray``."""
        told = tuple(float(number) for vertex in vertices for number in vertex)
        return self._line(op.RAY, (u, v), n=len(vertices), weights=told)

    # -- with memory ---------------------------------------------------------------------------

    def velocity(
        self,
        acceleration: int,
        *,
        leak_g: float = 0.0,
        time_constant_ms: float | None = None,
        floor: bool = True,
        going: tuple[int, int] | None = None,
    ) -> int:
        """Velocity change with leak, floor and restarts; twin: ``kernels.leaky_velocity``.

        *going*: a line that is below 1 where it restarts, and how many ticks cannot.
        """
        decay = 1.0
        if time_constant_ms is not None:
            decay = float(np.exp(-1e3 / (time_constant_ms * self.rate_hz)))
        lowest, rest = (0.0, AT_REST_M_S) if floor else (-np.inf, -np.inf)
        numbers = (leak_g * STANDARD_GRAVITY, self.rate_hz, decay, lowest, rest)
        if going is not None:
            inputs = acceleration, going[0]
            return self._line(op.RESTARTED, inputs, numbers, n=going[1], memory=_ONE)
        return self._line(op.VELOCITY, (acceleration,), numbers, memory=_ONE)

    def angle(self, rate: int, *, leak: float) -> int:
        """Floored sum of a rate less a leak; twin: ``maps.roll_angle``."""
        numbers = (leak, self.rate_hz, 1.0, 0.0, 0.0)
        return self._line(op.VELOCITY, (rate,), numbers, memory=_ONE)

    def leaky_sum(self, value: int, *, decay: float = 1.0, floor: bool = True) -> int:
        """``max(0, decay v + value)``; twin: ``kernels.floored_sum``."""
        lowest = 0.0 if floor else -np.inf
        return self._line(op.LEAKY_SUM, (value,), (decay, lowest), memory=_ONE)

    def low_passed(self, value: int, *, corner_hz: float) -> int:
        """First-order low-pass; twin: ``kernels.one_pole``."""
        decay = float(np.exp(-2.0 * np.pi * corner_hz / self.rate_hz))
        return self.leaky_sum(self.times(value, 1.0 - decay), decay=decay, floor=False)

    def window_sum(self, value: int, ticks: int) -> int:
        """Sum of the last ticks; twin: ``kernels.window_sum``."""
        if ticks == 1:
            return value
        ticks = min(ticks, self.size)
        return self._line(op.WINDOW_SUM, (value,), n=ticks, memory=((0.0, 1 + ticks),))

    def window_mean(self, value: int, ticks: int) -> int:
        """Mean of the last ticks, 0 before the first."""
        return self.over(self.window_sum(value, ticks), float(ticks))

    def window_max(self, value: int, ticks: int, *, fill: float = -np.inf) -> int:
        """Largest of the last ticks; twin: ``kernels.window_max``."""
        ticks = min(ticks, self.size + 1)
        if ticks >= self.size and fill == -np.inf:
            return self._line(op.RUNNING_MAX, (value,), memory=((-np.inf, 1),))
        memory = ((-np.inf, 1), (fill, ticks), (-np.inf, 1))
        return self._line(op.WINDOW_MAX, (value,), (fill,), n=ticks, memory=memory)

    def window_min(self, value: int, ticks: int, *, fill: float = np.inf) -> int:
        """Least of the last ticks; twin: ``kernels.window_min``."""
        return self.times(self.window_max(self.times(value, -1.0), ticks, fill=-fill), -1.0)

    def delayed(self, value: int, ticks: int) -> int:
        """*value* of so many ticks ago, 0 before; twin: ``kernels.shifted``."""
        if ticks == 0:
            return value
        if ticks >= self.size:
            return self.constant(0.0)
        return self._line(op.DELAY, (value,), n=ticks, memory=((0.0, ticks),))

    def travel(self, velocity: int) -> int:
        """Way since the velocity was last 0; twin: ``displacement.travel``."""
        return self._line(op.TRAVEL, (velocity,), (self.rate_hz,), memory=((0.0, 2),))

    def elapsed_ms(self, velocity: int) -> int:
        """Time since the velocity was last 0 [ms]; twin: ``kernels.ticks_since``."""
        numbers = (1e3 / self.rate_hz,)
        return self._line(op.ELAPSED, (velocity,), numbers, memory=((_NEVER, 1),))

    def response(self, value: int, weights: FloatArray) -> int:
        """Weighted sum of the last samples, newest first; twin: ``kernels.finite_response``."""
        n = len(weights)
        told = tuple(float(weight) for weight in weights)
        return self._line(op.RESPONSE, (value,), n=n, memory=((0.0, n),), weights=told)

    def sections(self, value: int, design: FloatArray) -> int:
        """Second-order sections (sections, 6) from rest; twin: ``filters.causal.filter_rows``."""
        for b0, b1, b2, _, a1, a2 in design.tolist():
            numbers = (b0, b1, b2, a1, a2)
            value = self._line(op.SECTION, (value,), numbers, memory=((0.0, 2),))
        return value

    def most_since(self, value: int, going: tuple[int, int]) -> int:
        """Largest value since a line was below 1; twin: ``composition.maximum_since``.

        *going* as for :meth:`velocity`.
        """
        return self._line(op.SINCE, (value, going[0]), n=going[1], memory=((-np.inf, 1),))

    def change(self, value: int) -> int:
        """Magnitude of the change from tick to tick, 0 at the first."""
        return self._line(op.CHANGE, (value,), memory=_ONE)

    # -- the program ---------------------------------------------------------------------------

    def _line(
        self,
        code: int,
        inputs: tuple[int, ...],
        numbers: tuple[float, ...] = (),
        *,
        n: int = 0,
        memory: tuple[tuple[float, int], ...] = (),
        weights: tuple[float, ...] = (),
    ) -> int:
        key = (code, inputs, numbers, n, weights)
        if key not in self._known:
            if len(self.lines) >= MOST:
                raise NotWritten
            self.lines.append(_Line(code, inputs, numbers, n, memory, weights))
            self._known[key] = len(self.lines) - 1
        return self._known[key]

    def _used(self, roots: Sequence[tuple[int, int, int]]) -> list[int]:
        """Numbers of the lines that the roots need, rising."""
        used = set()
        left = [line for root in roots for line in root if line >= 0]
        while left:
            number = left.pop()
            if number not in used:
                used.add(number)
                line = self.lines[number]
                left += () if line.code == op.READ else line.inputs
        return sorted(used)

    def program(self, roots: Sequence[tuple[int, int, int]]) -> Program:
        """Return what was written, for demands *roots*: total, main and arming (-1: none).

        A line's register is free again after the last line that reads it.
        """
        used = self._used(roots)
        last = {line: len(self.lines) for root in roots for line in root if line >= 0}
        for number in used:
            line = self.lines[number]
            for given in () if line.code == op.READ else line.inputs:
                last[given] = max(last.get(given, 0), number)
        operations = np.zeros((len(used), op.COLUMNS), dtype=np.int64)
        numbers = np.zeros((len(used), op.NUMBERS))
        initial: list[float] = []
        weights: list[float] = []
        place: dict[int, int] = {}
        free: list[int] = []
        registers = 0
        for row, number in enumerate(used):
            line = self.lines[number]
            # Its own register first: an operation never writes where it reads.
            if not free:
                free.append(registers)
                registers += 1
            place[number] = free.pop()
            inputs = line.inputs if line.code == op.READ else [place[k] for k in line.inputs]
            told = (line.code, place[number], *inputs)
            operations[row, : len(told)] = told
            operations[row, 4:] = line.n, len(initial), len(weights)
            numbers[row, : len(line.numbers)] = line.numbers
            for value, count in line.memory:
                initial += [value] * count
            weights += line.weights
            read = () if line.code == op.READ else set(line.inputs)
            free += [place[k] for k in read if last[k] == number]
        return Program(
            channels=tuple(self.channels),
            operations=operations,
            numbers=numbers,
            weights=np.array(weights),
            initial=np.array(initial),
            registers=registers,
            roots=np.array([[place.get(k, -1) for k in root] for root in roots]).reshape(-1, 3),
        )
