"""Steps of one draw of a car on its wheels, in plain numbers; run as :mod:`.crush` is.

The physics, and the twin in numpy over wheels and many draws side by side:
:mod:`crashsense.synthesis.dynamics.half_car`. Numba is not imported here.
"""

from __future__ import annotations

from typing import Any

#: Numbers of the body, of an axle, of the state of the body and of a wheel, of a track.
BODY, AXLE, MOTION, WHEEL, PLACE = 19, 11, 8, 4, 3


def ride_draw(
    body: Any,
    axles: Any,
    state: Any,
    paths: Any,
    places: Any,
    given: Any,
    v_set: Any,
    step_s: Any,
    out: Any,
) -> Any:
    """All steps of one draw in Python's numbers, from *state*; return the state at the end.

    *given*: brake, push, moment, each a list of steps or an empty one; the rest, in lists, as
    :func:`ride_march` says.
    """
    tracks = len(paths)
    motion = list(state[:MOTION])
    wheels = [state[MOTION + WHEEL * n : MOTION + WHEEL * (n + 1)] for n in range(2 * tracks)]
    acc = [[0.0, 0.0] for _ in wheels]
    last = [len(path) - 2 for path in paths]
    brake, push, moment = given
    ride_march(
        body, axles, paths, places, last, tracks, brake, push, moment, len(brake) > 0,
        len(push) > 0, len(moment) > 0, v_set, step_s, motion, wheels, acc, len(out[0]), out,
    )  # fmt: skip
    return motion + [number for wheel in wheels for number in wheel]


