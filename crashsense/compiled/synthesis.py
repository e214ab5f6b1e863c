"""Steps of the crash and ride models compiled by numba (extra ``fast``); see :mod:`.kernels`.

Each kernel takes all steps of a model's march, some by a function of one draw that Python runs, too
(:mod:`.crush`, :mod:`.ride`, :mod:`.rollover`). It has a twin in plain
floats or numpy, named beside it, and gives the same bits: the same operations in the same order,
and only such as IEEE 754 defines exactly. A draw never depends on the draws beside it.

Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray
from crashsense.compiled.caching import kernel
from crashsense.compiled.crush import LEDGER, WORK_ROWS, crush_draw
from crashsense.compiled.ride import ride_draw
from crashsense.compiled.rollover import ROLL_ROWS, roll_draw

#: Draws side by side where there are few.
LANES = 8

_jit: Any = kernel()
_crush_draw, _ride_draw, _roll_draw = _jit(crush_draw), _jit(ride_draw), _jit(roll_draw)


@_jit
def crush_steps(
    inverse_mass: FloatArray,
    start: FloatArray,
    full_share: FloatArray,
    gap: FloatArray,
    ripple: FloatArray,
    phase: FloatArray,
    stiffness: FloatArray,
    per_length: FloatArray,
    damper: FloatArray,
    pull: FloatArray,
    least: FloatArray,
    tie: FloatArray,
    normal: FloatArray,
    friction: FloatArray,
    per_width: FloatArray,
    overlap: FloatArray,
    met_by: FloatArray,
    contact_right: FloatArray,
    grip: FloatArray,
    numbers: FloatArray,
    offset: FloatArray,
    slope: FloatArray,
    step_s: float,
    rest: int,
    out: FloatArray,
    books: FloatArray,
) -> None:
    """All steps of a planar system of lumped masses; twin: ``synthesis.dynamics.lumped``.

    Arguments as in ``lumped_system.Columns``; *offset*, *slope* (springs, cells); *out* (8, draws,
    rest + steps): ``lumped.ROWS``; *books* (steps or 0, rows of ``compiled.crush.LEDGER``, draws).
    """
    own = np.empty(8)
    for draw in range(friction.size):
        own[0], own[1], own[2] = normal[0, draw], normal[1, draw], friction[draw]
        own[3], own[4], own[5] = per_width[draw], overlap[draw], contact_right[draw]
        own[6], own[7] = grip[0, draw], grip[1, draw]
        _crush_draw(
            inverse_mass[:, draw], start[:, draw], full_share[:, draw], gap[:, draw],
            ripple[:, draw], phase[:, draw], damper[:, draw], own,
            stiffness, per_length, pull, least, tie, met_by, numbers, offset, slope,
            step_s, rest, np.zeros((WORK_ROWS, 10)), out[:, draw], books[:, :, draw],
        )  # fmt: skip


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

    Arguments as in ``compiled.rollover.roll_draw``, with draws as a last axis; *out* (8, draws,
    steps).
    """
    for draw in range(out.shape[1]):
        _roll_draw(
            manoeuvre, step, points[:, :, draw].copy(), bodies[:, draw], numbers, lift[:, draw],
            fall[:, draw], angle, np.empty((ROLL_ROWS, 6)), out[:, draw],
        )  # fmt: skip


