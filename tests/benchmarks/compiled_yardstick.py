"""The yardstick's rule as one kernel, as a user with numba would write it."""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
from yardstick import (
    AHEAD_S,
    ARMING,
    HOLD_TICKS,
    LEAK,
    TICK_S,
    TRAVEL,
    VELOCITY,
    WINDOW,
    WINDOW_TICKS,
)

_jit: Any = numba.njit(cache=True, nogil=True)


@_jit
def demand(main: Any, second: Any) -> Any:
    """Demand of each draw, shape (draws, ticks)."""
    rows, n = main.shape
    out = np.empty((rows, n))
    for row in range(rows):
        v = s = w = w2 = 0.0
        hold = 0
        for i in range(n):
            a = main[row, i]
            v = max(0.0, v * (1 - LEAK) + a * TICK_S)
            s += v * TICK_S
            w += a
            w2 += second[row, i]
            if i >= WINDOW_TICKS:
                w -= main[row, i - WINDOW_TICKS]
                w2 -= second[row, i - WINDOW_TICKS]
            if w2 * TICK_S >= ARMING:
                hold = HOLD_TICKS
            d = 0.0
            if hold > 0:
                d = max(v / VELOCITY, w * TICK_S / WINDOW)
                d = max(d, (s + v * AHEAD_S + 0.5 * a * AHEAD_S * AHEAD_S) / TRAVEL)
                d = max(d, 0.0)
            hold -= 1
            out[row, i] = d
    return out
