"""Bodies in a row that meet by contacts and local springs: hammer, bracket, car.

Along one line, body i lies behind body i + 1; the joint between them carries

    c = x_i - x_(i+1) - gap                              closing [m]
    F = k1 c for 0 < c < bend, k2 (c - bend) + k1 bend beyond, + damping c'    [N], contact: F >= 0
    a joint that *holds* pulls as well (a local spring)
    a joint that is *plastic* keeps its deepest point: it lets go as soon as it stops closing

Semi-implicit Euler of fixed step. Twins give the same bits, by the same operations in the same
order: plain floats for few draws, numpy over the draws for many, and for any number the compiled
:func:`crashsense.compiled_synthesis.contact_steps` where engine ``fast`` computes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense import engine

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
    joint_count, body_count = len(joints), len(masses)
    force = np.empty((joint_count, size, samples))
    speed, way = (np.empty((body_count, size, samples)) for _ in range(2))

    def whole(value: Any) -> FloatArray:
        return np.broadcast_to(np.asarray(value, dtype=np.float64), (size,))

    step_s = 1.0 / (rate_hz * substeps)
    step_mass = step_s / np.array([whole(mass) for mass in masses])
    laws = np.array([[whole(getattr(joint, name)) for name in _NUMBERS] for joint in joints])
    kinds = [(joint.holds, joint.plastic) for joint in joints]
    start = np.array([whole(v) for v in speeds])
    compiled = engine.kernels()
    if compiled is not None:
        compiled.contact_steps(
            step_mass, laws, np.array(kinds), start, substeps, step_s, force, speed, way
        )
    elif size <= SCALAR_DRAWS:
        for row in range(size):
            per, law, v = (table[..., row].tolist() for table in (step_mass, laws, start))
            histories = _march_one(per, law, v, kinds, samples, substeps, step_s)
            for table, history in zip((force, speed, way), histories, strict=True):
                table[:, row] = np.array(history).T
    else:
        for first in range(0, size, ROWS):
            rows = slice(first, min(first + ROWS, size))
            per, law, v = (table[..., rows].copy() for table in (step_mass, laws, start))
            _march_many(
                per, law, v, kinds, substeps, step_s, force[:, rows], speed[:, rows], way[:, rows]
            )
    return ChainMotion(tuple(force), tuple(speed), tuple(way))


def _march_one(
    step_mass: list[float],
    laws: list[list[float]],
    speeds: list[float],
    kinds: list[tuple[bool, bool]],
    samples: int,
    substeps: int,
    h: float,
) -> tuple[list[list[float]], list[list[float]], list[list[float]]]:
    """Twin for few draws, in plain floats: forces, speeds and ways by sample."""
    rest = [0.0] * len(laws)
    still = [0.0] * len(speeds)
    x, v = list(still), list(speeds)
    last = len(laws)
    per_last = step_mass[last]
    mean = 1.0 / substeps
    joints: list[tuple[Any, ...]] = [
        (i, i + 1, *law, *kind, per)
        for i, (law, kind, per) in enumerate(zip(laws, kinds, step_mass, strict=False))
    ]
    gone = [False] * len(laws)
    forces, velocities, ways = [], [], []
    steps = range(substeps)
    for _ in range(samples):
        sums, fast, far = list(rest), list(still), list(still)
        for _ in steps:
            push = 0.0
            x_own, v_own = x[0], v[0]
            for i, ahead, stiffness, damping, gap, bend, past, holds, plastic, per in joints:
                x_next, v_next = x[ahead], v[ahead]
                closing = x_own - x_next - gap
                before = push
                if holds or closing > 0.0:
                    rate = v_own - v_next
                    if bend < closing:
                        push = stiffness * bend + past * (closing - bend) + damping * rate
                    else:
                        push = stiffness * closing + damping * rate
                    if not holds:
                        if push < 0.0:
                            push = 0.0
                        if plastic:
                            if rate <= 0.0:
                                gone[i] = True
                            if gone[i]:
                                push = 0.0
                    sums[i] += push
                else:
                    push = 0.0
                # Nothing else needs what body i did before this step: it moves at once.
                v_own = v_own + (before - push) * per
                x_own = x_own + h * v_own
                v[i], x[i] = v_own, x_own
                fast[i] += v_own
                far[i] += x_own
                x_own, v_own = x_next, v_next
            v_own = v_own + push * per_last
            x_own = x_own + h * v_own
            v[last], x[last] = v_own, x_own
            fast[last] += v_own
            far[last] += x_own
        forces.append([value * mean for value in sums])
        velocities.append([value * mean for value in fast])
        ways.append([value * mean for value in far])
    return forces, velocities, ways


def _march_many(
    step_mass: FloatArray,
    laws: FloatArray,
    speeds: FloatArray,
    kinds: list[tuple[bool, bool]],
    substeps: int,
    h: float,
    force: FloatArray,
    speed: FloatArray,
    way: FloatArray,
) -> None:
    """Twin for many draws, numpy over the draws; fills *force*, *speed*, *way*."""
    x, v = np.zeros_like(speeds), speeds.copy()
    push = np.zeros((len(laws), speeds.shape[1]))
    net = np.empty_like(speeds)
    gone = np.zeros(push.shape, dtype=bool)
    mean = 1.0 / substeps
    for sample in range(force.shape[2]):
        sums, fast, far = np.zeros_like(push), np.zeros_like(v), np.zeros_like(v)
        for _ in range(substeps):
            between = x[:-1] - x[1:] - laws[:, 2]
            rates = v[:-1] - v[1:]
            near = np.minimum(between, laws[:, 3])
            push = laws[:, 0] * near + laws[:, 4] * (between - near) + laws[:, 1] * rates
            for f, closing, rate, (holds, plastic), done in zip(
                push, between, rates, kinds, gone, strict=True
            ):
                if not holds:
                    touch = closing > 0.0
                    np.maximum(f, 0.0, out=f)
                    f[~touch] = 0.0
                    if plastic:
                        done |= touch & (rate <= 0.0)
                        f[done] = 0.0
            sums += push
            net[0] = 0.0
            net[1:] = push
            net[:-1] -= push
            net *= step_mass
            v += net
            x += h * v
            fast += v
            far += x
        force[:, :, sample] = sums * mean
        speed[:, :, sample] = fast * mean
        way[:, :, sample] = far * mean