@_jit
def chain_steps(
    per_mass: FloatArray,
    laws: FloatArray,
    knots: FloatArray,
    bends: FloatArray,
    ends: npt.NDArray[np.int64],
    substeps: int,
    step_s: float,
    velocity: FloatArray,
    position: FloatArray,
    force: FloatArray,
    compression: FloatArray,
    largest: FloatArray,
) -> None:
    """All steps of bodies on crush springs; twins: ``synthesis.chain``, same bits.

    *per_mass* (bodies, draws): step over mass; *laws* (6, springs, draws): stand-off, unloading,
    scale, rate effect, damper, floor; *knots*, *bends* (points, springs); *ends* (springs, 2):
    behind, ahead. The rest (instants, bodies or springs, draws) is filled from the second instant.
    """
    bodies, draws = per_mass.shape
    points, springs = knots.shape
    lanes = LANES if draws > 1 else 1
    half = 0.5 * step_s
    per, x, v = (np.empty((bodies, lanes)), np.empty((bodies, lanes)), np.empty((bodies, lanes)))
    net, middle = np.empty((bodies, lanes)), np.empty((bodies, lanes))
    law = np.empty((6, springs, lanes))
    c, f, most = (
        np.empty((springs, lanes)),
        np.empty((springs, lanes)),
        np.empty((springs, lanes)),
    )
    for first in range(0, draws, lanes):
        width = min(lanes, draws - first)
        for j in range(lanes):
            k = first + min(j, width - 1)
            for b in range(bodies):
                per[b, j] = per_mass[b, k]
                v[b, j] = velocity[0, b, k]
                x[b, j] = position[0, b, k]
            for i in range(springs):
                most[i, j] = largest[0, i, k]
                for number in range(6):
                    law[number, i, j] = laws[number, i, k]
        net[:] = 0.0
        for instant in range(1, velocity.shape[0]):
            for _ in range(substeps):
                for b in range(bodies):
                    for j in range(lanes):
                        x[b, j] += v[b, j] * half
                        middle[b, j] = net[b, j] * 0.5 + v[b, j]
                        net[b, j] = 0.0
                for i in range(springs):
                    behind, ahead = ends[i, 0], ends[i, 1]
                    for j in range(lanes):
                        closed = x[behind, j] - x[ahead, j] - law[0, i, j]
                        reach = most[i, j]
                        reach = closed if closed > reach else reach
                        push = (closed - reach) * law[1, i, j]
                        c[i, j], most[i, j], f[i, j] = closed, reach, push
                    for point in range(points):
                        knot, bend = knots[point, i], bends[point, i]
                        for j in range(lanes):
                            over = most[i, j] - knot
                            f[i, j] += (over if over > 0.0 else 0.0) * bend
                    for j in range(lanes):
                        floor = law[5, i, j]
                        push = f[i, j]
                        push = (push if push > floor else floor) * law[2, i, j]
                        closing = middle[behind, j] - middle[ahead, j]
                        push += closing * (abs(push) * law[3, i, j] + law[4, i, j])
                        push = push if push > floor else floor
                        f[i, j] = push
                        net[behind, j] -= push
                        net[ahead, j] += push
                for b in range(bodies):
                    for j in range(lanes):
                        net[b, j] *= per[b, j]
                        v[b, j] += net[b, j]
                        x[b, j] += v[b, j] * half
            for j in range(width):
                for b in range(bodies):
                    velocity[instant, b, first + j] = v[b, j]
                    position[instant, b, first + j] = x[b, j]
                for i in range(springs):
                    force[instant, i, first + j] = f[i, j]
                    compression[instant, i, first + j] = c[i, j]
                    largest[instant, i, first + j] = most[i, j]


#: Points of a path whose highest points under the wheel are sought together.
_PATCH = 32


@_jit
def highest_under(padded: FloatArray, drops: FloatArray, out: FloatArray) -> None:
    """Largest of ``padded[row, i + k] + drops[k]`` over k, for each row and i of *out*.

    Twin: ``synthesis.road.profile.wheel_path``, same bits. *padded* (rows, points + drops - 1);
    *drops* (an odd number): the same to both sides of the middle, and falling from there.

    From the middle outward, until even the highest point of all under a patch lies too low: on
    level road at once. A sum never falls as its term rises, rounded or not.
    """
    points, reach = out.shape[1], (drops.size - 1) // 2
    for row in range(out.shape[0]):
        for first in range(0, points, _PATCH):
            size = min(_PATCH, points - first)
            under = padded[row, first : first + size + 2 * reach]
            best = out[row, first : first + size]
            top = under.max()
            for i in range(size):
                best[i] = under[i + reach] + drops[reach]
            for d in range(1, reach + 1):
                drop = drops[reach + d]
                if top + drop <= best.min():
                    break
                ahead, behind = under[reach + d :], under[reach - d :]
                for i in range(size):
                    height = max(ahead[i], behind[i]) + drop
                    best[i] = height if height > best[i] else best[i]


def check_steps() -> None:
    """Compile and run every kernel of this module on next to nothing."""

    def ones(*shape: int) -> FloatArray:
        return np.ones(shape)

    crush_steps(
        ones(10, 2), ones(10, 2), ones(9, 2), ones(9, 2), np.zeros((9, 2)), np.zeros((9, 2)),
        ones(9), np.zeros(9), ones(3, 2), ones(9), np.zeros(9), ones(2, 3), ones(2, 2), ones(2),
        ones(2), ones(2), ones(9, 3), ones(2), ones(2, 2), ones(15), np.zeros((9, 3)),
        np.zeros((9, 3)), 1.0, 0, ones(8, 2, 4), np.empty((0, sum(LEDGER.values()), 2)),
    )  # fmt: skip
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
        ones(8, 1, 2),
    )  # fmt: skip
    highest_under(ones(1, 5), ones(3), ones(1, 3))
    chain_steps(
        ones(2, 1), ones(6, 1, 1), ones(1, 1), ones(1, 1), np.array([[0, 1]]), 1, 1.0,
        ones(2, 2, 1), ones(2, 2, 1), ones(2, 1, 1), ones(2, 1, 1), ones(2, 1, 1),
    )  # fmt: skip
