"""Few draws in Python's own numbers, where no compiled kernel computes.

A step over arrays of a few numbers costs numpy some hundred calls; the same step in floats, which
the engine ``fast`` compiles, is several times as fast in Python itself, with the same bits.
"""

from __future__ import annotations

from collections.abc import Callable

#: Draws up to which floats are faster than arrays, a step.
FEW = 8


def draw_by_draw(draws: int, march: Callable[[int], None]) -> bool:
    """Let *march* integrate each of few draws; False where arrays have to do it instead.

    That is for many draws, and where a division by zero or a cell beyond all numbers raises in
    Python while IEEE 754, as arrays, goes on with infinity and nan.
    """
    if draws > FEW:
        return False
    try:
        for draw in range(draws):
            march(draw)
    except (ArithmeticError, ValueError):
        return False
    return True
