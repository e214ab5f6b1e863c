"""Steps of the air in a door, of one draw, in plain numbers; run as :mod:`.crush` is.

The ratio of specific heats of air is 7/5: with ``y = (m0 / m)^(1/5)`` for the mass m of the air,
and ``y_closed = (V0 / V)^(1/5)``, which is what y comes to once nothing is pressed any more,

    p / p0 = (y_closed / y)^7,   dy/dt = C_d A sqrt(2 |p - p0| / rho0) / V0  y^6 / 5   (signed)

so that a march needs a division, a root and products alone, and has the same bits by every engine:
the fifth root is taken before it. Numba is not imported here.
"""

from __future__ import annotations

from math import sqrt
from typing import Any

#: Factor of the third term in the series of an exponential.
SIXTH = 1.0 / 6.0


def leak_march(closed: Any, samples: Any, flow: Any, ambient: Any, state: Any, gauge: Any) -> None:
    """Overpressure at every sample; twin: ``side.door_cavity._leak_rows``.

    *closed*: ``(V0 / V)^(1/5)`` at every sample; *flow*: a fifth of the share of the air that
    leaves in a sample at ``p - p0 = p0``; *ambient*: p0; *state*: room for a number; *gauge* may be
    *closed*.

    A step takes air at the rate of its begin, and ends at p = p0 where it would lead past it: y
    grows by exp(d), of which four terms are taken. They are right within d^4 / 24, that is 1e-14
    where a share of 0.0035 of the air leaves in a sample.
    """
    state[0] = 1.0
    for n in range(samples):
        y, most = state[0], closed[n]
        ratio = most / y
        square = ratio * ratio
        over = (square * square) * (square * ratio) - 1.0
        gauge[n] = over * ambient
        square = y * y
        d = sqrt(abs(over)) * (((square * square) * y) * flow[0])
        d = d if over > 0.0 else -d
        moved = (((d * SIXTH + 0.5) * d + 1.0) * d + 1.0) * y
        state[0] = min(max(moved, min(y, most)), max(y, most))
