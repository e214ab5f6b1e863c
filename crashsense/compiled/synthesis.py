"""Steps of the crash and ride models compiled by numba (extra ``fast``); see :mod:`.kernels`.

Each kernel takes all steps of a model's march, some by a function of one draw that Python runs, too
(:mod:`.ride`, :mod:`.rollover`); marches of draws side by side stand in :mod:`.marches`. It has a
twin in plain floats or numpy, named beside it, and gives the same bits: the same operations in the
same order, and only such as IEEE 754 defines exactly. A draw never depends on the draws beside it.

Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray
from crashsense.compiled.caching import kernel
from crashsense.compiled.ride import ride_draw
from crashsense.compiled.rollover import ROLL_ROWS, roll_draw

_jit: Any = kernel()
_ride_draw, _roll_draw = _jit(ride_draw), _jit(roll_draw)


@_jit
def contact_steps(
    inverse_mass: FloatArray,
    laws: FloatArray,
    kinds: npt.NDArray[np.bool_],
    start: FloatArray,
    steps: npt.NDArray[np.int64],
    sample_s: float,
    force: FloatArray,
) -> None:
    """All steps of bodies in a row; twin: ``synthesis.dynamics.contact_chain``, same bits.

    *inverse_mass*, *start* (bodies, draws); *laws* (joints, 8, draws): stiffness, damping, gap,
    bend, stiffness past it, Hertz stiffness, yield depth, hysteresis; *kinds* (joints, 3): holds,
    plastic, round; *steps* (samples,): steps of each sample; out: *force* (joints, draws, samples).
    """
    joints, draws, samples = force.shape
    bodies = joints + 1
    push = np.empty(joints)
    law = np.empty((joints, 8))
    at_yield, beyond, deep = np.empty(joints), np.empty(joints), np.empty(joints)
    per = np.empty(bodies)
    x, v = np.empty(bodies), np.empty(bodies)
    sums = np.empty(joints)
    gone = np.empty(joints, dtype=np.bool_)
    for draw in range(draws):
        law[:] = laws[:, :, draw]
        v[:] = start[:, draw]
        x[:] = 0.0
        gone[:] = False
        deep[:] = 1e-30
        for i in range(joints):
            root = np.sqrt(law[i, 6])
            at_yield[i], beyond[i] = law[i, 5] * law[i, 6] * root, 1.5 * law[i, 5] * root
        for sample in range(samples):
            count = steps[sample]
            step_s = sample_s / count
            mean = 1.0 / count
            for i in range(bodies):
                per[i] = inverse_mass[i, draw] * step_s
            sums[:] = 0.0
            for _ in range(count):
                for i in range(joints):
                    closing = x[i] - x[i + 1] - law[i, 2]
                    rate = v[i] - v[i + 1]
                    if not kinds[i, 0] and closing <= 0.0:
                        push[i] = 0.0
                        continue
                    if kinds[i, 2]:
                        deep[i] = deep[i] if deep[i] > closing else closing
                        c = deep[i]
                        root = np.sqrt(c)
                        if c < law[i, 6]:
                            top = law[i, 5] * c * root
                        else:
                            top = at_yield[i] + beyond[i] * (c - law[i, 6])
                        full = top / (law[i, 5] * root)
                        share = (closing - c) + full
                        share = (share if share > 0.0 else 0.0) / full
                        f = top * share * np.sqrt(share) * (1.0 + law[i, 7] * rate)
                    else:
                        bend = law[i, 3]
                        near = bend if bend < closing else closing
                        f = law[i, 0] * near + law[i, 4] * (closing - near) + law[i, 1] * rate
                    if not kinds[i, 0]:
                        f = f if f > 0.0 else 0.0
                        gone[i] |= kinds[i, 1] and rate <= 0.0
                        f = 0.0 if gone[i] else f
                    push[i] = f
                    sums[i] += f
                for i in range(bodies):
                    if i > 0:
                        v[i] += push[i - 1] * per[i]
                    if i < joints:
                        v[i] -= push[i] * per[i]
                    x[i] += v[i] * step_s
            for i in range(joints):
                force[i, draw, sample] = sums[i] * mean


@_jit
def ride_steps(
    body: FloatArray,
    axles: FloatArray,
    state: FloatArray,
    left: FloatArray,
    right: FloatArray,
    places: FloatArray,
    brake: FloatArray,
    push: FloatArray,
    moment: FloatArray,
    set_speed: FloatArray,
    step_s: float,
    out: FloatArray,
    end: FloatArray,
) -> None:
    """All steps of a car on its wheels; twin: ``synthesis.dynamics.half_car``, same bits.

    *body* (19, draws) and *axles* (2, 11, draws): ``half_car._tables``; *state*, *end* (8 + 4
    wheels, draws); *left*, *right* (draws, points): paths of the two tracks, *places* (tracks, 3):
    start, 1 / step, step; *brake*, *push*, *moment* (draws, steps or 0); *out* (12, draws, steps).
    """
    tracks = places.shape[0]
    for draw in range(out.shape[1]):
        _ride_draw(
            body[:, draw], axles[:, :, draw].copy(), state[:, draw], left[draw], right[draw],
            places, brake[draw], push[draw], moment[draw], set_speed[draw], step_s,
            np.empty((2 * tracks, 4)), np.empty((2 * tracks, 2)), out[:, draw], end[:, draw],
        )  # fmt: skip


@_jit
def roll_steps(
    manoeuvre: int,
    step: float,
    points: FloatArray,
    bodies: FloatArray,
    numbers: FloatArray,
    lift: FloatArray,
    fall: FloatArray,
    angle: FloatArray,
    out: FloatArray,
) -> None:
    """All steps of a body in the lateral plane; twin: ``synthesis.rollover.march``, same bits.

    Arguments as in ``compiled.rollover.roll_draw``, with draws as a last axis; *out* (8, steps,
    draws).
    """
    for draw in range(out.shape[2]):
        _roll_draw(
            manoeuvre, step, points[:, :, draw].copy(), bodies[:, draw], numbers, lift[:, draw],
            fall[:, draw], angle, np.empty((ROLL_ROWS, 6)), out[:, :, draw],
        )  # fmt: skip


@_jit
def highest_under(padded: FloatArray, drops: FloatArray, out: FloatArray) -> None:
    """Largest of ``padded[row, i + k] + drops[k]`` over k, for each row and i of *out*.

    Twin: ``synthesis.road.profile.wheel_path``, same bits. *padded* (rows, points + drops - 1).
    """
    points = out.shape[1]
    for row in range(out.shape[0]):
        for first in range(0, points, 1024):
            last = min(first + 1024, points)
            for i in range(first, last):
                out[row, i] = -np.inf
            for k in range(drops.size):
                drop = drops[k]
                for i in range(first, last):
                    height = padded[row, i + k] + drop
                    out[row, i] = height if height > out[row, i] else out[row, i]


def check_steps() -> None:
    """Compile and run every kernel of this module on next to nothing."""

    def ones(*shape: int) -> FloatArray:
        return np.ones(shape)

    contact_steps(
        ones(2, 1), ones(1, 8, 1), np.ones((1, 3), dtype=np.bool_), ones(2, 1),
        np.ones(1, dtype=np.int64), 1.0, ones(1, 1, 1),
    )  # fmt: skip
    ride_steps(
        ones(19, 1), ones(2, 11, 1), ones(16, 1), ones(1, 2), ones(1, 2), ones(1, 3), ones(1, 0),
        ones(1, 0), ones(1, 0), ones(1), 1.0, ones(12, 1, 1), ones(16, 1),
    )  # fmt: skip
    roll_steps(
        0, 1e-3, ones(5, 6, 1), ones(6, 1), ones(19), ones(2, 1), ones(2, 1), ones(2),
        ones(8, 2, 1),
    )  # fmt: skip
    highest_under(ones(1, 4), ones(2).reshape(-1)[:2], ones(1, 3))