def ride_march(
    body: Any,
    axles: Any,
    paths: Any,
    places: Any,
    last: Any,
    tracks: Any,
    brake: Any,
    push: Any,
    moment: Any,
    brakes: Any,
    pushed: Any,
    turned: Any,
    v_set: Any,
    step_s: Any,
    motion: Any,
    wheels: Any,
    acc: Any,
    steps: Any,
    out: Any,
) -> None:
    """Some steps of one draw.

    *body* (BODY), *axles* (2, AXLE): ``half_car._tables``; *paths*: the one or two *tracks*, left
    first, *places* (tracks, PLACE): start, 1 / step, step, *last*: cell before the last point of
    each; *brake*, *push*, *moment* (steps), and whether they are there: *brakes*, *pushed*,
    *turned*; *v_set*: speed that is held. State: *motion* (MOTION), *wheels* (2 tracks, WHEEL);
    *acc* (2 tracks, 2): room to work in; *out* (12, steps): ``half_car.OUTPUTS``.
    """
    count = 2 * tracks
    share = 2.0 if tracks == 1 else 1.0
    mass_s, inertia_p, inertia_r = body[0], body[1], body[2]
    hold, arm, half_track = body[3], body[4], body[5]
    knee, fall, stop, length = body[6], body[7], body[8], body[9]
    rub, kt, ct, sidewall = body[10], body[11], body[12], body[13]
    krim, kx, cx = body[14], body[15], body[16]
    radius, friction = body[17], body[18]
    for step in range(steps):
        x, v, z, dz = motion[0], motion[1], motion[2], motion[3]
        pitch, dpitch, roll, droll = motion[4], motion[5], motion[6], motion[7]
        sum_x = sum_z = sum_pitch = sum_roll = 0.0
        road_x = road_z = road_left = 0.0
        for n in range(count):
            track, own = n // 2, axles[n % 2]
            lever, mass = own[0], own[7]
            wheel = wheels[n]
            zw, dzw, u, du = wheel[0], wheel[1], wheel[2], wheel[3]
            inverse = places[track][1]
            spot = (x + arm * pitch + u - own[1] - places[track][0]) * inverse
            k = min(max(int(spot), 0), last[track])
            low = paths[track][k]
            slope = (paths[track][k + 1] - low) * inverse
            squash = own[9] + (low + (spot - k) * places[track][2] * slope) - zw
            over = squash - sidewall
            elastic = kt * squash + krim * (over if over > 0.0 else 0.0)
            along = v + arm * dpitch + du
            normal = elastic + ct * (along * slope - dzw)
            normal = normal if normal > 0.0 else 0.0
            normal = normal if squash > 0.0 else 0.0
            forward = -normal * slope
            surplus = normal - own[8]
            road_x = road_x + forward
            road_z = road_z + surplus
            corner, dcorner = z + pitch * lever, dz + dpitch * lever
            side = half_track if track == 0 else -half_track
            if tracks == 2:
                road_left = road_left + (surplus if track == 0 else -surplus)
                corner, dcorner = corner + roll * side, dcorner + droll * side
            d, dd = zw - corner, dzw - dcorner
            up, down = d - own[5], -d - own[6]
            up = up if up > 0.0 else 0.0
            down = down if down > 0.0 else 0.0
            slow = knee if knee < dd else dd
            slow = slow if slow > -knee else -knee
            drag = own[3] if dd > 0.0 else own[4]
            damping = drag * (slow + fall * (dd - slow))
            pressed = stop * (up + up * up / length)
            pulled = stop * (down + down * down / length)
            closing, opening = 1.0 + rub * dd, 1.0 - rub * dd
            closing = closing if closing > 0.0 else 0.0
            opening = opening if opening > 0.0 else 0.0
            stops = pressed * closing - pulled * opening
            spring = own[2] * d + damping + stops
            bush = kx * u + cx * du
            turn = lever * spring + arm * bush
            if brakes:
                slowing = own[10] * brake[step]
                grip = friction * normal
                slowing = grip if grip < slowing else slowing
                forward = forward - slowing
                turn = turn - slowing * radius
            sum_x = sum_x + bush
            sum_z = sum_z + spring
            sum_pitch = sum_pitch + turn
            if tracks == 2:
                sum_roll = sum_roll + side * spring
            acc[n][0] = (surplus - spring) / mass
            acc[n][1] = (forward - bush) / mass
        acc_x = (share * sum_x + hold * (v_set - v)) / mass_s
        acc_z = share * sum_z / mass_s
        acc_pitch = share * sum_pitch / inertia_p
        if turned:
            sum_roll = sum_roll + moment[step]
        acc_roll = sum_roll / inertia_r
        out[0][step], out[1][step], out[2][step] = acc_x, acc_z, acc_pitch
        out[3][step], out[4][step] = dpitch, pitch
        out[5][step], out[6][step] = acc_roll, droll
        out[7][step], out[8][step] = roll, v
        out[9][step], out[10][step] = share * road_x, share * road_z
        out[11][step] = road_left
        v = v + step_s * (acc_x + push[step] if pushed else acc_x)
        dz = dz + step_s * acc_z
        dpitch = dpitch + step_s * acc_pitch
        droll = droll + step_s * acc_roll
        motion[0], motion[1] = x + step_s * v, v
        motion[2], motion[3] = z + step_s * dz, dz
        motion[4], motion[5] = pitch + step_s * dpitch, dpitch
        motion[6], motion[7] = roll + step_s * droll, droll
        for n in range(count):
            wheel = wheels[n]
            wheel[1] = wheel[1] + step_s * acc[n][0]
            wheel[3] = wheel[3] + step_s * (acc[n][1] - acc_x - arm * acc_pitch)
            wheel[0] = wheel[0] + step_s * wheel[1]
            wheel[2] = wheel[2] + step_s * wheel[3]


def path_march(
    tyre: Any,
    tyre_state: Any,
    body: Any,
    body_state: Any,
    road: Any,
    suspension: Any,
    tyres: Any,
    modes: Any,
    samples: Any,
    out: Any,
) -> None:
    """Road through sections in a row and, with the suspension, through modes side by side.

    *tyre*, *body*: b0, b1, b2, a1, a2 of each section; beside them their state, two numbers each;
    *road*, *suspension*, *out* (samples). Python does not run this: its twin is
    ``scipy.signal.sosfilt``, called by ``synthesis.road.structure.RoadPath``.
    """
    for k in range(samples):
        out[k] = road[k]
        for n in range(tyres):
            x, at, own = out[k], n * 5, n * 2
            y = tyre[at] * x + tyre_state[own]
            tyre_state[own] = tyre[at + 1] * x - tyre[at + 3] * y + tyre_state[own + 1]
            tyre_state[own + 1] = tyre[at + 2] * x - tyre[at + 4] * y
            out[k] = y
        x = out[k] + suspension[k]
        out[k] = 0.0
        for n in range(modes):
            at, own = n * 5, n * 2
            y = body[at] * x + body_state[own]
            body_state[own] = body[at + 1] * x - body[at + 3] * y + body_state[own + 1]
            body_state[own + 1] = body[at + 2] * x - body[at + 4] * y
            out[k] = out[k] + y
