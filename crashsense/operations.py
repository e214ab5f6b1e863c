"""Operations of a lane program: what rules of the house are made of where a kernel runs them.

:mod:`crashsense.rules.program` writes them, :mod:`crashsense.compiled.rules` runs them; ``a`` and
``b`` are registers, ``c0`` and so on numbers, ``n`` a number of ticks.
"""

from __future__ import annotations

#: ``a`` channel; sense: ``n`` 0 as it is, 1 negative, 2 magnitude.
READ = 0
#: ``c0``
CONSTANT = 1
#: ``a - c0``
LESS = 2
#: ``c0 a``
TIMES = 3
#: ``a / c0``
OVER = 4
#: ``max(a / c0, 0)``
DEMAND = 5
#: ``|a|``
MAGNITUDE = 6
#: ``max(a, 0)``
POSITIVE = 7
#: ``sqrt(a)``
ROOT = 8
#: ``min(a, b)``, ``max(a, b)``, ``a + b``, ``a - b``, ``a b``, ``a / b``
LESSER, GREATER, SUM, DIFFERENCE, PRODUCT, RATIO = 9, 10, 11, 12, 13, 14
#: ``b`` where ``a`` is 1 or more, else 0
GATE = 15
#: ``c1`` where ``a`` is ``c0`` or more, else ``b``
STEP = 16
#: ``clip(1 + c0 (a - 1), 1, c1)``
RAISE = 17
#: ``c0 + c1 (0.001 max(a - c2, 0))``
RAMP = 18
#: ``v = max(c2 v + (a - c0) / c1, c3)``; 0 where that is below ``c4``
VELOCITY = 19
#: ``v = max(c0 v + a, c1)``
LEAKY_SUM = 20
#: sum and largest of the last ``n`` ticks; before the first stands ``c0``
WINDOW_SUM, WINDOW_MAX = 21, 22
#: largest so far
RUNNING_MAX = 23
#: ``a`` of ``n`` ticks ago; 0 before the first
DELAY = 24
#: sum of ``a`` since it was last 0, over ``c0``
TRAVEL = 25
#: ticks since ``a`` was last 0, times ``c0``
ELAPSED = 26
#: sum of ``n`` last samples, newest first, times weights
RESPONSE = 27
#: ``|a - a one tick ago|``; 0 at the first tick
CHANGE = 28
#: roll rate ``a`` at roll angle ``b`` over the rate that tips the car; ``c0`` angle of tipping,
#: ``c1`` g times radius, ``c2`` gyration, ``c3`` least rate, ``c4`` threshold
ROLL = 29
#: ``a / c0`` to the nearest whole number (halves to even), cut at ``c1`` and ``c2``
CODE = 30
#: a line through ``n`` vertices at ``a``, constant outside them; weights: places of the vertices,
#: their values, slope after each
LINE = 31
#: distance of ``(a, b)`` from the origin over that of a line on the same ray; weights: its ``n``
#: vertices, one after the other
RAY = 32
#: second-order section with coefficients ``c0`` to ``c2`` over 1, ``c3``, ``c4``
SECTION = 33
#: largest ``a`` since ``b`` was last below 1, that tick included; the first ``n`` ticks count as 1
SINCE = 34
#: as :data:`VELOCITY`, and 0 where ``b`` is below 1; the first ``n`` ticks count as 1
RESTARTED = 35

#: Value of ``n`` of :data:`READ` by the sign of a sense.
SENSES = {"+": 0, "-": 1, "|": 2}

#: Columns of an operation: code, register of the result, registers ``a`` and ``b``, ``n``, first
#: row of its memory, first of its weights.
COLUMNS = 7

#: Numbers of an operation.
NUMBERS = 5

#: Registers that an operation reads, where that is not one.
INPUTS = {
    **dict.fromkeys([READ, CONSTANT], 0),
    **dict.fromkeys([LESSER, GREATER, SUM, DIFFERENCE, PRODUCT, RATIO, GATE, STEP], 2),
    **dict.fromkeys([ROLL, RAY, SINCE, RESTARTED], 2),
}
