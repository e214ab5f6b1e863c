"""Bodies in a row that meet by contacts and local springs: hammer, bracket, car.

Along one line, body i lies behind body i + 1; the joint between them carries

    c = x_i - x_(i+1) - gap                              closing [m]
    F = k1 c for 0 < c < bend, k2 (c - bend) + k1 bend beyond, + damping c'    [N], contact: F >= 0
    a joint that *holds* pulls as well (a local spring)
    a joint that is *plastic* keeps its deepest point: it lets go as soon as it stops closing

Semi-implicit Euler of fixed step. One code runs on floats (few draws) and on arrays (many): the
same operations in the same order, hence the same bits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Up to this many draws are marched one by one on plain floats, more of them as arrays.
SCALAR_DRAWS = 10
#: Draws marched together as arrays.
ROWS = 512


@dataclass(frozen=True, eq=False)
class Joint:
    """What acts between a body and the next; scalars or arrays of shape (draws,), SI."""

    stiffness: Any
    damping: Any = 0.0
    gap: Any = 0.0
    bend: Any = 1e9
    stiffness_past_bend: Any = 0.0
    holds: bool = False
    plastic: bool = False


_NUMBERS = ("stiffness", "damping", "gap", "bend", "stiffness_past_bend")


@dataclass(frozen=True, eq=False)
class ChainMotion:
    """Forces of the joints [N] and speeds [m/s] and ways [m] of the bodies, (draws, samples).

    Each value is the mean over the steps of a sample, so that impulses are kept.
    """

    force: tuple[FloatArray, ...]
    speed: tuple[FloatArray, ...]
    position: tuple[FloatArray, ...]


def march_chain(
    masses: Sequence[Any],
    joints: Sequence[Joint],
    *,
    speeds: Sequence[Any],
    size: int,
    samples: int,
    rate_hz: float,
    substeps: int,
) -> ChainMotion:
    """March a chain for *samples* samples.

    Parameters
    ----------
    masses : [kg], infinite for a body that is fixed or driven at constant speed
    joints : one between each two bodies
    speeds : at the start [m/s], one a body
    size : number of draws
    rate_hz, substeps : rate of the result; steps a sample
    """
    bodies = len(masses)
    force = [np.empty((size, samples)) for _ in joints]
    speed = [np.empty((size, samples)) for _ in masses]
    way = [np.empty((size, samples)) for _ in masses]

    def taken(value: Any, rows: Any) -> Any:
        array = np.broadcast_to(np.asarray(value, dtype=np.float64), (size,))[rows]
        return float(array) if isinstance(rows, int) else np.array(array)

    def part(rows: Any) -> None:
        one = isinstance(rows, int)
        picked = [
            replace(joint, **{name: taken(getattr(joint, name), rows) for name in _NUMBERS})
            for joint in joints
        ]
        forces, velocities, ways = _march(
            [taken(mass, rows) for mass in masses],
            picked,
            [taken(v, rows) for v in speeds],
            samples,
            substeps,
            1.0 / (rate_hz * substeps),
            one,
        )
        for number in range(len(joints)):
            force[number][rows] = np.array(forces[number]).T
        for number in range(bodies):
            speed[number][rows] = np.array(velocities[number]).T
            way[number][rows] = np.array(ways[number]).T

    if size <= SCALAR_DRAWS:
        for row in range(size):
            part(row)
    else:
        for first in range(0, size, ROWS):
            part(slice(first, min(first + ROWS, size)))
    return ChainMotion(tuple(force), tuple(speed), tuple(way))


def _march(
    masses: list[Any],
    joints: list[Joint],
    speeds: list[Any],
    samples: int,
    substeps: int,
    h: float,
    one: bool,
) -> tuple[list[list[Any]], list[list[Any]], list[list[Any]]]:
    most: Any = max if one else np.maximum
    least: Any = min if one else np.minimum
    where: Any = (lambda c, a, b: a if c else b) if one else np.where
    zero = speeds[0] * 0.0
    x = [zero for _ in masses]
    v = list(speeds)
    bodies = range(len(masses))
    numbers = range(len(joints))
    step_mass = [h / m for m in masses]
    forces: list[list[Any]] = [[] for _ in joints]
    velocities: list[list[Any]] = [[] for _ in masses]
    ways: list[list[Any]] = [[] for _ in masses]
    mean = 1.0 / substeps
    laws = [
        (j.stiffness, j.damping, j.gap, j.bend, j.stiffness_past_bend, j.holds, j.plastic)
        for j in joints
    ]
    done: list[Any] = [zero for _ in joints]
    for _ in range(samples):
        sums = [zero for _ in joints]
        fast = [zero for _ in masses]
        far = [zero for _ in masses]
        for _ in range(substeps):
            push = []
            for i in numbers:
                stiffness, damping, gap, bend, past, holds, plastic = laws[i]
                closing = x[i] - x[i + 1] - gap
                rate = v[i] - v[i + 1]
                near = least(closing, bend)
                f = stiffness * near + past * (closing - near) + damping * rate
                if not holds:
                    f = where(closing > 0.0, most(f, 0.0), 0.0)
                    if plastic:
                        done[i] = where((closing > 0.0) & (rate <= 0.0), 1.0, done[i])
                        f = where(done[i] > 0.0, 0.0, f)
                push.append(f)
                sums[i] = sums[i] + f
            for i in bodies:
                if i == 0:
                    net = -push[0]
                elif i == len(push):
                    net = push[i - 1]
                else:
                    net = push[i - 1] - push[i]
                v[i] = v[i] + net * step_mass[i]
                x[i] = x[i] + h * v[i]
                fast[i] = fast[i] + v[i]
                far[i] = far[i] + x[i]
        for i in numbers:
            forces[i].append(sums[i] * mean)
        for i in bodies:
            velocities[i].append(fast[i] * mean)
            ways[i].append(far[i] * mean)
    return forces, velocities, ways
