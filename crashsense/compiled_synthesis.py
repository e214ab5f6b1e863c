"""Steps of the crash and ride models compiled by numba (extra ``fast``); see :mod:`.compiled`.

Each kernel takes all steps of a model's march. It has a twin in plain floats or numpy, named beside
it, and gives the same bits: the same operations in the same order, and only such as IEEE 754
defines exactly. A draw never depends on the draws beside it.

Reached through :func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.arrays import FloatArray
from crashsense.compiled_crush import LEDGER, WORK_ROWS, crush_draw
from crashsense.compiled_kernel import kernel

#: Draws side by side where there are few.
LANES = 8

_jit: Any = kernel()
_crush_draw = _jit(crush_draw)


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
    rest + steps): ``lumped.ROWS``; *books* (steps or 0, rows of ``compiled_crush.LEDGER``, draws).
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
def modal_steps(sections: FloatArray, force: FloatArray, out: FloatArray) -> None:
    """Sum of the answers of modes side by side; twin: ``scipy.signal.lfilter``, same bits.

    *sections* (draws, modes, 5): b0, b1, b2, a1, a2 of each mode; *force*, *out* (draws, samples).
    """
    draws, samples = force.shape
    modes = sections.shape[1]
    first, second, answer = np.empty(modes), np.empty(modes), np.empty(modes)
    b0, b1, b2 = np.empty(modes), np.empty(modes), np.empty(modes)
    a1, a2 = np.empty(modes), np.empty(modes)
    for draw in range(draws):
        for m in range(modes):
            b0[m], b1[m], b2[m] = sections[draw, m, 0], sections[draw, m, 1], sections[draw, m, 2]
            a1[m], a2[m] = sections[draw, m, 3], sections[draw, m, 4]
        first[:] = 0.0
        second[:] = 0.0
        for k in range(samples):
            x = force[draw, k]
            for m in range(modes):
                y = first[m] + b0[m] * x
                first[m] = second[m] + x * b1[m] - y * a1[m]
                second[m] = x * b2[m] - y * a2[m]
                answer[m] = y
            total = answer[0]
            for m in range(1, modes):
                total += answer[m]
            out[draw, k] = total


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
    draws, steps = out.shape[1], out.shape[2]
    tracks = places.shape[0]
    count = 2 * tracks
    share = 2.0 if tracks == 1 else 1.0
    wheels = np.empty((count, 4))
    acc = np.empty((count, 2))
    ends = np.array([left.shape[1] - 2, right.shape[1] - 2])
    for draw in range(draws):
        mass_s, inertia_p, inertia_r = body[0, draw], body[1, draw], body[2, draw]
        hold, arm, half_track = body[3, draw], body[4, draw], body[5, draw]
        knee, fall, stop, length = body[6, draw], body[7, draw], body[8, draw], body[9, draw]
        rub, kt, ct, sidewall = body[10, draw], body[11, draw], body[12, draw], body[13, draw]
        krim, kx, cx = body[14, draw], body[15, draw], body[16, draw]
        radius, friction = body[17, draw], body[18, draw]
        own = axles[:, :, draw].copy()
        x, v, z, dz = state[0, draw], state[1, draw], state[2, draw], state[3, draw]
        pitch, dpitch, roll, droll = state[4, draw], state[5, draw], state[6, draw], state[7, draw]
        for n in range(count):
            for i in range(4):
                wheels[n, i] = state[8 + 4 * n + i, draw]
        v_set = set_speed[draw]
        for step in range(steps):
            sum_x = sum_z = sum_pitch = sum_roll = 0.0
            road_x = road_z = road_left = 0.0
            for n in range(count):
                track, axle = n // 2, n % 2
                lever, mass = own[axle, 0], own[axle, 7]
                zw, dzw, u, du = wheels[n, 0], wheels[n, 1], wheels[n, 2], wheels[n, 3]
                inverse = places[track, 1]
                spot = (x + arm * pitch + u - own[axle, 1] - places[track, 0]) * inverse
                k = min(max(int(spot), 0), ends[track])
                low = left[draw, k] if track == 0 else right[draw, k]
                high = left[draw, k + 1] if track == 0 else right[draw, k + 1]
                slope = (high - low) * inverse
                squash = own[axle, 9] + (low + (spot - k) * places[track, 2] * slope) - zw
                normal = 0.0
                if squash > 0.0:
                    over = squash - sidewall
                    elastic = kt * squash + krim * (over if over > 0.0 else 0.0)
                    along = v + arm * dpitch + du
                    normal = elastic + ct * (along * slope - dzw)
                    normal = normal if normal > 0.0 else 0.0
                forward = -normal * slope
                surplus = normal - own[axle, 8]
                road_x = road_x + forward
                road_z = road_z + surplus
                corner, dcorner = z + pitch * lever, dz + dpitch * lever
                side = half_track if track == 0 else -half_track
                if tracks == 2:
                    road_left = road_left + (surplus if track == 0 else -surplus)
                    corner, dcorner = corner + roll * side, dcorner + droll * side
                d, dd = zw - corner, dzw - dcorner
                up, down = d - own[axle, 5], -d - own[axle, 6]
                up = up if up > 0.0 else 0.0
                down = down if down > 0.0 else 0.0
                slow = knee if knee < dd else dd
                slow = slow if slow > -knee else -knee
                drag = own[axle, 3] if dd > 0.0 else own[axle, 4]
                damping = drag * (slow + fall * (dd - slow))
                pressed = stop * (up + up * up / length)
                pulled = stop * (down + down * down / length)
                closing, opening = 1.0 + rub * dd, 1.0 - rub * dd
                closing = closing if closing > 0.0 else 0.0
                opening = opening if opening > 0.0 else 0.0
                stops = pressed * closing - pulled * opening
                spring = own[axle, 2] * d + damping + stops
                bush = kx * u + cx * du
                turn = lever * spring + arm * bush
                if brake.shape[1]:
                    slowing = own[axle, 10] * brake[draw, step]
                    grip = friction * normal
                    slowing = grip if grip < slowing else slowing
                    forward = forward - slowing
                    turn = turn - slowing * radius
                sum_x = sum_x + bush
                sum_z = sum_z + spring
                sum_pitch = sum_pitch + turn
                if tracks == 2:
                    sum_roll = sum_roll + side * spring
                acc[n, 0] = (surplus - spring) / mass
                acc[n, 1] = (forward - bush) / mass
            acc_x = (share * sum_x + hold * (v_set - v)) / mass_s
            acc_z = share * sum_z / mass_s
            acc_pitch = share * sum_pitch / inertia_p
            if moment.shape[1]:
                sum_roll = sum_roll + moment[draw, step]
            acc_roll = sum_roll / inertia_r
            out[0, draw, step], out[1, draw, step], out[2, draw, step] = acc_x, acc_z, acc_pitch
            out[3, draw, step], out[4, draw, step] = dpitch, pitch
            out[5, draw, step], out[6, draw, step] = acc_roll, droll
            out[7, draw, step], out[8, draw, step] = roll, v
            out[9, draw, step], out[10, draw, step] = share * road_x, share * road_z
            out[11, draw, step] = road_left
            pushed = acc_x + push[draw, step] if push.shape[1] else acc_x
            v = v + step_s * pushed
            dz = dz + step_s * acc_z
            dpitch = dpitch + step_s * acc_pitch
            droll = droll + step_s * acc_roll
            x = x + step_s * v
            z = z + step_s * dz
            pitch = pitch + step_s * dpitch
            roll = roll + step_s * droll
            for n in range(count):
                wheels[n, 1] = wheels[n, 1] + step_s * acc[n, 0]
                wheels[n, 3] = wheels[n, 3] + step_s * (acc[n, 1] - acc_x - arm * acc_pitch)
                wheels[n, 0] = wheels[n, 0] + step_s * wheels[n, 1]
                wheels[n, 2] = wheels[n, 2] + step_s * wheels[n, 3]
        end[0, draw], end[1, draw], end[2, draw], end[3, draw] = x, v, z, dz
        end[4, draw], end[5, draw], end[6, draw], end[7, draw] = pitch, dpitch, roll, droll
        for n in range(count):
            for i in range(4):
                end[8 + 4 * n + i, draw] = wheels[n, i]


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
    modal_steps(ones(1, 1, 5), ones(1, 1), ones(1, 1))
    ride_steps(
        ones(19, 1), ones(2, 11, 1), ones(16, 1), ones(1, 2), ones(1, 2), ones(1, 3), ones(1, 0),
        ones(1, 0), ones(1, 0), ones(1), 1.0, ones(12, 1, 1), ones(16, 1),
    )  # fmt: skip
    highest_under(ones(1, 4), ones(2).reshape(-1)[:2], ones(1, 3))
    chain_steps(
        ones(2, 1), ones(6, 1, 1), ones(1, 1), ones(1, 1), np.array([[0, 1]]), 1, 1.0,
        ones(2, 2, 1), ones(2, 2, 1), ones(2, 1, 1), ones(2, 1, 1), ones(2, 1, 1),
    )  # fmt: skip
